package edge

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"
)

// Limits of a connection. A route may lengthen the reading and writing time of
// its own request with http.ResponseController.
const (
	ReadHeaderTimeout = 5 * time.Second
	ReadTimeout       = 30 * time.Second
	WriteTimeout      = 60 * time.Second
	IdleTimeout       = 2 * time.Minute
	MaxHeaderBytes    = 32 << 10
)

// Serve answers requests on l until ctx ends, then lets the running ones finish
// for at most grace. It returns nil after an orderly end.
func Serve(ctx context.Context, l net.Listener, h http.Handler, log *slog.Logger, grace time.Duration) error {
	srv := &http.Server{
		Handler:           h,
		ReadHeaderTimeout: ReadHeaderTimeout,
		ReadTimeout:       ReadTimeout,
		WriteTimeout:      WriteTimeout,
		IdleTimeout:       IdleTimeout,
		MaxHeaderBytes:    MaxHeaderBytes,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serving on %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	if err := srv.Shutdown(end); err != nil {
		_ = srv.Close()
		return fmt.Errorf("requests were still running after %s: %w", grace, err)
	}
	return nil
}

//go:build !unix

package local

import (
	"context"
	"errors"
)

// Server is a private Postgres; on this system none can be started.
type Server struct{ run string }

// Start refuses: the server's user, folder and signals are those of a Unix.
func Start(context.Context, Options) (*Server, error) {
	return nil, errors.New("a private Postgres can be started on Unix systems only: name a running server")
}

// OwnerURL connects as the role that owns and migrates.
func (s *Server) OwnerURL(database string) string { return s.url("forkwright_owner", database) }

// ServiceURL connects as the role that serves.
func (s *Server) ServiceURL(database string) string { return s.url("forkwright_service", database) }

// CreateDatabase makes an empty database.
func (s *Server) CreateDatabase(context.Context, string) error { return ErrNoPostgres }

// Major is the server's version.
func (s *Server) Major() int { return 0 }

// Exited is closed when the server has gone.
func (s *Server) Exited() <-chan struct{} { return nil }

// PID is the server's process.
func (s *Server) PID() int { return 0 }

// Crash does nothing.
func (s *Server) Crash() {}

// Restart starts nothing.
func (s *Server) Restart(context.Context) error { return ErrNoPostgres }

// Stop does nothing.
func (s *Server) Stop() error { return nil }

package api

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"forkwright/service/caller"
	"forkwright/service/fault"
)

// sender writes a body over a real connection; what it returns is when it has nothing more.
type sender func(w io.Writer)

// trickle sends a part each so often, for ever or until nobody listens.
func trickle(part string, pause time.Duration) sender {
	return func(w io.Writer) {
		for {
			if _, err := io.WriteString(w, part); err != nil {
				return
			}
			time.Sleep(pause)
		}
	}
}

// streamed sends a body and gives the answer and how long it took.
func streamed(t *testing.T, url string, send sender) (status int, answer string, took time.Duration) {
	t.Helper()
	r, w := io.Pipe()
	defer r.Close()
	go func() { send(w); _ = w.Close() }()
	req, err := http.NewRequestWithContext(t.Context(), "PUT", url, io.NopCloser(r))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "text/csv")
	began := time.Now()
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatalf("no answer: %v", err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(b), time.Since(began)
}

const testPace = time.Second

func TestASenderWhoHangsOrTricklesIsAnsweredAndLetGo(t *testing.T) {
	read := func(_ context.Context, _ caller.Caller, in streamIn) (map[string]int, error) {
		b, err := io.ReadAll(in.Rows)
		return map[string]int{"bytes": len(b)}, err
	}
	refuse := func(context.Context, caller.Caller, streamIn) (map[string]int, error) {
		return nil, fault.New(fault.Conflict, "older", "Older.")
	}
	// Two waits of more than the pace, before the body is read and after.
	work := func(ctx context.Context, _ caller.Caller, in streamIn) (map[string]int, error) {
		time.Sleep(testPace * 3 / 2)
		b, err := io.ReadAll(in.Rows)
		if err != nil {
			return nil, err
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(testPace * 3 / 2):
			return map[string]int{"bytes": len(b)}, nil
		}
	}
	many := limits{MaxBody: 1 << 30, Timeout: time.Minute}
	brief := limits{MaxBody: 1 << 30, Timeout: 2 * time.Second}
	srv := httptest.NewServer(shell(t, io.Discard, func(c *Config, _ *Deps) { c.Pace = testPace },
		route{"PUT", "/read", "a", nil, many, op(read)}, route{"PUT", "/brief", "b", nil, brief, op(read)},
		route{"PUT", "/refuse", "c", nil, many, op(refuse)}, route{"PUT", "/work", "d", nil, many, op(work)}))
	t.Cleanup(srv.Close)
	share := strings.Repeat("1,2,3,4\n", paceBytes/8)
	steady := func(w io.Writer) {
		for range 10 {
			_, _ = io.WriteString(w, share)
			time.Sleep(testPace / 5)
		}
	}
	for _, c := range []struct {
		name, path string
		send       sender
		status     int
		says       string
		within     time.Duration
	}{
		{"hangs", "/read", func(w io.Writer) { _, _ = io.WriteString(w, "a,b\n"); <-t.Context().Done() }, 400, "body_too_slow", testPace},
		{"trickles", "/read", trickle("1,2\n", testPace/20), 400, "body_too_slow", testPace},
		{"steady, longer than the pace", "/read", steady, 200, `"bytes":655360`, 2 * testPace},
		{"steady, longer than the operation", "/brief", trickle(share, testPace/5), 400, "body_too_slow", 2 * time.Second},
		{"refused while it trickles", "/refuse", trickle("1,2\n", testPace/20), 409, `"code":"older"`, lingering},
		{"refused while it pours", "/refuse", trickle(share, 0), 409, `"code":"older"`, lingering},
		{"our own work takes long", "/work", func(w io.Writer) { _, _ = io.WriteString(w, "a,b\n") }, 200, `"bytes":4`, 3 * testPace},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			status, answer, took := streamed(t, srv.URL+c.path, c.send)
			if status != c.status || !strings.Contains(answer, c.says) {
				t.Errorf("%d %s, want %d with %s", status, answer, c.status, c.says)
			}
			if took > c.within+20*time.Second { // a loaded machine; the operation's own time is a minute
				t.Errorf("answered after %s", took)
			}
		})
	}
}

func TestPreflightNamesWhatTheTableTakes(t *testing.T) {
	for _, c := range []struct{ header, want string }{
		{"Access-Control-Allow-Methods", "GET, HEAD, PATCH, POST, PUT"},
		{"Access-Control-Allow-Headers", "Accept, Accept-Encoding, Authorization, Content-Encoding, Content-Type, Idempotency-Key, If-Match, If-None-Match, X-Request-Id"},
	} {
		w := ask(t, shell(t, io.Discard, nil), "OPTIONS", "/v1/locations/depot/stock", "", "Origin: https://shop.example", "Access-Control-Request-Method: PATCH")
		if got := w.Header().Get(c.header); w.Code != 204 || got != c.want {
			t.Errorf("%d %s: %s, want %s", w.Code, c.header, got, c.want)
		}
	}
}

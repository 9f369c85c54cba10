package edge

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func wrapped(t *testing.T, h http.HandlerFunc) (http.Handler, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	return Wrap(h, Options{
		Log:    slog.New(slog.NewJSONHandler(&log, nil)),
		Random: bytes.NewReader(bytes.Repeat([]byte{0xab}, 4096)),
		Now:    time.Now,
		Panicked: func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(http.StatusInternalServerError)
			_, _ = io.WriteString(w, "sorry")
		},
	}), &log
}

func TestRequestIDIsKeptWhenSaneAndMadeOtherwise(t *testing.T) {
	made := strings.Repeat("ab", 12)
	for _, c := range []struct{ name, sent, want string }{
		{"none sent", "", made},
		{"sane", "till-7.2026_001", "till-7.2026_001"},
		{"too short", "abc", made},
		{"too long", strings.Repeat("x", 65), made},
		{"64 is not too long", strings.Repeat("x", 64), strings.Repeat("x", 64)},
		{"would break a log line", "abcdefgh\" injected", made},
	} {
		t.Run(c.name, func(t *testing.T) {
			var inside string
			h, _ := wrapped(t, func(_ http.ResponseWriter, r *http.Request) { inside = RecordOf(r.Context()).RequestID })
			req := httptest.NewRequest("GET", "/", nil)
			req.Header.Set("X-Request-Id", c.sent)
			w := httptest.NewRecorder()
			h.ServeHTTP(w, req)
			if got := w.Header().Get("X-Request-Id"); got != c.want || inside != c.want {
				t.Errorf("answered %q, inside %q, want %q", got, inside, c.want)
			}
		})
	}
}

func TestLogLineCarriesThePatternAndNoURL(t *testing.T) {
	h, log := wrapped(t, func(w http.ResponseWriter, r *http.Request) {
		rec := RecordOf(r.Context())
		rec.Route, rec.Operation, rec.AccountID, rec.Cause = "/v1/things/{id}", "getThing", "acc-1", errors.New("broken pipe in the shed")
		w.WriteHeader(http.StatusTeapot)
		_, _ = io.WriteString(w, "tea")
	})
	req := httptest.NewRequest("GET", "/v1/things/secret-path?q=secret-query", nil)
	req.Header.Set("Authorization", "Bearer secret-key")
	h.ServeHTTP(httptest.NewRecorder(), req)
	if strings.Contains(log.String(), "secret") {
		t.Errorf("the log repeats what the request carried: %s", log)
	}
	var line map[string]any
	if err := json.Unmarshal(log.Bytes(), &line); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]any{"route": "/v1/things/{id}", "status": float64(418), "bytes": float64(3), "account_id": "acc-1", "operation": "getThing", "cause": "broken pipe in the shed"} {
		if line[name] != want {
			t.Errorf("%s = %v, want %v", name, line[name], want)
		}
	}
}

func TestWhatIsShedIsNotLoggedLineByLine(t *testing.T) {
	shed := true
	h, log := wrapped(t, func(w http.ResponseWriter, r *http.Request) {
		RecordOf(r.Context()).Shed = shed
		w.WriteHeader(http.StatusServiceUnavailable)
	})
	h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/", nil))
	if log.Len() > 0 {
		t.Errorf("%s", log)
	}
	shed = false
	h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/", nil))
	if !strings.Contains(log.String(), `"level":"ERROR"`) {
		t.Errorf("a failure is logged: %s", log)
	}
}

func TestPanicIsAnsweredOnceAndLoggedWithItsStack(t *testing.T) {
	h, log := wrapped(t, func(http.ResponseWriter, *http.Request) { panic("the shelf fell") })
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if w.Code != 500 || w.Body.String() != "sorry" {
		t.Errorf("got %d %q", w.Code, w.Body)
	}
	if !strings.Contains(log.String(), "the shelf fell") || !strings.Contains(log.String(), "edge_test.go") {
		t.Errorf("the log lacks the panic or its stack: %s", log)
	}
}

func TestPanicAfterTheFirstByteBreaksTheAnswerOff(t *testing.T) {
	h, _ := wrapped(t, func(w http.ResponseWriter, _ *http.Request) {
		_, _ = io.WriteString(w, "half")
		panic("too late")
	})
	srv := httptest.NewServer(h)
	defer srv.Close()
	res, err := http.Get(srv.URL)
	if err != nil {
		return // broken off before the header went out: as good
	}
	defer res.Body.Close()
	if body, err := io.ReadAll(res.Body); err == nil {
		t.Errorf("half an answer looks whole: %q", body)
	}
}

func TestEveryAnswerForbidsBrowsersWhatItDoesNotNeed(t *testing.T) {
	h, _ := wrapped(t, func(http.ResponseWriter, *http.Request) {})
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	for name, want := range map[string]string{
		"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer", "Content-Security-Policy": NothingCSP,
	} {
		if got := w.Header().Get(name); got != want {
			t.Errorf("%s = %q, want %q", name, got, want)
		}
	}
}

func TestServeLetsARunningRequestFinish(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	entered, ended := make(chan struct{}), make(chan error, 1)
	h := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		close(entered)
		<-ctx.Done()
		time.Sleep(50 * time.Millisecond)
		_, _ = io.WriteString(w, "done")
	})
	go func() { ended <- Serve(ctx, l, h, slog.New(slog.DiscardHandler), 5*time.Second) }()
	answer := make(chan string, 1)
	go func() {
		res, err := http.Get("http://" + l.Addr().String())
		if err != nil {
			answer <- err.Error()
			return
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		answer <- string(b)
	}()
	<-entered
	stop()
	if got := <-answer; got != "done" {
		t.Errorf("the running request got %q", got)
	}
	if err := <-ended; err != nil {
		t.Errorf("an orderly end is no error: %v", err)
	}
}

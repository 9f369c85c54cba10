// Package edge is what stands in front of every request, whatever the router:
// a request id, one line of log, recovery from a panic, headers that keep a
// browser from doing more than asked, and a server with time limits.
//
// It knows net/http and nothing of the domain. What the inner handlers learn on
// the way (the route's pattern, the account, the cause of a failure) they write
// into the Record of the request; the log line is made from it once, at the end.
package edge

import (
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/netip"
	"runtime/debug"
	"sync"
	"time"
)

// Record is what one request turned out to be.
type Record struct {
	RequestID string
	Route     string // the pattern, never the URL: URLs carry tokens and what people typed
	Operation string
	AccountID string
	KeyID     string
	Code      string // of the problem that was answered
	Shed      bool   // it was turned away unread; counted, and logged only where everything is
	Cause     error  // for the log only
	Stack     []byte // of a panic
}

type recordKey struct{}

// RecordOf is the record of the request behind ctx. Outside a request it is a
// record that nobody reads, so that callers need no nil check.
func RecordOf(ctx context.Context) *Record {
	if r, ok := ctx.Value(recordKey{}).(*Record); ok {
		return r
	}
	return &Record{}
}

// Options are what the edge needs from outside.
type Options struct {
	Log    *slog.Logger
	Random io.Reader        // of request ids
	Now    func() time.Time // for durations
	// Metrics counts requests; nil counts nothing.
	Metrics *Metrics
	// Trusted are the proxies whose X-Forwarded-For counts.
	Trusted []netip.Prefix
	// Addresses limits what one address may ask; nil is no limit. Limited answers who asks more.
	Addresses *Buckets
	Limited   func(http.ResponseWriter, *http.Request, Quota)
	// Panicked answers a request whose handler panicked before it had written
	// anything.
	Panicked func(http.ResponseWriter, *http.Request)
}

// Wrap puts the edge in front of next.
func Wrap(next http.Handler, o Options) http.Handler {
	ids := &idSource{random: o.Random}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start := o.Now()
		rec := &Record{RequestID: requestID(r, ids)}
		r = r.WithContext(context.WithValue(r.Context(), recordKey{}, rec))
		setHeaders(w.Header(), rec.RequestID)
		seen := &watcher{ResponseWriter: w}
		from := o.nameOf(r)
		if q := o.admit(r, from, start); q.Allowed {
			serve(next, seen, r, rec, o.Panicked)
		} else {
			rec.Shed = true
			o.Limited(seen, r, q)
		}
		if seen.status == http.StatusUnauthorized {
			o.Addresses.Charge(from, badKeyCost-1, start)
		}
		took := o.Now().Sub(start)
		o.Metrics.observe(r.Method, rec, seen, took)
		logLine(r, o, rec, seen, start, took)
	})
}

// badKeyCost is what a request with a wrong key costs its address: guessing is slow, and a shop
// with one forgotten till keeps working.
const badKeyCost = 10

// nameOf is the bucket of a request's address.
func (o Options) nameOf(r *http.Request) string {
	if o.Addresses == nil {
		return ""
	}
	return group(ClientAddress(r, o.Trusted))
}

// admit asks whether an address may have a request answered. Liveness probes always may.
func (o Options) admit(r *http.Request, from string, now time.Time) Quota {
	if o.Addresses == nil || r.URL.Path == "/healthz" {
		return Quota{Allowed: true}
	}
	return o.Addresses.Take(from, 1, now)
}

// serve runs next and turns a panic into an answer. http.ErrAbortHandler passes
// through: it is the standard way to break a half-written answer off.
func serve(next http.Handler, w *watcher, r *http.Request, rec *Record, panicked func(http.ResponseWriter, *http.Request)) {
	defer func() {
		p := recover()
		if p == nil {
			return
		}
		if p == http.ErrAbortHandler {
			panic(p)
		}
		rec.Cause, rec.Stack = panicValue{p}, debug.Stack()
		if w.status != 0 {
			panic(http.ErrAbortHandler) // half an answer must not look whole
		}
		panicked(w, r)
	}()
	next.ServeHTTP(w, r)
}

// logLine hands the line to the handler itself: a Logger would look up who called it.
func logLine(r *http.Request, o Options, rec *Record, seen *watcher, start time.Time, took time.Duration) {
	level := slog.LevelInfo
	if rec.Shed { // a flood of requests is no flood of lines
		level = slog.LevelDebug
	} else if seen.status >= http.StatusInternalServerError {
		level = slog.LevelError
	}
	if !o.Log.Enabled(r.Context(), level) {
		return
	}
	attrs := append(make([]slog.Attr, 0, 12),
		slog.String("request_id", rec.RequestID),
		slog.String("method", r.Method),
		slog.String("route", rec.Route),
		slog.Int("status", seen.statusOr200()),
		slog.Int64("bytes", seen.bytes),
		slog.Float64("ms", float64(took.Microseconds())/1000))
	for _, a := range [...]struct{ name, value string }{
		{"operation", rec.Operation}, {"account_id", rec.AccountID}, {"key_id", rec.KeyID}, {"code", rec.Code}, {"stack", string(rec.Stack)},
	} {
		if a.value != "" {
			attrs = append(attrs, slog.String(a.name, a.value))
		}
	}
	if rec.Cause != nil {
		attrs = append(attrs, slog.String("cause", rec.Cause.Error()))
	}
	line := slog.NewRecord(start.Add(took), level, "request", 0)
	line.AddAttrs(attrs...)
	_ = o.Log.Handler().Handle(r.Context(), line) // a log that cannot be written stops no answer
}

// requestID keeps a sane id that a proxy gave, so that one id runs through all
// logs, and makes one otherwise.
func requestID(r *http.Request, ids *idSource) string {
	if id := r.Header.Get("X-Request-Id"); saneID(id) {
		return id
	}
	return ids.next()
}

func saneID(id string) bool {
	if len(id) < 8 || len(id) > 64 {
		return false
	}
	for _, c := range []byte(id) {
		ok := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_' || c == '.'
		if !ok {
			return false
		}
	}
	return true
}

// idSource draws ids from one reader; a reader given by a test need not be safe
// for concurrent use.
type idSource struct {
	mu     sync.Mutex
	random io.Reader
}

func (s *idSource) next() string {
	var b [12]byte
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, err := io.ReadFull(s.random, b[:]); err != nil {
		return "no-random-source"
	}
	return hex.EncodeToString(b[:])
}

// Security policies for browsers. Nothing runs and nothing loads unless an
// answer asks for more.
const (
	// NothingCSP is for answers that are no pages.
	NothingCSP = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	// PageCSP is for self-contained printable pages: their own style block and
	// pictures inside the page, no script, no form, no outside request.
	PageCSP = "default-src 'none'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	// ViewerCSP is for the interactive reference: our own scripts, which may
	// call this server and no other.
	ViewerCSP = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

// always are the headers of every answer, by their canonical names. The lists are shared by all
// answers: Set and Add put another in their place.
var always = [...]struct {
	name   string
	values []string
}{
	{"X-Content-Type-Options", []string{"nosniff"}},
	{"X-Frame-Options", []string{"DENY"}},
	{"Referrer-Policy", []string{"no-referrer"}}, // page links carry a token
	{"Cross-Origin-Resource-Policy", []string{"same-origin"}},
	{"Content-Security-Policy", []string{NothingCSP}},
}

func setHeaders(h http.Header, id string) {
	for _, x := range always {
		h[x.name] = x.values
	}
	h.Set("X-Request-Id", id)
}

// watcher notes status and size of an answer.
type watcher struct {
	http.ResponseWriter
	status int
	bytes  int64
}

func (w *watcher) WriteHeader(status int) {
	if w.status == 0 && status >= 200 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *watcher) Write(b []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	n, err := w.ResponseWriter.Write(b)
	w.bytes += int64(n)
	return n, err
}

// Unwrap lets http.ResponseController reach deadlines and flushing.
func (w *watcher) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func (w *watcher) statusOr200() int {
	if w.status == 0 {
		return http.StatusOK
	}
	return w.status
}

// panicValue is the value of a panic as an error.
type panicValue struct{ value any }

func (p panicValue) Error() string { return fmt.Sprintf("panic: %v", p.value) }

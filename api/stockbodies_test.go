package api_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"
	"time"

	"forkwright/api"
)

// feedServer is a service with a location that holds one part, behind a real listener.
type feedServer struct {
	*world
	srv *httptest.Server
}

// feedPace is how long a sender may take for each 64 KiB.
const feedPace = 2 * time.Second

func newFeedServer(t *testing.T) *feedServer {
	t.Helper()
	w := feedWorld(t)
	w.h = w.serve(w.d, func(c *api.Config) { c.Pace = feedPace }).Handler()
	s := &feedServer{w, httptest.NewServer(w.h)}
	t.Cleanup(s.srv.Close)
	want[feedAnswer](w, 200, distributor, "PUT", "/v1/locations/depot/stock?as_of="+minutesAgo(60), feedHead+"QB-AC-GUARD,1\n", asCSV)
	return s
}

// send puts a body as a full feed and gives the problem document that answers it.
func (s *feedServer) send(t *testing.T, body io.Reader, headers ...string) (p struct {
	Status             int
	Code, Detail, Type string
	FeedID             string `json:"feed_id"`
}) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "PUT", s.srv.URL+"/v1/locations/depot/stock?as_of="+minutesAgo(5), io.NopCloser(body))
	s.must(err)
	req.Header.Set("Authorization", "Bearer "+s.keys[distributor])
	req.Header.Set("Content-Type", "text/csv")
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		req.Header.Set(name, value)
	}
	res, err := s.srv.Client().Do(req)
	if err != nil {
		t.Fatalf("no answer: %v", err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &p); err != nil || res.Header.Get("Content-Type") != "application/problem+json" || p.Status != res.StatusCode {
		t.Fatalf("no problem document: %d %s", res.StatusCode, b)
	}
	return p
}

// repeated is a text over and over, so many times or, below zero, for ever.
type repeated struct {
	text  string
	times int
	pause time.Duration
	left  string
}

func (r *repeated) Read(p []byte) (int, error) {
	if r.left == "" {
		if r.times == 0 {
			return 0, io.EOF
		}
		r.times--
		r.left = r.text
		time.Sleep(r.pause)
	}
	n := copy(p, r.left)
	r.left = r.left[n:]
	return n, nil
}

// member is a whole gzip file; several in a row are one, too.
func member(t *testing.T, content io.Reader) []byte {
	t.Helper()
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(z, content); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

const (
	feedHead   = "sku,on_hand\n"
	gzipHeader = "Content-Encoding: gzip"
)

// liveHeap is the highest amount of memory in use while fn runs, above what was before. What
// only waits to be collected is collected first, so that no other test's garbage counts.
func liveHeap(fn func()) int64 {
	inUse := func() int64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	before, most, done := inUse(), int64(0), make(chan struct{})
	go func() { defer close(done); fn() }()
	for {
		began := time.Now()
		most = max(most, inUse()-before)
		select {
		case <-done:
			return most
		case <-time.After(50*time.Millisecond + 5*time.Since(began)): // or collecting is all that is done
		}
	}
}

// hostile is a body that is none.
type hostile struct {
	name   string
	body   io.Reader
	gzip   bool
	status int
	code   string
	state  string // of the feed afterwards
}

func (s *feedServer) refuses(t *testing.T, c hostile) {
	var headers []string
	if c.gzip {
		headers = append(headers, gzipHeader)
	}
	grew := liveHeap(func() {
		p := s.send(t, c.body, headers...)
		if p.Status != c.status || p.Code != c.code || p.Detail == "" || p.Type != "/docs/problems#"+c.code {
			t.Errorf("answered %+v, want %d %s", p, c.status, c.code)
		}
		kept := want[feedAnswer](s.world, 200, distributor, "GET", "/v1/feeds/"+p.FeedID, "")
		if kept.State != c.state || kept.Code != c.code || kept.Counts["applied"] != 0 {
			t.Errorf("kept as %+v", kept)
		}
	})
	if grew > 48<<20 {
		t.Errorf("memory grew by %d MiB", grew>>20)
	}
	stock := want[struct{ Stock []map[string]any }](s.world, 200, distributor, "GET", "/v1/locations/depot/stock", "").Stock
	if len(stock) != 1 || stock[0]["sku"] != "QB-AC-GUARD" || stock[0]["on_hand"] != "1" {
		t.Errorf("something was applied: %v", stock)
	}
}

func TestBodiesThatAreNoFeedChangeNothingInLittleMemory(t *testing.T) {
	s := newFeedServer(t)
	zeros := member(t, &repeated{text: strings.Repeat("\x00", 1<<20), times: 64})
	tenGigabytes := append(member(t, strings.NewReader(feedHead)), bytes.Repeat(zeros, 160)...)
	if len(tenGigabytes) > 11<<20 {
		t.Fatalf("10 GiB of zeros weigh %d bytes", len(tenGigabytes))
	}
	lines := append(member(t, strings.NewReader(feedHead)), member(t, &repeated{text: strings.Repeat("QB-AC-GUARD,0000001\n", 50_000), times: 20})...)
	whole := member(t, strings.NewReader(feedHead+strings.Repeat("QB-AC-GUARD,7\nFOREIGN-1,5\n", 1000)))
	after := func(text string) io.Reader {
		return io.MultiReader(strings.NewReader(feedHead), strings.NewReader(text))
	}
	for _, c := range []hostile{
		{"10 GiB of zeros in 10 MiB", bytes.NewReader(tenGigabytes), true, 400, "line_too_long", "refused"},
		{"20 MB of one line over and over", bytes.NewReader(lines), true, 413, "feed_unfolds_too_far", "refused"},
		{"truncated gzip", bytes.NewReader(whole[:len(whole)/2]), true, 400, "gzip_incomplete", "failed"},
		{"gzip without its checksum", bytes.NewReader(whole[:len(whole)-8]), true, 400, "gzip_incomplete", "failed"},
		{"said to be gzip", after("QB-AC-GUARD,7\n"), true, 400, "gzip_damaged", "refused"},
		{"gzip that is not announced", bytes.NewReader(whole), false, 400, "feed_compressed", "refused"},
		{"a line of 10 MB", after("QB-AC-GUARD," + strings.Repeat("9", 10<<20)), false, 400, "line_too_long", "refused"},
		{"a line without end", io.MultiReader(strings.NewReader(feedHead), &repeated{text: strings.Repeat("9", 1<<16), times: -1}), false, 400, "line_too_long", "refused"},
		{"rows that trickle without end", io.MultiReader(strings.NewReader(feedHead), &repeated{text: "QB-AC-GUARD,7\n", times: -1, pause: feedPace / 40}), false, 400, "body_too_slow", "failed"},
		{"a header in another order", strings.NewReader("on_hand,sku\n7,QB-AC-GUARD\n"), false, 400, "feed_header", "refused"},
		{"Windows-1252", after("QB-AC-GUARD,7\nT\xfcr,1\n"), false, 400, "not_utf8", "refused"},
		{"nothing", strings.NewReader(""), false, 400, "feed_empty", "refused"},
	} {
		t.Run(c.name, func(t *testing.T) { s.refuses(t, c) })
	}
	next := want[feedAnswer](s.world, 200, distributor, "PUT", "/v1/locations/depot/stock?as_of="+minutesAgo(5), feedHead+"QB-AC-GUARD,2\n", asCSV)
	if next.State != "applied" || next.Counts["applied"] != 1 {
		t.Errorf("the next run needs help: %+v", next)
	}
}

//go:build long

package api_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/db/dbtest"
)

// awayFor is how long Postgres is gone.
const awayFor = 30 * time.Second

// seen is what callers met, by phase and question.
type seen struct {
	mu      sync.Mutex
	phase   string
	counts  map[string]map[string]int // phase and question -> status with media type
	slowest map[string]time.Duration
}

func (s *seen) enter(phase string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.phase = phase
}

func (s *seen) now() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.phase
}

// note counts an answer under the phase in which it came.
func (s *seen) note(question, what string, took time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	key := s.phase + ", " + question
	if s.counts[key] == nil {
		s.counts[key] = map[string]int{}
	}
	s.counts[key][what]++
	s.slowest[key] = max(s.slowest[key], took)
}

func (s *seen) String() string {
	var lines []string
	for key, got := range s.counts {
		lines = append(lines, fmt.Sprintf("%-36s slowest %6d ms  %v", key, s.slowest[key].Milliseconds(), got))
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}

// asker asks one replica over the network.
type asker struct {
	*till
	*seen
	url    string
	client *http.Client
}

// ask sends a request and notes what comes back: a status, and for a failure whether it is a
// problem that says when to come again.
func (a *asker) ask(question, method, path, body string, headers ...string) (status int) {
	began := time.Now()
	req, _ := http.NewRequest(method, a.url+path, strings.NewReader(body))
	req.Header.Set("Authorization", "Bearer "+a.key)
	req.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	res, err := a.client.Do(req)
	if err != nil {
		a.note(question, "no answer", time.Since(began))
		return 0
	}
	defer res.Body.Close()
	_, err = io.Copy(io.Discard, res.Body)
	what := fmt.Sprint(res.StatusCode)
	if res.StatusCode >= 400 {
		what += " " + res.Header.Get("Content-Type")
		if res.Header.Get("Retry-After") != "" {
			what += " with Retry-After"
		}
	}
	if err != nil {
		what = "half an answer"
	}
	a.note(question, what, time.Since(began))
	return res.StatusCode
}

const retryable = "503 application/problem+json with Retry-After"

// quotes asks for one quote after the other as a till does: with a key and an id of its own,
// and again with the same until there is an answer. It returns the ids that were answered.
func (a *asker) quotes(till int, stop <-chan struct{}) (clientIDs []string) {
	for n := 0; ; n++ {
		id := fmt.Sprintf("till-%d-%d", till, n)
		body := `{"currency":"EUR","issue":true,"client_id":"` + id + `","lines":[{"text":"Rack","unit":"each","quantity":"1","net_price":"10.00","tax":{"category":"S","rate":"19"}}]}`
		select {
		case <-stop:
			return clientIDs
		case <-time.After(10 * time.Millisecond):
		}
		for a.ask("quote", "POST", "/v1/quotes", body, "Idempotency-Key", id) != http.StatusCreated {
			time.Sleep(10 * time.Millisecond)
		}
		clientIDs = append(clientIDs, id)
	}
}

// readiness watches /readyz and says when it changed.
func (a *asker) readiness(stop <-chan struct{}) (changes []string) {
	began, last := time.Now(), 0
	for {
		select {
		case <-stop:
			return changes
		case <-time.After(50 * time.Millisecond):
		}
		res, err := a.client.Get(a.url + "/readyz")
		if err != nil {
			continue
		}
		_ = res.Body.Close()
		if res.StatusCode != last {
			last = res.StatusCode
			changes = append(changes, fmt.Sprintf("%d after %.1f s, %s", last, time.Since(began).Seconds(), a.now()))
		}
	}
}

// goroutines is what the process says of itself.
func goroutines(t *testing.T, metrics string) (n int) {
	t.Helper()
	res, err := http.Get("http://" + metrics + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(res.Body)
	_, rest, _ := strings.Cut(string(text), "\ngo_goroutines ")
	if _, err := fmt.Sscan(rest, &n); err != nil {
		t.Fatalf("no go_goroutines: %v", err)
	}
	return n
}

// connections is how many the service has open.
func (w *world) connections() (n int) {
	w.t.Helper()
	admin, err := pgx.Connect(context.Background(), w.base.AdminURL)
	w.must(err)
	defer admin.Close(context.Background())
	w.must(admin.QueryRow(context.Background(), `SELECT count(*) FROM pg_stat_activity WHERE usename = 'forkwright_service'`).Scan(&n))
	return n
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// Postgres is stopped under load without a farewell, stays away for half a minute, and is
// started again. Questions to the catalog notice nothing; everything else says in a problem when
// to come again; a till that repeats with its key gets each of its quotes exactly once.
func TestLongPostgresStoppedUnderLoad(t *testing.T) {
	base, server := dbtest.OfItsOwn(t)
	s := newTillIn(newWorldOn(t, base))
	s.d.Close() // from here on whoever is connected as the service is the replica
	metrics := freeAddress(t)
	r := s.replica("FORKWRIGHT_METRICS_LISTEN=" + metrics)
	a := &asker{till: s, url: r.url, client: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 100}, Timeout: 20 * time.Second},
		seen: &seen{phase: "1 before", counts: map[string]map[string]int{}, slowest: map[string]time.Duration{}}}
	defer a.client.CloseIdleConnections()

	stop := make(chan struct{})
	var all sync.WaitGroup
	for question, path := range map[string]string{"fit check": "/v1/fit-checks", "setup": "/v1/setups"} {
		body := string(s.example(map[string]string{"fit check": "checkFit", "setup": "recommendSetup"}[question]))
		for range 2 {
			all.Go(func() {
				for {
					select {
					case <-stop:
						return
					case <-time.After(10 * time.Millisecond):
						a.ask(question, "POST", path, body)
					}
				}
			})
		}
	}
	var mu sync.Mutex
	var answered []string
	for till := range 6 {
		all.Go(func() {
			ids := a.quotes(till, stop)
			mu.Lock()
			defer mu.Unlock()
			answered = append(answered, ids...)
		})
	}
	var ready atomic.Value
	all.Go(func() { ready.Store(a.readiness(stop)) })

	time.Sleep(3 * time.Second)
	goBefore, poolBefore, memBefore := goroutines(t, metrics), s.connections(), r.resident()
	a.enter("2 just away")
	server.Crash()
	time.Sleep(time.Second)
	a.enter("3 away")
	time.Sleep(awayFor - time.Second)
	goAway, memAway := goroutines(t, metrics), r.resident()
	a.enter("4 coming back")
	s.must(server.Restart(t.Context()))
	back := time.Now()
	made := func() int { mu.Lock(); defer mu.Unlock(); return len(answered) }
	eventually(t, 20*time.Second, func() bool {
		return a.ask("first list", "GET", "/v1/quotes?limit=1", "") == 200
	}, "no quotes after Postgres is back")
	recovered := time.Since(back)
	time.Sleep(3 * time.Second)
	a.enter("5 after")
	time.Sleep(3 * time.Second)
	goAfter, poolAfter, memAfter := goroutines(t, metrics), s.connections(), r.resident()
	close(stop)
	all.Wait()

	t.Logf("answered again %s after Postgres was; %d quotes answered\nreadiness: %s\ngoroutines %d before, %d away, %d after; connections %d before, %d after; %d, %d, %d MiB\n%s",
		recovered.Round(time.Millisecond), made(), strings.Join(ready.Load().([]string), "; "), goBefore, goAway, goAfter, poolBefore, poolAfter, memBefore, memAway, memAfter, a.seen)
	if recovered > 5*time.Second {
		t.Errorf("answered again only %s after Postgres was", recovered)
	}
	a.holds(t)
	a.countedOnce(t, answered)
	if changes := ready.Load().([]string); len(changes) != 3 || !strings.HasPrefix(changes[0], "200") || !strings.HasPrefix(changes[1], "503") || !strings.HasPrefix(changes[2], "200") {
		t.Errorf("readiness went %v", changes)
	}
	if goAfter > goBefore+20 || poolAfter > poolBefore+4 || memAfter > memBefore+memBefore/2+32 {
		t.Error("goroutines, connections or memory did not come back to what they were")
	}
}

// holds compares what callers met with what is promised.
func (s *seen) holds(t *testing.T) {
	t.Helper()
	for key, got := range s.counts {
		phase, question, _ := strings.Cut(key, ", ")
		allowed := []string{"200"}
		switch {
		case question == "quote" && (phase == "1 before" || phase == "5 after"):
			allowed = []string{"201"}
		case question == "quote" && phase == "3 away":
			allowed = []string{retryable}
		case question == "quote":
			allowed = []string{"201", retryable}
		case question == "first list":
			allowed = []string{"200", retryable}
		}
		for what, n := range got {
			if !slices.Contains(allowed, what) {
				t.Errorf("%s: %s ×%d", key, what, n)
			}
		}
	}
	for _, key := range []string{"1 before, quote", "3 away, quote", "3 away, fit check", "3 away, setup", "5 after, quote"} {
		if len(s.counts[key]) == 0 {
			t.Errorf("nobody asked: %s", key)
		}
	}
}

// countedOnce compares the quotes that were answered with those that are there, and looks for
// gaps in their numbers.
func (a *asker) countedOnce(t *testing.T, answered []string) {
	t.Helper()
	admin, err := pgx.Connect(t.Context(), a.base.AdminURL)
	a.must(err)
	defer admin.Close(context.Background())
	rows, _ := admin.Query(t.Context(), `SELECT client_id FROM quote ORDER BY client_id`)
	there, err := pgx.CollectRows(rows, pgx.RowTo[string])
	a.must(err)
	slices.Sort(answered)
	if !slices.Equal(there, answered) {
		t.Errorf("%d quotes were answered and %d are there", len(answered), len(there))
	}
	var numbers int
	var last int64
	a.must(admin.QueryRow(t.Context(), `SELECT count(DISTINCT number) FROM quote`).Scan(&numbers))
	a.must(admin.QueryRow(t.Context(), `SELECT last FROM number_series`).Scan(&last))
	if numbers != len(there) || int(last) != len(there) {
		t.Errorf("%d quotes, %d numbers, the last is %d", len(there), numbers, last)
	}
}

//go:build linux

package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// serve answers with h and gives where.
func serve(t *testing.T, h http.HandlerFunc) target {
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return target{addr: strings.TrimPrefix(s.URL, "http://"), pid: os.Getpid()}
}

func TestEveryAnswerIsCounted(t *testing.T) {
	var asked atomic.Int64
	to := serve(t, func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		n, _ := strconv.Atoi(r.URL.Query().Get("n"))
		size := 1 + n*3000 // beyond the generator's buffer too
		w.Header().Set("Content-Length", strconv.Itoa(size))
		if n == 7 {
			w.WriteHeader(http.StatusConflict)
		}
		_, _ = w.Write(bytes.Repeat([]byte("x"), size))
	})
	var reqs []request
	for n := range 50 {
		reqs = append(reqs, build("GET", "/?n="+strconv.Itoa(n), "", "", ""))
	}
	l, err := once(to, reqs)
	if err != nil {
		t.Fatal(err)
	}
	if l.done != 50 || asked.Load() != 50 || l.failed != 1 {
		t.Errorf("%d answers counted, %d of them refusals, and %d asked for; want 50, 1 and 50", l.done, l.failed, asked.Load())
	}
	if l.cpu <= 0 || l.own <= 0 {
		t.Errorf("processor time %s, of the generator %s", l.cpu, l.own)
	}
}

func TestStampsAreNeverTheSameTwice(t *testing.T) {
	var mu sync.Mutex
	seen := map[string]int{}
	to := serve(t, func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		mu.Lock()
		defer mu.Unlock()
		seen[r.Header.Get("Idempotency-Key")+string(body)]++
	})
	r := build("POST", "/", "", "", "{}", "Idempotency-Key: bench-%STAMP%")
	if _, err := once(to, []request{r, r, r, r, r, r, r, r, r, r}); err != nil {
		t.Fatal(err)
	}
	if len(seen) != 10 {
		t.Errorf("%d different requests of 10: %v", len(seen), seen)
	}
}

func TestAnOpenLoopDoesNotWaitForAnswers(t *testing.T) {
	to := serve(t, func(w http.ResponseWriter, r *http.Request) { time.Sleep(50 * time.Millisecond) })
	end := time.Now().Add(300 * time.Millisecond)
	// 30 requests fall due, and one connection takes 1.5 s for them: the last has waited 1.2 s.
	l, err := drive(to, []request{build("GET", "/", "", "", "")}, 1, 100, func(at time.Time, _ int) bool { return at.Before(end) })
	if err != nil {
		t.Fatal(err)
	}
	if l.done < 29 || l.done > 30 {
		t.Errorf("%d requests in 300 ms at 100 a second", l.done)
	}
	if last := l.samples[len(l.samples)-1].took; last < time.Second {
		t.Errorf("the last request counts %s; it was due more than a second before its answer", last)
	}
}

func TestScriptsAreReadAsPgbenchAndPsqlReadThem(t *testing.T) {
	for name, x := range map[string]struct {
		script string
		begins []string
	}{
		"quote":  {leanQuote, []string{"BEGIN;", "SELECT set_config", "WITH q AS", "WITH n AS", "SET LOCAL synchronous_commit", "COMMIT;", "SELECT pg_logical_emit_message"}},
		"accept": {leanAccept, []string{"BEGIN;", "SELECT set_config", "WITH turn AS", "WITH counted AS", "SET LOCAL synchronous_commit", "COMMIT;", "SELECT pg_logical_emit_message"}},
		"feed":   {leanFeed, []string{"BEGIN;", "CREATE TEMPORARY TABLE", `\copy feed`, "SET LOCAL default_statistics_target", "ANALYZE", "SET LOCAL work_mem", "WITH change", "COMMIT;"}},
	} {
		got := statements(x.script)
		for i, begin := range x.begins {
			if len(got) != len(x.begins) || !strings.HasPrefix(got[i], begin) {
				t.Errorf("%s: %d statements, want %d; the one at %d should begin with %s: %q", name, len(got), len(x.begins), i, begin, got)
				break
			}
		}
	}
}

func TestTwoFeedsDifferAsAgreed(t *testing.T) {
	const n = 10_000
	w := &world{dir: t.TempDir()}
	var states [2]map[string]string
	for i := range states {
		f, err := w.nightly(n, i == 1)
		if err != nil {
			t.Fatal(err)
		}
		states[i] = countsOf(t, f)
	}
	changed, gone, fresh := 0, 0, 0
	for sku, before := range states[0] {
		switch after, there := states[1][sku]; {
		case !there:
			gone++
		case after != before:
			changed++
		}
	}
	for sku := range states[1] {
		if _, there := states[0][sku]; !there {
			fresh++
		}
	}
	// The quoted parts neither change nor go.
	const free = n - quotedParts
	if len(states[0]) != n || changed != free/10 || gone != free/100 || fresh != n/100 {
		t.Errorf("of %d parts %d changed, %d are gone, %d are new", len(states[0]), changed, gone, fresh)
	}
}

// countsOf reads a feed's packed rows, and that the plain file says the same.
func countsOf(t *testing.T, f nightly) map[string]string {
	plain, err := os.ReadFile(f.file)
	if err != nil {
		t.Fatal(err)
	}
	unpack, err := gzip.NewReader(bytes.NewReader(f.zipped))
	if err != nil {
		t.Fatal(err)
	}
	packed, err := io.ReadAll(unpack)
	if err != nil || !bytes.Equal(plain, packed) {
		t.Fatalf("the packed feed is not the plain one (%v)", err)
	}
	counts := map[string]string{}
	for lines := bufio.NewScanner(bytes.NewReader(plain)); lines.Scan(); {
		sku, onHand, _ := strings.Cut(lines.Text(), ",")
		counts[sku] = onHand
	}
	delete(counts, "sku") // the header
	return counts
}

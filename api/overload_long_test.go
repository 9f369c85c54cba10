//go:build long

package api_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// replica is the real program in a process of its own, on one core where that can be said.
type replica struct {
	url string
	pid int
}

func (s *till) replica(env ...string) *replica {
	s.t.Helper()
	bin := filepath.Join(s.t.TempDir(), "forkwright")
	if out, err := exec.Command("go", "build", "-o", bin, "..").CombinedOutput(); err != nil {
		s.t.Fatalf("%v: %s", err, out)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	s.must(err)
	addr := l.Addr().String()
	s.must(l.Close())
	args := []string{bin, "serve"}
	if taskset, err := exec.LookPath("taskset"); err == nil && runtime.NumCPU() > 1 {
		args = append([]string{taskset, "-c", "0"}, args...)
	}
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Env = append(os.Environ(), append([]string{"DATABASE_URL=" + s.base.ServiceURL, "FORKWRIGHT_LISTEN=" + addr, "FORKWRIGHT_METRICS_LISTEN=off", "GOMAXPROCS=1",
		"FORKWRIGHT_SIGNING_KEY=" + strings.Repeat("overload", 5), "FORKWRIGHT_KEY_RATE=off", "FORKWRIGHT_ADDRESS_RATE=off", "FORKWRIGHT_LOG=error", "FORKWRIGHT_MAX_CONNECTIONS_PER_ADDRESS=4096"}, env...)...)
	var log bytes.Buffer
	cmd.Stderr = &log
	s.must(cmd.Start())
	s.t.Cleanup(func() {
		_ = cmd.Process.Signal(os.Interrupt)
		_ = cmd.Wait()
		if s.t.Failed() {
			s.t.Logf("the service said: %.2000s", log.String())
		}
	})
	r := &replica{"http://" + addr, cmd.Process.Pid}
	eventually(s.t, 20*time.Second, func() bool {
		res, err := http.Get(r.url + "/readyz")
		if err == nil {
			_ = res.Body.Close()
		}
		return err == nil && res.StatusCode == 200
	}, "the service is not ready")
	return r
}

// resident is the memory of the process in MiB.
func (r *replica) resident() (mib int) {
	content, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", r.pid))
	_, rest, _ := strings.Cut(string(content), "VmRSS:")
	var kib int
	_, _ = fmt.Sscan(rest, &kib)
	return kib >> 10
}

// load is what came of a time of asking.
type load struct {
	good, late, shed, failed atomic.Int64
	took                     time.Duration
}

func (l *load) perSecond() float64 { return float64(l.good.Load()) / l.took.Seconds() }

func (l *load) String() string {
	return fmt.Sprintf("%.0f good a second, %d late, %d turned away, %d failed", l.perSecond(), l.late.Load(), l.shed.Load(), l.failed.Load())
}

// inTime is how long a caller waits.
const inTime = time.Second

func (l *load) ask(client *http.Client, make func() *http.Request) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*inTime)
	defer cancel()
	start := time.Now()
	res, err := client.Do(make().WithContext(ctx))
	if err != nil {
		l.late.Add(1)
		return
	}
	_, err = io.Copy(io.Discard, res.Body)
	_ = res.Body.Close()
	switch {
	case res.StatusCode == http.StatusServiceUnavailable && res.Header.Get("Retry-After") != "":
		l.shed.Add(1)
	case err != nil || res.StatusCode >= 300:
		l.failed.Add(1)
	case time.Since(start) > inTime:
		l.late.Add(1)
	default:
		l.good.Add(1)
	}
}

// closed asks with so many callers who wait for each answer: what can be sustained.
func closed(client *http.Client, callers int, during time.Duration, make func() *http.Request) *load {
	var l load
	var all sync.WaitGroup
	start := time.Now()
	for range callers {
		all.Go(func() {
			for time.Since(start) < during {
				l.ask(client, make)
			}
		})
	}
	all.Wait()
	l.took = time.Since(start)
	return &l
}

// open asks at a rate, whatever comes back.
func open(client *http.Client, rate float64, during time.Duration, make func() *http.Request, each func()) *load {
	var l load
	var all sync.WaitGroup
	start := time.Now()
	sent := 0
	for time.Since(start) < during {
		for due := int(time.Since(start).Seconds() * rate); sent < due; sent++ {
			all.Go(func() { l.ask(client, make) })
		}
		each()
		time.Sleep(2 * time.Millisecond)
	}
	l.took = time.Since(start)
	all.Wait()
	return &l
}

// At four times what can be sustained every request gets its answer or a problem that says when
// to come again, and memory stays. How much is still answered is printed and not judged: on a
// machine shared with others that figure is the machine's.
func TestLongOverloadIsTurnedAwayEarly(t *testing.T) {
	s := newTill(t)
	q := want[struct {
		ID string `json:"quote_id"`
	}](s.world, 201, shop, "POST", "/v1/quotes", string(s.example("createQuote")))
	r := s.replica()
	client := &http.Client{Transport: &http.Transport{MaxIdleConns: 2000, MaxIdleConnsPerHost: 2000, MaxConnsPerHost: 2000}}
	defer client.CloseIdleConnections()
	request := func(method, path, accept, body string) func() *http.Request {
		return func() *http.Request {
			req, _ := http.NewRequest(method, r.url+path, strings.NewReader(body))
			req.Header.Set("Authorization", "Bearer "+s.key)
			req.Header.Set("Accept", accept)
			if body != "" {
				req.Header.Set("Content-Type", "application/json")
			}
			return req
		}
	}
	for name, make := range map[string]func() *http.Request{
		"quote":           request("POST", "/v1/quotes", "application/json", strings.Replace(string(s.example("createQuote")), `"issue":true`, `"issue":false`, 1)),
		"bench sheet PDF": request("GET", "/v1/quotes/"+q.ID+"/bench-sheet", "application/pdf", ""),
	} {
		t.Run(name, func(t *testing.T) {
			closed(client, 4, time.Second, make) // warm
			sustained := closed(client, 8, 5*time.Second, make)
			var memory []int
			over := open(client, 4*sustained.perSecond(), 15*time.Second, make, func() { memory = append(memory, r.resident()) })
			third := len(memory) / 3
			early, last := memory[third], memory[len(memory)-1]
			t.Logf("sustained: %s\n4x: %s, %.0f %% of it; %d MiB after a third, %d MiB at the end", sustained, over, 100*over.perSecond()/sustained.perSecond(), early, last)
			if sustained.perSecond() < 5 || sustained.failed.Load() > 0 || over.failed.Load() > 0 {
				t.Fatal("it does not answer even without overload")
			}
			if last > early+early/4+16 {
				t.Errorf("memory grows from %d to %d MiB", early, last)
			}
		})
	}
}

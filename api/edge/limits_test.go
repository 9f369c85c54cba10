package edge

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestOnlyTrustedProxiesSayWhoTheClientIs(t *testing.T) {
	trusted := []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("2001:db8:1::/48")}
	for _, c := range []struct {
		name, peer string
		forwarded  []string
		want       string
	}{
		{"no proxy", "198.51.100.7:4711", nil, "198.51.100.7"},
		{"a client that writes the header itself", "198.51.100.7:4711", []string{"203.0.113.9"}, "198.51.100.7"},
		{"a client that names our proxy", "198.51.100.7:4711", []string{"10.0.0.1"}, "198.51.100.7"},
		{"behind a proxy", "10.0.0.1:9", []string{"198.51.100.7"}, "198.51.100.7"},
		{"spoofed in front of what the proxy adds", "10.0.0.1:9", []string{"203.0.113.9, 198.51.100.7"}, "198.51.100.7"},
		{"spoofed in a header of its own", "10.0.0.1:9", []string{"203.0.113.9", "198.51.100.7"}, "198.51.100.7"},
		{"two proxies", "10.0.0.1:9", []string{"198.51.100.7, 10.4.4.4"}, "198.51.100.7"},
		{"spoofed with the name of a proxy", "10.0.0.1:9", []string{"10.9.9.9, 198.51.100.7, 10.4.4.4"}, "198.51.100.7"},
		{"a proxy that says nothing", "10.0.0.1:9", nil, "10.0.0.1"},
		{"nonsense before the client", "10.0.0.1:9", []string{"nonsense, 198.51.100.7"}, "198.51.100.7"},
		{"nonsense instead of the client", "10.0.0.1:9", []string{"nonsense, 10.4.4.4"}, "10.4.4.4"},
		{"an IPv6 proxy and client", "[2001:db8:1::5]:9", []string{"2001:db8:2::7"}, "2001:db8:2::7"},
		{"an IPv4 address written as IPv6", "[::ffff:10.0.0.1]:9", []string{"::ffff:198.51.100.7"}, "198.51.100.7"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := httptest.NewRequest("GET", "/", nil)
			r.RemoteAddr = c.peer
			for _, v := range c.forwarded {
				r.Header.Add("X-Forwarded-For", v)
			}
			if got := ClientAddress(r, trusted).String(); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
			if got := ClientAddress(r, nil).String(); strings.Contains(c.name, "proxy") && got == "203.0.113.9" {
				t.Errorf("without trusted proxies the header decided: %s", got)
			}
		})
	}
}

func TestOneNetworkOfIPv6SharesALimit(t *testing.T) {
	a, b, c := group(netip.MustParseAddr("2001:db8:2:3::1")), group(netip.MustParseAddr("2001:db8:2:3:ffff::9")), group(netip.MustParseAddr("2001:db8:2:4::1"))
	if a != b || a == c {
		t.Errorf("%s %s %s", a, b, c)
	}
}

func TestBuckets(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	b := NewBuckets(Rate{PerSecond: 2, Burst: 10}, 100)
	for i, c := range []struct {
		after   time.Duration
		cost    int
		allowed bool
		left    int
		wait    time.Duration
	}{
		{0, 4, true, 6, 0},
		{0, 6, true, 0, 500 * time.Millisecond},
		{0, 1, false, 0, 500 * time.Millisecond},
		{499 * time.Millisecond, 1, false, 0, time.Millisecond},
		{time.Millisecond, 1, true, 0, 500 * time.Millisecond},
		{0, 4, false, 0, 2 * time.Second},
		{2 * time.Second, 4, true, 0, 500 * time.Millisecond},
		{time.Hour, 50, true, 0, 500 * time.Millisecond}, // dearer than a burst costs a burst
		{-time.Minute, 1, false, 0, 500 * time.Millisecond},
	} {
		now = now.Add(c.after)
		got := b.Take("x", c.cost, now)
		got.Wait = got.Wait.Round(10 * time.Microsecond)
		if got != (Quota{c.allowed, c.left, c.wait}) {
			t.Errorf("%d: %+v", i, got)
		}
	}
	if q := b.Take("y", 10, now); !q.Allowed {
		t.Error("another name has its own bucket")
	}
	b.Charge("z", 1000, now)
	if q := b.Take("z", 1, now); q.Allowed || q.Wait != 5500*time.Millisecond {
		t.Errorf("it owes a burst at most: %+v", q)
	}
	var none *Buckets
	if !none.Take("x", 1, now).Allowed {
		t.Error("no buckets, no limit")
	}
}

func TestBucketsKeepBoundedMemory(t *testing.T) {
	now := time.Now()
	b := NewBuckets(Rate{PerSecond: 1, Burst: 5}, 1000)
	for i := range 50_000 {
		b.Take(fmt.Sprint(i), 1, now)
	}
	if n := b.Len(); n > 1000 {
		t.Errorf("%d names", n)
	}
	now = now.Add(time.Hour)
	b.Take("busy", 5, now)
	for i := range 600 {
		b.Take(fmt.Sprint("later ", i), 1, now)
	}
	if b.Take("busy", 1, now).Allowed {
		t.Error("a busy one was forgotten while full ones were kept")
	}
}

func TestAnAddressThatAsksTooFastWaitsAndOthersDoNot(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	h := Wrap(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Authorization") == "wrong" {
			w.WriteHeader(http.StatusUnauthorized)
		}
	}), Options{
		Log: slog.New(slog.DiscardHandler), Random: strings.NewReader(strings.Repeat("r", 1<<16)), Now: func() time.Time { return now },
		Addresses: NewBuckets(Rate{PerSecond: 1, Burst: 30}, 100),
		Limited:   func(w http.ResponseWriter, _ *http.Request, _ Quota) { w.WriteHeader(http.StatusTooManyRequests) },
	})
	ask := func(path, peer, key string) int {
		r := httptest.NewRequest("GET", path, nil)
		r.RemoteAddr = peer
		r.Header.Set("Authorization", key)
		r.Header.Set("X-Forwarded-For", fmt.Sprintf("203.0.113.%d", now.UnixNano()%250)) // changes nothing
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code
	}
	guesses := 0
	for range 100 {
		if ask("/", "198.51.100.7:1", "wrong") == http.StatusUnauthorized {
			guesses++
		}
	}
	if guesses > 4 {
		t.Errorf("%d wrong keys at once from one address", guesses)
	}
	if got := ask("/", "198.51.100.7:2", "right"); got != http.StatusTooManyRequests {
		t.Errorf("the same address from another port: %d", got)
	}
	if got := ask("/", "198.51.100.8:1", "right"); got != http.StatusOK {
		t.Errorf("another address: %d", got)
	}
	if got := ask("/healthz", "198.51.100.7:1", ""); got != http.StatusOK {
		t.Errorf("a probe: %d", got)
	}
	now = now.Add(time.Minute)
	if got := ask("/", "198.51.100.7:1", "right"); got != http.StatusOK {
		t.Errorf("a minute later: %d", got)
	}
}

func TestTheGateLetsFewInAndTurnsManyAway(t *testing.T) {
	g := NewGate(2, 20*time.Millisecond)
	ctx := t.Context()
	if first, second := g.Enter(ctx), g.Enter(ctx); !first || !second || g.Full() {
		t.Fatal("two places, two enter, and two may wait")
	}
	start := time.Now()
	if g.Enter(ctx) || time.Since(start) < 20*time.Millisecond {
		t.Error("the third waits and gives up")
	}
	entered := make(chan bool)
	go func() { entered <- g.Enter(ctx) }()
	g.Leave()
	if !<-entered {
		t.Error("a place came free in time")
	}
	var wait sync.WaitGroup
	results := make(chan time.Duration, 50)
	for range 50 {
		wait.Go(func() {
			start := time.Now()
			if g.Enter(ctx) {
				t.Error("there was no place")
			}
			results <- time.Since(start)
		})
	}
	wait.Wait()
	close(results)
	atOnce := 0
	for d := range results {
		if d < 10*time.Millisecond {
			atOnce++
		}
	}
	if atOnce < 40 {
		t.Errorf("only %d of 50 were turned away at once", atOnce)
	}
	g.Leave()
	g.Leave()
	if g.Running() != 0 {
		t.Errorf("%d left inside", g.Running())
	}
}

// served is a server with connection limits that answers "ok".
func served(t testing.TB, limits ConnectionLimits) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	ok := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "ok") })
	go func() {
		ended <- Serve(t.Context(), LimitConnections(l, limits), ok, slog.New(slog.DiscardHandler), time.Second)
	}()
	t.Cleanup(func() {
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return l.Addr().String()
}

// dial connects from a loopback address of its own.
func dial(t testing.TB, to, from string) net.Conn {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: 5 * time.Second}
	c, err := d.Dial("tcp", to)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func answered(c net.Conn) bool {
	_ = c.SetDeadline(time.Now().Add(2 * time.Second))
	if _, err := io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\n\r\n"); err != nil {
		return false
	}
	line, err := bufio.NewReader(c).ReadString('\n')
	return err == nil && strings.Contains(line, "200")
}

func TestConnectionsAreBoundedByAddressAndInAll(t *testing.T) {
	at := served(t, ConnectionLimits{Total: 8, PerAddress: 3, Trusted: []netip.Prefix{netip.MustParsePrefix("127.0.0.9/32")}})
	var open []net.Conn
	for i := range 5 {
		c := dial(t, at, "127.0.0.2")
		defer c.Close()
		if got := answered(c); got != (i < 3) {
			t.Errorf("connection %d of one address: answered %t", i, got)
		}
		open = append(open, c)
	}
	for i := range 6 { // a trusted proxy speaks for many; the total still holds
		c := dial(t, at, "127.0.0.9")
		defer c.Close()
		if got := answered(c); got != (i < 5) {
			t.Errorf("connection %d of the proxy: answered %t", i, got)
		}
	}
	_ = open[0].Close()
	deadline := time.Now().Add(3 * time.Second)
	for {
		c := dial(t, at, "127.0.0.3")
		got := answered(c)
		_ = c.Close()
		if got {
			return
		}
		if time.Now().After(deadline) {
			t.Fatal("a closed connection frees no place")
		}
	}
}

// loris opens connections that send one byte of a header now and then, and asks from elsewhere
// meanwhile. It returns the worst time of those who ask and when the last slow one was cut.
func loris(t testing.TB, at string, connections int, from func(i int) string) (worst, cut time.Duration) {
	t.Helper()
	start := time.Now()
	var slow sync.WaitGroup
	for i := range connections {
		c := dial(t, at, from(i))
		slow.Go(func() {
			defer c.Close()
			_, _ = io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ")
			for {
				_ = c.SetReadDeadline(time.Now().Add(200 * time.Millisecond))
				if _, err := c.Read(make([]byte, 1)); err != nil && !isTimeout(err) {
					return // cut
				}
				if _, err := io.WriteString(c, "x"); err != nil {
					return
				}
			}
		})
	}
	done := make(chan struct{})
	go func() { slow.Wait(); close(done) }()
	for {
		select {
		case <-done:
			return worst, time.Since(start)
		case <-time.After(20 * time.Millisecond):
		}
		begin := time.Now()
		c := dial(t, at, "127.0.0.200")
		if !answered(c) {
			t.Error("somebody else is not answered")
		}
		_ = c.Close()
		worst = max(worst, time.Since(begin))
		if time.Since(start) > 30*time.Second {
			t.Fatal("slow connections are never cut")
		}
	}
}

func isTimeout(err error) bool {
	var n net.Error
	return errors.As(err, &n) && n.Timeout()
}

func TestSlowClientsAreCutAndOthersAnswered(t *testing.T) {
	at := served(t, ConnectionLimits{Total: 400, PerAddress: 100})
	worst, cut := loris(t, at, 300, func(i int) string { return fmt.Sprintf("127.0.1.%d", 1+i%4) })
	if cut > ReadHeaderTimeout+5*time.Second {
		t.Errorf("cut after %s", cut)
	}
	t.Logf("300 slow connections: the slowest answer to somebody else took %s, the last was cut after %s", worst, cut)
}

func TestHeadersAreBoundedAndNonsenseIsRefused(t *testing.T) {
	at := served(t, ConnectionLimits{})
	for _, c := range []struct{ name, send, want string }{
		{"headers too large", "GET / HTTP/1.1\r\nHost: x\r\nX-Big: " + strings.Repeat("b", MaxHeaderBytes+8<<10) + "\r\n\r\n", " 431 "},
		{"no HTTP", "HELO there\r\n\r\n", " 400 "},
		{"a space in the target", "GET /a b HTTP/1.1\r\nHost: x\r\n\r\n", " 400 "},
		{"two lengths", "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nab", " 400 "},
		{"length and chunks", "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nTransfer-Encoding: gzip\r\n\r\n", " 501 "},
		{"no host", "GET / HTTP/1.1\r\n\r\n", " 400 "},
	} {
		conn, err := net.Dial("tcp", at)
		if err != nil {
			t.Fatal(err)
		}
		_ = conn.SetDeadline(time.Now().Add(5 * time.Second))
		go func() { _, _ = io.WriteString(conn, c.send) }()
		line, err := bufio.NewReader(conn).ReadString('\n')
		if err != nil || !strings.Contains(line, c.want) {
			t.Errorf("%s: %q %v", c.name, line, err)
		}
		_ = conn.Close()
	}
}

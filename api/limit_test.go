package api

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"forkwright/service/caller"
)

var shopsOnly = []caller.Role{caller.Shop}

func TestHeadersSayWhatIsLeft(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	ok := func(context.Context, caller.Caller, nothing) (healthOut, error) { return healthOut{"ok"}, nil }
	h := shell(t, io.Discard, func(c *Config, _ *Deps) {
		c.Limits.Key = Rate{PerSecond: 2, Burst: 10}
		c.Now = func() time.Time { return now }
	}, route{"GET", "/dear", "dear", shopsOnly, limits{Cost: 5}, op(ok)})
	for i, want := range []struct{ left, retry string }{
		{`"key";r=5;t=0`, ""}, {`"key";r=0;t=1`, ""}, {`"key";r=0;t=3`, "3"},
	} {
		w := ask(t, h, "GET", "/dear", "", "Authorization: Bearer "+shopKey)
		if got := w.Header().Get("RateLimit-Policy"); got != `"key";q=10;w=5, "account";q=40;w=5` {
			t.Errorf("policy %s", got)
		}
		left, _, _ := strings.Cut(w.Header().Get("RateLimit"), ", ")
		if left != strings.TrimSuffix(want.left, ";t=0") || w.Header().Get("Retry-After") != want.retry {
			t.Errorf("%d: %s, Retry-After %s", i, w.Header().Get("RateLimit"), w.Header().Get("Retry-After"))
		}
		if want.retry != "" && !strings.Contains(w.Body.String(), `"violated_policies":["key"]`) {
			t.Errorf("the problem names no policy: %s", w.Body)
		}
	}
}

// manyKeys are keys of one account.
type manyKeys struct{}

func (manyKeys) Authenticate(_ context.Context, key string) (caller.Caller, error) {
	return caller.Caller{AccountID: "one", KeyID: key, Roles: shopsOnly}, nil
}

func TestNewKeysAreNoWayAroundTheLimit(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	ok := func(context.Context, caller.Caller, nothing) (healthOut, error) { return healthOut{"ok"}, nil }
	h := shell(t, io.Discard, func(c *Config, d *Deps) {
		c.Limits.Key = Rate{PerSecond: 1, Burst: 10}
		c.Now = func() time.Time { return now }
		d.Auth = manyKeys{}
	}, route{"GET", "/x", "x", shopsOnly, limits{}, op(ok)})
	answered := 0
	for i := range 200 {
		req := httptest.NewRequest("GET", "/x", nil)
		req.Header.Set("Authorization", "Bearer "+strings.Repeat("k", 20+i%20))
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code == 200 {
			answered++
		} else if i < 40 && w.Code == 429 {
			t.Fatalf("%d: %s", i, w.Body)
		}
	}
	if answered != 40 {
		t.Errorf("%d of 200 answered, want 40", answered)
	}
}

func TestAnAddressIsLimitedBeforeAnyKeyIsLookedUp(t *testing.T) {
	h := shell(t, io.Discard, func(c *Config, _ *Deps) {
		c.Limits.Address = Rate{PerSecond: 0.001, Burst: 30}
		c.Trusted = []netip.Prefix{netip.MustParsePrefix("10.0.0.1/32")}
	})
	statuses := func(peer string, forwarded func(i int) string) map[int]int {
		got := map[int]int{}
		for i := range 60 {
			req := httptest.NewRequest("GET", "/v1/forks", nil)
			req.RemoteAddr = peer
			req.Header.Set("X-Forwarded-For", forwarded(i))
			req.Header.Set("Authorization", "Bearer "+strings.Repeat("w", 30))
			w := httptest.NewRecorder()
			h.ServeHTTP(w, req)
			got[w.Code]++
			if w.Code == 429 && (w.Header().Get("Content-Type") != mediaProblem || w.Header().Get("Retry-After") == "" || w.Header().Get("RateLimit-Policy") != `"address";q=30;w=30000`) {
				t.Fatalf("%v %s", w.Header(), w.Body)
			}
		}
		return got
	}
	if got := statuses("198.51.100.7:1", func(i int) string { return netip.AddrFrom4([4]byte{203, 0, 113, byte(i)}).String() }); got[401] > 3 || got[429] < 57 {
		t.Errorf("a client that makes up addresses: %v", got)
	}
	if got := statuses("10.0.0.1:1", func(int) string { return "198.51.100.7" }); got[429] != 60 {
		t.Errorf("the same client through the proxy: %v", got)
	}
	if got := statuses("10.0.0.1:1", func(i int) string { return netip.AddrFrom4([4]byte{203, 0, 113, byte(i)}).String() }); got[401] != 60 {
		t.Errorf("sixty clients behind the proxy: %v", got)
	}
}

func TestTooMuchWorkIsTurnedAwayAndProbesAreNot(t *testing.T) {
	release, inside := make(chan struct{}), make(chan struct{}, 10)
	slow := func(context.Context, caller.Caller, nothing) (healthOut, error) {
		inside <- struct{}{}
		<-release
		return healthOut{"ok"}, nil
	}
	ok := func(context.Context, caller.Caller, nothing) (healthOut, error) { return healthOut{"ok"}, nil }
	h := shell(t, io.Discard, func(c *Config, _ *Deps) { c.Limits.Running = 2 },
		route{"GET", "/slow", "slow", shopsOnly, limits{}, op(slow)}, route{"GET", "/probe", "probe", nil, limits{}, op(ok)})
	get := func(path string) *httptest.ResponseRecorder {
		return ask(t, h, "GET", path, "", "Authorization: Bearer "+shopKey)
	}
	var all sync.WaitGroup
	for range 2 {
		all.Go(func() {
			if w := get("/slow"); w.Code != 200 {
				t.Errorf("let in and then %d", w.Code)
			}
		})
		<-inside
	}
	w := get("/slow")
	if got := verdict(t, w); got != "Service Unavailable overloaded" || w.Header().Get("Retry-After") != "1" {
		t.Errorf("%s, Retry-After %q", got, w.Header().Get("Retry-After"))
	}
	if got := get("/probe").Code; got != 200 {
		t.Errorf("a probe got %d", got)
	}
	close(release)
	all.Wait()
	if got := get("/slow").Code; got != 200 {
		t.Errorf("afterwards: %d", got)
	}
}

// A sender who is slow with the body holds no place of others.
func TestASlowBodyHoldsNoPlace(t *testing.T) {
	done := func(context.Context, caller.Caller, struct {
		Body struct{ A int } `body:""`
	}) (healthOut, error) {
		return healthOut{"ok"}, nil
	}
	h := shell(t, io.Discard, func(c *Config, _ *Deps) { c.Limits.Running = 1 }, route{"POST", "/x", "x", shopsOnly, limits{}, op(done)})
	arriving, sender := io.Pipe()
	defer sender.Close()
	go func() {
		req := httptest.NewRequest("POST", "/x", arriving)
		req.Header.Set("Content-Type", mediaJSON)
		req.Header.Set("Authorization", "Bearer "+shopKey)
		h.ServeHTTP(httptest.NewRecorder(), req)
	}()
	if _, err := io.WriteString(sender, "{"); err != nil {
		t.Fatal(err)
	}
	if w := ask(t, h, "POST", "/x", `{"A":1}`, "Authorization: Bearer "+shopKey); w.Code != 200 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestPlacesAreFreedAfterPanicsAndRefusals(t *testing.T) {
	n := 0
	breaks := func(context.Context, caller.Caller, nothing) (healthOut, error) {
		if n++; n%2 == 0 {
			panic("the bench collapsed")
		}
		return healthOut{}, context.DeadlineExceeded
	}
	h := shell(t, io.Discard, func(c *Config, _ *Deps) { c.Limits.Running = 1 }, route{"GET", "/x", "x", shopsOnly, limits{}, op(breaks)})
	for range 10 {
		if w := ask(t, h, "GET", "/x", "", "Authorization: Bearer "+shopKey); strings.Contains(w.Body.String(), "overloaded") {
			t.Fatal("a place was lost")
		}
	}
	if n != 10 {
		t.Errorf("%d of 10 came through", n)
	}
}

func TestFeedsAtOnceAreBoundedByAccountAndInAll(t *testing.T) {
	took := func(_ context.Context, _ caller.Caller, in struct {
		Rows io.Reader `stream:"text/csv"`
	}) (healthOut, error) {
		_, err := io.Copy(io.Discard, in.Rows)
		return healthOut{"ok"}, err
	}
	h := shell(t, io.Discard, func(c *Config, d *Deps) { c.Limits.Streams = 3; d.Auth = accountOfKey{} },
		route{"PUT", "/feed", "feed", shopsOnly, limits{}, op(took)})
	keyOf := func(account string) string { return "Authorization: Bearer " + account + strings.Repeat("k", 20) }
	var senders []*io.PipeWriter
	begin := func(account string) {
		r, w := io.Pipe()
		senders = append(senders, w)
		go func() {
			req := httptest.NewRequest("PUT", "/feed", r)
			req.Header.Set("Content-Type", "text/csv")
			req.Header.Set("Authorization", strings.TrimPrefix(keyOf(account), "Authorization: "))
			h.ServeHTTP(httptest.NewRecorder(), req)
		}()
		if _, err := io.WriteString(w, "sku\n"); err != nil {
			t.Fatal(err)
		}
	}
	try := func(account string) string {
		return verdict(t, ask(t, h, "PUT", "/feed", "sku\n", keyOf(account), "Content-Type: text/csv"))
	}
	begin("a")
	begin("a")
	if got := try("a"); got != "Service Unavailable too_many_streams" {
		t.Errorf("a third feed of an account: %s", got)
	}
	if got := try("b"); got != "OK" {
		t.Errorf("another account: %s", got)
	}
	begin("b")
	if got := try("c"); got != "Service Unavailable too_many_streams" {
		t.Errorf("a fourth in all: %s", got)
	}
	for _, w := range senders {
		_ = w.Close()
	}
	deadline := time.Now().Add(2 * time.Second)
	for try("c") != "OK" {
		if time.Now().After(deadline) {
			t.Fatal("feeds that ended free no place")
		}
	}
}

// accountOfKey: the first letter of a key is its account.
type accountOfKey struct{}

func (accountOfKey) Authenticate(_ context.Context, key string) (caller.Caller, error) {
	return caller.Caller{AccountID: key[:1], KeyID: key, Roles: shopsOnly}, nil
}

func TestAnOperationThatWillEndSaysSoAndStillAnswers(t *testing.T) {
	ok := func(context.Context, caller.Caller, nothing) (healthOut, error) { return healthOut{"ok"}, nil }
	since := time.Date(2027, 1, 15, 0, 0, 0, 0, time.UTC)
	old := limits{Deprecated: &deprecation{Since: since, Sunset: since.AddDate(1, 6, 0), Page: "/docs/compatibility#old"}}
	h := shell(t, io.Discard, nil, route{"GET", "/old", "old", nil, old, op(ok)}, route{"GET", "/new", "new", nil, limits{}, op(ok)})
	w := ask(t, h, "GET", "/old", "")
	for name, want := range map[string]string{
		"Deprecation": "@1799971200", "Sunset": "Sat, 15 Jul 2028 00:00:00 GMT", "Link": `</docs/compatibility#old>; rel="deprecation"; type="text/html"`,
	} {
		if got := w.Header().Get(name); got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
	if w.Code != http.StatusOK || len(w.Header().Values("Link")) != 2 {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	if h := ask(t, h, "GET", "/new", "").Header(); h.Get("Deprecation")+h.Get("Sunset") != "" {
		t.Errorf("one that stays: %v", h)
	}
	hasty := route{"GET", "/x", "x", nil, limits{Deprecated: &deprecation{Since: since, Sunset: since.AddDate(0, 11, 0)}}, op(ok)}
	if err := hasty.check(); err == nil {
		t.Error("eleven months are less than is promised")
	}
}

func TestDepth(t *testing.T) {
	for text, want := range map[string]int{
		`{}`: 1, `{"a":[{"b":1}]}`: 3, `{"a":"[[[[","b":"\"[["}`: 1, `[[]` + `]`: 2, ``: 0, `{"a":"\\"}`: 1, strings.Repeat("[", 500): 500,
	} {
		if got := depth([]byte(text)); got != want {
			t.Errorf("%.40s: %d, want %d", text, got, want)
		}
	}
}

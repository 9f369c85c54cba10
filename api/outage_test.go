package api_test

import (
	"context"
	"io"
	"net"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/api"
	"forkwright/db"
	"forkwright/service/account"
	"forkwright/service/caller"
)

// away keeps the service off its database until the function that it returns is called: open
// connections are cut and new ones refused, as when a server is stopped.
func (w *world) away() (back func()) {
	w.t.Helper()
	admin, name := w.superuser()
	run := func(sql string, args ...any) {
		_, err := admin.Exec(context.Background(), sql, args...)
		w.must(err)
	}
	quoted := pgx.Identifier{name}.Sanitize()
	run(`ALTER DATABASE ` + quoted + ` ALLOW_CONNECTIONS false`)
	run(`SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1 AND pid <> pg_backend_pid()`, name)
	return func() { run(`ALTER DATABASE ` + quoted + ` ALLOW_CONNECTIONS true`) }
}

// superuser is a connection beside the service's database, and that database's name.
func (w *world) superuser() (*pgx.Conn, string) {
	w.t.Helper()
	cfg, err := pgx.ParseConfig(w.base.AdminURL)
	w.must(err)
	name := cfg.Database
	cfg.Database = "postgres"
	admin, err := pgx.ConnectConfig(context.Background(), cfg)
	w.must(err)
	w.t.Cleanup(func() { _ = admin.Close(context.Background()) })
	return admin, name
}

// needsNoRows are questions that the catalog alone answers.
var needsNoRows = [][3]string{
	{"GET", "/v1/forks?q=skarnfeld+holin+36", ""},
	{"GET", "/v1/forks/" + matrixFork, ""},
	{"GET", "/v1/forks/" + matrixFork + "/parts", ""},
	{"GET", "/v1/parts/" + matrixPart, ""},
	{"POST", "/v1/fit-checks", "checkFit"},
	{"POST", "/v1/setups", "recommendSetup"},
	{"POST", "/v1/bills", "makeBill"},
}

func (w *world) ask(q [3]string) (status int, kind string) {
	body := ""
	if q[2] != "" {
		body = string(w.example(q[2]))
	}
	a := w.call(shop, q[0], q[1], body)
	return a.Status, a.Header.Get("Content-Type")
}

func TestWithTheDatabaseAwayAnswersGoOnAndTheRestSaysSo(t *testing.T) {
	w := newWorld(t)
	w.putDemoSeller(w.keys[shop])
	draft := `{"currency":"EUR","lines":[{"text":"Rack","unit":"each","quantity":"1","net_price":"10.00","tax":{"category":"S","rate":"19"}}]}`
	want[struct{}](w, 201, shop, "POST", "/v1/quotes", draft)
	for _, q := range needsNoRows {
		if status, _ := w.ask(q); status != 200 {
			t.Fatalf("%v before: %d", q, status)
		}
	}
	back := w.away()
	for _, q := range needsNoRows {
		if status, _ := w.ask(q); status != 200 {
			t.Errorf("%v with the database away: %d", q, status)
		}
	}
	for _, q := range [][3]string{{"POST", "/v1/quotes", draft}, {"GET", "/v1/quotes", ""}, {"GET", "/v1/account", ""}, {"POST", "/v1/persons", `{"name":"Somebody"}`}} {
		a := w.call(shop, q[0], q[1], q[2])
		if a.Status != 503 || a.Header.Get("Content-Type") != "application/problem+json" || a.Header.Get("Retry-After") == "" {
			t.Errorf("%v: %d %s, Retry-After %q: %s", q, a.Status, a.Header.Get("Content-Type"), a.Header.Get("Retry-After"), a.Body)
		}
	}
	if a := w.contract.Call(t, w.h, "GET", "/healthz", "", ""); a.Status != 200 {
		t.Errorf("the process lives: %d", a.Status)
	}
	back()
	start := time.Now()
	eventually(t, 10*time.Second, func() bool { return w.call(shop, "POST", "/v1/quotes", draft).Status == 201 }, "no quote after the database is back")
	t.Logf("quotes work again %s after the database is back", time.Since(start).Round(time.Millisecond))
}

func TestAnExhaustedPoolIsAProblemAndAnswersGoOn(t *testing.T) {
	w := newWorld(t)
	w.putDemoSeller(w.keys[shop])
	d := w.base.Open(t, db.Options{MaxConns: 2, AcquireTimeout: 200 * time.Millisecond})
	w.h = w.serve(d).Handler()
	if status, _ := w.ask(needsNoRows[0]); status != 200 { // the key is known from now on
		t.Fatal(status)
	}
	owner, err := pgx.Connect(t.Context(), w.base.OwnerURL)
	w.must(err)
	defer owner.Close(context.Background())
	_, err = owner.Exec(t.Context(), `BEGIN; LOCK TABLE quote IN ACCESS EXCLUSIVE MODE`)
	w.must(err)
	var held sync.WaitGroup
	for range 2 { // each takes a connection and waits for the table
		held.Go(func() { w.call(shop, "GET", "/v1/quotes", "") })
	}
	admin, name := w.superuser()
	var waiting int
	eventually(t, 2*time.Second, func() bool {
		w.must(admin.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND datname = $1`, name).Scan(&waiting))
		return waiting == 2
	}, "no two requests wait for the table")
	for _, q := range needsNoRows {
		if status, _ := w.ask(q); status != 200 {
			t.Errorf("%v without a free connection: %d", q, status)
		}
	}
	start := time.Now()
	a := w.call(shop, "GET", "/v1/quotes", "")
	if a.Status != 503 || a.Header.Get("Retry-After") == "" || time.Since(start) > 2*time.Second {
		t.Errorf("%d after %s: %s", a.Status, time.Since(start), a.Body)
	}
	_, err = owner.Exec(t.Context(), `ROLLBACK`)
	w.must(err)
	held.Wait()
	if a := w.call(shop, "GET", "/v1/quotes", ""); a.Status != 200 {
		t.Errorf("with connections again: %d %s", a.Status, a.Body)
	}
}

// served runs the world's server on a port until stop.
func (w *world) served(s *api.Server) (url string, stop func() error) {
	w.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	w.must(err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, l) }()
	stop = sync.OnceValue(func() error { cancel(); return <-ended })
	w.t.Cleanup(func() { _ = stop() })
	return "http://" + l.Addr().String(), stop
}

func TestRequestsUnderWayAreAnsweredAtTheEnd(t *testing.T) {
	w := newWorld(t)
	url, stop := w.served(w.server)
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 8}}
	var broken, done atomic.Int64
	var all sync.WaitGroup
	halt := make(chan struct{})
	for range 8 {
		all.Go(func() {
			for {
				select {
				case <-halt:
					return
				default:
				}
				req, _ := http.NewRequest("POST", url+"/v1/setups", strings.NewReader(string(w.example("recommendSetup"))))
				req.Header.Set("Authorization", "Bearer "+w.keys[shop])
				req.Header.Set("Content-Type", "application/json")
				res, err := client.Do(req)
				if err != nil { // refused, or closed between two requests: nothing was under way
					if !regexp.MustCompile(`refused|reset|EOF|server closed idle connection`).MatchString(err.Error()) {
						t.Error(err)
					}
					return
				}
				_, err = io.Copy(io.Discard, res.Body)
				_ = res.Body.Close()
				if err != nil || res.StatusCode != 200 {
					broken.Add(1)
				}
				done.Add(1)
			}
		})
	}
	time.Sleep(300 * time.Millisecond)
	if err := stop(); err != nil {
		t.Errorf("no orderly end: %v", err)
	}
	close(halt)
	all.Wait()
	if broken.Load() > 0 || done.Load() < 8 {
		t.Errorf("%d of %d answers were broken", broken.Load(), done.Load())
	}
}

// Not ready until the catalog is there, ready then, and both say why.
func TestReadinessComesBeforeTraffic(t *testing.T) {
	w := newWorld(t, true)
	if a := w.contract.Call(t, w.h, "GET", "/readyz", "", ""); a.Status != 503 || a.Header.Get("Retry-After") == "" {
		t.Errorf("without a catalog: %d %s", a.Status, a.Body)
	}
	full := newWorld(t)
	if a := full.contract.Call(t, full.h, "GET", "/readyz", "", ""); a.Status != 200 {
		t.Errorf("with one: %d %s", a.Status, a.Body)
	}
}

func TestAKeyRevokedInMidFlightEndsWithinASecond(t *testing.T) {
	w := newWorld(t)
	url, _ := w.served(w.server)
	made, key, err := w.d.CreateKey(t.Context(), caller.Caller{RequestID: "test"}, account.NewKey{AccountID: w.accounts[shop].ID, Label: "till"})
	w.must(err)
	statuses := make(chan int, 100_000)
	stop := make(chan struct{})
	var all sync.WaitGroup
	var revoked atomic.Int64
	var last atomic.Int64 // of a success after the revocation
	for range 4 {
		all.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				req, _ := http.NewRequest("GET", url+"/v1/parts/"+matrixPart, nil)
				req.Header.Set("Authorization", "Bearer "+key)
				res, err := http.DefaultClient.Do(req)
				if err != nil {
					t.Error(err)
					return
				}
				_, _ = io.Copy(io.Discard, res.Body)
				_ = res.Body.Close()
				statuses <- res.StatusCode
				if at := revoked.Load(); res.StatusCode == 200 && at > 0 {
					last.Store(time.Now().UnixNano() - at)
				}
			}
		})
	}
	time.Sleep(200 * time.Millisecond)
	want[struct{}](w, 200, shop, "POST", "/v1/keys/"+made.ID+"/revoke", "")
	revoked.Store(time.Now().UnixNano())
	time.Sleep(1500 * time.Millisecond)
	close(stop)
	all.Wait()
	close(statuses)
	count := map[int]int{}
	for s := range statuses {
		count[s]++
	}
	if count[200] == 0 || count[401] == 0 || len(count) != 2 {
		t.Errorf("%v", count)
	}
	if d := time.Duration(last.Load()); d > time.Second {
		t.Errorf("answered for %s after it was revoked", d)
	}
	t.Logf("%d answered, %d refused; the last answer came %s after the revocation", count[200], count[401], time.Duration(last.Load()).Round(time.Millisecond))
}

func TestNoSecretIsLogged(t *testing.T) {
	w := newWorld(t)
	w.putDemoSeller(w.keys[shop])
	q := want[struct {
		ID    string `json:"quote_id"`
		Links struct{ Page string }
	}](w, 201, shop, "POST", "/v1/quotes", `{"currency":"EUR","issue":true,"lines":[{"text":"Rack","unit":"each","quantity":"1","net_price":"10.00","tax":{"category":"S","rate":"19"}}]}`)
	token := q.Links.Page[strings.LastIndex(q.Links.Page, "/")+1:]
	made := want[struct{ Key string }](w, 201, shop, "POST", "/v1/keys", `{"label":"till 9"}`)
	secrets := map[string]string{"key": w.keys[shop], "another key": w.otherKey, "new key": made.Key, "page token": token, "wrong key": "wrong-key-wrong-key-wrong-key", "name": "Ottilie Musterfrau", "searched": "zzsearched"}
	w.call(shop, "POST", "/v1/persons", `{"name":"`+secrets["name"]+`"}`)
	w.call(shop, "POST", "/v1/persons", `{"name":"`+secrets["name"]+`","email":7}`)
	w.call(shop, "GET", "/v1/forks?q="+secrets["searched"], "")
	w.call(shop, "GET", "/v1/forks?"+secrets["searched"]+"=1", "")
	for _, key := range []string{secrets["wrong key"], secrets["new key"], secrets["another key"]} {
		w.contract.Call(t, w.h, "GET", "/v1/account", key, "")
		w.contract.Call(t, w.h, "GET", "/v1/nowhere/"+key, key, "")
	}
	w.contract.Call(t, w.h, "GET", q.Links.Page, "", "")
	back := w.away()
	w.call(shop, "POST", "/v1/persons", `{"name":"`+secrets["name"]+`"}`)
	w.contract.Call(t, w.h, "GET", "/v1/account", "never-seen-never-seen-never-seen", "")
	w.contract.Call(t, w.h, "GET", q.Links.Page, "", "")
	back()
	log := w.log.String()
	if strings.Count(log, "\n") < 12 {
		t.Fatalf("too little was logged to prove anything:\n%s", log)
	}
	for what, text := range secrets {
		if strings.Contains(log, text) {
			t.Errorf("the log holds a %s", what)
		}
	}
	if m := regexp.MustCompile(`(?i)(bearer |password|postgres://[^ ]*:[^ ]*@)`).FindString(log); m != "" {
		t.Errorf("the log holds %q", m)
	}
}

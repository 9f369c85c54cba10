package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/quagmt/udecimal"

	"forkwright/api/cli"
	"forkwright/db/dbtest"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/catalog/source"
	"forkwright/service/stock"
)

// serveInstead makes the test's program be the service itself, until its standard input ends:
// it ends with the test, however that does.
const serveInstead = "FORKWRIGHT_TEST_SERVES"

func TestMain(m *testing.M) {
	if os.Getenv(serveInstead) == "" {
		os.Exit(dbtest.Main(m))
	}
	ctx, stop := context.WithCancel(context.Background())
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin)
		stop()
	}()
	os.Exit(run(ctx, []string{"serve"}, os.Getenv, os.Stdout, os.Stderr))
}

// fleet is two processes of the service on one database, with two shops to ask for.
type fleet struct {
	t        *testing.T
	base     *dbtest.Database
	replicas []*process
	keys     []string
	client   http.Client
}

// process is the service once more, beside the others.
type process struct {
	address string
	command *exec.Cmd
	killed  bool
}

const fleetShelf = "uferhalle"

func newFleet(t *testing.T) *fleet {
	t.Helper()
	f := &fleet{t: t, base: dbtest.Clone(t), client: http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{MaxIdleConnsPerHost: 64}}}
	catalogFiles, err := fs.Sub(demoFiles, "testdata/catalog")
	f.must(err)
	demo, err := fs.Sub(demoFiles, "testdata/demo")
	f.must(err)
	key, err := cli.FillDemo(t.Context(), f.base.DB, f.base.DB.CatalogStore(), source.Load, catalogFiles, demo, "")
	f.must(err)
	f.keys = []string{key, f.secondShop(demo)}
	for range 2 {
		f.replicas = append(f.replicas, f.start("replica"))
	}
	for i, r := range f.replicas { // until both serve and know both keys
		f.wait(r.address)
		for _, key := range f.keys {
			if a := f.call(i, key, http.MethodGet, "/v1/account", ""); a.status != http.StatusOK {
				t.Fatalf("%d %s", a.status, a.body)
			}
		}
	}
	return f
}

func (f *fleet) must(err error) {
	f.t.Helper()
	if err != nil {
		f.t.Fatal(err)
	}
}

// secondShop has the demo's profile and numbers of its own.
func (f *fleet) secondShop(demo fs.FS) (key string) {
	f.t.Helper()
	a, err := f.base.DB.CreateAccount(f.t.Context(), cli.Operator, account.Account{Name: "other", Roles: []caller.Role{caller.Shop}})
	f.must(err)
	accounts, err := f.base.DB.Accounts(f.t.Context(), "", 9)
	f.must(err)
	first := accounts[slices.IndexFunc(accounts, func(x account.Account) bool { return x.ID != a.ID })]
	seller, err := f.base.DB.Seller(f.t.Context(), first.ID)
	f.must(err)
	seller.AccountID, seller.Series, seller.Version = a.ID, "ZZ", 0
	by := cli.Operator
	by.AccountID = a.ID
	_, err = f.base.DB.PutSeller(f.t.Context(), by, seller)
	f.must(err)
	_, key, err = f.base.DB.CreateKey(f.t.Context(), by, account.NewKey{AccountID: a.ID, Label: "other"})
	f.must(err)
	return key
}

// start runs the service as another process, whose connections the database knows by a name.
func (f *fleet) start(name string) *process {
	f.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	f.must(err)
	address := l.Addr().String()
	f.must(l.Close())
	var said bytes.Buffer
	p := exec.Command(os.Args[0])
	p.Stdout, p.Stderr = &said, &said
	p.Env = append(os.Environ(), serveInstead+"=yes", "DATABASE_URL="+f.base.ServiceURL, "PGAPPNAME="+name, "FORKWRIGHT_LISTEN="+address, "FORKWRIGHT_METRICS_LISTEN=off",
		"FORKWRIGHT_SIGNING_KEY="+strings.Repeat("replicas", 4), "FORKWRIGHT_POOL_SIZE=32", "FORKWRIGHT_MAX_RUNNING=200",
		"FORKWRIGHT_KEY_RATE=off", "FORKWRIGHT_ADDRESS_RATE=off", "FORKWRIGHT_LOG=warn")
	alive, err := p.StdinPipe()
	f.must(err)
	f.must(p.Start())
	r := &process{address: address, command: p}
	f.t.Cleanup(func() {
		_ = alive.Close()
		if r.killed {
			return
		}
		if err := p.Wait(); err != nil {
			f.t.Errorf("the service at %s: %v", address, err)
		}
		if f.t.Failed() {
			f.t.Logf("the service at %s said:\n%.3000s", address, said.String())
		}
	})
	return r
}

func (f *fleet) kill(r *process) {
	f.t.Helper()
	r.killed = true
	f.must(r.command.Process.Kill())
	_ = r.command.Wait() // it was killed
}

func (f *fleet) wait(address string) {
	f.t.Helper()
	for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		c, err := net.Dial("tcp", address)
		if err == nil {
			_ = c.Close()
			return
		}
		if time.Now().After(deadline) {
			f.t.Fatalf("no service at %s: %v", address, err)
		}
	}
}

type fleetAnswer struct {
	status int
	body   []byte
}

// call asks one of the processes; i picks it.
func (f *fleet) call(i int, key, method, target, body string, headers ...string) fleetAnswer {
	a, err := f.ask(f.replicas[i%len(f.replicas)].address, key, method, target, body, headers...)
	if err != nil {
		f.t.Error(err)
	}
	return a
}

func (f *fleet) ask(address, key, method, target, body string, headers ...string) (a fleetAnswer, err error) {
	r, err := http.NewRequestWithContext(f.t.Context(), method, "http://"+address+target, strings.NewReader(body))
	if err != nil {
		return a, err
	}
	r.Header.Set("Authorization", "Bearer "+key)
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		r.Header.Set(name, value)
	}
	answer, err := f.client.Do(r)
	if err != nil {
		return a, err
	}
	defer answer.Body.Close()
	a.status = answer.StatusCode
	a.body, err = io.ReadAll(answer.Body)
	return a, err
}

// atOnce does n things at the same time.
func atOnce(n int, do func(i int)) {
	var all sync.WaitGroup
	start := make(chan struct{})
	for i := range n {
		all.Go(func() { <-start; do(i) })
	}
	close(start)
	all.Wait()
}

// inTurn does n things, so many at a time.
func inTurn(n, width int, do func(i int)) {
	queue := make(chan int, n)
	for i := range n {
		queue <- i
	}
	close(queue)
	atOnce(width, func(int) {
		for i := range queue {
			do(i)
		}
	})
}

const oneGuard = `{"lines": [{"code": "QB-AC-GUARD", "quantity": "1", "for_fork": "none"}], "locations": ["` + fleetShelf + `"], "issue": true}`

type fleetQuote struct {
	QuoteID string `json:"quote_id"`
	Number  string
	Version int
	Links   struct{ Self string }
}

func (f *fleet) quoted(a fleetAnswer) (q fleetQuote) {
	if a.status != http.StatusCreated {
		f.t.Errorf("%d %s", a.status, a.body)
		return q
	}
	if err := json.Unmarshal(a.body, &q); err != nil {
		f.t.Error(err)
	}
	return q
}

// TestTwoProcessesKeepQuotesAndStockRight runs two processes of the service against each other.
func TestTwoProcessesKeepQuotesAndStockRight(t *testing.T) {
	f := newFleet(t)
	t.Run("two sellers make 100 quotes each, numbered from 1 to 100", f.numbers)
	t.Run("64 twins with one key are one quote", f.twins)
	t.Run("64 want the last one: one gets it", f.lastOne)
	t.Run("whoever ends a quote first has ended it", f.firstEnds)
}

func (f *fleet) numbers(t *testing.T) {
	const each = 100
	var mu sync.Mutex
	got := map[string][]string{}
	inTurn(2*each, 16, func(i int) {
		key := f.keys[i%2]
		q := f.quoted(f.call(i/2, key, http.MethodPost, "/v1/quotes", oneGuard))
		mu.Lock()
		defer mu.Unlock()
		got[key] = append(got[key], q.Number)
	})
	for i, series := range []string{"RU", "ZZ"} {
		numbers := got[f.keys[i]]
		slices.Sort(numbers)
		for n, number := range numbers {
			if want := fmt.Sprintf("%s-%s-%05d", series, time.Now().Format("2006"), n+1); number != want {
				t.Fatalf("number %d of %s is %s, want %s", n+1, series, number, want)
			}
		}
		if len(numbers) != each {
			t.Errorf("%s has %d quotes", series, len(numbers))
		}
	}
}

func (f *fleet) twins(t *testing.T) {
	body := strings.Replace(oneGuard, "{", `{"customer_reference": "twins", `, 1)
	answers := make([]fleetAnswer, 64)
	atOnce(len(answers), func(i int) {
		answers[i] = f.call(i, f.keys[0], http.MethodPost, "/v1/quotes", body, "Idempotency-Key: the-same")
	})
	for _, a := range answers {
		if a.status != http.StatusCreated || !bytes.Equal(a.body, answers[0].body) {
			t.Fatalf("%d %s", a.status, a.body)
		}
	}
	list := f.call(0, f.keys[0], http.MethodGet, "/v1/quotes?customer_reference=twins", "")
	if n := strings.Count(string(list.body), `"quote_id"`); n != 1 {
		t.Errorf("%d quotes: %s", n, list.body)
	}
}

func (f *fleet) shelve(onHand string) {
	f.must(f.base.DB.PutStock(f.t.Context(), fleetShelf, []stock.Level{{SKU: "QB-AC-GUARD", OnHand: udecimal.MustParse(onHand)}}))
}

func (f *fleet) shelf(t *testing.T) stock.Level {
	t.Helper()
	levels, err := f.base.DB.StockOf(f.t.Context(), []string{"QB-AC-GUARD"}, []string{fleetShelf})
	f.must(err)
	return levels[0]
}

func (f *fleet) lastOne(t *testing.T) {
	f.shelve("1")
	quotes := make([]fleetQuote, 64)
	inTurn(len(quotes), 8, func(i int) {
		quotes[i] = f.quoted(f.call(i, f.keys[0], http.MethodPost, "/v1/quotes", oneGuard))
	})
	watched := make(chan struct{})
	var below []string
	watching := sync.WaitGroup{}
	watching.Go(func() {
		for {
			select {
			case <-watched:
				return
			default:
				if l := f.shelf(t); l.OnHand.Cmp(l.Promised) < 0 {
					below = append(below, l.OnHand.String()+" on hand, "+l.Promised.String()+" promised")
				}
			}
		}
	})
	answers := make([]fleetAnswer, len(quotes))
	atOnce(len(quotes), func(i int) {
		answers[i] = f.call(i, f.keys[0], http.MethodPost, quotes[i].Links.Self+"/accept", "", fmt.Sprintf(`If-Match: "%d"`, quotes[i].Version))
	})
	close(watched)
	watching.Wait()
	yes, no := 0, 0
	for _, a := range answers {
		switch {
		case a.status == http.StatusOK:
			yes++
		case a.status == http.StatusConflict && strings.Contains(string(a.body), `"code":"not_enough_stock"`) && strings.Contains(string(a.body), `"available":"0"`):
			no++
		default:
			t.Errorf("%d %s", a.status, a.body)
		}
	}
	if yes != 1 || no != len(quotes)-1 || len(below) > 0 {
		t.Errorf("%d yes, %d no; less than promised: %v", yes, no, below)
	}
	if l := f.shelf(t); l.OnHand.String() != "1" || l.Promised.String() != "1" {
		t.Errorf("the shelf: %s on hand, %s promised", l.OnHand, l.Promised)
	}
}

func (f *fleet) firstEnds(t *testing.T) {
	f.shelve("9")
	q := f.quoted(f.call(0, f.keys[0], http.MethodPost, "/v1/quotes", oneGuard))
	statuses := make([]int, 32)
	atOnce(len(statuses), func(i int) {
		action := []string{"accept", "withdraw", "decline"}[i%3]
		statuses[i] = f.call(i, f.keys[0], http.MethodPost, q.Links.Self+"/"+action, "", `If-Match: "2"`).status
	})
	ok := 0
	for _, status := range statuses {
		if status == http.StatusOK {
			ok++
		} else if status != http.StatusPreconditionFailed {
			t.Errorf("status %d", status)
		}
	}
	if ok != 1 {
		t.Errorf("%d of them changed it", ok)
	}
}

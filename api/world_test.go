package api_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/rand"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"forkwright/api"
	"forkwright/api/contracttest"
	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/catalog/source"
)

// demoCatalog is the folder that tests load.
const demoCatalog = "../testdata/catalog"

// world is a service on a real database, with an account and a key for each role and one
// account more, a shop, whose things the others must not see.
type world struct {
	t        testing.TB
	base     *dbtest.Database
	d        *db.DB
	h        http.Handler
	server   *api.Server
	quoting  *service.Quoting // of the server made last
	contract *contracttest.Checker
	log      *lockedBuffer
	accounts map[caller.Role]account.Account
	keys     map[caller.Role]string
	other    account.Account
	otherKey string
}

// lockedBuffer may be written by several at once.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

var everyRole = []caller.Role{caller.Shop, caller.Storefront, caller.Distributor, caller.Administrator}

// newWorld makes one; its catalog is loaded unless empty says not to.
func newWorld(t testing.TB, empty ...bool) *world {
	t.Helper()
	return newWorldOn(t, dbtest.Clone(t), empty...)
}

func newWorldOn(t testing.TB, base *dbtest.Database, empty ...bool) *world {
	t.Helper()
	w := &world{t: t, base: base, contract: contracttest.Load(t, "../openapi.yaml"), log: &lockedBuffer{},
		accounts: map[caller.Role]account.Account{}, keys: map[caller.Role]string{}}
	w.d = w.base.DB
	if len(empty) == 0 {
		_, err := service.LoadCatalog(t.Context(), w.d.CatalogStore(), source.Load, os.DirFS(demoCatalog), service.LoadOptions{LoadedBy: "test"})
		w.must(err)
	}
	w.server = w.serve(w.d)
	w.h = w.server.Handler()
	for _, role := range everyRole {
		w.accounts[role], w.keys[role] = w.account(string(role), role)
	}
	w.other, w.otherKey = w.account("other", caller.Shop)
	return w
}

// serve is a service on a store, as a replica would be.
func (w *world) serve(d *db.DB, change ...func(*api.Config)) *api.Server {
	w.t.Helper()
	catalogs, notices := service.NewCatalogs(d.CatalogStore(), 64<<20), service.NewNotices(d)
	_, err := catalogs.Follow(w.t.Context())
	w.must(err)
	_, err = notices.Follow(w.t.Context())
	w.must(err)
	spec, err := os.ReadFile("../openapi.yaml")
	w.must(err)
	cache := db.NewKeyCache(d, db.KeyCacheOptions{})
	w.background(cache.Run)
	deps := api.Deps{Auth: cache, Revision: func() (int64, bool) {
		live, err := catalogs.Current()
		if err != nil {
			return 0, false
		}
		return live.Number(), true
	}}
	deps.Catalogs, deps.Notices, deps.Stock = catalogs, notices, d
	deps.ReceiptKeys = [][]byte{[]byte("a key that signs receipts in tests")}
	deps.AdminDeps = api.AdminDeps{
		Accounts: d, Keys: d, Locations: d, Persons: d, Events: d, NoticeStore: d, Revisions: d.CatalogStore(), GapList: d, Prices: d,
		NoticesChanged: notices.Follow, CatalogChanged: catalogs.Follow,
	}
	linkKey := []byte("a key that makes tokens of pages in tests")
	w.quoting = &service.Quoting{Store: d, Catalogs: catalogs, Notices: notices, Now: time.Now, Digest: api.PageDigest(linkKey)}
	deps.FeedDeps = api.FeedDeps{Feeds: d}
	deps.QuoteDeps = api.QuoteDeps{LinkKey: linkKey, Quotes: w.quoting}
	cfg := api.Config{Spec: spec, Log: slog.New(slog.NewJSONHandler(w.log, &slog.HandlerOptions{Level: slog.LevelDebug})), Random: rand.Reader, Now: time.Now}
	for _, c := range change {
		c(&cfg)
	}
	s, err := api.New(cfg, deps)
	w.must(err)
	return s
}

// background runs until the test ends, and is waited for.
func (w *world) background(run func(context.Context)) {
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); run(ctx) }()
	w.t.Cleanup(func() { stop(); <-done })
}

func (w *world) must(err error) {
	w.t.Helper()
	if err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) account(name string, roles ...caller.Role) (account.Account, string) {
	w.t.Helper()
	a, err := w.d.CreateAccount(w.t.Context(), caller.Caller{RequestID: "test"}, account.Account{Name: name, Roles: roles})
	w.must(err)
	return a, w.key(a.ID)
}

func (w *world) key(accountID string, change ...func(*account.NewKey)) string {
	w.t.Helper()
	n := account.NewKey{AccountID: accountID, Label: "test"}
	for _, c := range change {
		c(&n)
	}
	_, text, err := w.d.CreateKey(w.t.Context(), caller.Caller{RequestID: "test"}, n)
	w.must(err)
	return text
}

// call sends a request with the key of a role and holds the answer to the contract.
func (w *world) call(role caller.Role, method, target, body string, headers ...string) contracttest.Answer {
	w.t.Helper()
	return w.contract.Call(w.t, w.h, method, target, w.keys[role], body, headers...)
}

// want is call for an answer of this status, decoded.
func want[T any](w *world, status int, role caller.Role, method, target, body string, headers ...string) T {
	w.t.Helper()
	a := w.call(role, method, target, body, headers...)
	if a.Status != status {
		w.t.Fatalf("%s %s as %s: %d, want %d: %.600s", method, target, role, a.Status, status, a.Body)
	}
	var out T
	if len(a.Body) > 0 {
		a.JSON(w.t, &out)
	}
	return out
}

// refused is call for a problem with this status and code.
func (w *world) refused(status int, code string, role caller.Role, method, target, body string, headers ...string) contracttest.Problem {
	w.t.Helper()
	a := w.call(role, method, target, body, headers...)
	if a.Status != status {
		w.t.Errorf("%s %s as %s: %d, want %d: %.600s", method, target, role, a.Status, status, a.Body)
		return contracttest.Problem{}
	}
	p := a.Problem(w.t)
	got := p.Code
	for _, e := range p.Errors {
		got += " " + e.Pointer + "=" + e.Code
	}
	if got != code {
		w.t.Errorf("%s %s as %s: %s, want %s: %s", method, target, role, got, code, p.Detail)
	}
	return p
}

// zipped is the demo catalog as a zip, with files changed.
func zipped(t testing.TB, change func(name, content string) string) string {
	t.Helper()
	names, err := filepath.Glob(demoCatalog + "/*.csv")
	if err != nil || len(names) == 0 {
		t.Fatalf("no catalog in %s: %v", demoCatalog, err)
	}
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range names {
		content, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		text := string(content)
		if change != nil {
			text = change(filepath.Base(name), text)
		}
		f, err := z.Create("catalog/" + filepath.Base(name))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(f, strings.NewReader(text)); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

const zipHeader = "Content-Type: application/zip"

func newGaps(w *world) *db.GapCounts { return db.NewGapCounts(w.d) }

// putDemoSeller gives accounts the demo shop's profile, without which there are no quotes.
func (w *world) putDemoSeller(keys ...string) {
	w.t.Helper()
	seller, err := os.ReadFile("../testdata/demo/seller.json")
	w.must(err)
	for _, key := range keys {
		if a := w.contract.Call(w.t, w.h, "PUT", "/v1/account", key, string(seller), `If-Match: "0"`); a.Status != 200 {
			w.t.Fatalf("%d %s", a.Status, a.Body)
		}
	}
}

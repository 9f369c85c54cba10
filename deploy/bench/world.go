package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/quagmt/udecimal"

	"forkwright/api/cli"
	"forkwright/db"
	"forkwright/db/local"
	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
	"forkwright/service/catalog/source"
	"forkwright/service/stock"
)

// world is the private Postgres, the built service and everything that runs for a measurement.
type world struct {
	ctx   context.Context
	dir   string
	root  string // of the module
	bin   string
	self  string
	pg    *local.Server
	sizes sizes
	only  string // row that was asked for
	shops map[string]*shop
	kids  []*child
}

// sizes are what --quick makes smaller.
type sizes struct {
	rows    int // of the big catalog
	rowName string
	grow    []int // the other sizes, smallest first
	pairs   int
	slice   time.Duration // of one side of a pair
	cpuFor  time.Duration // the same where only processor time is compared, which needs less
	writes  int           // transactions of one side of a pair that writes; a multiple of connections
	quotes  int           // to be accepted beside feeds
	swaps   int
	loads   int
	swapFor time.Duration
}

func full() sizes {
	return sizes{rows: 1_000_000, rowName: "1M", grow: []int{1000, 100_000}, pairs: 7, slice: 1500 * time.Millisecond, cpuFor: 800 * time.Millisecond, writes: 512, quotes: 4000, swaps: 5, loads: 5, swapFor: 8 * time.Second}
}

func quick() sizes {
	return sizes{rows: 100_000, rowName: "100k", grow: []int{1000}, pairs: 5, slice: 100 * time.Millisecond, cpuFor: 60 * time.Millisecond, writes: 64, quotes: 400, swaps: 5, loads: 1, swapFor: 400 * time.Millisecond}
}

// shop is a database with a catalog, an account and a key, and the service on it when it runs.
type shop struct {
	name            string
	accountID, key  string
	store           *db.DB
	service         *child
	metrics         string
	forks           []fork   // what requests are made of
	parts           []string // all SKUs
	gtins           map[string]string
	fitment, prices []byte // the stored form
	feeds           [2]nightly
	turns           int       // feeds taken
	states          [2]string // what each feed made of the location
}

func newWorld(ctx context.Context, dir string, s sizes, only string) (*world, error) {
	w := &world{ctx: ctx, dir: dir, bin: filepath.Join(dir, "forkwright"), sizes: s, only: only, shops: map[string]*shop{}}
	var err error
	if w.self, err = os.Executable(); err != nil {
		return nil, err
	}
	root, err := exec.CommandContext(ctx, "go", "list", "-m", "-f", "{{.Dir}}").Output()
	if err != nil {
		return nil, fmt.Errorf("finding the module: %w", err)
	}
	w.root = strings.TrimSpace(string(root))
	make := exec.CommandContext(ctx, "go", "build", "-o", w.bin, ".")
	make.Dir = w.root
	if out, err := make.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("building the service: %w: %s", err, out)
	}
	w.pg, err = local.Start(ctx, local.Options{Durable: true})
	return w, err
}

func (w *world) close() error {
	for _, c := range w.kids {
		c.stop()
	}
	for _, s := range w.shops {
		s.store.Close()
	}
	if w.pg == nil {
		return nil
	}
	return w.pg.Stop()
}

// database makes an empty, migrated database.
func (w *world) database(name string) (*shop, error) {
	if err := w.pg.CreateDatabase(w.ctx, name); err != nil {
		return nil, err
	}
	if _, err := db.Migrate(w.ctx, w.pg.OwnerURL(name)); err != nil {
		return nil, err
	}
	store, err := db.Open(w.ctx, w.pg.ServiceURL(name), db.Options{MaxConns: 8})
	if err != nil {
		return nil, err
	}
	s := &shop{name: name, store: store, gtins: map[string]string{}}
	w.shops[name] = s
	return s, nil
}

// demoShop is the demo's shop with the demo's catalog.
func (w *world) demoShop() (*shop, error) {
	if s := w.shops["bench_demo"]; s != nil {
		return s, nil
	}
	s, err := w.database("bench_demo")
	if err != nil {
		return nil, err
	}
	data := filepath.Join(w.root, "testdata")
	s.key, err = cli.FillDemo(w.ctx, s.store, s.store.CatalogStore(), source.Load, os.DirFS(filepath.Join(data, "catalog")), os.DirFS(filepath.Join(data, "demo")), "")
	if err != nil {
		return nil, err
	}
	if err := s.findAccount(w.ctx); err != nil {
		return nil, err
	}
	return s, w.serve(s)
}

// findAccount takes the account that the demo's data made.
func (s *shop) findAccount(ctx context.Context) error {
	accounts, err := s.store.Accounts(ctx, "", 1)
	if err == nil {
		s.accountID = accounts[0].ID
	}
	return err
}

// sized is a shop on a generated catalog of so many rows, stored by way of stored.
func (w *world) sized(rows int) (*shop, error) {
	name := fmt.Sprintf("bench_%d", rows)
	if s := w.shops[name]; s != nil {
		return s, nil
	}
	s, err := w.database(name)
	if err != nil {
		return nil, err
	}
	tables := catalogtest.Generate(rows, 1)
	s.draw(tables)
	s.fitment, s.prices = catalog.EncodeFitment(tables), catalog.EncodePrices(tables)
	if _, err := s.store.CatalogStore().SaveRevision(w.ctx, cli.Operator, service.NewRevision{Fitment: s.fitment, Prices: s.prices, LoadedBy: "bench"}); err != nil {
		return nil, err
	}
	if err := s.fill(w.ctx); err != nil {
		return nil, err
	}
	return s, w.serve(s)
}

// fill makes the account, its key and a place with stock of every part.
func (s *shop) fill(ctx context.Context) error {
	a, err := s.store.CreateAccount(ctx, cli.Operator, account.Account{Name: "Bench shop", Roles: []caller.Role{caller.Shop}})
	if err != nil {
		return err
	}
	s.accountID = a.ID
	if _, s.key, err = s.store.CreateKey(ctx, cli.Operator, account.NewKey{AccountID: a.ID, Label: "bench"}); err != nil {
		return err
	}
	if _, err = s.store.CreateLocation(ctx, cli.Operator, account.Location{ID: "shelf", AccountID: a.ID, Name: "Shelf", TimeZone: "UTC"}); err != nil {
		return err
	}
	var levels []stock.Level
	for i, sku := range s.parts {
		levels = append(levels, stock.Level{Location: "shelf", SKU: sku, OnHand: udecimal.MustFromInt64(int64(i%9), 0)})
	}
	return s.store.PutStock(ctx, "shelf", levels)
}

// serve starts the service on a shop's database, as an installation runs it.
func (w *world) serve(s *shop) error {
	c, metrics, err := w.replica(s)
	if err != nil {
		return err
	}
	s.service, s.metrics = c, metrics
	return c.ready(w.ctx, "/readyz")
}

// replica starts one process more on a shop's database.
func (w *world) replica(s *shop) (c *child, metrics string, err error) {
	addr, err := freeAddr()
	if err != nil {
		return nil, "", err
	}
	if metrics, err = freeAddr(); err != nil {
		return nil, "", err
	}
	c, err = spawn(w.bin, filepath.Join(w.dir, fmt.Sprintf("%s-%d.log", s.name, len(w.kids))), addr, []string{
		"DATABASE_URL=" + w.pg.ServiceURL(s.name), "FORKWRIGHT_LISTEN=" + addr, "FORKWRIGHT_METRICS_LISTEN=" + metrics,
		"FORKWRIGHT_SIGNING_KEY=" + strings.Repeat("bench-", 8),
		"FORKWRIGHT_KEY_RATE=off", "FORKWRIGHT_ADDRESS_RATE=off", // one machine asks as many
	}, "serve")
	if err != nil {
		return nil, "", err
	}
	w.kids = append(w.kids, c)
	return c, metrics, nil
}

// bare starts the process that our operations are compared with.
func (w *world) bare(database string, ops ...bareOp) (*child, error) {
	cfg := bareConfig{Ops: ops}
	if database != "" {
		cfg.Database = w.pg.ServiceURL(database)
	}
	return w.other(cfg)
}

// other starts a process that is compared with.
func (w *world) other(cfg bareConfig) (c *child, err error) {
	if cfg.Addr, err = freeAddr(); err != nil {
		return nil, err
	}
	file := filepath.Join(w.dir, fmt.Sprintf("bare-%d.json", len(w.kids)))
	if err := writeJSON(file, cfg); err != nil {
		return nil, err
	}
	if c, err = spawn(w.self, file+".log", cfg.Addr, nil, "--bare", file); err != nil {
		return nil, err
	}
	w.kids = append(w.kids, c)
	return c, c.ready(w.ctx, "/readyz")
}

// drop stops a child that is no longer needed.
func (w *world) drop(c *child) {
	c.stop()
	w.kids = slices.DeleteFunc(w.kids, func(k *child) bool { return k == c })
}

// query lends a connection of the superuser.
func (w *world) query(database string, fn func(c *pgx.Conn) error) error {
	c, err := pgx.Connect(w.ctx, w.pg.SuperuserURL(database))
	if err != nil {
		return err
	}
	defer c.Close(context.WithoutCancel(w.ctx))
	return fn(c)
}

// sql runs statements as the superuser, each by itself.
func (w *world) sql(database string, statements ...string) error {
	return w.query(database, func(c *pgx.Conn) error {
		for _, sql := range statements {
			if _, err := c.Exec(w.ctx, sql); err != nil {
				return fmt.Errorf("%.60s: %w", sql, err)
			}
		}
		return nil
	})
}

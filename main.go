// Forkwright answers which coil-conversion parts fit which mountain-bike fork, how to set
// them up for a rider, and what it costs, for the tills, web shops and nightly jobs that ask.
//
// This file reads the configuration, wires the packages together and runs one command; what
// the commands do is in api/cli, what the service does is in service, api and db.
package main

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"strconv"
	"sync"
	"syscall"
	"time"
	_ "time/tzdata" // the image is built from scratch: sellers' zones come with the binary

	"forkwright/api"
	"forkwright/api/cli"
	"forkwright/api/edge"
	"forkwright/db"
	"forkwright/db/local"
	"forkwright/db/local/download"
	"forkwright/service"
	"forkwright/service/catalog/source"
)

//go:embed openapi.yaml
var contract []byte

//go:embed testdata/catalog testdata/demo
var demoFiles embed.FS

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Getenv, os.Stdout, os.Stderr))
}

// run is the whole program, with everything from outside as a parameter.
func run(ctx context.Context, args []string, getenv func(string) string, out, errOut io.Writer) int {
	cfg, err := cli.ReadConfig(getenv)
	if err == nil {
		p := program{cfg: cfg, out: out, err: errOut, log: logger(errOut, cfg.LogLevel)}
		err = cli.Run(ctx, p.env(), args)
	}
	if err != nil && !errors.Is(err, context.Canceled) {
		fmt.Fprintln(errOut, "forkwright:", cli.Explain(err))
	}
	return cli.ExitCode(err)
}

// program is one run of the binary.
type program struct {
	cfg      cli.Config
	out, err io.Writer
	log      *slog.Logger
}

func logger(w io.Writer, level string) *slog.Logger {
	var l slog.Level
	_ = l.UnmarshalText([]byte(level)) // ReadConfig allows only its words
	return slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: l}))
}

func (p *program) env() *cli.Env {
	return &cli.Env{
		Config: p.cfg, Out: p.out, Err: p.err, Now: time.Now,
		Open: func(ctx context.Context) (cli.Opened, error) {
			store, err := p.open(ctx, p.cfg.DatabaseURL)
			if err != nil {
				return cli.Opened{}, err
			}
			return cli.Opened{Store: store, Catalogs: store.CatalogStore(), Close: store.Close}, nil
		},
		Serve: p.serve,
		Migrate: func(ctx context.Context) (int64, error) {
			if p.cfg.OwnerURL == "" {
				return 0, errors.New("FORKWRIGHT_OWNER_URL is not set; it names the database as the owner role")
			}
			return db.Migrate(ctx, p.cfg.OwnerURL)
		},
		ReadCatalog: source.Load,
		Demo:        p.demo,
	}
}

func (p *program) open(ctx context.Context, url string) (*db.DB, error) {
	if url == "" {
		return nil, errors.New("DATABASE_URL is not set; it names the database as the service role")
	}
	return db.Open(ctx, url, db.Options{MaxConns: p.cfg.PoolSize, Log: p.log})
}

// serve is one replica, until ctx ends.
func (p *program) serve(ctx context.Context) error {
	if len(p.cfg.SigningKey) == 0 {
		return errors.New("FORKWRIGHT_SIGNING_KEY is not set; receipts and the links of printed quotes are signed with it, the same on every replica")
	}
	store, err := p.open(ctx, p.cfg.DatabaseURL)
	if err != nil {
		return err
	}
	defer store.Close()
	l, err := net.Listen("tcp", p.cfg.Listen)
	if err != nil {
		return err
	}
	return p.replica(ctx, store, l, p.cfg.EnforceContract)
}

// replica keeps keys, catalog and notices in step with the database and serves on l.
func (p *program) replica(ctx context.Context, store *db.DB, l net.Listener, enforce bool) error {
	ctx, cancel := context.WithCancel(ctx)
	var background sync.WaitGroup
	defer func() { // what is still to be written is written before the caller closes the store
		cancel()
		background.Wait()
	}()
	keys := db.NewKeyCache(store, db.KeyCacheOptions{})
	catalogs := service.NewCatalogs(store.CatalogStore(), p.cfg.OldRevisionsMiB<<20)
	catalogs.Rest = giveWay(time.Millisecond, 3*time.Millisecond)
	notices := service.NewNotices(store)
	if _, err := notices.Follow(ctx); err != nil {
		return err
	}
	if _, err := catalogs.Follow(ctx); err != nil {
		return err
	}
	background.Go(func() { keys.Run(ctx) })
	background.Go(func() { store.WatchNotices(ctx, 2*time.Second, notices.Take) })
	background.Go(func() {
		store.WatchCatalog(ctx, 2*time.Second, func(ctx context.Context, _ db.Active) error {
			_, err := catalogs.Follow(ctx)
			return err
		})
	})
	quoting := &service.Quoting{Store: store, Catalogs: catalogs, Notices: notices, Now: time.Now, Digest: api.PageDigest(p.linkKey())}
	gaps := db.NewGapCounts(store)
	background.Go(func() { gaps.Run(ctx, 30*time.Second) })
	background.Go(func() { p.housekeeping(ctx, store, quoting) })
	metrics := p.metrics(catalogs, notices)
	server, err := api.New(api.Config{
		Spec: contract, Log: p.log, Random: rand.Reader, Now: time.Now, Enforce: enforce, Grace: p.cfg.Shutdown, Metrics: metrics,
		PublicURL: p.cfg.PublicURL, Trusted: p.cfg.TrustedProxies, MaxConnections: p.cfg.MaxConnections, MaxPerAddress: p.cfg.MaxPerAddress,
		Limits: api.Limits{Key: api.Rate(p.cfg.KeyRate), Address: api.Rate(p.cfg.AddressRate), Running: p.cfg.MaxRunning, Streams: p.cfg.MaxStreams},
	}, p.deps(store, keys, catalogs, notices, gaps, quoting))
	if err != nil {
		return err
	}
	if err := p.serveMetrics(ctx, metrics); err != nil {
		return err
	}
	return server.Serve(ctx, l)
}

// giveWay keeps long work in the background from taking a processor from the answers: after
// each stretch of work it sleeps.
func giveWay(work, rest time.Duration) func() {
	began := time.Now()
	return func() {
		if time.Since(began) >= work {
			time.Sleep(rest)
			began = time.Now()
		}
	}
}

// metrics are the request counts and what an operator looks at first at night.
func (p *program) metrics(catalogs *service.Catalogs, notices *service.Notices) *edge.Metrics {
	m := edge.NewMetrics()
	m.Gauge("forkwright_catalog_revision", "Number of the catalog revision that answers.", func() float64 {
		live, err := catalogs.Current()
		if err != nil {
			return 0
		}
		return float64(live.Number())
	})
	m.Gauge("forkwright_notices_age_seconds", "Time since stop-sales and recalls were last read.", func() float64 {
		if set := notices.Current(); set != nil {
			return time.Since(set.AsOf).Seconds()
		}
		return -1
	})
	return m
}

// serveMetrics listens on an address of its own, so that no proxy rule can publish it.
func (p *program) serveMetrics(ctx context.Context, m *edge.Metrics) error {
	if p.cfg.MetricsListen == "" {
		return nil
	}
	l, err := net.Listen("tcp", p.cfg.MetricsListen)
	if err != nil {
		return fmt.Errorf("metrics: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", m.Handler())
	go func() {
		if err := edge.Serve(ctx, l, mux, p.log, time.Second); err != nil {
			p.log.Error("metrics ended", "error", err.Error())
		}
	}()
	return nil
}

// deps hands the api what it works with. One secret makes two keys, so that a receipt can
// never open a page.
func (p *program) deps(store *db.DB, keys *db.KeyCache, catalogs *service.Catalogs, notices *service.Notices, gaps *db.GapCounts, quoting *service.Quoting) api.Deps {
	receipts, links := derive(p.cfg.SigningKey, "receipts"), p.linkKey()
	return api.Deps{
		Auth:   keys,
		Checks: []api.Check{{Name: "database", Ping: store.Ping}},
		Revision: func() (int64, bool) {
			live, err := catalogs.Current()
			if err != nil {
				return 0, false
			}
			return live.Number(), true
		},
		CatalogDeps: api.CatalogDeps{Catalogs: catalogs, Notices: notices, Stock: store, Gaps: gaps, ReceiptKeys: [][]byte{receipts}},
		AdminDeps: api.AdminDeps{
			Accounts: store, Keys: store, Locations: store, Persons: store, Events: store, NoticeStore: store,
			Revisions: store.CatalogStore(), GapList: store, Prices: store, NoticesChanged: notices.Follow, CatalogChanged: catalogs.Follow,
		},
		FeedDeps:  api.FeedDeps{Feeds: store},
		QuoteDeps: api.QuoteDeps{LinkKey: links, Quotes: quoting},
	}
}

func (p *program) linkKey() []byte { return derive(p.cfg.SigningKey, "page links") }

// housekeeping is what time alone makes due: quotes expire and lapse, and what is kept only
// for a while is removed. Every replica may run it; the rows decide who was first.
func (p *program) housekeeping(ctx context.Context, store *db.DB, quoting *service.Quoting) {
	settle, retain := time.NewTicker(5*time.Minute), time.NewTicker(6*time.Hour)
	defer settle.Stop()
	defer retain.Stop()
	for {
		var err error
		select {
		case <-ctx.Done():
			return
		case <-settle.C:
			_, err = store.SettleQuotes(ctx, quoting.Settle)
		case <-retain.C:
			_, err = store.Retain(ctx, cli.Operator, db.DefaultRetention())
		}
		if err != nil && ctx.Err() == nil {
			p.log.Error("housekeeping", "error", err.Error())
		}
	}
}

func derive(secret []byte, use string) []byte {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(use))
	return mac.Sum(nil)
}

// demo starts a service of its own on a Postgres of its own and fills it.
func (p *program) demo(ctx context.Context) (*cli.DemoService, error) {
	if len(p.cfg.SigningKey) == 0 {
		p.cfg.SigningKey = []byte(rand.Text() + rand.Text())
	}
	p.cfg.MetricsListen = "" // two demos may run side by side
	if !p.cfg.LogGiven {
		p.log = logger(p.err, "warn") // a line a request would bury the case
	}
	place, err := p.demoDatabase(ctx)
	if err != nil {
		return nil, err
	}
	d, err := p.demoOn(ctx, place)
	if err != nil {
		return nil, errors.Join(err, place.stop())
	}
	return d, nil
}

// demoPlace is the demo's database, ready to be migrated.
type demoPlace struct {
	ownerURL, serviceURL string
	stop                 func() error
}

const demoName = "forkwright_demo"

func (p *program) demoDatabase(ctx context.Context) (demoPlace, error) {
	if p.cfg.DemoURL != "" {
		owner, serve, err := db.PrepareDemo(ctx, p.cfg.DemoURL, demoName, p.cfg.DemoKeep != "")
		return demoPlace{owner, serve, func() error { return nil }}, err
	}
	server, err := local.Start(ctx, local.Options{Dir: p.cfg.DemoKeep, Download: download.Binaries("", "")})
	if err != nil {
		return demoPlace{}, err
	}
	if err := server.CreateDatabase(ctx, demoName); err != nil {
		return demoPlace{}, errors.Join(err, server.Stop())
	}
	return demoPlace{server.OwnerURL(demoName), server.ServiceURL(demoName), server.Stop}, nil
}

func (p *program) demoOn(ctx context.Context, place demoPlace) (*cli.DemoService, error) {
	if _, err := db.Migrate(ctx, place.ownerURL); err != nil {
		return nil, err
	}
	store, err := p.open(ctx, place.serviceURL)
	if err != nil {
		return nil, err
	}
	catalogFiles, _ := fs.Sub(demoFiles, "testdata/catalog")
	caseFiles, _ := fs.Sub(demoFiles, "testdata/demo")
	key, err := cli.FillDemo(ctx, store, store.CatalogStore(), source.Load, catalogFiles, caseFiles, p.cfg.DemoKey)
	if err != nil {
		store.Close()
		return nil, err
	}
	l, err := net.Listen("tcp", p.demoListen())
	if err != nil {
		store.Close()
		return nil, err
	}
	ended := make(chan error, 1)
	ctx, cancel := context.WithCancel(ctx)
	go func() { ended <- p.replica(ctx, store, l, true) }()
	return &cli.DemoService{
		URL: "http://" + reachable(l.Addr()), Key: key, Case: caseFiles, Ended: ended,
		Stop: func() error {
			cancel()
			err := <-ended
			store.Close()
			return errors.Join(err, place.stop())
		},
	}, nil
}

// reachable is the address to paste: a wildcard is reached on loopback.
func reachable(addr net.Addr) string {
	if a, ok := addr.(*net.TCPAddr); ok && a.IP.IsUnspecified() {
		return net.JoinHostPort("127.0.0.1", strconv.Itoa(a.Port))
	}
	return addr.String()
}

// demoListen is a free loopback port unless an address was asked for.
func (p *program) demoListen() string {
	if !p.cfg.ListenGiven {
		return "127.0.0.1:0"
	}
	return p.cfg.Listen
}

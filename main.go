// Forkwright answers which coil-conversion parts fit which mountain-bike fork, how to set
// them up for a rider, and what it costs, for the tills, web shops and nightly jobs that ask.
//
// This file reads the configuration, wires the packages together and runs one command; what
// the commands do is in api/cli, what the service does is in service, api and db.
package main

import (
	"context"
	"crypto/rand"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"strconv"
	"syscall"
	"time"
	_ "time/tzdata" // the image is built from scratch: sellers' zones come with the binary

	"forkwright/api/cli"
	"forkwright/db"
	"forkwright/db/local"
	"forkwright/db/local/download"
	"forkwright/deploy/replica"
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
	return p.replica(p.cfg, store).Serve(ctx, l)
}

func (p *program) replica(cfg cli.Config, store *db.DB) *replica.Replica {
	return &replica.Replica{Config: cfg, Contract: contract, Log: p.log, Store: store}
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
	cfg := p.cfg
	cfg.EnforceContract = true
	go func() { ended <- p.replica(cfg, store).Serve(ctx, l) }()
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

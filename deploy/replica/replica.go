// Package replica puts one running service together: it keeps keys, catalog and notices in
// step with the database, does what time alone makes due, and serves until it is told to stop.
package replica

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"log/slog"
	"net"
	"runtime/debug"
	"sync"
	"time"

	"forkwright/api"
	"forkwright/api/cli"
	"forkwright/api/edge"
	"forkwright/db"
	"forkwright/service"
)

// Replica is one process of the service. All replicas of an installation share the database
// and the signing key; nothing else has to be the same.
type Replica struct {
	Config   cli.Config
	Contract []byte // openapi.yaml
	Log      *slog.Logger
	Store    *db.DB

	keys     *db.KeyCache
	catalogs *service.Catalogs
	notices  *service.Notices
	quoting  *service.Quoting
	gaps     *db.GapCounts
	metrics  *edge.Metrics
}

// How often the database is asked for what its notifications may have lost.
const pollEvery = 2 * time.Second

// gcPercent is how much a replica may allocate between two collections, in percent of what it
// keeps. What it keeps is the catalog, which a collection walks through to find nothing to
// free; the memory that waiting costs is named in the README.
const gcPercent = 200

// Serve answers on l until ctx ends. It begins to listen when catalog and notices are there,
// and returns when everything it has started is done with the store.
func (r *Replica) Serve(ctx context.Context, l net.Listener) error {
	ctx, cancel := context.WithCancel(ctx)
	var background sync.WaitGroup
	defer func() { // what is still to be written is written before the caller closes the store
		cancel()
		background.Wait()
	}()
	if !r.Config.GCGiven {
		debug.SetGCPercent(gcPercent)
	}
	if err := r.load(ctx); err != nil {
		return err
	}
	background.Go(func() { r.keys.Run(ctx) })
	background.Go(func() { r.gaps.Run(ctx, 30*time.Second) })
	background.Go(func() { r.Store.WatchNotices(ctx, pollEvery, r.notices.Take) })
	background.Go(func() {
		r.Store.WatchCatalog(ctx, pollEvery, func(ctx context.Context, _ db.Active) error {
			_, err := r.catalogs.Follow(ctx)
			return err
		})
	})
	background.Go(func() { r.housekeeping(ctx) })
	server, err := api.New(r.apiConfig(), r.deps())
	if err != nil {
		return err
	}
	if err := r.serveMetrics(ctx); err != nil {
		return err
	}
	return server.Serve(ctx, l)
}

// load makes the parts and reads what answers are made from.
func (r *Replica) load(ctx context.Context) error {
	r.keys = db.NewKeyCache(r.Store, db.KeyCacheOptions{})
	r.gaps = db.NewGapCounts(r.Store)
	r.catalogs = service.NewCatalogs(r.Store.CatalogStore(), r.Config.OldRevisionsMiB<<20)
	r.catalogs.Rest = giveWay(time.Millisecond, 9*time.Millisecond)
	r.notices = service.NewNotices(r.Store)
	r.quoting = &service.Quoting{Store: r.Store, Catalogs: r.catalogs, Notices: r.notices, Now: time.Now, Digest: api.PageDigest(r.linkKey())}
	r.metrics = r.gauges()
	if _, err := r.notices.Follow(ctx); err != nil {
		return err
	}
	_, err := r.catalogs.Follow(ctx)
	return err
}

func (r *Replica) apiConfig() api.Config {
	c := r.Config
	return api.Config{
		Spec: r.Contract, Log: r.Log, Random: rand.Reader, Now: time.Now, Enforce: c.EnforceContract, Grace: c.Shutdown, Metrics: r.metrics,
		PublicURL: c.PublicURL, Trusted: c.TrustedProxies, MaxConnections: c.MaxConnections, MaxPerAddress: c.MaxPerAddress,
		Limits: api.Limits{Key: api.Rate(c.KeyRate), Address: api.Rate(c.AddressRate), Running: c.MaxRunning, Streams: c.MaxStreams},
	}
}

// deps hands the api what it works with.
func (r *Replica) deps() api.Deps {
	store := r.Store
	return api.Deps{
		Auth:   r.keys,
		Checks: []api.Check{{Name: "database", Ping: store.Ping}},
		Revision: func() (int64, bool) {
			live, err := r.catalogs.Current()
			if err != nil {
				return 0, false
			}
			return live.Number(), true
		},
		CatalogDeps: api.CatalogDeps{Catalogs: r.catalogs, Notices: r.notices, Stock: store, Gaps: r.gaps, ReceiptKeys: [][]byte{r.secret("receipts")}},
		AdminDeps: api.AdminDeps{
			Accounts: store, Keys: store, Locations: store, Persons: store, Events: store, NoticeStore: store,
			Revisions: store.CatalogStore(), GapList: store, Prices: store, NoticesChanged: r.notices.Follow, CatalogChanged: r.catalogs.Follow,
		},
		FeedDeps:  api.FeedDeps{Feeds: store},
		QuoteDeps: api.QuoteDeps{LinkKey: r.linkKey(), Quotes: r.quoting},
	}
}

func (r *Replica) linkKey() []byte { return r.secret("page links") }

// secret makes a key for one use out of the signing key, so that a receipt can never open a page.
func (r *Replica) secret(use string) []byte {
	mac := hmac.New(sha256.New, r.Config.SigningKey)
	mac.Write([]byte(use))
	return mac.Sum(nil)
}

// housekeeping is what time alone makes due: quotes expire and lapse, and what is kept only
// for a while is removed. Every replica may run it; the rows decide who was first.
func (r *Replica) housekeeping(ctx context.Context) {
	settle, retain := time.NewTicker(5*time.Minute), time.NewTicker(6*time.Hour)
	defer settle.Stop()
	defer retain.Stop()
	for {
		var err error
		select {
		case <-ctx.Done():
			return
		case <-settle.C:
			_, err = r.Store.SettleQuotes(ctx, r.quoting.Settle)
		case <-retain.C:
			_, err = r.Store.Retain(ctx, cli.Operator, db.DefaultRetention())
		}
		if err != nil && ctx.Err() == nil {
			r.Log.Error("housekeeping", "error", err.Error())
		}
	}
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

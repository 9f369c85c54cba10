package db_test

import (
	"context"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/stock"
)

const (
	shelved   = 20_000 // parts at each location
	shelves   = 5      // locations
	shelfPage = 50     // parts that one answer shows
)

// everything is a cache of all stock that is never older than maxAge when it is read: the other
// way to answer, for comparison only.
type everything struct {
	store  *db.DB
	maxAge time.Duration

	mu     sync.Mutex
	loaded time.Time
	bySKU  map[string][]stock.Level
}

func (e *everything) of(ctx context.Context, skus []string) ([]stock.Level, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if time.Since(e.loaded) > e.maxAge {
		if err := e.load(ctx); err != nil {
			return nil, err
		}
	}
	var out []stock.Level
	for _, sku := range skus {
		out = append(out, e.bySKU[sku]...)
	}
	return out, nil
}

func (e *everything) load(ctx context.Context) error {
	all := make(map[string][]stock.Level, len(e.bySKU))
	for n := range shelves {
		levels, err := e.store.StockAt(ctx, place(n), "", shelved)
		if err != nil {
			return err
		}
		for _, l := range levels {
			all[l.SKU] = append(all[l.SKU], l)
		}
	}
	e.loaded, e.bySKU = time.Now(), all
	return nil
}

func place(n int) string { return fmt.Sprintf("place-%d", n) }

// BenchmarkStock reads what an answer with live stock shows in one indexed read, and from a
// cache, which has to be renewed as often as it may be old.
func BenchmarkStock(b *testing.B) {
	base := dbtest.Clone(b)
	a := shop(b, base.DB, "depot", caller.Distributor)
	var rows strings.Builder
	rows.WriteString("sku,on_hand\n")
	for i := range shelved {
		fmt.Fprintf(&rows, "P-%d,%d\n", i+1, i%9)
	}
	for n := range shelves {
		_, err := base.DB.CreateLocation(b.Context(), as(a), account.Location{ID: place(n), AccountID: a.ID, Name: "Place"})
		must(b, err)
		_, err = base.DB.TakeFeed(b.Context(), as(a), place(n), at(stock.Full, 0), anyParts(shelved), strings.NewReader(rows.String()))
		must(b, err)
	}
	_, err := connect(b, base.OwnerURL).Exec(b.Context(), `ANALYZE stock`)
	must(b, err)
	page := func(i int) (skus []string) {
		for k := range shelfPage {
			skus = append(skus, fmt.Sprintf("P-%d", 1+(i*7919+k*397)%shelved))
		}
		return skus
	}
	check := func(b *testing.B, levels []stock.Level, err error) {
		if err != nil || len(levels) != shelves*shelfPage {
			b.Fatalf("%d levels: %v", len(levels), err)
		}
	}
	b.Run("one indexed read", func(b *testing.B) {
		for i := 0; b.Loop(); i++ {
			levels, err := base.DB.StockOf(b.Context(), page(i), nil)
			check(b, levels, err)
		}
	})
	b.Run("cache", func(b *testing.B) {
		cache := &everything{store: base.DB, maxAge: time.Hour}
		must(b, cache.load(b.Context()))
		for i := 0; b.Loop(); i++ {
			levels, err := cache.of(b.Context(), page(i))
			check(b, levels, err)
		}
	})
	b.Run("renewing the cache", func(b *testing.B) {
		cache := &everything{store: base.DB}
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		for b.Loop() {
			must(b, cache.load(b.Context()))
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(int64(after.HeapAlloc)-int64(before.HeapAlloc))/(1<<20), "MiB-kept")
		runtime.KeepAlive(cache)
	})
}

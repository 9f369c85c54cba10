package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/jackc/pgx/v5"

	"forkwright/api/cli"
	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
)

// The stockroom is a shop on a small catalog with very many parts that lie at one location,
// and a quote of one part each to be accepted.
const (
	shelves     = "store" // the location
	quotedParts = 1000    // the first ones, whose counts no feed changes
)

// stockroom is that shop with as many parts as the big catalog has rows.
func (w *world) stockroom() (*shop, error) {
	const name = "bench_stock"
	if s := w.shops[name]; s != nil {
		return s, nil
	}
	s, err := w.database(name)
	if err != nil {
		return nil, err
	}
	t := catalogtest.Generate(1000, 1)
	s.draw(t)
	addParts(t, w.sizes.rows+w.sizes.rows/100)
	s.fitment, s.prices = catalog.EncodeFitment(t), catalog.EncodePrices(t)
	if _, err := s.store.CatalogStore().SaveRevision(w.ctx, cli.Operator, service.NewRevision{Fitment: s.fitment, Prices: s.prices, LoadedBy: "bench"}); err != nil {
		return nil, err
	}
	if s.key, err = cli.Seed(w.ctx, s.store, os.DirFS(filepath.Join(w.root, "testdata", "demo")), ""); err != nil {
		return nil, err
	}
	if err := s.findAccount(w.ctx); err != nil {
		return nil, err
	}
	by := caller.Caller{AccountID: s.accountID}
	if _, err = s.store.CreateLocation(w.ctx, by, account.Location{ID: shelves, AccountID: s.accountID, Name: "Store", TimeZone: "UTC"}); err != nil {
		return nil, err
	}
	if err := w.serve(s); err != nil {
		return nil, err
	}
	for i := range s.feeds {
		if s.feeds[i], err = w.nightly(w.sizes.rows, i == 1); err != nil {
			return nil, err
		}
	}
	_, err = w.turn(s, w.push)
	return s, err
}

func extra(i int) string { return fmt.Sprintf("K%07d", i) }

// addParts adds parts that fit no fork; those that are quoted have a price.
func addParts(t *catalog.Tables, n int) {
	for i := range n {
		t.Parts = append(t.Parts, catalog.Part{SKU: extra(i), Kind: catalog.KindAccessory, Unit: "each", Status: "active"})
		if i < quotedParts {
			t.Texts = append(t.Texts, catalog.Text{Of: "part", Code: extra(i), Lang: "en", Text: "Part " + extra(i)})
			t.Prices = append(t.Prices, catalog.Price{List: t.PriceLists[0].List, SKU: extra(i), Amount: "12.50"})
		}
	}
}

// nightly is one of two feeds that turn the location from one state into the other and back:
// against each other, a tenth of the counts differ, one part in a hundred is new and one gone.
type nightly struct {
	file   string // plain CSV
	zipped []byte
}

func (w *world) nightly(n int, odd bool) (f nightly, err error) {
	var zipped bytes.Buffer
	pack := gzip.NewWriter(&zipped)
	f.file = filepath.Join(w.dir, fmt.Sprintf("feed-%t.csv", odd))
	out, err := os.Create(f.file)
	if err != nil {
		return f, err
	}
	defer out.Close()
	rows := bufio.NewWriterSize(io.MultiWriter(out, pack), 1<<20)
	fmt.Fprintln(rows, "sku,on_hand")
	for i := range n + n/100 {
		onHand, listed := countOf(i, n, odd)
		if listed {
			fmt.Fprintf(rows, "%s,%d\n", extra(i), onHand)
		}
	}
	if err = rows.Flush(); err == nil {
		err = pack.Close()
	}
	f.zipped = zipped.Bytes()
	return f, err
}

// issued is a quote that can be accepted.
type issued struct {
	ID      string
	Version int64
}

// countOf is what a feed says of a part. Those that are quoted never change and never sell out.
func countOf(i, n int, odd bool) (onHand int, listed bool) {
	onHand = 3 + i%50
	switch {
	case i < quotedParts:
		return 1_000_000, true
	case i >= n:
		return onHand, odd
	case i%100 == 7:
		return onHand, !odd
	case i%10 == 1 && odd:
		return onHand + 1, true
	}
	return onHand, true
}

// quotes makes n issued quotes through the API, one part each, the parts in turn.
func (w *world) quotes(s *shop, n int) (all []issued, err error) {
	var reqs []request
	for i := range n {
		reqs = append(reqs, build("POST", "/v1/quotes", s.key, "application/json", text(map[string]any{
			"lines": []any{map[string]any{"code": extra(i % quotedParts), "quantity": "1", "for_fork": "none"}}, "locations": []string{shelves},
			"currency": "EUR", "customer_reference": "bench", "sale": "counter", "issue": true,
		}), "Idempotency-Key: bench-%STAMP%"))
	}
	status, body, err := askOnce(s.service.addr, reqs[0])
	if err != nil {
		return nil, err
	}
	if status != 201 {
		return nil, refusal{status, string(body), firstLine(reqs[0])}
	}
	if _, err = whole(once(s.service.target, reqs[1:])); err != nil {
		return nil, err
	}
	err = w.query(s.name, func(c *pgx.Conn) error {
		rows, err := c.Query(w.ctx, `SELECT id::text AS id, version FROM quote WHERE state = 'issued' ORDER BY number LIMIT $1`, n)
		if err == nil {
			all, err = pgx.CollectRows(rows, pgx.RowToStructByName[issued])
		}
		return err
	})
	return all, err
}

// accepts are the requests that accept quotes as they were issued.
func (s *shop) accepts(quotes []issued) (reqs []request) {
	for _, q := range quotes {
		reqs = append(reqs, build("POST", "/v1/quotes/"+q.ID+"/accept", s.key, "application/json", "", fmt.Sprintf(`If-Match: "%d"`, q.Version), "Idempotency-Key: bench-%STAMP%"))
	}
	return reqs
}

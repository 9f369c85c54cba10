package db_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"

	"forkwright/db"
	"forkwright/service/account"
	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

// entry is one line of the ledger: what happened to a part, and when.
type entry struct {
	at                        time.Time
	sku                       int
	others, shipped, promised int // what others brought or took; what we handed over; what we promised
}

// count is what lay on the shelf at a time, by adding up everything until then.
type ledger struct{ entries []entry }

func (l *ledger) sum(sku int, of func(entry) int, when func(time.Time) bool) (n int) {
	for _, e := range l.entries {
		if e.sku == sku && when(e.at) {
			n += of(e)
		}
	}
	return n
}

// until and since are the two sides of a moment.
func until(t time.Time) func(time.Time) bool { return func(at time.Time) bool { return !at.After(t) } }
func since(t time.Time) func(time.Time) bool { return func(at time.Time) bool { return at.After(t) } }

func (l *ledger) shelf(sku int, t time.Time) int {
	return l.sum(sku, func(e entry) int { return e.others - e.shipped }, until(t))
}

func (l *ledger) promised(sku int, t time.Time) int {
	return l.sum(sku, func(e entry) int { return e.promised }, until(t))
}

// counted is the last count of a part: what it was, and of when.
type counted struct {
	n  int
	at time.Time
}

// held is a promise that is still open.
type held struct {
	q        quote.Quote
	sku, qty int
}

const ledgerParts = 4

// TestFeedsAndPromisesAgreeWithALedger runs random days at a location and compares what the
// store says with a ledger that only adds up.
func TestFeedsAndPromisesAgreeWithALedger(t *testing.T) {
	for _, excluding := range []bool{false, true} {
		for seed := range uint64(4) {
			t.Run(fmt.Sprintf("excluding=%t/%d", excluding, seed), func(t *testing.T) { ledgerDays(t, excluding, rand.New(rand.NewPCG(seed, 7))) })
		}
	}
}

func ledgerDays(t *testing.T, excluding bool, r *rand.Rand) {
	d := newDepot(t, `{"guard_share": 1, "bad_row_share": 1}`, func(l *account.Location) { l.CountsExcludePromised = excluding })
	l, counts, open := &ledger{}, map[int]counted{}, []held{}
	lastAsOf, did := base, map[string]int{}
	note := func(e entry) { e.at = d.now; l.entries = append(l.entries, e) }
	// onHand is what the store can know: the last count, and what we handed over since.
	onHand := func(sku int) int {
		c := counts[sku]
		return c.n - l.sum(sku, func(e entry) int { return e.shipped }, since(c.at))
	}
	for range 120 {
		d.now = d.now.Add(time.Minute)
		sku := 1 + r.IntN(ledgerParts)
		switch r.IntN(8) {
		case 0: // a delivery
			note(entry{sku: sku, others: 1 + r.IntN(9)})
		case 1: // somebody buys at the depot's own desk
			if n := l.shelf(sku, d.now); n > 0 {
				note(entry{sku: sku, others: -1 - r.IntN(n)})
			}
		case 2, 3: // accept
			qty := 1 + r.IntN(4)
			free := onHand(sku) - l.promised(sku, d.now)
			q, err := d.accept(sku, qty)
			if (err == nil) != (free >= qty) {
				t.Fatalf("%d of P-%d with %d free: %v", qty, sku, free, err)
			}
			if err == nil {
				note(entry{sku: sku, promised: qty})
				open = append(open, held{q, sku, qty})
				did["accept"]++
			} else {
				wantCode(t, err, "not_enough_stock")
				did["refused"]++
			}
		case 4: // fulfil a part of it, or all
			if len(open) > 0 {
				i := r.IntN(len(open))
				qty := 1 + r.IntN(open[i].qty)
				d.fulfil(open[i], qty)
				note(entry{sku: open[i].sku, shipped: qty, promised: -qty})
				if open[i].qty -= qty; open[i].qty == 0 {
					open = append(open[:i], open[i+1:]...)
				}
				did["fulfil"]++
			}
		case 5: // withdraw
			if len(open) > 0 {
				i := r.IntN(len(open))
				d.withdraw(open[i])
				note(entry{sku: open[i].sku, promised: -open[i].qty})
				open = append(open[:i], open[i+1:]...)
				did["withdraw"]++
			}
		case 6, 7: // a feed whose counts are some minutes old
			asOf := d.now.Add(-time.Duration(r.IntN(12)) * time.Minute).Add(-30 * time.Second)
			if !asOf.After(lastAsOf) {
				continue
			}
			lastAsOf = asOf
			kind := []stock.Kind{stock.Full, stock.Delta}[r.IntN(2)]
			u := at(kind, 0)
			u.AsOf, u.Allow = asOf, stock.Allow{Missing: true}
			var rows []string
			for s := 1; s <= ledgerParts; s++ {
				n := l.shelf(s, asOf)
				if excluding {
					n -= l.promised(s, asOf)
				}
				if r.IntN(4) > 0 {
					rows = append(rows, fmt.Sprintf("P-%d,%d", s, n))
				} else if kind == stock.Delta {
					continue
				} else {
					n = 0
				}
				if excluding {
					n += l.promised(s, asOf)
				}
				counts[s] = counted{n, asOf}
			}
			d.mustPush(u, rows...)
			did[string(kind)]++
		}
		levels, err := d.StockAt(t.Context(), "depot", "", 100)
		must(t, err)
		for _, lv := range levels {
			var s int
			_, _ = fmt.Sscanf(lv.SKU, "P-%d", &s)
			if lv.OnHand.String() != fmt.Sprint(onHand(s)) || lv.Promised.String() != fmt.Sprint(l.promised(s, d.now)) {
				t.Fatalf("at %s %s has %s with %s promised, the ledger says %d and %d", d.now.Format(time.TimeOnly), lv.SKU, lv.OnHand, lv.Promised, onHand(s), l.promised(s, d.now))
			}
		}
	}
	for _, what := range []string{"accept", "fulfil", "full", "delta"} {
		if did[what] == 0 {
			t.Errorf("no %s in these days: %v", what, did)
		}
	}
}

// accept promises so many of a part, as accepting a quote of one line does.
func (d *depot) accept(sku, qty int) (quote.Quote, error) {
	until := d.now.Add(14 * 24 * time.Hour)
	q := quote.Quote{ID: uuid.NewString(), AccountID: d.owner.ID, HeldUntil: &until, Lines: []quote.Line{{ID: "l1"}}}
	return q, d.book(q, quote.Detail{Reserved: []quote.Claim{claim(sku, qty)}}, true)
}

func (d *depot) fulfil(h held, qty int) {
	d.t.Helper()
	must(d.t, d.book(h.q, quote.Detail{Consumed: []quote.Claim{claim(h.sku, qty)}}, false))
}

func (d *depot) withdraw(h held) {
	d.t.Helper()
	must(d.t, d.book(h.q, quote.Detail{Released: []quote.Claim{claim(h.sku, h.qty)}}, false))
}

func claim(sku, qty int) quote.Claim {
	return quote.Claim{LineID: "l1", Location: "depot", SKU: fmt.Sprintf("P-%d", sku), Quantity: money.FromInt(int64(qty)), Reserved: true}
}

func (d *depot) book(q quote.Quote, detail quote.Detail, isNew bool) error {
	return d.AsAccount(context.Background(), d.owner.ID, func(tx db.Querier) error {
		if isNew {
			if _, err := tx.Exec(context.Background(), `
				INSERT INTO quote (id, account_id, state, currency, basis, catalog_revision, rules_version, body, body_sha256)
				VALUES ($1, $2, 'draft', 'EUR', 'net', 1, 'test', '{}', decode(repeat('00', 32), 'hex'))`, q.ID, q.AccountID); err != nil {
				return err
			}
		}
		return d.Book(context.Background(), tx, q, quote.Event{Detail: detail})
	})
}

func TestSoldAndShippedFiveOfTenIsNotSubtractedTwice(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	d.mustPush(at(stock.Full, 0), "P-1,10")
	d.now = base.Add(time.Hour)
	q, err := d.accept(1, 5)
	must(t, err)
	d.fulfil(held{q, 1, 5}, 5)
	d.want(map[string]string{"P-1": "5"})
	for night := 1; night <= 3; night++ {
		d.mustPush(at(stock.Full, night*24*60), "P-1,5")
		levels, err := d.StockAt(t.Context(), "depot", "", 10)
		must(t, err)
		if levels[0].Available().String() != "5" {
			t.Errorf("night %d: %s available, want 5", night, levels[0].Available())
		}
	}
}

func TestFeedThatUndercutsAPromiseIsAppliedAndSaysSo(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	d.mustPush(at(stock.Full, 0), "P-1,10", "P-2,1")
	d.now = base.Add(time.Minute)
	q, err := d.accept(1, 6)
	must(t, err)
	f := d.mustPush(at(stock.Full, 2), "P-1,4", "P-2,1")
	if len(f.Undercut) != 1 || f.Undercut[0] != (stock.Undercut{SKU: "P-1", OnHand: "4", Promised: "6"}) {
		t.Errorf("undercut is %+v", f.Undercut)
	}
	reservations, err := d.ReservationsAt(t.Context(), d.owner.ID, "depot", 0, "", 10)
	must(t, err)
	if len(reservations) != 1 || reservations[0].SKU != "P-1" || reservations[0].Quantity.String() != "6" || reservations[0].State != "held" {
		t.Fatalf("reservations are %+v", reservations)
	}
	first := reservations[0]
	d.withdraw(held{q, 1, 6})
	reservations, err = d.ReservationsAt(t.Context(), d.owner.ID, "depot", first.Change, first.ID, 10)
	must(t, err)
	if len(reservations) != 1 || reservations[0].State != "released" {
		t.Errorf("what changed since is %+v", reservations)
	}
	other := shop(t, d.DB, "stranger")
	foreign, err := d.ReservationsAt(t.Context(), other.ID, "depot", 0, "", 10)
	must(t, err)
	if len(foreign) != 0 {
		t.Errorf("a stranger sees %+v", foreign)
	}
}

func TestAcceptingGoesOnWhileAFeedIsMerged(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	d.mustPush(at(stock.Full, 0), "P-1,10", "P-2,10")
	d.now = base.Add(time.Minute)
	// A transaction that has changed the counts, as a merge in its last second has.
	merge := connect(t, d.on.ServiceURL)
	_, err := merge.Exec(t.Context(), `BEGIN`)
	must(t, err)
	_, err = merge.Exec(t.Context(), `UPDATE stock SET on_hand = 3 WHERE location_id = 'depot'`)
	must(t, err)
	_, err = merge.Exec(t.Context(), `INSERT INTO stock (location_id, sku, on_hand) VALUES ('depot', 'P-3', 1)`)
	must(t, err)
	start := time.Now()
	q, err := d.accept(1, 2)
	must(t, err)
	d.fulfil(held{q, 1, 2}, 2)
	if took := time.Since(start); took > time.Second {
		t.Errorf("accept and fulfil took %s beside an open merge", took)
	}
	_, err = merge.Exec(t.Context(), `COMMIT`)
	must(t, err)
	if got := d.counts()["P-1"]; got != "1" {
		t.Errorf("3 counted, 2 handed over since: %s", got)
	}
	_, err = d.accept(1, 2)
	if fault.CodeOf(err) != "not_enough_stock" {
		t.Errorf("two of one: %v", err)
	}
}

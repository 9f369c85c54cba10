package db

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/quagmt/udecimal"

	"forkwright/service/fault"
	"forkwright/service/quote"
	"forkwright/service/stock"
	"forkwright/service/zone"
)

// What lies at a location now is its last count less what was handed over since.
const levelSelect = `
	SELECT s.location_id AS location, s.sku, s.on_hand - (coalesce(p.shipped, s.shipped_seen) - s.shipped_seen) AS on_hand, s.at_least,
	       s.incoming, s.incoming_on, coalesce(p.qty, 0) AS promised, s.bin, l.last_as_of, l.due_by, l.time_zone, l.closed_until, l.days_away
	FROM stock s
	JOIN location l ON l.id = s.location_id
	LEFT JOIN promised p ON p.location_id = s.location_id AND p.sku = s.sku`

// suppliesAccount holds for the locations that goods for account $1 come from.
const suppliesAccount = `(l.account_id = $1 OR EXISTS (
		SELECT FROM account a WHERE a.id = l.account_id AND a.roles && '{distributor,administrator}' AND a.closed_at IS NULL))`

// StockFor reads, as StockOf does, what lies where goods for an account come from: another
// shop's shelf is none of its business, named or not.
func (d *DB) StockFor(ctx context.Context, accountID string, skus, locations []string) ([]stock.Level, error) {
	if len(skus) == 0 {
		return nil, nil
	}
	return d.levels(ctx, levelSelect+`
		WHERE s.sku = ANY($2) AND ($3::text[] IS NULL OR s.location_id = ANY($3)) AND `+suppliesAccount+`
		ORDER BY s.location_id, s.sku`, accountID, skus, locations)
}

// StockOf reads what lies where and what is promised of it, for the parts named
// and the locations named (none means all), by location and part.
func (d *DB) StockOf(ctx context.Context, skus, locations []string) ([]stock.Level, error) {
	if len(skus) == 0 {
		return nil, nil
	}
	return d.levels(ctx, levelSelect+`
		WHERE s.sku = ANY($1) AND ($2::text[] IS NULL OR s.location_id = ANY($2))
		ORDER BY s.location_id, s.sku`, skus, locations)
}

// StockAt lists one location's parts after the one named, by part.
func (d *DB) StockAt(ctx context.Context, location, after string, limit int) ([]stock.Level, error) {
	return d.levels(ctx, levelSelect+`
		WHERE s.location_id = $1 AND s.sku > $2
		ORDER BY s.sku LIMIT $3`, location, after, limit)
}

// levels reads the columns of levelSelect by their places, in one row's memory: this is on the
// way of every list of parts with stock.
func (d *DB) levels(ctx context.Context, sql string, args ...any) (out []stock.Level, err error) {
	var l stock.Level
	var schedule stock.Schedule
	var timeZone string
	columns := []any{&l.Location, &l.SKU, (*amount)(&l.OnHand), &l.AtLeast, (*amount)(&l.Incoming), &l.IncomingOn, (*amount)(&l.Promised), &l.Bin,
		&l.AsOf, &schedule.DueBy, &timeZone, &schedule.ClosedUntil, &l.DaysAway}
	now, overdue := d.now(), map[string]bool{}
	err = d.plain(ctx, func(q querier) error {
		rows, err := q.Query(ctx, sql, args...)
		if err != nil {
			return err
		}
		_, err = pgx.ForEachRow(rows, columns, func() error {
			stale, judged := overdue[l.Location]
			if !judged {
				schedule.Zone = zone.OrUTC(timeZone)
				_, stale = schedule.Overdue(l.AsOf, now)
				overdue[l.Location] = stale
			}
			l.Stale = stale
			out = append(out, l)
			return nil
		})
		return err
	})
	return out, err
}

// amount takes a numeric as it comes, without a detour over text.
type amount udecimal.Decimal

// ScanNumeric implements pgtype.NumericScanner.
func (a *amount) ScanNumeric(n pgtype.Numeric) error {
	if n.Valid && n.Int != nil && n.Int.IsInt64() && n.Exp <= 0 && n.Exp >= -19 {
		v, err := udecimal.NewFromInt64(n.Int.Int64(), uint8(-n.Exp))
		*a = amount(v)
		return err
	}
	text, err := n.MarshalJSON() // large, or tens and hundreds that are stored without their zeros
	if err != nil {
		return err
	}
	v, err := udecimal.Parse(string(text))
	*a = amount(v)
	return err
}

// Freshness is one location's place in its schedule.
type Freshness struct {
	Location string
	AsOf     *time.Time
	Since    time.Time // when it is overdue
	Overdue  bool
}

// Freshness tells for every location that expects feeds whether its last one is overdue.
func (d *DB) Freshness(ctx context.Context) ([]Freshness, error) {
	type row struct {
		ID, DueBy, TimeZone   string
		ClosedUntil, LastAsOf *time.Time
	}
	rows, err := list[row](ctx, d, `SELECT id, due_by, time_zone, closed_until, last_as_of FROM location WHERE due_by <> '' ORDER BY id`)
	var out []Freshness
	for _, r := range rows {
		f := Freshness{Location: r.ID, AsOf: r.LastAsOf}
		f.Since, f.Overdue = stock.Schedule{DueBy: r.DueBy, Zone: zone.OrUTC(r.TimeZone), ClosedUntil: r.ClosedUntil}.Overdue(r.LastAsOf, d.now())
		out = append(out, f)
	}
	return out, err
}

// PutStock states what one location holds now of the parts named and leaves its other
// parts alone.
func (d *DB) PutStock(ctx context.Context, location string, levels []stock.Level) error {
	// Sorted, or two writers deadlock.
	levels = slices.SortedFunc(slices.Values(levels), func(a, b stock.Level) int { return strings.Compare(a.SKU, b.SKU) })
	var skus []string
	var onHand, incoming []udecimal.Decimal
	var atLeast []bool
	var dates []any
	for _, l := range levels {
		skus, onHand, incoming, atLeast = append(skus, l.SKU), append(onHand, l.OnHand), append(incoming, l.Incoming), append(atLeast, l.AtLeast)
		if l.IncomingOn == nil {
			dates = append(dates, nil)
		} else {
			dates = append(dates, *l.IncomingOn)
		}
	}
	return d.asNobody(ctx, func(q querier) error {
		if _, err := q.Exec(ctx, `SELECT pg_advisory_xact_lock($1, hashtext($2))`, mergeLock, location); err != nil {
			return err
		}
		_, err := q.Exec(ctx, `
			INSERT INTO stock (location_id, sku, on_hand, at_least, incoming, incoming_on, shipped_seen)
			SELECT $1, t.sku, t.on_hand, t.at_least, t.incoming, t.incoming_on, coalesce(p.shipped, 0)
			FROM unnest($2::text[], $3::numeric[], $4::boolean[], $5::numeric[], $6::date[]) AS t (sku, on_hand, at_least, incoming, incoming_on)
			LEFT JOIN promised p ON p.location_id = $1 AND p.sku = t.sku
			ON CONFLICT (location_id, sku) DO UPDATE SET on_hand = excluded.on_hand, at_least = excluded.at_least,
			       incoming = excluded.incoming, incoming_on = excluded.incoming_on, shipped_seen = excluded.shipped_seen, listed = true`,
			location, skus, onHand, atLeast, incoming, dates)
		return err
	})
}

// movesKept is how old a feed may be and still be put right by what was promised and handed
// over since; it is also how far a reset may go back.
const movesKept = 35 * 24 * time.Hour

// queueMoves records when a part was promised, set free or handed over, for feeds whose as-of
// time is earlier than that.
func (d *DB) queueMoves(b *pgx.Batch, more, less, shipped []quote.Claim) {
	for _, m := range []struct {
		claims []quote.Claim
		sql    string
	}{
		{slices.Concat(more, negative(less)), `INSERT INTO stock_move (location_id, at, sku, promised, shipped) SELECT location, $4, sku, qty::numeric, 0 FROM unnest($1::text[], $2::text[], $3::text[]) AS t (location, sku, qty)`},
		{shipped, `INSERT INTO stock_move (location_id, at, sku, promised, shipped) SELECT location, $4, sku, 0, qty::numeric FROM unnest($1::text[], $2::text[], $3::text[]) AS t (location, sku, qty)`},
	} {
		if len(m.claims) == 0 {
			continue
		}
		locations, skus, quantities := columns(m.claims)
		b.Queue(m.sql, locations, skus, quantities, d.now())
		b.Queue(`DELETE FROM stock_move WHERE location_id = ANY($1) AND at < $2`, slices.Compact(slices.Clone(locations)), d.now().Add(-movesKept))
	}
}

func negative(lists ...[]quote.Claim) (out []quote.Claim) {
	for _, c := range slices.Concat(lists...) {
		c.Quantity = c.Quantity.Neg()
		out = append(out, c)
	}
	return out
}

// Reservation is what is promised at a location, without for whom.
type reservationRow struct {
	ID        string
	SKU       string
	Qty       udecimal.Decimal
	Fulfilled udecimal.Decimal
	State     string
	HeldUntil time.Time
	ChangeNo  int64
	CreatedAt time.Time
	EndedAt   *time.Time
}

// ReservationsAt lists what is promised at a location of the account named, in the order in
// which it last changed, after a change and an id. Whoever asks again with the last pair
// misses nothing: the changes of a location are numbered in the order of their commits.
func (d *DB) ReservationsAt(ctx context.Context, accountID, location string, after int64, afterID string, limit int) ([]stock.Reservation, error) {
	var rows []reservationRow
	err := d.readOnDisk(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(`
			SELECT id::text AS id, sku, qty, fulfilled_qty AS fulfilled, state, held_until, change_no, created_at, ended_at
			FROM reservation
			WHERE location_id = $1 AND (change_no, id) > ($2, $3::uuid)
			ORDER BY change_no, id LIMIT $4`, location, after, orDefault(afterID, "00000000-0000-0000-0000-000000000000"), limit).Query(collect(&rows))
	})
	var out []stock.Reservation
	for _, r := range rows {
		out = append(out, stock.Reservation{
			ID: r.ID, SKU: r.SKU, Quantity: r.Qty, Fulfilled: r.Fulfilled, State: r.State, HeldUntil: r.HeldUntil,
			Change: r.ChangeNo, CreatedAt: r.CreatedAt, EndedAt: r.EndedAt,
		})
	}
	return out, err
}

func locationNotFound() error {
	return fault.New(fault.NotFound, "location_not_found", "There is no such location, or it is not yours.")
}

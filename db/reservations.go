package db

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/service/money"
	"forkwright/service/quote"
)

// book does to stock and promises what an event of a quote says. Rows are locked in the order
// (location, sku), everywhere, or two writers deadlock, and the location's own row last.
func (d *DB) book(ctx context.Context, q querier, x quote.Quote, e quote.Event) error {
	reserved, released := e.Detail.Reserved, e.Detail.Released
	consumed := e.Detail.Consumed
	all := slices.Concat(reserved, released, consumed)
	if len(all) == 0 {
		return nil
	}
	if err := lockPromised(ctx, q, all); err != nil {
		return err
	}
	if err := checkAvailable(ctx, q, reserved); err != nil {
		return err
	}
	kept := slices.DeleteFunc(slices.Clone(consumed), func(c quote.Claim) bool { return !c.Reserved })
	if err := promise(ctx, q, reserved, released, kept); err != nil {
		return err
	}
	if err := consume(ctx, q, consumed); err != nil {
		return err
	}
	if err := d.noteMoves(ctx, q, reserved, released, consumed); err != nil {
		return err
	}
	counters, err := countChanges(ctx, q, all)
	if err != nil {
		return err
	}
	return d.reservations(ctx, q, x, e, counters)
}

// place is a part at a location.
type place struct{ location, sku string }

// columns sums claims by place, sorted, as columns for unnest.
func columns(claims []quote.Claim) (locations, skus, quantities []string) {
	sum := map[place]money.Amount{}
	var places []place
	for _, c := range claims {
		k := place{c.Location, c.SKU}
		if _, seen := sum[k]; !seen {
			places = append(places, k)
		}
		sum[k] = sum[k].Add(c.Quantity)
	}
	slices.SortFunc(places, func(a, b place) int { return cmp.Or(cmp.Compare(a.location, b.location), cmp.Compare(a.sku, b.sku)) })
	for _, k := range places {
		locations, skus, quantities = append(locations, k.location), append(skus, k.sku), append(quantities, sum[k].String())
	}
	return locations, skus, quantities
}

// lockPromised makes the rows and holds them. What is read afterwards is read anew: a count
// read in the same statement could be older than the lock.
func lockPromised(ctx context.Context, q querier, claims []quote.Claim) error {
	locations, skus, _ := columns(claims)
	if _, err := q.Exec(ctx, `
		INSERT INTO promised (location_id, sku, qty)
		SELECT location, sku, 0 FROM unnest($1::text[], $2::text[]) WITH ORDINALITY AS t (location, sku, n) ORDER BY n
		ON CONFLICT (location_id, sku) DO NOTHING`, locations, skus); err != nil {
		return err
	}
	_, err := q.Exec(ctx, `
		SELECT 1 FROM promised p
		JOIN unnest($1::text[], $2::text[]) AS t (location, sku) ON p.location_id = t.location AND p.sku = t.sku
		ORDER BY p.location_id, p.sku
		FOR UPDATE OF p`, locations, skus)
	return err
}

// shortage is a place with less than is wanted.
type shortage struct{ Location, SKU, Wanted, Available string }

// checkAvailable refuses what cannot be promised: available is on hand less promised, and
// never less than nothing.
func checkAvailable(ctx context.Context, q querier, claims []quote.Claim) error {
	if len(claims) == 0 {
		return nil
	}
	locations, skus, quantities := columns(claims)
	rows, err := q.Query(ctx, `
		SELECT t.location, t.sku, t.qty AS wanted, greatest(coalesce(s.on_hand - p.shipped + s.shipped_seen, 0) - p.qty, 0)::text AS available
		FROM unnest($1::text[], $2::text[], $3::text[]) WITH ORDINALITY AS t (location, sku, qty, n)
		JOIN promised p ON p.location_id = t.location AND p.sku = t.sku
		LEFT JOIN stock s ON s.location_id = t.location AND s.sku = t.sku
		WHERE greatest(coalesce(s.on_hand - p.shipped + s.shipped_seen, 0) - p.qty, 0) < t.qty::numeric
		ORDER BY t.n`, locations, skus, quantities)
	if err != nil {
		return err
	}
	short, err := pgx.CollectRows(rows, pgx.RowToStructByName[shortage])
	if err != nil || len(short) == 0 {
		return err
	}
	return notEnough(claims, short)
}

func notEnough(claims []quote.Claim, short []shortage) error {
	var out []quote.Shortage
	for _, s := range short {
		i := slices.IndexFunc(claims, func(c quote.Claim) bool { return c.Location == s.Location && c.SKU == s.SKU })
		c := claims[i]
		wanted, err := money.Parse(s.Wanted)
		if err != nil {
			return internal(err)
		}
		available, err := money.Parse(s.Available)
		if err != nil {
			return internal(err)
		}
		c.Quantity = wanted
		out = append(out, quote.Shortage{Claim: c, Available: available})
	}
	return quote.NotEnoughStock(out...)
}

func promise(ctx context.Context, q querier, more []quote.Claim, less ...[]quote.Claim) error {
	claims := slices.Clone(more)
	for _, c := range slices.Concat(less...) {
		c.Quantity = c.Quantity.Neg()
		claims = append(claims, c)
	}
	locations, skus, quantities := columns(claims)
	_, err := q.Exec(ctx, `
		UPDATE promised p SET qty = p.qty + t.qty::numeric
		FROM unnest($1::text[], $2::text[], $3::text[]) AS t (location, sku, qty)
		WHERE p.location_id = t.location AND p.sku = t.sku`, locations, skus, quantities)
	return err
}

// consume notes goods that were handed over: they are subtracted from a count made before that.
// The count itself is the feeds' to write, so that no sale waits for one.
func consume(ctx context.Context, q querier, claims []quote.Claim) error {
	if len(claims) == 0 {
		return nil
	}
	locations, skus, quantities := columns(claims)
	_, err := q.Exec(ctx, `
		UPDATE promised p SET shipped = p.shipped + t.qty::numeric
		FROM unnest($1::text[], $2::text[], $3::text[]) AS t (location, sku, qty)
		WHERE p.location_id = t.location AND p.sku = t.sku`, locations, skus, quantities)
	return err
}

// countChanges takes the next number of each location's counter under that row's lock: in
// order of commit, which neither a time nor a sequence would be.
func countChanges(ctx context.Context, q querier, claims []quote.Claim) (map[string]int64, error) {
	locations, _, _ := columns(claims)
	counters := map[string]int64{}
	for _, id := range slices.Compact(locations) {
		var n int64
		if err := q.QueryRow(ctx, `UPDATE location SET counter = counter + 1 WHERE id = $1 RETURNING counter`, id).Scan(&n); err != nil {
			return nil, err
		}
		counters[id] = n
	}
	return counters, nil
}

// reservations keeps what is held for which line, until when.
func (d *DB) reservations(ctx context.Context, q querier, x quote.Quote, e quote.Event, counters map[string]int64) error {
	b := &pgx.Batch{}
	for _, c := range byLine(e.Detail.Reserved) {
		id, err := d.newID()
		if err != nil {
			return err
		}
		b.Queue(`
			INSERT INTO reservation (id, account_id, quote_id, line_no, location_id, sku, qty, state, held_until, change_no, created_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7::text::numeric, 'held', $8, $9, $10)`,
			id, x.AccountID, x.ID, lineNo(x, c.LineID), c.Location, c.SKU, c.Quantity.String(), *x.HeldUntil, counters[c.Location], d.now())
	}
	for _, c := range byLine(e.Detail.Released) {
		b.Queue(`
			UPDATE reservation SET state = 'released', change_no = $6, ended_at = $7
			WHERE account_id = $1 AND quote_id = $2 AND line_no = $3 AND location_id = $4 AND sku = $5 AND state = 'held'`,
			x.AccountID, x.ID, lineNo(x, c.LineID), c.Location, c.SKU, counters[c.Location], d.now())
	}
	for _, c := range byLine(e.Detail.Consumed) {
		if c.Reserved {
			queueConsumed(b, x, c, counters[c.Location], d.now())
		}
	}
	return q.SendBatch(ctx, b).Close()
}

func queueConsumed(b *pgx.Batch, x quote.Quote, c quote.Claim, change int64, now time.Time) {
	b.Queue(`
		UPDATE reservation SET fulfilled_qty = fulfilled_qty + $6::text::numeric, change_no = $7,
		       state = CASE WHEN fulfilled_qty + $6::text::numeric = qty THEN 'fulfilled' ELSE state END,
		       ended_at = CASE WHEN fulfilled_qty + $6::text::numeric = qty THEN $8::timestamptz ELSE ended_at END
		WHERE account_id = $1 AND quote_id = $2 AND line_no = $3 AND location_id = $4 AND sku = $5 AND state = 'held'`,
		x.AccountID, x.ID, lineNo(x, c.LineID), c.Location, c.SKU, c.Quantity.String(), change, now)
}

// byLine sums the claims of one line at one place.
func byLine(claims []quote.Claim) (out []quote.Claim) {
	for _, c := range claims {
		i := slices.IndexFunc(out, func(o quote.Claim) bool {
			return o.LineID == c.LineID && o.Location == c.Location && o.SKU == c.SKU && o.Reserved == c.Reserved
		})
		if i < 0 {
			out = append(out, c)
			continue
		}
		out[i].Quantity = out[i].Quantity.Add(c.Quantity)
	}
	return out
}

func lineNo(x quote.Quote, lineID string) int {
	return 1 + slices.IndexFunc(x.Lines, func(l quote.Line) bool { return l.ID == lineID })
}

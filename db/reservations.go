package db

import (
	"cmp"
	"context"
	"slices"

	"github.com/jackc/pgx/v5"

	"forkwright/service/money"
	"forkwright/service/quote"
)

// book does to stock and promises what an event of a quote says. What the event needs is
// locked and checked now, in one round trip; what it changes is queued in last, the location's
// own row at the end: whoever sells there waits for it.
func (d *DB) book(ctx context.Context, q querier, last *pgx.Batch, x quote.Quote, e quote.Event) error {
	reserved, released, consumed := e.Detail.Reserved, e.Detail.Released, e.Detail.Consumed
	all := slices.Concat(reserved, released, consumed)
	if len(all) == 0 {
		return nil
	}
	if err := hold(ctx, q, all, reserved); err != nil {
		return err
	}
	kept := slices.DeleteFunc(slices.Clone(consumed), func(c quote.Claim) bool { return !c.Reserved })
	queuePromise(last, reserved, released, kept)
	queueShipped(last, consumed)
	d.queueMoves(last, reserved, slices.Concat(released, kept), consumed)
	queueCount(last, all)
	return d.queueReservations(last, x, e)
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

// hold makes the rows of what is promised of all, locks them in the order (location, sku) that
// everybody keeps, or two writers deadlock, and refuses reserved where it is not available:
// on hand less promised, and never less than nothing. What is there is read after the lock, by
// a statement of its own: a count read in the same one could be older.
func hold(ctx context.Context, q querier, all, reserved []quote.Claim) error {
	locations, skus, _ := columns(all)
	b := &pgx.Batch{}
	b.Queue(`
		INSERT INTO promised (location_id, sku, qty)
		SELECT location, sku, 0 FROM unnest($1::text[], $2::text[]) WITH ORDINALITY AS t (location, sku, n) ORDER BY n
		ON CONFLICT (location_id, sku) DO NOTHING`, locations, skus)
	b.Queue(`
		SELECT 1 FROM promised p
		JOIN unnest($1::text[], $2::text[]) AS t (location, sku) ON p.location_id = t.location AND p.sku = t.sku
		ORDER BY p.location_id, p.sku
		FOR UPDATE OF p`, locations, skus)
	var short []shortage
	if len(reserved) > 0 {
		queueShortages(b, reserved, &short)
	}
	if err := q.SendBatch(ctx, b).Close(); err != nil || len(short) == 0 {
		return err
	}
	return notEnough(reserved, short)
}

// shortage is a place with less than is wanted.
type shortage struct{ Location, SKU, Wanted, Available string }

func queueShortages(b *pgx.Batch, claims []quote.Claim, short *[]shortage) {
	locations, skus, quantities := columns(claims)
	b.Queue(`
		SELECT t.location, t.sku, t.qty AS wanted, greatest(coalesce(s.on_hand - p.shipped + s.shipped_seen, 0) - p.qty, 0)::text AS available
		FROM unnest($1::text[], $2::text[], $3::text[]) WITH ORDINALITY AS t (location, sku, qty, n)
		JOIN promised p ON p.location_id = t.location AND p.sku = t.sku
		LEFT JOIN stock s ON s.location_id = t.location AND s.sku = t.sku
		WHERE greatest(coalesce(s.on_hand - p.shipped + s.shipped_seen, 0) - p.qty, 0) < t.qty::numeric
		ORDER BY t.n`, locations, skus, quantities).Query(collect(short))
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

func queuePromise(b *pgx.Batch, more []quote.Claim, less ...[]quote.Claim) {
	locations, skus, quantities := columns(slices.Concat(more, negative(less...)))
	b.Queue(`
		UPDATE promised p SET qty = p.qty + t.qty::numeric
		FROM unnest($1::text[], $2::text[], $3::text[]) AS t (location, sku, qty)
		WHERE p.location_id = t.location AND p.sku = t.sku`, locations, skus, quantities)
}

// queueShipped notes goods that were handed over: they are subtracted from a count made before
// that. The count itself is the feeds' to write, so that no sale waits for one.
func queueShipped(b *pgx.Batch, claims []quote.Claim) {
	if len(claims) == 0 {
		return
	}
	locations, skus, quantities := columns(claims)
	b.Queue(`
		UPDATE promised p SET shipped = p.shipped + t.qty::numeric
		FROM unnest($1::text[], $2::text[], $3::text[]) AS t (location, sku, qty)
		WHERE p.location_id = t.location AND p.sku = t.sku`, locations, skus, quantities)
}

// queueCount takes the next number of each location's counter under that row's lock: in order
// of commit, which neither a time nor a sequence would be.
func queueCount(b *pgx.Batch, claims []quote.Claim) {
	locations, _, _ := columns(claims)
	for _, id := range slices.Compact(locations) {
		b.Queue(`UPDATE location SET counter = counter + 1 WHERE id = $1`, id)
	}
}

// queueReservations keeps what is held for which line, until when, each with the number that
// its location's counter has now.
func (d *DB) queueReservations(b *pgx.Batch, x quote.Quote, e quote.Event) error {
	if r := rowsOf(x, byLine(e.Detail.Reserved)); len(r.lines) > 0 {
		ids := make([]string, len(r.lines))
		for i := range ids {
			var err error
			if ids[i], err = d.newID(); err != nil {
				return err
			}
		}
		b.Queue(`
			INSERT INTO reservation (id, account_id, quote_id, line_no, location_id, sku, qty, state, held_until, change_no, created_at)
			SELECT t.id, $1, $2, t.line_no, t.location, t.sku, t.qty::numeric, 'held', $3, l.counter, $4
			FROM unnest($5::uuid[], $6::integer[], $7::text[], $8::text[], $9::text[]) AS t (id, line_no, location, sku, qty)
			JOIN location l ON l.id = t.location`,
			x.AccountID, x.ID, *x.HeldUntil, d.now(), ids, r.lines, r.locations, r.skus, r.quantities)
	}
	if r := rowsOf(x, byLine(e.Detail.Released)); len(r.lines) > 0 {
		b.Queue(`
			UPDATE reservation r SET state = 'released', change_no = l.counter, ended_at = $3
			FROM unnest($4::integer[], $5::text[], $6::text[]) AS t (line_no, location, sku) JOIN location l ON l.id = t.location
			WHERE r.account_id = $1 AND r.quote_id = $2 AND r.line_no = t.line_no AND r.location_id = t.location AND r.sku = t.sku AND r.state = 'held'`,
			x.AccountID, x.ID, d.now(), r.lines, r.locations, r.skus)
	}
	kept := slices.DeleteFunc(byLine(e.Detail.Consumed), func(c quote.Claim) bool { return !c.Reserved })
	if r := rowsOf(x, kept); len(r.lines) > 0 {
		b.Queue(`
			UPDATE reservation r SET fulfilled_qty = r.fulfilled_qty + t.qty::numeric, change_no = l.counter,
			       state = CASE WHEN r.fulfilled_qty + t.qty::numeric = r.qty THEN 'fulfilled' ELSE r.state END,
			       ended_at = CASE WHEN r.fulfilled_qty + t.qty::numeric = r.qty THEN $3::timestamptz ELSE r.ended_at END
			FROM unnest($4::integer[], $5::text[], $6::text[], $7::text[]) AS t (line_no, location, sku, qty) JOIN location l ON l.id = t.location
			WHERE r.account_id = $1 AND r.quote_id = $2 AND r.line_no = t.line_no AND r.location_id = t.location AND r.sku = t.sku AND r.state = 'held'`,
			x.AccountID, x.ID, d.now(), r.lines, r.locations, r.skus, r.quantities)
	}
	return nil
}

// lineRows are claims as columns for unnest, with the number of the line that each is for.
type lineRows struct {
	lines                       []int
	locations, skus, quantities []string
}

func rowsOf(x quote.Quote, claims []quote.Claim) (r lineRows) {
	for _, c := range claims {
		r.lines, r.locations = append(r.lines, lineNo(x, c.LineID)), append(r.locations, c.Location)
		r.skus, r.quantities = append(r.skus, c.SKU), append(r.quantities, c.Quantity.String())
	}
	return r
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

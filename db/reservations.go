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
// taken and checked now, in one round trip; what else it changes is queued in last, the
// location's own row at the end: whoever sells there waits for it.
func (d *DB) book(ctx context.Context, q querier, last *pgx.Batch, x quote.Quote, e quote.Event) error {
	reserved, released, consumed := e.Detail.Reserved, e.Detail.Released, e.Detail.Consumed
	all := slices.Concat(reserved, released, consumed)
	if len(all) == 0 {
		return nil
	}
	if err := take(ctx, q, all, reserved, consumed); err != nil {
		return err
	}
	kept := slices.DeleteFunc(slices.Clone(consumed), func(c quote.Claim) bool { return !c.Reserved })
	free := slices.Concat(released, kept)
	queueFree(last, free)
	d.queueMoves(last, reserved, free, consumed)
	queueCount(last, all)
	return d.queueReservations(last, x, e)
}

// place is a part at a location.
type place struct{ location, sku string }

// placesOf are the places of claims, each once, in the order (location, sku) that everybody
// keeps, or two writers deadlock.
func placesOf(claims []quote.Claim) []place {
	places := make([]place, len(claims))
	for i, c := range claims {
		places[i] = place{c.Location, c.SKU}
	}
	slices.SortFunc(places, func(a, b place) int { return cmp.Or(cmp.Compare(a.location, b.location), cmp.Compare(a.sku, b.sku)) })
	return slices.Compact(places)
}

// sums adds up claims by place.
func sums(places []place, claims []quote.Claim) []string {
	out := make([]string, len(places))
	for i, p := range places {
		var sum money.Amount
		for _, c := range claims {
			if c.Location == p.location && c.SKU == p.sku {
				sum = sum.Add(c.Quantity)
			}
		}
		out[i] = sum.String()
	}
	return out
}

// split gives places as columns for unnest.
func split(places []place) (locations, skus []string) {
	for _, p := range places {
		locations, skus = append(locations, p.location), append(skus, p.sku)
	}
	return locations, skus
}

// columns sums claims by place, sorted, as columns for unnest.
func columns(claims []quote.Claim) (locations, skus, quantities []string) {
	places := placesOf(claims)
	locations, skus = split(places)
	return locations, skus, sums(places, claims)
}

// take locks the rows of what is promised of all, making those that are not there, adds what is
// reserved and what is handed over, and refuses reserved where there is not as much: on hand less
// promised, and never less than nothing. Goods handed over are subtracted from a count made
// before that; the count itself is the feeds' to write, so that no sale waits for one. What is
// there is read after the lock, by a statement of its own: a count read in the same one could be
// older.
func take(ctx context.Context, q querier, all, reserved, consumed []quote.Claim) error {
	places := placesOf(all)
	locations, skus := split(places)
	b := &pgx.Batch{}
	b.Queue(`
		INSERT INTO promised AS p (location_id, sku, qty, shipped)
		SELECT location, sku, reserved::numeric, consumed::numeric
		FROM unnest($1::text[], $2::text[], $3::text[], $4::text[]) WITH ORDINALITY AS t (location, sku, reserved, consumed, n) ORDER BY n
		ON CONFLICT (location_id, sku) DO UPDATE SET qty = p.qty + excluded.qty, shipped = p.shipped + excluded.shipped`,
		locations, skus, sums(places, reserved), sums(places, consumed))
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

// queueShortages looks for what has been promised beyond what is there.
func queueShortages(b *pgx.Batch, claims []quote.Claim, short *[]shortage) {
	locations, skus, quantities := columns(claims)
	b.Queue(`
		SELECT t.location, t.sku, t.qty AS wanted, greatest(coalesce(s.on_hand - p.shipped + s.shipped_seen, 0) - p.qty + t.qty::numeric, 0)::text AS available
		FROM unnest($1::text[], $2::text[], $3::text[]) WITH ORDINALITY AS t (location, sku, qty, n)
		JOIN promised p ON p.location_id = t.location AND p.sku = t.sku
		LEFT JOIN stock s ON s.location_id = t.location AND s.sku = t.sku
		WHERE coalesce(s.on_hand - p.shipped + s.shipped_seen, 0) < p.qty
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

// queueFree takes back what was promised and is so no longer.
func queueFree(b *pgx.Batch, claims []quote.Claim) {
	if len(claims) == 0 {
		return
	}
	locations, skus, quantities := columns(claims)
	b.Queue(`
		UPDATE promised p SET qty = p.qty - t.qty::numeric
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

package db

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"strconv"
	"time"

	jsonv2 "github.com/go-json-experiment/json"
	jsonv1 "github.com/go-json-experiment/json/v1"
	"github.com/jackc/pgx/v5"

	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/quote"
)

// linkLife is how long the page of a quote can be read by its token.
const linkLife = 2 * 365 * 24 * time.Hour

// CreateQuote stores a new quote with its lines, its person, its first events and, when it is
// issued at once, its number, all or nothing. A repetition with the caller's Idempotency-Key
// gets what was stored the first time.
func (d *DB) CreateQuote(ctx context.Context, by caller.Caller, n service.NewQuote) (quote.Quote, error) {
	return d.quoteOnce(ctx, by, nothing, func(q querier, last *pgx.Batch) (quote.Quote, error) {
		x := n.Draft
		var err error
		if x.ID, err = d.newID(); err != nil {
			return x, err
		}
		x.RootID, x.AccountID = x.ID, by.AccountID
		if n.Person != nil {
			p := *n.Person
			p.AccountID = by.AccountID
			if p.ID, err = d.newID(); err != nil {
				return x, err
			}
			if p, err = d.putPerson(ctx, q, by, p); err != nil {
				return x, err
			}
			x.PersonID = p.ID
		}
		n.Created.QuoteID = x.ID
		if n.Issue == nil {
			return d.insertQuote(ctx, queued{last}, x, n.Created, n.Digest(x.ID))
		}
		early := &pgx.Batch{} // goes out with the taking of the number
		if x, err = d.insertParts(ctx, queued{early}, x, n.Created, n.Digest(x.ID)); err != nil {
			return x, err
		}
		issued, e, err := n.Issue(x, takeNumber(ctx, q, early, by.AccountID))
		if err != nil {
			return x, err
		}
		if err := d.insertBody(ctx, queued{last}, issued); err != nil {
			return x, err
		}
		return issued, insertEvent(ctx, queued{last}, quoteEvent(issued, e))
	})
}

func nothing(*pgx.Batch) {}

// takeNumber sends what is queued early with the taking of a number, in front of it: it is not
// stored while others wait for the number's row.
func takeNumber(ctx context.Context, q querier, early *pgx.Batch, accountID string) service.TakeNumber {
	return func(series string) (int64, error) { return nextNumber(ctx, q, early, accountID, series) }
}

// RepeatedQuote finds the answer given before to the caller's Idempotency-Key, without
// waiting for a twin that is being answered: CreateQuote does that.
func (d *DB) RepeatedQuote(ctx context.Context, by caller.Caller) (*quote.Quote, error) {
	if by.Once.Key == "" {
		return nil, nil
	}
	var before []byte
	err := d.readOnce(ctx, by.AccountID, func(b *pgx.Batch) { queueAnswer(b, by, &before) })
	if err != nil || before == nil {
		return nil, err
	}
	return d.repeated(ctx, by.AccountID, before)
}

// SellerOrRepeated is RepeatedQuote or, where there is none, the seller, in one round trip.
func (d *DB) SellerOrRepeated(ctx context.Context, by caller.Caller) (s account.Seller, before *quote.Quote, err error) {
	var answer []byte
	err = d.readOnce(ctx, by.AccountID, func(b *pgx.Batch) {
		if by.Once.Key != "" {
			queueAnswer(b, by, &answer)
		}
		queueSeller(b, by.AccountID, &s)
	})
	if err == nil && answer != nil {
		before, err = d.repeated(ctx, by.AccountID, answer)
	}
	return s, before, sellerMissing(err)
}

// repeated is an answer that can be read, and can be given once it is on disk.
func (d *DB) repeated(ctx context.Context, accountID string, answer []byte) (*quote.Quote, error) {
	if err := d.readOnDisk(ctx, accountID, nothing); err != nil {
		return nil, err
	}
	q, err := readBody(answer)
	return &q, err
}

const quoteSelect = `SELECT body FROM quote WHERE account_id = $1 AND id = $2`

// Quote reads a quote as it was last stored.
func (d *DB) Quote(ctx context.Context, accountID, id string) (quote.Quote, error) {
	var body []byte
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(quoteSelect, accountID, id).QueryRow(func(row pgx.Row) error { return row.Scan(&body) })
	})
	if err != nil {
		return quote.Quote{}, quoteNotFound(err)
	}
	return readBody(body)
}

// QuoteBench reads what a bench sheet takes beside its quote: the bill of the work as it was
// stored with it, nil where there was none, and the seller.
func (d *DB) QuoteBench(ctx context.Context, accountID, id string) (bill json.RawMessage, s account.Seller, err error) {
	err = d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(`SELECT bill FROM quote_bill WHERE account_id = $1 AND quote_id = $2`, accountID, id).QueryRow(func(row pgx.Row) error {
			if err := row.Scan((*[]byte)(&bill)); !errors.Is(err, pgx.ErrNoRows) {
				return err
			}
			return nil
		})
		queueSeller(b, accountID, &s)
	})
	return bill, s, err
}

// bodyRules are those of encoding/json, by a decoder that needs half the time. It need not look
// through a body for mistakes before it begins: what a mistake leaves behind is not used.
var bodyRules = jsonv2.JoinOptions(jsonv1.DefaultOptionsV1(), jsonv1.ReportErrorsWithLegacySemantics(false))

func readBody(body []byte) (quote.Quote, error) {
	x := quote.Quote{Lines: make([]quote.Line, 0, 24)} // a line is large, and a conversion has some twenty
	if err := jsonv2.Unmarshal(body, &x, bodyRules); err != nil {
		return quote.Quote{}, internal(err)
	}
	return x, nil
}

func quoteNotFound(err error) error {
	if fault.CodeOf(err) == "not_found" || errors.Is(err, pgx.ErrNoRows) {
		return fault.Wrap(err, fault.NotFound, "quote_not_found", "There is no such quote, or it is not yours.")
	}
	return err
}

// locked is a quote that is read to be changed.
type locked struct {
	id   string
	body []byte
}

func (l *locked) queue(accountID string) func(b *pgx.Batch) {
	return func(b *pgx.Batch) {
		b.Queue(quoteSelect+` FOR UPDATE`, accountID, l.id).QueryRow(func(row pgx.Row) error {
			if err := row.Scan(&l.body); !errors.Is(err, pgx.ErrNoRows) {
				return err
			}
			return nil // a repetition need not find it
		})
	}
}

func (l *locked) quote() (quote.Quote, error) {
	if l.body == nil {
		return quote.Quote{}, quoteNotFound(pgx.ErrNoRows)
	}
	return readBody(l.body)
}

// UpdateQuote locks a quote, decides with change, books what its event reserves, releases or
// consumes, and stores quote and event. A version other than the stored one is refused; 0 is
// any. A change without an action stores nothing.
func (d *DB) UpdateQuote(ctx context.Context, by caller.Caller, id string, version int64, change service.QuoteChange) (quote.Quote, error) {
	row := locked{id: id}
	x, err := d.quoteOnce(ctx, by, row.queue(by.AccountID), func(q querier, last *pgx.Batch) (quote.Quote, error) {
		before, err := row.quote()
		if err != nil {
			return before, err
		}
		if version != 0 && before.Version != version {
			return before, service.StaleQuote(before)
		}
		after, e, err := change(before, takeNumber(ctx, q, &pgx.Batch{}, by.AccountID))
		if err != nil || e.Action == "" {
			return before, err
		}
		if err := d.saveQuote(ctx, queued{last}, after, e); err != nil {
			return before, err
		}
		return after, d.book(ctx, q, last, after, e)
	})
	return x, quoteNotFound(err)
}

// ReviseQuote stores the next revision of a quote and the old one as superseded by it.
func (d *DB) ReviseQuote(ctx context.Context, by caller.Caller, r quote.Revision, digest func(id string) [32]byte) (quote.Quote, error) {
	row := locked{id: r.Old.ID}
	x, err := d.quoteOnce(ctx, by, row.queue(by.AccountID), func(q querier, last *pgx.Batch) (quote.Quote, error) {
		before, err := row.quote()
		if err != nil {
			return before, err
		}
		if before.Version != r.Old.Version-1 {
			return before, service.StaleQuote(before)
		}
		next := r.Next
		if next.ID, err = d.newID(); err != nil {
			return next, err
		}
		next.AccountID = by.AccountID
		r.Old.SupersededBy, r.Event.Detail.NextID = next.ID, next.ID
		if err := d.saveQuote(ctx, queued{last}, r.Old, r.Event); err != nil {
			return next, err
		}
		created := next.Created(quote.Clock{Now: r.Event.At}, by)
		if next, err = d.insertQuote(ctx, queued{last}, next, created, digest(next.ID)); err != nil {
			return next, err
		}
		return next, d.book(ctx, q, last, r.Old, r.Event)
	})
	return x, quoteNotFound(err)
}

// linkQuote lets whoever has the token of this digest read the quote.
func (d *DB) linkQuote(ctx context.Context, q execer, accountID, id string, digest [32]byte) error {
	_, err := q.Exec(ctx, `
		INSERT INTO page_link (digest, account_id, quote_id, created_at, expires_at) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (digest) DO NOTHING`, digest[:], accountID, id, d.now(), d.now().Add(linkLife))
	return err
}

// LinkedQuote is the quote that a token's digest stands for.
func (d *DB) LinkedQuote(ctx context.Context, digest [32]byte) (accountID, id string, err error) {
	err = d.plain(ctx, func(q querier) error {
		return q.QueryRow(ctx, `SELECT account_id::text, quote_id::text FROM page_link WHERE digest = $1 AND (expires_at IS NULL OR expires_at > $2)`, digest[:], d.now()).Scan(&accountID, &id)
	})
	return accountID, id, quoteNotFound(err)
}

// QuotePaper reads a quote with what its paper shows of the seller and of the customer now.
func (d *DB) QuotePaper(ctx context.Context, accountID, id string) (p service.Paper, err error) {
	var body []byte
	var persons []account.Person
	err = d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(quoteSelect, accountID, id).QueryRow(func(row pgx.Row) error { return row.Scan(&body) })
		b.Queue(`SELECT logo FROM seller_profile WHERE account_id = $1`, accountID).QueryRow(func(row pgx.Row) error { return row.Scan(&p.Logo) })
		b.Queue(personSelect+` WHERE account_id = $1 AND id = (SELECT person_id FROM quote WHERE account_id = $1 AND id = $2)`, accountID, id).Query(collect(&persons))
	})
	if err != nil {
		return p, quoteNotFound(err)
	}
	if len(persons) > 0 {
		p.Person = persons[0]
	}
	p.Quote, err = readBody(body)
	return p, err
}

// Quotes lists an account's quotes, newest first.
func (d *DB) Quotes(ctx context.Context, accountID string, f service.QuoteFilter) ([]service.QuoteRow, error) {
	var rows []service.QuoteRow
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(listQuotes, pgx.StrictNamedArgs{
			"account_id": accountID, "number": orNull(f.Number), "reference": orNull(f.Reference), "client_id": orNull(f.ClientID),
			"state": orNull(string(f.State)), "from": orNull(f.From), "to": orNull(f.To), "after": orNull(f.After), "limit": f.Limit, "now": f.Now,
		}).Query(collect(&rows))
	})
	return rows, err
}

const listQuotes = `
	WITH seen AS (
	  SELECT id, coalesce(number_text, '') AS number, revision_no, reference, client_id, currency, coalesce(total::text, '') AS total, created_at,
	         coalesce(issued_on::text, '') AS issued_on, coalesce(valid_until::text, '') AS valid_until, held_until, version,
	         CASE WHEN state = 'issued' AND valid_until < (@now::timestamptz AT TIME ZONE time_zone)::date THEN 'expired'
	              WHEN state IN ('accepted', 'partly_fulfilled') AND held_until <= @now::timestamptz THEN 'lapsed'
	              ELSE state END AS state
	  FROM quote
	  WHERE account_id = @account_id
	    AND (@number::text IS NULL OR number_text = @number::text)
	    AND (@reference::text IS NULL OR reference = @reference::text)
	    AND (@client_id::text IS NULL OR client_id = @client_id::text)
	    AND (@from::date IS NULL OR created_at >= @from::date)
	    AND (@to::date IS NULL OR created_at < @to::date + 1)
	    AND (@after::uuid IS NULL OR (created_at, id) < (SELECT c.created_at, c.id FROM quote c WHERE c.account_id = @account_id AND c.id = @after::uuid))
	)
	SELECT id::text AS id, number, revision_no, state, reference, client_id, currency, total, created_at, issued_on, valid_until, held_until, version
	FROM seen
	WHERE @state::text IS NULL OR state = @state::text
	ORDER BY seen.created_at DESC, seen.id DESC
	LIMIT @limit`

// QuotesDue lists an account's quotes that time has overtaken: issued ones past their last
// day, accepted ones whose goods were kept long enough.
func (d *DB) QuotesDue(ctx context.Context, accountID string, now time.Time, limit int) ([]string, error) {
	var ids []string
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(`
			SELECT id::text FROM quote
			WHERE account_id = $1
			  AND (state = 'issued' AND valid_until < ($2::timestamptz AT TIME ZONE time_zone)::date
			       OR state IN ('accepted', 'partly_fulfilled') AND held_until <= $2::timestamptz)
			ORDER BY id LIMIT $3`, accountID, now, limit).Query(func(rows pgx.Rows) (err error) {
			ids, err = pgx.CollectRows(rows, pgx.RowTo[string])
			return err
		})
	})
	return ids, err
}

// insertQuote stores a new quote with all that belongs to it, and gives it as it is read again.
func (d *DB) insertQuote(ctx context.Context, q execer, x quote.Quote, created quote.Event, digest [32]byte) (quote.Quote, error) {
	x, err := d.insertParts(ctx, q, x, created, digest)
	if err != nil {
		return x, err
	}
	return x, d.insertBody(ctx, q, x)
}

// insertParts stores what belongs to a new quote and does not know its number: its lines, the
// bill, that it was created, and the digest of its page's token. The quote, without its bill, has
// to follow in the same transaction.
func (d *DB) insertParts(ctx context.Context, q execer, x quote.Quote, created quote.Event, digest [32]byte) (quote.Quote, error) {
	if len(x.Bench) > 0 {
		if _, err := q.Exec(ctx, `INSERT INTO quote_bill (account_id, quote_id, bill) VALUES ($1, $2, $3)`, x.AccountID, x.ID, []byte(x.Bench)); err != nil {
			return x, err
		}
		x.Bench = nil
	}
	if err := insertLines(ctx, q, x); err != nil {
		return x, err
	}
	if err := insertEvent(ctx, q, quoteEvent(x, created)); err != nil {
		return x, err
	}
	return x, d.linkQuote(ctx, q, x.AccountID, x.ID, digest)
}

func (d *DB) insertBody(ctx context.Context, q execer, x quote.Quote) error {
	body, err := json.Marshal(x)
	if err != nil {
		return internal(err)
	}
	sum := sha256.Sum256(body)
	args := quoteArgs(x, body, sum[:], d.now())
	args["revises"], args["created_at"], args["client_id"], args["reference"] = orNull(x.PreviousID), x.CreatedAt, x.ClientID, x.Reference
	args["time_zone"], args["currency"], args["basis"], args["catalog_revision"] = orDefault(x.TimeZone, "UTC"), string(x.Currency), string(x.Basis), x.CatalogRevision
	args["rules_version"], args["revision_no"], args["price_date"], args["total"] = strconv.Itoa(x.RulesVersion), x.RevisionNo, x.PriceDate, x.Totals.Due.String()
	_, err = q.Exec(ctx, `
		INSERT INTO quote (id, account_id, series, number, number_text, revision_no, revises, state, version, client_id, reference, person_id, currency, basis, total,
		       issued_on, valid_until, price_date, catalog_revision, rules_version, accepted_at, held_until, time_zone, body, body_sha256, created_at, updated_at)
		VALUES (@id, @account_id, @series, @number, @number_text, @revision_no, @revises, @state, @version, @client_id, @reference, @person_id, @currency, @basis, @total::text::numeric,
		       @issued_on::text::date, @valid_until::text::date, @price_date::text::date, @catalog_revision, @rules_version, @accepted_at, @held_until, @time_zone, @body, @body_sha256, @created_at, @now)`,
		args)
	return err
}

// quoteArgs are the columns that change in a quote's life. number is the counter, the text's
// last run of digits: a series has one counter, so both say the same.
func quoteArgs(x quote.Quote, body, sum []byte, now time.Time) pgx.StrictNamedArgs {
	a := pgx.StrictNamedArgs{
		"id": x.ID, "account_id": x.AccountID, "series": orNull(x.Series), "number": nil, "number_text": orNull(x.Number),
		"state": string(x.State), "version": x.Version, "person_id": orNull(x.PersonID),
		"issued_on": orNull(x.IssuedOn), "valid_until": orNull(x.ValidUntil), "accepted_at": nil, "held_until": x.HeldUntil,
		"body": body, "body_sha256": sum, "now": now,
	}
	if n, ok := counterOf(x.Number); ok {
		a["number"] = n
	}
	if x.HeldUntil != nil {
		a["accepted_at"] = now
	}
	return a
}

func counterOf(number string) (int64, bool) {
	end := len(number)
	for end > 0 && (number[end-1] < '0' || number[end-1] > '9') {
		end--
	}
	start := end
	for start > 0 && number[start-1] >= '0' && number[start-1] <= '9' {
		start--
	}
	n, err := strconv.ParseInt(number[start:end], 10, 64)
	return n, err == nil
}

func insertLines(ctx context.Context, q execer, x quote.Quote) error {
	var no []int
	var sku, role, qty, unit, category []string
	var price, total, percent, place []*string
	for i, l := range x.Lines {
		no, sku, role, qty, unit = append(no, i+1), append(sku, l.SKU), append(role, string(l.Role)), append(qty, l.Quantity.String()), append(unit, l.Unit)
		category = append(category, string(l.Tax.Category))
		p, t, r, at := (*string)(nil), (*string)(nil), (*string)(nil), (*string)(nil)
		switch {
		case l.NetPrice != nil:
			p = orNull(l.NetPrice.String())
		case l.GrossPrice != nil:
			p = orNull(l.GrossPrice.String())
		}
		if l.Amounts.Net != nil {
			t = orNull(l.Amounts.Net.String())
		}
		if l.Tax.Category != "" {
			r = orNull(l.Tax.Rate.String())
		}
		if len(l.Sourcing) > 0 {
			at = orNull(l.Sourcing[0].Location)
		}
		price, total, percent, place = append(price, p), append(total, t), append(percent, r), append(place, at)
	}
	_, err := q.Exec(ctx, `
		INSERT INTO quote_line (account_id, quote_id, line_no, sku, role, qty, unit, unit_price, line_total, tax_category, tax_percent, location_id)
		SELECT $1, $2, no, sku, role, qty::numeric, unit, price::numeric, total::numeric, category, percent::numeric, place
		FROM unnest($3::integer[], $4::text[], $5::text[], $6::text[], $7::text[], $8::text[], $9::text[], $10::text[], $11::text[], $12::text[])
		     AS t (no, sku, role, qty, unit, price, total, category, percent, place)`,
		x.AccountID, x.ID, no, sku, role, qty, unit, price, total, category, percent, place)
	return err
}

// saveQuote stores a quote after a change, and the change.
func (d *DB) saveQuote(ctx context.Context, q execer, x quote.Quote, e quote.Event) error {
	body, err := json.Marshal(x)
	if err != nil {
		return internal(err)
	}
	sum := sha256.Sum256(body)
	if _, err := q.Exec(ctx, `
		UPDATE quote SET series = @series, number = @number, number_text = @number_text, state = @state, version = @version, person_id = @person_id,
		       issued_on = @issued_on::text::date, valid_until = @valid_until::text::date, accepted_at = coalesce(accepted_at, @accepted_at), held_until = @held_until,
		       body = @body, body_sha256 = @body_sha256, updated_at = @now
		WHERE account_id = @account_id AND id = @id`, quoteArgs(x, body, sum[:], d.now())); err != nil {
		return err
	}
	if e.Action == quote.Fulfil {
		if err := saveFulfilled(ctx, q, x); err != nil {
			return err
		}
	}
	return insertEvent(ctx, q, quoteEvent(x, e))
}

func saveFulfilled(ctx context.Context, q execer, x quote.Quote) error {
	var no []int
	var qty []string
	for i, l := range x.Lines {
		if !l.Fulfilled.IsZero() {
			no, qty = append(no, i+1), append(qty, l.Fulfilled.String())
		}
	}
	_, err := q.Exec(ctx, `
		UPDATE quote_line l SET fulfilled_qty = t.qty::numeric
		FROM unnest($3::integer[], $4::text[]) AS t (no, qty)
		WHERE l.account_id = $1 AND l.quote_id = $2 AND l.line_no = t.no`, x.AccountID, x.ID, no, qty)
	return err
}

// quoteEvent is an event of a quote as the record keeps it: states and codes, no words.
func quoteEvent(x quote.Quote, e quote.Event) account.Event {
	by := caller.Caller{AccountID: e.AccountID, KeyID: e.KeyID, RequestID: e.RequestID}
	columns := []string{"state", "version"}
	codes := map[string]string{"to": string(e.To), "version": strconv.FormatInt(e.Version, 10)}
	put := func(name, value string) {
		if value != "" {
			codes[name] = value
		}
	}
	put("from", string(e.From))
	put("number", e.Detail.Number)
	put("valid_until", e.Detail.ValidUntil)
	put("reason", e.Detail.Reason)
	put("next_id", e.Detail.NextID)
	if e.Detail.HeldUntil != nil {
		put("held_until", e.Detail.HeldUntil.UTC().Format(time.RFC3339))
		columns = append(columns, "held_until")
	}
	for name, n := range map[string]int{"reserved": len(e.Detail.Reserved), "released": len(e.Detail.Released), "consumed": len(e.Detail.Consumed), "lines": len(e.Detail.Fulfilled)} {
		if n > 0 {
			codes[name] = strconv.Itoa(n)
		}
	}
	if e.Detail.Number != "" {
		columns = append(columns, "number")
	}
	if len(e.Detail.Fulfilled) > 0 {
		columns = append(columns, "fulfilled_qty")
	}
	return happenedTo(by, x, string(e.Action), columns, codes)
}

func happenedTo(by caller.Caller, x quote.Quote, action string, columns []string, codes map[string]string) account.Event {
	e := happened(by, x.AccountID, action, "quote", x.ID, columns...)
	e.Codes = codes
	return e
}

// SettleQuotes takes, for every account, the steps that time alone has made due: quotes
// expire, and goods that were kept long enough are free again. It reports how many.
func (d *DB) SettleQuotes(ctx context.Context, settle func(ctx context.Context, accountID, id string) (quote.Quote, error)) (n int, err error) {
	for after := ""; ; {
		page, err := d.Accounts(ctx, after, 500)
		if err != nil {
			return n, err
		}
		for _, a := range page {
			ids, err := d.QuotesDue(ctx, a.ID, d.now(), 10_000)
			if err != nil {
				return n, err
			}
			for _, id := range ids {
				if _, err := settle(ctx, a.ID, id); err != nil {
					return n, err
				}
				n++
			}
			after = a.ID
		}
		if len(page) < 500 {
			return n, nil
		}
	}
}

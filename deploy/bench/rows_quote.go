package main

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
)

// The limits of quote and accept.
var (
	//go:embed quote.sql
	leanQuote string
	//go:embed accept.sql
	leanAccept string
)

// order is the air service of the demo's fork and a part beside it: a quote of twelve lines.
func (s *shop) order() request {
	return build("POST", "/v1/quotes", s.key, "application/json", text(map[string]any{
		"fork": map[string]any{"fork_id": "skarnfeld-hollin-36-expert-2021", "model_year": 2021, "travel_as_built_mm": 160, "travel_now_mm": 160,
			"travel_known_by": "measured", "wheel_size": "29", "built_on": "2021-03-08", "use": "enduro"},
		"job":      map[string]any{"jobs": []string{"air_service"}, "all_tools_owned": true},
		"lines":    []any{map[string]any{"code": "QB-AC-GUARD", "quantity": "1"}},
		"currency": "EUR", "price_list": "EUR-RRP", "language": "en", "customer_reference": "counter 1", "issue": true,
	}), "Idempotency-Key: bench-%STAMP%")
}

// made asks for one quote.
func (s *shop) made() (id string, lines int, err error) {
	r := s.order()
	status, body, err := askOnce(s.service.addr, r)
	if err != nil {
		return "", 0, err
	}
	if status != 201 && status != 200 {
		return "", 0, refusal{status, string(body), firstLine(r)}
	}
	var q struct {
		ID    string `json:"quote_id"`
		Alias string `json:"id"`
		Lines []any  `json:"lines"`
	}
	if err := json.Unmarshal(body, &q); err != nil {
		return "", 0, err
	}
	return q.ID + q.Alias, len(q.Lines), nil
}

// paperSelects are what the service reads for a quote on paper: the quote, the seller's logo and the customer.
func paperSelects(account, id string) []bareSelect {
	return []bareSelect{
		{`SELECT body FROM quote WHERE account_id = $1 AND id = $2`, []any{account, id}},
		{`SELECT logo FROM seller_profile WHERE account_id = $1`, []any{account}},
		{`SELECT id::text AS id, account_id::text AS account_id, coalesce(name, '') AS name, coalesce(email, '') AS email, coalesce(phone, '') AS phone,
			coalesce(address, '') AS address, coalesce(note, '') AS note, rider_mass_kg, created_at, used_at, erased_at
		FROM person WHERE account_id = $1 AND id = (SELECT person_id FROM quote WHERE account_id = $1 AND id = $2)`, []any{account, id}},
	}
}

// quotePage is the printable page; the bare side runs the same selects in the same round trip
// and sends the same page.
func (w *world) quotePage() ([]row, error) {
	s, err := w.demoShop()
	if err != nil {
		return nil, err
	}
	id, _, err := s.made()
	if err != nil {
		return nil, err
	}
	reqs := []request{build("GET", "/v1/quotes/"+id, s.key, "text/html", "")}
	return w.against("quote page", 0.6, s, reqs, bareOp{Operation: "getQuote", Method: "GET", Path: "/v1/quotes/:quote_id", Type: "text/html; charset=utf-8",
		Account: s.accountID, Selects: paperSelects(s.accountID, id)})
}

// quote is measured against the same rows left through the same socket as the same role.
func (w *world) quote() ([]row, error) {
	s, err := w.demoShop()
	if err != nil {
		return nil, err
	}
	id, lines, err := s.made()
	if err != nil {
		return nil, err
	}
	if err := w.pattern(s, id, "quote", "quote_line", "quote_bill", "event", "page_link", "replay"); err != nil {
		return nil, err
	}
	if err := w.sql(s.name, `UPDATE lean.quote SET number_text = 'L' || number_text || '-'`); err != nil {
		return nil, err
	}
	n := w.sizes.writes
	r, err := w.written("quote", s, leanQuote, func(int) []request { return slices.Repeat([]request{s.order()}, n) })
	if err != nil {
		return nil, err
	}
	r.Detail = fmt.Sprintf("%d lines, issued; %s", lines, r.Detail)
	return []row{r}, w.sameRows(s, lines)
}

// accept reserves one of a thousand parts for each quote.
func (w *world) accept() ([]row, error) {
	s, err := w.stockroom()
	if err != nil {
		return nil, err
	}
	n := w.sizes.writes
	quotes, err := w.quotes(s, 1+(1+leanTimes)*n*w.sizes.pairs)
	if err != nil {
		return nil, err
	}
	if _, err := whole(once(s.service.target, s.accepts(quotes[:1]))); err != nil {
		return nil, err
	}
	if err := w.pattern(s, quotes[0].ID, "quote", "reservation", "event", "replay"); err != nil {
		return nil, err
	}
	ours, theirs := quotes[1:1+n*w.sizes.pairs], quotes[1+n*w.sizes.pairs:]
	if err := w.leanTurns(s, theirs); err != nil {
		return nil, err
	}
	r, err := w.written("accept "+w.sizes.rowName, s, leanAccept, func(i int) []request { return s.accepts(ours[i*n:][:n]) })
	if err != nil {
		return nil, err
	}
	r.Detail = fmt.Sprintf("over %d parts; %s", quotedParts, r.Detail)
	return []row{r}, w.sameAccepts(s)
}

// leanTimes is how often as many transactions a script runs: its connections are new each time,
// and what they do first takes longest.
const leanTimes = 2

// written compares requests that write with a script that leaves the same rows.
func (w *world) written(name string, s *shop, script string, reqs func(pair int) []request) (row, error) {
	var p pairs
	var cpu []float64
	for i := range w.sizes.pairs {
		ours, limit, err := both(i%2 == 1, func() (float64, error) {
			l, err := whole(once(s.service.target, reqs(i)))
			cpu = append(cpu, l.cpuEach()/1000)
			return l.perSecond(), err
		}, func() (float64, error) { return w.transactions(s, script, leanTimes*w.sizes.writes) })
		if err != nil {
			return row{}, err
		}
		p.add(ours, limit)
	}
	r := p.atLeast(name, "/s", 0.7)
	r.Detail = fmt.Sprintf("CPU %.2f ms each in the service; limit: %s", median(cpu), by("pgbench", w.tool("pgbench")))
	return r, nil
}

// ofQuote says which rows of a table a quote has; of events and replays those of its last change.
var ofQuote = map[string]string{
	"quote": "id::text = $1", "quote_line": "quote_id::text = $1", "quote_bill": "quote_id::text = $1", "page_link": "quote_id::text = $1", "reservation": "quote_id::text = $1",
	"event":  "subject_id = $1 AND request_id = (SELECT request_id FROM event WHERE subject_id = $1 ORDER BY no DESC LIMIT 1)",
	"replay": "convert_from(answer, 'UTF8') LIKE '%' || $1 || '%' AND created_at = (SELECT max(created_at) FROM replay)",
}

// pattern sets the rows of one quote aside for a lean script to copy.
func (w *world) pattern(s *shop, id string, tables ...string) error {
	return w.query(s.name, func(c *pgx.Conn) error {
		if _, err := c.Exec(w.ctx, `CREATE SCHEMA lean; GRANT USAGE ON SCHEMA lean TO forkwright_service`); err != nil {
			return err
		}
		for _, table := range tables {
			if _, err := c.Exec(w.ctx, "CREATE TABLE lean."+table+" (LIKE "+table+"); GRANT SELECT ON lean."+table+" TO forkwright_service"); err != nil {
				return err
			}
			tag, err := c.Exec(w.ctx, "INSERT INTO lean."+table+" SELECT * FROM "+table+" WHERE "+ofQuote[table], id)
			if err != nil {
				return err
			}
			if tag.RowsAffected() == 0 {
				return fmt.Errorf("the quote left nothing in %s", table)
			}
		}
		return nil
	})
}

// leanTurns lists the quotes that the lean script accepts, in turn.
func (w *world) leanTurns(s *shop, quotes []issued) error {
	var ids []string
	for _, q := range quotes {
		ids = append(ids, q.ID)
	}
	return w.query(s.name, func(c *pgx.Conn) error {
		_, err := c.Exec(w.ctx, `
			CREATE SEQUENCE lean.turn;
			CREATE TABLE lean.issued (n bigint PRIMARY KEY, quote_id uuid NOT NULL, sku text NOT NULL);
			GRANT SELECT ON lean.issued TO forkwright_service;
			GRANT USAGE ON SEQUENCE lean.turn TO forkwright_service`)
		if err == nil {
			_, err = c.Exec(w.ctx, `
				INSERT INTO lean.issued (n, quote_id, sku)
				SELECT t.n, l.quote_id, l.sku FROM unnest($1::uuid[]) WITH ORDINALITY AS t (id, n) JOIN quote_line l ON l.quote_id = t.id`, ids)
		}
		return err
	})
}

// sameRows makes sure that both sides left as many rows of each kind for a quote.
func (w *world) sameRows(s *shop, lines int) error {
	var quotes, line, bill, event, events, replay, link int
	err := w.query(s.name, func(c *pgx.Conn) error {
		return c.QueryRow(w.ctx, `SELECT (SELECT count(*) FROM quote), (SELECT count(*) FROM quote_line), (SELECT count(*) FROM quote_bill), (SELECT count(*) FROM event WHERE subject_kind = 'quote'),
			(SELECT count(*) FROM lean.event), (SELECT count(*) FROM replay), (SELECT count(*) FROM page_link)`).Scan(&quotes, &line, &bill, &event, &events, &replay, &link)
	})
	if err != nil {
		return err
	}
	if line != quotes*lines || bill != quotes || event != quotes*events || replay != quotes || link != quotes {
		return fmt.Errorf("the two sides do not leave the same rows: %d quotes, %d lines, %d bills, %d events (%d in the pattern), %d replays, %d links", quotes, line, bill, event, events, replay, link)
	}
	return nil
}

// sameAccepts makes sure of it for accepted quotes, each of which reserved one piece.
func (w *world) sameAccepts(s *shop) error {
	var accepted, different int
	err := w.query(s.name, func(c *pgx.Conn) error {
		return c.QueryRow(w.ctx, `
			WITH a AS (SELECT count(*) AS n FROM quote WHERE state = 'accepted'),
			left_behind (n) AS (
			  SELECT count(*) FROM reservation WHERE state = 'held' UNION ALL SELECT count(*) FROM stock_move
			  UNION ALL SELECT count(*) FROM replay WHERE operation = (SELECT operation FROM lean.replay)
			  UNION ALL SELECT count(*) FROM event WHERE subject_kind = 'quote' AND action = (SELECT action FROM lean.event)
			  UNION ALL SELECT sum(qty) FROM promised UNION ALL SELECT counter FROM location WHERE id = $1
			)
			SELECT a.n, count(*) FILTER (WHERE l.n IS DISTINCT FROM a.n) FROM a, left_behind l GROUP BY a.n`, shelves).Scan(&accepted, &different)
	})
	if err == nil && different > 0 {
		err = fmt.Errorf("%d quotes are accepted, and %d of 6 tables do not say so", accepted, different)
	}
	return err
}

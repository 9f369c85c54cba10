package main

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"

	"github.com/jackc/pgx/v5"
)

//go:embed quote.sql
var leanQuote []byte

// order is a coil conversion of the demo's fork: about a dozen lines.
func (s *shop) order() (request, error) {
	fork := map[string]any{"fork_id": "skarnfeld-hollin-36-expert-2021", "model_year": 2021, "travel_as_built_mm": 160, "travel_now_mm": 160,
		"travel_known_by": "measured", "wheel_size": "29", "built_on": "2021-03-08", "use": "enduro"}
	const cartridge = "QB-C36S-160"
	status, body, err := askOnce(s.service.addr, build("POST", "/v1/setups", s.key, "application/json", text(map[string]any{
		"fork": fork, "cartridge": cartridge, "rider": map[string]any{"mass_kg": 78, "mass_is": "kitted"}, "bicycle": map[string]any{"mass_kg": 15.2},
		"riding": map[string]any{"discipline": "enduro", "stance": "standing"}, "target_sag_percent": 20,
	})))
	if err != nil {
		return request{}, err
	}
	if status != 200 {
		return request{}, refusal{status, string(body), "POST /v1/setups"}
	}
	var got struct {
		Answer struct {
			Recommended struct {
				Spring struct {
					SKU string `json:"sku"`
				} `json:"spring"`
				Preload struct {
					Setting int `json:"setting"`
				} `json:"preload"`
				BumpStop struct {
					Published any `json:"published"`
				} `json:"bump_stop"`
			} `json:"recommended"`
		} `json:"answer"`
	}
	if err := json.Unmarshal(body, &got); err != nil {
		return request{}, err
	}
	r := got.Answer.Recommended
	return build("POST", "/v1/quotes", s.key, "application/json", text(map[string]any{
		"fork": fork, "job": map[string]any{"jobs": []string{"coil_conversion"}, "cartridge": cartridge, "spring": r.Spring.SKU,
			"preload": r.Preload.Setting, "bump_stop": r.BumpStop.Published, "all_tools_owned": true},
		"currency": "EUR", "price_list": "EUR-RRP", "language": "en", "customer_reference": "counter 1", "issue": true,
	}), "Idempotency-Key: bench-%STAMP%"), nil
}

// made asks for one quote.
func (s *shop) made() (id string, lines int, err error) {
	r, err := s.order()
	if err != nil {
		return "", 0, err
	}
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

// quotePage is the printable page; the bare side runs the same select in the same round trip
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
		Account: s.accountID, Select: `SELECT body FROM quote WHERE account_id = $1 AND id = $2`, Args: [][]byte{[]byte(text(s.accountID)), []byte(text(id))}})
}

// quote is measured against pgbench leaving the same rows through the same socket as the same role.
func (w *world) quote() ([]row, error) {
	pgbench, err := exec.LookPath("pgbench")
	if err != nil {
		return []row{missing("quote", ">= 0.7", "pgbench is not on this machine")}, nil
	}
	s, err := w.demoShop()
	if err != nil {
		return nil, err
	}
	id, lines, err := s.made()
	if err != nil {
		return nil, err
	}
	if err := w.leanRows(s, id); err != nil {
		return nil, err
	}
	script := filepath.Join(w.dir, "quote.sql")
	if err := os.WriteFile(script, leanQuote, 0o600); err != nil {
		return nil, err
	}
	order, err := s.order()
	if err != nil {
		return nil, err
	}
	var p pairs
	var cpu []float64
	for i := range w.sizes.pairs {
		ours, limit, err := both(i%2 == 1, func() (float64, error) {
			l, err := whole(closed(s.service.target, []request{order}, max(w.sizes.slice, 1e9)))
			cpu = append(cpu, l.cpuEach()/1000)
			return l.perSecond(), err
		}, func() (float64, error) { return w.pgbench(pgbench, s, script) })
		if err != nil {
			return nil, err
		}
		p.add(ours, limit)
	}
	if err := w.sameRows(s, lines); err != nil {
		return nil, err
	}
	r := p.atLeast("quote", "/s", 0.7)
	r.Detail = fmt.Sprintf("%d lines, issued; CPU %.2f ms a quote in the service", lines, median(cpu))
	return []row{r}, nil
}

// leanRows sets the rows of one quote aside as the pattern of quote.sql.
func (w *world) leanRows(s *shop, id string) error {
	err := w.sql(s.name, `CREATE SCHEMA lean; GRANT USAGE ON SCHEMA lean TO forkwright_service`)
	for table, where := range map[string]string{"quote": "id::text = $1", "quote_line": "quote_id::text = $1", "event": "subject_id = $1",
		"page_link": "quote_id::text = $1", "replay": "convert_from(answer, 'UTF8') LIKE '%' || $1 || '%'"} {
		if err == nil {
			err = w.sql(s.name, "CREATE TABLE lean."+table+" AS SELECT * FROM "+table+" WHERE false")
		}
		if err == nil {
			err = w.sql(s.name, "INSERT INTO lean."+table+" SELECT * FROM "+table+" WHERE "+where, id)
		}
	}
	if err == nil {
		err = w.sql(s.name, `UPDATE lean.quote SET number_text = 'L' || number_text || '-'; GRANT SELECT ON ALL TABLES IN SCHEMA lean TO forkwright_service`)
	}
	return err
}

var tps = regexp.MustCompile(`tps = ([0-9.]+)`)

func (w *world) pgbench(bin string, s *shop, script string) (float64, error) {
	at, err := url.Parse(w.pg.ServiceURL(s.name))
	if err != nil {
		return 0, err
	}
	seconds := max(1, int(w.sizes.slice.Seconds()+0.5))
	cmd := exec.CommandContext(w.ctx, bin, "-n", "-M", "prepared", "-c", strconv.Itoa(connections), "-j", "2", "-T", strconv.Itoa(seconds), "-f", script,
		"-D", "account="+s.accountID, "-h", at.Query().Get("host"), "-U", at.Query().Get("user"), s.name)
	out, err := cmd.CombinedOutput()
	if err != nil {
		return 0, fmt.Errorf("pgbench: %w: %.600s", err, out)
	}
	m := tps.FindSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("pgbench gave no figure: %.600s", out)
	}
	return strconv.ParseFloat(string(m[1]), 64)
}

// sameRows makes sure that both sides left as many rows of each kind for a quote.
func (w *world) sameRows(s *shop, lines int) error {
	c, err := pgx.Connect(w.ctx, w.pg.SuperuserURL(s.name))
	if err != nil {
		return err
	}
	defer c.Close(w.ctx)
	var quotes, line, event, events, replay, link int
	err = c.QueryRow(w.ctx, `SELECT (SELECT count(*) FROM quote), (SELECT count(*) FROM quote_line), (SELECT count(*) FROM event WHERE subject_kind = 'quote'),
		(SELECT count(*) FROM lean.event), (SELECT count(*) FROM replay), (SELECT count(*) FROM page_link)`).Scan(&quotes, &line, &event, &events, &replay, &link)
	if err != nil {
		return err
	}
	if line != quotes*lines || event != quotes*events || replay != quotes || link != quotes {
		return fmt.Errorf("the two sides do not leave the same rows: %d quotes, %d lines, %d events (%d in the pattern), %d replays, %d links", quotes, line, event, events, replay, link)
	}
	return nil
}

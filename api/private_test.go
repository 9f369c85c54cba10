package api_test

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"forkwright/service/caller"
)

// What a customer would not want to find anywhere but where it is kept, and can be found by.
const (
	markName  = "Quorlinde Zaphyr"
	markEmail = "quorlinde@zaphyr.example"
	markPhone = "+49 555 7391046"
	markPlace = "Zaphyrweg 91"
	markNote  = "limps on the left since the Zaphyr race"
	markMass  = "83.7193" // as a rider's mass
)

var marks = []string{"quorlinde", "zaphyr", "7391046", "83.7193"}

// TestNothingPersonalIsKeptOutsidePerson sends personal values wherever they can be sent, in
// good requests and bad ones, and then looks for them in every table, every event, every
// replay and the log.
func TestNothingPersonalIsKeptOutsidePerson(t *testing.T) {
	w := newWorld(t)
	values := `"name":"` + markName + `","email":"` + markEmail + `","phone":"` + markPhone + `","address":"` + markPlace + `","note":"` + markNote + `","rider_mass_kg":` + markMass
	once := func(n int) string { return fmt.Sprintf("Idempotency-Key: private-%d", n) }
	id := want[map[string]any](w, 201, shop, "POST", "/v1/persons", "{"+values+"}", once(1))["person_id"].(string)
	for range 2 {
		want[any](w, 201, shop, "POST", "/v1/persons", "{"+values+"}", once(1))
	}
	want[any](w, 200, shop, "PUT", "/v1/persons/"+id, "{"+values+"}")
	want[any](w, 200, shop, "GET", "/v1/persons/"+id, "")
	w.putDemoSeller(w.keys[shop])
	w.sendPrivate(values, once)
	for _, bad := range []string{
		`{` + values + `,"rider_mass_kg":1}`, `{` + values + `,"nickname":"` + markName + `"}`, `{"name":["` + markName + `"]}`,
		`{"rider_mass_kg":"` + markName + `"}`, `{"name":"` + markName + "\\u0000" + `"}`, `{"name":"` + markName, `{"` + markName + `":1}`, `"` + markName + `"`,
		`{"name":"` + strings.Repeat(markName, 20) + `"}`, `{"rider_mass_kg":` + markMass + `e7}`,
	} {
		if a := w.call(shop, "POST", "/v1/persons", bad, once(99)); a.Status < 400 {
			t.Errorf("%.80s: %d", bad, a.Status)
		}
	}
	for _, path := range []string{"/v1/persons/" + strings.ReplaceAll(markName, " ", "%20"), "/v1/persons?name=" + strings.ReplaceAll(markName, " ", "+"), "/v1/forks?q=" + strings.ReplaceAll(markName, " ", "+")} {
		w.call(shop, "GET", path, "")
	}
	w.call(shop, "POST", "/v1/persons/"+strings.ReplaceAll(markName, " ", "%20")+"/erase", "")
	gaps := newGaps(w)
	gaps.Flush(t.Context())

	if where := w.tablesWithMarks(); !slices.Equal(where, []string{"person"}) {
		t.Errorf("personal values are in %v, and should be in person", where)
	}
	if line := firstWithMark(w.log.String()); line != "" {
		t.Errorf("in the log: %s", line)
	}
	if !strings.Contains(w.log.String(), "createPerson") {
		t.Error("the log was not captured")
	}
	for _, role := range []caller.Role{shop} {
		for _, p := range w.persons() {
			want[any](w, 200, role, "POST", "/v1/persons/"+p+"/erase", "")
		}
	}
	if where := w.tablesWithMarks(); len(where) > 0 {
		t.Errorf("after erasing, personal values are in %v", where)
	}
	if again := w.call(shop, "POST", "/v1/persons", "{"+values+"}", once(1)); firstWithMark(string(again.Body)) != "" || again.Status != 201 {
		t.Errorf("a repetition after erasing: %d %s", again.Status, again.Body)
	}
}

// sendPrivate sends personal values through the other operations that take any.
func (w *world) sendPrivate(values string, once func(int) string) {
	w.t.Helper()
	for i, c := range []struct{ path, body string }{
		{"/v1/quotes", `{"currency":"EUR","customer":{` + strings.Split(values, `,"rider_mass_kg"`)[0] + `},"lines":[{"text":"Rack","unit":"each","quantity":"1","net_price":"10.00","tax":{"category":"S","rate":"19"}}]}`},
		{"/v1/setups", w.setupFor(markMass)},
		{"/v1/setups", `{"rider":{"mass_kg":` + markMass + `,"mass_is":"kitted"}}`},
		{"/v1/fit-checks", `{"rider":{"mass_kg":` + markMass + `},"fork":{"q":"` + markName + `"},"lines":[{"code":"` + markPhone + `"}]}`},
	} {
		a := w.call(shop, "POST", c.path, c.body, once(10+i))
		if i < 2 && a.Status >= 300 {
			w.t.Errorf("%s: %d %s", c.path, a.Status, a.Body)
		}
	}
}

// setupFor is the contract's example for a rider of this mass.
func (w *world) setupFor(mass string) string {
	w.t.Helper()
	var body map[string]any
	w.must(json.Unmarshal(w.example("recommendSetup"), &body))
	body["rider"].(map[string]any)["mass_kg"] = json.Number(mass)
	b, err := json.Marshal(body)
	w.must(err)
	return string(b)
}

func firstWithMark(text string) string {
	for line := range strings.SplitSeq(text, "\n") {
		for _, m := range marks {
			if strings.Contains(strings.ToLower(line), m) {
				return line
			}
		}
	}
	return ""
}

// tablesWithMarks looks into every column of every table, bytes too, as the owner.
func (w *world) tablesWithMarks() []string {
	w.t.Helper()
	c, err := pgx.Connect(w.t.Context(), w.base.OwnerURL)
	w.must(err)
	defer c.Close(w.t.Context())
	rows, err := c.Query(w.t.Context(), `SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r','p') ORDER BY relname`)
	w.must(err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	w.must(err)
	if len(tables) < 20 {
		w.t.Fatalf("only %d tables", len(tables))
	}
	var where []string
	for _, table := range tables {
		rows, err := c.Query(w.t.Context(), `SELECT lower(t::text) FROM `+pgx.Identifier{table}.Sanitize()+` t`)
		w.must(err)
		content, err := pgx.CollectRows(rows, pgx.RowTo[string])
		w.must(err)
		if holdsMark(strings.Join(content, "\n")) {
			where = append(where, table)
		}
	}
	return where
}

func holdsMark(content string) bool {
	for _, m := range marks {
		for _, form := range []string{m, strings.ToUpper(m[:1]) + m[1:]} { // bytes keep their case
			if strings.Contains(content, m) || strings.Contains(content, hex.EncodeToString([]byte(form))) {
				return true
			}
		}
	}
	return false
}

func (w *world) persons() []string {
	w.t.Helper()
	c, err := pgx.Connect(w.t.Context(), w.base.OwnerURL)
	w.must(err)
	defer c.Close(w.t.Context())
	rows, err := c.Query(w.t.Context(), `SELECT id::text FROM person WHERE erased_at IS NULL`)
	w.must(err)
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	w.must(err)
	return ids
}

package api_test

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/quagmt/udecimal"

	"forkwright/api"
	"forkwright/api/contracttest"
	"forkwright/service"
	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fault"
	"forkwright/service/notice"
	"forkwright/service/search"
	"forkwright/service/stock"
)

var update = flag.Bool("update", false, "rewrite the golden files of testdata/api")

// In these tests a catalog lies in memory, and no database is behind it.
const (
	demoRevision = 7
	shopOnly     = "shop-key-of-the-memory-0001"
	storeOnly    = "store-key-of-the-memory-001"
	buyerOnly    = "distributor-key-memory-0001"
	adminOnly    = "admin-key-of-the-memory-001"
	demoFork     = "skarnfeld-hollin-36-expert-2021"
	demoCoil     = "QB-C36S-160"
)

var memoryNow = time.Date(2026, 11, 24, 10, 0, 0, 0, time.UTC)

// memory is a service whose every collaborator is at hand.
type memory struct {
	t        *testing.T
	h        http.Handler
	c        *contracttest.Checker
	live     map[int64]*service.Live
	current  int64
	notices  *notice.Set
	levels   []stock.Level
	stockErr error
	gaps     map[string]int
}

func (m *memory) Authenticate(_ context.Context, key string) (caller.Caller, error) {
	role, ok := map[string]caller.Role{shopOnly: caller.Shop, storeOnly: caller.Storefront, buyerOnly: caller.Distributor, adminOnly: caller.Administrator}[key]
	if !ok {
		return caller.Caller{}, fault.New(fault.Unauthenticated, "invalid_key", "This key is not known.")
	}
	return caller.Caller{AccountID: string(role), Roles: []caller.Role{role}}, nil
}

func (m *memory) At(_ context.Context, n int64) (*service.Live, error) {
	if n == 0 {
		n = m.current
	}
	if l, ok := m.live[n]; ok {
		return l, nil
	}
	return nil, fault.New(fault.NotFound, "revision_not_found", "There is no such revision.")
}

func (m *memory) Current() (*service.Live, error) { return m.At(context.Background(), 0) }

type noticesOf struct{ m *memory }

func (n noticesOf) Current() *notice.Set { return n.m.notices }

func (m *memory) StockFor(_ context.Context, _ string, skus, locations []string) ([]stock.Level, error) {
	var out []stock.Level
	for _, l := range m.levels {
		if slices.Contains(skus, l.SKU) && (len(locations) == 0 || slices.Contains(locations, l.Location)) {
			out = append(out, l)
		}
	}
	return out, m.stockErr
}

func (m *memory) Count(cause, subject string) { m.gaps[cause+" "+subject]++ }

// demoTables is the demo catalog as it is on disk.
func demoTables(t testing.TB) *catalog.Tables {
	t.Helper()
	tables, problems := source.Read(os.DirFS(demoCatalog))
	for _, p := range problems {
		if p.Severity == catalog.Error {
			t.Fatalf("the demo catalog: %+v", p)
		}
	}
	return tables
}

var demoLive = sync.OnceValue(func() *service.Live {
	tables, _ := source.Read(os.DirFS(demoCatalog))
	return liveOf(tables, demoRevision)
})

func liveOf(tables *catalog.Tables, number int64) *service.Live {
	rev := catalog.Build(tables, number)
	return &service.Live{Revision: rev, Search: search.New(rev, nil), Digest: fmt.Sprint(number)}
}

func newMemory(t *testing.T) *memory {
	t.Helper()
	m := &memory{t: t, c: contracttest.Load(t, "../openapi.yaml"), live: map[int64]*service.Live{demoRevision: demoLive()}, current: demoRevision,
		notices: notice.NewSet(nil, 3, memoryNow.Add(-time.Minute)), gaps: map[string]int{}}
	spec, err := os.ReadFile("../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	deps := api.Deps{Auth: m, Revision: func() (int64, bool) { return m.current, true }}
	deps.CatalogDeps = api.CatalogDeps{Catalogs: m, Notices: noticesOf{m}, Stock: m, Gaps: m, ReceiptKeys: [][]byte{[]byte("the newer key of these tests"), []byte("the older key of these tests")}}
	s, err := api.New(api.Config{Spec: spec, Log: slog.New(slog.DiscardHandler), Random: rand.Reader, Now: func() time.Time { return memoryNow }}, deps)
	if err != nil {
		t.Fatal(err)
	}
	m.h = s.Handler()
	return m
}

func (m *memory) get(key, target string, headers ...string) contracttest.Answer {
	m.t.Helper()
	return m.c.Call(m.t, m.h, "GET", target, key, "", headers...)
}

func (m *memory) post(key, target, body string) contracttest.Answer {
	m.t.Helper()
	return m.c.Call(m.t, m.h, "POST", target, key, body)
}

// parts of an answer that tests look at.
type shape struct {
	CatalogRevision int64           `json:"catalog_revision"`
	Answer          json.RawMessage `json:"answer"`
	Notices         []struct{ ID, Effect, Row string }
	Decision        string
	Decisions       []struct{ Of, ID, Decision string }
	Receipts        []struct {
		Line, Receipt string
		MassLeftOut   bool `json:"mass_left_out"`
	}
	Live *struct {
		Currency, Basis, Audience string
		PriceList                 string `json:"price_list"`
		Prices                    []struct{ SKU, Price string }
		Stock                     []struct {
			SKU, Availability, On string
			Levels                []struct{ Location, Available string }
		}
		Unavailable []string
	}
}

func shapeOf(t *testing.T, a contracttest.Answer) shape {
	t.Helper()
	if a.Status != 200 {
		t.Fatalf("%d %s", a.Status, a.Body)
	}
	var s shape
	a.JSON(t, &s)
	return s
}

func answerOf[T any](t *testing.T, a contracttest.Answer) T {
	t.Helper()
	var out T
	if err := json.Unmarshal(shapeOf(t, a).Answer, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func (s shape) decision(of, id string) string {
	for _, d := range s.Decisions {
		if d.Of == of && d.ID == id {
			return d.Decision
		}
	}
	return ""
}

const forkKnown = `"fork":{"fork_id":"skarnfeld-hollin-36-expert-2021","model_year":2021,"travel_as_built_mm":160,"travel_now_mm":160,"travel_known_by":"measured","built_on":"2021-03-08","wheel_size":"29","use":"enduro"}`

// ---- examples -------------------------------------------------------------------------------

// withDatabase are the paths whose examples need rows; they are sent by the tests that have a
// database, with sendExamples.
var withDatabase = []string{"/v1/account", "/v1/keys", "/v1/locations", "/v1/persons", "/v1/events", "/v1/notices", "/v1/catalog", "/v1/quotes", "/v1/stock", "/v1/feeds", "/v1/tax-rates", "/quotes", "/q/"}

// sendExamples sends the example of every operation that a test wants, as the contract has it,
// and fails where one does not succeed. It returns how many it sent.
func sendExamples(t *testing.T, c *contracttest.Checker, h http.Handler, key string, want func(api.ContractOperation) bool) int {
	t.Helper()
	sent := 0
	for _, o := range c.Contract().Operations() {
		if !want(o) {
			continue
		}
		sent++
		t.Run(o.ID, func(t *testing.T) {
			if o.ExampleTarget == "" || len(o.Consumes) > 0 && o.RequestExample == nil {
				t.Fatal("it has no example")
			}
			a := c.Call(t, h, o.Method, o.ExampleTarget, key, string(o.RequestExample))
			if a.Status >= 300 {
				t.Errorf("%s %s\n%s\nis answered with %d %s", o.Method, o.ExampleTarget, o.RequestExample, a.Status, a.Body)
			}
		})
	}
	return sent
}

func TestExamplesWork(t *testing.T) {
	m := newMemory(t)
	sent := sendExamples(t, m.c, m.h, shopOnly, func(o api.ContractOperation) bool {
		return !slices.ContainsFunc(withDatabase, func(p string) bool { return strings.HasPrefix(o.Path, p) })
	})
	if sent < 16 {
		t.Errorf("only %d examples", sent)
	}
}

// What the examples of the contract promise to show, they show.
func TestExamplesShowWhatTheyAreFor(t *testing.T) {
	m := newMemory(t)
	for id, wants := range map[string][]string{
		"listForks":      {`"sure":true`, `"fork_id":"` + demoFork + `"`, `"code":"near_word"`},
		"listForkParts":  {`"verdict":"fits"`, `"verdict":"does_not_fit"`, `"nearest":{"sku":`},
		"checkFit":       {`"verdict":"fits"`, `"verdict":"does_not_fit"`, `"verdict":"not_fork_related"`, `"matched_by":"gtin"`, `"receipt":"fr1.`},
		"recheckFit":     {`"state":"refused"`},
		"recommendSetup": {`"status":"ok"`, `"recommended":{"spring":{"sku":"QB-S36L-`, `"neighbor":`},
		"identifySpring": {`"by":"scale"`, `"sku":"QB-S36L-060"`},
		"assessSpring":   {`"agrees":`, `"findings":`},
		"makeBill":       {`"role":"new"`, `"role":"included"`, `"role":"set_aside"`, `"role":"never_reuse"`, `"role":"consumable"`, `"role":"tool"`, `"role":"customer_supplied"`, `"steps":[{"number":1`},
	} {
		i := slices.IndexFunc(m.c.Contract().Operations(), func(o api.ContractOperation) bool { return o.ID == id })
		if i < 0 {
			t.Fatalf("no operation %s", id)
		}
		o := m.c.Contract().Operations()[i]
		a := m.c.Call(t, m.h, o.Method, o.ExampleTarget, shopOnly, string(o.RequestExample))
		for _, want := range wants {
			if !strings.Contains(string(a.Body), want) {
				t.Errorf("%s: the example does not show %s\n%.6000s", id, want, a.Body)
			}
		}
	}
}

// ---- wrong input ----------------------------------------------------------------------------

func TestWrongQuestionsAreRefusedWhereTheyAreWrong(t *testing.T) {
	m := newMemory(t)
	const setup = `{` + forkKnown + `,"bicycle":{"mass_kg":15},"rider":`
	for _, x := range []struct {
		name, target, body string // without a body: GET
		status             int
		code, pointer      string
	}{
		{"year before forks were built", "/v1/forks?model_year=1899", "", 422, "out_of_range", "query:model_year"},
		{"year far ahead", "/v1/forks?model_year=3000", "", 422, "out_of_range", "query:model_year"},
		{"the year after next", "/v1/forks?model_year=2028", "", 200, "", ""},
		{"one later", "/v1/forks?model_year=2029", "", 422, "out_of_range", "query:model_year"},
		{"negative travel", "/v1/forks?travel_mm=-160", "", 422, "out_of_range", "query:travel_mm"},
		{"cursor with a text", "/v1/forks?q=hollin&cursor=eA", "", 422, "not_with_q", "query:cursor"},
		{"cursor of somebody else", "/v1/forks?cursor=%21%21", "", 422, "bad_cursor", "query:cursor"},
		{"unknown maker", "/v1/forks?maker=nobody", "", 422, "unknown_maker", "query:maker"},
		{"a misspelled parameter", "/v1/forks?modelyear=2020", "", 422, "unknown_parameter", "query:modelyear"},
		{"unknown fork in a path", "/v1/forks/skarnfeld-hollin-36-exprt-2021", "", 404, "fork_not_found", ""},
		{"unknown fork in a path of parts", "/v1/forks/nothing/parts", "", 404, "fork_not_found", ""},
		{"unknown part in a path", "/v1/parts/QB-C36S-999", "", 404, "part_not_found", ""},
		{"a GTIN that two parts share", "/v1/parts/2041003055114", "", 409, "ambiguous", ""},
		{"the same with leading zeros", "/v1/parts/02041003055114/forks", "", 409, "ambiguous", ""},
		{"unknown kind", "/v1/forks/" + demoFork + "/parts?kind=wheel", "", 422, "invalid_value", "query:kind"},
		{"an option without a value", "/v1/forks/" + demoFork + "/parts?options=seal_generation", "", 422, "invalid_value", "query:options"},
		{"an option nobody knows", "/v1/forks/" + demoFork + "/parts?options=finish:matt", "", 422, "unknown_fact", "query:options"},
		{"a way of knowing without the travel", "/v1/forks/" + demoFork + "/parts?travel_known_by=measured", "", 422, "required", "query:travel_now_mm"},
		{"prices in no currency", "/v1/parts/" + demoCoil + "?live=prices", "", 422, "required", "query:currency"},
		{"prices in a currency nobody has", "/v1/parts/" + demoCoil + "?live=prices&currency=CHF", "", 422, "no_price_list", "query:currency"},
		{"a currency without prices", "/v1/parts/" + demoCoil + "?currency=EUR", "", 422, "required", "query:live"},
		{"a revision never given", "/v1/forks?catalog_revision=99", "", 404, "revision_not_found", ""},

		{"empty body", "/v1/fit-checks", "", 405, "", ""}, // GET
		{"a list for an object", "/v1/fit-checks", `[]`, 422, "wrong_type", ""},
		{"no lines", "/v1/fit-checks", `{` + forkKnown + `}`, 422, "out_of_range", "/lines"},
		{"unknown fork in a body", "/v1/fit-checks", `{"fork":{"fork_id":"nothing"},"lines":[{"code":"x"}]}`, 422, "fork_not_found", "/fork/fork_id"},
		{"no fork at all", "/v1/fit-checks", `{"fork":{},"lines":[{"code":"x"}]}`, 422, "required", "/fork/fork_id"},
		{"a fork named twice", "/v1/fit-checks", `{"fork":{"fork_id":"` + demoFork + `","q":"hollin"},"lines":[{"code":"x"}]}`, 422, "given_twice", "/fork/q"},
		{"a text that may be several forks", "/v1/fit-checks", `{"fork":{"q":"hollin 36"},"lines":[{"code":"x"}]}`, 409, "ambiguous", ""},
		{"two lines of one id", "/v1/fit-checks", `{` + forkKnown + `,"lines":[{"id":"a","code":"x"},{"id":"a","code":"y"}]}`, 422, "given_twice", "/lines/1/id"},
		{"negative quantity", "/v1/fit-checks", `{` + forkKnown + `,"lines":[{"code":"x","quantity":-1}]}`, 422, "out_of_range", "/lines/0/quantity"},
		{"negative travel of a fork", "/v1/fit-checks", `{"fork":{"fork_id":"` + demoFork + `","travel_now_mm":-5},"lines":[{"code":"x"}]}`, 422, "out_of_range", "/fork/travel_now_mm"},
		{"model year 1899 of a fork", "/v1/fit-checks", `{"fork":{"fork_id":"` + demoFork + `","model_year":1899},"lines":[{"code":"x"}]}`, 422, "out_of_range", "/fork/model_year"},
		{"no such day", "/v1/fit-checks", `{"fork":{"fork_id":"` + demoFork + `","built_on":"2021-02-30"},"lines":[{"code":"x"}]}`, 422, "invalid_value", "/fork/built_on"},
		{"a fact that is none", "/v1/fit-checks", `{"fork":{"fork_id":"` + demoFork + `","options":{"a/b":"c"}},"lines":[{"code":"x"}]}`, 422, "unknown_fact", "/fork/options/a~1b"},
		{"unknown member", "/v1/fit-checks", `{"forc":{}}`, 422, "unknown_field", "/forc"},
		{"a rider neither kitted nor bare, in a cart", "/v1/fit-checks", `{"fork":{"fork_id":"` + demoFork + `","rider":{"mass_kg":80}},"lines":[{"code":"x"}]}`, 422, "required", "/fork/rider/mass_is"},
		{"mass given twice", "/v1/fit-checks", `{"fork":{"fork_id":"` + demoFork + `","rider":{"mass_kg":80,"mass":{"value":170,"unit":"lb"},"mass_is":"bare"}},"lines":[{"code":"x"}]}`, 422, "given_twice", "/fork/rider/mass"},
		{"mass in stone", "/v1/fit-checks", `{"fork":{"fork_id":"` + demoFork + `","rider":{"mass":{"value":12,"unit":"st"},"mass_is":"bare"}},"lines":[{"code":"x"}]}`, 422, "unknown_unit", "/fork/rider/mass/unit"},
		{"too many receipts", "/v1/fit-checks/recheck", `{"receipts":["` + strings.Repeat(`x","`, 200) + `x"]}`, 422, "out_of_range", "/receipts"},

		{"a rider of 20 kg", "/v1/setups", setup + `{"mass_kg":20,"mass_is":"kitted"}}`, 422, "out_of_range", "/rider/mass_kg"},
		{"a rider of 300 kg", "/v1/setups", setup + `{"mass_kg":300,"mass_is":"kitted"}}`, 422, "out_of_range", "/rider/mass_kg"},
		{"a rider of 20 lb", "/v1/setups", setup + `{"mass":{"value":20,"unit":"lb"},"mass_is":"kitted"}}`, 422, "out_of_range", "/rider/mass"},
		{"neither kitted nor bare", "/v1/setups", setup + `{"mass_kg":80}}`, 422, "required", "/rider/mass_is"},
		{"nothing to work on", "/v1/setups", `{"bicycle":{"mass_kg":15},"rider":{"mass_kg":80,"mass_is":"kitted"}}`, 422, "required", "/fork/fork_id"},
		{"unknown cartridge", "/v1/setups", `{` + forkKnown + `,"cartridge":"QB-NONE","bicycle":{"mass_kg":15},"rider":{"mass_kg":80,"mass_is":"kitted"}}`, 422, "unknown_part", "/cartridge"},
		{"a spring with no figures", "/v1/setups", `{"hardware":{"travel_mm":150,"springs":[{}]},"load":{"axial_n":500}}`, 422, "required", "/hardware/springs/0/rate_n_per_mm"},
		{"nothing known of a spring", "/v1/springs/identify", `{}`, 422, "required", "/mark"},
		{"an unknown wire", "/v1/springs/assess", `{"wire_mm":4,"mean_diameter_mm":26,"active_coils":20,"material":"cheese"}`, 422, "unknown_material", "/material"},

		{"no job", "/v1/bills", `{` + forkKnown + `}`, 422, "job_missing", "/jobs"},
		{"unknown job", "/v1/bills", `{` + forkKnown + `,"jobs":["polish"]}`, 422, "unknown_job", "/jobs/0"},
		{"unknown kit", "/v1/bills", `{` + forkKnown + `,"jobs":["lower_leg_service"],"kits":["QB-NONE"]}`, 422, "unknown_part", "/kits/0"},
		{"a shared code", "/v1/bills", `{` + forkKnown + `,"jobs":["lower_leg_service"],"kits":["2041003055114"]}`, 409, "ambiguous", ""},
		{"a pressure where no chamber is", "/v1/bills", `{` + forkKnown + `,"jobs":["lower_leg_service"],"bump_stop_kpa":300}`, 422, "no_air_bump_stop", "/bump_stop_kpa"},
		{"a body of 2 MiB", "/v1/bills", `{"jobs":["` + strings.Repeat("x", 2<<20) + `"]}`, 413, "body_too_large", ""},
		{"not UTF-8", "/v1/bills", "{\"sale\":\"\xff\"}", 400, "invalid_utf8", ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			m.t = t
			a := m.get(shopOnly, x.target)
			if x.body != "" {
				a = m.post(shopOnly, x.target, x.body)
			}
			if a.Status != x.status {
				t.Fatalf("%d %s", a.Status, a.Body)
			}
			if x.code == "" {
				return
			}
			p := a.Problem(t)
			got := p.Code
			pointer := ""
			if len(p.Errors) > 0 {
				got, pointer = p.Errors[0].Code, p.Errors[0].Pointer
			}
			if got != x.code || pointer != x.pointer {
				t.Errorf("%s at %q, want %s at %q: %s", got, pointer, x.code, x.pointer, a.Body)
			}
		})
	}
}

func TestRefusalsHelpOn(t *testing.T) {
	m := newMemory(t)
	if p := m.get(shopOnly, "/v1/forks/skarnfeld-hollin-36-exprt-2021").Problem(t); len(p.Candidates) == 0 || !strings.HasPrefix(p.Candidates[0].ID, "skarnfeld-hollin-36-expert") {
		t.Errorf("no fork that reads alike: %+v", p)
	}
	if p := m.get(shopOnly, "/v1/parts/QB-C36S-999").Problem(t); len(p.Candidates) == 0 || !strings.HasPrefix(p.Candidates[0].ID, "QB-C36S-") {
		t.Errorf("no part that begins alike: %+v", p)
	}
	p := m.get(shopOnly, "/v1/parts/2041003055114").Problem(t)
	if len(p.Candidates) != 2 || p.Question == nil || len(p.Question.Choices) != 2 {
		t.Errorf("a shared GTIN: %+v", p)
	}
	if p = m.post(shopOnly, "/v1/fit-checks", `{"fork":{"q":"hollin 36"},"lines":[{"code":"x"}]}`).Problem(t); len(p.Candidates) < 2 || p.Question == nil || p.Question.Text == "" {
		t.Errorf("a text that may be several: %+v", p)
	}
	if m.gaps["part_not_found QB-C36S-999"] != 1 || m.gaps["fork_ambiguous "] != 1 {
		t.Errorf("counted %v", m.gaps)
	}
}

func TestEveryOperationNeedsAKeyOfItsRole(t *testing.T) {
	m := newMemory(t)
	for _, key := range []string{"", "a-key-that-nobody-ever-made"} {
		for _, target := range []string{"/v1/forks", "/v1/forks/x", "/v1/forks/x/parts", "/v1/parts/x", "/v1/parts/x/forks"} {
			if a := m.get(key, target); a.Status != 401 {
				t.Errorf("%s with %q: %d", target, key, a.Status)
			}
		}
	}
	for target, want := range map[string][4]int{ // shop, storefront, distributor, administrator
		"/v1/bills": {422, 403, 403, 422}, "/v1/setups": {422, 422, 403, 422}, "/v1/fit-checks": {422, 422, 422, 422}, "/v1/springs/assess": {422, 403, 403, 422},
	} {
		for i, key := range []string{shopOnly, storeOnly, buyerOnly, adminOnly} {
			if a := m.post(key, target, `{}`); a.Status != want[i] {
				t.Errorf("%s for %s: %d, want %d", target, key, a.Status, want[i])
			}
		}
	}
}

// ---- the shape of answers -------------------------------------------------------------------

// cartOf is a cart of four lines for the demo fork.
const cartOf = `{` + forkKnown + `,"lines":[{"id":"coil","code":"QB-C36S-160"},{"id":"other","code":"QB-C36O-160"},{"id":"guard","code":"QB-AC-GUARD"},{"id":"typo","code":"QB-C36S-999"}]}`

func TestAnAnswerIsAFunctionOfRevisionAndQuestion(t *testing.T) {
	m := newMemory(t)
	for _, x := range []struct{ target, body string }{
		{"/v1/forks?q=hollin", ""}, {"/v1/forks/" + demoFork + "?units=imperial", ""}, {"/v1/forks/" + demoFork + "/parts?model_year=2021", ""},
		{"/v1/parts/" + demoCoil, ""}, {"/v1/parts/" + demoCoil + "/forks", ""}, {"/v1/fit-checks", cartOf},
		{"/v1/setups", `{` + forkKnown + `,"cartridge":"QB-C36S-160","bicycle":{"mass_kg":15},"rider":{"mass_kg":80,"mass_is":"kitted"}}`},
		{"/v1/bills", `{` + forkKnown + `,"jobs":["coil_conversion"],"cartridge":"QB-C36S-160"}`},
	} {
		ask := func(pinned bool) shape {
			target, body := x.target, x.body
			if body != "" {
				if pinned {
					body = strings.Replace(body, "{", `{"catalog_revision":7,`, 1)
				}
				return shapeOf(t, m.post(shopOnly, target, body))
			}
			if pinned {
				target += map[bool]string{true: "&", false: "?"}[strings.Contains(target, "?")] + "catalog_revision=7"
			}
			return shapeOf(t, m.get(shopOnly, target))
		}
		first := ask(false)
		m.notices = notice.NewSet([]notice.Notice{{ID: "n-1", Kind: notice.StopSale, Effect: notice.Block, SKU: demoCoil, Text: "Bonding in doubt.", From: memoryNow.Add(-time.Hour)}}, 4, memoryNow)
		tables := demoTables(t)
		for i := range tables.Forks {
			tables.Forks[i].Name += " II"
		}
		m.live[8], m.current = liveOf(tables, 8), 8
		pinned, moved := ask(true), ask(false)
		m.notices, m.current = notice.NewSet(nil, 3, memoryNow), demoRevision
		if string(first.Answer) != string(pinned.Answer) || first.CatalogRevision != 7 || pinned.CatalogRevision != 7 {
			t.Errorf("%s: another answer of the same revision:\n%s\n%s", x.target, first.Answer, pinned.Answer)
		}
		if moved.CatalogRevision != 8 {
			t.Errorf("%s: the current revision is not asked", x.target)
		}
	}
}

func TestNoticesChangeTheDecisionAndNeverTheAnswer(t *testing.T) {
	m := newMemory(t)
	before := shapeOf(t, m.post(shopOnly, "/v1/fit-checks", `{`+forkKnown+`,"lines":[{"id":"coil","code":"QB-C36S-160"}]}`))
	if before.decision("line", "coil") != "ok" && before.decision("line", "coil") != "warn" {
		t.Fatalf("before: %+v", before.Decisions)
	}
	for _, x := range []struct {
		name string
		n    notice.Notice
		line string
	}{
		{"a stop-sale", notice.Notice{SKU: demoCoil, Effect: notice.Block}, "block"},
		{"a bulletin", notice.Notice{SKU: demoCoil, Effect: notice.Warn}, "warn"},
		{"one on the fork", notice.Notice{Fork: demoFork, Effect: notice.Block}, "block"},
		{"one for other serials", notice.Notice{SKU: "QB-C36S-150", Effect: notice.Block}, before.decision("line", "coil")},
	} {
		x.n.ID, x.n.Kind, x.n.Text, x.n.From = "n-1", notice.StopSale, "Because.", memoryNow.Add(-time.Hour)
		m.notices = notice.NewSet([]notice.Notice{x.n}, 4, memoryNow)
		after := shapeOf(t, m.post(shopOnly, "/v1/fit-checks", `{`+forkKnown+`,"lines":[{"id":"coil","code":"QB-C36S-160"}]}`))
		if string(after.Answer) != string(before.Answer) {
			t.Errorf("%s: the answer changed", x.name)
		}
		if after.decision("line", "coil") != x.line || (len(after.Notices) == 1) != (x.name != "one for other serials") {
			t.Errorf("%s: %+v, %d notices", x.name, after.Decisions, len(after.Notices))
		}
	}
	m.notices = notice.NewSet(nil, 4, memoryNow.Add(-11*time.Minute))
	if stale := shapeOf(t, m.post(shopOnly, "/v1/fit-checks", `{`+forkKnown+`,"lines":[{"id":"g","code":"QB-AC-GUARD"}]}`)); stale.Decision != "warn" {
		t.Errorf("notices eleven minutes old leave an %s", stale.Decision)
	}
	// A question stays one: no bulletin makes it sellable.
	m.notices = notice.NewSet([]notice.Notice{{ID: "n-2", Kind: notice.Bulletin, Effect: notice.Warn, SKU: "QB-SV-SK36-2", Text: "Read.", From: memoryNow.Add(-time.Hour)}}, 5, memoryNow)
	open := shapeOf(t, m.post(shopOnly, "/v1/fit-checks", `{"fork":{"fork_id":"`+demoFork+`","model_year":2021},"lines":[{"id":"kit","code":"QB-SV-SK36-2"}]}`))
	if open.decision("line", "kit") != "ask" {
		t.Errorf("a question under a bulletin: %+v %s", open.Decisions, open.Answer)
	}
}

func TestGETsMayBeKeptUnlessTheyAreLive(t *testing.T) {
	m := newMemory(t)
	target := "/v1/parts/" + demoCoil
	a := m.get(shopOnly, target)
	if a.Header.Get("Cache-Control") != "max-age=60, must-revalidate" || !slices.Contains(a.Header.Values("Vary"), "Authorization") {
		t.Errorf("%v", a.Header)
	}
	tag := a.Header.Get("ETag")
	if m.get(shopOnly, target, "If-None-Match: "+tag).Status != 304 {
		t.Error("known already, and sent again")
	}
	if store := m.get(storeOnly, target).Header.Get("ETag"); store == tag {
		t.Error("a storefront's answer has the tag of a shop's")
	}
	m.notices = notice.NewSet([]notice.Notice{{ID: "n", Kind: notice.StopSale, Effect: notice.Block, SKU: demoCoil, Text: "Stop.", From: memoryNow.Add(-time.Hour)}}, 4, memoryNow)
	if m.get(shopOnly, target, "If-None-Match: "+tag).Status != 200 {
		t.Error("a stop-sale is not seen by who asks again")
	}
	live := m.get(shopOnly, target+"?live=stock")
	if live.Header.Get("Cache-Control") != "private, no-store" || live.Header.Get("ETag") != "" {
		t.Errorf("live: %v", live.Header)
	}
}

// ---- live -----------------------------------------------------------------------------------

func lying(location, sku string, onHand int64) stock.Level {
	return stock.Level{Location: location, SKU: sku, OnHand: udecimal.MustFromInt64(onHand, 0)}
}

func TestStockIsCountedForTheTradeAndHintedToStorefronts(t *testing.T) {
	m := newMemory(t)
	due := time.Date(2026, 12, 5, 0, 0, 0, 0, time.UTC)
	for _, x := range []struct {
		name   string
		levels []stock.Level
		want   string
		on     string
	}{
		{"none", nil, "no", ""},
		{"three", []stock.Level{lying("a", demoCoil, 1), lying("b", demoCoil, 2)}, "few", ""},
		{"four", []stock.Level{lying("a", demoCoil, 4)}, "yes", ""},
		{"oversold", []stock.Level{lying("a", demoCoil, -2)}, "no", ""},
		{"on its way", []stock.Level{{Location: "a", SKU: demoCoil, Incoming: udecimal.MustFromInt64(5, 0), IncomingOn: &due}}, "date", "2026-12-05"},
	} {
		m.levels = x.levels
		for _, key := range []string{shopOnly, storeOnly} {
			s := shapeOf(t, m.get(key, "/v1/parts/"+demoCoil+"?live=stock"))
			if len(s.Live.Stock) != 1 || s.Live.Stock[0].Availability != x.want || s.Live.Stock[0].On != x.on {
				t.Errorf("%s: %+v", x.name, s.Live.Stock)
			}
			if got := len(s.Live.Stock[0].Levels); key == storeOnly && got != 0 || key == shopOnly && got != len(x.levels) {
				t.Errorf("%s: %d levels for %s", x.name, got, key)
			}
		}
	}
	m.stockErr = errors.New("dial: refused")
	if s := shapeOf(t, m.get(shopOnly, "/v1/parts/"+demoCoil+"?live=stock")); cmp.Diff(s.Live.Unavailable, []string{"stock"}) != "" {
		t.Errorf("stock away: %+v", s.Live)
	}
}

func TestBuyingPricesAreForBuyers(t *testing.T) {
	m := newMemory(t)
	for _, key := range []string{shopOnly, storeOnly, buyerOnly, adminOnly} {
		s := shapeOf(t, m.get(key, "/v1/parts/"+demoCoil+"?live=prices&currency=EUR"))
		if s.Live.PriceList != "EUR-RRP" || s.Live.Audience != "recommended" || len(s.Live.Prices) != 1 || s.Live.Prices[0].Price == "" {
			t.Errorf("%s: %+v", key, s.Live)
		}
		a := m.get(key, "/v1/parts/"+demoCoil+"?live=prices&price_list=EUR-BUY")
		if mayBuy := key == shopOnly || key == adminOnly; mayBuy != (a.Status == 200) {
			t.Errorf("the buying list for %s: %d", key, a.Status)
		} else if !mayBuy && strings.Contains(string(a.Body), "RRP, EUR-BUY") {
			t.Errorf("the list is named to %s: %s", key, a.Body)
		}
	}
	cart := shapeOf(t, m.post(storeOnly, "/v1/fit-checks?live=prices,stock&currency=GBP", cartOf))
	if cart.Live.Basis != "gross" || len(cart.Live.Stock) != 3 {
		t.Errorf("a cart's live part: %+v", cart.Live)
	}
}

// ---- carts and receipts ---------------------------------------------------------------------

type checkedCart struct {
	Forks []struct {
		ID         string
		Question   *struct{ Text string }
		Candidates []struct{ ID string }
	}
	Lines []struct {
		ID, Code  string
		MatchedBy string `json:"matched_by"`
		Result    struct{ SKU, Verdict string }
		Findings  []struct{ Code string }
	}
}

func TestACartIsJudgedLineByLine(t *testing.T) {
	m := newMemory(t)
	a := m.post(shopOnly, "/v1/fit-checks", cartOf)
	c, s := answerOf[checkedCart](t, a), shapeOf(t, a)
	got := ""
	for _, l := range c.Lines {
		got += l.ID + " " + l.Result.Verdict + " " + s.decision("line", l.ID) + "; "
	}
	want := "coil fits ok; other does_not_fit block; guard not_fork_related ok; typo not_in_catalog warn; "
	if got != want && got != strings.Replace(want, "coil fits ok", "coil fits warn", 1) {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if s.Decision != "block" || s.decision("fork", "fork") != "block" {
		t.Errorf("decisions %+v", s.Decisions)
	}
}

func TestACartOfTwoForksKeepsThemApart(t *testing.T) {
	m := newMemory(t)
	a := m.post(shopOnly, "/v1/fit-checks", `{"forks":[{"id":"his","fork_id":"`+demoFork+`","travel_now_mm":160,"model_year":2022},{"id":"hers","q":"hollin 36"}],
		"lines":[{"id":"1","code":"QB-C36S-160","for_fork":"his"},{"id":"2","code":"QB-C36S-160","for_fork":"hers"},{"id":"3","code":"2041003055114","for_fork":"his"}]}`)
	c, s := answerOf[checkedCart](t, a), shapeOf(t, a)
	if c.Lines[0].Result.Verdict != "fits" || c.Lines[1].Result.Verdict != "unknown" || c.Lines[2].Result.Verdict != "unknown" {
		t.Errorf("%+v", c.Lines)
	}
	if len(c.Forks) != 2 || c.Forks[1].Question == nil || len(c.Forks[1].Candidates) < 2 {
		t.Errorf("the fork that was not clear: %+v", c.Forks)
	}
	if s.decision("fork", "hers") != "ask" || s.decision("line", "3") != "ask" {
		t.Errorf("%+v", s.Decisions)
	}
}

func TestReceiptsAreRechecked(t *testing.T) {
	m := newMemory(t)
	withRider := strings.Replace(forkKnown, `"use":`, `"rider":{"mass_kg":80,"mass_is":"kitted"},"use":`, 1)
	s := shapeOf(t, m.post(storeOnly, "/v1/fit-checks", `{`+withRider+`,"lines":[{"id":"coil","code":"QB-C36S-160"},{"id":"typo","code":"nothing"}]}`))
	if len(s.Receipts) != 1 || s.Receipts[0].Line != "coil" || !s.Receipts[0].MassLeftOut {
		t.Fatalf("receipts %+v", s.Receipts)
	}
	token := s.Receipts[0].Receipt
	recheck := func() (states []string, decisions []string) {
		a := m.post(storeOnly, "/v1/fit-checks/recheck", `{"receipts":["`+token+`","`+token[:len(token)-2]+`","rubbish"]}`)
		for _, r := range answerOf[struct{ Receipts []struct{ State string } }](t, a).Receipts {
			states = append(states, r.State)
		}
		for _, d := range shapeOf(t, a).Decisions {
			decisions = append(decisions, d.Decision)
		}
		return states, decisions
	}
	if states, _ := recheck(); cmp.Diff(states, []string{"unchanged", "refused", "refused"}) != "" {
		t.Errorf("at once: %v", states)
	}
	tables := demoTables(t)
	tables.Fitments = slices.DeleteFunc(tables.Fitments, func(f catalog.Fitment) bool { return f.Part == demoCoil })
	m.live[8], m.current = liveOf(tables, 8), 8
	if states, decisions := recheck(); states[0] != "changed" || decisions[0] != "block" {
		t.Errorf("with the rows gone: %v %v", states, decisions)
	}
	delete(m.live, demoRevision)
	if states, _ := recheck(); states[0] != "refused" {
		t.Errorf("with the revision gone: %v", states)
	}
}

// ---- pages and names ------------------------------------------------------------------------

func TestPagesAddUpToTheWhole(t *testing.T) {
	m := newMemory(t)
	type page struct {
		Forks []struct {
			ID string `json:"fork_id"`
		}
		Parts []struct{ SKU string }
		Next  string `json:"next_cursor"`
	}
	walk := func(target string, limit int) (ids []string) {
		cursor := ""
		for n := 0; n < 400; n++ {
			at := fmt.Sprintf("%slimit=%d", target, limit)
			if cursor != "" {
				at += "&cursor=" + cursor
			}
			p := answerOf[page](t, m.get(shopOnly, at))
			for _, f := range p.Forks {
				ids = append(ids, f.ID)
			}
			for _, x := range p.Parts {
				ids = append(ids, x.SKU)
			}
			if cursor = p.Next; cursor == "" {
				return ids
			}
		}
		t.Fatalf("%s never ends", target)
		return nil
	}
	for _, target := range []string{"/v1/forks?", "/v1/forks?model_year=2021&", "/v1/forks/" + demoFork + "/parts?near_misses=yes&", "/v1/parts/" + demoCoil + "/forks?", "/v1/parts/LN-GR-50/forks?"} {
		whole, small := walk(target, 200), walk(target, 7)
		if diff := cmp.Diff(whole, small); diff != "" || len(whole) == 0 {
			t.Errorf("%s: %d in all\n%s", target, len(whole), diff)
		}
		seen := map[string]bool{}
		for _, id := range small {
			if seen[id] {
				t.Errorf("%s: %s twice", target, id)
			}
			seen[id] = true
		}
	}
	if n := len(walk("/v1/forks?", 200)); n != len(demoLive().Forks()) {
		t.Errorf("%d forks of %d", n, len(demoLive().Forks()))
	}
}

func TestAPartIsFoundByAnyOfItsCodes(t *testing.T) {
	m := newMemory(t)
	p, _ := demoLive().Part("QB-SV-SK36-2")
	for code, by := range map[string]string{p.SKU: "sku", strings.ToLower(p.SKU): "sku", p.GTIN: "gtin", "0" + p.GTIN: "gtin"} {
		got := answerOf[struct {
			SKU string
			By  string `json:"matched_by"`
		}](t, m.get(shopOnly, "/v1/parts/"+code))
		if got.SKU != p.SKU || got.By != by {
			t.Errorf("%s: %+v", code, got)
		}
	}
	for i := range demoLive().Parts() {
		q := &demoLive().Parts()[i]
		if len(q.Aliases) == 0 {
			continue
		}
		if found, _ := demoLive().Resolve(q.Aliases[0]); len(found) != 1 {
			continue
		}
		a := m.get(shopOnly, "/v1/parts/"+strings.ReplaceAll(strings.ReplaceAll(q.Aliases[0], "/", "%2F"), " ", "%20"))
		if !strings.Contains(string(a.Body), `"matched_by":"alias"`) {
			t.Errorf("%s: %s", q.Aliases[0], a.Body)
		}
		return
	}
	t.Error("no part of the demo has a code of its own printed on it")
}

func TestFiguresAreShownOrSaidToBeMissing(t *testing.T) {
	m := newMemory(t)
	type figures struct {
		Figures []struct {
			Figure, Place, Leg, State string
			Owner                     string
			Published                 *struct{ Unit string }
			Where                     string `json:"where_to_look"`
		}
	}
	states := map[string]int{}
	for i := range demoLive().Forks() {
		f := answerOf[figures](t, m.get(shopOnly, "/v1/forks/"+demoLive().Forks()[i].ID))
		for _, x := range f.Figures {
			states[x.State]++
			if (x.State == "known") != (x.Published != nil) || (x.State == "known") == (x.Where != "") {
				t.Errorf("%s: %+v", demoLive().Forks()[i].ID, x)
			}
		}
	}
	if states["known"] == 0 || states["not_in_our_data"] == 0 {
		t.Errorf("the demo shows %v", states)
	}
}

func TestUnitsAddTextsAndChangeNoNumber(t *testing.T) {
	m := newMemory(t)
	plain, shown := m.get(shopOnly, "/v1/parts/QB-S36L-065").Body, m.get(shopOnly, "/v1/parts/QB-S36L-065?units=imperial").Body
	if strings.Contains(string(plain), "display") || !strings.Contains(string(shown), `"rate_n_per_mm":"37.1 lb/in"`) || !strings.Contains(string(shown), `"rate_n_per_mm":6.5`) {
		t.Errorf("%s\n%s", plain, shown)
	}
	pounds := m.post(shopOnly, "/v1/setups", `{`+forkKnown+`,"cartridge":"QB-C36S-160","bicycle":{"mass":{"value":33,"unit":"lb"}},"rider":{"mass":{"value":180,"unit":"lb"},"mass_is":"kitted"}}`)
	kilos := m.post(shopOnly, "/v1/setups", `{`+forkKnown+`,"cartridge":"QB-C36S-160","bicycle":{"mass_kg":14.96854821},"rider":{"mass_kg":81.6466266,"mass_is":"kitted"}}`)
	if string(shapeOf(t, pounds).Answer) != string(shapeOf(t, kilos).Answer) {
		t.Errorf("pounds and kilograms differ:\n%s\n%s", pounds.Body, kilos.Body)
	}
}

// ---- the storefront's view ------------------------------------------------------------------

// tradeOnly are the ends of members that no storefront may see.
var tradeOnly = []string{".row", ".rows", ".evidence", ".source", ".publisher", ".levels", ".engineering", ".wire_source", ".on_hand", ".promised", ".available"}

func TestAStorefrontSeesItsFieldsAndNoOthers(t *testing.T) {
	m := newMemory(t)
	due := memoryNow.AddDate(0, 0, 9)
	m.levels = []stock.Level{lying("a", demoCoil, 9), {Location: "a", SKU: "QB-SV-SK36-2", Incoming: udecimal.MustFromInt64(5, 0), IncomingOn: &due}}
	m.notices = notice.NewSet([]notice.Notice{{ID: "n", Kind: notice.RowHold, Effect: notice.Warn, SKU: demoCoil, Row: rowBehind(t, m), Text: "In doubt.", By: "somebody", From: memoryNow.Add(-time.Hour)}}, 4, memoryNow)
	questions := []struct{ target, body string }{
		{"/v1/forks?q=holin+36", ""}, {"/v1/forks/" + demoFork + "?units=metric", ""},
		{"/v1/forks/" + demoFork + "/parts?near_misses=yes&limit=200&live=prices,stock&currency=EUR&travel_now_mm=160&model_year=2021&travel_known_by=measured", ""},
		{"/v1/parts/" + demoCoil + "?live=prices,stock&currency=EUR&units=imperial", ""}, {"/v1/parts/" + demoCoil + "/forks", ""},
		{"/v1/parts/QB-SL-TH35-1", ""}, {"/v1/parts/QB-S36L-065", ""}, {"/v1/parts/QB-BS16B", ""}, {"/v1/parts/SK-A36-170", ""}, {"/v1/parts/QB-TC-36S", ""},
		{"/v1/fit-checks?live=prices,stock&currency=EUR", cartOf},
		{"/v1/setups?units=metric", `{` + forkKnown + `,"cartridge":"QB-C36S-160","with_curve":true,"bicycle":{"mass_kg":15},"rider":{"mass_kg":80,"mass_is":"kitted"}}`},
		{"/v1/setups", `{` + forkKnown + `,"cartridge":"QB-C36S-160","bicycle":{"mass_kg":15},"rider":{"mass_kg":80,"mass_is":"kitted"},"measured":{"spring":"QB-S36L-065","sag_mm":34,"how":"bounced"}}`},
	}
	fields := map[string]map[string]bool{}
	for _, key := range []string{shopOnly, storeOnly} {
		fields[key] = map[string]bool{}
		for _, q := range questions {
			a := m.get(key, q.target)
			if q.body != "" {
				a = m.post(key, q.target, q.body)
			}
			if a.Status != 200 {
				t.Fatalf("%s: %d %s", q.target, a.Status, a.Body)
			}
			var doc any
			a.JSON(t, &doc)
			path, _, _ := strings.Cut(q.target, "?")
			collect(fields[key], strings.NewReplacer(demoFork, "{fork_id}", demoCoil, "{sku}").Replace(genericPart(path)), doc)
		}
	}
	for f := range fields[storeOnly] {
		if slices.ContainsFunc(tradeOnly, func(end string) bool {
			return strings.HasSuffix(f, end) || strings.Contains(f, end+".") || strings.Contains(f, end+"[]")
		}) {
			t.Errorf("a storefront sees %s", f)
		}
	}
	for _, f := range []string{"/v1/fit-checks.notices[].row", "/v1/fit-checks.answer.lines[].result.reasons[].evidence", "/v1/parts/{sku}.live.stock[].levels[].on_hand", "/v1/setups.answer.load.terms[].source"} {
		if !fields[shopOnly][f] || fields[storeOnly][f] {
			t.Errorf("%s: shown to a shop %t, to a storefront %t", f, fields[shopOnly][f], fields[storeOnly][f])
		}
	}
	hidden := 0
	for f := range fields[shopOnly] {
		if !fields[storeOnly][f] {
			hidden++
		}
	}
	if hidden < 15 {
		t.Errorf("only %d members are kept from a storefront: the questions show too little", hidden)
	}
	golden(t, "storefront-fields.txt", strings.Join(sortedSet(fields[storeOnly]), "\n")+"\n")
}

// rowBehind is the row that makes the cartridge fit the demo fork.
func rowBehind(t *testing.T, m *memory) string {
	t.Helper()
	line := answerOf[struct {
		Lines []struct {
			Result struct{ Reasons []struct{ Row string } }
		}
	}](t, m.post(shopOnly, "/v1/fit-checks", cartOf)).Lines[0]
	if len(line.Result.Reasons) == 0 || line.Result.Reasons[0].Row == "" {
		t.Fatal("no row is named to the trade")
	}
	return line.Result.Reasons[0].Row
}

func genericPart(path string) string {
	if strings.HasPrefix(path, "/v1/parts/") && !strings.Contains(path, demoCoil) {
		return "/v1/parts/{sku}"
	}
	return path
}

func collect(into map[string]bool, at string, v any) {
	switch x := v.(type) {
	case map[string]any:
		for name, member := range x {
			if strings.HasSuffix(at, ".display") { // names of members beside it
				into[at] = true
				continue
			}
			collect(into, at+"."+name, member)
		}
	case []any:
		for _, item := range x {
			collect(into, at+"[]", item)
		}
	default:
		into[at] = true
	}
}

func sortedSet(m map[string]bool) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// golden compares with a file of testdata/api, or writes it with -update.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("../testdata/api", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (rewrite with -update, then read what changed):\n%s", path, diff)
	}
}

// The requests of testdata/api and what they are answered with.
func TestGoldenRequests(t *testing.T) {
	m := newMemory(t)
	requests, err := filepath.Glob("../testdata/api/*.request.json")
	if err != nil || len(requests) < 4 {
		t.Fatalf("%d requests, %v", len(requests), err)
	}
	for _, path := range requests {
		name := strings.TrimSuffix(filepath.Base(path), ".request.json")
		t.Run(name, func(t *testing.T) {
			m.t = t
			var r struct {
				Method, Target, Role string
				Body                 json.RawMessage
			}
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := json.Unmarshal(text, &r); err != nil {
				t.Fatal(err)
			}
			key := map[string]string{"shop": shopOnly, "storefront": storeOnly}[r.Role]
			a := m.c.Call(t, m.h, r.Method, r.Target, key, string(r.Body))
			var doc map[string]any
			a.JSON(t, &doc)
			delete(doc, "receipts") // signed over the revision's own rows: tested elsewhere
			if a.Status >= 400 {
				delete(doc, "request_id")
			}
			shown, err := json.MarshalIndent(doc, "", "  ")
			if err != nil {
				t.Fatal(err)
			}
			golden(t, name+".answer.json", fmt.Sprintf("%s\n", shown))
		})
	}
}

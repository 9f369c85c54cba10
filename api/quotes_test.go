package api_test

import (
	"bytes"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/quagmt/udecimal"

	"forkwright/api/contracttest"
	"forkwright/db"
	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/money"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

// till is the demo's shop with its profile, its shelf and the tax rates.
type till struct {
	*world
	key, place string
	by         caller.Caller
}

func newTill(t testing.TB) *till {
	t.Helper()
	return newTillIn(newWorld(t))
}

func newTillIn(w *world) *till {
	t := w.t
	s := &till{world: w, key: w.keys[caller.Shop], place: "uferhalle"}
	s.by = caller.Caller{AccountID: w.accounts[caller.Shop].ID, Roles: []caller.Role{caller.Shop}, RequestID: "test"}
	w.profile(s.by, "RU")
	_, err := w.d.CreateLocation(t.Context(), s.by, account.Location{ID: s.place, AccountID: s.by.AccountID, Name: "shop", TimeZone: "Europe/Berlin"})
	w.must(err)
	w.taxes()
	for _, row := range w.rows("../testdata/demo/stock.csv") {
		if row["location"] == s.place {
			s.shelve(row["sku"], row["on_hand"])
		}
	}
	return s
}

// profile gives an account the demo's profile, with numbers of a series.
func (w *world) profile(by caller.Caller, series string) {
	w.t.Helper()
	content, err := os.ReadFile("../testdata/demo/seller.json")
	w.must(err)
	var p struct {
		LegalName    string                       `json:"legal_name"`
		TradingName  string                       `json:"trading_name"`
		Street       string                       `json:"street"`
		Postcode     string                       `json:"postcode"`
		City         string                       `json:"city"`
		Contact      account.Contact              `json:"contact"`
		TaxIDs       []account.TaxID              `json:"tax_ids"`
		Terms        map[string]string            `json:"terms"`
		Texts        map[string]map[string]string `json:"texts"`
		NumberForm   string                       `json:"number_form"`
		Labor        account.Labor                `json:"labor"`
		ValidityDays int                          `json:"validity_days"`
	}
	w.must(json.Unmarshal(content, &p))
	_, err = w.d.PutSeller(w.t.Context(), by, account.Seller{
		AccountID: by.AccountID, LegalName: p.LegalName, TradingName: p.TradingName, Street: p.Street, Postcode: p.Postcode, City: p.City, Country: "DE",
		Contact: p.Contact, TaxIDs: p.TaxIDs, TaxCountry: "DE", DefaultCurrency: "EUR", PriceBasis: "net", Languages: []string{"en", "de"}, Units: "metric", Paper: "A4",
		Terms: p.Terms, Texts: p.Texts, Series: series, NumberForm: p.NumberForm, TimeZone: "Europe/Berlin", ValidityDays: p.ValidityDays, HoldDays: 14, Labor: p.Labor,
	})
	w.must(err)
}

func (w *world) taxes() {
	var rules []quote.TaxRule
	for _, r := range w.rows("../testdata/demo/tax_rates.csv") {
		rules = append(rules, quote.TaxRule{Class: r["class"], Destination: r["country"], From: r["valid_from"], Tax: quote.Tax{Category: quote.Category(r["category"]), Rate: money.MustParse(r["rate"]), Reason: r["reason"]}})
	}
	w.must(w.d.PutTaxRules(w.t.Context(), caller.Caller{}, rules))
}

func (w *world) rows(name string) (out []map[string]string) {
	w.t.Helper()
	f, err := os.Open(name)
	w.must(err)
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	w.must(err)
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, c := range cells {
			row[all[0][i]] = c
		}
		out = append(out, row)
	}
	return out
}

func (s *till) shelve(sku, onHand string) {
	s.t.Helper()
	s.must(s.d.PutStock(s.t.Context(), s.place, []stock.Level{{SKU: sku, OnHand: udecimal.MustParse(onHand)}}))
}

// quoteSeen is a quote as a client reads it.
type quoteSeen struct {
	QuoteID       string `json:"quote_id"`
	Number, State string
	Version       int
	RevisionNo    int    `json:"revision_no"`
	PersonID      string `json:"person_id"`
	PreviousID    string `json:"previous_id"`
	ValidUntil    string `json:"valid_until"`
	PriceMissing  bool   `json:"price_missing"`
	Lines         []lineSeen
	Totals        map[string]string
	Warnings      []struct{ Code, Text string }
	Differences   []struct{ Code, Text string }
	Links         struct{ Self, Page, Events string }
}

type lineSeen struct {
	LineID                                                    string `json:"line_id"`
	SKU, Role, Quantity, Unit, Verdict, Why, Net, Gross, Text string
	NetPrice                                                  string                      `json:"net_price"`
	BaseQuantity                                              string                      `json:"base_quantity"`
	IncludedIn                                                string                      `json:"included_in"`
	MatchedBy                                                 string                      `json:"matched_by"`
	PriceSource                                               struct{ Kind, List string } `json:"price_source"`
	Presence                                                  struct{ Kind, Job, Rule string }
	Sourcing                                                  []struct{ Location, Kind, Quantity, Taken string }
	Stocked                                                   bool
}

func (s *till) post(target, body string, headers ...string) contracttest.Answer {
	s.t.Helper()
	return s.contract.Call(s.t, s.h, http.MethodPost, target, s.key, body, headers...)
}

func (s *till) get(target string, headers ...string) contracttest.Answer {
	s.t.Helper()
	return s.contract.Call(s.t, s.h, http.MethodGet, target, s.key, "", headers...)
}

func (s *till) made(a contracttest.Answer, status int) (q quoteSeen) {
	s.t.Helper()
	if a.Status != status {
		log := s.log.String()
		s.t.Fatalf("%d instead of %d: %s\nlog: %s", a.Status, status, a.Body, log[max(0, len(log)-1200):])
	}
	a.JSON(s.t, &q)
	return q
}

// conversion is the demo's case as a till asks it.
const conversion = `{
	"fork": {"fork_id": "skarnfeld-hollin-36-expert-2021", "model_year": 2021, "travel_as_built_mm": 160, "travel_now_mm": 160,
	         "travel_known_by": "measured", "wheel_size": "29", "serial": "S36-21-07311", "built_on": "2021-03-08", "use": "enduro"},
	"job": {"jobs": ["coil_conversion", "lower_leg_service"], "cartridge": "QB-C36S-160", "spring": "QB-S36L-055", "kits": ["QB-SV-SK36-2"],
	        "tools_owned": ["WE-TRAY", "WE-SYR", "WE-TW40", "WE-SK13", "WE-SK15", "WE-RRP", "WE-SEAL38"], "customer_parts": [{"sku": "LN-GR-50", "quantity": 4}]},
	"customer": {"name": "Zora Beispielperson", "phone": "+49 000 111"},
	"issue": true}`

// counter is a sale of one part that fits everything, over the counter.
const counter = `{"lines": [{"code": "QB-AC-GUARD", "quantity": "1", "for_fork": "none"}], "issue": true}`

func TestTheDemosCaseIsQuotedIssuedAndRead(t *testing.T) {
	s := newTill(t)
	a := s.post("/v1/quotes", conversion)
	q := s.made(a, 201)
	if !strings.HasPrefix(q.Number, "RU-20") || q.State != "issued" || q.PersonID == "" || q.Version != 2 {
		t.Errorf("number %q, state %q, person %q, version %d", q.Number, q.State, q.PersonID, q.Version)
	}
	if a.Header.Get("Location") != q.Links.Self || a.Header.Get("ETag") != `"2"` {
		t.Errorf("Location %q, ETag %q", a.Header.Get("Location"), a.Header.Get("ETag"))
	}
	bySKU := map[string][]lineSeen{}
	sum := money.Sum(2)
	for _, l := range q.Lines {
		bySKU[l.SKU] = append(bySKU[l.SKU], l)
		if l.Net == "" {
			t.Errorf("line %s has no amount", l.LineID)
			continue
		}
		sum = sum.Add(money.MustParse(l.Net))
		if (l.Role == "included" || l.Role == "set_aside" || l.Role == "reuse" || l.Role == "customer_supplied") && l.Net != "0.00" {
			t.Errorf("%s (%s) is charged: %s", l.Text, l.Role, l.Net)
		}
	}
	if sum.String() != q.Totals["lines"] {
		t.Errorf("the lines add up to %s, the quote says %s", sum, q.Totals["lines"])
	}
	if l := bySKU["QB-S36L-055"]; len(l) != 1 || l[0].Role != "included" || l[0].IncludedIn != "QB-C36S-160" || !l[0].Stocked {
		t.Errorf("the spring is in the box and comes off the shelf: %+v", l)
	}
	if l := bySKU["LN-GR-50"]; len(l) != 1 || l[0].Role != "customer_supplied" {
		t.Errorf("the customer's own grease: %+v", l)
	}
	if l := bySKU["QB-C36S-160"]; len(l) != 1 || l[0].NetPrice != "258.90" || l[0].PriceSource.List != "EUR-RRP" || l[0].Presence.Kind != "job" || l[0].Verdict != "fits" {
		t.Errorf("the cartridge: %+v", l)
	}
	var labor []string
	for _, l := range q.Lines {
		if l.Role == "labor" {
			labor = append(labor, l.Presence.Rule+" "+l.Quantity+" "+l.Unit+" "+l.NetPrice+" "+l.PriceSource.Kind)
		}
	}
	// The service's menu price pays for taking the lower legs off; the conversion adds the cap and its own minutes.
	want := []string{"opening 6 min 1.15 labor_rate", "operation 23 min 1.15 labor_rate", "job 1 each 52.00 menu"}
	if diff := cmp.Diff(want, labor); diff != "" {
		t.Errorf("labor (-want +got):\n%s", diff)
	}
	again := s.get(q.Links.Self)
	if !bytes.Equal(again.Body, a.Body) {
		t.Errorf("read again it is other bytes:\n%s\n%s", a.Body, again.Body)
	}
	if a := s.get(q.Links.Self, `If-None-Match: "2"`); a.Status != 304 {
		t.Errorf("known already: %d", a.Status)
	}
	if a := s.contract.Call(t, s.h, http.MethodGet, q.Links.Self, s.otherKey, ""); a.Status != 404 || a.Problem(t).Code != "quote_not_found" {
		t.Errorf("another shop reads it: %d", a.Status)
	}
}

func TestThePageSaysWhatTheDataSays(t *testing.T) {
	s := newTill(t)
	for _, x := range []struct{ name, more string }{
		{"net", ``},
		{"gross, pounds", `, "currency": "GBP", "destination": "GB"`},
		{"gross, yen", `, "currency": "JPY", "destination": "JP"`},
		{"German", `, "language": "de", "discounts": [{"text": "Stammkunde", "percent": "3"}], "shipping": [{"text": "Versand", "amount": "5.90"}]`},
	} {
		t.Run(x.name, func(t *testing.T) {
			body := strings.TrimSuffix(conversion, "}") + x.more + "}"
			q := s.made(s.post("/v1/quotes", body), 201)
			page := s.contract.Call(t, s.h, http.MethodGet, q.Links.Page, "", "")
			if page.Status != 200 || !strings.HasPrefix(page.Header.Get("Content-Type"), "text/html") {
				t.Fatalf("%d %s", page.Status, page.Body)
			}
			keyed := s.get(q.Links.Self, "Accept: text/html")
			if !bytes.Equal(keyed.Body, page.Body) {
				t.Error("the page by its address and the page by key are other bytes")
			}
			if csp := page.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "script-src") {
				t.Errorf("CSP %q", csp)
			}
			var exact []string
			for _, m := range regexp.MustCompile(`<data value="([^"]+)">([^<]+)</data>`).FindAllStringSubmatch(string(page.Body), -1) {
				exact = append(exact, m[1])
				if plain(m[1]) != plain(m[2]) {
					t.Errorf("the page shows %q for %q", m[2], m[1])
				}
			}
			var want []string
			for _, l := range q.Lines {
				switch l.Role {
				case "new", "consumable", "tool", "labor", "custom":
					want = append(want, cmp2(l.Gross, l.Net))
				}
			}
			if len(exact) <= len(want) {
				t.Fatalf("%d amounts on the page, %d lines", len(exact), len(want))
			}
			if diff := cmp.Diff(want, exact[:len(want)]); diff != "" {
				t.Errorf("line amounts (-data +page):\n%s", diff)
			}
			for _, name := range []string{"net", "gross", "due"} {
				if !slices.Contains(exact, q.Totals[name]) {
					t.Errorf("%s %s is not on the page: %v", name, q.Totals[name], exact)
				}
			}
			brought := map[bool]string{true: "ohne Gewähr von uns", false: "without a warranty from us"}[x.name == "German"]
			if !strings.Contains(string(page.Body), brought) {
				t.Errorf("the page does not say %q of the customer's own part", brought)
			}
			if !strings.Contains(string(page.Body), "Zora Beispielperson") {
				t.Error("the customer's name is not on the paper")
			}
		})
	}
	if a := s.contract.Call(t, s.h, http.MethodGet, "/q/nothing-like-a-token", "", ""); a.Status != 404 {
		t.Errorf("a made-up token: %d", a.Status)
	}
}

// plain leaves an amount's digits and sign.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= '0' && r <= '9':
			return r
		case r == '-' || r == '−':
			return '-'
		}
		return -1
	}, s)
}

func cmp2(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func TestWhatCannotBeQuotedIsRefusedWithWhatHelps(t *testing.T) {
	s := newTill(t)
	fork := `"fork": {"fork_id": "skarnfeld-hollin-36-expert-2021", "model_year": 2021, "travel_now_mm": 160, "travel_known_by": "measured"}`
	for _, x := range []struct {
		name, body    string
		status        int
		code, pointer string
		contains      string
	}{
		{"nothing asked", `{}`, 422, "invalid_request", "/lines", "lines, or a fork and a job"},
		{"a job without a fork", `{"job": {"jobs": ["spring_swap"]}}`, 422, "invalid_request", "/fork", ""},
		{"a job that is none", `{` + fork + `, "job": {"jobs": ["polish"]}}`, 422, "invalid_request", "/job/jobs/0", "coil_conversion"},
		{"a part that does not fit", `{` + fork + `, "lines": [{"code": "QB-C36O-160"}]}`, 409, "does_not_fit", "/lines/0", `"candidates":[{"id":"QB-C36S-160"`},
		{"a shared GTIN", `{"lines": [{"code": "2041003055114"}]}`, 409, "ambiguous", "/lines/0/code", `QB-SL-TH35-2`},
		{"an unknown code", `{"lines": [{"code": "QB-NOPE"}]}`, 422, "invalid_request", "/lines/0/code", "not_in_catalog"},
		{"quantity zero", `{"lines": [{"code": "QB-AC-GUARD", "quantity": "0"}]}`, 422, "invalid_request", "/lines/0/quantity", "quantity_zero"},
		{"quantity below zero", `{"lines": [{"code": "QB-AC-GUARD", "quantity": "-1"}]}`, 422, "invalid_request", "/lines/0/quantity", "quantity_negative"},
		{"quantity as a number", `{"lines": [{"code": "QB-AC-GUARD", "quantity": 1}]}`, 422, "invalid_request", "/lines/0/quantity", "amount_not_text"},
		{"a list of buying prices", `{"price_list": "EUR-BUY", "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/price_list", "EUR-RRP"},
		{"a currency that is none", `{"currency": "XYZ", "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/currency", ""},
		{"a place without a rate", `{"destination": "NO", "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/lines/0/tax", "no_tax_rule"},
		{"no tax without a reason", `{"destination": "FR", "tax_category": "S", "basis": "gross", "currency": "GBP", "lines": [{"text": "x", "net_price": "1.00"}]}`, 422, "invalid_request", "/lines/0/net_price", "mixed_price_basis"},
		{"reverse charge without a reason", `{"tax_category": "AE", "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/tax_reasons/AE", "tax_reason_missing"},
		{"one and a half of a part", `{"lines": [{"code": "QB-AC-GUARD", "quantity": "1.5"}]}`, 422, "invalid_request", "/lines/0/quantity", "quantity_not_whole"},
		{"a free line without a quantity", `{"lines": [{"text": "x", "quantity": "0", "net_price": "1.00"}]}`, 422, "invalid_request", "/lines/0/quantity", "quantity_zero"},
		{"more than can be written", `{"lines": [{"text": "x", "quantity": "999999", "net_price": "999999999999999"}]}`, 422, "invalid_request", "/lines/0/quantity", "amount_too_large"},
		{"two discounts above the price", `{"discounts": [{"percent": "60"}, {"percent": "60"}], "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/discounts", "discount_too_large"},
		{"a discount on a rate that nothing has", `{"discounts": [{"amount": "1", "tax": {"category": "S", "rate": "7"}}], "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/discounts/0/tax", "discount_without_lines"},
		{"half a yen for shipping", `{"currency": "JPY", "shipping": [{"amount": "0.5"}], "lines": [{"text": "x", "net_price": "100", "tax": {"category": "S", "rate": "10"}}]}`, 422, "invalid_request", "/shipping/0/amount", "amount_too_precise"},
		{"shipping that pays", `{"shipping": [{"amount": "-1"}], "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/shipping/0/amount", "negative_amount"},
		{"more decimals than the currency has", `{"decimals": 4, "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/decimals", "decimals_out_of_range"},
		{"both bases", `{"lines": [{"text": "x", "net_price": "1"}, {"text": "y", "gross_price": "1"}]}`, 422, "invalid_request", "", "mixed_price_basis"},
		{"whose tax the total is of", `{"expected_total": "16.00", "destination": "FR", "lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}]}`, 409, "expected_total_differs", "", `"destination":"FR"`},
		{"another total than expected", `{"expected_total": "16.00", "lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}]}`, 409, "expected_total_differs", "", `"computed_total":"19.04"`},
		{"a location that is none", `{"locations": ["moon"], "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/locations/0", ""},
		{"a choice of a kit that is none", `{"lines": [{"code": "QB-C36S-160", "for_fork": "none", "choices": {"spring": "QB-AC-GUARD"}}]}`, 422, "not_a_choice", "/lines/0/choices/spring", "QB-S36L-055"},
		{"a customer without anything", `{"customer": {}, "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/customer", ""},
		{"a person of nobody", `{"person_id": "01a2101a-f376-7cfe-9695-d4e7efad9e12", "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "quote_person_fkey", "", ""},
		{"an issue in the past", `{"issue": true, "valid_until": "2020-01-01", "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/valid_until", ""},
		{"both ends of validity", `{"valid_until": "2040-01-01", "valid_days": 3, "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/valid_days", ""},
		{"a discount above the price", `{"discounts": [{"amount": "99.00"}], "lines": [{"code": "QB-AC-GUARD"}]}`, 422, "invalid_request", "/discounts/0/amount", "discount_too_large"},
	} {
		t.Run(x.name, func(t *testing.T) {
			a := s.post("/v1/quotes", x.body)
			p := a.Problem(t)
			if a.Status != x.status || p.Code != x.code || !strings.Contains(string(a.Body), x.contains) {
				t.Fatalf("%d %s", a.Status, a.Body)
			}
			if x.pointer != "" && (len(p.Errors) == 0 || p.Errors[0].Pointer != x.pointer) {
				t.Errorf("points at %v, want %s", p.Errors, x.pointer)
			}
			if strings.Contains(string(a.Body), "9.76") || strings.Contains(string(a.Body), "157.99") {
				t.Errorf("a buying price left: %s", a.Body)
			}
		})
	}
	if a := s.contract.Call(t, s.h, http.MethodPost, "/v1/quotes", s.otherKey, counter); a.Problem(t).Code != "seller_profile_missing" {
		t.Errorf("a shop without a profile: %s", a.Body)
	}
}

func TestLinesSayWhereTheyComeFrom(t *testing.T) {
	s := newTill(t)
	own := service.OwnPrice{SKU: "QB-SL-BM38-2B", Currency: "EUR", Basis: "net", Amount: money.MustParse("30.50"), From: "2025-01-01"}
	s.must(s.d.PutOwnPrices(t.Context(), s.by, []service.OwnPrice{own}))
	q := s.made(s.post("/v1/quotes", `{"lines": [
		{"code": "qb-ac-guard", "quantity": "2", "for_fork": "none", "discounts": [{"percent": "10"}]},
		{"code": "WSBM382", "for_fork": "none"},
		{"code": "LN-B46-250", "quantity": "260", "for_fork": "none"},
		{"code": "QB-C36S-160", "for_fork": "none", "choices": {"spring": "QB-S36L-060"}},
		{"code": "QB-AC-GUARD", "customer_supplied": true, "for_fork": "none"},
		{"text": "Wheel truing", "quantity": "1", "net_price": "14.00", "tax": {"category": "S", "rate": "7"}}]}`), 201)
	var got []string
	for _, l := range q.Lines {
		got = append(got, strings.Join([]string{l.SKU, l.Role, l.Quantity, l.NetPrice, l.PriceSource.Kind, l.Presence.Kind, l.MatchedBy, l.Net}, " "))
	}
	want := []string{
		"QB-AC-GUARD new 2 16.00 recommended cart sku 28.80",
		"QB-SL-BM38-2B new 1 30.50 own cart alias 30.50", // the code of the one that it supersedes
		"LN-B46-250 consumable 500 13.90 recommended cart sku 27.80",
		"QB-C36S-160 new 1 258.90 recommended cart sku 258.90",
		"QB-S36L-060 included 1  none cart sku 0.00",
		"QB-AC-GUARD customer_supplied 1  none customer sku 0.00",
		" custom 1 14.00 stated shop  14.00",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if !slices.ContainsFunc(q.Warnings, func(w struct{ Code, Text string }) bool { return w.Code == "superseded" }) {
		t.Errorf("nobody says that a part was replaced: %v", q.Warnings)
	}
	// Nobody has a price for it in this currency: never a zero.
	q = s.made(s.post("/v1/quotes", `{"currency": "CHF", "lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}], "issue": true}`), 201)
	if !q.PriceMissing || q.Lines[0].NetPrice != "" || q.Lines[0].Net != "" {
		t.Errorf("without a price: %+v", q.Lines[0])
	}
	if a := s.act(q, "accept", ""); a.Status != 409 || a.Problem(t).Code != "price_missing" {
		t.Errorf("accepted without a price: %d %s", a.Status, a.Body)
	}
	// A fit that is not known is a warning with its question, not a refusal.
	q = s.made(s.post("/v1/quotes", `{"fork": {"fork_id": "skarnfeld-hollin-36-expert-2021"}, "lines": [{"code": "QB-C36S-160"}]}`), 201)
	if len(q.Warnings) == 0 || q.Warnings[0].Code != "fit_unknown" || q.Lines[0].Verdict != "unknown" {
		t.Errorf("an open fit: %+v", q.Warnings)
	}
}

func (s *till) act(q quoteSeen, action, body string, headers ...string) contracttest.Answer {
	s.t.Helper()
	return s.post(q.Links.Self+"/"+action, body, append([]string{fmt.Sprintf(`If-Match: "%d"`, q.Version)}, headers...)...)
}

func TestAQuoteGoesThroughItsLife(t *testing.T) {
	s := newTill(t)
	s.shelve("QB-AC-GUARD", "3")
	draft := s.made(s.post("/v1/quotes", `{"lines": [{"code": "QB-AC-GUARD", "quantity": "2", "for_fork": "none"}], "customer_reference": "bench 9"}`), 201)
	if draft.State != "draft" || draft.Number != "" {
		t.Fatalf("%+v", draft)
	}
	if a := s.post(draft.Links.Self+"/issue", ""); a.Status != 428 {
		t.Errorf("without If-Match: %d", a.Status)
	}
	if a := s.post(draft.Links.Self+"/issue", "", `If-Match: "7"`); a.Status != 412 || a.Problem(t).Code != "stale_version" {
		t.Errorf("stale: %d", a.Status)
	}
	if a := s.act(draft, "accept", ""); a.Status != 409 || a.Problem(t).Code != "quote_draft" {
		t.Errorf("a draft was accepted: %d", a.Status)
	}
	issued := s.made(s.act(draft, "issue", `{"valid_days": 5}`), 200)
	if issued.Number != "RU-"+time.Now().Format("2006")+"-00001" {
		t.Errorf("number %q", issued.Number)
	}
	accepted := s.made(s.act(issued, "accept", ""), 200)
	if got := s.held("QB-AC-GUARD"); got != "3 on hand, 2 promised" {
		t.Errorf("after accept: %s", got)
	}
	partly := s.made(s.act(accepted, "fulfil", `{"lines": [{"line_id": "L1", "quantity": "1"}]}`), 200)
	if got := s.held("QB-AC-GUARD"); partly.State != "partly_fulfilled" || got != "2 on hand, 1 promised" {
		t.Errorf("after a part: %s, %s", partly.State, got)
	}
	if a := s.act(partly, "fulfil", `{"lines": [{"line_id": "L1", "quantity": "2"}]}`); a.Status != 409 || a.Problem(t).Code != "more_than_left" {
		t.Errorf("more than there is: %d %s", a.Status, a.Body)
	}
	done := s.made(s.act(partly, "fulfil", ""), 200)
	if got := s.held("QB-AC-GUARD"); done.State != "fulfilled" || got != "1 on hand, 0 promised" {
		t.Errorf("after all of it: %s, %s", done.State, got)
	}
	a := s.get(done.Links.Events)
	var events struct {
		Events []struct {
			Action string
			Codes  map[string]string
		}
	}
	a.JSON(t, &events)
	var got []string
	for _, e := range events.Events {
		got = append(got, e.Action+" "+e.Codes["from"]+">"+e.Codes["to"])
	}
	want := []string{"create >draft", "issue draft>issued", "accept issued>accepted", "fulfil accepted>partly_fulfilled", "fulfil partly_fulfilled>fulfilled"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("events (-want +got):\n%s", diff)
	}

	other := s.made(s.post("/v1/quotes", counter), 201)
	if other.Number != "RU-"+time.Now().Format("2006")+"-00002" {
		t.Errorf("number %q", other.Number)
	}
	accepted = s.made(s.act(other, "accept", ""), 200)
	third := s.made(s.post("/v1/quotes", counter), 201)
	if third.Lines[0].Sourcing[0].Kind != "backorder" {
		t.Errorf("the last one is promised, yet: %+v", third.Lines[0].Sourcing)
	}
	if gone := s.made(s.act(accepted, "withdraw", `{"reason": "changed_mind"}`), 200); gone.State != "withdrawn" || s.held("QB-AC-GUARD") != "1 on hand, 0 promised" {
		t.Errorf("after withdraw: %s, %s", gone.State, s.held("QB-AC-GUARD"))
	}
	if no := s.made(s.act(third, "decline", `{"reason": "too_expensive"}`), 200); no.State != "declined" {
		t.Errorf("%s", no.State)
	}
	if a := s.act(third, "decline", `{"reason": "Mr Miller says no"}`); a.Status != 422 {
		t.Errorf("words as a reason: %d", a.Status)
	}
}

// held is what lies on the till's shelf and what is promised of it.
func (s *till) held(sku string) string {
	s.t.Helper()
	levels, err := s.d.StockOf(s.t.Context(), []string{sku}, []string{s.place})
	s.must(err)
	return levels[0].OnHand.String() + " on hand, " + levels[0].Promised.String() + " promised"
}

func TestTimeAloneEndsAQuote(t *testing.T) {
	s := newTill(t)
	s.shelve("QB-AC-GUARD", "2")
	open := s.made(s.post("/v1/quotes", counter), 201)
	taken := s.made(s.act(s.made(s.post("/v1/quotes", counter), 201), "accept", ""), 200)
	later := *s.quoting
	later.Now = func() time.Time { return time.Now().AddDate(0, 0, 22) } // valid for 21 days, kept for 14
	if got := s.held("QB-AC-GUARD"); got != "2 on hand, 1 promised" {
		t.Fatal(got)
	}
	for id, want := range map[string]quote.State{open.QuoteID: quote.Expired, taken.QuoteID: quote.Lapsed} {
		q, err := later.Get(t.Context(), s.by.AccountID, id)
		s.must(err)
		if q.State != want {
			t.Errorf("%s, want %s", q.State, want)
		}
		again, err := later.Get(t.Context(), s.by.AccountID, id)
		s.must(err)
		if again.Version != q.Version {
			t.Errorf("settled twice: version %d after %d", again.Version, q.Version)
		}
	}
	if got := s.held("QB-AC-GUARD"); got != "2 on hand, 0 promised" {
		t.Errorf("the goods are free again, yet: %s", got)
	}
	third := s.made(s.act(s.made(s.post("/v1/quotes", counter), 201), "accept", ""), 200)
	far := s.base.Open(t, db.Options{Now: func() time.Time { return time.Now().AddDate(0, 1, 0) }})
	later.Store, later.Now = far, func() time.Time { return time.Now().AddDate(0, 1, 0) }
	if n, err := far.SettleQuotes(t.Context(), later.Settle); err != nil || n != 1 {
		t.Errorf("the job settled %d: %v", n, err)
	}
	if a := s.act(third, "fulfil", ""); a.Status != 412 && a.Status != 409 {
		t.Errorf("handed over after it lapsed: %d", a.Status)
	}
}

// What time has ended, seen or not, is revised at the prices of that day, and what it held is free.
func TestWhatTimeHasEndedIsRevisedAtThatDaysPrices(t *testing.T) {
	s := newTill(t)
	s.shelve("QB-AC-GUARD", "2")
	german := strings.Replace(counter, "{", `{"language": "de", `, 1)
	later := *s.quoting
	later.Now = func() time.Time { return time.Now().AddDate(0, 0, 22) } // valid for 21 days, kept for 14
	dear := time.Now().AddDate(0, 0, 21).Format(time.DateOnly)
	s.must(s.d.PutOwnPrices(t.Context(), s.by, []service.OwnPrice{{SKU: "QB-AC-GUARD", Currency: "EUR", Basis: "net", Amount: money.MustParse("17.25"), From: dear}}))
	for _, x := range []struct {
		state  quote.State
		accept bool
		seen   bool
	}{{quote.Expired, false, false}, {quote.Expired, false, true}, {quote.Lapsed, true, false}, {quote.Lapsed, true, true}} {
		q := s.made(s.post("/v1/quotes", german), 201)
		if x.accept {
			q = s.made(s.act(q, "accept", ""), 200)
		}
		version := int64(q.Version)
		if x.seen {
			old, err := later.Get(t.Context(), s.by.AccountID, q.QuoteID)
			s.must(err)
			if old.State != x.state || old.Version != version+1 {
				t.Errorf("it is %s, version %d", old.State, old.Version)
			}
			version = old.Version
		}
		next, differences, err := later.Revise(t.Context(), s.by, q.QuoteID, version, nil)
		s.must(err)
		var texts []string
		for _, d := range differences {
			texts = append(texts, d.Text)
		}
		want := []string{"Posten 1, Schutzblech vorn (QB-AC-GUARD): der Preis steigt von 16,00 EUR auf 17,25 EUR.", "Der Zahlbetrag steigt von 19,04 EUR auf 20,53 EUR."}
		if diff := cmp.Diff(want, texts); diff != "" || next.State != quote.Draft || next.RevisionNo != 2 || next.Number != q.Number {
			t.Errorf("%s, seen %t: %s revision %d (-want +got):\n%s", x.state, x.seen, next.State, next.RevisionNo, diff)
		}
		old, err := s.d.Quote(t.Context(), s.by.AccountID, q.QuoteID)
		s.must(err)
		if old.State != quote.Superseded || s.held("QB-AC-GUARD") != "2 on hand, 0 promised" {
			t.Errorf("the old one is %s; %s", old.State, s.held("QB-AC-GUARD"))
		}
	}
}

func TestTheNextRevisionSaysWhatIsDifferent(t *testing.T) {
	s := newTill(t)
	first := s.made(s.post("/v1/quotes", `{"lines": [{"code": "QB-AC-GUARD", "quantity": "1", "for_fork": "none"}, {"code": "QB-SL-BM38-2B", "for_fork": "none"}], "issue": true, "client_id": "till-1"}`), 201)
	s.must(s.d.PutOwnPrices(t.Context(), s.by, []service.OwnPrice{{SKU: "QB-AC-GUARD", Currency: "EUR", Basis: "net", Amount: money.MustParse("17.25"), From: "2025-01-01"}}))
	if a := s.get(first.Links.Self); !strings.Contains(string(a.Body), `"net_price":"16.00"`) {
		t.Errorf("an issued quote holds its price: %s", a.Body)
	}
	a := s.act(first, "revise", "")
	next := s.made(a, 201)
	if next.RevisionNo != 2 || next.Number != first.Number || next.PreviousID != first.QuoteID || next.State != "draft" || a.Header.Get("Location") != next.Links.Self {
		t.Errorf("%+v", next)
	}
	text := fmt.Sprint(next.Differences)
	for _, want := range []string{"16.00 EUR", "17.25 EUR", "rises"} {
		if !strings.Contains(text, want) {
			t.Errorf("the differences do not say %q: %s", want, text)
		}
	}
	if next.Lines[0].LineID != first.Lines[0].LineID || next.Lines[1].LineID != first.Lines[1].LineID {
		t.Errorf("lines have other ids: %v %v", next.Lines, first.Lines)
	}
	var old quoteSeen
	s.get(first.Links.Self).JSON(t, &old)
	if old.State != "superseded" {
		t.Errorf("the first is %s", old.State)
	}
	if a := s.act(old, "revise", ""); a.Status != 409 || a.Problem(t).Code != "quote_superseded" {
		t.Errorf("revised twice: %d %s", a.Status, a.Body)
	}
	issued := s.made(s.act(next, "issue", ""), 200)
	if issued.Number != first.Number || issued.State != "issued" {
		t.Errorf("%s %s", issued.Number, issued.State)
	}
	changed := s.made(s.act(issued, "revise", `{"lines": [{"code": "QB-AC-GUARD", "quantity": "3", "for_fork": "none"}]}`), 201)
	codes := map[string]bool{}
	for _, d := range changed.Differences {
		codes[d.Code] = true
	}
	if !codes["quantity"] || !codes["removed"] || !codes["total"] {
		t.Errorf("differences: %v", changed.Differences)
	}
}

func TestAQuoteHoldsAsLongAsItWasAskedFor(t *testing.T) {
	s := newTill(t)
	today, err := time.LoadLocation("Europe/Berlin")
	s.must(err)
	in := func(days int) string { return time.Now().In(today).AddDate(0, 0, days).Format(time.DateOnly) }
	for _, x := range []struct{ name, ask, issue, want string }{
		{"as the shop does", ``, ``, in(21)},
		{"days of the draft", `, "valid_days": 3`, ``, in(3)},
		{"a day of the draft", `, "valid_until": "` + in(40) + `"`, ``, in(40)},
		{"days at issue before the draft's", `, "valid_days": 3`, `{"valid_days": 5}`, in(5)},
		{"days at issue before the draft's day", `, "valid_until": "` + in(40) + `"`, `{"valid_days": 5}`, in(5)},
		{"a day at issue before the draft's days", `, "valid_days": 3`, `{"valid_until": "` + in(9) + `"}`, in(9)},
	} {
		ask := `{"lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}]` + x.ask + `}`
		draft := s.made(s.post("/v1/quotes", ask), 201)
		issued := s.made(s.act(draft, "issue", x.issue), 200)
		if issued.ValidUntil != x.want {
			t.Errorf("%s: until %s, want %s", x.name, issued.ValidUntil, x.want)
		}
		if x.issue == "" {
			next := s.made(s.act(s.made(s.act(s.made(s.post("/v1/quotes", counter), 201), "revise", ask), 201), "issue", ""), 200)
			if next.ValidUntil != x.want {
				t.Errorf("%s, of a next revision: until %s, want %s", x.name, next.ValidUntil, x.want)
			}
		}
	}
}

func TestWhatIsTakenBackIsCredited(t *testing.T) {
	s := newTill(t)
	s.shelve("QB-AC-GUARD", "3")
	q := s.made(s.post("/v1/quotes", `{"language": "de", "lines": [{"code": "QB-AC-GUARD", "for_fork": "none", "charges": [{"text": "Geschenkverpackung", "amount": "2.00"}]},
		{"text": "Alte Kartusche in Zahlung", "quantity": "-1", "net_price": "4.00", "tax": {"category": "S", "rate": "19"}}],
		"discounts": [{"text": "Gutschein", "amount": "5.00", "tax": {"category": "E", "rate": "0", "reason": "Mehrzweckgutschein"}}], "issue": true}`), 201)
	if q.Lines[1].Net != "-4.00" || q.Totals["net"] != "9.00" || q.Totals["tax"] != "2.66" || q.Totals["due"] != "11.66" {
		t.Errorf("%+v %v", q.Lines[1], q.Totals)
	}
	page := html.UnescapeString(string(s.get(q.Links.Self, "Accept: text/html").Body))
	for _, want := range []string{"Geschenkverpackung +2,00", `<data value="-4.00">−4,00</data>`, "Gutschein", "Mehrzweckgutschein"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	xml := string(s.get(q.Links.Self, "Accept: application/xml").Body)
	for _, want := range []string{">-4.00</cbc:LineExtensionAmount>", `<cbc:Quantity unitCode="EA">-1</cbc:Quantity>`, "<cbc:ChargeIndicator>true</cbc:ChargeIndicator>"} {
		if !strings.Contains(xml, want) {
			t.Errorf("the XML does not say %q", want)
		}
	}
	done := s.made(s.act(s.made(s.act(q, "accept", ""), 200), "fulfil", ""), 200)
	if done.State != "fulfilled" || s.held("QB-AC-GUARD") != "2 on hand, 0 promised" {
		t.Errorf("%s, %s", done.State, s.held("QB-AC-GUARD"))
	}
}

func TestTheSameRequestTwiceIsOneQuote(t *testing.T) {
	s := newTill(t)
	key := "Idempotency-Key: till-7-0001"
	first := s.post("/v1/quotes", conversion, key)
	q := s.made(first, 201)
	s.must(s.d.PutOwnPrices(t.Context(), s.by, []service.OwnPrice{{SKU: "QB-C36S-160", Currency: "EUR", Basis: "net", Amount: money.MustParse("1.00"), From: "2025-01-01"}}))
	again := s.post("/v1/quotes", conversion, key)
	if again.Status != 201 || !bytes.Equal(first.Body, again.Body) || again.Header.Get("Location") != first.Header.Get("Location") {
		t.Errorf("repeated: %d\n%s\n%s", again.Status, first.Body, again.Body)
	}
	if a := s.post("/v1/quotes", counter, key); a.Status != 422 || a.Problem(t).Code != "idempotency_key_reused" {
		t.Errorf("another body: %d %s", a.Status, a.Body)
	}
	accept := s.act(q, "accept", "", "Idempotency-Key: till-7-0002")
	s.made(accept, 200)
	if a := s.act(q, "accept", "", "Idempotency-Key: till-7-0002"); a.Status != 200 || !bytes.Equal(a.Body, accept.Body) {
		t.Errorf("the repeated accept: %d %s", a.Status, a.Body)
	}
	if a := s.post("/v1/quotes", conversion, key); a.Status != 201 || !bytes.Equal(a.Body, first.Body) {
		t.Errorf("repeated after it was accepted: %d %s", a.Status, a.Body)
	}
	if a := s.act(q, "accept", ""); a.Status != 412 {
		t.Errorf("accepted twice without a key: %d", a.Status)
	}
	mine := s.made(s.post("/v1/quotes", `{"client_id": "c-1", "lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}]}`), 201)
	if a := s.post("/v1/quotes", `{"client_id": "c-1", "lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}]}`); a.Status != 409 || a.Problem(t).Code != "quote_client_id_used" {
		t.Errorf("a client id twice: %d", a.Status)
	}
	var list struct {
		Quotes []struct {
			QuoteID string `json:"quote_id"`
		}
	}
	s.get("/v1/quotes?client_id=c-1").JSON(t, &list)
	if len(list.Quotes) != 1 || list.Quotes[0].QuoteID != mine.QuoteID {
		t.Errorf("found %v", list)
	}
}

func TestQuotesAreListed(t *testing.T) {
	s := newTill(t)
	var ids []string
	for i := range 5 {
		ids = append(ids, s.made(s.post("/v1/quotes", fmt.Sprintf(`{"issue": %t, "customer_reference": "job %d", "lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}]}`, i%2 == 0, i%2)), 201).QuoteID)
	}
	slices.Reverse(ids)
	read := func(query string) (got []string, next string) {
		var list struct {
			Quotes []struct {
				QuoteID       string `json:"quote_id"`
				Number, State string
			}
			NextCursor string `json:"next_cursor"`
		}
		s.get("/v1/quotes"+query).JSON(t, &list)
		for _, q := range list.Quotes {
			got = append(got, q.QuoteID)
		}
		return got, list.NextCursor
	}
	all, _ := read("")
	first, next := read("?limit=2")
	second, next := read("?limit=2&cursor=" + next)
	third, last := read("?limit=2&cursor=" + next)
	if diff := cmp.Diff(ids, all); diff != "" || last != "" {
		t.Errorf("all (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(ids, slices.Concat(first, second, third)); diff != "" {
		t.Errorf("by pages (-want +got):\n%s", diff)
	}
	year := time.Now().Format("2006")
	today := time.Now().UTC().Format(time.DateOnly)
	for query, want := range map[string]int{
		"?state=issued": 3, "?state=draft": 2, "?state=expired": 0, "?number=RU-" + year + "-00002": 1, "?customer_reference=job%201": 2,
		"?created_from=" + today: 5, "?created_to=2020-01-01": 0, "?created_to=" + today: 5,
	} {
		if got, _ := read(query); len(got) != want {
			t.Errorf("%s: %d quotes, want %d", query, len(got), want)
		}
	}
	if a := s.contract.Call(t, s.h, http.MethodGet, "/v1/quotes", s.otherKey, ""); !strings.Contains(string(a.Body), `"quotes":[]`) {
		t.Errorf("another shop sees %s", a.Body)
	}
}

func TestAStopSaleStopsAnAccept(t *testing.T) {
	s := newTill(t)
	q := s.made(s.post("/v1/quotes", conversion), 201)
	a := s.contract.Call(t, s.h, http.MethodPost, "/v1/notices", s.keys[caller.Administrator], `{"kind": "stop_sale", "effect": "block", "sku": "QB-S36L-055", "text": "Cracks at the last coil. Do not fit it."}`)
	if a.Status != 201 {
		t.Fatal(string(a.Body))
	}
	if a := s.act(q, "accept", ""); a.Status != 409 || a.Problem(t).Code != "blocked_by_notice" || !strings.Contains(string(a.Body), "Cracks at the last coil") {
		t.Errorf("%d %s", a.Status, a.Body)
	}
}

func TestNoPersonalValueAndNoBuyingPriceIsLeftBehind(t *testing.T) {
	s := newTill(t)
	const mark = "Quendelfritz"
	body := strings.Replace(conversion, "Zora Beispielperson", mark, 1)
	q := s.made(s.post("/v1/quotes", body, "Idempotency-Key: k-1"), 201)
	s.made(s.act(q, "accept", "", "Idempotency-Key: k-2"), 200)
	c, err := pgx.Connect(t.Context(), s.base.OwnerURL)
	s.must(err)
	defer c.Close(t.Context())
	// In bytes too: stored bodies are written as hex.
	for _, forbidden := range []string{mark, "+49 000 111", "157.99", "EUR-BUY"} {
		for _, table := range []string{"quote", "quote_line", "quote_bill", "replay", "event", "page_link", "reservation", "number_series"} {
			var n int
			s.must(c.QueryRow(t.Context(), `SELECT count(*) FROM `+table+` x WHERE x::text LIKE '%' || $1 || '%' OR x::text LIKE '%' || $2 || '%'`, forbidden, hex.EncodeToString([]byte(forbidden))).Scan(&n))
			if n > 0 {
				t.Errorf("%q is in %d rows of %s", forbidden, n, table)
			}
		}
		if forbidden != mark && strings.Contains(s.log.String(), forbidden) || strings.Contains(s.log.String(), mark) {
			t.Errorf("%q is in the log", forbidden)
		}
	}
	page := s.get(q.Links.Self, "Accept: text/html")
	if !strings.Contains(string(page.Body), mark) || strings.Contains(string(page.Body), "157.99") {
		t.Error("the page names the customer and no buying price")
	}
	if a := s.post("/v1/persons/"+q.PersonID+"/erase", ""); a.Status >= 300 {
		t.Fatal(string(a.Body))
	}
	erased := s.get(q.Links.Self, "Accept: text/html")
	if erased.Status != 200 || strings.Contains(string(erased.Body), mark) || erased.Header.Get("ETag") == page.Header.Get("ETag") {
		t.Errorf("after erasing: %d", erased.Status)
	}
}

func TestHostileTextPrintsHarmlessly(t *testing.T) {
	s := newTill(t)
	for _, text := range []string{
		`<script>alert(1)</script><img src=x onerror=alert(1)>`, `=HYPERLINK("http://x")`, "\u202egnp.exe", `"'&<>`, strings.Repeat("W", 1999), `{{.Q.ID}}</style>`,
	} {
		b, err := json.Marshal(map[string]any{
			"customer":           map[string]string{"name": clip(text, 200), "address": text[:min(len(text), 900)]},
			"customer_reference": clip(text, 200),
			"lines":              []map[string]string{{"text": text, "quantity": "1", "net_price": "1.00"}},
			"discounts":          []map[string]string{{"text": clip(text, 300), "percent": "1"}},
		})
		s.must(err)
		q := s.made(s.post("/v1/quotes", string(b)), 201)
		page := s.contract.Call(t, s.h, http.MethodGet, q.Links.Page, "", "")
		for _, bad := range []string{"<script", "<img", "onerror=alert(1)>"} {
			if strings.Contains(string(page.Body), bad) {
				t.Errorf("%q came through as markup", bad)
			}
		}
		if !strings.Contains(html.UnescapeString(string(page.Body)), clip(text, 200)) {
			t.Errorf("%.40q is not on the page as it is", text)
		}
	}
	if a := s.post("/v1/quotes", `{"lines": [{"text": "a\u0007b", "net_price": "1.00"}]}`); a.Status != 422 {
		t.Errorf("a control character: %d", a.Status)
	}
}

func clip(s string, n int) string {
	r := []rune(s)
	return string(r[:min(n, len(r))])
}

package quote_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/quote"
)

var (
	noon  = quote.Clock{Now: time.Date(2026, 3, 31, 12, 0, 0, 0, time.UTC)}
	till  = caller.Caller{AccountID: "account-1", KeyID: "key-1", RequestID: "request-1"}
	terms = quote.IssueTerms{Number: "Q-00001", ValidDays: 30}
)

// coilQuote is a draft of three lines: a kit from two locations, a spring still
// to come, and labor.
func coilQuote(t *testing.T, changes ...func(*quote.Quote)) quote.Quote {
	t.Helper()
	labor := quote.DocumentLine{Role: quote.RoleLabor, Quantity: am("45"), NetPrice: ptr(am("60")), BaseQuantity: ptr(am("60")), Tax: standard("20")}
	q := quote.Quote{
		ID: "q1", RootID: "q1", AccountID: "account-1", Series: "main", RevisionNo: 1, State: quote.Draft, Version: 1,
		Currency: "EUR", PersonID: "person-1", CatalogRevision: 7, RulesVersion: 1, PriceDate: "2026-03-31",
		Lines: []quote.Line{
			{ID: "a", SKU: "CK-1", StockSKU: "CK-1-M", Text: quote.Texts{"en": "Coil kit"}, Unit: "each", Stocked: true,
				DocumentLine: net("3", "199.00", "20"), Verdict: "fits",
				Sourcing: []quote.Source{
					{Location: "bench", Kind: quote.OnHand, Quantity: am("1")},
					{Location: "store", Kind: quote.OnHand, Quantity: am("2")},
				}},
			{ID: "b", SKU: "SP-7", Text: quote.Texts{"en": "Spring"}, Unit: "each", Stocked: true, DocumentLine: net("1", "32.00", "20"),
				Sourcing: []quote.Source{{Location: "store", Kind: quote.Incoming, Quantity: am("1"), On: "2026-04-10"}}},
			{ID: "c", Text: quote.Texts{"en": "Labor"}, Unit: "min", DocumentLine: labor},
		},
	}
	for _, c := range changes {
		c(&q)
	}
	q, err := q.Calculate()
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// in state s, at noon: valid until the end of April, held until mid April.
func inState(t *testing.T, s quote.State) quote.Quote {
	held := noon.Now.Add(quote.DefaultHeldFor)
	q := coilQuote(t)
	q.State, q.Number, q.ValidUntil, q.HeldUntil = s, "Q-00001", "2026-04-30", &held
	return q
}

// The states x actions, decided by hand. An empty cell is a refusal.
func TestEveryStateTimesEveryAction(t *testing.T) {
	claims := map[quote.State]map[quote.Action]quote.State{
		quote.Draft: {quote.Issue: quote.Issued, quote.Withdraw: quote.Withdrawn},
		quote.Issued: {quote.Accept: quote.Accepted, quote.Decline: quote.Declined,
			quote.Withdraw: quote.Withdrawn, quote.Revise: quote.Superseded},
		quote.Accepted:        {quote.Fulfil: quote.Fulfilled, quote.Withdraw: quote.Withdrawn},
		quote.PartlyFulfilled: {quote.Fulfil: quote.Fulfilled, quote.Withdraw: quote.Withdrawn},
		quote.Fulfilled:       {},
		quote.Declined:        {quote.Revise: quote.Superseded},
		quote.Withdrawn:       {quote.Revise: quote.Superseded},
		quote.Expired:         {quote.Revise: quote.Superseded},
		quote.Lapsed:          {quote.Revise: quote.Superseded},
		quote.Superseded:      {},
	}
	act := map[quote.Action]func(quote.Quote) (quote.Quote, quote.Event, error){
		quote.Issue: func(q quote.Quote) (quote.Quote, quote.Event, error) { return q.Issue(noon, till, terms) },
		quote.Accept: func(q quote.Quote) (quote.Quote, quote.Event, error) {
			return q.Accept(noon, till, quote.AcceptTerms{})
		},
		quote.Decline:  func(q quote.Quote) (quote.Quote, quote.Event, error) { return q.Decline(noon, till, "too dear") },
		quote.Withdraw: func(q quote.Quote) (quote.Quote, quote.Event, error) { return q.Withdraw(noon, till, "") },
		quote.Fulfil:   func(q quote.Quote) (quote.Quote, quote.Event, error) { return q.Fulfil(noon, till, nil) },
		quote.Revise: func(q quote.Quote) (quote.Quote, quote.Event, error) {
			r, err := q.Revise(noon, till, "q2")
			if err != nil {
				r.Old = q
			}
			return r.Old, r.Event, err
		},
	}
	for from, row := range claims {
		for action, do := range act {
			before := inState(t, from)
			after, event, err := do(before)
			if diff := cmp.Diff(inState(t, from), before); diff != "" {
				t.Errorf("%s of a %s quote changes the value it was called on:\n%s", action, from, diff)
			}
			to, allowed := row[action]
			if allowed != slices.Contains(quote.AllowedActions(from), action) {
				t.Errorf("AllowedActions(%s) = %v", from, quote.AllowedActions(from))
			}
			if !allowed {
				f := fault.As(err)
				if f == nil || f.Kind != fault.Conflict || f.Code != "quote_"+string(from) || after.State != from {
					t.Errorf("%s of a %s quote: %v, state %s", action, from, err, after.State)
				}
				continue
			}
			if err != nil || after.State != to || after.Version != before.Version+1 {
				t.Errorf("%s of a %s quote: %s, version %d, %v; want %s", action, from, after.State, after.Version, err, to)
			}
			event.Detail = quote.Detail{}
			want := quote.Event{QuoteID: "q1", Version: 2, At: noon.Now, AccountID: "account-1", KeyID: "key-1",
				RequestID: "request-1", Action: action, From: from, To: to}
			if diff := cmp.Diff(want, event); diff != "" {
				t.Errorf("event of %s (-want +got):\n%s", action, diff)
			}
		}
	}
}

func TestIssueTerms(t *testing.T) {
	for _, c := range []struct {
		claim string
		draft func(*quote.Quote)
		terms quote.IssueTerms
		until string
		code  string
	}{
		{"days count from the day of issue", nil, quote.IssueTerms{Number: "1", ValidDays: 30}, "2026-04-30", ""},
		{"today is early enough", nil, quote.IssueTerms{Number: "1", ValidUntil: "2026-03-31"}, "2026-03-31", ""},
		{"yesterday is not", nil, quote.IssueTerms{Number: "1", ValidUntil: "2026-03-30"}, "", "valid_until_in_the_past"},
		{"the draft's own day holds", func(q *quote.Quote) { q.ValidUntil = "2026-05-01" }, quote.IssueTerms{Number: "1", UsualDays: 3}, "2026-05-01", ""},
		{"the draft's own number of days holds", func(q *quote.Quote) { q.ValidDays = 3 }, quote.IssueTerms{Number: "1", UsualDays: 30}, "2026-04-03", ""},
		{"days given now go before the draft's day", func(q *quote.Quote) { q.ValidUntil = "2026-05-01" }, quote.IssueTerms{Number: "1", ValidDays: 3}, "2026-04-03", ""},
		{"a draft that says nothing is as usual", nil, quote.IssueTerms{Number: "1", UsualDays: 30}, "2026-04-30", ""},
		{"a day is a day", nil, quote.IssueTerms{Number: "1", ValidUntil: "2026-13-01"}, "", "valid_until_not_a_day"},
		{"nothing to issue", func(q *quote.Quote) { q.Lines = nil }, terms, "", "quote_empty"},
		{"no number", nil, quote.IssueTerms{}, "", "number_missing"},
		{"a revision keeps its number", func(q *quote.Quote) { q.Number = "1" }, quote.IssueTerms{Number: "2"}, "2026-03-31", ""},
	} {
		draft := coilQuote(t)
		if c.draft != nil {
			c.draft(&draft)
		}
		q, _, err := draft.Issue(noon, till, c.terms)
		code := firstField(err)
		if code == "" {
			code = fault.CodeOf(err)
		}
		if code != c.code {
			t.Errorf("%s: %v, want %q", c.claim, err, c.code)
		}
		if err == nil && (q.ValidUntil != c.until || q.IssuedOn != "2026-03-31" || q.Number != "1") {
			t.Errorf("%s: %s valid until %s, issued %s", c.claim, q.Number, q.ValidUntil, q.IssuedOn)
		}
	}
}

// The last day counts in the seller's zone, to its last second.
func TestExpiryInTheSellersZone(t *testing.T) {
	east := time.FixedZone("UTC+13", 13*3600)
	west := time.FixedZone("UTC-9", -9*3600)
	q := inState(t, quote.Issued)
	q.ValidUntil = "2026-03-31"
	for _, c := range []struct {
		at   time.Time
		zone *time.Location
		want quote.State
	}{
		{time.Date(2026, 3, 31, 23, 59, 59, 0, time.UTC), nil, quote.Issued},
		{time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC), nil, quote.Expired},
		{time.Date(2026, 3, 31, 10, 59, 59, 0, time.UTC), east, quote.Issued},
		{time.Date(2026, 3, 31, 11, 0, 0, 0, time.UTC), east, quote.Expired},
		{time.Date(2026, 4, 1, 8, 59, 59, 0, time.UTC), west, quote.Issued},
		{time.Date(2026, 4, 1, 9, 0, 0, 0, time.UTC), west, quote.Expired},
	} {
		clock := quote.Clock{Now: c.at, Zone: c.zone}
		if got := q.StateAt(clock); got != c.want {
			t.Errorf("at %s in %v: %s, want %s", c.at, c.zone, got, c.want)
		}
		_, _, err := q.Accept(clock, till, quote.AcceptTerms{})
		want := map[quote.State]string{quote.Issued: "", quote.Expired: "quote_expired"}[c.want]
		if fault.CodeOf(err) != want {
			t.Errorf("accept at %s in %v: %v, want %q", c.at, c.zone, err, want)
		}
	}
}

func TestHeldGoodsLapse(t *testing.T) {
	q, event, err := inState(t, quote.Issued).Accept(noon, till, quote.AcceptTerms{HeldFor: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	reserved := []quote.Claim{
		{LineID: "a", Location: "bench", SKU: "CK-1-M", Quantity: am("1"), Reserved: true},
		{LineID: "a", Location: "store", SKU: "CK-1-M", Quantity: am("2"), Reserved: true},
	}
	if diff := cmp.Diff(reserved, event.Detail.Reserved); diff != "" {
		t.Errorf("accept reserves what is on hand (-want +got):\n%s", diff)
	}
	end := noon.Now.Add(time.Hour)
	if _, _, due := q.Settle(quote.Clock{Now: end.Add(-time.Nanosecond)}); due {
		t.Error("lapsed before its time")
	}
	late := quote.Clock{Now: end}
	if _, _, err := q.Fulfil(late, till, nil); fault.CodeOf(err) != "quote_lapsed" {
		t.Errorf("fulfilling a lapsed quote: %v", err)
	}
	lapsed, event, due := q.Settle(late)
	if !due || lapsed.State != quote.Lapsed || event.Action != quote.Lapse || event.AccountID != "" {
		t.Fatalf("%v %s %+v", due, lapsed.State, event)
	}
	if diff := cmp.Diff(reserved, event.Detail.Released); diff != "" {
		t.Errorf("lapsing frees the goods (-want +got):\n%s", diff)
	}
	if left := lapsed.Reserved(); left != nil {
		t.Errorf("still reserved: %v", left)
	}
}

func TestAcceptRefuses(t *testing.T) {
	q := inState(t, quote.Issued)
	_, _, err := q.Accept(noon, till, quote.AcceptTerms{Blocks: []quote.Block{{LineID: "a", Notice: "n1", Text: "stop-sale of batch 12"}}})
	if f := fault.As(err); f == nil || f.Kind != fault.Conflict || f.Code != "blocked_by_notice" {
		t.Errorf("under a blocking notice: %v", err)
	}
	unpriced := coilQuote(t, func(q *quote.Quote) { q.Lines[0].NetPrice = nil })
	if !unpriced.PriceMissing {
		t.Error("the quote does not say that a price is missing")
	}
	unpriced, _, err = unpriced.Issue(noon, till, terms)
	if err != nil {
		t.Errorf("a quote that says a price is missing can be issued: %v", err)
	}
	if _, _, err := unpriced.Accept(noon, till, quote.AcceptTerms{}); fault.CodeOf(err) != "price_missing" {
		t.Errorf("accepting it: %v", err)
	}
}

func TestFulfilInParts(t *testing.T) {
	part := func(line, quantity string) quote.Part { return quote.Part{LineID: line, Quantity: am(quantity)} }
	q := inState(t, quote.Accepted)
	for _, refused := range []struct {
		part quote.Part
		code string
	}{{part("a", "4"), "more_than_left"}, {part("x", "1"), "no_such_line"}, {part("a", "0"), "quantity_not_positive"}, {part("a", "-1"), "quantity_not_positive"}} {
		_, _, err := q.Fulfil(noon, till, []quote.Part{refused.part})
		if code := fault.CodeOf(err); code != refused.code && firstField(err) != refused.code {
			t.Errorf("%v: %v, want %s", refused.part, err, refused.code)
		}
	}
	for _, step := range []struct {
		parts    []quote.Part
		state    quote.State
		consumed []quote.Claim
	}{
		{[]quote.Part{part("a", "2")}, quote.PartlyFulfilled, []quote.Claim{
			{LineID: "a", Location: "bench", SKU: "CK-1-M", Quantity: am("1"), Reserved: true},
			{LineID: "a", Location: "store", SKU: "CK-1-M", Quantity: am("1"), Reserved: true}}},
		{[]quote.Part{part("b", "1")}, quote.PartlyFulfilled, []quote.Claim{
			{LineID: "b", Location: "store", SKU: "SP-7", Quantity: am("1"), Reserved: false}}},
		{[]quote.Part{part("a", "1")}, quote.Fulfilled, []quote.Claim{
			{LineID: "a", Location: "store", SKU: "CK-1-M", Quantity: am("1"), Reserved: true}}},
	} {
		var event quote.Event
		var err error
		q, event, err = q.Fulfil(noon, till, step.parts)
		if err != nil || q.State != step.state {
			t.Fatalf("%v: %s, %v", step.parts, q.State, err)
		}
		if diff := cmp.Diff(step.consumed, event.Detail.Consumed); diff != "" {
			t.Errorf("%v consumes (-want +got):\n%s", step.parts, diff)
		}
	}
	if left := q.Reserved(); left != nil {
		t.Errorf("still reserved: %v", left)
	}
}

func TestReviseMakesTheNextRevision(t *testing.T) {
	q, _, err := coilQuote(t).Issue(noon, till, terms)
	if err != nil {
		t.Fatal(err)
	}
	late := quote.Clock{Now: noon.Now.AddDate(0, 2, 0)} // expired long ago
	r, err := q.Revise(late, till, "q2")
	if err != nil {
		t.Fatal(err)
	}
	if r.Old.State != quote.Superseded || r.Old.SupersededBy != "q2" || r.Event.From != quote.Expired {
		t.Errorf("old: %s by %q, from %s", r.Old.State, r.Old.SupersededBy, r.Event.From)
	}
	n := r.Next
	got := fmt.Sprint(n.ID, n.RootID, n.PreviousID, n.RevisionNo, n.State, n.Version, n.Number, n.IssuedOn, n.ValidUntil, n.PriceDate)
	if want := fmt.Sprint("q2", "q1", "q1", 2, quote.Draft, 1, "Q-00001", "", "", "2026-05-31"); got != want {
		t.Errorf("next: %s, want %s", got, want)
	}
	n.Lines[0].NetPrice = ptr(am("205.00"))
	n, err = n.Calculate()
	if err != nil {
		t.Fatal(err)
	}
	if r.Old.Totals.Due.Equal(n.Totals.Due) || r.Old.Lines[0].NetPrice.String() != "199.00" {
		t.Error("pricing the next revision touched the old one")
	}
	n, _, err = n.Issue(late, till, quote.IssueTerms{})
	if err != nil || n.Number != "Q-00001" {
		t.Errorf("the next revision is issued as %q, %v", n.Number, err)
	}
}

func TestIssuedIsImmutable(t *testing.T) {
	for _, s := range []quote.State{quote.Issued, quote.Accepted, quote.Fulfilled, quote.Expired, quote.Superseded} {
		if _, err := inState(t, s).Calculate(); fault.CodeOf(err) != "quote_immutable" {
			t.Errorf("pricing a %s quote anew: %v", s, err)
		}
	}
}

func TestAQuoteSurvivesItsStoredBody(t *testing.T) {
	q := inState(t, quote.Accepted)
	q.Bench = json.RawMessage(`{"leg":"left"}`)
	body, err := json.Marshal(q)
	if err != nil {
		t.Fatal(err)
	}
	var back quote.Quote
	if err := json.Unmarshal(body, &back); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(back)
	if err != nil || string(again) != string(body) {
		t.Errorf("comes back as %s, %v; was %s", again, err, body)
	}
}

func TestDiffReadsLikeASentence(t *testing.T) {
	before := coilQuote(t)
	after := coilQuote(t, func(q *quote.Quote) {
		a := &q.Lines[0]
		a.SKU, a.Supersedes, a.ID = "CK-2", "CK-1", "new-a"
		a.NetPrice, a.Quantity = ptr(am("209.50")), am("2")
		a.Verdict = "fits_with"
		a.Notices = []quote.NoticeRef{{ID: "n1", Text: "check the cap mark"}}
		a.Sourcing = []quote.Source{{Location: "store", Kind: quote.Backorder, Quantity: am("2"), On: "2026-05-01"}}
		q.Lines[1].NetPrice = nil
		q.Lines[2].ID = "d"
	})
	var texts, codes []string
	for _, d := range quote.Diff(before, after) {
		texts, codes = append(texts, d.Text), append(codes, d.LineID+" "+d.Code)
	}
	wantCodes := []string{"new-a superseded", "new-a quantity", "new-a price", "new-a verdict", "new-a notice", "new-a stock",
		"b price", "d added", "c removed", " total"}
	if diff := cmp.Diff(wantCodes, codes); diff != "" {
		t.Errorf("codes (-want +got):\n%s", diff)
	}
	want := []string{
		"Line 1, Coil kit (CK-2): replaces CK-1.",
		"Line 1, Coil kit (CK-2): quantity 2 instead of 3.",
		"Line 1, Coil kit (CK-2): the price rises from 199.00 EUR to 209.50 EUR.",
		"Line 1, Coil kit (CK-2): the fit is now: fits with; it was: fits.",
		"Line 1, Coil kit (CK-2): notice: check the cap mark.",
		"Line 1, Coil kit (CK-2): now 2 to be ordered at store from 2026-05-01; it was 1 on hand at bench, 2 on hand at store.",
		"Line 2, Spring (SP-7): has no price any longer; it was 32.00 EUR.",
		"Line 3, Labor: is new: 45 min.",
		"Line 3, Labor: is no longer on the quote.",
		"The amount due falls from 808.80 EUR to 556.80 EUR.",
	}
	if diff := cmp.Diff(want, texts); diff != "" {
		t.Errorf("sentences (-want +got):\n%s", diff)
	}
	after.Language = "de-AT"
	texts = nil
	for _, d := range quote.Diff(before, after) {
		texts = append(texts, d.Text)
	}
	want = []string{
		"Posten 1, Coil kit (CK-2): ersetzt CK-1.",
		"Posten 1, Coil kit (CK-2): Menge 2 statt 3.",
		"Posten 1, Coil kit (CK-2): der Preis steigt von 199,00 EUR auf 209,50 EUR.",
		"Posten 1, Coil kit (CK-2): Passung jetzt: passt mit weiteren Teilen; bisher: passt.",
		"Posten 1, Coil kit (CK-2): Hinweis: check the cap mark.",
		"Posten 1, Coil kit (CK-2): jetzt 2 zu bestellen bei store ab 2026-05-01; bisher 1 vorrätig bei bench, 2 vorrätig bei store.",
		"Posten 2, Spring (SP-7): hat keinen Preis mehr; bisher 32,00 EUR.",
		"Posten 3, Labor: ist neu: 45 min.",
		"Posten 3, Labor: steht nicht mehr auf dem Angebot.",
		"Der Zahlbetrag sinkt von 808,80 EUR auf 556,80 EUR.",
	}
	if diff := cmp.Diff(want, texts); diff != "" {
		t.Errorf("in German (-want +got):\n%s", diff)
	}
	if same := quote.Diff(before, before); len(same) != 0 {
		t.Errorf("a quote differs from itself: %v", same)
	}
}

func TestSeriesNumber(t *testing.T) {
	for _, c := range []struct {
		series quote.Series
		n      int64
		want   string
	}{
		{quote.Series{Prefix: "Q", Year: true, Separator: "-", Digits: 5}, 42, "Q-2026-00042"},
		{quote.Series{Prefix: "Q", Digits: 4}, 7, "Q0007"},
		{quote.Series{Year: true, Separator: "/", Digits: 3}, 1, "2026/001"},
		{quote.Series{Digits: 1}, 12, "12"},
		{quote.Series{Prefix: "A", Separator: "-", Digits: 2}, 1234, "A-1234"},
	} {
		if err := c.series.Check(); err != nil {
			t.Errorf("%+v: %v", c.series, err)
		}
		if got := c.series.Number(2026, c.n); got != c.want {
			t.Errorf("%+v: %s, want %s", c.series, got, c.want)
		}
	}
	for code, bad := range map[string]quote.Series{
		"series_prefix": {Prefix: "Q<b>", Digits: 4}, "series_separator": {Separator: "--", Digits: 4}, "series_digits": {Digits: 0},
	} {
		if got := firstField(bad.Check()); got != code {
			t.Errorf("%+v: %q, want %q", bad, got, code)
		}
	}
}

func TestPackages(t *testing.T) {
	for _, c := range []struct{ need, size, want, code string }{
		{"1000", "1000", "1", ""}, // an exact fit takes no second bottle
		{"1000.1", "1000", "2", ""},
		{"999.9", "1000", "1", ""},
		{"0", "1000", "0", ""},
		{"0.3", "0.1", "3", ""}, // floating point gives 2.9999999999999996
		{"1", "0", "", "package_size"},
		{"-1", "10", "", "package_size"},
	} {
		got, err := quote.Packages(am(c.need), am(c.size))
		if fault.CodeOf(err) != c.code || (err == nil && got.String() != c.want) {
			t.Errorf("%s from packages of %s: %s, %v", c.need, c.size, got, err)
		}
	}
}

func TestBenchByTheMilliliterCounterByTheBottle(t *testing.T) {
	for sale, want := range map[quote.Sale]string{quote.SaleBench: "0.76", quote.SaleCounter: "18.90"} {
		quantity, base, err := quote.SellPackaged(sale, am("40"), am("1000"))
		if err != nil {
			t.Fatal(err)
		}
		line := net(quantity.String(), "18.90", "20")
		line.BaseQuantity = &base
		p, err := quote.Price(euros([]quote.DocumentLine{line}))
		if err != nil || p.Totals.Lines.String() != want {
			t.Errorf("40 mL at the %s: %s, %v; want %s", sale, p.Totals.Lines, err, want)
		}
	}
}

func TestChoosePrice(t *testing.T) {
	entry := func(kind quote.PriceKind, price, minimum, from, until string) quote.Entry {
		return quote.Entry{Source: quote.PriceSource{Kind: kind, From: from}, Currency: "EUR", Basis: quote.Net,
			Price: am(price), MinQuantity: am(minimum), Until: until}
	}
	list := []quote.Entry{
		entry(quote.PriceRecommended, "40", "1", "2026-01-01", ""),
		entry(quote.PriceRecommended, "36", "10", "2026-01-01", ""),
		entry(quote.PriceRecommended, "44", "0", "2026-07-01", ""),
		entry(quote.PriceOwn, "39", "0", "2026-03-01", "2026-03-31"),
		{Source: quote.PriceSource{Kind: quote.PriceOwn}, Currency: "CHF", Basis: quote.Net, Price: am("1")},
		{Source: quote.PriceSource{Kind: quote.PriceOwn}, Currency: "EUR", Basis: quote.Gross, Price: am("2")},
	}
	for _, c := range []struct{ date, quantity, want string }{
		{"2025-12-31", "1", ""},
		{"2026-01-01", "9.9", "40"},
		{"2026-01-01", "0.5", "40"}, // from one on is any: half a milliliter has a price
		{"2026-01-01", "10", "36"},
		{"2026-01-01", "-10", "36"}, // a return at the price of the sale
		{"2026-03-31", "10", "39"},  // the shop's own price goes first
		{"2026-04-01", "1", "40"},
		{"2026-07-01", "1", "44"},
	} {
		for range 2 { // the order of entries does not matter
			slices.Reverse(list)
			got, ok := quote.ChoosePrice(list, "EUR", quote.Net, c.date, am(c.quantity))
			if ok != (c.want != "") || (ok && got.Price.String() != c.want) {
				t.Errorf("%s on %s: %s %v, want %q", c.quantity, c.date, got.Price, ok, c.want)
			}
		}
	}
}

func TestLabor(t *testing.T) {
	terms := quote.LaborTerms{Basis: quote.Net, PerHour: ptr(am("65.00")), Tax: standard("20"),
		Menu: map[string]money.Amount{"spring_swap": am("25.00")}}
	sum := func(op quote.Operation, terms quote.LaborTerms) (string, quote.PriceKind) {
		line, source := terms.Labor(op)
		p, err := quote.Price(euros([]quote.DocumentLine{line}))
		if err != nil {
			t.Fatal(err)
		}
		if p.Lines[0].PriceMissing {
			return "missing", source.Kind
		}
		return p.Totals.Lines.String(), source.Kind
	}
	for _, c := range []struct {
		code string
		want string
		kind quote.PriceKind
	}{{"coil_conversion", "54.17", quote.PriceLabor}, {"spring_swap", "25.00", quote.PriceMenu}} { // 65 x 50 / 60
		if got, kind := sum(quote.Operation{Code: c.code, Minutes: am("50")}, terms); got != c.want || kind != c.kind {
			t.Errorf("%s: %s from %s", c.code, got, kind)
		}
	}
	terms.PerHour = nil
	if got, kind := sum(quote.Operation{Code: "coil_conversion", Minutes: am("50")}, terms); got != "missing" || kind != quote.PriceNone {
		t.Errorf("without an hourly rate: %s from %s", got, kind)
	}
}

func TestSlot(t *testing.T) {
	slot := quote.Slot{Code: "spring", Default: "SP-6", Choices: []quote.Choice{{SKU: "SP-6"}, {SKU: "SP-7", Difference: am("4.50")}}}
	for asked, want := range map[string]string{"": "SP-6", "SP-7": "SP-7"} {
		if got, err := slot.Choose(asked); err != nil || got.SKU != want {
			t.Errorf("%q: %s, %v", asked, got.SKU, err)
		}
	}
	if _, err := slot.Choose("SP-9"); fault.CodeOf(err) != "not_a_choice" {
		t.Errorf("SP-9: %v", err)
	}
	slot.Default = ""
	_, err := slot.Choose("")
	if f := fault.As(err); f == nil || f.Code != "slot_not_chosen" || len(f.Candidates) != 2 {
		t.Errorf("nothing chosen: %v", err)
	}
}

func TestFindTax(t *testing.T) {
	rules := []quote.TaxRule{
		{Class: "parts", Tax: standard("20"), From: "2020-01-01", Until: "2026-06-30"},
		{Class: "parts", Tax: standard("21"), From: "2026-07-01"},
		{Class: "parts", Destination: "XB", Tax: standard("7"), From: "2020-01-01"},
	}
	for _, c := range []struct{ class, destination, date, want string }{
		{"parts", "XA", "2026-06-30", "S@20"},
		{"parts", "XA", "2026-07-01", "S@21"},
		{"parts", "", "2026-07-01", "S@21"},
		{"parts", "XB", "2026-07-01", "S@7"},
		{"labor", "XA", "2026-07-01", ""},
		{"parts", "XA", "2019-12-31", ""},
	} {
		got, err := quote.FindTax(rules, c.class, c.destination, c.date)
		if c.want == "" {
			if fault.CodeOf(err) != "no_tax_rule" {
				t.Errorf("%+v: %v, %v", c, got, err)
			}
			continue
		}
		if err != nil || got.Key() != c.want {
			t.Errorf("%+v: %s, %v", c, got.Key(), err)
		}
	}
}

func TestTextsNameTheirFallback(t *testing.T) {
	texts := quote.Texts{"en": "Spring", "de": "Feder"}
	for _, c := range []struct {
		asked          []string
		text, language string
	}{{[]string{"de", "en"}, "Feder", "de"}, {[]string{"fr", "en"}, "Spring", "en"}, {[]string{"fr"}, "Feder", "de"}} {
		if text, language := texts.In(c.asked...); text != c.text || language != c.language {
			t.Errorf("%v: %q in %q", c.asked, text, language)
		}
	}
}

package service

import (
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/quagmt/udecimal"

	"forkwright/service/account"
	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/money"
	"forkwright/service/notice"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

var demo = sync.OnceValue(func() *catalog.Revision {
	tables, problems := source.Load(os.DirFS("../testdata/catalog"))
	if catalog.HasErrors(problems) {
		panic(problems[0])
	}
	return catalog.Build(tables, 7)
})

var monday = quote.Clock{Now: time.Date(2026, 3, 2, 23, 30, 0, 0, time.UTC), Zone: time.FixedZone("east", 3600)}

// sources are a shop in DE that sells without tax.
func sources(change ...func(*QuoteSources)) QuoteSources {
	s := QuoteSources{
		Seller: account.Seller{
			AccountID: "shop", LegalName: "Shop", TaxCountry: "DE", DefaultCurrency: "EUR", PriceBasis: "net", Languages: []string{"en", "de"},
			TimeZone: "Europe/Berlin", Series: "Q",
			Labor: account.Labor{PerMinute: map[string]string{"EUR": "1.15"}, Menu: map[string]map[string]string{"lower_leg_service": {"EUR": "52.00"}}},
		},
		QuoteTerms: QuoteTerms{Taxes: []quote.TaxRule{
			{Class: "standard", Destination: "DE", From: "2021-01-01", Tax: quote.Tax{Category: quote.Standard, Rate: money.MustParse("19")}},
			{Class: "standard", Destination: "DE", From: "2030-01-01", Tax: quote.Tax{Category: quote.Standard, Rate: money.MustParse("21")}},
			{Class: "standard", Destination: "DE", From: "2021-01-01", Tax: quote.Tax{Category: quote.ReverseCharge}},
			{Class: "standard", Destination: "US", From: "2021-01-01", Tax: quote.Tax{Category: quote.OutsideScope}},
			{Class: "standard", Destination: "US-CO", From: "2021-01-01", Tax: quote.Tax{Category: quote.Standard, Rate: money.MustParse("2.9")}},
		}},
		Clock: monday,
	}
	for _, c := range change {
		c(&s)
	}
	return s
}

func draftOf(t testing.TB, ask QuoteAsk, src QuoteSources) (quote.Quote, error) {
	t.Helper()
	if ask.Language == "" {
		ask.Language = "en"
	}
	plan, err := PlanQuote(demo(), []string{ask.Language}, ask)
	if err != nil {
		t.Fatal(err)
	}
	return plan.Draft(src)
}

func mustDraft(t testing.TB, ask QuoteAsk, src QuoteSources) quote.Quote {
	t.Helper()
	q, err := draftOf(t, ask, src)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func part(code, quantity string) AskedLine {
	return AskedLine{Code: code, Quantity: money.MustParse(quantity), NoFork: true}
}

func TestNumbersAreWrittenInTheSellersForm(t *testing.T) {
	for _, x := range []struct {
		form   string
		number int64
		want   string
	}{
		{"{series}-{year}-{number:5}", 42, "RU-2026-00042"},
		{"{number}", 7, "7"},
		{"{year}/{series}.{number:2}", 123, "2026/RU.123"},
	} {
		if got := numberText(x.form, "RU", 2026, x.number); got != x.want {
			t.Errorf("%s: %s, want %s", x.form, got, x.want)
		}
	}
}

func TestLaborIsChargedOnce(t *testing.T) {
	ask := QuoteAsk{
		Fork: &AskedFork{ForkID: "skarnfeld-hollin-36-expert-2021", ModelYear: 2021},
		Job:  &AskedJob{Jobs: []string{"preload_change", "lower_leg_service", "bump_stop_setting"}, Fitted: "QB-C36S-160", OwnsTools: true},
	}
	for _, x := range []struct {
		mode LaborMode
		want []string
	}{
		// Both settings open the cap: 6 minutes once, and 4 of each.
		{LaborMinute, []string{"opening/cap 6 min 1.15", "opening/lowers 21 min 1.15", "operation/service_lower_legs 17 min 1.15", "operation/set_bump_stop 4 min 1.15", "operation/set_preload 4 min 1.15"}},
		{LaborMenu, []string{"job/lower_leg_service 1 each 52.00", "opening/cap 6 min 1.15", "operation/set_bump_stop 4 min 1.15", "operation/set_preload 4 min 1.15"}},
		{LaborNone, nil},
	} {
		ask.Labor = x.mode
		var got []string
		for _, l := range mustDraft(t, ask, sources()).Lines {
			if l.Role == quote.RoleLabor {
				got = append(got, strings.Join([]string{l.Rule, l.Quantity.Plain(), l.Unit, l.NetPrice.String()}, " "))
			}
		}
		slices.Sort(got)
		if diff := cmp.Diff(x.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", x.mode, diff)
		}
	}
}

func TestTaxFollowsPlaceAndDay(t *testing.T) {
	one := []AskedLine{part("QB-AC-GUARD", "1")}
	for _, x := range []struct {
		name string
		ask  QuoteAsk
		tax  string
		code string
	}{
		{"at home", QuoteAsk{Lines: one}, "S@19", ""},
		{"after the rate has changed", QuoteAsk{Lines: one, PriceDate: "2030-01-01"}, "S@21", ""},
		{"the day before", QuoteAsk{Lines: one, PriceDate: "2029-12-31"}, "S@19", ""},
		{"before any rate", QuoteAsk{Lines: one, PriceDate: "2020-12-31"}, "", "no_tax_rule"},
		{"a region with its own", QuoteAsk{Lines: one, Destination: "US-CO"}, "S@2.9", ""},
		{"a region without: the country's only category, which needs a reason", QuoteAsk{Lines: one, Destination: "US-OR"}, "", "tax_reason_missing"},
		{"with its reason", QuoteAsk{Lines: one, Destination: "US-OR", TaxReasons: map[quote.Category]string{quote.OutsideScope: "sold abroad"}}, "O@0", ""},
		{"reverse charge", QuoteAsk{Lines: one, TaxCategory: quote.ReverseCharge, TaxReasons: map[quote.Category]string{quote.ReverseCharge: "buyer owes"}}, "AE@0", ""},
		{"reverse charge where no such rule is stated", QuoteAsk{Lines: one, Destination: "FR", TaxCategory: quote.ReverseCharge, TaxReasons: map[quote.Category]string{quote.ReverseCharge: "buyer owes"}}, "AE@0", ""},
		{"and without a reason", QuoteAsk{Lines: one, Destination: "FR", TaxCategory: quote.ReverseCharge}, "", "tax_reason_missing"},
		{"the zero rate is the law's to state", QuoteAsk{Lines: one, Destination: "FR", TaxCategory: quote.ZeroRated}, "", "no_tax_rule"},
	} {
		src := sources()
		if x.ask.PriceDate == "2020-12-31" {
			x.ask.Lines = []AskedLine{{Text: "x", Quantity: money.FromInt(1), NetPrice: ptr(money.FromInt(1))}}
		}
		q, err := draftOf(t, x.ask, src)
		if x.code != "" {
			if f := fault.As(err); f == nil || len(f.Fields) == 0 || f.Fields[0].Code != x.code {
				t.Errorf("%s: %v, want %s", x.name, err, x.code)
			}
			continue
		}
		if err != nil || q.Lines[0].Tax.Key() != x.tax {
			t.Errorf("%s: %v, %v, want %s", x.name, q.Lines, err, x.tax)
		}
	}
}

func ptr[T any](v T) *T { return &v }

func TestTodayIsTheSellersDay(t *testing.T) {
	if q := mustDraft(t, QuoteAsk{Lines: []AskedLine{part("QB-AC-GUARD", "1")}}, sources()); q.PriceDate != "2026-03-03" {
		t.Errorf("the price date is %s", q.PriceDate)
	}
}

func TestAChoiceInsideAKitChangesItsPriceByTheDifference(t *testing.T) {
	src := sources(func(s *QuoteSources) {
		s.Own = []OwnPrice{{SKU: "QB-S36L-060", Currency: "EUR", Basis: "net", Amount: money.MustParse("58.50"), From: "2025-01-01"}}
	})
	line := part("QB-C36S-160", "1")
	byDefault := mustDraft(t, QuoteAsk{Lines: []AskedLine{line}}, src)
	line.Choices = map[string]string{"spring": "QB-S36L-060"}
	chosen := mustDraft(t, QuoteAsk{Lines: []AskedLine{line}}, src)
	if byDefault.Lines[1].SKU != "QB-S36L-075" || chosen.Lines[1].SKU != "QB-S36L-060" || !chosen.Lines[1].Stocked {
		t.Fatalf("packed with %s and %s", byDefault.Lines[1].SKU, chosen.Lines[1].SKU)
	}
	// 48.00 is the price of the default on the recommended list: 58.50 - 48.00 more.
	if got := chosen.Lines[0].NetPrice.Sub(*byDefault.Lines[0].NetPrice).String(); got != "10.50" {
		t.Errorf("the choice costs %s more", got)
	}
}

func TestGoodsArePlannedPlaceByPlace(t *testing.T) {
	soon, past := monday.Now.AddDate(0, 0, 5), monday.Now.AddDate(0, 0, -5)
	n := udecimal.MustParse
	src := sources(func(s *QuoteSources) {
		s.Places = []string{"front", "back"}
		s.Stock = []stock.Level{
			{Location: "back", SKU: "QB-AC-GUARD", OnHand: n("5"), Promised: n("3"), Incoming: n("9"), IncomingOn: &past},
			{Location: "front", SKU: "QB-AC-GUARD", OnHand: n("1"), Incoming: n("4"), IncomingOn: &soon},
		}
	})
	q := mustDraft(t, QuoteAsk{Lines: []AskedLine{part("QB-AC-GUARD", "2"), part("QB-AC-GUARD", "6")}}, src)
	var got []string
	for _, l := range q.Lines {
		for _, s := range l.Sourcing {
			got = append(got, strings.Join([]string{l.ID, s.Location, string(s.Kind), s.Quantity.Plain(), s.On}, " "))
		}
	}
	want := []string{
		"L1 front on_hand 1 ", "L1 back on_hand 1 ",
		"L2 back on_hand 1 ", "L2 front incoming 4 2026-03-07", "L2 front backorder 1 ", // what should have come already is no promise
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestNoticesStandOnTheirLines(t *testing.T) {
	src := sources(func(s *QuoteSources) {
		s.Notices = notice.NewSet([]notice.Notice{
			{ID: "n1", Kind: notice.StopSale, Effect: notice.Block, SKU: "QB-AC-GUARD", Text: "Do not sell.", From: monday.Now.AddDate(0, 0, -1)},
			{ID: "n2", Kind: notice.StopSale, Effect: notice.Block, SKU: "QB-AC-GUARD", Text: "Later.", From: monday.Now.AddDate(0, 0, 1)},
		}, 1, monday.Now)
	})
	q := mustDraft(t, QuoteAsk{Lines: []AskedLine{part("QB-AC-GUARD", "1"), part("QB-AC-BAG", "1")}}, src)
	if diff := cmp.Diff([]quote.NoticeRef{{ID: "n1", Blocks: true, Text: "Do not sell."}}, q.Lines[0].Notices); diff != "" || len(q.Lines[1].Notices) > 0 {
		t.Errorf("%v %v", diff, q.Lines[1].Notices)
	}
}

// TestTheOrderOfLinesDoesNotMatter draws carts and turns them over.
func TestTheOrderOfLinesDoesNotMatter(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 8))
	skus := []string{"QB-AC-GUARD", "QB-AC-BAG", "LN-B46-250", "QB-SV-SK36-2", "QB-S36L-060", "LN-GR-50", "QB-CW8"}
	for range 60 {
		var lines []AskedLine
		for range 1 + r.IntN(8) {
			l := part(skus[r.IntN(len(skus))], money.FromInt(int64(1+r.IntN(9))).String())
			if r.IntN(3) == 0 {
				l.Discounts = []quote.Adjustment{{Percent: ptr(money.FromInt(int64(r.IntN(40))))}}
			}
			lines = append(lines, l)
		}
		ask := QuoteAsk{Lines: lines, Discounts: []quote.DocumentAdjustment{{Adjustment: quote.Adjustment{Percent: ptr(money.MustParse("2.5"))}}}}
		before := mustDraft(t, ask, sources())
		sum := money.Sum(2)
		for _, l := range before.Lines {
			sum = sum.Add(*l.Amounts.Net)
		}
		if !sum.Equal(before.Totals.Lines) {
			t.Fatalf("the lines add up to %s, the total of lines is %s", sum, before.Totals.Lines)
		}
		r.Shuffle(len(lines), func(i, j int) { lines[i], lines[j] = lines[j], lines[i] })
		after := mustDraft(t, ask, sources())
		if diff := cmp.Diff(before.Totals, after.Totals, cmp.Comparer(money.Amount.Equal)); diff != "" {
			t.Fatalf("turned over (-before +after):\n%s", diff)
		}
	}
}

func TestARevisionKeepsTheIdsOfItsLines(t *testing.T) {
	first := mustDraft(t, QuoteAsk{Lines: []AskedLine{part("QB-AC-GUARD", "1"), part("QB-AC-BAG", "1"), part("QB-AC-GUARD", "2")}}, sources())
	second := mustDraft(t, QuoteAsk{Lines: []AskedLine{part("QB-CW8", "1"), part("QB-AC-BAG", "1"), part("QB-AC-GUARD", "5")}}, sources(func(s *QuoteSources) { s.Previous = &first }))
	var got []string
	for _, l := range second.Lines {
		got = append(got, l.SKU+" "+l.ID)
	}
	if diff := cmp.Diff([]string{"QB-CW8 L4", "QB-AC-BAG L2", "QB-AC-GUARD L1"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestFluidsGoByTheMilliliterAtTheBenchAndByThePackageOverTheCounter(t *testing.T) {
	own := func(s *QuoteSources) {
		s.Own = []OwnPrice{
			{SKU: "LN-B46-250", Currency: "EUR", Basis: "net", Amount: money.MustParse("12.50"), MinQuantity: money.FromInt(1), From: "2025-01-01"},
			{SKU: "LN-GR-50", Currency: "EUR", Basis: "net", Amount: money.MustParse("9.00"), MinQuantity: money.FromInt(1), From: "2025-01-01"},
		}
	}
	service := QuoteAsk{
		Fork: &AskedFork{ForkID: "skarnfeld-hollin-36-expert-2021", ModelYear: 2021},
		Job:  &AskedJob{Jobs: []string{"lower_leg_service"}, Kits: []string{"QB-SV-SK36-2"}, OwnsTools: true},
	}
	counter := service
	counter.Counter = true
	for _, x := range []struct {
		claim string
		ask   QuoteAsk
		want  []string
	}{
		{"at the bench by what is used", service, []string{"LN-B46-250 26.5 at 12.50 for 250: 1.33 own", "LN-GR-50 4 at 9.00 for 50: 0.72 own"}},
		{"over the counter in whole packages", counter, []string{"LN-B46-250 250 at 12.50 for 250: 12.50 own whole_packages", "LN-GR-50 50 at 9.00 for 50: 9.00 own whole_packages"}},
		{"by name in whole packages", QuoteAsk{Lines: []AskedLine{part("LN-B46-250", "251")}}, []string{"LN-B46-250 500 at 12.50 for 250: 25.00 own whole_packages"}},
	} {
		var got []string
		for _, l := range mustDraft(t, x.ask, sources(own)).Lines {
			if l.BaseQuantity != nil && (l.SKU == "LN-B46-250" || l.SKU == "LN-GR-50") {
				line := l.SKU + " " + l.Quantity.Plain() + " at " + l.NetPrice.String() + " for " + l.BaseQuantity.Plain() + ": " + l.Amounts.Net.String() + " " + string(l.Price.Kind)
				if l.Rule == "whole_packages" {
					line += " " + l.Rule
				}
				got = append(got, line)
			}
		}
		if diff := cmp.Diff(x.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", x.claim, diff)
		}
	}
}

// A notice may be about a row of the catalog: then it stands on what that row lets fit, on a quote's
// line and in the place of another part, and on nothing else.
func TestNoticesAboutRows(t *testing.T) {
	rev := demo()
	fork, _ := rev.Fork("skarnfeld-hollin-36-expert-2021")
	owned := &fitment.Owned{Fork: fork, ModelYear: 2021, TravelNow: fitment.Travel{MM: 160, How: fitment.Measured}}
	const sku, other = "QB-S36L-055", "QB-CW8"
	row := fitment.Judge(rev, owned, sku).Reasons[0].Row
	if row == "" {
		t.Fatal("the verdict names no row")
	}
	about := func(n notice.Notice) *notice.Set {
		n.ID, n.Kind, n.Effect, n.Text, n.From = "n1", notice.StopSale, notice.Block, "Do not sell.", monday.Now.Add(-time.Hour)
		return notice.NewSet([]notice.Notice{n}, 1, monday.Now)
	}
	for name, x := range map[string]struct {
		set    *notice.Set
		owned  *fitment.Owned
		sku    string
		blocks bool
	}{
		"the row":             {about(notice.Notice{Row: row}), owned, sku, true},
		"another part":        {about(notice.Notice{Row: row}), owned, other, false},
		"without the fork":    {about(notice.Notice{Row: row}), nil, sku, false},
		"another row":         {about(notice.Notice{Row: "no-such-row"}), owned, sku, false},
		"the part":            {about(notice.Notice{SKU: sku}), nil, sku, true},
		"the fork":            {about(notice.Notice{Fork: fork.ID}), owned, sku, true},
		"another fork":        {about(notice.Notice{Fork: "another"}), owned, sku, false},
		"no notices":          {notice.NewSet(nil, 1, monday.Now), owned, sku, false},
		"nothing was read":    {nil, owned, sku, false},
		"a serial outside it": {about(notice.Notice{SKU: sku, SerialFrom: "A1", SerialTo: "A9"}), &fitment.Owned{Fork: fork, Serial: "B5"}, sku, false},
	} {
		if got := Stopped(x.set, rev, x.owned, x.sku, monday.Now); got != x.blocks {
			t.Errorf("%s: stopped %v", name, got)
		}
	}
	reasons := raw(wordsOf(fitment.Judge(rev, owned, sku).Reasons))
	for line, want := range map[*quote.Line]int{{SKU: sku, ForFork: fork.ID, Reasons: reasons}: 1, {SKU: other, ForFork: fork.ID}: 0} {
		if got := noticesOn(about(notice.Notice{Row: row}), owned, *line, monday); len(got) != want {
			t.Errorf("on the line of %s stand %v", line.SKU, got)
		}
	}
}

func BenchmarkQuoteOfAConversion(b *testing.B) {
	ask := QuoteAsk{
		Language: "en",
		Fork:     &AskedFork{ForkID: "skarnfeld-hollin-36-expert-2021", ModelYear: 2021},
		Job:      &AskedJob{Jobs: []string{"coil_conversion", "lower_leg_service"}, Cartridge: "QB-C36S-160", Spring: "QB-S36L-055", Kits: []string{"QB-SV-SK36-2"}, OwnsTools: true},
	}
	src := sources()
	demo()
	b.ReportAllocs()
	for b.Loop() {
		mustDraft(b, ask, src)
	}
}

package quote_test

import (
	"encoding/json"
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/quote"
)

func am(text string) money.Amount { return money.MustParse(text) }

func ptr[T any](v T) *T { return &v }

func standard(rate string) quote.Tax {
	return quote.Tax{Category: quote.Standard, Rate: am(rate)}
}

func net(qty, price, rate string) quote.DocumentLine {
	return quote.DocumentLine{Quantity: am(qty), NetPrice: ptr(am(price)), Tax: standard(rate)}
}

func aimed(amount string, tax quote.Tax) quote.DocumentAdjustment {
	return quote.DocumentAdjustment{Adjustment: quote.Adjustment{Amount: ptr(am(amount))}, Tax: &tax}
}

func gross(qty, price, rate string) quote.DocumentLine {
	return quote.DocumentLine{Quantity: am(qty), GrossPrice: ptr(am(price)), Tax: standard(rate)}
}

// euros is a valid document in EUR, damaged or extended by each change.
func euros(lines []quote.DocumentLine, changes ...func(*quote.Document)) quote.Document {
	d := quote.Document{Currency: "EUR", Lines: lines}
	for _, c := range changes {
		c(&d)
	}
	return d
}

func in(currency money.Currency) func(*quote.Document) {
	return func(d *quote.Document) { d.Currency = currency }
}

func TestPriceWorkedExamples(t *testing.T) {
	percent := func(p string) quote.Adjustment { return quote.Adjustment{Percent: ptr(am(p))} }
	amount := func(a string) quote.Adjustment { return quote.Adjustment{Amount: ptr(am(a))} }
	exempt := func(l quote.DocumentLine, c quote.Category) quote.DocumentLine {
		l.Tax = quote.Tax{Category: c}
		return l
	}
	for _, c := range []struct {
		claim string
		doc   quote.Document
		want  map[string]any
	}{
		{"a credit mirrors its sale: half a cent goes away from zero",
			euros([]quote.DocumentLine{net("-1", "7612.50", "19")}),
			map[string]any{"vat": "-1446.38", "gross": "-9058.88", "due": "-9058.88"}},
		{"coins of 0.05 move the sum and not the tax",
			euros([]quote.DocumentLine{net("1", "99.90", "8.1")}, in("CHF"), func(d *quote.Document) { d.CashStep = ptr(am("0.05")) }),
			map[string]any{"vat": "8.09", "gross": "107.99", "rounding": "0.01", "due": "108.00"}},
		{"coins round what is due after a deposit",
			euros([]quote.DocumentLine{net("1", "99.90", "8.1")}, in("CHF"), func(d *quote.Document) {
				d.CashStep, d.Prepaid = ptr(am("0.05")), ptr(am("50.02"))
			}),
			map[string]any{"gross": "107.99", "prepaid": "50.02", "rounding": "-0.02", "due": "57.95"}},
		{"the dinar has three decimals",
			euros([]quote.DocumentLine{net("3", "1.2345", "5")}, in("KWD")),
			map[string]any{"sum_lines": "3.704", "vat": "0.185", "due": "3.889"}},
		{"forint can be billed whole",
			euros([]quote.DocumentLine{net("3", "333.33", "27")}, in("HUF"), func(d *quote.Document) { d.Decimals = ptr(0) }),
			map[string]any{"sum_lines": "1000", "vat": "270", "due": "1270"}},
		{"net + tax cannot reach 0.16 at 19 %, and the shelf price stands",
			euros([]quote.DocumentLine{gross("1", "0.16", "19")}),
			map[string]any{"net": "0.13", "vat": "0.02", "gross": "0.15", "rounding": "0.01", "due": "0.16"}},
		{"a line discount is rounded, then taken off",
			euros([]quote.DocumentLine{func() quote.DocumentLine {
				l := net("3", "33.30", "20")
				l.Discounts = []quote.Adjustment{percent("12.5"), amount("1.00")}
				l.Charges = []quote.Adjustment{amount("0.50")}
				return l
			}()}),
			map[string]any{"sum_lines": "86.91", "vat": "17.38", "due": "104.29"}}, // 99.90 - 12.49 - 1.00 + 0.50
		{"a document discount is split over the rates, each part an allowance",
			euros([]quote.DocumentLine{net("1", "100.00", "19"), net("1", "50.00", "7")}, func(d *quote.Document) {
				d.Discounts = []quote.DocumentAdjustment{{Adjustment: amount("10.00")}}
				d.Charges = []quote.Charge{{Adjustment: amount("5.90"), Tax: standard("19")}}
			}),
			map[string]any{
				"allowances": "10.00", "charges": "5.90", "net": "145.90",
				"taxable[S@19]": "99.23", "tax[S@19]": "18.85", // 100 - 6.67 + 5.90
				"taxable[S@7]": "46.67", "tax[S@7]": "3.27", // 50 - 3.33
				"due": "168.02",
			}},
		{"ten percent off shelf prices is ten percent off what is due",
			euros([]quote.DocumentLine{gross("1", "189.90", "19"), gross("2", "12.49", "19"), gross("1", "85.00", "7")}, func(d *quote.Document) {
				d.Discounts = []quote.DocumentAdjustment{{Adjustment: percent("10")}}
			}),
			// 29.99 is 21.49 and 8.50: 214.88 - 21.49 = 193.39, over 1.19; 85.00 - 8.50 = 76.50, over 1.07
			map[string]any{"taxable[S@19]": "162.51", "taxable[S@7]": "71.50", "due": "269.89"}},
		{"a discount with a tax is taken from what bears it, a percentage of those lines",
			euros([]quote.DocumentLine{net("1", "100.00", "19"), net("1", "50.00", "7")}, func(d *quote.Document) {
				d.Discounts = []quote.DocumentAdjustment{{Adjustment: percent("10"), Tax: ptr(standard("7"))}}
			}),
			map[string]any{"taxable[S@19]": "100.00", "taxable[S@7]": "45.00", "allowances": "5.00"}},
		{"a voucher without tax comes off a taxed document",
			euros([]quote.DocumentLine{net("1", "100.00", "19")}, func(d *quote.Document) {
				d.Discounts = []quote.DocumentAdjustment{aimed("20.00", quote.Tax{Category: quote.Exempt, Reason: "Voucher"})}
			}),
			map[string]any{"taxable[S@19]": "100.00", "tax[S@19]": "19.00", "taxable[E@0]": "-20.00", "tax[E@0]": "0.00", "due": "99.00"}},
		{"a credit pays its charge back, and what was paid of it went the other way",
			euros([]quote.DocumentLine{net("-1", "100.00", "19")}, func(d *quote.Document) {
				d.Charges, d.Prepaid = []quote.Charge{{Adjustment: amount("-5.90"), Tax: standard("19")}}, ptr(am("-26.02"))
			}),
			map[string]any{"charges": "-5.90", "taxable[S@19]": "-105.90", "prepaid": "-26.02", "due": "-100.00"}},
		{"an odd cent of a discount goes to the lower rate, whichever line comes first",
			euros([]quote.DocumentLine{net("1", "1.00", "19"), net("1", "1.00", "7")}, func(d *quote.Document) {
				d.Discounts = []quote.DocumentAdjustment{{Adjustment: amount("0.01")}}
			}),
			map[string]any{"taxable[S@7]": "0.99", "taxable[S@19]": "1.00"}},
		{"reverse charge carries no tax and says why",
			euros([]quote.DocumentLine{exempt(net("2", "10.00", "0"), quote.ReverseCharge)}, func(d *quote.Document) {
				d.TaxReasons = map[quote.Category]string{quote.ReverseCharge: "Reverse charge"}
			}),
			map[string]any{"taxable[AE@0]": "20.00", "tax[AE@0]": "0.00", "due": "20.00"}},
		{"zero-rated goods need no reason",
			euros([]quote.DocumentLine{exempt(net("2", "10.00", "0"), quote.ZeroRated), net("1", "1.00", "20")}),
			map[string]any{"taxable[Z@0]": "20.00", "tax[S@20]": "0.20", "due": "21.20"}},
		{"19 and 19.00 percent are one group",
			euros([]quote.DocumentLine{net("1", "0.13", "19"), net("1", "0.13", "19.00")}),
			map[string]any{"taxable[S@19]": "0.26", "tax[S@19]": "0.05", "due": "0.31"}},
	} {
		p, err := quote.Price(c.doc)
		if err != nil {
			t.Errorf("%s: %v", c.claim, err)
			continue
		}
		got := flatten(p)
		for name, want := range c.want {
			if diff := cmp.Diff(want, got[name]); diff != "" {
				t.Errorf("%s: %s (-want +got):\n%s", c.claim, name, diff)
			}
		}
		consistent(t, c.doc, p)
	}
}

func TestPriceRefuses(t *testing.T) {
	with := func(change func(*quote.DocumentLine)) func(*quote.Document) {
		return func(d *quote.Document) { change(&d.Lines[0]) }
	}
	tax := func(c quote.Category, rate, reason string) func(*quote.Document) {
		return with(func(l *quote.DocumentLine) { l.Tax = quote.Tax{Category: c, Rate: am(rate), Reason: reason} })
	}
	discount := func(a quote.Adjustment) func(*quote.Document) {
		return func(d *quote.Document) {
			d.Discounts = append(d.Discounts, quote.DocumentAdjustment{Adjustment: a})
		}
	}
	for _, c := range []struct {
		pointer, code string
		change        func(*quote.Document)
	}{
		{"/currency", "unknown_currency", in("XXY")},
		{"/decimals", "decimals_out_of_range", func(d *quote.Document) { d.Decimals = ptr(3) }},
		{"/basis", "unknown_basis", func(d *quote.Document) { d.Basis = "both" }},
		{"/lines/1/gross_price", "mixed_price_basis", func(d *quote.Document) { d.Lines = append(d.Lines, gross("1", "5", "20")) }},
		{"/lines/0/net_price", "mixed_price_basis", func(d *quote.Document) { d.Basis = quote.Gross }},
		{"/lines/0", "two_prices", with(func(l *quote.DocumentLine) { l.GrossPrice = ptr(am("1")) })},
		{"/lines/0/quantity", "quantity_zero", with(func(l *quote.DocumentLine) { l.Quantity = am("0.0") })},
		{"/lines/0/base_quantity", "base_quantity_not_positive", with(func(l *quote.DocumentLine) { l.BaseQuantity = ptr(am("0")) })},
		{"/lines/0/net_price", "negative_price", with(func(l *quote.DocumentLine) { l.NetPrice = ptr(am("-1")) })},
		{"/lines/0/net_price", "price_on_uncharged_line", with(func(l *quote.DocumentLine) { l.Role = quote.RoleCustomer })},
		{"/lines/0/tax/rate", "tax_rate_out_of_range", tax(quote.Standard, "0", "")},
		{"/lines/0/tax/rate", "tax_rate_out_of_range", tax(quote.Standard, "100.01", "")},
		{"/lines/0/tax/rate", "tax_rate_not_zero", tax(quote.Exempt, "7", "x")},
		{"/lines/0/tax/category", "tax_category_missing", tax("", "0", "")},
		{"/lines/0/tax/category", "unknown_tax_category", tax("K", "0", "")},
		{"/lines/0/tax/reason", "tax_reason_not_allowed", tax(quote.Standard, "19", "x")},
		{"/tax_reasons/E", "tax_reason_missing", tax(quote.Exempt, "0", "")},
		{"/tax_reasons/AE", "tax_reason_missing", tax(quote.ReverseCharge, "0", "")},
		{"/tax_reasons/O", "tax_reason_missing", tax(quote.OutsideScope, "0", "")},
		{"/lines", "outside_scope_alone", func(d *quote.Document) {
			tax(quote.OutsideScope, "0", "x")(d)
			d.Lines = append(d.Lines, net("1", "5", "20"))
		}},
		{"/lines/1/tax/reason", "tax_reason_conflict", func(d *quote.Document) {
			tax(quote.Exempt, "0", "training")(d)
			d.Lines = append(d.Lines, d.Lines[0])
			d.Lines[1].Tax.Reason = "medical"
		}},
		{"/lines/0/discounts", "discount_too_large", with(func(l *quote.DocumentLine) {
			l.Discounts = []quote.Adjustment{{Amount: ptr(am("10.01"))}}
		})},
		{"/lines/0/discounts/0/amount", "negative_amount", with(func(l *quote.DocumentLine) {
			l.Discounts = []quote.Adjustment{{Amount: ptr(am("-1"))}}
		})},
		{"/lines/0", "adjusted_without_price", with(func(l *quote.DocumentLine) {
			l.NetPrice, l.Discounts = nil, []quote.Adjustment{{Percent: ptr(am("1"))}}
		})},
		{"/lines/0/quantity", "amount_too_large", with(func(l *quote.DocumentLine) { l.Quantity, l.NetPrice = am("1000000"), ptr(am("999999999999999")) })},
		{"/lines", "amount_too_large", with(func(l *quote.DocumentLine) { l.NetPrice = ptr(am("999999999999999")) })}, // with its tax
		{"/discounts/0", "percent_or_amount", discount(quote.Adjustment{})},
		{"/discounts/0", "percent_or_amount", discount(quote.Adjustment{Percent: ptr(am("1")), Amount: ptr(am("1"))})},
		{"/discounts/0/percent", "percent_out_of_range", discount(quote.Adjustment{Percent: ptr(am("100.1"))})},
		{"/discounts/0/amount", "amount_too_precise", discount(quote.Adjustment{Amount: ptr(am("0.001"))})},
		{"/discounts/0/amount", "negative_amount", discount(quote.Adjustment{Amount: ptr(am("-1"))})},
		{"/discounts/0/amount", "discount_too_large", discount(quote.Adjustment{Amount: ptr(am("10.01"))})},
		{"/discounts", "discount_too_large", func(d *quote.Document) {
			discount(quote.Adjustment{Percent: ptr(am("60"))})(d)
			discount(quote.Adjustment{Percent: ptr(am("60"))})(d)
		}},
		{"/discounts/0/amount", "discount_too_large", func(d *quote.Document) {
			d.Lines = append(d.Lines, net("1", "50", "7"))
			d.Discounts = []quote.DocumentAdjustment{aimed("10.01", standard("20"))}
		}},
		{"/discounts/0/tax", "discount_without_lines", func(d *quote.Document) {
			d.Discounts = []quote.DocumentAdjustment{aimed("1", standard("7"))}
		}},
		{"/discounts/0/tax/rate", "tax_rate_not_zero", func(d *quote.Document) {
			d.Discounts = []quote.DocumentAdjustment{aimed("1", quote.Tax{Category: quote.Exempt, Rate: am("7")})}
		}},
		{"/tax_reasons/E", "tax_reason_missing", func(d *quote.Document) {
			d.Discounts = []quote.DocumentAdjustment{aimed("1", quote.Tax{Category: quote.Exempt})}
		}},
		{"/charges/0/amount", "negative_amount", func(d *quote.Document) {
			d.Charges = []quote.Charge{{Adjustment: quote.Adjustment{Amount: ptr(am("-5"))}, Tax: standard("20")}}
		}},
		{"/discounts/0", "no_positive_weight", func(d *quote.Document) {
			d.Lines[0].NetPrice = nil
			discount(quote.Adjustment{Amount: ptr(am("1"))})(d)
		}},
		{"/charges/0/tax/category", "tax_category_missing", func(d *quote.Document) {
			d.Charges = []quote.Charge{{Adjustment: quote.Adjustment{Amount: ptr(am("5"))}}}
		}},
		{"/prepaid", "negative_amount", func(d *quote.Document) { d.Prepaid = ptr(am("-1")) }},
		{"/cash_step", "cash_step_not_positive", func(d *quote.Document) { d.CashStep = ptr(am("0")) }},
		{"/cash_step", "amount_too_precise", func(d *quote.Document) { d.CashStep = ptr(am("0.005")) }},
	} {
		_, err := quote.Price(euros([]quote.DocumentLine{net("1", "10.00", "20")}, c.change))
		f := fault.As(err)
		if f == nil || f.Kind != fault.Invalid || f.Fields[0].Pointer != c.pointer || f.Fields[0].Code != c.code {
			t.Errorf("want %s at %s, got %+v", c.code, c.pointer, f)
		}
	}
}

func TestALineWithoutAPriceIsNotZero(t *testing.T) {
	lines := []quote.DocumentLine{net("1", "10.00", "20"), {Quantity: am("2"), Role: quote.RoleNew}}
	p, err := quote.Price(euros(lines))
	if err != nil {
		t.Fatal(err)
	}
	if l := p.Lines[1]; !l.PriceMissing || l.Net != nil || l.Gross != nil {
		t.Errorf("the line is %+v", l)
	}
	if diff := cmp.Diff([]int{1}, p.Unpriced); diff != "" {
		t.Errorf("unpriced lines (-want +got):\n%s", diff)
	}
	if got := p.Totals.Due.String(); got != "12.00" {
		t.Errorf("due %s, want 12.00", got)
	}
}

func TestWhatIsNotChargedStandsAtZero(t *testing.T) {
	for _, role := range []quote.Role{quote.RoleCustomer, quote.RoleIncluded, quote.RoleReuse, quote.RoleInspect, quote.RoleSetAside, quote.RoleNeverReuse} {
		p, err := quote.Price(euros([]quote.DocumentLine{net("1", "10.00", "20"), {Quantity: am("2"), Role: role}}))
		if err != nil {
			t.Fatal(err)
		}
		if l := p.Lines[1]; l.PriceMissing || l.Charged || l.Net.String() != "0.00" {
			t.Errorf("%s: %+v", role, l)
		}
		if len(p.Groups) != 1 || p.Totals.Due.String() != "12.00" {
			t.Errorf("%s changes the totals: %+v", role, p.Totals)
		}
	}
}

// consistent checks the sums that EN 16931 demands of every document.
func consistent(t *testing.T, d quote.Document, p quote.Priced) {
	t.Helper()
	sums := map[string]money.Amount{}
	lines, taxable, tax := money.Sum(p.Decimals), money.Sum(p.Decimals), money.Sum(p.Decimals)
	for _, l := range p.Lines {
		if l.Net != nil {
			lines = lines.Add(*l.Net)
			sums[l.Group] = sums[l.Group].Add(*l.Net)
		}
	}
	for _, a := range p.Allowances {
		sums[a.Tax.Key()] = sums[a.Tax.Key()].Sub(a.Net)
	}
	for _, a := range p.Charges {
		sums[a.Tax.Key()] = sums[a.Tax.Key()].Add(a.Net)
	}
	for _, g := range p.Groups {
		same(t, "BR-S-08 "+g.Key(), g.Taxable, sums[g.Key()])
		r := new(big.Rat).Mul(g.Taxable.Ratio(), g.Rate.Ratio())
		same(t, "BR-CO-17 "+g.Key(), g.Amount, money.RoundRatio(r.Quo(r, big.NewRat(100, 1)), p.Decimals))
		taxable, tax = taxable.Add(g.Taxable), tax.Add(g.Amount)
	}
	tot := p.Totals
	same(t, "BR-CO-10", tot.Lines, lines)
	same(t, "BR-CO-13", tot.Net, tot.Lines.Sub(tot.Allowances).Add(tot.Charges))
	same(t, "BT-109 = sum of BT-116", tot.Net, taxable)
	same(t, "BR-CO-14", tot.Tax, tax)
	same(t, "BR-CO-15", tot.Gross, tot.Net.Add(tot.Tax))
	same(t, "BR-CO-16", tot.Due, tot.Gross.Sub(tot.Prepaid).Add(tot.Rounding))
	unit := money.FromUnits(big.NewInt(int64(len(p.Groups))), p.Decimals)
	if d.CashStep == nil && tot.Rounding.Abs().Cmp(unit) > 0 {
		t.Errorf("BT-114 is %s, more than a minor unit per group", tot.Rounding)
	}
}

func same(t *testing.T, rule string, a, b money.Amount) {
	t.Helper()
	if !a.Equal(b) {
		t.Errorf("%s: %s is not %s", rule, a, b)
	}
}

// randomDocument has mixed rates, base quantities, returns, discounts and charges.
func randomDocument(r *rand.Rand, basis quote.Basis) quote.Document {
	currency := []money.Currency{"EUR", "JPY", "KWD"}[r.IntN(3)]
	digits := currency.Digits()
	some := func(limit int64, decimals int) money.Amount {
		return money.FromUnits(big.NewInt(1+r.Int64N(limit)), decimals)
	}
	tax := func() quote.Tax { return standard([]string{"5.5", "7", "19", "25"}[r.IntN(4)]) }
	d := quote.Document{Currency: currency, Basis: basis}
	for range 1 + r.IntN(12) {
		l := quote.DocumentLine{Quantity: some(5000, r.IntN(3)), Tax: tax()}
		l.SetPrice(basis, some(3_000_000, digits+r.IntN(3)))
		if r.IntN(4) == 0 {
			l.BaseQuantity = ptr(some(40, 0))
		}
		if r.IntN(3) == 0 {
			l.Discounts = []quote.Adjustment{{Percent: ptr(some(400, 1))}}
		}
		if r.IntN(6) == 0 {
			l.Quantity = l.Quantity.Neg()
		}
		d.Lines = append(d.Lines, l)
	}
	if r.IntN(2) == 0 {
		d.Discounts = []quote.DocumentAdjustment{{Adjustment: quote.Adjustment{Percent: ptr(some(150, 1))}}, {Adjustment: quote.Adjustment{Percent: ptr(some(30, 1))}}}
	}
	if r.IntN(4) == 0 {
		d.Discounts = append(d.Discounts, quote.DocumentAdjustment{Adjustment: quote.Adjustment{Percent: ptr(some(150, 1))}, Tax: &d.Lines[0].Tax})
	}
	if r.IntN(2) == 0 {
		d.Charges = []quote.Charge{{Adjustment: quote.Adjustment{Amount: ptr(some(2000, digits))}, Tax: tax()}}
	}
	return d
}

func TestPriceProperties(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	priced := 0
	for i := range 3000 {
		d := randomDocument(r, []quote.Basis{quote.Net, quote.Gross}[i%2])
		p, err := quote.Price(d)
		if code := firstField(err); code == "discount_too_large" {
			continue // returns outweigh the sales of a rate
		}
		if err != nil {
			t.Fatal(err)
		}
		priced++
		consistent(t, d, p)
		orderDoesNotMatter(t, r, d, p)
		if d.Basis == quote.Gross {
			exclusiveAgrees(t, d, p)
		}
		if t.Failed() {
			t.Fatalf("document %d: %+v", i, d)
		}
	}
	if priced < 2500 {
		t.Errorf("only %d of 3000 documents could be priced", priced)
	}
}

func firstField(err error) string {
	if f := fault.As(err); f != nil && len(f.Fields) > 0 {
		return f.Fields[0].Code
	}
	return ""
}

func orderDoesNotMatter(t *testing.T, r *rand.Rand, d quote.Document, p quote.Priced) {
	t.Helper()
	shuffled := d
	shuffled.Lines = append([]quote.DocumentLine(nil), d.Lines...)
	r.Shuffle(len(d.Lines), func(i, j int) {
		shuffled.Lines[i], shuffled.Lines[j] = shuffled.Lines[j], shuffled.Lines[i]
	})
	again, err := quote.Price(shuffled)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]any{p.Totals, p.Groups}, []any{again.Totals, again.Groups}); diff != "" {
		t.Errorf("another order of lines (-was +is):\n%s", diff)
	}
}

// exclusiveAgrees enters the line nets of a document priced gross into one priced
// net: same groups, same tax, and the shelf prices within BT-114.
func exclusiveAgrees(t *testing.T, d quote.Document, p quote.Priced) {
	t.Helper()
	e := quote.Document{Currency: d.Currency, Basis: quote.Net}
	enter := func(value money.Amount, tax quote.Tax) {
		quantity := money.FromInt(1)
		if value.Sign() < 0 {
			quantity = quantity.Neg()
		}
		l := quote.DocumentLine{Quantity: quantity, Tax: tax}
		l.SetPrice(quote.Net, value.Abs())
		e.Lines = append(e.Lines, l)
	}
	for i, l := range p.Lines {
		enter(*l.Net, d.Lines[i].Tax)
	}
	for _, a := range p.Allowances {
		enter(a.Net.Neg(), a.Tax)
	}
	for _, a := range p.Charges {
		enter(a.Net, a.Tax)
	}
	q, err := quote.Price(e)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(p.Groups, q.Groups); diff != "" {
		t.Errorf("groups of the exclusive twin (-inclusive +exclusive):\n%s", diff)
	}
	same(t, "exclusive total + BT-114", q.Totals.Gross.Add(p.Totals.Rounding), p.Totals.Due)
}

// A sale and its return leave nothing in any total or group, on both bases.
func TestSaleAndReturnCancel(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for i := range 500 {
		d := randomDocument(r, []quote.Basis{quote.Net, quote.Gross}[i%2])
		d.Discounts, d.Charges = nil, nil
		back := d
		back.Lines = append([]quote.DocumentLine(nil), d.Lines...)
		for k := range back.Lines {
			back.Lines[k].Quantity = back.Lines[k].Quantity.Neg()
		}
		sale, err := quote.Price(d)
		if err != nil {
			continue // a discount larger than its line
		}
		credit, err := quote.Price(back)
		if err != nil {
			t.Fatal(err)
		}
		for k := range sale.Lines {
			same(t, "line", *sale.Lines[k].Net, credit.Lines[k].Net.Neg())
		}
		for k := range sale.Groups {
			same(t, "taxable", sale.Groups[k].Taxable, credit.Groups[k].Taxable.Neg())
			same(t, "tax", sale.Groups[k].Amount, credit.Groups[k].Amount.Neg())
		}
		same(t, "due", sale.Totals.Due, credit.Totals.Due.Neg())
	}
}

func TestCheckExpectedNamesTheDifference(t *testing.T) {
	// Tax on 0.13 + 0.13 at 19 %: 0.05 once, 0.02 + 0.02 by line.
	twice := euros([]quote.DocumentLine{net("1", "0.13", "19"), net("1", "0.13", "19")})
	coins := euros([]quote.DocumentLine{net("1", "99.90", "8.1")}, in("CHF"), func(d *quote.Document) { d.CashStep = ptr(am("0.05")) })
	for _, c := range []struct {
		doc             quote.Document
		expected, cause string
		differs         bool
	}{
		{twice, "0.31", "", false},
		{twice, "0.310", "", false},
		{twice, "0.30", "tax_rounded_per_line", true},
		{twice, "0.26", "total_without_tax", true},
		{twice, "0.99", "", true},
		{coins, "108.00", "", false},
		{coins, "107.99", "not_rounded_to_coins", true},
		{euros([]quote.DocumentLine{net("1", "0.104", "20"), net("1", "0.104", "20"), net("1", "0.104", "20")}), "0.37", "lines_not_rounded", true},
	} {
		p, err := quote.Price(c.doc)
		if err != nil {
			t.Fatal(err)
		}
		err = quote.CheckExpected(c.doc, p, am(c.expected))
		f := fault.As(err)
		if (f != nil) != c.differs {
			t.Errorf("%s against %s: %v", c.expected, p.Totals.Due, err)
			continue
		}
		if f == nil {
			continue
		}
		cause, _ := f.Extra["likely_cause"].(string)
		if f.Kind != fault.Conflict || f.Code != "expected_total_differs" || cause != c.cause {
			t.Errorf("%s against %s: %s, cause %q, want %q", c.expected, p.Totals.Due, f.Code, cause, c.cause)
		}
		if got := fmt.Sprint(f.Extra["expected_total"], f.Extra["computed_total"]); got != fmt.Sprint(am(c.expected), p.Totals.Due) {
			t.Errorf("sums in the answer: %s", got)
		}
		if _, err := json.Marshal(f.Extra); err != nil {
			t.Error(err)
		}
	}
}

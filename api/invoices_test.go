package api_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"forkwright/service/money"
)

// published is an invoice of testdata/reference/invoices.json: figures alone, as they are printed.
type published struct {
	Source, File, Currency string
	Lines                  []publishedLine
	Discounts, Charges     []publishedAdjustment
	Prepaid                string
	CashStep               string `json:"cash_step"`
	Decimals               *int   // where it is billed with fewer than the currency's
	Totals                 map[string]string
	TaxGroups              map[string][2]string `json:"tax_groups"` // "S@19" to taxable amount and tax
}

type publishedLine struct {
	Quantity, Price, Base, Tax, Net string
	Discounts, Charges              []publishedAdjustment
}

type publishedAdjustment struct{ Percent, Amount, Tax string }

// unlike are the published invoices that do not come out as they are printed: the first difference
// or the code of the refusal, and why. Where lines are what differs, the invoice is run again with
// its lines as printed, and then the rest of it must come out.
var unlike = map[string]struct{ how, why string }{
	"tc434/test/testfiles/BIS_Billing_30-Rantefaktura_Enkel.xml": {
		"line 1: 2416.16 is printed, 2416.15 comes out", "486 x 4.9715 is 2416.149, and a price with more digits than are printed was used"},
	"tc434/test/testfiles/ubl-tc434-test-1.xml":  {"line 1: 1273.00 is printed, 2546.00 comes out", twoForOne},
	"tc434/ubl/examples/guide-example2.xml":      {"line 1: 1273.00 is printed, 2546.00 comes out", twoForOne},
	"tc434/ubl/examples/ubl-tc434-example2.xml":  {"line 1: 1273.00 is printed, 2546.00 comes out", twoForOne},
	"tc434/ubl/examples/guide-example3.xml":      {"line 1: 400.00 is printed, 1600.00 comes out", "the lines are of 2 at 800, and less is printed"},
	"tc434/ubl/examples/ubl-tc434-example3.xml":  {"line 1: 800.00 is printed, 1600.00 comes out", "the lines are of 2 at 800, and less is printed"},
	"tc434/ubl/examples/guide-example1.xml":      {"line 20: -109.98 is printed, 109.98 comes out", lostSign},
	"tc434/ubl/examples/ubl-tc434-example1.xml":  {"line 20: -109.98 is printed, 109.98 comes out", lostSign},
	"tc434/ubl/examples/ubl-tc434-example10.xml": {"line 20: -109.98 is printed, 109.98 comes out", lostSign},
	"tc434/ubl/examples/FT G2G_TD01 con Allegato, Bonifico e Split Payment.xml": {
		"refused: unknown_tax_category at /lines/0/tax/category", "category B, a split payment, is of one country and of sales to its administration"},
	"xrechnung/src/test/business-cases/extension/05.01a-INVOICE_ubl.xml": {
		"due: 366.86 is printed, 336.90 comes out", "an extension adds what is collected for a third party to the amount due; EN 16931 has no such term"},
	"xrechnung/src/test/business-cases/standard/01.17a-INVOICE_ubl.xml": {
		"rounding: 0.01 is printed, 0.00 comes out", "no coin rounds 336.90 to 336.91"},
	"xrechnung/src/test/business-cases/standard/03.01a-INVOICE_ubl.xml": {"line 13: 48.33 is printed, 48.34 comes out", "245 x 0.1973 is 48.3385"},
	"xrechnung/src/test/business-cases/standard/03.04a-INVOICE_ubl.xml": {"line 2: 9223.92 is printed, 9223.91 comes out", "804878.94 x 0.01146 is 9223.9127"},
	"xrechnung/src/test/business-cases/standard/03.05a-INVOICE_ubl.xml": {"line 2: 6912.37 is printed, 6912.36 comes out", "2100 x 3.2916 is 6912.36"},
	"xrechnung/src/test/technical-cases/cius/01.06_minimal_test_ubl.xml": {
		"tax: 757.41 is printed, 757.40 comes out", "19 % of 3986.34 is 757.4046"},
}

const (
	twoForOne = "the line is of 2 at 1273, and one is printed"
	lostSign  = "the amount of 6 at 18.33 is below zero, and the quantity is not"
)

// TestPublishedInvoicesComeOutToTheDigit asks for quotes of what published invoices charge and
// compares every amount: lines, discounts, charges, the taxes by category and rate, and the totals.
func TestPublishedInvoicesComeOutToTheDigit(t *testing.T) {
	data, err := os.ReadFile("../testdata/reference/invoices.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Invoices []published }
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Invoices) < 100 {
		t.Fatalf("only %d invoices were found", len(file.Invoices))
	}
	s, alike, left := newTill(t), 0, maps.Clone(unlike)
	for _, inv := range file.Invoices {
		name := inv.Source + "/" + inv.File
		known := unlike[name]
		delete(left, name)
		got := s.differs(inv)
		if first := strings.Join(got[:min(1, len(got))], ""); first != known.how {
			t.Errorf("%s:\n%s\nwant %q", name, strings.Join(got, "\n"), known.how)
			continue
		}
		if known.how == "" {
			alike++
		}
		if strings.HasPrefix(known.how, "line ") {
			if got := s.differs(inv.asPrinted()); len(got) > 0 {
				t.Errorf("%s, with its lines as printed:\n%s", name, strings.Join(got, "\n"))
			}
		}
	}
	for name := range left {
		t.Errorf("there is no invoice %s", name)
	}
	t.Logf("%d of %d published invoices come out to the digit", alike, len(file.Invoices))
}

// differs quotes an invoice and lists what is not as printed.
func (s *till) differs(inv published) (out []string) {
	s.t.Helper()
	body, err := json.Marshal(inv.question())
	s.must(err)
	a := s.post("/v1/quotes", string(body))
	if a.Status != 201 {
		p := a.Problem(s.t)
		for _, e := range p.Errors {
			out = append(out, "refused: "+e.Code+" at "+e.Pointer)
		}
		return append(out, "refused: "+p.Code+" "+p.Detail)
	}
	var q struct {
		Lines     []struct{ Net string }
		Totals    map[string]string
		TaxGroups []struct{ Category, Rate, Taxable, Amount string } `json:"tax_groups"`
	}
	a.JSON(s.t, &q)
	compare := func(what, printed, got string) {
		if got == "" || !money.MustParse(cmp2(printed, "0")).Equal(money.MustParse(got)) {
			out = append(out, fmt.Sprintf("%s: %s is printed, %s comes out", what, cmp2(printed, "nothing"), got))
		}
	}
	for i, l := range inv.Lines {
		compare(fmt.Sprintf("line %d", i+1), l.Net, q.Lines[i].Net)
	}
	for _, name := range []string{"lines", "allowances", "charges", "net", "tax", "gross", "rounding", "due"} {
		compare(name, inv.Totals[name], q.Totals[name])
	}
	groups := maps.Clone(inv.TaxGroups)
	for _, g := range q.TaxGroups {
		key := g.Category + "@" + money.MustParse(g.Rate).Plain()
		compare("taxable "+key, groups[key][0], g.Taxable)
		compare("tax "+key, groups[key][1], g.Amount)
		delete(groups, key)
	}
	for _, key := range slices.Sorted(maps.Keys(groups)) {
		out = append(out, "tax "+key+" is printed and does not come out")
	}
	return out
}

// question is the quote that charges what the invoice does, in free lines.
func (inv published) question() map[string]any {
	q := map[string]any{"currency": inv.Currency, "tax_reasons": map[string]string{"E": "as printed", "AE": "as printed", "O": "as printed"}}
	var lines []map[string]any
	for i, l := range inv.Lines {
		line := map[string]any{"text": fmt.Sprintf("line %d", i+1), "quantity": l.Quantity, "net_price": l.Price, "tax": taxOf(l.Tax)}
		put(line, "base_quantity", l.Base)
		putAll(line, "discounts", l.Discounts)
		putAll(line, "charges", l.Charges)
		lines = append(lines, line)
	}
	q["lines"] = lines
	putAll(q, "discounts", inv.Discounts)
	putAll(q, "shipping", inv.Charges)
	put(q, "prepaid", inv.Prepaid)
	put(q, "cash_step", inv.CashStep)
	if inv.Decimals != nil {
		q["decimals"] = *inv.Decimals
	}
	return q
}

func put(to map[string]any, name, value string) {
	if value != "" {
		to[name] = value
	}
}

func putAll(to map[string]any, name string, list []publishedAdjustment) {
	var out []map[string]any
	for _, a := range list {
		m := map[string]any{}
		put(m, "percent", a.Percent)
		put(m, "amount", a.Amount)
		if a.Tax != "" {
			m["tax"] = taxOf(a.Tax)
		}
		out = append(out, m)
	}
	if len(out) > 0 {
		to[name] = out
	}
}

func taxOf(key string) map[string]string {
	category, rate, _ := strings.Cut(key, "@")
	return map[string]string{"category": category, "rate": rate}
}

// asPrinted takes each line at the amount that is printed for it.
func (inv published) asPrinted() published {
	inv.Lines = slices.Clone(inv.Lines)
	for i, l := range inv.Lines {
		price, below := strings.CutPrefix(l.Net, "-")
		inv.Lines[i] = publishedLine{Quantity: "1", Price: price, Tax: l.Tax, Net: l.Net}
		if below {
			inv.Lines[i].Quantity = "-1"
		}
	}
	return inv
}

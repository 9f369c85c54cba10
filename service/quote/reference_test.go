package quote_test

import (
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/quote"
)

type referenceCase struct {
	ID, Area, Title, Formula string
	Inputs, Expected         map[string]struct{ Value json.RawMessage }
}

// TestReferenceMoney runs the money cases of testdata/reference/cases.json, each
// with its source, through the public functions. An input or an expectation that
// the test does not know is a failure.
func TestReferenceMoney(t *testing.T) {
	data, err := os.ReadFile("../../testdata/reference/cases.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Cases []referenceCase }
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	run := map[string]func(*testing.T, referenceCase) map[string]any{
		"quote_exclusive": priceCase, "quote_inclusive": priceCase,
		"allocate": splitCase, "gtin_check": gtinCase,
	}
	ran := 0
	for _, c := range file.Cases {
		if c.Area != "I" {
			continue
		}
		ran++
		t.Run(c.ID+" "+c.Title, func(t *testing.T) {
			compute, ok := run[c.Formula]
			if !ok {
				t.Fatalf("no way to compute %q", c.Formula)
			}
			compare(t, c, compute(t, c))
		})
	}
	if ran < 7 {
		t.Errorf("only %d money cases were found", ran)
	}
}

func compare(t *testing.T, c referenceCase, got map[string]any) {
	t.Helper()
	for name, want := range c.Expected {
		var value any
		if err := json.Unmarshal(want.Value, &value); err != nil {
			t.Fatal(err)
		}
		computed, ok := got[name]
		if !ok {
			t.Errorf("nothing was computed for %s", name)
			continue
		}
		if diff := cmp.Diff(value, computed); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func input[T any](t *testing.T, c referenceCase, name string) (v T) {
	t.Helper()
	if raw, ok := c.Inputs[name]; ok {
		if err := json.Unmarshal(raw.Value, &v); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
	}
	return v
}

// number is an amount that a case writes as text or as a JSON number.
type number struct{ money.Amount }

func (n *number) UnmarshalJSON(data []byte) (err error) {
	n.Amount, err = money.Parse(strings.Trim(string(data), `"`))
	return err
}

func priceCase(t *testing.T, c referenceCase) map[string]any {
	for name := range c.Inputs {
		if !slices.Contains([]string{"currency", "lines"}, name) {
			t.Fatalf("no way to use input %q", name)
		}
	}
	type line struct {
		Qty, Rate  number
		Cat        quote.Category
		Price      *number
		GrossPrice *number `json:"gross_price"`
		BaseQty    *number `json:"base_qty"`
	}
	d := quote.Document{Currency: input[money.Currency](t, c, "currency")}
	for _, l := range input[[]line](t, c, "lines") {
		dl := quote.DocumentLine{Quantity: l.Qty.Amount, Tax: quote.Tax{Category: l.Cat, Rate: l.Rate.Amount}}
		if l.Price != nil {
			dl.NetPrice = &l.Price.Amount
		}
		if l.GrossPrice != nil {
			dl.GrossPrice = &l.GrossPrice.Amount
		}
		if l.BaseQty != nil {
			dl.BaseQuantity = &l.BaseQty.Amount
		}
		d.Lines = append(d.Lines, dl)
	}
	p, err := quote.Price(d)
	if err != nil {
		t.Fatal(err)
	}
	return flatten(p)
}

func flatten(p quote.Priced) map[string]any {
	tot := p.Totals
	got := map[string]any{
		"sum_lines": tot.Lines.String(), "allowances": tot.Allowances.String(), "charges": tot.Charges.String(),
		"net": tot.Net.String(), "vat": tot.Tax.String(), "gross": tot.Gross.String(),
		"prepaid": tot.Prepaid.String(), "rounding": tot.Rounding.String(), "due": tot.Due.String(),
	}
	for _, g := range p.Groups {
		got["taxable["+g.Key()+"]"] = g.Taxable.String()
		got["tax["+g.Key()+"]"] = g.Amount.String()
	}
	var nets, gross []any
	for _, l := range p.Lines {
		if l.Net != nil {
			nets = append(nets, l.Net.String())
		}
		if l.Gross != nil {
			gross = append(gross, l.Gross.String())
		}
	}
	got["line_nets"], got["line_gross"] = nets, gross
	return got
}

func splitCase(t *testing.T, c referenceCase) map[string]any {
	var weights []money.Amount
	for _, w := range input[[]number](t, c, "weights") {
		weights = append(weights, w.Amount)
	}
	digits := input[money.Currency](t, c, "currency").Digits()
	parts, err := money.Split(input[number](t, c, "total").Amount, digits, weights)
	if err != nil {
		return map[string]any{"status": fault.CodeOf(err)}
	}
	var texts []any
	for _, p := range parts {
		texts = append(texts, p.String())
	}
	return map[string]any{"status": "ok", "parts": texts}
}

func gtinCase(t *testing.T, c referenceCase) map[string]any {
	check, err := money.CheckDigit(input[string](t, c, "digits"))
	if err != nil {
		return map[string]any{"status": fault.CodeOf(err)}
	}
	return map[string]any{"check": check}
}

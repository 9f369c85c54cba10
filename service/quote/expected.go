package quote

import (
	"fmt"
	"math/big"

	"forkwright/service/fault"
	"forkwright/service/money"
)

// CheckExpected compares the sum that a caller expects with Totals.Due. A
// difference is a fault of kind Conflict, code expected_total_differs, with both
// sums, the line amounts and how they are rounded, and, where another common way
// of rounding gives the caller's sum, the name of that way.
func CheckExpected(d Document, p Priced, expected money.Amount) error {
	if expected.Equal(p.Totals.Due) {
		return nil
	}
	due := p.Totals.Due
	f := fault.New(fault.Conflict, "expected_total_differs",
		"the total is %s %s, not the expected %s; the difference is %s", due, p.Currency, expected, due.Sub(expected))
	f.Extra = map[string]any{
		"expected_total": expected,
		"computed_total": due,
		"difference":     due.Sub(expected),
		"currency":       p.Currency,
		"price_basis":    p.Basis,
		"totals":         p.Totals,
		"line_amounts":   lineAmounts(p),
		"rounding_step":  roundingStep(d, p),
	}
	if cause := likelyCause(d, p, expected); cause != "" {
		f.Extra["likely_cause"] = cause
	}
	return f
}

func lineAmounts(p Priced) []*money.Amount {
	out := make([]*money.Amount, len(p.Lines))
	for i, l := range p.Lines {
		out[i] = l.Net
		if p.Basis == Gross {
			out[i] = l.Gross
		}
	}
	return out
}

func roundingStep(d Document, p Priced) string {
	step := fmt.Sprintf("each line is rounded to %d decimals, tax once per category and rate, half away from zero", p.Decimals)
	if p.Basis == Gross {
		step += "; tax is taken out of the sum of each category and rate, and the prices with tax are what is due"
	}
	if d.CashStep != nil {
		step += "; the amount due is rounded to " + d.CashStep.String()
	}
	return step
}

// likelyCause tries the other ways in which people add up, plainest first.
func likelyCause(d Document, p Priced, expected money.Amount) string {
	t := p.Totals
	ways := []struct {
		cause string
		total money.Amount
	}{
		{"total_without_tax", t.Net},
		{"prepaid_not_subtracted", t.Due.Add(t.Prepaid)},
		{"not_rounded_to_coins", t.Gross.Sub(t.Prepaid)},
		{"tax_rounded_per_line", taxPerLine(p)},
		{"lines_not_rounded", unrounded(d, p)},
	}
	for _, w := range ways {
		if w.total.Equal(expected) {
			return w.cause
		}
	}
	return ""
}

// taxPerLine is the total when tax is rounded on every line and adjustment.
func taxPerLine(p Priced) money.Amount {
	total := p.Totals.Net.Sub(p.Totals.Prepaid)
	for _, l := range p.Lines {
		if g, ok := p.Group(l.Group); ok && l.Net != nil {
			total = total.Add(percentOf(*l.Net, g.Rate, p.Decimals))
		}
	}
	for _, a := range p.Allowances {
		total = total.Sub(percentOf(a.Net, a.Tax.Rate, p.Decimals))
	}
	for _, a := range p.Charges {
		total = total.Add(percentOf(a.Net, a.Tax.Rate, p.Decimals))
	}
	return total
}

// unrounded is the total when nothing is rounded before the end. Adjustments
// count as computed.
func unrounded(d Document, p Priced) money.Amount {
	exact := new(big.Rat).Neg(p.Totals.Prepaid.Ratio())
	for i, l := range d.Lines {
		r := extended(l)
		for _, a := range p.Lines[i].Discounts {
			r.Sub(r, a.Value.Ratio())
		}
		for _, a := range p.Lines[i].Charges {
			r.Add(r, a.Value.Ratio())
		}
		exact.Add(exact, withTax(r, l.Tax.Rate, p.Basis))
	}
	for _, a := range p.Allowances {
		exact.Sub(exact, withTax(shown(a), a.Tax.Rate, p.Basis))
	}
	for _, a := range p.Charges {
		exact.Add(exact, withTax(shown(a), a.Tax.Rate, p.Basis))
	}
	return money.RoundRatio(exact, p.Decimals)
}

func shown(a Allowance) *big.Rat {
	if a.Gross != nil {
		return a.Gross.Ratio()
	}
	return a.Net.Ratio()
}

func withTax(r *big.Rat, rate money.Amount, b Basis) *big.Rat {
	if b == Gross {
		return r
	}
	factor := new(big.Rat).Quo(rate.Ratio(), hundred.Ratio())
	return r.Mul(r, factor.Add(factor, big.NewRat(1, 1)))
}

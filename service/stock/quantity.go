package stock

import (
	"strings"

	"github.com/quagmt/udecimal"
)

// largest is the most that a count can be; a longer run of digits is a code in the wrong column.
var largest = udecimal.MustFromInt64(999_999_999, 0)

const mostDecimals = 6

// quantity is a count as a feed wrote it.
type quantity struct {
	value   udecimal.Decimal
	atLeast bool
}

// parseQuantity reads a count by a location's policy. reason is "" or why the row is bad.
func parseQuantity(text string, p *Policy) (q quantity, reason string) {
	text = strings.TrimSpace(text)
	if n, ok := smallWhole(text); ok {
		return quantity{value: udecimal.MustFromInt64(n, 0)}, ""
	}
	if text == "" {
		return q, RejectQuantityMissing
	}
	if v, ok := p.Coded[foldWord(text)]; ok {
		return quantity{value: v, atLeast: v.IsPos()}, ""
	}
	if most, ok := strings.CutSuffix(text, "+"); ok && p.Capped {
		q.atLeast, text = true, strings.TrimSpace(most)
	}
	if q.value, reason = parseNumber(text, p.Decimal); reason != "" {
		return q, reason
	}
	return q.signed(p)
}

func (q quantity) signed(p *Policy) (quantity, string) {
	if !q.value.IsNeg() {
		return q, ""
	}
	switch {
	case q.atLeast || p.Negative == NegativeRefuse:
		return q, RejectNegative
	case p.Negative == NegativeZero:
		q.value = udecimal.Zero
	}
	return q, ""
}

// smallWhole is the common case: a few digits.
func smallWhole(s string) (n int64, ok bool) {
	if len(s) == 0 || len(s) > 9 {
		return 0, false
	}
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = n*10 + int64(s[i]-'0')
	}
	return n, true
}

// parseNumber takes digits with an optional sign and one decimal sign, and no thousands
// separators: "1.234" would be one or a thousand.
func parseNumber(text string, decimal byte) (udecimal.Decimal, string) {
	digits := strings.TrimPrefix(text, "-")
	whole, fraction, point := strings.Cut(digits, string(decimal))
	if whole == "" || point && fraction == "" || !allDigits(whole) || !allDigits(fraction) {
		return udecimal.Zero, RejectNotANumber
	}
	fraction = strings.TrimRight(fraction, "0")
	whole = strings.TrimLeft(whole, "0")
	switch {
	case len(whole) > 9:
		return udecimal.Zero, RejectTooLarge
	case len(fraction) > mostDecimals:
		return udecimal.Zero, RejectTooPrecise
	case whole == "":
		whole = "0"
	}
	if fraction != "" {
		whole += "." + fraction
	}
	v, err := udecimal.Parse(whole)
	if err != nil {
		return udecimal.Zero, RejectNotANumber
	}
	if digits != text {
		v = v.Neg()
	}
	return v, ""
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// Part is what a feed needs to know of a part of ours.
type Part struct {
	SKU    string
	Number int              // its place among all parts, by which a feed notes that it was named
	Unit   string           // each|pair|mL|g|min
	Pack   udecimal.Decimal // how many units one package holds; zero: sold singly
}

// whole reports whether the part is counted and not measured out.
func (p *Part) whole() bool { return p.Unit == "each" || p.Unit == "pair" }

// measures are the units that a row may name, as so many of the part's own unit.
var measures = map[string]map[string]udecimal.Decimal{
	"each": {"each": units("1"), "pc": units("1"), "pcs": units("1"), "piece": units("1"), "pair": units("2")},
	"pair": {"pair": units("1"), "each": units("0.5"), "pc": units("0.5"), "pcs": units("0.5"), "piece": units("0.5")},
	"mL":   {"ml": units("1"), "cl": units("10"), "dl": units("100"), "l": units("1000"), "liter": units("1000"), "litre": units("1000")},
	"g":    {"g": units("1"), "kg": units("1000")},
	"min":  {"min": units("1")},
}

func units(text string) udecimal.Decimal { return udecimal.MustParse(text) }

var packages = map[string]bool{"pack": true, "package": true, "bottle": true, "can": true, "tube": true, "box": true}

// factor is how many of the part's units one of the row's units is.
func (p *Part) factor(unit string, policy *Policy) (f udecimal.Decimal, reason string) {
	word := foldWord(unit)
	switch {
	case word == "" && policy.Units == UnitsRow && !p.whole():
		return f, RejectUnitMissing
	case word == "" && policy.Units == UnitsPack, packages[word]:
		if p.Pack.IsZero() {
			return udecimal.One, ""
		}
		return p.Pack, ""
	case word == "":
		return udecimal.One, ""
	}
	if f, ok := measures[p.Unit][word]; ok {
		return f, ""
	}
	return f, RejectUnknownUnit
}

// times is the exact product; what a part cannot be counted in is refused.
func (q quantity) times(f udecimal.Decimal, p *Part) (quantity, string) {
	if !f.Equal(udecimal.One) {
		q.value = q.value.Mul(f)
	}
	switch {
	case q.value.Abs().GreaterThan(largest):
		return q, RejectTooLarge
	case p.whole() && !q.value.Trunc(0).Equal(q.value):
		return q, RejectNotWhole
	}
	return q, ""
}

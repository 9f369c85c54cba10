// Package money is exact decimal arithmetic for prices, quantities and rates,
// with rounding half away from zero, ISO 4217 minor units, fair splitting, and
// the check digit of trade item numbers.
//
// Nothing here touches a float: 2.675 rounds to 2.68, which binary floating
// point gets wrong.
package money

import (
	"bytes"
	"encoding/json"
	"math/big"
	"strings"

	"github.com/quagmt/udecimal"

	"forkwright/service/fault"
)

// Limits of what is read from outside. Products and sums may be longer.
const (
	MaxIntegerDigits = 15
	MaxDecimals      = 10
)

// Amount is an exact decimal number: money, a quantity, a price per unit or a
// percentage. It remembers with how many decimals it was written or rounded, so
// that "9.90" prints as "9.90". The zero value is 0. Amounts are values and safe
// to copy; compare them with Equal or Cmp, not with ==.
type Amount struct {
	value udecimal.Decimal
	scale uint8
}

// Parse reads plain decimal text: an optional minus sign, digits, and optionally
// a point and more digits. It refuses everything else with a fault of kind
// Invalid and one of the codes amount_missing, amount_not_decimal,
// amount_too_large and amount_too_precise.
func Parse(text string) (Amount, error) {
	digits := strings.TrimPrefix(text, "-")
	whole, fraction, point := strings.Cut(digits, ".")
	if whole == "" || !allDigits(whole) || !allDigits(fraction) || (point && fraction == "") {
		return Amount{}, notAmount(text)
	}
	short := strings.TrimLeft(whole, "0") // a long run of zeros is not a long number
	switch {
	case len(short) > MaxIntegerDigits:
		return Amount{}, fault.New(fault.Invalid, "amount_too_large", "%s has more than %d digits before the point", clip(text), MaxIntegerDigits)
	case len(fraction) > MaxDecimals:
		return Amount{}, fault.New(fault.Invalid, "amount_too_precise", "%s has more than %d decimals", clip(text), MaxDecimals)
	case short == "":
		short = "0"
	}
	value, err := udecimal.Parse(digits[len(whole)-len(short):])
	if err != nil {
		return Amount{}, notAmount(text)
	}
	if len(digits) < len(text) {
		value = value.Neg()
	}
	return Amount{value, uint8(len(fraction))}, nil
}

// notAmount says what keeps a text from being an amount.
func notAmount(text string) error {
	switch {
	case text == "":
		return fault.New(fault.Invalid, "amount_missing", `an amount is missing; write it as text, such as "12.50"`)
	case strings.ContainsAny(text, "eE") && strings.Trim(text, "0123456789.eE+-") == "":
		return notDecimal(text, "write the number out, without an exponent")
	case strings.Contains(text, ","):
		return notDecimal(text, "use a point as the decimal sign and no thousands separator")
	}
	return notDecimal(text, `write digits with an optional point, such as "12.50"`)
}

func notDecimal(text, advice string) error {
	return fault.New(fault.Invalid, "amount_not_decimal", "%q is not a decimal number; %s", clip(text), advice)
}

func clip(text string) string {
	if len(text) <= 40 {
		return text
	}
	return strings.ToValidUTF8(text[:40], "") + "..."
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// MustParse is Parse for constants in code and tests; it panics on bad text.
func MustParse(text string) Amount {
	a, err := Parse(text)
	if err != nil {
		panic(err)
	}
	return a
}

// FromInt is a whole number.
func FromInt(n int64) Amount { return Amount{udecimal.MustFromInt64(n, 0), 0} }

// FromDecimal is a number that arithmetic has left.
func FromDecimal(v udecimal.Decimal) Amount { return Amount{value: v} }

// Decimal is the exact value.
func (a Amount) Decimal() udecimal.Decimal { return a.value }

// FromUnits is a number of minor units: FromUnits(1234, 2) is 12.34. digits is
// between 0 and 19.
func FromUnits(units *big.Int, digits int) Amount {
	text := new(big.Int).Abs(units).String()
	if pad := digits + 1 - len(text); pad > 0 {
		text = strings.Repeat("0", pad) + text
	}
	if digits > 0 {
		text = text[:len(text)-digits] + "." + text[len(text)-digits:]
	}
	value := udecimal.MustParse(text)
	if units.Sign() < 0 {
		value = value.Neg()
	}
	return Amount{value, uint8(digits)}
}

// RoundRatio rounds an exact fraction to a number of decimals, half away from
// zero, so that a credit mirrors its sale.
func RoundRatio(r *big.Rat, digits int) Amount {
	scaled := new(big.Int).Mul(r.Num(), pow10(digits))
	twice := new(big.Int).Add(new(big.Int).Lsh(new(big.Int).Abs(scaled), 1), r.Denom())
	units := twice.Quo(twice, new(big.Int).Lsh(r.Denom(), 1))
	if r.Sign() < 0 {
		units.Neg(units)
	}
	return FromUnits(units, digits)
}

func pow10(n int) *big.Int {
	return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil)
}

// Ratio is the exact value as a fraction, for products and quotients that are
// rounded once at their end. The caller may change the result.
func (a Amount) Ratio() *big.Rat {
	r, _ := new(big.Rat).SetString(a.value.String()) // text of a decimal always parses
	return r
}

// Round rounds half away from zero to a number of decimals and prints with
// exactly that many.
func (a Amount) Round(digits int) Amount {
	return Amount{a.value.RoundHAZ(uint8(digits)), uint8(digits)}
}

// Add is a + b.
func (a Amount) Add(b Amount) Amount { return Amount{a.value.Add(b.value), max(a.scale, b.scale)} }

// Sub is a - b.
func (a Amount) Sub(b Amount) Amount { return Amount{a.value.Sub(b.value), max(a.scale, b.scale)} }

// Neg is -a.
func (a Amount) Neg() Amount { return Amount{a.value.Neg(), a.scale} }

// Abs is |a|.
func (a Amount) Abs() Amount { return Amount{a.value.Abs(), a.scale} }

// Sign is -1, 0 or 1.
func (a Amount) Sign() int { return a.value.Sign() }

// IsZero reports whether a is 0, with any number of decimals.
func (a Amount) IsZero() bool { return a.value.IsZero() }

// Cmp is -1, 0 or 1 as a is less than, equal to or greater than b.
func (a Amount) Cmp(b Amount) int { return a.value.Cmp(b.value) }

// Equal compares values: 9.9 equals 9.90.
func (a Amount) Equal(b Amount) bool { return a.value.Equal(b.value) }

// Fits reports whether a has a value with at most so many decimals; 5.00 fits 0.
func (a Amount) Fits(digits int) bool { return a.Round(digits).Equal(a) }

// Sum adds amounts; the sum of none is 0 with the decimals given.
func Sum(digits int, amounts ...Amount) Amount {
	total := Amount{scale: uint8(digits)}
	for _, a := range amounts {
		total = total.Add(a)
	}
	return total
}

// String prints with the decimals that a was written or rounded with: never an
// exponent, never "-0.00".
func (a Amount) String() string { return a.Fixed(0) }

// Fixed prints with at least so many decimals; it never cuts digits off.
func (a Amount) Fixed(digits int) string {
	return a.value.StringFixed(max(a.scale, uint8(digits)))
}

// Plain prints without trailing zeros: the rate 19.00 is "19".
func (a Amount) Plain() string { return a.value.String() }

// UnmarshalJSON reads a JSON string and refuses a JSON number, which programs
// on the way may already have turned into a float.
func (a *Amount) UnmarshalJSON(data []byte) error {
	if !bytes.HasPrefix(data, []byte(`"`)) {
		return fault.New(fault.Invalid, "amount_not_text", `%s is not an amount; write it as a JSON string, such as "12.50"`, clip(string(data)))
	}
	text, err := unquote(data)
	if err != nil {
		return err
	}
	if whole, _, _ := strings.Cut(strings.TrimPrefix(text, "-"), "."); len(whole) > MaxIntegerDigits && allDigits(whole) {
		return fault.New(fault.Invalid, "amount_too_large", "%s has more than %d digits before the point", clip(text), MaxIntegerDigits)
	}
	return a.read(text)
}

// unquote takes the text out of a JSON string. Nearly always it is digits, which stand there as
// they are and need no decoder.
func unquote(data []byte) (text string, err error) {
	if inside := bytes.Trim(data, `"`); len(bytes.Trim(inside, "-.0123456789")) == 0 {
		return string(inside), nil
	}
	err = json.Unmarshal(data, &text)
	return text, err
}

// AppendText appends what String prints. In JSON, too, an amount is text.
func (a Amount) AppendText(b []byte) ([]byte, error) { return append(b, a.String()...), nil }

// MarshalText writes what String prints.
func (a Amount) MarshalText() ([]byte, error) { return a.AppendText(nil) }

// UnmarshalText is Parse.
func (a *Amount) UnmarshalText(text []byte) error { return a.read(string(text)) }

func (a *Amount) read(text string) error {
	parsed, err := Parse(text)
	if err != nil {
		return err
	}
	*a = parsed
	return nil
}

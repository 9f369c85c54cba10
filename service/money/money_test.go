package money_test

import (
	"encoding/json"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/fault"
	"forkwright/service/money"
)

func TestParse(t *testing.T) {
	for _, c := range []struct{ text, want, code string }{
		{"0", "0", ""},
		{"12.50", "12.50", ""},
		{"-12.5", "-12.5", ""},
		{"-0.00", "0.00", ""},
		{"007.10", "7.10", ""},
		{"0.0000000001", "0.0000000001", ""},
		{"0.00000000001", "", "amount_too_precise"},
		{"999999999999999", "999999999999999", ""},
		{"1000000000000000", "", "amount_too_large"},
		{strings.Repeat("0", 300) + "1", "1", ""},
		{strings.Repeat("9", 5000), "", "amount_too_large"},
		{"", "", "amount_missing"},
		{"1e5", "", "amount_not_decimal"},
		{"1E-2", "", "amount_not_decimal"},
		{"NaN", "", "amount_not_decimal"},
		{"Infinity", "", "amount_not_decimal"},
		{"1,50", "", "amount_not_decimal"},
		{".5", "", "amount_not_decimal"},
		{"5.", "", "amount_not_decimal"},
		{"+5", "", "amount_not_decimal"},
		{"--5", "", "amount_not_decimal"},
		{"-", "", "amount_not_decimal"},
		{" 5", "", "amount_not_decimal"},
		{"5\n", "", "amount_not_decimal"},
		{"0x10", "", "amount_not_decimal"},
		{"1_000", "", "amount_not_decimal"},
		{"\u0665", "", "amount_not_decimal"}, // a digit, but not one of ours
		{"1.2.3", "", "amount_not_decimal"},
	} {
		got, err := money.Parse(c.text)
		if code := fault.CodeOf(err); code != c.code {
			t.Errorf("Parse(%.20q) fails with %q, want %q", c.text, code, c.code)
		}
		if err == nil && got.String() != c.want {
			t.Errorf("Parse(%q) = %s, want %s", c.text, got, c.want)
		}
	}
}

func TestRoundIsHalfAwayFromZero(t *testing.T) {
	for _, c := range []struct {
		in     string
		digits int
		want   string
	}{
		{"2.675", 2, "2.68"}, // binary floating point gives 2.67
		{"2.665", 2, "2.67"}, // half to even gives 2.66
		{"2.6749999999", 2, "2.67"},
		{"-2.675", 2, "-2.68"},
		{"-1446.375", 2, "-1446.38"},
		{"0.5", 0, "1"},
		{"-0.5", 0, "-1"},
		{"0.4", 0, "0"},
		{"-0.004", 2, "0.00"},
		{"1.0005", 3, "1.001"},
		{"7", 2, "7.00"},
	} {
		in := money.MustParse(c.in)
		if got := in.Round(c.digits).String(); got != c.want {
			t.Errorf("%s rounded to %d = %s, want %s", c.in, c.digits, got, c.want)
		}
		if got := money.RoundRatio(in.Ratio(), c.digits).String(); got != c.want {
			t.Errorf("%s as a ratio rounded to %d = %s, want %s", c.in, c.digits, got, c.want)
		}
	}
}

func TestRoundRatioOfThirds(t *testing.T) {
	for _, c := range []struct {
		num, den int64
		want     string
	}{{1, 3, "0.33"}, {2, 3, "0.67"}, {-2, 3, "-0.67"}, {1, 200, "0.01"}, {-1, 200, "-0.01"}, {-1, 201, "0.00"}} {
		if got := money.RoundRatio(big.NewRat(c.num, c.den), 2).String(); got != c.want {
			t.Errorf("%d/%d = %s, want %s", c.num, c.den, got, c.want)
		}
	}
}

func TestArithmeticNeverPrintsMinusZero(t *testing.T) {
	a := money.MustParse("9.90")
	for name, got := range map[string]money.Amount{
		"a - a": a.Sub(a), "-0": money.Amount{}.Neg(), "-a + a": a.Neg().Add(a), "sum of none": money.Sum(2),
		"-0.00 as text": money.MustParse("-0.00"), "-0.004 rounded": money.MustParse("-0.004").Round(2),
		"-0 fixed": money.MustParse("-0"), "-1/1000": money.RoundRatio(big.NewRat(-1, 1000), 2),
	} {
		if strings.Contains(got.String()+got.Fixed(3)+got.Plain(), "-") || !got.IsZero() || got.Sign() != 0 {
			t.Errorf("%s prints %s", name, got)
		}
	}
	if got := a.Sub(a).String(); got != "0.00" {
		t.Errorf("9.90 - 9.90 = %s, want 0.00", got)
	}
}

func TestJSON(t *testing.T) {
	type box struct {
		A money.Amount  `json:"a"`
		P *money.Amount `json:"p,omitempty"`
	}
	in := box{A: money.MustParse("9.90")}
	data, err := json.Marshal(in)
	if err != nil || string(data) != `{"a":"9.90"}` {
		t.Fatalf("marshals as %s, %v", data, err)
	}
	var out box
	if err := json.Unmarshal(data, &out); err != nil || out.A.String() != "9.90" {
		t.Errorf("comes back as %s, %v", out.A, err)
	}
	if err := json.Unmarshal([]byte(`{"a":"-\u0039.9\u0030"}`), &out); err != nil || out.A.String() != "-9.90" {
		t.Errorf("written with escapes it is %s, %v", out.A, err)
	}
	for body, code := range map[string]string{
		`{"a":9.9}`:                "amount_not_text",
		`{"a":true}`:               "amount_not_text",
		`{"a":"1e2"}`:              "amount_not_decimal",
		`{"a":""}`:                 "amount_missing",
		`{"a":"9\n"}`:              "amount_not_decimal",
		`{"a":"1.-2"}`:             "amount_not_decimal",
		`{"a":"0000000000000001"}`: "amount_too_large", // in a request no number is that long
		`{"p":12}`:                 "amount_not_text",
		`{"a":{"v":1}}`:            "amount_not_text",
	} {
		if err := json.Unmarshal([]byte(body), &box{}); fault.CodeOf(err) != code {
			t.Errorf("%s gives %v, want code %s", body, err, code)
		}
	}
}

func TestCurrency(t *testing.T) {
	for code, digits := range map[string]int{"EUR": 2, "JPY": 0, "KRW": 0, "ISK": 0, "CLP": 0, "KWD": 3, "BHD": 3, "TND": 3, "HUF": 2} {
		c, err := money.ParseCurrency(code)
		if err != nil || c.Digits() != digits {
			t.Errorf("%s has %d digits (%v), want %d", code, c.Digits(), err, digits)
		}
	}
	for _, code := range []string{"", "eur", "EURO", "XXY", "BGN", "HRK"} {
		if _, err := money.ParseCurrency(code); fault.CodeOf(err) != "unknown_currency" {
			t.Errorf("%q gives %v, want unknown_currency", code, err)
		}
	}
}

func TestDecimalsOnlyLower(t *testing.T) {
	for _, c := range []struct {
		currency money.Currency
		override int
		code     string
	}{{"HUF", 0, ""}, {"HUF", 2, ""}, {"HUF", 3, "decimals_out_of_range"}, {"JPY", 1, "decimals_out_of_range"}, {"EUR", -1, "decimals_out_of_range"}} {
		got, err := c.currency.Decimals(&c.override)
		if fault.CodeOf(err) != c.code || (err == nil && got != c.override) {
			t.Errorf("%s with %d decimals: %d, %v", c.currency, c.override, got, err)
		}
	}
}

func amounts(texts ...string) []money.Amount {
	out := make([]money.Amount, len(texts))
	for i, s := range texts {
		out[i] = money.MustParse(s)
	}
	return out
}

func TestSplit(t *testing.T) {
	for _, c := range []struct {
		total   string
		digits  int
		weights []money.Amount
		want    []money.Amount
		code    string
	}{
		{"0.05", 2, amounts("1", "1", "1"), amounts("0.02", "0.02", "0.01"), ""}, // a tie goes to the earlier
		{"-0.05", 2, amounts("1", "1", "1"), amounts("-0.02", "-0.02", "-0.01"), ""},
		{"1", 0, amounts("0", "0.001", "0"), amounts("0", "1", "0"), ""},
		{"0", 2, amounts("1", "2"), amounts("0", "0"), ""},
		{"1.00", 2, amounts("0", "0"), nil, "no_positive_weight"},
		{"1.00", 2, nil, nil, "no_positive_weight"},
		{"1.00", 2, amounts("1", "-1"), nil, "negative_weight"},
		{"1.005", 2, amounts("1"), nil, "amount_too_precise"},
	} {
		got, err := money.Split(money.MustParse(c.total), c.digits, c.weights)
		if fault.CodeOf(err) != c.code {
			t.Errorf("splitting %s over %v: %v, want %q", c.total, c.weights, err, c.code)
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("splitting %s over %v (-want +got):\n%s", c.total, c.weights, diff)
		}
	}
}

// No split loses a unit, no part is more than a unit away from its exact share,
// and a negative total is the mirror of the positive one.
func TestSplitProperties(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		weights, sum := make([]money.Amount, 1+r.IntN(12)), new(big.Rat)
		for i := range weights {
			weights[i] = money.FromUnits(big.NewInt(r.Int64N(1_000_000)), r.IntN(6))
			sum.Add(sum, weights[i].Ratio())
		}
		weights[0] = weights[0].Add(money.FromInt(1))
		sum.Add(sum, big.NewRat(1, 1))
		digits := r.IntN(4)
		total := money.FromUnits(big.NewInt(r.Int64N(10_000_000)), digits)
		parts, err := money.Split(total, digits, weights)
		if err != nil {
			t.Fatal(err)
		}
		if got := money.Sum(digits, parts...); !got.Equal(total) {
			t.Fatalf("parts of %s add up to %s", total, got)
		}
		mirror, err := money.Split(total.Neg(), digits, weights)
		if err != nil {
			t.Fatal(err)
		}
		unit := money.FromUnits(big.NewInt(1), digits).Ratio()
		for i, p := range parts {
			share := new(big.Rat).Mul(total.Ratio(), weights[i].Ratio())
			share.Quo(share, sum)
			if away := share.Sub(share, p.Ratio()); away.Abs(away).Cmp(unit) >= 0 {
				t.Fatalf("part %d of %s is %s, a whole unit or more from its share", i, total, p)
			}
			if !mirror[i].Equal(p.Neg()) {
				t.Fatalf("part %d is %s, its mirror %s", i, p, mirror[i])
			}
		}
	}
}

func TestCheckDigit(t *testing.T) {
	for _, c := range []struct{ digits, want, code string }{
		{"890400021003", "7", ""}, // GS1 India, worked example
		{"629104150021", "3", ""}, // GS1, worked example; it cannot tell swapped weights
		{"000000000000", "0", ""},
		{"1234567", "0", ""}, // from memory
		{"03600029145", "2", ""},
		{"12345", "", "gtin_length"},
		{"12345678901234", "", "gtin_length"},
		{"89040002100x", "", "gtin_not_digits"},
	} {
		got, err := money.CheckDigit(c.digits)
		if got != c.want || fault.CodeOf(err) != c.code {
			t.Errorf("CheckDigit(%s) = %q, %v; want %q, %q", c.digits, got, err, c.want, c.code)
		}
	}
}

func TestNormalizeGTIN(t *testing.T) {
	for _, c := range []struct{ text, want, code string }{
		{"8904000210037", "08904000210037", ""},
		{" 8904000210037 ", "08904000210037", ""},
		{"08904000210037", "08904000210037", ""},
		{"036000291452", "00036000291452", ""},
		{"12345670", "00000012345670", ""},
		{"8904000210038", "", "gtin_check_digit"},
		{"8904000201037", "", "gtin_check_digit"}, // neighbors swapped
		{"890400021003", "", "gtin_check_digit"},  // the check digit is missing
		{"123456789", "", "gtin_length"},
		{"", "", "gtin_length"},
		{"89-04000210037", "", "gtin_not_digits"},
	} {
		got, err := money.NormalizeGTIN(c.text)
		if got != c.want || fault.CodeOf(err) != c.code {
			t.Errorf("NormalizeGTIN(%q) = %q, %v; want %q, %q", c.text, got, err, c.want, c.code)
		}
	}
}

// A single wrong digit never passes.
func TestGTINCatchesEverySingleMisreading(t *testing.T) {
	const good = "8904000210037"
	for i := range good {
		for d := '0'; d <= '9'; d++ {
			bad := good[:i] + string(d) + good[i+1:]
			if _, err := money.NormalizeGTIN(bad); (err == nil) != (bad == good) {
				t.Errorf("%s: %v", bad, err)
			}
		}
	}
}

package chart

import (
	"math"
	"strconv"
	"strings"
)

// ticks are the round numbers of an axis from 0 up to and, where a number lies there, including
// its end: steps of 1, 2, 2.5 or 5 times a power of ten, at most so many of them.
func ticks(end float64, most int) []float64 {
	step := niceStep(end, most)
	var out []float64
	for i := 0; ; i++ {
		v := float64(i) * step
		if v > end*(1+1e-9) {
			return out
		}
		out = append(out, v)
	}
}

func niceStep(end float64, most int) float64 {
	if !(end > 0) || math.IsInf(end, 0) || most < 1 {
		return 1
	}
	unit := math.Pow(10, math.Floor(math.Log10(end/float64(most))))
	for _, k := range []float64{1, 2, 2.5, 5, 10} {
		if end/(k*unit) <= float64(most)*(1+1e-9) {
			return k * unit
		}
	}
	return 10 * unit
}

// number writes a value with so many decimals, thousands apart: 1,250.
func number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	sign := ""
	if strings.HasPrefix(s, "-") {
		sign, s = "−", s[1:]
	}
	whole, rest, has := strings.Cut(s, ".")
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if has {
		whole += "." + rest
	}
	return sign + whole
}

// tickDecimals is how many decimals the steps of an axis need.
func tickDecimals(step float64) int {
	for d := range 4 {
		p := math.Pow10(d)
		if math.Abs(math.Round(step*p)-step*p) < 1e-6 {
			return d
		}
	}
	return 4
}

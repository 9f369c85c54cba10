package quote

import (
	"fmt"
	"regexp"

	"forkwright/service/fault"
)

// Series is how a seller writes its quote numbers.
type Series struct {
	Code      string `json:"code"`      // which counter
	Prefix    string `json:"prefix"`    // up to 20 of letters, digits, and ._/-
	Year      bool   `json:"year"`      // the year of issue stands before the counter
	Separator string `json:"separator"` // between the parts: empty or one of ._/-
	Digits    int    `json:"digits"`    // the counter is padded with zeros to so many, 1 to 12
}

var (
	seriesPrefix    = regexp.MustCompile(`^[A-Za-z0-9._/-]{0,20}$`)
	seriesSeparator = regexp.MustCompile(`^[._/-]?$`)
)

// Check reports what is wrong with a series as fields of a request.
func (s Series) Check() error {
	var f fault.Fields
	if !seriesPrefix.MatchString(s.Prefix) {
		f.Add("/prefix", "series_prefix", "a prefix has up to 20 letters, digits, points, underscores, slashes and hyphens")
	}
	if !seriesSeparator.MatchString(s.Separator) {
		f.Add("/separator", "series_separator", "a separator is nothing or one of . _ / -")
	}
	if s.Digits < 1 || s.Digits > 12 {
		f.Add("/digits", "series_digits", "a counter is padded to 1 to 12 digits, not %d", s.Digits)
	}
	return f.Err()
}

// Number writes a counter, from 1 on: prefix Q, year, separator "-" and five
// digits give Q-2026-00042. A counter that outgrows its digits is written whole.
func (s Series) Number(year int, counter int64) string {
	number := s.Prefix
	if number != "" {
		number += s.Separator
	}
	if s.Year {
		number += fmt.Sprintf("%04d", year) + s.Separator
	}
	return number + fmt.Sprintf("%0*d", s.Digits, counter)
}

package chart

import (
	"strings"
	"unicode/utf8"
)

// Plain leaves out of a text what no paper should carry: control characters, marks that turn the
// direction of what follows, and what is no character. Tabs and line ends become spaces.
func Plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n' || r == '\r' || r == '\u2028' || r == '\u2029':
			return ' '
		case r < 0x20, r >= 0x7f && r < 0xa0, Turns(r), r == 0xfeff, r&0xfffe == 0xfffe, r >= 0xfdd0 && r <= 0xfdef:
			return -1
		case r == utf8.RuneError:
			return -1
		}
		return r
	}, s)
}

// Turns reports whether a character changes the direction of the text around it without being
// seen (UAX 9).
func Turns(r rune) bool {
	return r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0x200e || r == 0x200f || r == 0x61c
}

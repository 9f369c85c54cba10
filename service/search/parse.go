package search

import (
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Bounds of a query; what lies beyond is not read.
const (
	maxText  = 400
	maxWords = 24
)

// word is one word of a query that may name something.
type word struct {
	text string // folded
	soft bool   // says little about which fork it is: counts if it matches, is not missed if not
}

// asked is a query as it was read.
type asked struct {
	words            []word
	yearFrom, yearTo int // 0: not said
	travel           int // mm as built; 0: not said
	travelSlack      int // travel said in inches is rounded
	wheel            string
}

// fold makes text comparable: small letters, no accents, ligatures and ß resolved.
func fold(s string) string {
	if isASCII(s) { // most texts: there is nothing to resolve
		return strings.ToLower(s)
	}
	var b strings.Builder
	for _, r := range norm.NFKD.String(s) {
		switch {
		case unicode.Is(unicode.Mn, r):
		case r == 'ß':
			b.WriteString("ss")
		case r == 'ø' || r == 'Ø':
			b.WriteByte('o')
		case r == 'æ' || r == 'Æ':
			b.WriteString("ae")
		default:
			b.WriteRune(unicode.ToLower(r))
		}
	}
	return b.String()
}

func isASCII(s string) bool {
	for i := range len(s) {
		if s[i] >= utf8.RuneSelf {
			return false
		}
	}
	return true
}

// soft words tell what somebody wants, not which fork it is.
var softWords = set(`a an and the for of on in to my with i have has hi hello do does you something need want please thanks it is
	fork forks gabel federgabel fourche suspension front bike bicycle mtb mountain ebike bikes rad
	spring springs coil coils air kit kits seal seals conversion cartridge service upgrade convert oil parts part
	mm travel wheel inch inches model year my mod modell jahr size er vintage version new old used
	fur meine mein feder umbau pour ma ressort black
	trail enduro downhill dh xc race jump assisted e electric motor cross country single dual crown`)

func set(words string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(words) {
		m[w] = true
	}
	return m
}

// pieces cuts a text at spaces. It never fails.
func pieces(text string) []string {
	if len(text) > maxText {
		text = text[:maxText]
	}
	out := strings.FieldsFunc(fold(strings.ToValidUTF8(text, " ")), func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r) || strings.ContainsRune(";():|", r)
	})
	for i := range out {
		out[i] = strings.TrimRight(out[i], ".,!?")
	}
	out = slices.DeleteFunc(out, func(p string) bool { return p == "" })
	return out[:min(len(out), maxWords)]
}

// read takes pieces as facts or words: what is no fact stays a word.
func read(pieces []string) asked {
	a := asked{words: make([]word, 0, 2*len(pieces))} // few pieces are more than two words
	for i := 0; i < len(pieces); i++ {
		next := ""
		if i+1 < len(pieces) {
			next = pieces[i+1]
		}
		switch a.fact(pieces[i], next) {
		case 2:
			i++
		case 0:
			a.split(pieces[i])
		}
	}
	return a
}

// fact reads a piece as year, travel or wheel size; it returns how many pieces it used.
func (a *asked) fact(p, next string) int {
	if !strings.ContainsAny(p, digits) {
		return 0
	}
	if a.year(p) || a.wheelSize(p, false) {
		return 1
	}
	number, unit := cutUnit(p)
	if number == "" {
		return 0
	}
	v, err := strconv.ParseFloat(strings.ReplaceAll(number, ",", "."), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0
	}
	used := 1
	if unit == "" && isUnit(next) {
		unit, used = next, 2
	}
	switch {
	case unit == "mm" && v >= 60 && v <= 250, unit == "" && v >= 60 && v <= 250 && v == math.Trunc(v):
		a.travel = int(v)
		return used
	case inches(unit) && v >= 2.5 && v <= 9.9:
		a.travel, a.travelSlack = int(math.Round(v*25.4)), 2
		return used
	case inches(unit) && a.wheelSize(number, true):
		return used
	}
	return 0
}

func cutUnit(p string) (number, unit string) {
	i := strings.IndexFunc(p, func(r rune) bool { return (r < '0' || r > '9') && r != '.' && r != ',' })
	if i < 0 {
		return p, ""
	}
	return p[:i], p[i:]
}

func isUnit(s string) bool { return s == "mm" || inches(s) }

func inches(s string) bool {
	switch s {
	case "in", "inch", "inches", `"`, "”", "″", "''", "zoll":
		return true
	}
	return false
}

// year reads 2021, '21, my21, my2021, 2020-2022 and 2020/22.
func (a *asked) year(p string) bool {
	marked := strings.TrimLeft(p, "'’`")
	isMarked := marked != p
	if after, ok := strings.CutPrefix(marked, "my"); ok && after != "" && !strings.ContainsAny(after, "-") {
		marked, isMarked = after, true
	}
	from, to, isSpan := strings.Cut(strings.ReplaceAll(strings.ReplaceAll(marked, "–", "-"), "/", "-"), "-")
	y, ok := fullYear(from, isMarked)
	if !ok {
		return false
	}
	z := y
	if isSpan {
		if z, ok = fullYear(to, true); !ok || z < y {
			return false
		}
	}
	a.yearFrom, a.yearTo = y, z
	return true
}

func fullYear(s string, short bool) (int, bool) {
	if len(s) != 4 && len(s) != 2 || s[0] > '9' {
		return 0, false
	}
	n, err := strconv.Atoi(s)
	switch {
	case err != nil:
		return 0, false
	case len(s) == 4 && n >= 1985 && n <= 2060:
		return n, true
	case len(s) == 2 && short && n < 60:
		return 2000 + n, true
	}
	return 0, false
}

var wheelWords = map[string]string{"29er": "29", "27.5er": "27.5", "650b": "27.5", "27.5": "27.5", "27,5": "27.5", "26er": "26", "29in": "29", `29"`: "29",
	`27.5"`: "27.5", `27,5"`: "27.5", "27.5in": "27.5", `26"`: "26", "26in": "26", "29": "29", "29inch": "29", "27.5inch": "27.5", "26inch": "26", "700c": "28", `28"`: "28", `24"`: "24", "24er": "24"}

func (a *asked) wheelSize(p string, inch bool) bool {
	w, ok := wheelWords[p]
	if !ok && inch && (p == "26" || p == "24" || p == "28" || p == "20") {
		w, ok = p, true
	}
	if ok {
		a.wheel = w
	}
	return ok
}

// split cuts a piece into words: at signs, and between letters and digits.
func (a *asked) split(p string) {
	for w := range wordsOf(p) {
		a.words = append(a.words, word{text: w, soft: softWords[w] || len(w) == 1})
	}
}

// wordsOf splits folded text at signs and between letters and digits.
func wordsOf(p string) iter.Seq[string] {
	return func(yield func(string) bool) {
		start, was := 0, noWord
		for i, r := range p {
			is := kindOf(r)
			if is == was {
				continue
			}
			if was != noWord && !yield(p[start:i]) {
				return
			}
			start, was = i, is
		}
		if was != noWord {
			yield(p[start:])
		}
	}
}

// kind is what words are made of.
type kind uint8

const (
	noWord kind = iota
	ofDigits
	ofLetters
)

func kindOf(r rune) kind {
	switch {
	case unicode.IsDigit(r):
		return ofDigits
	case unicode.IsLetter(r):
		return ofLetters
	}
	return noWord
}

package fitment

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"forkwright/service/catalog"
)

// values fill the names in braces of a sentence.
type values []value

type value struct{ name, text string }

func (v values) get(name string) string {
	for i := len(v) - 1; i >= 0; i-- {
		if v[i].name == name {
			return v[i].text
		}
	}
	return ""
}

// sentence is a text cut at the places that are filled in.
type sentence []piece

// piece is the text before a place and the name of the place; the last piece has no place.
type piece struct{ text, place string }

// sentences are all that this package says to people, by code. Names in braces are filled in.
// A row may carry a code of its own: where that code has a sentence here, it is used; else the
// sentence of what the row does, with the code read as words.
var sentences = cut(map[string]string{
	// what decided a verdict
	"fork_limit.travel":     "{part} gives {have} mm of travel, and the maker of {fork} allows at most {want} mm{wheel}. No part changes that.",
	"fork_limit.travel_now": "{fork} has {have} mm of travel now, and its maker allows at most {want} mm{wheel}. Set the travel right first.",
	"fork_limit.rider_kg":   "The rider with kit weighs {have} kg, and the maker of {fork} allows at most {want} kg. No spring changes that.",
	"fork_limit.system_kg":  "Rider and bicycle weigh {have} kg together, and the maker of {fork} allows at most {want} kg. No spring changes that.",
	"fork_limit.use":        "{fork} is built for {want}, not for {have}. No spring changes that.",
	"excluded":              "{part} does not fit {fork}: {why}.",
	"listed.fits":           "{part} fits {fork}.",
	"listed.fits_with":      "{part} fits {fork}, with: {requires}.",
	"open_kind":             "{part} may be used on {fork}: nothing in the catalog speaks against it.",
	"not_listed":            "The catalog does not list {part} for {fork}.",
	"differs.travel_now":    "{part} is for a fork with {want} mm of travel now; {fork} has {have} mm.",
	"differs.model_year":    "{part} is for model years {want} of this fork; this one is of {have}.",
	"differs.serial":        "{part} is for serial numbers {want}; this fork has {have}.",
	"differs.option":        "{part} needs a fork with {fact} {want}; {fork} has {have}.",
	"not_in_catalog":        "{part} is not in our catalog.",
	"needs_no_fork":         "{part} needs no fork.",
	"superseded":            "{part} has been superseded by {other}; the answer is for {other}.",

	// what is missing
	"missing_fork":    "Whether {part} fits cannot be said before it is known which fork it is for.",
	"missing_fact":    "Whether {part} fits {fork} depends on the {fact}.",
	"contradicts":     "{fork} cannot have {fact} {have} as stated; the catalog knows {want}. Check which fork it is.",
	"if_fits":         "With {fact} {have} it fits.",
	"if_fits_with":    "With {fact} {have} it fits, with: {requires}.",
	"if_does_not_fit": "With {fact} {have} it does not fit.",
	"if_open":         "With {fact} {have} one more question follows.",

	// the nearest part
	"nearest.travel":  "the same kind for {want} mm of travel, which the fork has now",
	"nearest.family":  "of the same family, {want} N/mm instead of {have} N/mm",
	"nearest.maker":   "the same kind from the same maker",
	"nearest.kind":    "the same kind",
	"nearest.travel+": "the same kind, for {want} mm of travel",

	// a cart
	"fork_not_said":       "{part} is for a fork, but the line does not say for which.",
	"fork_not_named":      "The line is for {fork}, which is not among the forks of this cart.",
	"ambiguous_code":      "{code} may be any of {other}: say which.",
	"quantity_wrong":      "{quantity} is no quantity that can be sold.",
	"quantity_not_whole":  "{part} is sold whole; {quantity} is not.",
	"quantity_too_many":   "{quantity} of {part} for {fork}, which takes {want}.",
	"quantity_one_leg":    "{quantity} of {part} for {fork}, which takes {want}: one for each leg.",
	"duplicate_line":      "{part} is on more than one line for {fork}.",
	"two_for_one_leg":     "{other} go into the same leg of {fork}; it takes one.",
	"companion_missing":   "{part} needs {other}: {why}.",
	"requirement_missing": "{part} fits {fork} only with: {requires}.",
	"parts_exclude":       "{part} and {other} cannot be used together: {why}.",
	"slot_choice_missing": "{part} comes with a {slot} of your choice: choose one of {other}.",
})

func cut(texts map[string]string) map[string]sentence {
	out := make(map[string]sentence, len(texts))
	for code, rest := range texts {
		for found := true; found; {
			var p piece
			p.text, rest, found = strings.Cut(rest, "{")
			p.place, rest, _ = strings.Cut(rest, "}")
			out[code] = append(out[code], p)
		}
	}
	return out
}

// questions are asked where the catalog has no question of its own for a fact.
var questions = map[string]string{
	"fork":       "Which fork is it for?",
	"model_year": "Which model year is the fork?",
	"travel_now": "How much travel does the fork have now? Read the mark on the cartridge, or let the air out through the valve, push the fork in as far as it goes and measure how far it moved.",
	"wheel_size": "Which wheel size does the fork carry?",
	"serial":     "What is the serial number on the fork?",
	"built_on":   "What is the production date on the fork's sticker?",
	"damper":     "Which damper is in the fork? It is written on the knob or the leg.",
}

// QuestionText is the question for a fact, which is the code of a fault.Question, in the first
// of the languages that the catalog has it in.
func QuestionText(rev *catalog.Revision, fact string, langs ...string) string {
	if text, _ := rev.FactText(fact, "", langs...); text != "" {
		return text
	}
	if text, ok := questions[fact]; ok {
		return text
	}
	return "What is the " + factName(fact) + " of the fork?"
}

// say fills a sentence.
func say(code string, v values) string {
	return tell(code, func(b []byte, place string) []byte { return append(b, v.get(place)...) })
}

// tell fills a sentence with what fill appends for each of its places, so that nothing is put
// into words that the sentence does not say.
func tell(code string, fill func(b []byte, place string) []byte) string {
	var room [256]byte
	b := room[:0]
	for _, p := range sentences[code] {
		b = append(b, p.text...)
		if p.place != "" {
			b = fill(b, p.place)
		}
	}
	return string(b)
}

// plain is a reason without a row.
func plain(code string, v values) []Reason {
	return []Reason{{Code: code, Text: say(code, v)}}
}

// reason explains a finding in a world.
func (c *inquiry) reason(x *seen) Reason {
	f, w := &x.finding, &x.in
	r := Reason{Code: f.code, Fact: f.fact}
	key := f.code
	switch f.code {
	case "fork_limit":
		key += "." + f.fact
		r.Want, r.Have = c.limitTexts(f)
	case "listed":
		key = listedAs[f.verdict]
	case "differs":
		r.Want, r.Have = c.wanted(f), c.text(w, f.fact)
		r.Code = "other_" + f.fact
		if key = "differs." + f.fact; sentences[key] == nil {
			key = "differs.option"
		}
	}
	if f.row != nil {
		r.Row, r.Evidence, r.Source = f.row.ID, f.row.Evidence, f.row.Source
		if f.code != "differs" && f.row.Reason != "" {
			r.Code = f.row.Reason
			if sentences[r.Code] != nil {
				key = r.Code
			}
		}
	}
	r.Text = tell(key, func(b []byte, place string) []byte { return c.fill(b, place, f, &r) })
	return r
}

// listedAs are the sentences of rows that include, by verdict.
var listedAs = map[catalog.Verdict]string{catalog.Fits: "listed.fits", catalog.FitsWith: "listed.fits_with"}

// fill appends what belongs in a place of the sentence about a finding.
func (c *inquiry) fill(b []byte, place string, f *finding, r *Reason) []byte {
	switch place {
	case "part":
		return appendPartName(b, c.rev, c.part)
	case "fork":
		return c.appendForkName(b)
	case "fact":
		return append(b, factName(f.fact)...)
	case "want":
		return append(b, c.shown(f.fact, r.Want)...)
	case "have":
		return append(b, c.shown(f.fact, r.Have)...)
	case "wheel":
		if f.limit != nil && f.limit.WheelSize != "" {
			b = append(append(append(b, " with "...), f.limit.WheelSize...), " wheels"...)
		}
	case "requires":
		if f.row != nil {
			b = append(b, c.conditionText(f.row)...)
		}
	case "why":
		if f.row != nil {
			b = append(b, cmp.Or(asWords(f.row.Reason), "the catalog excludes it")...)
		}
	}
	return b
}

func (c *inquiry) limitTexts(f *finding) (want, have string) {
	switch f.fact {
	case "travel":
		return number(f.limit.MaxTravelMM), number(c.travel)
	case "travel_now":
		return number(f.limit.MaxTravelMM), number(c.owned.TravelNow.MM)
	case "rider_kg", "system_kg":
		// The figure that was given is the rider's own: it is said, and not kept.
		if f.fact == "rider_kg" {
			return decimal(f.limit.MaxRiderKG), decimal(c.owned.RiderKG)
		}
		return decimal(f.limit.MaxSystemKG), decimal(max(c.owned.SystemKG, c.owned.RiderKG))
	}
	return strings.Join(c.fork.Uses, ", "), c.owned.Use
}

// wanted is what a row asks of the fact on which it disagrees.
func (c *inquiry) wanted(f *finding) string {
	row := f.row
	switch f.fact {
	case "travel_now":
		from, to := c.window(row)
		return reach(number(int(from)), number(int(to)))
	case "model_year":
		return reach(number(int(row.YearFrom)), number(int(row.YearTo)))
	case "serial":
		return reach(row.SerialFrom, row.SerialTo)
	}
	for _, x := range row.Must {
		if x.Name == f.fact {
			return x.Value
		}
	}
	var not []string
	for _, x := range row.MustNot {
		if x.Name == f.fact {
			not = append(not, x.Value)
		}
	}
	return "not " + strings.Join(not, ", ")
}

// reach writes a range with open ends.
func reach(from, to string) string {
	switch {
	case from == to:
		return from
	case from == "":
		return "up to " + to
	case to == "":
		return "from " + from
	}
	return from + " to " + to
}

// contradiction fills the sentence about a statement that this fork cannot have.
func (c *inquiry) contradiction(name string) values {
	have := c.statedText(name)
	want := strings.Join(c.choices(name), ", ")
	switch name {
	case "model_year":
		want = reach(number(int(c.fork.YearFrom)), number(int(c.fork.YearTo)))
	case "serial", "built_on":
		want = "another combination of year, number and date"
	}
	return values{{"fork", c.forkName()}, {"fact", factName(name)}, {"have", c.shown(name, have)}, {"want", want}}
}

// shown is a value as a person would say it.
func (c *inquiry) shown(name, value string) string {
	if value == "" {
		return "another or none"
	}
	if text, _ := c.rev.FactText(name, value); text != "" {
		return text
	}
	return value
}

// conditionText is what a row fits with.
func (c *inquiry) conditionText(row *catalog.Fitment) string {
	var all []string
	if row != nil && len(requirements(row)) == 0 {
		return cmp.Or(asWords(row.Reason), "conditions that the catalog does not spell out")
	}
	for _, q := range requirements(row) {
		all = append(all, RequirementText(c.rev, q))
	}
	return strings.Join(all, "; ")
}

// RequirementText is a condition in words: its own text, or its kind, part and quantity.
func RequirementText(rev *catalog.Revision, q catalog.Requirement) string {
	if q.Text != "" {
		return q.Text
	}
	text := asWords(q.Kind)
	if q.Part != "" {
		name, _ := rev.Name("part", q.Part)
		if q.Kind == "renew" {
			text = "a new"
		}
		text += " " + name
	}
	if q.Quantity > 1 {
		text = decimal(q.Quantity) + " × " + text
	}
	return text
}

func partName(rev *catalog.Revision, p *catalog.Part) string {
	var room [96]byte
	return string(appendPartName(room[:0], rev, p))
}

func appendPartName(b []byte, rev *catalog.Revision, p *catalog.Part) []byte {
	name := rev.Card(p).Name
	if name == "" {
		return append(b, p.SKU...)
	}
	return append(append(append(append(b, name...), " ("...), p.SKU...), ')')
}

// forkName is a fork with its maker.
func forkName(rev *catalog.Revision, f *catalog.Fork) string {
	maker := rev.MakerName(f)
	if strings.HasPrefix(f.Name, maker) {
		return f.Name
	}
	return maker + " " + f.Name
}

// forkName is the fork with its model year, where that is known.
func (c *inquiry) forkName() string { return string(c.appendForkName(nil)) }

func (c *inquiry) appendForkName(b []byte) []byte { return c.appendFork(b, c.denied != "model_year") }

// appendFork appends the fork with the model year that was stated, if that can be.
func (j *judging) appendFork(b []byte, can bool) []byte {
	b = append(b, j.name...)
	if can && j.owned.ModelYear != 0 {
		b = strconv.AppendInt(append(b, ' '), int64(j.owned.ModelYear), 10)
	}
	return b
}

var factNames = map[string]string{
	"travel_now": "travel now", "model_year": "model year", "wheel_size": "wheel size",
	"serial": "serial number", "built_on": "production date",
}

func factName(name string) string {
	if text, ok := factNames[name]; ok {
		return text
	}
	return asWords(name)
}

// asWords reads a code as words.
func asWords(code string) string { return strings.ReplaceAll(code, "_", " ") }

func decimal(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// list writes names as a person would, sorted.
func list(names []string) string {
	names = slices.Clone(names)
	slices.Sort(names)
	names = slices.Compact(names)
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

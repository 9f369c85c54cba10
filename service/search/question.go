package search

import (
	"cmp"
	"slices"
	"strconv"

	"forkwright/service/fault"
)

// trait is something about a fork that can be told at a counter in ten seconds.
type trait struct {
	fact   string // as the catalog's table of facts names it
	field  string // the member of the query that carries the answer
	text   string // where the catalog has no question of its own
	known  func(*search) bool
	values func(d *doc, room []string) []string // what the fork may have; appended to room where no list of it is kept
}

// traits, the easiest to tell first.
var traits = []trait{
	{"model_year", "model_year", "Which model year is the fork? It is on the bill of the bicycle or on the fork's sticker.",
		func(s *search) bool { return s.a.yearFrom != 0 && s.a.yearFrom == s.a.yearTo }, yearsOf},
	{"wheel_size", "wheel_size", "Which wheel size is printed on the front tire?",
		func(s *search) bool { return s.a.wheel != "" }, func(d *doc, _ []string) []string { return d.fork.WheelSizes }},
	{"travel_built", "travel_mm", "Which travel was the fork built with? It is on its sticker or on the bill.",
		func(s *search) bool { return s.a.travel != 0 }, travelsOf},
	{"axle", "measurements.axle", "Is the front axle 15 mm or 20 mm thick?",
		func(s *search) bool { return s.q.Measurements.Axle != "" }, func(d *doc, room []string) []string { return chassisText(d, d.axle, room) }},
	{"stanchion_mm", "measurements.stanchion_mm", "What does a caliper across a clean stanchion read, in mm?",
		func(s *search) bool { return s.q.Measurements.StanchionMM > 0 }, func(d *doc, room []string) []string { return chassisText(d, d.stanchion, room) }},
	{"valve_leg", "measurements.valve_leg", "Seen from the saddle: which leg has the air valve, or the spring's cap, on top?",
		func(s *search) bool { return s.q.Measurements.ValveLeg != "" }, func(d *doc, room []string) []string { return chassisText(d, d.side, room) }},
	{"foot_fastener", "measurements.foot_fastener", "Look under the foot of the leg with the valve: is it a nut or a bolt?",
		func(s *search) bool { return s.q.Measurements.FootFastener != "" }, func(d *doc, _ []string) []string { return d.feet }},
}

func (d *doc) axle() string      { return d.chassis.Axle }
func (d *doc) side() string      { return string(d.chassis.SpringSide) }
func (d *doc) stanchion() string { return strconv.FormatFloat(d.chassis.StanchionMM, 'f', -1, 64) }

func chassisText(d *doc, text func() string, room []string) []string {
	if d.chassis == nil {
		return nil
	}
	return append(room, text())
}

func yearsOf(d *doc, room []string) []string {
	for y := d.fork.YearFrom; y <= d.fork.YearTo && len(room) < 60; y++ {
		room = append(room, numeral(int(y)))
	}
	return room
}

func travelsOf(d *doc, room []string) []string {
	for _, t := range d.fork.TravelsMM {
		room = append(room, numeral(t))
	}
	return room
}

// numerals are the texts of years and travels, which every question and many facts are made of.
var numerals = func() (texts [2101]string) {
	for n := range texts {
		texts[n] = strconv.Itoa(n)
	}
	return texts
}()

func numeral(n int) string {
	if n >= 0 && n < len(numerals) {
		return numerals[n]
	}
	return strconv.Itoa(n)
}

// question is the one that leaves the fewest candidates on average, taking every candidate as
// equally likely and every value of a candidate too. Where nothing splits them it asks for the mark.
func (s *search) question(group []hit) *fault.Question {
	if len(group) < 2 {
		return nil
	}
	var best *trait
	var choices []string
	least := float64(len(group)) - 1e-9
	for i := range traits {
		if traits[i].known(s) {
			continue
		}
		values, left := s.split(group, &traits[i])
		if left < least-1e-9 {
			best, choices, least = &traits[i], values, left
		}
	}
	if best == nil {
		return s.askMark(group)
	}
	text, lang := s.x.rev.FactText(best.fact, "")
	if lang == "" {
		text = best.text
	}
	return &fault.Question{Code: best.fact, Text: text, Field: best.field, Choices: choices}
}

// choice is a value and the candidates that have it: how many, and how likely it is.
type choice struct {
	value  string
	count  int
	likely float64
}

// split lists the values of a trait and how many candidates an answer leaves on average.
func (s *search) split(group []hit, t *trait) (values []string, left float64) {
	var all []choice
	room := make([]string, 0, 8)
	for _, h := range group {
		list := t.values(&s.x.docs[h.doc], room)
		if len(list) == 0 {
			return nil, float64(len(group)) // unknown for one: an answer would not settle it
		}
		for _, v := range list {
			at := slices.IndexFunc(all, func(x choice) bool { return x.value == v })
			if at < 0 {
				at = len(all)
				all = append(all, choice{value: v})
			}
			all[at].count++
			all[at].likely += 1 / float64(len(list)*len(group))
		}
	}
	slices.SortFunc(all, func(a, b choice) int { return byNumber(a.value, b.value) })
	values = make([]string, len(all))
	for i, x := range all {
		values[i] = x.value
		left += x.likely * float64(x.count)
	}
	return values, left
}

func byNumber(a, b string) int {
	x, e1 := strconv.ParseFloat(a, 64)
	y, e2 := strconv.ParseFloat(b, 64)
	if e1 == nil && e2 == nil {
		return cmp.Or(cmp.Compare(x, y), cmp.Compare(a, b))
	}
	return cmp.Compare(a, b)
}

func (s *search) askMark(group []hit) *fault.Question {
	if len(s.marks) > 0 && !s.near {
		return nil
	}
	for _, h := range group {
		if len(s.x.rev.Marks(s.x.docs[h.doc].fork.ID)) > 0 {
			return &fault.Question{Code: "mark", Text: "Which code is etched or printed on the fork? Look at the crown, the back of the stanchions and the lower legs.", Field: "text"}
		}
	}
	return nil
}

package search

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"forkwright/service/catalog"
)

// measured is a fact of the query held against a fork.
type measured struct {
	code   string
	points float64
	text   func() string // written only for candidates that are shown
}

// caliperMM is how far a caliper across a stanchion may be off.
const caliperMM = 0.4

// facts holds every fact that was said against a fork.
func (s *search) facts(d *doc, note func(measured)) {
	f := d.fork
	if s.maker != "" {
		if s.maker == d.maker {
			note(measured{"maker", 0, func() string { return "by " + s.x.rev.MakerName(f) }})
		} else {
			note(measured{"maker", makerDiffers, func() string { return "by " + s.x.rev.MakerName(f) + ", another maker" }})
		}
	}
	if s.a.yearFrom != 0 {
		note(s.yearFact(f))
	}
	if s.a.travel != 0 {
		note(s.travelFact(f))
	}
	if s.a.wheel != "" {
		if slices.Contains(f.WheelSizes, s.a.wheel) {
			note(measured{"wheel_size", wheelAgrees, func() string { return "built for " + s.a.wheel + " in wheels" }})
		} else {
			note(measured{"wheel_size", wheelDiffers, func() string { return "built for " + strings.Join(f.WheelSizes, " or ") + " in wheels only" }})
		}
	}
	if s.q.Measurements != (Measurements{}) {
		s.measurements(d, note)
	}
}

func (s *search) yearFact(f *catalog.Fork) measured {
	from, to := int(f.YearFrom), int(f.YearTo)
	span := func() string { return years(from, to) }
	switch {
	case s.a.yearFrom <= to && s.a.yearTo >= from:
		return measured{"year", yearAgrees, func() string { return "built in model years " + span() }}
	case s.a.yearFrom <= to+1 && s.a.yearTo >= from-1:
		return measured{"year", yearNear, func() string {
			return "built in model years " + span() + ", next to " + years(s.a.yearFrom, s.a.yearTo)
		}}
	}
	return measured{"year", yearDiffers, func() string {
		return "built in model years " + span() + ", not " + years(s.a.yearFrom, s.a.yearTo)
	}}
}

func years(from, to int) string {
	if from == to {
		return strconv.Itoa(from)
	}
	return fmt.Sprintf("%d to %d", from, to)
}

func (s *search) travelFact(f *catalog.Fork) measured {
	away := math.MaxInt
	for _, t := range f.TravelsMM {
		away = min(away, max(t-s.a.travel, s.a.travel-t))
	}
	offered := func() string {
		texts := make([]string, len(f.TravelsMM))
		for i, t := range f.TravelsMM {
			texts[i] = strconv.Itoa(t)
		}
		return strings.Join(texts, ", ") + " mm"
	}
	switch {
	case away <= s.a.travelSlack:
		return measured{"travel", travelAgrees, func() string { return fmt.Sprintf("built with %s of travel", offered()) }}
	case away <= 20:
		return measured{"travel", travelDiffers, func() string {
			return fmt.Sprintf("built with %s of travel; %d mm would be a change of travel", offered(), s.a.travel)
		}}
	}
	return measured{"travel", travelFar, func() string { return fmt.Sprintf("built with %s of travel, far from %d mm", offered(), s.a.travel) }}
}

func (s *search) measurements(d *doc, note func(measured)) {
	m, c := s.q.Measurements, d.chassis
	if c == nil {
		return
	}
	compare := func(code string, agrees bool, text func() string) {
		points := float64(measureAgrees)
		if !agrees {
			points = measureDiffers
		}
		note(measured{code, points, text})
	}
	if m.StanchionMM > 0 {
		compare("stanchion", math.Abs(m.StanchionMM-c.StanchionMM) <= caliperMM, func() string { return fmt.Sprintf("stanchions of %v mm", c.StanchionMM) })
	}
	if m.Axle != "" {
		compare("axle", axleIs(c.Axle, m.Axle), func() string { return "axle " + c.Axle })
	}
	if m.ValveLeg != "" {
		compare("valve_leg", leg(c) == m.ValveLeg, func() string { return "spring side " + string(leg(c)) + ", as the rider sits" })
	}
	if m.FootFastener != "" {
		compare("foot_fastener", slices.Contains(d.feet, m.FootFastener), func() string { return "closed at the foot with a " + strings.Join(d.feet, " or a ") })
	}
	if m.ExposedMM > 0 && len(d.fork.TravelsMM) > 0 {
		least := slices.Min(d.fork.TravelsMM)
		compare("exposed", least <= m.ExposedMM, func() string {
			return fmt.Sprintf("built with at least %d mm of travel; %d mm of stanchion show, and the travel is at most that", least, m.ExposedMM)
		})
	}
}

// axleIs compares an axle as 15x110 with what was said: the thickness alone, or all of it.
func axleIs(have, said string) bool {
	said = strings.TrimSpace(strings.TrimSuffix(strings.ToLower(said), "mm"))
	thick, _, _ := strings.Cut(have, "x")
	return said == have || strings.TrimSpace(said) == thick
}

// why lists what speaks for and against a fork.
func (s *search) why(at int32) []Fact {
	d := &s.x.docs[at]
	var out []Fact
	for _, c := range s.marks {
		if _, has := slices.BinarySearch(c.docs, at); !has {
			continue
		}
		code, text := "mark", fmt.Sprintf("the code %s (%s)", c.text, strings.ReplaceAll(c.place, "_", " "))
		if s.near {
			code, text = "near_mark", text+", read with signs that look alike"
		}
		out = append(out, Fact{Code: code, Text: text})
	}
	for i := range s.tokens {
		t := &s.tokens[i]
		w, sim := d.wordFor(t, s.x)
		switch {
		case sim == 1:
			out = append(out, Fact{Code: "word", Text: fmt.Sprintf("“%s” is in its name", w)})
		case sim > 0:
			out = append(out, Fact{Code: "near_word", Text: fmt.Sprintf("“%s” is read as “%s”", t.text, w)})
		case !t.soft:
			out = append(out, Fact{Code: "word", Text: fmt.Sprintf("“%s” is not in its name", t.text), Against: true})
		}
	}
	s.facts(d, func(m measured) { out = append(out, Fact{Code: m.code, Text: m.text(), Against: m.points < 0}) })
	return out
}

func (d *doc) wordFor(t *token, x *Index) (string, float64) {
	for _, m := range t.matches {
		if slices.ContainsFunc(d.refs, func(r ref) bool { return r.word == m.id }) {
			return x.words.words[m.id], m.sim
		}
	}
	return "", 0
}

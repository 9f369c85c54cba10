package search

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// measured is a fact of the query held against a fork. It is put into words by tell, which is
// asked for the few forks that are shown.
type measured struct {
	code   string
	points float64
}

// caliperMM is how far a caliper across a stanchion may be off.
const caliperMM = 0.4

// facts holds every fact that was said against a fork.
func (s *search) facts(d *doc, note func(measured)) {
	if s.maker != "" {
		note(measured{"maker", either(s.maker == d.maker(), 0, makerDiffers)})
	}
	if s.a.yearFrom != 0 {
		note(measured{"year", s.yearPoints(d)})
	}
	if s.a.travel != 0 {
		note(measured{"travel", s.travelPoints(d)})
	}
	if s.a.wheel != "" {
		note(measured{"wheel_size", either(slices.Contains(d.fork.WheelSizes, s.a.wheel), wheelAgrees, wheelDiffers)})
	}
	if s.q.Measurements != (Measurements{}) && d.chassis != nil {
		s.measurements(d, note)
	}
}

func either(agrees bool, yes, no float64) float64 {
	if agrees {
		return yes
	}
	return no
}

func (s *search) yearPoints(d *doc) float64 {
	from, to := int(d.yearFrom), int(d.yearTo)
	switch {
	case s.a.yearFrom <= to && s.a.yearTo >= from:
		return yearAgrees
	case s.a.yearFrom <= to+1 && s.a.yearTo >= from-1:
		return yearNear
	}
	return yearDiffers
}

func (s *search) travelPoints(d *doc) float64 {
	away := math.MaxInt
	for _, t := range d.travels {
		away = min(away, max(t-s.a.travel, s.a.travel-t))
	}
	switch {
	case away <= s.a.travelSlack:
		return travelAgrees
	case away <= 20:
		return travelDiffers
	}
	return travelFar
}

func (s *search) measurements(d *doc, note func(measured)) {
	m, c := &s.q.Measurements, d.chassis
	compare := func(code string, agrees bool) { note(measured{code, either(agrees, measureAgrees, measureDiffers)}) }
	if m.StanchionMM > 0 {
		compare("stanchion", math.Abs(m.StanchionMM-c.StanchionMM) <= caliperMM)
	}
	if m.Axle != "" {
		compare("axle", axleIs(c.Axle, m.Axle))
	}
	if m.ValveLeg != "" {
		compare("valve_leg", leg(c) == m.ValveLeg)
	}
	if m.FootFastener != "" {
		compare("foot_fastener", slices.Contains(d.feet, m.FootFastener))
	}
	if m.ExposedMM > 0 && len(d.fork.TravelsMM) > 0 {
		compare("exposed", slices.Min(d.fork.TravelsMM) <= m.ExposedMM)
	}
}

// tell puts a fact into words.
func (s *search) tell(d *doc, m measured) string {
	f, c := d.fork, d.chassis
	switch m.code {
	case "maker":
		if m.points < 0 {
			return "by " + s.x.rev.MakerName(f) + ", another maker"
		}
		return "by " + s.x.rev.MakerName(f)
	case "year":
		return s.tellYear(f, m.points)
	case "travel":
		return s.tellTravel(f, m.points)
	case "wheel_size":
		if m.points < 0 {
			return "built for " + strings.Join(f.WheelSizes, " or ") + " in wheels only"
		}
		return "built for " + s.a.wheel + " in wheels"
	case "stanchion":
		return fmt.Sprintf("stanchions of %v mm", c.StanchionMM)
	case "axle":
		return "axle " + c.Axle
	case "valve_leg":
		return "spring side " + string(leg(c)) + ", as the rider sits"
	case "foot_fastener":
		return "closed at the foot with a " + strings.Join(d.feet, " or a ")
	}
	return fmt.Sprintf("built with at least %d mm of travel; %d mm of stanchion show, and the travel is at most that", slices.Min(f.TravelsMM), s.q.Measurements.ExposedMM)
}

func (s *search) tellYear(f *catalog.Fork, points float64) string {
	text := "built in model years " + years(int(f.YearFrom), int(f.YearTo))
	switch points {
	case yearAgrees:
		return text
	case yearNear:
		return text + ", next to " + years(s.a.yearFrom, s.a.yearTo)
	}
	return text + ", not " + years(s.a.yearFrom, s.a.yearTo)
}

func years(from, to int) string {
	if from == to {
		return numeral(from)
	}
	return numeral(from) + " to " + numeral(to)
}

func (s *search) tellTravel(f *catalog.Fork, points float64) string {
	texts := make([]string, len(f.TravelsMM))
	for i, t := range f.TravelsMM {
		texts[i] = numeral(t)
	}
	text := "built with " + strings.Join(texts, ", ") + " mm of travel"
	switch points {
	case travelAgrees:
		return text
	case travelDiffers:
		return text + "; " + numeral(s.a.travel) + " mm would be a change of travel"
	}
	return text + ", far from " + numeral(s.a.travel) + " mm"
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
	out := make([]Fact, 0, len(s.marks)+len(s.tokens)+4)
	for _, c := range s.marks {
		if _, has := slices.BinarySearch(c.docs, at); !has {
			continue
		}
		code, text := "mark", "the code "+c.text+" ("+strings.ReplaceAll(c.place, "_", " ")+")"
		if s.near {
			code, text = "near_mark", text+", read with signs that look alike"
		}
		out = append(out, Fact{Code: code, Text: text})
	}
	for i := range s.tokens {
		if f := s.tokens[i].tell(d, s.x.words); f.Code != "" {
			out = append(out, f)
		}
	}
	s.facts(d, func(m measured) { out = append(out, Fact{Code: m.code, Text: s.tell(d, m), Against: m.points < 0}) })
	return out
}

// tell says how a fork answers to the word, if there is something to say. Forks that have the same
// word of the catalog are told of in the same words, which are made once.
func (t *token) tell(d *doc, v *vocabulary) Fact {
	at := slices.IndexFunc(t.matches, func(m found) bool { return d.hasWord(m.id) })
	if at < 0 {
		if t.soft {
			return Fact{}
		}
		at = len(t.matches)
	}
	if t.told == nil {
		t.told = make([]Fact, len(t.matches)+1)
	}
	f := &t.told[at]
	switch {
	case f.Code != "":
	case at == len(t.matches):
		*f = Fact{Code: "word", Text: "“" + t.text + "” is not in its name", Against: true}
	case t.matches[at].sim == 1:
		*f = Fact{Code: "word", Text: "“" + t.text + "” is in its name"}
	default:
		*f = Fact{Code: "near_word", Text: "“" + t.text + "” is read as “" + v.words[t.matches[at].id] + "”"}
	}
	return *f
}

package setup

import (
	"cmp"
	"math"
	"slices"

	"forkwright/service/catalog"
	"forkwright/service/spring"
)

// Clues are what is known of a spring that lies on the bench. A mark beats a scale, and a scale
// beats a caliper.
type Clues struct {
	Mark     string // etched on the coil
	Families []string
	Scale    *TwoLoads
	Caliper  *Caliper
}

// TwoLoads are two readings of a scale while the spring is pressed: the rate is the difference
// of the loads over the difference of the lengths, whatever scale and plate weigh.
type TwoLoads struct {
	Load1N, Length1MM float64
	Load2N, Length2MM float64
	LoadErrorN        *float64 // of one reading; 2 N where not said (from memory)
	LengthErrorMM     *float64 // of one reading; 0.5 mm where not said (from memory)
}

// Caliper is a spring measured; zero means not measured. The mean diameter may be said by the
// outer one.
type Caliper struct {
	WireMM, MeanMM, OuterMM, ActiveCoils, TotalCoils, FreeLengthMM float64
	Ends                                                           spring.Ends
	Material                                                       string
}

// Match is a spring that the clues cannot rule out.
type Match struct {
	Spring  Spring
	Family  string
	OffRate float64 // catalog rate over the one found, less one; 0 for a mark
}

// Identified says which springs it may be.
type Identified struct {
	By           string // mark|scale|geometry
	RateNPerMM   float64
	LowNPerMM    float64
	HighNPerMM   float64
	Candidates   []Match // nearest first
	Separated    bool    // one is left
	Contradicted bool    // the mark says one rate, the scale another
	Text         string
}

// IdentifySpring says which springs of the catalog it may be, by the best clue there is: the
// mark, else two loads on a scale, else geometry, which seldom separates neighbors. Other
// clues only confirm or contradict. The error is a fault about the clues.
func IdentifySpring(rev *catalog.Revision, c Clues) (Identified, error) {
	if err := c.check(); err != nil {
		return Identified{}, err
	}
	out := Identified{}
	if c.Scale != nil {
		out.RateNPerMM, out.LowNPerMM, out.HighNPerMM = c.Scale.rate()
	} else if c.Caliper != nil {
		out.RateNPerMM, out.LowNPerMM, out.HighNPerMM = c.Caliper.rate()
	}
	all := c.springs(rev)
	if c.Mark != "" {
		if marked := byMark(all, c.Mark); len(marked) > 0 {
			return out.marked(marked, c.Scale != nil), nil
		}
	}
	out.By = "scale"
	if c.Scale == nil {
		if out.By = "geometry"; c.Caliper == nil {
			out.By = "mark"
			out.Text = "No spring in our data carries this mark. Press it on a scale and read load and length twice."
			return out, nil
		}
	}
	for _, s := range all {
		k := s.RateNPerMM()
		if k >= out.LowNPerMM && k <= out.HighNPerMM && (c.Caliper == nil || c.Caliper.allows(s)) {
			out.Candidates = append(out.Candidates, matched(s, k/out.RateNPerMM-1))
		}
	}
	slices.SortStableFunc(out.Candidates, func(a, b Match) int { return cmp.Compare(math.Abs(a.OffRate), math.Abs(b.OffRate)) })
	out.Separated = len(out.Candidates) == 1
	out.Text = out.words()
	return out, nil
}

func (c *Clues) check() error {
	var f checking
	if c.Mark == "" && c.Scale == nil && c.Caliper == nil {
		f.Add("/mark", "required", "Give the mark etched on the coil, or two loads with the lengths, or what a caliper says.")
	}
	if s := c.Scale; s != nil {
		loads, lengths := within{0, 5000, "N"}, within{10, 800, "mm"}
		f.num("/scale/load_1_n", s.Load1N, loads)
		f.num("/scale/load_2_n", s.Load2N, loads)
		f.num("/scale/length_1_mm", s.Length1MM, lengths)
		f.num("/scale/length_2_mm", s.Length2MM, lengths)
		f.opt("/scale/load_error_n", s.LoadErrorN, within{0, 100, "N"})
		f.opt("/scale/length_error_mm", s.LengthErrorMM, within{0, 10, "mm"})
		switch rate, _, high := s.rate(); {
		case !(rate > 0):
			f.Add("/scale/load_2_n", "contradiction", "A spring that is shorter carries more; check which load belongs to which length.")
		case math.IsInf(high, 1):
			f.Add("/scale/length_2_mm", "too_close", "The two lengths differ by no more than reading them may be off; press the spring farther.")
		}
	}
	if g := c.Caliper; g != nil {
		f.num("/caliper/wire_mm", g.WireMM, wireRange)
		f.some("/caliper/mean_diameter_mm", g.MeanMM, meanRange)
		f.some("/caliper/outer_diameter_mm", g.OuterMM, meanRange)
		f.some("/caliper/free_length_mm", g.FreeLengthMM, lengthRange)
		f.some("/caliper/active_coils", g.ActiveCoils, coilRange)
		f.some("/caliper/total_coils", g.TotalCoils, coilRange)
		f.short("/caliper/material", g.Material)
		if (g.MeanMM > 0) == (g.OuterMM > 0) {
			f.Add("/caliper/outer_diameter_mm", "one_of", "Say the mean or the outer diameter.")
		}
		if g.active() <= 0 {
			f.Add("/caliper/active_coils", "required", "Count the active coils, or all coils and say how the ends are finished.")
		}
		if g.MeanMM <= g.WireMM && g.OuterMM <= 2*g.WireMM {
			f.Add("/caliper/wire_mm", "contradiction", "The wire is thicker than the coil has room for.")
		}
	}
	return f.Err()
}

func (c *Clues) springs(rev *catalog.Revision) []*catalog.Spring {
	all := rev.Springs()
	out := make([]*catalog.Spring, 0, len(all))
	for i := range all {
		if s := &all[i]; len(c.Families) == 0 || slices.Contains(c.Families, s.Family) {
			out = append(out, s)
		}
	}
	return out
}

func byMark(all []*catalog.Spring, mark string) []*catalog.Spring {
	var out []*catalog.Spring
	for _, s := range all {
		if code := catalog.FoldCode(mark); s.Mark != "" && catalog.FoldCode(s.Mark) == code || catalog.FoldCode(s.SKU) == code {
			out = append(out, s)
		}
	}
	return out
}

func matched(s *catalog.Spring, off float64) Match {
	return Match{Spring{s.SKU, s.RateNPerMM(), catalog.Published{Value: s.Rate, Unit: s.RateUnit}}, s.Family, off}
}

func (i Identified) marked(all []*catalog.Spring, weighed bool) Identified {
	i.By = "mark"
	for _, s := range all {
		m := matched(s, 0)
		if weighed {
			m.OffRate = s.RateNPerMM()/i.RateNPerMM - 1
			i.Contradicted = i.Contradicted || s.RateNPerMM() < i.LowNPerMM || s.RateNPerMM() > i.HighNPerMM
		}
		i.Candidates = append(i.Candidates, m)
	}
	i.Separated = len(i.Candidates) == 1 && !i.Contradicted
	switch {
	case i.Contradicted:
		i.Text = "The mark says one rate and the scale another: " + short2(i.RateNPerMM) + " N/mm. Press it once more, and read the mark under a lamp."
	case i.Separated:
		i.Text = "By its mark it is " + name(&i.Candidates[0].Spring) + "."
	default:
		i.Text = "More than one spring carries this mark. Press it on a scale."
	}
	return i
}

// rate is the difference of the loads over that of the lengths, with the worst that the errors
// of the readings can do.
func (s *TwoLoads) rate() (rate, low, high float64) {
	load, length := math.Abs(s.Load2N-s.Load1N), math.Abs(s.Length1MM-s.Length2MM)
	if length == 0 || (s.Load2N-s.Load1N)*(s.Length1MM-s.Length2MM) <= 0 {
		return 0, 0, 0
	}
	errN, errMM := 2*or(s.LoadErrorN, 2), 2*or(s.LengthErrorMM, 0.5)
	high = math.Inf(1)
	if length > errMM {
		high = (load + errN) / (length - errMM)
	}
	return load / length, math.Max(0, (load-errN)/(length+errMM)), high
}

func (g *Caliper) mean() float64 {
	if g.OuterMM > 0 {
		return spring.MeanFromOuter(g.OuterMM, g.WireMM)
	}
	return g.MeanMM
}

func (g *Caliper) active() float64 {
	if g.ActiveCoils > 0 {
		return g.ActiveCoils
	}
	n, _ := spring.ActiveCoils(g.Ends, g.TotalCoils)
	return n
}

// What a caliper on a coated coil is good for, from memory.
const (
	wireErrorMM = 0.025
	meanErrorMM = 0.1
	coilError   = 0.25
)

// rate is that of the geometry, with the errors of the measuring and those of the books.
func (g *Caliper) rate() (rate, low, high float64) {
	shear := 79500.0 // within 4 % of every spring steel
	if w, s := spring.WireOf(spring.Grade(g.Material), g.WireMM); s == spring.OK {
		shear = w.ShearMPa
	}
	books := spring.GeometryTolerance()
	d, m, n := g.WireMM, g.mean(), g.active()
	rate, _ = spring.Rate(shear, d, m, n)
	low, _ = spring.Rate(shear*(1-books), d-wireErrorMM, m+meanErrorMM, n+coilError)
	high, _ = spring.Rate(shear*(1+books), d+wireErrorMM, m-meanErrorMM, math.Max(n-coilError, 0.1))
	return rate, low, high
}

// allows rules out by what a caliper can see: length within 3 mm, wire within 0.1 mm, coils
// within one.
func (g *Caliper) allows(s *catalog.Spring) bool {
	far := func(a, b, by float64) bool { return a > 0 && math.Abs(a-b) > by+1e-9 }
	return !far(g.FreeLengthMM, s.FreeLengthMM, 3) && !far(g.WireMM, s.WireMM, 0.1) && !far(g.TotalCoils, s.TotalCoils, 1) && !far(g.mean(), s.MeanMM, 0.5)
}

func (i *Identified) words() string {
	found := short2(i.RateNPerMM) + " N/mm (between " + short2(i.LowNPerMM) + " and " + short2(i.HighNPerMM) + ")"
	switch n := len(i.Candidates); {
	case n == 0:
		return "No spring in our data has " + found + "."
	case n == 1:
		return found + ": it is " + name(&i.Candidates[0].Spring) + "."
	case i.By == "geometry":
		return found + ": a caliper cannot separate these. Look for the mark, or press the spring on a scale."
	}
	return found + ": the scale cannot separate these. Press it farther, and read the length with a caliper."
}

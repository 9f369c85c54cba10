package fitment

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// rival is a part of the same kind, by how far it is from what was asked for.
type rival struct {
	part   *catalog.Part
	travel int     // mm, from the travel now, else from the part asked for
	family bool    // a spring of another family
	rate   float64 // N/mm, absolute difference
	maker  bool    // of another maker
	old    bool    // no longer made
}

// nearest is the part of the same kind that does fit and is nearest to the one asked for: by
// travel, then spring family and rate, then maker; what is still made before what is not.
func (c *inquiry) nearest() *Alternative {
	if c.springSide && c.hopeless() {
		return nil
	}
	rivals := c.rivals()
	slices.SortFunc(rivals, compareRivals)
	if c.other == nil {
		c.other = new(inquiry)
	}
	for i := range rivals {
		r := &rivals[i]
		if i > 0 && r.part == rivals[i-1].part {
			continue
		}
		c.other.inquire(c.judging, r.part)
		if v, _ := c.other.verdict(); includes(v) {
			return &Alternative{SKU: r.part.SKU, Verdict: v, Why: c.why(r)}
		}
	}
	return nil
}

func compareRivals(a, b rival) int {
	if d := cmp.Or(one(a.old)-one(b.old), a.travel-b.travel, one(a.family)-one(b.family), cmp.Compare(a.rate, b.rate), one(a.maker)-one(b.maker)); d != 0 {
		return d
	}
	return strings.Compare(a.part.SKU, b.part.SKU)
}

// hopeless: no spring cures a fork past its mass or its use.
func (c *inquiry) hopeless() bool {
	var w world
	_, mass := massWithinLimit(c, &w)
	_, use := useWithinLimit(c, &w)
	return mass || use
}

// listing is a part that a row lists for the fork.
type listing struct {
	part   *catalog.Part
	travel int // as travelOf
}

// listed are the parts that rows list for the fork. One that several rows list may be among
// them several times.
func (j *judging) listed() []listing {
	if j.shelf != nil {
		return j.shelf
	}
	j.shelf = make([]listing, 0, 24)
	var last *catalog.Part
	for p, verdict := range j.reach.Parts {
		if p == last || p.SupersededBy != "" || !includes(verdict) {
			continue
		}
		last = p
		j.shelf = append(j.shelf, listing{p, travelOf(j.rev, p)})
	}
	return j.shelf
}

// rivals are the parts of the same kind that a row lists for the fork or, for an open kind,
// all of the same kind and duty.
func (c *inquiry) rivals() []rival {
	asked, _ := c.rev.Spring(c.part.SKU)
	var out []rival
	if catalog.KindClosed(c.part.Kind) {
		listed := c.listed()
		out = make([]rival, 0, len(listed))
		for i := range listed {
			if p := listed[i].part; p.Kind == c.part.Kind && p != c.part {
				out = append(out, c.rival(&listed[i], asked))
			}
		}
		return out
	}
	for _, p := range c.rev.OpenParts() {
		if p.Kind == c.part.Kind && p != c.part && p.SupersededBy == "" && c.duty(p) == c.duty(c.part) {
			out = append(out, c.rival(&listing{part: p}, asked))
		}
	}
	return out
}

func (c *inquiry) duty(p *catalog.Part) string {
	if f, ok := c.rev.Fluid(p.SKU); ok {
		return f.Duty
	}
	return ""
}

// rival is how far a part is from the one asked for, which is the spring asked, if it is one.
func (c *inquiry) rival(x *listing, asked *catalog.Spring) rival {
	r := rival{part: x.part, maker: x.part.Maker != c.part.Maker, old: x.part.Status != "active"}
	if c.travel > 0 {
		from := c.travel
		if c.owned.TravelNow.exact() {
			from = c.owned.TravelNow.MM
		}
		r.travel = abs(x.travel - from)
	}
	if asked != nil {
		if s, ok := c.rev.Spring(x.part.SKU); ok {
			r.family = s.Family != asked.Family
			r.rate = math.Abs(s.RateNPerMM() - asked.RateNPerMM())
		}
	}
	return r
}

func (c *inquiry) why(r *rival) string {
	asked, isSpring := c.rev.Spring(c.part.SKU)
	switch {
	case c.travel > 0 && r.travel == 0 && c.owned.TravelNow.exact():
		return say("nearest.travel", values{{"want", number(travelOf(c.rev, r.part))}})
	case c.travel > 0:
		return say("nearest.travel+", values{{"want", number(travelOf(c.rev, r.part))}})
	case isSpring && !r.family:
		return rateText(c.rev, asked, r.part)
	case !r.maker && c.part.Maker != "":
		return say("nearest.maker", nil)
	}
	return say("nearest.kind", nil)
}

func abs(n int) int { return max(n, -n) }

func round(x float64) float64 { return math.Round(x*100) / 100 }

package fitment

import (
	"cmp"
	"math"
	"slices"

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
	slices.SortFunc(rivals, func(a, b rival) int {
		return cmp.Or(cmp.Compare(one(a.old), one(b.old)), cmp.Compare(a.travel, b.travel), cmp.Compare(one(a.family), one(b.family)),
			cmp.Compare(a.rate, b.rate), cmp.Compare(one(a.maker), one(b.maker)), cmp.Compare(a.part.SKU, b.part.SKU))
	})
	for _, r := range rivals {
		if a := judge(c.rev, c.stated, r.part.SKU, false); includes(a.Verdict) {
			return &Alternative{SKU: r.part.SKU, Verdict: a.Verdict, Why: c.why(r)}
		}
	}
	return nil
}

// hopeless: no spring cures a fork past its mass or its use.
func (c *inquiry) hopeless() bool {
	var w world
	_, mass := massWithinLimit(c, &w)
	_, use := useWithinLimit(c, &w)
	return mass || use
}

// rivals are the parts of the same kind that a row lists for the fork or, for an open kind,
// all of the same kind and duty.
func (c *inquiry) rivals() []rival {
	var out []rival
	if !catalog.KindClosed(c.part.Kind) {
		for _, p := range c.rev.OpenParts() {
			if p.Kind == c.part.Kind && p.SKU != c.part.SKU && p.SupersededBy == "" && c.duty(p) == c.duty(c.part) {
				out = append(out, c.rival(p))
			}
		}
		return out
	}
	last := ""
	for row := range c.rev.RowsFor(c.fork) {
		if row.Part == last || !includes(row.Verdict) {
			continue
		}
		last = row.Part
		if p, ok := c.rev.Part(row.Part); ok && p.Kind == c.part.Kind && p.SKU != c.part.SKU && p.SupersededBy == "" &&
			!slices.ContainsFunc(out, func(r rival) bool { return r.part == p }) {
			out = append(out, c.rival(p))
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

func (c *inquiry) rival(p *catalog.Part) rival {
	r := rival{part: p, maker: p.Maker != c.part.Maker, old: p.Status != "active"}
	if c.travel > 0 {
		from := c.travel
		if c.owned.TravelNow.exact() {
			from = c.owned.TravelNow.MM
		}
		r.travel = abs(travelOf(c.rev, p) - from)
	}
	if asked, ok := c.rev.Spring(c.part.SKU); ok {
		if s, ok := c.rev.Spring(p.SKU); ok {
			r.family = s.Family != asked.Family
			r.rate = math.Abs(s.RateNPerMM() - asked.RateNPerMM())
		}
	}
	return r
}

func (c *inquiry) why(r rival) string {
	asked, isSpring := c.rev.Spring(c.part.SKU)
	switch {
	case c.travel > 0 && r.travel == 0 && c.owned.TravelNow.exact():
		return say("nearest.travel", values{{"want", number(travelOf(c.rev, r.part))}})
	case c.travel > 0:
		return say("nearest.travel+", values{{"want", number(travelOf(c.rev, r.part))}})
	case isSpring && !r.family:
		s, _ := c.rev.Spring(r.part.SKU)
		return say("nearest.family", values{{"want", decimal(round(s.RateNPerMM()))}, {"have", decimal(round(asked.RateNPerMM()))}})
	case !r.maker && c.part.Maker != "":
		return say("nearest.maker", nil)
	}
	return say("nearest.kind", nil)
}

func abs(n int) int { return max(n, -n) }

func round(x float64) float64 { return math.Round(x*100) / 100 }

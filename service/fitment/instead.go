package fitment

import (
	"math"
	"slices"

	"forkwright/service/catalog"
)

// Instead is what may be sold in the place of a part that is not in stock: parts of the same
// kind, for a spring of its family and near its rate, for a fluid of its duty and viscosity. The
// nearest comes first. They are judged only when they are asked for: most lie nowhere either.
type Instead struct {
	c      *inquiry // nil without a fork
	rev    *catalog.Revision
	asked  *catalog.Spring // nil for any other part
	rivals []rival
}

// oneOfAKind are the kinds of which a fork takes one at a time, so that another of the kind that
// fits does the same. Washers, O-rings and nuts have their own places, and tools their own uses.
var oneOfAKind = []string{
	catalog.KindCoilCartridge, catalog.KindAirCartridge, catalog.KindSpring, catalog.KindSealKit, catalog.KindServiceKit,
	catalog.KindFoamRing, catalog.KindFluid,
}

// How far a part may be from the one it replaces, as a share (common practice, no source).
const (
	nearRate      = 0.20
	nearViscosity = 0.10
	even          = 1e-9 // what computing leaves of a difference that is none
)

// Replacing looks for what may replace parts, and keeps for the next part of a fork what it found
// for the last one. Not safe for concurrent use.
type Replacing struct {
	rev *catalog.Revision
	on  map[*Owned]*judging
}

// NewReplacing begins with a revision.
func NewReplacing(rev *catalog.Revision) *Replacing { return &Replacing{rev, map[*Owned]*judging{}} }

func (r *Replacing) judging(owned *Owned) *judging {
	j, ok := r.on[owned]
	if !ok {
		j = newJudging(r.rev, owned)
		r.on[owned] = j
	}
	return j
}

// InsteadOf looks for what may replace a part on a fork as owned. Without a fork (nil) only
// springs have a replacement: those of their family.
func (r *Replacing) InsteadOf(owned *Owned, sku string) *Instead {
	rev, j := r.rev, r.judging(owned)
	part, ok := rev.Part(sku)
	if !ok {
		return &Instead{}
	}
	part = successor(rev, part)
	x := &Instead{rev: rev}
	x.asked, _ = rev.Spring(part.SKU)
	switch {
	case !slices.Contains(oneOfAKind, part.Kind):
		return x
	case j.knowsFork():
		x.c = new(inquiry)
		x.c.inquire(j, part)
		x.rivals = x.c.rivals()
	case x.asked != nil:
		x.rivals = family(rev, part, x.asked)
	}
	x.rivals = slices.DeleteFunc(x.rivals, func(r rival) bool { return r.old || !near(rev, part, x.asked, &r) })
	slices.SortFunc(x.rivals, compareRivals)
	x.rivals = slices.CompactFunc(x.rivals, func(a, b rival) bool { return a.part == b.part })
	return x
}

func family(rev *catalog.Revision, part *catalog.Part, asked *catalog.Spring) (out []rival) {
	for _, s := range rev.Family(asked.Family) {
		if p, ok := rev.Part(s.SKU); ok && p != part && p.SupersededBy == "" {
			out = append(out, rival{part: p, maker: p.Maker != part.Maker, old: p.Status != "active", rate: math.Abs(s.RateNPerMM() - asked.RateNPerMM())})
		}
	}
	return out
}

// near reports whether a part of the same kind can do the work of another.
func near(rev *catalog.Revision, part *catalog.Part, asked *catalog.Spring, r *rival) bool {
	switch part.Kind {
	case catalog.KindSpring:
		return asked != nil && !r.family && r.rate <= nearRate*asked.RateNPerMM()+even
	case catalog.KindFluid:
		a, ok1 := rev.Fluid(part.SKU)
		b, ok2 := rev.Fluid(r.part.SKU)
		return ok1 && ok2 && a.Duty == b.Duty && a.Viscosity40 != nil && b.Viscosity40 != nil &&
			math.Abs(*a.Viscosity40-*b.Viscosity40) <= nearViscosity**a.Viscosity40+even
	}
	return true
}

// SKUs are all that may be asked for, the nearest first.
func (x *Instead) SKUs() (out []string) {
	for _, r := range x.rivals {
		out = append(out, r.part.SKU)
	}
	return out
}

// First are the nearest that are wanted and fit, at most so many. Without a fork the verdict on
// them is Unknown.
func (x *Instead) First(most int, wanted func(sku string) bool) (out []Alternative) {
	for i := range x.rivals {
		r := &x.rivals[i]
		if len(out) == most {
			break
		}
		if !wanted(r.part.SKU) {
			continue
		}
		if x.c == nil {
			out = append(out, Alternative{r.part.SKU, catalog.Unknown, rateText(x.rev, x.asked, r.part)})
			continue
		}
		var other inquiry
		other.inquire(x.c.judging, r.part)
		if v, _ := other.verdict(); includes(v) {
			out = append(out, Alternative{r.part.SKU, v, x.c.why(r)})
		}
	}
	return out
}

func rateText(rev *catalog.Revision, asked *catalog.Spring, part *catalog.Part) string {
	s, _ := rev.Spring(part.SKU)
	return say("nearest.family", values{{"want", decimal(round(s.RateNPerMM()))}, {"have", decimal(round(asked.RateNPerMM()))}})
}

package fitment

import (
	"maps"
	"math"
	"slices"

	"forkwright/service/catalog"
)

// Instead is what may be sold in the place of a part that is not in stock: parts of the same
// kind, for a spring of its family and near its rate, for a fluid of its duty and viscosity. The
// nearest comes first. They are judged only when they are asked for: most lie nowhere either.
type Instead struct {
	wish
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
	rev   *catalog.Revision
	on    map[*Owned]*judging
	named map[*catalog.Card]bool // what was found for all parts
}

// NewReplacing begins with a revision.
func NewReplacing(rev *catalog.Revision) *Replacing {
	return &Replacing{rev, map[*Owned]*judging{}, map[*catalog.Card]bool{}}
}

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
	part, ok := r.rev.Part(sku)
	if !ok {
		return &Instead{}
	}
	card := r.rev.Card(successor(r.rev, part))
	x := &Instead{wish: wish{r.judging(owned), card}}
	switch {
	case !slices.Contains(oneOfAKind, card.Part.Kind):
		return x
	case x.knowsFork():
		x.rivals = x.alternatives()
	case card.Spring != nil:
		x.rivals = x.family()
	}
	x.rivals = slices.DeleteFunc(x.rivals, func(r rival) bool { return r.old || !near(card, &r) })
	for i := range x.rivals {
		r.named[x.rivals[i].card] = true
	}
	return x
}

// SKUs are all parts that may be named in the place of those asked for so far, sorted.
func (r *Replacing) SKUs() []string {
	out := make([]string, 0, len(r.named))
	for _, card := range slices.SortedFunc(maps.Keys(r.named), (*catalog.Card).Compare) {
		out = append(out, card.Part.SKU)
	}
	return out
}

func (x *Instead) family() (out []rival) {
	asked := x.card.Spring
	for _, s := range x.rev.Family(asked.Family) {
		p, ok := x.rev.Part(s.SKU)
		if !ok || p == x.card.Part || p.SupersededBy != "" {
			continue
		}
		card := x.rev.Card(p)
		out = append(out, rival{card: card, maker: !card.SameMaker(x.card), old: !card.Active, rate: math.Abs(s.RateNPerMM() - asked.RateNPerMM())})
	}
	return out
}

// near reports whether a part of the same kind can do the work of another.
func near(asked *catalog.Card, r *rival) bool {
	switch asked.Part.Kind {
	case catalog.KindSpring:
		return asked.Spring != nil && !r.family && r.rate <= nearRate*asked.Spring.RateNPerMM()+even
	case catalog.KindFluid:
		a, b := asked.Fluid, r.card.Fluid
		return a != nil && b != nil && a.Duty == b.Duty && a.Viscosity40 != nil && b.Viscosity40 != nil &&
			math.Abs(*a.Viscosity40-*b.Viscosity40) <= nearViscosity**a.Viscosity40+even
	}
	return true
}

// First are the nearest that are wanted and fit, at most so many. Without a fork the verdict on
// them is Unknown.
func (x *Instead) First(most int, wanted func(sku string) bool) (out []Alternative) {
	for r := range nearestFirst(x.rivals) {
		if len(out) == most {
			break
		}
		sku := r.card.Part.SKU
		if !wanted(sku) {
			continue
		}
		if !x.knowsFork() {
			out = append(out, Alternative{sku, catalog.Unknown, rateText(x.card.Spring, r.card.Spring)})
			continue
		}
		if v := x.tried(r.card); includes(v) {
			out = append(out, Alternative{sku, v, x.why(r)})
		}
	}
	return out
}

func rateText(asked, s *catalog.Spring) string {
	return say("nearest.family", values{{"want", decimal(round(s.RateNPerMM()))}, {"have", decimal(round(asked.RateNPerMM()))}})
}

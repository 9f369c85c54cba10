package fitment

import (
	"cmp"
	"iter"
	"math"
	"slices"

	"forkwright/service/catalog"
)

// wish is a part for which another of its kind is looked for, on a fork.
type wish struct {
	*judging
	card *catalog.Card
}

// rival is a part of the same kind, by how far it is from what was asked for.
type rival struct {
	card   *catalog.Card
	rate   float64 // N/mm, absolute difference
	travel int32   // mm, from the travel now, else from the part asked for
	family bool    // a spring of another family
	maker  bool    // of another maker
	old    bool    // no longer made
}

// nearest is the part of the same kind that does fit and is nearest to the one asked for: by
// travel, then spring family and rate, then maker; what is still made before what is not.
func (c *inquiry) nearest() *Alternative {
	if c.springSide && c.hopeless() {
		return nil
	}
	w := wish{c.judging, c.card}
	for r := range nearestFirst(w.alternatives()) {
		if v := c.tried(r.card); includes(v) {
			return &Alternative{SKU: r.card.Part.SKU, Verdict: v, Why: w.why(r)}
		}
	}
	return nil
}

// searched is how many of the nearest are searched for one by one before all that are left are
// sorted: one of the first mostly fits, and then sorting was for nothing.
const searched = 8

// nearestFirst yields rivals in their order, each part once.
func nearestFirst(rivals []rival) iter.Seq[*rival] {
	return func(yield func(*rival) bool) {
		var last *catalog.Card
		for i := range rivals {
			rest := rivals[i:]
			if i < searched {
				first := 0
				for k := range rest {
					if rest[k].compare(&rest[first]) < 0 {
						first = k
					}
				}
				rest[0], rest[first] = rest[first], rest[0]
			} else if i == searched {
				slices.SortFunc(rest, func(a, b rival) int { return a.compare(&b) })
			}
			if rest[0].card == last {
				continue
			}
			if last = rest[0].card; !yield(&rest[0]) {
				return
			}
		}
	}
}

func (r *rival) compare(s *rival) int {
	switch {
	case r.old != s.old:
		return one(r.old) - one(s.old)
	case r.travel != s.travel:
		return int(r.travel - s.travel)
	case r.family != s.family:
		return one(r.family) - one(s.family)
	case r.rate != s.rate:
		return cmp.Compare(r.rate, s.rate)
	case r.maker != s.maker:
		return one(r.maker) - one(s.maker)
	}
	return r.card.Compare(s.card)
}

// hopeless: no spring cures a fork past its mass or its use.
func (c *inquiry) hopeless() bool {
	var w world
	_, mass := massWithinLimit(c, &w)
	_, use := useWithinLimit(c, &w)
	return mass || use
}

// tried is the verdict on an alternative, which nobody reads in words.
func (j *judging) tried(card *catalog.Card) catalog.Verdict {
	if j.other == nil {
		j.other = new(inquiry)
	}
	j.other.inquire(j, card)
	v, _ := j.other.verdict()
	return v
}

// listed are the parts that rows list for the fork. One that several rows list may be among
// them several times.
func (j *judging) listed() []*catalog.Card {
	if j.shelf != nil {
		return j.shelf
	}
	j.shelf = make([]*catalog.Card, 0, 32)
	var last *catalog.Card
	for card, verdict := range j.reach.Parts {
		if card == last || !includes(verdict) || card.Superseded {
			continue
		}
		last = card
		j.shelf = append(j.shelf, card)
	}
	return j.shelf
}

// alternatives are the parts of the same kind that a row lists for the fork or, for an open
// kind, all of the same kind and duty.
func (w *wish) alternatives() []rival {
	var out []rival
	if w.card.Closed {
		listed := w.listed()
		out = make([]rival, 0, len(listed))
		for _, card := range listed {
			if card.SameKind(w.card) && card != w.card {
				out = append(out, w.rival(card))
			}
		}
		return out
	}
	for _, p := range w.rev.OpenParts() {
		if card := w.rev.Card(p); card.SameKind(w.card) && card != w.card && !card.Superseded && duty(card) == duty(w.card) {
			out = append(out, w.rival(card))
		}
	}
	return out
}

func duty(card *catalog.Card) string {
	if card.Fluid != nil {
		return card.Fluid.Duty
	}
	return ""
}

// rival is how far a part is from the one asked for.
func (w *wish) rival(card *catalog.Card) rival {
	r := rival{card: card, maker: !card.SameMaker(w.card), old: !card.Active}
	if from := int32(w.card.TravelMM); from > 0 {
		if w.owned.TravelNow.exact() {
			from = int32(w.owned.TravelNow.MM)
		}
		r.travel = abs(int32(card.TravelMM) - from)
	}
	if asked, s := w.card.Spring, card.Spring; asked != nil && s != nil {
		r.family = s.Family != asked.Family
		r.rate = math.Abs(s.RateNPerMM() - asked.RateNPerMM())
	}
	return r
}

func (w *wish) why(r *rival) string {
	switch travel := w.card.TravelMM > 0; {
	case travel && r.travel == 0 && w.owned.TravelNow.exact():
		return say("nearest.travel", values{{"want", number(int(r.card.TravelMM))}})
	case travel:
		return say("nearest.travel+", values{{"want", number(int(r.card.TravelMM))}})
	case w.card.Spring != nil && !r.family:
		return rateText(w.card.Spring, r.card.Spring)
	case !r.maker && w.card.Part.Maker != "":
		return say("nearest.maker", nil)
	}
	return say("nearest.kind", nil)
}

func abs(n int32) int32 { return max(n, -n) }

func round(x float64) float64 { return math.Round(x*100) / 100 }

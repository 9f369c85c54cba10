package stock

import (
	"cmp"
	"math/bits"
	"slices"
	"time"

	"github.com/quagmt/udecimal"
)

// Need is so many of a part, in its unit of sale.
type Need struct {
	SKU      string
	Quantity udecimal.Decimal
}

// Supply is what a plan may draw on.
type Supply struct {
	Levels    []Level        // in any order; of other locations than Preferred they do not count
	Preferred []string       // locations, the preferred one first; from the 65th that has something on they do not count
	Today     string         // 2026-03-31
	LeadDays  map[string]int // of parts that can be ordered: days until any quantity is here
}

// Way is how a share of a need comes.
type Way uint8

// The ways, in the order in which they are taken.
const (
	OnShelf  Way = iota // counted, and not promised to anybody
	Arriving            // announced
	Ordered             // not even that
)

// Share is what one location gives of one need.
type Share struct {
	SKU      string
	Location string
	Quantity udecimal.Decimal
	Way      Way
	On       string // the day from which it is here; "" when nobody knows
	Stale    bool   // the location's feed is overdue
	AsOf     *time.Time
}

// Plan is where the parts of a job come from.
type Plan struct {
	Ready  string   // the earliest day on which everything is here; "" when no day is known
	Shares []Share  // in the order of the needs, then of the ways, then of the locations; they add up to the needs
	Short  []Need   // of these, for what no day is known
	From   []string // the locations of the shares that are on a shelf or arrive on a day
}

const (
	mostDrawnOn  = 64
	mostSearched = 12 // up to so many locations every choice of them is tried; above, one at a time
)

// Source plans a job. The day on which the whole job can be done comes first; to meet it, what
// lies somewhere or is announced goes before what has to be ordered; then the fewest locations
// (parcels) count, then the order of preference. Parts that are short do not hold up the plan
// of the others, but leave the job without a day. Several needs of one part are added up.
func Source(needs []Need, supply Supply) Plan {
	needs = addUp(needs)
	s := newSourcing(needs, supply)
	by, open := "", map[string]bool{}
	for _, n := range needs {
		day, met := s.earliest(n)
		by, open[n.SKU] = max(by, day), !met
	}
	can := make([]Need, 0, len(needs))
	for _, n := range needs {
		can = append(can, Need{n.SKU, least(n.Quantity, s.total(n.SKU, by))})
	}
	chosen := s.fewest(can, by)
	plan := Plan{Ready: by}
	for i, n := range needs {
		plan.Shares = append(plan.Shares, s.take(can[i], by, chosen)...)
		rest := Need{n.SKU, n.Quantity.Sub(can[i].Quantity)}
		if open[n.SKU] {
			plan.Short, plan.Ready = append(plan.Short, rest), ""
		}
		plan.Shares = append(plan.Shares, s.order(rest)...)
	}
	plan.From = s.from(chosen, plan.Shares)
	return plan
}

func addUp(needs []Need) (out []Need) {
	for _, n := range needs {
		if !n.Quantity.IsPos() {
			continue
		}
		if i := slices.IndexFunc(out, func(o Need) bool { return o.SKU == n.SKU }); i >= 0 {
			out[i].Quantity = out[i].Quantity.Add(n.Quantity)
			continue
		}
		out = append(out, n)
	}
	return out
}

// shelf is a level with the days on which it counts.
type shelf struct {
	Level
	place int
	here  string // what lies there now
	comes string // what is announced; "" when no day is known, or the day is past: that is no promise
}

type sourcing struct {
	Supply
	places []string
	by     map[string][]shelf // of a part, by preference
}

func newSourcing(needs []Need, supply Supply) *sourcing {
	s := &sourcing{Supply: supply, by: map[string][]shelf{}}
	useful := map[string]bool{}
	for _, l := range supply.Levels {
		if slices.ContainsFunc(needs, func(n Need) bool { return n.SKU == l.SKU }) && l.OnHand.Sub(l.Promised).Add(l.Incoming).IsPos() {
			useful[l.Location] = true
		}
	}
	for _, p := range supply.Preferred {
		if useful[p] && len(s.places) < mostDrawnOn && !slices.Contains(s.places, p) {
			s.places = append(s.places, p)
		}
	}
	for _, l := range supply.Levels {
		place := slices.Index(s.places, l.Location)
		if place < 0 {
			continue
		}
		x := shelf{Level: l, place: place, here: later(s.Today, l.DaysAway)}
		if l.IncomingOn != nil && l.Incoming.IsPos() {
			if on := l.IncomingOn.Format(time.DateOnly); on >= s.Today {
				x.comes = later(on, l.DaysAway)
			}
		}
		s.by[l.SKU] = append(s.by[l.SKU], x)
	}
	for _, list := range s.by {
		slices.SortStableFunc(list, func(a, b shelf) int { return cmp.Compare(a.place, b.place) })
	}
	return s
}

// later is the day so many days after another.
func later(day string, days int) string {
	t, err := time.Parse(time.DateOnly, day)
	if days == 0 || err != nil {
		return day
	}
	return t.AddDate(0, 0, days).Format(time.DateOnly)
}

// there is how much of a shelf can be had on a day. What comes in first fills what was promised
// beyond what is there.
func (x *shelf) there(day string) udecimal.Decimal {
	if day < x.here {
		return udecimal.Zero
	}
	left := x.OnHand.Sub(x.Promised)
	if x.comes != "" && x.comes <= day {
		left = left.Add(x.Incoming)
	}
	if left.IsNeg() {
		return udecimal.Zero
	}
	return left
}

// total is how much of a part can be had on a day over all locations.
func (s *sourcing) total(sku, day string) (sum udecimal.Decimal) {
	for i := range s.by[sku] {
		sum = sum.Add(s.by[sku][i].there(day))
	}
	return sum
}

// ordered is the day on which an order of today is here.
func (s *sourcing) ordered(sku string) (day string, known bool) {
	days, known := s.LeadDays[sku]
	if !known {
		return "", false
	}
	return later(s.Today, days), true
}

// earliest is the first day on which there is enough of a part. It reports false when there is
// none; the day is then the last on which some comes.
func (s *sourcing) earliest(n Need) (day string, met bool) {
	days := []string{s.Today}
	for _, x := range s.by[n.SKU] {
		days = append(days, x.here)
		if x.comes != "" {
			days = append(days, x.comes)
		}
	}
	order, orderable := s.ordered(n.SKU)
	if orderable {
		days = append(days, order)
	}
	slices.Sort(days)
	for _, day = range slices.Compact(days) {
		if orderable && order <= day || !s.total(n.SKU, day).LessThan(n.Quantity) {
			return day, true
		}
	}
	return day, false
}

// fewest is the smallest set of locations that together have everything by a day, as bits by
// preference; of equal ones that which prefers the earlier.
func (s *sourcing) fewest(needs []Need, day string) (chosen uint64) {
	if len(s.places) > mostSearched {
		return s.greedy(needs, day)
	}
	best, found := uint64(0), false
	for set := range uint64(1) << len(s.places) {
		if found && !better(set, best) || !s.enough(needs, day, set) {
			continue
		}
		best, found = set, true
	}
	return best
}

// better: fewer locations, then the one whose first difference is an earlier preference.
func better(a, b uint64) bool {
	if n, m := bits.OnesCount64(a), bits.OnesCount64(b); n != m {
		return n < m
	}
	return a != b && bits.TrailingZeros64(a^b) == bits.TrailingZeros64(a&^b)
}

func (s *sourcing) enough(needs []Need, day string, set uint64) bool {
	for _, n := range needs {
		sum := udecimal.Zero
		for i := range s.by[n.SKU] {
			if x := &s.by[n.SKU][i]; x.in(set) {
				sum = sum.Add(x.there(day))
			}
		}
		if sum.LessThan(n.Quantity) {
			return false
		}
	}
	return true
}

// greedy begins with all locations and leaves out, from the least preferred on, those without
// which there is still enough.
func (s *sourcing) greedy(needs []Need, day string) uint64 {
	n := len(s.places)
	set := ^uint64(0) >> (mostDrawnOn - n)
	for i := n - 1; i >= 0; i-- {
		if without := set &^ (1 << i); s.enough(needs, day, without) {
			set = without
		}
	}
	return set
}

func (x *shelf) in(set uint64) bool { return set>>x.place&1 == 1 }

// take shares a need out over the chosen locations: what is there now before what comes, by
// preference.
func (s *sourcing) take(n Need, day string, chosen uint64) (out []Share) {
	rest := n.Quantity
	give := func(x *shelf, way Way, on string, most udecimal.Decimal) {
		if part := least(rest, most); x.in(chosen) && part.IsPos() {
			out = append(out, Share{n.SKU, x.Location, part, way, on, x.Stale, x.AsOf})
			rest = rest.Sub(part)
		}
	}
	shelves := s.by[n.SKU]
	for i := range shelves {
		if x := &shelves[i]; x.here <= day {
			give(x, OnShelf, x.here, x.Available())
		}
	}
	for i := range shelves {
		if x := &shelves[i]; x.comes != "" && x.comes <= day {
			give(x, Arriving, x.comes, x.there(day).Sub(x.Available()))
		}
	}
	return out
}

// order is how the rest of a need comes: where it takes nobody knows how long to order, what is
// announced for no day goes first.
func (s *sourcing) order(n Need) (out []Share) {
	on, orderable := s.ordered(n.SKU)
	rest := n.Quantity
	for _, x := range s.by[n.SKU] {
		if orderable || x.IncomingOn != nil {
			continue
		}
		coming := x.OnHand.Sub(x.Promised).Add(x.Incoming).Sub(x.Available())
		if part := least(rest, coming); part.IsPos() {
			out = append(out, Share{n.SKU, x.Location, part, Arriving, "", x.Stale, x.AsOf})
			rest = rest.Sub(part)
		}
	}
	if rest.IsPos() && len(s.Preferred) > 0 {
		out = append(out, Share{SKU: n.SKU, Location: s.Preferred[0], Quantity: rest, Way: Ordered, On: on})
	}
	return out
}

// from names the chosen locations that give something.
func (s *sourcing) from(chosen uint64, shares []Share) (out []string) {
	for i, p := range s.places {
		gives := func(x Share) bool { return x.Location == p && x.Way != Ordered && x.On != "" }
		if chosen>>i&1 == 1 && slices.ContainsFunc(shares, gives) {
			out = append(out, p)
		}
	}
	return out
}

func least(a, b udecimal.Decimal) udecimal.Decimal {
	if a.LessThan(b) {
		return a
	}
	return b
}

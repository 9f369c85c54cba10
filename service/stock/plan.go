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

// Share is what one location gives of one need.
type Share struct {
	SKU      string
	Location string
	Quantity udecimal.Decimal
	On       string // the day from which it is there: today, or when it comes in
	Stale    bool
}

// Plan is where the parts of a job come from.
type Plan struct {
	Ready  string  // the earliest day on which everything is there; "" when no day is known
	Shares []Share // in the order of the needs, then of the locations
	Short  []Need  // what nobody has and nobody expects
	From   []string
}

// mostSearched is up to how many locations every choice of them is tried; above it one is
// added at a time.
const mostSearched = 12

// Source plans a job over locations, the preferred one first; levels may be in any order. The
// day on which the whole job can be done comes first, then the fewest locations (parcels),
// then the order of preference; parts that are short do not hold up the plan of the others,
// but leave the job without a day. Several needs of one part are added up.
func Source(needs []Need, levels []Level, preferred []string, today string) Plan {
	s := sourcing{today: today, preferred: preferred, by: map[string][]Level{}}
	for _, l := range levels {
		if slices.Contains(preferred, l.Location) {
			s.by[l.SKU] = append(s.by[l.SKU], l)
		}
	}
	for _, ls := range s.by {
		slices.SortStableFunc(ls, func(a, b Level) int {
			return cmp.Compare(slices.Index(preferred, a.Location), slices.Index(preferred, b.Location))
		})
	}
	var plan Plan
	var can []Need
	for _, n := range addUp(needs) {
		day, rest := s.earliest(n)
		if rest.IsPos() {
			plan.Short = append(plan.Short, Need{n.SKU, rest})
			n.Quantity = n.Quantity.Sub(rest)
		}
		plan.Ready = max(plan.Ready, day)
		if n.Quantity.IsPos() {
			can = append(can, n)
		}
	}
	by := plan.Ready
	if len(plan.Short) > 0 {
		plan.Ready = ""
	}
	chosen := s.fewest(can, by)
	for _, n := range can {
		plan.Shares = append(plan.Shares, s.take(n, by, chosen)...)
	}
	for _, l := range preferred {
		if slices.ContainsFunc(plan.Shares, func(x Share) bool { return x.Location == l }) {
			plan.From = append(plan.From, l)
		}
	}
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

type sourcing struct {
	today     string
	preferred []string
	by        map[string][]Level // of a part, by preference
}

// there is how much of a level can be had on a day. What comes in first fills what was
// promised beyond what is there.
func (s *sourcing) there(l Level, day string) udecimal.Decimal {
	left := l.OnHand.Sub(l.Promised)
	if on := s.comes(l); on != "" && on <= day {
		left = left.Add(l.Incoming)
	}
	if left.IsNeg() {
		return udecimal.Zero
	}
	return left
}

// comes is the day on which more comes in; one that is past is no promise.
func (s *sourcing) comes(l Level) string {
	if l.IncomingOn == nil || !l.Incoming.IsPos() {
		return ""
	}
	if on := l.IncomingOn.Format(time.DateOnly); on >= s.today {
		return on
	}
	return ""
}

// earliest is the first day on which there is enough of a part over all locations, and what
// stays short on the last.
func (s *sourcing) earliest(n Need) (day string, short udecimal.Decimal) {
	days := []string{s.today}
	for _, l := range s.by[n.SKU] {
		if on := s.comes(l); on != "" {
			days = append(days, on)
		}
	}
	slices.Sort(days)
	for _, day = range slices.Compact(days) {
		sum := udecimal.Zero
		for _, l := range s.by[n.SKU] {
			sum = sum.Add(s.there(l, day))
		}
		if short = n.Quantity.Sub(sum); !short.IsPos() {
			return day, udecimal.Zero
		}
	}
	return day, short
}

// fewest is the smallest set of locations that together have everything by a day, as bits by
// preference; of equal ones that which prefers the earlier.
func (s *sourcing) fewest(needs []Need, day string) (chosen uint64) {
	if len(s.preferred) > mostSearched {
		return s.greedy(needs, day)
	}
	best, found := uint64(0), false
	for set := range uint64(1) << len(s.preferred) {
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
		for _, l := range s.by[n.SKU] {
			if set&s.bit(l) != 0 {
				sum = sum.Add(s.there(l, day))
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
	n := min(len(s.preferred), 64)
	set := ^uint64(0) >> (64 - n)
	for i := n - 1; i >= 0; i-- {
		if without := set &^ (1 << i); s.enough(needs, day, without) {
			set = without
		}
	}
	return set
}

func (s *sourcing) bit(l Level) uint64 { return 1 << slices.Index(s.preferred, l.Location) }

// take shares a need out over the chosen locations: what is there now before what comes, by
// preference.
func (s *sourcing) take(n Need, day string, chosen uint64) (out []Share) {
	rest := n.Quantity
	give := func(l Level, on string, most udecimal.Decimal) {
		if part := least(rest, most); part.IsPos() {
			out = append(out, Share{n.SKU, l.Location, part, on, l.Stale})
			rest = rest.Sub(part)
		}
	}
	for _, l := range s.by[n.SKU] {
		if chosen&s.bit(l) != 0 {
			give(l, s.today, s.now(l))
		}
	}
	for _, l := range s.by[n.SKU] {
		if on := s.comes(l); chosen&s.bit(l) != 0 && on != "" && on <= day {
			give(l, on, s.there(l, day).Sub(s.now(l)))
		}
	}
	return out
}

// now is what can be handed over at once; what comes in today is not there yet.
func (s *sourcing) now(l Level) udecimal.Decimal { return l.Available() }

func least(a, b udecimal.Decimal) udecimal.Decimal {
	if a.LessThan(b) {
		return a
	}
	return b
}

package spring

import "math"

// RequiredRate is k = F/(sag S + p) in N/mm for a load in N, a target sag as a fraction of
// the travel and a preload length, a coil alone. Derived.
func RequiredRate(loadN, sagFraction, travelMM, preloadMM float64) (float64, Status) {
	if !positive(loadN, sagFraction, travelMM) || !notNegative(preloadMM) || sagFraction > 1 {
		return 0, InvalidInput
	}
	return loadN / (sagFraction*travelMM + preloadMM), OK
}

// RequiredRateForForce is RequiredRate with the preload given as a force:
// k = (F - F_p)/(sag S). RiderTooLight when the preload alone carries the load. Derived.
func RequiredRateForForce(loadN, sagFraction, travelMM, preloadN float64) (float64, Status) {
	if !positive(loadN, sagFraction, travelMM) || !notNegative(preloadN) || sagFraction > 1 {
		return 0, InvalidInput
	}
	if loadN <= preloadN {
		return 0, RiderTooLight
	}
	return (loadN - preloadN) / (sagFraction * travelMM), OK
}

// RateFor is the coil rate in N/mm that rests a load at x on this very fork, with its stops
// and its leg air; the curve's own rate is not read. Derived. RiderTooLight when the air
// alone carries the load.
func (c Curve) RateFor(loadN, xMM float64) (float64, Status) {
	if !positive(loadN, xMM) || xMM > c.travel || c.pos.present() {
		return 0, InvalidInput
	}
	open, _ := c.open(xMM)
	stops, _ := c.stops(xMM)
	rest := loadN - open - stops
	if rest <= 0 {
		return 0, RiderTooLight
	}
	return rest / (xMM + c.preload), OK
}

// Pair is one spring that can be bought and one preload that can be set.
type Pair struct {
	RateNPerMM float64
	PreloadMM  float64
}

// Pairs combines rates and preloads.
func Pairs(rates, preloads []float64) []Pair {
	out := make([]Pair, 0, len(rates)*len(preloads))
	for _, k := range rates {
		for _, p := range preloads {
			out = append(out, Pair{k, p})
		}
	}
	return out
}

// Choice is the pair whose sag is nearest to a target.
type Choice struct {
	Index  int // into the pairs; -1 without one
	Pair   Pair
	Sag    Sag
	Miss   float64 // sag - target, as a fraction of the travel
	Status Status  // OK, RiderTooLight, RiderTooHeavy, GapInRange, NoCandidate
}

const equalMiss = 1e-11 // 1e-9 percentage points

// NearestSag picks the pair that comes nearest to a target sag (a fraction); ties go to the
// smaller preload, then to the stiffer rate. Give only pairs that clear CheckClearance.
// Beyond the tolerance the best pair is still named, with the reason: RiderTooLight when
// the pair that sags most sags too little, RiderTooHeavy when the one that sags least sags
// too much, else GapInRange. Never a rate that is not in the list. Derived; it is a tool of
// the search, the recommendation prefers the least preload.
func NearestSag(fork Curve, pairs []Pair, loadN, target, tolerance float64) Choice {
	best := Choice{Index: -1, Status: NoCandidate}
	most, least := math.Inf(-1), math.Inf(1)
	for i, p := range pairs {
		fork.rate, fork.preload = p.RateNPerMM, p.PreloadMM
		s := fork.sag(loadN)
		if s.Status == InvalidInput || !positive(p.RateNPerMM) || !notNegative(p.PreloadMM) {
			continue
		}
		most, least = math.Max(most, s.Fraction), math.Min(least, s.Fraction)
		next := Choice{Index: i, Pair: p, Sag: s, Miss: s.Fraction - target}
		if best.Index < 0 || next.before(best) {
			best = next
		}
	}
	if best.Index < 0 {
		return best
	}
	switch {
	case math.Abs(best.Miss) <= tolerance+equalMiss:
		best.Status = OK
	case most < target-tolerance:
		best.Status = RiderTooLight
	case least > target+tolerance:
		best.Status = RiderTooHeavy
	default:
		best.Status = GapInRange
	}
	return best
}

func (a Choice) before(b Choice) bool {
	switch d := math.Abs(a.Miss) - math.Abs(b.Miss); {
	case d < -equalMiss:
		return true
	case d > equalMiss:
		return false
	case a.Pair.PreloadMM != b.Pair.PreloadMM:
		return a.Pair.PreloadMM < b.Pair.PreloadMM
	}
	return a.Pair.RateNPerMM > b.Pair.RateNPerMM
}

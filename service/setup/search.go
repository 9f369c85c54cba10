package setup

import (
	"cmp"
	"math"
	"slices"

	"forkwright/service/spring"
)

// Reason says why a candidate is not recommended.
type Reason uint8

// The reasons. Up to OffTarget a candidate could be ridden; from Rattles on it must not.
const (
	Fine             Reason = iota
	OtherSetting            // the same spring and preload with another setting of the bump stop
	MorePreload             // good enough, but another does with less preload
	FurtherOff              // good enough, but another sags nearer to the target
	SagsTooLittle           // not good enough
	SagsTooMuch             // not good enough
	Rattles                 // shorter than its cavity
	TooWide                 // does not go into the tube around it
	TooNarrow               // does not go over shaft or bump stop
	CoilBind                // the coils touch within the travel
	BelowGap                // the coils come closer than their least gap within the travel
	ChamberTooSmall         // the bump stop would be full before full travel
	PressureTooHigh         // above the part's greatest pressure
	PeakTooHigh             // above the part's greatest pressure at full travel
	RatioTooHigh            // compressed more than the part allows
	RatioImplausible        // compressed more than anything that is built: a data error
	OutsideTable            // the bumper's table ends before the travel does
	BadTable                // the bump stop's figures cannot be used
)

var reasonCodes = [...]string{
	"", "other_bump_stop_setting", "more_preload", "further_from_target", "sags_too_little", "sags_too_much", "rattles", "too_wide", "too_narrow",
	"coil_bind", "below_minimum_gap", "chamber_too_small", "pressure_too_high", "peak_pressure_too_high", "compression_too_high",
	"implausible_ratio", "outside_table", "bad_table",
}

// String is the stable code of a reason; empty for a candidate without one.
func (r Reason) String() string { return reasonCodes[r] }

// Rejected reports that a candidate must not be ridden.
func (r Reason) Rejected() bool { return r >= Rattles }

// Candidate is one spring with one preload and one setting of the bump stop. Spring, Preload
// and Bump are places in the lists of the Answer.
type Candidate struct {
	Spring, Preload, Bump int16
	Reason                Reason
	GoodEnough            bool // its band holds the target, or it lies within the tolerance
	PreloadMM             float64
	SagMM                 float64
	SagLowMM, SagHighMM   float64 // by the bands of the load and by friction
	EndN                  float64 // force that reaches full travel, fast stroke
	MarginMM              float64 // travel left before the least gap is used up; NaN where not known
}

// pair is a spring with a preload, before the bump stop.
type pair struct {
	spring, preload int16
	reason          Reason
	good            bool
	p, margin       float64
	sag, low, high  float64
	miss            float64 // sag - target, mm
}

// aim is what the search aims at.
type aim struct {
	loadN, lowN, highN float64 // low and high with friction
	targetMM           float64
	toleranceMM        float64
	stiffer            bool // the way to err
	share              float64
}

// search evaluates every spring x preload x setting of the bump stop and ranks them by the
// written rule: what must not be ridden last; of the rest, what is good enough first, and of
// that the least preload, then the nearest sag, then the way to err.
func (r *rig) search(a *aim) []Candidate {
	pairs := r.pairs(a)
	rank := make([]int16, len(pairs))
	for i := range rank {
		rank[i] = int16(i)
	}
	slices.SortFunc(rank, func(i, j int16) int { return a.compare(&pairs[i], &pairs[j]) })
	out := make([]Candidate, len(pairs)*len(r.stops))
	order := make([]int16, len(r.stops))
	n := 0
	for _, i := range rank {
		x := &pairs[i]
		coilEnd := r.coils[x.spring].rate * (r.travel + x.p)
		r.rankStops(order, coilEnd, a.share)
		for _, b := range order {
			r.candidate(&out[n], a, x, &pairs[rank[0]], b, coilEnd)
			n++
		}
	}
	if len(out) > 0 {
		markSettings(out)
	}
	return out
}

// markSettings names the other settings of the recommended pair as such.
func markSettings(all []Candidate) {
	for i := 1; i < len(all) && all[i].Spring == all[0].Spring && all[i].Preload == all[0].Preload; i++ {
		if !all[i].Reason.Rejected() {
			all[i].Reason = OtherSetting
		}
	}
}

func (r *rig) pairs(a *aim) []pair {
	out := make([]pair, 0, len(r.coils)*len(r.preloads))
	contact := r.travel
	for i := range r.stops {
		contact = min(contact, r.stops[i].contact)
	}
	for i := range r.coils {
		c := &r.coils[i]
		for j := range r.preloads {
			x := pair{spring: int16(i), preload: int16(j)}
			x.p, x.reason = r.preloads[j].of(c)
			r.bind(c, &x)
			x.sag, x.low, x.high = a.sags(&r.base, c.rate, x.p)
			if x.high > contact { // rare: the stop holds part of the load
				x.sag, x.low, x.high = a.sags(r.firstStop(c.rate*(r.travel+x.p), a.share), c.rate, x.p)
			}
			a.judge(&x)
			out = append(out, x)
		}
	}
	return out
}

// sags are those of the load and of the ends of its band.
func (a *aim) sags(c *spring.Curve, rate, preload float64) (sag, low, high float64) {
	mm := c.SagsMM(rate, preload, [3]float64{a.loadN, a.lowN, a.highN})
	return mm[0], mm[1], mm[2]
}

func (r *rig) firstStop(coilEnd, share float64) *spring.Curve {
	best := 0
	for i := range r.stops {
		if r.better(i, best, coilEnd, share) {
			best = i
		}
	}
	return &r.stops[best].curve
}

// bind spends the spring's length on preload and travel. It is judged on the static sum of
// gaps; the dynamic one is a caution.
func (r *rig) bind(c *coil, x *pair) {
	x.margin = math.NaN()
	if c.free > 0 && c.block > 0 {
		k := spring.CheckClearance(c.free, c.block, c.block+c.gap, x.p, r.travel)
		x.margin = k.MarginMM
		switch {
		case x.reason != Fine:
		case k.Status == spring.CoilBind:
			x.reason = CoilBind
		case k.Status == spring.BelowMinimumGap:
			x.reason = BelowGap
		}
	}
	if x.reason == Fine {
		x.reason = c.unfit
	}
}

// equalMM is what counts as the same sag: far below anything that can be read.
const equalMM = 1e-9

func (a *aim) judge(x *pair) {
	x.miss = x.sag - a.targetMM
	x.good = math.Abs(x.miss) <= a.toleranceMM+equalMM || x.low <= a.targetMM && a.targetMM <= x.high
}

// compare is the written rule.
func (a *aim) compare(x, y *pair) int {
	if c := boolFirst(!x.reason.Rejected(), !y.reason.Rejected()); c != 0 {
		return c
	}
	if c := boolFirst(x.good, y.good); c != 0 {
		return c
	}
	if x.good && x.preload != y.preload {
		return cmp.Compare(x.preload, y.preload)
	}
	if d := math.Abs(x.miss) - math.Abs(y.miss); math.Abs(d) > equalMM {
		return cmp.Compare(d, 0)
	}
	soft := cmp.Compare(x.spring, y.spring) // springs stand softest first
	if a.stiffer {
		soft = -soft
	}
	return cmp.Or(cmp.Compare(x.preload, y.preload), soft)
}

func boolFirst(x, y bool) int {
	switch {
	case x == y:
		return 0
	case x:
		return -1
	}
	return 1
}

// candidate fills in one candidate; in place, there are hundreds.
func (r *rig) candidate(c *Candidate, a *aim, x, best *pair, bump int16, coilEnd float64) {
	s := &r.stops[bump]
	c.Spring, c.Preload, c.Bump, c.GoodEnough, c.Reason = x.spring, x.preload, bump, x.good, x.reason
	c.PreloadMM, c.MarginMM = x.p, x.margin
	c.SagMM, c.SagLowMM, c.SagHighMM = x.sag, x.low, x.high
	c.EndN = coilEnd + s.endN[1] + s.legN[1]
	if x.high > s.contact {
		c.SagMM, c.SagLowMM, c.SagHighMM = a.sags(&s.curve, r.coils[x.spring].rate, x.p)
	}
	switch {
	case c.Reason != Fine:
	case s.reason != Fine:
		c.Reason = s.reason
	case x.spring == best.spring && x.preload == best.preload:
	case !x.good && x.miss < 0:
		c.Reason = SagsTooLittle
	case !x.good:
		c.Reason = SagsTooMuch
	case x.preload != best.preload:
		c.Reason = MorePreload
	default:
		c.Reason = FurtherOff
	}
}

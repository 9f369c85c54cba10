package spring

import "math"

// Curve is the force of a whole fork over its travel: a coil or an air spring, and what
// adds to it: an air bump stop, a bumper, air in the lower legs. It is a value; With...
// gives a changed copy. Nothing here allocates.
type Curve struct {
	travel   float64
	rate     float64 // coil, N/mm; 0 for an air spring
	preload  float64 // coil, mm
	exponent float64
	bump     chamber
	leg      chamber
	pos, neg chamber
	bumper   *Bumper

	// Worked out once by prepare, all without the coil.
	start, end float64 // gas force at x = 0 and at full travel, stops included
	contact    float64 // of the earliest stop; the travel when there is none
	atContact  float64 // gas force there, before the stop takes hold
	afterStep  float64 // the same, after it
}

// NewCoil is the curve F = k (x + p) over a travel in mm: rate k in N/mm, preload p in mm.
// InvalidInput for a travel or rate that is not positive.
func NewCoil(travelMM, rateNPerMM, preloadMM float64) (Curve, Status) {
	if !positive(travelMM, rateNPerMM) || !notNegative(preloadMM) {
		return Curve{}, InvalidInput
	}
	c := Curve{travel: travelMM, rate: rateNPerMM, preload: preloadMM, exponent: Slow, contact: travelMM}
	return c, OK
}

// WithCoil is the same fork with another coil or preload; cheap, for searches.
// The caller answers for a positive rate and a preload not negative.
func (c Curve) WithCoil(rateNPerMM, preloadMM float64) Curve {
	c.rate, c.preload = rateNPerMM, preloadMM
	return c
}

// WithBump adds an air bump stop. ChamberTooSmall or InvalidInput leave the curve as it was.
func (c Curve) WithBump(b BumpStop) (Curve, Status) {
	if s := b.check(c.travel, c.exponent); s != OK {
		return c, s
	}
	if b.GaugeKPa < 0 {
		return c, InvalidInput
	}
	c.bump = b.chamber()
	c.prepare()
	return c, OK
}

// WithBumper adds a bumper by table. OutsideTable when the table ends before the travel.
func (c Curve) WithBumper(b *Bumper) (Curve, Status) {
	if b == nil || b.contact > c.travel {
		return c, InvalidInput
	}
	if _, s := b.At(c.travel); s != OK {
		return c, s
	}
	c.bumper = b
	c.prepare()
	return c, OK
}

// WithLegAir adds the air in the lower legs.
func (c Curve) WithLegAir(l LegAir) (Curve, Status) {
	if s := l.check(c.travel); s != OK {
		return c, s
	}
	c.leg = l.chamber()
	c.prepare()
	return c, OK
}

// WithExponent sets the polytropic exponent of all air, 1 (Slow, what rules sag) to 1.4.
func (c Curve) WithExponent(n float64) (Curve, Status) {
	if !validExponent(n) {
		return c, InvalidInput
	}
	c.exponent = n
	c.prepare()
	return c, OK
}

// TravelMM is the travel the curve covers.
func (c Curve) TravelMM() float64 { return c.travel }

// RateNPerMM and PreloadMM are those of the coil; zero for an air spring.
func (c Curve) RateNPerMM() float64 { return c.rate }

// PreloadMM is the length by which the coil is shortened at full extension.
func (c Curve) PreloadMM() float64 { return c.preload }

// ContactMM is where the earliest stop takes hold; the travel when there is none.
func (c Curve) ContactMM() float64 { return c.contact }

// ContactStepN is the jump of the force at contact.
func (c Curve) ContactStepN() float64 { return c.afterStep - c.atContact }

func (c *Curve) prepare() {
	c.contact = c.travel
	if c.bump.present() {
		c.contact = c.bump.from
	}
	if c.bumper != nil {
		c.contact = math.Min(c.contact, c.bumper.contact+c.bumper.deflect[0])
	}
	c.start, _ = c.open(0)
	c.atContact, _ = c.open(c.contact)
	stop, _ := c.stops(math.Nextafter(c.contact, math.Inf(1)))
	c.afterStep = c.atContact + stop
	open, _ := c.open(c.travel)
	stop, _ = c.stops(c.travel)
	c.end = open + stop
}

// open is everything but the coil and the stops.
func (c *Curve) open(x float64) (force, tangent float64) {
	if c.leg.present() {
		force, tangent = c.leg.forceAndTangent(x, c.exponent)
	}
	if c.pos.present() {
		f, t := c.pos.forceAndTangent(x, c.exponent)
		force, tangent = force+f, tangent+t
	}
	if c.neg.present() {
		f, t := c.neg.forceAndTangent(x, c.exponent)
		force, tangent = force+f, tangent+t
	}
	return force, tangent
}

// stops is what holds only past contact.
func (c *Curve) stops(x float64) (force, tangent float64) {
	if c.bump.present() && x > c.bump.from {
		force, tangent = c.bump.forceAndTangent(x, c.exponent)
	}
	if c.bumper != nil && x > c.bumper.contact {
		f, t := c.bumper.forceAndTangent(x)
		force, tangent = force+f, tangent+t
	}
	return force, tangent
}

func (c *Curve) at(x float64) (force, tangent float64) {
	of, ot := c.open(x)
	sf, st := c.stops(x)
	return c.rate*(x+c.preload) + of + sf, c.rate + ot + st
}

// Force is F(x) in N for 0 <= x <= travel; beyond the ends, and for NaN, it is NaN. At
// contact itself a stop does not hold yet.
func (c Curve) Force(xMM float64) float64 {
	if !(xMM >= 0 && xMM <= c.travel) {
		return math.NaN()
	}
	f, _ := c.at(xMM)
	return f
}

// Tangent is dF/dx in N/mm, NaN outside the travel.
func (c Curve) Tangent(xMM float64) float64 {
	if !(xMM >= 0 && xMM <= c.travel) {
		return math.NaN()
	}
	_, t := c.at(xMM)
	return t
}

// StartN is F(0), EndN is F at full travel.
func (c Curve) StartN() float64 { return c.rate*c.preload + c.start }

// EndN is the force in N that just reaches full travel.
func (c Curve) EndN() float64 { return c.rate*(c.travel+c.preload) + c.end }

// Sag is where a load rests.
type Sag struct {
	MM       float64
	Fraction float64 // of the travel
	Status   Status  // OK, ToppedOut (0 mm), Bottomed (the travel), InvalidInput
}

// Sag solves F(x) = load for 0 <= x <= travel, in N and mm, measured along the stanchion.
// Exact where a closed form exists (a coil before its stop, with or without one slow
// gas chamber), else bracketed to 1e-9 mm; F rises strictly, so the answer is the only
// one. A load within the step of a pumped bump stop rests at contact. Derived.
//
// Sag is slow: use it on a curve of exponent 1.
func (c Curve) Sag(loadN float64) Sag { return c.sag(loadN) }

// SagsMM is the sag in mm of three loads in N with another coil on the same fork; a search asks
// it often, so it copies the curve once. The caller answers for rate and preload as in WithCoil.
func (c *Curve) SagsMM(rateNPerMM, preloadMM float64, loadsN [3]float64) (mm [3]float64) {
	fork := *c
	fork.rate, fork.preload = rateNPerMM, preloadMM
	for i, load := range loadsN {
		mm[i] = fork.sag(load).MM
	}
	return mm
}

func (c *Curve) sag(load float64) Sag {
	coil := c.rate * c.preload
	switch {
	case math.IsNaN(load) || !(c.travel > 0):
		return Sag{Status: InvalidInput}
	case load <= coil+c.start:
		return Sag{Status: ToppedOut}
	case load >= coil+c.rate*c.travel+c.end:
		return Sag{MM: c.travel, Fraction: 1, Status: Bottomed}
	}
	x := c.contact
	coil += c.rate * c.contact
	switch {
	case load <= coil+c.atContact:
		x = c.beforeStop(load)
	case load > coil+c.afterStep:
		x = c.pastStop(load)
	}
	return Sag{MM: x, Fraction: x / c.travel, Status: OK}
}

func (c *Curve) beforeStop(load float64) float64 {
	if !c.pos.present() {
		if !c.leg.present() {
			return load/c.rate - c.preload
		}
		if c.exponent == 1 {
			return c.coilAndGas(&c.leg, load)
		}
	}
	return c.bracket(load, 0, c.contact)
}

func (c *Curve) pastStop(load float64) float64 {
	if c.exponent == 1 && c.bumper == nil && !c.leg.present() && !c.pos.present() {
		return c.coilAndGas(&c.bump, load)
	}
	return c.bracket(load, c.contact, c.travel)
}

// coilAndGas solves k (x + p) + P u/(u - y) - Q = F, y = x - from, for one isothermal
// chamber of reach u: the smaller root of k y^2 - (k u + B) y + u (B - P) = 0 with
// B = F + Q - k (p + from). The discriminant (k u - B)^2 + 4 k u P is positive.
func (c *Curve) coilAndGas(g *chamber, load float64) float64 {
	ku := c.rate * g.reach
	b := load + g.airN - c.rate*(c.preload+g.from)
	root := math.Sqrt((ku-b)*(ku-b) + 4*ku*g.filledN)
	return g.from + 2*g.reach*(b-g.filledN)/(ku+b+root)
}

const (
	sagToleranceMM = 1e-9
	maxSteps       = 100
)

// bracket is Newton's method held inside a shrinking bracket; bisection where Newton
// would leave it.
func (c *Curve) bracket(load, lo, hi float64) float64 {
	x := (lo + hi) / 2
	if c.rate > 0 {
		x = math.Min(math.Max(load/c.rate-c.preload, lo), hi)
		if x == lo || x == hi {
			x = (lo + hi) / 2
		}
	}
	for range maxSteps {
		f, t := c.at(x)
		if f > load {
			hi = x
		} else {
			lo = x
		}
		next := x - (f-load)/t
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if math.Abs(next-x) < sagToleranceMM {
			return next
		}
		x = next
	}
	return x
}

// SagBand is where friction lets the fork rest: between the sags of load - friction and load
// + friction, in N. Derived. Read sag twice, settling from above and from below.
func (c Curve) SagBand(loadN, frictionN float64) (low, high Sag) {
	if !notNegative(frictionN) {
		return Sag{Status: InvalidInput}, Sag{Status: InvalidInput}
	}
	return c.sag(loadN - frictionN), c.sag(loadN + frictionN)
}

package spring

import (
	"iter"
	"math"
)

// Energy is what a fork takes up from full extension to one travel, in J.
type Energy struct {
	CoilJ   float64 // k p x + k x^2/2
	AirJ    float64 // air main spring
	BumpJ   float64 // air bump stop
	BumperJ float64 // bumper by table
	LegJ    float64 // air in the lower legs
	TotalJ  float64
}

// Energy integrates the curve to x in closed form. Derived. Zero outside the travel.
func (c Curve) Energy(xMM float64) Energy {
	if !(xMM >= 0 && xMM <= c.travel) {
		return Energy{}
	}
	e := Energy{CoilJ: c.rate * (c.preload*xMM + xMM*xMM/2) / mJPerJ}
	if c.pos.present() {
		e.AirJ = c.pos.energy(xMM, c.exponent) / mJPerJ
	}
	if c.neg.present() {
		e.AirJ += c.neg.energy(xMM, c.exponent) / mJPerJ
	}
	if c.leg.present() {
		e.LegJ = c.leg.energy(xMM, c.exponent) / mJPerJ
	}
	if c.bump.present() && xMM > c.bump.from {
		e.BumpJ = c.bump.energy(xMM, c.exponent) / mJPerJ
	}
	if c.bumper != nil {
		e.BumperJ = c.bumper.energy(xMM) / mJPerJ
	}
	e.TotalJ = e.CoilJ + e.AirJ + e.BumpJ + e.BumperJ + e.LegJ
	return e
}

// Parts is the force at one travel, element by element, in N.
type Parts struct {
	SpringN float64 // coil or air main spring
	StopN   float64 // bump stop and bumper
	LegN    float64
	TotalN  float64
}

// Parts takes the force at x apart. All NaN outside the travel.
func (c Curve) Parts(xMM float64) Parts {
	if !(xMM >= 0 && xMM <= c.travel) {
		return Parts{math.NaN(), math.NaN(), math.NaN(), math.NaN()}
	}
	return c.parts(xMM, xMM)
}

// parts looks at the stops a hair further on where a step has to be shown.
func (c *Curve) parts(x, stopX float64) Parts {
	open, _ := c.open(x)
	p := Parts{SpringN: c.rate*(x+c.preload) + open}
	if c.leg.present() {
		p.LegN = c.leg.force(x, c.exponent)
		p.SpringN -= p.LegN
	}
	p.StopN, _ = c.stops(stopX)
	p.TotalN = p.SpringN + p.StopN + p.LegN
	return p
}

// Progression is the end force of the stops over that of the main spring.
func (c Curve) Progression() float64 {
	p := c.Parts(c.travel)
	return p.StopN / p.SpringN
}

// Point is one point of a sampled curve.
type Point struct {
	TravelMM float64
	Parts
}

// MinPoints makes steps of 1 mm on 160 mm of travel.
const MinPoints = 161

// Room is how many points there are at most in a sample of n steps.
func Room(n int) int { return max(n, MinPoints) + 4 }

// Sample yields the curve at n even steps (at least MinPoints) plus the contact of each stop.
// Where a stop takes hold with a step, contact stands twice, before and after it.
func (c Curve) Sample(n int) iter.Seq[Point] {
	n = max(n, MinPoints)
	return func(yield func(Point) bool) {
		breaks := c.breaks()
		for i := range n {
			x := math.Min(c.travel*float64(i)/float64(n-1), c.travel) // rounding may pass the end
			for len(breaks) > 0 && breaks[0] <= x {
				if !c.yieldBreak(yield, breaks[0]) {
					return
				}
				if breaks[0] == x {
					x = math.NaN() // stands already
				}
				breaks = breaks[1:]
			}
			if !math.IsNaN(x) && !yield(Point{x, c.parts(x, x)}) {
				return
			}
		}
	}
}

func (c *Curve) breaks() []float64 {
	var out []float64
	if c.bump.present() {
		out = append(out, c.bump.from)
	}
	if c.bumper != nil {
		at := c.bumper.contact + c.bumper.deflect[0]
		switch {
		case len(out) == 1 && at < out[0]:
			out = []float64{at, out[0]}
		case len(out) == 0 || at > out[0]:
			out = append(out, at)
		}
	}
	return out
}

func (c *Curve) yieldBreak(yield func(Point) bool, x float64) bool {
	before := c.parts(x, math.Nextafter(x, 0))
	after := c.parts(x, math.Nextafter(x, math.Inf(1)))
	return yield(Point{x, before}) && (after.TotalN-before.TotalN <= 1e-6 || yield(Point{x, after}))
}

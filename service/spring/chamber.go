package spring

import (
	"math"

	"forkwright/service/unit"
)

const (
	kPaPerMPa = unit.KPaPerMPa
	mm3PerML  = unit.MM3PerML
	mJPerJ    = 1000
)

// Polytropic exponents: 1 for what is slow enough to keep its temperature (sag, setting),
// 1.4 for no heat exchange in dry air; a stroke lies between (1.3, band 1.2-1.4,
// common practice, no source). Show a band.
const (
	Slow           = 1.0
	Stroke         = 1.3
	StrokeLow      = 1.2
	StrokeHigh     = 1.4
	maxExponent    = 1.4
	ratioToCheck   = 6
	ratioToRefuse  = 8
	DefaultContact = 2.0 / 3 // of the travel: common practice, no source
)

// ContactStepHarshN is where a force step at contact begins to feel harsh (100-120 N, from
// memory).
const ContactStepHarshN = 110

// chamber is trapped air, its polytropic terms worked out once. Area and reach are
// negative for one that grows with the stroke, so that one formula serves both:
// F = A [p0 (V0/V)^n - pa], V = V0 - A (x - from).
type chamber struct {
	reach   float64 // V0/A, the stroke in mm at which the volume is zero
	filledN float64 // p0 A
	airN    float64 // pa A
	from    float64 // x in mm at which V = V0
}

func newChamber(areaMM2, volumeML, absoluteKPa, ambientKPa, fromMM float64) chamber {
	return chamber{
		reach:   volumeML * mm3PerML / areaMM2,
		filledN: absoluteKPa / kPaPerMPa * areaMM2,
		airN:    ambientKPa / kPaPerMPa * areaMM2,
		from:    fromMM,
	}
}

func (c *chamber) present() bool { return c.reach != 0 }

// ratio is V0/V.
func (c *chamber) ratio(x float64) float64 { return c.reach / (c.reach - (x - c.from)) }

func polytropic(ratio, n float64) float64 {
	if n == 1 {
		return ratio
	}
	return math.Pow(ratio, n)
}

func (c *chamber) force(x, n float64) float64 {
	return c.filledN*polytropic(c.ratio(x), n) - c.airN
}

// forceAndTangent adds dF/dx = n p A^2/V, always positive.
func (c *chamber) forceAndTangent(x, n float64) (force, tangent float64) {
	r := c.ratio(x)
	p := c.filledN * polytropic(r, n)
	return p - c.airN, n * p * r / c.reach
}

// energy is the work in mJ taken up from `from` to x:
// p0 V0/(n-1) [(V0/V1)^(n-1) - 1] - pa (V0 - V1), or p0 V0 ln(V0/V1) - ... at n = 1.
func (c *chamber) energy(x, n float64) float64 {
	stored := c.filledN * c.reach // p0 V0
	logRatio := math.Log(c.ratio(x))
	work := stored * logRatio
	if n != 1 {
		work = stored * math.Expm1((n-1)*logRatio) / (n - 1)
	}
	return work - c.airN*(x-c.from)
}

package fluid

import (
	"math"

	"forkwright/service/unit"
)

// Fluid is what is known of a fluid: the duty its maker sells it for, and kinematic viscosities
// in mm^2/s; nil: not known.
type Fluid struct {
	Duty        string // bath|damper|grease
	At40, At100 *float64
}

// Temperatures at which two fluids are compared, in degrees C: those of data sheets, a mild day
// and two cold ones.
const (
	HotC   = 100
	WarmC  = 40
	CoolC  = 20
	FrostC = 0
	ColdC  = -10
)

// The rule of Compare: common practice, no source. Half again in the cold because improvers
// make the line between two points uncertain there.
const (
	Tolerance     = 0.15 // of the viscosity asked for, at 40 and 100 degrees C
	ColdTolerance = 0.30 // at 20 degrees C and below
)

// Verdict says whether a fluid may stand in for another.
type Verdict string

// The verdicts. NotKnown where nothing speaks against it, but a figure is missing.
const (
	MayStandIn Verdict = "may_stand_in"
	MayNot     Verdict = "may_not"
	NotKnown   Verdict = "not_in_our_data"
)

// Reason says why one may not stand in, or why it is not known.
type Reason string

// The reasons; none where one may stand in.
const (
	OtherDuty        Reason = "other_duty"
	ViscosityDiffers Reason = "viscosity_differs"
	ViscosityMissing Reason = "viscosity_missing"
	Grease           Reason = "grease" // no viscosity says how a grease behaves
)

// Comparison is two fluids at one temperature.
type Comparison struct {
	TempC       float64
	For, AtHand float64 // mm^2/s; 0: not known
	Difference  float64 // (at hand - asked for)/asked for
	Tolerance   float64
	Within      bool
	Known       bool // of both
	Measured    bool // where data sheets give it; else by Walther's line through their two points
}

// Comparisons is the whole answer.
type Comparisons struct {
	Verdict Verdict
	Reason  Reason
	At      []Comparison // none for another duty or a grease
}

// Compare judges whether a fluid at hand may stand in for the one asked for: of the same duty,
// and its viscosity within the tolerance at 100 and 40 degrees C as measured and at 20, 0 and
// -10 degrees C by Walther's line (Line). One that is outside is a no whatever is missing.
// InvalidInput for a viscosity that is no positive number, or a fluid that thickens when
// heated. What it does to seals no figure says.
func Compare(asked, atHand Fluid) (Comparisons, Status) {
	a, okA := lineOf(asked)
	b, okB := lineOf(atHand)
	switch {
	case !okA || !okB:
		return Comparisons{}, InvalidInput
	case asked.Duty != atHand.Duty:
		return Comparisons{Verdict: MayNot, Reason: OtherDuty}, OK
	case asked.Duty == "grease":
		return Comparisons{Verdict: NotKnown, Reason: Grease}, OK
	}
	out := Comparisons{Verdict: MayStandIn}
	missing := false
	for _, t := range [5]float64{HotC, WarmC, CoolC, FrostC, ColdC} {
		c := Comparison{TempC: t, Tolerance: Tolerance}
		if t <= CoolC {
			c.Tolerance = ColdTolerance
		}
		var knownA, knownB bool
		c.For, knownA = viscosityAt(asked, a, t)
		c.AtHand, knownB = viscosityAt(atHand, b, t)
		c.Known, c.Measured = knownA && knownB, t == HotC || t == WarmC
		if c.Known {
			c.Difference = (c.AtHand - c.For) / c.For
			c.Within = math.Abs(c.Difference) <= c.Tolerance+1e-9
		}
		switch {
		case !c.Known:
			missing = true
		case !c.Within:
			out.Verdict, out.Reason = MayNot, ViscosityDiffers
		}
		out.At = append(out.At, c)
	}
	if missing && out.Verdict == MayStandIn {
		out.Verdict, out.Reason = NotKnown, ViscosityMissing
	}
	return out, OK
}

// lineOf fits both points; none without them. False for figures that cannot be meant.
func lineOf(v Fluid) (*Line, bool) {
	for _, x := range [2]*float64{v.At40, v.At100} {
		if x != nil && !positive(*x) {
			return nil, false
		}
	}
	if v.At40 == nil || v.At100 == nil {
		return nil, true
	}
	l, s := NewLine(*v.At40, WarmC+unit.KelvinAtZeroC, *v.At100, HotC+unit.KelvinAtZeroC)
	return &l, s != InvalidInput
}

func viscosityAt(v Fluid, l *Line, tempC float64) (nu float64, known bool) {
	switch {
	case tempC == WarmC && v.At40 != nil:
		return *v.At40, true
	case tempC == HotC && v.At100 != nil:
		return *v.At100, true
	case l == nil || tempC == WarmC || tempC == HotC:
		return 0, false
	}
	nu, s := l.AtC(tempC)
	if s == InvalidInput || math.IsInf(nu, 0) || math.IsNaN(nu) {
		return 0, false
	}
	return nu, true
}

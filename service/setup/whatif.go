package setup

import (
	"math"

	"forkwright/service/spring"
	"forkwright/service/unit"
)

// WhatIf asks what slope, brake or leaning ahead would do to the load, each alone. None of it
// is a basis for sag and none changes the recommendation.
type WhatIf struct {
	SlopeDeg      *float64 // down positive
	BrakingG      *float64 // front brake alone, steady, in units of g
	LeanForwardMM *float64 // of the rider's center of mass

	// Center of mass of rider and bicycle together on level ground. AheadMM, of the rear
	// contact, follows from the load where it was not said; HeightMM, above the ground, is
	// needed for slope and braking.
	MassCenterAheadMM  float64
	MassCenterHeightMM float64
}

// WhatIfs answers a WhatIf. The first case is level ground, which the others compare with.
type WhatIfs struct {
	Text        string
	MassKG      float64
	AheadMM     float64
	AheadIs     Provenance
	HeightMM    float64 // 0: not said
	WheelbaseMM float64
	Cases       []WhatIfCase
}

// WhatIfCase is one of them. A case in which a wheel would lift has no figures.
type WhatIfCase struct {
	What   string // level|slope|braking|lean_forward
	Value  float64
	Unit   string
	Status Status // ok|rear_wheel_would_lift|front_wheel_would_lift|topped_out|bottomed
	WheelN float64
	BrakeN float64 // rearward at the front tire
	AxialN float64 // along the fork
	Spring float64 // N that the springs carry: less the air in the lower legs

	// Where the fork would rest on the slow curve of what is recommended.
	Stands   bool
	MM       float64
	Percent  float64
	ChangeMM float64 // against level ground
}

// The statuses that only a what-if has.
const (
	RearLifts  Status = "rear_wheel_would_lift"
	FrontLifts Status = "front_wheel_would_lift"
)

// Ranges of a what-if, beyond which a figure is a slip of the pen (from memory).
var (
	slopeRange   = within{-45, 45, "deg"}
	brakingRange = within{0, 1.2, "g"}
	leanRange    = within{-400, 400, "mm"}
	aheadRange   = within{200, 1500, "mm"}
	heightRange  = within{400, 1700, "mm"}
)

func (c *checking) whatIf(q *Question) {
	const at = "/what_if/"
	x := q.WhatIf
	if x.SlopeDeg == nil && x.BrakingG == nil && x.LeanForwardMM == nil {
		c.Add("/what_if", "required", "Say slope_deg, braking_g or lean_forward_mm.")
	}
	c.opt(at+"slope_deg", x.SlopeDeg, slopeRange)
	c.opt(at+"braking_g", x.BrakingG, brakingRange)
	c.opt(at+"lean_forward_mm", x.LeanForwardMM, leanRange)
	c.some(at+"mass_center_ahead_mm", x.MassCenterAheadMM, aheadRange)
	c.some(at+"mass_center_height_mm", x.MassCenterHeightMM, heightRange)
	if q.Load.AxialN != nil {
		c.Add("/load/axial_n", "contradiction", "A what-if is worked out from masses and shares; leave axial_n out.")
	}
	switch wheelbase := q.Bicycle.Frame.WheelbaseMM; {
	case wheelbase == 0:
		c.Add("/bicycle/frame/wheelbase_mm", "required", "A what-if needs the wheelbase; measure it from axle to axle.")
	case x.MassCenterAheadMM >= wheelbase:
		c.Add(at+"mass_center_ahead_mm", "contradiction", "The center of mass lies between the wheels, less than %s mm ahead of the rear one.", text(wheelbase))
	}
	if (x.SlopeDeg != nil || x.BrakingG != nil) && x.MassCenterHeightMM == 0 {
		c.Add(at+"mass_center_height_mm", "required", "Slope and braking need the height of the center of mass of rider and bicycle above the ground; none is assumed.")
	}
}

// whatIf answers what was asked beside the setup.
func (w *work) whatIf() {
	q, x, l := w.q, w.q.WhatIf, &w.a.Load
	if x == nil {
		return
	}
	unsprung := 0.0
	for _, t := range l.Terms {
		if t.Name == "unsprung_kg" {
			unsprung = t.Value
		}
	}
	m := spring.Mass{TotalKG: kitted(q.Rider) + q.Bicycle.MassKG, AheadMM: x.MassCenterAheadMM, HeightMM: x.MassCenterHeightMM, Wheelbase: q.Bicycle.Frame.WheelbaseMM}
	out := &WhatIfs{MassKG: m.TotalKG, AheadIs: Given, HeightMM: x.MassCenterHeightMM, WheelbaseMM: m.Wheelbase,
		Text: "What if only, each alone and held steady, with a rigid rider and the front brake: nothing here sets sag or changes what is recommended."}
	if m.AheadMM == 0 { // the share of the load, of a measured sag where there is one
		m.AheadMM, out.AheadIs = (l.SprungN/unit.GravityMPerS2+unsprung)/m.TotalKG*m.Wheelbase, Derived
	}
	out.AheadMM = m.AheadMM
	if m.HeightMM == 0 {
		m.HeightMM = 1 // plays no part on level ground, where the rest is evaluated
	}
	add := func(what string, value *float64, unit string, of func(v float64) (spring.Braking, spring.Status)) {
		if value == nil {
			return
		}
		c := WhatIfCase{What: what, Value: *value, Unit: unit, Status: OK}
		b, s := of(*value)
		c.WheelN, c.BrakeN, c.AxialN = b.WheelN, b.BrakeN, b.AxialN
		switch {
		case s == spring.OK && c.AxialN > 0:
			w.stand(&c)
			c.ChangeMM = c.MM
			if len(out.Cases) > 0 {
				c.ChangeMM -= out.Cases[0].MM
			} else {
				c.ChangeMM = 0
			}
		case m.AheadMM <= 0 || what == "slope" && *value < 0 || what == "lean_forward" && *value < 0 || s == spring.OK:
			c = WhatIfCase{What: what, Value: *value, Unit: unit, Status: FrontLifts}
		default:
			c = WhatIfCase{What: what, Value: *value, Unit: unit, Status: RearLifts}
		}
		out.Cases = append(out.Cases, c)
	}
	level := func(float64) (spring.Braking, spring.Status) { return m.Braking(0, unsprung, l.HeadDegrees) }
	none := 0.0
	add("level", &none, "", level)
	add("slope", x.SlopeDeg, "deg", func(v float64) (spring.Braking, spring.Status) { return m.Slope(v, unsprung, l.HeadDegrees) })
	add("braking", x.BrakingG, "g", func(v float64) (spring.Braking, spring.Status) { return m.Braking(v, unsprung, l.HeadDegrees) })
	add("lean_forward", x.LeanForwardMM, "mm", func(v float64) (spring.Braking, spring.Status) {
		leaned := m
		leaned.AheadMM += spring.LeanShift(kitted(q.Rider), m.TotalKG, v, m.Wheelbase) * m.Wheelbase
		if leaned.AheadMM <= 0 {
			return spring.Braking{}, spring.WheelLifts
		}
		return leaned.Braking(0, unsprung, l.HeadDegrees)
	})
	w.a.WhatIfs = out
}

// stand says where the fork would rest. The air in the lower legs carries its part as in the
// recommendation.
func (w *work) stand(c *WhatIfCase) {
	l := &w.a.Load
	c.Spring = math.Max(0, c.AxialN-l.LegAirN-l.LegPushN)
	if w.slow.TravelMM() == 0 {
		return
	}
	s := w.slow.Sag(c.Spring)
	c.Stands, c.MM, c.Percent = true, s.MM, 100*s.Fraction
	if s.Status == spring.ToppedOut || s.Status == spring.Bottomed {
		c.Status = Status(s.Status)
	}
}

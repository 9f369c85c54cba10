package setup

import (
	"math"

	"forkwright/service/catalog"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// Provenance says where a figure comes from; it is shown beside every figure that was not
// given.
type Provenance string

// The kinds of provenance, the strongest first.
const (
	Given          Provenance = "given"
	MakersDatum    Provenance = "maker's datum"
	Published      Provenance = "published"
	Derived        Provenance = "derived"
	CommonPractice Provenance = "common practice"
	FromMemory     Provenance = "from memory"
)

// Term is one figure that the answer stands on: its value, the range it may lie in and where
// it comes from. Low and High equal the value where the range is not known or plays no part.
type Term struct {
	Name             string
	Value, Low, High float64
	Unit             string
	Provenance       Provenance
	Source           string // more about it, for people
}

// Load is what rests on the fork, term by term. All forces in N, for both legs together.
type Load struct {
	Terms []Term

	WheelN, SprungN, AxialN, AcrossN float64
	AxialLowN, AxialHighN            float64 // by the bands of the shares

	// The air in the lower legs carries part of it. A known volume is part of the force curve
	// (LegsInCurve); a single force at the target sag is taken off the load here.
	LegAirN, LegAirLowN, LegAirHighN float64
	LegPushN                         float64 // pressed out by thin air from the start, of legs closed lower down
	LegsInCurve                      bool

	SpringN, SpringLowN, SpringHighN float64 // what the curve has to carry
	FrictionN                        float64
	NPerRiderKG                      float64 // what a kilogram of rider adds along the fork; 0 where the load itself was given
	HeadDegrees                      float64 // 0 where the load itself was given
	Measured                         bool    // SpringN comes from a measured sag
}

// surroundings are the places of a question, as absolute pressures and temperatures.
type surroundings struct {
	rideKPa, setKPa, closedKPa float64
	rideC, setC                float64
	high                       bool // ridden elsewhere than at sea level
	moved                      bool // set elsewhere than ridden
}

func or(v *float64, otherwise float64) float64 {
	if v != nil {
		return *v
	}
	return otherwise
}

func surround(c *Conditions) surroundings {
	const standardC = 20
	at := or(c.AltitudeM, 0)
	set := or(c.SetAltitudeM, at)
	s := surroundings{rideC: or(c.TemperatureC, standardC), high: at >= 500}
	s.setC = or(c.SetTemperatureC, s.rideC)
	s.moved = set != at || s.setC != s.rideC
	s.rideKPa, s.setKPa, s.closedKPa = pressureAt(at), pressureAt(set), pressureAt(or(c.ClosedAltitudeM, 0))
	return s
}

func pressureAt(altitudeM float64) float64 {
	a, _ := spring.Atmosphere(altitudeM) // the altitude has been checked
	return a.PressureKPa
}

// loading builds a Load.
type loading struct {
	q *Question
	Load
}

func (l *loading) given(name string, v float64, unit string) float64 {
	l.Terms = append(l.Terms, Term{name, v, v, v, unit, Given, "said in the question"})
	return v
}

func (l *loading) assume(name string, a spring.Assumed, p Provenance) spring.Assumed {
	l.Terms = append(l.Terms, Term{name, a.Value, a.Low, a.High, a.Unit, p, a.Source})
	return a
}

// take is the figure of the question, or the assumed one.
func (l *loading) take(name string, v *float64, a spring.Assumed, p Provenance) spring.Assumed {
	if v != nil {
		l.given(name, *v, a.Unit)
		return spring.Assumed{Value: *v, Low: *v, High: *v, Unit: a.Unit}
	}
	return l.assume(name, a, p)
}

// weigh resolves the load of a question along the fork axis. travelMM and the leg air are those
// of the fork at hand.
func weigh(q *Question, legs legAir) (Load, spring.Status) {
	l := loading{q: q}
	l.Terms = make([]Term, 0, 12)
	status := spring.OK
	if q.Load.AxialN != nil {
		f := l.given("axial_n", *q.Load.AxialN, "N")
		l.AxialN, l.AxialLowN, l.AxialHighN = f, f, f
	} else {
		status = l.axial()
	}
	l.FrictionN = l.take("friction_n", q.Load.FrictionN, spring.AssumedFriction(), FromMemory).Value
	l.legs(legs)
	return l.Load, status
}

func (l *loading) axial() spring.Status {
	q := l.q
	m := spring.Load{BikeKG: l.given("bicycle_kg", q.Bicycle.MassKG, "kg")}
	m.RiderKG = l.rider()
	m.UnsprungKG = l.take("unsprung_kg", q.Load.UnsprungKG, spring.AssumedUnsprung(), FromMemory).Value
	var angle *float64
	if q.Bicycle.Frame.HeadAngleDeg > 0 {
		angle = &q.Bicycle.Frame.HeadAngleDeg
	}
	m.HeadDegrees = l.take("head_angle_deg", angle, spring.AssumedHeadAngle(), FromMemory).Value
	rider := l.riderShare()
	bike := l.take("front_share_bicycle", q.Load.FrontShareBicycle, spring.AssumedBikeShare(), CommonPractice)
	with := func(r, b float64) (spring.Forces, spring.Status) {
		m.RiderShare, m.BikeShare = r, b
		return m.Forces()
	}
	low, _ := with(rider.Low, bike.Low)
	high, _ := with(rider.High, bike.High)
	mid, status := with(rider.Value, bike.Value)
	l.WheelN, l.SprungN, l.AxialN, l.AcrossN = mid.WheelN, mid.SprungN, mid.AxialN, mid.AcrossN
	l.AxialLowN, l.AxialHighN = low.AxialN, high.AxialN
	l.HeadDegrees = m.HeadDegrees
	l.NPerRiderKG = unit.GravityMPerS2 * rider.Value * math.Sin(m.HeadDegrees*unit.RadiansPerDeg)
	return status
}

func (l *loading) rider() float64 {
	m := l.given("rider_kg", l.q.Rider.MassKG, "kg")
	if l.q.Rider.MassIs == "bare" {
		m += l.take("gear_kg", l.q.Rider.GearKG, spring.AssumedGear(), CommonPractice).Value
	}
	return m
}

func kitted(r Rider) float64 {
	if r.MassIs == "bare" {
		return r.MassKG + or(r.GearKG, spring.AssumedGear().Value)
	}
	return r.MassKG
}

// riderShare is the rider's share on the front wheel: as given, by statics from frame figures,
// or by the stance.
func (l *loading) riderShare() spring.Assumed {
	const name = "front_share_rider"
	q := l.q
	f := q.Bicycle.Frame
	switch {
	case q.Load.FrontShareRider != nil:
		return l.take(name, q.Load.FrontShareRider, spring.Assumed{}, Given)
	case q.Stance == "seated":
		return l.assume(name, spring.AssumedSeatedShare(), CommonPractice)
	case f.ChainstayMM == 0 || f.WheelbaseMM == 0 || f.GripAheadMM == 0:
		return l.assume(name, spring.AssumedStandingShare(f.WheelbaseMM), Derived)
	}
	hands := l.take("hand_share", q.Load.HandShare, spring.AssumedHands(), FromMemory)
	frame := spring.Frame{ChainstayMM: f.ChainstayMM, WheelbaseMM: f.WheelbaseMM, GripMM: f.GripAheadMM}
	a := spring.Assumed{Source: "statics of a rider standing on level pedals, (c + h r)/w, from the frame figures given"}
	a.Value, _ = frame.StandingShare(hands.Value)
	a.Low, _ = frame.StandingShare(hands.Low)
	a.High, _ = frame.StandingShare(hands.High)
	return l.assume(name, a, Derived)
}

// legs takes the air of the lower legs off the load, or leaves it to the curve.
func (l *loading) legs(a legAir) {
	l.Terms = append(l.Terms, a.term)
	l.LegsInCurve = a.inCurve
	if !a.inCurve {
		l.LegAirN, l.LegAirLowN, l.LegAirHighN, l.LegPushN = a.term.Value, a.term.Low, a.term.High, a.pushN
		if a.pushN != 0 {
			l.Terms = append(l.Terms, Term{"lower_leg_push_n", a.pushN, a.pushN, a.pushN, "N", Derived,
				"area of both stanchions times the difference of air pressure between where the legs were closed and where it is ridden"})
		}
	}
	l.SpringN = l.AxialN - l.LegAirN - l.LegPushN
	l.SpringLowN = l.AxialLowN - l.LegAirHighN - l.LegPushN
	l.SpringHighN = l.AxialHighN - l.LegAirLowN - l.LegPushN
}

// legAir is what is known of the air in the lower legs: a force at the target sag, or a volume
// that becomes part of the curve.
type legAir struct {
	term    Term
	pushN   float64
	inCurve bool
	air     spring.LegAir
}

const legAirName = "lower_leg_air_n"

// legAirOf looks for the air in the lower legs where it is known best: the question, the
// maker's datum, the volume of the legs; else it is assumed. Vented legs have none.
func legAirOf(rev *catalog.Revision, q *Question, s surroundings) legAir {
	if v := q.Load.LowerLegAirN; v != nil {
		return legAir{term: Term{legAirName, *v, *v, *v, "N", Given, "said in the question"}}
	}
	if h := q.Hardware; h != nil && h.Legs != nil {
		n := h.Legs.Legs
		if n == 0 {
			n = 2
		}
		return sealed(spring.SealedLegs(n, h.Legs.StanchionMM, h.Legs.FreePerLegML, h.Legs.OilPerLegML, s.closedKPa), s, Given)
	}
	a := spring.AssumedLegAir()
	assumed := legAir{term: Term{legAirName, a.Value, a.Low, a.High, "N", Derived, a.Source}}
	if q.Owned == nil || q.Owned.Fork == nil {
		return assumed
	}
	c := rev.ChassisOf(q.Owned.Fork)
	if c == nil {
		return assumed
	}
	push := 2 * spring.BoreArea(c.StanchionMM) * (s.closedKPa - s.rideKPa) / unit.KPaPerMPa
	switch {
	case c.FreeLegVolumeML != nil && *c.FreeLegVolumeML == 0:
		return legAir{term: Term{legAirName, 0, 0, 0, "N", MakersDatum, "the legs are vented into the stanchions"}}
	case c.LegAirN != nil:
		return legAir{term: Term{legAirName, *c.LegAirN, *c.LegAirN, *c.LegAirN, "N", MakersDatum, "at 20 % of the travel"}, pushN: push}
	case c.FreeLegVolumeML != nil:
		if oil, ok := bathOil(rev, q.Owned.Fork); ok {
			air := spring.SealedLegs(2, c.StanchionMM, *c.FreeLegVolumeML, oil/2, s.closedKPa)
			return sealed(air, s, MakersDatum)
		}
	}
	assumed.pushN = push
	return assumed
}

// bathOil is the bath oil of both legs in mL, where both are in the catalog.
func bathOil(rev *catalog.Revision, f *catalog.Fork) (float64, bool) {
	if c := rev.ChassisOf(f); c.DamperLeg != "sealed" {
		return 0, false // its oil stands partly inside the stanchion
	}
	total := 0.0
	for _, leg := range [...]catalog.Leg{catalog.SpringLeg, catalog.DamperLeg} {
		x, ok := rev.Figure("fork", f.ID, "oil_volume", "bath", leg)
		if !ok {
			x, ok = rev.Figure("chassis", f.Chassis, "oil_volume", "bath", leg)
		}
		if !ok {
			return 0, false
		}
		ml, err := catalog.Published{Value: x.Value, Unit: x.Unit}.SI(unit.Volume)
		if err != nil {
			return 0, false
		}
		total += ml
	}
	return total, true
}

func sealed(a spring.LegAir, s surroundings, p Provenance) legAir {
	a.AmbientKPa = s.rideKPa
	return legAir{inCurve: true, air: a, term: Term{Name: "lower_leg_volume_ml", Value: a.FreeML - a.OilML, Low: a.FreeML - a.OilML, High: a.FreeML - a.OilML,
		Unit: "mL", Provenance: p, Source: "free volume of both lower legs less the bath oil; part of the force curve"}}
}

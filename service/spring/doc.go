// Package spring is the physics of a suspension fork's spring side: coils, air
// chambers, bump stops, sag. Numbers in, numbers out; no clock, no catalog.
//
// Units are coherent throughout: mm, N, N/mm, MPa, kg. What is read off a gauge
// or a measuring cup keeps its customary unit in its name (KPa, ML) and is
// converted once, when a Curve is built. Forces are per fork, the sum of both
// legs.
//
// A function that can be asked something outside its range answers with a
// Status instead of a silly number. Sources are named where the formula stands:
// "derived" means from mechanics, checked by independent code; "from memory"
// and "common practice, no source" mean exactly that and must be shown to
// whoever relies on the figure.
package spring

import "math"

// Status says whether a number may be used, and if not, why.
type Status string

// The statuses. Every one but OK, Engaged and NotEngaged forbids a recommendation.
const (
	OK              Status = "ok"
	InvalidInput    Status = "invalid_input"         // not finite, or not positive where it must be
	OutsideValidity Status = "outside_validity"      // computed, but beyond the range the formula is good for
	ToppedOut       Status = "topped_out"            // the load does not reach the force at full extension
	Bottomed        Status = "bottomed"              // the load reaches the force at full travel
	BelowMinimumGap Status = "below_minimum_gap"     // coils closer than the minimum gap before full travel
	CoilBind        Status = "coil_bind"             // coils touch before full travel
	Rattles         Status = "rattles"               // the spring is shorter than its cavity
	ChamberTooSmall Status = "chamber_too_small"     // the volume would reach zero within the travel
	Engaged         Status = "engaged"               // past the contact of a bump stop
	NotEngaged      Status = "not_engaged"           // before the contact of a bump stop
	OutsideTable    Status = "outside_table"         // beyond the last point of a maker's table
	BadTable        Status = "bad_table"             // a table that is not monotone, or empty
	BelowTable      Status = "below_table"           // the end row of the table is held
	AboveTable      Status = "above_table"           // the end row of the table is held
	RiderTooLight   Status = "rider_too_light"       // even the softest choice sags too little
	RiderTooHeavy   Status = "rider_too_heavy"       // even the stiffest choice sags too much
	GapInRange      Status = "gap_in_range"          // target lies between two choices, both too far away
	NoCandidate     Status = "no_candidate"          // nothing to choose from
	DoesNotExtend   Status = "does_not_extend"       // an air spring whose force at full extension is negative
	HighRatio       Status = "high_compression"      // compression ratio above 6: possible, check the entry
	BadRatio        Status = "implausible_ratio"     // compression ratio above 8: a data error
	ImplausibleWire Status = "implausible_stress"    // stress beyond what such wire can carry: a data error
	CannotBuckle    Status = "cannot_buckle"         // stable at any deflection
	NeedsGuide      Status = "guided_required"       // buckles within its travel unless guided
	WheelLifts      Status = "wheel_would_lift"      // the load on a wheel would be negative
	BadGeometry     Status = "geometry_out_of_range" // frame figures that contradict each other
)

// positive reports that every value is finite and above zero.
func positive(vs ...float64) bool {
	for _, v := range vs {
		if !(v > 0) || math.IsInf(v, 1) {
			return false
		}
	}
	return true
}

// notNegative reports that every value is finite and zero or more.
func notNegative(vs ...float64) bool {
	for _, v := range vs {
		if !(v >= 0) || math.IsInf(v, 1) {
			return false
		}
	}
	return true
}

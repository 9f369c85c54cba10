package spring

import (
	"math"

	"forkwright/service/unit"
)

const (
	gravity = unit.GravityMPerS2
	radians = unit.RadiansPerDeg
)

// Load is who and what stands on the front wheel, on level ground, at rest.
type Load struct {
	RiderKG     float64 // rider with gear as worn
	BikeKG      float64 // complete bicycle
	UnsprungKG  float64 // front wheel, tire, rotor, axle, lower legs
	RiderShare  float64 // share of the rider's weight on the front wheel, 0..1
	BikeShare   float64 // share of the bicycle's weight on the front wheel, 0..1
	HeadDegrees float64 // head angle from the horizontal
}

// Forces is what a Load does to the fork, in N.
type Forces struct {
	WheelN  float64 // vertical, at the tire
	SprungN float64 // vertical, what the fork holds up
	AxialN  float64 // along the fork axis, on the springs of both legs together
	AcrossN float64 // across it, carried by the bushings
}

// Forces resolves N = g (phi_r m_r + phi_b m_b), W = N - m_u g, F = W sin(theta),
// F_perp = W cos(theta). The unsprung part rests on the ground, not on the spring.
// Derived. WheelLifts when nothing is left for the fork to hold.
func (l Load) Forces() (Forces, Status) {
	if !notNegative(l.RiderKG, l.BikeKG, l.UnsprungKG, l.RiderShare, l.BikeShare) ||
		l.RiderShare > 1 || l.BikeShare > 1 || !(l.HeadDegrees > 0 && l.HeadDegrees <= 90) {
		return Forces{}, InvalidInput
	}
	wheel := gravity * (l.RiderShare*l.RiderKG + l.BikeShare*l.BikeKG)
	sprung := wheel - l.UnsprungKG*gravity
	sin, cos := math.Sincos(l.HeadDegrees * radians)
	f := Forces{WheelN: wheel, SprungN: sprung, AxialN: sprung * sin, AcrossN: sprung * cos}
	if sprung < 0 {
		return f, WheelLifts
	}
	return f, OK
}

// ImpliedRiderShare is the rider's share that explains an axial force in N, read from a
// measured sag: the inverse of Forces. It replaces the estimate for that rider.
// OutsideValidity where the result is no share.
func (l Load) ImpliedRiderShare(axialN float64) (float64, Status) {
	if !positive(l.RiderKG) || !notNegative(axialN, l.BikeKG, l.UnsprungKG, l.BikeShare) || !(l.HeadDegrees > 0 && l.HeadDegrees <= 90) {
		return 0, InvalidInput
	}
	wheel := axialN/math.Sin(l.HeadDegrees*radians) + l.UnsprungKG*gravity
	share := (wheel/gravity - l.BikeShare*l.BikeKG) / l.RiderKG
	if share < 0 || share > 1 {
		return share, OutsideValidity
	}
	return share, OK
}

// FrontShare is phi = sum(m x) / (sum(m) w): masses in kg, distances x ahead of the rear
// contact and wheelbase w in one unit of length. Derived; gives 0.3354 on the bicycle
// of Meijaard et al. 2007, Table 1.
func FrontShare(massesKG, ahead []float64, wheelbase float64) (share, totalKG float64, status Status) {
	if len(massesKG) == 0 || len(massesKG) != len(ahead) || !positive(wheelbase) || !notNegative(massesKG...) {
		return 0, 0, InvalidInput
	}
	var moment float64
	for i, m := range massesKG {
		if math.IsNaN(ahead[i]) || math.IsInf(ahead[i], 0) {
			return 0, 0, InvalidInput
		}
		totalKG += m
		moment += m * ahead[i]
	}
	if totalKG == 0 {
		return 0, 0, InvalidInput
	}
	share = moment / (totalKG * wheelbase)
	if share < 0 || share > 1 {
		return share, totalKG, WheelLifts
	}
	return share, totalKG, OK
}

// Frame is what standing on level pedals needs of a frame, all mm.
type Frame struct {
	ChainstayMM float64 // horizontal, bottom bracket to rear axle
	WheelbaseMM float64
	GripMM      float64 // grip ahead of the bottom bracket
}

// StandingShare is phi_r = (c + h r)/w of a rider standing on level pedals, h the share of
// the weight on the hands (0.05-0.15). Derived; h from memory. The grip must lie
// between the bottom bracket and the front axle, else BadGeometry.
func (f Frame) StandingShare(hands float64) (float64, Status) {
	if !positive(f.ChainstayMM, f.WheelbaseMM) || !notNegative(f.GripMM, hands) || hands > 1 {
		return 0, InvalidInput
	}
	if f.ChainstayMM+f.GripMM > f.WheelbaseMM {
		return 0, BadGeometry
	}
	share := (f.ChainstayMM + hands*f.GripMM) / f.WheelbaseMM
	if hands < 0.05 || hands > 0.15 {
		return share, OutsideValidity
	}
	return share, OK
}

// LeanShift is the change of the whole system's front share, (m_r/M) e/w, when the rider
// leans e ahead; e and wheelbase in one unit. Derived.
func LeanShift(riderKG, totalKG, ahead, wheelbase float64) float64 {
	return riderKG / totalKG * ahead / wheelbase
}

// Mass is rider and bicycle as one rigid body, for what-ifs.
type Mass struct {
	TotalKG   float64
	AheadMM   float64 // center of gravity ahead of the rear contact
	HeightMM  float64 // center of gravity above the ground
	Wheelbase float64 // mm
}

// OnSlope is the front share m g (b cos(beta) + h sin(beta))/w over m g, beta the slope in
// degrees, down positive; front brake holding the bicycle, rider rigid. Derived; a
// what-if, never a basis for sag.
func (m Mass) OnSlope(downDegrees float64) (float64, Status) {
	if !positive(m.TotalKG, m.AheadMM, m.HeightMM, m.Wheelbase) || !(math.Abs(downDegrees) < 90) {
		return 0, InvalidInput
	}
	sin, cos := math.Sincos(downDegrees * radians)
	share := (m.AheadMM*cos + m.HeightMM*sin) / m.Wheelbase
	if share < 0 || share > cos+1e-12 {
		return share, WheelLifts
	}
	return share, OK
}

// Braking is the front end under the front brake.
type Braking struct {
	WheelN float64 // vertical at the tire
	BrakeN float64 // rearward at the tire
	AxialN float64 // on the springs
}

// Braking adds the weight transfer M a h/w and the rearward force B = M a to the level
// load: F = (N - m_u g) sin(theta) + (B - m_u a) cos(theta), a in units of g. Front
// brake alone, steady, rider rigid. Derived; a what-if.
func (m Mass) Braking(decelerationG, unsprungKG, headDegrees float64) (Braking, Status) {
	if !positive(m.TotalKG, m.AheadMM, m.HeightMM, m.Wheelbase) || !notNegative(decelerationG, unsprungKG) ||
		!(headDegrees > 0 && headDegrees <= 90) {
		return Braking{}, InvalidInput
	}
	weight := m.TotalKG * gravity
	sin, cos := math.Sincos(headDegrees * radians)
	b := Braking{BrakeN: weight * decelerationG}
	b.WheelN = weight*m.AheadMM/m.Wheelbase + b.BrakeN*m.HeightMM/m.Wheelbase
	unsprung := unsprungKG * gravity
	b.AxialN = (b.WheelN-unsprung)*sin + (b.BrakeN-unsprung*decelerationG)*cos
	if b.WheelN > weight {
		return b, WheelLifts
	}
	return b, OK
}

// Slope is the front end on a slope, beta in degrees, down positive: N = M g (b cos(beta) +
// h sin(beta))/w across the slope. Downhill the front brake alone holds, B = M g sin(beta);
// uphill the rear wheel does, B = 0. Then F = (N - m_u g cos(beta)) sin(theta) + (B - m_u g
// sin(beta)) cos(theta), the head angle theta against the slope. Rider rigid. Derived; a
// what-if.
func (m Mass) Slope(downDegrees, unsprungKG, headDegrees float64) (Braking, Status) {
	if !notNegative(unsprungKG) || !(headDegrees > 0 && headDegrees <= 90) {
		return Braking{}, InvalidInput
	}
	share, s := m.OnSlope(downDegrees)
	if s != OK {
		return Braking{}, s
	}
	weight, unsprung := m.TotalKG*gravity, unsprungKG*gravity
	slopeSin, slopeCos := math.Sincos(downDegrees * radians)
	sin, cos := math.Sincos(headDegrees * radians)
	b := Braking{WheelN: weight * share, BrakeN: math.Max(0, weight*slopeSin)}
	b.AxialN = (b.WheelN-unsprung*slopeCos)*sin + (b.BrakeN-unsprung*slopeSin)*cos
	return b, OK
}

// Bushings is the geometry behind sliding friction of a conventional fork.
type Bushings struct {
	AxleBelowMM float64 // axle below the lower bushing
	ApartMM     float64 // between the bushings; fixed with the stroke in a conventional fork
	Friction    float64 // coefficient, from memory
	SealN       float64 // friction of the seals, from memory
}

// FrictionN is F_f = mu (R_low + R_up) + F_seal with R_low = F_perp (L + a)/a and
// R_up = F_perp L/a. Derived; typical breakaway is 15-50 N (from memory).
func (b Bushings) FrictionN(acrossN float64) (float64, Status) {
	if !positive(b.AxleBelowMM, b.ApartMM) || !notNegative(b.Friction, b.SealN, acrossN) {
		return 0, InvalidInput
	}
	low := acrossN * (b.AxleBelowMM + b.ApartMM) / b.ApartMM
	up := acrossN * b.AxleBelowMM / b.ApartMM
	return b.Friction*(low+up) + b.SealN, OK
}

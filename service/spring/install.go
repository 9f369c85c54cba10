package spring

import "math"

// Ends is how the ends of a coil are finished.
type Ends string

// The finishes of Shigley 10e Table 10-1.
const (
	Plain         Ends = "plain"
	PlainGround   Ends = "plain_ground"
	Squared       Ends = "squared"
	SquaredGround Ends = "squared_ground"
)

// ActiveCoils is n from the total n_t: all of them plain, one less plain and ground, two
// less squared (Shigley 10e Table 10-1).
func ActiveCoils(ends Ends, total float64) (float64, Status) {
	dead := map[Ends]float64{Plain: 0, PlainGround: 1, Squared: 2, SquaredGround: 2}
	d, known := dead[ends]
	if !known || !positive(total) || total <= d {
		return 0, InvalidInput
	}
	return total - d, OK
}

// SolidLength is L_s in mm: d n_t ground, d (n_t + 1) not ground (Shigley 10e
// Table 10-1). Where clearance matters use BlockLength.
func SolidLength(ends Ends, wireMM, total float64) (float64, Status) {
	if _, s := ActiveCoils(ends, total); s != OK || !positive(wireMM) {
		return 0, InvalidInput
	}
	if ends == PlainGround || ends == SquaredGround {
		return wireMM * total, OK
	}
	return wireMM * (total + 1), OK
}

// BlockLength is L_c in mm of a cold coiled spring with closed ends: n_t d ground,
// (n_t + 1.5) d not ground, d the wire diameter with its upper tolerance
// (EN 13906-1, through an open copy).
func BlockLength(ground bool, maxWireMM, total float64) float64 {
	if ground {
		return total * maxWireMM
	}
	return (total + 1.5) * maxWireMM
}

// GapSum is S_a = n (0.0015 D^2/d + 0.1 d) in mm, the gaps that must remain, static or
// up to 1e4 cycles; dynamic asks for half as much again, on the gaps alone
// (EN 13906-1, through an open copy).
func GapSum(active, meanMM, wireMM float64, dynamic bool) float64 {
	s := active * (0.0015*meanMM*meanMM/wireMM + 0.1*wireMM)
	if dynamic {
		s *= 1.5
	}
	return s
}

// FreeLength is L_0 = L_s + F/k in mm of a spring that is solid under F (Shigley 10e
// Eq. 10-3 ff.).
func FreeLength(solidMM, forceAtSolidN, rateNPerMM float64) float64 {
	return solidMM + forceAtSolidN/rateNPerMM
}

// Preload is p = L_0 - cavity in mm, where cavity is the length the hardware leaves at
// full extension. A spring shorter than its cavity Rattles: a catalog error.
func Preload(freeMM, cavityMM float64) (float64, Status) {
	switch {
	case !positive(freeMM, cavityMM):
		return 0, InvalidInput
	case freeMM < cavityMM:
		return 0, Rattles
	}
	return freeMM - cavityMM, OK
}

// Clearance is how far a coil is from bind in a fork.
type Clearance struct {
	BindMM   float64 // travel at which coils touch
	GapMM    float64 // travel at which the minimum gap is used up
	MarginMM float64 // GapMM - travel
	Status   Status  // OK, BelowMinimumGap or CoilBind
}

// CheckClearance spends free length on preload and travel alike:
// x_bind = L_0 - p - L_c, x_gap = L_0 - p - L_n, all mm, L_n = L_c + GapSum.
// Derived. Every spacer has to be checked again.
func CheckClearance(freeMM, blockMM, shortestMM, preloadMM, travelMM float64) Clearance {
	if !positive(freeMM, blockMM, travelMM) || !notNegative(preloadMM) || !(shortestMM >= blockMM) {
		return Clearance{Status: InvalidInput}
	}
	c := Clearance{BindMM: freeMM - preloadMM - blockMM, GapMM: freeMM - preloadMM - shortestMM, Status: OK}
	c.MarginMM = c.GapMM - travelMM
	switch {
	case travelMM > c.BindMM:
		c.Status = CoilBind
	case travelMM > c.GapMM:
		c.Status = BelowMinimumGap
	}
	return c
}

// Growth is the increase of the outside diameter in mm of a spring compressed to block
// with ends free to turn: 0.1 (m^2 - 0.8 m d - 0.2 d^2)/D, m pitch (EN 13906-1, from
// memory). Never negative.
func Growth(pitchMM, wireMM, meanMM float64) float64 {
	if !positive(pitchMM, wireMM, meanMM) {
		return 0
	}
	return math.Max(0, 0.1*(pitchMM*pitchMM-0.8*pitchMM*wireMM-0.2*wireMM*wireMM)/meanMM)
}

// BucklingCoefficient is pi sqrt(2 (E - G)/(2 G + E)), about 2.63 for steel (Shigley 10e
// Eq. 10-12).
func BucklingCoefficient(youngMPa, shearMPa float64) float64 {
	return math.Pi * math.Sqrt(2*(youngMPa-shearMPa)/(2*shearMPa+youngMPa))
}

// CriticalFreeLength is L_0cr = c D / alpha in mm: a shorter spring is stable. alpha is 0.5
// between parallel faces, 0.707 fixed and hinged, 1 hinged, 2 clamped and free
// (Shigley 10e Eq. 10-13, Table 10-2).
func CriticalFreeLength(coefficient, meanMM, alpha float64) (float64, Status) {
	if !positive(coefficient, meanMM, alpha) {
		return 0, InvalidInput
	}
	return coefficient * meanMM / alpha, OK
}

// BucklingTravel is the deflection s_K in mm at which an unguided coil buckles
// (EN 13906-1, through an open copy), q = G/E, seating nu 0.5, 0.7, 1 or 2.
// CannotBuckle where no such deflection exists, else NeedsGuide. Every fork coil
// needs its guide; it is no reason to refuse one.
func BucklingTravel(freeMM, meanMM, seating, youngMPa, shearMPa float64) (float64, Status) {
	if !positive(freeMM, meanMM, seating, youngMPa, shearMPa) || shearMPa >= youngMPa {
		return 0, InvalidInput
	}
	q := shearMPa / youngMPa
	slender := math.Pi * meanMM / (seating * freeMM)
	inside := 1 - (1-q)/(0.5+q)*slender*slender
	if inside < 0 {
		return 0, CannotBuckle
	}
	return 0.5 * freeMM / (1 - q) * (1 - math.Sqrt(inside)), NeedsGuide
}

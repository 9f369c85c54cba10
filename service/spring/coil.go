package spring

import "math"

// Index bounds. Cold coiled springs are covered by EN 13906-1 for 4 <= C <= 20
// with at least two active coils; below 4 a spring is hard to coil, above 12 it
// tangles and varies (Shigley 10e Eq. 10-18).
const (
	minIndex        = 4
	maxIndex        = 20
	maxHandyIndex   = 12
	minActiveCoils  = 2
	rateToleranceEN = 0.05
)

// GeometryTolerance is how far a rate from geometry may lie from a catalog rate
// before either is suspect: 5 %, because books differ by 3 % in G alone and 0.05
// mm of wire is worth 4 % of rate. It may confirm a catalog, never correct it.
func GeometryTolerance() float64 { return rateToleranceEN }

// MeanFromOuter is the mean coil diameter D = OD - d, in mm.
func MeanFromOuter(outerMM, wireMM float64) float64 { return outerMM - wireMM }

// MeanFromInner is the mean coil diameter D = ID + d, in mm.
func MeanFromInner(innerMM, wireMM float64) float64 { return innerMM + wireMM }

// Index is the spring index C = D/d.
func Index(meanMM, wireMM float64) float64 { return meanMM / wireMM }

// IndexIsHandy reports 4 <= C <= 12 (Shigley 10e Eq. 10-18).
func IndexIsHandy(index float64) bool { return index >= minIndex && index <= maxHandyIndex }

// Rate is k = G d^4 / (8 D^3 n) in N/mm: shear modulus G in MPa, wire d and mean
// diameter D in mm, n active coils.
//
// Good for round wire, a small pitch angle, 4 <= C <= 20, n >= 2, no coil
// contact; beyond that the number comes with OutsideValidity. Shigley 10e
// Eq. 10-9; scope after EN 13906-1.
func Rate(shearMPa, wireMM, meanMM, active float64) (float64, Status) {
	if !positive(shearMPa, wireMM, meanMM, active) {
		return 0, InvalidInput
	}
	k := shearMPa * math.Pow(wireMM, 4) / (8 * math.Pow(meanMM, 3) * active)
	if c := Index(meanMM, wireMM); c < minIndex || c > maxIndex || active < minActiveCoils {
		return k, OutsideValidity
	}
	return k, OK
}

// CoilsForRate is the number of active coils n = G d^4 / (8 D^3 k) that gives a
// rate k in N/mm. Same range and source as Rate.
func CoilsForRate(shearMPa, wireMM, meanMM, rateNPerMM float64) (float64, Status) {
	if !positive(shearMPa, wireMM, meanMM, rateNPerMM) {
		return 0, InvalidInput
	}
	n := shearMPa * math.Pow(wireMM, 4) / (8 * math.Pow(meanMM, 3) * rateNPerMM)
	_, s := Rate(shearMPa, wireMM, meanMM, n)
	return n, s
}

// Parallel is the rate of springs side by side, k1 + k2 + ..., in N/mm.
func Parallel(rates ...float64) float64 {
	var k float64
	for _, r := range rates {
		k += r
	}
	return k
}

// Series is the rate of springs end to end, 1/k = 1/k1 + 1/k2 + ..., in N/mm;
// zero when one of them carries nothing.
func Series(rates ...float64) float64 {
	var soft float64
	for _, r := range rates {
		if !(r > 0) {
			return 0
		}
		soft += 1 / r
	}
	if soft == 0 {
		return 0
	}
	return 1 / soft
}

// Staged is a spring with a second one that joins after a gap.
type Staged struct {
	FirstNPerMM  float64
	SecondNPerMM float64
	GapMM        float64
}

// StagedLoad is how a staged pair shares a load.
type StagedLoad struct {
	FirstN, SecondN   float64
	FirstMM, SecondMM float64 // deflection of each
}

// Under solves F = k1 x + k2 max(0, x - gap) for a load in N. Derived; agrees
// with Bhandari, Design of Machine Elements, Ex. 10.19.
func (s Staged) Under(loadN float64) (StagedLoad, Status) {
	if !positive(s.FirstNPerMM) || !notNegative(s.SecondNPerMM, s.GapMM, loadN) {
		return StagedLoad{}, InvalidInput
	}
	x := loadN / s.FirstNPerMM
	if x > s.GapMM {
		x = (loadN + s.SecondNPerMM*s.GapMM) / (s.FirstNPerMM + s.SecondNPerMM)
	}
	second := math.Max(0, x-s.GapMM)
	return StagedLoad{
		FirstN: s.FirstNPerMM * x, SecondN: s.SecondNPerMM * second,
		FirstMM: x, SecondMM: second,
	}, OK
}

// Wahl is the curvature factor K_W = (4C - 1)/(4C - 4) + 0.615/C, for C > 1
// (Shigley 10e Eq. 10-4 ff.).
func Wahl(index float64) float64 { return (4*index-1)/(4*index-4) + 0.615/index }

// Bergstraesser is the curvature factor K_B = (4C + 2)/(4C - 3), for C > 0.75
// (Shigley 10e Eq. 10-5; EN 13906-1 writes it (w + 0.5)/(w - 0.75)). It is the one
// to use with Shigley's limits and in all fatigue work.
func Bergstraesser(index float64) float64 { return (4*index + 2) / (4*index - 3) }

// Stress is the shear stress tau = K 8 F D / (pi d^3) in MPa; factor K is 1 for the
// uncorrected stress that EN 13906-1 compares at block (Shigley 10e Eq. 10-7).
func Stress(forceN, meanMM, wireMM, factor float64) float64 {
	return factor * 8 * forceN * meanMM / (math.Pi * wireMM * wireMM * wireMM)
}

// ForceAtStress is Stress solved for the force, in N.
func ForceAtStress(stressMPa, meanMM, wireMM, factor float64) float64 {
	return stressMPa * math.Pi * wireMM * wireMM * wireMM / (8 * factor * meanMM)
}

// StressPlausible flags a data entry: uncorrected stress at full travel above 0.75
// of the tensile strength is beyond what even preset springs are run at (limits
// after preset from memory). It certifies nothing.
func StressPlausible(uncorrectedMPa, tensileMPa float64) Status {
	switch {
	case !positive(tensileMPa) || !notNegative(uncorrectedMPa):
		return InvalidInput
	case uncorrectedMPa > 0.75*tensileMPa:
		return ImplausibleWire
	}
	return OK
}

// PreloadForce is F = k p in N. Preload is a length, a property of the hardware;
// the force follows the rate, and the rate does not change.
func PreloadForce(rateNPerMM, preloadMM float64) float64 { return rateNPerMM * preloadMM }

// PreloadLength is the length p = F/k in mm that gives a preload force.
func PreloadLength(rateNPerMM, forceN float64) (float64, Status) {
	if !positive(rateNPerMM) || !notNegative(forceN) {
		return 0, InvalidInput
	}
	return forceN / rateNPerMM, OK
}

// SurgeFrequency is f = 0.5 sqrt(k/m) in Hz for a spring of active mass m in kg
// seated at both ends (Shigley 10e section 10-8). Fork coils surge near 80 Hz, far
// above ride frequencies.
func SurgeFrequency(rateNPerMM, activeMassKG float64) (float64, Status) {
	if !positive(rateNPerMM, activeMassKG) {
		return 0, InvalidInput
	}
	return 0.5 * math.Sqrt(rateNPerMM*1000/activeMassKG), OK
}

// Package fastener judges whether a torque that somebody typed can be meant. It never
// produces one: a torque, with its unit, is the part maker's own, and where it is not
// known the answer is that it is not known. Thin aluminum threads and crush washers
// are not covered by any formula here.
package fastener

import (
	"math"

	"forkwright/service/unit"
)

// Status is a judgment of an entry.
type Status string

// The statuses.
const (
	Plausible    Status = "plausible"
	Implausible  Status = "implausible"    // outside the range such a fastener can have: check number and unit
	NoRange      Status = "no_range_known" // nothing to compare with; says nothing about the entry
	InvalidInput Status = "invalid_input"
)

// Kind is a fastener whose range is known.
type Kind string

// The kinds.
const (
	TopCap       Kind = "top_cap"
	FootFastener Kind = "foot_fastener"
	Axle         Kind = "axle"
	AnyFastener  Kind = "any" // of a fork, where no narrower range is known
)

// Judgment says whether an entry can be meant, and if not, which slip of unit would explain
// it. The range is a fence for typing errors (from memory), no setting.
type Judgment struct {
	Status Status
	Far    bool // beyond three times the range or below a third of it: it cannot be right
	LowNM  float64
	HighNM float64
	// Slip is the unit in which the same number would be plausible, "" when none is.
	Slip string
}

// Range is the fence of a kind in N m.
func Range(kind Kind) (low, high float64, known bool) {
	switch kind {
	case TopCap:
		return 10, 35, true
	case FootFastener:
		return 3, 12, true
	case Axle:
		return 5, 25, true
	case AnyFastener:
		return 0.5, 60, true
	}
	return 0, 0, false
}

// Judge compares a torque in N m, as entered after conversion, with the fence of its kind,
// and names the unit that the bare number was probably in: number is the figure as typed.
func Judge(kind Kind, torqueNM, number float64) Judgment {
	if !(torqueNM > 0) || !(number > 0) || math.IsInf(torqueNM+number, 1) {
		return Judgment{Status: InvalidInput}
	}
	low, high, known := Range(kind)
	if !known {
		return Judgment{Status: NoRange}
	}
	j := Judgment{Status: Plausible, LowNM: low, HighNM: high}
	if torqueNM >= low && torqueNM <= high {
		return j
	}
	j.Status, j.Far = Implausible, torqueNM < low/3 || torqueNM > high*3
	for _, u := range [3]struct {
		unit   string
		factor float64
	}{{"in-lbf", unit.NMPerInLbf}, {"N m", 1}, {"ft-lbf", unit.NMPerFtLbf}} {
		if t := number * u.factor; t >= low && t <= high {
			j.Slip = u.unit
			break
		}
	}
	return j
}

// ProofForce is F = share A_t S_p in N: stress area in mm^2, proof strength in MPa.
func ProofForce(share, stressAreaMM2, proofMPa float64) float64 {
	return share * stressAreaMM2 * proofMPa
}

// ShortForm is T = K F d in N m: nut factor K, force in N, nominal diameter in mm (Shigley 10e
// Eq. 8-27). K is about 0.20 dry, 0.18 lubricated; with a torque wrench the force scatters
// by 25-30 % (from memory). For checking entries only.
func ShortForm(nutFactor, forceN, diameterMM float64) (float64, Status) {
	if !positive(nutFactor, forceN, diameterMM) {
		return 0, InvalidInput
	}
	return nutFactor * forceN * diameterMM / 1000, Plausible
}

// ForceFrom is ShortForm solved for the force in N, to see what an entered torque would do.
func ForceFrom(torqueNM, nutFactor, diameterMM float64) (float64, Status) {
	if !positive(torqueNM, nutFactor, diameterMM) {
		return 0, InvalidInput
	}
	return torqueNM * 1000 / (nutFactor * diameterMM), Plausible
}

// Thread is a 60 degree thread with a bearing face, lengths in mm.
type Thread struct {
	PitchMM        float64
	PitchDiameter  float64 // d_2
	BearingMM      float64 // D_km, mean diameter of the face
	ThreadFriction float64 // mu_t
	FaceFriction   float64 // mu_h
}

// LongForm is T = F [d_2/2 tan(lead + rho') + mu_h D_km/2] in N m with tan(lead) = P/(pi d_2) and
// tan(rho') = mu_t/cos 30 (outline of DIN 946, ISO 16047). For checking entries only.
func (t Thread) LongForm(forceN float64) (float64, Status) {
	if !positive(t.PitchMM, t.PitchDiameter, forceN) || !(t.BearingMM >= 0) || !(t.ThreadFriction >= 0) || !(t.FaceFriction >= 0) {
		return 0, InvalidInput
	}
	lead := math.Atan(t.PitchMM / (math.Pi * t.PitchDiameter))
	friction := math.Atan(t.ThreadFriction / math.Cos(math.Pi/6))
	arm := t.PitchDiameter/2*math.Tan(lead+friction) + t.FaceFriction*t.BearingMM/2
	return forceN * arm / 1000, Plausible
}

func positive(vs ...float64) bool {
	for _, v := range vs {
		if !(v > 0) || math.IsInf(v, 1) {
			return false
		}
	}
	return true
}

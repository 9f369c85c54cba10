package spring

import "math"

// Heave is a fork with a fixed wheel and a mass on top, for engineering eyes only: real
// dampers are not linear and nothing published was found for bicycles.
type Heave struct {
	VerticalRateNPerMM float64 // k_v = k/sin^2(theta)
	FrequencyHz        float64 // sqrt(k_v/m)/(2 pi)
	CriticalNSPerM     float64 // along the axis, 2 sin(theta) sqrt(k m)
}

// NewHeave takes the axial rate in N/mm, the sprung mass on the fork in kg and the head
// angle in degrees. Derived.
func NewHeave(rateNPerMM, massKG, headDegrees float64) (Heave, Status) {
	if !positive(rateNPerMM, massKG) || !(headDegrees > 0 && headDegrees <= 90) {
		return Heave{}, InvalidInput
	}
	sin := math.Sin(headDegrees * radians)
	vertical := rateNPerMM / (sin * sin)
	return Heave{
		VerticalRateNPerMM: vertical,
		FrequencyHz:        math.Sqrt(vertical*1000/massKG) / (2 * math.Pi),
		CriticalNSPerM:     2 * sin * math.Sqrt(rateNPerMM*1000*massKG),
	}, OK
}

// Ratio is zeta of an axial damping in N s/m.
func (h Heave) Ratio(dampingNSPerM float64) float64 { return dampingNSPerM / h.CriticalNSPerM }

// Damping is the axial damping in N s/m for a ratio zeta.
func (h Heave) Damping(ratio float64) float64 { return ratio * h.CriticalNSPerM }

// DampingScale is sqrt(k2 m2/(k1 m1)), the factor on damping that keeps zeta. It says nothing
// about clicks. Derived.
func DampingScale(rate1, mass1, rate2, mass2 float64) (float64, Status) {
	if !positive(rate1, mass1, rate2, mass2) {
		return 0, InvalidInput
	}
	return math.Sqrt(rate2 * mass2 / (rate1 * mass1)), OK
}

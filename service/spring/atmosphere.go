package spring

import (
	"math"

	"forkwright/service/unit"
)

// Constants of the standard atmosphere (ISO 2533, US Standard Atmosphere 1976).
const (
	seaLevelK    = 288.15
	lapseKPerM   = 0.0065
	molarMass    = 28.9644 // kg/kmol
	gasConstant  = 8314.32 // J/(kmol K)
	earthRadiusM = 6356766
	tropopauseM  = 11000
	lowestM      = -2000
)

// SeaLevelKPa is the standard pressure at sea level, absolute.
const SeaLevelKPa = 101.325

// Air is the standard atmosphere at a height.
type Air struct {
	PressureKPa float64
	TempK       float64
}

// Atmosphere is p = 101.325 (1 - 0.0065 H/288.15)^(g M/(0.0065 R)) kPa and
// T = 288.15 - 0.0065 H K at a geopotential height in m, -2000 to 11000 (ISO 2533).
// Weather moves p by 3 % (from memory).
func Atmosphere(heightM float64) (Air, Status) {
	if !(heightM >= lowestM && heightM <= tropopauseM) {
		return Air{}, OutsideValidity
	}
	t := seaLevelK - lapseKPerM*heightM
	exponent := gravity * molarMass / (gasConstant * lapseKPerM)
	return Air{PressureKPa: SeaLevelKPa * math.Pow(t/seaLevelK, exponent), TempK: t}, OK
}

// Geopotential converts a geometric height Z in m: H = r Z/(r + Z) (ISO 2533). At 3000 m it
// is worth 13 Pa.
func Geopotential(geometricM float64) float64 {
	return earthRadiusM * geometricM / (earthRadiusM + geometricM)
}

// Place is where a gauge is read.
type Place struct {
	AmbientKPa float64 // absolute
	TempC      float64
}

// GaugeShift is what the gauge of a sealed rigid chamber shows elsewhere:
// p_2 = p_1 T_2/T_1 with absolute pressures and kelvin, ambient taken off again. Derived
// from the ideal gas law. OutsideValidity for a result below vacuum.
func GaugeShift(gaugeKPa float64, from, to Place) (float64, Status) {
	t1, t2 := from.TempC+unit.KelvinAtZeroC, to.TempC+unit.KelvinAtZeroC
	if !positive(t1, t2, from.AmbientKPa, to.AmbientKPa) || !notNegative(gaugeKPa+from.AmbientKPa) {
		return 0, InvalidInput
	}
	return (gaugeKPa+from.AmbientKPa)*t2/t1 - to.AmbientKPa, OK
}

// AfterHose is the gauge pressure a pump shows when its hose, at ambient pressure, is
// joined to a chamber again: p_g V/(V + V_hose), same temperature. Derived. A hose of
// 4-8 mL on 20 mL makes 100 read 83-71; it is no leak.
func AfterHose(gaugeKPa, chamberML, hoseML float64) (float64, Status) {
	if !positive(chamberML) || !notNegative(hoseML, gaugeKPa) {
		return 0, InvalidInput
	}
	return gaugeKPa * chamberML / (chamberML + hoseML), OK
}

package spring

import (
	"math"

	"forkwright/service/unit"
)

// ShearAt is G(T) = G20 [1 - r (T - 20)], T in degrees C, r per K. For EN 10270-1 and
// -2 steels r is 0.25e-3, for stainless EN 10270-3 0.40e-3 (EN 13906-1, through an
// open copy). Good from -40 to +120 degrees C.
func ShearAt(shear20 float64, tempC, perK float64) (float64, Status) {
	if !positive(shear20) || !notNegative(perK) || math.IsNaN(tempC) {
		return 0, InvalidInput
	}
	g := shear20 * TemperatureRatio(tempC, perK)
	if tempC < -40 || tempC > 120 {
		return g, OutsideValidity
	}
	return g, OK
}

// CarbonSteelPerK is r of ShearAt for EN 10270-1 and -2 wire.
const CarbonSteelPerK = 0.25e-3

// TemperatureRatio is G(T)/G20 = k(T)/k20 = 1 - r (T - 20). A coil fork changes 1.5 %
// between -15 and +45 degrees C.
func TemperatureRatio(tempC, perK float64) float64 { return 1 - perK*(tempC-20) }

// StrengthPower is S_ut = A / d^m in MPa: A in MPa mm^m, d in mm (Shigley 10e Eq.
// 10-14, Table 10-4).
func StrengthPower(aMPa, m, wireMM float64) (float64, Status) {
	if !positive(aMPa, wireMM) || !notNegative(m) {
		return 0, InvalidInput
	}
	return aMPa / math.Pow(wireMM, m), OK
}

// MPaPerKPSI is the factor of kPa per psi, a thousand of each.
const MPaPerKPSI = unit.KPaPerPSI

// PowerConstantSI converts A of StrengthPower from kpsi in^m to MPa mm^m: the unit of A
// contains the exponent, so a plain pressure factor would be wrong.
func PowerConstantSI(aKPSI, m float64) float64 {
	return aKPSI * MPaPerKPSI * math.Pow(unit.MMPerInch, m)
}

// StrengthLog is R_m = R_m0 - a log10(d) in MPa, d in mm: base ten, not natural
// (EN 10270-1/-2 regressions, through an open copy; verify against the standard
// before printing them). A cap of zero means none.
func StrengthLog(r0MPa, slopeMPa, wireMM, capMPa float64) (float64, Status) {
	if !positive(r0MPa, wireMM) || !notNegative(slopeMPa, capMPa) {
		return 0, InvalidInput
	}
	r := r0MPa - slopeMPa*math.Log10(wireMM)
	if capMPa > 0 {
		r = math.Min(r, capMPa)
	}
	return r, OK
}

// TorsionalYield is the static shear limit as a share of the tensile strength: 0.45
// music and hard drawn (Shigley 10e Prob. 10-3), 0.50 hardened and tempered (from
// memory).
func TorsionalYield(tensileMPa, share float64) float64 { return share * tensileMPa }

// Grade names a spring wire.
type Grade string

// The grades with data here.
const (
	MusicA228      Grade = "A228"
	HardDrawnA227  Grade = "A227"
	OilTemperA229  Grade = "A229"
	ChromeVanA232  Grade = "A232"
	ChromeSilA401  Grade = "A401"
	EN10270SM      Grade = "EN10270-1-SM"
	EN10270SH      Grade = "EN10270-1-SH"
	EN10270DH      Grade = "EN10270-1-DH"
	EN10270FDCrV   Grade = "EN10270-2-FDCrV"
	EN10270FDSiCr  Grade = "EN10270-2-FDSiCr"
	EN10270VDSiCr  Grade = "EN10270-2-VDSiCr"
	tableShigley10       = "Shigley 10e Table 10-4 and 10-5"
	openCopyEN           = "EN 10270, from an open copy of its tables"
)

// Wire is what is known of a wire of one grade and diameter.
type Wire struct {
	TensileMPa float64 // minimum tensile strength
	ShearMPa   float64 // G at 20 degrees C
	YoungMPa   float64 // E at 20 degrees C
	Source     string
}

type grade struct {
	name     Grade
	from, to float64 // wire diameter, mm
	a, m     float64 // power law; a is R_m0 and m the slope when log
	cap      float64
	log      bool
	shear    [4]float64 // wire below 0.8, to 1.6, to 3, above 3 mm
	young    [4]float64
	source   string
}

func same(v float64) [4]float64 { return [4]float64{v, v, v, v} }

func grades() []grade {
	music, drawn := [4]float64{82700, 81700, 81000, 80000}, [4]float64{80700, 80000, 79300, 78600}
	return []grade{
		{MusicA228, 0.10, 6.5, 2211, 0.145, 0, false, music, [4]float64{203400, 200000, 196500, 193000}, tableShigley10},
		{HardDrawnA227, 0.7, 12.7, 1783, 0.190, 0, false, drawn, [4]float64{198600, 197900, 197200, 196500}, tableShigley10 + "; middle E from memory"},
		{OilTemperA229, 0.5, 12.7, 1855, 0.187, 0, false, same(77200), same(196500), tableShigley10},
		{ChromeVanA232, 0.8, 11.1, 2005, 0.168, 0, false, same(77200), same(203400), tableShigley10},
		{ChromeSilA401, 1.6, 9.5, 1974, 0.108, 0, false, same(77200), same(203400), tableShigley10},
		{EN10270SM, 0.28, 20, 1971, 740, 2370, true, same(81500), same(206000), openCopyEN},
		{EN10270SH, 0.28, 20, 2220, 820, 2660, true, same(81500), same(206000), openCopyEN},
		{EN10270DH, 0.28, 20, 2218, 817, 2800, true, same(81500), same(206000), openCopyEN},
		{EN10270FDCrV, 0.5, 17, 1906, 464, 2000, true, same(79500), same(206000), openCopyEN},
		{EN10270FDSiCr, 0.5, 17, 2103, 435, 2100, true, same(79500), same(206000), openCopyEN},
		{EN10270VDSiCr, 0.5, 10, 2125, 466, 2080, true, same(79500), same(206000), openCopyEN},
	}
}

// WireOf looks up strength and moduli. The two systems of standards differ by 8 % in
// strength and 3 % in G for the same alloy. InvalidInput for an unknown grade,
// OutsideTable (and no numbers) for a diameter the table does not cover.
func WireOf(name Grade, wireMM float64) (Wire, Status) {
	for _, g := range grades() {
		if g.name != name {
			continue
		}
		if !(wireMM >= g.from && wireMM <= g.to) {
			return Wire{}, OutsideTable
		}
		step := 3
		for i, limit := range [3]float64{0.8, 1.61, 3.0000001} {
			if wireMM < limit {
				step = i
				break
			}
		}
		w := Wire{ShearMPa: g.shear[step], YoungMPa: g.young[step], Source: g.source}
		if g.log {
			w.TensileMPa, _ = StrengthLog(g.a, g.m, wireMM, g.cap)
		} else {
			w.TensileMPa, _ = StrengthPower(g.a, g.m, wireMM)
		}
		return w, OK
	}
	return Wire{}, InvalidInput
}

// Fatigue is an infinite-life check of a coil, for engineering eyes only: fork coils
// that bottom rarely fail it on full-stroke cycles and live.
type Fatigue struct {
	AmplitudeMPa float64 // tau_a, with K_B
	MidrangeMPa  float64 // tau_m, with K_B
	EnduranceMPa float64 // S_se, Goodman intercept
	SafetyFactor float64 // n_f
}

// Zimmerli's strengths for wire below 10 mm, 35/55 and 57.5/77.5 kpsi (Shigley 10e Eq. 10-28,
// 10-29), in MPa.
const (
	unpeenedAmplitude, unpeenedMidrange = 35 * MPaPerKPSI, 55 * MPaPerKPSI
	peenedAmplitude, peenedMidrange     = 57.5 * MPaPerKPSI, 77.5 * MPaPerKPSI
)

// Goodman computes the factor 1/n_f = tau_a/S_se + tau_m/S_su between two forces in N
// with S_su = 0.67 S_ut and S_se = S_sa/(1 - S_sm/S_su), K_B on both stresses
// (Shigley 10e section 10-9). Wire below 10 mm.
func Goodman(lowN, highN, meanMM, wireMM, tensileMPa float64, peened bool) (Fatigue, Status) {
	if !positive(meanMM, wireMM, tensileMPa) || !notNegative(lowN, highN) || highN < lowN || meanMM <= 0.75*wireMM {
		return Fatigue{}, InvalidInput
	}
	sa, sm := unpeenedAmplitude, unpeenedMidrange
	if peened {
		sa, sm = peenedAmplitude, peenedMidrange
	}
	su := 0.67 * tensileMPa
	if su <= sm {
		return Fatigue{}, OutsideValidity
	}
	kb := Bergstraesser(Index(meanMM, wireMM))
	f := Fatigue{
		AmplitudeMPa: Stress((highN-lowN)/2, meanMM, wireMM, kb),
		MidrangeMPa:  Stress((highN+lowN)/2, meanMM, wireMM, kb),
		EnduranceMPa: sa / (1 - sm/su),
	}
	use := f.AmplitudeMPa/f.EnduranceMPa + f.MidrangeMPa/su
	if use == 0 {
		return f, InvalidInput
	}
	f.SafetyFactor = 1 / use
	if wireMM >= 10 {
		return f, OutsideValidity
	}
	return f, OK
}

package setup

import (
	"math"

	"forkwright/service/spring"
)

// Geometry is a maker's own spring, to be looked at before it is sold.
type Geometry struct {
	WireMM       float64
	MeanMM       float64 // or one of the next two
	OuterMM      float64
	InnerMM      float64
	ActiveCoils  float64 // 0: from the total and the ends
	TotalCoils   float64
	Ends         spring.Ends
	FreeLengthMM float64
	SleeveMM     float64
	Material     string
	ShearMPa     float64 // instead of the material's
	WireUpperMM  float64 // upper tolerance of the wire
	RateNPerMM   float64 // as stated by the maker; 0: none
	TravelMM     float64 // 0: installation is not looked at
	PreloadMM    float64
	BoreMM       float64
	ShaftMM      float64
	TemperatureC *float64
}

// Finding is one thing to look at in an assessed spring.
type Finding struct {
	Code, Text string
	Severe     bool // not to be used as it is
}

// Assessment is what follows from a geometry. It confirms or questions a stated rate and never
// corrects it; it neither designs nor certifies a spring.
type Assessment struct {
	RateNPerMM       float64
	RateStatus       spring.Status
	StatedNPerMM     float64
	DifferenceShare  float64 // rate from geometry over the stated one, less one
	Agrees           bool    // within 5 %
	TolerancePercent float64
	RateAtTempNPerMM float64

	MeanMM, OuterMM, InnerMM float64
	Index                    float64
	ActiveCoils              float64
	SolidMM                  float64 // Shigley 10e Table 10-1
	BlockMM                  float64 // EN 13906-1, with the wire at its upper tolerance
	GapStaticMM              float64
	GapDynamicMM             float64
	ShortestMM               float64 // block length and static gaps
	GrowthMM                 float64 // of the outside when solid
	Clearance                *spring.Clearance
	DynamicMarginMM          float64

	ShearMPa, TensileMPa float64
	WireSource           string
	Bergstraesser, Wahl  float64
	StressMPa            float64 // uncorrected, at full travel
	CorrectedMPa         float64
	StressAtBlockMPa     float64 // uncorrected
	BlockLimitMPa        float64 // 0.56 of the tensile strength, springs that were not preset
	StressStatus         spring.Status
	BucklesAtMM          float64 // unguided; every fork coil is guided
	SurgeHz              float64
	ActiveMassKG         float64
	Findings             []Finding
}

// AssessSpring looks at a maker's own geometry. The error is a fault about the figures.
func AssessSpring(g Geometry) (Assessment, error) {
	if err := g.check(); err != nil {
		return Assessment{}, err
	}
	a := Assessment{MeanMM: g.mean(), ActiveCoils: g.active(), StatedNPerMM: g.RateNPerMM, TolerancePercent: 100 * spring.GeometryTolerance()}
	a.OuterMM, a.InnerMM, a.Index = a.MeanMM+g.WireMM, a.MeanMM-g.WireMM, spring.Index(a.MeanMM, g.WireMM)
	wire, known := spring.WireOf(spring.Grade(g.Material), g.WireMM)
	a.ShearMPa, a.TensileMPa, a.WireSource = wire.ShearMPa, wire.TensileMPa, wire.Source
	if g.ShearMPa > 0 {
		a.ShearMPa = g.ShearMPa
	}
	a.RateNPerMM, a.RateStatus = spring.Rate(a.ShearMPa, g.WireMM, a.MeanMM, a.ActiveCoils)
	a.RateAtTempNPerMM = a.RateNPerMM * spring.TemperatureRatio(or(g.TemperatureC, 20), spring.CarbonSteelPerK)
	a.Bergstraesser, a.Wahl = spring.Bergstraesser(a.Index), spring.Wahl(a.Index)
	a.rate(&g)
	a.lengths(&g)
	a.stress(&g, wire, known)
	return a, nil
}

func (g *Geometry) check() error {
	var c checking
	c.num("/wire_mm", g.WireMM, wireRange)
	n := 0
	for _, d := range []struct {
		at string
		v  float64
	}{{"/mean_diameter_mm", g.MeanMM}, {"/outer_diameter_mm", g.OuterMM}, {"/inner_diameter_mm", g.InnerMM}} {
		if d.v != 0 {
			n++
			c.num(d.at, d.v, meanRange)
		}
	}
	if n != 1 {
		c.Add("/mean_diameter_mm", "one_of", "Say exactly one of mean, outer and inner diameter.")
	} else if g.mean() <= g.WireMM {
		c.Add("/wire_mm", "contradiction", "The wire is thicker than the coil has room for.")
	}
	c.some("/active_coils", g.ActiveCoils, coilRange)
	c.some("/total_coils", g.TotalCoils, coilRange)
	c.some("/free_length_mm", g.FreeLengthMM, lengthRange)
	c.some("/sleeve_mm", g.SleeveMM, sleeveRange)
	c.some("/shear_mpa", g.ShearMPa, shearRange)
	c.short("/material", g.Material)
	c.some("/rate_n_per_mm", g.RateNPerMM, rateRange)
	c.some("/travel_mm", g.TravelMM, travelRange)
	c.some("/preload_mm", g.PreloadMM, preloadRange)
	c.some("/bore_mm", g.BoreMM, boreRange)
	c.some("/shaft_mm", g.ShaftMM, boreRange)
	c.some("/wire_upper_tolerance_mm", g.WireUpperMM, within{0, 0.5, "mm"})
	c.opt("/temperature_c", g.TemperatureC, within{-40, 120, "degC"})
	if g.Ends != "" {
		c.word("/ends", string(g.Ends), "plain", "plain_ground", "squared", "squared_ground")
	}
	if !(g.active() > 0) {
		c.Add("/active_coils", "required", "Count the active coils, or all coils and say how the ends are finished.")
	}
	if _, s := spring.WireOf(spring.Grade(g.Material), g.WireMM); s != spring.OK && g.ShearMPa == 0 {
		c.Add("/material", "unknown_material", "Name a wire grade that is known here, for a diameter its table covers, or give the shear modulus.")
	}
	return c.Err()
}

func (g *Geometry) mean() float64 {
	switch {
	case g.OuterMM > 0:
		return spring.MeanFromOuter(g.OuterMM, g.WireMM)
	case g.InnerMM > 0:
		return spring.MeanFromInner(g.InnerMM, g.WireMM)
	}
	return g.MeanMM
}

func (g *Geometry) active() float64 {
	if g.ActiveCoils > 0 {
		return g.ActiveCoils
	}
	n, _ := spring.ActiveCoils(g.Ends, g.TotalCoils)
	return n
}

func (a *Assessment) find(applies, severe bool, code, textOf string) {
	if applies {
		a.Findings = append(a.Findings, Finding{code, textOf, severe})
	}
}

func (a *Assessment) rate(g *Geometry) {
	a.find(!spring.IndexIsHandy(a.Index), false, "spring_index", "The index is "+short1(a.Index)+"; from 4 to 12 a coil is handy to make (Shigley 10e Eq. 10-18).")
	a.find(a.RateStatus != spring.OK, true, "outside_validity", "Index or coils lie outside what the formula is good for: index 4 to 20, two active coils or more.")
	if g.RateNPerMM == 0 {
		return
	}
	a.DifferenceShare = a.RateNPerMM/g.RateNPerMM - 1
	a.Agrees = math.Abs(a.DifferenceShare) <= spring.GeometryTolerance()
	a.find(!a.Agrees, math.Abs(a.DifferenceShare) > 0.2, "rate_geometry", "Wire, diameter and coils make "+short2(a.RateNPerMM)+" N/mm, the stated rate is "+short2(g.RateNPerMM)+" N/mm, "+percent(100*a.DifferenceShare)+" apart. Compare with the drawing; the stated rate stands.")
}

func (a *Assessment) lengths(g *Geometry) {
	if g.TotalCoils == 0 || g.Ends == "" {
		return
	}
	ground := g.Ends == spring.PlainGround || g.Ends == spring.SquaredGround
	a.SolidMM, _ = spring.SolidLength(g.Ends, g.WireMM, g.TotalCoils)
	a.BlockMM = spring.BlockLength(ground, g.WireMM+g.WireUpperMM, g.TotalCoils)
	a.GapStaticMM = spring.GapSum(a.ActiveCoils, a.MeanMM, g.WireMM, false)
	a.GapDynamicMM = spring.GapSum(a.ActiveCoils, a.MeanMM, g.WireMM, true)
	a.ShortestMM = a.BlockMM + a.GapStaticMM
	if g.FreeLengthMM == 0 {
		return
	}
	a.find(a.BlockMM >= g.FreeLengthMM, true, "solid", "Wound solid it is longer than its free length; check coils, wire or length.")
	a.GrowthMM = spring.Growth((g.FreeLengthMM-a.BlockMM)/a.ActiveCoils+g.WireMM, g.WireMM, a.MeanMM)
	wide := a.OuterMM + 2*g.SleeveMM + a.GrowthMM
	a.find(g.BoreMM > 0 && wide >= g.BoreMM, true, "too_wide", "With sleeve and growth it is "+short2(wide)+" mm wide, the bore "+short2(g.BoreMM)+" mm.")
	a.find(g.ShaftMM > 0 && a.InnerMM <= g.ShaftMM, true, "too_narrow", "Inside it is "+short2(a.InnerMM)+" mm wide, the shaft "+short2(g.ShaftMM)+" mm.")
	if g.TravelMM == 0 {
		return
	}
	c := spring.CheckClearance(g.FreeLengthMM, a.BlockMM, a.ShortestMM, g.PreloadMM, g.TravelMM)
	a.Clearance = &c
	a.DynamicMarginMM = c.MarginMM - (a.GapDynamicMM - a.GapStaticMM)
	a.find(c.Status == spring.CoilBind, true, "coil_bind", "The coils touch at "+short1(c.BindMM)+" mm, before "+short1(g.TravelMM)+" mm of travel.")
	a.find(c.Status == spring.BelowMinimumGap, true, "below_minimum_gap", "The coils come closer than their least gap at "+short1(c.GapMM)+" mm, before "+short1(g.TravelMM)+" mm of travel.")
	a.find(c.Status == spring.OK && a.DynamicMarginMM < 0, false, "dynamic_gap", "The static gap holds, the dynamic one (half as much again) does not.")
}

func (a *Assessment) stress(g *Geometry, wire spring.Wire, known spring.Status) {
	a.ActiveMassKG = activeMass(g.WireMM, a.MeanMM, a.ActiveCoils)
	a.SurgeHz, _ = spring.SurgeFrequency(a.RateNPerMM, a.ActiveMassKG)
	if g.TravelMM > 0 {
		f := a.RateNPerMM * (g.TravelMM + g.PreloadMM)
		a.StressMPa = spring.Stress(f, a.MeanMM, g.WireMM, 1)
		a.CorrectedMPa = a.StressMPa * a.Bergstraesser
	}
	if g.FreeLengthMM > a.BlockMM && a.BlockMM > 0 {
		a.StressAtBlockMPa = spring.Stress(a.RateNPerMM*(g.FreeLengthMM-a.BlockMM), a.MeanMM, g.WireMM, 1)
	}
	if known != spring.OK {
		return
	}
	const blockShare = 0.56 // EN 13906-1, uncorrected stress at block, not preset
	a.BlockLimitMPa = blockShare * wire.TensileMPa
	a.StressStatus = spring.StressPlausible(a.StressMPa, wire.TensileMPa)
	a.find(a.StressStatus == spring.ImplausibleWire, true, "implausible_stress", "At full travel the wire is stressed beyond what even preset springs are run at; a figure is more likely wrong than the spring.")
	a.find(a.StressAtBlockMPa > a.BlockLimitMPa, false, "needs_preset", "Wound solid it is stressed beyond the limit for springs that were not preset. Light fork coils rely on preset and on never going solid.")
	if g.FreeLengthMM > 0 {
		s, status := spring.BucklingTravel(g.FreeLengthMM, a.MeanMM, 0.5, wire.YoungMPa, wire.ShearMPa)
		a.BucklesAtMM = s
		a.find(status == spring.NeedsGuide && s < g.TravelMM, false, "guided_required", "Unguided it would buckle at "+short1(s)+" mm. In a fork it is guided; buckling shows as friction and noise.")
	}
}

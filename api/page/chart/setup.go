package chart

import (
	"forkwright/service/setup"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// OfSetup is the chart of an answer: its recommended setup, or in a refusal the nearest one. It
// reports false where the answer holds no curve.
func OfSetup(a *setup.Answer, u unit.System) (ForceTravel, bool) {
	f := ForceTravel{TravelMM: a.TravelMM, Units: u}
	for _, s := range a.Curves {
		c := Curve{Points: points(s.Points)}
		switch s.Name {
		case "recommended":
			f.Main.Points = c.Points
		case "neighbor":
			f.Neighbor = &c
		}
	}
	if len(f.Main.Points) == 0 {
		return f, false
	}
	chosen := a.Recommended
	if chosen == nil {
		chosen = a.Nearest
	}
	switch {
	case a.Air != nil:
		f.Main.Name = "Air spring, " + unit.Display(a.Air.GaugeKPa, unit.Pressure, system(u))
		f.Sag = &Sag{a.Air.Sag.MM, a.Air.Sag.LowMM, a.Air.Sag.HighMM}
		f.End = &EndForce{a.Air.EndN, a.Air.EndLowN, a.Air.EndHighN}
	case chosen != nil:
		f.Main.Name = "Coil " + unit.Display(chosen.Spring.RateNPerMM, unit.Rate, system(u))
		f.Sag = &Sag{chosen.Sag.MM, chosen.Sag.LowMM, chosen.Sag.HighMM}
		f.End = &EndForce{chosen.EndN, chosen.EndLowN, chosen.EndHighN}
		if chosen.Bump != nil {
			f.BumpStop = &BumpStop{chosen.Bump.ContactMM}
		}
	}
	if f.Neighbor != nil && a.Neighbor != nil {
		f.Neighbor.Name = "Next: coil " + unit.Display(a.Neighbor.Setup.Spring.RateNPerMM, unit.Rate, system(u))
	}
	return f, true
}

func system(u unit.System) unit.System {
	if u == unit.Imperial {
		return u
	}
	return unit.Metric
}

func points(in []spring.Point) []Point {
	out := make([]Point, len(in))
	for i, p := range in {
		out[i] = Point{p.TravelMM, p.TotalN}
	}
	return out
}

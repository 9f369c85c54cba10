package chart

import (
	"iter"

	"forkwright/service/setup"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// OfSetup is the chart of an answer: its recommended setup, or in a refusal the nearest one. It
// reports false where the answer holds no curve.
func OfSetup(a *setup.Answer, u unit.System) (ForceTravel, bool) {
	f := ForceTravel{TravelMM: a.TravelMM, Units: u}
	for i := range a.Curves {
		switch s := &a.Curves[i]; s.Name {
		case "recommended":
			f.Main.Points = points(s.Points(), s.Steps)
		case "neighbor":
			f.Neighbor = &Curve{Points: points(s.Points(), s.Steps)}
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
		f.Sag = sagOf(a.Air.Sag)
		f.End = &EndForce{a.Air.EndN, a.Air.EndLowN, a.Air.EndHighN}
	case chosen != nil:
		f.coil(chosen)
		f.Sag = sagOf(chosen.Sag)
	}
	if f.Neighbor != nil && a.Neighbor != nil {
		f.Neighbor.Name = "Next: coil " + unit.Display(a.Neighbor.Setup.Spring.RateNPerMM, unit.Rate, system(u))
	}
	return f, true
}

// OfAssembled is the chart of a spring side that nobody has sat on yet: with the sag to aim at.
func OfAssembled(a *setup.Assembled, u unit.System) ForceTravel {
	f := ForceTravel{TravelMM: a.TravelMM, Units: u, Main: Curve{Points: points(a.Curve.Sample(0), 0)}}
	f.coil(&a.Setup)
	low, high := a.SagRange()
	f.Sag = &Sag{MM: a.Target.MM, LowMM: low, HighMM: high, Aim: true}
	return f
}

// coil names the main curve after its spring and marks what its setup knows without a rider.
func (f *ForceTravel) coil(s *setup.Setup) {
	f.Main.Name = "Coil " + unit.Display(s.Spring.RateNPerMM, unit.Rate, system(f.Units))
	f.End = &EndForce{s.EndN, s.EndLowN, s.EndHighN}
	if s.Bump != nil {
		f.BumpStop = &BumpStop{s.Bump.ContactMM}
	}
}

func sagOf(s setup.SagFigure) *Sag { return &Sag{MM: s.MM, LowMM: s.LowMM, HighMM: s.HighMM} }

func system(u unit.System) unit.System {
	if u == unit.Imperial {
		return u
	}
	return unit.Metric
}

func points(in iter.Seq[spring.Point], steps int) []Point {
	out := make([]Point, 0, spring.Room(steps))
	for p := range in {
		out = append(out, Point{p.TravelMM, p.TotalN})
	}
	return out
}

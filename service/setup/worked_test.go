package setup_test

import (
	"testing"

	"forkwright/service/setup"
)

// worked is the rider of the page "How a setup is computed". The figures below stand there,
// worked by hand; this test keeps page and program together.
func worked() setup.Question {
	return setup.Question{
		Rider:   setup.Rider{MassKG: 74, MassIs: "bare", GearKG: ptr(5)},
		Bicycle: setup.Bicycle{MassKG: 16, Frame: setup.Frame{ChainstayMM: 438, WheelbaseMM: 1248, GripAheadMM: 452, HeadAngleDeg: 64}},
		Load:    setup.Overrides{FrontShareBicycle: ptr(0.47), UnsprungKG: ptr(3.6), LowerLegAirN: ptr(22), FrictionN: ptr(24)},
		Hardware: &setup.Hardware{
			TravelMM: 150,
			Springs: []setup.GivenSpring{
				{RateNPerMM: 8.0, FreeLengthMM: 354, SolidMM: 150}, {RateNPerMM: 8.6, FreeLengthMM: 354, SolidMM: 150}, {RateNPerMM: 9.2, FreeLengthMM: 354, SolidMM: 150},
			},
			Preloads: []setup.GivenPreload{{CavityMM: ptr(350)}, {CavityMM: ptr(347)}},
			BumpStop: &setup.GivenBumpStop{BoreMM: 17, VolumeML: 18, GaugesKPa: []float64{0, 200, 400}, MaxKPa: 500, RatioMax: 4},
		},
		SagPercent: ptr(20), Discipline: "enduro",
	}
}

func TestWorkedRider(t *testing.T) {
	a := ask(t, empty(), worked())
	for _, c := range []struct {
		what      string
		got, want float64
		by        float64
	}{
		{"share", term(t, a, "front_share_rider").Value, 0.3872, 5e-5},
		{"wheel", a.Load.WheelN, 373.7, 0.05},
		{"sprung", a.Load.SprungN, 338.4, 0.05},
		{"axial", a.Load.AxialN, 304.15, 0.05},
		{"spring", a.Load.SpringN, 282.15, 0.05},
		{"spring, low", a.Load.SpringLowN, 269.5, 0.05},
		{"spring, high", a.Load.SpringHighN, 294.76, 0.05},
		{"needed", a.Needed.RateNPerMM, 8.299, 5e-4},
		{"rate", a.Recommended.Spring.RateNPerMM, 8.6, 0},
		{"preload", a.Recommended.PreloadMM, 4, 0},
		{"sag", a.Recommended.Sag.MM, 28.81, 0.005},
		{"percent", a.Recommended.Sag.Percent, 19.2, 0.05},
		{"low", a.Recommended.Sag.LowMM, 24.55, 0.005},
		{"high", a.Recommended.Sag.HighMM, 33.07, 0.005},
		{"bump pressure", a.Recommended.Bump.SetKPa, 400, 0},
		{"end force of the stop", a.Recommended.Bump.EndN, 392.2, 0.05},
		{"end force", a.Recommended.EndN, 1716.6, 0.05},
		{"coil energy", a.Recommended.Energy.CoilJ, 101.91, 0.005},
	} {
		near(t, c.what, c.got, c.want, c.by)
	}
	if n := a.Neighbor; n == nil || !n.CoinToss || n.Setup.Spring.RateNPerMM != 8.0 {
		t.Errorf("8.0 N/mm beside it is a coin toss: %+v", a.Neighbor)
	}
}

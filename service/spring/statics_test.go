package spring_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/spring"
)

func rider(change func(*spring.Load)) spring.Load {
	l := spring.Load{RiderKG: 85, BikeKG: 15, UnsprungKG: 3.5, RiderShare: 0.42, BikeShare: 0.47, HeadDegrees: 65}
	if change != nil {
		change(&l)
	}
	return l
}

func TestAxialLoadByHeadAngleAndShare(t *testing.T) {
	for angle, want := range map[float64]float64{62: 339.9, 65: 348.8, 68: 356.9, 71: 363.9} {
		f := must[spring.Forces](t)(rider(func(l *spring.Load) { l.HeadDegrees = angle }).Forces())
		near(t, "by angle", f.AxialN, want, 0.06)
		near(t, "resolved", math.Hypot(f.AxialN, f.AcrossN), f.SprungN, 1e-9)
	}
	// Forgetting that the wheel stands on the ground costs its weight along the axis.
	with := must[spring.Forces](t)(rider(nil).Forces())
	without := must[spring.Forces](t)(rider(func(l *spring.Load) { l.UnsprungKG = 0 }).Forces())
	near(t, "unsprung", without.AxialN-with.AxialN, 31.1, 0.05)
}

func TestBadLoadsAreRefused(t *testing.T) {
	for name, change := range map[string]func(*spring.Load){
		"negative rider": func(l *spring.Load) { l.RiderKG = -1 },
		"share over one": func(l *spring.Load) { l.RiderShare = 1.01 },
		"no angle":       func(l *spring.Load) { l.HeadDegrees = 0 },
		"not a number":   func(l *spring.Load) { l.BikeKG = math.NaN() },
	} {
		if f, s := rider(change).Forces(); s != spring.InvalidInput || f != (spring.Forces{}) {
			t.Errorf("%s: %s %+v", name, s, f)
		}
	}
	if _, s := rider(func(l *spring.Load) { l.UnsprungKG = 60 }).Forces(); s != spring.WheelLifts {
		t.Errorf("a wheel heavier than its load: %s", s)
	}
}

func TestImpliedShareIsTheInverse(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for range 200 {
		l := rider(func(l *spring.Load) { l.RiderShare = 0.3 + 0.3*r.Float64(); l.HeadDegrees = 62 + 9*r.Float64() })
		got := must[float64](t)(l.ImpliedRiderShare(must[spring.Forces](t)(l.Forces()).AxialN))
		near(t, "share", got, l.RiderShare, 1e-12)
	}
	if _, s := rider(nil).ImpliedRiderShare(2000); s != spring.OutsideValidity {
		t.Errorf("a load no share explains: %s", s)
	}
}

func TestStandingShare(t *testing.T) {
	f := spring.Frame{ChainstayMM: 434, WheelbaseMM: 1235, GripMM: 444}
	near(t, "standing", must[float64](t)(f.StandingShare(0.10)), 0.387, 0.0005)
	if _, s := f.StandingShare(0.3); s != spring.OutsideValidity {
		t.Errorf("a third of the weight on the hands: %s", s)
	}
	f.WheelbaseMM = 800
	if _, s := f.StandingShare(0.10); s != spring.BadGeometry {
		t.Errorf("grips ahead of the wheel: %s", s)
	}
	near(t, "lean", spring.LeanShift(85, 100, 0.1, 1.22), 0.070, 0.0005)
}

func TestFrontShareRefusesNonsense(t *testing.T) {
	for name, f := range map[string]func() (float64, float64, spring.Status){
		"lengths differ": func() (float64, float64, spring.Status) { return spring.FrontShare([]float64{1, 2}, []float64{1}, 1) },
		"nothing":        func() (float64, float64, spring.Status) { return spring.FrontShare(nil, nil, 1) },
		"no mass":        func() (float64, float64, spring.Status) { return spring.FrontShare([]float64{0}, []float64{1}, 1) },
		"no wheelbase":   func() (float64, float64, spring.Status) { return spring.FrontShare([]float64{1}, []float64{1}, 0) },
	} {
		if share, _, s := f(); s != spring.InvalidInput || share != 0 {
			t.Errorf("%s: %v %s", name, share, s)
		}
	}
	if _, _, s := spring.FrontShare([]float64{80}, []float64{-0.1}, 1.2); s != spring.WheelLifts {
		t.Errorf("weight behind the rear wheel: %s", s)
	}
}

func TestSlopeAndBraking(t *testing.T) {
	m := spring.Mass{TotalKG: 95, AheadMM: 500, HeightMM: 1050, Wheelbase: 1220}
	near(t, "level", must[float64](t)(m.OnSlope(0)), 0.410, 0.0005)
	near(t, "down", must[float64](t)(m.OnSlope(10)), 0.553, 0.0005)
	m.AheadMM = 0.41 * 1220
	b := must[spring.Braking](t)(m.Braking(0.3, 3.5, 66))
	near(t, "wheel", b.WheelN, 622.5, 0.1)
	near(t, "brake", b.BrakeN, 279.5, 0.1)
	near(t, "axial", b.AxialN, 646.8, 0.1)
	near(t, "unbraked", must[spring.Braking](t)(m.Braking(0, 3.5, 66)).AxialN, 317.6, 0.1)
	if _, s := m.Braking(1.2, 3.5, 66); s != spring.WheelLifts {
		t.Errorf("over the bars: %s", s)
	}
}

// By hand, m g = 931.63 N, sin and cos of 10 degrees 0.17365 and 0.98481, of 66 degrees 0.91355
// and 0.40674: N = 931.63 (492.3 + 182.3)/1220, less 33.80 N of wheel, times sin 66, and
// B = 161.78 N, less 5.96 N of wheel, times cos 66.
func TestSlopeAlongTheFork(t *testing.T) {
	m := spring.Mass{TotalKG: 95, AheadMM: 0.41 * 1220, HeightMM: 1050, Wheelbase: 1220}
	level := must[spring.Braking](t)(m.Slope(0, 3.5, 66))
	if level != must[spring.Braking](t)(m.Braking(0, 3.5, 66)) {
		t.Errorf("level ground is no slope: %+v", level)
	}
	down := must[spring.Braking](t)(m.Slope(10, 3.5, 66))
	near(t, "down, wheel", down.WheelN, 515.4, 0.1)
	near(t, "down, brake", down.BrakeN, 161.8, 0.1)
	near(t, "down, axial", down.AxialN, 503.3, 0.1)
	up := must[spring.Braking](t)(m.Slope(-10, 3.5, 66))
	near(t, "up, wheel", up.WheelN, 236.9, 0.1)
	near(t, "up, brake", up.BrakeN, 0, 0)
	near(t, "up, axial", up.AxialN, 188.0, 0.1)
	if _, s := m.Slope(40, 3.5, 66); s != spring.WheelLifts {
		t.Errorf("over the bars: %s", s)
	}
	if _, s := m.Slope(10, 3.5, 0); s != spring.InvalidInput {
		t.Errorf("a fork that lies down: %s", s)
	}
}

func TestBushingFriction(t *testing.T) {
	b := spring.Bushings{AxleBelowMM: 240, ApartMM: 120, Friction: 0.04, SealN: 6}
	near(t, "friction", must[float64](t)(b.FrictionN(160)), 38, 1e-9)
}

func TestCoilWorkedFigures(t *testing.T) {
	near(t, "coils", must[float64](t)(spring.CoilsForRate(79500, 5, 28, 10)), 28.3, 0.05)
	near(t, "rate of those coils", must[float64](t)(spring.Rate(79500, 5, 28, must[float64](t)(spring.CoilsForRate(79500, 5, 28, 10)))), 10, 1e-12)
	near(t, "stress", spring.Stress(300, 28, 5, spring.Bergstraesser(5.6)), 215.2, 0.05)
	near(t, "A401", must[float64](t)(spring.StrengthPower(1974, 0.108, 4.8)), 1666, 0.7)
	near(t, "unit of A", spring.PowerConstantSI(201, 0.145), 2215, 0.5)
	near(t, "surge", must[float64](t)(spring.SurgeFrequency(10, 0.384)), 80.7, 0.05)
	near(t, "series", spring.Series(10, 10), 5, 1e-12)
	near(t, "parallel", spring.Parallel(10, 2.5), 12.5, 1e-12)
	f := must[spring.Fatigue](t)(spring.Goodman(80, 1100, 28, 5, 1800, true))
	near(t, "endurance", f.EnduranceMPa, 711.8, 0.05)
	near(t, "amplitude", f.AmplitudeMPa, 365.9, 0.1)
	near(t, "midrange", f.MidrangeMPa, 423.3, 0.1)
	near(t, "factor", f.SafetyFactor, 1.156, 0.0005)
	near(t, "buckling coefficient", spring.BucklingCoefficient(207000, 79300), 2.626, 0.001)
	sk, s := spring.BucklingTravel(345, 25, 0.5, 206000, 79500)
	if s != spring.NeedsGuide {
		t.Errorf("status %s", s)
	}
	near(t, "buckles at", sk, 21, 0.5)
	if _, s := spring.BucklingTravel(60, 40, 0.5, 206000, 79500); s != spring.CannotBuckle {
		t.Errorf("a stubby spring: %s", s)
	}
}

func TestCoilStatuses(t *testing.T) {
	for name, c := range map[string]struct {
		got, want spring.Status
	}{
		"fine":             {second(spring.Rate(79500, 5, 28, 20)), spring.OK},
		"index under 4":    {second(spring.Rate(79500, 5, 19.9, 20)), spring.OutsideValidity},
		"index of 4":       {second(spring.Rate(79500, 5, 20, 20)), spring.OK},
		"index over 20":    {second(spring.Rate(79500, 1, 20.1, 20)), spring.OutsideValidity},
		"one coil":         {second(spring.Rate(79500, 5, 28, 1)), spring.OutsideValidity},
		"soft, many coils": {second(spring.CoilsForRate(79500, 5, 28, 1.5)), spring.OK},
		"stiff, few coils": {second(spring.CoilsForRate(79500, 5, 28, 150)), spring.OutsideValidity},
		"no rate":          {second(spring.CoilsForRate(79500, 5, 28, 0)), spring.InvalidInput},
		"no coils":         {second(spring.Rate(79500, 5, 28, 0)), spring.InvalidInput},
		"all coils dead":   {second(spring.ActiveCoils(spring.Squared, 2)), spring.InvalidInput},
		"unknown ends":     {second(spring.ActiveCoils("frayed", 9)), spring.InvalidInput},
		"rattles":          {second(spring.Preload(330, 330.01)), spring.Rattles},
		"just free":        {second(spring.Preload(330, 330)), spring.OK},
		"hot":              {second(spring.ShearAt(79500, 121, spring.CarbonSteelPerK)), spring.OutsideValidity},
		"plausible stress": {spring.StressPlausible(1349, 1800), spring.OK},
		"too much stress":  {spring.StressPlausible(1351, 1800), spring.ImplausibleWire},
		"thick music wire": {second(spring.WireOf(spring.MusicA228, 6.6)), spring.OutsideTable},
		"unknown wire":     {second(spring.WireOf("rope", 5)), spring.InvalidInput},
	} {
		if c.got != c.want {
			t.Errorf("%s: %s, want %s", name, c.got, c.want)
		}
	}
}

func second[T any](_ T, s spring.Status) spring.Status { return s }

func TestWireTable(t *testing.T) {
	for _, c := range []struct {
		grade                  spring.Grade
		d, tensile, shear, dev float64
	}{
		{spring.MusicA228, 2.5, 1936, 81000, 1},
		{spring.MusicA228, 3.2, 1868, 80000, 1},
		{spring.MusicA228, 1.6, 2065, 81700, 1},
		{spring.OilTemperA229, 4, 1431, 77200, 1},
		{spring.ChromeVanA232, 4.8, 1541, 77200, 1},
		{spring.EN10270FDSiCr, 4.8, 1806.66, 79500, 0.01},
		{spring.EN10270FDSiCr, 0.6, 2100, 79500, 1e-9}, // the cap
	} {
		w := must[spring.Wire](t)(spring.WireOf(c.grade, c.d))
		near(t, string(c.grade), w.TensileMPa, c.tensile, c.dev)
		near(t, string(c.grade)+" shear", w.ShearMPa, c.shear, 0)
		if w.Source == "" {
			t.Errorf("%s has no source", c.grade)
		}
	}
}

func TestClearanceBoundaries(t *testing.T) {
	check := func(free, preload, travel float64) spring.Clearance {
		return spring.CheckClearance(free, 150, 170, preload, travel)
	}
	for _, c := range []struct {
		travel float64
		want   spring.Status
	}{{158, spring.OK}, {158.1, spring.BelowMinimumGap}, {178, spring.BelowMinimumGap}, {178.1, spring.CoilBind}} {
		if got := check(330, 2, c.travel); got.Status != c.want {
			t.Errorf("%v mm: %+v, want %s", c.travel, got, c.want)
		}
	}
	want := spring.Clearance{BindMM: 151.3, GapMM: 131.041, MarginMM: -28.959, Status: spring.CoilBind}
	got := spring.CheckClearance(310, 153.6, 173.859, 5.08, 160)
	if diff := cmp.Diff(want, got, cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 0.05 })); diff != "" {
		t.Error(diff)
	}
	if s := spring.CheckClearance(330, 170, 150, 2, 100).Status; s != spring.InvalidInput {
		t.Errorf("shortest length below block: %s", s)
	}
	near(t, "dynamic", spring.GapSum(30, 25, 4.8, true), 1.5*spring.GapSum(30, 25, 4.8, false), 1e-12)
	near(t, "not ground", spring.BlockLength(false, 4.8, 32), 33.5*4.8, 1e-12)
	near(t, "growth never negative", spring.Growth(4.8, 4.8, 25), 0, 1e-12)
}

func TestNearestSag(t *testing.T) {
	fork := must[spring.Curve](t)(spring.NewCoil(150, 1, 0))
	for _, c := range []struct {
		name     string
		rates    []float64
		preloads []float64
		load     float64
		want     spring.Pair
		status   spring.Status
	}{
		{"nearest wins", []float64{8, 9, 10}, []float64{0}, 270, spring.Pair{RateNPerMM: 9}, spring.OK},
		{"tie: smaller preload", []float64{9}, []float64{1, 0}, 274.5, spring.Pair{RateNPerMM: 9}, spring.OK},
		{"tie: in any order", []float64{9}, []float64{0, 1}, 274.5, spring.Pair{RateNPerMM: 9}, spring.OK},
		{"tie: stiffer rate", []float64{8, 12}, []float64{0}, 288, spring.Pair{RateNPerMM: 12}, spring.GapInRange},
		{"too light", []float64{8, 9}, []float64{0, 5}, 90, spring.Pair{RateNPerMM: 8}, spring.RiderTooLight},
		{"too heavy", []float64{8, 9}, []float64{0, 5}, 800, spring.Pair{RateNPerMM: 9, PreloadMM: 5}, spring.RiderTooHeavy},
		{"gap", []float64{6, 14}, []float64{0}, 270, spring.Pair{RateNPerMM: 14}, spring.GapInRange},
	} {
		got := spring.NearestSag(fork, spring.Pairs(c.rates, c.preloads), c.load, 0.2, 0.03)
		if got.Pair != c.want || got.Status != c.status {
			t.Errorf("%s: %+v, want %+v %s", c.name, got, c.want, c.status)
		}
	}
	if got := spring.NearestSag(fork, nil, 270, 0.2, 0.03); got.Status != spring.NoCandidate || got.Index != -1 {
		t.Errorf("nothing to choose from: %+v", got)
	}
}

// Least preload that is good enough: one size with no spacer carries 85 kg at 19.5 %.
func TestDefaultsMakeAPlausibleSpring(t *testing.T) {
	l := rider(func(l *spring.Load) { l.RiderShare = spring.AssumedStandingShare(0).Value })
	f := must[spring.Forces](t)(l.Forces()).AxialN - spring.AssumedLegAir().Value
	near(t, "load", f, 301.2, 0.1)
	fork := must[spring.Curve](t)(spring.NewCoil(160, 55*4.4482216152605/25.4, 0))
	near(t, "sag", fork.Sag(f).Fraction, 0.195, 0.0005)
	k := must[float64](t)(spring.RequiredRate(f, 0.2, 160, 0))
	near(t, "rate", k/4.4482216152605*25.4, 53.7, 0.05)
}

func TestRequiredRateWithPreloadAsForce(t *testing.T) {
	k := must[float64](t)(spring.RequiredRateForForce(330, 0.2, 150, 30))
	near(t, "rate", k, 10, 1e-12)
	near(t, "same by length", must[float64](t)(spring.RequiredRate(330, 0.2, 150, 3)), 10, 1e-12)
	if _, s := spring.RequiredRateForForce(30, 0.2, 150, 30); s != spring.RiderTooLight {
		t.Errorf("preload carries it all: %s", s)
	}
}

func TestClicks(t *testing.T) {
	table := func(change func(*spring.ClickTable)) spring.ClickTable {
		c := spring.ClickTable{Rates: []float64{40, 50, 60}, Clicks: []float64{11, 8, 8}, Max: 14, Reference: spring.FromClosed}
		if change != nil {
			change(&c)
		}
		return c
	}
	whole := func(ref spring.Reference) spring.ClickTable {
		return spring.ClickTable{Rates: []float64{40, 50}, Clicks: []float64{5, 6}, Max: 14, Reference: ref}
	}
	for _, c := range []struct {
		name  string
		table spring.ClickTable
		rate  float64
		want  spring.Setting
	}{
		{"on a row", table(nil), 50, spring.Setting{Exact: 8, Clicks: 8, Status: spring.OK}},
		{"equal neighbors", table(nil), 57, spring.Setting{Exact: 8, Clicks: 8, Status: spring.OK}},
		{"last row", table(nil), 60, spring.Setting{Exact: 8, Clicks: 8, Status: spring.OK}},
		{"below", table(nil), 39.9, spring.Setting{Exact: 11, Clicks: 11, Status: spring.BelowTable}},
		{"above", table(nil), 60.1, spring.Setting{Exact: 8, Clicks: 8, Status: spring.AboveTable}},
		{"half, clicks out", whole(spring.FromClosed), 45, spring.Setting{Exact: 5.5, Clicks: 5, Status: spring.OK}},
		{"half, clicks in", whole(spring.FromOpen), 45, spring.Setting{Exact: 5.5, Clicks: 6, Status: spring.OK}},
		{"past the half", whole(spring.FromClosed), 45.1, spring.Setting{Exact: 5.51, Clicks: 6, Status: spring.OK}},
		{"clamped", table(func(c *spring.ClickTable) { c.Max = 10 }), 40, spring.Setting{Exact: 11, Clicks: 10, Status: spring.OK}},
		{"one row", table(func(c *spring.ClickTable) { c.Rates, c.Clicks = []float64{50}, []float64{7} }), 50, spring.Setting{Exact: 7, Clicks: 7, Status: spring.OK}},
		{"up and down", table(func(c *spring.ClickTable) { c.Clicks = []float64{11, 8, 9} }), 50, spring.Setting{Status: spring.BadTable}},
		{"rates repeat", table(func(c *spring.ClickTable) { c.Rates[1] = 40 }), 50, spring.Setting{Status: spring.BadTable}},
		{"no reference", table(func(c *spring.ClickTable) { c.Reference = "" }), 50, spring.Setting{Status: spring.BadTable}},
		{"empty", spring.ClickTable{Max: 10, Reference: spring.FromOpen}, 50, spring.Setting{Status: spring.BadTable}},
	} {
		if diff := cmp.Diff(c.want, c.table.For(c.rate), cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })); diff != "" {
			t.Errorf("%s: %s", c.name, diff)
		}
	}
}

func TestAtmosphereAndGauges(t *testing.T) {
	for h, want := range map[float64]float64{0: 101.325, 1000: 89.8746, 2000: 79.4952, 5000: 54.0199} {
		near(t, "pressure", must[spring.Air](t)(spring.Atmosphere(h)).PressureKPa, want, 1e-4)
	}
	for _, h := range []float64{11000.1, -2000.1, math.NaN()} {
		if _, s := spring.Atmosphere(h); s != spring.OutsideValidity {
			t.Errorf("%v m: %s", h, s)
		}
	}
	p := func(h float64) float64 { return must[spring.Air](t)(spring.Atmosphere(h)).PressureKPa }
	near(t, "geopotential", (p(spring.Geopotential(3000))-p(3000))*1000, 13, 0.5)
	near(t, "sealed empty", must[float64](t)(spring.GaugeShift(0, spring.Place{AmbientKPa: p(0), TempC: 20}, spring.Place{AmbientKPa: p(2500), TempC: 0})), 19.7, 0.05)
	if _, s := spring.GaugeShift(100, spring.Place{AmbientKPa: 101, TempC: -274}, spring.Place{AmbientKPa: 101, TempC: 20}); s != spring.InvalidInput {
		t.Errorf("below absolute zero: %s", s)
	}
	near(t, "small hose", must[float64](t)(spring.AfterHose(100, 20, 4)), 83.3, 0.05)
	near(t, "large hose", must[float64](t)(spring.AfterHose(100, 20, 8)), 71.4, 0.05)
}

func TestHeave(t *testing.T) {
	h := must[spring.Heave](t)(spring.NewHeave(60*4.4482216152605/25.4, 44, 66))
	near(t, "zeta", h.Ratio(400), 0.322, 0.0005)
	near(t, "scale", must[float64](t)(spring.DampingScale(10, 40, 12, 44)), 1.149, 0.0005)
	near(t, "vertical", must[spring.Heave](t)(spring.NewHeave(10, 39.25, 65)).VerticalRateNPerMM, 12.17, 0.01)
}

func TestEveryAssumptionHasARangeAndASource(t *testing.T) {
	for i, a := range []spring.Assumed{
		spring.AssumedStandingShare(0), spring.AssumedStandingShare(1129), spring.AssumedSeatedShare(), spring.AssumedHands(),
		spring.AssumedBikeShare(), spring.AssumedUnsprung(), spring.AssumedHeadAngle(), spring.AssumedGear(),
		spring.AssumedLegAir(), spring.AssumedFriction(), spring.AssumedStroke(),
	} {
		if a.Source == "" || !(a.Low <= a.Value && a.Value <= a.High && a.Low < a.High) {
			t.Errorf("%d: %+v", i, a)
		}
	}
	if short, long := spring.AssumedStandingShare(1129), spring.AssumedStandingShare(1130); short.Value != 0.42 || long.Value != 0.39 {
		t.Errorf("short %v, long %v", short.Value, long.Value)
	}
}

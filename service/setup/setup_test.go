package setup_test

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/setup"
	"forkwright/service/unit"
)

const lbfIn = unit.NPerMMPerLbfIn

func ptr(v float64) *float64 { return &v }

func empty() *catalog.Revision { return catalog.Build(&catalog.Tables{}, 7) }

func demo(t testing.TB) *catalog.Revision {
	t.Helper()
	tables, problems := source.Load(os.DirFS(filepath.Join("..", "..", "testdata", "catalog")))
	for _, p := range problems {
		if p.Severity == catalog.Error {
			t.Fatal(p)
		}
	}
	return catalog.Build(tables, 7)
}

// rider is the published check: 85 kg kitted, a bicycle of 15 kg, 65 degrees, 160 mm, 20 %,
// default shares, springs from 35 to 75 lbf/in by ten, no preload.
func rider(change ...func(*setup.Question)) setup.Question {
	q := setup.Question{
		Rider:      setup.Rider{MassKG: 85, MassIs: "kitted"},
		Bicycle:    setup.Bicycle{MassKG: 15, Frame: setup.Frame{HeadAngleDeg: 65}},
		SagPercent: ptr(20),
		Hardware:   &setup.Hardware{TravelMM: 160, Preloads: preloads(0)},
	}
	for k := 35.0; k <= 75; k += 10 {
		q.Hardware.Springs = append(q.Hardware.Springs, setup.GivenSpring{RateNPerMM: k * lbfIn})
	}
	for _, f := range change {
		f(&q)
	}
	return q
}

func preloads(mm ...float64) []setup.GivenPreload {
	var out []setup.GivenPreload
	for _, v := range mm {
		out = append(out, setup.GivenPreload{MM: ptr(v)})
	}
	return out
}

func spacers(q *setup.Question) { q.Hardware.Preloads = preloads(0, 2.54, 5.08) }

func ask(t testing.TB, rev *catalog.Revision, q setup.Question) setup.Answer {
	t.Helper()
	a, err := setup.Recommend(rev, q)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func near(t testing.TB, what string, got, want, by float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > by {
		t.Errorf("%s is %v, want %v within %v", what, got, want, by)
	}
}

func TestNeededRateOfThePublishedRider(t *testing.T) {
	n := ask(t, empty(), rider()).Needed
	k, low, high := n.RateNPerMM/lbfIn, n.LowNPerMM/lbfIn, n.HighNPerMM/lbfIn
	if k < 53 || k > 55 {
		t.Errorf("needed rate %.2f lbf/in, want 53 to 55", k)
	}
	if low > 48 || high < 62 || low < 44 || high > 68 {
		t.Errorf("band %.2f to %.2f lbf/in: it contains 48 to 62 and lies within 44 to 68", low, high)
	}
	near(t, "rate", k, 53.7, 0.1)
}

func TestLeastPreloadThatIsGoodEnough(t *testing.T) {
	a := ask(t, empty(), rider(spacers))
	if a.Status != setup.OK || a.Recommended == nil {
		t.Fatalf("%s: %s", a.Status, a.Text)
	}
	near(t, "rate", a.Recommended.Spring.RateNPerMM, 55*lbfIn, 1e-9)
	near(t, "preload", a.Recommended.PreloadMM, 0, 0)
	near(t, "sag", a.Recommended.Sag.Percent, 19.5, 0.06)
	if a.Evaluated != 15 || len(a.Candidates) != 15 {
		t.Errorf("%d evaluated, %d shown, want 15", a.Evaluated, len(a.Candidates))
	}
	var trim []float64
	for _, c := range a.Trim {
		if c.What == "preload" {
			trim = append(trim, c.PreloadMM, c.DeltaMM)
		}
	}
	if diff := cmp.Diff([]float64{2.54, -2.54, 5.08, -5.08}, trim, cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-9 })); diff != "" {
		t.Errorf("trim in hand:\n%s", diff)
	}
}

func TestShareFromFrameFigures(t *testing.T) {
	a := ask(t, empty(), rider(func(q *setup.Question) {
		q.Bicycle.Frame = setup.Frame{ChainstayMM: 434, WheelbaseMM: 1235, GripAheadMM: 444, HeadAngleDeg: 65}
	}))
	share := term(t, a, "front_share_rider")
	near(t, "share", share.Value, 0.387, 0.001)
	near(t, "low", share.Low, (434+0.05*444)/1235, 1e-9)
	near(t, "high", share.High, (434+0.15*444)/1235, 1e-9)
	if share.Provenance != setup.Derived || term(t, a, "hand_share").Provenance != setup.FromMemory {
		t.Errorf("provenance of %+v", share)
	}
}

func term(t testing.TB, a setup.Answer, name string) setup.Term {
	t.Helper()
	for _, x := range a.Load.Terms {
		if x.Name == name {
			return x
		}
	}
	t.Fatalf("no term %s in %+v", name, a.Load.Terms)
	return setup.Term{}
}

func TestReferenceRiderWithGivenShares(t *testing.T) {
	reference := func(q *setup.Question) {
		q.Load = setup.Overrides{FrontShareRider: ptr(0.42), FrontShareBicycle: ptr(0.47), UnsprungKG: ptr(3.5), LowerLegAirN: ptr(0)}
	}
	a := ask(t, empty(), rider(reference, spacers))
	near(t, "axial load", a.Load.AxialN, 348.85, 0.01)
	near(t, "on the spring", a.Load.SpringN, a.Load.AxialN, 0)
	for _, c := range a.Candidates {
		if math.Abs(a.Springs[c.Spring].RateNPerMM-55*lbfIn) > 1e-9 {
			continue
		}
		switch c.PreloadMM {
		case 2.54:
			near(t, "55 with 0.1 in", c.SagMM, 33.68, 0.005)
		case 5.08:
			near(t, "55 with 0.2 in", c.SagMM, 31.14, 0.005)
		}
	}
}

func TestRealPreloadFromTheCavity(t *testing.T) {
	with := func(cavity float64) setup.Answer {
		return ask(t, empty(), rider(func(q *setup.Question) {
			q.Hardware.Springs = []setup.GivenSpring{{RateNPerMM: 9.6, FreeLengthMM: 345, SolidMM: 150}}
			q.Hardware.Preloads = []setup.GivenPreload{{CavityMM: ptr(cavity)}}
		}))
	}
	free, held := with(345), with(340)
	near(t, "preload", held.Candidates[0].PreloadMM, 5, 0)
	near(t, "sag in mm", free.Candidates[0].SagMM-held.Candidates[0].SagMM, 5, 1e-9)
	if a := with(346); a.Status != "rattles" || a.Recommended != nil || a.Refusal.By != 1 {
		t.Errorf("a spring 1 mm short: %s %+v", a.Status, a.Refusal)
	}
}

func TestFaultsNameTheMember(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*setup.Question)
		at     []string
	}{
		"mass_is missing":   {func(q *setup.Question) { q.Rider.MassIs = "" }, []string{"/rider/mass_is"}},
		"mass_is unknown":   {func(q *setup.Question) { q.Rider.MassIs = "dressed" }, []string{"/rider/mass_is"}},
		"a child":           {func(q *setup.Question) { q.Rider.MassKG = 20 }, []string{"/rider/mass_kg"}},
		"a horse":           {func(q *setup.Question) { q.Rider.MassKG = 300 }, []string{"/rider/mass_kg"}},
		"not a number":      {func(q *setup.Question) { q.Rider.MassKG = math.NaN() }, []string{"/rider/mass_kg"}},
		"no bicycle":        {func(q *setup.Question) { q.Bicycle.MassKG = 0 }, []string{"/bicycle/mass_kg"}},
		"negative travel":   {func(q *setup.Question) { q.Hardware.TravelMM = -160 }, []string{"/hardware/travel_mm"}},
		"discipline, sag":   {func(q *setup.Question) { q.Discipline, q.SagPercent = "polo", ptr(60) }, []string{"/riding/discipline", "/target_sag_percent"}},
		"two preload kinds": {func(q *setup.Question) { q.Hardware.Preloads[0].ForceN = ptr(3) }, []string{"/hardware/preloads/0"}},
		"grip over axle": {func(q *setup.Question) {
			q.Bicycle.Frame = setup.Frame{ChainstayMM: 450, GripAheadMM: 800, WheelbaseMM: 1200}
		}, []string{"/bicycle/frame/grip_ahead_mm"}},
		"cavity without length": {func(q *setup.Question) { q.Hardware.Preloads = []setup.GivenPreload{{CavityMM: ptr(300)}} }, []string{"/hardware/springs/0/free_length_mm"}},
		"no hardware at all":    {func(q *setup.Question) { q.Hardware = nil }, []string{"/fork_id"}},
		"measured without spring": {func(q *setup.Question) {
			q.Measured = &setup.Measured{SagMM: 30, How: "guessed"}
		}, []string{"/measured/how", "/measured/spring"}},
	} {
		_, err := setup.Recommend(empty(), rider(c.change))
		var got []string
		if e := fault.As(err); e != nil {
			for _, f := range e.Fields {
				got = append(got, f.Pointer)
			}
		}
		if diff := cmp.Diff(c.at, got); diff != "" {
			t.Errorf("%s:\n%s", name, diff)
		}
	}
}

func TestOutsideEverySpringIsAnAnswer(t *testing.T) {
	for _, c := range []struct {
		kg   float64
		want setup.Status
		rate float64
	}{{30, setup.RiderTooLight, 35}, {160, setup.RiderTooHeavy, 75}} {
		a := ask(t, empty(), rider(func(q *setup.Question) { q.Rider.MassKG = c.kg }))
		if a.Status != c.want || a.Recommended != nil || a.Nearest == nil {
			t.Fatalf("%v kg: %s", c.kg, a.Status)
		}
		near(t, "nearest", a.Nearest.Spring.RateNPerMM, c.rate*lbfIn, 1e-9)
		if a.Refusal.Unit != "kg" || a.Refusal.By <= 0 {
			t.Fatalf("by how much: %+v", a.Refusal)
		}
		// At the edge that the refusal names the rider is no longer outside; one kg before, still.
		beyond := math.Copysign(1, a.Refusal.Have-a.Refusal.Want)
		at := ask(t, empty(), rider(func(q *setup.Question) { q.Rider.MassKG = a.Refusal.Want - 0.01*beyond }))
		past := ask(t, empty(), rider(func(q *setup.Question) { q.Rider.MassKG = a.Refusal.Want + beyond }))
		if at.Status != setup.OK || past.Status != c.want {
			t.Errorf("at %v kg: %s; a kilogram past it: %s", a.Refusal.Want, at.Status, past.Status)
		}
	}
}

func TestTargetsAndTiesByDiscipline(t *testing.T) {
	two := func(discipline string) setup.Answer {
		return ask(t, empty(), rider(func(q *setup.Question) {
			q.Discipline = discipline
			q.Load = setup.Overrides{AxialN: ptr(288), LowerLegAirN: ptr(0), FrictionN: ptr(0)}
			q.Hardware.TravelMM = 150
			q.Hardware.Springs = []setup.GivenSpring{{RateNPerMM: 8}, {RateNPerMM: 12}} // 36 and 24 mm around 30
			q.Tolerance = ptr(5)
		}))
	}
	for discipline, want := range map[string]float64{"": 8, "trail": 8, "enduro": 8, "jump": 12, "assisted": 12} {
		if a := two(discipline); a.Recommended == nil || a.Recommended.Spring.RateNPerMM != want {
			t.Errorf("%q: %s %+v, want %v N/mm", discipline, a.Status, a.Recommended, want)
		}
	}
	for discipline, want := range map[string]float64{"": 20, "trail": 22, "park": 18, "enduro": 20} {
		a := ask(t, empty(), rider(func(q *setup.Question) { q.Discipline, q.SagPercent = discipline, nil }))
		if a.Target.Percent != want || a.Target.Provenance != setup.CommonPractice {
			t.Errorf("%q: target %+v", discipline, a.Target)
		}
	}
}

// coilOf is a fork coil of about 10 N/mm, free length 345 mm.
func coilOf(free float64) setup.GivenSpring {
	return setup.GivenSpring{RateNPerMM: 9.6, FreeLengthMM: free, WireMM: 4.8, MeanMM: 25, ActiveCoils: 30, TotalCoils: 32, Ends: "squared_ground"}
}

func TestBind(t *testing.T) {
	bind := func(free, preload float64) setup.Answer {
		return ask(t, empty(), rider(func(q *setup.Question) {
			q.Hardware.Springs, q.Hardware.Preloads = []setup.GivenSpring{coilOf(free)}, preloads(preload)
		}))
	}
	a := bind(345, 2.54)
	if a.Status != setup.OK {
		t.Fatalf("%s: %s", a.Status, a.Text)
	}
	b := a.Recommended.Bind
	near(t, "margin", b.MarginMM, 8.60, 0.005)
	near(t, "dynamic margin", b.DynamicMarginMM, 8.60-20.259/2, 0.005)
	if !hasCaution(a, "dynamic_gap") {
		t.Error("the dynamic gap is gone without a caution")
	}
	a = bind(310, 5.08)
	if a.Status != "coil_bind" || a.Recommended != nil {
		t.Fatalf("%s", a.Status)
	}
	near(t, "binds at", a.Nearest.Bind.BindAtMM, 151.3, 0.05)
	near(t, "by", a.Refusal.By, 8.7, 0.05)
	if a = bind(330, 2.54); a.Status != "below_minimum_gap" {
		t.Errorf("330 mm: %s", a.Status)
	}
}

func TestSpacersAreCheckedForBindOneByOne(t *testing.T) {
	a := ask(t, empty(), rider(func(q *setup.Question) {
		q.Hardware.Springs, q.Hardware.Preloads = []setup.GivenSpring{coilOf(340)}, preloads(0, 5, 10)
	}))
	got := map[float64]string{}
	for _, c := range a.Candidates {
		got[c.PreloadMM] = c.Reason.String()
	}
	want := map[float64]string{0: "", 5: "more_preload", 10: "below_minimum_gap"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func hasCaution(a setup.Answer, code string) bool {
	for _, c := range a.Cautions {
		if c.Code == code {
			return c.Text != "" && c.Reason != ""
		}
	}
	return false
}

func bump(q *setup.Question) {
	q.Hardware.BumpStop = &setup.GivenBumpStop{BoreMM: 18, VolumeML: 21, GaugesKPa: []float64{0, 150, 300, 450, 600}, MaxKPa: 600, RatioMax: 4}
}

func TestBumpStopSetting(t *testing.T) {
	a := ask(t, empty(), rider(bump))
	if a.Evaluated != 25 {
		t.Errorf("%d evaluated, want 25", a.Evaluated)
	}
	b := a.Recommended.Bump
	area := math.Pi / 4 * 18 * 18
	near(t, "contact", b.ContactMM, 160*2.0/3, 1e-9)
	near(t, "step", b.StepN, area*b.SetKPa/1000, 1e-9)
	end := func(n float64) float64 {
		ratio := 21000 / (21000 - area*160/3)
		return area * ((b.SetKPa+101.325)*math.Pow(ratio, n) - 101.325) / 1000
	}
	near(t, "end force", b.EndN, end(1.3), 1e-6)
	near(t, "end force, low", b.EndLowN, end(1.2), 1e-6)
	near(t, "end force, high", b.EndHighN, end(1.4), 1e-6)
	near(t, "peak", b.PeakKPa, b.EndN/area*1000, 1e-6)
	near(t, "after a hose", b.AfterHose4MLKPa, b.SetKPa*21/25, 1e-9)
	for _, other := range a.Bumps { // the rule: no other soft setting comes nearer to the end share
		if other.Harsh || other.SetKPa == b.SetKPa {
			continue
		}
		coil := a.Recommended.Spring.RateNPerMM * 160
		if math.Abs(100*other.EndN/coil-a.Target.EndSharePercent) < math.Abs(b.EndSharePercent-a.Target.EndSharePercent) {
			t.Errorf("%v kPa comes nearer than %v kPa", other.SetKPa, b.SetKPa)
		}
	}
	near(t, "all forces at the end", a.Recommended.EndN, a.Recommended.Spring.RateNPerMM*160+b.EndN, 1e-6)
	if !hasCaution(a, "bump_stop_air") || !hasCaution(a, "pump_hose") {
		t.Error("cautions of stored air are missing")
	}
}

func TestBumpStopLimitsAreRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*setup.GivenBumpStop)
		want   setup.Status
	}{
		"chamber": {func(b *setup.GivenBumpStop) { b.VolumeML = 13 }, "chamber_too_small"},
		"ratio":   {func(b *setup.GivenBumpStop) { b.RatioMax = 2.5 }, "compression_too_high"},
		"no limit known, absurd ratio": {func(b *setup.GivenBumpStop) {
			b.RatioMax, b.VolumeML = 0, 15
		}, "implausible_ratio"},
		"peak":     {func(b *setup.GivenBumpStop) { b.PeakMaxKPa = 100 }, "peak_pressure_too_high"},
		"pressure": {func(b *setup.GivenBumpStop) { b.MaxKPa, b.GaugesKPa = 100, []float64{150, 300} }, "pressure_too_high"},
		"table": {func(b *setup.GivenBumpStop) {
			*b = setup.GivenBumpStop{ContactMM: 110, DeflectionsMM: []float64{0, 10, 20}, ForcesN: []float64{0, 60, 150}}
		}, "outside_table"},
	} {
		a := ask(t, empty(), rider(bump, func(q *setup.Question) { c.change(q.Hardware.BumpStop) }))
		if a.Status != c.want || a.Recommended != nil || a.Nearest == nil || a.Refusal.Text == "" {
			t.Errorf("%s: %s %+v, want %s", name, a.Status, a.Refusal, c.want)
		}
	}
	a := ask(t, empty(), rider(bump, func(q *setup.Question) {
		q.Hardware.BumpStop = &setup.GivenBumpStop{ContactMM: 110, DeflectionsMM: []float64{0, 10, 20, 30, 50}, ForcesN: []float64{0, 60, 150, 330, 900}}
	}))
	if a.Status != setup.OK || a.Recommended.Bump.Medium != "elastomer" || a.Recommended.Bump.EndN != 900 {
		t.Errorf("elastomer: %s %+v", a.Status, a.Recommended)
	}
}

func TestCurve(t *testing.T) {
	a := ask(t, empty(), rider(bump, spacers, func(q *setup.Question) {
		q.WithCurve = true
		q.Hardware.Legs = &setup.GivenLegs{StanchionMM: 35, FreePerLegML: 300, OilPerLegML: 15}
	}))
	if len(a.Curves) != 3 {
		t.Fatalf("%d curves", len(a.Curves))
	}
	for _, c := range a.Curves {
		points := slices.Collect(c.Points())
		if len(points) < 161 {
			t.Errorf("%s has %d points", c.Name, len(points))
		}
		for i := 1; i < len(points); i++ {
			if points[i].TotalN < points[i-1].TotalN || points[i].TravelMM < points[i-1].TravelMM {
				t.Fatalf("%s: force falls at %v mm", c.Name, points[i].TravelMM)
			}
		}
		if last := points[len(points)-1]; c.Name == "recommended" {
			near(t, "end of the curve", last.TotalN, a.Recommended.EndN, 1e-9)
			near(t, "energy", c.Curve.Energy(last.TravelMM).TotalJ, a.Recommended.Energy.TotalJ, 1e-9)
		}
	}
	if again := ask(t, empty(), rider(bump)); again.Curves != nil {
		t.Error("a curve that nobody asked for")
	}
}

func TestNeighborIsACoinToss(t *testing.T) {
	a := ask(t, empty(), rider(func(q *setup.Question) {
		q.Hardware.Springs = []setup.GivenSpring{{RateNPerMM: 9.0}, {RateNPerMM: 9.8}}
	}))
	if a.Neighbor == nil || !a.Neighbor.CoinToss || a.Neighbor.Stiffer == (a.Recommended.Spring.RateNPerMM == 9.8) {
		t.Errorf("%+v", a.Neighbor)
	}
	a = ask(t, empty(), rider())
	if a.Neighbor == nil || a.Neighbor.CoinToss {
		t.Errorf("18 %% apart is no coin toss: %+v", a.Neighbor)
	}
}

func TestAltitude(t *testing.T) {
	at := func(m float64) setup.Answer {
		return ask(t, empty(), rider(bump, func(q *setup.Question) {
			q.Conditions.AltitudeM = ptr(m)
			q.Hardware.BumpStop.GaugesKPa = []float64{0}
			q.Hardware.Legs = &setup.GivenLegs{StanchionMM: 36, FreePerLegML: 320, OilPerLegML: 15}
		}))
	}
	low, high := at(0), at(2500)
	if high.Bumps[0].EndN >= low.Bumps[0].EndN {
		t.Error("a chamber opened to thin air pushes less at the end")
	}
	push := high.Recommended.StartN - low.Recommended.StartN
	near(t, "push per 1000 m", push/2.5, 23, 2)
	if !hasCaution(high, "vent_legs") || hasCaution(low, "vent_legs") {
		t.Error("the advice to vent the legs belongs to the heights")
	}
	moved := ask(t, empty(), rider(bump, func(q *setup.Question) {
		q.Hardware.BumpStop.GaugesKPa = []float64{500}
		q.Conditions = setup.Conditions{AltitudeM: ptr(1500), TemperatureC: ptr(5), SetAltitudeM: ptr(0), SetTemperatureC: ptr(20)}
	}))
	near(t, "gauge at the ride", moved.Bumps[0].RiddenKPa, 486.0, 0.1)
}

func TestMeasuredSag(t *testing.T) {
	base := rider(bump, spacers)
	a := ask(t, empty(), base)
	for _, c := range a.Candidates {
		low := c.SagMM - 25/a.Springs[c.Spring].RateNPerMM
		for how, sag := range map[string]float64{"both": c.SagMM, "eased": low} {
			q := base
			q.Measured = &setup.Measured{RateN: a.Springs[c.Spring].RateNPerMM, Preload: &setup.GivenPreload{MM: ptr(c.PreloadMM)}, SagMM: sag, How: how}
			back := ask(t, empty(), q)
			near(t, how+": load read back", back.Measured.SpringN, a.Load.SpringN, 1e-6)
			near(t, how+": share read back", back.Measured.ImpliedRiderShare, 0.39, 1e-9)
			if back.Status != a.Status || back.Candidates[0].Spring != a.Candidates[0].Spring {
				t.Fatalf("%s: the same load gives another choice", how)
			}
		}
	}
	q := base
	q.Measured = &setup.Measured{RateN: 55 * lbfIn, Preload: &setup.GivenPreload{MM: ptr(0)}, EasedMM: 36, BouncedMM: 42, How: "both"}
	m := ask(t, empty(), q).Measured
	near(t, "friction of two readings", m.FrictionN, 3*55*lbfIn, 1e-9)
	near(t, "load of two readings", m.SpringN, 39*55*lbfIn, 1e-9)
	if len(m.Changes) != 4 { // two spacers, softer, stiffer
		t.Errorf("changes: %+v", m.Changes)
	}
	for _, c := range m.Changes {
		if (c.What == "softer") != (c.DeltaMM > 0) {
			t.Errorf("%s changes the sag by %v mm", c.What, c.DeltaMM)
		}
	}
}

// Properties, over random questions.

func random(r *rand.Rand) setup.Question {
	q := rider(func(q *setup.Question) {
		q.Rider.MassKG = 45 + 70*r.Float64()
		q.Bicycle.MassKG = 11 + 14*r.Float64()
		q.Bicycle.Frame.HeadAngleDeg = 62 + 6*r.Float64()
		q.SagPercent = ptr(15 + 10*r.Float64())
		h := q.Hardware
		h.TravelMM, h.Springs = 120+60*r.Float64(), nil
		for k := 5 + 2*r.Float64(); k < 16; k *= 1.04 + 0.12*r.Float64() {
			h.Springs = append(h.Springs, setup.GivenSpring{RateNPerMM: k, FreeLengthMM: 420, SolidMM: 160})
		}
		p := 4 * r.Float64()
		h.Preloads = preloads(p, p+2.5, p+5)
		if r.IntN(2) == 0 {
			bump(q)
		}
		if r.IntN(2) == 0 {
			h.Legs = &setup.GivenLegs{StanchionMM: 36, FreePerLegML: 340, OilPerLegML: 15}
		}
	})
	return q
}

func TestMorePreloadAndStiffnessNeverSagMore(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	for range 300 {
		q := random(r)
		a := ask(t, empty(), q)
		if want := len(a.Springs) * len(a.Preloads) * len(a.Bumps); a.Evaluated != want || len(a.Candidates) != want {
			t.Fatalf("%d of %d evaluated", a.Evaluated, want)
		}
		sag := map[[3]int16]float64{}
		for _, c := range a.Candidates {
			sag[[3]int16{c.Spring, c.Preload, c.Bump}] = c.SagMM
			if c.SagMM < 0 || c.SagMM > a.TravelMM || c.SagLowMM > c.SagMM || c.SagHighMM < c.SagMM {
				t.Fatalf("sag %+v", c)
			}
		}
		for at, mm := range sag {
			if next, ok := sag[[3]int16{at[0] + 1, at[1], at[2]}]; ok && next > mm+1e-9 {
				t.Fatalf("a stiffer spring sags more: %v", at)
			}
			if next, ok := sag[[3]int16{at[0], at[1] + 1, at[2]}]; ok && next > mm+1e-9 {
				t.Fatalf("more preload sags more: %v", at)
			}
		}
	}
}

func best(a setup.Answer) *setup.Setup {
	if a.Recommended != nil {
		return a.Recommended
	}
	return a.Nearest
}

func TestHeavierRidersNeverGetSofterSprings(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 2))
	for range 60 {
		q := random(r)
		rate, load := 0.0, 0.0
		for kg := 40.0; kg < 130; kg += 1.7 {
			q.Rider.MassKG = kg
			a := ask(t, empty(), q)
			if k := best(a).Spring.RateNPerMM; k < rate || a.Load.SpringN <= load {
				t.Fatalf("at %v kg: %v N/mm after %v", kg, k, rate)
			}
			rate, load = best(a).Spring.RateNPerMM, a.Load.SpringN
		}
	}
}

func TestSpacersNeverChangeTheRateWhileABarePairIsGoodEnough(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	compared := 0
	for range 400 {
		q := random(r)
		all := q.Hardware.Preloads
		q.Hardware.Preloads = all[:1]
		bare := ask(t, empty(), q)
		if bare.Status != setup.OK {
			continue
		}
		compared++
		q.Hardware.Preloads = all
		with := ask(t, empty(), q)
		if with.Recommended == nil || with.Recommended.Spring != bare.Recommended.Spring || with.Recommended.Preload.Setting != 1 {
			t.Fatalf("bare %+v, with spacers %s %+v", bare.Recommended.Spring, with.Status, with.Recommended)
		}
	}
	if compared < 200 {
		t.Fatalf("only %d questions had an answer without spacers", compared)
	}
}

func TestAnswerDoesNotDependOnTheOrderOfTheSprings(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 50 {
		q := random(r)
		a := ask(t, empty(), q)
		s := append([]setup.GivenSpring(nil), q.Hardware.Springs...)
		r.Shuffle(len(s), func(i, j int) { s[i], s[j] = s[j], s[i] })
		q.Hardware.Springs = s
		b := ask(t, empty(), q)
		if best(a).Spring != best(b).Spring || a.Status != b.Status {
			t.Fatal("another order, another answer")
		}
	}
}

// The written rule, by a second and slower program.
func TestRuleByBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 5))
	for range 300 {
		q := random(r)
		q.Discipline = []string{"", "jump", "assisted", "enduro"}[r.IntN(4)]
		a := ask(t, empty(), q)
		tol := a.Target.TolerancePoints / 100 * a.TravelMM
		good := func(c setup.Candidate) bool {
			return math.Abs(c.SagMM-a.Target.MM) <= tol || c.SagLowMM <= a.Target.MM && a.Target.MM <= c.SagHighMM
		}
		win := -1
		for i, c := range a.Candidates {
			if c.Reason.Rejected() {
				continue
			}
			if win < 0 {
				win = i
				continue
			}
			w := a.Candidates[win]
			cm, wm := math.Abs(c.SagMM-a.Target.MM), math.Abs(w.SagMM-a.Target.MM)
			switch {
			case good(c) != good(w):
				if good(c) {
					win = i
				}
			case good(c) && c.Preload != w.Preload:
				if c.Preload < w.Preload {
					win = i
				}
			case cm < wm-1e-9:
				win = i
			}
		}
		w := a.Candidates[win]
		if w.Spring != a.Candidates[0].Spring || w.Preload != a.Candidates[0].Preload {
			t.Fatalf("first is %+v, the rule says %+v", a.Candidates[0], w)
		}
	}
}

func TestDemoCatalog(t *testing.T) {
	rev := demo(t)
	answered := 0
	for i, f := range rev.Forks() {
		for _, mm := range f.TravelsMM {
			q := setup.Question{
				Owned:      &fitment.Owned{Fork: &rev.Forks()[i], ModelYear: int(f.YearFrom), TravelNow: fitment.Travel{MM: mm, How: fitment.ByMark}},
				Rider:      setup.Rider{MassKG: 72, MassIs: "bare"},
				Bicycle:    setup.Bicycle{MassKG: 15.5},
				Discipline: "trail", WithCurve: true,
			}
			a := ask(t, rev, q)
			if a.Status == setup.OK {
				answered++
				if a.Kind == "coil" && (a.Recommended.Spring.SKU == "" || a.MassChart == nil || a.Fit == nil) {
					t.Errorf("%s %d: %+v", f.ID, mm, a.Recommended)
				}
			} else if a.Text == "" || a.Refusal == nil || a.Refusal.Code != string(a.Status) {
				t.Errorf("%s %d: %s without a word", f.ID, mm, a.Status)
			}
			t.Logf("%s %d: %s %s %s", f.ID, mm, a.Cartridge, a.Status, a.Text)
		}
	}
	if answered < 30 {
		t.Errorf("only %d forks and travels get a setup", answered)
	}
}

func TestForkLimitIsARefusal(t *testing.T) {
	rev := demo(t)
	f := &rev.Forks()[0]
	limit := rev.Limits(f.ID)[0]
	q := rider(func(q *setup.Question) {
		q.Owned = &fitment.Owned{Fork: f, TravelNow: fitment.Travel{MM: 100, How: fitment.ByMark}}
		q.Hardware.TravelMM = 100
		q.Bicycle.MassKG = 12
		q.Rider.MassKG = limit.MaxRiderKG
	})
	q.Bicycle.MassKG = limit.MaxSystemKG - limit.MaxRiderKG
	if a := ask(t, rev, q); a.Status == setup.ForkLimit {
		t.Errorf("at the limit itself: %s", a.Text)
	}
	q.Rider.MassKG += 0.5
	a := ask(t, rev, q)
	if a.Status != setup.ForkLimit || a.Recommended != nil || a.Candidates != nil {
		t.Fatalf("past it: %s", a.Status)
	}
	near(t, "by", a.Refusal.By, 0.5, 1e-9)
}

func benchQuestion() setup.Question {
	return rider(func(q *setup.Question) {
		h := q.Hardware
		h.Springs = nil
		for i := range 30 {
			s := coilOf(385)
			s.RateNPerMM = 5 + 0.4*float64(i)
			h.Springs = append(h.Springs, s)
		}
		spacers(q)
		bump(q)
	})
}

func TestFullSearchCountsAll(t *testing.T) {
	a := ask(t, empty(), benchQuestion())
	if a.Evaluated != 450 || len(a.Candidates) != 450 || a.Status != setup.OK {
		t.Fatalf("%d evaluated, %s", a.Evaluated, a.Status)
	}
	for _, c := range a.Candidates {
		if c.Reason.Rejected() {
			t.Fatalf("rejected before the curve: %+v", c)
		}
	}
}

// The whole answer, sentences included, stays within its budget of memory. Its budget of time is
// watched by BenchmarkFullSearch: a test of time on a busy machine would lie.
func TestFullSearchIsCheap(t *testing.T) {
	rev, q := empty(), benchQuestion()
	if n := testing.AllocsPerRun(20, func() { _, _ = setup.Recommend(rev, q) }); n >= 100 {
		t.Errorf("%v allocations, want fewer than 100", n)
	}
}

func BenchmarkFullSearch(b *testing.B) {
	rev, q := empty(), benchQuestion()
	b.ReportAllocs()
	for b.Loop() {
		if a, err := setup.Recommend(rev, q); err != nil || a.Evaluated != 450 {
			b.Fatal(err)
		}
	}
}

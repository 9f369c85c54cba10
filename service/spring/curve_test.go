package spring_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"forkwright/service/spring"
)

// must unwraps a result whose status has to be OK.
func must[T any](t testing.TB) func(T, spring.Status) T {
	t.Helper()
	return func(v T, s spring.Status) T {
		t.Helper()
		if s != spring.OK {
			t.Fatalf("status %s", s)
		}
		return v
	}
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.10g, want %.10g +- %g", what, got, want, within)
	}
}

func pumped() spring.BumpStop {
	return spring.BumpStop{ContactMM: 100, AreaMM2: 250, VolumeML: 21, GaugeKPa: 300, AmbientKPa: spring.SeaLevelKPa}
}

func sealed() spring.LegAir { return spring.SealedLegs(2, 35, 310, 12, spring.SeaLevelKPa) }

// randomFork is any fork with any combination of elements and exponent.
func randomFork(t *testing.T, r *rand.Rand) spring.Curve {
	t.Helper()
	travel := 100 + 100*r.Float64()
	curve := must[spring.Curve](t)
	var c spring.Curve
	if r.IntN(4) == 0 {
		a := spring.AirSpring{
			PosAreaMM2: 800 + 200*r.Float64(), PosML: 220 + 100*r.Float64(), Spacers: r.IntN(3), SpacerML: 6,
			GaugeKPa: 300 + 500*r.Float64(), AmbientKPa: 80 + 22*r.Float64(), TravelMM: travel,
		}
		if r.IntN(3) > 0 {
			a.NegAreaMM2, a.NegML, a.BypassMM = 700+90*r.Float64(), 40+60*r.Float64(), 6*r.Float64()
		}
		var s spring.Status
		if c, s = a.Curve(); s != spring.OK && s != spring.DoesNotExtend {
			t.Fatalf("%+v: %s", a, s)
		}
	} else {
		c = curve(spring.NewCoil(travel, 4+12*r.Float64(), 8*r.Float64()))
	}
	if r.IntN(2) == 0 {
		b := spring.BumpStop{ContactMM: travel * (0.4 + 0.5*r.Float64()), AreaMM2: 200 + 100*r.Float64(), AmbientKPa: 101}
		b.GaugeKPa = float64(r.IntN(3)) * 200
		b.VolumeML = b.AreaMM2 * (travel - b.ContactMM) / 1000 * (1.05 + 2*r.Float64())
		c = curve(c.WithBump(b))
	}
	if r.IntN(4) == 0 {
		at := travel * (0.5 + 0.4*r.Float64())
		b := must[*spring.Bumper](t)(spring.NewBumper(at, []float64{0, 8, 16, 200}, []float64{float64(r.IntN(2)) * 20, 60, 200, 20000}))
		c = curve(c.WithBumper(b))
	}
	if r.IntN(2) == 0 {
		l := spring.SealedLegs(2, 32+6*r.Float64(), 280+200*r.Float64(), 20*r.Float64(), 101.3)
		l.AmbientKPa -= float64(r.IntN(2)) * 20
		c = curve(c.WithLegAir(l))
	}
	return curve(c.WithExponent([]float64{1, 1, 1.2, 1.3, 1.4}[r.IntN(5)]))
}

func TestForceRisesWithTravel(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		c := randomFork(t, r)
		last := math.Inf(-1)
		for i := range 200 {
			x := math.Min(c.TravelMM()*float64(i)/199, c.TravelMM())
			f := c.Force(x)
			if !(f > last) {
				t.Fatalf("%+v: force %v at %v mm after %v", c, f, x, last)
			}
			last = f
		}
		near(t, "end", c.EndN(), c.Force(c.TravelMM()), 1e-9*math.Abs(c.EndN()))
		near(t, "start", c.StartN(), c.Force(0), 1e-9*math.Abs(c.EndN()))
	}
}

// The sag is checked against bisection of Force itself, which knows no closed form.
func TestSagAgreesWithBisection(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	seen := map[spring.Status]int{}
	for range 20000 {
		c := randomFork(t, r)
		load := c.StartN() + (c.EndN()-c.StartN())*(1.3*r.Float64()-0.15)
		got := c.Sag(load)
		seen[got.Status]++
		lo, hi := 0.0, c.TravelMM()
		for range 80 {
			if mid := (lo + hi) / 2; c.Force(mid) < load {
				lo = mid
			} else {
				hi = mid
			}
		}
		if math.Abs(got.MM-(lo+hi)/2) > 1e-7 {
			t.Fatalf("%+v load %v: sag %v, bisection %v", c, load, got, lo)
		}
		near(t, "fraction", got.Fraction, got.MM/c.TravelMM(), 1e-12)
		want := spring.OK
		if load <= c.StartN() {
			want = spring.ToppedOut
		} else if load >= c.EndN() {
			want = spring.Bottomed
		}
		if got.Status != want {
			t.Fatalf("load %v between %v and %v: %s", load, c.StartN(), c.EndN(), got.Status)
		}
	}
	for _, s := range []spring.Status{spring.OK, spring.ToppedOut, spring.Bottomed} {
		if seen[s] < 500 {
			t.Errorf("only %d loads ended in %s", seen[s], s)
		}
	}
}

func TestMorePreloadOrRateNeverSagsMore(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 5000 {
		c := randomFork(t, r)
		if c.RateNPerMM() == 0 {
			continue
		}
		load := c.EndN() * r.Float64()
		sag := c.Sag(load).MM
		if s := c.WithCoil(c.RateNPerMM(), c.PreloadMM()+5*r.Float64()).Sag(load).MM; s > sag+1e-9 {
			t.Fatalf("more preload sags %v after %v", s, sag)
		}
		if s := c.WithCoil(c.RateNPerMM()*(1+r.Float64()), c.PreloadMM()).Sag(load).MM; s > sag+1e-9 {
			t.Fatalf("a stiffer spring sags %v after %v", s, sag)
		}
		if s := c.Sag(load * 1.01).MM; load > 0 && s < sag-1e-9 {
			t.Fatalf("more load sags %v after %v", s, sag)
		}
		low, high := c.SagBand(load, 20)
		if low.MM > sag+1e-9 || high.MM < sag-1e-9 {
			t.Fatalf("band %v..%v without %v", low.MM, high.MM, sag)
		}
	}
}

func TestTangentAndEnergyAgreeWithForce(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for range 300 {
		c := randomFork(t, r)
		const h = 1e-4
		x := c.TravelMM() * (0.01 + 0.37*r.Float64()) // before every stop
		near(t, "tangent", c.Tangent(x), (c.Force(x+h)-c.Force(x-h))/(2*h), 1e-5*c.Tangent(x))

		var work float64
		const n = 40000
		step := c.TravelMM() / n
		for i := range n {
			work += c.Force((float64(i)+0.5)*step) * step / 1000
		}
		near(t, "energy", c.Energy(c.TravelMM()).TotalJ, work, 2e-3*math.Abs(work)+0.05)
	}
}

func TestPreloadSpacerTakesItsLengthOffTheSag(t *testing.T) {
	c := must[spring.Curve](t)(spring.NewCoil(150, 8.4, 0))
	for _, p := range []float64{0.7, 2.1, 4.9} {
		near(t, "sag", c.Sag(310).MM-c.WithCoil(8.4, p).Sag(310).MM, p, 1e-12)
	}
}

func TestLoadInTheStepOfAPumpedStopRestsAtContact(t *testing.T) {
	c := must[spring.Curve](t)(must[spring.Curve](t)(spring.NewCoil(150, 9, 3)).WithBump(pumped()))
	before := c.Force(100)
	near(t, "step", c.ContactStepN(), 0.3*250, 1e-6)
	for _, load := range []float64{before + 1e-6, before + 37, before + 74.99} {
		if s := c.Sag(load); s.MM != 100 || s.Status != spring.OK {
			t.Errorf("load %v: %+v", load, s)
		}
	}
	if s := c.Sag(before - 9); math.Abs(s.MM-99) > 1e-9 {
		t.Errorf("a millimeter before contact: %+v", s)
	}
	if s := c.Sag(before + 76); s.MM <= 100 {
		t.Errorf("past the step: %+v", s)
	}
}

// A root past contact is not where the coil alone would put it. Figures worked by hand code.
func TestSagBeyondContact(t *testing.T) {
	b := spring.BumpStop{ContactMM: 160 * 2.0 / 3, AreaMM2: 500, VolumeML: 32, AmbientKPa: spring.SeaLevelKPa}
	c := must[spring.Curve](t)(must[spring.Curve](t)(spring.NewCoil(160, 5.5, 2)).WithBump(b))
	c = must[spring.Curve](t)(c.WithExponent(1.3))
	near(t, "with stop", c.Sag(680).MM, 118.76, 0.01)
	near(t, "without", must[spring.Curve](t)(spring.NewCoil(160, 5.5, 2)).Sag(680).MM, 121.636, 0.001)
}

func TestEndForceDependsOnTheExponent(t *testing.T) {
	b := spring.BumpStop{ContactMM: 160 * 2.0 / 3, AreaMM2: 500, VolumeML: 32, AmbientKPa: spring.SeaLevelKPa}
	for n, want := range map[float64]float64{1: 253, 1.2: 384, 1.3: 470, 1.4: 572} {
		near(t, "end force", b.End(160, n).ForceN, want, 0.6)
	}
	end := b.End(160, 1.3)
	if end.RatioPlausible != spring.OK {
		t.Errorf("ratio %v is %s", end.Ratio, end.RatioPlausible)
	}
	b.VolumeML = 31
	if end = b.End(160, 1.3); end.RatioPlausible != spring.HighRatio {
		t.Errorf("ratio %v is %s", end.Ratio, end.RatioPlausible)
	}
	b.VolumeML = 30
	if end = b.End(160, 1.3); end.RatioPlausible != spring.BadRatio {
		t.Errorf("ratio %v is %s", end.Ratio, end.RatioPlausible)
	}
	b.VolumeML = 500 * (160 - b.ContactMM) / 1000
	if s := b.End(160, 1.3).Status; s != spring.ChamberTooSmall {
		t.Errorf("a chamber as large as the swept volume: %s", s)
	}
}

// A stop of the size that fits inside a coil.
func TestBuildableStop(t *testing.T) {
	for psi, want := range map[float64][2]float64{50: {88, 471}, 100: {176, 855}} {
		b := spring.BumpStop{
			ContactMM: 160 * spring.DefaultContact, AreaMM2: spring.BoreArea(18), VolumeML: 20,
			GaugeKPa: psi * 6.894757, AmbientKPa: spring.SeaLevelKPa,
		}
		end := b.End(160, spring.Stroke)
		near(t, "at contact", end.ContactStepN, want[0], 0.6)
		near(t, "at the end", end.ForceN, want[1], 1)
		if end.RatioPlausible != spring.OK {
			t.Errorf("ratio %v is %s", end.Ratio, end.RatioPlausible)
		}
	}
}

func TestVolumeAndPressureForEndForceGiveThatForce(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 1))
	for range 500 {
		b := pumped()
		b.GaugeKPa = float64(r.IntN(4)) * 100
		n := 1 + 0.4*r.Float64()
		want := 120 + 900*r.Float64()
		v, s := b.VolumeForEndForce(want, 150, n)
		if s != spring.OK {
			t.Fatalf("%v N: %s", want, s)
		}
		b.VolumeML = v
		near(t, "by volume", b.End(150, n).ForceN, want, 1e-6*want)

		b = pumped()
		b.GaugeKPa, s = b.PressureForEndForce(want, 150, n)
		if s == spring.OutsideValidity {
			continue
		}
		near(t, "by pressure", b.End(150, n).ForceN, want, 1e-6*want)
	}
}

func TestLegAirAgainstHandFigures(t *testing.T) {
	for free, want := range map[float64]float64{350: 259, 225: 892} {
		l := spring.SealedLegs(2, 36, free, 0, spring.SeaLevelKPa)
		near(t, "end force", must[float64](t)(l.ForceAt(160, 160, 1.3)), want, 1)
	}
	oil, less := spring.SealedLegs(2, 36, 350, 40, 101), spring.SealedLegs(2, 36, 310, 0, 101)
	near(t, "oil is lost volume", must[float64](t)(oil.ForceAt(90, 160, 1.3)), must[float64](t)(less.ForceAt(90, 160, 1.3)), 1e-9)
	l := spring.SealedLegs(2, 36, 350, 0, spring.SeaLevelKPa)
	l.AmbientKPa = must[spring.Air](t)(spring.Atmosphere(1000)).PressureKPa
	near(t, "pushes out at 1000 m", must[float64](t)(l.ForceAt(0, 160, 1)), 23.3, 0.1)
	if _, s := spring.SealedLegs(2, 36, 160, 0, 101).ForceAt(160, 160, 1); s != spring.ChamberTooSmall {
		t.Errorf("no room: %s", s)
	}
}

func TestRateForRestsTheLoadThere(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 1))
	for range 1000 {
		c := randomFork(t, r)
		x := c.TravelMM() * (0.1 + 0.25*r.Float64())
		k, s := c.RateFor(400, x)
		if c.RateNPerMM() == 0 {
			if s != spring.InvalidInput {
				t.Fatalf("an air spring has no rate: %s", s)
			}
			continue
		}
		if s != spring.OK {
			t.Fatal(s)
		}
		near(t, "sag", c.WithCoil(k, c.PreloadMM()).Sag(400).MM, x, 1e-7)
	}
}

func TestPressureForCarriesTheLoad(t *testing.T) {
	a := spring.AirSpring{
		PosAreaMM2: 880, PosML: 240, Spacers: 2, SpacerML: 7, NegAreaMM2: 790, NegML: 65, BypassMM: 5,
		AmbientKPa: 95, TravelMM: 150,
	}
	for _, n := range []float64{1, 1.3} {
		g := must[float64](t)(a.PressureFor(305, 33, n))
		b := a
		b.GaugeKPa = g
		c, _ := b.Curve()
		near(t, "force", must[spring.Curve](t)(c.WithExponent(n)).Force(33), 305, 1e-9)
	}
	alone := spring.AirSpring{PosAreaMM2: 880, PosML: 240, AmbientKPa: 95, TravelMM: 150}
	if _, s := alone.PressureFor(5, 33, 1); s != spring.RiderTooLight {
		t.Errorf("a load below the unpumped spring: %s", s)
	}
	a.GaugeKPa, a.NegAreaMM2, a.BypassMM = 400, 879, 12
	if _, s := a.Curve(); s != spring.DoesNotExtend {
		t.Errorf("a negative chamber that wins: %s", s)
	}
	a.PosML = 140
	if _, s := a.Curve(); s != spring.ChamberTooSmall {
		t.Errorf("spacers that leave no volume: %s", s)
	}
	// The same arithmetic at rest as in a fast stroke.
	a = spring.AirSpring{PosAreaMM2: 900, PosML: 230, NegAreaMM2: 820, NegML: 60, BypassMM: 4, GaugeKPa: 550, AmbientKPa: spring.SeaLevelKPa, TravelMM: 160}
	near(t, "slow", must[spring.Curve](t)(a.Curve()).Force(32), 264, 0.5)
}

func TestSampleShowsTheStepAndBothEnds(t *testing.T) {
	c := must[spring.Curve](t)(must[spring.Curve](t)(spring.NewCoil(150, 9, 3)).WithBump(pumped()))
	c = must[spring.Curve](t)(c.WithLegAir(sealed()))
	for _, n := range []int{0, 161, 200} {
		points := slices.Collect(c.Sample(n))
		if len(points) < max(n, spring.MinPoints) || points[0].TravelMM != 0 || points[len(points)-1].TravelMM != 150 {
			t.Fatalf("%d points from %v to %v", len(points), points[0].TravelMM, points[len(points)-1].TravelMM)
		}
		at := 0
		for i, p := range points {
			near(t, "sum", p.TotalN, p.SpringN+p.StopN+p.LegN, 1e-9)
			if p.TravelMM == 100 {
				at++
			}
			if i > 0 && (p.TravelMM < points[i-1].TravelMM || p.TotalN <= points[i-1].TotalN || c.Energy(p.TravelMM).TotalJ < c.Energy(points[i-1].TravelMM).TotalJ) {
				t.Fatalf("point %d falls: %+v after %+v", i, p, points[i-1])
			}
		}
		if at != 2 {
			t.Errorf("contact stands %d times", at)
		}
	}
	var last spring.Point
	for last = range c.Sample(0) {
	}
	near(t, "at the end", last.TotalN, c.EndN(), 1e-9)
}

func TestBadFiguresHaveAStatusAndNoNumber(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, bad := range [][3]float64{{0, 9, 0}, {150, 0, 0}, {150, -9, 0}, {150, 9, -1}, {nan, 9, 0}, {150, inf, 0}, {150, 9, nan}} {
		if c, s := spring.NewCoil(bad[0], bad[1], bad[2]); s != spring.InvalidInput || c.Sag(100).Status != spring.InvalidInput {
			t.Errorf("%v: %s, sag %v", bad, s, c.Sag(100))
		}
	}
	c := must[spring.Curve](t)(spring.NewCoil(150, 9, 3))
	if s := c.Sag(nan); s.Status != spring.InvalidInput {
		t.Errorf("a load that is no number: %+v", s)
	}
	if s := c.Sag(-50); s.Status != spring.ToppedOut || s.MM != 0 {
		t.Errorf("a negative load: %+v", s)
	}
	if s := c.Sag(inf); s.Status != spring.Bottomed || s.MM != 150 || s.Fraction != 1 {
		t.Errorf("an infinite load: %+v", s)
	}
	for _, x := range []float64{-1, 150.1, nan} {
		if f := c.Force(x); !math.IsNaN(f) {
			t.Errorf("force %v at %v mm", f, x)
		}
	}
	for _, n := range []float64{0.99, 1.41, nan} {
		if _, s := c.WithExponent(n); s != spring.InvalidInput {
			t.Errorf("exponent %v: %s", n, s)
		}
	}
	for _, change := range []func(*spring.BumpStop){
		func(b *spring.BumpStop) { b.AreaMM2 = 0 }, func(b *spring.BumpStop) { b.VolumeML = nan },
		func(b *spring.BumpStop) { b.ContactMM = 151 }, func(b *spring.BumpStop) { b.GaugeKPa = -1 },
		func(b *spring.BumpStop) { b.GaugeKPa = nan }, func(b *spring.BumpStop) { b.AmbientKPa = -1 },
	} {
		b := pumped()
		change(&b)
		if got, s := c.WithBump(b); s != spring.InvalidInput || got != c {
			t.Errorf("%+v: %s", b, s)
		}
	}
	bumper := must[*spring.Bumper](t)(spring.NewBumper(120, []float64{0, 10, 20}, []float64{0, 50, 90}))
	if _, s := c.WithBumper(bumper); s != spring.OutsideTable {
		t.Errorf("a table that ends before the travel: %s", s)
	}
	if f, s := bumper.At(141); s != spring.OutsideTable || f != 0 {
		t.Errorf("beyond the table: %v %s", f, s)
	}
	for _, force := range [][]float64{{0, 50, 50}, {0, 50, 40}, {0, 50}, {-1, 50, 90}, nil} {
		if _, s := spring.NewBumper(120, []float64{0, 10, 20}, force); s != spring.BadTable {
			t.Errorf("forces %v: %s", force, s)
		}
	}
}

func TestHotFunctionsDoNotAllocate(t *testing.T) {
	fork, pairs := search(t)
	checks := map[string]func(){
		"sag":        func() { fork.Sag(330) },
		"sag beyond": func() { fork.Sag(1200) },
		"force":      func() { fork.Force(120) },
		"bump":       func() { fork.WithBump(pumped()) },
		"nearest":    func() { spring.NearestSag(fork, pairs, 330, 0.2, 0.03) },
		"energy":     func() { fork.Energy(150) },
	}
	for name, f := range checks {
		if n := testing.AllocsPerRun(100, f); n != 0 {
			t.Errorf("%s allocates %v times", name, n)
		}
	}
}

func search(t testing.TB) (spring.Curve, []spring.Pair) {
	rates := make([]float64, 30)
	for i := range rates {
		rates[i] = 5 * math.Pow(1.04, float64(i))
	}
	c := must[spring.Curve](t)(spring.NewCoil(150, 9, 3))
	c = must[spring.Curve](t)(c.WithBump(pumped()))
	return must[spring.Curve](t)(c.WithLegAir(sealed())), spring.Pairs(rates, []float64{0, 2.2, 4.4})
}

// BenchmarkSearch is a whole search: 30 rates, 3 preloads, 5 bump settings, leg air.
func BenchmarkSearch(b *testing.B) {
	fork, pairs := search(b)
	b.ReportAllocs()
	for b.Loop() {
		stop := pumped()
		for i := range 5 {
			stop.GaugeKPa = float64(i) * 120
			c, _ := fork.WithBump(stop)
			spring.NearestSag(c, pairs, 330, 0.2, 0.03)
		}
	}
}

// BenchmarkSearchWithEnds adds what a candidate list shows: a sag band and the end force in
// a fast stroke.
func BenchmarkSearchWithEnds(b *testing.B) {
	fork, pairs := search(b)
	b.ReportAllocs()
	var sink float64
	for b.Loop() {
		stop := pumped()
		for i := range 5 {
			stop.GaugeKPa = float64(i) * 120
			slow, _ := fork.WithBump(stop)
			fast, _ := slow.WithExponent(spring.Stroke)
			for _, p := range pairs {
				c := slow.WithCoil(p.RateNPerMM, p.PreloadMM)
				low, high := c.SagBand(330, 25)
				sink += low.MM + high.MM + fast.WithCoil(p.RateNPerMM, p.PreloadMM).EndN()
			}
		}
	}
	_ = sink
}

func benchmarkSag(b *testing.B, c spring.Curve, load float64) {
	b.ReportAllocs()
	for b.Loop() {
		c.Sag(load)
	}
}

func BenchmarkSagCoil(b *testing.B) {
	benchmarkSag(b, must[spring.Curve](b)(spring.NewCoil(150, 9, 3)), 330)
}

func BenchmarkSagLegAir(b *testing.B) {
	fork, _ := search(b)
	benchmarkSag(b, fork, 330)
}

func BenchmarkSagBeyondContactFast(b *testing.B) {
	fork, _ := search(b)
	benchmarkSag(b, must[spring.Curve](b)(fork.WithExponent(1.3)), 1500)
}

func BenchmarkForce(b *testing.B) {
	fork, _ := search(b)
	fork = must[spring.Curve](b)(fork.WithExponent(1.3))
	b.ReportAllocs()
	for b.Loop() {
		fork.Force(140)
	}
}

func BenchmarkSample(b *testing.B) {
	fork, _ := search(b)
	b.ReportAllocs()
	for b.Loop() {
		for range fork.Sample(0) {
		}
	}
}

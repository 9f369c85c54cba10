package setup_test

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/fault"
	"forkwright/service/setup"
)

func whatIf(change ...func(*setup.Question)) setup.Question {
	q := worked()
	q.WhatIf = &setup.WhatIf{SlopeDeg: ptr(12), BrakingG: ptr(0.4), LeanForwardMM: ptr(60), MassCenterHeightMM: 1080}
	for _, f := range change {
		f(&q)
	}
	return q
}

// The rider of the page, by hand: 95 kg on 931.63 N, 373.7 N of it in front, so that the center
// of mass lies 500.6 mm ahead of the rear axle. Head angle 64 degrees, 3.6 kg of wheel, and
// 22 N of leg air off what the springs carry; 8.6 N/mm with 4 mm of preload.
func TestWhatIf(t *testing.T) {
	a := ask(t, empty(), whatIf())
	x := a.WhatIfs
	if x == nil || len(x.Cases) != 4 {
		t.Fatalf("%+v", x)
	}
	near(t, "ahead", x.AheadMM, 500.6, 0.1)
	if x.AheadIs != setup.Derived {
		t.Errorf("it was not said: %s", x.AheadIs)
	}
	for i, c := range []struct {
		what                         string
		wheel, brake, axial, spring_ float64
	}{
		{"level", 373.7, 0, 304.15, 282.15},
		{"slope", 533.2, 193.7, 529.85, 507.85},  // 931.63 (500.6 cos 12 + 1080 sin 12)/1248
		{"braking", 696.2, 372.65, 751.2, 729.2}, // 373.7 + 372.65 x 1080/1248
		{"lean_forward", 410.9, 0, 337.6, 315.6}, // 79 kg 60 mm ahead: 37.25 N more
	} {
		got := x.Cases[i]
		if got.What != c.what || got.Status != setup.OK || !got.Stands {
			t.Fatalf("%d: %+v", i, got)
		}
		near(t, c.what+" wheel", got.WheelN, c.wheel, 0.1)
		near(t, c.what+" brake", got.BrakeN, c.brake, 0.1)
		near(t, c.what+" axial", got.AxialN, c.axial, 0.1)
		near(t, c.what+" spring", got.Spring, c.spring_, 0.1)
		near(t, c.what+" stands", got.MM, c.spring_/8.6-4, 0.02) // all before the bump stop
		near(t, c.what+" change", got.ChangeMM, got.MM-x.Cases[0].MM, 1e-9)
	}
	near(t, "level is the sag", x.Cases[0].MM, a.Recommended.Sag.MM, 1e-9)
}

func TestWhatIfChangesNoRecommendation(t *testing.T) {
	with, without := ask(t, empty(), whatIf()), ask(t, empty(), worked())
	with.WhatIfs = nil
	if d := cmp.Diff(without, with, cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })); d != "" {
		t.Error(d)
	}
}

func TestWhatIfWithoutFiguresIsRefused(t *testing.T) {
	for _, c := range []struct {
		name string
		f    func(*setup.Question)
		at   string
	}{
		{"no height", func(q *setup.Question) { q.WhatIf.MassCenterHeightMM = 0 }, "/what_if/mass_center_height_mm"},
		{"no wheelbase", func(q *setup.Question) { q.Bicycle.Frame.WheelbaseMM = 0 }, "/bicycle/frame/wheelbase_mm"},
		{"nothing asked", func(q *setup.Question) { q.WhatIf = &setup.WhatIf{} }, "/what_if"},
		{"a cliff", func(q *setup.Question) { q.WhatIf.SlopeDeg = ptr(80) }, "/what_if/slope_deg"},
		{"ahead of the wheel", func(q *setup.Question) { q.WhatIf.MassCenterAheadMM = 1300 }, "/what_if/mass_center_ahead_mm"},
		{"a load without masses", func(q *setup.Question) { q.Load.AxialN = ptr(300) }, "/load/axial_n"},
	} {
		_, err := setup.Recommend(empty(), whatIf(c.f))
		if f := fault.As(err); f == nil || len(f.Fields) != 1 || f.Fields[0].Pointer != c.at {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	lean := whatIf(func(q *setup.Question) { q.WhatIf = &setup.WhatIf{LeanForwardMM: ptr(60)} })
	if a := ask(t, empty(), lean); len(a.WhatIfs.Cases) != 2 {
		t.Errorf("leaning needs no height: %+v", a.WhatIfs)
	}
}

func TestWhatIfAWheelLifts(t *testing.T) {
	a := ask(t, empty(), whatIf(func(q *setup.Question) { q.WhatIf.BrakingG, q.WhatIf.SlopeDeg = ptr(1.1), ptr(-30) }))
	slope, brake := a.WhatIfs.Cases[1], a.WhatIfs.Cases[2]
	if slope.Status != setup.FrontLifts || slope.WheelN != 0 || slope.Stands {
		t.Errorf("uphill: %+v", slope)
	}
	if brake.Status != setup.RearLifts || brake.AxialN != 0 || brake.Stands {
		t.Errorf("braking: %+v", brake)
	}
}

// Without a recommendation there is no curve to stand on; the loads are answered.
func TestWhatIfOfARefusal(t *testing.T) {
	a := ask(t, empty(), whatIf(func(q *setup.Question) {
		q.Hardware.Springs = []setup.GivenSpring{{RateNPerMM: 20, FreeLengthMM: 354, SolidMM: 150}}
	}))
	if a.Status != setup.RiderTooLight || a.WhatIfs.Cases[1].AxialN == 0 || a.WhatIfs.Cases[1].Stands {
		t.Errorf("%s %+v", a.Status, a.WhatIfs)
	}
}

package fastener_test

import (
	"math"
	"testing"

	"forkwright/service/fastener"
	"forkwright/service/unit"
)

func TestJudgeFindsTheSlipOfUnit(t *testing.T) {
	for _, c := range []struct {
		name   string
		kind   fastener.Kind
		number float64
		factor float64
		want   fastener.Status
		slip   string
	}{
		{"cap in inch pounds", fastener.TopCap, 200, unit.NMPerInLbf, fastener.Plausible, ""},
		{"the same as N m", fastener.TopCap, 200, 1, fastener.Implausible, "in-lbf"},
		{"the same as foot pounds", fastener.TopCap, 200, unit.NMPerFtLbf, fastener.Implausible, "in-lbf"},
		{"foot, N m taken for inch pounds", fastener.FootFastener, 6, unit.NMPerInLbf, fastener.Implausible, "N m"},
		{"cap, foot pounds taken for inch pounds", fastener.TopCap, 9, unit.NMPerInLbf, fastener.Implausible, "ft-lbf"},
		{"foot at the fence", fastener.FootFastener, 12, 1, fastener.Plausible, ""},
		{"foot past the fence", fastener.FootFastener, 12.1, 1, fastener.Implausible, ""},
		{"no unit explains it", fastener.FootFastener, 5000, 1, fastener.Implausible, ""},
		{"axle in N m", fastener.Axle, 15, 1, fastener.Plausible, ""},
		{"axle in inch pounds, said as N m", fastener.Axle, 110, 1, fastener.Implausible, "in-lbf"},
		{"a fastener of no known kind", fastener.AnyFastener, 59, 1, fastener.Plausible, ""},
		{"unknown kind", "crown", 15, 1, fastener.NoRange, ""},
		{"nothing", fastener.TopCap, 0, 1, fastener.InvalidInput, ""},
		{"not a number", fastener.TopCap, math.NaN(), 1, fastener.InvalidInput, ""},
	} {
		got := fastener.Judge(c.kind, c.number*c.factor, c.number)
		if got.Status != c.want || got.Slip != c.slip {
			t.Errorf("%s: %+v, want %s %q", c.name, got, c.want, c.slip)
		}
	}
}

// A third or three times is where doubt ends.
func TestFarFromEveryRange(t *testing.T) {
	for torque, far := range map[float64]bool{0.9: true, 1.1: false, 35.9: false, 36.1: true} {
		if got := fastener.Judge(fastener.FootFastener, torque, torque); got.Status != fastener.Implausible || got.Far != far {
			t.Errorf("%v N m: %+v", torque, got)
		}
	}
}

func TestTorqueAndForceAreInverse(t *testing.T) {
	force, s := fastener.ForceFrom(24.8567, 0.2, 28)
	if s != fastener.Plausible || math.Abs(force-4440) > 5 {
		t.Errorf("%v %s", force, s)
	}
	torque, _ := fastener.ShortForm(0.2, force, 28)
	if math.Abs(torque-24.8567) > 1e-9 {
		t.Errorf("back to %v", torque)
	}
	if _, s := fastener.ForceFrom(10, 0, 28); s != fastener.InvalidInput {
		t.Errorf("no friction: %s", s)
	}
}

func TestLongForm(t *testing.T) {
	m6 := fastener.Thread{PitchMM: 1, PitchDiameter: 5.350, BearingMM: 8.2, ThreadFriction: 0.14, FaceFriction: 0.14}
	got, s := m6.LongForm(9000)
	if s != fastener.Plausible || math.Abs(got-10.54) > 0.01 {
		t.Errorf("%v %s", got, s)
	}
}

package fluid_test

import (
	"math"
	"testing"

	"forkwright/service/fluid"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.10g, want %.10g +- %g", what, got, want, within)
	}
}

func TestLine(t *testing.T) {
	l, s := fluid.Line40And100(15.8, 3.9)
	if s != fluid.OK {
		t.Fatal(s)
	}
	for _, c := range []struct {
		temp, want float64
		status     fluid.Status
	}{{40, 15.8, fluid.OK}, {100, 3.9, fluid.OK}, {20, 33.2, fluid.Extrapolated}, {0, 89.7, fluid.Extrapolated}} {
		nu, s := l.AtC(c.temp)
		near(t, "nu", nu, c.want, 0.05)
		if s != c.status {
			t.Errorf("%v C: %s, want %s", c.temp, s, c.status)
		}
	}
	last := math.Inf(1)
	for temp := -30.0; temp < 120; temp++ {
		nu, _ := l.AtC(temp)
		if !(nu < last) {
			t.Fatalf("thickens when heated to %v", temp)
		}
		last = nu
	}
	if _, s := l.AtC(180); s != fluid.OutsideValidity {
		t.Errorf("thinner than the equation bears: %s", s)
	}
	if _, s := l.AtC(-274); s != fluid.InvalidInput {
		t.Errorf("below absolute zero: %s", s)
	}
	if _, s := (fluid.Line{}).AtC(40); s != fluid.InvalidInput {
		t.Errorf("no measured points: %s", s)
	}
}

func TestLineRefusesNonsense(t *testing.T) {
	for name, p := range map[string][4]float64{
		"thickens": {4, 313.15, 15, 373.15}, "one temperature": {15, 313.15, 4, 313.15},
		"no viscosity": {0, 313.15, 4, 373.15}, "not a number": {math.NaN(), 313.15, 4, 373.15}, "gas": {15, 313.15, 0.2, 373.15},
	} {
		if _, s := fluid.NewLine(p[0], p[1], p[2], p[3]); s != fluid.InvalidInput {
			t.Errorf("%s: %s", name, s)
		}
	}
	if _, s := fluid.NewLine(5, 313.15, 1.9, 373.15); s != fluid.OutsideValidity {
		t.Errorf("thin: %s", s)
	}
}

func TestViscosityIndex(t *testing.T) {
	i, s := fluid.ViscosityIndex(15.8, 3.9)
	if s != fluid.OK || i.Rounded() != 147 {
		t.Errorf("%+v %s", i, s)
	}
	if _, s := fluid.ViscosityIndex(5, 1.99); s != fluid.NotDefined {
		t.Errorf("below 2 cSt: %s", s)
	}
	if _, s := fluid.ViscosityIndex(4, 4); s != fluid.InvalidInput {
		t.Errorf("no thinner when hot: %s", s)
	}
}

// The pieces of L and H meet within 0.25 % and rise; so a digit lost in the table shows. An oil
// at L has index 0, one at H 100.
func TestIndexCurvesAreContinuous(t *testing.T) {
	last, _ := fluid.ViscosityIndex(1e6, 2)
	for y := 2.0005; y < 100; y += 0.0005 {
		i, s := fluid.ViscosityIndex(1e6, y)
		if s != fluid.OK {
			t.Fatal(s)
		}
		if math.Abs(i.L/last.L-1) > 0.0025 || math.Abs(i.H/last.H-1) > 0.0025 || !(i.L > i.H) {
			t.Fatalf("at %v: L %v after %v, H %v after %v", y, i.L, last.L, i.H, last.H)
		}
		last = i
	}
	for _, y := range []float64{2.5, 4, 4.7, 6, 6.7, 7.3, 8, 10, 13, 16, 20, 25, 35, 50, 60, 80} {
		at, _ := fluid.ViscosityIndex(1e6, y)
		zero, _ := fluid.ViscosityIndex(at.L, y)
		hundred, _ := fluid.ViscosityIndex(at.H, y)
		if zero.Rounded() != 0 || hundred.Rounded() != 100 {
			t.Errorf("at %v: %v and %v", y, zero.Value, hundred.Value)
		}
	}
}

func TestISOVG(t *testing.T) {
	for nu, want := range map[float64]string{
		8.99: "", 9: "VG 10", 11: "VG 10", 11.01: "", 13.5: "VG 15", 16.5: "VG 15", 19.8: "VG 22", 26: "",
		28.8: "VG 32", 35.2: "VG 32", 41.4: "VG 46", 50.6: "VG 46", 2.2: "VG 2", 6.8: "VG 7", 0: "", -3: "",
	} {
		got, ok := fluid.ISOVG(nu)
		if got != want || ok != (want != "") {
			t.Errorf("%v cSt: %q, want %q", nu, got, want)
		}
	}
}

func TestBottles(t *testing.T) {
	for _, c := range []struct {
		total, bottle float64
		want          int
		status        fluid.Status
	}{
		{0, 250, 0, fluid.OK}, {250, 250, 1, fluid.OK}, {250.001, 250, 2, fluid.OK}, {0.30000000000000004, 0.1, 3, fluid.OK},
		{100, 0, 0, fluid.InvalidInput}, {-1, 250, 0, fluid.InvalidInput}, {math.NaN(), 250, 0, fluid.InvalidInput},
	} {
		if n, s := fluid.Bottles(c.total, c.bottle); n != c.want || s != c.status {
			t.Errorf("%v in %v: %d %s", c.total, c.bottle, n, s)
		}
	}
	total, _ := fluid.Job{PerLegML: []float64{15, 28}, Forks: 3, SoakML: 9}.TotalML()
	near(t, "legs differ", total, 156, 1e-9)
	if _, s := (fluid.Job{PerLegML: []float64{-5}, Forks: 1}).TotalML(); s != fluid.InvalidInput {
		t.Errorf("a negative leg: %s", s)
	}
}

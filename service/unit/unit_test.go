package unit

import (
	"encoding/json"
	"math"
	"testing"

	"forkwright/service/fault"
)

// Factors follow from the exact definitions of inch, pound and standard gravity
// (NIST SP 811, appendix B); the printed digits are those of its table.
func TestFactorsAreThePublishedOnes(t *testing.T) {
	for _, c := range []struct {
		value float64
		unit  string
		dim   Dimension
		want  float64
		rel   float64
	}{
		{1, "lbf", Force, 4.448222, 1e-6},      // NIST SP 811: 4.448 222 E+00
		{1, "psi", Pressure, 6.894757, 1e-6},   // 6.894 757 E+00
		{1, "in-lbf", Torque, 0.1129848, 1e-6}, // 1.129 848 E-01
		{1, "ft-lbf", Torque, 1.355818, 1e-6},  // 1.355 818 E+00
		{1, "lbf/in", Rate, 0.1751268, 1e-6},   // 1.751 268 E+02 N/m
		{1, "lb", Mass, 0.45359237, 1e-12},     // exact
		{1, "in", Length, 25.4, 1e-12},         // exact
		{1, "in3", Volume, 16.387064, 1e-12},   // exact
		{212, "degF", Temperature, 100, 1e-12}, // definition of the scale
		{-40, "degF", Temperature, -40, 1e-12}, // where both scales meet
	} {
		got, err := Quantity{c.value, c.unit}.SI(c.dim)
		if err != nil || math.Abs(got-c.want) > c.rel*math.Abs(c.want) {
			t.Errorf("%g %s = %.9g %v, want %.9g", c.value, c.unit, got, err, c.want)
		}
	}
}

func TestEveryUnitGoesThereAndBack(t *testing.T) {
	for dim := range scales {
		for _, u := range Units(dim) {
			si, err := Quantity{12.5, u}.SI(dim)
			if err != nil {
				t.Fatal(err)
			}
			if back := From(si, dim, u); math.Abs(back-12.5) > 1e-9 {
				t.Errorf("%s: 12.5 comes back as %v", u, back)
			}
		}
	}
}

func TestForeignUnitsAndSillyNumbersAreRefused(t *testing.T) {
	for _, q := range []Quantity{{1, "psi"}, {1, ""}, {1, "N/MM"}, {math.NaN(), "N/mm"}, {math.Inf(1), "N/mm"}} {
		if v, err := q.SI(Rate); err == nil {
			t.Errorf("%v was taken as a rate of %v", q, v)
		}
	}
	if v := From(1, Rate, "psi"); !math.IsNaN(v) {
		t.Errorf("a rate in psi is %v, want no number", v)
	}
}

func TestAQuantityNeedsBothItsMembers(t *testing.T) {
	for text, pointer := range map[string]string{
		`{"unit":"lbf"}`:                     "/value",
		`{"value":1}`:                        "/unit",
		`{"value":1,"unit":"N","units":"N"}`: "/units",
		`{"VALUE":1,"unit":"N"}`:             "/VALUE",
		`{"value":"1","unit":"N"}`:           "/value",
		`{"value":null,"unit":"N"}`:          "/value",
		`{"value":1,"unit":2}`:               "/unit",
		`[1,"N"]`:                            "",
		`null`:                               "",
	} {
		var q Quantity
		f := fault.As(q.UnmarshalJSON([]byte(text)))
		if f == nil || f.Fields[0].Pointer != pointer {
			t.Errorf("%s: %+v, want a fault at %q", text, f, pointer)
		}
	}
	var q Quantity
	if err := json.Unmarshal([]byte(`{"unit":"lbf","value":0}`), &q); err != nil || q != (Quantity{0, "lbf"}) {
		t.Errorf("%+v %v", q, err)
	}
}

func TestDisplayRoundsOnceHalfAwayFromZero(t *testing.T) {
	for _, c := range []struct {
		si     float64
		dim    Dimension
		system System
		want   string
	}{
		{9.125, Rate, Metric, "9.13 N/mm"},
		{-0.04, Length, Metric, "0.0 mm"},
		{31.25, Length, Metric, "31.3 mm"},
		{25.4, Length, Imperial, "1.00 in"},
		{455, Pressure, Imperial, "66 psi"},
		{78, Mass, Imperial, "172.0 lb"},
		{1, Area, Imperial, ""},
		{1, Length, None, ""},
	} {
		if got := Display(c.si, c.dim, c.system); got != c.want {
			t.Errorf("%v %s in %s: %q, want %q", c.si, c.dim, c.system, got, c.want)
		}
	}
}

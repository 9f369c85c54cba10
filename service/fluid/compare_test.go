package fluid_test

import (
	"testing"

	"forkwright/service/fluid"
)

func known(nu40, nu100 float64) fluid.Fluid {
	v := fluid.Fluid{Duty: "damper"}
	if nu40 != 0 {
		v.At40 = &nu40
	}
	if nu100 != 0 {
		v.At100 = &nu100
	}
	return v
}

func TestCompare(t *testing.T) {
	for _, c := range []struct {
		name          string
		asked, atHand fluid.Fluid
		want          fluid.Verdict
	}{
		{"itself", known(15, 3.7), known(15, 3.7), fluid.MayStandIn},
		{"a tenth thicker", known(15, 3.7), known(16.5, 4.07), fluid.MayStandIn},
		{"at the edge", known(20, 4), known(23, 4.6), fluid.MayStandIn},
		{"a fifth thicker", known(15, 3.7), known(18, 3.7), fluid.MayNot},
		{"a fifth thinner when hot", known(15, 3.7), known(15, 2.96), fluid.MayNot},
		{"its viscosity when hot missing", known(15, 3.7), known(15, 0), fluid.NotKnown},
		{"missing, and outside where it is known", known(15, 3.7), known(30, 0), fluid.MayNot},
		{"that of the one asked for missing", known(0, 0), known(15, 3.7), fluid.NotKnown},
		// Alike where data sheets look, but of a far steeper line: half again in frost.
		{"too thick in the cold", known(15, 3.7), known(17.2, 3.2), fluid.MayNot},
	} {
		got, s := fluid.Compare(c.asked, c.atHand)
		if s != fluid.OK || got.Verdict != c.want || len(got.At) != 5 {
			t.Errorf("%s: %s %s, want %s: %+v", c.name, got.Verdict, s, c.want, got.At)
		}
	}
	steep, _ := fluid.Compare(known(15, 3.7), known(17.2, 3.2))
	if hot, warm, frost := steep.At[0], steep.At[1], steep.At[4]; !hot.Within || !warm.Within || frost.Within || frost.TempC != fluid.ColdC || frost.Measured {
		t.Errorf("only the cold speaks against it: %+v", steep.At)
	}
	for _, bad := range []fluid.Fluid{known(-1, 3), known(3, 15)} {
		if _, s := fluid.Compare(known(15, 3.7), bad); s != fluid.InvalidInput {
			t.Errorf("%v: %s", bad, s)
		}
	}
}

func TestCompareDuties(t *testing.T) {
	bath, grease := known(15, 3.7), fluid.Fluid{Duty: "grease"}
	bath.Duty = "bath"
	if got, _ := fluid.Compare(known(15, 3.7), bath); got.Verdict != fluid.MayNot || got.Reason != fluid.OtherDuty {
		t.Errorf("bath oil in a damper: %+v", got)
	}
	if got, _ := fluid.Compare(grease, grease); got.Verdict != fluid.NotKnown || got.Reason != fluid.Grease {
		t.Errorf("greases: %+v", got)
	}
}

// Where the two data sheets agree, so do the lines; a fluid is as thick as Walther's line says.
func TestCompareInTheCold(t *testing.T) {
	got, _ := fluid.Compare(known(15, 3.7), known(15, 3.7))
	line, _ := fluid.Line40And100(15, 3.7)
	for _, c := range got.At {
		want, _ := line.AtC(c.TempC)
		if d := c.For - want; c.Difference != 0 || d > 1e-9*want || d < -1e-9*want {
			t.Errorf("%v degC: %v, want %v", c.TempC, c.For, want)
		}
	}
}

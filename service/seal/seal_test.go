package seal_test

import (
	"math"
	"testing"

	"forkwright/service/seal"
)

// Printed dynamic gland tables give these ranges; ours come within 0.3 percentage points.
func TestSqueezeReproducesPrintedTables(t *testing.T) {
	for _, c := range []struct{ section, tolerance, depthMin, depthMax, least, most float64 }{
		{0.070, 0.003, 0.055, 0.057, 0.15, 0.25},
		{0.103, 0.003, 0.087, 0.090, 0.10, 0.18},
		{0.210, 0.005, 0.183, 0.188, 0.085, 0.15},
	} {
		b, s := seal.Squeeze(c.section*25.4, c.tolerance*25.4, c.depthMin*25.4, c.depthMax*25.4)
		if s != seal.OK || math.Abs(b.Min-c.least) > 0.0035 || math.Abs(b.Max-c.most) > 0.0035 {
			t.Errorf("%v in: %+v %s", c.section, b, s)
		}
		if s := seal.JudgeSqueeze(b, seal.Dynamic); s != seal.OK {
			t.Errorf("%v in judged %s", c.section, s)
		}
	}
}

func TestStretch(t *testing.T) {
	s, status := seal.Stretch(32, 31.34)
	if math.Abs(s-0.0211) > 5e-5 || status != seal.OK {
		t.Errorf("%v %s", s, status)
	}
	w, status := seal.StretchedSection(3.53, 31.34, 32)
	if math.Abs(w-3.497) > 5e-4 || status != seal.OK {
		t.Errorf("%v %s", w, status)
	}
	for groove, want := range map[float64]seal.Status{99: seal.TooLoose, 100.5: seal.Acceptable, 102: seal.OK, 104: seal.Acceptable, 106: seal.TooTight, 0: seal.InvalidInput} {
		if _, got := seal.Stretch(groove, 100); got != want {
			t.Errorf("groove %v: %s, want %s", groove, got, want)
		}
	}
	if _, got := seal.StretchedSection(3, 100, 107); got != seal.OutOfRange {
		t.Errorf("far stretched: %s", got)
	}
}

func TestJudgments(t *testing.T) {
	for _, c := range []struct {
		b    seal.Band
		use  seal.Use
		want seal.Status
	}{
		{seal.Band{Min: 0.05, Max: 0.15}, seal.Dynamic, seal.TooLoose},
		{seal.Band{Min: 0.10, Max: 0.27}, seal.Dynamic, seal.TooTight},
		{seal.Band{Min: 0.10, Max: 0.27}, seal.Static, seal.TooLoose},
		{seal.Band{Min: 0.16, Max: 0.27}, seal.Static, seal.OK},
	} {
		if got := seal.JudgeSqueeze(c.b, c.use); got != c.want {
			t.Errorf("%+v %s: %s, want %s", c.b, c.use, got, c.want)
		}
	}
	if _, s := seal.Fill(3, 2.6, 3.1, seal.Dynamic); s != seal.Overfilled {
		t.Errorf("88 %% dynamic: %s", s)
	}
	if _, s := seal.Fill(3, 2.6, 3.1, seal.Static); s != seal.OK {
		t.Errorf("88 %% static: %s", s)
	}
	if _, s := seal.Fill(3, 2.6, 2.98, seal.Static); s != seal.Overfilled {
		t.Errorf("91 %% static: %s", s)
	}
	if _, s := seal.Fill(3, 0, 3.1, seal.Static); s != seal.InvalidInput {
		t.Errorf("no depth: %s", s)
	}
	if _, s := seal.Squeeze(2, 2, 1, 1.1); s != seal.InvalidInput {
		t.Errorf("tolerance as large as the ring: %s", s)
	}
}

func TestSizesAreOfTheirSeries(t *testing.T) {
	section := map[byte]float64{'0': 1.78, '1': 2.62, '2': 3.53}
	last := seal.Size{}
	for _, s := range seal.Sizes() {
		if s.SectionMM != section[s.Dash[1]] {
			t.Errorf("%s has section %v", s.Dash, s.SectionMM)
		}
		if s.SectionMM == last.SectionMM && s.InnerMM <= last.InnerMM {
			t.Errorf("%s is not larger than %s", s.Dash, last.Dash)
		}
		last = s
	}
}

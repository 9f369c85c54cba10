package setup_test

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
	"forkwright/service/setup"
	"forkwright/service/spring"
)

func shelf() *catalog.Revision {
	t := &catalog.Tables{}
	for _, s := range []struct {
		sku, mark  string
		rate, wire float64
	}{{"X-048", "H 48", 48, 4.6}, {"X-052", "H 52", 52, 4.7}, {"X-056", "H 56", 56, 4.8}, {"X-061", "H 61", 61, 4.9}} {
		t.Springs = append(t.Springs, catalog.Spring{SKU: s.sku, Family: "X", Rate: s.rate, RateUnit: "lbf/in", Mark: s.mark, FreeLengthMM: 380,
			WireMM: s.wire, MeanMM: 25, ActiveCoils: 34.4, TotalCoils: 36.4, Ends: "squared_ground", Material: "EN10270-2-FDSiCr"})
	}
	return catalog.Build(t, 1)
}

func TestIdentifySpring(t *testing.T) {
	press := func(rate, length float64) *setup.TwoLoads {
		return &setup.TwoLoads{Load1N: 60, Length1MM: 350, Load2N: 60 + rate*length, Length2MM: 350 - length}
	}
	for name, c := range map[string]struct {
		clues     setup.Clues
		want      []string
		separated bool
		by        string
	}{
		"by mark, as a person types it":     {setup.Clues{Mark: "h-56"}, []string{"X-056"}, true, "mark"},
		"unknown mark":                      {setup.Clues{Mark: "Z 9"}, nil, false, "mark"},
		"scale, pressed far":                {setup.Clues{Scale: press(56*lbfIn, 60)}, []string{"X-056"}, true, "scale"},
		"scale, hardly pressed":             {setup.Clues{Scale: press(53*lbfIn, 10)}, []string{"X-052", "X-056", "X-048", "X-061"}, false, "scale"},
		"a caliper cannot separate":         {setup.Clues{Caliper: &setup.Caliper{WireMM: 4.8, MeanMM: 25, ActiveCoils: 34.4, FreeLengthMM: 380}}, []string{"X-056", "X-052", "X-061"}, false, "geometry"},
		"another length":                    {setup.Clues{Caliper: &setup.Caliper{WireMM: 4.8, MeanMM: 25, ActiveCoils: 34.4, FreeLengthMM: 350}}, nil, false, "geometry"},
		"mark and scale agree":              {setup.Clues{Mark: "H 56", Scale: press(56*lbfIn, 60)}, []string{"X-056"}, true, "mark"},
		"mark and scale contradict":         {setup.Clues{Mark: "H 48", Scale: press(61*lbfIn, 60)}, []string{"X-048"}, false, "mark"},
		"worn mark, the scale takes over":   {setup.Clues{Mark: "4?", Scale: press(48*lbfIn, 60)}, []string{"X-048"}, true, "scale"},
		"another family is not on the list": {setup.Clues{Mark: "H 56", Families: []string{"Y"}}, nil, false, "mark"},
	} {
		got, err := setup.IdentifySpring(shelf(), c.clues)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var skus []string
		for _, m := range got.Candidates {
			skus = append(skus, m.Spring.SKU)
		}
		if diff := cmp.Diff(c.want, skus); diff != "" || got.Separated != c.separated || got.By != c.by || got.Text == "" {
			t.Errorf("%s: %+v\n%s", name, got, diff)
		}
	}
	s := press(56*lbfIn, 60)
	s.Load1N, s.Load2N = s.Load2N, s.Load1N
	for name, c := range map[string]setup.Clues{"nothing": {}, "loads exchanged": {Scale: s}, "hardly moved": {Scale: press(56*lbfIn, 1)}} {
		if _, err := setup.IdentifySpring(shelf(), c); err == nil {
			t.Errorf("%s: no fault", name)
		}
	}
}

func TestAssessSpring(t *testing.T) {
	g := setup.Geometry{WireMM: 4.8, MeanMM: 25, ActiveCoils: 30, TotalCoils: 32, Ends: spring.SquaredGround, FreeLengthMM: 345,
		Material: "EN10270-2-FDSiCr", TravelMM: 160, PreloadMM: 2.54, RateNPerMM: 11.2, BoreMM: 33, ShaftMM: 10}
	a, err := setup.AssessSpring(g)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "rate", a.RateNPerMM, 79500*math.Pow(4.8, 4)/(8*25*25*25*30), 1e-9)
	near(t, "block", a.BlockMM, 153.6, 1e-9)
	near(t, "gaps", a.GapStaticMM, 20.259, 0.0005)
	near(t, "margin", a.Clearance.MarginMM, 8.60, 0.005)
	near(t, "tensile", a.TensileMPa, 1806.7, 0.1)
	if !a.Agrees || severe(a) {
		t.Errorf("%+v", a.Findings)
	}
	for name, c := range map[string]struct {
		change func(*setup.Geometry)
		want   string
	}{
		"another rate": {func(g *setup.Geometry) { g.RateNPerMM = 15 }, "rate_geometry"},
		"bind":         {func(g *setup.Geometry) { g.FreeLengthMM, g.PreloadMM = 310, 5.08 }, "coil_bind"},
		"gap":          {func(g *setup.Geometry) { g.FreeLengthMM = 330 }, "below_minimum_gap"},
		"bore":         {func(g *setup.Geometry) { g.BoreMM = 29.5 }, "too_wide"},
		"shaft":        {func(g *setup.Geometry) { g.ShaftMM = 21 }, "too_narrow"},
	} {
		bad := g
		c.change(&bad)
		got, err := setup.AssessSpring(bad)
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, f := range got.Findings {
			found = found || f.Code == c.want && f.Severe
		}
		if !found {
			t.Errorf("%s: %+v", name, got.Findings)
		}
	}
	if _, err := setup.AssessSpring(setup.Geometry{WireMM: 4.8, MeanMM: 25, OuterMM: 30}); err == nil {
		t.Error("two diameters, no coils, no material: no fault")
	}
}

func severe(a setup.Assessment) bool {
	for _, f := range a.Findings {
		if f.Severe {
			return true
		}
	}
	return false
}

func air(q *setup.Question) {
	q.Load = setup.Overrides{FrontShareRider: ptr(0.42), FrontShareBicycle: ptr(0.47), UnsprungKG: ptr(3.5), LowerLegAirN: ptr(0)}
	q.Hardware = &setup.Hardware{TravelMM: 160, Air: &setup.GivenAir{PistonMM2: 900, VolumeML: 230}}
}

func TestAirSpring(t *testing.T) {
	a := ask(t, empty(), rider(air))
	if a.Status != setup.OK || a.Kind != "air" {
		t.Fatalf("%s: %s", a.Status, a.Text)
	}
	near(t, "pressure", a.Air.GaugeKPa, 326.4, 0.1)
	near(t, "sag", a.Air.Sag.Percent, 20, 1e-6)
	negative := func(q *setup.Question) {
		x := q.Hardware.Air
		x.NegativeMM2, x.NegativeML, x.EqualizeMM, x.SpacerML, x.SpacersMax = 820, 60, 4, 9, 5
	}
	a = ask(t, empty(), rider(air, negative))
	if len(a.Air.Choices) != 6 || a.Evaluated != 6 {
		t.Fatalf("%+v", a.Air.Choices)
	}
	for i := 1; i < 6; i++ {
		if a.Air.Choices[i].EndN <= a.Air.Choices[i-1].EndN {
			t.Error("a spacer raises the end force")
		}
	}
	limits := func(least, most float64) setup.Answer {
		return ask(t, empty(), rider(air, func(q *setup.Question) { q.Hardware.Air.MinKPa, q.Hardware.Air.MaxKPa = least, most }))
	}
	if x := limits(100, 300); x.Status != setup.RiderTooHeavy || math.Abs(x.Refusal.By-26.4) > 0.1 {
		t.Errorf("past the part's limit: %s %+v", x.Status, x.Refusal)
	}
	if x := limits(400, 900); x.Status != setup.RiderTooLight {
		t.Errorf("below the part's least: %s", x.Status)
	}
	if x := ask(t, empty(), rider(air, func(q *setup.Question) { q.Hardware.Air.VolumeML = 140 })); x.Status != "chamber_too_small" {
		t.Errorf("140 mL: %s", x.Status)
	}
}

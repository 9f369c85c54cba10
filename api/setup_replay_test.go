package api_test

import (
	"cmp"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/quagmt/udecimal"

	"forkwright/service/stock"
)

// ---- the physics, asked through the API with hardware given in the question ------------------

type replayedSag struct {
	MM, Percent float64
	Display     map[string]string
}

type replayedCandidate struct {
	RateNPerMM float64 `json:"rate_n_per_mm"`
	PreloadMM  float64 `json:"preload_mm"`
	SagMM      float64 `json:"sag_mm"`
	Rejected   bool
	Reason     string
}

type replayedSetup struct {
	Status  string
	Refusal *struct {
		Code           string
		By, Have, Want float64
		Unit           string
	}
	Load struct {
		AxialN  float64 `json:"axial_n"`
		SpringN float64 `json:"spring_n"`
	}
	Recommended, Nearest *struct {
		Spring struct {
			RateNPerMM float64 `json:"rate_n_per_mm"`
		}
		Preload struct{ MM float64 }
		Sag     replayedSag
		Bind    *struct {
			BindAtMM float64 `json:"bind_at_mm"`
			MarginMM float64 `json:"margin_mm"`
			Status   string
		}
		BumpStop *struct {
			ContactMM float64 `json:"contact_mm"`
			SetKPa    float64 `json:"set_kpa"`
		} `json:"bump_stop"`
		StartN  float64 `json:"start_n"`
		EndN    float64 `json:"end_n"`
		EnergyJ float64 `json:"energy_j"`
	}
	Evaluated  int
	Candidates []replayedCandidate
	WhatIf     *struct {
		Ahead float64 `json:"mass_center_ahead_mm"`
		Cases []struct {
			What, Status string
			WheelN       *float64 `json:"wheel_n"`
			AxialN       *float64 `json:"axial_n"`
			StandsMM     *float64 `json:"stands_mm"`
		}
	} `json:"what_if"`
	Curves []struct {
		Name   string
		Points []struct {
			TravelMM float64 `json:"travel_mm"`
			ForceN   float64 `json:"force_n"`
		}
	}
}

// replay asks for a setup; the checker behind it holds every answer to the contract.
func replay(t *testing.T, m *memory, query, body string) replayedSetup {
	t.Helper()
	a := m.post(shopOnly, "/v1/setups"+query, body)
	if a.Status != 200 {
		t.Fatalf("%s\n%d %s", body, a.Status, a.Body)
	}
	var got struct{ Answer replayedSetup }
	a.JSON(t, &got)
	return got.Answer
}

func (s replayedSetup) force(t *testing.T, atMM float64) float64 {
	t.Helper()
	for _, p := range s.Curves[0].Points {
		if math.Abs(p.TravelMM-atMM) < 1e-6 {
			return p.ForceN
		}
	}
	t.Fatalf("no point at %v mm in %+v", atMM, s.Curves[0].Name)
	return 0
}

// exactly is as good as the three decimals of an answer allow.
func exactly(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 0.00051) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// 85 kg with gear on 15 kg, shares 0.42 and 0.47, 3.5 kg of wheel, 65 degrees: 439.67 N.
const (
	replayedRider = `"rider":{"mass_kg":85,"mass_is":"kitted"},"bicycle":{"mass_kg":15,"frame":{"head_angle_deg":65}},"target_sag_percent":20,
		"load":{"front_share_rider":0.42,"front_share_bicycle":0.47,"unsprung_kg":3.5,"lower_leg_air_n":0,"friction_n":0}`
	replayedInches = `"rider":{"mass":{"value":187.392922857,"unit":"lb"},"mass_is":"kitted"},"bicycle":{"mass":{"value":33.0693393277,"unit":"lb"},"frame":{"head_angle_deg":65}},
		"target_sag_percent":20,"load":{"front_share_rider":0.42,"front_share_bicycle":0.47,"unsprung_kg":3.5,"lower_leg_air_n":0,"friction_n":0}`
)

func TestSagReplayed(t *testing.T) {
	m := newMemory(t)
	for _, c := range []struct {
		name, rider, hardware string
		mm, percent           float64
	}{
		{"a tenth of an inch", replayedRider, `{"travel_mm":160,"springs":[{"rate":{"value":55,"unit":"lbf/in"}}],"preloads":[{"length":{"value":0.1,"unit":"in"}}]}`, 33.6776826614, 21.0485516634},
		{"two tenths", replayedRider, `{"travel_mm":160,"springs":[{"rate":{"value":55,"unit":"lbf/in"}}],"preloads":[{"length":{"value":0.2,"unit":"in"}}]}`, 31.1376826614, 19.4610516634},
		{"none", replayedRider, `{"travel_mm":160,"springs":[{"rate":{"value":55,"unit":"lbf/in"}}],"preloads":[{"mm":0}]}`, 36.2176826614, 22.6360516634},
		{"all in inches and pounds", replayedInches, `{"travel":{"value":6.299212598425,"unit":"in"},"springs":[{"rate":{"value":55,"unit":"lbf/in"}}],"preloads":[{"length":{"value":0.1,"unit":"in"}}]}`, 33.6776826614, 21.0485516634},
		{"all in newtons and millimeters", replayedRider, `{"travel_mm":160,"springs":[{"rate_n_per_mm":9.631980}],"preloads":[{"mm":2.54}]}`, 33.67768, 21.04855},
	} {
		s := replay(t, m, "?units=imperial", `{`+c.rider+`,"hardware":`+c.hardware+`}`)
		if s.Status != "ok" || s.Recommended == nil {
			t.Errorf("%s: %s", c.name, s.Status)
			continue
		}
		exactly(t, c.name+": sag", s.Recommended.Sag.MM, c.mm)
		exactly(t, c.name+": percent", s.Recommended.Sag.Percent, c.percent)
		if start := s.Recommended.Preload.MM * s.Recommended.Spring.RateNPerMM; math.Abs(s.Recommended.StartN-start) > 0.005 {
			t.Errorf("%s: starts at %v, want %v", c.name, s.Recommended.StartN, start)
		}
		if !strings.Contains(s.Recommended.Sag.Display["mm"], "in") {
			t.Errorf("%s: shown as %q", c.name, s.Recommended.Sag.Display)
		}
	}
}

// Nearest to the target is 55 lbf/in with both spacers, and the answer shows it; recommended is
// 65 with none, 19.2 %, because that is good enough and leaves the spacers as trim.
func TestRatesAndSpacersReplayed(t *testing.T) {
	s := replay(t, newMemory(t), "", `{`+replayedRider+`,"tolerance_points":3,"candidates":"all","hardware":{"travel_mm":160,"springs":[
		{"rate":{"value":75,"unit":"lbf/in"}},{"rate":{"value":35,"unit":"lbf/in"}},{"rate":{"value":45,"unit":"lbf/in"}},{"rate":{"value":55,"unit":"lbf/in"}},{"rate":{"value":65,"unit":"lbf/in"}}],
		"preloads":[{"mm":5.08},{"mm":0},{"mm":2.54}]}}`)
	if s.Evaluated != 15 || len(s.Candidates) != 15 {
		t.Fatalf("%d evaluated, %d shown", s.Evaluated, len(s.Candidates))
	}
	near := slices.Clone(s.Candidates)
	slices.SortFunc(near, func(x, y replayedCandidate) int { return cmp.Compare(math.Abs(x.SagMM-32), math.Abs(y.SagMM-32)) })
	exactly(t, "nearest rate", near[0].RateNPerMM, 9.632)
	exactly(t, "nearest preload", near[0].PreloadMM, 5.08)
	exactly(t, "nearest sag", near[0].SagMM, 31.1376826614)
	if near[0].Reason != "more_preload" || near[0].Rejected {
		t.Errorf("%+v", near[0])
	}
	exactly(t, "rate", s.Recommended.Spring.RateNPerMM, 11.383)
	exactly(t, "preload", s.Recommended.Preload.MM, 0)
}

const replayedStop = `"load":{"axial_n":345.4,"lower_leg_air_n":0,"friction_n":0},"with_curve":true,"curve_points":161,"target_sag_percent":20,"hardware":{"travel_mm":160,"exponent":1.3,
	"springs":[{"rate_n_per_mm":10}],"preloads":[{"mm":2.54}],"bump_stop":{"area_mm2":500,"volume_ml":32,"gauges_kpa":[GAUGE]}}`

func TestBumpStopReplayed(t *testing.T) {
	m := newMemory(t)
	stop := func(gauge, more string) replayedSetup {
		return replay(t, m, "", `{`+more+strings.Replace(replayedStop, "GAUGE", gauge, 1)+`}`)
	}
	flat := stop("0", "")
	exactly(t, "contact", flat.Recommended.BumpStop.ContactMM, 106.666666667)
	exactly(t, "at 130 mm", flat.force(t, 130), 10*132.54+40.6878959678)
	exactly(t, "end force", flat.Recommended.EndN, 2095.07274301)
	exactly(t, "energy", flat.Recommended.EnergyJ, 137.054808641)

	// Where a jump at contact is harsh the setting is still evaluated, and the only one.
	pumped := stop("200", "")
	exactly(t, "pumped, at 145 mm", pumped.force(t, 145), 1918.88752783)

	// At 3000 m the air outside is 70.1085 kPa (ISO 2533). Not pumped, a chamber has as much less
	// to push with; pumped at sea level, its air is the same and pushes against less.
	const sea, high = 101.325, 70.1085
	exactly(t, "3000 m, at 130 mm", stop("0", `"conditions":{"altitude_m":3000},`).force(t, 130), 10*132.54+40.6878959678*high/sea)
	lifted := stop("200", `"conditions":{"altitude_m":3000,"set_altitude_m":0},`)
	exactly(t, "pumped below, at 145 mm", lifted.force(t, 145), 1918.88752783+0.5*(sea-high))
	exactly(t, "its reading where it was pumped", lifted.Recommended.BumpStop.SetKPa, 200)
}

func TestSpringLengthReplayed(t *testing.T) {
	m := newMemory(t)
	coil := func(figures string) replayedSetup {
		return replay(t, m, "", `{"load":{"axial_n":345.4,"lower_leg_air_n":0,"friction_n":0},"target_sag_percent":20,
			"hardware":{"travel_mm":160,"springs":[{"rate_n_per_mm":10,"free_length_mm":345,`+figures+`}],"preloads":[{"mm":2.54}]}}`)
	}
	long := coil(`"solid_length_mm":153.6,"gap_sum_mm":20.259375`)
	exactly(t, "bind at", long.Recommended.Bind.BindAtMM, 188.86)
	exactly(t, "margin", long.Recommended.Bind.MarginMM, 8.600625)
	if long.Recommended.Bind.Status != "ok" {
		t.Errorf("%+v", long.Recommended.Bind)
	}
	solid := coil(`"solid_length_mm":190`)
	if solid.Status != "coil_bind" || solid.Recommended != nil || solid.Nearest == nil || solid.Refusal == nil || solid.Refusal.Unit != "mm" {
		t.Fatalf("bind before full travel: %+v", solid)
	}
	exactly(t, "short by", solid.Refusal.By, 160-(345-2.54-190))
	close := coil(`"solid_length_mm":170,"gap_sum_mm":20`)
	if close.Status != "below_minimum_gap" || close.Recommended != nil {
		t.Fatalf("closer than the least gap: %+v", close)
	}
	exactly(t, "short of the gap by", close.Refusal.By, 160-(345-2.54-190))
}

func TestTinyChamberReplayed(t *testing.T) {
	body := strings.NewReplacer(`"volume_ml":32`, `"volume_ml":20`, "GAUGE", "0").Replace(replayedStop)
	s := replay(t, newMemory(t), "", `{`+body+`}`)
	if s.Status != "chamber_too_small" || s.Recommended != nil || s.Refusal == nil || s.Refusal.Unit != "mL" {
		t.Fatalf("%+v", s)
	}
	exactly(t, "holds", s.Refusal.Have, 20)
	exactly(t, "short by", s.Refusal.By, 500*160.0/3/1000-20)
}

// ---- what if, fluids, stock -----------------------------------------------------------------

const replayedWhatIf = `{"rider":{"mass_kg":79,"mass_is":"kitted"},"bicycle":{"mass_kg":16,"frame":{"wheelbase_mm":1248,"head_angle_deg":64}},
	"load":{"front_share_rider":0.38721,"front_share_bicycle":0.47,"unsprung_kg":3.6,"lower_leg_air_n":22,"friction_n":24},"target_sag_percent":20,
	"hardware":{"travel_mm":150,"springs":[{"rate_n_per_mm":8.6}],"preloads":[{"mm":4}]},"what_if":`

func TestWhatIfThroughTheAPI(t *testing.T) {
	m := newMemory(t)
	s := replay(t, m, "", replayedWhatIf+`{"braking_g":0.4,"slope_deg":60.5e-1,"mass_center_height_mm":1080}}`)
	if s.WhatIf == nil || len(s.WhatIf.Cases) != 3 || s.Status != "ok" {
		t.Fatalf("%+v", s.WhatIf)
	}
	brake := s.WhatIf.Cases[2]
	for what, v := range map[string][3]float64{"wheel": {*brake.WheelN, 696.2}, "axial": {*brake.AxialN, 751.2}, "stands": {*brake.StandsMM, 80.8}, "level": {*s.WhatIf.Cases[0].StandsMM, s.Recommended.Sag.MM}} {
		if math.Abs(v[0]-v[1]) > 0.1 {
			t.Errorf("%s is %v, want %v", what, v[0], v[1])
		}
	}
	over := replay(t, m, "", replayedWhatIf+`{"braking_g":1.1,"mass_center_height_mm":1080}}`).WhatIf.Cases[1]
	if over.Status != "rear_wheel_would_lift" || over.WheelN != nil || over.StandsMM != nil {
		t.Errorf("%+v", over)
	}
	a := m.post(shopOnly, "/v1/setups", replayedWhatIf+`{"braking_g":0.4}}`)
	if a.Status != 422 || !strings.Contains(string(a.Body), `"/what_if/mass_center_height_mm"`) {
		t.Errorf("%d %s", a.Status, a.Body)
	}
}

func TestFluidsAreCompared(t *testing.T) {
	m := newMemory(t)
	for _, c := range []struct{ name, body, verdict, reason, shows string }{
		{"itself", `{"for":"LN-D5-500","at_hand":{"sku":"LN-D5-500"}}`, "may_stand_in", "", `"seals_are_the_makers_word"`},
		{"by its sheet", `{"for":"LN-D5-500","at_hand":{"duty":"damper","viscosity_40_mm2_s":15.5,"viscosity_100_mm2_s":3.8}}`, "may_stand_in", "", `"temperature_c":-10`},
		{"far too thick", `{"for":"LN-D5-500","at_hand":{"sku":"LN-D10-500"}}`, "may_not", "viscosity_differs", `"within":false`},
		{"a viscosity missing", `{"for":"LN-D5-500","at_hand":{"sku":"VE-DO-500"}}`, "not_in_our_data", "viscosity_missing", `"where_to_look"`},
		{"for another duty", `{"for":"LN-D5-500","at_hand":{"sku":"LN-B22-250"}}`, "may_not", "other_duty", `"comparison":[]`},
		{"greases", `{"for":"LN-GR-50","at_hand":{"sku":"QB-GRC-30"}}`, "not_in_our_data", "grease", `"common practice, no source"`},
	} {
		a := m.post(shopOnly, "/v1/fluids/compare", c.body)
		var got struct {
			Answer struct{ Verdict, Reason string }
		}
		a.JSON(t, &got)
		if a.Status != 200 || got.Answer.Verdict != c.verdict || got.Answer.Reason != c.reason || !strings.Contains(string(a.Body), c.shows) {
			t.Errorf("%s: %d %s", c.name, a.Status, a.Body)
		}
	}
	for _, c := range []struct{ body, at string }{
		{`{"for":"` + demoCoil + `","at_hand":{"sku":"LN-D5-500"}}`, `"/for"`},
		{`{"for":"LN-D5-500","at_hand":{"viscosity_40_mm2_s":15}}`, `"/at_hand/duty"`},
		{`{"for":"LN-D5-500","at_hand":{"sku":"LN-D5-500","duty":"bath"}}`, `"/at_hand"`},
		{`{"for":"LN-D5-500","at_hand":{"duty":"damper","viscosity_40_mm2_s":5,"viscosity_100_mm2_s":15}}`, `"/at_hand/viscosity_100_mm2_s"`},
	} {
		if a := m.post(shopOnly, "/v1/fluids/compare", c.body); a.Status != 422 || !strings.Contains(string(a.Body), c.at) {
			t.Errorf("%s: %d %s", c.body, a.Status, a.Body)
		}
	}
}

func TestPartsOfAForkInStock(t *testing.T) {
	m := newMemory(t)
	listed := func(query string) (skus []string) {
		a := m.get(shopOnly, "/v1/forks/"+demoFork+"/parts?travel_now_mm=160&"+query)
		var got struct {
			Answer struct{ Parts []struct{ SKU string } }
			Live   *struct {
				Stock []struct{ SKU, Availability string }
			}
		}
		a.JSON(t, &got)
		if a.Status != 200 || got.Live == nil || len(got.Live.Stock) != len(got.Answer.Parts) || a.Header.Get("Cache-Control") != "private, no-store" || a.Header.Get("ETag") != "" {
			t.Fatalf("%s: %d %v %s", query, a.Status, a.Header, a.Body)
		}
		for _, p := range got.Answer.Parts {
			skus = append(skus, p.SKU)
		}
		return skus
	}
	all := listed("live=stock&kind=coil_cartridge,spring&limit=100")
	if len(all) < 4 {
		t.Fatalf("too few parts to tell: %v", all)
	}
	if none := listed("in_stock=yes&limit=100"); len(none) != 0 {
		t.Errorf("nothing lies anywhere, and there are %v", none)
	}
	promised := lying("a", all[2], 2)
	promised.Promised = udecimal.MustFromInt64(2, 0)
	m.levels = []stock.Level{lying("a", all[1], 1), promised, lying("a", all[3], 0), lying("a", "NO-SUCH-PART", 5), lying("b", all[0], 9)} // by location
	const kinds = "&kind=coil_cartridge,spring"
	for _, c := range []struct {
		query string
		want  []string
	}{
		{"in_stock=yes" + kinds, all[:2]},
		{"in_stock=yes&locations=b" + kinds, all[:1]},
		{"in_stock=yes&limit=1" + kinds, all[:1]},
	} {
		if got := listed(c.query); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.query, got, c.want)
		}
	}
	first := m.get(shopOnly, "/v1/forks/"+demoFork+"/parts?travel_now_mm=160&in_stock=yes&limit=1"+kinds)
	var page struct {
		Answer struct {
			Next string `json:"next_cursor"`
		}
	}
	first.JSON(t, &page)
	if got := listed("in_stock=yes&limit=1" + kinds + "&cursor=" + page.Answer.Next); page.Answer.Next == "" || !slices.Equal(got, all[1:2]) {
		t.Errorf("the next page: %v", got)
	}
	m.stockErr = errors.New("dial: refused")
	if a := m.get(shopOnly, "/v1/forks/"+demoFork+"/parts?in_stock=yes"); a.Status != 503 || !strings.Contains(string(a.Body), "stock_unavailable") {
		t.Errorf("stock away: %d %s", a.Status, a.Body)
	}
}

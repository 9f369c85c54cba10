package fitment

import (
	"fmt"
	"testing"

	"forkwright/service/catalog"
)

// small is a valid catalog that tests damage: one maker, two chassis of equal stanchion, three
// forks, cartridges of three travels, springs, two generations of seals, a fluid, a tire rack.
func small(change ...func(*catalog.Tables)) *catalog.Revision {
	t := &catalog.Tables{
		Makers: []catalog.Maker{{Code: "ostra", Name: "Ostra"}, {Code: "velm", Name: "Velm"}},
		Chassis: []catalog.Chassis{
			{Code: "O35", Maker: "ostra", Name: "O35", StanchionMM: 35, Crown: "single", FootFastener: "nut", SpringSide: "left"},
			{Code: "V35", Maker: "velm", Name: "V35", StanchionMM: 35, Crown: "single", FootFastener: "bolt", SpringSide: "right"},
		},
		Forks: []catalog.Fork{
			{ID: "tarn", Chassis: "O35", Model: "Tarn", Name: "Ostra Tarn", YearFrom: 2019, YearTo: 2022, WheelSizes: []string{"27.5", "29"}, TravelsMM: []int{140, 150, 160}, Uses: []string{"trail", "enduro"}},
			{ID: "tarn-s", Chassis: "O35", Model: "Tarn S", Name: "Ostra Tarn S", YearFrom: 2020, YearTo: 2021, WheelSizes: []string{"29"}, TravelsMM: []int{160}},
			{ID: "brae", Chassis: "V35", Model: "Brae", Name: "Velm Brae", YearFrom: 2018, YearTo: 2020, WheelSizes: []string{"29"}, TravelsMM: []int{150}},
		},
		ForkOptions: []catalog.ForkOption{
			{Fork: "tarn", Fact: "seal_generation", Value: "g1", YearTo: 2021, DateTo: "2021-02-28"},
			{Fork: "tarn", Fact: "seal_generation", Value: "g2", YearFrom: 2021, DateFrom: "2021-03-01"},
			{Fork: "tarn", Fact: "tube", Value: "standard"},
			{Fork: "tarn", Fact: "tube", Value: "thick", YearFrom: 2022},
		},
		Limits: []catalog.Limit{
			{Fork: "tarn", WheelSize: "27.5", MaxTravelMM: 170, Source: "s"},
			{Fork: "tarn", WheelSize: "29", MaxTravelMM: 160, Source: "s"},
			{Fork: "tarn", MaxRiderKG: 115, MaxSystemKG: 135, Source: "s"},
		},
		FactTexts: []catalog.FactText{
			{Fact: "seal_generation", Lang: "en", Text: "Which letter is cast above the wiper?"},
			{Fact: "seal_generation", Lang: "de", Text: "Welcher Buchstabe steht über dem Abstreifer?"},
			{Fact: "tube", Lang: "en", Text: "What is the wall of the stanchion?"},
		},
		Parts: []catalog.Part{
			part("C-150", catalog.KindCoilCartridge), part("C-160", catalog.KindCoilCartridge), part("C-170", catalog.KindCoilCartridge),
			part("A-160", catalog.KindAirCartridge),
			part("S-40", catalog.KindSpring), part("S-45", catalog.KindSpring), part("S-50", catalog.KindSpring),
			seal("K-G1"), seal("K-G2"),
			part("SP-10", catalog.KindTravelSpacer), part("OIL", catalog.KindFluid), part("DAMP", catalog.KindFluid),
			part("RACK", catalog.KindAccessory), part("NUT", catalog.KindFootNut), part("KIT", catalog.KindServiceKit),
		},
		CoilCartridges: []catalog.CoilCartridge{{SKU: "C-150", TravelMM: 150}, {SKU: "C-160", TravelMM: 160}, {SKU: "C-170", TravelMM: 170}},
		AirCartridges:  []catalog.AirCartridge{{SKU: "A-160", TravelMM: 160}},
		Springs: []catalog.Spring{
			{SKU: "S-40", Family: "F", Rate: 7, RateUnit: "N/mm"}, {SKU: "S-45", Family: "F", Rate: 7.6, RateUnit: "N/mm"}, {SKU: "S-50", Family: "F", Rate: 8.2, RateUnit: "N/mm"},
		},
		Fluids: []catalog.Fluid{{SKU: "OIL", Duty: "bath"}, {SKU: "DAMP", Duty: "damper"}},
		Fitments: []catalog.Fitment{
			row("r-c150", "C-150", catalog.AtChassis, "O35", catalog.Fits),
			row("r-c160", "C-160", catalog.AtChassis, "O35", catalog.Fits),
			row("r-c170", "C-170", catalog.AtModel, "ostra/Tarn", catalog.Fits),
			row("r-a160", "A-160", catalog.AtFork, "tarn", catalog.Fits),
			row("r-s40", "S-40", catalog.AtMaker, "ostra", catalog.Fits),
			row("r-s45", "S-45", catalog.AtMaker, "ostra", catalog.Fits),
			row("r-k1", "K-G1", catalog.AtChassis, "O35", catalog.Fits, must("seal_generation", "g1")),
			row("r-k2", "K-G2", catalog.AtChassis, "O35", catalog.Fits, must("seal_generation", "g2")),
		},
	}
	for _, c := range change {
		c(t)
	}
	return catalog.Build(t, 7)
}

func part(sku, kind string) catalog.Part {
	return catalog.Part{SKU: sku, Kind: kind, Maker: "kitmaker", Unit: "each", Status: "active"}
}

func seal(sku string) catalog.Part {
	p := part(sku, catalog.KindSealKit)
	p.Leg = catalog.BothLegs
	return p
}

func row(id, sku string, level catalog.Level, target string, v catalog.Verdict, change ...func(*catalog.Fitment)) catalog.Fitment {
	f := catalog.Fitment{ID: id, Part: sku, Level: level, Target: target, Verdict: v}
	for _, c := range change {
		c(&f)
	}
	return f
}

func conditions(f *catalog.Fitment) *catalog.Conditions {
	if f.Conditions == nil {
		f.Conditions = &catalog.Conditions{}
	}
	return f.Conditions
}

func must(name, value string) func(*catalog.Fitment) {
	return func(f *catalog.Fitment) {
		conditions(f).Must = append(conditions(f).Must, catalog.Fact{Name: name, Value: value})
	}
}

func mustNot(name, value string) func(*catalog.Fitment) {
	return func(f *catalog.Fitment) {
		conditions(f).MustNot = append(conditions(f).MustNot, catalog.Fact{Name: name, Value: value})
	}
}

func years(from, to int16) func(*catalog.Fitment) {
	return func(f *catalog.Fitment) { f.YearFrom, f.YearTo = from, to }
}

func travels(from, to int16) func(*catalog.Fitment) {
	return func(f *catalog.Fitment) { f.TravelFromMM, f.TravelToMM = from, to }
}

func serials(from, to string) func(*catalog.Fitment) {
	return func(f *catalog.Fitment) { conditions(f).SerialFrom, conditions(f).SerialTo = from, to }
}

func reason(code string) func(*catalog.Fitment) {
	return func(f *catalog.Fitment) { f.Reason = code }
}

func requires(kind, sku string, q float64) func(*catalog.Fitment) {
	return func(f *catalog.Fitment) {
		conditions(f).Requires = append(conditions(f).Requires, catalog.Requirement{Kind: kind, Part: sku, Quantity: q})
	}
}

func rows(fs ...catalog.Fitment) func(*catalog.Tables) {
	return func(t *catalog.Tables) { t.Fitments = append(t.Fitments, fs...) }
}

// only replaces all rows.
func only(fs ...catalog.Fitment) func(*catalog.Tables) {
	return func(t *catalog.Tables) { t.Fitments = fs }
}

// owned is a fork of which all is known that the small catalog asks for; change it to know less.
func owned(t *testing.T, rev *catalog.Revision, fork string, change ...func(*Owned)) *Owned {
	t.Helper()
	f, ok := rev.Fork(fork)
	if !ok {
		t.Fatalf("no fork %q", fork)
	}
	o := &Owned{Fork: f, ModelYear: int(f.YearTo), TravelNow: Travel{f.TravelsMM[len(f.TravelsMM)-1], Measured}, WheelSize: f.WheelSizes[0], Options: map[string]string{}}
	for _, c := range change {
		c(o)
	}
	return o
}

func now(mm int, how How) func(*Owned) { return func(o *Owned) { o.TravelNow = Travel{mm, how} } }
func built(mm int) func(*Owned)        { return func(o *Owned) { o.TravelBuilt = Travel{mm, Stated} } }
func year(y int) func(*Owned)          { return func(o *Owned) { o.ModelYear = y } }
func wheel(w string) func(*Owned)      { return func(o *Owned) { o.WheelSize = w } }
func option(n, v string) func(*Owned)  { return func(o *Owned) { o.Options[n] = v } }
func rider(kg float64) func(*Owned)    { return func(o *Owned) { o.RiderKG = kg } }
func usedFor(use string) func(*Owned)  { return func(o *Owned) { o.Use = use } }
func serial(s string) func(*Owned)     { return func(o *Owned) { o.Serial = s } }
func builtOn(d string) func(*Owned)    { return func(o *Owned) { o.BuiltOn = d } }

// brief is an answer in a line: verdict, code, row, and what it asks.
func brief(a Answer) string {
	s := a.Verdict.String()
	if len(a.Reasons) > 0 {
		s += fmt.Sprintf(" %s %s", a.Reasons[0].Code, a.Reasons[0].Row)
	}
	if a.Question != nil {
		s += fmt.Sprintf(" ?%s %v", a.Question.Field, a.Question.Choices)
	}
	return s
}

package fitment

import (
	"fmt"
	"math/rand/v2"

	"forkwright/service/catalog"
)

// randomTables makes a small catalog in which everything that a verdict can depend on occurs.
func randomTables(r *rand.Rand) *catalog.Tables {
	t := &catalog.Tables{Makers: []catalog.Maker{{Code: "m0", Name: "Maker Zero"}, {Code: "m1", Name: "Maker One"}}}
	for i := range 3 {
		t.Chassis = append(t.Chassis, catalog.Chassis{Code: fmt.Sprint("c", i), Maker: fmt.Sprint("m", i%2), Crown: pick(r, "single", "dual")})
	}
	for i := range 5 {
		from := int16(2018 + r.IntN(3))
		f := catalog.Fork{ID: fmt.Sprint("f", i), Chassis: fmt.Sprint("c", r.IntN(3)), Model: fmt.Sprint("M", r.IntN(2)), Name: fmt.Sprint("Fork ", i),
			YearFrom: from, YearTo: from + int16(r.IntN(3)), WheelSizes: []string{"29", "27.5"}[:1+r.IntN(2)],
			TravelsMM: []int{150, 160, 170}[r.IntN(2) : 2+r.IntN(2)]}
		if r.IntN(2) == 0 {
			f.Uses = []string{pick(r, "trail", "enduro", "downhill", "assisted"), "cross_country"}
		}
		if r.IntN(2) == 0 {
			f.Dampers = []string{"d1", "d2"}[:1+r.IntN(2)]
		}
		t.Forks = append(t.Forks, f)
		t.ForkOptions = append(t.ForkOptions, randomOptions(r, f)...)
		if r.IntN(2) == 0 {
			t.Limits = append(t.Limits, catalog.Limit{Fork: f.ID, WheelSize: pick(r, "", "29"), Use: pick(r, "", "", "downhill"), MaxTravelMM: 150 + 10*r.IntN(3)})
		}
		if r.IntN(3) == 0 {
			t.Limits = append(t.Limits, catalog.Limit{Fork: f.ID, WheelSize: "27.5", MaxTravelMM: 160, MaxRiderKG: 110})
		}
	}
	t.FactTexts = []catalog.FactText{{Fact: "tube", Value: "standard", Text: "x", Lang: "en"}, {Fact: "tube", Value: "thick", Text: "y", Lang: "en"}}
	kinds := []string{catalog.KindCoilCartridge, catalog.KindAirCartridge, catalog.KindSpring, catalog.KindSealKit, catalog.KindSealKit, catalog.KindFluid, catalog.KindTool, catalog.KindAccessory, catalog.KindCoilCartridge}
	for i, k := range kinds {
		p := part(fmt.Sprint("P", i), k)
		switch mm := 150 + 10*r.IntN(3); k {
		case catalog.KindCoilCartridge:
			t.CoilCartridges = append(t.CoilCartridges, catalog.CoilCartridge{SKU: p.SKU, TravelMM: mm})
		case catalog.KindAirCartridge:
			t.AirCartridges = append(t.AirCartridges, catalog.AirCartridge{SKU: p.SKU, TravelMM: mm})
		}
		t.Parts = append(t.Parts, p)
	}
	old := part("P-old", catalog.KindSealKit)
	old.Status, old.SupersededBy = "superseded", "P3"
	t.Parts = append(t.Parts, old)
	for i := range 30 + r.IntN(40) {
		t.Fitments = append(t.Fitments, randomRow(r, t, i))
	}
	return t
}

// randomOptions: a running change in some way, by year, date, serial, or not at all.
func randomOptions(r *rand.Rand, f catalog.Fork) (out []catalog.ForkOption) {
	mid := f.YearFrom + int16(r.IntN(int(f.YearTo-f.YearFrom)+1))
	a := catalog.ForkOption{Fork: f.ID, Fact: "seal_generation", Value: "a", YearTo: mid}
	b := catalog.ForkOption{Fork: f.ID, Fact: "seal_generation", Value: "b", YearFrom: mid}
	switch r.IntN(5) {
	case 0:
		a.DateTo, b.DateFrom = fmt.Sprintf("%d-02-28", mid), fmt.Sprintf("%d-03-01", mid)
		out = append(out, a, b)
	case 1:
		a.SerialTo, b.SerialFrom = "K0499", "K0500"
		out = append(out, a, b)
	case 2:
		out = append(out, a, b)
	case 3:
		out = append(out, a)
	}
	if r.IntN(3) == 0 {
		out = append(out, catalog.ForkOption{Fork: f.ID, Fact: "tube", Value: "standard"})
		if r.IntN(2) == 0 {
			out = append(out, catalog.ForkOption{Fork: f.ID, Fact: "tube", Value: "thick", YearFrom: f.YearTo, SerialFrom: pick(r, "", "K0300")})
		}
	}
	return out
}

func randomRow(r *rand.Rand, t *catalog.Tables, i int) catalog.Fitment {
	f := t.Forks[r.IntN(len(t.Forks))]
	maker := "m0"
	if f.Chassis == "c1" {
		maker = "m1"
	}
	level := catalog.Level(1 + r.IntN(4))
	target := map[catalog.Level]string{catalog.AtMaker: maker, catalog.AtChassis: f.Chassis, catalog.AtModel: maker + "/" + f.Model, catalog.AtFork: f.ID}[level]
	row := row(fmt.Sprintf("r%04d", i), t.Parts[r.IntN(9)].SKU, level, target, []catalog.Verdict{catalog.Fits, catalog.Fits, catalog.FitsWith, catalog.DoesNotFit}[r.IntN(4)])
	if row.Verdict == catalog.FitsWith {
		requires("renew", pick(r, "P3", "P4"), 1)(&row)
	}
	if r.IntN(3) == 0 {
		years(int16(2018+r.IntN(3)), int16(pick(r, 0, 2020, 2021)))(&row)
	}
	if r.IntN(3) == 0 {
		travels(int16(pick(r, 0, 150, 160)), int16(pick(r, 160, 165, 170)))(&row)
	}
	if r.IntN(6) == 0 {
		serials(pick(r, "", "K0200", "K0500"), pick(r, "K0499", "K0800", "K0500"))(&row)
	}
	for _, x := range []catalog.Fact{{Name: "seal_generation", Value: pick(r, "a", "b")}, {Name: "tube", Value: pick(r, "standard", "thick")},
		{Name: "crown", Value: pick(r, "single", "dual")}, {Name: "damper", Value: pick(r, "d1", "d2")}, {Name: "coating", Value: "black"}} {
		switch r.IntN(14) {
		case 0:
			must(x.Name, x.Value)(&row)
		case 1:
			mustNot(x.Name, x.Value)(&row)
		}
	}
	return row
}

func randomOwned(r *rand.Rand, rev *catalog.Revision, f *catalog.Fork) *Owned {
	o := &Owned{Fork: f, Options: map[string]string{}}
	if r.IntN(2) == 0 {
		o.ModelYear = int(f.YearFrom) + r.IntN(int(f.YearTo-f.YearFrom)+1)
	}
	switch r.IntN(5) {
	case 0, 1:
		o.TravelNow = Travel{pick(r, f.TravelsMM...), Measured}
	case 2:
		o.TravelNow = Travel{145 + r.IntN(30), ByStanchion}
	case 3:
		o.TravelBuilt = Travel{pick(r, f.TravelsMM...), BySticker}
	}
	if r.IntN(2) == 0 {
		o.WheelSize = pick(r, f.WheelSizes...)
	}
	for _, x := range []catalog.Fact{{Name: "seal_generation", Value: pick(r, "a", "b")}, {Name: "tube", Value: pick(r, "standard", "thick")},
		{Name: "crown", Value: rev.ChassisOf(f).Crown}, {Name: "damper", Value: "d1"}, {Name: "coating", Value: pick(r, "black", "clear")}} {
		if r.IntN(5) == 0 {
			o.Options[x.Name] = x.Value
		}
	}
	if r.IntN(4) == 0 {
		o.Serial = fmt.Sprintf("K%04d", r.IntN(1000))
	}
	if r.IntN(4) == 0 {
		o.BuiltOn = fmt.Sprintf("%d-%02d-01", f.YearFrom+int16(r.IntN(2)), 1+r.IntN(12))
	}
	if r.IntN(5) == 0 {
		o.RiderKG = float64(90 + r.IntN(30))
	}
	if r.IntN(6) == 0 {
		o.Use = pick(r, "trail", "downhill", "assisted", "jump")
	}
	return o
}

func pick[T any](r *rand.Rand, from ...T) T { return from[r.IntN(len(from))] }

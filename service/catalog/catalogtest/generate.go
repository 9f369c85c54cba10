// Package catalogtest makes catalogs for tests and measurements: sound ones of any size.
package catalogtest

import (
	"fmt"
	"math"
	"math/rand/v2"

	"forkwright/service/catalog"
	"forkwright/service/money"
)

// class is a size of fork. Chassis of a class share tube and seats, so that its parts fit all of them.
type class struct {
	stanchionMM, boreMM float64
	forks               []int // numbers of the forks
	spacer              string
	springs             string // family
}

// generator makes one catalog.
type generator struct {
	*rand.Rand
	t       *catalog.Tables
	classes []*class
	lines   map[string]int
	limit   []int // by number of fork
	rows    int
}

// Generate makes a sound catalog of about so many fitment rows (at least 500, at most a few
// million), the same for the same seed: a million rows have 40,000 forks and 8,000 parts.
// A few parts fit very many forks, most fit few.
func Generate(rows int, seed uint64) *catalog.Tables {
	g := &generator{Rand: rand.New(rand.NewPCG(seed, 1)), t: &catalog.Tables{}, lines: map[string]int{}, rows: rows}
	for _, mm := range []float64{32, 34, 35, 36, 38} {
		g.classes = append(g.classes, &class{stanchionMM: mm, boreMM: mm - 3})
	}
	g.words()
	g.forks(max(100, rows/25))
	g.parts(max(120, min(rows/125, 8000)))
	g.prices()
	return g.t
}

// at is the position of the next row of a table.
func (g *generator) at(table string) catalog.Pos {
	g.lines[table]++
	return catalog.Pos{File: table + ".csv", Line: g.lines[table] + 1}
}

func (g *generator) words() {
	g.t.FactTexts = []catalog.FactText{
		{Pos: g.at("facts"), Fact: "seal_generation", Lang: "en", Text: "Does the wiper stand up with a rim, or sit flush?"},
		{Pos: g.at("facts"), Fact: "tube", Lang: "en", Text: "Is there an E behind the number on the crown?"},
		{Pos: g.at("facts"), Fact: "tube", Value: "standard", Lang: "en", Text: "no"},
		{Pos: g.at("facts"), Fact: "tube", Value: "thick", Lang: "en", Text: "yes"},
	}
	g.t.PriceLists = []catalog.PriceList{
		{Pos: g.at("price_lists"), List: "eur-recommended", Currency: "EUR", Audience: "recommended", Basis: "net", ValidFrom: "2026-01-01"},
		{Pos: g.at("price_lists"), List: "eur-buying", Currency: "EUR", Audience: "buying", Basis: "net", ValidFrom: "2026-01-01"},
	}
}

func (g *generator) forks(n int) {
	t := g.t
	makers, perChassis := max(3, n/2000), min(20, n/10)
	for i := range makers {
		t.Makers = append(t.Makers, catalog.Maker{Pos: g.at("makers"), Code: fmt.Sprintf("maker%02d", i), Name: fmt.Sprintf("Maker %02d", i)})
		t.Dampers = append(t.Dampers, catalog.Damper{Pos: g.at("dampers"), Code: fmt.Sprintf("d%02d", i), Maker: fmt.Sprintf("maker%02d", i), Name: "Damper"})
	}
	for i := range n {
		platform := i / perChassis
		maker := platform % makers
		c := g.classes[platform%len(g.classes)]
		chassis := fmt.Sprintf("ch%05d", platform)
		if i%perChassis == 0 {
			g.chassis(chassis, maker, c)
		}
		from := int16(2012 + g.IntN(10))
		f := catalog.Fork{Pos: g.at("forks"), ID: fmt.Sprintf("fork%06d", i), Chassis: chassis, Model: fmt.Sprintf("Model %d", i/5),
			Name: fmt.Sprintf("Model %d variant %d", i/5, i%5), YearFrom: from, YearTo: from + 1 + int16(g.IntN(4)), WheelSizes: []string{"29"},
			TravelsMM: []int{140, 150}, Dampers: []string{fmt.Sprintf("d%02d", maker)}, Uses: []string{"trail"}}
		limit := 160 + 10*g.IntN(3)
		g.limit = append(g.limit, limit)
		t.Forks = append(t.Forks, f)
		t.Limits = append(t.Limits, catalog.Limit{Pos: g.at("limits"), Fork: f.ID, MaxTravelMM: limit, Source: "owner's booklet"})
		for _, o := range []catalog.ForkOption{
			{Fact: "seal_generation", Value: "g1", YearTo: f.YearFrom}, {Fact: "seal_generation", Value: "g2", YearFrom: f.YearFrom},
			{Fact: "tube", Value: "standard"}, {Fact: "tube", Value: "thick"},
		} {
			o.Pos, o.Fork = g.at("fork_options"), f.ID
			t.ForkOptions = append(t.ForkOptions, o)
		}
		c.forks = append(c.forks, i)
	}
}

func (g *generator) chassis(code string, maker int, c *class) {
	g.t.Chassis = append(g.t.Chassis, catalog.Chassis{Pos: g.at("chassis"), Code: code, Maker: fmt.Sprintf("maker%02d", maker), Name: "Platform " + code,
		StanchionMM: c.stanchionMM, SpringSide: catalog.Left, Legs: "conventional", Crown: "single", CapThread: "M30x1", BoreMM: c.boreMM,
		Gland: "threaded", FootThreadSpring: "M8x1", FootThreadDamper: "M8x1", FootFastener: "nut", Axle: "15x110", DamperLeg: "sealed"})
	for i, flange := range []string{"flush", "flanged"} {
		g.t.Seats = append(g.t.Seats, catalog.Seat{Pos: g.at("seats"), Chassis: code, Generation: fmt.Sprintf("g%d", i+1),
			DiameterMM: c.stanchionMM + 9, DepthMM: 8 + float64(i), Flange: flange, Lip: "single"})
	}
}

// part adds a part with its name.
func (g *generator) part(kind string, n int) string {
	sku := fmt.Sprintf("P%05d", n)
	digits := fmt.Sprintf("29%010d", n)
	check, err := money.CheckDigit(digits)
	if err != nil {
		panic(err) // twelve digits
	}
	g.t.Parts = append(g.t.Parts, catalog.Part{Pos: g.at("parts"), SKU: sku, Kind: kind, GTIN: digits + check, Unit: "each", Status: "active"})
	g.t.Texts = append(g.t.Texts, catalog.Text{Pos: g.at("texts"), Of: "part", Code: sku, Lang: "en", Text: "Part " + sku})
	return sku
}

// parts makes the parts with their details, then their rows: a tenth are springs, which have none.
func (g *generator) parts(n int) {
	made := 0
	for _, c := range g.classes {
		c.springs = fmt.Sprintf("family%.0f", c.stanchionMM)
		for range max(4, n/50) {
			g.spring(made, c)
			made++
		}
		c.spacer = g.part(catalog.KindTravelSpacer, made)
		made++
		for _, m := range g.t.Makers {
			g.row(catalog.Fitment{Part: c.spacer, Level: catalog.AtMaker, Target: m.Code, Verdict: catalog.Fits})
		}
	}
	first := made
	weights := 0.0
	for i := first; i < n; i++ {
		weights += popularity(i - first)
	}
	for i := first; i < n; i++ {
		c := g.classes[i%len(g.classes)]
		left := g.rows - len(g.t.Fitments)
		share := int(math.Ceil(float64(left) * popularity(i-first) / weights))
		weights -= popularity(i - first)
		if i%3 == 0 {
			g.sealKit(i, c, share)
		} else {
			g.cartridge(i, c, share)
		}
	}
}

func popularity(rank int) float64 { return 1 / math.Sqrt(float64(rank+1)) }

// spring makes a coil of 21 active coils on 23 mm whose rate follows from its wire: d = (8 D³ n k/G)^¼.
func (g *generator) spring(n int, c *class) {
	const shear, mean, active = 79500.0, 23.0, 21.0
	k := 5 + 0.05*float64(n%200)
	wire := math.Round(1000*math.Pow(8*mean*mean*mean*active*k/shear, 0.25)) / 1000
	g.t.Springs = append(g.t.Springs, catalog.Spring{Pos: g.at("springs"), SKU: g.part(catalog.KindSpring, n), Family: c.springs, Rate: k, RateUnit: "N/mm",
		FreeLengthMM: 346, WireMM: wire, MeanMM: mean, ActiveCoils: active, TotalCoils: active + 2, Ends: "squared_ground", Material: "EN10270-2-FDSiCr"})
}

func (g *generator) cartridge(n int, c *class, share int) {
	travel := 130 + 10*g.IntN(4)
	sku := g.part(catalog.KindCoilCartridge, n)
	g.t.CoilCartridges = append(g.t.CoilCartridges, catalog.CoilCartridge{Pos: g.at("coil_cartridges"), SKU: sku, TravelMM: travel, SpringFamily: c.springs,
		Mark: sku, BoreMM: 28.5, ShaftMM: 10})
	for i, cavity := range []float64{342, 339, 336} {
		g.t.Preloads = append(g.t.Preloads, catalog.Preload{Pos: g.at("preloads"), Cartridge: sku, Setting: i + 1, CavityMM: cavity})
	}
	g.rowsOf(sku, c, travel, share)
}

func (g *generator) sealKit(n int, c *class, share int) {
	sku := g.part(catalog.KindSealKit, n)
	generation := g.IntN(2)
	g.t.SealKits = append(g.t.SealKits, catalog.SealKit{Pos: g.at("seal_kits"), SKU: sku, StanchionMM: c.stanchionMM, DiameterMM: c.stanchionMM + 9,
		DepthMM: 8 + float64(generation), Flange: []string{"flush", "flanged"}[generation], Lip: "single", Generation: fmt.Sprintf("g%d", generation+1)})
	g.rowsOf(sku, c, 0, share)
}

// rowsOf spreads a part over the forks of its class, from a place of its own, each fork once.
func (g *generator) rowsOf(sku string, c *class, travel, share int) {
	start, n := g.IntN(len(c.forks)), 0
	for k := 0; k < len(c.forks) && n < share; k++ {
		i := c.forks[(start+k)%len(c.forks)]
		if travel > g.limit[i] {
			continue
		}
		n += g.rowsFor(sku, c, &g.t.Forks[i])
	}
}

// rowsFor adds one or two rows for a fork: mostly a plain yes, sometimes one by years, by
// option, with a condition, or a no.
func (g *generator) rowsFor(sku string, c *class, f *catalog.Fork) int {
	row := catalog.Fitment{Part: sku, Level: catalog.AtFork, Target: f.ID, Verdict: catalog.Fits}
	switch g.IntN(20) {
	case 0, 1:
		row.Verdict = catalog.FitsWith
		row.Conditions = &catalog.Conditions{Requires: []catalog.Requirement{{Kind: "travel_spacer", Part: c.spacer, Quantity: float64(1 + g.IntN(3))}}}
	case 2, 3:
		row.Conditions = &catalog.Conditions{Must: []catalog.Fact{{Name: "tube", Value: "standard"}}}
	case 4:
		row.Verdict = catalog.DoesNotFit
	case 5, 6, 7:
		early := row
		early.YearTo = f.YearFrom
		g.row(early)
		row.YearFrom = f.YearFrom + 1
		g.row(row)
		return 2
	case 8:
		row.TravelFromMM, row.TravelToMM = 130, 160
	}
	g.row(row)
	return 1
}

func (g *generator) row(f catalog.Fitment) {
	if g.t.Fitments == nil {
		g.t.Fitments = make([]catalog.Fitment, 0, g.rows+g.rows/50+100)
	}
	f.Pos = g.at("fitments")
	f.ID = fmt.Sprintf("r%07d", len(g.t.Fitments))
	f.Reason, f.Evidence = "listed", []string{"measured", "drawing", "fitted"}[g.IntN(3)]
	if f.Verdict == catalog.DoesNotFit {
		f.Reason = "excluded"
	}
	f.Source = fmt.Sprintf("fitting list %d", 2020+g.IntN(6))
	g.t.Fitments = append(g.t.Fitments, f)
}

func (g *generator) prices() {
	for _, l := range g.t.PriceLists {
		for _, p := range g.t.Parts {
			amount := fmt.Sprintf("%d.%02d", 5+g.IntN(400), g.IntN(100))
			g.t.Prices = append(g.t.Prices, catalog.Price{Pos: g.at("prices"), List: l.List, SKU: p.SKU, Amount: amount})
		}
	}
}

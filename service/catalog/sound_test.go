package catalog

import "reflect"

// sound is a small catalog without a problem, for tests that damage one thing in it.
func sound() *Tables {
	ml := func(v float64) *float64 { return &v }
	t := &Tables{
		Makers: []Maker{{Code: "elm", Name: "Elm"}, {Code: "kit", Name: "Kits"}},
		Chassis: []Chassis{
			{Code: "e34", Maker: "elm", Name: "E34", StanchionMM: 34, SpringSide: Left, Legs: "conventional", Crown: "single", CapThread: "M31x1", BoreMM: 31,
				Gland: "threaded", FootThreadSpring: "M8x1", FootThreadDamper: "M8x1", FootFastener: "nut", Axle: "15x110", DamperLeg: "sealed", FreeLegVolumeML: ml(280)},
			{Code: "e36", Maker: "elm", Name: "E36", StanchionMM: 36, SpringSide: Left, Legs: "conventional", Crown: "single", CapThread: "M33x1", BoreMM: 33,
				Gland: "threaded", FootThreadSpring: "M10x1", FootThreadDamper: "M8x1", FootFastener: "bolt", Axle: "15x110", DamperLeg: "open_bath"},
		},
		Seats: []Seat{
			{Chassis: "e34", Generation: "g1", DiameterMM: 43, DepthMM: 8, Flange: "flush", Lip: "single"},
			{Chassis: "e34", Generation: "g2", DiameterMM: 43, DepthMM: 9, Flange: "flanged", Lip: "double"},
			{Chassis: "e36", Generation: "g1", DiameterMM: 45, DepthMM: 8, Flange: "flush", Lip: "single"},
		},
		Dampers:   []Damper{{Code: "d1", Maker: "elm", Name: "One"}, {Code: "d2", Maker: "elm", Name: "Two"}},
		Adjusters: []Adjuster{{Damper: "d1", Adjuster: "rebound", Clicks: 15, Reference: "from_closed"}},
		Forks: []Fork{
			{ID: "f1", Chassis: "e34", Model: "Glade", Name: "Glade 34", YearFrom: 2019, YearTo: 2023, WheelSizes: []string{"29"}, TravelsMM: []int{140, 150}, Dampers: []string{"d1"}, Uses: []string{"trail"}},
			{ID: "f2", Chassis: "e34", Model: "Glade", Name: "Glade 34 Pro", YearFrom: 2020, YearTo: 2024, WheelSizes: []string{"29"}, TravelsMM: []int{150}, Dampers: []string{"d1", "d2"}, Uses: []string{"trail"}},
			{ID: "f3", Chassis: "e36", Model: "Scarp", Name: "Scarp 36", YearFrom: 2021, YearTo: 2025, WheelSizes: []string{"29"}, TravelsMM: []int{160}, Dampers: []string{"d2"}, Uses: []string{"enduro"}},
		},
		ForkOptions: []ForkOption{
			{Fork: "f1", Fact: "seal_generation", Value: "g1", YearTo: 2020}, {Fork: "f1", Fact: "seal_generation", Value: "g2", YearFrom: 2020, DateFrom: "2020-04-01"},
			{Fork: "f3", Fact: "tube", Value: "thick", SerialFrom: "S100", SerialTo: "S200"}, {Fork: "f3", Fact: "tube", Value: "standard"},
		},
		Limits: []Limit{{Fork: "f1", MaxTravelMM: 150, MaxRiderKG: 110, Source: "booklet"}, {Fork: "f2", MaxTravelMM: 160, Source: "booklet"}, {Fork: "f3", MaxTravelMM: 170, Source: "booklet"}},
		Marks:  []Mark{{Fork: "f1", Mark: "GL34", Place: "crown"}},
		FactTexts: []FactText{
			{Fact: "seal_generation", Lang: "en", Text: "Rim or flush?"}, {Fact: "seal_generation", Value: "g1", Lang: "en", Text: "flush"}, {Fact: "seal_generation", Value: "g2", Lang: "en", Text: "rim"},
			{Fact: "tube", Lang: "en", Text: "Letter on the crown?"}, {Fact: "damper", Lang: "en", Text: "Which knob?"},
		},
		Figures: []Figure{
			{OwnerKind: "part", Owner: "CAP", Figure: "torque", Place: "top_cap", Leg: SpringLeg, Value: 190, Unit: "in-lbf", Publisher: "kit", Source: "sheet 1"},
			{OwnerKind: "chassis", Owner: "e34", Figure: "torque", Place: "foot", Leg: DamperLeg, Value: 7, Unit: "N m", Publisher: "elm", Source: "sheet 2"},
			{OwnerKind: "chassis", Owner: "e34", Figure: "oil_volume", Place: "bath", Leg: DamperLeg, Value: 12, Unit: "mL", Publisher: "elm", Source: "sheet 2"},
			{OwnerKind: "fork", Owner: "f1", Figure: "socket_before", Place: "foot", Leg: DamperLeg, Value: 10, Unit: "mm", Publisher: "elm", Source: "sheet 2"},
		},
		Parts: []Part{
			{SKU: "CC34", Kind: KindCoilCartridge, GTIN: "2900000000018", Unit: "each", Status: "active", Leg: SpringLeg},
			{SKU: "CC36", Kind: KindCoilCartridge, GTIN: "2900000000025", Unit: "each", Status: "active"},
			{SKU: "SP1", Kind: KindSpring, Unit: "each", Status: "active"}, {SKU: "SP2", Kind: KindSpring, Unit: "each", Status: "active"}, {SKU: "SP3", Kind: KindSpring, Unit: "each", Status: "active"},
			{SKU: "AC34", Kind: KindAirCartridge, Unit: "each", Status: "active"},
			{SKU: "BS", Kind: KindBumpStop, Unit: "each", Status: "active"}, {SKU: "BE", Kind: KindBumpStop, Unit: "each", Status: "active"},
			{SKU: "CAP", Kind: KindTopCap, Unit: "each", Status: "active"}, {SKU: "NUT", Kind: KindFootNut, Unit: "each", Status: "active"},
			{SKU: "PS", Kind: KindPreloadSpacer, Unit: "each", Status: "active"}, {SKU: "TS", Kind: KindTravelSpacer, Unit: "each", Status: "active"},
			{SKU: "SK1", Kind: KindSealKit, Unit: "each", Status: "active"}, {SKU: "SK2", Kind: KindSealKit, Unit: "each", Status: "active"},
			{SKU: "CW", Kind: KindCrushWasher, Unit: "each", Status: "active"}, {SKU: "OIL", Kind: KindFluid, Unit: "mL", Status: "active"}, {SKU: "LAB", Kind: KindLabor, Unit: "min", Status: "active"},
			{SKU: "SVC", Kind: KindServiceKit, Unit: "each", Status: "active"}, {SKU: "OLD", Kind: KindServiceKit, Unit: "each", Status: "superseded", SupersededBy: "SVC"},
			{SKU: "OLDER", Kind: KindServiceKit, Unit: "each", Status: "superseded", SupersededBy: "OLD"},
		},
		Contents: []Content{
			{Kit: "SVC", Part: "SK1", Quantity: 1}, {Kit: "SVC", Part: "CW", Quantity: 2},
			{Kit: "CC34", Part: "SP1", Quantity: 1, Slot: "spring", Default: true}, {Kit: "CC34", Part: "SP2", Quantity: 1, Slot: "spring"},
		},
		CoilCartridges: []CoilCartridge{
			{SKU: "CC34", TravelMM: 150, SpringFamily: "A", BumpStop: "BS", TopCap: "CAP", FootNut: "NUT", Mark: "34/150", BoreMM: 29.5, ShaftMM: 10},
			{SKU: "CC36", TravelMM: 160, SpringFamily: "A", BumpStop: "BE", Mark: "36/160", BoreMM: 30, ShaftMM: 10},
		},
		Preloads: []Preload{
			{Cartridge: "CC34", Setting: 1, CavityMM: 341}, {Cartridge: "CC34", Setting: 2, CavityMM: 338, Spacer: "PS", Spacers: 1},
			{Cartridge: "CC36", Setting: 1, CavityMM: 341}, {Cartridge: "CC36", Setting: 2, CavityMM: 338, Spacer: "PS", Spacers: 1},
		},
		Handlings: []Handling{{Cartridge: "CC34", Action: "includes", Item: "NUT", Quantity: 1}, {Cartridge: "CC34", Action: "sets_aside", Item: "stock_air_assembly", Quantity: 1},
			{Cartridge: "CC34", Action: "reuses", Item: "ring", Quantity: 1, Condition: "not bent"}},
		AirCartridges: []AirCartridge{{SKU: "AC34", TravelMM: 150, Mark: "a150", PistonMM2: 700, VolumeML: 160, NegativeMM2: 600, NegativeML: 40, SpacerML: 7, SpacersMax: 4,
			PressureMin: 40, PressureMax: 150, PressureUnit: "psi"}},
		BumpStops: []BumpStop{
			{SKU: "BS", Medium: "air", BoreMM: 15, BodyMM: 18, VolumeML: 14, ContactShare: 0.7, Settings: []float64{0, 30, 60}, PressureMax: 100, PressureUnit: "psi", RatioMax: 5},
			{SKU: "BE", Medium: "elastomer", BodyMM: 17, ContactMM: 120},
		},
		BumperPoints: []BumperPoint{{BumpStop: "BE", DeflectionMM: 0, ForceN: 0}, {BumpStop: "BE", DeflectionMM: 10, ForceN: 70}, {BumpStop: "BE", DeflectionMM: 30, ForceN: 400}},
		SealKits: []SealKit{
			{SKU: "SK1", StanchionMM: 34, DiameterMM: 43, DepthMM: 8, Flange: "flush", Lip: "single", Generation: "g1"},
			{SKU: "SK2", StanchionMM: 34, DiameterMM: 43, DepthMM: 9, Flange: "flanged", Lip: "double", Generation: "g2"},
		},
		Fluids: []Fluid{{SKU: "OIL", Duty: "bath", Viscosity40: ml(46)}},
		ClickRows: []ClickRow{{Family: "A", Damper: "d1", Adjuster: "rebound", Rate: 7, RateUnit: "N/mm", Clicks: 11, Source: "sheet 3"},
			{Family: "A", Damper: "d1", Adjuster: "rebound", Rate: 8, RateUnit: "N/mm", Clicks: 9, Source: "sheet 3"}, {Family: "A", Damper: "d1", Adjuster: "rebound", Rate: 9, RateUnit: "N/mm", Clicks: 6, Source: "sheet 3"}},
		MassRows: []MassRow{{Family: "A", MassFromKG: 60, MassToKG: 75, MassIs: "kitted", Rate: 7, RateUnit: "N/mm", Source: "sheet 3"},
			{Family: "A", MassFromKG: 75, MassToKG: 90, MassIs: "kitted", Rate: 8, RateUnit: "N/mm", Source: "sheet 3"}, {Family: "A", MassFromKG: 90, MassToKG: 105, MassIs: "kitted", Rate: 9, RateUnit: "N/mm", Source: "sheet 3"}},
		Openings:   []Opening{{Opening: "cap", Minutes: 10, Labor: "LAB"}, {Opening: "lowers", Minutes: 30, Labor: "LAB"}},
		Operations: []Operation{{Operation: "swap", Opens: []string{"cap"}, Minutes: 10, Labor: "LAB"}, {Operation: "service", Opens: []string{"lowers"}, Minutes: 20, Labor: "LAB"}},
		Jobs:       []Job{{Job: "conversion", Operations: []string{"swap", "service"}}},
		Needs: []Need{{TargetKind: "any", Opening: "lowers", Leg: BothLegs, Kind: KindFluid, Role: "consumable"},
			{TargetKind: "chassis", Target: "e34", Opening: "lowers", Leg: BothLegs, Part: "CW", Quantity: 1, Role: "never_reuse"}},
		PartRules: []PartRule{{Part: "CC34", Rule: "excludes", Other: "AC34", Reason: "one leg takes one cartridge"}},
		Fitments: []Fitment{
			{ID: "r1", Part: "CC34", Level: AtChassis, Target: "e34", Verdict: Fits},
			{ID: "r2", Part: "CC36", Level: AtFork, Target: "f3", Verdict: Fits, Conditions: &Conditions{Must: []Fact{{"tube", "standard"}}}},
			{ID: "r3", Part: "CC36", Level: AtFork, Target: "f3", Verdict: FitsWith, Conditions: &Conditions{Must: []Fact{{"tube", "thick"}}, Requires: []Requirement{{Kind: "travel_spacer", Part: "TS", Quantity: 2}}}},
			{ID: "r4", Part: "TS", Level: AtMaker, Target: "elm", Verdict: Fits},
			{ID: "r5", Part: "SK1", Level: AtChassis, Target: "e34", Verdict: Fits, Conditions: &Conditions{Must: []Fact{{"seal_generation", "g1"}}}},
			{ID: "r6", Part: "SK2", Level: AtChassis, Target: "e34", Verdict: Fits, Conditions: &Conditions{Must: []Fact{{"seal_generation", "g2"}}}},
			{ID: "r7", Part: "CW", Level: AtModel, Target: "elm/Glade", Verdict: Fits},
			{ID: "r8", Part: "AC34", Level: AtFork, Target: "f1", Verdict: Fits, YearFrom: 2019, YearTo: 2020},
			{ID: "r9", Part: "AC34", Level: AtFork, Target: "f1", Verdict: DoesNotFit, YearFrom: 2021},
			{ID: "r10", Part: "SVC", Level: AtChassis, Target: "e36", Verdict: DoesNotFit},
		},
		PriceLists: []PriceList{{List: "eur", Currency: "EUR", Audience: "recommended", Basis: "net", ValidFrom: "2026-01-01", ValidUntil: "2026-12-31"},
			{List: "yen", Currency: "JPY", Audience: "recommended", Basis: "gross", ValidFrom: "2026-01-01"}},
	}
	// Springs of 21 active coils on a mean diameter of 23 mm, whose wire makes the rate.
	for i, wire := range []float64{3.66, 3.79, 3.9} {
		t.Springs = append(t.Springs, Spring{SKU: []string{"SP1", "SP2", "SP3"}[i], Family: "A", Rate: float64(7 + i), RateUnit: "N/mm", FreeLengthMM: 345, WireMM: wire,
			MeanMM: 23, ActiveCoils: 21, TotalCoils: 23, Ends: "squared_ground", Material: "EN10270-2-FDSiCr"})
	}
	for i := range t.Fitments {
		t.Fitments[i].Reason, t.Fitments[i].Evidence, t.Fitments[i].Source = "listed", "measured", "sheet 4"
	}
	for _, p := range t.Parts {
		t.Texts = append(t.Texts, Text{Of: "part", Code: p.SKU, Lang: "en", Text: "Part " + p.SKU})
		t.Prices = append(t.Prices, Price{List: "eur", SKU: p.SKU, Amount: "19.90"}, Price{List: "yen", SKU: p.SKU, Amount: "3200"})
	}
	t.Texts = append(t.Texts, Text{Of: "job", Code: "conversion", Lang: "en", Text: "Conversion"}, Text{Of: "operation", Code: "swap", Lang: "en", Text: "Swap"},
		Text{Of: "operation", Code: "service", Lang: "en", Text: "Service"}, Text{Of: "item", Code: "stock_air_assembly", Lang: "en", Text: "Air assembly"}, Text{Of: "item", Code: "ring", Lang: "en", Text: "Ring"})
	place(t)
	return t
}

// place gives every row its line.
func place(t *Tables) {
	for _, table := range t.All() {
		for i := range table.Rows.Len() {
			table.Rows.Index(i).Field(0).Set(reflect.ValueOf(Pos{File: table.Name + ".csv", Line: i + 2}))
		}
	}
}

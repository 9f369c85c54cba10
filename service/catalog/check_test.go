package catalog

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestTheSoundCatalogIsSound(t *testing.T) {
	for _, p := range Check(sound()) {
		t.Error(p)
	}
}

// part finds a part to damage.
func (t *Tables) part(sku string) *Part {
	return &t.Parts[slices.IndexFunc(t.Parts, func(p Part) bool { return p.SKU == sku })]
}

// fit finds a row to damage.
func (t *Tables) fit(id string) *Fitment {
	return &t.Fitments[slices.IndexFunc(t.Fitments, func(f Fitment) bool { return f.ID == id })]
}

// also adds a row like another, damaged.
func (t *Tables) also(id string, change func(*Fitment)) {
	f := *t.fit(id)
	f.ID = "new"
	change(&f)
	t.Fitments = append(t.Fitments, f)
}

// TestEachMistakeIsFoundOnceAndNothingElse plants one mistake at a time.
func TestEachMistakeIsFoundOnceAndNothingElse(t *testing.T) {
	tests := []struct {
		mistake string
		plant   func(t *Tables)
		want    string // file:line:field code
	}{
		{"a word outside its set", func(t *Tables) { t.Chassis[0].Legs = "upside_down" }, "chassis.csv:2:legs unknown_word"},
		{"a word outside its set, in a list", func(t *Tables) { t.Forks[0].Uses = []string{"trail", "moon"} }, "forks.csv:2:uses unknown_word"},
		{"an empty cell", func(t *Tables) { t.Chassis[0].Gland = "" }, "chassis.csv:2:gland required"},
		{"inches for millimeters", func(t *Tables) { t.Chassis[1].StanchionMM = 36 / 25.4 }, "chassis.csv:3:stanchion_mm implausible"},
		{"centimeters for millimeters", func(t *Tables) { t.Preloads[2].CavityMM = 34.1 }, "preloads.csv:4:cavity_mm implausible"},
		{"a point one place off", func(t *Tables) { t.Forks[0].TravelsMM[1] = 1500 }, "forks.csv:2:travels_mm implausible"},
		{"no number at all", func(t *Tables) { t.Springs[1].WireMM = math.NaN() }, "springs.csv:3:wire_mm implausible"},
		{"a seat twice", func(t *Tables) { t.Seats = append(t.Seats, t.Seats[0]); place(t) }, "seats.csv:5:chassis same_key"},
		{"a mark twice", func(t *Tables) { t.Marks = append(t.Marks, t.Marks[0]); place(t) }, "marks.csv:3:fork same_key"},
		{"a maker that does not exist", func(t *Tables) { t.Dampers[0].Maker = "oak" }, "dampers.csv:2:maker unknown_maker"},
		{"a chassis that does not exist", func(t *Tables) { t.Marks[0].Fork = "f9" }, "marks.csv:2:fork unknown_fork"},
		{"kit contents that do not exist", func(t *Tables) { t.Contents[1].Part = "CW9" }, "contents.csv:3:part unknown_part"},
		{"a bump stop that does not exist", func(t *Tables) { t.CoilCartridges[0].BumpStop = "B9" }, "coil_cartridges.csv:2:bump_stop unknown_bump_stop"},
		{"a list entry that does not exist", func(t *Tables) { t.Jobs[0].Operations[1] = "sing" }, "jobs.csv:2:operations unknown_operations"},
		{"a code that separates", func(t *Tables) {
			t.Parts = append(t.Parts, Part{SKU: "AB*2", Kind: KindTool, Unit: "each", Status: "discontinued"})
			t.Texts = append(t.Texts, Text{Of: "part", Code: "AB*2", Lang: "en", Text: "x"})
			place(t)
		}, "parts.csv:22:sku bad_code"},
		{"a date that is none", func(t *Tables) { t.PriceLists[0].ValidUntil = "2026-13-01" }, "price_lists.csv:2:valid_until not_a_date"},
		{"dates exchanged", func(t *Tables) { t.PriceLists[0].ValidUntil = "2025-12-31" }, "price_lists.csv:2:valid_until from_after_to"},
		{"years exchanged", func(t *Tables) { t.Forks[2].YearFrom, t.Forks[2].YearTo = 2025, 2021 }, "forks.csv:4:year_to from_after_to"},
		{"serial numbers exchanged", func(t *Tables) { t.ForkOptions[2].SerialFrom, t.ForkOptions[2].SerialTo = "S1000", "S200" }, "fork_options.csv:4:serial_to from_after_to"},
		{"a figure of nobody", func(t *Tables) { t.Figures[0].Owner = "CAP9" }, "figures.csv:2:owner unknown_owner"},
		{"a volume in a unit of length", func(t *Tables) { t.Figures[2].Unit = "mm" }, "figures.csv:4:unit unknown_unit"},
		{"liters for milliliters", func(t *Tables) { t.Figures[2].Unit = "L" }, "figures.csv:4:value implausible"},
		{"a torque in the wrong unit", func(t *Tables) { t.Figures[0].Unit = "N m" }, "figures.csv:2:unit torque_unit"},
		{"foot-pounds for inch-pounds", func(t *Tables) { t.Figures[0].Unit = "ft-lbf" }, "figures.csv:2:unit torque_unit"},
		{"a torque ten times too large", func(t *Tables) { t.Figures[0].Value = 1900 }, "figures.csv:2:value torque_implausible"},
		{"a torque a little large", func(t *Tables) { t.Figures[1].Value = 14 }, "figures.csv:3:value torque_unusual"},
		{"a wrong check digit", func(t *Tables) { t.part("CC34").GTIN = "2900000000019" }, "parts.csv:2:gtin gtin_wrong"},
		{"a number shared by two parts", func(t *Tables) { t.part("CC36").GTIN = "02900000000018" }, "parts.csv:3:gtin gtin_twin"},
		{"a kind that is none", func(t *Tables) { t.part("CW").Kind = "washer" }, "parts.csv:16:kind unknown_word"},
		{"a fluid without details", func(t *Tables) { t.Fluids = nil }, "parts.csv:17:kind no_details"},
		{"details of another kind", func(t *Tables) { t.Fluids = append(t.Fluids, Fluid{SKU: "CW", Duty: "bath"}); place(t) }, "fluids.csv:3:sku wrong_kind"},
		{"a nut for a cap", func(t *Tables) { t.CoilCartridges[0].TopCap = "NUT" }, "coil_cartridges.csv:2:top_cap wrong_kind"},
		{"a supersession loop", func(t *Tables) { t.part("SVC").Status, t.part("SVC").SupersededBy = "superseded", "OLDER" }, "parts.csv:19:superseded_by supersession_loop"},
		{"a chain of successors without end in sight", func(t *Tables) {
			for i := range 17 {
				sku := fmt.Sprintf("G%d", i)
				next := Part{SKU: sku, Kind: KindTool, Unit: "each", Status: "superseded", SupersededBy: fmt.Sprintf("G%d", i+1)}
				if i == 16 {
					next.SupersededBy = "SVC"
				}
				t.Parts = append(t.Parts, next)
				t.Texts = append(t.Texts, Text{Of: "part", Code: sku, Lang: "en", Text: "x"})
			}
			place(t)
		}, "parts.csv:22:superseded_by supersession_long"},
		{"superseded by nothing", func(t *Tables) { t.part("OLDER").SupersededBy = "" }, "parts.csv:21:superseded_by no_successor"},
		{"a successor of an active part", func(t *Tables) { t.part("OLD").Status = "active" }, "parts.csv:20:status not_superseded"},
		{"a kit in itself", func(t *Tables) { t.Contents[0].Part = "SVC" }, "contents.csv:2:part kit_in_itself"},
		{"a choice with two defaults", func(t *Tables) { t.Contents[3].Default = true }, "contents.csv:4:default slot_default"},
		{"needed and excluded", func(t *Tables) {
			t.PartRules = append(t.PartRules, PartRule{Part: "AC34", Rule: "needs", Other: "CC34", Reason: "x"})
			place(t)
		}, "part_rules.csv:3:rule rules_contradict"},
		{"a tube without a wall", func(t *Tables) { t.Chassis[0].BoreMM = 34 }, "chassis.csv:2:bore_mm wall_thickness"},
		{"a seat narrower than the tube", func(t *Tables) { t.Seats[2].DiameterMM = 36 }, "seats.csv:4:diameter_mm seat_diameter"},
		{"a travel past the limit", func(t *Tables) { t.Forks[0].TravelsMM = []int{140, 160} }, "forks.csv:2:travels_mm travel_over_limit"},
		{"an option outside the years", func(t *Tables) { t.ForkOptions[0].YearTo = 2029 }, "fork_options.csv:2:year_to outside_years"},
		{"an option without its seat", func(t *Tables) { t.ForkOptions[0].Value = "g7" }, "fork_options.csv:2:value unknown_value"},
		{"a fact nobody can ask for", func(t *Tables) { t.FactTexts[3].Fact = "paint" }, "fork_options.csv:4:fact no_question"},
		{"a part without a name", func(t *Tables) { t.Texts = t.Texts[1:] }, "parts.csv:2:sku no_name"},
		{"a name of nothing", func(t *Tables) {
			t.Texts = append(t.Texts, Text{Of: "part", Code: "X9", Lang: "en", Text: "x"})
			place(t)
		}, "texts.csv:27:code unknown_code"},
		{"a language that is none", func(t *Tables) { t.FactTexts[1].Lang = "English" }, "facts.csv:3:lang unknown_language"},
		{"a rate in another unit", func(t *Tables) { t.Springs[0].RateUnit = "lbf/in" }, "springs.csv:2:rate rate_geometry"},
		{"a rate of no fork spring", func(t *Tables) { t.Springs[2].Rate = 90 }, "springs.csv:4:rate implausible"},
		{"a rate off by seven percent", func(t *Tables) { t.Springs[0].Rate, t.ClickRows[0].Rate, t.MassRows[0].Rate = 7.5, 7.5, 7.5 }, "springs.csv:2:rate rate_geometry"},
		{"a wire too thick to coil", func(t *Tables) { t.Springs[0].WireMM, t.Springs[0].MeanMM = 8.5, 21 }, "springs.csv:2:wire_mm spring_index"},
		{"a spring longer solid than free", func(t *Tables) { wind(&t.Springs[2], 4.4, 17.44) }, "springs.csv:4:free_length_mm solid"},
		{"more active coils than coils", func(t *Tables) { t.Springs[1].TotalCoils = 20 }, "springs.csv:3:total_coils coil_count"},
		{"a cartridge without settings", func(t *Tables) { t.Preloads = t.Preloads[:2] }, "coil_cartridges.csv:3:sku no_preload"},
		{"a setting left out", func(t *Tables) { t.Preloads[1].Setting = 3 }, "preloads.csv:3:setting setting_missing"},
		{"more preload with a longer cavity", func(t *Tables) { t.Preloads[1].CavityMM = 343 }, "preloads.csv:3:cavity_mm cavity_not_shorter"},
		{"a spacer without a number", func(t *Tables) { t.Preloads[1].Spacers = 0 }, "preloads.csv:3:spacers spacers"},
		{"a spring that rattles", func(t *Tables) { t.Springs[1].FreeLengthMM = 340 }, "springs.csv:3:free_length_mm rattles"},
		{"a cavity in which all rattle", func(t *Tables) { t.Preloads[0].CavityMM = 350 }, "preloads.csv:2:cavity_mm rattles"},
		{"a coil that binds", func(t *Tables) {
			t.CoilCartridges[0].BumpStop, t.CoilCartridges[1].BumpStop = "", ""
			wind(&t.Springs[2], 3.9, 17)
		}, "springs.csv:4:free_length_mm coil_bind"},
		{"a spacer too many for the coils", func(t *Tables) { t.Preloads[3].CavityMM = 240 }, "preloads.csv:5:cavity_mm coil_bind"},
		{"a coil too wide for its bore", func(t *Tables) { t.Springs[0].SleeveMM = 2 }, "springs.csv:2:mean_diameter_mm coil_bore"},
		{"a bore too narrow for its coils", func(t *Tables) { t.CoilCartridges[0].BoreMM = 26 }, "coil_cartridges.csv:2:bore_mm coil_bore"},
		{"a shaft too thick for the coils", func(t *Tables) { t.CoilCartridges[1].ShaftMM = 22 }, "coil_cartridges.csv:3:shaft_mm coil_shaft"},
		{"a bump stop too thick for the coils", func(t *Tables) { t.BumpStops[1].BodyMM = 21 }, "bump_stops.csv:3:body_mm coil_bump_stop"},
		{"a chamber smaller than its stroke", func(t *Tables) { t.AirCartridges[0].VolumeML = 100 }, "air_cartridges.csv:2:volume_ml chamber_too_small"},
		{"a negative chamber without area", func(t *Tables) { t.AirCartridges[0].NegativeMM2 = 0 }, "air_cartridges.csv:2:negative_volume_ml negative_chamber"},
		{"bar for psi", func(t *Tables) { t.AirCartridges[0].PressureUnit = "bar" }, "air_cartridges.csv:2:pressure_max implausible"},
		{"pressures exchanged", func(t *Tables) { t.AirCartridges[0].PressureMin = 160 }, "air_cartridges.csv:2:pressure_min from_after_to"},
		{"a bump stop over its pressure", func(t *Tables) { t.BumpStops[0].Settings[2] = 120 }, "bump_stops.csv:2:settings setting_over_limit"},
		{"bump stop settings that fall", func(t *Tables) { t.BumpStops[0].Settings[2] = 20 }, "bump_stops.csv:2:settings not_rising"},
		{"pressures without a unit", func(t *Tables) { t.BumpStops[0].PressureUnit = "" }, "bump_stops.csv:2:pressure_unit required"},
		{"a bump stop of no volume", func(t *Tables) { t.BumpStops[0].VolumeML = 7 }, "bump_stops.csv:2:volume_ml chamber_too_small"},
		{"a bump stop compressed too far", func(t *Tables) { t.BumpStops[0].VolumeML = 8.8 }, "bump_stops.csv:2:volume_ml compression_ratio"},
		{"a bump stop without contact", func(t *Tables) { t.BumpStops[0].ContactShare = 0 }, "bump_stops.csv:2:contact_share contact"},
		{"an elastomer without a table", func(t *Tables) { t.BumperPoints = nil }, "bump_stops.csv:3:sku no_table"},
		{"an elastomer that weakens", func(t *Tables) { t.BumperPoints[2].ForceN = 60 }, "bumper_points.csv:4:force_n not_rising"},
		{"clicks that turn back", func(t *Tables) { t.ClickRows[2].Clicks = 10 }, "click_tables.csv:4:clicks not_monotone"},
		{"clicks off the knob", func(t *Tables) { t.ClickRows[0].Clicks = 16 }, "click_tables.csv:2:clicks off_the_knob"},
		{"a knob that the damper has not", func(t *Tables) {
			for i := range t.ClickRows {
				t.ClickRows[i].Adjuster = "compression"
			}
		}, "click_tables.csv:2:adjuster unknown_adjuster"},
		{"masses that overlap", func(t *Tables) { t.MassRows[1].MassFromKG = 70 }, "mass_charts.csv:3:mass_from_kg overlap"},
		{"masses exchanged", func(t *Tables) { t.MassRows[1].MassFromKG = 95 }, "mass_charts.csv:3:mass_to_kg from_after_to"},
		{"a heavier rider on a softer spring", func(t *Tables) { t.MassRows[2].Rate = 7 }, "mass_charts.csv:4:rate not_rising"},
		{"a rate that the family has not", func(t *Tables) { t.MassRows[1].Rate = 8.4 }, "mass_charts.csv:3:rate unknown_rate"},
		{"an item that is nothing", func(t *Tables) { t.Handlings[0].Item = "NUT9" }, "handlings.csv:2:item unknown_item"},
		{"a reuse without a look", func(t *Tables) { t.Handlings[2].Condition = "" }, "handlings.csv:4:condition reuse_unconditional"},
		{"a need on nothing", func(t *Tables) { t.Needs[1].Target = "e99" }, "needs.csv:3:target unknown_target"},
		{"a need at no time", func(t *Tables) { t.Needs[0].Opening = "" }, "needs.csv:2:opening opening_or_operation"},
		{"a need of nothing", func(t *Tables) { t.Needs[0].Kind = "" }, "needs.csv:2:part part_or_kind"},
		{"a need of none", func(t *Tables) { t.Needs[1].Quantity = 0 }, "needs.csv:3:quantity required"},
		{"a needed part that does not fit", func(t *Tables) { t.Needs[1].Part = "NUT" }, "needs.csv:3:part required_misfit"},
		{"a price missing in a list", func(t *Tables) { t.Prices = t.Prices[1:] }, "parts.csv:2:sku price_missing"},
		{"a price that is no amount", func(t *Tables) { t.Prices[0].Amount = "19,90" }, "prices.csv:2:price not_an_amount"},
		{"a price of nothing", func(t *Tables) { t.Prices[0].Amount = "0.00" }, "prices.csv:2:price not_an_amount"},
		{"yen with decimals", func(t *Tables) { t.Prices[1].Amount = "3200.50" }, "prices.csv:3:price price_decimals"},
		{"no price for one", func(t *Tables) { t.Prices[0].MinQuantity = 10 }, "prices.csv:2:min_quantity no_price_for_one"},
		{"a currency that is none", func(t *Tables) { t.PriceLists[0].Currency = "EUX" }, "price_lists.csv:2:currency unknown_currency"},
		{"a row without a source", func(t *Tables) { t.fit("r1").Source = "" }, "fitments.csv:2:source required"},
		{"a row id twice", func(t *Tables) { t.fit("r7").ID = "r4" }, "fitments.csv:8:row same_key"},
		{"a row for a part that does not exist", func(t *Tables) { t.fit("r10").Part = "SVX" }, "fitments.csv:11:part unknown_part"},
		{"a row for a fork that does not exist", func(t *Tables) { t.fit("r8").Target = "f9" }, "fitments.csv:9:target unknown_target"},
		{"a row for a model that does not exist", func(t *Tables) { t.fit("r10").Level, t.fit("r10").Target = AtModel, "elm/Moor" }, "fitments.csv:11:target unknown_target"},
		{"row years exchanged", func(t *Tables) { t.fit("r8").YearFrom, t.fit("r8").YearTo = 2020, 2019 }, "fitments.csv:9:year_to from_after_to"},
		{"a row year that is none", func(t *Tables) { t.fit("r9").YearFrom = 202 }, "fitments.csv:10:year_from implausible"},
		{"a row before the fork was built", func(t *Tables) { t.fit("r8").YearFrom, t.fit("r8").YearTo = 2015, 2016 }, "fitments.csv:9:year_from never_applies"},
		{"fits_with nothing", func(t *Tables) { t.fit("r4").Verdict = FitsWith }, "fitments.csv:5:requires no_requirement"},
		{"fits with a requirement", func(t *Tables) { t.fit("r3").Verdict = Fits }, "fitments.csv:4:requires requirement_unused"},
		{"a requirement that does not exist", func(t *Tables) { t.fit("r3").Requires[0].Part = "TS9" }, "fitments.csv:4:requires unknown_requires"},
		{"a washer for a spacer", func(t *Tables) { t.fit("r3").Requires[0].Part = "CW" }, "fitments.csv:4:requires wrong_kind"},
		{"a required part that does not fit the same fork", func(t *Tables) { t.fit("r4").Level, t.fit("r4").Target = AtFork, "f1" }, "fitments.csv:4:requires required_misfit"},
		{"a value of a fact that no fork has", func(t *Tables) { t.fit("r3").Must[0].Value = "paper" }, "fitments.csv:4:must unknown_value"},
		{"a fact that this fork cannot have", func(t *Tables) { t.fit("r2").Must[0] = Fact{"damper", "d1"} }, "fitments.csv:3:must impossible_fact"},
		{"a cartridge wider than the bore", func(t *Tables) { t.CoilCartridges[1].BoreMM = 34 }, "fitments.csv:3:verdict contradicts_bore"},
		{"a row against a measured bore", func(t *Tables) { t.CoilCartridges[0].BoreMM = 32 }, "fitments.csv:2:verdict contradicts_bore"},
		{"a bore measured wrong", func(t *Tables) { t.Chassis[0].BoreMM = 25 }, "chassis.csv:2:bore_mm contradicts_bore"},
		{"a seal for another seat", func(t *Tables) { t.Seats[1].DepthMM = 10 }, "fitments.csv:7:verdict contradicts_seat"},
		{"a seal by the stanchion alone", func(t *Tables) { t.fit("r5").Target = "e36"; t.fit("r5").Must = []Fact{{"seal_generation", "g1"}} }, "fitments.csv:6:verdict contradicts_seat"},
		{"a row past a hard limit", func(t *Tables) { t.CoilCartridges[1].TravelMM = 180 }, "fitments.csv:3:verdict over_limit"},
		{"a row repeated", func(t *Tables) { t.also("r1", func(f *Fitment) {}); place(t) }, "fitments.csv:12:row same_row"},
		{"more rows than anybody can tell apart", func(t *Tables) {
			for i := range 1000 {
				t.also("r7", func(f *Fitment) { f.ID, f.YearFrom, f.YearTo = fmt.Sprintf("x%d", i), 2019, 2019 })
			}
			place(t)
		}, "fitments.csv:8:row too_many_rows"},
		{"rows that contradict", func(t *Tables) { t.also("r1", func(f *Fitment) { f.Verdict = DoesNotFit }); place(t) }, "fitments.csv:12:verdict contradiction"},
		{"rows that contradict in one year", func(t *Tables) { t.fit("r9").YearFrom = 2020 }, "fitments.csv:10:verdict contradiction"},
		{"rows that overlap", func(t *Tables) { t.also("r8", func(f *Fitment) { f.YearFrom = 2020; f.YearTo = 2020 }); place(t) }, "fitments.csv:12:row overlap"},
		{"an exclusion that swallows a row", func(t *Tables) {
			t.also("r8", func(f *Fitment) {
				f.Level, f.Target, f.Verdict, f.YearTo, f.YearFrom = AtMaker, "elm", DoesNotFit, 0, 0
			})
			place(t)
		}, "fitments.csv:9:verdict never_applies"},
	}
	for _, tt := range tests {
		t.Run(tt.mistake, func(t *testing.T) {
			tables := sound()
			tt.plant(tables)
			var got []string
			var told string
			for _, p := range Check(tables) {
				got = append(got, fmt.Sprintf("%s:%d:%s %s", p.File, p.Line, p.Field, p.Code))
				told += p.String() + "\n"
			}
			if d := cmp.Diff([]string{tt.want}, got); d != "" {
				t.Errorf("%s\n%s", d, told)
			}
		})
	}
}

// wind changes wire and mean diameter of a spring and keeps its rate by the number of coils.
func wind(s *Spring, wireMM, meanMM float64) {
	s.WireMM, s.MeanMM = wireMM, meanMM
	s.ActiveCoils = 79500 * math.Pow(wireMM, 4) / (8 * math.Pow(meanMM, 3) * s.Rate)
	s.TotalCoils = s.ActiveCoils + 2
}

// TestOneMistakeInVeryManyRowsStaysReadable: a column that is wrong all over is told a thousand times, then counted.
func TestOneMistakeInVeryManyRowsStaysReadable(t *testing.T) {
	tables := sound()
	for i := range 5000 {
		tables.also("r7", func(f *Fitment) { f.ID, f.Target = fmt.Sprintf("x%d", i), "elm/Nowhere" })
	}
	place(tables)
	problems := Check(tables)
	if len(problems) != sameProblemMost+1 {
		t.Fatalf("%d problems, the first %v, the last %v", len(problems), problems[:2], problems[len(problems)-2:])
	}
	if p := problems[0]; p.Line != 0 || p.Severity != Error || p.Text != "4000 more of this kind in this file; correct those listed before counting again" {
		t.Error(p)
	}
}

// TestTheOrderOfRowsDoesNotChangeWhatIsFound: only the lines.
func TestTheOrderOfRowsDoesNotChangeWhatIsFound(t *testing.T) {
	codes := func(tables *Tables) []string {
		var out []string
		for _, p := range Check(tables) {
			out = append(out, p.File+p.Field+p.Code)
		}
		slices.Sort(out)
		return out
	}
	damage := func(t *Tables) {
		t.CoilCartridges[0].BoreMM, t.fit("r9").YearFrom, t.Springs[1].FreeLengthMM = 32, 2020, 340
	}
	want := sound()
	damage(want)
	turned := sound()
	damage(turned)
	slices.Reverse(turned.Fitments)
	slices.Reverse(turned.Springs)
	slices.Reverse(turned.Parts)
	slices.Reverse(turned.Preloads)
	place(turned)
	if d := cmp.Diff(codes(want), codes(turned)); d != "" {
		t.Error(d)
	}
}

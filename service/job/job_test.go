package job

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
)

// smallCatalog is one fork with everything known about it, one coil cartridge and two kits.
func smallCatalog() *catalog.Tables {
	part := func(sku, kind, unit string) catalog.Part {
		return catalog.Part{SKU: sku, Kind: kind, Unit: unit, Status: "active", Maker: "tarn"}
	}
	fig := func(kind, owner, figure, place string, leg catalog.Leg, v float64, unit string) catalog.Figure {
		return catalog.Figure{OwnerKind: kind, Owner: owner, Figure: figure, Place: place, Leg: leg, Value: v, Unit: unit, Publisher: owner, Source: "sheet 7"}
	}
	oil := part("OIL-B", catalog.KindFluid, "mL")
	oil.PackQuantity = 125
	return &catalog.Tables{
		Makers:  []catalog.Maker{{Code: "tarn", Name: "Tarn Works"}},
		Chassis: []catalog.Chassis{{Code: "T36", Maker: "tarn", Name: "T36", StanchionMM: 36, SpringSide: catalog.Left, Legs: "conventional", Gland: "retaining_ring", FootFastener: "bolt", DamperLeg: "sealed"}},
		Forks:   []catalog.Fork{{ID: "t36-a", Chassis: "T36", Model: "Fell", Name: "Fell 36", YearFrom: 2021, YearTo: 2024, TravelsMM: []int{160}}},
		Parts: []catalog.Part{
			part("CART", catalog.KindCoilCartridge, "each"), part("NUT", catalog.KindFootNut, "each"), part("CAP", catalog.KindTopCap, "each"),
			part("SPR-1", catalog.KindSpring, "each"), part("SPR-2", catalog.KindSpring, "each"), part("SPACER", catalog.KindPreloadSpacer, "each"),
			part("WASH-S", catalog.KindCrushWasher, "each"), part("WASH-D", catalog.KindCrushWasher, "each"), part("SEALS", catalog.KindSealKit, "each"),
			part("FOAM", catalog.KindFoamRing, "each"), part("SERVICE", catalog.KindServiceKit, "each"), part("ORING", catalog.KindORing, "each"),
			part("CASSETTE", catalog.KindTool, "each"), part("LABOR", catalog.KindLabor, "min"), part("AIR", catalog.KindAirCartridge, "each"), oil,
			part("BUMP", catalog.KindBumpStop, "each"),
		},
		CoilCartridges: []catalog.CoilCartridge{{SKU: "CART", TravelMM: 160, SpringFamily: "F", TopCap: "CAP", FootNut: "NUT", BumpStop: "BUMP", Mark: "T36-160"}},
		BumpStops:      []catalog.BumpStop{{SKU: "BUMP", Medium: "air", PressureMax: 4, PressureUnit: "bar"}},
		Springs:        []catalog.Spring{{SKU: "SPR-1", Family: "F", Rate: 8, RateUnit: "N/mm", Mark: "F8"}, {SKU: "SPR-2", Family: "F", Rate: 9, RateUnit: "N/mm"}},
		AirCartridges:  []catalog.AirCartridge{{SKU: "AIR", TravelMM: 160}},
		SealKits:       []catalog.SealKit{{SKU: "SEALS"}},
		Fluids:         []catalog.Fluid{{SKU: "OIL-B", Duty: "bath"}},
		Preloads: []catalog.Preload{
			{Cartridge: "CART", Setting: 1, CavityMM: 300}, {Cartridge: "CART", Setting: 2, CavityMM: 297, Spacer: "SPACER", Spacers: 1},
			{Cartridge: "CART", Setting: 3, CavityMM: 294, Spacer: "SPACER", Spacers: 2},
		},
		Contents: []catalog.Content{
			{Kit: "CART", Part: "CAP", Quantity: 1}, {Kit: "CART", Part: "NUT", Quantity: 1}, {Kit: "CART", Part: "BUMP", Quantity: 1},
			{Kit: "CART", Part: "SPACER", Quantity: 2}, {Kit: "CART", Part: "WASH-S", Quantity: 1},
			{Kit: "SERVICE", Part: "SEALS", Quantity: 1}, {Kit: "SERVICE", Part: "FOAM", Quantity: 2},
			{Kit: "SERVICE", Part: "WASH-S", Quantity: 1}, {Kit: "SERVICE", Part: "WASH-D", Quantity: 1},
		},
		Handlings: []catalog.Handling{
			{Cartridge: "CART", Action: "includes", Item: "NUT", Quantity: 1, Leg: catalog.SpringLeg},
			{Cartridge: "CART", Action: "reuses", Item: "retaining_ring", Quantity: 1, Leg: catalog.SpringLeg, Condition: "straight, edges sharp"},
			{Cartridge: "CART", Action: "sets_aside", Item: "stock_air_assembly", Quantity: 1, Leg: catalog.SpringLeg},
			{Cartridge: "CART", Action: "forbids", Item: "stock_foot_nut", Quantity: 1, Leg: catalog.SpringLeg},
		},
		Openings: []catalog.Opening{{Opening: "cap", Minutes: 6, Labor: "LABOR"}, {Opening: "lowers", Minutes: 19, Labor: "LABOR"}, {Opening: "damper", Minutes: 22, Labor: "LABOR"}},
		Operations: []catalog.Operation{
			{Operation: FitCoil, Opens: []string{"cap", "lowers"}, Minutes: 21, Labor: "LABOR"}, {Operation: SwapSpring, Opens: []string{"cap"}, Minutes: 4, Labor: "LABOR"},
			{Operation: SetPreload, Opens: []string{"cap"}, Minutes: 3, Labor: "LABOR"}, {Operation: SetBumpStop, Minutes: 4, Labor: "LABOR"},
			{Operation: ServiceLower, Opens: []string{"lowers"}, Minutes: 17, Labor: "LABOR"}, {Operation: RefitStock, Opens: []string{"cap", "lowers"}, Minutes: 18, Labor: "LABOR"},
		},
		Jobs: []catalog.Job{
			{Job: "coil_conversion", Operations: []string{FitCoil}}, {Job: "spring_swap", Operations: []string{SwapSpring}}, {Job: "preload_change", Operations: []string{SetPreload}},
			{Job: "bump_stop_setting", Operations: []string{SetBumpStop}}, {Job: "lower_leg_service", Operations: []string{ServiceLower}}, {Job: "return_to_stock", Operations: []string{RefitStock}},
		},
		Needs: []catalog.Need{
			{TargetKind: "chassis", Target: "T36", Opening: "lowers", Leg: catalog.SpringLeg, Part: "WASH-S", Quantity: 1, Role: "never_reuse"},
			{TargetKind: "chassis", Target: "T36", Opening: "lowers", Leg: catalog.DamperLeg, Part: "WASH-D", Quantity: 1, Role: "never_reuse"},
			{TargetKind: "any", Opening: "lowers", Leg: catalog.BothLegs, Kind: catalog.KindFluid, Role: "consumable"},
			{TargetKind: "any", Opening: "cap", Leg: catalog.SpringLeg, Part: "ORING", Quantity: 1, Role: "consumable"},
			{TargetKind: "any", Operation: ServiceLower, Leg: catalog.BothLegs, Kind: catalog.KindSealKit, Quantity: 1, Role: "consumable"},
			{TargetKind: "any", Operation: ServiceLower, Leg: catalog.BothLegs, Kind: catalog.KindFoamRing, Quantity: 2, Role: "consumable"},
			{TargetKind: "chassis", Target: "T36", Opening: "cap", Part: "CASSETTE", Quantity: 1, Role: "tool"},
		},
		Figures: []catalog.Figure{
			fig("chassis", "T36", "oil_volume", "bath", catalog.SpringLeg, 13, "mL"), fig("chassis", "T36", "oil_volume", "bath", catalog.DamperLeg, 9, "mL"),
			fig("chassis", "T36", "foam_soak", "bath", catalog.BothLegs, 3, "mL"),
			fig("chassis", "T36", "torque", "foot", catalog.BothLegs, 6.5, "N m"), fig("chassis", "T36", "socket_before", "foot", catalog.BothLegs, 11, "mm"),
			fig("part", "NUT", "torque", "foot", catalog.NoLeg, 71, "in-lbf"), fig("part", "NUT", "socket_after", "foot", catalog.NoLeg, 13, "mm"),
		},
		Fitments: []catalog.Fitment{
			row("1", "CART"), row("2", "SPR-1"), row("3", "SEALS"), row("4", "FOAM"), row("5", "SERVICE"), row("6", "WASH-S"), row("7", "WASH-D"), row("8", "SPR-2"), row("9", "NUT"), row("10", "CAP"),
			row("11", "BUMP"), row("12", "SPACER"), row("13", "ORING"),
		},
	}
}

func row(id, part string) catalog.Fitment {
	return catalog.Fitment{ID: id, Part: part, Level: catalog.AtFork, Verdict: catalog.Fits, Target: "t36-a"}
}

// byRows is a judge that reads the rows of a fork and nothing else.
func byRows(rev *catalog.Revision, o *fitment.Owned, sku string) fitment.Answer {
	part, ok := rev.Part(sku)
	if !ok {
		return fitment.Answer{SKU: sku, Verdict: catalog.NotInCatalog}
	}
	v := catalog.Fits
	if catalog.KindClosed(part.Kind) {
		v = catalog.DoesNotFit
	}
	a := fitment.Answer{SKU: sku, Verdict: v}
	for r := range rev.RowsFor(o.Fork) {
		if r.Part == sku {
			a.Verdict = r.Verdict
			if r.Conditions != nil {
				a.Requires = r.Requires
			}
		}
	}
	return a
}

func make1(t *testing.T, tables *catalog.Tables, change func(*Question)) (Bill, *catalog.Revision) {
	t.Helper()
	rev := catalog.Build(tables, 4)
	fork, ok := rev.Fork("t36-a")
	if !ok {
		t.Fatal("the test's fork is gone")
	}
	q := Question{Owned: fitment.Owned{Fork: fork, ModelYear: 2022, TravelNow: fitment.Travel{MM: 160, How: fitment.Measured}}}
	change(&q)
	b, err := Make(rev, q, byRows)
	if err != nil {
		t.Fatal(err)
	}
	return b, rev
}

func jobs(names ...string) func(*Question) {
	return func(q *Question) {
		q.Jobs = names
		for _, n := range names {
			switch n {
			case "coil_conversion":
				q.Cartridge, q.Spring = "CART", "SPR-1"
			case "spring_swap":
				q.Fitted, q.Spring = "CART", "SPR-2"
			case "return_to_stock", "preload_change", "bump_stop_setting":
				q.Fitted = "CART"
			}
		}
	}
}

// short writes the lines as "role quantity thing [in box]".
func short(b Bill) []string {
	var out []string
	for _, l := range b.Lines {
		s := fmt.Sprintf("%s %v %s%s", l.Role, l.Quantity, l.SKU, l.Item)
		if l.IncludedIn != "" {
			s += " in " + l.IncludedIn
		}
		if l.State != "" {
			s += " " + l.State
		}
		if l.Charged {
			s += " charged"
		}
		out = append(out, s)
	}
	slices.Sort(out)
	return out
}

func TestASpringSwapOpensTheCapAlone(t *testing.T) {
	b, _ := make1(t, smallCatalog(), jobs("spring_swap"))
	want := []string{"consumable 1 ORING charged", "new 1 SPR-2 charged", "tool 1 CASSETTE charged"}
	if d := cmp.Diff(want, short(b)); d != "" {
		t.Error(d)
	}
	if b.Minutes != 10 {
		t.Errorf("minutes = %v, want 10", b.Minutes)
	}
	if d := cmp.Diff([]string{"cap"}, b.Opens); d != "" {
		t.Error(d)
	}
	codes := stepCodes(b)
	if !slices.Contains(codes, "lowers_stay") || slices.Contains(codes, "oil") || slices.Contains(codes, "close_foot") {
		t.Errorf("steps = %v", codes)
	}
}

func stepCodes(b Bill) []string {
	var out []string
	for _, s := range b.Steps {
		out = append(out, s.Code)
	}
	return out
}

func TestAConversionAloneHasBothWashersAndOilForBothLegs(t *testing.T) {
	b, _ := make1(t, smallCatalog(), jobs("coil_conversion"))
	want := []string{
		"consumable 1 ORING charged", "consumable 12 OIL-B charged", "consumable 16 OIL-B charged",
		"included 1 BUMP in CART", "included 1 CAP in CART", "included 1 NUT in CART", "included 1 WASH-S in CART",
		"never_reuse 1 WASH-D charged", "never_reuse 1 stock_foot_nut", "new 1 CART charged", "new 1 SPR-1 charged",
		"reuse 1 retaining_ring", "set_aside 1 stock_air_assembly", "tool 1 CASSETTE charged",
	}
	if d := cmp.Diff(want, short(b)); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]LeftOver{{SKU: "SPACER", Unit: "each", Kit: "CART", Quantity: 2}}, b.LeftOver); d != "" {
		t.Error(d)
	}
}

func TestConversionWithServiceIsShorterThanBothApart(t *testing.T) {
	conversion, _ := make1(t, smallCatalog(), jobs("coil_conversion"))
	service, _ := make1(t, smallCatalog(), jobs("lower_leg_service"))
	both, _ := make1(t, smallCatalog(), jobs("lower_leg_service", "coil_conversion", "coil_conversion"))
	if both.Minutes != 63 || conversion.Minutes+service.Minutes != 82 {
		t.Errorf("together %v, apart %v and %v", both.Minutes, conversion.Minutes, service.Minutes)
	}
}

func TestWhatAKitBringsIsNeitherChargedNorForgotten(t *testing.T) {
	withKit := func(q *Question) {
		jobs("coil_conversion", "lower_leg_service")(q)
		q.Kits, q.OwnsTools = []string{"SERVICE"}, true
	}
	b, _ := make1(t, smallCatalog(), withKit)
	want := []string{
		"consumable 1 ORING charged", "consumable 12 OIL-B charged", "consumable 16 OIL-B charged",
		"included 1 BUMP in CART", "included 1 CAP in CART", "included 1 NUT in CART", "included 1 SEALS in SERVICE",
		"included 1 WASH-D in SERVICE", "included 1 WASH-S in CART", "included 2 FOAM in SERVICE",
		"never_reuse 1 stock_foot_nut", "new 1 CART charged", "new 1 SERVICE charged", "new 1 SPR-1 charged",
		"reuse 1 retaining_ring", "set_aside 1 stock_air_assembly",
	}
	if d := cmp.Diff(want, short(b)); d != "" {
		t.Error(d)
	}
	if !slices.Contains(b.LeftOver, LeftOver{SKU: "WASH-S", Unit: "each", Kit: "SERVICE", Quantity: 1}) {
		t.Errorf("the second washer should be named as left over: %v", b.LeftOver)
	}
}

func TestReturnToStockIsTheInverse(t *testing.T) {
	b, _ := make1(t, smallCatalog(), jobs("return_to_stock"))
	want := []string{
		"consumable 1 ORING charged", "consumable 12 OIL-B charged", "consumable 16 OIL-B charged", "never_reuse 1 WASH-D charged", "never_reuse 1 WASH-S charged",
		"reuse 1 retaining_ring", "reuse 1 stock_air_assembly", "reuse 1 stock_foot_nut",
		"set_aside 1 CAP", "set_aside 1 CART", "set_aside 1 NUT", "tool 1 CASSETTE charged",
	}
	if d := cmp.Diff(want, short(b)); d != "" {
		t.Error(d)
	}
	f := figureOf(t, b, "torque/foot/spring")
	if f.OwnerKind != "chassis" || f.SI != 6.5 {
		t.Errorf("the stock foot takes the fork's torque, got %+v", f)
	}
	b, _ = make1(t, smallCatalog(), func(q *Question) { jobs("return_to_stock")(q); q.Parts = []string{"AIR"} })
	if slices.Contains(short(b), "reuse 1 stock_air_assembly") || !slices.Contains(short(b), "new 1 AIR charged") {
		t.Errorf("a new air spring takes the place of the stock one: %v", short(b))
	}
}

func figureOf(t *testing.T, b Bill, id string) Figure {
	t.Helper()
	for _, f := range b.Figures {
		if f.ID == id {
			return f
		}
	}
	t.Fatalf("no figure %s in the bill", id)
	return Figure{}
}

func TestTheKitsNutTakesTheKitsTorque(t *testing.T) {
	b, _ := make1(t, smallCatalog(), jobs("coil_conversion"))
	f := figureOf(t, b, "torque/foot/spring")
	if f.Owner != "NUT" || f.Published.Value != 71 || f.Published.Unit != "in-lbf" || math.Abs(f.SI-8.0220) > 1e-3 || f.SIUnit != "N m" {
		t.Errorf("%+v", f)
	}
	if f := figureOf(t, b, "socket_before/foot/spring"); f.Owner != "T36" || f.SI != 11 {
		t.Errorf("%+v", f)
	}
	if f := figureOf(t, b, "torque/foot/damper"); f.Owner != "T36" || f.SI != 6.5 {
		t.Errorf("%+v", f)
	}
}

func TestAMissingFigureIsNeverReplaced(t *testing.T) {
	tables := smallCatalog()
	tables.Figures = slices.DeleteFunc(tables.Figures, func(f catalog.Figure) bool {
		return f.Owner == "NUT" || (f.Figure == "oil_volume" && f.Leg == catalog.DamperLeg)
	})
	b, rev := make1(t, tables, jobs("coil_conversion"))
	f := figureOf(t, b, "torque/foot/spring")
	if f.State != NotInOurData || f.SI != 0 || f.Owner != "NUT" || f.WhereToLook == "" {
		t.Errorf("the torque of the fork must not stand in for that of the kit's nut: %+v", f)
	}
	if !slices.Contains(short(b), "consumable 0 OIL-B not_in_our_data charged") {
		t.Errorf("lines = %v", short(b))
	}
	for _, c := range b.Charges(rev, true) {
		if c.SKU == "OIL-B" && (!c.Unknown || c.Quantity != 16 || c.Packages != 1) {
			t.Errorf("charge = %+v", c)
		}
	}
	text, _ := json.Marshal(b)
	for _, number := range []string{"8.02", "6.3", `"71`, "12 mL"} {
		if strings.Contains(string(text), number) {
			t.Errorf("%s appears although it was deleted", number)
		}
	}
	open := 0
	for _, o := range b.Open {
		if o.Code == NotInOurData {
			open++
		}
	}
	if open != 3 { // the kit's cap has no torque in this catalog either
		t.Errorf("open points = %+v", b.Open)
	}
}

func TestAMirroredForkReadsRight(t *testing.T) {
	tables := smallCatalog()
	tables.Chassis[0].SpringSide = catalog.Right
	b, _ := make1(t, tables, func(q *Question) { jobs("coil_conversion", "lower_leg_service")(q) })
	legs := 0
	for _, s := range b.Steps {
		want := map[catalog.Leg]catalog.Side{catalog.SpringLeg: catalog.Right, catalog.DamperLeg: catalog.Left}[s.Leg]
		if s.Side != want {
			t.Errorf("step %s of the %s leg says %q", s.Code, s.Leg, s.Side)
		}
		if want != "" && s.Code != "check_cartridge" {
			legs++
			if !strings.Contains(s.Text, "the "+string(want)+" leg") {
				t.Errorf("step %s does not name the %s leg: %s", s.Code, want, s.Text)
			}
		}
	}
	if legs < 10 {
		t.Errorf("only %d steps name a leg", legs)
	}
}

func TestEverySheetHasItsCautionsWhereTheHandIs(t *testing.T) {
	for _, name := range []string{"coil_conversion", "spring_swap", "preload_change", "bump_stop_setting", "lower_leg_service", "return_to_stock"} {
		b, _ := make1(t, smallCatalog(), jobs(name))
		at := map[string]int{}
		for i, s := range b.Steps {
			if strings.ContainsAny(s.Text, "{}") {
				t.Errorf("%s: %q has an unfilled word", name, s.Text)
			}
			for _, c := range s.Cautions {
				at[c] = i
				if cautions[c].Text == "" || cautions[c].Reason == "" {
					t.Errorf("%s: caution %q has no text or reason", name, c)
				}
			}
			for _, id := range s.Figures {
				figureOf(t, b, id)
			}
			if _, ok := at["eye_protection"]; !ok && (s.Code == "open_cap" || s.Code == "loosen_foot") {
				t.Errorf("%s: %s comes before anybody put on eye protection", name, s.Code)
			}
		}
		for _, c := range b.Cautions {
			if _, ok := at[c.Code]; !ok {
				t.Errorf("%s: caution %s stands at no step", name, c.Code)
			}
		}
		if last := b.Steps[len(b.Steps)-1]; last.Code != "before_riding" {
			t.Errorf("%s ends with %s", name, last.Code)
		}
	}
}

func TestAirIsOutBeforeAnythingIsOpened(t *testing.T) {
	for name, first := range map[string]string{"coil_conversion": "release_air", "lower_leg_service": "release_air", "spring_swap": "release_bump_stop"} {
		b, _ := make1(t, smallCatalog(), jobs(name))
		codes := stepCodes(b)
		release := slices.Index(codes, first)
		for _, open := range []string{"open_cap", "loosen_foot"} {
			if i := slices.Index(codes, open); i >= 0 && (release < 0 || release > i) {
				t.Errorf("%s: %s at %d, %s at %d", name, first, release, open, i)
			}
		}
	}
}

func TestTheCustomersOwnParts(t *testing.T) {
	b, _ := make1(t, smallCatalog(), func(q *Question) {
		jobs("spring_swap")(q)
		q.OwnsTools = true
		q.Customer = []Supplied{{"SPR-2", 1}, {"WASH-D", 2}}
	})
	want := []string{"consumable 1 ORING charged", "customer_supplied 1 SPR-2", "customer_supplied 2 WASH-D"}
	if d := cmp.Diff(want, short(b)); d != "" {
		t.Error(d)
	}
	for _, l := range b.Lines {
		if l.Role == CustomerSupplied && (!l.Untraced || l.Charged || l.Verdict == 0) {
			t.Errorf("%+v", l)
		}
	}
	tables := smallCatalog()
	tables.Fitments = slices.DeleteFunc(tables.Fitments, func(f catalog.Fitment) bool { return f.Part == "SPR-2" })
	b, _ = make1(t, tables, func(q *Question) { jobs("spring_swap")(q); q.Customer = []Supplied{{"SPR-2", 1}} })
	if !slices.ContainsFunc(b.Lines, func(l Line) bool { return l.Role == CustomerSupplied && l.Rule == "does_not_fit" }) {
		t.Errorf("a part that does not fit is not used: %v", short(b))
	}
}

func TestPreloadSpacersComeFromTheBox(t *testing.T) {
	b, _ := make1(t, smallCatalog(), func(q *Question) { jobs("coil_conversion")(q); q.Preload = 3 })
	if !slices.Contains(short(b), "included 2 SPACER in CART") {
		t.Errorf("lines = %v", short(b))
	}
	b, _ = make1(t, smallCatalog(), func(q *Question) { jobs("preload_change")(q); q.Preload = 2 })
	if !slices.Contains(short(b), "reuse 1 SPACER in CART") {
		t.Errorf("lines = %v", short(b))
	}
}

func TestASlotIsFilledByTheChoiceOrTheDefault(t *testing.T) {
	slot := func(withDefault bool) *catalog.Tables {
		tables := smallCatalog()
		tables.Contents = append(tables.Contents, catalog.Content{Kit: "CART", Part: "SPR-1", Quantity: 1, Slot: "spring", Default: withDefault}, catalog.Content{Kit: "CART", Part: "SPR-2", Quantity: 1, Slot: "spring"})
		return tables
	}
	convert := func(spring string) func(*Question) {
		return func(q *Question) { jobs("coil_conversion")(q); q.Spring = spring }
	}
	b, _ := make1(t, slot(true), convert("SPR-2"))
	if l := short(b); !slices.Contains(l, "included 1 SPR-2 in CART") || slices.ContainsFunc(l, func(s string) bool { return strings.Contains(s, "SPR-1") }) {
		t.Errorf("lines = %v", l)
	}
	b, _ = make1(t, slot(true), convert(""))
	if l := short(b); !slices.Contains(l, "included 1 SPR-1 in CART") {
		t.Errorf("lines = %v", l)
	}
	b, _ = make1(t, slot(false), convert(""))
	if len(b.Open) == 0 || b.Open[0].Code != "choice_missing" || !slices.Equal(b.Open[0].Question.Choices, []string{"SPR-1", "SPR-2"}) {
		t.Errorf("open = %+v", b.Open)
	}
	b, _ = make1(t, smallCatalog(), convert(""))
	if len(b.Open) == 0 || b.Open[0].Code != "spring_missing" {
		t.Errorf("open = %+v", b.Open)
	}
}

func TestARowForTheForkOverrulesTheRowForAnyFork(t *testing.T) {
	tables := smallCatalog()
	tables.Needs = append(tables.Needs, catalog.Need{TargetKind: "fork", Target: "t36-a", Operation: ServiceLower, Leg: catalog.BothLegs, Part: "FOAM", Quantity: 4, Role: "consumable"})
	b, _ := make1(t, tables, jobs("lower_leg_service"))
	n := 0.0
	for _, l := range b.Lines {
		if l.SKU == "FOAM" {
			n += l.Quantity
		}
	}
	if n != 4 {
		t.Errorf("foam rings = %v, want 4: %v", n, short(b))
	}
}

func TestWhatAFittingConditionAsksForIsOnTheBill(t *testing.T) {
	tables := smallCatalog()
	tables.Parts = append(tables.Parts, catalog.Part{SKU: "SLEEVE", Kind: catalog.KindAdapter, Unit: "each", Status: "active"})
	tables.Fitments[0].Verdict = catalog.FitsWith
	tables.Fitments[0].Conditions = &catalog.Conditions{Requires: []catalog.Requirement{{Kind: "adapter", Part: "SLEEVE", Quantity: 1, Text: "The tube is wider: it takes a sleeve."}}}
	b, _ := make1(t, tables, jobs("coil_conversion"))
	if !slices.Contains(short(b), "new 1 SLEEVE charged") {
		t.Errorf("lines = %v", short(b))
	}
}

func TestWhatIsBuiltWhenTheJobIsDone(t *testing.T) {
	spacer := catalog.Requirement{Kind: catalog.KindTravelSpacer, Part: "TS-10", Quantity: 1}
	psi := &Published{Value: 40, Unit: "psi"}
	for name, c := range map[string]struct {
		spaced bool
		change func(*Question)
		want   *Built
	}{
		"a conversion": {false, jobs("coil_conversion"), &Built{Cartridge: "CART", TravelMM: 160, Spring: "SPR-1", Preload: 1}},
		"with all that can be said": {false, func(q *Question) {
			jobs("coil_conversion")(q)
			q.Preload, q.BumpStop, q.Owned.Use, q.Owned.Options = 3, psi, "trail", map[string]string{"damper": "d9"}
		}, &Built{Cartridge: "CART", TravelMM: 160, Spring: "SPR-1", Preload: 3, BumpStop: psi, Damper: "d9", Use: "trail"}},
		"with a travel spacer the fork keeps its travel": {true, func(q *Question) {
			jobs("coil_conversion")(q)
			q.Owned.TravelNow.MM = 150
		}, &Built{Cartridge: "CART", TravelMM: 150, Spring: "SPR-1", Preload: 1}},
		"a spring swap leaves the preload as it is": {false, jobs("spring_swap"), &Built{Cartridge: "CART", TravelMM: 160, Spring: "SPR-2"}},
		"a new preload under a spring that nobody named": {false, func(q *Question) {
			jobs("preload_change")(q)
			q.Preload = 2
		}, &Built{Cartridge: "CART", TravelMM: 160, Preload: 2}},
		"back to stock": {false, jobs("return_to_stock"), nil},
		"an air fork":   {false, jobs("lower_leg_service"), nil},
	} {
		tables := smallCatalog()
		if c.spaced {
			tables.Parts = append(tables.Parts, catalog.Part{SKU: "TS-10", Kind: catalog.KindTravelSpacer, Unit: "each", Status: "active"})
			tables.Fitments[0].Verdict, tables.Fitments[0].Conditions = catalog.FitsWith, &catalog.Conditions{Requires: []catalog.Requirement{spacer}}
		}
		b, _ := make1(t, tables, c.change)
		if d := cmp.Diff(c.want, b.Built); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
		if c.spaced && !slices.ContainsFunc(b.Steps, func(s Step) bool { return s.Code == "dry_travel_check" && s.Args["travel"] == "150 mm" }) {
			t.Errorf("%s: it is not the travel that is checked", name)
		}
	}
}

func TestTheBoxOfTheCartridgeServesTheSpringLegFirst(t *testing.T) {
	tables := smallCatalog()
	for i := range tables.Needs {
		if tables.Needs[i].Part == "WASH-D" {
			tables.Needs[i].Part = "WASH-S" // both feet alike
		}
	}
	b, _ := make1(t, tables, jobs("coil_conversion"))
	for _, l := range b.Lines {
		if l.Kind == catalog.KindCrushWasher && (l.Role == Included) != (l.Leg == catalog.SpringLeg) {
			t.Errorf("%s washer for the %s leg", l.Role, l.Leg)
		}
	}
}

func TestAChangeOfTravelIsHeldAgainstTheForksLimit(t *testing.T) {
	tables := smallCatalog()
	tables.Operations = append(tables.Operations, catalog.Operation{Operation: ChangeTravel, Opens: []string{"cap", "lowers"}, Minutes: 5, Labor: "LABOR"})
	tables.Limits = []catalog.Limit{{Fork: "t36-a", MaxTravelMM: 170, Source: "manual, page 3"}, {Fork: "t36-a", WheelSize: "29", MaxTravelMM: 150}}
	for to, want := range map[int][]string{170: {"travel_part_missing"}, 171: {"travel_part_missing", "fork_limit"}} {
		b, _ := make1(t, tables, func(q *Question) { q.Operations, q.TravelTo = []string{ChangeTravel}, to })
		var got []string
		for _, o := range b.Open {
			if o.Code != NotInOurData {
				got = append(got, o.Code)
			}
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("to %d mm: %s", to, d)
		}
	}
}

func TestOverTheCounterWholePackages(t *testing.T) {
	for _, c := range []struct {
		quantity, pack float64
		want           int
	}{{28, 125, 1}, {125, 125, 1}, {125.0000001, 125, 1}, {125.1, 125, 2}, {0.3, 0.1, 3}} {
		if got := Packages(c.quantity, c.pack); got != c.want {
			t.Errorf("%v in packages of %v: %d, want %d", c.quantity, c.pack, got, c.want)
		}
	}
	b, rev := make1(t, smallCatalog(), func(q *Question) { jobs("coil_conversion")(q); q.Counter = true })
	if len(b.Labor) != 0 || len(b.Steps) != 0 || len(b.Cautions) == 0 {
		t.Errorf("labor %d, steps %d, cautions %d", len(b.Labor), len(b.Steps), len(b.Cautions))
	}
	for _, c := range b.Charges(rev, true) {
		if c.SKU == "OIL-B" && (c.Quantity != 28 || c.Packages != 1) {
			t.Errorf("charge = %+v", c)
		}
	}
}

func TestWhatIsWrongIsSaidAtOnce(t *testing.T) {
	rev := catalog.Build(smallCatalog(), 4)
	fork, _ := rev.Fork("t36-a")
	for _, c := range []struct {
		name string
		q    Question
		want []string
	}{
		{"nothing asked", Question{}, []string{"job_missing"}},
		{"unknown codes", Question{Jobs: []string{"polish"}, Kits: []string{"NONE"}, Customer: []Supplied{{"ZZ", 0}}}, []string{"unknown_job", "unknown_part", "unknown_part", "not_positive"}},
		{"no cartridge", Question{Jobs: []string{"coil_conversion"}}, []string{"cartridge_missing"}},
		{"cartridge without conversion", Question{Jobs: []string{"spring_swap"}, Cartridge: "CART"}, []string{"cartridge_not_in_job", "spring_missing"}},
		{"both ways", Question{Jobs: []string{"coil_conversion", "return_to_stock"}, Cartridge: "CART", Fitted: "CART"}, []string{"jobs_contradict"}},
		{"no such preload", Question{Jobs: []string{"preload_change"}, Fitted: "CART", Preload: 9}, []string{"no_such_preload"}},
		{"bump stop too high", Question{Jobs: []string{"bump_stop_setting"}, Fitted: "CART", BumpStop: &Published{Value: 60, Unit: "psi"}}, []string{"past_limit"}},
	} {
		c.q.Owned.Fork = fork
		_, err := Make(rev, c.q, byRows)
		var got []string
		if f := fault.As(err); f != nil && f.Kind == fault.Invalid {
			for _, x := range f.Fields {
				got = append(got, x.Code)
			}
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
	}
	if _, err := Make(rev, Question{Jobs: []string{"spring_swap"}}, byRows); fault.CodeOf(err) != "fork_missing" {
		t.Errorf("without a fork: %v", err)
	}
}

// The need of every part equals what is supplied plus what is charged, whatever the kits hold.
func TestNeedIsSuppliedPlusCharged(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	names := []string{"P0", "P1", "P2", "P3", "P4", "P5"}
	covered, short := 0, 0
	for range 400 {
		tables, q := randomJob(rng, names)
		b, _ := make1(t, tables, func(x *Question) { o := x.Owned; *x = q; x.Owned = o })
		want := needByHand(tables)
		got, charged := map[string]float64{}, map[string]float64{}
		for _, l := range b.Lines {
			if !slices.Contains(names, l.SKU) || l.Rule == "not_needed" {
				continue
			}
			got[l.SKU] += l.Quantity
			if l.Charged {
				charged[l.SKU] += l.Quantity
				short++
			} else {
				covered++
			}
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("need (-) against lines (+): %s", d)
		}
		for sku, n := range want {
			if c := max(0, n-boxedByHand(tables, q, sku)); c != charged[sku] {
				t.Fatalf("%s: charged %v, want %v of a need of %v", sku, charged[sku], c, n)
			}
		}
		again, _ := make1(t, shuffled(rng, tables), func(x *Question) { o := x.Owned; *x = q; slices.Reverse(x.Kits); x.Owned = o })
		if d := cmp.Diff(b, again); d != "" {
			t.Fatalf("the order of rows or kits shows: %s", d)
		}
	}
	if covered < 200 || short < 200 {
		t.Errorf("the random catalogs are one-sided: %d covered, %d charged", covered, short)
	}
}

func randomJob(rng *rand.Rand, names []string) (*catalog.Tables, Question) {
	t := smallCatalog()
	t.Needs, t.Contents = nil, nil
	q := Question{Jobs: []string{"lower_leg_service"}, Kits: []string{"K1", "K2"}}
	for _, n := range names {
		t.Parts = append(t.Parts, catalog.Part{SKU: n, Kind: catalog.KindAccessory, Unit: "each", Status: "active"})
		if rng.IntN(3) > 0 {
			t.Needs = append(t.Needs, catalog.Need{TargetKind: "any", Opening: "lowers", Part: n, Quantity: float64(1 + rng.IntN(4)), Role: "consumable"})
		}
		if rng.IntN(3) == 0 {
			t.Needs = append(t.Needs, catalog.Need{TargetKind: "any", Operation: ServiceLower, Part: n, Quantity: float64(1 + rng.IntN(4)), Role: "consumable"})
		}
		for _, k := range q.Kits {
			if rng.IntN(2) == 0 {
				t.Contents = append(t.Contents, catalog.Content{Kit: k, Part: n, Quantity: float64(1 + rng.IntN(3))})
			}
		}
		if rng.IntN(5) == 0 {
			q.Customer = append(q.Customer, Supplied{n, float64(1 + rng.IntN(3))})
		}
	}
	for _, k := range q.Kits {
		t.Parts = append(t.Parts, catalog.Part{SKU: k, Kind: catalog.KindAccessory, Unit: "each", Status: "active"})
	}
	return t, q
}

func needByHand(t *catalog.Tables) map[string]float64 {
	out := map[string]float64{}
	for _, n := range t.Needs {
		out[n.Part] = max(out[n.Part], n.Quantity)
	}
	return out
}

func boxedByHand(t *catalog.Tables, q Question, sku string) float64 {
	n := 0.0
	for _, c := range t.Contents {
		if c.Part == sku && slices.Contains(q.Kits, c.Kit) {
			n += c.Quantity
		}
	}
	for _, s := range q.Customer {
		if s.SKU == sku {
			n += s.Quantity
		}
	}
	return n
}

func shuffled(rng *rand.Rand, t *catalog.Tables) *catalog.Tables {
	x := *t
	v := reflect.ValueOf(&x).Elem()
	for i := range v.NumField() {
		f := v.Field(i)
		list := reflect.MakeSlice(f.Type(), f.Len(), f.Len())
		for to, from := range rng.Perm(f.Len()) {
			list.Index(to).Set(f.Index(from))
		}
		f.Set(list)
	}
	return &x
}

// Deleting a figure makes it not known; no other owner's figure comes in its place.
func TestFiguresKeepTheirOwners(t *testing.T) {
	full, _ := make1(t, smallCatalog(), jobs("coil_conversion"))
	for i := range smallCatalog().Figures {
		tables := smallCatalog()
		gone := tables.Figures[i]
		tables.Figures = slices.Delete(tables.Figures, i, i+1)
		b, _ := make1(t, tables, jobs("coil_conversion"))
		lost := 0
		for _, before := range full.Figures {
			after := figureOf(t, b, before.ID)
			if cmp.Equal(before, after) {
				continue
			}
			lost++
			if before.Owner != gone.Owner || before.Figure != gone.Figure || after.State != NotInOurData {
				t.Errorf("without %s of %s: %s became %+v", gone.Figure, gone.Owner, before.ID, after)
			}
		}
		if lost == 0 {
			t.Errorf("%s of %s is used nowhere", gone.Figure, gone.Owner)
		}
	}
}

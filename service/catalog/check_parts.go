package catalog

import (
	"slices"
	"strings"
)

// detailTables says which table holds the details of a kind of part.
func (c *checking) detailTables() map[string]string {
	return map[string]string{KindCoilCartridge: "coil_cartridges", KindAirCartridge: "air_cartridges", KindSpring: "springs",
		KindBumpStop: "bump_stops", KindSealKit: "seal_kits", KindFluid: "fluids", KindGrease: "fluids"}
}

func kinds(c *checking) {
	detail := c.detailTables()
	of := map[string][]string{} // kinds by table
	for k, t := range detail {
		of[t] = append(of[t], k)
	}
	for i := range c.t.Parts {
		x := &c.t.Parts[i]
		switch t := detail[x.Kind]; {
		case !c.sound(x.Pos):
		case !KindKnown(x.Kind):
			c.bad(x.Pos, "kind", "unknown_word", "%q is not a kind of part; use one of %s", x.Kind, strings.Join(kindList(), ", "))
		case t != "" && !c.names[t][x.SKU]:
			c.bad(x.Pos, "kind", "no_details", "%s is a %s, and there is no row for it in %s; add one", x.SKU, x.Kind, t)
		}
	}
	for _, t := range c.tables {
		if of[t.Name] == nil {
			continue
		}
		for i := range t.Rows.Len() {
			at := *t.Rows.Index(i).Field(0).Addr().Interface().(*Pos)
			sku := t.Rows.Index(i).FieldByName("SKU").String()
			part := c.r.parts[sku]
			if part != nil && c.sound(at, part.Pos) && !slices.Contains(of[t.Name], part.Kind) {
				c.bad(at, "sku", "wrong_kind", "%s is a %s in parts; this table is for %s", sku, part.Kind, strings.Join(of[t.Name], " and "))
			}
		}
	}
}

func kindList() []string {
	out := make([]string, 0, len(kindIsClosed))
	for k := range kindIsClosed {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// purposes checks that a part named as a spacer is one, and so on.
func purposes(c *checking) {
	want := func(at Pos, field, sku string, kinds ...string) {
		if p := c.r.parts[sku]; p != nil && c.sound(at, p.Pos) && !slices.Contains(kinds, p.Kind) {
			c.bad(at, field, "wrong_kind", "%s is a %s; this column wants a %s", sku, p.Kind, strings.Join(kinds, " or "))
		}
	}
	for i := range c.t.CoilCartridges {
		x := &c.t.CoilCartridges[i]
		want(x.Pos, "top_cap", x.TopCap, KindTopCap)
		want(x.Pos, "foot_nut", x.FootNut, KindFootNut)
	}
	for i := range c.t.Preloads {
		x := &c.t.Preloads[i]
		want(x.Pos, "spacer", x.Spacer, KindPreloadSpacer)
	}
	for i := range c.t.Openings {
		x := &c.t.Openings[i]
		want(x.Pos, "labor", x.Labor, KindLabor)
	}
	for i := range c.t.Operations {
		x := &c.t.Operations[i]
		want(x.Pos, "labor", x.Labor, KindLabor)
	}
}

func supersession(c *checking) {
	told := map[string]bool{}
	for i := range c.t.Parts {
		x := &c.t.Parts[i]
		switch {
		case !c.sound(x.Pos):
		case x.Status == "superseded" && x.SupersededBy == "":
			c.bad(x.Pos, "superseded_by", "no_successor", "%s is superseded; say by which part, or call it discontinued", x.SKU)
		case x.Status != "superseded" && x.SupersededBy != "":
			c.bad(x.Pos, "status", "not_superseded", "%s has a successor, so its status is superseded", x.SKU)
		case !told[x.SKU]:
			c.supersessionLoop(x, told)
		}
	}
}

// longestSupersession is how many successors a question follows.
const longestSupersession = 16

func (c *checking) supersessionLoop(x *Part, told map[string]bool) {
	path := []string{x.SKU}
	for p := c.r.parts[x.SupersededBy]; p != nil && !told[p.SKU]; p = c.r.parts[p.SupersededBy] {
		switch {
		case p.SKU == x.SKU:
			for _, s := range path {
				told[s] = true
			}
			c.bad(x.Pos, "superseded_by", "supersession_loop", "%s comes back to itself by way of %s; the newest part has no successor", x.SKU, strings.Join(append(path[1:], x.SKU), ", "))
			return
		case slices.Contains(path, p.SKU):
			return // a loop further on, told at its own part
		case len(path) > longestSupersession:
			c.bad(x.Pos, "superseded_by", "supersession_long", "%s has more than %d successors one after the other; name the newest one", x.SKU, longestSupersession)
			return
		}
		path = append(path, p.SKU)
	}
}

func contents(c *checking) {
	kits := gather(c.t.Contents, func(x *Content) string { return x.Kit })
	slots := gather(c.t.Contents, func(x *Content) [2]string { return [2]string{x.Kit, x.Slot} })
	for i := range c.t.Contents {
		x := &c.t.Contents[i]
		if !c.sound(x.Pos) {
			continue
		}
		if holds(kits, x.Part, x.Kit, map[string]bool{}) {
			c.bad(x.Pos, "part", "kit_in_itself", "the kit %s holds itself by way of %s; take it out", x.Kit, x.Part)
			for _, y := range kits[x.Part] {
				c.unsound[y.Pos] = true // the other way round is the same loop
			}
			continue
		}
		if x.Slot == "" && x.Default {
			c.bad(x.Pos, "default", "default_without_slot", "a default is of a choice; name the slot, or leave default empty")
		}
	}
	for key, rows := range slots {
		if key[1] == "" {
			continue
		}
		defaults := 0
		for _, x := range rows {
			if x.Default {
				defaults++
			}
		}
		if defaults > 1 && c.sound(rows[0].Pos) {
			c.bad(rows[0].Pos, "default", "slot_default", "the choice %s of kit %s has %d defaults; mark one", key[1], key[0], defaults)
		}
	}
}

// holds reports whether a kit holds a part, directly or in kits within it.
func holds(kits map[string][]*Content, kit, part string, seen map[string]bool) bool {
	if kit == part {
		return true
	}
	if seen[kit] {
		return false
	}
	seen[kit] = true
	return slices.ContainsFunc(kits[kit], func(x *Content) bool { return holds(kits, x.Part, part, seen) })
}

func partRules(c *checking) {
	other := map[[2]string]string{}
	for i := range c.t.PartRules {
		x := &c.t.PartRules[i]
		if !c.sound(x.Pos) {
			continue
		}
		if x.Part == x.Other {
			c.bad(x.Pos, "other", "rule_on_itself", "%s can neither need nor exclude itself; correct one of the two", x.Part)
			continue
		}
		pair := [2]string{x.Part, x.Other}
		if was := other[pair]; was != "" && was != x.Rule {
			c.bad(x.Pos, "rule", "rules_contradict", "%s both needs and excludes %s; delete one of the rules", x.Part, x.Other)
		}
		other[pair] = x.Rule
		if x.Rule == "excludes" { // an exclusion holds both ways
			if back := [2]string{x.Other, x.Part}; other[back] == "" {
				other[back] = x.Rule
			}
		}
	}
}

func tubes(c *checking) {
	for i := range c.t.Chassis {
		x := &c.t.Chassis[i]
		if wall := (x.StanchionMM - x.BoreMM) / 2; c.sound(x.Pos) && (wall < 0.5 || wall > 5) {
			c.bad(x.Pos, "bore_mm", "wall_thickness", "a bore of %s in a stanchion of %s leaves a wall of %s mm; walls lie between 0.5 and 5 mm: correct one of the two",
				number(x.BoreMM), number(x.StanchionMM), number(wall))
		}
	}
	seat := func(at Pos, diameter, stanchion float64) {
		if step := diameter - stanchion; step < 4 || step > 24 {
			c.bad(at, "diameter_mm", "seat_diameter", "a seat of %s mm around a stanchion of %s mm leaves %s mm for the seal; that lies between 4 and 24 mm",
				number(diameter), number(stanchion), number(step))
		}
	}
	for i := range c.t.Seats {
		x := &c.t.Seats[i]
		if ch := c.r.chassis[x.Chassis]; ch != nil && c.sound(x.Pos, ch.Pos) {
			seat(x.Pos, x.DiameterMM, ch.StanchionMM)
		}
	}
	for i := range c.t.SealKits {
		x := &c.t.SealKits[i]
		if c.sound(x.Pos) {
			seat(x.Pos, x.DiameterMM, x.StanchionMM)
		}
	}
}

func forks(c *checking) {
	for i := range c.t.Forks {
		x := &c.t.Forks[i]
		if !c.sound(x.Pos) {
			continue
		}
		most := c.mostTravel(x)
		for _, travel := range x.TravelsMM {
			if most > 0 && travel > most {
				c.bad(x.Pos, "travels_mm", "travel_over_limit", "%s is offered with %d mm, and its limits allow %d mm at most; correct travel or limit", x.ID, travel, most)
				break
			}
		}
	}
	for i := range c.t.ForkOptions {
		x := &c.t.ForkOptions[i]
		f := c.r.forks[x.Fork]
		if f == nil || !c.sound(x.Pos, f.Pos) {
			continue
		}
		switch {
		case x.YearFrom != 0 && (x.YearFrom < f.YearFrom || x.YearFrom > f.YearTo):
			c.bad(x.Pos, "year_from", "outside_years", "%s was built from %d to %d; %d is outside", f.ID, f.YearFrom, f.YearTo, x.YearFrom)
		case x.YearTo != 0 && (x.YearTo < f.YearFrom || x.YearTo > f.YearTo):
			c.bad(x.Pos, "year_to", "outside_years", "%s was built from %d to %d; %d is outside", f.ID, f.YearFrom, f.YearTo, x.YearTo)
		case x.Fact == "damper" && !c.names["dampers"][x.Value]:
			c.bad(x.Pos, "value", "unknown_value", "there is no damper %q; correct it or add it to dampers", x.Value)
		case x.Fact == "seal_generation" && !slices.ContainsFunc(c.r.seats[f.Chassis], func(s *Seat) bool { return s.Generation == x.Value }):
			c.bad(x.Pos, "value", "unknown_value", "chassis %s has no seat of seal generation %q; correct it or add the seat", f.Chassis, x.Value)
		}
	}
}

// mostTravel is the longest travel that the limits of a fork allow at any wheel size and use; 0 where none is stated.
func (c *checking) mostTravel(f *Fork) int {
	most, everywhere := 0, 0
	for _, l := range c.r.limits[f.ID] {
		if l.MaxTravelMM <= 0 || !c.sound(l.Pos) {
			continue
		}
		if l.WheelSize == "" && l.Use == "" && (everywhere == 0 || l.MaxTravelMM < everywhere) {
			everywhere = l.MaxTravelMM
		}
		most = max(most, l.MaxTravelMM)
	}
	if everywhere > 0 {
		return everywhere
	}
	return most
}

// facts checks that what may have to be asked can be asked, and that a value exists.
func facts(c *checking) {
	asked, values := map[string]bool{}, map[Fact]bool{}
	for i := range c.t.FactTexts {
		x := &c.t.FactTexts[i]
		if x.Value == "" && x.Lang == "en" {
			asked[x.Fact] = true
		}
		values[Fact{x.Fact, x.Value}] = true
	}
	for i := range c.t.ForkOptions {
		x := &c.t.ForkOptions[i]
		if !asked[x.Fact] && c.sound(x.Pos) {
			c.bad(x.Pos, "fact", "no_question", "there is no English question for the fact %q; add to facts a row with an empty value that a person at a counter can answer in ten seconds", x.Fact)
			asked[x.Fact] = true // once is enough
		}
		values[Fact{x.Fact, x.Value}] = true
	}
	for _, x := range c.t.Dampers {
		values[Fact{"damper", x.Code}] = true
	}
	for i := range c.t.Chassis {
		for name, value := range builtInto(&c.t.Chassis[i]) {
			values[Fact{name, value}] = true
		}
	}
	for i := range c.t.Fitments {
		x := &c.t.Fitments[i]
		if x.Conditions == nil {
			continue
		}
		for field, list := range map[string][]Fact{"must": x.Must, "must_not": x.MustNot} {
			for _, f := range list {
				switch {
				case !c.sound(x.Pos):
				case !values[f]:
					c.bad(x.Pos, field, "unknown_value", "no fork was built with %s=%s, and facts does not list it; correct it", f.Name, f.Value)
				case !asked[f.Name]:
					c.bad(x.Pos, field, "no_question", "there is no English question for the fact %q; add to facts a row with an empty value that a person at a counter can answer in ten seconds", f.Name)
					asked[f.Name] = true
				}
			}
		}
	}
}

// builtInto are the facts that every fork of a chassis has, where its options do not say otherwise.
func builtInto(x *Chassis) map[string]string {
	return map[string]string{"crown": x.Crown, "foot_fastener": x.FootFastener, "axle": x.Axle, "spring_side": string(x.SpringSide),
		"legs": x.Legs, "damper_leg": x.DamperLeg, "gland": x.Gland}
}

func handlings(c *checking) {
	named := map[string]bool{}
	for _, x := range c.t.Texts {
		if x.Of == "item" {
			named[x.Code] = true
		}
	}
	for i := range c.t.Handlings {
		x := &c.t.Handlings[i]
		switch {
		case !c.sound(x.Pos):
		case !c.names["parts"][x.Item] && !named[x.Item]:
			c.bad(x.Pos, "item", "unknown_item", "%q is no part, and no text of an item has this code; correct it or add the text", x.Item)
		case x.Action == "reuses" && x.Condition == "":
			c.warn(x.Pos, "condition", "reuse_unconditional", "say what to look at before %s is used again", x.Item)
		}
	}
}

func needs(c *checking) {
	targets := map[string]map[string]bool{"chassis": c.names["chassis"], "fork": c.names["forks"], "any": {"": true}}
	for i := range c.t.Needs {
		x := &c.t.Needs[i]
		switch {
		case !c.sound(x.Pos):
		case !targets[x.TargetKind][x.Target]:
			c.bad(x.Pos, "target", "unknown_target", "there is no %s %q; correct it (any has no target)", x.TargetKind, x.Target)
		case (x.Opening == "") == (x.Operation == ""):
			c.bad(x.Pos, "opening", "opening_or_operation", "say either which opening or which operation asks for this, not both and not neither")
		case (x.Part == "") == (x.Kind == ""):
			c.bad(x.Pos, "part", "part_or_kind", "say either the part or the kind of part, not both and not neither")
		case x.Kind != "" && !KindKnown(x.Kind):
			c.bad(x.Pos, "kind", "unknown_word", "%q is not a kind of part; use one of %s", x.Kind, strings.Join(kindList(), ", "))
		case x.Quantity == 0 && !c.isFluid(x):
			c.bad(x.Pos, "quantity", "required", "say how many; only a fluid's quantity comes from the leg's figure")
		}
	}
}

func (c *checking) isFluid(x *Need) bool {
	kind := x.Kind
	if p := c.r.parts[x.Part]; p != nil {
		kind = p.Kind
	}
	return kind == KindFluid || kind == KindGrease
}

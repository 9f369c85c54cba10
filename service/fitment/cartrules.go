package fitment

import (
	"cmp"
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// cartRules look at all lines for one fork together. To add one: write the function, give it
// its place here, and put its sentence under its code in texts.go.
var cartRules = [...]struct {
	says  string
	check func(*group) []Finding
}{
	{"a part is on one line", linesOnce},
	{"a leg takes one cartridge, one spring, one bump stop, one cap", onePerLeg},
	{"a fork takes so many of a part", quantityFits},
	{"what a part fits with is in the cart", requirementsMet},
	{"what a part needs is in the cart, or in the box of something there", companions},
	{"parts that exclude each other are not together", exclusions},
	{"what a kit leaves to be chosen is chosen", slotsChosen},
}

// check runs the rules. A finding belongs to the fork and to each line that it is about.
func (g *group) check() ForkAnswer {
	out := ForkAnswer{Name: g.fork.Name}
	slices.SortFunc(g.entries, func(a, b *entry) int {
		return cmp.Or(cmp.Compare(a.part.SKU, b.part.SKU), cmp.Compare(a.ID, b.ID))
	})
	for _, r := range cartRules {
		out.Findings = append(out.Findings, r.check(g)...)
	}
	sortFindings(out.Findings)
	for _, f := range out.Findings {
		out.Decision = max(out.Decision, f.Decision)
		for _, e := range g.entries {
			if slices.Contains(f.Lines, e.ID) {
				e.add(f)
			}
		}
	}
	return out
}

func (g *group) forkName() string {
	if o := g.fork.Owned; o != nil && o.Fork != nil {
		return (&inquiry{rev: g.rev, stated: o, fork: o.Fork}).forkName()
	}
	return g.fork.Name
}

func (g *group) values(e *entry) values {
	return values{"part": partName(g.rev, e.part), "fork": g.forkName(), "quantity": decimal(e.Quantity)}
}

// bySKU are the lines of each part together.
func (g *group) bySKU() [][]*entry {
	var out [][]*entry
	for _, e := range g.entries {
		if n := len(out); n > 0 && out[n-1][0].part == e.part {
			out[n-1] = append(out[n-1], e)
		} else {
			out = append(out, []*entry{e})
		}
	}
	return out
}

func linesOnce(g *group) (out []Finding) {
	for _, same := range g.bySKU() {
		if len(same) > 1 {
			out = append(out, finding1("duplicate_line", Warn, g.values(same[0]), same...))
		}
	}
	return out
}

// legSlot is the place of which a leg has one, and the leg; "" for parts that have no such place.
func legSlot(p *catalog.Part) (place string, leg catalog.Leg) {
	switch p.Kind {
	case catalog.KindCoilCartridge, catalog.KindAirCartridge:
		return "cartridge", catalog.SpringLeg
	case catalog.KindSpring, catalog.KindBumpStop:
		return p.Kind, catalog.SpringLeg
	case catalog.KindTopCap:
		return p.Kind, p.Leg
	}
	return "", ""
}

// onePerLeg finds different parts that go into one place. Too many of one part is quantityFits.
func onePerLeg(g *group) (out []Finding) {
	type place struct {
		what string
		leg  catalog.Leg
	}
	in := map[place][]*entry{}
	var places []place
	for _, e := range g.entries {
		what, leg := legSlot(e.part)
		if what == "" || leg == catalog.BothLegs {
			continue
		}
		k := place{what, leg}
		if in[k] == nil {
			places = append(places, k)
		}
		in[k] = append(in[k], e)
	}
	for _, k := range places {
		var names []string
		for _, e := range in[k] {
			names = append(names, partName(g.rev, e.part))
		}
		slices.Sort(names)
		if names = slices.Compact(names); len(names) > 1 {
			v := g.values(in[k][0])
			v["other"] = list(names)
			out = append(out, finding1("two_for_one_leg", Warn, v, in[k]...))
		}
	}
	return out
}

// perFork is how many units of sale of a part a fork takes, 0 where it cannot be said. Parts
// of which people rightly buy more than one fork takes (washers, rings, oil) are left out.
func perFork(p *catalog.Part) float64 {
	switch p.Kind {
	case catalog.KindCoilCartridge, catalog.KindAirCartridge, catalog.KindSpring, catalog.KindBumpStop, catalog.KindServiceKit:
		return 1
	case catalog.KindSealKit, catalog.KindFoamRing, catalog.KindTopCap, catalog.KindFootNut:
		if p.Leg == catalog.BothLegs && p.Unit == "each" {
			return 2
		}
		if p.Leg != catalog.NoLeg || p.Unit == "pair" {
			return 1
		}
	}
	return 0
}

func quantityFits(g *group) (out []Finding) {
	for _, same := range g.bySKU() {
		want, have := perFork(same[0].part), 0.0
		for _, e := range same {
			have += e.Quantity
		}
		v := g.values(same[0])
		v["quantity"], v["want"] = decimal(have), decimal(want)
		switch {
		case want == 0 || have <= 0:
		case have > want:
			out = append(out, finding1("quantity_too_many", Warn, v, same...))
		case have < want:
			out = append(out, finding1("quantity_one_leg", Warn, v, same...))
		}
	}
	return out
}

// supplied reports whether the cart holds a part for this fork, on a line or in a kit's box.
func (g *group) supplied(sku string) bool {
	return slices.ContainsFunc(g.entries, func(e *entry) bool {
		return g.sameOrSuccessor(e.part, sku) || slices.ContainsFunc(g.rev.Contents(e.part.SKU), func(c catalog.Content) bool {
			return c.Part == sku && (c.Slot == "" || c.Default)
		}) || slices.ContainsFunc(g.rev.Handlings(e.part.SKU), func(h catalog.Handling) bool {
			return h.Action == "includes" && h.Item == sku
		})
	})
}

// sameOrSuccessor reports whether a part in the cart is the part named, or what has taken its place.
func (g *group) sameOrSuccessor(have *catalog.Part, sku string) bool {
	if have.SKU == sku {
		return true
	}
	named, ok := g.rev.Part(sku)
	return ok && successor(g.rev, named) == successor(g.rev, have)
}

// requirementsMet: a condition that names a part is met by having it in the cart; what only
// the bench can do is said and stays a warning.
func requirementsMet(g *group) (out []Finding) {
	for _, e := range g.entries {
		if e.answer.Answer.Verdict != catalog.FitsWith {
			continue
		}
		for _, q := range e.answer.Answer.Requires {
			if q.Part != "" && g.supplied(q.Part) {
				continue
			}
			v := g.values(e)
			v["requires"] = RequirementText(g.rev, q)
			f := finding1("requirement_missing", Warn, v, e)
			f.SKU = q.Part
			out = append(out, f)
		}
	}
	return out
}

func companions(g *group) (out []Finding) {
	for _, same := range g.bySKU() {
		for _, r := range g.rev.Rules(same[0].part.SKU) {
			if r.Rule != "needs" || g.supplied(r.Other) {
				continue
			}
			f := finding1("companion_missing", Warn, g.ruleValues(same[0], r), same...)
			f.SKU = r.Other
			out = append(out, f)
		}
	}
	return out
}

func exclusions(g *group) (out []Finding) {
	groups := g.bySKU()
	for i, a := range groups {
		for k, b := range groups {
			for _, r := range g.rev.Rules(a[0].part.SKU) {
				mutual := k < i && slices.ContainsFunc(g.rev.Rules(b[0].part.SKU), func(x catalog.PartRule) bool { return x.Rule == "excludes" && x.Other == a[0].part.SKU })
				if r.Rule != "excludes" || r.Other != b[0].part.SKU || mutual {
					continue
				}
				f := finding1("parts_exclude", Block, g.ruleValues(a[0], r), slices.Concat(a, b)...)
				f.SKU = r.Other
				out = append(out, f)
			}
		}
	}
	return out
}

func (g *group) ruleValues(e *entry, r catalog.PartRule) values {
	v := g.values(e)
	v["other"], v["why"] = r.Other, strings.TrimSuffix(asWords(r.Reason), ".")
	if p, ok := g.rev.Part(r.Other); ok {
		v["other"] = partName(g.rev, p)
	}
	return v
}

// slotsChosen: a kit may leave a part to be chosen. A default is a choice; a line with one of
// the parts is one too.
func slotsChosen(g *group) (out []Finding) {
	for _, same := range g.bySKU() {
		contents := g.rev.Contents(same[0].part.SKU)
		var done []string
		for _, c := range contents {
			if c.Slot == "" || slices.Contains(done, c.Slot) {
				continue
			}
			done = append(done, c.Slot)
			var options []string
			chosen := false
			for _, o := range contents {
				if o.Slot == c.Slot {
					options = append(options, o.Part)
					chosen = chosen || o.Default || slices.ContainsFunc(g.entries, func(e *entry) bool { return e.part.SKU == o.Part })
				}
			}
			if !chosen {
				v := g.values(same[0])
				v["slot"], v["other"] = asWords(c.Slot), list(options)
				out = append(out, finding1("slot_choice_missing", Ask, v, same...))
			}
		}
	}
	return out
}

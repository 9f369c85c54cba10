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
	g.bySKU = runs(g.entries)
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
	if g.knowsFork() {
		return string(g.appendFork(nil, true))
	}
	return g.fork.Name
}

func (g *group) values(e *entry) values {
	return values{{"part", partName(g.rev, e.part)}, {"fork", g.forkName()}, {"quantity", decimal(e.Quantity)}}
}

// runs cuts sorted entries into those of one part.
func runs(entries []*entry) [][]*entry {
	out := make([][]*entry, 0, len(entries))
	for from := 0; from < len(entries); {
		to := from + 1
		for to < len(entries) && entries[to].part == entries[from].part {
			to++
		}
		out = append(out, entries[from:to])
		from = to
	}
	return out
}

func linesOnce(g *group) (out []Finding) {
	for _, same := range g.bySKU {
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
	for i, a := range g.bySKU {
		place, leg := legSlot(a[0].part)
		if place == "" || leg == catalog.BothLegs {
			continue
		}
		same := func(b []*entry) bool { p, l := legSlot(b[0].part); return p == place && l == leg }
		if slices.ContainsFunc(g.bySKU[:i], same) || !slices.ContainsFunc(g.bySKU[i+1:], same) {
			continue // said with the first, or nothing to be said
		}
		var all []*entry
		var names []string
		for _, b := range g.bySKU[i:] {
			if same(b) {
				all, names = append(all, b...), append(names, partName(g.rev, b[0].part))
			}
		}
		out = append(out, finding1("two_for_one_leg", Warn, append(g.values(a[0]), value{"other", list(names)}), all...))
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
	for _, same := range g.bySKU {
		want, have := perFork(same[0].part), 0.0
		for _, e := range same {
			have += e.Quantity
		}
		if want == 0 || have <= 0 || have == want {
			continue
		}
		code := "quantity_too_many"
		if have < want {
			code = "quantity_one_leg"
		}
		v := values{{"part", partName(g.rev, same[0].part)}, {"fork", g.forkName()}, {"quantity", decimal(have)}, {"want", decimal(want)}}
		out = append(out, finding1(code, Warn, v, same...))
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
			f := finding1("requirement_missing", Warn, append(g.values(e), value{"requires", RequirementText(g.rev, q)}), e)
			f.SKU = q.Part
			out = append(out, f)
		}
	}
	return out
}

func companions(g *group) (out []Finding) {
	for _, same := range g.bySKU {
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
	for i, a := range g.bySKU {
		for _, r := range g.rev.Rules(a[0].part.SKU) {
			if r.Rule != "excludes" {
				continue
			}
			for k, b := range g.bySKU {
				mutual := k < i && slices.ContainsFunc(g.rev.Rules(b[0].part.SKU), func(x catalog.PartRule) bool { return x.Rule == "excludes" && x.Other == a[0].part.SKU })
				if r.Other != b[0].part.SKU || mutual {
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
	other := r.Other
	if p, ok := g.rev.Part(r.Other); ok {
		other = partName(g.rev, p)
	}
	return append(g.values(e), value{"other", other}, value{"why", strings.TrimSuffix(asWords(r.Reason), ".")})
}

// slotsChosen: a kit may leave a part to be chosen. A default is a choice; a line with one of
// the parts is one too.
func slotsChosen(g *group) (out []Finding) {
	for _, same := range g.bySKU {
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
				v := append(g.values(same[0]), value{"slot", asWords(c.Slot)}, value{"other", list(options)})
				out = append(out, finding1("slot_choice_missing", Ask, v, same...))
			}
		}
	}
	return out
}

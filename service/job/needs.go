package job

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// need is something that must be there for the job, before it is known where it comes from.
type need struct {
	sku, kind string
	quantity  float64
	unit      string
	unknown   bool // the quantity is not in our data
	leg       catalog.Leg
	role      Role
	rule, why string
	source    string
	inspect   string
	where     string
	asker     string // opening, operation or cartridge that asks
	others    []string
	question  *fault.Question
	verdict   catalog.Verdict
}

// needs lists everything that the job asks for, in a fixed order.
func (p *plan) needs() []need {
	var all []need
	all = append(all, p.cartridgeNeeds()...)
	all = append(all, p.springNeeds()...)
	all = append(all, p.catalogNeeds()...)
	all = united(all)
	return append(all, p.choiceNeeds(all)...)
}

// cartridgeNeeds are the cartridge to be fitted and what belongs to it.
func (p *plan) cartridgeNeeds() []need {
	c := p.coil
	if c == nil {
		return nil
	}
	own := func(sku string, leg catalog.Leg) need {
		return need{sku: sku, quantity: 1, leg: leg, role: New, rule: "cartridge_part", asker: "cartridge",
			why:    "The cartridge is fitted with its own: " + p.name(sku) + ".",
			source: "coil_cartridges " + c.SKU}
	}
	out := []need{{sku: c.SKU, quantity: 1, leg: catalog.SpringLeg, role: New, rule: "chosen_cartridge", asker: "cartridge",
		why: "Chosen for this fork: " + p.name(c.SKU) + ".", source: "question"}}
	for _, sku := range []string{c.TopCap, c.FootNut, c.BumpStop} {
		if sku != "" {
			out = append(out, own(sku, catalog.SpringLeg))
		}
	}
	for _, r := range p.judge(p.rev, &p.q.Owned, c.SKU).Requires {
		if r.Part != "" {
			out = append(out, need{sku: r.Part, quantity: max(r.Quantity, 1), leg: catalog.SpringLeg, role: New, rule: "required_to_fit", asker: "fit",
				why: cmp.Or(r.Text, "The cartridge fits this fork only with this part: "+p.name(r.Part)+"."), source: "fitments of " + c.SKU})
		}
	}
	return out
}

// springNeeds are the spring and the spacers of the preload setting.
func (p *plan) springNeeds() []need {
	var out []need
	if p.spring != nil {
		n := need{sku: p.spring.SKU, quantity: 1, leg: catalog.SpringLeg, role: New, rule: "chosen_spring", asker: "spring",
			why: "Chosen: " + p.name(p.spring.SKU) + ".", source: "question"}
		if p.byDef {
			n.rule, n.source = "box_default", "contents "+p.coil.SKU
			n.why = "Comes in the box of the cartridge unless another spring is chosen."
		}
		out = append(out, n)
	}
	if x := p.preload; x != nil && x.Spacer != "" && x.Spacers > 0 {
		out = append(out, need{sku: x.Spacer, quantity: float64(x.Spacers), leg: catalog.SpringLeg, role: New, rule: "preload_setting", asker: "preload",
			why: fmt.Sprintf("Preload setting %d takes %d of these spacers.", x.Setting, x.Spacers), source: fmt.Sprintf("preloads %s/%d", x.Cartridge, x.Setting)})
	}
	return out
}

// catalogNeeds are what the openings and operations ask for on this fork. A row for the fork
// overrules one for its chassis, and that one the row for any fork, where they ask for the same.
func (p *plan) catalogNeeds() []need {
	var rows []catalog.Need
	for _, n := range p.rev.Needs(p.fork) {
		if (n.Opening != "" && p.opened(n.Opening)) || (n.Operation != "" && p.does(n.Operation)) {
			rows = append(rows, n)
		}
	}
	var out []need
	for i := range rows {
		if p.overruled(&rows[i], rows) {
			continue
		}
		if Role(rows[i].Role) == Tool && p.ownsTool(rows[i].Part) {
			continue
		}
		out = append(out, p.fromRow(&rows[i])...)
	}
	slices.SortStableFunc(out, func(a, b need) int { return cmp.Compare(legOrder[a.leg], legOrder[b.leg]) })
	return out
}

// legOrder puts the spring leg first: what a cartridge's box brings is for that leg.
var legOrder = map[catalog.Leg]int{catalog.SpringLeg: 0, catalog.DamperLeg: 1, catalog.BothLegs: 2, catalog.NoLeg: 3}

var needLevel = map[string]int{"any": 0, "chassis": 1, "fork": 2}

func (p *plan) overruled(row *catalog.Need, rows []catalog.Need) bool {
	for i := range rows {
		o := &rows[i]
		if needLevel[o.TargetKind] <= needLevel[row.TargetKind] || o.Opening != row.Opening || o.Operation != row.Operation || !legsMeet(o.Leg, row.Leg) {
			continue
		}
		if (row.Part != "" && o.Part == row.Part) || (row.Kind != "" && row.Kind == p.kindOf(o.Part, o.Kind)) {
			return true
		}
	}
	return false
}

func legsMeet(a, b catalog.Leg) bool {
	return a == b || a == catalog.BothLegs || b == catalog.BothLegs
}

func (p *plan) kindOf(sku, kind string) string {
	if part, ok := p.rev.Part(sku); ok {
		return part.Kind
	}
	return kind
}

// fromRow turns a row into needs: one, or one a leg for a fluid whose volume is a figure.
func (p *plan) fromRow(row *catalog.Need) []need {
	asker := cmp.Or(row.Opening, row.Operation)
	n := need{sku: row.Part, kind: p.kindOf(row.Part, row.Kind), quantity: row.Quantity, leg: row.Leg, role: Role(row.Role),
		rule: "opened", inspect: row.Condition, asker: "opening " + asker, source: "needs " + strings.Join(nonEmpty(row.TargetKind, row.Target, asker), "/")}
	if row.Operation != "" {
		n.rule, n.asker = "operation", "operation "+asker
	}
	n.why = p.whyNeeded(&n, row)
	if n.sku == "" {
		p.resolve(&n, asker)
	}
	if row.Quantity > 0 {
		return []need{n}
	}
	return p.byVolume(n, row.Opening)
}

func nonEmpty(texts ...string) []string {
	return slices.DeleteFunc(texts, func(s string) bool { return s == "" })
}

func (p *plan) whyNeeded(n *need, row *catalog.Need) string {
	did := "when the " + openingWords[row.Opening] + " is opened"
	switch {
	case row.Opening == Lowers:
		did = "when the lower legs come off"
	case row.Operation != "":
		text, _ := p.rev.Name("operation", row.Operation)
		did = "for this work: " + strings.ToLower(strings.ReplaceAll(text, "_", " "))
	}
	switch n.role {
	case NeverReuse:
		return fmt.Sprintf("The old one seals only once; always renewed %s.", did)
	case Tool:
		return fmt.Sprintf("A tool that is needed %s.", did)
	case Reuse:
		return fmt.Sprintf("Used again if sound %s.", did)
	}
	return fmt.Sprintf("Used up %s.", did)
}

var openingWords = map[string]string{Cap: "top cap", Lowers: "lower legs", Damper: "damper"}

// byVolume asks for a fluid by the figure of each leg. Where the figure is missing the quantity
// stays unknown.
func (p *plan) byVolume(n need, opening string) []need {
	place := "bath"
	if opening == Damper {
		place = "damper"
	}
	legs := []catalog.Leg{n.leg}
	if n.leg == catalog.BothLegs || n.leg == catalog.NoLeg {
		legs = []catalog.Leg{catalog.SpringLeg, catalog.DamperLeg}
	}
	var out []need
	for _, leg := range legs {
		x := n
		x.leg, x.unit = leg, "mL"
		volume := p.figure("oil_volume", place, leg)
		if volume.State == NotInOurData {
			x.unknown, x.where = true, volume.WhereToLook
			out = append(out, x)
			continue
		}
		x.quantity = volume.SI
		x.source += "; figures " + volume.OwnerKind + "/" + volume.Owner
		if place == "bath" {
			p.addSoak(&x, leg)
		}
		out = append(out, x)
	}
	return out
}

// addSoak adds what the foam ring of a leg holds.
func (p *plan) addSoak(n *need, leg catalog.Leg) {
	soak := p.figure("foam_soak", "bath", leg)
	if soak.State == NotInOurData {
		n.why += " What a dry foam ring soaks up is not in our data and is not included: soak the ring beforehand."
		return
	}
	n.quantity += soak.SI
	n.why += fmt.Sprintf(" %s mL of it are what the foam ring soaks up.", number(soak.SI))
}

// resolve finds the part of a kind that is to be used: one that was chosen, else one that comes
// in a chosen box, else one that the customer brings, else one of the catalog that fits.
func (p *plan) resolve(n *need, asker string) {
	var names []string
	names = append(names, p.kits...)
	names = append(names, p.q.Parts...)
	for _, s := range p.supplies() {
		names = append(names, s.sku)
	}
	for _, sku := range names {
		if v, ok := p.suits(sku, n.kind, asker); ok {
			n.sku, n.verdict = sku, v
			return
		}
	}
	p.fromCatalog(n, asker)
}

// suits reports whether a part is of a kind, and duty, and fits the fork.
func (p *plan) suits(sku, kind, asker string) (catalog.Verdict, bool) {
	part, ok := p.rev.Part(sku)
	if !ok || part.Kind != kind {
		return 0, false
	}
	if f, ok := p.rev.Fluid(sku); ok && kind == catalog.KindFluid && f.Duty != dutyOf(asker) {
		return 0, false
	}
	v := p.judge(p.rev, &p.q.Owned, sku).Verdict
	return v, v == catalog.Fits || v == catalog.FitsWith
}

func dutyOf(asker string) string {
	if asker == Damper {
		return "damper"
	}
	return "bath"
}

// fromCatalog chooses among all parts of a kind that fit: without conditions before with, of the
// fork's own maker before others, then by SKU. The others are named on the line.
func (p *plan) fromCatalog(n *need, asker string) {
	type choice struct {
		sku     string
		verdict catalog.Verdict
		foreign bool
	}
	var fit []choice
	var open *fault.Question
	for _, part := range p.ofKind(n.kind) {
		v, ok := p.suits(part.SKU, n.kind, asker)
		if ok {
			fit = append(fit, choice{part.SKU, v, part.Maker != p.chassis.Maker})
		} else if v == catalog.Unknown && open == nil {
			open = p.judge(p.rev, &p.q.Owned, part.SKU).Question
		}
	}
	if len(fit) == 0 {
		n.question = open
		return
	}
	slices.SortFunc(fit, func(a, b choice) int {
		return cmp.Or(cmp.Compare(a.verdict, b.verdict), compareBool(a.foreign, b.foreign), cmp.Compare(a.sku, b.sku))
	})
	n.sku, n.verdict = fit[0].sku, fit[0].verdict
	for _, c := range fit[1:] {
		n.others = append(n.others, c.sku)
	}
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// ofKind lists the parts of a kind that can be had: for a closed kind only those that some row
// of this fork names.
func (p *plan) ofKind(kind string) []*catalog.Part {
	seen := map[string]bool{}
	var out []*catalog.Part
	add := func(part *catalog.Part) {
		if part.Kind == kind && part.Status == "active" && !seen[part.SKU] {
			seen[part.SKU] = true
			out = append(out, part)
		}
	}
	if catalog.KindClosed(kind) {
		for row := range p.rev.RowsFor(p.fork) {
			if part, ok := p.rev.Part(row.Part); ok {
				add(part)
			}
		}
	} else {
		parts := p.rev.Parts()
		for i := range parts {
			add(&parts[i])
		}
	}
	slices.SortFunc(out, func(a, b *catalog.Part) int { return strings.Compare(a.SKU, b.SKU) })
	return out
}

// choiceNeeds are the kits and parts that were chosen and that no need has named yet, and what
// chosen parts need besides.
func (p *plan) choiceNeeds(named []need) []need {
	has := map[string]bool{}
	for _, n := range named {
		has[n.sku] = true
	}
	var out []need
	add := func(n need) {
		if !has[n.sku] {
			has[n.sku] = true
			out = append(out, n)
		}
	}
	chosen := slices.Concat(p.kits, sorted(p.q.Parts))
	for _, sku := range chosen {
		add(need{sku: sku, quantity: 1, leg: p.legOf(sku), role: New, rule: "chosen", why: "Chosen: " + p.name(sku) + ".", source: "question", asker: "question"})
	}
	for i := range named {
		if sku := named[i].sku; sku != "" && !slices.Contains(chosen, sku) {
			chosen = append(chosen, sku)
		}
	}
	for _, sku := range chosen {
		for _, r := range p.rev.Rules(sku) {
			if r.Rule == "needs" && !p.ownsTool(r.Other) {
				add(need{sku: r.Other, quantity: 1, leg: p.legOf(r.Other), role: p.roleOf(r.Other), rule: "part_needs", why: r.Reason, source: "part_rules " + sku, asker: "rule"})
			}
		}
	}
	return out
}

// ownsTool reports whether a part is a tool that the caller has said to own.
func (p *plan) ownsTool(sku string) bool {
	return p.kindOf(sku, "") == catalog.KindTool && (p.q.OwnsTools || slices.Contains(p.q.OwnedTools, sku))
}

func (p *plan) roleOf(sku string) Role {
	if p.kindOf(sku, "") == catalog.KindTool {
		return Tool
	}
	return New
}

func (p *plan) legOf(sku string) catalog.Leg {
	if part, ok := p.rev.Part(sku); ok {
		return part.Leg
	}
	return catalog.NoLeg
}

func sorted(list []string) []string {
	out := slices.Clone(list)
	slices.Sort(out)
	return slices.Compact(out)
}

// united counts what several ask for once: openings are different assemblies and add up; an
// operation asks for no more than it needs in the assemblies that it finds open.
func united(all []need) []need {
	type key struct {
		sku, kind string
		leg       catalog.Leg
	}
	type sums struct {
		at       int
		openings float64
		most     float64
	}
	seen := map[key]*sums{}
	var out []need
	for _, n := range all {
		k := key{n.sku, n.kind, n.leg}
		if n.sku != "" {
			k.kind = ""
		}
		s := seen[k]
		if s == nil {
			s = &sums{at: len(out)}
			seen[k] = s
			out = append(out, n)
		}
		if strings.HasPrefix(n.asker, "opening ") {
			s.openings += n.quantity
		} else {
			s.most = max(s.most, n.quantity)
		}
		out[s.at].quantity = max(s.openings, s.most)
		out[s.at].unknown = out[s.at].unknown || n.unknown
	}
	return out
}

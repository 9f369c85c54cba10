package job

import (
	"fmt"
	"math"
	"slices"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// supply is what a box, or the customer, brings.
type supply struct {
	sku      string
	quantity float64
	kit      string // the box
	customer bool
	trim     bool // came with the cartridge that is already fitted
}

// supplies lists what is there without being charged, in the fixed order in which it is used:
// the box of the cartridge, the boxes of kits and other chosen parts by SKU, what came with the cartridge that is
// already fitted, and last what the customer brings.
func (p *plan) supplies() []supply {
	var out []supply
	if p.coil != nil {
		out = append(out, p.box(p.coil.SKU)...)
	}
	for _, kit := range slices.Concat(p.kits, sorted(p.q.Parts)) {
		out = append(out, p.box(kit)...)
	}
	if p.fitted != nil && p.coil == nil {
		for _, c := range p.rev.Contents(p.fitted.SKU) {
			if p.kindOf(c.Part, "") == catalog.KindPreloadSpacer {
				out = append(out, supply{sku: c.Part, quantity: c.Quantity, kit: p.fitted.SKU, trim: true})
			}
		}
	}
	for _, s := range p.customers() {
		out = append(out, supply{sku: s.SKU, quantity: s.Quantity, customer: true})
	}
	return out
}

// customers are the customer's parts, each once, by SKU.
func (p *plan) customers() []Supplied {
	sum := map[string]float64{}
	for _, s := range p.q.Customer {
		sum[s.SKU] += s.Quantity
	}
	out := make([]Supplied, 0, len(sum))
	for sku, n := range sum {
		out = append(out, Supplied{sku, n})
	}
	slices.SortFunc(out, func(a, b Supplied) int {
		if a.SKU < b.SKU {
			return -1
		}
		return 1
	})
	return out
}

// box lists what comes in the box of a part: its contents, with one part for each choice, the
// boxes inside it, and what its cartridge says that it includes.
func (p *plan) box(sku string) []supply {
	brings := map[string]float64{}
	var order []string
	most := func(part string, n float64) {
		if _, ok := brings[part]; !ok {
			order = append(order, part)
		}
		brings[part] = max(brings[part], n)
	}
	p.unpack(sku, 1, most, []string{sku})
	for _, h := range p.rev.Handlings(sku) {
		if h.Action == "includes" {
			if _, ok := p.rev.Part(h.Item); ok {
				most(h.Item, h.Quantity)
			}
		}
	}
	out := make([]supply, 0, len(order))
	for _, part := range order {
		out = append(out, supply{sku: part, quantity: brings[part], kit: sku})
	}
	return out
}

func (p *plan) unpack(sku string, times float64, most func(string, float64), inside []string) {
	sums := map[string]float64{}
	var order []string
	for _, c := range p.rev.Contents(sku) {
		if c.Slot != "" && p.slotChoice(sku, c.Slot) != c.Part {
			continue
		}
		if _, ok := sums[c.Part]; !ok {
			order = append(order, c.Part)
		}
		sums[c.Part] += c.Quantity * times
	}
	for _, part := range order {
		most(part, sums[part])
		if !slices.Contains(inside, part) {
			p.unpack(part, sums[part], most, append(slices.Clone(inside), part))
		}
	}
}

// slotChoice is the part that fills a choice of a kit: one that was chosen, else the default.
func (p *plan) slotChoice(kit, slot string) string {
	byDefault := ""
	for _, c := range p.rev.Contents(kit) {
		if c.Slot != slot {
			continue
		}
		if c.Part == p.q.Spring || slices.Contains(p.q.Parts, c.Part) {
			return c.Part
		}
		if c.Default {
			byDefault = c.Part
		}
	}
	return byDefault
}

// openSlots asks for the choices of a box that nobody has made.
func (p *plan) openSlots(kit string) {
	choices := map[string][]string{}
	var order []string
	for _, c := range p.rev.Contents(kit) {
		if c.Slot == "" {
			continue
		}
		if choices[c.Slot] == nil {
			order = append(order, c.Slot)
		}
		choices[c.Slot] = append(choices[c.Slot], c.Part)
	}
	for _, slot := range order {
		if p.slotChoice(kit, slot) == "" {
			text := fmt.Sprintf("Which %s goes into the box of %s?", slot, p.name(kit))
			p.bill.Open = append(p.bill.Open, OpenPoint{Code: "choice_missing", SKU: kit, Text: text,
				Question: &fault.Question{Code: "choice_missing", Text: text, Field: slot, Choices: choices[slot]}})
		}
	}
}

// net covers needs from the supplies in their order; only the shortfall is charged.
func (p *plan) net(needs []need) {
	pool := p.supplies()
	for i := range needs {
		n := &needs[i]
		if n.role == Reuse { // it is on the fork already
			p.bill.Lines = append(p.bill.Lines, p.line(n, n.quantity, Reuse))
			continue
		}
		left := p.cover(n, pool)
		if left > 0 || n.unknown {
			l := p.line(n, left, n.role)
			l.Charged = l.SKU != ""
			p.bill.Lines = append(p.bill.Lines, l)
		}
	}
	p.rest(pool)
}

// cover draws a need from the pool and returns what is still missing.
func (p *plan) cover(n *need, pool []supply) float64 {
	left := n.quantity
	for i := range pool {
		s := &pool[i]
		if left <= 0 || s.sku != n.sku || s.quantity <= 0 || (s.customer && !p.fits(s.sku)) {
			continue
		}
		take := min(left, s.quantity)
		s.quantity -= take
		left -= take
		p.bill.Lines = append(p.bill.Lines, p.covered(n, s, take))
	}
	return left
}

func (p *plan) covered(n *need, s *supply, quantity float64) Line {
	switch {
	case s.customer:
		l := p.line(n, quantity, CustomerSupplied)
		l.Untraced, l.Inspect = true, "where it comes from, and that it is complete and sound; it is fitted without a warranty from us"
		return l
	case s.trim:
		l := p.line(n, quantity, Reuse)
		l.Rule, l.IncludedIn, l.Inspect = "kept_as_trim", s.kit, "that it is at hand: it came with the cartridge in the fork"
		return l
	}
	l := p.line(n, quantity, Included)
	l.IncludedIn = s.kit
	return l
}

func (p *plan) line(n *need, quantity float64, role Role) Line {
	l := Line{SKU: n.sku, Kind: n.kind, Quantity: quantity, Unit: n.unit, Role: role, Rule: n.rule, Why: n.why,
		Inspect: n.inspect, Leg: n.leg, Source: n.source, Alternatives: n.others, Question: n.question, Verdict: n.verdict}
	if n.unknown {
		l.State, l.WhereToLook = NotInOurData, n.where
	}
	if part, ok := p.rev.Part(n.sku); ok {
		l.Kind = part.Kind
		if l.Unit == "" {
			l.Unit = part.Unit
		}
		if l.Verdict == 0 && role != Tool {
			l.Verdict = p.judge(p.rev, &p.q.Owned, n.sku).Verdict
		}
	}
	return l
}

func (p *plan) fits(sku string) bool {
	v := p.judge(p.rev, &p.q.Owned, sku).Verdict
	return v == catalog.Fits || v == catalog.FitsWith || v == catalog.NotForkRelated
}

// rest says what became of supplies that nothing asked for.
func (p *plan) rest(pool []supply) {
	for _, s := range pool {
		if s.quantity <= 0 || s.trim {
			continue
		}
		part, _ := p.rev.Part(s.sku)
		if s.customer {
			l := p.line(&need{sku: s.sku, leg: part.Leg, rule: "not_needed", why: "The customer brings it; this job does not use it.", source: "question"}, s.quantity, CustomerSupplied)
			if !p.fits(s.sku) {
				l.Rule, l.Why = "does_not_fit", "The customer brings it, but it does not fit this fork and is not used."
			}
			l.Untraced = true
			p.bill.Lines = append(p.bill.Lines, l)
			continue
		}
		if part != nil {
			p.bill.LeftOver = append(p.bill.LeftOver, LeftOver{SKU: s.sku, Unit: part.Unit, Kit: s.kit, Quantity: s.quantity})
		}
	}
}

// Charges sums the charged lines by part. Over the counter a part that is sold in packages is
// rounded up to whole ones, once over all legs.
func (b *Bill) Charges(rev *catalog.Revision, counter bool) []Charge {
	var out []Charge
	at := map[string]int{}
	for _, l := range b.Lines {
		if !l.Charged {
			continue
		}
		i, ok := at[l.SKU]
		if !ok {
			i = len(out)
			at[l.SKU] = i
			out = append(out, Charge{SKU: l.SKU, Unit: l.Unit})
		}
		out[i].Quantity += l.Quantity
		out[i].Unknown = out[i].Unknown || l.State == NotInOurData
	}
	if counter {
		for i := range out {
			if part, ok := rev.Part(out[i].SKU); ok && part.PackQuantity > 0 {
				out[i].Packages = Packages(out[i].Quantity, part.PackQuantity)
			}
		}
	}
	return out
}

// Packages is the least number of packages that hold a quantity. The guard of 1e-9 keeps a
// quantity that fills its packages exactly from rounding up.
func Packages(quantity, pack float64) int {
	return int(math.Ceil(quantity/pack - 1e-9))
}

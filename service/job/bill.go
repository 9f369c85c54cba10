package job

import (
	"fmt"
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// Make works out the bill and the bench sheet of a job. It fails with a fault of kind Invalid that lists
// every code that the catalog does not hold and every choice that is missing or contradicts
// another. Parts that cannot be chosen, and figures that are not in our data, are no failure:
// they are open points and unknown quantities of the bill.
func Make(rev *catalog.Revision, q Question, judge Judge) (Bill, error) {
	p, err := newPlan(rev, &q, judge)
	if err != nil {
		return Bill{}, err
	}
	p.labor()
	p.net(p.needs())
	p.handlings()
	p.steps()
	p.openPoints()
	p.bill.Built = p.built()
	return *p.bill, nil
}

func (p *plan) built() *Built {
	c := p.cartridge()
	if c == nil {
		return nil
	}
	b := &Built{Cartridge: c.SKU, TravelMM: p.travel(), BumpStop: p.q.BumpStop, Damper: p.q.Owned.Damper(), Use: p.q.Owned.Use}
	if p.spring != nil {
		b.Spring = p.spring.SKU
	}
	if p.preload != nil {
		b.Preload = p.preload.Setting
	}
	return b
}

// handlings are the stock items and what becomes of them.
func (p *plan) handlings() {
	if p.does(RefitStock) {
		p.returning()
	}
	for _, sku := range append(nonEmpty(p.q.Cartridge), sorted(p.q.Parts)...) {
		for _, h := range p.rev.Handlings(sku) {
			p.converting(&h)
		}
	}
}

func (p *plan) converting(h *catalog.Handling) {
	switch h.Action {
	case "reuses":
		p.item(h, Reuse, "cartridge_reuses", "Goes back in with the new spring side if it is sound: "+p.name(h.Item)+".", h.Condition)
	case "sets_aside":
		if p.fitted == nil {
			p.item(h, SetAside, "cartridge_replaces", "Comes out and is bagged and labeled, since it is needed to go back: "+p.name(h.Item)+".", "")
		}
	case "forbids":
		p.item(h, NeverReuse, "cartridge_forbids", "Must not go onto the cartridge; bag it with the parts set aside: "+p.name(h.Item)+".", "")
	}
}

// returning is the inverse of the conversion: what was set aside or forbidden comes back if
// sound, and the cartridge with its own small parts is set aside.
func (p *plan) returning() {
	c := p.fitted
	p.item(&catalog.Handling{Cartridge: c.SKU, Item: c.SKU, Quantity: 1, Leg: catalog.SpringLeg}, SetAside, "cartridge_taken_out",
		"The cartridge comes out: keep it together with its spring and spacers, bagged and labeled.", "")
	for _, sku := range nonEmpty(c.TopCap, c.FootNut) {
		p.item(&catalog.Handling{Cartridge: c.SKU, Item: sku, Quantity: 1, Leg: catalog.SpringLeg}, SetAside, "cartridge_taken_out",
			"Belongs to the cartridge and must not go onto the stock spring side: "+p.name(sku)+".", "")
	}
	for _, h := range p.rev.Handlings(c.SKU) {
		inspect := "that it is there, belongs to this fork and is sound"
		if h.Item == stockAir {
			inspect = "that it is all there and sound, with seals that are neither dry nor marked; renew them first where they are"
		}
		switch {
		case h.Action == "reuses":
			p.item(&h, Reuse, "cartridge_reuses", "Goes back in if it is sound: "+p.name(h.Item)+".", h.Condition)
		case (h.Action == "sets_aside" || h.Action == "forbids") && !p.replaced(h.Item):
			p.item(&h, Reuse, "stock_comes_back", "Was set aside at the conversion and comes back: "+p.name(h.Item)+".", inspect)
		}
	}
}

// stockAir is the catalog's name for the air side of a fork as it was sold.
const stockAir = "stock_air_assembly"

// replaced reports whether a chosen air spring takes the place of the stock one.
func (p *plan) replaced(item string) bool {
	return item == stockAir && slices.ContainsFunc(p.q.Parts, func(sku string) bool {
		return p.kindOf(sku, "") == catalog.KindAirCartridge
	})
}

func (p *plan) item(h *catalog.Handling, role Role, rule, why, inspect string) {
	l := Line{Item: h.Item, Quantity: h.Quantity, Unit: "each", Role: role, Rule: rule, Why: why, Inspect: inspect, Leg: h.Leg,
		Source: strings.Join(nonEmpty("handlings "+h.Cartridge, h.Action, h.Item), "/")}
	if part, ok := p.rev.Part(h.Item); ok {
		l.SKU, l.Item, l.Kind, l.Unit = h.Item, "", part.Kind, part.Unit
	}
	if role == Reuse && l.Inspect == "" {
		l.Inspect = "that it is sound"
	}
	if slices.ContainsFunc(p.bill.Lines, func(o Line) bool { return o.Item != "" && o.Item == l.Item && o.Role == role && o.Leg == l.Leg }) {
		return // a spring side that comes and one that goes may both name it
	}
	p.bill.Lines = append(p.bill.Lines, l)
}

// openPoints lists what is still to be said or looked up.
func (p *plan) openPoints() {
	open := func(o OpenPoint) { p.bill.Open = append(p.bill.Open, o) }
	for _, sku := range append(nonEmpty(p.q.Cartridge), p.kits...) {
		p.openSlots(sku)
	}
	if p.coil != nil && !p.hasKind(catalog.KindSpring) && len(p.bill.Open) == 0 {
		open(OpenPoint{Code: "spring_missing", SKU: p.coil.SKU, Text: fmt.Sprintf("The cartridge %s needs a spring of family %s. Work out the setup, then name the spring.", p.coil.SKU, p.coil.SpringFamily)})
	}
	for i := range p.bill.Lines {
		l := &p.bill.Lines[i]
		switch {
		case l.SKU == "" && l.Item == "":
			open(OpenPoint{Code: "part_not_chosen", Question: l.Question, Text: fmt.Sprintf("No %s for this fork could be chosen from the catalog: %s", strings.ReplaceAll(l.Kind, "_", " "), lowerFirst(l.Why))})
		case l.State == NotInOurData:
			open(OpenPoint{Code: NotInOurData, SKU: l.SKU, Text: fmt.Sprintf("How much %s goes into the %s leg is not in our data. Look in %s.", p.name(l.SKU), p.side(l.Leg), l.WhereToLook)})
		case l.Charged && (l.Verdict == catalog.DoesNotFit || l.Verdict == catalog.Unknown):
			a := p.judge(p.rev, &p.q.Owned, l.SKU)
			o := OpenPoint{Code: a.Verdict.String(), SKU: l.SKU, Question: a.Question, Text: fmt.Sprintf("Whether %s fits this fork: %s.", p.name(l.SKU), strings.ReplaceAll(a.Verdict.String(), "_", " "))}
			if len(a.Reasons) > 0 {
				o.Text = a.Reasons[0].Text
			}
			open(o)
		}
	}
	for _, f := range p.bill.Figures {
		if f.State == NotInOurData && f.Figure == "torque" {
			open(OpenPoint{Code: NotInOurData, SKU: f.Owner, Text: fmt.Sprintf("The torque at the %s %s is not in our data. Look in %s.", strings.TrimSpace(string(p.side(f.Leg))), strings.ReplaceAll(f.Place, "_", " "), f.WhereToLook)})
		}
	}
	p.exclusions()
	p.travelPoints()
}

// travelPoints asks which part changes the travel, and refuses more than the fork's maker allows.
func (p *plan) travelPoints() {
	if !p.does(ChangeTravel) {
		return
	}
	if len(p.q.Parts) == 0 {
		p.bill.Open = append(p.bill.Open, OpenPoint{Code: "travel_part_missing", Text: "Say which part changes the travel: a travel spacer or an air spring of another travel. It is not on this bill yet."})
	}
	for _, l := range p.rev.Limits(p.fork.ID) {
		wheel := l.WheelSize == "" || l.WheelSize == p.q.Owned.WheelSize
		if wheel && l.MaxTravelMM > 0 && p.travel() > l.MaxTravelMM {
			p.bill.Open = append(p.bill.Open, OpenPoint{Code: "fork_limit", Text: fmt.Sprintf("The fork's maker allows at most %d mm of travel (%s); %d mm must not be built.", l.MaxTravelMM, l.Source, p.travel())})
			return
		}
	}
}

// travel is the travel when the job is done; 0: not known.
func (p *plan) travel() int {
	if c := p.cartridge(); c != nil {
		if now := p.q.Owned.TravelNow.MM; now > 0 && p.spaced(c) {
			return now
		}
		return c.TravelMM
	}
	for _, sku := range p.q.Parts {
		if a, ok := p.rev.Air(sku); ok {
			return a.TravelMM
		}
	}
	if p.does(ChangeTravel) {
		return p.q.TravelTo
	}
	return p.q.Owned.TravelNow.MM
}

// spaced reports whether a cartridge goes into this fork with a travel spacer only: the fork then
// keeps the travel that it has.
func (p *plan) spaced(c *catalog.CoilCartridge) bool {
	a := p.judge(p.rev, &p.q.Owned, c.SKU)
	return a.Spaced()
}

func (p *plan) hasKind(kind string) bool {
	return slices.ContainsFunc(p.bill.Lines, func(l Line) bool { return l.Kind == kind }) ||
		slices.ContainsFunc(p.bill.LeftOver, func(l LeftOver) bool { return p.kindOf(l.SKU, "") == kind })
}

// exclusions names chosen parts that exclude each other.
func (p *plan) exclusions() {
	for _, l := range p.bill.Lines {
		if l.SKU == "" || l.Role == SetAside {
			continue
		}
		for _, r := range p.rev.Rules(l.SKU) {
			if r.Rule == "excludes" && slices.ContainsFunc(p.bill.Lines, func(o Line) bool { return o.SKU == r.Other && o.Role != SetAside }) {
				p.bill.Open = append(p.bill.Open, OpenPoint{Code: "excludes", SKU: l.SKU, Text: fmt.Sprintf("%s does not go with %s: %s", p.name(l.SKU), p.name(r.Other), r.Reason)})
			}
		}
	}
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

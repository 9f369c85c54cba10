package job

import (
	"fmt"
	"slices"
	"strings"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/unit"
)

// Operations whose meaning the bench sheet knows. A catalog may hold others: they are billed by
// their rows and appear on the sheet by their name.
const (
	FitCoil      = "fit_coil_cartridge"
	SwapSpring   = "swap_spring"
	SetPreload   = "set_preload"
	SetBumpStop  = "set_bump_stop"
	ServiceLower = "service_lower_legs"
	ServiceAir   = "service_air_spring"
	ChangeTravel = "change_travel"
	RefitStock   = "refit_stock_spring"
)

// Openings, in the order in which an assembly is taken apart.
const (
	Cap    = "cap"
	Lowers = "lowers"
	Damper = "damper"
)

var openingOrder = []string{Cap, Lowers, Damper}

// plan is a question with its codes looked up.
type plan struct {
	rev     *catalog.Revision
	q       *Question
	judge   Judge
	fork    *catalog.Fork
	chassis *catalog.Chassis
	jobs    []string
	ops     []*catalog.Operation
	opens   []string
	fitted  *catalog.CoilCartridge // now in the fork
	coil    *catalog.CoilCartridge // to be fitted
	spring  *catalog.Spring
	byDef   bool // the spring is the default of the cartridge's box
	preload *catalog.Preload
	kits    []string
	bill    *Bill
}

// newPlan checks every code of a question and finds all that is wrong with it.
func newPlan(rev *catalog.Revision, q *Question, judge Judge) (*plan, error) {
	p := &plan{rev: rev, q: q, judge: judge, fork: q.Owned.Fork}
	if p.fork == nil {
		return nil, fault.New(fault.Invalid, "fork_missing", "A bill needs a fork. Say which fork it is.")
	}
	p.chassis = rev.ChassisOf(p.fork)
	var bad fault.Fields
	p.findOperations(&bad)
	p.findParts(&bad)
	p.checkChoices(&bad)
	if err := bad.Err(); err != nil {
		return nil, err
	}
	p.bill = &Bill{CatalogRevision: rev.Number(), Fork: p.fork.ID, Jobs: p.jobs, Opens: p.opens}
	for _, op := range p.ops {
		p.bill.Operations = append(p.bill.Operations, op.Operation)
	}
	return p, nil
}

// findOperations unites the operations of all jobs, each once, in an order that does not depend
// on how the question was written.
func (p *plan) findOperations(bad *fault.Fields) {
	names := map[string]bool{}
	for i, name := range p.q.Jobs {
		j, ok := p.rev.Job(name)
		if !ok {
			bad.Add(fmt.Sprintf("/jobs/%d", i), "unknown_job", "There is no job %q. Use one of: %s.", name, p.jobNames())
			continue
		}
		if !slices.Contains(p.jobs, name) {
			p.jobs = append(p.jobs, name)
		}
		for _, op := range j.Operations {
			names[op] = true
		}
	}
	for i, name := range p.q.Operations {
		if _, ok := p.rev.Operation(name); !ok {
			bad.Add(fmt.Sprintf("/operations/%d", i), "unknown_operation", "There is no operation %q.", name)
			continue
		}
		names[name] = true
	}
	if len(p.q.Jobs)+len(p.q.Operations) == 0 {
		bad.Add("/jobs", "job_missing", "Say what is to be done: one of %s.", p.jobNames())
	}
	slices.Sort(p.jobs)
	opened := map[string]bool{}
	for name := range names {
		op, ok := p.rev.Operation(name)
		if !ok {
			continue // a job of the catalog that names no operation: caught when the catalog is checked
		}
		p.ops = append(p.ops, op)
		for _, o := range op.Opens {
			opened[o] = true
		}
	}
	slices.SortFunc(p.ops, func(a, b *catalog.Operation) int { return strings.Compare(a.Operation, b.Operation) })
	for _, o := range openingOrder {
		if opened[o] {
			p.opens = append(p.opens, o)
		}
	}
}

func (p *plan) jobNames() string {
	var names []string
	for _, j := range p.rev.Jobs() {
		names = append(names, j.Job)
	}
	return strings.Join(names, ", ")
}

// findParts looks up every SKU of the question.
func (p *plan) findParts(bad *fault.Fields) {
	p.fitted = lookUp(bad, "/fitted", p.q.Fitted, "coil cartridge", p.rev.Coil)
	p.coil = lookUp(bad, "/cartridge", p.q.Cartridge, "coil cartridge", p.rev.Coil)
	p.spring = lookUp(bad, "/spring", p.q.Spring, "spring", p.rev.Spring)
	p.springByDefault()
	for i, sku := range p.q.Kits {
		if lookUp(bad, fmt.Sprintf("/kits/%d", i), sku, "part", p.rev.Part) != nil && !slices.Contains(p.kits, sku) {
			p.kits = append(p.kits, sku)
		}
	}
	slices.Sort(p.kits)
	for i, sku := range p.q.Parts {
		lookUp(bad, fmt.Sprintf("/parts/%d", i), sku, "part", p.rev.Part)
	}
	for i, s := range p.q.Customer {
		at := fmt.Sprintf("/customer_parts/%d", i)
		lookUp(bad, at+"/sku", s.SKU, "part", p.rev.Part)
		if !(s.Quantity > 0) {
			bad.Add(at+"/quantity", "not_positive", "Say how many the customer brings; %v is no quantity.", s.Quantity)
		}
	}
}

// springByDefault takes the spring that the cartridge's box holds unless another is chosen.
func (p *plan) springByDefault() {
	if p.coil == nil || p.q.Spring != "" {
		return
	}
	for _, c := range p.rev.Contents(p.coil.SKU) {
		s, ok := p.rev.Spring(c.Part)
		if ok && (c.Slot == "" || p.slotChoice(p.coil.SKU, c.Slot) == c.Part) {
			p.spring, p.byDef = s, true
			return
		}
	}
}

func lookUp[T any](bad *fault.Fields, at, sku, what string, find func(string) (*T, bool)) *T {
	if sku == "" {
		return nil
	}
	x, ok := find(sku)
	if !ok {
		bad.Add(at, "unknown_part", "There is no %s %q in the catalog.", what, sku)
		return nil
	}
	return x
}

// checkChoices refuses choices that contradict each other or the operations.
func (p *plan) checkChoices(bad *fault.Fields) {
	if p.does(FitCoil) && p.q.Cartridge == "" {
		bad.Add("/cartridge", "cartridge_missing", "A conversion needs the cartridge that is to be fitted.")
	}
	if p.coil != nil && !p.does(FitCoil) {
		bad.Add("/cartridge", "cartridge_not_in_job", "None of these operations fits a cartridge. Give the cartridge that is in the fork as the fitted one, or ask for a conversion.")
	}
	if p.does(RefitStock) && p.q.Fitted == "" {
		bad.Add("/fitted", "fitted_missing", "Say which cartridge is in the fork now, so that what belongs to it can be taken out and kept together.")
	}
	if p.does(RefitStock) && p.does(FitCoil) {
		bad.Add("/jobs", "jobs_contradict", "One of these jobs fits a coil cartridge, another takes it out. Ask for one of them.")
	}
	if p.does(SwapSpring) && p.q.Spring == "" {
		bad.Add("/spring", "spring_missing", "Say which spring is to be fitted.")
	}
	p.checkPreload(bad)
	p.checkBumpStop(bad)
	c := p.cartridge()
	if p.spring != nil && c != nil && p.spring.Family != c.SpringFamily {
		bad.Add("/spring", "spring_of_another_family", "Spring %s belongs to family %s; cartridge %s takes family %s.", p.spring.SKU, p.spring.Family, c.SKU, c.SpringFamily)
	}
}

func (p *plan) checkPreload(bad *fault.Fields) {
	c := p.cartridge()
	if p.q.Preload != 0 && c == nil {
		bad.Add("/preload", "preload_without_cartridge", "A preload setting belongs to a coil cartridge. Say which one is fitted.")
		return
	}
	if c == nil || (p.q.Preload == 0 && p.coil == nil) {
		return
	}
	settings := p.rev.Preloads(c.SKU)
	for i := range settings {
		if settings[i].Setting == p.q.Preload || (p.q.Preload == 0 && i == 0) {
			p.preload = &settings[i]
			return
		}
	}
	if p.q.Preload != 0 {
		bad.Add("/preload", "no_such_preload", "Cartridge %s has %d preload settings; %d is not one of them.", c.SKU, len(settings), p.q.Preload)
	}
}

func (p *plan) checkBumpStop(bad *fault.Fields) {
	if p.q.BumpStop == nil {
		return
	}
	asked, err := p.q.BumpStop.SI(unit.Pressure)
	if err != nil {
		bad.Add("/bump_stop", "not_a_pressure", "The setting of the bump stop: %v.", err)
		return
	}
	c := p.cartridge()
	if c == nil || !p.airBumpStop(c) {
		bad.Add("/bump_stop", "no_air_bump_stop", "There is no air bump stop in this fork to be set.")
		return
	}
	b, _ := p.rev.BumpStop(c.BumpStop)
	most, err := catalog.Published{Value: b.PressureMax, Unit: b.PressureUnit}.SI(unit.Pressure)
	if err == nil && most > 0 && asked > most*(1+1e-9) {
		bad.Add("/bump_stop", "past_limit", "The bump stop %s takes at most %s %s.", b.SKU, number(b.PressureMax), b.PressureUnit)
	}
}

func (p *plan) does(op string) bool {
	return slices.ContainsFunc(p.ops, func(o *catalog.Operation) bool { return o.Operation == op })
}

func (p *plan) opened(what string) bool { return slices.Contains(p.opens, what) }

// cartridge is the coil cartridge in the fork when the job is done, or nil.
func (p *plan) cartridge() *catalog.CoilCartridge {
	switch {
	case p.coil != nil:
		return p.coil
	case p.does(RefitStock):
		return nil
	}
	return p.fitted
}

// side is the side of a leg, as the rider sits.
func (p *plan) side(leg catalog.Leg) catalog.Side {
	switch leg {
	case catalog.SpringLeg:
		return p.chassis.SpringSide
	case catalog.DamperLeg:
		if p.chassis.SpringSide == catalog.Left {
			return catalog.Right
		}
		return catalog.Left
	}
	return ""
}

// name is the English name of a part or stock item.
func (p *plan) name(code string) string {
	if n, lang := p.rev.Name("part", code); lang != "" {
		return n
	}
	if n, lang := p.rev.Name("item", code); lang != "" {
		return n
	}
	return strings.ReplaceAll(code, "_", " ")
}

// labor counts each opening and each operation once.
func (p *plan) labor() {
	if p.q.Counter {
		return
	}
	add := func(l Labor) {
		p.bill.Labor = append(p.bill.Labor, l)
		p.bill.Minutes += l.Minutes
	}
	for _, name := range p.opens {
		if o, ok := p.rev.Opening(name); ok {
			add(Labor{Code: name, Of: "opening", SKU: o.Labor, Minutes: o.Minutes})
		}
	}
	for _, op := range p.ops {
		add(Labor{Code: op.Operation, Of: "operation", SKU: op.Labor, Minutes: op.Minutes})
	}
}

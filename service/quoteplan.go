package service

import (
	"cmp"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/job"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// QuotePlan is a question with its parts found and judged and its bill made, before any
// price: what has to be known from outside to price it is SKUs.
type QuotePlan struct {
	rev      *catalog.Revision
	ask      QuoteAsk
	langs    []string // the seller's, the quote's own first
	owned    *fitment.Owned
	bill     *job.Bill
	lines    []plannedLine
	warnings []quote.Warning
}

// plannedLine is a line on its way: what it is, before what it costs.
type plannedLine struct {
	quote.Line
	at     string // pointer of the request member that asked for it
	stated AskedLine
	slots  []chosenSlot
	labor  *laborOf
	verdictOf
}

type verdictOf struct {
	answer fitment.Answer
	judged bool
}

// laborOf is bench time: a whole job, an operation, or the opening that several share.
type laborOf struct {
	job     string // set for a line at a menu price
	sku     string
	minutes money.Amount
}

// chosenSlot is a choice inside a kit that was filled.
type chosenSlot struct{ slot, sku, byDefault string }

// PlanQuote finds and judges everything a question names. It fails with a fault of kind
// Invalid for what is wrong or unknown, and of kind Conflict for a code that several parts
// share (ambiguous) and for a part that does not fit (does_not_fit).
func PlanQuote(rev *catalog.Revision, languages []string, ask QuoteAsk) (*QuotePlan, error) {
	if err := ask.check(); err != nil {
		return nil, err
	}
	owned, err := ask.Fork.owned(rev)
	if err != nil {
		return nil, err
	}
	p := &QuotePlan{rev: rev, ask: ask, owned: owned, langs: languages}
	if err := p.planJob(); err != nil {
		return nil, err
	}
	for i, l := range ask.Lines {
		if err := p.planLine(fmt.Sprintf("/lines/%d", i), l); err != nil {
			return nil, err
		}
	}
	if err := p.judge(); err != nil {
		return nil, err
	}
	if len(p.lines) == 0 {
		return nil, askFault("/job", "quote_empty", "This job needs nothing that could be quoted; add lines.")
	}
	return p, nil
}

// SKUs are the parts whose stock and own prices are to be read, sorted.
func (p *QuotePlan) SKUs() []string {
	set := map[string]bool{}
	for _, l := range p.lines {
		if l.SKU != "" {
			set[l.SKU] = true
		}
		for _, s := range l.slots {
			set[s.sku], set[s.byDefault] = true, true
		}
	}
	delete(set, "")
	return slices.Sorted(maps.Keys(set))
}

func (p *QuotePlan) planJob() error {
	if p.ask.Job == nil {
		return nil
	}
	bill, err := job.Make(p.rev, p.ask.Job.question(*p.owned, p.ask.Counter), fitment.Judge)
	if err != nil {
		return underJob(err)
	}
	p.bill = &bill
	for _, o := range bill.Open {
		if o.Code == catalog.DoesNotFit.String() || o.Code == catalog.Unknown.String() {
			continue // said by the line's own verdict
		}
		p.warnings = append(p.warnings, quote.Warning{Code: o.Code, Text: o.Text, Question: o.Question})
	}
	p.lines = make([]plannedLine, 0, len(bill.Lines)+len(bill.Labor)+len(p.ask.Lines)) // a line is large
	for _, l := range bill.Lines {
		p.addBillLine(l)
	}
	p.planLabor()
	return p.wholePackages()
}

// wholePackages rounds what a job needs to what goes over a counter; at the bench it is charged
// by what is used.
func (p *QuotePlan) wholePackages() error {
	for i, l := range p.lines {
		part, ok := p.rev.Part(l.SKU)
		if !p.ask.Counter || !ok || !l.Role.Charged() {
			continue
		}
		n, err := p.inPackages("/job", l, part)
		if err != nil {
			return err
		}
		p.lines[i] = n
	}
	return nil
}

// underJob moves the pointers of a bill's fault under the member that asks for it.
func underJob(err error) error {
	f := fault.As(err)
	if f == nil {
		return err
	}
	moved := *f
	moved.Fields = slices.Clone(f.Fields)
	for i := range moved.Fields {
		moved.Fields[i].Pointer = "/job" + moved.Fields[i].Pointer
	}
	return &moved
}

// addBillLine takes over a line of the bill. Charged lines of one part become one line;
// what has no known quantity stays off the quote and among its warnings.
func (p *QuotePlan) addBillLine(l job.Line) {
	if !(l.Quantity > 0) || (l.SKU == "" && l.Item == "") {
		return
	}
	role := billRole(l)
	if l.Charged {
		for i := range p.lines {
			o := &p.lines[i]
			if o.SKU == l.SKU && o.Role == role && o.Presence.Kind == "job" {
				o.Quantity = o.Quantity.Add(amountOf(l.Quantity))
				return
			}
		}
	}
	n := plannedLine{at: "/job"}
	n.SKU, n.Unit, n.Rule, n.Why, n.IncludedIn, n.Inspect = l.SKU, cmp.Or(l.Unit, "each"), l.Rule, l.Why, l.IncludedIn, l.Inspect
	n.Role, n.Quantity = role, amountOf(l.Quantity)
	n.Presence = quote.Presence{Kind: "job", Job: strings.Join(firstOfLists(p.bill.Jobs, p.bill.Operations), "+"), Rule: l.Rule}
	n.forFork(p.owned)
	if role == quote.RoleCustomer {
		n.Presence.Kind = "customer"
	}
	if l.SKU == "" {
		n.Text = p.names("item", l.Item)
	} else {
		n.Text = p.names("part", l.SKU)
	}
	n.Stocked = role.Charged() || (role == quote.RoleIncluded && p.slotFiller(l.IncludedIn, l.SKU))
	if l.Charged {
		n.slots = p.slotsFilled(l.SKU)
	}
	p.lines = append(p.lines, n)
}

func firstOfLists(a, b []string) []string {
	if len(a) > 0 {
		return a
	}
	return b
}

// forFork notes which fork the line is for.
func (l *plannedLine) forFork(o *fitment.Owned) {
	if o != nil && o.Fork != nil {
		l.ForFork = o.Fork.ID
	}
}

// billRole is the role of a bill's line on a quote. What must be renewed is charged like any
// consumable; the old part that must not be used again is not.
func billRole(l job.Line) quote.Role {
	switch {
	case l.Role == job.Consumable, l.Charged && l.Role == job.NeverReuse:
		return quote.RoleConsumable
	case l.Role == job.Tool:
		return quote.RoleTool
	case l.Charged:
		return quote.RoleNew
	case l.Role == job.CustomerSupplied:
		return quote.RoleCustomer
	}
	return quote.Role(l.Role)
}

// slotFiller reports whether a part is a choice in a box: the box is packed with it when it
// is sold, so that it comes off the shelf by itself.
func (p *QuotePlan) slotFiller(kit, sku string) bool {
	return slices.ContainsFunc(p.rev.Contents(kit), func(c catalog.Content) bool { return c.Slot != "" && c.Part == sku })
}

// slotsFilled lists the choices of a box that the bill has made.
func (p *QuotePlan) slotsFilled(kit string) (out []chosenSlot) {
	for _, s := range p.slotsOf(kit) {
		for _, c := range s.Choices {
			if slices.ContainsFunc(p.bill.Lines, func(l job.Line) bool { return l.SKU == c.SKU && l.IncludedIn == kit }) {
				out = append(out, chosenSlot{s.Code, c.SKU, s.Default})
			}
		}
	}
	return out
}

// slotsOf are the choices that a kit leaves, in the order of its contents.
func (p *QuotePlan) slotsOf(kit string) (slots []quote.Slot) {
	for _, c := range p.rev.Contents(kit) {
		if c.Slot == "" {
			continue
		}
		i := slices.IndexFunc(slots, func(s quote.Slot) bool { return s.Code == c.Slot })
		if i < 0 {
			i = len(slots)
			slots = append(slots, quote.Slot{Code: c.Slot})
		}
		name, _ := p.rev.Name("part", c.Part, p.ask.Language)
		slots[i].Choices = append(slots[i].Choices, quote.Choice{SKU: c.Part, Label: name})
		if c.Default {
			slots[i].Default = c.Part
		}
	}
	return slots
}

// planLabor makes lines of bench time. A job with a menu price is one line, whoever has that
// price; which jobs have one is known only when the seller is, so both readings are kept
// apart until then: see Draft.
func (p *QuotePlan) planLabor() {
	if p.ask.Labor == LaborNone || p.ask.Counter {
		return
	}
	for _, l := range p.bill.Labor {
		if l.Minutes > 0 {
			p.lines = append(p.lines, p.laborLine(l.Of, l.Code, laborOf{sku: l.SKU, minutes: amountOf(l.Minutes)}))
		}
	}
}

func (p *QuotePlan) laborLine(of, code string, labor laborOf) plannedLine {
	n := plannedLine{at: "/job", labor: &labor}
	n.Role, n.Quantity, n.Unit, n.Rule = quote.RoleLabor, labor.minutes, "min", of+"/"+code
	n.SKU = labor.sku
	n.Text = p.names(of, code)
	n.Presence = quote.Presence{Kind: "job", Job: strings.Join(firstOfLists(p.bill.Jobs, p.bill.Operations), "+"), Rule: of}
	n.Why = "Bench time; what several operations open together is counted once."
	n.forFork(p.owned)
	return n
}

func (p *QuotePlan) planLine(at string, ask AskedLine) error {
	if ask.Code == "" {
		n := plannedLine{at: at, stated: ask}
		n.Role, n.Quantity, n.Unit = quote.RoleCustom, ask.Quantity, cmp.Or(ask.Unit, "each")
		n.Text = quote.Texts{p.ask.Language: ask.Text}
		n.Presence = quote.Presence{Kind: "shop"}
		p.lines = append(p.lines, n)
		return nil
	}
	part, how, err := p.resolve(at, ask.Code)
	if err != nil {
		return err
	}
	n := plannedLine{at: at, stated: ask}
	n.Role, n.Quantity, n.Unit, n.Stocked = quote.RoleNew, ask.Quantity, part.Unit, true
	n.Presence = quote.Presence{Kind: "cart"}
	switch how {
	case catalog.ByGTIN:
		n.GTIN = catalog.PadGTIN(ask.Code)
	case catalog.ByAlias:
		n.OwnCode = ask.Code
	}
	n.SKU = part.SKU
	if next, ok := p.rev.Part(part.SupersededBy); ok && !ask.Supplied {
		n.Supersedes, n.SKU, n.Unit = part.SKU, next.SKU, next.Unit
		p.warnings = append(p.warnings, quote.Warning{Code: "superseded", Text: fmt.Sprintf("%s has been replaced by %s, which is quoted instead.", part.SKU, next.SKU)})
		part = next
	}
	switch part.Kind {
	case catalog.KindLabor:
		n.Role, n.Stocked = quote.RoleLabor, false
	case catalog.KindTool:
		n.Role = quote.RoleTool
	case catalog.KindFluid:
		n.Role = quote.RoleConsumable
	}
	if ask.Supplied {
		n.Role, n.Stocked, n.Presence.Kind = quote.RoleCustomer, false, "customer"
		n.Inspect = "where it comes from, and that it is complete and sound; it is fitted without a warranty from us"
	}
	if !ask.NoFork {
		n.forFork(p.owned)
	}
	n.Text = p.names("part", n.SKU)
	if whole := part.Unit == "each" || part.Unit == "pair"; whole && !ask.Quantity.Fits(0) {
		return askFault(at+"/quantity", "quantity_not_whole", "%s is sold whole; %s is no number of it.", n.SKU, ask.Quantity)
	}
	if n.Role.Charged() && n.Role != quote.RoleLabor {
		if n, err = p.inPackages(at, n, part); err != nil {
			return err
		}
	}
	included, err := p.choose(at, &n, ask)
	if err != nil {
		return err
	}
	p.lines = append(append(p.lines, n), included...)
	return nil
}

// inPackages rounds what is sold by name to whole packages; at the bench only the job's own
// lines are charged by what is used.
func (p *QuotePlan) inPackages(at string, n plannedLine, part *catalog.Part) (plannedLine, error) {
	if part.PackQuantity == 0 {
		return n, nil
	}
	size := amountOf(part.PackQuantity)
	packages, err := quote.Packages(n.Quantity, size)
	if err != nil {
		return n, askFault(at+"/quantity", "package_size", "%s", fault.As(err).Text)
	}
	whole, err := money.Parse(money.RoundRatio(new(big.Rat).Mul(packages.Ratio(), size.Ratio()), money.MaxDecimals).Plain())
	if err != nil {
		return n, askFault(at+"/quantity", "package_size", "%s", fault.As(err).Text)
	}
	if !whole.Equal(n.Quantity) {
		n.Rule = "whole_packages"
		n.Why = fmt.Sprintf("It is sold in packages of %s %s: %s are needed, %s are quoted.", size.Plain(), part.Unit, n.Quantity.Plain(), whole.Plain())
	}
	n.Quantity = whole
	return n, nil
}

// choose fills the choices of a kit; each filling is a line of its own that is in the box and
// comes off the shelf.
func (p *QuotePlan) choose(at string, n *plannedLine, ask AskedLine) (included []plannedLine, err error) {
	slots := p.slotsOf(n.SKU)
	if n.Role == quote.RoleCustomer {
		slots = nil
	}
	for _, s := range slots {
		c, err := s.Choose(ask.Choices[s.Code])
		if err != nil {
			f := *fault.As(err)
			f.Fields = []fault.Field{{Pointer: at + "/choices/" + s.Code, Code: f.Code, Text: f.Text}}
			return nil, &f
		}
		n.slots = append(n.slots, chosenSlot{s.Code, c.SKU, s.Default})
		i := plannedLine{at: at}
		i.SKU, i.IncludedIn, i.Role, i.Quantity, i.Stocked, i.Unit = c.SKU, n.SKU, quote.RoleIncluded, n.Quantity, true, "each"
		i.Rule, i.Why = "kit_choice", fmt.Sprintf("The box of %s is packed with it.", n.SKU)
		i.Presence, i.ForFork, i.Text = quote.Presence{Kind: "cart", Rule: "kit_choice"}, n.ForFork, p.names("part", c.SKU)
		included = append(included, i)
	}
	for code := range ask.Choices {
		if !slices.ContainsFunc(slots, func(s quote.Slot) bool { return s.Code == code }) {
			return nil, askFault(at+"/choices/"+code, "no_such_choice", "%s leaves no choice of %q.", n.SKU, code)
		}
	}
	return included, nil
}

// resolve finds the one part that a code means.
func (p *QuotePlan) resolve(at, code string) (*catalog.Part, catalog.Matched, error) {
	parts, how := p.rev.Resolve(code)
	switch len(parts) {
	case 0:
		return nil, "", askFault(at+"/code", "not_in_catalog", "%q is not in the catalog: no SKU, no trade item number, no printed code. Quote it as a free line, or look it up again.", code)
	case 1:
		return parts[0], how, nil
	}
	f := fault.New(fault.Conflict, "ambiguous", "%q is the code of %d parts; name one of them by its SKU.", code, len(parts))
	f.Fields = []fault.Field{{Pointer: at + "/code", Code: "ambiguous", Text: f.Text}}
	for _, part := range parts {
		name, _ := p.rev.Name("part", part.SKU, p.ask.Language)
		f.Candidates = append(f.Candidates, fault.Candidate{ID: part.SKU, Label: name})
	}
	return nil, "", f
}

func (p *QuotePlan) names(of, code string) quote.Texts {
	out := quote.Texts{}
	for _, lang := range append(slices.Clone(p.langs), "en") {
		if text, got := p.rev.Name(of, code, lang); got != "" {
			out[got] = text
		}
	}
	if len(out) == 0 {
		out["en"] = strings.ReplaceAll(code, "_", " ")
	}
	return out
}

// judge gives every part that is for the fork its verdict. A part that is sold and does not
// fit is refused; an open question becomes a warning.
func (p *QuotePlan) judge() error {
	for i := range p.lines {
		l := &p.lines[i]
		if l.SKU == "" || l.stated.NoFork || l.labor != nil || l.Role == quote.RoleTool || l.Role == quote.RoleSetAside || l.Role == quote.RoleNeverReuse {
			continue
		}
		a := fitment.Judge(p.rev, p.owned, l.SKU)
		part, _ := p.rev.Part(l.SKU)
		if p.owned == nil && part != nil && !catalog.KindClosed(part.Kind) {
			continue // fluids, tools and labor do not ask for a fork
		}
		l.Verdict, l.Reasons = a.Verdict.String(), raw(wordsOf(a.Reasons))
		l.answer, l.judged = a, true
		if a.Verdict == catalog.DoesNotFit && l.Role.Charged() {
			return p.refuseMisfit(l, a)
		}
	}
	return nil
}

// reasonWords are a reason as a quote keeps it.
type reasonWords struct {
	Code string `json:"code"`
	Text string `json:"text"`
	Row  string `json:"row,omitempty"`
	Fact string `json:"fact,omitempty"`
	Want string `json:"want,omitempty"`
	Have string `json:"have,omitempty"`
}

func wordsOf(reasons []fitment.Reason) []reasonWords {
	out := make([]reasonWords, 0, len(reasons))
	for _, r := range reasons {
		out = append(out, reasonWords{r.Code, r.Text, r.Row, r.Fact, r.Want, r.Have})
	}
	return out
}

func (p *QuotePlan) refuseMisfit(l *plannedLine, a fitment.Answer) error {
	why := ""
	if len(a.Reasons) > 0 {
		why = " " + a.Reasons[0].Text
	}
	f := fault.New(fault.Conflict, "does_not_fit", "%s does not fit this fork.%s A line that is for another fork says for_fork: none.", l.SKU, why)
	f.Fields = []fault.Field{{Pointer: l.at, Code: "does_not_fit", Text: f.Text}}
	if a.Nearest != nil {
		name, _ := p.rev.Name("part", a.Nearest.SKU, p.ask.Language)
		f.Candidates = []fault.Candidate{{ID: a.Nearest.SKU, Label: name + ": " + a.Nearest.Why}}
	}
	f.Extra = map[string]any{"sku": l.SKU, "verdict": a.Verdict.String(), "reasons": wordsOf(a.Reasons)}
	return f
}

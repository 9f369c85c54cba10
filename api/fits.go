package api

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/notice"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// mostReceipts is how many receipts one recheck takes.
const mostReceipts = 200

// ---- POST /v1/fit-checks --------------------------------------------------------------------

type fitCheckIn struct {
	askIn
	liveIn
	Body fitCheckBody `body:""`
}

type fitCheckBody struct {
	CatalogRevision revisionNumber `json:"catalog_revision"`
	Fork            *fitFork       `json:"fork"`
	Forks           []fitFork      `json:"forks"`
	Lines           []lineIn       `json:"lines"`
}

// fitFork is a fork of a cart. The masses are needed only where the fork's maker limits them;
// no receipt and no log keeps them.
type fitFork struct {
	ID string `json:"id"`
	forkIn
	Rider         *riderIn       `json:"rider"`
	BicycleMass   *unit.Quantity `json:"bicycle_mass"`
	BicycleMassKG *float64       `json:"bicycle_mass_kg"`
}

type riderIn struct {
	Mass   *unit.Quantity `json:"mass"`
	MassKG *float64       `json:"mass_kg"`
	MassIs string         `json:"mass_is"`
	Gear   *unit.Quantity `json:"gear"`
	GearKG *float64       `json:"gear_kg"`
}

type lineIn struct {
	ID       string   `json:"id"`
	Code     string   `json:"code"`
	Quantity *float64 `json:"quantity"`
	ForFork  string   `json:"for_fork"`
}

// theFork is the name of a cart's only fork.
const theFork = "fork"

type fitCheckOut struct {
	Forks []cartForkOut `json:"forks"`
	Lines []cartLineOut `json:"lines"`
}

type cartForkOut struct {
	ID         string             `json:"id"`
	Fork       *forkBrief         `json:"fork,omitempty"`
	Findings   []findingOut       `json:"findings"`
	Question   *problemQuestion   `json:"question,omitempty"`   // which fork is it
	Candidates []problemCandidate `json:"candidates,omitempty"` // forks it may be
}

type cartLineOut struct {
	ID         string             `json:"id"`
	Code       string             `json:"code"`
	MatchedBy  string             `json:"matched_by,omitempty"`
	Quantity   float64            `json:"quantity"`
	ForFork    string             `json:"for_fork,omitempty"`
	Result     verdictOut         `json:"result"`
	Findings   []findingOut       `json:"findings"`
	Candidates []problemCandidate `json:"candidates,omitempty"`
}

type findingOut struct {
	Code     string   `json:"code"`
	Text     string   `json:"text"`
	Severity string   `json:"severity"` // ok|warn|ask|block
	Lines    []string `json:"lines"`
	SKU      string   `json:"sku,omitempty"`
}

// receiptOut is the proof of a line's verdict, to be checked again later. It stands beside the
// answer because it holds the time.
type receiptOut struct {
	Line        string `json:"line"`
	Receipt     string `json:"receipt"`
	MassLeftOut bool   `json:"mass_left_out"`
}

// checkFit judges the lines of a cart: each on its fork, and all of a fork together.
func (s *Server) checkFit(ctx context.Context, who caller.Caller, in fitCheckIn) (answered[fitCheckOut], error) {
	var none answered[fitCheckOut]
	a, err := s.ask(ctx, who, in.askIn, int64(in.Body.CatalogRevision))
	if err != nil {
		return none, err
	}
	cart, err := a.cart(&in.Body)
	if err != nil {
		return none, err
	}
	judged := fitment.CheckCart(a.rev, cart.named, cart.lines)
	answer := cart.out
	answer.Lines = make([]cartLineOut, len(judged.Lines))
	parts := make([]wanted, 0, len(judged.Lines))
	for i := range judged.Lines {
		l, asked := &judged.Lines[i], &cart.lines[i]
		answer.Lines[i] = a.lineOut(l, asked)
		if l.Matched != "" && len(l.Candidates) == 0 {
			parts = append(parts, wanted{l.Answer.SKU, asked.Quantity, cart.ownedBy(asked.ForFork), asked.ForFork, l.Answer.Verdict == catalog.DoesNotFit})
		}
		a.countLine(l)
	}
	for i := range judged.Forks {
		answer.Forks[i].Findings = findingsOut(judged.Forks[i].Findings)
	}
	decisions, worst := a.cartDecisions(cart, judged)
	out := answerTo(a, answer)
	out.Decisions, out.Decision = decisions, worst.String()
	out.Receipts = a.receipts(cart, judged)
	if out.Live, err = a.liveOut(ctx, in.liveIn, parts); err != nil {
		return none, err
	}
	out.CacheControl = "private, no-store"
	return out, nil
}

// cart is a cart as it was read.
type cart struct {
	named []fitment.NamedFork
	lines []fitment.Line
	out   fitCheckOut
}

func (c *cart) ownedBy(name string) *fitment.Owned {
	for _, f := range c.named {
		if f.Name == name {
			return f.Owned
		}
	}
	return nil
}

// cart reads the forks and lines. One fork named by text that means several is a conflict; in
// a list of forks it leaves that fork's lines open.
func (a *asking) cart(in *fitCheckBody) (*cart, error) {
	c := &cart{out: fitCheckOut{Forks: []cartForkOut{}, Lines: []cartLineOut{}}}
	var wrong fault.Fields
	switch {
	case in.Fork != nil && len(in.Forks) > 0:
		wrong.Add("/forks", "given_twice", "Give one fork for all lines as fork, or several as forks with an id each, not both.")
	case in.Fork != nil:
		if in.Fork.ID == "" {
			in.Fork.ID = theFork
		}
		if err := a.cartFork(c, "/fork", in.Fork, true, &wrong); err != nil {
			return nil, err
		}
	case len(in.Forks) > 20:
		wrong.Add("/forks", "too_many", "A cart holds up to 20 forks; this one has %d.", len(in.Forks))
	}
	for i := range in.Forks[:min(len(in.Forks), 20)] {
		if in.Fork != nil {
			break
		}
		if err := a.cartFork(c, "/forks/"+strconv.Itoa(i), &in.Forks[i], false, &wrong); err != nil {
			return nil, err
		}
	}
	c.readLines(in, &wrong)
	return c, wrong.Err()
}

func (a *asking) cartFork(c *cart, at string, in *fitFork, only bool, wrong *fault.Fields) error {
	if in.ID == "" || utf8.RuneCountInString(in.ID) > 40 {
		wrong.Add(at+"/id", "required", "Give each fork of a cart an id of up to 40 characters; lines name it in for_fork.")
		return nil
	}
	if c.has(in.ID) {
		wrong.Add(at+"/id", "given_twice", "Two forks of this cart have the id %q.", printable(in.ID))
		return nil
	}
	o, open, err := a.named(at, &in.forkIn)
	switch {
	case err != nil && only:
		return err
	case err != nil:
		e := fault.As(err)
		if e == nil || len(e.Fields) == 0 {
			return err
		}
		*wrong = append(*wrong, e.Fields...)
		return nil
	case open != nil && only:
		return open
	}
	named := fitment.NamedFork{Name: in.ID}
	shown := cartForkOut{ID: in.ID}
	if open != nil {
		shown.Question, shown.Candidates = questionOut(open.Question), candidatesOut(open.Candidates)
	} else {
		brief := a.forkBrief(o.Fork)
		named.Owned, shown.Fork = o, &brief
	}
	readMasses(o, at, in, wrong)
	c.named = append(c.named, named)
	c.out.Forks = append(c.out.Forks, shown)
	return nil
}

func (c *cart) has(name string) bool {
	return slices.ContainsFunc(c.named, func(f fitment.NamedFork) bool { return f.Name == name })
}

// Masses beyond these are slips of the pen (from memory).
const (
	leastRiderKG, mostRiderKG     = 30, 200
	leastBicycleKG, mostBicycleKG = 5, 45
	mostGearKG                    = 25
)

// readMasses takes the rider's mass as kitted, adding the gear to a bare one, and the mass of
// both together where the bicycle's is given.
func readMasses(o *fitment.Owned, at string, in *fitFork, wrong *fault.Fields) {
	bicycle := oneQuantity(wrong, at, "bicycle_mass", in.BicycleMass, "bicycle_mass_kg", in.BicycleMassKG, unit.Mass)
	if bicycle != nil {
		inRange(wrong, at+"/bicycle_mass_kg", *bicycle, leastBicycleKG, mostBicycleKG, "The bicycle's mass, in kg,")
	}
	if in.Rider == nil {
		if bicycle != nil {
			wrong.Add(at+"/rider", "required", "The bicycle's mass counts together with the rider's; give rider too.")
		}
		return
	}
	r, at := in.Rider, at+"/rider"
	mass := oneQuantity(wrong, at, "mass", r.Mass, "mass_kg", r.MassKG, unit.Mass)
	gear := oneQuantity(wrong, at, "gear", r.Gear, "gear_kg", r.GearKG, unit.Mass)
	switch {
	case mass == nil:
		wrong.Add(at+"/mass_kg", "required", "Say what the rider weighs.")
	case !inRange(wrong, at+"/mass_kg", *mass, leastRiderKG, mostRiderKG, "The rider's mass, in kg,"):
	default:
		o.RiderKG = *mass
	}
	if gear != nil && !inRange(wrong, at+"/gear_kg", *gear, 0, mostGearKG, "The mass of the gear, in kg,") {
		return
	}
	switch r.MassIs {
	case "kitted":
	case "bare":
		if o.RiderKG > 0 {
			worn := spring.AssumedGear().Value
			if gear != nil {
				worn = *gear
			}
			o.RiderKG += worn
		}
	default:
		wrong.Add(at+"/mass_is", "required", "Say whether the mass is kitted (with shoes, helmet and pack) or bare.")
	}
	if bicycle != nil && o.RiderKG > 0 {
		o.SystemKG = o.RiderKG + *bicycle
	}
}

// mostQuantity is the largest quantity of a line.
const mostQuantity = 1e6

// readLines makes pointers only for what is wrong.
func (c *cart) readLines(in *fitCheckBody, wrong *fault.Fields) {
	if n := len(in.Lines); n == 0 || n > fitment.MostLines {
		wrong.Add("/lines", "out_of_range", "A cart has 1 to %d lines; this one has %d.", fitment.MostLines, n)
		return
	}
	c.lines = make([]fitment.Line, 0, len(in.Lines))
	for i := range in.Lines {
		l, at := &in.Lines[i], func(member string) string { return "/lines/" + strconv.Itoa(i) + member }
		line := fitment.Line{ID: l.ID, Code: strings.TrimSpace(l.Code), Quantity: 1, ForFork: l.ForFork}
		if line.ID == "" {
			line.ID = strconv.Itoa(i + 1)
		}
		if len(line.ID) > 60 || len(l.ForFork) > 40 { // in bytes, which are never fewer than characters
			length(wrong, at("/id"), line.ID, 60)
			length(wrong, at("/for_fork"), l.ForFork, 40)
		}
		if slices.ContainsFunc(c.lines, func(before fitment.Line) bool { return before.ID == line.ID }) {
			wrong.Add(at("/id"), "given_twice", "Two lines have the id %q; a line without an id has its number.", printable(line.ID))
		}
		if line.Code == "" || utf8.RuneCountInString(line.Code) > 80 {
			wrong.Add(at("/code"), "required", "Give the part by its SKU, its GTIN or a code printed on it, in up to 80 characters.")
		}
		if l.Quantity != nil {
			line.Quantity = *l.Quantity
			if !(line.Quantity >= 0 && line.Quantity <= mostQuantity) {
				inRange(wrong, at("/quantity"), line.Quantity, 0, mostQuantity, "The quantity")
			}
		}
		if in.Fork != nil {
			if l.ForFork != "" && l.ForFork != in.Fork.ID {
				wrong.Add(at("/for_fork"), "unknown_fork_name", "This cart has one fork for all its lines; leave for_fork out, or name several in forks.")
			}
			line.ForFork = in.Fork.ID
		}
		c.lines = append(c.lines, line)
	}
}

func (a *asking) lineOut(l *fitment.LineAnswer, asked *fitment.Line) cartLineOut {
	return cartLineOut{ID: asked.ID, Code: asked.Code, MatchedBy: string(l.Matched), Quantity: asked.Quantity, ForFork: asked.ForFork,
		Result: a.verdictOut(&l.Answer), Findings: findingsOut(l.Findings), Candidates: candidatesOut(l.Candidates)}
}

func findingsOut(list []fitment.Finding) []findingOut {
	out := make([]findingOut, len(list))
	for i := range list {
		f := &list[i]
		out[i] = findingOut{f.Code, f.Text, f.Decision.String(), f.Lines, f.SKU}
	}
	return out
}

// countLine notes a line that could not be answered.
func (a *asking) countLine(l *fitment.LineAnswer) {
	switch {
	case l.Answer.Verdict == catalog.NotInCatalog:
		a.count("part_not_found", l.Answer.SKU)
	case len(l.Candidates) > 0:
		a.count("code_ambiguous", l.Answer.SKU)
	case l.Answer.Verdict == catalog.Unknown && l.Answer.Question != nil:
		a.count("fact_missing", l.Answer.Question.Code)
	}
}

// cartDecisions merges the notices into what the cart rules decided: a fork's decision is the
// gravest of its lines', the cart's the gravest of all.
func (a *asking) cartDecisions(c *cart, judged fitment.CartAnswer) (out []decisionOut, worst fitment.Decision) {
	forks := make([]fitment.Decision, len(c.named))
	for i, f := range judged.Forks {
		forks[i] = f.Decision
		if o := c.named[i].Owned; o != nil {
			forks[i] = a.decide(f.Decision, forkSubject(o.Fork, o.Serial))
		}
	}
	out = make([]decisionOut, 0, len(c.lines)+len(c.named))
	for i := range judged.Lines {
		l, o := &judged.Lines[i], c.ownedBy(c.lines[i].ForFork)
		d := a.decide(l.Decision, subject(&l.Answer, o))
		if l.Answer.Follows != "" {
			d = max(d, a.decide(l.Decision, notice.Subject{SKU: l.Answer.Follows}))
		}
		out = append(out, decisionOut{"line", c.lines[i].ID, d.String()})
		worst = max(worst, d)
		for k, f := range c.named {
			if f.Name == c.lines[i].ForFork {
				forks[k] = max(forks[k], d)
			}
		}
	}
	for k, f := range c.named {
		out = append(out, decisionOut{"fork", f.Name, forks[k].String()})
		worst = max(worst, forks[k])
	}
	return out, max(worst, judged.Decision)
}

// receipts are made for every line whose part and fork are known, where a key is configured.
func (a *asking) receipts(c *cart, judged fitment.CartAnswer) []receiptOut {
	if a.s.sealer == nil {
		return nil
	}
	out := make([]receiptOut, 0, len(judged.Lines))
	for i := range judged.Lines {
		l, o := &judged.Lines[i], c.ownedBy(c.lines[i].ForFork)
		if o == nil || l.Matched == "" || len(l.Candidates) > 0 {
			continue
		}
		r := fitment.Issue(a.rev, o, l.Answer, a.now)
		out = append(out, receiptOut{c.lines[i].ID, a.s.sealer.Seal(r), r.MassLeftOut})
	}
	return out
}

// ---- POST /v1/fit-checks/recheck ------------------------------------------------------------

type recheckIn struct {
	askIn
	Body recheckBody `body:""`
}

type recheckBody struct {
	CatalogRevision revisionNumber `json:"catalog_revision"`
	Receipts        []string       `json:"receipts"`
}

// Validate knows the length of our receipts; what is longer is none and need not be looked at.
func (in *recheckIn) Validate() error {
	var wrong fault.Fields
	for i, r := range in.Body.Receipts {
		length(&wrong, "/receipts/"+strconv.Itoa(i), r, 2000)
	}
	return wrong.Err()
}

type recheckOut struct {
	Receipts []recheckedOut `json:"receipts"`
}

// recheckedOut is one receipt, in the order in which they were sent.
type recheckedOut struct {
	Number          int          `json:"number"` // from 1
	State           string       `json:"state"`  // unchanged|changed|disputed|refused
	SKU             string       `json:"sku,omitempty"`
	ForkID          string       `json:"fork_id,omitempty"`
	IssuedAt        *time.Time   `json:"issued_at,omitempty"`
	CatalogRevision int64        `json:"catalog_revision,omitempty"`
	RulesVersion    int          `json:"rules_version,omitempty"`
	MassLeftOut     bool         `json:"mass_left_out,omitempty"`
	Was             *verdictOut  `json:"was,omitempty"`
	Is              *verdictOut  `json:"is,omitempty"`
	Rows            []string     `json:"rows,omitempty"` // trade only
	Error           *refusedItem `json:"error,omitempty"`
}

type refusedItem struct {
	Code   string `json:"code"`
	Detail string `json:"detail"`
}

// recheck asks the questions of receipts again, of the current revision or the one named.
func (s *Server) recheck(ctx context.Context, who caller.Caller, in recheckIn) (answered[recheckOut], error) {
	var none answered[recheckOut]
	a, err := s.ask(ctx, who, in.askIn, int64(in.Body.CatalogRevision))
	if err != nil {
		return none, err
	}
	if len(s.ReceiptKeys) == 0 {
		return none, fault.New(fault.Unavailable, "receipts_off", "This service has no key for receipts, so that none can be checked here.")
	}
	if n := len(in.Body.Receipts); n == 0 || n > mostReceipts {
		return none, wrongField("/receipts", "out_of_range", "Send 1 to %d receipts at a time; these are %d.", mostReceipts, n)
	}
	answer := recheckOut{Receipts: []recheckedOut{}}
	var decisions []decisionOut
	worst := fitment.OK
	for i, token := range in.Body.Receipts {
		x, d, err := a.recheckOne(ctx, token)
		if err != nil {
			return none, err
		}
		x.Number = i + 1
		answer.Receipts = append(answer.Receipts, x)
		decisions = append(decisions, decisionOut{"receipt", strconv.Itoa(i + 1), d.String()})
		worst = max(worst, d)
	}
	out := answerTo(a, answer)
	out.Decisions, out.Decision, out.CacheControl = decisions, worst.String(), "private, no-store"
	return out, nil
}

// recheckOne checks one receipt. What is wrong with it is its own answer; only that a revision
// cannot be read right now is a failure of the request.
func (a *asking) recheckOne(ctx context.Context, token string) (recheckedOut, fitment.Decision, error) {
	r, err := fitment.Open(token, a.s.ReceiptKeys...)
	if err != nil {
		return refused(err)
	}
	at := r.At
	x := recheckedOut{SKU: r.SKU, ForkID: r.Fork, IssuedAt: &at, CatalogRevision: r.Revision, RulesVersion: r.Rules, MassLeftOut: r.MassLeftOut}
	then, err := a.s.Catalogs.At(ctx, r.Revision)
	if e := fault.As(err); e != nil && (e.Kind == fault.NotFound || e.Kind == fault.Gone) {
		y, d, _ := refused(err)
		x.State, x.Error = y.State, y.Error
		return x, d, nil
	} else if err != nil {
		return x, fitment.Ask, err
	}
	change := fitment.Recheck(r, then.Revision, a.rev)
	x.State = map[bool]string{true: "changed", false: "unchanged"}[change.Changed]
	if change.Disputed {
		x.State = "disputed"
	}
	was := *a
	was.rev = then.Revision
	before, after := was.verdictOut(&change.Was), a.verdictOut(&change.Is)
	x.Was, x.Is = &before, &after
	if a.view == forTrade {
		x.Rows = change.Rows
	}
	return x, a.decide(decisionOf(change.Is.Verdict), subject(&change.Is, receiptFork(a.rev, r))), nil
}

func receiptFork(rev *catalog.Revision, r fitment.Receipt) *fitment.Owned {
	f, _ := rev.Fork(r.Fork)
	return &fitment.Owned{Fork: f, Serial: r.Serial}
}

func refused(err error) (recheckedOut, fitment.Decision, error) {
	e := fault.As(err)
	if e == nil {
		return recheckedOut{}, fitment.Ask, errors.Join(fmt.Errorf("opening a receipt"), err)
	}
	return recheckedOut{State: "refused", Error: &refusedItem{e.Code, e.Text}}, fitment.Ask, nil
}

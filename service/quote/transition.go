package quote

import (
	"slices"
	"time"

	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/money"
)

// Event is what is written down about a change: who, when, what. It holds no
// personal value.
type Event struct {
	QuoteID   string    `json:"quote_id"`
	Version   int64     `json:"version"` // of the quote after the change
	At        time.Time `json:"at"`
	AccountID string    `json:"account_id,omitempty"` // empty when time did it
	KeyID     string    `json:"key_id,omitempty"`
	RequestID string    `json:"request_id,omitempty"`
	Action    Action    `json:"action"`
	From      State     `json:"from,omitempty"`
	To        State     `json:"to"`
	Detail    Detail    `json:"detail"`
}

// Detail is what an event adds to its action.
type Detail struct {
	Number     string     `json:"number,omitempty"`
	ValidUntil string     `json:"valid_until,omitempty"`
	HeldUntil  *time.Time `json:"held_until,omitempty"`
	Reason     string     `json:"reason,omitempty"`
	Fulfilled  []Part     `json:"fulfilled,omitempty"`
	Reserved   []Claim    `json:"reserved,omitempty"` // by accept
	Released   []Claim    `json:"released,omitempty"` // by withdraw and lapse
	Consumed   []Claim    `json:"consumed,omitempty"` // by fulfil
	NextID     string     `json:"next_id,omitempty"`  // by revise
}

// Part is a quantity of a line.
type Part struct {
	LineID   string       `json:"line_id"`
	Quantity money.Amount `json:"quantity"`
}

// Claim is goods of one part at one location.
type Claim struct {
	LineID   string       `json:"line_id"`
	Location string       `json:"location"`
	SKU      string       `json:"sku"`
	Quantity money.Amount `json:"quantity"`
	Reserved bool         `json:"reserved"` // counted as promised from accept on
}

// Created is the first event of a quote or of a revision.
func (q Quote) Created(c Clock, by caller.Caller) Event {
	return Event{
		QuoteID: q.ID, Version: q.Version, At: c.Now,
		AccountID: by.AccountID, KeyID: by.KeyID, RequestID: by.RequestID,
		Action: Create, To: q.State,
	}
}

// DefaultHeldFor is how long accepted goods are kept when nobody says otherwise.
const DefaultHeldFor = 14 * 24 * time.Hour

// IssueTerms are what issuing needs from outside.
type IssueTerms struct {
	Number     string // from the series; ignored when the quote has one from an earlier revision
	ValidUntil string // last day, or
	ValidDays  int    // days from today; with neither it is as the draft says
	UsualDays  int    // days from today where the draft says nothing
}

// Issue makes a draft binding from today. Faults: quote_empty, number_missing,
// valid_until_in_the_past.
func (q Quote) Issue(c Clock, by caller.Caller, terms IssueTerms) (Quote, Event, error) {
	if err := q.Allowed(Issue, c); err != nil {
		return q, Event{}, err
	}
	number := firstOf(q.Number, terms.Number)
	until := firstOf(terms.ValidUntil, c.days(terms.ValidDays), q.ValidUntil, c.days(q.ValidDays), c.day(terms.UsualDays))
	switch {
	case len(q.Lines) == 0:
		return q, Event{}, fault.New(fault.Conflict, "quote_empty", "a quote without lines cannot be issued")
	case number == "":
		return q, Event{}, fault.New(fault.Internal, "number_missing", "the quote has no number yet")
	case !isDay(until):
		return q, Event{}, dayFault("valid_until_not_a_day", "%q is not a day; write it like 2026-03-31", until)
	case until < c.Today():
		return q, Event{}, dayFault("valid_until_in_the_past", "the quote cannot be valid until %s: today is %s", until, c.Today())
	}
	q, e := q.move(Issue, Issued, c, by)
	q.Number, q.ValidUntil, q.IssuedOn = number, until, c.Today()
	e.Detail = Detail{Number: number, ValidUntil: until}
	return q, e, nil
}

func dayFault(code, text string, args ...any) error {
	var f fault.Fields
	f.Add("/valid_until", code, text, args...)
	return f.Err()
}

func isDay(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

func firstOf(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

// AcceptTerms are what accepting needs from outside.
type AcceptTerms struct {
	HeldFor time.Duration // 0 is DefaultHeldFor
	Blocks  []Block       // notices in force now that forbid a line
}

// Block is a notice that forbids to sell a line.
type Block struct {
	LineID string `json:"line_id"`
	Notice string `json:"notice"`
	Text   string `json:"text"`
}

// Accept is the customer's yes. The caller reserves what the event lists. Faults
// of kind Conflict: blocked_by_notice, price_missing.
func (q Quote) Accept(c Clock, by caller.Caller, terms AcceptTerms) (Quote, Event, error) {
	if err := q.Allowed(Accept, c); err != nil {
		return q, Event{}, err
	}
	if len(terms.Blocks) > 0 {
		f := fault.New(fault.Conflict, "blocked_by_notice", "%s cannot be accepted: %s", q.title(), terms.Blocks[0].Text)
		f.Extra = map[string]any{"blocks": terms.Blocks}
		return q, Event{}, f
	}
	if q.PriceMissing {
		return q, Event{}, fault.New(fault.Conflict, "price_missing", "%s has lines without a price; revise it with a price for each before it is accepted", q.title())
	}
	held := c.Now.Add(DefaultHeldFor)
	if terms.HeldFor > 0 {
		held = c.Now.Add(terms.HeldFor)
	}
	q, e := q.move(Accept, Accepted, c, by)
	q.HeldUntil = &held
	e.Detail = Detail{HeldUntil: &held, Reserved: q.Reserved()}
	return q, e, nil
}

// Decline is the customer's no.
func (q Quote) Decline(c Clock, by caller.Caller, reason string) (Quote, Event, error) {
	return q.end(Decline, c, by, reason)
}

// Withdraw is the seller's end of it. The caller releases what the event lists.
func (q Quote) Withdraw(c Clock, by caller.Caller, reason string) (Quote, Event, error) {
	return q.end(Withdraw, c, by, reason)
}

func (q Quote) end(a Action, c Clock, by caller.Caller, reason string) (Quote, Event, error) {
	if err := q.Allowed(a, c); err != nil {
		return q, Event{}, err
	}
	released := q.Reserved()
	q, e := q.move(a, targets(q.State, a)[0], c, by)
	e.Detail = Detail{Reason: reason, Released: released}
	return q, e, nil
}

// Settle takes the step that time alone has made due: an issued quote expires, an
// accepted one lapses. It reports false when none is due.
func (q Quote) Settle(c Clock) (Quote, Event, bool) {
	action, due := q.dueAt(c)
	if !due {
		return q, Event{}, false
	}
	released := q.Reserved()
	q, e := q.move(action, targets(q.State, action)[0], c, caller.Caller{})
	e.Detail = Detail{Released: released}
	return q, e, true
}

// Fulfil hands goods over: the parts named, or all that is left when none is.
// The caller consumes what the event lists. Faults: no_such_line of kind Invalid,
// more_than_left of kind Conflict.
func (q Quote) Fulfil(c Clock, by caller.Caller, parts []Part) (Quote, Event, error) {
	if err := q.Allowed(Fulfil, c); err != nil {
		return q, Event{}, err
	}
	next := q.clone()
	if len(parts) == 0 {
		parts = next.left()
	}
	var consumed []Claim
	for i, p := range parts {
		claims, err := next.hand(p, i)
		if err != nil {
			return q, Event{}, err
		}
		consumed = append(consumed, claims...)
	}
	to := targets(q.State, Fulfil)[0]
	if next.openLines() {
		to = targets(q.State, Fulfil)[1]
	}
	next, e := next.move(Fulfil, to, c, by)
	e.Detail = Detail{Fulfilled: parts, Consumed: consumed}
	return next, e, nil
}

// left is what there is still to hand over, line by line.
func (q Quote) left() []Part {
	var parts []Part
	for _, l := range q.Lines {
		if rest := l.rest(); (l.Stocked || l.Role.Charged()) && rest.Sign() > 0 {
			parts = append(parts, Part{l.ID, rest})
		}
	}
	return parts
}

func (l Line) rest() money.Amount { return l.Quantity.Sub(l.Fulfilled) }

// openLines reports whether goods are still owed. Labor and free text are done
// when the goods are; where there are no goods, they count themselves.
func (q Quote) openLines() bool {
	goods := slices.ContainsFunc(q.Lines, func(l Line) bool { return l.Stocked })
	return slices.ContainsFunc(q.Lines, func(l Line) bool {
		return (l.Stocked || (!goods && l.Role.Charged())) && l.rest().Sign() > 0
	})
}

// hand books a part on its line and takes it from the line's sources in order.
func (q Quote) hand(p Part, i int) ([]Claim, error) {
	k := slices.IndexFunc(q.Lines, func(l Line) bool { return l.ID == p.LineID })
	if k < 0 {
		return nil, invalid(pointer("/lines", i)+"/line_id", "no_such_line", "the quote has no line %q", p.LineID)
	}
	l := &q.Lines[k]
	if p.Quantity.Sign() <= 0 {
		return nil, invalid(pointer("/lines", i)+"/quantity", "quantity_not_positive", "%s cannot be handed over; give more than zero", p.Quantity)
	}
	if p.Quantity.Cmp(l.rest()) > 0 {
		f := fault.New(fault.Conflict, "more_than_left", "line %s has %s left to hand over, not %s", l.ID, l.rest(), p.Quantity)
		f.Extra = map[string]any{"line_id": l.ID, "left": l.rest()}
		return nil, f
	}
	l.Fulfilled = l.Fulfilled.Add(p.Quantity)
	return l.take(p.Quantity), nil
}

func (l *Line) take(quantity money.Amount) []Claim {
	if !l.Stocked {
		return nil
	}
	var claims []Claim
	for i := range l.Sourcing {
		s := &l.Sourcing[i]
		part := least(quantity, s.Quantity.Sub(s.Taken))
		if part.Sign() <= 0 {
			continue
		}
		s.Taken = s.Taken.Add(part)
		quantity = quantity.Sub(part)
		claims = append(claims, Claim{l.ID, s.Location, l.stockSKU(), part, s.Kind == OnHand})
	}
	return claims
}

func least(a, b money.Amount) money.Amount {
	if a.Cmp(b) < 0 {
		return a
	}
	return b
}

// Reserved lists what is promised to the quote and not yet handed over, while it
// is accepted. Goods that are still to come are not promised.
func (q Quote) Reserved() []Claim {
	if q.State != Accepted && q.State != PartlyFulfilled {
		return nil
	}
	var claims []Claim
	for _, l := range q.Lines {
		for _, s := range l.Sourcing {
			if rest := s.Quantity.Sub(s.Taken); l.Stocked && s.Kind == OnHand && rest.Sign() > 0 {
				claims = append(claims, Claim{l.ID, s.Location, l.stockSKU(), rest, true})
			}
		}
	}
	return claims
}

// Shortage is a part of which there is not enough.
type Shortage struct {
	Claim
	Available money.Amount `json:"available"`
}

// NotEnoughStock is the clear no to the second of two buyers: a fault of kind
// Conflict, code not_enough_stock.
func NotEnoughStock(short ...Shortage) error {
	s := short[0]
	f := fault.New(fault.Conflict, "not_enough_stock", "%s: %s wanted, %s available at %s", s.SKU, s.Quantity, s.Available, s.Location)
	f.Extra = map[string]any{"shortages": short}
	return f
}

// Revision is what revising gives: the old revision, superseded, and the draft of
// the next one, to be priced anew by the caller.
type Revision struct {
	Old, Next Quote
	Event     Event // of the old one
}

// Revise begins the next revision under a new id. It keeps the number and the
// lines, and none of the dates.
func (q Quote) Revise(c Clock, by caller.Caller, nextID string) (Revision, error) {
	if err := q.Allowed(Revise, c); err != nil {
		return Revision{}, err
	}
	next := q.clone()
	next.ID, next.RootID, next.PreviousID = nextID, firstOf(q.RootID, q.ID), q.ID
	next.RevisionNo, next.State, next.Version = q.RevisionNo+1, Draft, 1
	next.CreatedAt, next.ClientID = c.Now, ""
	next.IssuedOn, next.ValidUntil, next.HeldUntil = "", "", nil
	next.PriceDate = c.Today()
	for i := range next.Lines {
		next.Lines[i].Fulfilled, next.Lines[i].Sourcing = money.Amount{}, nil
	}
	from := q.StateAt(c)
	old, e := q.move(Revise, Superseded, c, by)
	old.SupersededBy = nextID
	e.From, e.Detail = from, Detail{NextID: nextID, Released: q.Reserved()}
	return Revision{old, next, e}, nil
}

// move is the one place where a state changes.
func (q Quote) move(a Action, to State, c Clock, by caller.Caller) (Quote, Event) {
	from := q.State
	q = q.clone()
	q.State, q.Version = to, q.Version+1
	return q, Event{
		QuoteID: q.ID, Version: q.Version, At: c.Now,
		AccountID: by.AccountID, KeyID: by.KeyID, RequestID: by.RequestID,
		Action: a, From: from, To: to,
	}
}

// clone copies what transitions and pricing write to, so that the value they were
// called on stays as it was.
func (q Quote) clone() Quote {
	q.Lines = slices.Clone(q.Lines)
	for i := range q.Lines {
		q.Lines[i].Sourcing = slices.Clone(q.Lines[i].Sourcing)
	}
	return q
}

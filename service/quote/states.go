package quote

import (
	"fmt"
	"strings"
	"time"

	"forkwright/service/fault"
)

// State is where a quote stands in its life.
type State string

// The states.
const (
	Draft           State = "draft"
	Issued          State = "issued"
	Accepted        State = "accepted"
	PartlyFulfilled State = "partly_fulfilled"
	Fulfilled       State = "fulfilled"
	Declined        State = "declined"   // by the customer
	Withdrawn       State = "withdrawn"  // by the seller
	Expired         State = "expired"    // not accepted in time
	Lapsed          State = "lapsed"     // accepted, but not collected in time
	Superseded      State = "superseded" // replaced by the next revision
)

// Action is what somebody does to a quote, or what a day that passes does.
type Action string

// The actions. Create is only ever an event, for nothing stands before it; the
// last two are taken by time alone.
const (
	Create   Action = "create"
	Issue    Action = "issue"
	Accept   Action = "accept"
	Decline  Action = "decline"
	Withdraw Action = "withdraw"
	Fulfil   Action = "fulfil"
	Revise   Action = "revise"
	Expire   Action = "expire"
	Lapse    Action = "lapse"
)

// transition is one line of the table. Of two lines with the same state and
// action the first is taken when nothing is left to fulfil, else the second.
type transition struct {
	from   State
	action Action
	to     State
}

// The whole life of a quote. What is not listed is refused.
var transitions = []transition{
	{Draft, Issue, Issued},
	{Draft, Withdraw, Withdrawn},

	{Issued, Accept, Accepted},
	{Issued, Decline, Declined},
	{Issued, Withdraw, Withdrawn},
	{Issued, Revise, Superseded},
	{Issued, Expire, Expired},

	{Accepted, Fulfil, Fulfilled},
	{Accepted, Fulfil, PartlyFulfilled},
	{Accepted, Withdraw, Withdrawn},
	{Accepted, Lapse, Lapsed},

	{PartlyFulfilled, Fulfil, Fulfilled},
	{PartlyFulfilled, Fulfil, PartlyFulfilled},
	{PartlyFulfilled, Withdraw, Withdrawn},
	{PartlyFulfilled, Lapse, Lapsed},

	{Declined, Revise, Superseded},
	{Withdrawn, Revise, Superseded},
	{Expired, Revise, Superseded},
	{Lapsed, Revise, Superseded},
}

func targets(from State, action Action) []State {
	var to []State
	for _, t := range transitions {
		if t.from == from && t.action == action {
			to = append(to, t.to)
		}
	}
	return to
}

// Clock is the time of a decision and the zone in which the seller counts days.
type Clock struct {
	Now  time.Time
	Zone *time.Location // nil is UTC
}

// Today is the seller's day, as text like 2026-03-31.
func (c Clock) Today() string { return c.day(0) }

// days is the day so many days from today; "" for none.
func (c Clock) days(n int) string {
	if n == 0 {
		return ""
	}
	return c.day(n)
}

func (c Clock) day(later int) string {
	zone := c.Zone
	if zone == nil {
		zone = time.UTC
	}
	return c.Now.In(zone).AddDate(0, 0, later).Format(time.DateOnly)
}

// StateAt is the state at a time. A quote that is not accepted on its last day is
// expired from the next, in the seller's zone; reserved goods are free from the
// instant HeldUntil on.
func (q Quote) StateAt(c Clock) State {
	if action, due := q.dueAt(c); due {
		return targets(q.State, action)[0]
	}
	return q.State
}

func (q Quote) dueAt(c Clock) (Action, bool) {
	switch {
	case q.State == Issued && q.ValidUntil != "" && c.Today() > q.ValidUntil:
		return Expire, true
	case len(targets(q.State, Lapse)) > 0 && q.HeldUntil != nil && !c.Now.Before(*q.HeldUntil):
		return Lapse, true
	}
	return "", false
}

// Allowed says whether an action may be taken at a time. The fault is of kind
// Conflict; its code names the state that stands in the way: quote_draft,
// quote_issued, quote_expired and so on. What else an action needs, it checks
// itself.
func (q Quote) Allowed(action Action, c Clock) error {
	state := q.StateAt(c)
	if action != Expire && action != Lapse && len(targets(state, action)) > 0 {
		return nil
	}
	f := fault.New(fault.Conflict, "quote_"+string(state), "%s", refusal(q, state, action))
	f.Extra = map[string]any{"state": state, "action": action, "allowed_actions": AllowedActions(state)}
	return f
}

// AllowedActions lists what a caller may do in a state, in the order of the table.
func AllowedActions(s State) []Action {
	actions := []Action{}
	for _, t := range transitions {
		byTime := t.action == Expire || t.action == Lapse
		if t.from == s && !byTime && (len(actions) == 0 || actions[len(actions)-1] != t.action) {
			actions = append(actions, t.action)
		}
	}
	return actions
}

func refusal(q Quote, s State, a Action) string {
	why := map[State]string{
		Draft:           "it is a draft and has not been issued",
		Issued:          "it has been issued",
		Accepted:        "it has been accepted",
		PartlyFulfilled: "part of it has been handed over",
		Fulfilled:       "all of it has been handed over",
		Declined:        "the customer declined it",
		Withdrawn:       "it was withdrawn",
		Expired:         "it was valid until " + q.ValidUntil,
		Lapsed:          "the time for which its goods were kept is over",
		Superseded:      "a later revision has replaced it",
	}[s]
	text := fmt.Sprintf("cannot %s %s: %s", a, q.title(), why)
	if next := AllowedActions(s); len(next) > 0 {
		words := make([]string, len(next))
		for i, n := range next {
			words[i] = string(n)
		}
		text += "; possible now: " + strings.Join(words, ", ")
	}
	return text
}

func (q Quote) title() string {
	if q.Number == "" {
		return "this quote"
	}
	return fmt.Sprintf("quote %s, revision %d", q.Number, q.RevisionNo)
}

// Editable reports whether the content may change: only a draft's. The fault is
// of kind Conflict, code quote_immutable.
func (q Quote) Editable() error {
	if q.State == Draft {
		return nil
	}
	return fault.New(fault.Conflict, "quote_immutable", "%s has been issued and never changes; revise it to get the next revision", q.title())
}

// Package notice holds what stands outside the catalog's revisions and is merged into an
// answer when it is given: stop-sales, recalls, safety bulletins and holds on rows.
//
// A notice never changes an answer's verdict, which keeps its bytes; it changes the decision
// beside it, and nothing under a block can be accepted.
package notice

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// Kind says what a notice is.
type Kind string

// Effect says what a notice does to a decision.
type Effect string

// The kinds and effects.
const (
	StopSale Kind = "stop_sale"
	Recall   Kind = "recall"
	Bulletin Kind = "bulletin"
	RowHold  Kind = "row_hold" // a fitment row is in doubt

	Warn  Effect = "warn"
	Block Effect = "block"
)

// Notice says what it touches (every member that is set must match; at least one of SKU,
// Fork and Row is set), what it does, why, and from when until when.
type Notice struct {
	ID         string
	Kind       Kind
	Effect     Effect
	SKU        string
	Fork       string // fork id
	Row        string // fitment row id
	Batch      string
	SerialFrom string
	SerialTo   string
	Text       string
	By         string // account id of who said so
	From       time.Time
	Until      time.Time // zero: until withdrawn
}

// Subject is what an answer is about.
type Subject struct {
	SKU    string
	Fork   string
	Serial string
	Batch  string
	Rows   []string
}

// Reach counts what a notice touches among the quotes of all accounts that are not settled.
type Reach struct {
	Open         int64 // drafts and issued quotes
	Accepted     int64 // accepted and partly fulfilled quotes
	Reservations int64 // of the part, held for them
	Accounts     int64 // whose quotes these are
}

// Check finds what is wrong with a new notice.
func (n Notice) Check() error {
	var wrong fault.Fields
	if !slices.Contains([]Kind{StopSale, Recall, Bulletin, RowHold}, n.Kind) {
		wrong.Add("/kind", "not_in_list", "kind is %q; use stop_sale, recall, bulletin or row_hold", n.Kind)
	}
	if n.Effect != Warn && n.Effect != Block {
		wrong.Add("/effect", "not_in_list", "effect is %q; use warn or block", n.Effect)
	}
	if n.SKU == "" && n.Fork == "" && n.Row == "" {
		wrong.Add("/sku", "missing", "say what the notice touches: sku, fork_id or row")
	}
	if strings.TrimSpace(n.Text) == "" {
		wrong.Add("/text", "missing", "say in a sentence why; people at a counter will read it")
	}
	if (n.SerialFrom == "") != (n.SerialTo == "") || catalog.CompareSerials(n.SerialFrom, n.SerialTo) > 0 {
		wrong.Add("/serial_to", "out_of_order", "give serial_from and serial_to, in order, or neither")
	}
	if !n.Until.IsZero() && !n.Until.After(n.From) {
		wrong.Add("/until", "out_of_order", "until must come after from")
	}
	return wrong.Err()
}

// Live reports whether the notice is in force at a time.
func (n Notice) Live(now time.Time) bool {
	return !now.Before(n.From) && (n.Until.IsZero() || now.Before(n.Until))
}

// touches reports whether a notice is about a subject. A notice for a serial range or batch
// also touches a subject whose serial or batch is not known: better to ask than to sell.
func (n Notice) touches(s Subject) bool {
	switch {
	case n.SKU != "" && n.SKU != s.SKU, n.Fork != "" && n.Fork != s.Fork, n.Row != "" && !slices.Contains(s.Rows, n.Row):
		return false
	case n.Batch != "" && s.Batch != "" && n.Batch != s.Batch:
		return false
	case n.SerialFrom != "" && s.Serial != "" && (catalog.CompareSerials(s.Serial, n.SerialFrom) < 0 || catalog.CompareSerials(s.Serial, n.SerialTo) > 0):
		return false
	}
	return true
}

// Set is all notices at one moment, immutable.
type Set struct {
	Version int64     // goes up with every change
	AsOf    time.Time // when it was read
	byKey   map[string][]Notice
	all     []Notice
	ofRows  bool // some are about a row of the catalog
}

// NewSet indexes notices.
func NewSet(notices []Notice, version int64, asOf time.Time) *Set {
	s := &Set{Version: version, AsOf: asOf, byKey: map[string][]Notice{}, all: slices.Clone(notices)}
	slices.SortFunc(s.all, func(a, b Notice) int { return cmp.Or(a.From.Compare(b.From), strings.Compare(a.ID, b.ID)) })
	for _, n := range s.all {
		s.byKey[n.key()] = append(s.byKey[n.key()], n)
		s.ofRows = s.ofRows || n.Row != ""
	}
	return s
}

func (n Notice) key() string {
	switch {
	case n.SKU != "":
		return "sku:" + n.SKU
	case n.Fork != "":
		return "fork:" + n.Fork
	}
	return "row:" + n.Row
}

// All are the notices, oldest first.
func (s *Set) All() []Notice { return s.all }

// OfRows reports whether some are about rows of the catalog, so that it matters which rows speak
// of a subject.
func (s *Set) OfRows() bool { return s != nil && s.ofRows }

// On lists the notices in force on a subject, blocks first.
func (s *Set) On(sub Subject, now time.Time) []Notice {
	if s == nil || len(s.all) == 0 {
		return nil
	}
	var out []Notice
	pick := func(key string) {
		for _, n := range s.byKey[key] {
			if n.Live(now) && n.touches(sub) {
				out = append(out, n)
			}
		}
	}
	pick("sku:" + sub.SKU)
	pick("fork:" + sub.Fork)
	for _, row := range sub.Rows {
		pick("row:" + row)
	}
	slices.SortStableFunc(out, func(a, b Notice) int { return cmp.Compare(a.Effect, b.Effect) }) // block before warn
	return out
}

// Decision is what a page's button does.
type Decision string

// The decisions, the mildest first. A question weighs more than a warning: a bulletin must not
// turn what has to be asked into something that can be sold with a shrug.
const (
	OK      Decision = "ok"
	WarnOf  Decision = "warn"
	Ask     Decision = "ask"
	BlockOf Decision = "block"
)

var severity = map[Decision]int{OK: 0, WarnOf: 1, Ask: 2, BlockOf: 3}

// Worse is the more severe of two decisions.
func Worse(a, b Decision) Decision {
	if severity[b] > severity[a] {
		return b
	}
	return a
}

// StaleAfter is how old a set may be before an ok becomes a warn: with the database away,
// nobody can say that no stop-sale has come since.
const StaleAfter = 10 * time.Minute

// Decide merges notices into a decision that fitment made.
func (s *Set) Decide(fit Decision, on []Notice, now time.Time) Decision {
	for _, n := range on {
		if n.Effect == Block {
			return BlockOf
		}
		fit = Worse(fit, WarnOf)
	}
	if fit == OK && (s == nil || now.Sub(s.AsOf) > StaleAfter) {
		return WarnOf
	}
	return fit
}

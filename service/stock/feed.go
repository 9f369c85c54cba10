package stock

import (
	"fmt"
	"time"

	"forkwright/service/fault"
)

// Kind of a feed.
type Kind string

// The kinds.
const (
	Full  Kind = "full"  // states everything: what it does not name is zero
	Delta Kind = "delta" // names changes
)

// States of a feed.
const (
	Running   = "running"
	Applied   = "applied"
	Unchanged = "unchanged" // the very same feed was applied before, and nothing since
	Refused   = "refused"   // by a rule; nothing was changed
	Failed    = "failed"    // cut off or interrupted; nothing was changed
)

// Counts of a feed. Read = applied + unchanged + rejected + unknown, once it is done.
type Counts struct {
	Read      int64 `json:"read"`      // rows
	Applied   int64 `json:"applied"`   // parts named whose level changed, or that are new
	Unchanged int64 `json:"unchanged"` // parts named whose level was already so
	Zeroed    int64 `json:"zeroed"`    // parts known before and not named by a full feed
	Rejected  int64 `json:"rejected"`  // bad rows
	Unknown   int64 `json:"unknown"`   // codes that are none of ours
	Oversold  int64 `json:"oversold"`  // counts below zero
	Known     int64 `json:"known"`     // parts that the location was known to list before
	Missing   int64 `json:"missing"`   // of those, not named by a full feed
}

// Undercut is a part of which less is there than was promised.
type Undercut struct {
	SKU      string `json:"sku"`
	OnHand   string `json:"on_hand"`
	Promised string `json:"promised"`
}

// Feed is one feed for one location, as it is kept.
type Feed struct {
	ID         string
	Location   string
	AccountID  string
	Kind       Kind
	State      string
	AsOf       time.Time
	Seq        *int64
	Digest     []byte // of its content, unfolded
	Counts     Counts
	Bytes      int64 // unfolded
	Code       string
	Problem    string // why it was refused or failed, for a person
	Undercut   []Undercut
	DryRun     bool
	RequestID  string
	StartedAt  time.Time
	FinishedAt *time.Time
}

// Stamp says where in the order of feeds one belongs.
type Stamp struct {
	Kind Kind
	AsOf time.Time
	Seq  *int64
}

// Mark is the last feed applied at a location; a nil AsOf means none, or a reset since.
type Mark struct {
	AsOf *time.Time
	Seq  *int64
	Feed string
}

// ahead is how far a sender's clock may run before ours.
const ahead = 15 * time.Minute

// CheckTime refuses a time from the future, which would lock out every feed until then.
func (s Stamp) CheckTime(now time.Time) error {
	if s.AsOf.After(now.Add(ahead)) {
		var wrong fault.Fields
		wrong.Add("query:as_of", "as_of_in_future", "as_of is %s, more than 15 minutes ahead of our clock (%s); check the sender's clock and its UTC offset.", s.AsOf.Format(time.RFC3339), now.UTC().Format(time.RFC3339))
		return wrong.Err()
	}
	return nil
}

// Follows decides by the last feed applied whether one may follow. again means that it claims
// to be that very feed, which its content has to prove. Faults are of kind Conflict:
// feed_older, sequence_not_higher, sequence_gap, sequence_missing.
func (m Mark) Follows(s Stamp) (again bool, err error) {
	if m.AsOf == nil {
		return false, nil
	}
	order := s.AsOf.Compare(*m.AsOf)
	switch {
	case order < 0:
		return false, m.conflict("feed_older", "This feed is of %s, older than what was applied last (%s). Nothing was changed. Send a newer export; where the time applied last was wrong, POST /v1/locations/…/stock/reset lets any feed follow.", s.AsOf.UTC().Format(time.RFC3339), m.words())
	case order == 0 && equal(s.Seq, m.Seq):
		return true, nil
	case s.Seq == nil && m.Seq != nil && s.Kind == Delta:
		return false, m.conflict("sequence_missing", "The feeds of this location are numbered (%s was last), and a delta without a number could hide a lost one. Nothing was changed. Send it with its sequence, or send a full feed.", m.words())
	case s.Seq != nil && m.Seq != nil && *s.Seq <= *m.Seq, order == 0 && (s.Seq == nil || m.Seq == nil):
		return false, m.conflict("sequence_not_higher", "What was applied last is %s; a later feed needs a higher sequence. Nothing was changed. Where the sender counts from the beginning again, POST /v1/locations/…/stock/reset lets any feed follow.", m.words())
	case s.Kind == Delta && s.Seq != nil && m.Seq != nil && *s.Seq != *m.Seq+1:
		return false, m.conflict("sequence_gap", "Sequence %d does not follow %d: a delta was lost. Nothing was changed. Send the lost one first, or a full feed.", *s.Seq, *m.Seq)
	}
	return false, nil
}

// Differs refuses a feed that claims the place of the last one with other content.
func (m Mark) Differs() error {
	return m.conflict("feed_differs", "Another feed of the same time and sequence was applied (%s). Nothing was changed. Send a correction with a later as_of or a higher sequence.", m.words())
}

func (m Mark) words() string {
	text := m.AsOf.UTC().Format(time.RFC3339)
	if m.Seq != nil {
		text += fmt.Sprintf(", sequence %d", *m.Seq)
	}
	return text
}

func (m Mark) conflict(code, text string, args ...any) error {
	e := fault.New(fault.Conflict, code, text, args...)
	applied := map[string]any{"as_of": m.AsOf.UTC()}
	if m.Seq != nil {
		applied["sequence"] = *m.Seq
	}
	if m.Feed != "" {
		applied["feed_id"] = m.Feed
	}
	e.Extra = map[string]any{"last_applied": applied}
	return e
}

func equal(a, b *int64) bool {
	if a == nil || b == nil {
		return a == b
	}
	return *a == *b
}

// Allow switches guards off, each by its own word.
type Allow struct {
	BadRows bool
	Missing bool
}

// Judge refuses a feed by its counts: too many bad rows, or too much gone. Faults are of kind
// Invalid: too_many_bad_rows, too_much_missing, feed_names_nothing.
func (p Policy) Judge(kind Kind, c Counts, allow Allow) error {
	ours := c.Applied + c.Unchanged + c.Rejected
	switch {
	case !allow.BadRows && above(c.Rejected, p.BadRowShare, ours):
		return fault.New(fault.Invalid, "too_many_bad_rows", "%d of %d rows that concern us are bad, more than %s. Nothing was changed. GET /v1/feeds/{feed_id}/rejects lists them with their reasons: mend the export, or send it with allow_bad_rows=true to apply the others.", c.Rejected, ours, percent(p.BadRowShare))
	case kind != Full || allow.Missing:
		return nil
	case c.Known > 0 && c.Applied+c.Unchanged == 0:
		return fault.New(fault.Invalid, "feed_names_nothing", "This full feed names none of our parts, and %d were known here. Nothing was changed. See whether the export is complete and its codes are those agreed on; allow_missing=true empties the location.", c.Known)
	case c.Missing >= int64(p.GuardLeastLines) && above(c.Missing, p.GuardShare, c.Known):
		return fault.New(fault.Invalid, "too_much_missing", "This full feed leaves out %d of %d parts known here, more than %s. Nothing was changed. See whether the export is complete; if the parts are really gone, send it with allow_missing=true.", c.Missing, c.Known, percent(p.GuardShare))
	}
	return nil
}

// above: n is more than a share of all. A share such as 0.29 is no exact float: 29 of 100 are not
// more than 29 %.
func above(n int64, share float64, all int64) bool {
	return float64(n) > share*float64(all)+1e-6
}

func percent(share float64) string { return fmt.Sprintf("%g %%", share*100) }

package stock

import (
	"time"

	"github.com/quagmt/udecimal"
)

// Availability is one location's part of an answer.
type Availability struct {
	Location   string
	Available  udecimal.Decimal
	AtLeast    bool
	Incoming   udecimal.Decimal
	IncomingOn string // 2026-03-31; "" when nothing comes, or when it should have come already
	Stale      bool
}

// AvailabilityOf turns a level into an answer on a day (2026-03-31). What should have come in
// before that day is no promise: whoever counts next will have it on hand, or say anew when.
func AvailabilityOf(l Level, today string) Availability {
	a := Availability{Location: l.Location, Available: l.Available(), AtLeast: l.AtLeast && l.Available().IsPos(), Stale: l.Stale}
	if l.IncomingOn != nil && l.Incoming.IsPos() && l.IncomingOn.Format(time.DateOnly) >= today {
		a.Incoming, a.IncomingOn = l.Incoming, l.IncomingOn.Format(time.DateOnly)
	}
	return a
}

// Words that a storefront gets instead of counts.
const (
	Yes    = "yes"
	FewOf  = "few"
	OnDate = "date"
	No     = "no"
)

// few is up to how many of a part a storefront shows as the last ones (common practice, no
// source).
var few = udecimal.MustFromInt64(3, 0)

// ForStorefront sums a part's levels up in a word, with the first day on which there is some
// when there is none now. A stale location's count still counts; stale says that one did.
func ForStorefront(levels []Level, today string) (word, on string, stale bool) {
	total, more := udecimal.Zero, false
	for _, l := range levels {
		a := AvailabilityOf(l, today)
		if a.Available.IsPos() {
			total, more = total.Add(a.Available), more || a.AtLeast
			stale = stale || a.Stale
		}
		if a.IncomingOn != "" && (on == "" || a.IncomingOn < on) {
			if l.OnHand.Sub(l.Promised).Add(l.Incoming).IsPos() { // else it is all promised
				on = a.IncomingOn
			}
		}
	}
	switch {
	case total.GreaterThan(few), more:
		return Yes, "", stale
	case total.IsPos():
		return FewOf, "", stale
	case on != "":
		return OnDate, on, false
	}
	return No, "", false
}

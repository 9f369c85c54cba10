package stock

import "time"

// Schedule is when a location's feed is expected: each day by a time of day of its own zone.
type Schedule struct {
	DueBy       string // "02:30"; "" means none is expected
	Zone        *time.Location
	ClosedUntil *time.Time // a date; none is expected before the day after
}

// Overdue reports since when a location whose last feed is of asOf is overdue: a feed of the
// day before the last deadline must have been applied by it. A nil asOf means no feed at all.
func (s Schedule) Overdue(asOf *time.Time, now time.Time) (since time.Time, overdue bool) {
	if s.DueBy == "" {
		return since, false
	}
	last := s.deadline(now, 0)
	if last.After(now) {
		last = s.deadline(now, -1)
	}
	if c := s.ClosedUntil; c != nil {
		open := time.Date(c.Year(), c.Month(), c.Day()+1, 0, 0, 0, 0, s.zone())
		if last.Before(open) {
			return since, false
		}
	}
	covered := s.deadline(last, -1)
	if asOf != nil && !asOf.Before(covered) {
		return since, false
	}
	if asOf == nil {
		return last, true
	}
	return s.after(*asOf), true
}

// after is the deadline at which a feed of asOf had become too old.
func (s Schedule) after(asOf time.Time) time.Time {
	next := s.deadline(asOf, 0)
	if !next.After(asOf) {
		next = s.deadline(asOf, 1)
	}
	return s.deadline(next, 1)
}

func (s Schedule) zone() *time.Location {
	if s.Zone == nil {
		return time.UTC
	}
	return s.Zone
}

// deadline is the due time on the day of t, or so many days later.
func (s Schedule) deadline(t time.Time, days int) time.Time {
	t = t.In(s.zone())
	due, err := time.Parse("15:04", s.DueBy)
	if err != nil {
		return time.Time{}
	}
	return time.Date(t.Year(), t.Month(), t.Day()+days, due.Hour(), due.Minute(), 0, 0, s.zone())
}

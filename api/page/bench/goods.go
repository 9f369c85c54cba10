package bench

import (
	"fmt"
	"slices"
	"time"

	"forkwright/service/quote"
)

// underway are the states in which it matters when parts come.
var underway = []quote.State{quote.Draft, quote.Issued, quote.Accepted, quote.PartlyFulfilled}

// readyOn is the day from which on all parts of a quote are here; "" where no stock is kept.
func readyOn(q *quote.Quote) string {
	if !slices.Contains(underway, q.State) {
		return ""
	}
	day, open := q.Ready()
	if open {
		return "not known yet"
	}
	return day
}

// counts are the counts to be looked after before a fork is opened, since a newer one is overdue.
func (l *layout) counts(q *quote.Quote) (out []string) {
	if !slices.Contains(underway, q.State) {
		return nil
	}
	for _, line := range q.Lines {
		for _, s := range line.Sourcing {
			if !s.Stale || s.Kind != quote.OnHand || s.Taken.Equal(s.Quantity) {
				continue
			}
			counted := "has never been counted"
			if s.CountedAt != nil {
				counted = "was counted on " + s.CountedAt.In(q.ClockAt(*s.CountedAt).Zone).Format(time.DateOnly)
			}
			out = append(out, fmt.Sprintf("Look whether %s (%s) lies at %s: it %s, and a newer count is overdue.", l.name(line.SKU), line.SKU, s.Location, counted))
		}
	}
	return out
}

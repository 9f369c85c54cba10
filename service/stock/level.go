// Package stock decides about what lies where, is promised, and is on its way.
//
// What is available is what is on hand less what is promised. Feeds write the one, quotes the
// other, and neither waits for the other: a count is of its as-of time, and what was handed
// over since is subtracted from it when it is read.
package stock

import (
	"time"

	"github.com/quagmt/udecimal"
)

// Level is what is known of one part at one location, in the part's unit of sale.
type Level struct {
	Location   string
	SKU        string
	OnHand     udecimal.Decimal // below zero when oversold
	AtLeast    bool             // the location says no more than "at least"
	Incoming   udecimal.Decimal
	IncomingOn *time.Time // a date
	Promised   udecimal.Decimal
	Bin        string
	DaysAway   int        // until what is there can be here; 0 for a shop's own shelf
	AsOf       *time.Time // of the location's last feed; nil when there was none
	Stale      bool       // the location's feed is overdue
}

// Available is what may still be promised: on hand less promised, and never less
// than nothing.
func (l Level) Available() udecimal.Decimal {
	left := l.OnHand.Sub(l.Promised)
	if left.IsNeg() {
		return udecimal.Zero
	}
	return left
}

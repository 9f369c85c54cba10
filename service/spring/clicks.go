package spring

import "math"

// Reference says from where clicks are counted; it is always printed with them.
type Reference string

// The two ways of counting.
const (
	FromClosed Reference = "from_closed" // clicks out: more is less damping
	FromOpen   Reference = "from_open"   // clicks in: more is more damping
)

// ClickTable is a maker's table for one pair of cartridge family and damper adjuster.
type ClickTable struct {
	Rates     []float64 // strictly increasing, any one unit of rate
	Clicks    []float64 // monotone, equal neighbors allowed
	Max       int       // clicks the adjuster has
	Reference Reference
}

// Setting is a number of clicks for a spring.
type Setting struct {
	Exact  float64 // before rounding; the end row's beyond the table
	Clicks int     // whole, within 0..Max
	Status Status  // OK, BelowTable, AboveTable, BadTable
}

// Check is OK for a usable table, else BadTable.
func (t ClickTable) Check() Status {
	if len(t.Rates) == 0 || len(t.Rates) != len(t.Clicks) || t.Max < 1 || !positive(t.Rates...) ||
		!notNegative(t.Clicks...) || (t.Reference != FromClosed && t.Reference != FromOpen) {
		return BadTable
	}
	var up, down bool
	for i := 1; i < len(t.Rates); i++ {
		if t.Rates[i] <= t.Rates[i-1] {
			return BadTable
		}
		up = up || t.Clicks[i] > t.Clicks[i-1]
		down = down || t.Clicks[i] < t.Clicks[i-1]
	}
	if up && down {
		return BadTable
	}
	return OK
}

// For interpolates between the rows, holds the end row outside them, and rounds to the
// nearest click, an exact half towards more damping. Rule of the house; the table is the
// maker's. Without a table there is no recommendation.
func (t ClickTable) For(rate float64) Setting {
	if s := t.Check(); s != OK {
		return Setting{Status: s}
	}
	if !positive(rate) {
		return Setting{Status: InvalidInput}
	}
	exact, status := t.interpolate(rate)
	return Setting{Exact: exact, Clicks: t.whole(exact), Status: status}
}

func (t ClickTable) interpolate(rate float64) (float64, Status) {
	last := len(t.Rates) - 1
	switch {
	case rate < t.Rates[0]:
		return t.Clicks[0], BelowTable
	case rate > t.Rates[last]:
		return t.Clicks[last], AboveTable
	}
	i := 0
	for i < last && rate >= t.Rates[i+1] {
		i++
	}
	if i == last {
		return t.Clicks[last], OK
	}
	share := (rate - t.Rates[i]) / (t.Rates[i+1] - t.Rates[i])
	return t.Clicks[i] + share*(t.Clicks[i+1]-t.Clicks[i]), OK
}

const halfClick = 1e-9 // what counts as an exact half in floating point

func (t ClickTable) whole(exact float64) int {
	n := math.Ceil(exact - 0.5 - halfClick) // a half goes down: fewer clicks out
	if t.Reference == FromOpen {
		n = math.Floor(exact + 0.5 + halfClick)
	}
	return int(math.Min(math.Max(n, 0), float64(t.Max)))
}

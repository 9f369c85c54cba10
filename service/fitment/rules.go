package fitment

import (
	"slices"

	"forkwright/service/catalog"
)

// rules are read from the top; the first that has something to say about a possible world
// decides it. To add one: write the function, give it its place here, and put its sentence
// under its code in texts.go.
var rules = [...]struct {
	says   string
	decide func(*inquiry, *world) (finding, bool)
}{
	{"a cartridge has no more travel than the fork's maker allows", cartridgeWithinLimit},
	{"nothing goes on the spring side of a fork that has been raised past its limit", forkWithinLimit},
	{"no spring cures a rider or a bicycle too heavy for the fork", massWithinLimit},
	{"no spring makes a fork right for a use it was not built for", useWithinLimit},
	{"a row that excludes beats every row that includes", notExcluded},
	{"of the rows that include, the most specific speaks", listed},
	{"a fluid, grease, tool or labor is right unless a row excludes it", openKind},
	{"a row that would include, but for one fact, says which", listedOtherwise},
	{"what no row lists does not fit", notListed},
}

// finding is what a rule says.
type finding struct {
	verdict catalog.Verdict
	code    string // key of the sentence
	fact    string // what was compared
	row     *catalog.Fitment
	limit   *catalog.Limit
}

func (c *inquiry) decide(w *world) finding {
	for i := range rules {
		if f, ok := rules[i].decide(c, w); ok {
			return f
		}
	}
	panic("fitment: no rule decided") // notListed always does
}

// travelLimit is a hard limit of the fork that a travel is past.
func (c *inquiry) travelLimit(w *world, travelMM int) *catalog.Limit {
	for i := range c.limits {
		l := &c.limits[i]
		if c.limitApplies(l, w) && l.MaxTravelMM > 0 && travelMM > l.MaxTravelMM {
			return l
		}
	}
	return nil
}

// limitApplies: a limit for one wheel size or one use is a limit only there. A use that nobody
// stated is no use.
func (c *inquiry) limitApplies(l *catalog.Limit, w *world) bool {
	return (l.WheelSize == "" || l.WheelSize == w.wheel) && (l.Use == "" || l.Use == c.owned.Use)
}

func cartridgeWithinLimit(c *inquiry, w *world) (finding, bool) {
	l := c.travelLimit(w, c.travel)
	return finding{catalog.DoesNotFit, "fork_limit", "travel", nil, l}, l != nil
}

func forkWithinLimit(c *inquiry, w *world) (finding, bool) {
	if c.travel > 0 || !c.springSide || !c.owned.TravelNow.exact() {
		return finding{}, false
	}
	l := c.travelLimit(w, c.owned.TravelNow.MM)
	return finding{catalog.DoesNotFit, "fork_limit", "travel_now", nil, l}, l != nil
}

// massWithinLimit judges the masses that were given: a mass that nobody stated is not asked for.
func massWithinLimit(c *inquiry, w *world) (finding, bool) {
	for i := range c.limits {
		l := &c.limits[i]
		if !c.springSide || !c.limitApplies(l, w) {
			continue
		}
		if l.MaxRiderKG > 0 && c.owned.RiderKG > l.MaxRiderKG {
			return finding{catalog.DoesNotFit, "fork_limit", "rider_kg", nil, l}, true
		}
		if l.MaxSystemKG > 0 && max(c.owned.SystemKG, c.owned.RiderKG) > l.MaxSystemKG {
			return finding{catalog.DoesNotFit, "fork_limit", "system_kg", nil, l}, true
		}
	}
	return finding{}, false
}

// useWithinLimit: a fork may be used more gently than it was built for, never harder; for an
// assisted bicycle it must have been built (common practice, no source).
func useWithinLimit(c *inquiry, _ *world) (finding, bool) {
	use, built := c.owned.Use, c.fork.Uses
	if !c.springSide || use == "" || len(built) == 0 || slices.Contains(built, use) {
		return finding{}, false
	}
	beyond := use == "assisted" || hardness(use) > hardness(slices.MaxFunc(built, func(a, b string) int { return hardness(a) - hardness(b) }))
	return finding{catalog.DoesNotFit, "fork_limit", "use", nil, nil}, beyond
}

// hardness ranks uses by what they do to a fork; 0 for one that it cannot rank.
func hardness(use string) int {
	return 1 + slices.IndexFunc([][]string{{"cross_country"}, {"trail"}, {"enduro", "jump"}, {"downhill"}},
		func(equal []string) bool { return slices.Contains(equal, use) })
}

func notExcluded(c *inquiry, w *world) (finding, bool) {
	row := c.best(w, func(v catalog.Verdict) bool { return v == catalog.DoesNotFit })
	return finding{catalog.DoesNotFit, "excluded", "", row, nil}, row != nil
}

func listed(c *inquiry, w *world) (finding, bool) {
	row := c.best(w, includes)
	if row == nil {
		return finding{}, false
	}
	return finding{row.Verdict, "listed", "", row, nil}, true
}

func openKind(c *inquiry, _ *world) (finding, bool) {
	return finding{catalog.Fits, "open_kind", "", nil, nil}, !c.card.Closed
}

// listedOtherwise names the row that comes nearest: it disagrees in the fewest facts.
func listedOtherwise(c *inquiry, w *world) (finding, bool) {
	var near *catalog.Fitment
	var fact string
	fewest := 0
	for row := range c.eachRow {
		if !includes(row.Verdict) {
			continue
		}
		first, n := c.misses(row, w)
		if near == nil || n < fewest || n == fewest && moreSpecific(row, near) {
			near, fact, fewest = row, first, n
		}
	}
	return finding{catalog.DoesNotFit, "differs", fact, near, nil}, near != nil
}

func notListed(*inquiry, *world) (finding, bool) {
	return finding{catalog.DoesNotFit, "not_listed", "", nil, nil}, true
}

func includes(v catalog.Verdict) bool { return v == catalog.Fits || v == catalog.FitsWith }

// best is the most specific row with a wanted verdict that applies in a world.
func (c *inquiry) best(w *world, want func(catalog.Verdict) bool) *catalog.Fitment {
	var best *catalog.Fitment
	for row := range c.eachRow {
		if !want(row.Verdict) || best != nil && !moreSpecific(row, best) {
			continue
		}
		if _, n := c.misses(row, w); n == 0 {
			best = row
		}
	}
	return best
}

// moreSpecific ranks rows by target level, options named, serial range, travel window and year
// window, in this order. Rows that are equal in all with different verdicts are an error that
// loading catches; should one slip through, the one with conditions speaks, then the lesser id.
func moreSpecific(a, b *catalog.Fitment) bool {
	for _, d := range [...]int{
		int(a.Level) - int(b.Level),
		optionsNamed(a) - optionsNamed(b),
		one(hasSerial(a)) - one(hasSerial(b)),
		one(a.TravelFromMM != 0 || a.TravelToMM != 0) - one(b.TravelFromMM != 0 || b.TravelToMM != 0),
		one(a.YearFrom != 0 || a.YearTo != 0) - one(b.YearFrom != 0 || b.YearTo != 0),
		int(a.Verdict) - int(b.Verdict),
	} {
		if d != 0 {
			return d > 0
		}
	}
	return a.ID < b.ID
}

func optionsNamed(row *catalog.Fitment) int {
	if row.Conditions == nil {
		return 0
	}
	return len(row.Must) + len(row.MustNot)
}

func hasSerial(row *catalog.Fitment) bool {
	return row.Conditions != nil && (row.SerialFrom != "" || row.SerialTo != "")
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Package fitment decides whether a part fits a fork as its owner has it, and says why.
//
// A verdict is a pure function of a catalog revision and a question. The rules are one
// ordered list (see rules.go): a hard limit of the fork beats every row, an exclusion beats
// every inclusion, the more specific row beats the general one, and a missing fact that
// matters gives Unknown with the one question that settles it.
package fitment

import (
	"slices"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// RulesVersion goes up when the facts of an answer for an old revision would change.
const RulesVersion = 1

// How says how a travel is known.
type How string

// The ways of knowing a travel. ByStanchion is the length of stanchion that shows: an upper
// bound of the travel, never the travel itself.
const (
	Stated      How = "stated"
	Measured    How = "measured"
	BySticker   How = "sticker"
	ByMark      How = "internal_mark"
	ByStanchion How = "exposed_stanchion"
)

// Travel is a travel and how it is known; zero MM means not known.
type Travel struct {
	MM  int
	How How
}

// Owned is a fork as its owner has it. Zero values mean not known.
type Owned struct {
	Fork        *catalog.Fork
	ModelYear   int
	TravelBuilt Travel
	TravelNow   Travel
	Options     map[string]string // facts: seal_generation, tube, crown, damper, …
	Serial      string
	BuiltOn     string // production date, yyyy-mm-dd
	WheelSize   string
	Use         string
	RiderKG     float64 // kitted
	SystemKG    float64
}

// Damper is the code of the damper in the fork: the one that was named, else the only one it was
// sold with. Empty: not known.
func (o *Owned) Damper() string {
	switch {
	case o == nil || o.Fork == nil:
		return ""
	case o.Options["damper"] != "":
		return o.Options["damper"]
	case len(o.Fork.Dampers) == 1:
		return o.Fork.Dampers[0]
	}
	return ""
}

// Reason is one fact that decided a verdict.
type Reason struct {
	Code     string // stable, snake_case
	Text     string // a sentence for the person at the counter
	Row      string // id of the fitment row, "" when no row is behind it
	Evidence string // how that row is known; for the trade only
	Source   string // and where it is written down
	Fact     string // what was compared: model_year, travel_now, seal_generation, …
	Want     string // what the row or limit asks for
	Have     string // what the fork has
}

// Alternative is the nearest part that does fit.
type Alternative struct {
	SKU     string
	Verdict catalog.Verdict
	Why     string // what makes it the nearest
}

// Answer is a verdict with everything that explains it.
type Answer struct {
	SKU      string
	Verdict  catalog.Verdict
	Reasons  []Reason // the deciding one first
	Requires []catalog.Requirement
	Question *fault.Question // for Unknown: the one question that settles it
	Nearest  *Alternative    // for DoesNotFit, where one exists
	Follows  string          // the SKU that supersedes the one asked for, if any
}

// Spaced reports whether the part goes in with a travel spacer only: the fork then keeps the travel
// that it has, which is less than the part's.
func (a *Answer) Spaced() bool {
	return slices.ContainsFunc(a.Requires, func(r catalog.Requirement) bool { return r.Kind == catalog.KindTravelSpacer })
}

// Package search finds which fork a person means: by free text as people type it, by a mark
// read off the fork or its box, and by what can be measured on a fork without stickers.
//
// A result is a ranked list with the facts that decided, and it says whether it is sure. It is
// sure only if one fork alone agrees with every word and every fact; otherwise it carries the
// one question that splits the candidates best. Results depend on the catalog revision and the
// query alone.
package search

import (
	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// Query is what is known about a fork. Zero values mean not said.
type Query struct {
	Text         string
	Maker        string // code, name or alias
	ModelYear    int
	TravelMM     int // as built
	WheelSize    string
	Measurements Measurements
	After        string // for paging through a list without text: the last fork id seen
}

// Measurements are what can be told from a fork that has no stickers.
type Measurements struct {
	StanchionMM  float64      // caliper across a clean stanchion
	Axle         string       // "15", "20" or as 15x110
	ValveLeg     catalog.Side // the leg with the air valve or spring cap on top, as the rider sits
	FootFastener string       // nut|bolt, under the spring leg
	ExposedMM    int          // stanchion that shows: an upper bound of the travel, never the travel
}

// Fact is one thing that spoke for or against a candidate.
type Fact struct {
	Code    string `json:"code"`    // word|near_word|mark|near_mark|year|travel|wheel_size|maker|stanchion|axle|valve_leg|foot_fastener|exposed|id
	Text    string `json:"text"`    // as a sentence part
	Against bool   `json:"against"` // it spoke against
}

// Candidate is a fork that may be meant.
type Candidate struct {
	Fork  *catalog.Fork
	Score float64 // higher is better; comparable within one result only
	Why   []Fact
}

// Result is the answer to a query.
type Result struct {
	Candidates []Candidate
	Sure       bool            // the first candidate alone agrees with everything
	Question   *fault.Question // set where several candidates agree equally
	More       bool            // there are further candidates, or forks after the last one of a list
	Unread     []string        // words that nothing in the catalog explains
}

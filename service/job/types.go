// Package job says what a job at the bench, or a sale over the counter, needs: parts,
// consumables, tools, minutes, and the steps in which the work is done.
//
// A job is a set of operations; each opens something (the cap, the lower legs, the damper).
// Needs, cautions and minutes follow from the union of what is opened, each once. What the
// boxes of a cartridge or a kit bring is netted against the need, so that nothing is charged
// twice and nothing is forgotten. A number that is not in the catalog stays unknown here: no
// torque, volume, socket or click has a default.
package job

import (
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
)

// Role says why a line is on a bill.
type Role string

// The roles of a line.
const (
	New              Role = "new"
	Included         Role = "included" // in the box named by IncludedIn
	Reuse            Role = "reuse"    // if sound: see Inspect
	SetAside         Role = "set_aside"
	NeverReuse       Role = "never_reuse"
	Consumable       Role = "consumable"
	Tool             Role = "tool"
	CustomerSupplied Role = "customer_supplied"
)

// NotInOurData is the state of a figure or quantity that the catalog does not hold.
const NotInOurData = "not_in_our_data"

// Supplied is a part that the customer brings.
type Supplied struct {
	SKU      string
	Quantity float64
}

// Question is a fork and what is to be done to it.
type Question struct {
	Owned      fitment.Owned
	Jobs       []string // by name; their operations are united with Operations
	Operations []string
	Fitted     string // SKU of the coil cartridge now in the fork; empty: the stock spring
	Cartridge  string // SKU of the coil cartridge to be fitted; empty: none
	Spring     string // SKU of the spring to be fitted; empty: as it is
	Preload    int    // setting of the cartridge, 1 is the least; 0: as it is, or the least when a cartridge is fitted
	BumpStop   *Published
	Kits       []string // service and seal kits that go on the bill
	Parts      []string // other parts chosen, one each
	TravelTo   int      // travel wanted by a change of travel, mm; 0: that of the chosen air spring
	OwnedTools []string // SKUs of tools that need not be offered
	OwnsTools  bool     // no tool need be offered
	Customer   []Supplied
	Counter    bool // sold over the counter: whole packages, no labor
}

// Published is a value as its publisher wrote it.
type Published = catalog.Published

// Judge gives the verdict of a part on a fork; fitment.Judge is one.
type Judge func(*catalog.Revision, *fitment.Owned, string) fitment.Answer

// Bill is everything a job takes.
type Bill struct {
	CatalogRevision int64
	Fork            string
	Jobs            []string
	Operations      []string
	Opens           []string
	Lines           []Line
	LeftOver        []LeftOver // comes in a box and is not needed: into the bag
	Labor           []Labor    // empty over the counter
	Minutes         float64
	Figures         []Figure
	Cautions        []Caution
	Steps           []Step // empty over the counter
	Open            []OpenPoint
	Built           *Built // nil where no coil cartridge is in the fork when the job is done
}

// Built is the spring side as it is when the job is done, as far as that was said or follows.
type Built struct {
	Cartridge string     // SKU
	TravelMM  int        // of the fork; less than the cartridge's with a travel spacer
	Spring    string     // SKU; empty: not chosen here
	Preload   int        // setting of the cartridge; 0: not said
	BumpStop  *Published // nil: not said
	Damper    string     // code; empty: not known
	Use       string     // what the fork is ridden for; empty: not said
}

// Line is one part or stock item with its role and the rule that put it on the bill.
type Line struct {
	SKU          string // empty for a stock item, or where no part could be chosen
	Item         string // a stock item of the fork that has no SKU, as stock_air_assembly
	Kind         string
	Quantity     float64
	Unit         string
	State        string // not_in_our_data: the quantity is not known
	Role         Role
	Rule         string // stable code
	Why          string // the rule as a sentence
	IncludedIn   string // SKU of the box, for Included
	Inspect      string // what to look at before it is used again
	Leg          catalog.Leg
	Source       string          // the rows behind it
	WhereToLook  string          // for not_in_our_data
	Charged      bool            // a line that is to be priced
	Untraced     bool            // brought by the customer: no warranty from us
	Verdict      catalog.Verdict // 0: not judged (tools, stock items)
	Alternatives []string        // other parts that would do
	Question     *fault.Question // what settles an open choice of part
}

// LeftOver is what a box brings beyond the need.
type LeftOver struct {
	SKU, Item, Unit, Kit string
	Quantity             float64
}

// Labor is the time for an opening or an operation, counted once.
type Labor struct {
	Code    string // opening or operation
	Of      string // opening|operation
	SKU     string
	Minutes float64
}

// OpenPoint is something that must be said or looked up before the job is complete.
type OpenPoint struct {
	Code     string
	Text     string
	SKU      string
	Question *fault.Question
}

// Charge is the sum of the charged lines of a part.
type Charge struct {
	SKU      string
	Quantity float64 // in the part's unit
	Unit     string
	Packages int  // whole packages, over the counter and for parts sold in packages; else 0
	Unknown  bool // some of it is not in our data: the quantity is at least this
}

// Figure is a number with the part that it belongs to, or the statement that we do not have it.
type Figure struct {
	ID          string // unique in the bill: "torque/foot/damper"
	Figure      string // torque|socket_before|socket_after|oil_volume|foam_soak|air_pressure_max
	Place       string
	Leg         catalog.Leg
	OwnerKind   string
	Owner       string
	State       string    // not_in_our_data, or empty
	Published   Published // as its publisher wrote it
	SI          float64
	SIUnit      string
	Publisher   string
	Source      string
	WhereToLook string
}

// Caution is a warning with its reason.
type Caution struct{ Code, Text, Reason string }

// Step is one step of the bench sheet.
type Step struct {
	Code     string
	Leg      catalog.Leg
	Side     catalog.Side // of that leg, as the rider sits
	Text     string
	Args     map[string]string // what was filled into the text
	Figures  []string          // ids
	Cautions []string          // codes, where the hand is
	Tick     bool              // a box to be ticked
}

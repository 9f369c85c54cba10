package service

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"forkwright/service/account"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/job"
	"forkwright/service/money"
	"forkwright/service/notice"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

// MostQuoteLines is how many lines a request may name, the job's own not counted.
const MostQuoteLines = 200

// QuoteAsk is what a quote is asked for. It holds no personal value.
type QuoteAsk struct {
	Fork        *AskedFork                 `json:"fork,omitempty"` // the fork that the lines are for; absent: none is known
	Job         *AskedJob                  `json:"job,omitempty"`
	Lines       []AskedLine                `json:"lines,omitempty"`
	Counter     bool                       `json:"counter,omitempty"` // over the counter: whole packages, no labor
	Labor       LaborMode                  `json:"labor,omitempty"`   // "" is LaborMenu
	Discounts   []quote.DocumentAdjustment `json:"discounts,omitempty"`
	Shipping    []quote.DocumentAdjustment `json:"shipping,omitempty"`   // with no tax of its own: the destination's standard one
	Currency    string                     `json:"currency,omitempty"`   // "" is the seller's
	PriceList   string                     `json:"price_list,omitempty"` // "" is any recommended list in the currency
	Basis       quote.Basis                `json:"basis,omitempty"`      // "" is that of the price list, else the seller's
	Destination string                     `json:"destination,omitempty"`
	TaxCategory quote.Category             `json:"tax_category,omitempty"` // instead of the parts' own, such as AE
	TaxReasons  map[quote.Category]string  `json:"tax_reasons,omitempty"`
	PriceDate   string                     `json:"price_date,omitempty"` // "" is today in the seller's zone
	ValidDays   int                        `json:"valid_days,omitempty"` // 0 is the seller's
	ValidUntil  string                     `json:"-"`                    // instead of ValidDays; a next revision does not inherit it
	Language    string                     `json:"language,omitempty"`   // "" is the seller's first
	Locations   []string                   `json:"locations,omitempty"`  // where goods may come from, in order; empty: see QuoteStore.Terms
	Reference   string                     `json:"reference,omitempty"`  // the customer's own
	ClientID    string                     `json:"client_id,omitempty"`
	Prepaid     *money.Amount              `json:"prepaid,omitempty"`
	CashStep    *money.Amount              `json:"cash_step,omitempty"`
	Decimals    *int                       `json:"decimals,omitempty"` // fewer than the currency's, as whole forint
	Expected    *money.Amount              `json:"-"`                  // the total that the caller expects
	Revision    int64                      `json:"catalog_revision,omitempty"`
}

// LaborMode says how labor is charged.
type LaborMode string

// The modes.
const (
	LaborMenu   LaborMode = "menu"   // the shop's menu price where it has one, else by the minute
	LaborMinute LaborMode = "minute" // by the minute
	LaborNone   LaborMode = "none"   // not charged here
)

// AskedFork is a fork as its owner has it, by the id of the catalog.
type AskedFork struct {
	ForkID      string            `json:"fork_id"`
	ModelYear   int               `json:"model_year,omitempty"`
	TravelBuilt fitment.Travel    `json:"travel_built"`
	TravelNow   fitment.Travel    `json:"travel_now"`
	Options     map[string]string `json:"options,omitempty"`
	Serial      string            `json:"serial,omitempty"`
	BuiltOn     string            `json:"built_on,omitempty"`
	WheelSize   string            `json:"wheel_size,omitempty"`
	Use         string            `json:"use,omitempty"`
}

// AskFork is a fork as owned, less what is personal (masses).
func AskFork(o *fitment.Owned) *AskedFork {
	if o == nil || o.Fork == nil {
		return nil
	}
	return &AskedFork{
		ForkID: o.Fork.ID, ModelYear: o.ModelYear, TravelBuilt: o.TravelBuilt, TravelNow: o.TravelNow,
		Options: o.Options, Serial: o.Serial, BuiltOn: o.BuiltOn, WheelSize: o.WheelSize, Use: o.Use,
	}
}

func (f *AskedFork) owned(rev *catalog.Revision) (*fitment.Owned, error) {
	if f == nil {
		return nil, nil
	}
	fork, ok := rev.Fork(f.ForkID)
	if !ok {
		return nil, askFault("/fork/fork_id", "fork_not_found", "Catalog revision %d has no fork %q.", rev.Number(), f.ForkID)
	}
	return &fitment.Owned{
		Fork: fork, ModelYear: f.ModelYear, TravelBuilt: f.TravelBuilt, TravelNow: f.TravelNow,
		Options: f.Options, Serial: f.Serial, BuiltOn: f.BuiltOn, WheelSize: f.WheelSize, Use: f.Use,
	}, nil
}

// AskedJob is what is to be done to the fork; see job.Question.
type AskedJob struct {
	Jobs       []string           `json:"jobs,omitempty"`
	Operations []string           `json:"operations,omitempty"`
	Fitted     string             `json:"fitted,omitempty"`
	Cartridge  string             `json:"cartridge,omitempty"`
	Spring     string             `json:"spring,omitempty"`
	Preload    int                `json:"preload,omitempty"`
	BumpStop   *catalog.Published `json:"bump_stop,omitempty"`
	Kits       []string           `json:"kits,omitempty"`
	Parts      []string           `json:"parts,omitempty"`
	OwnedTools []string           `json:"owned_tools,omitempty"`
	OwnsTools  bool               `json:"owns_tools,omitempty"`
	Customer   []job.Supplied     `json:"customer,omitempty"`
}

// AskJob is the part of a bill's question that a quote keeps.
func AskJob(q job.Question) *AskedJob {
	return &AskedJob{
		Jobs: q.Jobs, Operations: q.Operations, Fitted: q.Fitted, Cartridge: q.Cartridge, Spring: q.Spring, Preload: q.Preload,
		BumpStop: q.BumpStop, Kits: q.Kits, Parts: q.Parts, OwnedTools: q.OwnedTools, OwnsTools: q.OwnsTools, Customer: q.Customer,
	}
}

func (j *AskedJob) question(owned fitment.Owned, counter bool) job.Question {
	return job.Question{
		Owned: owned, Jobs: j.Jobs, Operations: j.Operations, Fitted: j.Fitted, Cartridge: j.Cartridge, Spring: j.Spring, Preload: j.Preload,
		BumpStop: j.BumpStop, Kits: j.Kits, Parts: j.Parts, OwnedTools: j.OwnedTools, OwnsTools: j.OwnsTools, Customer: j.Customer, Counter: counter,
	}
}

// AskedLine is a line that is named: a part by one of its codes, or free text.
type AskedLine struct {
	Code       string             `json:"code,omitempty"` // SKU, GTIN or a code printed on the part; empty: free text
	Quantity   money.Amount       `json:"quantity"`
	NoFork     bool               `json:"no_fork,omitempty"`     // not for the fork of this quote: not judged
	Supplied   bool               `json:"supplied,omitempty"`    // the customer brings it
	Choices    map[string]string  `json:"choices,omitempty"`     // of a kit: slot -> SKU
	NetPrice   *money.Amount      `json:"net_price,omitempty"`   // instead of the lists
	GrossPrice *money.Amount      `json:"gross_price,omitempty"` // instead of the lists
	PriceFor   *money.Amount      `json:"price_for,omitempty"`   // the base quantity of that price
	Tax        *quote.Tax         `json:"tax,omitempty"`         // instead of the rate for the part
	Text       string             `json:"text,omitempty"`        // of free text
	Unit       string             `json:"unit,omitempty"`        // of free text
	Discounts  []quote.Adjustment `json:"discounts,omitempty"`
	Charges    []quote.Adjustment `json:"charges,omitempty"`
}

// OwnPrice is one of a shop's own selling prices. A buying price has no place in a quote.
type OwnPrice struct {
	SKU         string
	Currency    string
	Basis       string
	MinQuantity money.Amount
	Amount      money.Amount
	From        string // days such as 2026-03-31
	Until       string // "" is open
}

// QuoteTerms is what is stated for an account: its prices, taxes, and where its goods come from.
type QuoteTerms struct {
	Own    []OwnPrice      // selling prices, never a buying price
	Taxes  []quote.TaxRule // of a country and its regions, each of one class and category; none is built in
	Places []string        // locations in the order in which they are taken
}

// QuoteSources is everything outside the question that a draft depends on.
type QuoteSources struct {
	Notices *notice.Set
	Seller  account.Seller
	QuoteTerms
	Stock    []stock.Level // of the parts that the plan names
	Clock    quote.Clock
	Previous *quote.Quote // the revision that this one replaces; its line ids are kept
}

func askFault(pointer, code, text string, args ...any) error {
	var f fault.Fields
	f.Add(pointer, code, text, args...)
	return f.Err()
}

// amountOf is a number of the catalog, which are all short, as an exact decimal.
func amountOf(v float64) money.Amount {
	a, err := money.Parse(strconv.FormatFloat(v, 'f', -1, 64))
	if err != nil { // longer than a price may be: rounded to what one may have
		a, err = money.Parse(strconv.FormatFloat(v, 'f', money.MaxDecimals, 64))
		if err != nil {
			return money.Amount{}
		}
	}
	return a
}

func (a QuoteAsk) check() error {
	var bad fault.Fields
	if a.Job == nil && len(a.Lines) == 0 {
		bad.Add("/lines", "quote_empty", "Say what is to be quoted: lines, or a fork and a job.")
	}
	if a.Job != nil && a.Fork == nil {
		bad.Add("/fork", "fork_missing", "A job needs a fork. Say which fork it is.")
	}
	if len(a.Lines) > MostQuoteLines {
		bad.Add("/lines", "too_many", "At most %d lines are taken; there are %d.", MostQuoteLines, len(a.Lines))
	}
	for i, l := range a.Lines {
		l.check(fmt.Sprintf("/lines/%d", i), &bad)
	}
	if a.PriceDate != "" {
		if _, err := time.Parse(time.DateOnly, a.PriceDate); err != nil {
			bad.Add("/price_date", "not_a_day", "%q is not a day; write it like 2026-03-31.", a.PriceDate)
		}
	}
	if a.ValidDays < 0 || a.ValidDays > 365 {
		bad.Add("/valid_days", "out_of_range", "valid_days must be from 0 to 365; it is %d.", a.ValidDays)
	}
	if !slices.Contains([]LaborMode{"", LaborMenu, LaborMinute, LaborNone}, a.Labor) {
		bad.Add("/labor", "not_in_list", "labor is %q; use menu, minute or none.", a.Labor)
	}
	return bad.Err()
}

func (l AskedLine) check(at string, bad *fault.Fields) {
	if l.Quantity.IsZero() {
		bad.Add(at+"/quantity", "quantity_zero", "The quantity is zero or missing; leave the line out instead.")
	}
	if l.Quantity.Sign() < 0 && l.Code != "" {
		bad.Add(at+"/quantity", "quantity_negative", "A part is quoted in quantities above zero; %s is below. What is taken back or credited is a free line.", l.Quantity)
	}
	if l.Code != "" {
		if l.Text != "" || l.Unit != "" {
			bad.Add(at+"/text", "text_of_a_part", "text and unit belong to free lines; a part has its own.")
		}
		return
	}
	if l.Text == "" {
		bad.Add(at, "line_without_subject", "Give the code of a part, or a text for a free line.")
	}
	if l.Supplied || len(l.Choices) > 0 || l.NoFork {
		bad.Add(at, "not_of_free_text", "customer_supplied, choices and for_fork belong to lines that name a part.")
	}
}

// raw is a value that is kept as JSON; what is given here always can be.
func raw(v any) json.RawMessage {
	b, err := json.Marshal(v)
	if err != nil {
		return nil
	}
	return b
}

package quote

import (
	"encoding/json"
	"slices"
	"time"

	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/zone"
)

// Texts is one text in several languages, by BCP 47 tag.
type Texts map[string]string

// In picks the text in the first language that has it, and says which one that
// was. With none of them it takes the first tag in alphabetical order; "" and ""
// when there is no text at all.
func (t Texts) In(languages ...string) (text, language string) {
	for _, l := range languages {
		if s, ok := t[l]; ok {
			return s, l
		}
	}
	for l, s := range t {
		if language == "" || l < language {
			text, language = s, l
		}
	}
	return text, language
}

// Presence says why a line is on the quote.
type Presence struct {
	Kind string `json:"kind"`           // job, cart, shop or customer
	Job  string `json:"job,omitempty"`  // the operation that needs it
	Rule string `json:"rule,omitempty"` // the rule of the bill that put it there
}

// Source is where goods of a line come from, and when.
type Source struct {
	Location string       `json:"location"`
	Kind     SourceKind   `json:"kind"`
	Quantity money.Amount `json:"quantity"`
	Taken    money.Amount `json:"taken"`        // of it, fulfilled
	On       string       `json:"on,omitempty"` // day from which it is here, for what is not; empty there: nobody knows

	Stale     bool       `json:"stale,omitempty"`      // counted at a location whose feed was overdue
	CountedAt *time.Time `json:"counted_at,omitempty"` // then: as of when, where there was a count at all
}

// SourceKind says whether goods are there.
type SourceKind string

// The kinds. Only goods on hand are reserved by accepting; a backorder goes to the location that
// is named.
const (
	OnHand    SourceKind = "on_hand"
	Incoming  SourceKind = "incoming"
	Backorder SourceKind = "backorder"
)

// NoticeRef is a notice as it stood when the line was made.
type NoticeRef struct {
	ID     string `json:"id"`
	Blocks bool   `json:"blocks"`
	Text   string `json:"text"`
}

// Alternative is a part that was on hand when the line's own was not.
type Alternative struct {
	SKU       string       `json:"sku"`
	Text      Texts        `json:"text"`
	Verdict   string       `json:"verdict,omitempty"` // empty for a line that is for no fork
	Why       string       `json:"why"`               // why it was chosen among others
	Available money.Amount `json:"available"`         // over all locations of the plan
}

// Line is one line of a quote.
type Line struct {
	ID         string          `json:"id"` // stays the same over revisions
	SKU        string          `json:"sku,omitempty"`
	StockSKU   string          `json:"stock_sku,omitempty"` // the part really shipped, where a kit leaves a choice
	GTIN       string          `json:"gtin,omitempty"`      // 14 digits, where the line was named by it
	OwnCode    string          `json:"own_code,omitempty"`  // the caller's code, where the line was named by it
	Supersedes string          `json:"supersedes,omitempty"`
	Text       Texts           `json:"text"`
	ForFork    string          `json:"for_fork,omitempty"`
	Unit       string          `json:"unit"` // each, pair, mL, g, min
	Rule       string          `json:"rule,omitempty"`
	Why        string          `json:"why,omitempty"`         // the rule as a sentence
	IncludedIn string          `json:"included_in,omitempty"` // SKU of the box that brings it
	Inspect    string          `json:"inspect,omitempty"`     // what to look at before it is used again
	Price      PriceSource     `json:"price_source"`
	Presence   Presence        `json:"presence"`
	Verdict    string          `json:"verdict,omitempty"`
	Reasons    json.RawMessage `json:"reasons,omitempty"` // of the verdict, as answered
	Notices    []NoticeRef     `json:"notices,omitempty"`
	Stocked    bool            `json:"stocked"`             // accepting reserves it, fulfilling consumes it
	Sourcing   []Source        `json:"sourcing,omitempty"`  // in the order in which it is taken
	LeadDays   *int            `json:"lead_days,omitempty"` // for what must be ordered

	Alternatives []Alternative `json:"alternatives,omitempty"` // on hand, where this is not
	Fulfilled    money.Amount  `json:"fulfilled"`

	DocumentLine
	Amounts PricedLine `json:"amounts"`
}

// stockSKU is the part that leaves the shelf.
func (l Line) stockSKU() string {
	if l.StockSKU != "" {
		return l.StockSKU
	}
	return l.SKU
}

// Blocked finds a notice that forbids to sell the line.
func (l Line) Blocked() (NoticeRef, bool) {
	for _, n := range l.Notices {
		if n.Blocks {
			return n, true
		}
	}
	return NoticeRef{}, false
}

// Quote is a revision of a quote with all it says. It holds no personal value:
// PersonID points to where names and rider mass are kept and can be erased.
type Quote struct {
	ID           string `json:"id"`
	AccountID    string `json:"account_id"`
	RootID       string `json:"root_id"`                 // id of the first revision
	PreviousID   string `json:"previous_id,omitempty"`   // the revision that this one replaces
	SupersededBy string `json:"superseded_by,omitempty"` // the revision that replaces this one
	Series       string `json:"series"`
	Number       string `json:"number,omitempty"` // given at the first issue; all revisions share it
	RevisionNo   int    `json:"revision_no"`      // from 1
	State        State  `json:"state"`
	Version      int64  `json:"version"` // counts changes, for compare-and-set
	ClientID     string `json:"client_id,omitempty"`
	Reference    string `json:"reference,omitempty"` // the customer's own reference
	PersonID     string `json:"person_id,omitempty"`

	Currency    money.Currency       `json:"currency"`
	Decimals    *int                 `json:"decimals,omitempty"`
	Basis       Basis                `json:"basis"`
	Language    string               `json:"language"`
	Destination string               `json:"destination,omitempty"`
	Lines       []Line               `json:"lines"`
	Discounts   []DocumentAdjustment `json:"discounts,omitempty"`
	Charges     []Charge             `json:"charges,omitempty"`
	Prepaid     *money.Amount        `json:"prepaid,omitempty"`
	CashStep    *money.Amount        `json:"cash_step,omitempty"`
	TaxReasons  map[Category]string  `json:"tax_reasons,omitempty"`

	Allowances     []Allowance `json:"allowances"`
	AppliedCharges []Allowance `json:"applied_charges"`
	TaxGroups      []TaxGroup  `json:"tax_groups"`
	Totals         Totals      `json:"totals"`
	PriceMissing   bool        `json:"price_missing"` // the totals are without some lines

	Seller          Seller     `json:"seller"`
	TimeZone        string     `json:"time_zone,omitempty"` // in which the seller counts days; empty is UTC
	CreatedAt       time.Time  `json:"created_at"`
	IssuedOn        string     `json:"issued_on,omitempty"`   // day in the seller's zone
	ValidDays       int        `json:"valid_days,omitempty"`  // for how many days a draft wants to be issued; 0: as the seller does
	ValidUntil      string     `json:"valid_until,omitempty"` // last day on which it can be accepted
	PriceDate       string     `json:"price_date"`            // day whose prices and tax rates are used
	HeldUntil       *time.Time `json:"held_until,omitempty"`  // how long accepted goods are kept
	CatalogRevision int64      `json:"catalog_revision"`
	RulesVersion    int        `json:"rules_version"`

	Warnings []Warning       `json:"warnings,omitempty"` // what is open or has to be said before it is sold
	Asked    json.RawMessage `json:"asked,omitempty"`    // the question, to be answered again by the next revision

	ForkText string          `json:"fork_text,omitempty"` // the fork as a person says it
	ForkIDs  []string        `json:"fork_ids,omitempty"`
	Bench    json.RawMessage `json:"bench,omitempty"` // what the bench sheet is made from; a quote that was stored has it apart
}

// Seller is what stands on the paper about who sells. It is kept with the quote, so
// that a quote reads the same after the shop has moved.
type Seller struct {
	Name         string   `json:"name"`
	LegalName    string   `json:"legal_name,omitempty"` // where it is another than Name
	Address      []string `json:"address,omitempty"`    // line by line
	Country      string   `json:"country,omitempty"`
	TaxIDs       []TaxID  `json:"tax_ids,omitempty"`
	Registration string   `json:"registration,omitempty"`
	Phone        string   `json:"phone,omitempty"`
	Email        string   `json:"email,omitempty"`
	Website      string   `json:"website,omitempty"`
	Terms        Texts    `json:"terms,omitempty"`
	Closing      Texts    `json:"closing,omitempty"`
	Languages    []string `json:"languages,omitempty"`
	Paper        string   `json:"paper,omitempty"` // A4 or Letter
}

// TaxID is a registration of the seller for tax.
type TaxID struct {
	Scheme string `json:"scheme"`
	Value  string `json:"value"`
}

// ClockAt is a time in the zone in which the seller of this quote counts days.
func (q Quote) ClockAt(now time.Time) Clock {
	return Clock{Now: now, Zone: zone.OrUTC(q.TimeZone)}
}

// Warning is something that a quote leaves open, in words.
type Warning struct {
	Code     string          `json:"code"`
	LineID   string          `json:"line_id,omitempty"` // empty: the whole quote
	Text     string          `json:"text"`
	Question *fault.Question `json:"question,omitempty"`
}

// Ready is the first day on which everything on the quote that leaves a shelf is here, if it is
// accepted and ordered on the day on which it was drafted. Open says that nobody knows when
// something comes; with neither, no stock is kept for it, or it has no goods.
func (q Quote) Ready() (day string, open bool) {
	for _, l := range q.Lines {
		for _, s := range l.Sourcing {
			switch {
			case s.On != "":
				day = max(day, s.On)
			case s.Kind != OnHand:
				open = true
			default:
				day = max(day, q.ClockAt(q.CreatedAt).Today())
			}
		}
	}
	if open {
		return "", true
	}
	return day, false
}

// ForJob reports whether some line is there for a job, not only because it was asked for.
func (q Quote) ForJob() bool {
	return slices.ContainsFunc(q.Lines, func(l Line) bool { return l.Presence.Kind == "job" })
}

// Document is what the quote's amounts are computed from.
func (q Quote) Document() Document {
	d := Document{
		Currency: q.Currency, Decimals: q.Decimals, Basis: q.Basis,
		Discounts: q.Discounts, Charges: q.Charges,
		Prepaid: q.Prepaid, CashStep: q.CashStep, TaxReasons: q.TaxReasons,
	}
	for _, l := range q.Lines {
		d.Lines = append(d.Lines, l.DocumentLine)
	}
	return d
}

// Calculate prices a draft: the same quote with all its amounts. An issued quote
// is refused, for it never changes. Faults are those of Price and quote_immutable.
func (q Quote) Calculate() (Quote, error) {
	if err := q.Editable(); err != nil {
		return q, err
	}
	p, err := Price(q.Document())
	if err != nil {
		return q, err
	}
	q = q.clone()
	for i := range q.Lines {
		q.Lines[i].Amounts = p.Lines[i]
	}
	q.Basis, q.Totals, q.TaxGroups = p.Basis, p.Totals, p.Groups
	q.Allowances, q.AppliedCharges = p.Allowances, p.Charges
	q.PriceMissing = len(p.Unpriced) > 0
	return q, nil
}

package api

import (
	"encoding/json"
	"strconv"
	"time"

	paper "forkwright/api/page"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// quoteOut is a quote as it is answered. Nothing is in it that is not named here: no buying
// price, no personal value.
type quoteOut struct {
	Reply           `json:"-"`
	QuoteID         string            `json:"quote_id"`
	Number          string            `json:"number,omitempty"`
	RevisionNo      int               `json:"revision_no"`
	State           quote.State       `json:"state"`
	AllowedActions  []quote.Action    `json:"allowed_actions"`
	Version         int64             `json:"version"`
	ClientID        string            `json:"client_id,omitempty"`
	Reference       string            `json:"customer_reference,omitempty"`
	PersonID        string            `json:"person_id,omitempty"`
	PreviousID      string            `json:"previous_id,omitempty"`
	SupersededBy    string            `json:"superseded_by,omitempty"`
	Currency        money.Currency    `json:"currency"`
	Basis           quote.Basis       `json:"basis"`
	Language        string            `json:"language"`
	Destination     string            `json:"destination"`
	PriceDate       string            `json:"price_date"`
	CreatedAt       time.Time         `json:"created_at"`
	IssuedOn        string            `json:"issued_on,omitempty"`
	ValidUntil      string            `json:"valid_until,omitempty"`
	HeldUntil       *time.Time        `json:"held_until,omitempty"`
	CatalogRevision int64             `json:"catalog_revision"`
	RulesVersion    int               `json:"rules_version"`
	ForkIDs         []string          `json:"fork_ids"`
	Fork            string            `json:"fork,omitempty"`
	Lines           []quoteLineOut    `json:"lines"`
	Allowances      []quote.Allowance `json:"allowances"`
	Charges         []quote.Allowance `json:"charges"`
	TaxGroups       []quote.TaxGroup  `json:"tax_groups"`
	Totals          quote.Totals      `json:"totals"`
	PriceMissing    bool              `json:"price_missing"`
	ReadyOn         string            `json:"ready_on,omitempty"` // everything is here
	Warnings        []quoteWarningOut `json:"warnings"`
	Differences     []differenceOut   `json:"differences,omitempty"`
	Links           quoteLinksOut     `json:"links"`
	Live            *liveOut          `json:"live,omitempty"`
}

type quoteLinksOut struct {
	Self   string `json:"self"`
	Page   string `json:"page"`
	Events string `json:"events"`
}

type quoteLineOut struct {
	LineID       string            `json:"line_id"`
	SKU          string            `json:"sku,omitempty"`
	GTIN         string            `json:"gtin,omitempty"`
	OwnCode      string            `json:"own_code,omitempty"`
	MatchedBy    string            `json:"matched_by,omitempty"`
	Supersedes   string            `json:"supersedes,omitempty"`
	Text         string            `json:"text"`
	TextLanguage string            `json:"text_language,omitempty"`
	ForFork      string            `json:"for_fork,omitempty"`
	Role         quote.Role        `json:"role"`
	Quantity     money.Amount      `json:"quantity"`
	Unit         string            `json:"unit"`
	Rule         string            `json:"rule,omitempty"`
	Why          string            `json:"why,omitempty"`
	IncludedIn   string            `json:"included_in,omitempty"`
	Inspect      string            `json:"inspect,omitempty"`
	NetPrice     *money.Amount     `json:"net_price,omitempty"`
	GrossPrice   *money.Amount     `json:"gross_price,omitempty"`
	BaseQuantity *money.Amount     `json:"base_quantity,omitempty"`
	PriceSource  quote.PriceSource `json:"price_source"`
	PriceMissing bool              `json:"price_missing"`
	Discounts    []quote.Applied   `json:"discounts,omitempty"`
	Charges      []quote.Applied   `json:"charges,omitempty"`
	Net          *money.Amount     `json:"net,omitempty"`
	Gross        *money.Amount     `json:"gross,omitempty"`
	Tax          *quote.Tax        `json:"tax,omitempty"`
	Presence     quote.Presence    `json:"presence"`
	Verdict      string            `json:"verdict,omitempty"`
	Reasons      json.RawMessage   `json:"reasons,omitempty"`
	Notices      []quote.NoticeRef `json:"notices,omitempty"`
	Stocked      bool              `json:"stocked"`
	Sourcing     []quoteSourceOut  `json:"sourcing,omitempty"`
	StockText    string            `json:"stock_text,omitempty"` // the sourcing in words
	LeadDays     *int              `json:"lead_days,omitempty"`
	Alternatives []quoteInsteadOut `json:"alternatives,omitempty"`
	Fulfilled    money.Amount      `json:"fulfilled"`
}

type quoteSourceOut struct {
	Location string           `json:"location"`
	Kind     quote.SourceKind `json:"kind"`
	Quantity money.Amount     `json:"quantity"`
	Taken    money.Amount     `json:"taken"`
	On       string           `json:"on,omitempty"`

	Stale     bool       `json:"stale,omitempty"`
	CountedAt *time.Time `json:"counted_at,omitempty"`
}

type quoteInsteadOut struct {
	SKU       string       `json:"sku"`
	Text      string       `json:"text"`
	Verdict   string       `json:"verdict,omitempty"`
	Why       string       `json:"why"`
	Available money.Amount `json:"available"`
}

type quoteWarningOut struct {
	Code     string           `json:"code"`
	LineID   string           `json:"line_id,omitempty"`
	Text     string           `json:"text"`
	Question *problemQuestion `json:"question,omitempty"`
}

type differenceOut struct {
	LineID string `json:"line_id,omitempty"`
	Code   string `json:"code"`
	Before string `json:"before,omitempty"`
	After  string `json:"after,omitempty"`
	Text   string `json:"text"`
}

func (s *Server) quoteOut(q quote.Quote) quoteOut {
	self := "/v1/quotes/" + q.ID
	out := quoteOut{
		Reply:   Reply{ETag: strconv.FormatInt(q.Version, 10), CacheControl: "private, no-cache"},
		QuoteID: q.ID, Number: q.Number, RevisionNo: q.RevisionNo, State: q.State, AllowedActions: quote.AllowedActions(q.State), Version: q.Version,
		ClientID: q.ClientID, Reference: q.Reference, PersonID: q.PersonID, PreviousID: q.PreviousID, SupersededBy: q.SupersededBy,
		Currency: q.Currency, Basis: q.Basis, Language: q.Language, Destination: q.Destination, PriceDate: q.PriceDate,
		CreatedAt: q.CreatedAt.UTC(), IssuedOn: q.IssuedOn, ValidUntil: q.ValidUntil, HeldUntil: utc(q.HeldUntil),
		CatalogRevision: q.CatalogRevision, RulesVersion: q.RulesVersion, ForkIDs: q.ForkIDs, Fork: q.ForkText,
		Allowances: q.Allowances, Charges: q.AppliedCharges, TaxGroups: q.TaxGroups, Totals: q.Totals, PriceMissing: q.PriceMissing,
		Lines: make([]quoteLineOut, 0, len(q.Lines)), Warnings: make([]quoteWarningOut, 0, len(q.Warnings)),
		Links: quoteLinksOut{Self: self, Page: s.pageOf(q), Events: self + "/events"},
	}
	out.ReadyOn, _ = q.Ready()
	for _, l := range q.Lines {
		line := quoteLineWire(l, q.Language)
		line.StockText = paper.StockText(q, l)
		out.Lines = append(out.Lines, line)
	}
	for _, w := range q.Warnings {
		out.Warnings = append(out.Warnings, quoteWarningOut{Code: w.Code, LineID: w.LineID, Text: w.Text, Question: questionOut(w.Question)})
	}
	return out
}

func quoteLineWire(l quote.Line, language string) quoteLineOut {
	out := quoteLineOut{
		LineID: l.ID, SKU: l.SKU, GTIN: l.GTIN, OwnCode: l.OwnCode, Supersedes: l.Supersedes, ForFork: l.ForFork,
		Role: l.Role, Quantity: l.Quantity, Unit: l.Unit, Rule: l.Rule, Why: l.Why, IncludedIn: l.IncludedIn, Inspect: l.Inspect,
		NetPrice: l.NetPrice, GrossPrice: l.GrossPrice, BaseQuantity: l.BaseQuantity, PriceSource: l.Price, PriceMissing: l.Amounts.PriceMissing,
		Discounts: l.Amounts.Discounts, Charges: l.Amounts.Charges, Net: l.Amounts.Net, Gross: l.Amounts.Gross, Presence: l.Presence,
		Verdict: l.Verdict, Reasons: l.Reasons, Notices: l.Notices, Stocked: l.Stocked, LeadDays: l.LeadDays, Fulfilled: l.Fulfilled,
	}
	out.Text, out.TextLanguage = l.Text.In(language, "en")
	switch {
	case l.GTIN != "":
		out.MatchedBy = "gtin"
	case l.OwnCode != "":
		out.MatchedBy = "alias"
	case l.SKU != "" && l.Presence.Kind != "job":
		out.MatchedBy = "sku"
	}
	if l.Tax.Category != "" {
		tax := l.Tax
		out.Tax = &tax
	}
	for _, s := range l.Sourcing {
		out.Sourcing = append(out.Sourcing, quoteSourceOut(s))
	}
	for _, x := range l.Alternatives {
		text, _ := x.Text.In(language, "en")
		out.Alternatives = append(out.Alternatives, quoteInsteadOut{x.SKU, text, x.Verdict, x.Why, x.Available})
	}
	return out
}

func differencesOut(list []quote.Difference) (out []differenceOut) {
	for _, d := range list {
		out = append(out, differenceOut(d))
	}
	return out
}

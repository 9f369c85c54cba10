package api

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// QuoteDeps are what the operations on quotes need.
type QuoteDeps struct {
	Quotes  *service.Quoting
	LinkKey []byte // the tokens of pages are made from it; another key, other tokens
}

// PageToken is what opens the page of a quote to whoever has it: 256 bits that nobody guesses,
// the same for a quote each time.
func PageToken(key []byte, quoteID string) string {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte("page of quote " + quoteID))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

// PageDigest is what is stored of a token: service.Quoting needs it.
func PageDigest(key []byte) func(quoteID string) [32]byte {
	return func(quoteID string) [32]byte { return sha256.Sum256([]byte(PageToken(key, quoteID))) }
}

// ---- what is asked --------------------------------------------------------------------------

type quoteBody struct {
	Fork            *forkIn                    `json:"fork"`
	Job             *jobIn                     `json:"job"`
	Lines           []quoteLineIn              `json:"lines"`
	Sale            string                     `json:"sale"`
	Labor           string                     `json:"labor"`
	Discounts       []quote.DocumentAdjustment `json:"discounts"`
	Shipping        []quote.DocumentAdjustment `json:"shipping"`
	Currency        string                     `json:"currency"`
	PriceList       string                     `json:"price_list"`
	Basis           string                     `json:"basis"`
	Destination     string                     `json:"destination"`
	TaxCategory     string                     `json:"tax_category"`
	TaxReasons      map[quote.Category]string  `json:"tax_reasons"`
	PriceDate       string                     `json:"price_date"`
	ValidDays       int                        `json:"valid_days"`
	ValidUntil      string                     `json:"valid_until"`
	Language        string                     `json:"language"`
	Locations       []string                   `json:"locations"`
	Reference       string                     `json:"customer_reference"`
	ClientID        string                     `json:"client_id"`
	Prepaid         *money.Amount              `json:"prepaid"`
	CashStep        *money.Amount              `json:"cash_step"`
	Decimals        *int                       `json:"decimals"`
	ExpectedTotal   *money.Amount              `json:"expected_total"`
	CatalogRevision revisionNumber             `json:"catalog_revision"`
}

type newQuoteBody struct {
	quoteBody
	Customer *customerIn `json:"customer"`
	PersonID string      `json:"person_id"`
	Issue    bool        `json:"issue"`
}

type customerIn struct {
	Name    string `json:"name"`
	Email   string `json:"email"`
	Phone   string `json:"phone"`
	Address string `json:"address"`
	Note    string `json:"note"`
}

type quoteLineIn struct {
	Code             string             `json:"code"`
	Quantity         *money.Amount      `json:"quantity"`
	ForFork          string             `json:"for_fork"`
	CustomerSupplied bool               `json:"customer_supplied"`
	Choices          map[string]string  `json:"choices"`
	NetPrice         *money.Amount      `json:"net_price"`
	GrossPrice       *money.Amount      `json:"gross_price"`
	BaseQuantity     *money.Amount      `json:"base_quantity"`
	Tax              *quote.Tax         `json:"tax"`
	Text             string             `json:"text"`
	Unit             string             `json:"unit"`
	Discounts        []quote.Adjustment `json:"discounts"`
	Charges          []quote.Adjustment `json:"charges"`
}

var (
	placeForm     = regexp.MustCompile(`^[A-Z]{2}(-[A-Za-z0-9]{1,10})?$`)
	clientIDForm  = regexp.MustCompile(`^[A-Za-z0-9._:-]{1,100}$`)
	reasonForm    = regexp.MustCompile(`^[a-z][a-z0-9_]{0,59}$`)
	taxCategories = []string{"S", "Z", "E", "AE", "O"}
	unitForm      = regexp.MustCompile(`^[\p{L}\p{N} ./²³%-]{1,20}$`)
)

// check finds what is wrong with the members that nothing deeper looks at.
func (b *quoteBody) check(wrong *fault.Fields) {
	oneOf(wrong, "/sale", "sale", b.Sale, []string{"bench", "counter"})
	oneOf(wrong, "/labor", "labor", b.Labor, []string{"menu", "minute", "none"})
	oneOf(wrong, "/basis", "basis", b.Basis, []string{"net", "gross"})
	oneOf(wrong, "/tax_category", "tax_category", b.TaxCategory, taxCategories)
	if b.Destination != "" && !placeForm.MatchString(b.Destination) {
		wrong.Add("/destination", "invalid_value", "destination must be a country such as DE, or a country and region such as US-CO.")
	}
	if b.ClientID != "" && !clientIDForm.MatchString(b.ClientID) {
		wrong.Add("/client_id", "invalid_value", "client_id must have 1 to 100 letters, digits and . _ : - characters.")
	}
	if _, err := time.Parse(time.DateOnly, b.ValidUntil); b.ValidUntil != "" && err != nil {
		wrong.Add("/valid_until", "not_a_day", "%q is not a day; write it like 2026-03-31.", printable(b.ValidUntil))
	}
	if b.ValidUntil != "" && b.ValidDays != 0 {
		wrong.Add("/valid_days", "given_twice", "Give valid_until or valid_days, not both.")
	}
	length(wrong, "/customer_reference", b.Reference, 200)
	length(wrong, "/language", b.Language, 35)
	for c, reason := range b.TaxReasons {
		at := "/tax_reasons/" + escaped(string(c))
		oneOf(wrong, at, "A tax category", string(c), taxCategories)
		length(wrong, at, reason, 300)
	}
	for i, l := range b.Lines[:min(len(b.Lines), service.MostQuoteLines)] {
		at := "/lines/" + strconv.Itoa(i)
		oneOf(wrong, at+"/for_fork", "for_fork", l.ForFork, []string{"none"})
		length(wrong, at+"/code", l.Code, 100)
		length(wrong, at+"/text", l.Text, 2000)
		few(wrong, at+"/choices", len(l.Choices), 40)
		checkAdjustments(wrong, at+"/discounts", l.Discounts)
		if l.Tax != nil {
			length(wrong, at+"/tax/reason", l.Tax.Reason, 300)
		}
		if l.Unit != "" && !unitForm.MatchString(l.Unit) {
			wrong.Add(at+"/unit", "invalid_value", "unit must be a short word such as each, hour or m.")
		}
		if l.Quantity != nil && l.Quantity.Abs().Cmp(money.FromInt(1_000_000)) > 0 {
			wrong.Add(at+"/quantity", "out_of_range", "A quantity of more than 1000000 cannot be meant.")
		}
		checkAdjustments(wrong, at+"/charges", l.Charges)
	}
	checkWhole(wrong, "/discounts", b.Discounts)
	checkWhole(wrong, "/shipping", b.Shipping)
	few(wrong, "/locations", len(b.Locations), 100)
}

// checkWhole finds what is too long in discounts or charges on the whole quote.
func checkWhole(wrong *fault.Fields, at string, list []quote.DocumentAdjustment) {
	var plain []quote.Adjustment
	for i, a := range list {
		plain = append(plain, a.Adjustment)
		if a.Tax != nil && i < 20 {
			length(wrong, at+"/"+strconv.Itoa(i)+"/tax/reason", a.Tax.Reason, 300)
		}
	}
	checkAdjustments(wrong, at, plain)
}

// checkAdjustments finds what is too long in a list of discounts or charges.
func checkAdjustments(wrong *fault.Fields, at string, list []quote.Adjustment) {
	if !few(wrong, at, len(list), 20) {
		return
	}
	for i, a := range list {
		at := at + "/" + strconv.Itoa(i)
		length(wrong, at+"/code", a.Code, 40)
		length(wrong, at+"/text", a.Text, 300)
	}
}

// asked turns the wire into the question; the fork is looked up here.
func (s *Server) asked(ctx context.Context, who caller.Caller, b *quoteBody) (service.QuoteAsk, error) {
	var none service.QuoteAsk
	var wrong fault.Fields
	b.check(&wrong)
	if err := wrong.Err(); err != nil {
		return none, err
	}
	out := service.QuoteAsk{
		Counter: b.Sale == "counter", Labor: service.LaborMode(b.Labor), Discounts: b.Discounts, Shipping: b.Shipping,
		Currency: b.Currency, PriceList: b.PriceList, Basis: quote.Basis(b.Basis), Destination: b.Destination,
		TaxCategory: quote.Category(b.TaxCategory), TaxReasons: b.TaxReasons, PriceDate: b.PriceDate, ValidDays: b.ValidDays, ValidUntil: b.ValidUntil,
		Language: b.Language, Locations: b.Locations, Reference: b.Reference, ClientID: b.ClientID,
		Prepaid: b.Prepaid, CashStep: b.CashStep, Decimals: b.Decimals, Expected: b.ExpectedTotal, Revision: int64(b.CatalogRevision),
	}
	a, err := s.ask(ctx, who, askIn{}, int64(b.CatalogRevision))
	if err != nil {
		return none, err
	}
	switch {
	case b.Job != nil && b.Fork != nil:
		bill := billBody{Fork: *b.Fork, jobIn: *b.Job}
		q, err := a.billQuestion(&bill)
		if err != nil {
			return none, belowJob(err)
		}
		out.Fork, out.Job = service.AskFork(&q.Owned), service.AskJob(q)
	case b.Fork != nil:
		owned, err := a.owned("/fork", b.Fork)
		if err != nil {
			return none, err
		}
		out.Fork = service.AskFork(owned)
	case b.Job != nil:
		out.Job = &service.AskedJob{} // that it has no fork is said with the rest
	}
	for _, l := range b.Lines {
		out.Lines = append(out.Lines, l.asked())
	}
	return out, nil
}

// belowJob moves the pointers of a bill's fault under the member that asks for it.
func belowJob(err error) error {
	e := fault.As(err)
	if e == nil {
		return err
	}
	for i := range e.Fields {
		if !strings.HasPrefix(e.Fields[i].Pointer, "/fork") {
			e.Fields[i].Pointer = "/job" + e.Fields[i].Pointer
		}
	}
	return e
}

func (l quoteLineIn) asked() service.AskedLine {
	out := service.AskedLine{
		Code: strings.TrimSpace(l.Code), Quantity: money.FromInt(1), NoFork: l.ForFork == "none", Supplied: l.CustomerSupplied, Choices: l.Choices,
		NetPrice: l.NetPrice, GrossPrice: l.GrossPrice, PriceFor: l.BaseQuantity, Tax: l.Tax, Text: l.Text, Unit: l.Unit, Discounts: l.Discounts, Charges: l.Charges,
	}
	if l.Quantity != nil {
		out.Quantity = *l.Quantity
	}
	return out
}

// ---- POST /v1/quotes ------------------------------------------------------------------------

type newQuoteIn struct {
	once
	Body newQuoteBody `body:""`
}

func (s *Server) createQuote(ctx context.Context, who caller.Caller, in newQuoteIn) (quoteOut, error) {
	by, err := in.by(who, "createQuote", http.StatusCreated, in.Body)
	if err != nil {
		return quoteOut{}, err
	}
	ask := service.NewAsk{PersonID: in.Body.PersonID, Issue: in.Body.Issue}
	if err := in.Body.person(&ask); err != nil {
		return quoteOut{}, err
	}
	if ask.QuoteAsk, err = s.asked(ctx, who, &in.Body.quoteBody); err != nil {
		return quoteOut{}, err
	}
	q, err := s.Quotes.Create(ctx, by, ask)
	if err != nil {
		return quoteOut{}, err
	}
	out := s.quoteOut(q)
	out.Status, out.Location = http.StatusCreated, out.Links.Self
	return out, nil
}

// person keeps personal values apart from everything that is stored of the quote.
func (b *newQuoteBody) person(ask *service.NewAsk) error {
	if b.PersonID != "" && !idForm.MatchString(b.PersonID) {
		return wrongField("/person_id", "invalid_value", "person_id must be the id of a person of this account.")
	}
	if b.Customer == nil {
		return nil
	}
	if b.PersonID != "" {
		return wrongField("/customer", "given_twice", "Give customer or person_id, not both.")
	}
	p := account.Person{Name: b.Customer.Name, Email: b.Customer.Email, Phone: b.Customer.Phone, Address: b.Customer.Address, Note: b.Customer.Note}
	if err := p.Check(); err != nil {
		f := *fault.As(err)
		f.Fields = append([]fault.Field(nil), f.Fields...)
		for i := range f.Fields {
			f.Fields[i].Pointer = "/customer" + f.Fields[i].Pointer
		}
		return &f
	}
	ask.Person = &p
	return nil
}

// ---- GET /v1/quotes/{quote_id}, /q/{token} --------------------------------------------------

type getQuoteIn struct {
	QuoteID     string `path:"quote_id"`
	IfNoneMatch string `header:"If-None-Match"`
	Media       string `accept:""`
}

func (s *Server) getQuote(ctx context.Context, who caller.Caller, in struct {
	getQuoteIn
	stockIn
}) (any, error) {
	if in.Media != mediaJSON && len(in.Live) > 0 {
		return nil, wrongField("query:live", "contradiction", "Paper does not change from minute to minute: live goes with application/json only.")
	}
	if in.Media != mediaJSON {
		p, err := s.Quotes.Paper(ctx, who.AccountID, in.QuoteID)
		if err != nil {
			return nil, err
		}
		return s.quotePaper(p, in.Media)
	}
	q, err := s.Quotes.Get(ctx, who.AccountID, in.QuoteID)
	if err != nil {
		return nil, err
	}
	out := s.quoteOut(q)
	if out.Differences, err = s.differences(ctx, q); err != nil {
		return nil, err
	}
	return out, s.stockNow(ctx, who, in.stockIn, &out)
}

// stockNow adds what lies where now of a quote's parts; such an answer is not kept, and has no
// version. What might be sold instead stands on the lines, as of the draft.
func (s *Server) stockNow(ctx context.Context, who caller.Caller, in stockIn, out *quoteOut) error {
	if len(in.Live)+len(in.Locations) == 0 {
		return nil
	}
	a, err := s.ask(ctx, who, askIn{}, 0)
	if err != nil {
		return err
	}
	var parts []wanted
	for _, l := range out.Lines {
		if l.Stocked && l.SKU != "" {
			parts = append(parts, wanted{sku: l.SKU, settled: true})
		}
	}
	out.ETag, out.CacheControl = "", "private, no-store"
	out.Live, err = a.liveOut(ctx, in.asLive(), parts)
	return err
}

func (s *Server) differences(ctx context.Context, q quote.Quote) ([]differenceOut, error) {
	list, err := s.Quotes.Differences(ctx, q)
	return differencesOut(list), err
}

type readQuoteIn struct {
	Token       string `path:"token" maxlen:"100"`
	IfNoneMatch string `header:"If-None-Match"`
	Media       string `accept:""`
}

// readQuotePage is for whoever has the token: the customer, in a browser, without a key.
func (s *Server) readQuotePage(ctx context.Context, _ caller.Caller, in readQuoteIn) (Raw, error) {
	p, err := s.Quotes.LinkedPaper(ctx, sha256.Sum256([]byte(in.Token)))
	if err != nil {
		return Raw{}, err
	}
	return s.quotePaper(p, in.Media)
}

// ---- GET /v1/quotes -------------------------------------------------------------------------

type listQuotesIn struct {
	page
	Number      string     `query:"number" maxlen:"80"`
	Reference   string     `query:"customer_reference"`
	ClientID    string     `query:"client_id" maxlen:"100"`
	State       string     `query:"state" enum:"draft,issued,accepted,partly_fulfilled,fulfilled,declined,withdrawn,expired,lapsed,superseded"`
	CreatedFrom *time.Time `query:"created_from" format:"date"`
	CreatedTo   *time.Time `query:"created_to" format:"date"`
}

type quoteRowOut struct {
	QuoteID    string     `json:"quote_id"`
	Number     string     `json:"number,omitempty"`
	RevisionNo int        `json:"revision_no"`
	State      string     `json:"state"`
	Version    int64      `json:"version"`
	Reference  string     `json:"customer_reference,omitempty"`
	ClientID   string     `json:"client_id,omitempty"`
	Currency   string     `json:"currency"`
	Total      string     `json:"total"`
	CreatedAt  time.Time  `json:"created_at"`
	IssuedOn   string     `json:"issued_on,omitempty"`
	ValidUntil string     `json:"valid_until,omitempty"`
	HeldUntil  *time.Time `json:"held_until,omitempty"`
}

type quotesOut struct {
	Quotes     []quoteRowOut `json:"quotes"`
	NextCursor string        `json:"next_cursor,omitempty"`
}

func (s *Server) listQuotes(ctx context.Context, who caller.Caller, in listQuotesIn) (quotesOut, error) {
	after, err := in.after()
	if err != nil {
		return quotesOut{}, err
	}
	rows, err := s.Quotes.Store.Quotes(ctx, who.AccountID, service.QuoteFilter{
		Number: in.Number, Reference: in.Reference, ClientID: in.ClientID, State: quote.State(in.State),
		From: day(in.CreatedFrom), To: day(in.CreatedTo), After: after, Limit: in.Limit + 1, Now: s.Now(),
	})
	if err != nil {
		return quotesOut{}, err
	}
	rows, next := cut(rows, in.Limit, func(r service.QuoteRow) string { return r.ID })
	out := quotesOut{Quotes: make([]quoteRowOut, 0, len(rows)), NextCursor: next}
	for _, r := range rows {
		out.Quotes = append(out.Quotes, quoteRowOut{
			QuoteID: r.ID, Number: r.Number, RevisionNo: r.RevisionNo, State: string(r.State), Version: r.Version, Reference: r.Reference, ClientID: r.ClientID,
			Currency: r.Currency, Total: r.Total, CreatedAt: r.CreatedAt.UTC(), IssuedOn: r.IssuedOn, ValidUntil: r.ValidUntil, HeldUntil: utc(r.HeldUntil),
		})
	}
	return out, nil
}

func day(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.Format(time.DateOnly)
}

// ---- POST /v1/quotes/{quote_id}/… -----------------------------------------------------------

// changeIn is embedded in the input of every transition.
type changeIn struct {
	once
	QuoteID string `path:"quote_id"`
	IfMatch string `header:"If-Match" maxlen:"100"`
}

// begin reads the version that the caller has seen, and what its request promises.
func (in changeIn) begin(who caller.Caller, operation string, status int, asked any) (caller.Caller, int64, error) {
	tag, err := IfMatch(in.IfMatch)
	if err != nil {
		return who, 0, err
	}
	version, err := strconv.ParseInt(tag, 10, 64)
	if err != nil || version < 1 {
		return who, 0, fault.New(fault.PreconditionFailed, "stale_version", "If-Match names no version of this quote: send the ETag of the quote as JSON.")
	}
	by, err := in.by(who, operation, status, in.QuoteID, asked)
	return by, version, err
}

func (s *Server) changed(q quote.Quote, err error) (quoteOut, error) {
	if err != nil {
		return quoteOut{}, err
	}
	return s.quoteOut(q), nil
}

type issueQuoteIn struct {
	changeIn
	Body *struct {
		ValidUntil string `json:"valid_until"`
		ValidDays  int    `json:"valid_days"`
	} `body:""`
}

// Validate: one of the two, and days that can be meant.
func (in *issueQuoteIn) Validate() error {
	var wrong fault.Fields
	if b := in.Body; b != nil {
		if _, err := time.Parse(time.DateOnly, b.ValidUntil); b.ValidUntil != "" && err != nil {
			wrong.Add("/valid_until", "not_a_day", "%q is not a day; write it like 2026-03-31.", printable(b.ValidUntil))
		}
		if b.ValidUntil != "" && b.ValidDays != 0 {
			wrong.Add("/valid_days", "given_twice", "Give valid_until or valid_days, not both.")
		}
		inRange(&wrong, "/valid_days", float64(b.ValidDays), 0, 365, "valid_days")
	}
	return wrong.Err()
}

func (s *Server) issueQuote(ctx context.Context, who caller.Caller, in issueQuoteIn) (quoteOut, error) {
	by, version, err := in.begin(who, "issueQuote", http.StatusOK, in.Body)
	if err != nil {
		return quoteOut{}, err
	}
	var terms quote.IssueTerms
	if in.Body != nil {
		terms.ValidUntil, terms.ValidDays = in.Body.ValidUntil, in.Body.ValidDays
	}
	return s.changed(s.Quotes.Issue(ctx, by, in.QuoteID, version, terms))
}

func (s *Server) acceptQuote(ctx context.Context, who caller.Caller, in changeIn) (quoteOut, error) {
	by, version, err := in.begin(who, "acceptQuote", http.StatusOK, nil)
	if err != nil {
		return quoteOut{}, err
	}
	return s.changed(s.Quotes.Accept(ctx, by, in.QuoteID, version))
}

type endQuoteIn struct {
	changeIn
	Body *struct {
		Reason string `json:"reason"`
	} `body:""`
}

// Validate: a reason is a code, for words could be a person's.
func (in *endQuoteIn) Validate() error {
	if in.Body != nil && in.Body.Reason != "" && !reasonForm.MatchString(in.Body.Reason) {
		return wrongField("/reason", "invalid_value", "reason must be a code of small letters, digits and underscores, such as too_expensive.")
	}
	return nil
}

func (in *endQuoteIn) reason() string {
	if in.Body == nil {
		return ""
	}
	return in.Body.Reason
}

func (s *Server) declineQuote(ctx context.Context, who caller.Caller, in endQuoteIn) (quoteOut, error) {
	by, version, err := in.begin(who, "declineQuote", http.StatusOK, in.Body)
	if err != nil {
		return quoteOut{}, err
	}
	return s.changed(s.Quotes.Decline(ctx, by, in.QuoteID, version, in.reason()))
}

func (s *Server) withdrawQuote(ctx context.Context, who caller.Caller, in endQuoteIn) (quoteOut, error) {
	by, version, err := in.begin(who, "withdrawQuote", http.StatusOK, in.Body)
	if err != nil {
		return quoteOut{}, err
	}
	return s.changed(s.Quotes.Withdraw(ctx, by, in.QuoteID, version, in.reason()))
}

type fulfilQuoteIn struct {
	changeIn
	Body *struct {
		Lines []quote.Part `json:"lines"`
	} `body:""`
}

func (s *Server) fulfilQuote(ctx context.Context, who caller.Caller, in fulfilQuoteIn) (quoteOut, error) {
	by, version, err := in.begin(who, "fulfilQuote", http.StatusOK, in.Body)
	if err != nil {
		return quoteOut{}, err
	}
	var parts []quote.Part
	if in.Body != nil {
		var wrong fault.Fields
		if !few(&wrong, "/lines", len(in.Body.Lines), 1000) {
			return quoteOut{}, wrong.Err()
		}
		parts = in.Body.Lines
	}
	return s.changed(s.Quotes.Fulfil(ctx, by, in.QuoteID, version, parts))
}

type reviseQuoteIn struct {
	changeIn
	Body *quoteBody `body:""`
}

// reviseQuote makes the next revision: of another question when a body is sent, else of the
// same question at today's prices.
func (s *Server) reviseQuote(ctx context.Context, who caller.Caller, in reviseQuoteIn) (quoteOut, error) {
	by, version, err := in.begin(who, "reviseQuote", http.StatusCreated, in.Body)
	if err != nil {
		return quoteOut{}, err
	}
	var ask *service.QuoteAsk
	if in.Body != nil {
		a, err := s.asked(ctx, who, in.Body)
		if err != nil {
			return quoteOut{}, err
		}
		ask = &a
	}
	q, differences, err := s.Quotes.Revise(ctx, by, in.QuoteID, version, ask)
	if err != nil {
		return quoteOut{}, err
	}
	out := s.quoteOut(q)
	out.Differences = differencesOut(differences)
	out.Status, out.Location = http.StatusCreated, out.Links.Self
	return out, nil
}

// ---- GET /v1/quotes/{quote_id}/events -------------------------------------------------------

type quoteEventsIn struct {
	page
	QuoteID string `path:"quote_id"`
}

func (s *Server) listQuoteEvents(ctx context.Context, who caller.Caller, in quoteEventsIn) (eventsOut, error) {
	after, err := in.number()
	if err != nil {
		return eventsOut{}, err
	}
	if _, err := s.Quotes.Get(ctx, who.AccountID, in.QuoteID); err != nil {
		return eventsOut{}, err
	}
	rows, err := s.Events.EventsOf(ctx, who.AccountID, "quote", in.QuoteID, after, in.Limit+1)
	rows, next := cut(rows, in.Limit, func(e account.Event) string { return strconv.FormatInt(e.No, 10) })
	out := eventsOut{Events: make([]eventOut, 0, len(rows)), NextCursor: next}
	for _, e := range rows {
		out.Events = append(out.Events, eventWire(e))
	}
	return out, err
}

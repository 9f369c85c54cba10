package service

import (
	"context"
	"encoding/json"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/notice"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

// QuoteStore keeps quotes and knows what a price depends on. Every method is one transaction.
type QuoteStore interface {
	Seller(ctx context.Context, accountID string) (account.Seller, error)
	// Terms are those of an account for the parts and the country named. Its places are its own
	// locations, then those of the trade that supplies it, the nearest first; another shop's shelf
	// is none of them.
	Terms(ctx context.Context, accountID string, skus []string, country string) (QuoteTerms, error)
	StockOf(ctx context.Context, skus, locations []string) ([]stock.Level, error)

	// RepeatedQuote is the answer given before to the caller's Idempotency-Key, nil without one.
	RepeatedQuote(ctx context.Context, by caller.Caller) (*quote.Quote, error)
	// SellerOrRepeated is the answer given before or, without one, the seller.
	SellerOrRepeated(ctx context.Context, by caller.Caller) (account.Seller, *quote.Quote, error)
	CreateQuote(ctx context.Context, by caller.Caller, n NewQuote) (quote.Quote, error)
	Quote(ctx context.Context, accountID, id string) (quote.Quote, error)
	// QuoteBench is the bill of a quote's work at the bench, nil without one, and its seller.
	QuoteBench(ctx context.Context, accountID, id string) (json.RawMessage, account.Seller, error)
	// UpdateQuote changes a quote under its lock, if it still has the version; 0 is any. What
	// the event reserves, releases or consumes is booked in the same transaction.
	UpdateQuote(ctx context.Context, by caller.Caller, id string, version int64, change QuoteChange) (quote.Quote, error)
	// ReviseQuote stores the next revision and the old one as superseded, if the old one still
	// has the version before.
	ReviseQuote(ctx context.Context, by caller.Caller, r quote.Revision, digest func(id string) [32]byte) (quote.Quote, error)
	Quotes(ctx context.Context, accountID string, f QuoteFilter) ([]QuoteRow, error)
	QuotePaper(ctx context.Context, accountID, id string) (Paper, error)
	// LinkedQuote finds a quote by the digest of the token that was stored with it.
	LinkedQuote(ctx context.Context, digest [32]byte) (accountID, id string, err error)
}

// Paper is a quote with the seller's logo, nil without one, and the customer, empty where there is
// none or was erased: both as they are now.
type Paper struct {
	Quote  quote.Quote
	Logo   []byte
	Person account.Person
}

// TakeNumber takes the next number of a series; numbers have no gaps.
type TakeNumber func(series string) (int64, error)

// QuoteChange decides under the lock: it is pure but for the number that it may take.
type QuoteChange func(q quote.Quote, take TakeNumber) (quote.Quote, quote.Event, error)

// NewQuote is a quote to be stored: its id is given there.
type NewQuote struct {
	Draft   quote.Quote
	Created quote.Event
	Person  *account.Person // to be stored with it
	Issue   QuoteChange     // nil: it stays a draft
	Digest  func(id string) [32]byte
}

// QuoteFilter narrows the list of an account's quotes, newest first.
type QuoteFilter struct {
	Number    string
	Reference string
	ClientID  string
	State     quote.State
	From, To  string // days of creation in UTC, both included
	Now       time.Time
	After     string // id of the last one seen
	Limit     int
}

// QuoteRow is one quote of a list, in the state that it has at the time of the question.
type QuoteRow struct {
	ID         string
	Number     string
	RevisionNo int
	State      quote.State
	Reference  string
	ClientID   string
	Currency   string
	Total      string // exact decimal
	CreatedAt  time.Time
	IssuedOn   string
	ValidUntil string
	HeldUntil  *time.Time
	Version    int64
}

// Quoting is the use case of quotes: it brings question, catalog, seller, prices and stock
// together and moves quotes through their life.
type Quoting struct {
	Store    QuoteStore
	Catalogs interface {
		At(ctx context.Context, number int64) (*Live, error)
	}
	Notices interface{ Current() *notice.Set }
	Now     func() time.Time
	Digest  func(quoteID string) [32]byte // of the token of its page
}

// NewAsk is a request for a new quote.
type NewAsk struct {
	QuoteAsk
	Person   *account.Person // new personal values, or
	PersonID string          // those of a person who is known already
	Issue    bool
}

// Create drafts a quote, issues it where asked to, and stores it. A repetition with the same
// Idempotency-Key gets the quote as it was answered the first time.
func (s *Quoting) Create(ctx context.Context, by caller.Caller, ask NewAsk) (quote.Quote, error) {
	seller, before, err := s.Store.SellerOrRepeated(ctx, by)
	if err != nil {
		return quote.Quote{}, err
	}
	if before != nil {
		return *before, nil
	}
	q, err := s.draft(ctx, by, seller, ask.QuoteAsk, nil)
	if err != nil {
		return quote.Quote{}, err
	}
	q.PersonID = ask.PersonID
	clock := q.ClockAt(s.Now())
	n := NewQuote{Draft: q, Created: q.Created(clock, by), Person: ask.Person, Digest: s.Digest}
	if ask.Issue {
		n.Issue = s.issue(by, seller, quote.IssueTerms{})
	}
	return s.Store.CreateQuote(ctx, by, n)
}

func (s *Quoting) draft(ctx context.Context, by caller.Caller, seller account.Seller, ask QuoteAsk, previous *quote.Quote) (quote.Quote, error) {
	live, err := s.Catalogs.At(ctx, ask.Revision)
	if err != nil {
		return quote.Quote{}, err
	}
	seller.AccountID = by.AccountID
	if ask.Language == "" && len(seller.Languages) > 0 {
		ask.Language = seller.Languages[0]
	}
	plan, err := PlanQuote(live.Revision, append([]string{ask.Language}, seller.Languages...), ask)
	if err != nil {
		return quote.Quote{}, err
	}
	src, err := s.sources(ctx, by, seller, ask, plan.SKUs())
	if err != nil {
		return quote.Quote{}, err
	}
	src.Previous = previous
	q, err := plan.Draft(src)
	if err != nil {
		return q, err
	}
	return q, s.nameInstead(ctx, plan, src, &q)
}

func (s *Quoting) sources(ctx context.Context, by caller.Caller, seller account.Seller, ask QuoteAsk, skus []string) (src QuoteSources, err error) {
	src = QuoteSources{Seller: seller, Clock: quote.Quote{TimeZone: seller.TimeZone}.ClockAt(s.Now())}
	if s.Notices != nil {
		src.Notices = s.Notices.Current()
	}
	country, _, _ := strings.Cut(ask.Destination, "-")
	if country == "" {
		country = seller.TaxCountry
	}
	if src.QuoteTerms, err = s.Store.Terms(ctx, by.AccountID, skus, country); err != nil {
		return src, err
	}
	if src.Places, err = places(src.Places, ask.Locations); err != nil {
		return src, err
	}
	if len(src.Places) > 0 {
		src.Stock, err = s.Store.StockOf(ctx, skus, src.Places)
	}
	return src, err
}

// places are the locations named, in their order, else all that goods for an account come
// from. One that is another shop's is not there at all.
func places(all, named []string) ([]string, error) {
	if len(named) == 0 {
		return all, nil
	}
	for i, id := range named {
		if !slices.Contains(all, id) {
			return nil, askFault("/locations/"+strconv.Itoa(i), "location_not_found", "There is no location %q that goods for you could come from.", id)
		}
	}
	return named, nil
}

// issue makes the change that issues a draft with the next number of the seller's series.
func (s *Quoting) issue(by caller.Caller, seller account.Seller, terms quote.IssueTerms) QuoteChange {
	terms.UsualDays = seller.ValidityDays
	return func(q quote.Quote, take TakeNumber) (quote.Quote, quote.Event, error) {
		clock := q.ClockAt(s.Now())
		if q.Number == "" {
			// Whether it can be issued at all is known before a number is taken.
			terms.Number = "-"
			if _, _, err := q.Issue(clock, by, terms); err != nil {
				return q, quote.Event{}, err
			}
			n, err := take(seller.Series)
			if err != nil {
				return q, quote.Event{}, err
			}
			year, _ := strconv.Atoi(clock.Today()[:4])
			terms.Number = numberText(seller.NumberForm, seller.Series, year, n)
		}
		return q.Issue(clock, by, terms)
	}
}

var numberInForm = regexp.MustCompile(`\{number(?::([0-9]+))?\}`)

// numberText writes a number in a seller's form: {series}-{year}-{number:5} is RU-2026-00042.
func numberText(form, series string, year int, n int64) string {
	form = strings.ReplaceAll(strings.ReplaceAll(form, "{series}", series), "{year}", strconv.Itoa(year))
	return numberInForm.ReplaceAllStringFunc(form, func(m string) string {
		digits := strconv.FormatInt(n, 10)
		width, _ := strconv.Atoi(numberInForm.FindStringSubmatch(m)[1])
		return strings.Repeat("0", max(0, width-len(digits))) + digits
	})
}

// Get is a quote as it stands now: what time alone has made due is settled first.
func (s *Quoting) Get(ctx context.Context, accountID, id string) (quote.Quote, error) {
	q, err := s.Store.Quote(ctx, accountID, id)
	if err != nil {
		return q, err
	}
	return s.settled(ctx, q)
}

// BenchPaper is Paper with what the quote's bench sheet is made from, and its seller.
func (s *Quoting) BenchPaper(ctx context.Context, accountID, id string) (Paper, account.Seller, error) {
	p, err := s.Paper(ctx, accountID, id)
	if err != nil {
		return p, account.Seller{}, err
	}
	bill, seller, err := s.Store.QuoteBench(ctx, accountID, id)
	if bill != nil { // else it is in the quote, or there is none
		p.Quote.Bench = bill
	}
	return p, seller, err
}

func (s *Quoting) settled(ctx context.Context, q quote.Quote) (quote.Quote, error) {
	if q.StateAt(q.ClockAt(s.Now())) == q.State {
		return q, nil
	}
	return s.Settle(ctx, q.AccountID, q.ID)
}

// Settle takes the step that time has made due; a quote with none is returned as it is.
func (s *Quoting) Settle(ctx context.Context, accountID, id string) (quote.Quote, error) {
	return s.Store.UpdateQuote(ctx, caller.Caller{AccountID: accountID}, id, 0, func(q quote.Quote, _ TakeNumber) (quote.Quote, quote.Event, error) {
		next, e, due := q.Settle(q.ClockAt(s.Now()))
		if !due {
			return q, quote.Event{}, nil
		}
		return next, e, nil
	})
}

// Paper is a quote as Get gives it, with who stands on its paper.
func (s *Quoting) Paper(ctx context.Context, accountID, id string) (Paper, error) {
	p, err := s.Store.QuotePaper(ctx, accountID, id)
	if err != nil {
		return p, err
	}
	p.Quote, err = s.settled(ctx, p.Quote)
	return p, err
}

// LinkedPaper is the paper behind the token of a page.
func (s *Quoting) LinkedPaper(ctx context.Context, digest [32]byte) (Paper, error) {
	accountID, id, err := s.Store.LinkedQuote(ctx, digest)
	if err != nil {
		return Paper{}, err
	}
	return s.Paper(ctx, accountID, id)
}

// Issue makes a draft binding.
func (s *Quoting) Issue(ctx context.Context, by caller.Caller, id string, version int64, terms quote.IssueTerms) (quote.Quote, error) {
	seller, err := s.Store.Seller(ctx, by.AccountID)
	if err != nil {
		return quote.Quote{}, err
	}
	return s.Store.UpdateQuote(ctx, by, id, version, s.issue(by, seller, terms))
}

// Accept is the customer's yes: the goods are reserved in the same transaction, or it fails
// with not_enough_stock. A notice that stops the sale of a line now stops it too.
func (s *Quoting) Accept(ctx context.Context, by caller.Caller, id string, version int64) (quote.Quote, error) {
	seller, err := s.Store.Seller(ctx, by.AccountID)
	if err != nil {
		return quote.Quote{}, err
	}
	return s.Store.UpdateQuote(ctx, by, id, version, func(q quote.Quote, _ TakeNumber) (quote.Quote, quote.Event, error) {
		clock := q.ClockAt(s.Now())
		terms := quote.AcceptTerms{HeldFor: time.Duration(seller.HoldDays) * 24 * time.Hour, Blocks: s.blocks(q, clock)}
		return q.Accept(clock, by, terms)
	})
}

func (s *Quoting) blocks(q quote.Quote, c quote.Clock) (out []quote.Block) {
	if s.Notices == nil {
		return nil
	}
	for _, l := range q.Lines {
		if !l.Role.Charged() && !l.Stocked {
			continue
		}
		for _, n := range noticesOn(s.Notices.Current(), nil, l, c) {
			if n.Blocks {
				out = append(out, quote.Block{LineID: l.ID, Notice: n.ID, Text: n.Text})
			}
		}
	}
	return out
}

// Decline is the customer's no. The reason is a code, for words may be personal.
func (s *Quoting) Decline(ctx context.Context, by caller.Caller, id string, version int64, reason string) (quote.Quote, error) {
	return s.Store.UpdateQuote(ctx, by, id, version, func(q quote.Quote, _ TakeNumber) (quote.Quote, quote.Event, error) {
		return q.Decline(q.ClockAt(s.Now()), by, reason)
	})
}

// Withdraw is the seller's end of a quote; what was reserved is free again.
func (s *Quoting) Withdraw(ctx context.Context, by caller.Caller, id string, version int64, reason string) (quote.Quote, error) {
	return s.Store.UpdateQuote(ctx, by, id, version, func(q quote.Quote, _ TakeNumber) (quote.Quote, quote.Event, error) {
		return q.Withdraw(q.ClockAt(s.Now()), by, reason)
	})
}

// Fulfil hands goods over: the parts named, or all that is left.
func (s *Quoting) Fulfil(ctx context.Context, by caller.Caller, id string, version int64, parts []quote.Part) (quote.Quote, error) {
	return s.Store.UpdateQuote(ctx, by, id, version, func(q quote.Quote, _ TakeNumber) (quote.Quote, quote.Event, error) {
		return q.Fulfil(q.ClockAt(s.Now()), by, parts)
	})
}

// Revise begins the next revision: the question of the old one, or another, is answered anew
// at today's prices. The differences are against the old revision, line by line.
func (s *Quoting) Revise(ctx context.Context, by caller.Caller, id string, version int64, ask *QuoteAsk) (quote.Quote, []quote.Difference, error) {
	before, err := s.Store.RepeatedQuote(ctx, by)
	if err != nil {
		return quote.Quote{}, nil, err
	}
	if before != nil {
		old, err := s.Store.Quote(ctx, by.AccountID, id)
		return *before, quote.Diff(old, *before), err
	}
	old, err := s.Store.Quote(ctx, by.AccountID, id)
	if err != nil {
		return quote.Quote{}, nil, err
	}
	if old.Version != version {
		return quote.Quote{}, nil, StaleQuote(old)
	}
	clock := old.ClockAt(s.Now())
	rev, err := old.Revise(clock, by, "")
	if err != nil {
		return quote.Quote{}, nil, err
	}
	if ask == nil {
		ask = &QuoteAsk{}
		if err := json.Unmarshal(old.Asked, ask); err != nil {
			return quote.Quote{}, nil, fault.Wrap(err, fault.Internal, "internal", "Something went wrong on our side.")
		}
		ask.PriceDate, ask.Revision, ask.ClientID = "", 0, ""
	}
	seller, err := s.Store.Seller(ctx, by.AccountID)
	if err != nil {
		return quote.Quote{}, nil, err
	}
	next, err := s.draft(ctx, by, seller, *ask, &old)
	if err != nil {
		return quote.Quote{}, nil, err
	}
	next.RootID, next.PreviousID, next.RevisionNo = rev.Next.RootID, rev.Next.PreviousID, rev.Next.RevisionNo
	next.Series, next.Number, next.PersonID = old.Series, old.Number, old.PersonID
	rev.Next = next
	stored, err := s.Store.ReviseQuote(ctx, by, rev, s.Digest)
	return stored, quote.Diff(old, stored), err
}

// Differences compares a revision with the one before it; none for a first revision.
func (s *Quoting) Differences(ctx context.Context, q quote.Quote) ([]quote.Difference, error) {
	if q.PreviousID == "" {
		return nil, nil
	}
	old, err := s.Store.Quote(ctx, q.AccountID, q.PreviousID)
	if err != nil {
		return nil, err
	}
	return quote.Diff(old, q), nil
}

// StaleQuote says that a quote has changed since it was read.
func StaleQuote(q quote.Quote) error {
	f := fault.New(fault.PreconditionFailed, "stale_version", "The quote has changed since you read it: read it again and repeat your change if it is still meant.")
	f.Extra = map[string]any{"version": q.Version, "state": q.State}
	return f
}

// rowsOf are the fitment rows behind a line's verdict.
func rowsOf(l quote.Line) (rows []string) {
	var reasons []reasonWords
	if json.Unmarshal(l.Reasons, &reasons) != nil {
		return nil
	}
	for _, r := range reasons {
		if r.Row != "" {
			rows = append(rows, r.Row)
		}
	}
	return rows
}

package api

import (
	"context"
	"slices"
	"strconv"
	"strings"

	"forkwright/service"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// PriceStore keeps what sellers and administrators state about money outside the catalog.
type PriceStore interface {
	// KeptPrices are an account's own prices, buying prices too, from the number skip on.
	KeptPrices(ctx context.Context, accountID string, skip int64, limit int) ([]service.KeptPrice, error)
	ReplaceKeptPrices(ctx context.Context, by caller.Caller, prices []service.KeptPrice) error
	TaxRules(ctx context.Context, country string) ([]quote.TaxRule, error)
	ReplaceTaxRules(ctx context.Context, by caller.Caller, country string, rules []quote.TaxRule) error
}

// ---- /v1/account/prices ---------------------------------------------------------------------

type ownPriceWire struct {
	SKU         string        `json:"sku"`
	Use         string        `json:"use"`
	Currency    string        `json:"currency"`
	Basis       string        `json:"basis"`
	MinQuantity *money.Amount `json:"min_quantity,omitempty"`
	Amount      *money.Amount `json:"amount"`
	ValidFrom   string        `json:"valid_from"`
	ValidUntil  string        `json:"valid_until,omitempty"`
}

type ownPricesOut struct {
	Prices       []ownPriceWire `json:"prices"`
	NotInCatalog []string       `json:"not_in_catalog,omitempty"`
	NextCursor   string         `json:"next_cursor,omitempty"`
}

func (s *Server) listOwnPrices(ctx context.Context, who caller.Caller, in struct{ page }) (ownPricesOut, error) {
	skip, err := in.number()
	if err != nil {
		return ownPricesOut{}, err
	}
	return s.ownPrices(ctx, who, skip, in.Limit)
}

func (s *Server) ownPrices(ctx context.Context, who caller.Caller, skip int64, limit int) (ownPricesOut, error) {
	rows, err := s.Prices.KeptPrices(ctx, who.AccountID, skip, limit+1)
	rows, next := cut(rows, limit, func(service.KeptPrice) string { return strconv.FormatInt(skip+int64(limit), 10) })
	out := ownPricesOut{Prices: make([]ownPriceWire, 0, len(rows)), NextCursor: next}
	for _, p := range rows {
		out.Prices = append(out.Prices, ownPriceWire{p.SKU, p.Use, p.Currency, p.Basis, &p.MinQuantity, &p.Amount, p.From, p.Until})
	}
	return out, err
}

// putOwnPrices replaces them all. A part that the catalog does not have is no error: the list
// outlives revisions.
func (s *Server) putOwnPrices(ctx context.Context, who caller.Caller, in struct {
	Body struct {
		Prices []ownPriceWire `json:"prices"`
	} `body:""`
}) (ownPricesOut, error) {
	if in.Body.Prices == nil {
		return ownPricesOut{}, wrongField("/prices", "required", "Give the prices; an empty list takes all of them away.")
	}
	var wrong fault.Fields
	if n := len(in.Body.Prices); n > mostOwnPrices {
		wrong.Add("/prices", "too_many", "At most %d prices are taken; there are %d.", mostOwnPrices, n)
		return ownPricesOut{}, wrong.Err()
	}
	prices := make([]service.KeptPrice, 0, len(in.Body.Prices))
	for i, w := range in.Body.Prices {
		p := service.KeptPrice{Use: w.Use, OwnPrice: service.OwnPrice{SKU: w.SKU, Currency: w.Currency, Basis: w.Basis, MinQuantity: money.FromInt(1), From: w.ValidFrom, Until: w.ValidUntil}}
		if w.MinQuantity != nil {
			p.MinQuantity = *w.MinQuantity
		}
		if w.Amount == nil {
			wrong.Add("/prices/"+strconv.Itoa(i)+"/amount", "required", "amount is missing.")
		} else {
			p.Amount = *w.Amount
		}
		prices = append(prices, p)
	}
	if err := wrong.Err(); err != nil {
		return ownPricesOut{}, err
	}
	if err := service.CheckPrices(prices); err != nil {
		return ownPricesOut{}, err
	}
	if err := s.Prices.ReplaceKeptPrices(ctx, who, prices); err != nil {
		return ownPricesOut{}, err
	}
	out, err := s.ownPrices(ctx, who, 0, defaultPage)
	out.NotInCatalog = s.notInCatalog(prices)
	return out, err
}

const (
	mostOwnPrices = 50_000
	mostNamed     = 100
)

// notInCatalog names the parts that the current revision does not have, the first hundred.
func (s *Server) notInCatalog(prices []service.KeptPrice) (out []string) {
	if s.Catalogs == nil {
		return nil
	}
	live, err := s.Catalogs.Current()
	if err != nil {
		return nil
	}
	for _, p := range prices {
		if _, ok := live.Part(p.SKU); !ok && !slices.Contains(out, p.SKU) && len(out) < mostNamed {
			out = append(out, p.SKU)
		}
	}
	return out
}

// ---- /v1/tax-rates --------------------------------------------------------------------------

type taxRatesWire struct {
	Country string        `json:"country"`
	Rates   []taxRateWire `json:"rates"`
}

type taxRateWire struct {
	Region     string        `json:"region,omitempty"`
	Class      string        `json:"class,omitempty"`
	Category   string        `json:"category"`
	Rate       *money.Amount `json:"rate"`
	Reason     string        `json:"reason,omitempty"`
	ValidFrom  string        `json:"valid_from"`
	ValidUntil string        `json:"valid_until,omitempty"`
}

func (s *Server) listTaxRates(ctx context.Context, _ caller.Caller, in struct {
	Country string `query:"country" maxlen:"2" required:"true"`
}) (taxRatesWire, error) {
	if err := service.CheckCountry("query:country", in.Country); err != nil {
		return taxRatesWire{}, err
	}
	return s.taxRates(ctx, in.Country)
}

func (s *Server) taxRates(ctx context.Context, country string) (taxRatesWire, error) {
	rules, err := s.Prices.TaxRules(ctx, country)
	out := taxRatesWire{Country: country, Rates: make([]taxRateWire, 0, len(rules))}
	for _, r := range rules {
		_, region, _ := strings.Cut(r.Destination, "-")
		out.Rates = append(out.Rates, taxRateWire{region, r.Class, string(r.Tax.Category), &r.Tax.Rate, r.Tax.Reason, r.From, r.Until})
	}
	return out, err
}

func (s *Server) putTaxRates(ctx context.Context, who caller.Caller, in struct {
	Body taxRatesWire `body:""`
}) (taxRatesWire, error) {
	if err := service.CheckCountry("/country", in.Body.Country); err != nil {
		return taxRatesWire{}, err
	}
	if in.Body.Rates == nil {
		return taxRatesWire{}, wrongField("/rates", "required", "Give the rates; an empty list takes all of the country's away.")
	}
	var wrong fault.Fields
	if n := len(in.Body.Rates); n > mostTaxRates {
		wrong.Add("/rates", "too_many", "At most %d rates are taken for a country; there are %d.", mostTaxRates, n)
		return taxRatesWire{}, wrong.Err()
	}
	rules := make([]quote.TaxRule, 0, len(in.Body.Rates))
	for i, w := range in.Body.Rates {
		at := "/rates/" + strconv.Itoa(i)
		length(&wrong, at+"/reason", w.Reason, 300)
		if w.Rate == nil {
			wrong.Add(at+"/rate", "required", "rate is missing.")
			continue
		}
		rules = append(rules, w.rule(in.Body.Country))
	}
	if err := wrong.Err(); err != nil {
		return taxRatesWire{}, err
	}
	if err := service.CheckTaxRules(rules); err != nil {
		return taxRatesWire{}, err
	}
	if err := s.Prices.ReplaceTaxRules(ctx, who, in.Body.Country, rules); err != nil {
		return taxRatesWire{}, err
	}
	return s.taxRates(ctx, in.Body.Country)
}

const mostTaxRates = 5_000

func (w taxRateWire) rule(country string) quote.TaxRule {
	r := quote.TaxRule{Class: orString(w.Class, "standard"), Destination: country, From: w.ValidFrom, Until: w.ValidUntil,
		Tax: quote.Tax{Category: quote.Category(w.Category), Rate: *w.Rate, Reason: w.Reason}}
	if w.Region != "" {
		r.Destination += "-" + w.Region
	}
	return r
}

package api

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/stock"
)

// Stock reads what lies where and what is promised of it, for the parts named and the locations
// named (none means all that goods for the account come from), by location and part.
type Stock interface {
	StockFor(ctx context.Context, accountID string, skus, locations []string) ([]stock.Level, error)
}

// liveIn asks for what depends on the minute or on the caller.
type liveIn struct {
	Live      []string `query:"live" enum:"prices,stock" maxitems:"2"`
	Currency  string   `query:"currency" maxlen:"3"`
	PriceList string   `query:"price_list" maxlen:"60"`
	Locations []string `query:"locations" maxlen:"820" maxitems:"20" maxitem:"40"`
}

// stockIn asks for stock alone, where money has no place.
type stockIn struct {
	Live      []string `query:"live" enum:"stock" maxitems:"1"`
	Locations []string `query:"locations" maxlen:"820" maxitems:"20" maxitem:"40"`
}

func (in stockIn) asLive() liveIn { return liveIn{Live: in.Live, Locations: in.Locations} }

// liveOut is the part of an answer that must not be kept.
type liveOut struct {
	At          time.Time    `json:"at"`
	PriceDate   string       `json:"price_date,omitempty"`
	Currency    string       `json:"currency,omitempty"`
	PriceList   string       `json:"price_list,omitempty"`
	Basis       string       `json:"basis,omitempty"` // net|gross
	Audience    string       `json:"audience,omitempty"`
	Prices      []priceOut   `json:"prices,omitempty"`
	Stock       []stockOut   `json:"stock,omitempty"`
	Instead     []insteadOut `json:"alternatives,omitempty"` // in stock, for what is not
	Unavailable []string     `json:"unavailable,omitempty"`  // what was asked for and cannot be said now
}

// priceOut is the price of a part from a quantity on. A part without one is not listed.
type priceOut struct {
	SKU          string `json:"sku"`
	Price        string `json:"price"`
	MinQuantity  string `json:"min_quantity"`
	BaseQuantity string `json:"base_quantity"` // the price is for so many
}

// stockOut is what there is of a part: the trade sees each location's count, a storefront
// whether there is any.
type stockOut struct {
	SKU          string     `json:"sku"`
	Availability string     `json:"availability"`    // yes|few|date|no
	On           string     `json:"on,omitempty"`    // for date
	Stale        bool       `json:"stale,omitempty"` // counted on a location whose feed is overdue
	Levels       []levelOut `json:"levels,omitempty"`
}

type levelOut struct {
	Location   string     `json:"location"`
	Available  string     `json:"available"`
	AtLeast    bool       `json:"at_least"`
	OnHand     string     `json:"on_hand"`
	Promised   string     `json:"promised"`
	Incoming   string     `json:"incoming,omitempty"`
	IncomingOn string     `json:"incoming_on,omitempty"`
	Stale      bool       `json:"stale"` // its feed is overdue
	AsOf       *time.Time `json:"as_of,omitempty"`
}

// liveOut answers what was asked for beside the answer; nil when nothing was. Stock that
// cannot be read makes no failure of the rest.
func (a *asking) liveOut(ctx context.Context, in liveIn, parts []wanted) (*liveOut, error) {
	if len(in.Live) == 0 {
		if in.Currency+in.PriceList != "" || len(in.Locations) > 0 {
			return nil, wrongField("query:live", "required", "currency, price_list and locations belong to live data; add live=prices or live=stock.")
		}
		return nil, nil
	}
	out := &liveOut{At: a.now.UTC().Truncate(time.Second)}
	skus := make([]string, 0, len(parts))
	for _, w := range parts {
		skus = append(skus, w.sku)
	}
	slices.Sort(skus)
	skus = slices.Compact(skus)
	if slices.Contains(in.Live, "prices") {
		list, err := a.priceList(in)
		if err != nil {
			return nil, err
		}
		out.PriceDate, out.Currency, out.PriceList, out.Basis, out.Audience = a.today(), list.Currency, list.List, list.Basis, list.Audience
		out.Prices = a.prices(list.List, skus)
	}
	if slices.Contains(in.Live, "stock") {
		others, named := a.replacements(parts)
		levels, err := a.levels(ctx, merged(skus, named), in.Locations)
		if err != nil {
			out.Unavailable = append(out.Unavailable, "stock")
			return out, nil
		}
		out.Instead = a.instead(others, levels)
		out.Stock = a.stockOut(skus, levels)
	}
	return out, nil
}

// merged are the members of two sorted lists, each once.
func merged(a, b []string) []string {
	all := slices.Concat(a, b)
	slices.Sort(all)
	return slices.Compact(all)
}

func (a *asking) today() string { return a.now.UTC().Format(time.DateOnly) }

// maySee: buying prices are for the trade that buys at them, and for whoever keeps the lists.
func (a *asking) maySee(l *catalog.PriceList) bool {
	return l.Audience != "buying" || a.who.Has(caller.Shop, caller.Administrator)
}

// priceList is the list named, else the recommended one in the currency that is valid today
// and began last. Nobody gets a buying list without naming it.
func (a *asking) priceList(in liveIn) (*catalog.PriceList, error) {
	if in.PriceList != "" {
		l, ok := a.rev.PriceList(in.PriceList)
		switch {
		case !ok || !a.maySee(l):
			return nil, wrongField("query:price_list", "unknown_price_list", "There is no price list %q; use one of %s.", printable(in.PriceList), strings.Join(a.listNames(), ", "))
		case in.Currency != "" && in.Currency != l.Currency:
			return nil, wrongField("query:currency", "contradiction", "Price list %s is in %s, not in %s; leave one of the two out.", l.List, l.Currency, printable(in.Currency))
		case !a.valid(l):
			return nil, wrongField("query:price_list", "not_valid_today", "Price list %s is not valid on %s.", l.List, a.today())
		}
		return l, nil
	}
	if in.Currency == "" {
		return nil, wrongField("query:currency", "required", "Say in which currency, or from which price_list, prices are wanted.")
	}
	if _, err := money.ParseCurrency(in.Currency); err != nil {
		return nil, wrongField("query:currency", "unknown_currency", "%s", fault.As(err).Text)
	}
	var best *catalog.PriceList
	all := a.rev.PriceLists()
	for i := range all {
		if l := &all[i]; l.Currency == in.Currency && l.Audience == "recommended" && a.valid(l) && (best == nil || l.ValidFrom > best.ValidFrom) {
			best = l
		}
	}
	if best == nil {
		return nil, wrongField("query:currency", "no_price_list", "There are no recommended prices in %s today; price lists are %s.", in.Currency, strings.Join(a.listNames(), ", "))
	}
	return best, nil
}

func (a *asking) valid(l *catalog.PriceList) bool {
	return l.ValidFrom <= a.today() && (l.ValidUntil == "" || a.today() <= l.ValidUntil)
}

func (a *asking) listNames() []string {
	var names []string
	all := a.rev.PriceLists()
	for i := range all {
		if a.maySee(&all[i]) {
			names = append(names, all[i].List)
		}
	}
	return names
}

func (a *asking) prices(list string, skus []string) []priceOut {
	out := []priceOut{}
	for _, sku := range skus {
		for _, p := range a.rev.Prices(list, sku) {
			out = append(out, priceOut{SKU: sku, Price: p.Amount, MinQuantity: plainNumber(p.MinQuantity), BaseQuantity: plainNumber(cmp.Or(p.BaseQuantity, 1))})
		}
	}
	return out
}

// levels is what lies of parts, sorted by part.
func (a *asking) levels(ctx context.Context, skus, locations []string) ([]stock.Level, error) {
	if a.s.Stock == nil {
		return nil, fault.New(fault.Unavailable, "stock_unavailable", "Stock cannot be read now.")
	}
	all, err := a.s.Stock.StockFor(ctx, a.who.AccountID, skus, locations)
	slices.SortStableFunc(all, func(x, y stock.Level) int { return strings.Compare(x.SKU, y.SKU) })
	return all, err
}

// stockOut sums up the levels of each part asked for; a part that lies nowhere is a no.
func (a *asking) stockOut(skus []string, levels []stock.Level) []stockOut {
	out, today := make([]stockOut, len(skus)), a.today()
	for i, sku := range skus {
		x, own := &out[i], levelsOf(levels, sku)
		x.SKU = sku
		x.Availability, x.On, x.Stale = stock.ForStorefront(own, today)
		if a.view == forTrade {
			x.Levels = levelsOut(own, today)
		}
	}
	return out
}

// levelsOf are those of one part among levels that are sorted by part.
func levelsOf(levels []stock.Level, sku string) []stock.Level {
	from, _ := slices.BinarySearchFunc(levels, sku, func(l stock.Level, sku string) int { return strings.Compare(l.SKU, sku) })
	to := from
	for to < len(levels) && levels[to].SKU == sku {
		to++
	}
	return levels[from:to]
}

func levelsOut(own []stock.Level, today string) []levelOut {
	out := make([]levelOut, len(own))
	for i := range own {
		out[i] = levelOf(&own[i], today)
	}
	return out
}

// levelOf is a level as the trade sees it. What should have come in before today is no promise.
func levelOf(l *stock.Level, today string) levelOut {
	now := stock.AvailabilityOf(*l, today)
	out := levelOut{
		Location: l.Location, Available: now.Available.String(), AtLeast: l.AtLeast, OnHand: l.OnHand.String(), Promised: l.Promised.String(),
		IncomingOn: now.IncomingOn, Stale: l.Stale, AsOf: utc(l.AsOf),
	}
	if now.Incoming.IsPos() {
		out.Incoming = now.Incoming.String()
	}
	return out
}

package service

import (
	"forkwright/service/money"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

// source plans where the goods of the whole quote come from, and shares the plan out over its
// lines: lines of one part take in their order what there is of it. Without places nobody says
// where anything lies, and nothing is planned.
func (d *draft) source() {
	if len(d.src.Places) == 0 {
		return
	}
	supply := stock.Supply{Levels: d.src.Stock, Preferred: d.src.Places, Today: d.src.Clock.Today(), LeadDays: map[string]int{}}
	var needs []stock.Need
	for _, l := range d.lines {
		if !needed(l.Line) {
			continue
		}
		needs = append(needs, stock.Need{SKU: l.SKU, Quantity: l.Quantity.Decimal()})
		if part, ok := d.rev.Part(l.SKU); ok && part.LeadDays > 0 {
			supply.LeadDays[l.SKU] = int(part.LeadDays)
		}
	}
	left := map[string][]stock.Share{}
	for _, s := range stock.Source(needs, supply).Shares {
		left[s.SKU] = append(left[s.SKU], s)
	}
	for i := range d.lines {
		l := &d.lines[i]
		if !needed(l.Line) {
			continue
		}
		l.Sourcing, left[l.SKU] = d.sharesOf(l.Quantity, left[l.SKU])
		for _, s := range l.Sourcing {
			if days, known := supply.LeadDays[l.SKU]; known && s.Kind == quote.Backorder {
				l.LeadDays = &days
			}
		}
	}
}

func needed(l quote.Line) bool { return l.Stocked && l.Quantity.Sign() > 0 }

// sharesOf takes a quantity from the front of what is left of a part.
func (d *draft) sharesOf(quantity money.Amount, left []stock.Share) (out []quote.Source, rest []stock.Share) {
	for len(left) > 0 && quantity.Sign() > 0 {
		s := &left[0]
		part := smaller(quantity, money.FromDecimal(s.Quantity))
		out = append(out, d.sourceOf(*s, part))
		quantity, s.Quantity = quantity.Sub(part), s.Quantity.Sub(part.Decimal())
		if !s.Quantity.IsPos() {
			left = left[1:]
		}
	}
	return out, left
}

var sourceKinds = map[stock.Way]quote.SourceKind{stock.OnShelf: quote.OnHand, stock.Arriving: quote.Incoming, stock.Ordered: quote.Backorder}

func (d *draft) sourceOf(s stock.Share, quantity money.Amount) quote.Source {
	out := quote.Source{Location: s.Location, Kind: sourceKinds[s.Way], Quantity: quantity, On: s.On, Stale: s.Stale}
	if s.Way == stock.OnShelf && s.On == d.src.Clock.Today() {
		out.On = "" // it is here
	}
	if s.Stale && s.AsOf != nil {
		at := s.AsOf.UTC()
		out.CountedAt = &at
	}
	return out
}

func smaller(a, b money.Amount) money.Amount {
	if a.Cmp(b) < 0 {
		return a
	}
	return b
}

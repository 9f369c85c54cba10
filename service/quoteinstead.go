package service

import (
	"context"
	"slices"

	"forkwright/service/fitment"
	"forkwright/service/money"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

// mostInstead is how many parts are named in the place of one.
const mostInstead = 3

// nameInstead names, on each line of a draft whose goods are not all on hand, what is: it fits
// the same fork, there is as much of it as is quoted, and no notice stops its sale. Only a draft
// that is short of something is looked into.
func (s *Quoting) nameInstead(ctx context.Context, plan *QuotePlan, src QuoteSources, q *quote.Quote) error {
	short, skus := plan.short(q)
	if len(skus) == 0 {
		return nil
	}
	levels, err := s.Store.StockOf(ctx, skus, src.Places)
	if err != nil {
		return err
	}
	for i, x := range short {
		plan.instead(x, &q.Lines[i], levels, src)
	}
	return nil
}

// short are the lines, by their number, for which something has to come, with what might be
// taken instead, and all of that, sorted.
func (p *QuotePlan) short(q *quote.Quote) (lines map[int]*fitment.Instead, skus []string) {
	out, replacing := map[int]*fitment.Instead{}, fitment.NewReplacing(p.rev)
	for i, l := range q.Lines {
		waits := slices.ContainsFunc(l.Sourcing, func(s quote.Source) bool { return s.Kind != quote.OnHand })
		if !waits || l.Role == quote.RoleTool {
			continue
		}
		out[i] = replacing.InsteadOf(p.forkOf(&l), l.SKU)
	}
	return out, replacing.SKUs()
}

// forkOf is the fork that a line is for, nil where it is for none.
func (p *QuotePlan) forkOf(l *quote.Line) *fitment.Owned {
	if l.ForFork == "" {
		return nil
	}
	return p.owned
}

func (p *QuotePlan) instead(x *fitment.Instead, l *quote.Line, levels []stock.Level, src QuoteSources) {
	free := map[string]money.Amount{}
	for _, level := range levels {
		free[level.SKU] = free[level.SKU].Add(money.FromDecimal(level.Available()))
	}
	stopped := func(sku string) bool { return Stopped(src.Notices, p.rev, p.forkOf(l), sku, src.Clock.Now) }
	for _, a := range x.First(mostInstead, func(sku string) bool { return free[sku].Cmp(l.Quantity) >= 0 && !stopped(sku) }) {
		found := quote.Alternative{SKU: a.SKU, Text: p.names("part", a.SKU), Why: a.Why, Available: free[a.SKU]}
		if l.ForFork != "" {
			found.Verdict = a.Verdict.String()
		}
		l.Alternatives = append(l.Alternatives, found)
	}
}

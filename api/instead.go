package api

import (
	"slices"

	"forkwright/service"
	"forkwright/service/catalog"
	"forkwright/service/fitment"
	"forkwright/service/stock"
)

// mostInstead is how many parts are named in the place of one.
const mostInstead = 3

// insteadOut is a part that lies somewhere, named because the one asked for does not. A
// storefront gets no more than its code.
type insteadOut struct {
	InsteadOf string     `json:"instead_of"`
	ForFork   string     `json:"for_fork,omitempty"` // of a cart
	SKU       string     `json:"sku"`
	Name      string     `json:"name,omitempty"`
	Verdict   string     `json:"verdict,omitempty"`
	Why       string     `json:"why,omitempty"`
	Levels    []levelOut `json:"levels,omitempty"`
}

// wanted is a part whose stock is asked for: how many of it, and for which fork.
type wanted struct {
	sku      string
	quantity float64
	fork     *fitment.Owned // nil: none is known
	forFork  string         // how a cart calls it
	settled  bool           // nothing is named instead: it does not fit, and its verdict names what does, or it is quoted
}

// replacement is a part that is wanted, with what may be named in its place.
type replacement struct {
	wanted
	*fitment.Instead
}

// replacements looks for what may be named, before it is known what lies where: so the stock of
// both is one read. SKUs are all that may be named, sorted.
func (a *asking) replacements(parts []wanted) (out []replacement, skus []string) {
	replacing := fitment.NewReplacing(a.rev)
	out = make([]replacement, 0, len(parts))
	for _, w := range together(parts) {
		if !w.settled {
			out = append(out, replacement{w, replacing.InsteadOf(w.fork, w.sku)})
		}
	}
	return out, replacing.SKUs()
}

// instead names what lies somewhere in the place of what does not: it fits the same fork, there
// is as much of it as is wanted, and no notice stops its sale.
func (a *asking) instead(others []replacement, levels []stock.Level) (out []insteadOut) {
	for _, x := range others {
		if enough(levelsOf(levels, x.sku), x.quantity) {
			continue
		}
		found := x.First(mostInstead, func(sku string) bool {
			return enough(levelsOf(levels, sku), x.quantity) && !service.Stopped(a.set, a.rev, x.fork, sku, a.now)
		})
		for _, alternative := range found {
			out = append(out, a.insteadOut(x.wanted, alternative, levels))
		}
	}
	return out
}

// together adds up what is wanted of one part for one fork.
func together(parts []wanted) []wanted {
	out := make([]wanted, 0, len(parts))
	for _, w := range parts {
		i := slices.IndexFunc(out, func(o wanted) bool { return o.sku == w.sku && o.forFork == w.forFork && o.settled == w.settled })
		if i < 0 {
			out = append(out, w)
			continue
		}
		out[i].quantity += w.quantity
	}
	return out
}

// enough reports whether so many can be had now of a part that lies so.
func enough(levels []stock.Level, quantity float64) bool {
	total := 0.0
	for i := range levels {
		left := levels[i].Available()
		if levels[i].AtLeast && left.IsPos() {
			return true
		}
		total += left.InexactFloat64()
	}
	return total > 0 && total >= quantity
}

func (a *asking) insteadOut(w wanted, x fitment.Alternative, levels []stock.Level) insteadOut {
	out := insteadOut{InsteadOf: w.sku, ForFork: w.forFork, SKU: x.SKU}
	if a.view != forTrade {
		return out
	}
	out.Name, out.Why = a.partName(x.SKU), x.Why
	if x.Verdict != catalog.Unknown {
		out.Verdict = x.Verdict.String()
	}
	out.Levels = levelsOut(levelsOf(levels, x.SKU), a.today())
	return out
}

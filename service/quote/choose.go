package quote

import (
	"cmp"
	"math/big"
	"slices"

	"forkwright/service/fault"
	"forkwright/service/money"
)

// PriceKind says where a price comes from. The buying price is not among them:
// it never enters a quote.
type PriceKind string

// The kinds, in the order in which they are preferred.
const (
	PriceStated      PriceKind = "stated"      // given with the line
	PriceOwn         PriceKind = "own"         // the shop's own list
	PriceRecommended PriceKind = "recommended" // the catalog's list
	PriceMenu        PriceKind = "menu"        // the shop's price for an operation
	PriceLabor       PriceKind = "labor_rate"  // the shop's hourly rate
	PriceNone        PriceKind = "none"        // nobody has one, or the line is not charged
)

// PriceSource says where a line's price comes from.
type PriceSource struct {
	Kind PriceKind `json:"kind"`
	List string    `json:"list,omitempty"` // name of the price list
	From string    `json:"from,omitempty"` // first day of the entry
}

// Entry is a price of a part, as a list states it.
type Entry struct {
	Source       PriceSource
	Currency     money.Currency
	Basis        Basis
	Price        money.Amount
	BaseQuantity *money.Amount // the price is for so many; absent is 1
	MinQuantity  money.Amount  // quantity break: from so many on; up to 1 is any
	Until        string        // last day, empty is open; days are text like 2026-03-31
}

// ChoosePrice picks the entry for a quantity on a day: the shop's own before the
// recommended, then the highest quantity break reached, then the entry that
// began last. It reports false when none applies; such a line has no price.
func ChoosePrice(entries []Entry, currency money.Currency, basis Basis, date string, quantity money.Amount) (Entry, bool) {
	applies := func(e Entry) bool {
		return e.Currency == currency && e.Basis == basis &&
			e.Source.From <= date && (e.Until == "" || date <= e.Until) &&
			e.from().Cmp(quantity.Abs()) <= 0
	}
	better := func(a, b Entry) int {
		return cmp.Or(
			cmp.Compare(preference(a.Source.Kind), preference(b.Source.Kind)),
			b.from().Cmp(a.from()),
			cmp.Compare(b.Source.From, a.Source.From),
			cmp.Compare(a.Source.List, b.Source.List), // so that equal entries do not depend on their order
			a.Price.Cmp(b.Price),
		)
	}
	fit := slices.DeleteFunc(slices.Clone(entries), func(e Entry) bool { return !applies(e) })
	if len(fit) == 0 {
		return Entry{}, false
	}
	return slices.MinFunc(fit, better), true
}

// from is the quantity that a price begins at. From one on is from nothing on: half a
// milliliter has a price.
func (e Entry) from() money.Amount {
	if e.MinQuantity.Cmp(money.FromInt(1)) <= 0 {
		return money.Amount{}
	}
	return e.MinQuantity
}

func preference(k PriceKind) int {
	return slices.Index([]PriceKind{PriceStated, PriceOwn, PriceRecommended}, k)
}

// Packages is the number of whole packages that hold a need: 1001 mL from
// bottles of 1000 mL are two, 1000 mL are one. A need of nothing takes none. The
// size must be above zero and the need not below: fault package_size.
func Packages(need, size money.Amount) (money.Amount, error) {
	if size.Sign() <= 0 || need.Sign() < 0 {
		return money.Amount{}, fault.New(fault.Invalid, "package_size", "%s cannot be sold in packages of %s", need, size)
	}
	r := new(big.Rat).Quo(need.Ratio(), size.Ratio())
	n := new(big.Int).Add(r.Num(), r.Denom())
	n.Sub(n, big.NewInt(1)) // round up: (num + den - 1) / den
	return money.FromUnits(n.Quo(n, r.Denom()), 0), nil
}

// Sale says how goods from a package are sold.
type Sale string

// The two sales.
const (
	SaleBench   Sale = "bench"   // by what the job uses
	SaleCounter Sale = "counter" // in whole packages
)

// SellPackaged gives quantity and base quantity for a line whose price is that of
// one package: at the bench 40 mL of a 1000 mL bottle cost 40/1000 of its price,
// over the counter one bottle. Faults are those of Packages.
func SellPackaged(sale Sale, need, size money.Amount) (quantity, base money.Amount, err error) {
	packages, err := Packages(need, size)
	if err != nil || sale == SaleCounter {
		return packages, money.FromInt(1), err
	}
	return need, size, nil
}

// Operation is labor of a job, its minutes already netted: what several
// operations strip down together is in one of them only.
type Operation struct {
	Code    string
	Minutes money.Amount
}

// LaborTerms is what a shop asks for labor.
type LaborTerms struct {
	Basis   Basis
	PerHour *money.Amount           // absent: only menu prices
	Menu    map[string]money.Amount // by operation; goes before the hourly rate
	Tax     Tax
}

// Labor is the line for an operation: one at the menu price, or minutes at the
// hourly rate over a base quantity of 60, or a line without a price when the shop
// has stated neither.
func (t LaborTerms) Labor(op Operation) (DocumentLine, PriceSource) {
	line := DocumentLine{Role: RoleLabor, Quantity: op.Minutes, Tax: t.Tax}
	if price, ok := t.Menu[op.Code]; ok {
		line.Quantity = money.FromInt(1)
		line.SetPrice(t.Basis, price)
		return line, PriceSource{Kind: PriceMenu}
	}
	if t.PerHour == nil {
		return line, PriceSource{Kind: PriceNone}
	}
	hour := money.FromInt(60)
	line.BaseQuantity = &hour
	line.SetPrice(t.Basis, *t.PerHour)
	return line, PriceSource{Kind: PriceLabor}
}

// SetPrice gives the line a price on a basis.
func (l *DocumentLine) SetPrice(b Basis, price money.Amount) {
	l.NetPrice, l.GrossPrice = &price, nil
	if b == Gross {
		l.NetPrice, l.GrossPrice = nil, &price
	}
}

// Slot is a choice inside a kit, such as the spring of a family.
type Slot struct {
	Code    string
	Default string // SKU; empty means that the choice must be made
	Choices []Choice
}

// Choice is one part that may fill a slot.
type Choice struct {
	SKU        string
	Label      string
	Difference money.Amount // added to the kit's price, may be negative
}

// Choose fills a slot with the SKU asked for, else with its default. Stock is
// taken from the part chosen. Faults: slot_not_chosen with the candidates, when
// there is no default; not_a_choice.
func (s Slot) Choose(sku string) (Choice, error) {
	wanted := cmp.Or(sku, s.Default)
	for _, c := range s.Choices {
		if c.SKU == wanted && wanted != "" {
			return c, nil
		}
	}
	f := fault.New(fault.Invalid, "not_a_choice", "%s cannot go into %s; choose one of the candidates", wanted, s.Code)
	if wanted == "" {
		f = fault.New(fault.Invalid, "slot_not_chosen", "the kit leaves %s open; choose one of the candidates", s.Code)
	}
	for _, c := range s.Choices {
		f.Candidates = append(f.Candidates, fault.Candidate{ID: c.SKU, Label: cmp.Or(c.Label, c.SKU)})
	}
	return Choice{}, f
}

// TaxRule is a shop's tax for a class of goods, by destination and day.
type TaxRule struct {
	Class       string // the shop's own name: parts, labor, shipping ...
	Destination string // country or region code; empty is anywhere
	Tax         Tax
	From, Until string // days, Until empty is open
}

// FindTax picks the rule for a class, a destination and a day: a rule for the
// destination before one for anywhere, then the one that began last. A rate that
// is not stated is a fault of kind Invalid, code no_tax_rule: none is assumed.
func FindTax(rules []TaxRule, class, destination, date string) (Tax, error) {
	var best *TaxRule
	for i, r := range rules {
		switch {
		case r.Class != class || (r.Destination != "" && r.Destination != destination):
		case r.From > date || (r.Until != "" && date > r.Until):
		case best == nil || moreSpecific(r, *best):
			best = &rules[i]
		}
	}
	if best == nil {
		return Tax{}, fault.New(fault.Invalid, "no_tax_rule", "no tax is stated for %s to %s on %s; add it to the seller's tax rates or give it with the line",
			class, cmp.Or(destination, "an unnamed destination"), date)
	}
	return best.Tax, nil
}

func moreSpecific(a, b TaxRule) bool {
	if (a.Destination != "") != (b.Destination != "") {
		return a.Destination != ""
	}
	return a.From > b.From
}

package quote

import (
	"cmp"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"forkwright/service/fault"
	"forkwright/service/money"
)

// Applied is a line's discount or charge as computed.
type Applied struct {
	Adjustment
	Base  *money.Amount `json:"base,omitempty"` // BT-137: what the percentage was of
	Value money.Amount  `json:"value"`          // BT-136 or BT-141, in the document's basis
}

// PricedLine is the result for one line. The amounts of a line without a price
// are absent.
type PricedLine struct {
	PriceMissing bool          `json:"price_missing"`
	Charged      bool          `json:"charged"`
	Gross        *money.Amount `json:"gross,omitempty"` // with tax; on documents priced gross
	Net          *money.Amount `json:"net,omitempty"`   // BT-131
	Discounts    []Applied     `json:"discounts,omitempty"`
	Charges      []Applied     `json:"charges,omitempty"`
	Group        string        `json:"group,omitempty"` // key of its tax group
}

// Allowance is one tax group's part of a document discount, or a document charge.
type Allowance struct {
	Of    int           `json:"of"` // index of the discount or charge that it comes from
	Code  string        `json:"code,omitempty"`
	Text  string        `json:"text,omitempty"`
	Gross *money.Amount `json:"gross,omitempty"` // with tax; on documents priced gross
	Net   money.Amount  `json:"net"`             // BT-92 or BT-99
	Tax   Tax           `json:"tax"`
}

// TaxGroup is the tax of one category and rate.
type TaxGroup struct {
	Tax
	Taxable money.Amount `json:"taxable"` // BT-116
	Amount  money.Amount `json:"amount"`  // BT-117
}

// Totals are the sums of a document.
type Totals struct {
	Lines      money.Amount `json:"lines"`      // BT-106
	Allowances money.Amount `json:"allowances"` // BT-107
	Charges    money.Amount `json:"charges"`    // BT-108
	Net        money.Amount `json:"net"`        // BT-109
	Tax        money.Amount `json:"tax"`        // BT-110
	Gross      money.Amount `json:"gross"`      // BT-112
	Prepaid    money.Amount `json:"prepaid"`    // BT-113
	Rounding   money.Amount `json:"rounding"`   // BT-114
	Due        money.Amount `json:"due"`        // BT-115
}

// Priced is a document with its amounts, all with the document's decimals.
type Priced struct {
	Currency   money.Currency `json:"currency"`
	Decimals   int            `json:"decimals"`
	Basis      Basis          `json:"basis"`
	Lines      []PricedLine   `json:"lines"`
	Allowances []Allowance    `json:"allowances"` // document discounts, split by tax group
	Charges    []Allowance    `json:"charges"`
	Groups     []TaxGroup     `json:"tax_groups"` // by category, then rate
	Totals     Totals         `json:"totals"`
	Unpriced   []int          `json:"unpriced,omitempty"` // lines whose price is missing: the totals are without them
}

// Group finds a tax group by key.
func (p Priced) Group(key string) (TaxGroup, bool) {
	i := slices.IndexFunc(p.Groups, func(g TaxGroup) bool { return g.Key() == key })
	if i < 0 {
		return TaxGroup{}, false
	}
	return p.Groups[i], true
}

// Price computes all amounts of a document. Faults are of kind Invalid; each
// names the member that is wrong.
func Price(d Document) (Priced, error) {
	if err := d.check(); err != nil {
		return Priced{}, err
	}
	digits, err := d.Currency.Decimals(d.Decimals)
	if err != nil {
		return Priced{}, err
	}
	s := &sheet{doc: d, out: Priced{
		Currency: d.Currency, Decimals: digits, Basis: d.basis(),
		Lines: []PricedLine{}, Allowances: []Allowance{}, Groups: []TaxGroup{},
	}}
	for _, step := range []func() error{s.lines, s.grouping, s.discounts, s.charges, s.taxes} {
		if err := step(); err != nil {
			return Priced{}, err
		}
	}
	s.totals()
	if !holds(s.out.Totals.Gross) {
		return Priced{}, invalid("/lines", "amount_too_large", "the lines add up to more than a document can hold")
	}
	if paid := s.out.Totals.Prepaid; paid.Sign() < 0 && s.out.Totals.Gross.Sign() >= 0 { // only a credit was paid the other way
		return Priced{}, invalid("/prepaid", "negative_amount", "%s is negative; it must be zero or more", paid)
	}
	return s.out, nil
}

var most = money.MustParse(strings.Repeat("9", money.MaxIntegerDigits))

// holds reports whether an amount can be read by whoever we send it to.
func holds(a money.Amount) bool { return a.Abs().Cmp(most) <= 0 }

// sheet is a document while it is computed.
type sheet struct {
	doc     Document
	out     Priced
	amounts []money.Amount // of each line, rounded, in the document's basis
	sum     money.Amount   // of the lines, in the document's basis
	groups  []*group
	shelf   money.Amount // on documents priced gross: what the prices on the shelf add up to
}

// group gathers what one tax is computed on. Amounts of parts are in the
// document's basis and signed: allowances are negative.
type group struct {
	tax   Tax
	lines money.Amount
	parts []part
}

type part struct {
	amount money.Amount
	net    *money.Amount // where the result goes
	negate bool          // an allowance shows its amount without the sign
}

func (s *sheet) digits() int { return s.out.Decimals }

func (s *sheet) zero() money.Amount { return money.Sum(s.digits()) }

// lines computes BT-131, or the shelf price of each line.
func (s *sheet) lines() error {
	var wrong fault.Fields
	s.sum = s.zero()
	for i, l := range s.doc.Lines {
		p, amount := s.line(l)
		if l.Quantity.Sign() > 0 && amount.Sign() < 0 {
			wrong.Add(pointer("/lines", i)+"/discounts", "discount_too_large", "the discounts on this line are larger than its price")
		}
		if !holds(amount) {
			wrong.Add(pointer("/lines", i)+"/quantity", "amount_too_large", "quantity times price is more than a document can hold")
		}
		if p.PriceMissing {
			s.out.Unpriced = append(s.out.Unpriced, i)
		}
		s.out.Lines = append(s.out.Lines, p)
		s.amounts = append(s.amounts, amount)
		s.sum = s.sum.Add(amount)
	}
	return wrong.Err()
}

func (s *sheet) line(l DocumentLine) (PricedLine, money.Amount) {
	p := PricedLine{Charged: l.Role.Charged(), PriceMissing: l.PriceMissing()}
	if p.PriceMissing {
		return p, s.zero()
	}
	exact := extended(l)
	base := money.RoundRatio(exact, s.digits())
	for _, a := range l.Discounts {
		p.Discounts = append(p.Discounts, s.apply(a, base))
		exact.Sub(exact, p.Discounts[len(p.Discounts)-1].Value.Ratio())
	}
	for _, a := range l.Charges {
		p.Charges = append(p.Charges, s.apply(a, base))
		exact.Add(exact, p.Charges[len(p.Charges)-1].Value.Ratio())
	}
	amount := money.RoundRatio(exact, s.digits())
	net := amount
	p.Net = &net
	if s.out.Basis == Gross {
		gross := amount
		p.Gross = &gross
	}
	return p, amount
}

// extended is quantity x price / base quantity, exactly.
func extended(l DocumentLine) *big.Rat {
	r := l.Quantity.Ratio()
	switch {
	case l.NetPrice != nil:
		r.Mul(r, l.NetPrice.Ratio())
	case l.GrossPrice != nil:
		r.Mul(r, l.GrossPrice.Ratio())
	default:
		return new(big.Rat) // not charged
	}
	if l.BaseQuantity != nil {
		r.Quo(r, l.BaseQuantity.Ratio())
	}
	return r
}

// apply turns a percentage into an amount: BT-136 = BT-137 x BT-138, rounded.
func (s *sheet) apply(a Adjustment, base money.Amount) Applied {
	if a.Amount != nil {
		return Applied{Adjustment: a, Value: a.Amount.Round(s.digits())}
	}
	return Applied{Adjustment: a, Base: &base, Value: percentOf(base, *a.Percent, s.digits())}
}

// grouping sorts the lines into tax groups, in an order that does not depend on
// the order of the lines.
func (s *sheet) grouping() error {
	for i, l := range s.doc.Lines {
		if l.Tax.Category == "" || l.PriceMissing() {
			continue
		}
		g, err := s.group(l.Tax, pointer("/lines", i)+"/tax")
		if err != nil {
			return err
		}
		s.out.Lines[i].Group = l.Tax.Key()
		g.lines = g.lines.Add(s.amounts[i])
		g.parts = append(g.parts, part{amount: s.amounts[i], net: s.out.Lines[i].Net})
	}
	slices.SortFunc(s.groups, byTax)
	return nil
}

func byTax(a, b *group) int {
	order := []Category{Standard, ZeroRated, Exempt, ReverseCharge, OutsideScope}
	return cmp.Or(
		cmp.Compare(slices.Index(order, a.tax.Category), slices.Index(order, b.tax.Category)),
		a.tax.Rate.Cmp(b.tax.Rate),
	)
}

// group finds or makes the group of a tax. All reasons given in a group agree,
// for the group shows one (BR-E-01, BR-AE-01, BR-O-01: one group per category).
func (s *sheet) group(t Tax, at string) (*group, error) {
	for _, g := range s.groups {
		if g.tax.Key() != t.Key() {
			continue
		}
		if g.tax.Reason == "" {
			g.tax.Reason = t.Reason
		}
		if t.Reason != "" && t.Reason != g.tax.Reason {
			return nil, invalid(at+"/reason", "tax_reason_conflict", "category %s has two reasons, %q and %q; a document gives one", t.Category, g.tax.Reason, t.Reason)
		}
		return g, nil
	}
	g := &group{tax: t, lines: s.zero()}
	s.groups = append(s.groups, g)
	return g, nil
}

// discounts takes each document discount off its own tax group, or spreads it over
// all of them in proportion to their lines. Each part is an allowance of its own,
// for an allowance has one tax (BR-S-06).
func (s *sheet) discounts() error {
	for i, d := range s.doc.Discounts {
		take := s.spread
		if d.Tax != nil {
			take = s.aim
		}
		if err := take(d, i); err != nil {
			return err
		}
	}
	all, by := s.zero(), map[*group]money.Amount{}
	for i := range s.out.Allowances { // only now, for appending moves them
		a := &s.out.Allowances[i]
		g, err := s.group(a.Tax, "")
		if err != nil {
			return err
		}
		s.enter(g, a, a.Net.Neg(), true)
		all, by[g] = all.Add(a.Net), by[g].Add(a.Net)
	}
	for _, g := range s.groups {
		if taken := by[g]; g.tax.Rate.Sign() > 0 && taken.Abs().Cmp(g.lines.Abs()) > 0 {
			return tooLarge("/discounts", taken, g.lines)
		}
	}
	if all.Abs().Cmp(s.sum.Abs()) > 0 {
		return tooLarge("/discounts", all, s.sum)
	}
	return nil
}

func tooLarge(at string, discount, of money.Amount) error {
	return invalid(at, "discount_too_large", "the discount of %s is larger than the %s it applies to", discount, of.Abs())
}

// spread takes a discount off all groups that have its sign.
func (s *sheet) spread(d DocumentAdjustment, i int) error {
	at, amount := pointer("/discounts", i), s.apply(d.Adjustment, s.sum).Value
	if amount.IsZero() {
		return nil
	}
	weights, sum := make([]money.Amount, len(s.groups)), s.zero()
	for k, g := range s.groups {
		if g.lines.Sign() == amount.Sign() {
			weights[k] = g.lines.Abs()
			sum = sum.Add(g.lines)
		}
	}
	if err := within(amount, s.sum, sum, at); err != nil {
		return err
	}
	parts, err := money.Split(amount, s.digits(), weights)
	if f := fault.As(err); f != nil {
		return invalid(at, f.Code, "%s", f.Text)
	}
	for k, g := range s.groups {
		s.allow(d, i, g.tax, parts[k])
	}
	return err
}

// aim takes a discount off the group of its tax. Off what is taxed it takes no more
// than the lines of that tax, so that no tax falls below zero; what bears no tax,
// such as a voucher, can be taken off a document without such lines.
func (s *sheet) aim(d DocumentAdjustment, i int) error {
	at := pointer("/discounts", i)
	g, err := s.group(*d.Tax, at+"/tax")
	if err != nil {
		return err
	}
	base := g.lines
	if base.IsZero() && d.Tax.Rate.IsZero() {
		base = s.sum
	}
	amount := s.apply(d.Adjustment, base).Value
	if base.IsZero() && !amount.IsZero() {
		return invalid(at+"/tax", "discount_without_lines", "no line has the tax %s that the discount is to be taken from", d.Tax.Key())
	}
	s.allow(d, i, *d.Tax, amount)
	return within(amount, base, base, at)
}

// within refuses a discount that turns what it is taken from around.
func within(amount, sum, most money.Amount, at string) error {
	switch {
	case amount.Sign()*sum.Sign() < 0:
		return invalid(at+"/amount", "negative_amount", "%s has another sign than the sum of the lines, %s", amount, sum)
	case !most.IsZero() && amount.Abs().Cmp(most.Abs()) > 0:
		return tooLarge(at+"/amount", amount, most)
	}
	return nil
}

func (s *sheet) allow(d DocumentAdjustment, i int, tax Tax, amount money.Amount) {
	if !amount.IsZero() {
		s.out.Allowances = append(s.out.Allowances, Allowance{Of: i, Code: d.Code, Text: d.Text, Tax: tax, Net: amount})
	}
}

func (s *sheet) charges() error {
	s.out.Charges = make([]Allowance, len(s.doc.Charges))
	for i, c := range s.doc.Charges {
		if c.Amount != nil && c.Amount.Sign() < 0 && s.sum.Sign() >= 0 { // only a credit pays a charge back
			return invalid(pointer("/charges", i)+"/amount", "negative_amount", "%s is negative; it must be zero or more", c.Amount)
		}
		a := &s.out.Charges[i]
		*a = Allowance{Of: i, Code: c.Code, Text: c.Text, Tax: c.Tax, Net: s.apply(c.Adjustment, s.sum).Value}
		g, err := s.group(c.Tax, pointer("/charges", i)+"/tax")
		if err != nil {
			return err
		}
		s.enter(g, a, a.Net, false)
	}
	slices.SortFunc(s.groups, byTax)
	return nil
}

func (s *sheet) enter(g *group, a *Allowance, amount money.Amount, negate bool) {
	if s.out.Basis == Gross {
		gross := a.Net
		a.Gross = &gross
	}
	g.parts = append(g.parts, part{amount: amount, net: &a.Net, negate: negate})
}

// taxes computes the groups: BR-S-08 and its siblings for BT-116, BR-CO-17 for
// BT-117, rounded once per group.
func (s *sheet) taxes() error {
	s.shelf = s.zero()
	for _, g := range s.groups {
		if err := s.reason(g); err != nil {
			return err
		}
		sum := s.zero()
		for _, p := range g.parts {
			sum = sum.Add(p.amount)
		}
		s.shelf = s.shelf.Add(sum)
		taxable := sum
		if s.out.Basis == Gross {
			taxable = withoutTax(sum, g.tax.Rate, s.digits())
			if err := g.spreadNets(sum, taxable, s.digits()); err != nil {
				return err
			}
		}
		s.out.Groups = append(s.out.Groups, TaxGroup{Tax: g.tax, Taxable: taxable, Amount: percentOf(taxable, g.tax.Rate, s.digits())})
	}
	s.tellReasons()
	return nil
}

// reason holds BR-E-10, BR-AE-10 and BR-O-10, and BR-O-11 to 14: what is outside
// the scope of the tax does not share a document with what is inside.
func (s *sheet) reason(g *group) error {
	switch g.tax.Category {
	case Standard, ZeroRated:
		return nil
	case OutsideScope:
		if len(s.groups) > 1 {
			return invalid("/lines", "outside_scope_alone", "category O cannot share a document with other tax categories; make two documents")
		}
	}
	if g.tax.Reason == "" {
		g.tax.Reason = s.doc.TaxReasons[g.tax.Category]
	}
	if g.tax.Reason == "" {
		return invalid("/tax_reasons/"+string(g.tax.Category), "tax_reason_missing", "category %s needs the reason why no tax is charged", g.tax.Category)
	}
	return nil
}

func (s *sheet) tellReasons() {
	for _, list := range [][]Allowance{s.out.Allowances, s.out.Charges} {
		for i := range list {
			if g, ok := s.out.Group(list[i].Tax.Key()); ok {
				list[i].Tax = g.Tax
			}
		}
	}
}

// totals holds BR-CO-10 to BR-CO-16. On a document priced gross the shelf prices
// are what is due, and BT-114 takes the minor unit by which net + tax may miss
// them; rounding to coins goes the same way and leaves the tax alone.
func (s *sheet) totals() {
	t := Totals{Lines: s.zero(), Allowances: s.zero(), Charges: s.zero(), Tax: s.zero(), Prepaid: s.zero()}
	for _, l := range s.out.Lines {
		if l.Net != nil {
			t.Lines = t.Lines.Add(*l.Net)
		}
	}
	for _, a := range s.out.Allowances {
		t.Allowances = t.Allowances.Add(a.Net)
	}
	for _, a := range s.out.Charges {
		t.Charges = t.Charges.Add(a.Net)
	}
	for _, g := range s.out.Groups {
		t.Tax = t.Tax.Add(g.Amount)
	}
	if s.doc.Prepaid != nil {
		t.Prepaid = s.doc.Prepaid.Round(s.digits())
	}
	t.Net = t.Lines.Sub(t.Allowances).Add(t.Charges)
	t.Gross = t.Net.Add(t.Tax)
	owed := t.Gross
	if s.out.Basis == Gross {
		owed = s.shelf
	}
	t.Due = toCoins(owed.Sub(t.Prepaid), s.doc.CashStep, s.digits())
	t.Rounding = t.Due.Sub(t.Gross.Sub(t.Prepaid))
	s.out.Totals = t
}

func toCoins(due money.Amount, step *money.Amount, digits int) money.Amount {
	if step == nil {
		return due
	}
	coins := money.RoundRatio(new(big.Rat).Quo(due.Ratio(), step.Ratio()), 0)
	return money.RoundRatio(new(big.Rat).Mul(coins.Ratio(), step.Ratio()), digits)
}

var hundred = money.FromInt(100)

func percentOf(base, percent money.Amount, digits int) money.Amount {
	r := new(big.Rat).Mul(base.Ratio(), percent.Ratio())
	return money.RoundRatio(r.Quo(r, hundred.Ratio()), digits)
}

func pointer(list string, i int) string { return list + "/" + strconv.Itoa(i) }

func invalid(at, code, text string, args ...any) error {
	var f fault.Fields
	f.Add(at, code, text, args...)
	return f.Err()
}

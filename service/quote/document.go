// Package quote prices a quote and moves it through its life.
//
// Prices follow the arithmetic of EN 16931, so that a quote becomes an invoice
// without a cent moving: lines are rounded, summed per tax category and rate, and
// the tax of each group is rounded once. The BT- and BR- numbers in comments are
// the business terms and rules of that standard. Time, numbers and catalogs are
// parameters; the package reads no clock and no database.
package quote

import (
	"forkwright/service/fault"
	"forkwright/service/money"
)

// Basis says whether the prices of a document include tax.
type Basis string

// The two bases; one document never mixes them.
const (
	Net   Basis = "net"   // prices exclude tax
	Gross Basis = "gross" // prices include tax; the shelf price is the contract
)

// Category is a tax category of EN 16931 (codes of UNTDID 5305).
type Category string

// The categories in use.
const (
	Standard      Category = "S"  // standard or reduced rate, above zero
	ZeroRated     Category = "Z"  // taxed at zero
	Exempt        Category = "E"  // exempt, with a reason
	ReverseCharge Category = "AE" // the buyer owes the tax, with a reason
	OutsideScope  Category = "O"  // not subject to this tax, with a reason
)

// Tax is the category and rate of a line, a charge or a group.
type Tax struct {
	Category Category     `json:"category"`
	Rate     money.Amount `json:"rate"`             // percent, 0 to 100, four decimals at most
	Reason   string       `json:"reason,omitempty"` // why there is no tax: E, AE and O need it
}

// Key names a group, such as "S@19".
func (t Tax) Key() string { return string(t.Category) + "@" + t.Rate.Plain() }

// Role says what part a line plays in the job.
type Role string

// The roles. The first group is charged, the second stands at zero.
const (
	RoleNew        Role = "new"        // a part sold
	RoleConsumable Role = "consumable" // oil, grease, washers
	RoleTool       Role = "tool"       // offered where the caller does not own it
	RoleLabor      Role = "labor"      // time at the bench
	RoleCustom     Role = "custom"     // free text

	RoleIncluded   Role = "included"    // in the kit that the line names
	RoleReuse      Role = "reuse"       // goes back if sound
	RoleInspect    Role = "inspect"     // to be looked at before it goes back
	RoleSetAside   Role = "set_aside"   // bagged and labeled
	RoleNeverReuse Role = "never_reuse" // taken out and thrown away
	RoleCustomer   Role = "customer_supplied"
)

// Charged reports whether lines of the role carry a price. An empty role does.
func (r Role) Charged() bool {
	switch r {
	case RoleIncluded, RoleReuse, RoleInspect, RoleSetAside, RoleNeverReuse, RoleCustomer:
		return false
	}
	return true
}

// Adjustment is a discount or a charge: a percentage or an amount, never both.
// On a document priced gross its amount includes tax.
type Adjustment struct {
	Code    string        `json:"code,omitempty"` // a reason code of the shop's own
	Text    string        `json:"text,omitempty"` // what the customer reads
	Percent *money.Amount `json:"percent,omitempty"`
	Amount  *money.Amount `json:"amount,omitempty"`
}

// DocumentAdjustment is a discount or a charge on the whole document. With a tax, a
// discount is taken from what bears that tax, else from all lines in proportion.
type DocumentAdjustment struct {
	Adjustment
	Tax *Tax `json:"tax,omitempty"`
}

// Charge is a charge on the whole document, such as shipping, with its own tax.
type Charge struct {
	Adjustment
	Tax Tax `json:"tax"`
}

// DocumentLine is what the price of a line is computed from. A charged line with
// neither price is a line without a price: the quote says so, it is never zero.
type DocumentLine struct {
	Role         Role          `json:"role,omitempty"`
	Quantity     money.Amount  `json:"quantity"`                // not zero; negative is a return
	NetPrice     *money.Amount `json:"net_price,omitempty"`     // BT-146, without tax
	GrossPrice   *money.Amount `json:"gross_price,omitempty"`   // with tax
	BaseQuantity *money.Amount `json:"base_quantity,omitempty"` // BT-149: the price is for so many; absent is 1
	Tax          Tax           `json:"tax"`                     // may be empty on a line that is not charged or not priced
	Discounts    []Adjustment  `json:"discounts,omitempty"`     // percentages of quantity x price
	Charges      []Adjustment  `json:"charges,omitempty"`
}

// PriceMissing reports whether the line should have a price and has none.
func (l DocumentLine) PriceMissing() bool {
	return l.Role.Charged() && l.NetPrice == nil && l.GrossPrice == nil
}

// Document is everything that totals are computed from.
type Document struct {
	Currency   money.Currency       `json:"currency"`
	Decimals   *int                 `json:"decimals,omitempty"` // lowers the currency's decimals
	Basis      Basis                `json:"basis,omitempty"`    // empty: that of the lines' prices, else net
	Lines      []DocumentLine       `json:"lines"`
	Discounts  []DocumentAdjustment `json:"discounts,omitempty"`   // percentages of the lines that they are taken from
	Charges    []Charge             `json:"charges,omitempty"`     // percentages of the sum of lines
	Prepaid    *money.Amount        `json:"prepaid,omitempty"`     // BT-113
	CashStep   *money.Amount        `json:"cash_step,omitempty"`   // smallest coin, such as 0.05
	TaxReasons map[Category]string  `json:"tax_reasons,omitempty"` // for groups whose lines give none
}

// basis is the stated basis, else that of the first price.
func (d Document) basis() Basis {
	if d.Basis != "" {
		return d.Basis
	}
	for _, l := range d.Lines {
		switch {
		case l.NetPrice != nil:
			return Net
		case l.GrossPrice != nil:
			return Gross
		}
	}
	return Net
}

// check lists everything that is wrong with a document, by JSON pointer.
func (d Document) check() error {
	c := checker{basis: d.basis()}
	if _, err := money.ParseCurrency(string(d.Currency)); err != nil {
		c.fault("/currency", err)
		return c.Err()
	}
	digits, err := d.Currency.Decimals(d.Decimals)
	if err != nil {
		c.fault("/decimals", err)
		return c.Err()
	}
	c.digits = digits
	if d.Basis != "" && d.Basis != Net && d.Basis != Gross {
		c.Add("/basis", "unknown_basis", "%q is not a price basis; use net or gross", d.Basis)
	}
	for i, l := range d.Lines {
		c.line(pointer("/lines", i), l)
	}
	for i, a := range d.Discounts {
		at := pointer("/discounts", i)
		c.adjustment(at, a.Adjustment)
		if a.Tax != nil {
			c.tax(at+"/tax", *a.Tax)
		}
	}
	for i, a := range d.Charges {
		at := pointer("/charges", i)
		c.adjustment(at, a.Adjustment)
		c.tax(at+"/tax", a.Tax)
	}
	c.fits("/prepaid", d.Prepaid)
	c.cashStep(d.CashStep)
	return c.Err()
}

type checker struct {
	fault.Fields
	basis  Basis
	digits int
}

func (c *checker) fault(at string, err error) {
	f := fault.As(err)
	c.Add(at, f.Code, "%s", f.Text)
}

func (c *checker) line(at string, l DocumentLine) {
	if l.Quantity.IsZero() {
		c.Add(at+"/quantity", "quantity_zero", "the quantity is zero; leave the line out instead")
	}
	if l.BaseQuantity != nil && l.BaseQuantity.Sign() <= 0 {
		c.Add(at+"/base_quantity", "base_quantity_not_positive", "the price is for %s; it must be for more than zero", l.BaseQuantity)
	}
	c.price(at, l)
	priced := l.NetPrice != nil || l.GrossPrice != nil
	if l.Tax.Category != "" || (priced && l.Role.Charged()) {
		c.tax(at+"/tax", l.Tax)
	}
	if !priced && len(l.Discounts)+len(l.Charges) > 0 {
		c.Add(at, "adjusted_without_price", "a line without a price cannot have discounts or charges")
	}
	for i, a := range l.Discounts {
		c.lineAdjustment(pointer(at+"/discounts", i), a, l.Quantity)
	}
	for i, a := range l.Charges {
		c.lineAdjustment(pointer(at+"/charges", i), a, l.Quantity)
	}
}

func (c *checker) price(at string, l DocumentLine) {
	switch {
	case l.NetPrice != nil && l.GrossPrice != nil:
		c.Add(at, "two_prices", "the line has a price without tax and one with tax; give one of them")
		return
	case l.NetPrice != nil && c.basis == Gross:
		c.Add(at+"/net_price", "mixed_price_basis", "this document's prices include tax; one document never mixes both, so give a gross price")
	case l.GrossPrice != nil && c.basis == Net:
		c.Add(at+"/gross_price", "mixed_price_basis", "this document's prices exclude tax; one document never mixes both, so give a net price")
	}
	name, price := "/net_price", l.NetPrice
	if l.GrossPrice != nil {
		name, price = "/gross_price", l.GrossPrice
	}
	switch {
	case price == nil:
	case price.Sign() < 0: // BR-27
		c.Add(at+name, "negative_price", "%s is negative; a return has a negative quantity and a price that is not", price)
	case !price.IsZero() && !l.Role.Charged():
		c.Add(at+name, "price_on_uncharged_line", "a line of role %s is not charged; leave its price out", l.Role)
	}
}

// lineAdjustment lets an amount be negative only on a return, where it mirrors
// the sale.
func (c *checker) lineAdjustment(at string, a Adjustment, quantity money.Amount) {
	c.adjustment(at, a)
	if quantity.Sign() > 0 {
		c.notNegative(at+"/amount", a.Amount)
	}
}

func (c *checker) adjustment(at string, a Adjustment) {
	if (a.Percent == nil) == (a.Amount == nil) {
		c.Add(at, "percent_or_amount", "give either a percentage or an amount")
		return
	}
	if a.Percent != nil && (a.Percent.Sign() < 0 || a.Percent.Cmp(hundred) > 0) {
		c.Add(at+"/percent", "percent_out_of_range", "%s %% is not between 0 and 100", a.Percent)
	}
	c.fits(at+"/amount", a.Amount)
}

func (c *checker) notNegative(at string, a *money.Amount) {
	if a != nil && a.Sign() < 0 {
		c.Add(at, "negative_amount", "%s is negative; it must be zero or more", a)
	}
}

func (c *checker) fits(at string, a *money.Amount) {
	if a != nil && !a.Fits(c.digits) {
		c.Add(at, "amount_too_precise", "%s has more than the %d decimals of this document", a, c.digits)
	}
}

func (c *checker) cashStep(step *money.Amount) {
	if step != nil && step.Sign() <= 0 {
		c.Add("/cash_step", "cash_step_not_positive", "the smallest coin is more than zero, not %s", step)
	}
	c.fits("/cash_step", step)
}

// Check notes what is wrong with a tax that stands at a place of a request.
func (t Tax) Check(at string, wrong *fault.Fields) {
	var c checker
	c.tax(at, t)
	*wrong = append(*wrong, c.Fields...)
}

// tax holds BR-S-05, BR-Z-05, BR-E-05 and BR-AE-05 for the rate, and BR-S-10 and
// BR-Z-10: a group that is taxed has no reason not to be.
func (c *checker) tax(at string, t Tax) {
	switch t.Category {
	case Standard:
		if t.Rate.Sign() <= 0 || t.Rate.Cmp(hundred) > 0 {
			c.Add(at+"/rate", "tax_rate_out_of_range", "category S has a rate above 0 and up to 100 percent, not %s", t.Rate)
		}
	case ZeroRated, Exempt, ReverseCharge, OutsideScope:
		if !t.Rate.IsZero() {
			c.Add(at+"/rate", "tax_rate_not_zero", "category %s has the rate 0, not %s", t.Category, t.Rate)
		}
	case "":
		c.Add(at+"/category", "tax_category_missing", "the tax category is missing; use S, Z, E, AE or O")
	default:
		c.Add(at+"/category", "unknown_tax_category", "%q is not a tax category; use S, Z, E, AE or O", t.Category)
	}
	if !t.Rate.Fits(4) {
		c.Add(at+"/rate", "amount_too_precise", "a tax rate has at most four decimals, not %s", t.Rate)
	}
	if t.Reason != "" && (t.Category == Standard || t.Category == ZeroRated) {
		c.Add(at+"/reason", "tax_reason_not_allowed", "category %s carries tax and needs no reason", t.Category)
	}
}

package service

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"forkwright/service/account"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/money"
	"forkwright/service/notice"
	"forkwright/service/quote"
)

// Draft prices a plan: lines with their prices and where those come from, tax, stock,
// notices, totals. Its id and number are given when it is stored. Faults are of kind Invalid,
// or expected_total_differs of kind Conflict.
func (p *QuotePlan) Draft(src QuoteSources) (quote.Quote, error) {
	d := &draft{QuotePlan: p, src: src}
	if err := d.terms(); err != nil {
		return quote.Quote{}, err
	}
	d.menuLabor()
	for i := range d.lines {
		if err := d.price(&d.lines[i]); err != nil {
			return quote.Quote{}, err
		}
	}
	if err := d.shipping(); err != nil {
		return quote.Quote{}, err
	}
	d.identify()
	d.source()
	d.q.Lines = make([]quote.Line, len(d.lines))
	for i := range d.lines {
		d.q.Lines[i] = d.lines[i].Line
	}
	q, err := d.q.Calculate()
	if err != nil {
		return quote.Quote{}, d.asAsked(err)
	}
	q.Warnings = append(q.Warnings, d.say(q)...)
	if p.ask.Expected == nil {
		return q, nil
	}
	priced, err := quote.Price(q.Document())
	if err != nil {
		return quote.Quote{}, d.asAsked(err)
	}
	return q, d.expected(priced, *p.ask.Expected)
}

// expected holds the total against the one that the caller expects. Where they differ, the answer
// says which destination's taxes were used as well.
func (d *draft) expected(p quote.Priced, total money.Amount) error {
	err := quote.CheckExpected(d.q.Document(), p, total)
	if f := fault.As(err); f != nil {
		f.Extra["destination"] = d.q.Destination
	}
	return err
}

// draft is a plan while it is priced.
type draft struct {
	*QuotePlan
	src   QuoteSources
	q     quote.Quote
	lines []plannedLine
	list  string // the price list that was asked for
}

// terms settles currency, basis, dates and language.
func (d *draft) terms() error {
	a, s := d.ask, d.src.Seller
	d.lines = slices.Clone(d.QuotePlan.lines)
	d.list = a.PriceList
	currency, basis := cmp.Or(a.Currency, s.DefaultCurrency), cmp.Or(a.Basis, quote.Basis(s.PriceBasis))
	if a.PriceList != "" {
		list, ok := d.rev.PriceList(a.PriceList)
		if !ok || list.Audience != "recommended" {
			return askFault("/price_list", "unknown_price_list", "There is no price list %q to quote from; use one of %s.", a.PriceList, strings.Join(d.listNames(), ", "))
		}
		if a.Currency != "" && a.Currency != list.Currency {
			return askFault("/currency", "currency_of_list", "The price list %s is in %s, not %s.", list.List, list.Currency, a.Currency)
		}
		currency, basis = list.Currency, cmp.Or(a.Basis, quote.Basis(list.Basis))
	} else if a.Basis == "" {
		basis = cmp.Or(d.statedBasis(), d.listBasis(currency, basis))
	}
	c, err := money.ParseCurrency(currency)
	if err != nil {
		return askFault("/currency", "unknown_currency", "%s.", fault.As(err).Text)
	}
	d.q = quote.Quote{
		State: quote.Draft, Version: 1, RevisionNo: 1, Series: s.Series, AccountID: s.AccountID,
		ClientID: a.ClientID, Reference: a.Reference, Currency: c, Basis: basis, Language: a.Language,
		Destination: cmp.Or(a.Destination, place(s.TaxCountry, s.TaxRegion)), Discounts: a.Discounts, Prepaid: a.Prepaid, CashStep: a.CashStep, Decimals: a.Decimals,
		ValidDays: a.ValidDays, ValidUntil: a.ValidUntil, TaxReasons: a.TaxReasons, Seller: onPaper(s), TimeZone: s.TimeZone, CreatedAt: d.src.Clock.Now.UTC(),
		PriceDate: cmp.Or(a.PriceDate, d.src.Clock.Today()), CatalogRevision: d.rev.Number(), RulesVersion: fitment.RulesVersion,
		Warnings: slices.Clone(d.warnings), Asked: raw(a),
	}
	if d.owned != nil {
		d.q.ForkIDs, d.q.ForkText = []string{d.owned.Fork.ID}, d.forkText()
	}
	if d.bill != nil {
		d.q.Bench = raw(d.bill)
	}
	return nil
}

func (d *draft) forkText() string {
	f := d.owned.Fork
	text := f.Name
	if maker := d.rev.MakerName(f); !strings.HasPrefix(text, maker) {
		text = maker + " " + text
	}
	if d.owned.ModelYear != 0 {
		text += ", " + strconv.Itoa(d.owned.ModelYear)
	}
	if mm := d.owned.TravelNow.MM; mm != 0 {
		text += ", " + strconv.Itoa(mm) + " mm"
	}
	return text
}

func place(country, region string) string {
	if region == "" {
		return country
	}
	return country + "-" + region
}

func (d *draft) listNames() (names []string) {
	for _, l := range d.rev.PriceLists() {
		if l.Audience == "recommended" {
			names = append(names, l.List)
		}
	}
	return names
}

// statedBasis is the basis of prices that the question itself states, where no price is left to
// look up; else "".
func (d *draft) statedBasis() (basis quote.Basis) {
	for _, l := range d.lines {
		of := quote.Net
		switch {
		case !l.Role.Charged():
			continue
		case l.stated.GrossPrice != nil:
			of = quote.Gross
		case l.stated.NetPrice == nil:
			return ""
		}
		if basis != "" && of != basis {
			return ""
		}
		basis = of
	}
	return basis
}

// listBasis is the seller's basis where a list in the currency has it, else that of a list.
func (d *draft) listBasis(currency string, own quote.Basis) quote.Basis {
	found := own
	for _, l := range d.rev.PriceLists() {
		if l.Audience != "recommended" || l.Currency != currency {
			continue
		}
		if quote.Basis(l.Basis) == own {
			return own
		}
		found = quote.Basis(l.Basis)
	}
	return found
}

func onPaper(s account.Seller) quote.Seller {
	out := quote.Seller{
		Name: cmp.Or(s.TradingName, s.LegalName), Country: s.Country, Registration: s.Registration,
		Phone: s.Contact.Phone, Email: s.Contact.Email, Website: s.Contact.Website,
		Terms: s.Terms, Closing: s.Texts["closing"], Languages: s.Languages, Paper: cmp.Or(s.Paper, "A4"),
	}
	if s.LegalName != out.Name {
		out.LegalName = s.LegalName
	}
	for _, line := range []string{s.Street, s.StreetMore, strings.TrimSpace(s.Postcode + " " + s.City), s.Region} {
		if line != "" {
			out.Address = append(out.Address, line)
		}
	}
	for _, id := range s.TaxIDs {
		out.TaxIDs = append(out.TaxIDs, quote.TaxID(id))
	}
	return out
}

// menuLabor puts the shop's menu prices in the place of minutes. A menu price pays for the
// job's operations and for what they open; an opening that it pays for is not charged again.
func (d *draft) menuLabor() {
	if d.bill == nil || d.ask.Labor == LaborMinute || d.q.Basis != quote.Basis(d.src.Seller.PriceBasis) {
		return
	}
	paid := map[string]bool{}
	var menu []plannedLine
	for _, name := range d.bill.Jobs {
		price, ok := d.src.Seller.Labor.Menu[name][string(d.q.Currency)]
		amount, err := money.Parse(price)
		j, known := d.rev.Job(name)
		if !ok || err != nil || !known || d.ask.Labor == LaborNone || d.ask.Counter {
			continue
		}
		for _, op := range j.Operations {
			paid["operation/"+op] = true
			if o, ok := d.rev.Operation(op); ok {
				for _, opening := range o.Opens {
					paid["opening/"+opening] = true
				}
			}
		}
		l := d.laborLine("job", name, laborOf{job: name})
		l.Quantity, l.Unit, l.SKU = money.FromInt(1), "each", ""
		l.Why = "The shop's price for the whole job, strip-down and all."
		l.SetPrice(d.q.Basis, amount)
		l.Price = quote.PriceSource{Kind: quote.PriceMenu}
		menu = append(menu, l)
	}
	d.lines = slices.DeleteFunc(d.lines, func(l plannedLine) bool { return l.labor != nil && paid[l.Rule] })
	d.lines = append(d.lines, menu...)
}

// price gives a line its price, its tax and its discounts.
func (d *draft) price(l *plannedLine) error {
	l.Discounts, l.Charges = l.stated.Discounts, l.stated.Charges
	if !l.Role.Charged() {
		l.Price = quote.PriceSource{Kind: quote.PriceNone}
		return nil
	}
	switch {
	case l.labor != nil && l.labor.job != "":
	case l.stated.NetPrice != nil || l.stated.GrossPrice != nil:
		l.NetPrice, l.GrossPrice, l.BaseQuantity = l.stated.NetPrice, l.stated.GrossPrice, l.stated.PriceFor
		l.Price = quote.PriceSource{Kind: quote.PriceStated}
	case l.labor != nil && d.minuteRate() != nil:
		l.SetPrice(d.q.Basis, *d.minuteRate())
		l.Price = quote.PriceSource{Kind: quote.PriceLabor}
	default:
		d.listPrice(l)
	}
	if l.stated.Tax != nil {
		l.Tax = *l.stated.Tax
		return nil
	}
	category, class := quote.Standard, "standard"
	if part, ok := d.rev.Part(l.SKU); ok {
		category, class = cmp.Or(quote.Category(part.TaxCategory), category), cmp.Or(part.TaxClass, class)
	}
	tax, err := d.tax(category, class)
	if f := fault.As(err); f != nil {
		return askFault(l.at+"/tax", f.Code, "%s", f.Text)
	}
	l.Tax = tax
	return nil
}

func (d *draft) minuteRate() *money.Amount {
	if d.q.Basis != quote.Basis(d.src.Seller.PriceBasis) {
		return nil
	}
	a, err := money.Parse(d.src.Seller.Labor.PerMinute[string(d.q.Currency)])
	if err != nil {
		return nil
	}
	return &a
}

// listPrice takes the price from the shop's own list, else from the recommended one. A choice
// inside a kit changes its price by what the choice costs more or less than the default.
func (d *draft) listPrice(l *plannedLine) {
	e, ok := d.entry(l.SKU, l.Quantity)
	if !ok {
		l.Price = quote.PriceSource{Kind: quote.PriceNone}
		return
	}
	price := e.Price
	if e.BaseQuantity == nil {
		for _, s := range l.slots {
			price = price.Add(d.difference(s, l.Quantity))
		}
	}
	l.SetPrice(d.q.Basis, price)
	l.BaseQuantity, l.Price = e.BaseQuantity, e.Source
}

func (d *draft) difference(s chosenSlot, quantity money.Amount) money.Amount {
	if s.byDefault == "" || s.sku == s.byDefault {
		return money.Amount{}
	}
	chosen, ok1 := d.entry(s.sku, quantity)
	standard, ok2 := d.entry(s.byDefault, quantity)
	if !ok1 || !ok2 || chosen.BaseQuantity != nil || standard.BaseQuantity != nil {
		return money.Amount{}
	}
	return chosen.Price.Sub(standard.Price)
}

func (d *draft) entry(sku string, quantity money.Amount) (quote.Entry, bool) {
	return quote.ChoosePrice(d.entries(sku), d.q.Currency, d.q.Basis, d.q.PriceDate, quantity)
}

// entries are all selling prices of a part. Buying prices never get this far.
func (d *draft) entries(sku string) (out []quote.Entry) {
	for _, o := range d.src.Own {
		if o.SKU == sku {
			e := quote.Entry{
				Source:   quote.PriceSource{Kind: quote.PriceOwn, From: o.From},
				Currency: money.Currency(o.Currency), Basis: quote.Basis(o.Basis), Price: o.Amount, MinQuantity: o.MinQuantity, Until: o.Until,
			}
			if part, ok := d.rev.Part(sku); ok && part.PackQuantity > 0 { // a shop's price is that of what it sells
				base := amountOf(part.PackQuantity)
				e.BaseQuantity = &base
			}
			out = append(out, e)
		}
	}
	for _, list := range d.rev.PriceLists() {
		if list.Audience != "recommended" || (d.list != "" && list.List != d.list) {
			continue
		}
		for _, p := range d.rev.Prices(list.List, sku) {
			price, err := money.Parse(p.Amount)
			if err != nil {
				continue // caught when the catalog is checked
			}
			e := quote.Entry{
				Source:   quote.PriceSource{Kind: quote.PriceRecommended, List: list.List, From: list.ValidFrom},
				Currency: money.Currency(list.Currency), Basis: quote.Basis(list.Basis), Price: price, MinQuantity: amountOf(p.MinQuantity), Until: list.ValidUntil,
			}
			if p.BaseQuantity != 0 && p.BaseQuantity != 1 {
				base := amountOf(p.BaseQuantity)
				e.BaseQuantity = &base
			}
			out = append(out, e)
		}
	}
	return out
}

// tax finds the rate for a class of goods at the destination on the price date. The category
// asked for goes before the part's own; where a place states a single category, that is it.
func (d *draft) tax(category quote.Category, class string) (quote.Tax, error) {
	category = cmp.Or(d.ask.TaxCategory, category)
	country, _, _ := strings.Cut(d.q.Destination, "-")
	var rules []quote.TaxRule
	only := map[quote.Category]bool{}
	for _, r := range d.src.Taxes {
		if r.Destination != d.q.Destination && r.Destination != country {
			continue
		}
		if r.Class == class {
			only[r.Tax.Category] = true
		}
		r.Class += "/" + string(r.Tax.Category)
		rules = append(rules, r)
	}
	if d.ask.TaxCategory == "" && len(only) == 1 {
		for c := range only {
			category = c
		}
	}
	for _, to := range []string{d.q.Destination, country} {
		if tax, err := quote.FindTax(rules, class+"/"+string(category), to, d.q.PriceDate); err == nil {
			return tax, nil
		}
	}
	if d.ask.TaxCategory != "" && slices.Contains([]quote.Category{quote.Exempt, quote.ReverseCharge, quote.OutsideScope}, category) {
		return quote.Tax{Category: category}, nil // asked for, with a reason, and 0 by what the category is
	}
	return quote.Tax{}, fault.New(fault.Invalid, "no_tax_rule", "No tax of category %s and class %s is stated for %s on %s. An administrator adds it to the tax rates; until then give the tax with the line.",
		category, class, cmp.Or(d.q.Destination, "an unnamed destination"), d.q.PriceDate)
}

func (d *draft) shipping() error {
	for i, a := range d.ask.Shipping {
		if a.Tax == nil {
			tax, err := d.tax(quote.Standard, "standard")
			if f := fault.As(err); f != nil {
				return askFault("/shipping/"+strconv.Itoa(i), f.Code, "%s", f.Text)
			}
			a.Tax = &tax
		}
		d.q.Charges = append(d.q.Charges, quote.Charge{Adjustment: a.Adjustment, Tax: *a.Tax})
	}
	return nil
}

// identify gives each line its id, the one that it had in the previous revision, and its
// notices.
func (d *draft) identify() {
	had, next := map[string][]string{}, 1
	if d.src.Previous != nil {
		for _, l := range d.src.Previous.Lines {
			had[lineKey(l)] = append(had[lineKey(l)], l.ID)
			if n, err := strconv.Atoi(strings.TrimPrefix(l.ID, "L")); err == nil && n >= next {
				next = n + 1
			}
		}
	}
	for i := range d.lines {
		l := &d.lines[i]
		if ids := had[lineKey(l.Line)]; len(ids) > 0 {
			l.ID, had[lineKey(l.Line)] = ids[0], ids[1:]
		} else {
			l.ID, next = fmt.Sprintf("L%d", next), next+1
		}
		if l.labor == nil {
			l.Notices = noticesOn(d.src.Notices, d.owned, l.Line, d.src.Clock)
		}
	}
}

func lineKey(l quote.Line) string {
	text, _ := l.Text.In()
	return strings.Join([]string{cmp.Or(l.Supersedes, l.SKU, text), string(l.Role), l.IncludedIn, l.ForFork}, "\x00")
}

func noticesOn(set *notice.Set, owned *fitment.Owned, l quote.Line, c quote.Clock) (out []quote.NoticeRef) {
	if l.SKU == "" {
		return nil
	}
	sub := notice.Subject{SKU: l.SKU}
	if set.OfRows() {
		sub.Rows = rowsOf(l)
	}
	if l.ForFork != "" {
		sub.Fork = l.ForFork
		if owned != nil {
			sub.Serial = owned.Serial
		}
	}
	for _, n := range set.On(sub, c.Now) {
		out = append(out, quote.NoticeRef{ID: n.ID, Blocks: n.Effect == notice.Block, Text: n.Text})
	}
	return out
}

var basisWords = map[quote.Basis]string{quote.Net: "without tax", quote.Gross: "with tax"}

// say puts what a quote leaves open into sentences.
func (d *draft) say(q quote.Quote) (out []quote.Warning) {
	for i, l := range q.Lines {
		planned := d.lines[i]
		name, _ := l.Text.In(q.Language)
		if l.PriceMissing() {
			out = append(out, quote.Warning{Code: "price_missing", LineID: l.ID, Text: fmt.Sprintf("There is no price for %s in %s %s; the totals are without it.", name, q.Currency, basisWords[q.Basis])})
		}
		if planned.judged && (planned.answer.Verdict == catalog.Unknown || planned.answer.Verdict == catalog.DoesNotFit) {
			w := quote.Warning{Code: "fit_" + planned.answer.Verdict.String(), LineID: l.ID, Question: planned.answer.Question, Text: fmt.Sprintf("Whether %s fits is not known yet.", name)}
			if len(planned.answer.Reasons) > 0 {
				w.Text = planned.answer.Reasons[0].Text
			}
			out = append(out, w)
		}
		for _, n := range l.Notices {
			out = append(out, quote.Warning{Code: "notice", LineID: l.ID, Text: n.Text})
		}
	}
	return out
}

// asAsked turns pointers at lines of the quote into pointers at the members that asked for
// them.
func (d *draft) asAsked(err error) error {
	f := fault.As(err)
	if f == nil {
		return err
	}
	moved := *f
	moved.Fields = slices.Clone(f.Fields)
	for i := range moved.Fields {
		if rest, ok := strings.CutPrefix(moved.Fields[i].Pointer, "/charges/"); ok {
			moved.Fields[i].Pointer = "/shipping/" + rest
		}
		rest, ok := strings.CutPrefix(moved.Fields[i].Pointer, "/lines/")
		if !ok {
			continue
		}
		number, member, _ := strings.Cut(rest, "/")
		if n, err := strconv.Atoi(number); err == nil && n < len(d.lines) {
			moved.Fields[i].Pointer = d.lines[n].at
			if member != "" && d.lines[n].at != "/job" {
				moved.Fields[i].Pointer += "/" + member
			}
		}
	}
	return &moved
}

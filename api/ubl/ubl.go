// Package ubl writes a quote as an OASIS UBL 2.1 Quotation. Its amounts are the quote's own, digit
// for digit; nothing is computed here. EN 16931 does not govern quotations; its arithmetic is
// that of package quote.
package ubl

import (
	"bytes"
	"cmp"
	"encoding/xml"
	"fmt"
	"strings"
	"time"

	"forkwright/api/page"
	"forkwright/api/page/chart"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// Customer is who is quoted for. Its values are joined when the document is written and are kept
// nowhere else; an empty name leaves the party out.
type Customer struct{ Name, Email, Phone, Address string }

// Quotation writes a quote, with the address of its web page where that is absolute. The same quote,
// customer and address give the same bytes. It fails for a quote without lines, which the schema
// does not know.
func Quotation(q quote.Quote, c Customer, page string) ([]byte, error) {
	if len(q.Lines) == 0 {
		return nil, fmt.Errorf("quote %s has no line: a UBL quotation needs one", q.ID)
	}
	w := writer{q: &q}
	var b bytes.Buffer
	b.WriteString(xml.Header)
	e := xml.NewEncoder(&b)
	e.Indent("", "  ")
	if err := e.Encode(w.document(c, page)); err != nil {
		return nil, fmt.Errorf("writing quote %s as UBL: %w", q.ID, err)
	}
	b.WriteByte('\n')
	return b.Bytes(), nil
}

type writer struct{ q *quote.Quote }

func (w writer) document(c Customer, page string) *document {
	q := w.q
	d := &document{
		Xmlns: "urn:oasis:names:specification:ubl:schema:xsd:Quotation-2",
		Cac:   "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
		Cbc:   "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",

		Version: "2.1", ID: text(cmp.Or(q.Number, q.ID)), UUID: text(q.ID), IssueDate: w.issued(), Notes: w.notes(),
		Currency: string(q.Currency), LineCount: len(q.Lines), Seller: supplier{w.seller()},
		Totals: w.totals(),
	}
	if q.Reference != "" {
		d.Request = &reference{text(q.Reference)}
	}
	if q.ValidUntil != "" {
		d.Validity = &period{q.ValidUntil}
	}
	if strings.Contains(page, "://") {
		d.Page = &webPage{ID: d.ID, Kind: "Web page", URI: page, Mime: "text/html"}
	}
	if c.Name != "" {
		d.Buyer = &supplier{buyer(c)}
	}
	for _, a := range q.Allowances {
		d.Allowances = append(d.Allowances, w.allowance(a, false))
	}
	for _, a := range q.AppliedCharges {
		d.Allowances = append(d.Allowances, w.allowance(a, true))
	}
	d.Tax = &taxTotal{Amount: w.amount(q.Totals.Tax)}
	for _, g := range q.TaxGroups {
		d.Tax.Groups = append(d.Tax.Groups, taxGroup{w.amount(g.Taxable), w.amount(g.Amount), w.category(g.Tax)})
	}
	for i := range q.Lines {
		d.Lines = append(d.Lines, w.line(i))
	}
	return d
}

// issued is the day of issue, or for a draft the day on which it was made, in the seller's zone.
func (w writer) issued() string {
	return cmp.Or(w.q.IssuedOn, w.q.CreatedAt.In(w.q.ClockAt(w.q.CreatedAt).Zone).Format(time.DateOnly))
}

func (w writer) notes() (out []string) {
	q := w.q
	if q.State != quote.Issued {
		out = append(out, "State: "+string(q.State))
	}
	if q.RevisionNo > 1 {
		out = append(out, fmt.Sprintf("Revision %d", q.RevisionNo))
	}
	if q.PriceMissing {
		out = append(out, "Some lines have no price yet. The totals are without them.")
	}
	if ready := page.ReadyText(*q); ready != "" {
		out = append(out, text(ready))
	}
	if terms, _ := q.Seller.Terms.In(append([]string{q.Language}, q.Seller.Languages...)...); terms != "" {
		out = append(out, text(terms))
	}
	return out
}

func (w writer) seller() party {
	s := w.q.Seller
	p := party{Website: text(s.Website), Name: name(s.Name), Contact: contactOf("", s.Phone, s.Email)}
	address := &address{}
	for _, l := range s.Address {
		if l = text(l); l != "" {
			address.Lines = append(address.Lines, addressLine{l})
		}
	}
	if s.Country != "" {
		address.Country = &country{text(s.Country)}
	}
	if len(address.Lines) > 0 || address.Country != nil {
		p.Address = address
	}
	for _, id := range s.TaxIDs {
		p.Tax = append(p.Tax, partyTax{text(id.Value), scheme{w.scheme()}})
	}
	p.Legal = &legal{Name: text(cmp.Or(s.LegalName, s.Name)), ID: text(s.Registration)}
	return p
}

// scheme names the tax: VAT where the seller is registered for it, else another tax (UNTDID 5153).
func (w writer) scheme() string {
	for _, id := range w.q.Seller.TaxIDs {
		if id.Scheme == "VA" {
			return "VAT"
		}
	}
	return "OTH"
}

func buyer(c Customer) party {
	p := party{Name: name(c.Name), Contact: contactOf("", c.Phone, c.Email)}
	a := &address{}
	for part := range strings.SplitSeq(c.Address, "\n") {
		if part = strings.TrimSpace(text(part)); part != "" {
			a.Lines = append(a.Lines, addressLine{part})
		}
	}
	if len(a.Lines) > 0 {
		p.Address = a
	}
	return p
}

func contactOf(name, phone, email string) *contact {
	if phone == "" && email == "" {
		return nil
	}
	return &contact{text(name), text(phone), text(email)}
}

func name(s string) *partyName {
	if s = text(s); s == "" {
		return nil
	}
	return &partyName{s}
}

func (w writer) allowance(a quote.Allowance, charge bool) allowance {
	c := w.category(a.Tax)
	return allowance{Charge: charge, Code: text(a.Code), Reason: text(a.Text), Amount: w.amount(a.Net), Tax: &c}
}

func (w writer) totals() totals {
	t := w.q.Totals
	return totals{
		Lines: w.amount(t.Lines), Net: w.amount(t.Net), Gross: w.amount(t.Gross), Allowances: w.amount(t.Allowances),
		Charges: w.amount(t.Charges), Prepaid: w.amount(t.Prepaid), Rounding: w.amount(t.Rounding), Due: w.amount(t.Due),
	}
}

func (w writer) line(i int) line {
	l := &w.q.Lines[i]
	item := lineItem{
		ID: fmt.Sprint(i + 1), Notes: w.lineNotes(l), Quantity: quantity{unitCode(l.Unit), l.Quantity.String()},
		Item: w.item(l),
	}
	if l.Amounts.Net != nil {
		a := w.amount(*l.Amounts.Net)
		item.Net = &a
	}
	w.price(l, &item)
	return line{ID: item.ID, Item: item}
}

// price gives the price without tax and what is taken off it. A price with tax stands beside the
// line, since UBL's own price is without.
func (w writer) price(l *quote.Line, item *lineItem) {
	p := &price{}
	if l.BaseQuantity != nil {
		p.Base = &quantity{unitCode(l.Unit), l.BaseQuantity.String()}
	}
	switch {
	case l.NetPrice != nil:
		p.Amount = w.amount(*l.NetPrice)
		item.Price = p
		for _, a := range l.Amounts.Discounts {
			item.Allowances = append(item.Allowances, allowance{Reason: text(a.Text), Code: text(a.Code), Amount: w.amount(a.Value)})
		}
		for _, a := range l.Amounts.Charges {
			item.Allowances = append(item.Allowances, allowance{Charge: true, Reason: text(a.Text), Code: text(a.Code), Amount: w.amount(a.Value)})
		}
	case l.GrossPrice != nil:
		p.Amount, p.Type = w.amount(*l.GrossPrice), "price including tax"
		item.Reference = &pricingReference{*p}
	}
}

func (w writer) lineNotes(l *quote.Line) (out []string) {
	if !l.Role.Charged() {
		out = append(out, "Not charged: "+string(l.Role))
	}
	if l.Amounts.PriceMissing {
		out = append(out, "No price yet.")
	}
	if l.IncludedIn != "" {
		out = append(out, "In the box of "+text(l.IncludedIn))
	}
	if stock := page.StockText(*w.q, *l); stock != "" {
		out = append(out, text(stock))
	}
	for _, n := range l.Notices {
		out = append(out, text(n.Text))
	}
	return out
}

func (w writer) item(l *quote.Line) item {
	label, _ := l.Text.In(w.q.Language, "en")
	out := item{Name: cmp.Or(text(label), text(l.SKU), "-")}
	if l.OwnCode != "" {
		out.Buyers = &identification{ID: identifier{Value: text(l.OwnCode)}}
	}
	if l.SKU != "" {
		out.Sellers = &identification{ID: identifier{Value: text(l.SKU)}}
	}
	if l.GTIN != "" {
		out.Standard = &identification{ID: identifier{Scheme: "0160", Value: text(l.GTIN)}} // ISO 6523: GTIN
	}
	if l.Tax.Category != "" {
		c := w.category(l.Tax)
		out.Tax = &c
	}
	return out
}

func (w writer) category(t quote.Tax) category {
	return category{ID: string(t.Category), Percent: t.Rate.String(), Reason: text(t.Reason), Scheme: scheme{w.scheme()}}
}

func (w writer) amount(a money.Amount) amount { return amount{string(w.q.Currency), a.String()} }

// unitCode is a unit in UN/ECE recommendation 20.
func unitCode(u string) string {
	switch u {
	case "", "each":
		return "EA"
	case "pair":
		return "PR"
	case "mL":
		return "MLT"
	case "L":
		return "LTR"
	case "g":
		return "GRM"
	case "kg":
		return "KGM"
	case "min":
		return "MIN"
	case "h":
		return "HUR"
	}
	return "ZZ" // mutually defined
}

func text(s string) string { return chart.Plain(s) }

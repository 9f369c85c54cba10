// Package page makes the pages that people print: HTML that stands alone, with its own style,
// no script and nothing loaded from anywhere.
package page

//go:generate go tool -modfile=../../.ci/tools/templ.mod templ generate -log-level error

import (
	"bytes"
	"cmp"
	"context"
	_ "embed"
	"fmt"
	"strings"
	"time"

	"github.com/a-h/templ"

	"forkwright/service/money"
	"forkwright/service/quote"
)

// Customer is who the paper is for. Its values are joined when the page is made and are kept
// nowhere else; all are empty after they were erased.
type Customer struct{ Name, Email, Phone, Address string }

// Extras is what a quote's paper carries beside the quote itself.
type Extras struct {
	Customer Customer
	PageURL  string // the web page of the quote; printed where it is absolute
	Logo     []byte // PNG or JPEG; left out when it cannot be read
	Paper    string // A4 or Letter; empty: the seller's
}

//go:embed paper.css
var paperCSS string

// The style of the page on either paper. It is ours as it stands.
var onA4, onLetter = style("A4"), style("letter")

func style(size string) templ.Component {
	return templ.Raw("<style>" + paperCSS + "@page{size:" + size + ";margin:11mm 14mm 10mm}</style>")
}

func styleOn(paper string) templ.Component {
	if paper == "Letter" {
		return onLetter
	}
	return onA4
}

// longCode is how many bytes of a code fit its line; a longer one is broken.
const longCode = 40

// sheet is a quote as it is laid out.
type sheet struct {
	Words    map[string]string
	Language string
	Q        quote.Quote
	Customer Customer
	Address  []string // of the customer, line by line
	Title    string
	State    string // what has to be said about its state; "" for a quote that holds
	Facts    []fact
	Lines    []row
	Others   []other
	Sums     []sum
	Notes    []string
	Terms    string
	Closing  string
	Foot     []string
	Web      string // address of the page, where it can be typed into a browser
	Gross    bool
}

type fact struct{ Name, Value string }

type row struct {
	No                                 int
	Text, Code, Stock, Discount, Price string
	Quantity, Tax                      string
	Amount                             figure
	Missing                            bool
}

// other is what shares a fate without being charged.
type other struct {
	Role   string
	Box    string // code of the box that it is in, after Role
	Things []thing
}

type thing struct{ Text, Code, Quantity, Note string }

type sum struct {
	Name   string
	Amount figure
	Strong bool
}

// figure is an amount twice: its exact digits, and as it is written for a reader.
type figure struct{ Exact, Shown string }

// Quote lays a quote out as a page for a browser and for one sheet of A4 or Letter where it
// fits. The same quote and extras give the same bytes.
func Quote(q quote.Quote, x Extras) ([]byte, error) {
	s := Lay(q, x)
	var b bytes.Buffer
	b.Grow(16 << 10) // as long as most are
	if err := paper(&s, styleOn(cmp.Or(x.Paper, q.Seller.Paper)), logo(x.Logo)).Render(context.Background(), &b); err != nil {
		return nil, fmt.Errorf("laying out a quote: %w", err)
	}
	return b.Bytes(), nil
}

// Lay chooses what a quote's paper says and in which words, with every amount both exact and as
// it is written for a reader, so that all forms of the paper carry the same digits.
func Lay(q quote.Quote, x Extras) Laid {
	lang, words := wordsIn(q.Language)
	s := sheet{
		Words: words, Language: lang,
		Q: q, Customer: x.Customer, Address: linesOf(x.Customer.Address), Gross: q.Basis == quote.Gross,
	}
	if strings.Contains(x.PageURL, "://") {
		s.Web = x.PageURL
	}
	s.Title = words["quote"]
	if q.Number != "" {
		s.Title += " " + q.Number
	}
	s.State = words["state_"+string(q.State)]
	s.facts()
	s.lines()
	s.sums()
	s.notes()
	s.Terms, _ = q.Seller.Terms.In(append([]string{q.Language}, q.Seller.Languages...)...)
	s.Closing, _ = q.Seller.Closing.In(append([]string{q.Language}, q.Seller.Languages...)...)
	if r := q.Seller.Registration; r != "" {
		s.Foot = append(s.Foot, words["registration"]+" "+r)
	}
	for _, id := range q.Seller.TaxIDs {
		s.Foot = append(s.Foot, words["tax_id"]+" "+id.Value)
	}
	if q.Number != "" {
		s.Foot = append(s.Foot, q.Number)
	}
	return s
}

func linesOf(text string) (out []string) {
	for line := range strings.SplitSeq(text, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}

func (s *sheet) facts() {
	add := func(name, value string) {
		if value != "" {
			s.Facts = append(s.Facts, fact{s.Words[name], value})
		}
	}
	add("number", s.Q.Number)
	if s.Q.RevisionNo > 1 {
		add("revision", fmt.Sprint(s.Q.RevisionNo))
	}
	add("date", s.day(cmp.Or(s.Q.IssuedOn, s.Q.CreatedAt.In(s.Q.ClockAt(s.Q.CreatedAt).Zone).Format(time.DateOnly))))
	add("valid_until", s.day(s.Q.ValidUntil))
	add("reference", s.Q.Reference)
	add("fork", strings.ReplaceAll(s.Q.ForkText, " mm", "\u00a0mm")) // a unit stays with its figure
	add(s.readyWord(), s.ready())
	if s.Q.HeldUntil != nil && (s.Q.State == quote.Accepted || s.Q.State == quote.PartlyFulfilled) {
		add("held_until", s.day(s.Q.HeldUntil.In(s.Q.ClockAt(*s.Q.HeldUntil).Zone).Format(time.DateOnly)))
	}
}

// day writes a date so that no reader takes the month for the day.
func (s *sheet) day(text string) string {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return text
	}
	if s.Language == "de" {
		return t.Format("02.01.2006")
	}
	return t.Format("2 Jan 2006")
}

func (s *sheet) lines() {
	for _, l := range s.Q.Lines {
		text, _ := l.Text.In(s.Q.Language, "en")
		if l.Presence.Rule == "opening" {
			text = s.Words["opening"] + " " + text
		}
		if !l.Role.Charged() {
			s.other(l, text)
			continue
		}
		r := row{No: len(s.Lines) + 1, Text: text, Code: codeOf(l), Stock: s.stock(l), Price: s.price(l), Quantity: s.quantity(l.Quantity, l.Unit), Missing: l.Amounts.PriceMissing}
		if l.Tax.Category != "" {
			r.Tax = s.number(l.Tax.Rate.Plain()) + " %"
		}
		r.Discount = s.adjustments(l.Amounts)
		amount := l.Amounts.Net
		if s.Gross {
			amount = l.Amounts.Gross
		}
		if amount != nil {
			r.Amount = s.figure(*amount)
		}
		s.Lines = append(s.Lines, r)
	}
}

// adjustments says what is taken off a line and what is put on it.
func (s *sheet) adjustments(p quote.PricedLine) string {
	var parts []string
	for _, d := range p.Discounts {
		parts = append(parts, cmp.Or(d.Text, s.Words["discount"])+" "+s.figure(d.Value.Neg()).Shown)
	}
	for _, c := range p.Charges {
		parts = append(parts, cmp.Or(c.Text, s.Words["charge"])+" "+s.plus(c.Value))
	}
	return strings.Join(parts, ", ")
}

func (s *sheet) plus(a money.Amount) string {
	if a.Sign() < 0 {
		return s.figure(a).Shown
	}
	return "+" + s.figure(a).Shown
}

// codeOf is the part's code; bench time has one only in the catalog.
func codeOf(l quote.Line) string {
	if l.Role == quote.RoleLabor {
		return ""
	}
	return l.SKU
}

// other adds a line that is not charged. What comes in one box, and what has the same fate
// without a remark of its own, stands together.
func (s *sheet) other(l quote.Line, text string) {
	role, box, note := s.Words["role_"+string(l.Role)], "", l.Inspect
	if l.Role == quote.RoleIncluded && l.IncludedIn != "" {
		role, box, note = s.Words["in_box_of"], l.IncludedIn, ""
		if text := s.stock(l); text != s.Words["stock_on_hand"] {
			note = text // the box waits for it
		}
	}
	if l.Role == quote.RoleCustomer {
		note = s.Words["brought"]
	}
	x := thing{Text: text, Code: l.SKU, Note: note}
	if !l.Quantity.Equal(money.FromInt(1)) {
		x.Quantity = s.quantity(l.Quantity, l.Unit)
	}
	for i := range s.Others {
		if s.Others[i].Role == role && s.Others[i].Box == box {
			s.Others[i].Things = append(s.Others[i].Things, x)
			return
		}
	}
	s.Others = append(s.Others, other{role, box, []thing{x}})
}

func (s *sheet) price(l quote.Line) string {
	p := l.NetPrice
	if s.Gross {
		p = l.GrossPrice
	}
	if p == nil {
		return ""
	}
	text := s.figure(*p).Shown
	if l.BaseQuantity != nil && !l.BaseQuantity.Equal(money.FromInt(1)) {
		return text + " / " + s.quantity(*l.BaseQuantity, l.Unit)
	}
	return text
}

func (s *sheet) quantity(a money.Amount, unit string) string {
	text := s.number(a.Plain())
	if w := s.Words["unit_"+unit]; w != "" {
		unit = w
	}
	if unit == "" || unit == "each" {
		return text
	}
	return text + " " + unit
}

func (s *sheet) sums() {
	t := s.Q.Totals
	add := func(name string, a money.Amount, strong bool) {
		s.Sums = append(s.Sums, sum{name, s.figure(a), strong})
	}
	if len(s.Q.Allowances)+len(s.Q.AppliedCharges) > 0 {
		add(s.Words["sum_lines"], t.Lines, false)
	}
	for _, a := range s.Q.Allowances {
		add(cmp.Or(a.Text, s.Words["discount"])+rateOf(s, a.Tax), a.Net.Neg(), false)
	}
	for _, a := range s.Q.AppliedCharges {
		add(cmp.Or(a.Text, s.Words["charge"]), a.Net, false)
	}
	add(s.Words["net"], t.Net, false)
	for _, g := range s.Q.TaxGroups {
		name := s.Words["tax"] + rateOf(s, g.Tax) + " " + s.Words["on"] + " " + s.figure(g.Taxable).Shown
		if g.Reason != "" {
			name = g.Reason + rateOf(s, g.Tax)
		}
		add(name, g.Amount, false)
	}
	add(s.Words["gross"], t.Gross, t.Due.Equal(t.Gross))
	if !t.Prepaid.IsZero() {
		add(s.Words["prepaid"], t.Prepaid.Neg(), false)
	}
	if !t.Rounding.IsZero() {
		add(s.Words["rounding"], t.Rounding, false)
	}
	if !t.Due.Equal(t.Gross) {
		add(s.Words["due"], t.Due, true)
	}
}

func rateOf(s *sheet, t quote.Tax) string { return " " + s.number(t.Rate.Plain()) + " %" }

func (s *sheet) notes() {
	if s.Q.PriceMissing {
		s.Notes = append(s.Notes, s.Words["price_missing_note"])
	}
	seen := map[string]bool{}
	for _, w := range s.Q.Warnings {
		if w.Code != "price_missing" && !seen[w.Text] {
			seen[w.Text] = true
			s.Notes = append(s.Notes, w.Text)
		}
	}
	if len(s.Q.ForkIDs) > 0 {
		s.Notes = append(s.Notes, s.Words["safety"])
	}
}

// figure writes an amount with its currency's decimals, grouped as the language does.
func (s *sheet) figure(a money.Amount) figure {
	digits := s.Q.Currency.Digits()
	if s.Q.Decimals != nil {
		digits = *s.Q.Decimals
	}
	exact := a.Fixed(digits)
	return figure{Exact: exact, Shown: s.number(exact)}
}

// number writes plain decimal text as the language does: 1,234.50, or 1.234,50 in German.
func (s *sheet) number(plain string) string {
	group, point := ",", "."
	if s.Language == "de" {
		group, point = ".", ","
	}
	sign := ""
	if rest, ok := strings.CutPrefix(plain, "-"); ok {
		sign, plain = "−", rest
	}
	whole, fraction, has := strings.Cut(plain, ".")
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + group + whole[i:]
	}
	if has {
		whole += point + fraction
	}
	return sign + whole
}

package quote

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"forkwright/service/money"
)

// Difference is one thing that differs between two revisions.
type Difference struct {
	LineID string `json:"line_id,omitempty"` // empty: the whole quote
	Code   string `json:"code"`              // see the Diff codes
	Before string `json:"before,omitempty"`
	After  string `json:"after,omitempty"`
	Text   string `json:"text"` // a sentence that can be read out
}

// The codes of a Difference.
const (
	DiffAdded      = "added"
	DiffRemoved    = "removed"
	DiffSuperseded = "superseded"
	DiffQuantity   = "quantity"
	DiffPrice      = "price"
	DiffTax        = "tax"
	DiffAmount     = "amount" // the line's sum, when neither price nor quantity explains it
	DiffVerdict    = "verdict"
	DiffNotice     = "notice"
	DiffStock      = "stock"
	DiffTotal      = "total"
)

// Diff compares two revisions line by line, in the language of the later one. Lines
// are the same when their ids are, or when the new part supersedes the old.
func Diff(before, after Quote) []Difference {
	c := comparison{before: before, after: after, words: wordsIn(after.Language)}
	seen := make(map[string]bool)
	for i, l := range after.Lines {
		old, ok := counterpart(before.Lines, l)
		if !ok {
			c.add(i, l, DiffAdded, "", l.amount(after), "added", "quantity", c.quantity(l))
			continue
		}
		seen[old.ID] = true
		c.line(i, old, l)
	}
	for i, l := range before.Lines {
		if !seen[l.ID] {
			c.add(i, l, DiffRemoved, l.amount(before), "", "removed")
		}
	}
	b, a := before.Totals.Due, after.Totals.Due
	if !b.Equal(a) || before.Currency != after.Currency {
		c.out = append(c.out, c.difference("", DiffTotal, inCurrency(b, before), inCurrency(a, after), "total_"+direction(b, a)))
	}
	return c.out
}

// comparison is two revisions while they are compared.
type comparison struct {
	before, after Quote
	words         language
	out           []Difference
}

// difference makes a sentence of a kind; values are names and what they stand for.
func (c *comparison) difference(lineID, code, was, is, sentence string, values ...string) Difference {
	values = append([]string{"before", c.words.figures(was), "after", c.words.figures(is)}, values...)
	return Difference{LineID: lineID, Code: code, Before: was, After: is, Text: c.words.say(sentence, values...)}
}

// add notes a difference of a line.
func (c *comparison) add(i int, l Line, code, was, is, sentence string, values ...string) {
	d := c.difference(l.ID, code, was, is, sentence, values...)
	d.Text = c.words.say("line", "no", strconv.Itoa(i+1), "name", l.name(c.words.tag), "what", strings.TrimSuffix(d.Text, "."))
	c.out = append(c.out, d)
}

func counterpart(lines []Line, l Line) (Line, bool) {
	for _, same := range []func(Line) bool{
		func(o Line) bool { return o.ID == l.ID },
		func(o Line) bool { return l.Supersedes != "" && o.SKU == l.Supersedes && o.ForFork == l.ForFork },
	} {
		if i := slices.IndexFunc(lines, same); i >= 0 {
			return lines[i], true
		}
	}
	return Line{}, false
}

// line notes in what two revisions of a line differ.
func (c *comparison) line(i int, old, l Line) {
	known := len(c.out)
	differs := func(code, was, is, sentence string, values ...string) {
		if was != is {
			c.add(i, l, code, was, is, sentence, values...)
		}
	}
	differs(DiffSuperseded, old.SKU, l.SKU, "superseded", "sku", old.SKU)
	differs(DiffQuantity, old.Quantity.Plain(), l.Quantity.Plain(), "quantity")
	differs(DiffPrice, old.priceText(c.before, english), l.priceText(c.after, english), priceChange(old, l),
		"was", old.priceText(c.before, c.words), "is", l.priceText(c.after, c.words))
	differs(DiffTax, old.Tax.Key(), l.Tax.Key(), "tax", "was", c.tax(old.Tax), "is", c.tax(l.Tax))
	if len(c.out) == known {
		differs(DiffAmount, old.amount(c.before), l.amount(c.after), "amount")
	}
	differs(DiffVerdict, old.Verdict, l.Verdict, "verdict", "was", c.words.word("verdict", old.Verdict), "is", c.words.word("verdict", l.Verdict))
	c.notices(i, old, l)
	differs(DiffStock, stockText(old.Sourcing, english), stockText(l.Sourcing, english), "stock", "was", stockText(old.Sourcing, c.words), "is", stockText(l.Sourcing, c.words))
}

func (c *comparison) notices(i int, old, l Line) {
	was, is := noticeText(old.Notices, english), noticeText(l.Notices, english)
	switch {
	case was == is:
	case is == "":
		c.add(i, l, DiffNotice, was, is, "no_notice")
	default:
		c.add(i, l, DiffNotice, was, is, "notice", "is", noticeText(l.Notices, c.words))
	}
}

// quantity is how many, with the unit where it is not each.
func (c *comparison) quantity(l Line) string {
	text := c.words.figures(l.Quantity.Plain())
	if unit := l.unit(); unit != "each" {
		text += " " + unit
	}
	return text
}

func (c *comparison) tax(t Tax) string {
	if t.Category == "" {
		return c.words.say("no_tax")
	}
	return c.words.say("tax_rate", "category", string(t.Category), "rate", c.words.figures(t.Rate.Plain()))
}

func (l Line) name(language string) string {
	text, _ := l.Text.In(language, "en")
	switch {
	case text == "":
		return firstOf(l.SKU, l.ID)
	case l.SKU == "":
		return text
	}
	return fmt.Sprintf("%s (%s)", text, l.SKU)
}

func (l Line) unit() string { return firstOf(l.Unit, "each") }

func (l Line) price() *money.Amount {
	if l.GrossPrice != nil {
		return l.GrossPrice
	}
	return l.NetPrice
}

func (l Line) priceText(q Quote, words language) string {
	price := l.price()
	if price == nil {
		return ""
	}
	text := words.figures(inCurrency(*price, q))
	if l.BaseQuantity != nil && !l.BaseQuantity.Equal(money.FromInt(1)) {
		text = words.say("per", "price", text, "quantity", words.figures(l.BaseQuantity.Plain()), "unit", l.unit())
	}
	return text
}

// priceChange is the sentence for another price.
func priceChange(old, l Line) string {
	switch {
	case old.price() == nil:
		return "price_new"
	case l.price() == nil:
		return "price_gone"
	}
	return "price_" + direction(*old.price(), *l.price())
}

func direction(before, after money.Amount) string {
	switch before.Cmp(after) {
	case -1:
		return "rises"
	case 1:
		return "falls"
	}
	return "changes"
}

func (l Line) amount(q Quote) string {
	if q.Basis == Gross && l.Amounts.Gross != nil {
		return inCurrency(*l.Amounts.Gross, q)
	}
	if l.Amounts.Net != nil {
		return inCurrency(*l.Amounts.Net, q)
	}
	return ""
}

func inCurrency(a money.Amount, q Quote) string {
	digits := q.Currency.Digits()
	if q.Decimals != nil {
		digits = *q.Decimals
	}
	return a.Fixed(digits) + " " + string(q.Currency)
}

func noticeText(notices []NoticeRef, words language) string {
	texts := make([]string, len(notices))
	for i, n := range notices {
		texts[i] = firstOf(n.Text, n.ID)
		if n.Blocks {
			texts[i] = words.say("stopped", "text", texts[i])
		}
	}
	slices.Sort(texts)
	return strings.Join(texts, "; ")
}

func stockText(sources []Source, words language) string {
	texts := make([]string, len(sources))
	for i, s := range sources {
		texts[i] = words.say("source", "quantity", words.figures(s.Quantity.Plain()), "kind", words.word("source", string(s.Kind)), "location", s.Location)
		if s.On != "" {
			texts[i] = words.say("source_on", "source", texts[i], "day", s.On)
		}
	}
	return firstOf(strings.Join(texts, ", "), words.say("not_checked"))
}

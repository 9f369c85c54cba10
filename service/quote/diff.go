package quote

import (
	"fmt"
	"slices"
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

// Diff compares two revisions line by line. Lines are the same when their ids
// are, or when the new part supersedes the old.
func Diff(before, after Quote) []Difference {
	out := []Difference{}
	seen := make(map[string]bool)
	for i, l := range after.Lines {
		old, ok := counterpart(before.Lines, l)
		if !ok {
			out = append(out, change(i, l, DiffAdded, "", l.amount(after), "is new: %s x %s", l.Quantity.Plain(), l.unit()))
			continue
		}
		seen[old.ID] = true
		out = append(out, lineDiff(i, old, l, before, after)...)
	}
	for i, l := range before.Lines {
		if !seen[l.ID] {
			out = append(out, change(i, l, DiffRemoved, l.amount(before), "", "is no longer on the quote"))
		}
	}
	b, a := before.Totals.Due, after.Totals.Due
	if !b.Equal(a) || before.Currency != after.Currency {
		d := Difference{Code: DiffTotal, Before: inCurrency(b, before), After: inCurrency(a, after)}
		d.Text = fmt.Sprintf("The amount due %s from %s to %s.", direction(b, a), d.Before, d.After)
		out = append(out, d)
	}
	return out
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

func lineDiff(i int, old, l Line, before, after Quote) []Difference {
	var out []Difference
	add := func(code, was, is, text string, args ...any) {
		if was != is {
			out = append(out, change(i, l, code, was, is, text, args...))
		}
	}
	add(DiffSuperseded, old.SKU, l.SKU, "replaces %s", old.SKU)
	add(DiffQuantity, old.Quantity.Plain(), l.Quantity.Plain(), "quantity %s instead of %s", l.Quantity.Plain(), old.Quantity.Plain())
	was, is := old.priceText(before), l.priceText(after)
	add(DiffPrice, was, is, "%s", priceChange(old, l, was, is))
	add(DiffTax, old.Tax.Key(), l.Tax.Key(), "tax %s instead of %s", taxText(l.Tax), taxText(old.Tax))
	if len(out) == 0 {
		add(DiffAmount, old.amount(before), l.amount(after), "the line comes to %s instead of %s", l.amount(after), old.amount(before))
	}
	add(DiffVerdict, old.Verdict, l.Verdict, "the fit is now %s; it was %s", words(l.Verdict), words(old.Verdict))
	add(DiffNotice, noticeText(old.Notices), noticeText(l.Notices), "%s", noticeChange(l.Notices))
	add(DiffStock, stockText(old.Sourcing), stockText(l.Sourcing), "now %s; it was %s", stockText(l.Sourcing), stockText(old.Sourcing))
	return out
}

func change(i int, l Line, code, before, after, text string, args ...any) Difference {
	return Difference{LineID: l.ID, Code: code, Before: before, After: after,
		Text: fmt.Sprintf("Line %d, %s: %s.", i+1, l.name(), strings.TrimSuffix(fmt.Sprintf(text, args...), "."))}
}

func (l Line) name() string {
	text, _ := l.Text.In("en")
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

func (l Line) priceText(q Quote) string {
	price := l.price()
	if price == nil {
		return ""
	}
	text := inCurrency(*price, q)
	if l.BaseQuantity != nil && !l.BaseQuantity.Equal(money.FromInt(1)) {
		text += " per " + l.BaseQuantity.Plain() + " " + l.unit()
	}
	return text
}

func priceChange(old, l Line, was, is string) string {
	switch {
	case was == "":
		return "has a price now, " + is
	case is == "":
		return "has no price any longer; it was " + was
	}
	return fmt.Sprintf("the price %s from %s to %s", direction(*old.price(), *l.price()), was, is)
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

func taxText(t Tax) string {
	if t.Category == "" {
		return "not stated"
	}
	return fmt.Sprintf("%s at %s %%", t.Category, t.Rate.Plain())
}

func words(code string) string {
	return firstOf(strings.ReplaceAll(code, "_", " "), "not judged")
}

func noticeText(notices []NoticeRef) string {
	texts := make([]string, len(notices))
	for i, n := range notices {
		texts[i] = firstOf(n.Text, n.ID)
		if n.Blocks {
			texts[i] = "stopped: " + texts[i]
		}
	}
	slices.Sort(texts)
	return strings.Join(texts, "; ")
}

func noticeChange(notices []NoticeRef) string {
	if len(notices) == 0 {
		return "no notice applies any longer"
	}
	return "notice: " + noticeText(notices)
}

func stockText(sources []Source) string {
	texts := make([]string, len(sources))
	for i, s := range sources {
		texts[i] = s.Quantity.Plain() + " " + words(string(s.Kind)) + " at " + s.Location
		if s.On != "" {
			texts[i] += " on " + s.On
		}
	}
	return firstOf(strings.Join(texts, ", "), "not checked")
}

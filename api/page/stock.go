package page

import (
	"slices"
	"strings"
	"time"

	"forkwright/service/money"
	"forkwright/service/quote"
)

// StockText says in a line of words what of a quote's line is there, what is on its way, and
// what has to be ordered; "" where nobody keeps stock of it.
func StockText(q quote.Quote, l quote.Line) string {
	lang, words := wordsIn(q.Language)
	s := sheet{Words: words, Language: lang, Q: q}
	return s.stock(l)
}

// ReadyText says from which day on all goods of a quote are here, "" where there are none, or
// where its state is past that question.
func ReadyText(q quote.Quote) string {
	lang, words := wordsIn(q.Language)
	s := sheet{Words: words, Language: lang, Q: q}
	if day := s.ready(); day != "" {
		return words[s.readyWord()] + " " + day
	}
	return ""
}

func (s *sheet) readyWord() string {
	if s.Q.ForJob() {
		return "ready_job"
	}
	return "ready_goods"
}

func (s *sheet) ready() string {
	if !slices.Contains([]quote.State{quote.Draft, quote.Issued, quote.Accepted, quote.PartlyFulfilled}, s.Q.State) {
		return ""
	}
	day, open := s.Q.Ready()
	if open {
		return s.Words["ready_open"]
	}
	return s.day(day)
}

// stock tells the customer when, not from where: from how many shelves is the shop's affair, and
// what is alike is one word.
func (s *sheet) stock(l quote.Line) string {
	if l.Fulfilled.Sign() > 0 && l.Fulfilled.Equal(l.Quantity) {
		return s.Words["handed_over"]
	}
	var words, parts []string
	sums := map[string]money.Amount{}
	for _, x := range l.Sourcing {
		text := s.source(x, l.LeadDays)
		if !slices.Contains(words, text) {
			words = append(words, text)
		}
		sums[text] = sums[text].Add(x.Quantity)
	}
	for _, text := range words {
		if len(words) > 1 {
			text = s.number(sums[text].Plain()) + " " + text
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}

// source is one source in words: its kind, its day, how long an order takes, and whether the
// count can be believed.
func (s *sheet) source(x quote.Source, leadDays *int) string {
	text := s.Words["stock_"+string(x.Kind)]
	switch {
	case x.On == "":
	case x.Kind == quote.Incoming:
		text = s.Words["stock_incoming_on"] + " " + s.day(x.On)
	case x.Kind == quote.Backorder && leadDays != nil:
		text = strings.NewReplacer("{days}", s.number(money.FromInt(int64(*leadDays)).Plain()), "{day}", s.day(x.On)).Replace(s.Words["stock_backorder_days"])
	default:
		text = strings.ReplaceAll(s.Words["stock_"+string(x.Kind)+"_on"], "{day}", s.day(x.On))
	}
	switch {
	case !x.Stale:
		return text
	case x.CountedAt == nil:
		return text + " (" + s.Words["stock_never_counted"] + ")"
	}
	counted := s.day(x.CountedAt.In(s.Q.ClockAt(*x.CountedAt).Zone).Format(time.DateOnly))
	return text + " (" + strings.ReplaceAll(s.Words["stock_stale"], "{day}", counted) + ")"
}

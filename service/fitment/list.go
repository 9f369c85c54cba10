package fitment

import (
	"cmp"
	"slices"

	"forkwright/service/catalog"
)

// Filter narrows a list of parts for a fork.
type Filter struct {
	Kinds      []string // empty: every kind that goes into a fork; labor only if named
	NearMisses bool     // also parts that a row names for this fork and that do not fit it as owned
	After      string   // only parts whose ListKey sorts after it
	Limit      int      // at most so many; 0 is all
}

// ListKey is a part's place in a list of parts.
func ListKey(p *catalog.Part) string { return p.Kind + " " + p.SKU }

// WhatFits lists the parts that fit a fork as owned, or may once a question is answered,
// sorted by kind and SKU. A part that has been superseded is not listed; its successor is.
func WhatFits(rev *catalog.Revision, owned *Owned, filter Filter) []Answer {
	if owned == nil || owned.Fork == nil {
		return nil
	}
	var parts []*catalog.Card
	wanted := func(c *catalog.Card) bool {
		if c.Superseded || c.Part.Kind == catalog.KindAccessory {
			return false
		}
		if len(filter.Kinds) == 0 {
			return c.Part.Kind != catalog.KindLabor
		}
		return slices.Contains(filter.Kinds, c.Part.Kind)
	}
	j := newJudging(rev, owned)
	var last *catalog.Card
	for c := range j.reach.Parts {
		if c == last {
			continue
		}
		last = c
		if c.Closed && wanted(c) {
			parts = append(parts, c)
		}
	}
	if len(filter.Kinds) == 0 || slices.ContainsFunc(filter.Kinds, func(k string) bool { return !catalog.KindClosed(k) }) {
		for _, p := range rev.OpenParts() {
			if c := rev.Card(p); wanted(c) {
				parts = append(parts, c)
			}
		}
	}
	slices.SortFunc(parts, func(a, b *catalog.Card) int {
		if !a.SameKind(b) {
			return cmp.Compare(a.Part.Kind, b.Part.Kind)
		}
		return a.Compare(b)
	})
	parts = slices.Compact(parts)
	most := len(parts)
	if filter.Limit > 0 {
		most = min(most, filter.Limit)
	}
	out := make([]Answer, 0, most)
	no := noReasons
	if filter.NearMisses {
		no = withReasons
	}
	for _, c := range parts {
		if len(out) == most {
			break
		}
		if filter.After != "" && ListKey(c.Part) <= filter.After {
			continue
		}
		a := j.judge(c.Part, no)
		if a.Verdict != catalog.DoesNotFit || filter.NearMisses {
			out = append(out, a)
		}
	}
	return out
}

// Span is a run of model years of a fork with the travels for which the answer is the same.
type Span struct {
	YearFrom, YearTo int
	TravelsMM        []int // travel now, of those the fork is sold with
	Answer           Answer
}

// ForkFit is a fork that a part fits, in some of its years and travels.
type ForkFit struct {
	Fork  *catalog.Fork
	Spans []Span
}

// Page is a part of a long list: up to Limit forks whose ids sort after After. Limit 0 is all.
type Page struct {
	After string
	Limit int
}

// Forks lists the forks that a part fits, or may, sorted by id, by asking for each fork, model
// year and travel what Judge is asked. Next is the After of the following page, "" at the end.
func Forks(rev *catalog.Revision, sku string, page Page) (fits []ForkFit, next string) {
	part, ok := rev.Part(sku)
	if !ok || part.Kind == catalog.KindAccessory {
		return nil, ""
	}
	forks := candidates(rev, successor(rev, part))
	from, _ := slices.BinarySearchFunc(forks, page.After, func(f *catalog.Fork, id string) int {
		if f.ID > id {
			return 1
		}
		return -1
	})
	for _, f := range forks[from:] {
		fit := ForkFit{f, spans(rev, f, part)}
		if len(fit.Spans) == 0 {
			continue
		}
		if page.Limit > 0 && len(fits) == page.Limit {
			return fits, fits[len(fits)-1].Fork.ID
		}
		fits = append(fits, fit)
	}
	return fits, ""
}

// candidates are the forks that a part could fit at all, sorted by id.
func candidates(rev *catalog.Revision, part *catalog.Part) []*catalog.Fork {
	var forks []*catalog.Fork
	if !catalog.KindClosed(part.Kind) {
		all := rev.Forks()
		for i := range all {
			forks = append(forks, &all[i])
		}
		return forks
	}
	var level catalog.Level
	var target string
	for r := range rev.RowsOfPart(part.SKU) {
		if !includes(r.Verdict) || r.Level == level && r.Target == target { // rows of one target stand together
			continue
		}
		level, target = r.Level, r.Target
		forks = append(forks, rev.ForksOf(level, target)...)
	}
	slices.SortFunc(forks, func(a, b *catalog.Fork) int { return cmp.Compare(a.ID, b.ID) })
	return slices.Compact(forks)
}

// spans groups the yeses and questions of a fork by years and travels.
func spans(rev *catalog.Revision, f *catalog.Fork, part *catalog.Part) []Span {
	var out []Span
	for y := int(f.YearFrom); y <= int(f.YearTo); y++ {
		this := spansOfYear(rev, f, y, part)
		for _, s := range this {
			i := slices.IndexFunc(out, func(o Span) bool {
				return o.YearTo == y-1 && slices.Equal(o.TravelsMM, s.TravelsMM) && sameAnswer(&o.Answer, &s.Answer)
			})
			if i >= 0 {
				out[i].YearTo = y
			} else {
				out = append(out, s)
			}
		}
	}
	return out
}

func spansOfYear(rev *catalog.Revision, f *catalog.Fork, year int, part *catalog.Part) []Span {
	var out []Span
	for _, mm := range f.TravelsMM {
		a := newJudging(rev, &Owned{Fork: f, ModelYear: year, TravelNow: Travel{mm, Stated}}).judge(part, noReasons)
		if a.Verdict == catalog.DoesNotFit {
			continue
		}
		if i := slices.IndexFunc(out, func(s Span) bool { return sameAnswer(&s.Answer, &a) }); i >= 0 {
			out[i].TravelsMM = append(out[i].TravelsMM, mm)
			continue
		}
		out = append(out, Span{year, year, []int{mm}, a})
	}
	return out
}

// sameAnswer compares what Facts keeps.
func sameAnswer(a, b *Answer) bool { return string(Facts(*a)) == string(Facts(*b)) }

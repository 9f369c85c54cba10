package fitment

import (
	"slices"
	"strconv"

	"forkwright/service/catalog"
	"forkwright/service/fault"
)

// mostReasons bounds the reasons of an answer; one or two is usual.
const mostReasons = 6

// Judge decides whether a part fits a fork as owned. It always answers: a SKU that the catalog
// does not have, or a fork that was not named, is a verdict too.
func Judge(rev *catalog.Revision, owned *Owned, sku string) Answer {
	return judge(rev, owned, sku, true)
}

// judge is Judge; the nearest alternative is left out where nobody will read it.
func judge(rev *catalog.Revision, owned *Owned, sku string, nearest bool) Answer {
	asked, ok := rev.Part(sku)
	if !ok {
		return Answer{SKU: sku, Verdict: catalog.NotInCatalog, Reasons: plain("not_in_catalog", values{{"part", sku}})}
	}
	part := successor(rev, asked)
	a := Answer{SKU: sku}
	if part != asked {
		a.Follows = part.SKU
	}
	switch {
	case part.Kind == catalog.KindAccessory:
		a.Verdict, a.Reasons = catalog.NotForkRelated, plain("needs_no_fork", values{{"part", partName(rev, part)}})
	case owned == nil || owned.Fork == nil:
		a.Verdict, a.Reasons = catalog.Unknown, plain("missing_fork", values{{"part", partName(rev, part)}})
		a.Question = question(rev, "fork", nil)
	default:
		c := inquire(rev, owned, part)
		c.answer(&a)
		if nearest && a.Verdict == catalog.DoesNotFit {
			a.Nearest = c.nearest()
		}
	}
	if a.Follows != "" {
		a.Reasons = append(a.Reasons, plain("superseded", values{{"part", asked.SKU}, {"other", part.SKU}})...)
	}
	return a
}

// successor follows supersession to its end. Loading refuses loops; the bound is for a loop
// that was never loaded.
func successor(rev *catalog.Revision, part *catalog.Part) *catalog.Part {
	for range 16 {
		next, ok := rev.Part(part.SupersededBy)
		if !ok {
			break
		}
		part = next
	}
	return part
}

// seen is a distinct finding with the first world that led to it.
type seen struct {
	finding
	in world
}

// answer decides every possible world. The same yes or the same no in all of them is the
// answer; anything else is a question.
func (c *inquiry) answer(a *Answer) {
	s := c.settle()
	var all []seen
	mixed := false
	c.each(s, func(w *world) {
		f := c.decide(w)
		if slices.ContainsFunc(all, func(x seen) bool { return x.finding == f }) {
			return
		}
		mixed = mixed || len(all) > 0 && !sameOutcome(all[0].finding, f)
		in := *w
		in.values = slices.Clone(w.values)
		all = append(all, seen{f, in})
	})
	switch {
	case len(all) == 0:
		a.Verdict, a.Reasons = catalog.Unknown, plain("contradicts", c.contradiction("serial"))
		a.Question = question(c.rev, "serial", nil)
	case c.denied != "" && (mixed || all[0].verdict != catalog.DoesNotFit):
		a.Verdict, a.Reasons = catalog.Unknown, plain("contradicts", c.contradiction(c.denied))
		a.Reasons[0].Fact, a.Reasons[0].Have = c.denied, c.statedText(c.denied)
		a.Question = question(c.rev, c.denied, c.choices(c.denied))
	case mixed:
		c.ask(a, s)
	default:
		a.Verdict = all[0].verdict
		for _, x := range all[:min(len(all), mostReasons)] {
			a.Reasons = append(a.Reasons, c.reason(x.finding, &x.in))
		}
		if all[0].row != nil && a.Verdict == catalog.FitsWith {
			a.Requires = requirements(all[0].row)
		}
	}
}

func requirements(row *catalog.Fitment) []catalog.Requirement {
	if row == nil || row.Conditions == nil {
		return nil
	}
	return row.Requires
}

// sameOutcome: the same verdict and, where there are conditions, the same conditions.
func sameOutcome(a, b finding) bool {
	return a.verdict == b.verdict && (a.verdict != catalog.FitsWith || slices.Equal(requirements(a.row), requirements(b.row)))
}

// ask makes the answer a question: the one fact whose value leaves the fewest worlds open. Of
// equals, the one that a person at a counter can see soonest.
func (c *inquiry) ask(a *Answer, s spread) {
	var decided []seen
	c.each(s, func(w *world) {
		in := *w
		in.values = slices.Clone(w.values)
		decided = append(decided, seen{c.decide(w), in})
	})
	best, open := "", 0
	var answers []branch
	for _, name := range c.askable(s) {
		b := c.branches(decided, name)
		if len(b) < 2 {
			continue
		}
		n := 0
		for _, x := range b {
			n += x.open
		}
		if best == "" || n < open {
			best, open, answers = name, n, b
		}
	}
	a.Verdict = catalog.Unknown
	a.Reasons = c.missing(best, answers)
	a.Question = question(c.rev, best, c.offered(best, answers))
}

// anyOther answers a question about an option that none of the catalog's values is right for.
const anyOther = "other"

// offered are the choices of a question, as far as they are still possible.
func (c *inquiry) offered(name string, answers []branch) (choices []string) {
	all := c.choices(name)
	for _, v := range all {
		if slices.ContainsFunc(answers, func(b branch) bool { return b.value == v }) {
			choices = append(choices, v)
		}
	}
	for _, b := range answers {
		if len(all) > 0 && b.value != "" && !slices.Contains(choices, b.value) {
			choices = append(choices, b.value)
		}
	}
	if c.unlisted(name) {
		choices = append(choices, anyOther)
	}
	return choices
}

// unlisted reports that an option may have a value that no row names.
func (c *inquiry) unlisted(name string) bool {
	return slices.ContainsFunc(c.facts, func(f fact) bool { return f.name == name && slices.Contains(f.domain, "") })
}

// askable are the facts that may be asked for, in the order of how soon a person can answer.
func (c *inquiry) askable(s spread) []string {
	var names []string
	for i := range c.facts {
		names = append(names, c.facts[i].name)
	}
	slices.Sort(names)
	for _, x := range [...]struct {
		name string
		many bool
	}{
		{"travel_now", len(s.travels) > 1}, {"model_year", len(s.years) > 1}, {"wheel_size", len(s.wheels) > 1},
		{"serial", len(s.serials) > 1}, {"built_on", len(s.dates) > 1},
	} {
		if x.many {
			names = append(names, x.name)
		}
	}
	return names
}

// branch is what is left of the possible worlds once a fact has a value.
type branch struct {
	value string
	first seen
	open  int // worlds that are still undecided; 0: this value settles it
	n     int
}

func (c *inquiry) branches(decided []seen, name string) []branch {
	var out []branch
	at := map[string]int{}
	for _, x := range decided {
		v := c.text(&x.in, name)
		i, ok := at[v]
		if !ok {
			i = len(out)
			at[v] = i
			out = append(out, branch{value: v, first: x})
		}
		out[i].n++
		if !sameOutcome(out[i].first.finding, x.finding) {
			out[i].open = 1
		}
	}
	for i := range out {
		out[i].open *= out[i].n
	}
	return out
}

// missing says what is missing and, for each value it may have, what that would mean.
func (c *inquiry) missing(name string, answers []branch) []Reason {
	out := plain("missing_fact", values{{"part", partName(c.rev, c.part)}, {"fork", c.forkName()}, {"fact", factName(name)}})
	out[0].Fact = name
	for _, b := range answers {
		code := "if_fits"
		switch v := b.first.verdict; {
		case b.open > 0:
			code = "if_open"
		case v == catalog.FitsWith:
			code = "if_fits_with"
		case v == catalog.DoesNotFit:
			code = "if_does_not_fit"
		}
		r := plain(code, values{{"fact", factName(name)}, {"have", c.shown(name, b.value)}, {"requires", c.conditionText(b.first.row)}})[0]
		r.Fact, r.Have = name, b.value
		if b.first.row != nil && b.open == 0 {
			r.Row = b.first.row.ID
		}
		if len(out) < 1+mostReasons {
			out = append(out, r)
		}
	}
	return out
}

// choices are the values that a question offers; none where the answer is a number to be
// measured or a text to be read off.
func (c *inquiry) choices(name string) []string {
	switch name {
	case "serial", "built_on":
		return nil
	case "travel_now":
		if c.owned.TravelNow.How == ByStanchion {
			return nil
		}
		return numbers(c.fork.TravelsMM)
	case "model_year":
		var out []string
		for y := int(c.fork.YearFrom); y <= int(c.fork.YearTo); y++ {
			out = append(out, number(y))
		}
		return out
	case "wheel_size":
		return c.fork.WheelSizes
	}
	return c.optionChoices(name)
}

func (c *inquiry) optionChoices(name string) []string {
	var out []string
	for i := range c.facts {
		if c.facts[i].name != name {
			continue
		}
		out = append(out, c.facts[i].domain...)
		for _, o := range c.facts[i].built {
			if !slices.Contains(out, o.Value) {
				out = append(out, o.Value)
			}
		}
	}
	return slices.DeleteFunc(out, func(v string) bool { return v == "" })
}

func (c *inquiry) statedText(name string) string {
	switch name {
	case "model_year":
		return number(c.stated.ModelYear)
	case "wheel_size":
		return c.stated.WheelSize
	case "serial":
		return c.stated.Serial
	case "built_on":
		return c.stated.BuiltOn
	}
	return c.stated.Options[name]
}

// question makes the question for a fact. Its code is the fact's name.
func question(rev *catalog.Revision, name string, choices []string) *fault.Question {
	return &fault.Question{Code: name, Text: QuestionText(rev, name), Field: fieldOf(name), Choices: choices}
}

// fieldOf is the request member that carries a fact.
func fieldOf(name string) string {
	switch name {
	case "model_year", "wheel_size", "serial", "built_on":
		return name
	case "travel_now":
		return "travel_now_mm"
	case "fork":
		return "fork_id"
	}
	return "options." + name
}

func number(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

func numbers(ns []int) []string {
	out := make([]string, len(ns))
	for i, n := range ns {
		out[i] = strconv.Itoa(n)
	}
	return out
}

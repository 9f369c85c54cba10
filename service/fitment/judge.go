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
	part, ok := rev.Part(sku)
	if !ok {
		return notInCatalog(sku)
	}
	return newJudging(rev, owned).judge(part, withNearest)
}

// detail is how much is said of a no; a yes and a question are always explained.
type detail uint8

const (
	noReasons   detail = iota // nobody reads it
	withReasons               // why
	withNearest               // why, and the nearest part that does fit
)

func notInCatalog(code string) Answer {
	return Answer{SKU: code, Verdict: catalog.NotInCatalog, Reasons: plain("not_in_catalog", values{{"part", code}})}
}

// judge answers for one part.
func (j *judging) judge(asked *catalog.Part, no detail) Answer {
	part := successor(j.rev, asked)
	a := Answer{SKU: asked.SKU}
	if part != asked {
		a.Follows = part.SKU
	}
	switch {
	case part.Kind == catalog.KindAccessory:
		a.Verdict, a.Reasons = catalog.NotForkRelated, plain("needs_no_fork", values{{"part", partName(j.rev, part)}})
	case !j.knowsFork():
		a.Verdict, a.Reasons = catalog.Unknown, plain("missing_fork", values{{"part", partName(j.rev, part)}})
		a.Question = question(j.rev, "fork", nil)
	default:
		c := &j.asked
		c.inquire(j, j.rev.Card(part))
		var s spread
		a.Verdict, s = c.verdict()
		if a.Verdict == catalog.DoesNotFit && no == noReasons {
			return a
		}
		c.explain(&a, &s)
		if a.Verdict == catalog.DoesNotFit && no == withNearest {
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
	for i := 0; i < 16 && part.SupersededBy != ""; i++ {
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

// verdict decides every possible world. The same yes or the same no in all of them is the
// verdict; anything else is a question, and so is a yes that rests on a statement which this
// fork cannot have.
func (c *inquiry) verdict() (catalog.Verdict, spread) {
	s := c.spread()
	if c.each(&s, (*inquiry).meet) == 0 {
		s = c.settle() // what was stated cannot all be true
		c.each(&s, (*inquiry).meet)
	}
	if len(c.seen) == 0 || c.mixed || c.denied != "" && c.seen[0].verdict != catalog.DoesNotFit {
		return catalog.Unknown, s
	}
	return c.seen[0].verdict, s
}

// meet decides a world and keeps what was not found in one before.
func (c *inquiry) meet(w *world) {
	f := c.decide(w)
	for i := range c.seen {
		if c.seen[i].finding == f {
			return
		}
	}
	c.mixed = c.mixed || len(c.seen) > 0 && !sameOutcome(c.seen[0].finding, f)
	c.keep(f, w)
}

func (c *inquiry) keep(f finding, w *world) {
	in := *w
	in.values = slices.Clone(w.values)
	c.seen = append(c.seen, seen{f, in})
}

// explain says why the verdict is what it is, or what to ask.
func (c *inquiry) explain(a *Answer, s *spread) {
	switch {
	case len(c.seen) == 0:
		a.Reasons = plain("contradicts", c.contradiction("serial"))
		a.Question = question(c.rev, "serial", nil)
	case c.denied != "" && a.Verdict == catalog.Unknown:
		a.Reasons = plain("contradicts", c.contradiction(c.denied))
		a.Reasons[0].Fact, a.Reasons[0].Have = c.denied, c.statedText(c.denied)
		a.Question = question(c.rev, c.denied, c.choices(c.denied))
	case c.mixed:
		c.ask(a, s)
	default:
		told := c.seen[:min(len(c.seen), mostReasons)]
		a.Reasons = make([]Reason, len(told))
		for i := range told {
			a.Reasons[i] = c.reason(&told[i])
		}
		if a.Verdict == catalog.FitsWith {
			a.Requires = requirements(c.seen[0].row)
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
func (c *inquiry) ask(a *Answer, s *spread) {
	c.seen = c.seen[:0]
	c.each(s, func(c *inquiry, w *world) { c.keep(c.decide(w), w) })
	best, open := "", 0
	var answers []branch
	for _, name := range c.askable(s) {
		b := c.branches(name)
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
func (c *inquiry) askable(s *spread) []string {
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
	first *seen
	open  int // worlds that are still undecided; 0: this value settles it
	n     int
}

func (c *inquiry) branches(name string) []branch {
	var out []branch
	for k := range c.seen {
		x := &c.seen[k]
		v := c.text(&x.in, name)
		i := slices.IndexFunc(out, func(b branch) bool { return b.value == v })
		if i < 0 {
			i = len(out)
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
			r.Row, r.Evidence, r.Source = b.first.row.ID, b.first.row.Evidence, b.first.row.Source
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

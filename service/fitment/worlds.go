package fitment

import (
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// world is one way the fork may be, given what is known. Facts on which the answer cannot
// depend are left zero.
type world struct {
	year, travel        int
	wheel, serial, date string
	values              []string // of inquiry.facts, in their order
}

// spread holds the candidates for every fact but the options: one where it is known or does
// not matter.
type spread struct {
	years, travels         []int
	wheels, serials, dates []string
}

var (
	noNumber = []int{0}
	noText   = []string{""}
)

func (c *inquiry) spread() spread {
	return spread{c.years(), c.travels(), c.wheels(), c.serials(), c.dates()}
}

func (c *inquiry) years() []int {
	if !c.byYear {
		return noNumber
	}
	if c.owned.ModelYear != 0 && between(c.owned.ModelYear, c.fork.YearFrom, c.fork.YearTo) {
		return []int{c.owned.ModelYear}
	}
	years := make([]int, 0, 12)
	for y := int(c.fork.YearFrom); y <= int(c.fork.YearTo); y++ {
		years = append(years, y)
	}
	return years
}

// travels are the travels that the fork may have now. One that was stated or measured is it.
// The travel as built, or as a sticker says, is one of several if the fork comes in several.
// An exposed stanchion only bounds it: a fork may have been made shorter than any that is sold.
func (c *inquiry) travels() []int {
	now := c.owned.TravelNow
	if !c.byTravel {
		return noNumber
	}
	if now.exact() {
		return []int{now.MM}
	}
	if now.How == ByStanchion && now.MM > 0 {
		return c.travelsUpTo(now.MM)
	}
	out := slices.Clone(c.fork.TravelsMM)
	for _, mm := range [...]int{now.MM, c.owned.TravelBuilt.MM} {
		if mm > 0 && !slices.Contains(out, mm) && !(mm == c.owned.TravelBuilt.MM && c.owned.TravelBuilt.How == ByStanchion) {
			out = append(out, mm)
		}
	}
	slices.Sort(out)
	return out
}

// travelsUpTo has one travel for each stretch below a bound in which all rows say the same,
// and those that the fork is sold with.
func (c *inquiry) travelsUpTo(bound int) []int {
	out := []int{1, bound}
	for row := range c.eachRow {
		from, to := c.window(row)
		out = append(out, int(from))
		if to != 0 {
			out = append(out, int(to)+1)
		}
	}
	out = append(out, c.fork.TravelsMM...)
	out = slices.DeleteFunc(out, func(mm int) bool { return mm < 1 || mm > bound })
	slices.Sort(out)
	return slices.Compact(out)
}

func (c *inquiry) wheels() []string {
	switch {
	case !c.byWheel:
		return noText
	case c.owned.WheelSize != "" && slices.Contains(c.fork.WheelSizes, c.owned.WheelSize):
		return []string{c.owned.WheelSize}
	case len(c.fork.WheelSizes) == 0:
		return noText
	}
	return c.fork.WheelSizes
}

// serials has one serial for each stretch in which all rows say the same; " " stands for the
// stretch before the first number that any row names.
func (c *inquiry) serials() []string {
	if !c.bySerial {
		return noText
	}
	if c.owned.Serial != "" {
		return []string{c.owned.Serial}
	}
	out := []string{" "}
	add := func(from, to string) {
		if from != "" {
			out = append(out, from)
		}
		if to != "" {
			out = append(out, catalog.NextSerial(to))
		}
	}
	for row := range c.eachRow {
		if row.Conditions != nil {
			add(row.SerialFrom, row.SerialTo)
		}
	}
	for _, f := range c.facts {
		for i := range f.built {
			add(f.built[i].SerialFrom, f.built[i].SerialTo)
		}
	}
	slices.SortFunc(out, catalog.CompareSerials)
	return slices.CompactFunc(out, func(a, b string) bool { return catalog.CompareSerials(a, b) == 0 })
}

// dates has the first day of each stretch in which options begin. A day on which one ends
// needs no stretch of its own: what can be built after it could be built before.
func (c *inquiry) dates() []string {
	if !c.byDate {
		return noText
	}
	if c.owned.BuiltOn != "" {
		return []string{c.owned.BuiltOn}
	}
	out := []string{"0000-00-00"}
	for _, f := range c.facts {
		for i := range f.built {
			if o := &f.built[i]; o.DateFrom != "" {
				out = append(out, o.DateFrom)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// each visits every possible world and says how many there are. The world is reused: clone
// what must last.
func (c *inquiry) each(s *spread, visit func(*inquiry, *world)) (n int) {
	w := &c.world
	w.values = c.options[:0]
	for _, w.year = range s.years {
		for _, w.serial = range s.serials {
			for _, w.date = range s.dates {
				n += c.eachOption(s, visit)
			}
		}
	}
	return n
}

// eachOption goes through the values of the options, one fact after the other, then through
// travels and wheels, on which no option depends.
func (c *inquiry) eachOption(s *spread, visit func(*inquiry, *world)) (n int) {
	w := &c.world
	i := len(w.values)
	if i == len(c.facts) {
		for _, w.travel = range s.travels {
			for _, w.wheel = range s.wheels {
				visit(c, w)
				n++
			}
		}
		return n
	}
	f := &c.facts[i]
	if f.silent(w) {
		w.values = append(w.values, f.stated)
		n = c.eachOption(s, visit)
		w.values = w.values[:i]
		return n
	}
	for v := range f.possible(w) {
		w.values = append(w.values, v)
		n += c.eachOption(s, visit)
		w.values = w.values[:i]
	}
	return n
}

// silent reports that the catalog has rows for the fact on this fork, but none for the year.
func (f *fact) silent(w *world) bool {
	return len(f.built) > 0 && !slices.ContainsFunc(f.built, func(o catalog.ForkOption) bool { return between(w.year, o.YearFrom, o.YearTo) })
}

// possible yields each value that a fact can have in a world's year, serial and date. None
// means that there is no such world.
func (f *fact) possible(w *world) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		if len(f.built) == 0 {
			for _, v := range f.domain {
				if (f.stated == "" || f.stated == v) && !yield(v) {
					return
				}
			}
			return
		}
		for i := range f.built {
			o := &f.built[i]
			again := slices.ContainsFunc(f.built[:i], func(p catalog.ForkOption) bool { return p.Value == o.Value && builtIn(&p, w) })
			if again || !builtIn(o, w) || f.stated != "" && f.stated != o.Value {
				continue
			}
			if !yield(o.Value) {
				return
			}
		}
	}
}

func builtIn(o *catalog.ForkOption, w *world) bool {
	return between(w.year, o.YearFrom, o.YearTo) && serialBetween(w.serial, o.SerialFrom, o.SerialTo) && dateBetween(w.date, o.DateFrom, o.DateTo)
}

// settle finds a spread that has a world at all. Statements that cannot be true together are
// all taken as not known; the one denied is the first without which the others can be true.
func (c *inquiry) settle() spread {
	s := c.spread()
	if c.inhabited(s) {
		return s
	}
	contested := c.contestable()
	for _, name := range contested {
		without := *c
		without.facts = slices.Clone(c.facts)
		without.forget(name)
		if c.denied == "" && without.inhabited(without.spread()) {
			c.denied = name
		}
	}
	for _, name := range contested {
		c.forget(name)
	}
	if c.denied == "" && len(contested) > 0 {
		c.denied = contested[0]
	}
	return c.spread()
}

// contestable are the statements that can contradict one another.
func (c *inquiry) contestable() (names []string) {
	for i := range c.facts {
		if f := &c.facts[i]; f.stated != "" && len(f.built) > 0 {
			names = append(names, f.name)
		}
	}
	if c.byDate && c.owned.BuiltOn != "" {
		names = append(names, "built_on")
	}
	if c.bySerial && c.owned.Serial != "" {
		names = append(names, "serial")
	}
	if c.byYear && c.owned.ModelYear != 0 {
		names = append(names, "model_year")
	}
	return names
}

// forget takes a statement as not made.
func (c *inquiry) forget(name string) {
	owned := *c.owned
	switch name {
	case "built_on":
		owned.BuiltOn = ""
	case "serial":
		owned.Serial = ""
	case "model_year":
		owned.ModelYear = 0
	}
	c.owned = &owned
	for i := range c.facts {
		if c.facts[i].name == name {
			c.facts[i].stated = ""
		}
	}
}

func (c *inquiry) inhabited(s spread) bool {
	return len(c.facts) == 0 && len(s.years) > 0 || c.each(&s, func(*inquiry, *world) {}) > 0
}

// text is the value of a fact in a world, as a request would state it; "" for none.
func (c *inquiry) text(w *world, name string) string {
	switch name {
	case "model_year":
		return number(w.year)
	case "travel_now", "travel":
		return number(w.travel)
	case "wheel_size":
		return w.wheel
	case "serial":
		return strings.TrimSpace(w.serial)
	case "built_on":
		return strings.TrimPrefix(w.date, "0000-00-00")
	}
	return c.value(w, name)
}

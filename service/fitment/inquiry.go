package fitment

import (
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// judging judges parts for one fork as owned. What its questions have in common is found once,
// and one question leaves its memory to the next. It is not safe for concurrent use.
type judging struct {
	rev         *catalog.Revision
	owned       *Owned        // nil, or without a fork: nobody said which
	reach       catalog.Reach // of the fork
	name        string        // the fork's, with its maker's
	forkOptions []catalog.ForkOption
	forkLimits  []catalog.Limit
	asked       inquiry
	other       *inquiry        // about an alternative
	shelf       []*catalog.Card // parts that rows list for the fork; nil before the first alternative is looked for
}

func newJudging(rev *catalog.Revision, owned *Owned) *judging {
	j := &judging{rev: rev, owned: owned}
	if j.knowsFork() {
		j.reach, j.name = rev.Reach(owned.Fork), forkName(rev, owned.Fork)
		j.forkOptions, j.forkLimits = rev.Options(owned.Fork.ID), rev.Limits(owned.Fork.ID)
	}
	return j
}

func (j *judging) knowsFork() bool { return j.owned != nil && j.owned.Fork != nil }

// inquiry is one question: a part on a fork as owned, and what may decide it.
type inquiry struct {
	*judging
	owned      *Owned // less what was found to contradict itself
	stated     *Owned // as it was asked
	fork       *catalog.Fork
	part       *catalog.Part
	card       *catalog.Card                     // of the part
	rows       [catalog.AtFork][]catalog.Fitment // by level, the widest first
	room       []catalog.Fitment                 // for them; the next question writes over it
	limits     []catalog.Limit
	travel     int  // own travel of a cartridge, mm; 0 for any other part
	springSide bool // the part carries load or changes travel

	byYear, byTravel, bySerial, byDate, byWheel bool // whether the answer can depend on it

	facts  []fact
	denied string // a fact as stated that the catalog says this fork cannot have

	world   world     // the one that is looked at
	options [6]string // room for its values
	seen    []seen    // distinct findings, in the order in which they were met
	mixed   bool      // not the same yes or the same no in all worlds
}

// fact is an option fact that rows name.
type fact struct {
	name   string
	stated string
	built  []catalog.ForkOption // the rows of this fork for the fact
	domain []string             // its possible values where there are no such rows
}

// exact reports whether a travel is known, not only bounded or as it left the factory.
func (t Travel) exact() bool { return t.MM > 0 && t.How != ByStanchion && t.How != BySticker }

var springSideKinds = []string{
	catalog.KindCoilCartridge, catalog.KindAirCartridge, catalog.KindAirSpringPart, catalog.KindSpring,
	catalog.KindBumpStop, catalog.KindPreloadSpacer, catalog.KindTravelSpacer,
}

// inquire begins the question about a part.
func (c *inquiry) inquire(j *judging, card *catalog.Card) {
	*c = inquiry{
		judging: j, owned: j.owned, stated: j.owned, fork: j.owned.Fork, part: card.Part, card: card,
		travel: int(card.TravelMM), springSide: slices.Contains(springSideKinds, card.Part.Kind),
		facts: c.facts[:0], seen: c.seen[:0], room: c.room,
	}
	c.rows = j.reach.Of(card, &c.room)
	if c.springSide {
		c.limits = c.forkLimits
	}
	c.byTravel = c.travel > 0
	for i := range c.limits {
		c.byWheel = c.byWheel || c.limits[i].WheelSize != ""
	}
	for row := range c.eachRow {
		c.note(row)
	}
	c.checkStated()
}

func (c *inquiry) eachRow(yield func(*catalog.Fitment) bool) {
	for _, level := range &c.rows {
		for i := range level {
			if !yield(&level[i]) {
				return
			}
		}
	}
}

// note keeps what a row makes the answer depend on.
func (c *inquiry) note(row *catalog.Fitment) {
	c.byYear = c.byYear || row.YearFrom != 0 || row.YearTo != 0
	c.byTravel = c.byTravel || row.TravelFromMM != 0 || row.TravelToMM != 0
	if row.Conditions == nil {
		return
	}
	c.bySerial = c.bySerial || hasSerial(row)
	for _, list := range [...][]catalog.Fact{row.Must, row.MustNot} {
		for _, x := range list {
			c.noteFact(x.Name)
		}
	}
}

func (c *inquiry) noteFact(name string) {
	if slices.ContainsFunc(c.facts, func(f fact) bool { return f.name == name }) {
		return
	}
	f := fact{name: name, stated: c.owned.Options[name]}
	all := c.forkOptions
	for i := range all {
		if all[i].Fact == name {
			to := i + 1
			for to < len(all) && all[to].Fact == name {
				to++
			}
			f.built = all[i:to]
			break
		}
	}
	for i := range f.built {
		o := &f.built[i]
		c.byYear = c.byYear || o.YearFrom != 0 || o.YearTo != 0
		c.bySerial = c.bySerial || o.SerialFrom != "" || o.SerialTo != ""
		c.byDate = c.byDate || o.DateFrom != "" || o.DateTo != ""
	}
	if len(f.built) == 0 {
		f.domain = c.domain(name)
	}
	c.facts = append(c.facts, f)
}

// domain is what a fact can be on a fork that has no rows for it: what its chassis or its list
// of dampers says, else every value that the catalog knows, else the values that rows name and
// one that none names.
func (c *inquiry) domain(name string) []string {
	if v := chassisFact(c.rev.ChassisOf(c.fork), name); v != "" {
		return []string{v}
	}
	if name == "damper" && len(c.fork.Dampers) > 0 {
		return c.fork.Dampers
	}
	if values := c.rev.FactValues(name); len(values) > 0 {
		return values
	}
	values := []string{""}
	for row := range c.eachRow {
		if row.Conditions == nil {
			continue
		}
		for _, list := range [...][]catalog.Fact{row.Must, row.MustNot} {
			for _, x := range list {
				if x.Name == name && !slices.Contains(values, x.Value) {
					values = append(values, x.Value)
				}
			}
		}
	}
	slices.Sort(values)
	// A value that no row names is as good as any other such value.
	if v := c.owned.Options[name]; v != "" && !slices.Contains(values, v) {
		values = append(values, v)
	}
	return values
}

// chassisFact is a fact that the chassis settles, "" for any other.
func chassisFact(ch *catalog.Chassis, name string) string {
	if ch == nil {
		return ""
	}
	switch name {
	case "crown":
		return ch.Crown
	case "legs":
		return ch.Legs
	case "spring_side":
		return string(ch.SpringSide)
	case "damper_leg":
		return ch.DamperLeg
	case "foot_fastener":
		return ch.FootFastener
	case "gland":
		return ch.Gland
	case "axle":
		return ch.Axle
	}
	return ""
}

// checkStated notes a statement that this fork cannot have; statements that contradict one
// another are for settle. What is denied counts as not known from then on, and turns every
// yes into a question.
func (c *inquiry) checkStated() {
	if y := c.owned.ModelYear; y != 0 && !between(y, c.fork.YearFrom, c.fork.YearTo) {
		c.denied = "model_year"
	}
	if w := c.owned.WheelSize; c.byWheel && w != "" && !slices.Contains(c.fork.WheelSizes, w) {
		c.denied = "wheel_size"
	}
	for i := range c.facts {
		f := &c.facts[i]
		if f.stated != "" && len(f.built) == 0 && !slices.Contains(f.domain, f.stated) {
			c.denied, f.stated = f.name, ""
		}
	}
}

func between(y int, from, to int16) bool {
	return (from == 0 || y >= int(from)) && (to == 0 || y <= int(to))
}

// window is the travel that a fork must have now for a row to apply: the row's own; where an
// inclusion of a cartridge has none, the cartridge's travel exactly.
func (c *inquiry) window(row *catalog.Fitment) (from, to int16) {
	if row.TravelFromMM == 0 && row.TravelToMM == 0 && c.travel > 0 && includes(row.Verdict) {
		return int16(c.travel), int16(c.travel)
	}
	return row.TravelFromMM, row.TravelToMM
}

// misses counts the facts on which a row and a world disagree and names the first.
func (c *inquiry) misses(row *catalog.Fitment, w *world) (first string, n int) {
	miss := func(name string, ok bool) {
		if ok {
			return
		}
		if n++; n == 1 {
			first = name
		}
	}
	from, to := c.window(row)
	miss("travel_now", between(w.travel, from, to))
	miss("model_year", between(w.year, row.YearFrom, row.YearTo))
	if row.Conditions == nil {
		return first, n
	}
	miss("serial", serialBetween(w.serial, row.SerialFrom, row.SerialTo))
	for _, x := range row.Must {
		miss(x.Name, c.value(w, x.Name) == x.Value)
	}
	for _, x := range row.MustNot {
		miss(x.Name, c.value(w, x.Name) != x.Value)
	}
	return first, n
}

func serialBetween(s, from, to string) bool {
	return (from == "" || catalog.CompareSerials(s, from) >= 0) && (to == "" || catalog.CompareSerials(s, to) <= 0)
}

func dateBetween(s, from, to string) bool {
	return (from == "" || strings.Compare(s, from) >= 0) && (to == "" || strings.Compare(s, to) <= 0)
}

// value is the value of an option fact in a world.
func (c *inquiry) value(w *world, name string) string {
	for i := range c.facts {
		if c.facts[i].name == name {
			return w.values[i]
		}
	}
	return ""
}

package catalog

import (
	"cmp"
	"fmt"
	"hash/maphash"
	"math"
	"slices"
	"sort"
	"strings"
)

// The checks of fitment rows are written for a million of them: one pass each, what is asked of
// a target is answered once per target, and rows are compared with each other only where
// part, level and target are the same.

// target is what a row is for.
type target struct {
	level Level
	name  string
}

// fitmentNames checks each row's cells and that no two rows have one id.
func fitmentNames(c *checking) {
	rows := c.t.Fitments
	sortFitments(rows)
	for i := range rows {
		x := &rows[i]
		switch {
		case x.ID == "" || x.Part == "" || x.Target == "" || x.Reason == "" || x.Evidence == "" || x.Source == "":
			field := [...]string{"row", "part", "target", "reason", "evidence", "source"}[slices.Index([]string{x.ID, x.Part, x.Target, x.Reason, x.Evidence, x.Source}, "")]
			c.bad(x.Pos, field, "required", "%s may not be empty", field)
		case x.Level < AtMaker || x.Level > AtFork:
			c.bad(x.Pos, "level", "unknown_word", "the level is one of maker, chassis, model and fork")
		case x.Verdict < Fits || x.Verdict > DoesNotFit:
			c.bad(x.Pos, "verdict", "unknown_word", "the verdict is one of fits, fits_with and does_not_fit")
		case c.r.parts[x.Part] == nil:
			c.bad(x.Pos, "part", "unknown_part", "%q is not in parts; correct it or add it there", x.Part)
		case !c.targetKnown(x):
			c.bad(x.Pos, "target", "unknown_target", "there is no %s %q; correct it or add it", x.Level, x.Target)
		}
	}
	seed := maphash.MakeSeed()
	type hashed struct {
		sum uint64
		row int32
	}
	ids := make([]hashed, len(rows))
	for i := range rows {
		ids[i] = hashed{maphash.String(seed, rows[i].ID), int32(i)}
	}
	slices.SortFunc(ids, func(a, b hashed) int {
		return cmp.Or(cmp.Compare(a.sum, b.sum), cmp.Compare(rows[a.row].Line, rows[b.row].Line), cmp.Compare(a.row, b.row))
	})
	for i := 1; i < len(ids); i++ {
		a, b := &rows[ids[i-1].row], &rows[ids[i].row]
		if ids[i-1].sum == ids[i].sum && a.ID == b.ID && c.sound(b.Pos) {
			c.bad(b.Pos, "row", "same_key", "the id %s is on line %d too; answers name rows by it, so give this one another", b.ID, a.Line)
		}
	}
}

func (c *checking) targetKnown(x *Fitment) bool {
	switch x.Level {
	case AtMaker:
		return c.names["makers"][x.Target]
	case AtChassis:
		return c.r.chassis[x.Target] != nil
	}
	return len(c.r.covered(x.Level, x.Target)) > 0
}

// The years and travels that a row may name.
const (
	firstYear, lastYear     = 1990, 2100
	leastTravel, mostTravel = 60, 250
)

func fitmentWindows(c *checking) {
	years := map[target][2]int16{}
	for i := range c.t.Fitments {
		x := &c.t.Fitments[i]
		if !c.sound(x.Pos) {
			continue
		}
		for _, n := range [...]struct {
			field       string
			v           int16
			least, most int16
		}{{"year_from", x.YearFrom, firstYear, lastYear}, {"year_to", x.YearTo, firstYear, lastYear},
			{"travel_from_mm", x.TravelFromMM, leastTravel, mostTravel}, {"travel_to_mm", x.TravelToMM, leastTravel, mostTravel}} {
			if n.v != 0 && (n.v < n.least || n.v > n.most) && c.sound(x.Pos) {
				c.bad(x.Pos, n.field, "implausible", "%d is implausible for %s, which lies between %d and %d; %s", n.v, n.field, n.least, n.most,
					suspect(float64(n.v), Column{Least: float64(n.least), Most: float64(n.most)}))
			}
		}
		if !c.sound(x.Pos) {
			continue
		}
		c.ordered(x.Pos, "year_to", "year_from", int(x.YearFrom), int(x.YearTo))
		c.ordered(x.Pos, "travel_to_mm", "travel_from_mm", int(x.TravelFromMM), int(x.TravelToMM))
		if x.Conditions != nil {
			c.serials(x.Pos, x.SerialFrom, x.SerialTo)
		}
		if x.YearFrom == 0 && x.YearTo == 0 || !c.sound(x.Pos) {
			continue
		}
		key := target{x.Level, x.Target}
		built, ok := years[key]
		if !ok {
			built = c.built(key)
			years[key] = built
		}
		if built[0] != 0 && !meet(x.YearFrom, x.YearTo, built[0], built[1]) {
			c.warn(x.Pos, "year_from", "never_applies", "%s was built from %d to %d, so this row never applies; correct its years or delete it", x.Target, built[0], built[1])
		}
	}
}

// built are the first and last year of the forks of a target.
func (c *checking) built(t target) (years [2]int16) {
	for _, f := range c.r.covered(t.level, t.name) {
		if years[0] == 0 || f.YearFrom < years[0] {
			years[0] = f.YearFrom
		}
		years[1] = max(years[1], f.YearTo)
	}
	return years
}

// meet reports whether two ranges have a common value; 0 is open.
func meet(aFrom, aTo, bFrom, bTo int16) bool {
	return (aFrom == 0 || bTo == 0 || aFrom <= bTo) && (bFrom == 0 || aTo == 0 || bFrom <= aTo)
}

// within reports whether range a lies in range b.
func within(aFrom, aTo, bFrom, bTo int16) bool {
	return (bFrom == 0 || aFrom != 0 && aFrom >= bFrom) && (bTo == 0 || aTo != 0 && aTo <= bTo)
}

func fitmentConditions(c *checking) {
	spacerKind := map[string]string{"travel_spacer": KindTravelSpacer, "adapter": KindAdapter}
	for i := range c.t.Fitments {
		x := &c.t.Fitments[i]
		if !c.sound(x.Pos) {
			continue
		}
		var requires []Requirement
		if x.Conditions != nil {
			requires = x.Requires
			c.rowFacts(x)
		}
		switch {
		case !c.sound(x.Pos):
			continue
		case x.Verdict == FitsWith && len(requires) == 0:
			c.bad(x.Pos, "requires", "no_requirement", "fits_with says with what; fill in requires, or write fits")
		case x.Verdict != FitsWith && len(requires) > 0:
			c.bad(x.Pos, "requires", "requirement_unused", "only fits_with has requirements; write fits_with, or empty the cell")
		}
		for _, r := range requires {
			p := c.r.parts[r.Part]
			switch want := spacerKind[r.Kind]; {
			case !c.sound(x.Pos):
			case r.Part == "" && r.Text == "":
				c.bad(x.Pos, "requires", "bad_requirement", "%s names no part, so say in requires_text what to do", r.Kind)
			case r.Part != "" && p == nil:
				c.bad(x.Pos, "requires", "unknown_requires", "%q is not in parts; correct it or add it there", r.Part)
			case want != "" && p != nil && p.Kind != want:
				c.bad(x.Pos, "requires", "wrong_kind", "%s is a %s, not a %s; correct one of the two", r.Part, p.Kind, want)
			case r.Part == x.Part:
				c.bad(x.Pos, "requires", "requires_itself", "%s requires itself; name the other part", x.Part)
			}
		}
	}
}

// rowFacts checks that some fork of the target can have the facts that the row asks for.
func (c *checking) rowFacts(x *Fitment) {
	for _, want := range x.Must {
		if slices.Contains(x.MustNot, want) {
			c.bad(x.Pos, "must_not", "impossible_fact", "%s=%s must and must not hold; delete one", want.Name, want.Value)
			return
		}
		can := slices.ContainsFunc(c.r.covered(x.Level, x.Target), func(f *Fork) bool { return c.canBe(f, want) })
		if !can && c.sound(x.Pos) {
			c.bad(x.Pos, "must", "impossible_fact", "no fork of %s %s was built with %s=%s, so the row never applies; correct it", x.Level, x.Target, want.Name, want.Value)
			return
		}
	}
}

// canBe reports whether a fork may have been built with a value of a fact: its options say so,
// or it has no options for the fact and neither damper nor chassis says otherwise.
func (c *checking) canBe(f *Fork, want Fact) bool {
	said := false
	for _, o := range c.r.options[f.ID] {
		if o.Fact == want.Name {
			said = true
			if o.Value == want.Value {
				return true
			}
		}
	}
	if said {
		return false
	}
	if want.Name == "damper" {
		return len(f.Dampers) == 0 || slices.Contains(f.Dampers, want.Value)
	}
	if ch := c.r.chassis[f.Chassis]; ch != nil {
		if v, ok := builtInto(ch)[want.Name]; ok {
			return v == want.Value
		}
	}
	return true
}

// mmTolerance is how far two measured diameters may differ and be the same.
const mmTolerance = 0.1

// conflict is a row whose part and target cannot go together.
type conflict struct {
	row            *Fitment
	target         string // chassis or target
	code, says     string
	part, other    Pos // rows that could be wrong instead
	pField, oField string
}

// mostExplained is how many explanations are looked for; a catalog with more is wrong all over,
// and each look costs a walk over all that is left.
const mostExplained = 200

// explain tells conflicts once each, at the row that explains the most: a part that conflicts
// with several targets is wrong itself, and so is a target that conflicts with several parts.
func (c *checking) explain(conflicts []conflict) {
	for told := 0; len(conflicts) > 0; told++ {
		if told == mostExplained {
			for _, x := range conflicts {
				c.bad(x.row.Pos, "verdict", x.code, "%s is said to fit %s, but %s; correct the row, the part or the fork", x.row.Part, x.target, x.says)
			}
			return
		}
		parts, targets := map[string]map[string]bool{}, map[string]map[string]bool{}
		for _, x := range conflicts {
			parts[x.row.Part] = with(parts[x.row.Part], x.target)
			targets[x.target] = with(targets[x.target], x.row.Part)
		}
		worst, most, atPart := conflicts[0], 1, true
		for _, x := range conflicts {
			if n := len(targets[x.target]); n > most {
				worst, most, atPart = x, n, false
			}
			if n := len(parts[x.row.Part]); n > most {
				worst, most, atPart = x, n, true
			}
		}
		rows := 0
		conflicts = slices.DeleteFunc(conflicts, func(x conflict) bool {
			same := atPart && x.row.Part == worst.row.Part || !atPart && x.target == worst.target
			if same {
				rows++
				c.markUnsound(x.row.Pos)
			}
			return same
		})
		at, field := worst.row.Pos, "verdict"
		switch {
		case most > 1 && atPart:
			at, field = worst.part, worst.pField
		case most > 1:
			at, field = worst.other, worst.oField
		}
		more := ""
		if rows > 1 {
			more = fmt.Sprintf(" (and %d more rows)", rows-1)
		}
		c.bad(at, field, worst.code, "row %s%s says that %s fits %s, but %s; correct the row, the part or the fork", worst.row.ID, more, worst.row.Part, worst.target, worst.says)
	}
}

func with(set map[string]bool, s string) map[string]bool {
	if set == nil {
		set = map[string]bool{}
	}
	set[s] = true
	return set
}

// fitmentInterfaces compares what a part measures with what the fork measures.
func fitmentInterfaces(c *checking) {
	var found []conflict
	chassisOf := map[target][]*Chassis{}
	for i := range c.t.Fitments {
		x := &c.t.Fitments[i]
		if x.Verdict == DoesNotFit || !c.sound(x.Pos) {
			continue
		}
		part := c.r.parts[x.Part]
		if !measured(part.Kind) {
			continue
		}
		key := target{x.Level, x.Target}
		list, ok := chassisOf[key]
		if !ok {
			list = c.chassisOf(key)
			chassisOf[key] = list
		}
		for _, ch := range list {
			if code, says := c.contradiction(x, part, ch); code != "" && c.sound(ch.Pos) {
				at, field := c.measuredAt(part)
				found = append(found, conflict{row: x, target: ch.Code, code: code, says: says, part: at, pField: field, other: ch.Pos, oField: "bore_mm"})
			}
		}
	}
	c.explain(found)
}

// measuredAt is the row and column that hold what a part measures.
func (c *checking) measuredAt(part *Part) (Pos, string) {
	switch part.Kind {
	case KindCoilCartridge:
		return c.r.coils[part.SKU].Pos, "bore_mm"
	case KindAirCartridge:
		return c.r.airs[part.SKU].Pos, "piston_area_mm2"
	case KindBumpStop:
		return c.r.bumpStops[part.SKU].Pos, "body_mm"
	case KindSpring:
		return c.r.springs[part.SKU].Pos, "mean_diameter_mm"
	}
	return c.r.sealKits[part.SKU].Pos, "diameter_mm"
}

func measured(kind string) bool {
	switch kind {
	case KindCoilCartridge, KindAirCartridge, KindSpring, KindBumpStop, KindSealKit:
		return true
	}
	return false
}

func (c *checking) chassisOf(t target) []*Chassis {
	var out []*Chassis
	if t.level == AtChassis {
		return []*Chassis{c.r.chassis[t.name]}
	}
	for _, f := range c.r.covered(t.level, t.name) {
		if ch := c.r.chassis[f.Chassis]; ch != nil && !slices.Contains(out, ch) {
			out = append(out, ch)
		}
	}
	return out
}

// contradiction says how a part and a chassis cannot go together.
func (c *checking) contradiction(x *Fitment, part *Part, ch *Chassis) (code, text string) {
	if ch.BoreMM <= 0 {
		return "", ""
	}
	tooWide := func(what string, mm float64) (string, string) {
		if mm <= ch.BoreMM+mmTolerance {
			return "", ""
		}
		return "contradicts_bore", what + " is " + number(mm) + " mm wide and the bore " + number(ch.BoreMM) + " mm"
	}
	switch part.Kind {
	case KindCoilCartridge:
		if k := c.r.coils[part.SKU]; k != nil {
			return tooWide("the tube around its coil", k.BoreMM)
		}
	case KindAirCartridge:
		if k := c.r.airs[part.SKU]; k != nil {
			return tooWide("its piston", math.Sqrt(k.PistonMM2*4/math.Pi))
		}
	case KindBumpStop:
		if k := c.r.bumpStops[part.SKU]; k != nil {
			return tooWide("its body", k.BodyMM)
		}
	case KindSpring:
		if k := c.r.springs[part.SKU]; k != nil {
			return tooWide("the coil", k.MeanMM+k.WireMM+2*k.SleeveMM)
		}
	case KindSealKit:
		if k := c.r.sealKits[part.SKU]; k != nil {
			return c.sealContradiction(x, k, ch)
		}
	}
	return "", ""
}

// sealContradiction: equal stanchions never make a seal fit, the seat decides.
func (c *checking) sealContradiction(x *Fitment, k *SealKit, ch *Chassis) (code, text string) {
	if math.Abs(k.StanchionMM-ch.StanchionMM) > mmTolerance {
		return "contradicts_seat", "it is for a stanchion of " + number(k.StanchionMM) + " mm and this one has " + number(ch.StanchionMM) + " mm"
	}
	generation := ""
	if x.Conditions != nil {
		for _, f := range x.Must {
			if f.Name == "seal_generation" {
				generation = f.Value
			}
		}
	}
	for _, s := range c.r.seats[ch.Code] {
		if generation != "" && s.Generation != generation || !c.sound(s.Pos) {
			continue
		}
		if s.Generation == k.Generation && math.Abs(s.DiameterMM-k.DiameterMM) <= mmTolerance && math.Abs(s.DepthMM-k.DepthMM) <= mmTolerance && s.Flange == k.Flange && s.Lip == k.Lip {
			return "", ""
		}
	}
	if len(c.r.seats[ch.Code]) == 0 {
		return "contradicts_seat", "no seat of this chassis is in seats"
	}
	return "contradicts_seat", "no seat of it has its diameter " + number(k.DiameterMM) + " mm, depth " + number(k.DepthMM) + " mm, flange, lip and generation " + k.Generation
}

// fitmentLimits: a row cannot lift what the fork's maker limits. A row for many forks may
// include some that a limit takes out again; a row that no fork is left of is a mistake.
func fitmentLimits(c *checking) {
	var found []conflict
	limit := map[target]int{}
	for i := range c.t.Fitments {
		x := &c.t.Fitments[i]
		if x.Verdict == DoesNotFit || !c.sound(x.Pos) {
			continue
		}
		travel, at := c.travelOf(x)
		if travel == 0 {
			continue
		}
		key := target{x.Level, x.Target}
		most, ok := limit[key]
		if !ok {
			most = c.mostTravelOf(key)
			limit[key] = most
		}
		if most > 0 && travel > most {
			by := c.r.limits[c.r.covered(x.Level, x.Target)[0].ID][0]
			found = append(found, conflict{row: x, target: x.Target, code: "over_limit", part: at, pField: "travel_mm", other: by.Pos, oField: "max_travel_mm",
				says: fmt.Sprintf("that means %d mm of travel where %d mm are the hard limit, which no row lifts", travel, most)})
		}
	}
	c.explain(found)
}

// travelOf is the least travel that a fork has once a row is followed, and where that is said.
func (c *checking) travelOf(x *Fitment) (int, Pos) {
	travel, at := int(x.TravelFromMM), x.Pos
	if k := c.r.coils[x.Part]; k != nil && c.sound(k.Pos) && k.TravelMM > travel {
		travel, at = k.TravelMM, k.Pos
	}
	if k := c.r.airs[x.Part]; k != nil && c.sound(k.Pos) && k.TravelMM > travel {
		travel, at = k.TravelMM, k.Pos
	}
	return travel, at
}

// mostTravelOf is the longest travel that any fork of a target may have; 0: no limit.
func (c *checking) mostTravelOf(t target) int {
	most := 0
	for _, f := range c.r.covered(t.level, t.name) {
		m := c.mostTravel(f)
		if m == 0 {
			return 0
		}
		most = max(most, m)
	}
	return most
}

func fitmentOverlaps(c *checking) {
	rows := c.t.Fitments
	for i := 0; i < len(rows); {
		end := i + 1
		for end < len(rows) && rows[end].Part == rows[i].Part {
			end++
		}
		c.partOverlaps(rows[i:end])
		i = end
	}
}

// mostRowsOfATarget bounds what is compared each with each.
const mostRowsOfATarget = 1000

// partOverlaps compares the rows of one part: those of one target with each other, and those
// that include with the exclusions of wider targets.
func (c *checking) partOverlaps(rows []Fitment) {
	var exclusions map[target][]*Fitment
	for i := range rows {
		if x := &rows[i]; x.Verdict == DoesNotFit && x.Level < AtFork {
			if exclusions == nil {
				exclusions = map[target][]*Fitment{}
			}
			exclusions[target{x.Level, x.Target}] = append(exclusions[target{x.Level, x.Target}], x)
		}
	}
	for i := 0; i < len(rows); {
		end := i + 1
		for end < len(rows) && rows[end].Level == rows[i].Level && rows[end].Target == rows[i].Target {
			end++
		}
		if end-i > mostRowsOfATarget && c.sound(rows[i].Pos) {
			c.bad(rows[i].Pos, "row", "too_many_rows", "%d rows say whether %s fits %s %s; nobody can tell any more what holds: merge them to %d at most", end-i, rows[i].Part, rows[i].Level, rows[i].Target, mostRowsOfATarget)
			i = end
			continue
		}
		for a := i; a < end; a++ {
			for b := a + 1; b < end; b++ {
				c.compareRows(&rows[a], &rows[b])
			}
			if exclusions != nil && rows[a].Verdict != DoesNotFit {
				c.widerExclusion(&rows[a], exclusions)
			}
		}
		i = end
	}
}

// compareRows tells of two rows of one part and target at the later line.
func (c *checking) compareRows(a, b *Fitment) {
	if !c.sound(a.Pos, b.Pos) || !overlap(a, b) {
		return
	}
	if a.Line > b.Line {
		a, b = b, a
	}
	same := a.Verdict == b.Verdict && slices.Equal(a.requires(), b.requires())
	equal := specificity(a) == specificity(b)
	switch {
	case same && covers(a, b) && covers(b, a):
		c.bad(b.Pos, "row", "same_row", "row %s says what row %s on line %d says; delete one", b.ID, a.ID, a.Line)
	case !same && equal:
		c.bad(b.Pos, "verdict", "contradiction", "row %s says %s, row %s on line %d says %s, and neither is more specific where both apply; narrow or delete one", b.ID, b.Verdict, a.ID, a.Line, a.Verdict)
	case same && equal:
		c.warn(b.Pos, "row", "overlap", "row %s overlaps with row %s on line %d and says the same; let one begin where the other ends", b.ID, a.ID, a.Line)
	case a.Verdict == DoesNotFit && b.Verdict != DoesNotFit && covers(a, b):
		c.excludedBy(b, a)
	case b.Verdict == DoesNotFit && a.Verdict != DoesNotFit && covers(b, a):
		c.excludedBy(a, b)
	}
}

func (c *checking) excludedBy(x, by *Fitment) {
	c.warn(x.Pos, "verdict", "never_applies", "row %s excludes all that row %s includes (line %d), so this one never applies; delete one of the two", by.ID, x.ID, by.Line)
}

// widerExclusion: an exclusion beats every inclusion, however specific.
func (c *checking) widerExclusion(x *Fitment, exclusions map[target][]*Fitment) {
	if !c.sound(x.Pos) {
		return
	}
	for _, key := range c.wider(x) {
		for _, by := range exclusions[key] {
			if by.Level < x.Level && c.sound(by.Pos) && covers(by, x) {
				c.excludedBy(x, by)
				return
			}
		}
	}
}

func (c *checking) wider(x *Fitment) []target {
	switch x.Level {
	case AtChassis:
		return []target{{AtMaker, c.r.chassis[x.Target].Maker}}
	case AtModel:
		maker, _, _ := strings.Cut(x.Target, "/")
		return []target{{AtMaker, maker}}
	case AtFork:
		f := c.r.forks[x.Target]
		maker := c.r.makerOf(f)
		return []target{{AtMaker, maker}, {AtChassis, f.Chassis}, {AtModel, ModelTarget(maker, f.Model)}}
	}
	return nil
}

func (x *Fitment) requires() []Requirement {
	if x.Conditions == nil {
		return nil
	}
	return x.Requires
}

func (x *Fitment) mustAndNot() (must, not []Fact) {
	if x.Conditions == nil {
		return nil, nil
	}
	return x.Must, x.MustNot
}

func (x *Fitment) serialRange() (from, to string) {
	if x.Conditions == nil {
		return "", ""
	}
	return x.SerialFrom, x.SerialTo
}

// specificity ranks rows of one target, as the fitment rules do: options named, serial range,
// travel window, year window.
func specificity(x *Fitment) [4]int {
	one := func(b bool) int {
		if b {
			return 1
		}
		return 0
	}
	must, not := x.mustAndNot()
	from, to := x.serialRange()
	return [4]int{len(must) + len(not), one(from != "" || to != ""), one(x.TravelFromMM != 0 || x.TravelToMM != 0), one(x.YearFrom != 0 || x.YearTo != 0)}
}

// overlap reports whether some fork as owned may satisfy both rows.
func overlap(a, b *Fitment) bool {
	if !meet(a.YearFrom, a.YearTo, b.YearFrom, b.YearTo) || !meet(a.TravelFromMM, a.TravelToMM, b.TravelFromMM, b.TravelToMM) {
		return false
	}
	if a.Conditions == nil || b.Conditions == nil {
		return true
	}
	if a.SerialFrom != "" && b.SerialTo != "" && CompareSerials(a.SerialFrom, b.SerialTo) > 0 ||
		b.SerialFrom != "" && a.SerialTo != "" && CompareSerials(b.SerialFrom, a.SerialTo) > 0 {
		return false
	}
	return !excludes(a, b) && !excludes(b, a)
}

// excludes reports whether what a asks for rules b out.
func excludes(a, b *Fitment) bool {
	for _, f := range a.Must {
		if slices.Contains(b.MustNot, f) || slices.ContainsFunc(b.Must, func(g Fact) bool { return g.Name == f.Name && g.Value != f.Value }) {
			return true
		}
	}
	return false
}

// covers reports whether every fork as owned that satisfies x satisfies wide as well.
func covers(wide, x *Fitment) bool {
	if !within(x.YearFrom, x.YearTo, wide.YearFrom, wide.YearTo) || !within(x.TravelFromMM, x.TravelToMM, wide.TravelFromMM, wide.TravelToMM) {
		return false
	}
	from, to := wide.serialRange()
	xFrom, xTo := x.serialRange()
	if from != "" && (xFrom == "" || CompareSerials(xFrom, from) < 0) || to != "" && (xTo == "" || CompareSerials(xTo, to) > 0) {
		return false
	}
	must, not := wide.mustAndNot()
	xMust, xNot := x.mustAndNot()
	for _, f := range must {
		if !slices.Contains(xMust, f) {
			return false
		}
	}
	for _, f := range not {
		if !slices.Contains(xNot, f) && !slices.ContainsFunc(xMust, func(g Fact) bool { return g.Name == f.Name && g.Value != f.Value }) {
			return false
		}
	}
	return true
}

// requiredFits: what a row requires, and what a need names, has to fit the same forks.
func requiredFits(c *checking) {
	spans := map[string]span{}
	rows := c.t.Fitments
	for i := 0; i < len(rows); {
		end := i + 1
		for end < len(rows) && rows[end].Part == rows[i].Part {
			end++
		}
		spans[rows[i].Part] = span{int32(i), int32(end)}
		i = end
	}
	type asked struct {
		part string
		on   target
	}
	misfit := map[asked]*Fork{}
	first := func(part string, on target) *Fork {
		key := asked{part, on}
		f, ok := misfit[key]
		if !ok {
			f = c.firstMisfit(part, on, rows[spans[part].from:spans[part].to])
			misfit[key] = f
		}
		return f
	}
	for i := range rows {
		x := &rows[i]
		if x.Verdict != FitsWith || !c.sound(x.Pos) {
			continue
		}
		for _, r := range x.requires() {
			if r.Part == "" {
				continue
			}
			if f := first(r.Part, target{x.Level, x.Target}); f != nil {
				c.bad(x.Pos, "requires", "required_misfit", "%s is required, and no row says that it fits %s; add that row or require another part", r.Part, f.ID)
				break
			}
		}
	}
	levels := map[string]Level{"chassis": AtChassis, "fork": AtFork}
	for i := range c.t.Needs {
		x := &c.t.Needs[i]
		if l, ok := levels[x.TargetKind]; ok && x.Part != "" && c.sound(x.Pos) {
			if f := first(x.Part, target{l, x.Target}); f != nil {
				c.bad(x.Pos, "part", "required_misfit", "%s is needed, and no row says that it fits %s; add that row or name another part", x.Part, f.ID)
			}
		}
	}
}

// firstMisfit is the first fork of a target for which a part has no row that includes it.
// Windows and options are left to the verdict: who can have the part at all is asked here.
func (c *checking) firstMisfit(part string, on target, rows []Fitment) *Fork {
	p := c.r.parts[part]
	if p == nil || !KindClosed(p.Kind) {
		return nil
	}
	if p.Status == "superseded" {
		return nil // the verdict follows the successor
	}
	for _, f := range c.r.covered(on.level, on.name) {
		maker := c.r.makerOf(f)
		fits := false
		for _, list := range [...][]Fitment{run(rows, AtMaker, maker, "", ""), run(rows, AtChassis, f.Chassis, "", ""),
			run(rows, AtModel, maker, "/", f.Model), run(rows, AtFork, f.ID, "", "")} {
			fits = fits || slices.ContainsFunc(list, func(x Fitment) bool { return x.Verdict != DoesNotFit })
		}
		if !fits {
			return f
		}
	}
	return nil
}

// run is the run of rows with a level and a target; the target comes in pieces, so that none
// has to be joined.
func run(all []Fitment, l Level, a, b, c string) []Fitment {
	from := sort.Search(len(all), func(i int) bool { return compareTarget(&all[i], l, a, b, c) >= 0 })
	to := from
	for to < len(all) && compareTarget(&all[to], l, a, b, c) == 0 {
		to++
	}
	return all[from:to]
}

func compareTarget(row *Fitment, l Level, pieces ...string) int {
	if row.Level != l {
		return cmp.Compare(row.Level, l)
	}
	rest := row.Target
	for _, p := range pieces {
		n := min(len(p), len(rest))
		if c := strings.Compare(rest[:n], p); c != 0 {
			return c
		}
		rest = rest[n:]
	}
	return cmp.Compare(len(rest), 0)
}

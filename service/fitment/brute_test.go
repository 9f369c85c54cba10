package fitment

import (
	"fmt"
	"math/rand/v2"
	"sort"
	"strings"
	"testing"
	"time"

	"forkwright/service/catalog"
)

// brute is a second evaluator, made to be obviously right and not to be fast: it walks all
// tables from end to end, writes out every way the fork may be as a map of texts, sorts all
// rows that apply, and collects the answers. It shares no code with the first.
type brute struct {
	t    *catalog.Tables
	rows map[[2]string][]*catalog.Fitment // kept between questions
}

func newBrute(t *catalog.Tables) brute {
	return brute{t, map[[2]string][]*catalog.Fitment{}}
}

type way map[string]string

func (b brute) verdict(o *Owned, sku string) (verdict, row string) {
	p := b.part(sku)
	for p.SupersededBy != "" {
		p = b.part(p.SupersededBy)
	}
	if p.Kind == "accessory" {
		return "not_fork_related", ""
	}
	rows, ok := b.rows[[2]string{p.SKU, o.Fork.ID}]
	if !ok {
		rows = b.rowsFor(p.SKU, o.Fork)
		b.rows[[2]string{p.SKU, o.Fork.ID}] = rows
	}
	answers := map[string]bool{}
	for _, w := range b.ways(o, p, rows) {
		var a string
		a, row = b.inWay(o, p, rows, w)
		answers[a] = true
	}
	switch {
	case len(answers) == 0:
		return "contradiction", ""
	case len(answers) > 1:
		return "unknown", ""
	}
	for a := range answers {
		verdict, _, _ = strings.Cut(a, "\n")
	}
	return verdict, row
}

func (b brute) part(sku string) *catalog.Part {
	for i := range b.t.Parts {
		if b.t.Parts[i].SKU == sku {
			return &b.t.Parts[i]
		}
	}
	panic(sku)
}

func (b brute) rowsFor(sku string, f *catalog.Fork) (out []*catalog.Fitment) {
	maker := ""
	for _, ch := range b.t.Chassis {
		if ch.Code == f.Chassis {
			maker = ch.Maker
		}
	}
	targets := map[string]bool{"maker " + maker: true, "chassis " + f.Chassis: true, "model " + maker + "/" + f.Model: true, "fork " + f.ID: true}
	for i := range b.t.Fitments {
		if r := &b.t.Fitments[i]; r.Part == sku && targets[r.Level.String()+" "+r.Target] {
			out = append(out, r)
		}
	}
	return out
}

func (b brute) ownTravel(p *catalog.Part) int {
	for _, c := range b.t.CoilCartridges {
		if c.SKU == p.SKU {
			return c.TravelMM
		}
	}
	for _, c := range b.t.AirCartridges {
		if c.SKU == p.SKU {
			return c.TravelMM
		}
	}
	return 0
}

// ways writes out all ways: the product of everything that may be, less what cannot be built.
func (b brute) ways(o *Owned, p *catalog.Part, rows []*catalog.Fitment) []way {
	f := o.Fork
	facts := map[string][]string{}
	var serialEdges, dateEdges []string
	for _, r := range rows {
		if r.Conditions == nil {
			continue
		}
		serialEdges = append(serialEdges, r.SerialFrom, r.SerialTo)
		for _, x := range append(append([]catalog.Fact{}, r.Must...), r.MustNot...) {
			facts[x.Name] = append(facts[x.Name], x.Value)
		}
	}
	built := map[string][]catalog.ForkOption{}
	for _, op := range b.t.ForkOptions {
		if _, named := facts[op.Fact]; named && op.Fork == f.ID {
			built[op.Fact] = append(built[op.Fact], op)
			serialEdges = append(serialEdges, op.SerialFrom, op.SerialTo)
			dateEdges = append(dateEdges, op.DateFrom, op.DateTo)
		}
	}
	ways := []way{{}}
	times := func(name string, values []string) {
		var more []way
		for _, w := range ways {
			for _, v := range values {
				n := way{name: v}
				for k, x := range w {
					n[k] = x
				}
				more = append(more, n)
			}
		}
		ways = more
	}
	times("year", b.someYears(o))
	times("serial", someSerials(o.Serial, serialEdges))
	times("date", someDates(o.BuiltOn, dateEdges))
	for name, named := range facts {
		possible := map[string]bool{}
		for _, op := range built[name] {
			possible[op.Value] = true
		}
		silent := false
		for y := f.YearFrom; y <= f.YearTo; y++ {
			spoken := false
			for _, op := range built[name] {
				spoken = spoken || inYears(fmt.Sprint(y), op.YearFrom, op.YearTo)
			}
			silent = silent || !spoken
		}
		if len(built[name]) == 0 {
			possible, silent = b.anyValue(f, name, append(named, o.Options[name])), false
		}
		var values []string
		for v := range possible {
			if s := o.Options[name]; s == "" || s == v {
				values = append(values, v)
			}
		}
		if s := o.Options[name]; silent && (s == "" || !possible[s]) {
			values = append(values, "\x00"+s)
		} else if silent {
			values = append(values, "\x00"+s)
		}
		times(name, values)
	}
	var possible []way
	for _, w := range ways {
		if b.canBeBuilt(w, built) {
			possible = append(possible, w)
		}
	}
	ways = possible
	times("travel", b.someTravels(o))
	times("wheel", stated(o.WheelSize, f.WheelSizes, ""))
	return ways
}

// canBeBuilt: each option fact has a row that allows its value in the year, serial and date.
// "\x00" marks the value in a year for which the catalog says nothing.
func (b brute) canBeBuilt(w way, built map[string][]catalog.ForkOption) bool {
	for name, ops := range built {
		ok, spoken := false, false
		for _, op := range ops {
			if !inYears(w["year"], op.YearFrom, op.YearTo) {
				continue
			}
			spoken = true
			if op.Value == w[name] && inText(w["date"], op.DateFrom, op.DateTo) && inSerials(w["serial"], op.SerialFrom, op.SerialTo) {
				ok = true
			}
		}
		if strings.HasPrefix(w[name], "\x00") {
			ok = !spoken
			if ok {
				w[name] = w[name][1:]
			}
		}
		if !ok {
			return false
		}
	}
	return true
}

func (b brute) anyValue(f *catalog.Fork, name string, named []string) map[string]bool {
	out := map[string]bool{}
	for _, ch := range b.t.Chassis {
		if ch.Code == f.Chassis {
			v := map[string]string{"crown": ch.Crown, "legs": ch.Legs, "spring_side": string(ch.SpringSide), "damper_leg": ch.DamperLeg,
				"foot_fastener": ch.FootFastener, "gland": ch.Gland, "axle": ch.Axle}[name]
			if v != "" {
				return map[string]bool{v: true}
			}
		}
	}
	if name == "damper" {
		for _, d := range f.Dampers {
			out[d] = true
		}
	}
	if len(out) > 0 {
		return out
	}
	for _, x := range b.t.FactTexts {
		if x.Fact == name && x.Value != "" {
			out[x.Value] = true
		}
	}
	if len(out) > 0 {
		return out
	}
	out[""] = true
	for _, v := range named {
		out[v] = true
	}
	return out
}

func stated(value string, all []string, none string) []string {
	if value != "" {
		return []string{value}
	}
	if len(all) == 0 {
		return []string{none}
	}
	return all
}

func (b brute) someYears(o *Owned) (out []string) {
	for y := o.Fork.YearFrom; y <= o.Fork.YearTo; y++ {
		if o.ModelYear == 0 || int(y) == o.ModelYear {
			out = append(out, fmt.Sprint(y))
		}
	}
	return out
}

func (b brute) someTravels(o *Owned) (out []string) {
	set := map[int]bool{}
	switch how := o.TravelNow.How; {
	case o.TravelNow.MM > 0 && how == ByStanchion:
		set[o.TravelNow.MM] = true
		for mm := 1; mm < o.TravelNow.MM; mm++ {
			set[mm] = mm%5 < 2 // no window of these catalogs begins or ends between
		}
	case o.TravelNow.MM > 0 && how != BySticker:
		set[o.TravelNow.MM] = true
	default:
		for _, mm := range o.Fork.TravelsMM {
			set[mm] = true
		}
		if o.TravelNow.MM > 0 {
			set[o.TravelNow.MM] = true
		}
		if o.TravelBuilt.MM > 0 && o.TravelBuilt.How != ByStanchion {
			set[o.TravelBuilt.MM] = true
		}
	}
	for mm, in := range set {
		if in {
			out = append(out, fmt.Sprint(mm))
		}
	}
	return out
}

// someSerials: below all, each edge, and one before and one after each edge.
func someSerials(known string, edges []string) []string {
	if known != "" {
		return []string{known}
	}
	out := []string{"!"}
	for _, e := range edges {
		if e == "" {
			continue
		}
		i := strings.LastIndexFunc(e, func(r rune) bool { return r < '0' || r > '9' }) + 1
		var n int
		if _, err := fmt.Sscanf(e[i:], "%d", &n); err != nil {
			out = append(out, e)
			continue
		}
		for _, m := range []int{n - 1, n, n + 1} {
			out = append(out, fmt.Sprintf("%s%0*d", e[:i], len(e)-i, max(m, 0)))
		}
	}
	return unique(out)
}

func someDates(known string, edges []string) []string {
	if known != "" {
		return []string{known}
	}
	out := []string{"0001-01-01"}
	for _, e := range edges {
		if d, err := time.Parse("2006-01-02", e); err == nil {
			for _, step := range []int{-1, 0, 1} {
				out = append(out, d.AddDate(0, 0, step).Format("2006-01-02"))
			}
		}
	}
	return unique(out)
}

func unique(in []string) (out []string) {
	sort.Strings(in)
	for i, s := range in {
		if i == 0 || s != in[i-1] {
			out = append(out, s)
		}
	}
	return out
}

func inYears(y string, from, to int16) bool {
	return (from == 0 || y >= fmt.Sprint(from)) && (to == 0 || y <= fmt.Sprint(to))
}

func inText(s, from, to string) bool { return (from == "" || s >= from) && (to == "" || s <= to) }

// inSerials compares serials that differ in their trailing number only, or in their letters.
func inSerials(s, from, to string) bool {
	key := func(x string) string {
		i := strings.LastIndexFunc(x, func(r rune) bool { return r < '0' || r > '9' }) + 1
		return strings.ToUpper(x[:i]) + fmt.Sprintf("%020s", x[i:])
	}
	return (from == "" || key(s) >= key(from)) && (to == "" || key(s) <= key(to))
}

func (b brute) inWay(o *Owned, p *catalog.Part, rows []*catalog.Fitment, w way) (answer, id string) {
	own := b.ownTravel(p)
	spring := strings.Contains(" coil_cartridge air_cartridge air_spring_part spring bump_stop preload_spacer travel_spacer ", " "+p.Kind+" ")
	if spring && b.beyondLimits(o, own, w) {
		return "does_not_fit", ""
	}
	var yes []*catalog.Fitment
	for _, r := range rows {
		if !applies(r, own, w) {
			continue
		}
		if r.Verdict == catalog.DoesNotFit {
			return "does_not_fit", ""
		}
		yes = append(yes, r)
	}
	if len(yes) == 0 {
		if strings.Contains(" fluid grease tool labor ", " "+p.Kind+" ") {
			return "fits", ""
		}
		return "does_not_fit", ""
	}
	sort.Slice(yes, func(i, j int) bool {
		a, b := rank(yes[i]), rank(yes[j])
		if a != b {
			return a > b
		}
		return yes[i].ID < yes[j].ID
	})
	answer = yes[0].Verdict.String()
	if yes[0].Verdict == catalog.FitsWith && yes[0].Conditions != nil {
		answer += fmt.Sprintf("\n%v", yes[0].Requires)
	}
	return answer, yes[0].ID
}

func rank(r *catalog.Fitment) string {
	options, serial := 0, 0
	if r.Conditions != nil {
		options = len(r.Must) + len(r.MustNot)
		if r.SerialFrom+r.SerialTo != "" {
			serial = 1
		}
	}
	set := func(a, b int16) int {
		if a == 0 && b == 0 {
			return 0
		}
		return 1
	}
	return fmt.Sprint(int(r.Level), options, serial, set(r.TravelFromMM, r.TravelToMM), set(r.YearFrom, r.YearTo), int(r.Verdict))
}

func applies(r *catalog.Fitment, own int, w way) bool {
	var mm int
	_, _ = fmt.Sscan(w["travel"], &mm) // none is 0
	from, to := int(r.TravelFromMM), int(r.TravelToMM)
	if r.Verdict != catalog.DoesNotFit && own > 0 && from == 0 && to == 0 {
		from, to = own, own
	}
	if from > 0 && mm < from || to > 0 && mm > to || !inYears(w["year"], r.YearFrom, r.YearTo) {
		return false
	}
	if r.Conditions == nil {
		return true
	}
	for _, x := range r.Must {
		if w[x.Name] != x.Value {
			return false
		}
	}
	for _, x := range r.MustNot {
		if w[x.Name] == x.Value {
			return false
		}
	}
	return inSerials(w["serial"], r.SerialFrom, r.SerialTo)
}

func (b brute) beyondLimits(o *Owned, own int, w way) bool {
	travel := own
	if own == 0 && o.TravelNow.How != ByStanchion && o.TravelNow.How != BySticker {
		travel = o.TravelNow.MM
	}
	for _, l := range b.t.Limits {
		if l.Fork != o.Fork.ID || l.WheelSize != "" && l.WheelSize != w["wheel"] || l.Use != "" && l.Use != o.Use {
			continue
		}
		if l.MaxTravelMM > 0 && travel > l.MaxTravelMM || l.MaxRiderKG > 0 && o.RiderKG > l.MaxRiderKG ||
			l.MaxSystemKG > 0 && (o.SystemKG > l.MaxSystemKG || o.RiderKG > l.MaxSystemKG) {
			return true
		}
	}
	if o.Use == "" || len(o.Fork.Uses) == 0 {
		return false
	}
	hard := map[string]int{"cross_country": 1, "trail": 2, "enduro": 3, "jump": 3, "downhill": 4}
	for _, u := range o.Fork.Uses {
		if u == o.Use || o.Use != "assisted" && hard[u] >= hard[o.Use] {
			return false
		}
	}
	return true
}

// agrees compares the two evaluators on one question. Statements that contradict each other have
// no world; there the first may say no or ask, but never yes.
func (b brute) agrees(t *testing.T, rev *catalog.Revision, o *Owned, sku string) Answer {
	t.Helper()
	a := Judge(rev, o, sku)
	want, row := b.verdict(o, sku)
	got := a.Verdict.String()
	if want == "contradiction" {
		if includes(a.Verdict) {
			t.Fatalf("%s on %s: %s, though what was stated cannot be true\n%+v", sku, o.Fork.ID, got, *o)
		}
		return a
	}
	if got != want {
		t.Fatalf("%s on %s: %s, by the other way %s\n%+v\n%+v", sku, o.Fork.ID, brief(a), want, *o, a.Reasons)
	}
	if row != "" && len(a.Reasons) == 1 && a.Reasons[0].Row != row {
		t.Fatalf("%s on %s: row %s, by the other way %s", sku, o.Fork.ID, a.Reasons[0].Row, row)
	}
	return a
}

func TestTwoEvaluatorsAgreeOnRandomCatalogs(t *testing.T) {
	count := map[catalog.Verdict]int{}
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 7))
		tables := randomTables(r)
		rev := catalog.Build(tables, 1)
		b := newBrute(tables)
		for i := range rev.Forks() {
			f := &rev.Forks()[i]
			for _, p := range rev.Parts() {
				for range 1 + int(seed%2) {
					count[b.agrees(t, rev, randomOwned(r, rev, f), p.SKU).Verdict]++
				}
			}
		}
	}
	t.Logf("%v", count)
	for v := catalog.Fits; v <= catalog.Unknown; v++ {
		if count[v] < 300 {
			t.Errorf("only %d answers were %v: the catalogs do not try it", count[v], v)
		}
	}
}

func TestForwardAndReverseAgreeOnRandomCatalogs(t *testing.T) {
	for seed := range uint64(40) {
		bothWays(t, randomTables(rand.New(rand.NewPCG(seed, 8))))
	}
}

// bothWays asks for every fork, year and travel which parts fit, and for every part which
// forks; both must be what the other evaluator says.
func bothWays(t *testing.T, tables *catalog.Tables) (n int) {
	t.Helper()
	rev := catalog.Build(tables, 1)
	type key struct {
		fork, sku string
		year, mm  int
	}
	b := newBrute(tables)
	reverse := map[key]string{}
	for _, p := range rev.Parts() {
		fits, next := Forks(rev, p.SKU, Page{})
		if next != "" {
			t.Fatalf("%s: a next page after all", p.SKU)
		}
		for _, f := range fits {
			for _, s := range f.Spans {
				for y := s.YearFrom; y <= s.YearTo; y++ {
					for _, mm := range s.TravelsMM {
						k := key{f.Fork.ID, p.SKU, y, mm}
						if reverse[k] != "" {
							t.Fatalf("%v is in two spans", k)
						}
						reverse[k] = string(Facts(s.Answer))
					}
				}
			}
		}
	}
	kinds := map[string]bool{}
	for _, p := range rev.Parts() {
		kinds[p.Kind] = true
	}
	all := Filter{}
	for k := range kinds {
		all.Kinds = append(all.Kinds, k)
	}
	for i := range rev.Forks() {
		f := &rev.Forks()[i]
		for y := int(f.YearFrom); y <= int(f.YearTo); y++ {
			for _, mm := range f.TravelsMM {
				o := &Owned{Fork: f, ModelYear: y, TravelNow: Travel{mm, Stated}}
				forward := map[string]string{}
				for _, a := range WhatFits(rev, o, all) {
					forward[a.SKU] = string(Facts(a))
				}
				for _, p := range rev.Parts() {
					n++
					a := b.agrees(t, rev, o, p.SKU)
					yes := includes(a.Verdict) || a.Verdict == catalog.Unknown
					k := key{f.ID, p.SKU, y, mm}
					if (reverse[k] != "") != yes || yes && reverse[k] != string(Facts(a)) {
						t.Fatalf("%v: forward %s, reverse %q", k, brief(a), reverse[k])
					}
					if p.SupersededBy == "" && ((forward[p.SKU] != "") != yes || yes && forward[p.SKU] != string(Facts(a))) {
						t.Fatalf("%v: asked %s, listed %q", k, brief(a), forward[p.SKU])
					}
				}
			}
		}
	}
	return n
}

func TestPagesOfForksAreTheWholeList(t *testing.T) {
	rev := small()
	for _, sku := range []string{"S-40", "OIL", "C-160", "RACK", "none"} {
		whole, _ := Forks(rev, sku, Page{})
		var got, want []string
		for _, f := range whole {
			want = append(want, f.Fork.ID)
		}
		for page := (Page{Limit: 1}); ; {
			fits, next := Forks(rev, sku, page)
			for _, f := range fits {
				got = append(got, f.Fork.ID)
			}
			if page.After = next; next == "" {
				break
			}
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: pages %v, whole %v", sku, got, want)
		}
	}
}

package catalog

import (
	"cmp"
	"fmt"
	"iter"
	"slices"
	"strings"
)

// Revision is one immutable catalog with its indexes. All methods are safe for concurrent
// use; what they return is shared and must not be changed.
type Revision struct {
	number int64
	t      *Tables // without fitment rows
	rows   rows

	makers    map[string]*Maker
	chassis   map[string]*Chassis
	forks     map[string]*Fork
	dampers   map[string]*Damper
	parts     map[string]*Part
	gtins     map[string][]*Part // by 14 digits
	aliases   map[string][]*Part // by folded code
	coils     map[string]*CoilCartridge
	airs      map[string]*AirCartridge
	springs   map[string]*Spring
	families  map[string][]*Spring
	bumpStops map[string]*BumpStop
	sealKits  map[string]*SealKit
	fluids    map[string]*Fluid
	openings  map[string]*Opening
	ops       map[string]*Operation
	jobs      map[string]*Job
	lists     map[string]*PriceList

	seats     map[string][]Seat
	adjusters map[string][]Adjuster
	options   map[string][]ForkOption
	limits    map[string][]Limit
	marks     map[string][]Mark
	contents  map[string][]Content
	preloads  map[string][]Preload
	handlings map[string][]Handling
	bumpers   map[string][]BumperPoint
	clicks    map[[2]string][]ClickRow
	masses    map[string][]MassRow
	rules     map[string][]PartRule
	needs     map[[2]string][]Need // by target kind and target
	figures   map[figureKey]*Figure
	texts     map[textKey]string
	facts     map[[3]string]string
	factOrder map[string][]string // values of a fact in the order of the table
	prices    map[[2]string][]Price

	cards    []Card                         // in the order of the parts
	cardAt   []*Card                        // by number of text in rows, nil where it is no part's
	verdicts []Verdict                      // by number of what rows share
	ofTarget [AtFork + 1]map[string][]int32 // into rows, by level and name of the target
	models   map[[2]string][]*Fork          // by maker and model
	open     []*Part                        // of kinds that need no row
	platform map[string][]*Fork             // by chassis
	brand    map[string][]*Fork             // by maker
}

type (
	span      struct{ from, to int32 }
	rowTarget struct {
		level Level
		text  uint32 // number of the target's text
	}
	figureKey struct {
		kind, owner, figure, place string
		leg                        Leg
	}
	textKey struct{ of, code, lang string }
)

// Build makes a revision of tables that have passed Check. It sorts the tables in place, so
// that the order of rows in a file never shows, and keeps all but the fitment rows.
func Build(t *Tables, number int64) *Revision {
	sortTables(t)
	own := *t
	own.Fitments = nil
	return build(&own, pack(t.Fitments), number, nil)
}

// Open makes a revision of its two stored parts. It fails, wrapping ErrBlob, on anything but
// the bytes that the Encode functions write. Beside running answers it is given a Rest.
func Open(fitment, prices []byte, number int64, rest Rest) (*Revision, error) {
	t := &Tables{}
	rows, err := decode(fitment, prices, t, rest)
	if err != nil {
		return nil, err
	}
	if !rows.sorted(rest) {
		return nil, fmt.Errorf("fitment part: %w: its rows are out of order", ErrBlob)
	}
	sortTables(t)
	return build(t, rows, number, rest), nil
}

func build(t *Tables, rows rows, number int64, rest Rest) *Revision {
	r := &Revision{
		number: number, t: t, rows: rows,
		makers:    pointers(t.Makers, func(x *Maker) string { return x.Code }),
		chassis:   pointers(t.Chassis, func(x *Chassis) string { return x.Code }),
		forks:     pointers(t.Forks, func(x *Fork) string { return x.ID }),
		dampers:   pointers(t.Dampers, func(x *Damper) string { return x.Code }),
		parts:     pointers(t.Parts, func(x *Part) string { return x.SKU }),
		coils:     pointers(t.CoilCartridges, func(x *CoilCartridge) string { return x.SKU }),
		airs:      pointers(t.AirCartridges, func(x *AirCartridge) string { return x.SKU }),
		springs:   pointers(t.Springs, func(x *Spring) string { return x.SKU }),
		bumpStops: pointers(t.BumpStops, func(x *BumpStop) string { return x.SKU }),
		sealKits:  pointers(t.SealKits, func(x *SealKit) string { return x.SKU }),
		fluids:    pointers(t.Fluids, func(x *Fluid) string { return x.SKU }),
		openings:  pointers(t.Openings, func(x *Opening) string { return x.Opening }),
		ops:       pointers(t.Operations, func(x *Operation) string { return x.Operation }),
		jobs:      pointers(t.Jobs, func(x *Job) string { return x.Job }),
		lists:     pointers(t.PriceLists, func(x *PriceList) string { return x.List }),

		seats:     groups(t.Seats, func(x *Seat) string { return x.Chassis }),
		adjusters: groups(t.Adjusters, func(x *Adjuster) string { return x.Damper }),
		options:   groups(t.ForkOptions, func(x *ForkOption) string { return x.Fork }),
		limits:    groups(t.Limits, func(x *Limit) string { return x.Fork }),
		marks:     groups(t.Marks, func(x *Mark) string { return x.Fork }),
		contents:  groups(t.Contents, func(x *Content) string { return x.Kit }),
		preloads:  groups(t.Preloads, func(x *Preload) string { return x.Cartridge }),
		handlings: groups(t.Handlings, func(x *Handling) string { return x.Cartridge }),
		bumpers:   groups(t.BumperPoints, func(x *BumperPoint) string { return x.BumpStop }),
		clicks:    groups(t.ClickRows, func(x *ClickRow) [2]string { return [2]string{x.Family, x.Damper} }),
		masses:    groups(t.MassRows, func(x *MassRow) string { return x.Family }),
		rules:     groups(t.PartRules, func(x *PartRule) string { return x.Part }),
		needs:     groups(t.Needs, func(x *Need) [2]string { return [2]string{x.TargetKind, x.Target} }),
		prices:    groups(t.Prices, func(x *Price) [2]string { return [2]string{x.List, x.SKU} }),

		families: map[string][]*Spring{}, gtins: map[string][]*Part{}, aliases: map[string][]*Part{},
		figures: map[figureKey]*Figure{}, texts: map[textKey]string{}, facts: map[[3]string]string{},
		factOrder: map[string][]string{}, models: map[[2]string][]*Fork{},
		platform: map[string][]*Fork{}, brand: map[string][]*Fork{},
	}
	r.index(rest)
	return r
}

// index fills what needs more than one table or a derived key.
func (r *Revision) index(rest Rest) {
	for i := range r.t.Springs {
		s := &r.t.Springs[i]
		r.families[s.Family] = append(r.families[s.Family], s)
	}
	for _, f := range r.families {
		slices.SortStableFunc(f, func(a, b *Spring) int {
			return cmp.Or(cmp.Compare(a.RateNPerMM(), b.RateNPerMM()), cmp.Compare(a.SKU, b.SKU))
		})
	}
	for i := range r.t.Parts {
		p := &r.t.Parts[i]
		if !KindClosed(p.Kind) {
			r.open = append(r.open, p)
		}
		if p.GTIN != "" {
			g := PadGTIN(p.GTIN)
			r.gtins[g] = append(r.gtins[g], p)
		}
		for _, a := range p.Aliases {
			r.aliases[FoldCode(a)] = append(r.aliases[FoldCode(a)], p)
		}
	}
	for i := range r.t.Figures {
		f := &r.t.Figures[i]
		r.figures[figureKey{f.OwnerKind, f.Owner, f.Figure, f.Place, f.Leg}] = f
	}
	for _, x := range r.t.Texts {
		r.texts[textKey{x.Of, x.Code, x.Lang}] = x.Text
	}
	for _, x := range r.t.FactTexts {
		r.facts[[3]string{x.Fact, x.Value, x.Lang}] = x.Text
		if x.Value != "" && !slices.Contains(r.factOrder[x.Fact], x.Value) {
			r.factOrder[x.Fact] = append(r.factOrder[x.Fact], x.Value)
		}
	}
	r.writeCards()
	for i := range r.t.Forks {
		rest.After(i)
		f := &r.t.Forks[i]
		key := [2]string{r.MakerOf(f), f.Model}
		r.models[key] = append(r.models[key], f)
		r.platform[f.Chassis] = append(r.platform[f.Chassis], f)
		r.brand[key[0]] = append(r.brand[key[0]], f)
	}
	r.indexFitments(rest)
}

// indexFitments finds the rows of a part, which stand together, and those of a target, whose
// numbers share one array: a slice of its own for each of forty thousand targets is garbage.
func (r *Revision) indexFitments(rest Rest) {
	n := r.rows.len()
	r.cardAt = make([]*Card, len(r.rows.texts))
	r.verdicts = make([]Verdict, len(r.rows.shared))
	for i := range r.rows.shared {
		r.verdicts[i] = r.rows.shared[i].Verdict
	}
	number := make(map[rowTarget]int32, len(r.t.Forks))
	of := make([]int32, n) // number of each row's target
	var count []int32
	part := span{}
	for i := range n {
		rest.After(i)
		p := &r.rows.packed[i]
		if i+1 == n || r.rows.packed[i+1].part != p.part {
			part.to = int32(i) + 1
			if known, ok := r.Part(r.rows.texts[p.part]); ok {
				card := r.Card(known)
				card.rows, r.cardAt[p.part] = part, card
			}
			part.from = part.to
		}
		key := rowTarget{r.rows.level(i), p.target}
		x, ok := number[key]
		if !ok {
			x = int32(len(count))
			number[key], count = x, append(count, 0)
		}
		of[i] = x
		count[x]++
	}
	all := make([]int32, n)
	lists := make([][]int32, len(count))
	for x, from := 0, int32(0); x < len(count); x++ {
		lists[x] = all[from : from : from+count[x]]
		from += count[x]
	}
	for i, x := range of {
		lists[x] = append(lists[x], int32(i))
	}
	var targets [AtFork + 1]int
	for key := range number {
		targets[key.level]++
	}
	for level, n := range targets {
		r.ofTarget[level] = make(map[string][]int32, n)
	}
	for key, x := range number {
		r.ofTarget[key.level][r.rows.texts[key.text]] = lists[x]
	}
}

// pointers indexes rows by a unique key.
func pointers[T any](rows []T, key func(*T) string) map[string]*T {
	m := make(map[string]*T, len(rows))
	for i := range rows {
		m[key(&rows[i])] = &rows[i]
	}
	return m
}

// groups finds the rows of a key, which is a prefix of what the table is sorted by, so that
// they stand together and need no copy.
func groups[T any, K comparable](rows []T, key func(*T) K) map[K][]T {
	m := map[K][]T{}
	for i := 0; i < len(rows); {
		k, end := key(&rows[i]), i+1
		for end < len(rows) && key(&rows[end]) == k {
			end++
		}
		m[k] = rows[i:end:end]
		i = end
	}
	return m
}

func get[T any](m map[string]*T, key string) (*T, bool) { x, ok := m[key]; return x, ok }

// Number is the revision's number; every answer names it.
func (r *Revision) Number() int64 { return r.number }

// Forks are all forks, sorted by id.
func (r *Revision) Forks() []Fork { return r.t.Forks }

// Parts are all parts, sorted by SKU.
func (r *Revision) Parts() []Part { return r.t.Parts }

// OpenParts are the parts of kinds that need no row to fit (see KindClosed), sorted by SKU.
func (r *Revision) OpenParts() []*Part { return r.open }

// Fork finds a fork by its id.
func (r *Revision) Fork(id string) (*Fork, bool) { return get(r.forks, id) }

// Maker finds a maker by its code.
func (r *Revision) Maker(code string) (*Maker, bool) { return get(r.makers, code) }

// Chassis finds a chassis by its code.
func (r *Revision) Chassis(code string) (*Chassis, bool) { return get(r.chassis, code) }

// ChassisOf is the chassis of a fork of this revision.
func (r *Revision) ChassisOf(f *Fork) *Chassis { return r.chassis[f.Chassis] }

// MakerOf is the code of the maker of a fork of this revision.
func (r *Revision) MakerOf(f *Fork) string {
	if c := r.chassis[f.Chassis]; c != nil {
		return c.Maker
	}
	return ""
}

// MakerName is the name of the maker of a fork of this revision.
func (r *Revision) MakerName(f *Fork) string {
	if m := r.makers[r.MakerOf(f)]; m != nil {
		return m.Name
	}
	return ""
}

// Model lists the forks of a model of a maker.
func (r *Revision) Model(maker, model string) []*Fork { return r.models[[2]string{maker, model}] }

// Part finds a part by its SKU, exactly as the catalog writes it.
func (r *Revision) Part(sku string) (*Part, bool) { return get(r.parts, sku) }

// PartNumber is the place of a part in Parts.
func (r *Revision) PartNumber(sku string) (n int, ok bool) {
	p, ok := r.parts[sku]
	if !ok {
		return 0, false
	}
	return int(p.Number), true
}

// part is nil where there is none.
func (r *Revision) part(sku string) *Part { return r.parts[sku] }

// Damper finds a damper by its code.
func (r *Revision) Damper(code string) (*Damper, bool) { return get(r.dampers, code) }

// Coil finds a coil cartridge by its SKU; the finders below do the same for their kind.
func (r *Revision) Coil(sku string) (*CoilCartridge, bool) { return get(r.coils, sku) }

// Air finds an air cartridge.
func (r *Revision) Air(sku string) (*AirCartridge, bool) { return get(r.airs, sku) }

// Springs are all springs, sorted by SKU.
func (r *Revision) Springs() []Spring { return r.t.Springs }

// Spring finds a spring.
func (r *Revision) Spring(sku string) (*Spring, bool) { return get(r.springs, sku) }

// Family lists the springs of a family, softest first.
func (r *Revision) Family(name string) []*Spring { return r.families[name] }

// BumpStop finds a bump stop.
func (r *Revision) BumpStop(sku string) (*BumpStop, bool) { return get(r.bumpStops, sku) }

// BumperTable is the force table of an elastomer bump stop, by deflection.
func (r *Revision) BumperTable(sku string) []BumperPoint { return r.bumpers[sku] }

// SealKit finds a seal kit.
func (r *Revision) SealKit(sku string) (*SealKit, bool) { return get(r.sealKits, sku) }

// Fluid finds a fluid.
func (r *Revision) Fluid(sku string) (*Fluid, bool) { return get(r.fluids, sku) }

// Opening finds an opening: cap, lowers or damper.
func (r *Revision) Opening(name string) (*Opening, bool) { return get(r.openings, name) }

// Operation finds a bench operation.
func (r *Revision) Operation(name string) (*Operation, bool) { return get(r.ops, name) }

// Job finds a job.
func (r *Revision) Job(name string) (*Job, bool) { return get(r.jobs, name) }

// Jobs are all jobs, sorted by name.
func (r *Revision) Jobs() []Job { return r.t.Jobs }

// Seats are the seal seats of a chassis, by seal generation.
func (r *Revision) Seats(chassis string) []Seat { return r.seats[chassis] }

// Adjusters are the knobs of a damper.
func (r *Revision) Adjusters(damper string) []Adjuster { return r.adjusters[damper] }

// Options are the values of facts with which a fork was built, and when.
func (r *Revision) Options(fork string) []ForkOption { return r.options[fork] }

// Limits are the hard limits of a fork.
func (r *Revision) Limits(fork string) []Limit { return r.limits[fork] }

// Marks are what is etched, printed or boxed with a fork.
func (r *Revision) Marks(fork string) []Mark { return r.marks[fork] }

// Contents are the parts in the box of a kit.
func (r *Revision) Contents(kit string) []Content { return r.contents[kit] }

// Preloads are the preload settings of a coil cartridge, the least first.
func (r *Revision) Preloads(cartridge string) []Preload { return r.preloads[cartridge] }

// Handlings are what fitting a cartridge includes, reuses, sets aside and forbids.
func (r *Revision) Handlings(cartridge string) []Handling { return r.handlings[cartridge] }

// Clicks are the rows of the click table of a spring family in a damper, by adjuster and rate.
func (r *Revision) Clicks(family, damper string) []ClickRow {
	return r.clicks[[2]string{family, damper}]
}

// MassChart is the kit maker's own chart for a spring family and travel, lightest first.
func (r *Revision) MassChart(family string, travelMM int) []MassRow {
	var out []MassRow
	for _, m := range r.masses[family] {
		if m.TravelMM == 0 || m.TravelMM == travelMM {
			out = append(out, m)
		}
	}
	return out
}

// Rules are what a part needs or excludes, whatever the fork.
func (r *Revision) Rules(sku string) []PartRule { return r.rules[sku] }

// Needs are what openings and operations ask for on a fork: of any fork, its chassis, itself.
func (r *Revision) Needs(f *Fork) []Need {
	return slices.Concat(r.needs[[2]string{"any", ""}], r.needs[[2]string{"chassis", f.Chassis}], r.needs[[2]string{"fork", f.ID}])
}

// Figure finds the figure that belongs to exactly this owner, place and leg. There is no
// fallback: a figure of another owner is another figure.
func (r *Revision) Figure(ownerKind, owner, figure, place string, leg Leg) (*Figure, bool) {
	f, ok := r.figures[figureKey{ownerKind, owner, figure, place, leg}]
	return f, ok
}

// Name is the text of a thing in the first of the languages that has one, then English, then
// its code; it says which language was used ("" for the code).
func (r *Revision) Name(of, code string, langs ...string) (text, lang string) {
	for _, l := range append(slices.Clone(langs), "en") {
		if t, ok := r.texts[textKey{of, code, l}]; ok {
			return t, l
		}
	}
	return code, ""
}

// FactText is the question for a fact (value empty) or the text of a value, falling back as Name does.
func (r *Revision) FactText(fact, value string, langs ...string) (text, lang string) {
	for _, l := range append(slices.Clone(langs), "en") {
		if t, ok := r.facts[[3]string{fact, value, l}]; ok {
			return t, l
		}
	}
	return "", ""
}

// FactValues are the values of a fact, in the order of the catalog's table.
func (r *Revision) FactValues(fact string) []string { return r.factOrder[fact] }

// PriceList finds a price list.
func (r *Revision) PriceList(list string) (*PriceList, bool) { return get(r.lists, list) }

// PriceLists are all price lists, sorted by code.
func (r *Revision) PriceLists() []PriceList { return r.t.PriceLists }

// Prices are the prices of a part on a list, by least quantity.
func (r *Revision) Prices(list, sku string) []Price { return r.prices[[2]string{list, sku}] }

// Rows yields all fitment rows: by part, level, target and id.
func (r *Revision) Rows() iter.Seq[Fitment] {
	return r.rowsIn(span{0, int32(r.rows.len())})
}

// Row is the fitment row of an id. It looks at each.
func (r *Revision) Row(id string) (Fitment, bool) {
	for i := range r.rows.len() {
		if r.rows.id(i) == id {
			return r.rows.at(i), true
		}
	}
	return Fitment{}, false
}

// RowsOfPart yields the fitment rows of a part, by level, target and id.
func (r *Revision) RowsOfPart(sku string) iter.Seq[Fitment] {
	if p, ok := r.Part(sku); ok {
		return r.rowsIn(r.Card(p).rows)
	}
	return r.rowsIn(span{})
}

func (r *Revision) rowsIn(s span) iter.Seq[Fitment] {
	return func(yield func(Fitment) bool) {
		for i := s.from; i < s.to; i++ {
			if !yield(r.rows.at(int(i))) {
				return
			}
		}
	}
}

// RowsFor yields every fitment row that targets a fork: by its maker, chassis, model or itself.
func (r *Revision) RowsFor(f *Fork) iter.Seq[Fitment] {
	return func(yield func(Fitment) bool) {
		for _, all := range r.Reach(f).rows {
			for _, i := range all {
				if !yield(r.rows.at(int(i))) {
					return
				}
			}
		}
	}
}

// Targets reports whether a row's target covers a fork.
func (r *Revision) Targets(row *Fitment, f *Fork) bool {
	switch row.Level {
	case AtMaker:
		return row.Target == r.MakerOf(f)
	case AtChassis:
		return row.Target == f.Chassis
	case AtModel:
		maker, model, _ := strings.Cut(row.Target, "/")
		return model == f.Model && maker == r.MakerOf(f)
	case AtFork:
		return row.Target == f.ID
	}
	return false
}

// ModelTarget is how a fitment row names a model of a maker.
func ModelTarget(maker, model string) string { return maker + "/" + model }

// Matched says by which of its codes a part was found.
type Matched string

// The codes by which a part can be named.
const (
	BySKU   Matched = "sku"
	ByGTIN  Matched = "gtin"
	ByAlias Matched = "alias"
)

// Resolve finds the parts that a code may mean: a SKU in any case, a GTIN with or without
// leading zeros, or a code printed on the part. More than one part means the code is ambiguous.
func (r *Revision) Resolve(code string) ([]*Part, Matched) {
	if p, ok := r.Part(code); ok {
		return []*Part{p}, BySKU
	}
	if p, ok := r.Part(strings.ToUpper(code)); ok {
		return []*Part{p}, BySKU
	}
	if g := PadGTIN(code); g != "" {
		if ps := r.gtins[g]; len(ps) > 0 {
			return ps, ByGTIN
		}
	}
	if ps := r.aliases[FoldCode(code)]; len(ps) > 0 {
		return ps, ByAlias
	}
	return nil, ""
}

// PadGTIN zero-pads 8 to 14 digits (a scanner may drop or add leading zeros) to 14; "" for
// anything else. It does not verify the check digit.
func PadGTIN(s string) string {
	if len(s) < 8 || len(s) > 14 {
		return ""
	}
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return ""
		}
	}
	return strings.Repeat("0", 14-len(s)) + s
}

// FoldCode makes printed codes comparable: case, spaces and dashes do not count.
func FoldCode(s string) string {
	return strings.Map(func(c rune) rune {
		switch {
		case c >= 'a' && c <= 'z':
			return c - 32
		case c == ' ' || c == '-' || c == '.' || c == '_' || c == '/':
			return -1
		}
		return c
	}, s)
}

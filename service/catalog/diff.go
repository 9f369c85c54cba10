package catalog

import (
	"cmp"
	"fmt"
	"iter"
	"maps"
	"reflect"
	"slices"
	"strings"
)

// Difference is what two revisions differ in.
type Difference struct {
	Old, New int64
	Tables   []TableDifference // those that differ, in the order of Tables
	Rows     RowDifference

	from, to *Revision
}

// TableDifference counts the rows of a table and lists them by key.
type TableDifference struct {
	Table   string
	Added   []string
	Removed []string
	Changed []RowChange
}

// RowChange is a row that both revisions have, with what became of its cells.
type RowChange struct {
	Key   string
	Cells []CellChange
}

// CellChange is a cell before and after.
type CellChange struct{ Column, Old, New string }

// RowDifference are the fitment rows that differ. A row that went to another part or target
// was removed and added.
type RowDifference struct {
	Added, Removed []*Fitment
	Changed        [][2]*Fitment // old, new
}

// Diff compares two revisions.
func Diff(from, to *Revision) *Difference {
	d := &Difference{Old: from.number, New: to.number, from: from, to: to}
	old := from.t.All()
	for i, t := range to.t.All() {
		if t.Name == "fitments" {
			d.Rows = diffFitments(&from.rows, &to.rows)
			continue
		}
		if x := diffTable(old[i], t); len(x.Added)+len(x.Removed)+len(x.Changed) > 0 {
			d.Tables = append(d.Tables, x)
		}
	}
	return d
}

// Same reports whether the revisions say the same.
func (d *Difference) Same() bool {
	return len(d.Tables)+len(d.Rows.Added)+len(d.Rows.Removed)+len(d.Rows.Changed) == 0
}

func diffTable(old, new Table) TableDifference {
	columns := Columns(new.Rows.Type().Elem())
	out := TableDifference{Table: new.Name}
	before := make(map[string]int, old.Rows.Len())
	for i := range old.Rows.Len() {
		before[keyText(columns, old.Rows.Index(i))] = i
	}
	for i := range new.Rows.Len() {
		row := new.Rows.Index(i)
		key := keyText(columns, row)
		n, ok := before[key]
		if !ok {
			out.Added = append(out.Added, key)
			continue
		}
		delete(before, key)
		if cells := diffCells(columns, old.Rows.Index(n), row); len(cells) > 0 {
			out.Changed = append(out.Changed, RowChange{key, cells})
		}
	}
	out.Removed = slices.Sorted(maps.Keys(before))
	return out
}

// keyText is the key of a row as a person reads it: its parts joined by a slash.
func keyText(columns []Column, row reflect.Value) string {
	var parts []string
	for _, c := range columns {
		if c.Key {
			parts = append(parts, cellText(row.Field(c.Field)))
		}
	}
	return strings.Join(parts, "/")
}

func diffCells(columns []Column, old, new reflect.Value) []CellChange {
	var out []CellChange
	for _, c := range columns {
		a, b := cellText(old.Field(c.Field)), cellText(new.Field(c.Field))
		if a != b {
			out = append(out, CellChange{c.Name, a, b})
		}
	}
	return out
}

func cellText(v reflect.Value) string {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return ""
		}
		return cellText(v.Elem())
	case reflect.String:
		return v.String()
	case reflect.Slice:
		parts := make([]string, v.Len())
		for i := range parts {
			parts[i] = cellText(v.Index(i))
		}
		return strings.Join(parts, ";")
	}
	return fmt.Sprint(v.Interface())
}

// diffFitments walks two sorted tables side by side.
func diffFitments(old, new *rows) (d RowDifference) {
	row := func(r *rows, i int) *Fitment {
		f := r.at(i)
		return &f
	}
	for i, j := 0, 0; i < old.len() || j < new.len(); {
		order := 0
		switch {
		case i == old.len():
			order = 1
		case j == new.len():
			order = -1
		default:
			order = old.compare(i, new, j)
		}
		switch {
		case order < 0:
			d.Removed = append(d.Removed, row(old, i))
			i++
		case order > 0:
			d.Added = append(d.Added, row(new, j))
			j++
		default:
			if !sameRow(&old.shared[old.packed[i].shared], &new.shared[new.packed[j].shared]) {
				d.Changed = append(d.Changed, [2]*Fitment{row(old, i), row(new, j)})
			}
			i, j = i+1, j+1
		}
	}
	return d
}

// sameRow reports whether two rows of one part, target and id say the same.
func sameRow(a, b *Fitment) bool {
	if a.Verdict != b.Verdict || a.YearFrom != b.YearFrom || a.YearTo != b.YearTo || a.TravelFromMM != b.TravelFromMM || a.TravelToMM != b.TravelToMM ||
		a.Reason != b.Reason || a.Evidence != b.Evidence || a.Source != b.Source {
		return false
	}
	aFrom, aTo := a.serialRange()
	bFrom, bTo := b.serialRange()
	aMust, aNot := a.mustAndNot()
	bMust, bNot := b.mustAndNot()
	return aFrom == bFrom && aTo == bTo && slices.Equal(aMust, bMust) && slices.Equal(aNot, bNot) && slices.Equal(a.requires(), b.requires())
}

// mostNamed is how many keys a line of words names.
const mostNamed = 8

// Words says what differs, a line for each kind of difference, for the keeper of the catalog.
func (d *Difference) Words() []string {
	var out []string
	say := func(table, what string, keys []string) {
		if len(keys) > 0 {
			out = append(out, fmt.Sprintf("%s: %d %s: %s", table, len(keys), what, firstOf(keys)))
		}
	}
	for _, t := range d.Tables {
		say(t.Table, "added", t.Added)
		say(t.Table, "removed", t.Removed)
		var changed []string
		for _, c := range t.Changed {
			changed = append(changed, c.words())
		}
		say(t.Table, "changed", changed)
	}
	say("fitments", "added", ids(d.Rows.Added))
	say("fitments", "removed", ids(d.Rows.Removed))
	var changed []*Fitment
	for _, c := range d.Rows.Changed {
		changed = append(changed, c[1])
	}
	say("fitments", "changed", ids(changed))
	return out
}

func (c RowChange) words() string {
	var cells []string
	for _, x := range c.Cells {
		cells = append(cells, fmt.Sprintf("%s %q to %q", x.Column, x.Old, x.New))
	}
	return c.Key + " (" + strings.Join(cells, ", ") + ")"
}

func ids(rows []*Fitment) []string {
	out := make([]string, len(rows))
	for i, r := range rows {
		out[i] = r.ID
	}
	return out
}

func firstOf(keys []string) string {
	if len(keys) <= mostNamed {
		return strings.Join(keys, ", ")
	}
	return fmt.Sprintf("%s, and %d more", strings.Join(keys[:mostNamed], ", "), len(keys)-mostNamed)
}

// Pair is a part and a fork.
type Pair struct{ Part, Fork string }

// Affected yields, sorted, every part and fork whose verdict may differ between the revisions:
// a row for them, the fork, its chassis, options or limits, the part itself, or a part that
// takes its place differ. All others have the same verdict in both.
func (d *Difference) Affected() iter.Seq[Pair] {
	pairs := map[Pair]struct{}{}
	for _, r := range []*Revision{d.from, d.to} {
		d.affectedIn(r, pairs)
	}
	sorted := slices.SortedFunc(maps.Keys(pairs), func(a, b Pair) int {
		return cmp.Or(strings.Compare(a.Part, b.Part), strings.Compare(a.Fork, b.Fork))
	})
	return slices.Values(sorted)
}

func (d *Difference) affectedIn(r *Revision, pairs map[Pair]struct{}) {
	before := r.predecessors()
	add := func(f *Fitment, part string) {
		for _, fork := range r.ForksOf(f.Level, f.Target) {
			pairs[Pair{part, fork.ID}] = struct{}{}
		}
	}
	row := func(f *Fitment) {
		add(f, f.Part)
		for _, part := range before[f.Part] {
			add(f, part)
		}
	}
	for _, f := range slices.Concat(d.Rows.Added, d.Rows.Removed) {
		row(f)
	}
	for _, f := range d.Rows.Changed {
		row(f[1])
	}
	forks, parts := d.touched()
	for sku := range parts {
		for _, part := range append(r.successors(sku), sku) {
			for x := range r.RowsOfPart(part) {
				add(&x, sku)
				for _, old := range before[sku] {
					add(&x, old)
				}
			}
		}
	}
	for id := range forks {
		if f, ok := r.Fork(id); ok {
			for x := range r.RowsFor(f) {
				for _, part := range slices.Concat(before[x.Part], []string{x.Part}) {
					pairs[Pair{part, id}] = struct{}{}
				}
			}
		}
	}
}

// successors are the parts that take a part's place, one after the other.
func (r *Revision) successors(sku string) []string {
	var out []string
	for p := r.part(sku); p != nil && p.SupersededBy != "" && len(out) < longestSupersession; p = r.part(p.SupersededBy) {
		out = append(out, p.SupersededBy)
	}
	return out
}

// predecessors are, for a part, those whose place it takes.
func (r *Revision) predecessors() map[string][]string {
	out := map[string][]string{}
	for i := range r.t.Parts {
		for _, s := range r.successors(r.t.Parts[i].SKU) {
			out[s] = append(out[s], r.t.Parts[i].SKU)
		}
	}
	return out
}

// touched are the forks and parts of which more than fitment rows differs.
func (d *Difference) touched() (forks, parts map[string]bool) {
	forks, parts = map[string]bool{}, map[string]bool{}
	for _, t := range d.Tables {
		keys := slices.Concat(t.Added, t.Removed)
		for _, c := range t.Changed {
			keys = append(keys, c.Key)
		}
		for _, key := range keys {
			name, _, _ := strings.Cut(key, "/")
			switch t.Table {
			case "forks", "parts", "coil_cartridges", "air_cartridges":
				name = key // the whole key is one code
			}
			switch t.Table {
			case "forks", "fork_options", "limits":
				forks[name] = true
			case "chassis", "seats":
				for _, r := range []*Revision{d.from, d.to} {
					for _, f := range r.ForksOf(AtChassis, name) {
						forks[f.ID] = true
					}
				}
			case "parts", "coil_cartridges", "air_cartridges":
				parts[name] = true
			}
		}
	}
	return forks, parts
}

// VerdictChange says which forks a part is lost to, won for, or fits under other conditions.
type VerdictChange struct {
	Part                string
	Loses, Wins, Alters []string // forks
}

// Words is the change as a person would say it: "12 forks lose part AB-1".
func (v VerdictChange) Words() string {
	var out []string
	for _, x := range []struct {
		forks     []string
		one, many string
	}{
		{v.Loses, "%d fork loses part %s", "%d forks lose part %s"}, {v.Wins, "%d fork gains part %s", "%d forks gain part %s"},
		{v.Alters, "%d fork takes part %s on other terms", "%d forks take part %s on other terms"},
	} {
		if n := len(x.forks); n > 0 {
			format := x.many
			if n == 1 {
				format = x.one
			}
			out = append(out, fmt.Sprintf(format, n, v.Part)+": "+firstOf(x.forks))
		}
	}
	return strings.Join(out, "; ")
}

// Judge asks for the verdict of every affected pair before and after, and collects by part
// what changes. A fork that a revision does not have has the verdict NotInCatalog there.
func (d *Difference) Judge(verdict func(r *Revision, part string, f *Fork) Verdict) []VerdictChange {
	var out []VerdictChange
	in := func(r *Revision, p Pair) Verdict {
		f, ok := r.Fork(p.Fork)
		if !ok {
			return NotInCatalog
		}
		return verdict(r, p.Part, f)
	}
	for p := range d.Affected() {
		before, after := in(d.from, p), in(d.to, p)
		if before == after {
			continue
		}
		if len(out) == 0 || out[len(out)-1].Part != p.Part {
			out = append(out, VerdictChange{Part: p.Part})
		}
		v := &out[len(out)-1]
		did, does := before == Fits || before == FitsWith, after == Fits || after == FitsWith
		switch {
		case did && !does:
			v.Loses = append(v.Loses, p.Fork)
		case does && !did:
			v.Wins = append(v.Wins, p.Fork)
		default:
			v.Alters = append(v.Alters, p.Fork)
		}
	}
	return out
}

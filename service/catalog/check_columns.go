package catalog

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
)

// checking is a set of tables under check, with what the checks look up.
type checking struct {
	t        *Tables
	problems *Problems
	tables   []checkedTable
	names    map[string]map[string]bool // keys by table; also cartridges and spring_families
	unsound  map[Pos]bool               // rows with an error
	r        *lookup
}

// bad notes an error; later checks leave the row out.
func (c *checking) bad(at Pos, field, code, format string, args ...any) {
	c.markUnsound(at)
	c.problems.Add(at, field, code, format, args...)
}

func (c *checking) markUnsound(at Pos) {
	if at.Line > 0 {
		c.unsound[at] = true
	}
}

func (c *checking) warn(at Pos, field, code, format string, args ...any) {
	c.problems.Warn(at, field, code, format, args...)
}

// sound reports that no error was found so far in any of the rows.
func (c *checking) sound(rows ...Pos) bool {
	if len(c.unsound) == 0 {
		return true
	}
	for _, at := range rows {
		if c.unsound[at] {
			return false
		}
	}
	return true
}

// lookup finds rows by key, the first where a key is there twice.
type lookup struct {
	parts     map[string]*Part
	chassis   map[string]*Chassis
	forks     map[string]*Fork
	coils     map[string]*CoilCartridge
	airs      map[string]*AirCartridge
	springs   map[string]*Spring
	bumpStops map[string]*BumpStop
	sealKits  map[string]*SealKit
	lists     map[string]*PriceList
	adjusters map[[2]string]*Adjuster
	families  map[string][]*Spring
	preloads  map[string][]*Preload
	seats     map[string][]*Seat
	options   map[string][]*ForkOption
	limits    map[string][]*Limit
	byChassis map[string][]*Fork
	byMaker   map[string][]*Fork
	byModel   map[string][]*Fork // by "maker/model"
}

func first[T any, K comparable](rows []T, key func(*T) K) map[K]*T {
	m := make(map[K]*T, len(rows))
	for i := range rows {
		if k := key(&rows[i]); m[k] == nil {
			m[k] = &rows[i]
		}
	}
	return m
}

func gather[T any, K comparable](rows []T, key func(*T) K) map[K][]*T {
	m := map[K][]*T{}
	for i := range rows {
		k := key(&rows[i])
		m[k] = append(m[k], &rows[i])
	}
	return m
}

func newLookup(t *Tables) *lookup {
	r := &lookup{
		parts:     first(t.Parts, func(x *Part) string { return x.SKU }),
		chassis:   first(t.Chassis, func(x *Chassis) string { return x.Code }),
		forks:     first(t.Forks, func(x *Fork) string { return x.ID }),
		coils:     first(t.CoilCartridges, func(x *CoilCartridge) string { return x.SKU }),
		airs:      first(t.AirCartridges, func(x *AirCartridge) string { return x.SKU }),
		springs:   first(t.Springs, func(x *Spring) string { return x.SKU }),
		bumpStops: first(t.BumpStops, func(x *BumpStop) string { return x.SKU }),
		sealKits:  first(t.SealKits, func(x *SealKit) string { return x.SKU }),
		lists:     first(t.PriceLists, func(x *PriceList) string { return x.List }),
		adjusters: first(t.Adjusters, func(x *Adjuster) [2]string { return [2]string{x.Damper, x.Adjuster} }),
		families:  gather(t.Springs, func(x *Spring) string { return x.Family }),
		preloads:  gather(t.Preloads, func(x *Preload) string { return x.Cartridge }),
		seats:     gather(t.Seats, func(x *Seat) string { return x.Chassis }),
		options:   gather(t.ForkOptions, func(x *ForkOption) string { return x.Fork }),
		limits:    gather(t.Limits, func(x *Limit) string { return x.Fork }),
		byChassis: gather(t.Forks, func(x *Fork) string { return x.Chassis }),
		byMaker:   map[string][]*Fork{}, byModel: map[string][]*Fork{},
	}
	for i := range t.Forks {
		f := &t.Forks[i]
		maker := r.makerOf(f)
		r.byMaker[maker] = append(r.byMaker[maker], f)
		r.byModel[ModelTarget(maker, f.Model)] = append(r.byModel[ModelTarget(maker, f.Model)], f)
	}
	return r
}

func (r *lookup) makerOf(f *Fork) string {
	if c := r.chassis[f.Chassis]; c != nil {
		return c.Maker
	}
	return ""
}

// covered are the forks that a target covers.
func (r *lookup) covered(l Level, target string) []*Fork {
	switch l {
	case AtMaker:
		return r.byMaker[target]
	case AtChassis:
		return r.byChassis[target]
	case AtModel:
		return r.byModel[target]
	case AtFork:
		if f := r.forks[target]; f != nil {
			return []*Fork{f}
		}
	}
	return nil
}

type checkedTable struct {
	Table
	columns []Column
}

// numberRows gives rows that come from no file a position: the checks tell rows apart by it.
func numberRows(t *Tables) {
	for _, table := range t.All() {
		if table.Name == "fitments" {
			continue
		}
		for i := range table.Rows.Len() {
			if at := table.Rows.Index(i).Field(0).Addr().Interface().(*Pos); at.Line == 0 {
				*at = Pos{File: table.Name, Line: i + 1}
			}
		}
	}
	for i := range t.Fitments {
		if t.Fitments[i].Line == 0 {
			t.Fitments[i].Pos = Pos{File: "fitments", Line: i + 1}
		}
	}
}

func newChecking(t *Tables) *checking {
	numberRows(t)
	c := &checking{t: t, problems: &Problems{}, names: map[string]map[string]bool{}, unsound: map[Pos]bool{}, r: newLookup(t)}
	for _, table := range t.All() {
		c.tables = append(c.tables, checkedTable{table, Columns(table.Rows.Type().Elem())})
	}
	for _, table := range c.tables {
		if len(table.columns) > 0 && slices.ContainsFunc(table.columns, func(col Column) bool { return col.Key }) {
			c.names[table.Name] = namesOf(table)
		}
	}
	c.names["cartridges"] = map[string]bool{}
	for _, x := range t.CoilCartridges {
		c.names["cartridges"][x.SKU] = true
	}
	for _, x := range t.AirCartridges {
		c.names["cartridges"][x.SKU] = true
	}
	c.names["spring_families"] = map[string]bool{}
	for _, x := range t.Springs {
		c.names["spring_families"][x.Family] = true
	}
	return c
}

// namesOf are the values of the first column of a table's key.
func namesOf(t checkedTable) map[string]bool {
	i := slices.IndexFunc(t.columns, func(c Column) bool { return c.Key })
	out := make(map[string]bool, t.Rows.Len())
	if t.Rows.Type().Elem().Field(t.columns[i].Field).Type.Kind() != reflect.String {
		return out
	}
	for n := range t.Rows.Len() {
		out[t.Rows.Index(n).Field(t.columns[i].Field).String()] = true
	}
	return out
}

// each visits the rows of every table but the fitments, which have checks of their own.
func (c *checking) each(visit func(t checkedTable, at Pos, row reflect.Value)) {
	for _, t := range c.tables {
		if len(t.columns) == 0 {
			continue
		}
		for i := range t.Rows.Len() {
			row := t.Rows.Index(i)
			visit(t, *row.Field(0).Addr().Interface().(*Pos), row)
		}
	}
}

// texts of a cell: one, or those of a list; empty ones left out.
func cellTexts(v reflect.Value) []string {
	switch v.Kind() {
	case reflect.String:
		if s := v.String(); s != "" {
			return []string{s}
		}
	case reflect.Slice:
		if list, ok := v.Interface().([]string); ok {
			return list
		}
	}
	return nil
}

func cellNumbers(v reflect.Value) []float64 {
	switch v.Kind() {
	case reflect.Float64:
		return []float64{v.Float()}
	case reflect.Int, reflect.Int16:
		return []float64{float64(v.Int())}
	case reflect.Pointer:
		if p, ok := v.Interface().(*float64); ok && p != nil {
			return []float64{*p}
		}
	case reflect.Slice:
		switch list := v.Interface().(type) {
		case []float64:
			return list
		case []int:
			out := make([]float64, len(list))
			for i, n := range list {
				out[i] = float64(n)
			}
			return out
		}
	}
	return nil
}

func notEmpty(c *checking) {
	for _, x := range []struct {
		file string
		rows int
	}{{"forks", len(c.t.Forks)}, {"parts", len(c.t.Parts)}} {
		if x.rows == 0 {
			c.bad(Pos{File: x.file}, "", "table_empty", "there are no %s; a catalog without them answers nothing", x.file)
		}
	}
}

func words(c *checking) {
	c.each(func(t checkedTable, at Pos, row reflect.Value) {
		for _, col := range t.columns {
			if col.Words == nil {
				continue
			}
			for _, s := range cellTexts(row.Field(col.Field)) {
				if !slices.Contains(col.Words, s) {
					c.bad(at, col.Name, "unknown_word", "%q is not a word for %s; use one of %s", s, col.Name, strings.Join(col.Words, ", "))
				}
			}
		}
	})
}

func required(c *checking) {
	c.each(func(t checkedTable, at Pos, row reflect.Value) {
		for _, col := range t.columns {
			v := row.Field(col.Field)
			if col.Required && (v.Kind() == reflect.String || v.Kind() == reflect.Slice) && v.Len() == 0 {
				c.bad(at, col.Name, "required", "%s may not be empty", col.Name)
			}
		}
	})
}

// codes checks that codes hold nothing that separates them from others: fitment rows write
// "maker/model", lists and requirements separate by ; : = and *.
func codes(c *checking) {
	told := func(at Pos, field, code, bad string) {
		if i := strings.IndexAny(code, bad); i >= 0 && c.sound(at) {
			c.bad(at, field, "bad_code", "%q holds %q, which separates codes elsewhere; write the code without it", code, code[i:i+1])
		}
	}
	for i := range c.t.Makers {
		told(c.t.Makers[i].Pos, "maker", c.t.Makers[i].Code, "/;\n\t")
	}
	for i := range c.t.Chassis {
		told(c.t.Chassis[i].Pos, "chassis", c.t.Chassis[i].Code, "/;\n\t")
	}
	for i := range c.t.Forks {
		told(c.t.Forks[i].Pos, "fork", c.t.Forks[i].ID, "/;\n\t")
	}
	for i := range c.t.Parts {
		told(c.t.Parts[i].Pos, "sku", c.t.Parts[i].SKU, ";:*\n\t")
	}
	for i := range c.t.ForkOptions {
		told(c.t.ForkOptions[i].Pos, "value", c.t.ForkOptions[i].Value, ";=\n\t")
	}
}

// ranges checks numbers. Zero stands for an empty cell where the cell may be empty.
func ranges(c *checking) {
	c.each(func(t checkedTable, at Pos, row reflect.Value) {
		for _, col := range t.columns {
			v := row.Field(col.Field)
			for _, n := range cellNumbers(v) {
				if math.IsNaN(n) || math.IsInf(n, 0) {
					c.bad(at, col.Name, "implausible", "%v is not a number that can be used", n)
				} else if (col.Least != 0 || col.Most != 0) && (n < col.Least || n > col.Most) && (n != 0 || col.Required) {
					c.bad(at, col.Name, "implausible", "%s is implausible for %s, which lies between %v and %v; %s", number(n), col.Name, col.Least, col.Most, suspect(n, col))
				}
			}
		}
	})
}

func number(v float64) string { return fmt.Sprintf("%.6g", v) }

// suspect guesses what happened to a number: the first factor that brings it into range.
func suspect(n float64, col Column) string {
	for _, guess := range []struct {
		factor float64
		text   string
	}{
		{25.4, "it looks like inches"}, {1 / 25.4, "it looks converted from inches twice"},
		{10, "it looks like centimeters, or a point one place off"}, {0.1, "the decimal point looks one place off"},
		{1000, "it looks like meters, liters or kilograms"}, {0.001, "it looks a thousand times too large"},
		{0.01, "the decimal point looks two places off"},
	} {
		if v := n * guess.factor; v >= col.Least && v <= col.Most && n != 0 {
			return guess.text + ": " + number(v) + " would be plausible"
		}
	}
	return "correct it"
}

func keys(c *checking) {
	for _, t := range c.tables {
		seen := map[string]Pos{}
		var names []string
		for _, col := range t.columns {
			if col.Key {
				names = append(names, col.Name)
			}
		}
		if len(names) == 0 {
			continue
		}
		var key strings.Builder
		for i := range t.Rows.Len() {
			row := t.Rows.Index(i)
			at := *row.Field(0).Addr().Interface().(*Pos)
			key.Reset()
			for _, col := range t.columns {
				if col.Key {
					fmt.Fprintf(&key, "%v\x00", row.Field(col.Field).Interface())
				}
			}
			if first, twice := seen[key.String()]; twice {
				c.bad(at, names[0], "same_key", "a row with the same %s is on line %d; delete one of the two", strings.Join(names, ", "), first.Line)
				continue
			}
			seen[key.String()] = at
		}
	}
}

func references(c *checking) {
	c.each(func(t checkedTable, at Pos, row reflect.Value) {
		for _, col := range t.columns {
			if col.Refers == "" {
				continue
			}
			for _, s := range cellTexts(row.Field(col.Field)) {
				if !c.names[col.Refers][s] && c.sound(at) {
					c.bad(at, col.Name, "unknown_"+col.Name, "%q is not in %s; correct it or add it there", s, col.Refers)
				}
			}
		}
	})
}

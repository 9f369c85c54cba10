package source

import (
	"bytes"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"forkwright/service/catalog"
)

// intake takes the rows of one file into one table.
type intake struct {
	r       *reading
	file    string
	columns []catalog.Column
	place   map[string]int // of a column by name
	comma   bool           // decimal comma is possible: the file's separator is another
	row     func()         // takes cells into the table
	size    int64          // of the file, as it says; 0: unknown
	passed  int64          // bytes of it that are taken

	line   int
	order  []int    // column of each cell of a line, -1 for none
	cells  [][]byte // by column; nil where the file has no such column
	broken bool     // something in the row could not be read
}

func newIntake(r *reading, file string, t catalog.Table) *intake {
	in := &intake{r: r, file: file, place: map[string]int{}}
	if t.Name == "fitments" {
		in.columns = fitmentColumns()
		in.row = in.fitment
	} else {
		in.columns = catalog.Columns(t.Rows.Type().Elem())
		in.row = func() { in.plain(t.Rows) }
	}
	for i, c := range in.columns {
		in.place[c.Name] = i
	}
	in.cells = make([][]byte, len(in.columns))
	return in
}

func (in *intake) at() catalog.Pos { return catalog.Pos{File: in.file, Line: in.line} }

// bad notes a cell that cannot be read.
func (in *intake) bad(column int, code, format string, args ...any) {
	in.broken = true
	in.r.problems.Add(in.at(), in.columns[column].Name, code, format, args...)
}

// header takes the names of the columns. False: the file cannot be used.
func (in *intake) header(line int, names []string) bool {
	in.line = line
	ok := true
	seen := map[string]bool{}
	in.order = make([]int, len(names))
	for i, name := range names {
		name = strings.ToLower(strings.TrimSpace(name))
		place, known := in.place[name]
		switch {
		case name == "":
			place = -1 // spreadsheets write columns that once held something
		case !known:
			in.r.refuse(in.at(), name, "unknown_column", "there is no column %q in this table; the columns are %s", name, strings.Join(in.names(), ", "))
			ok, place = false, -1
		case seen[name]:
			in.r.refuse(in.at(), name, "column_twice", "the column %q is there twice; delete one", name)
			ok, place = false, -1
		}
		seen[name] = true
		in.order[i] = place
	}
	for _, c := range in.columns {
		if c.Required && !seen[c.Name] {
			in.r.refuse(in.at(), c.Name, "missing_column", "the column %q is missing; add it", c.Name)
			ok = false
		}
	}
	return ok
}

func (in *intake) names() []string {
	names := make([]string, len(in.columns))
	for i, c := range in.columns {
		names[i] = c.Name
	}
	return names
}

// take takes a line's cells, in the order of the header.
func (in *intake) take(line int, cells [][]byte) {
	in.line, in.broken = line, false
	clear(in.cells)
	empty := true
	for i, cell := range cells {
		cell = trim(cell)
		if len(cell) == 0 {
			continue
		}
		empty = false
		if i >= len(in.order) || in.order[i] < 0 {
			in.r.problems.Add(in.at(), "", "cell_without_column", "%q stands under no column; a separator too many, or a missing column name", clip(cell))
			continue
		}
		in.cells[in.order[i]] = cell
	}
	if empty {
		return // the empty lines at the end of a spreadsheet
	}
	for i, c := range in.columns {
		if c.Required && len(in.cells[i]) == 0 {
			in.bad(i, "required", "%s may not be empty", c.Name)
		}
		if j := bytes.IndexFunc(in.cells[i], isControl); j >= 0 {
			in.bad(i, "control_character", "there is an invisible control character after %q; type the cell again", clip(in.cells[i][:j]))
		}
	}
	in.row()
}

func isControl(c rune) bool { return c < ' ' && c != '\n' && c != '\r' && c != '\t' || c == 0x7f }

func trim(cell []byte) []byte {
	if len(cell) == 0 || cell[0] > ' ' && cell[0] < utf8.RuneSelf && cell[len(cell)-1] > ' ' && cell[len(cell)-1] < utf8.RuneSelf {
		return cell
	}
	return bytes.TrimSpace(cell) // with the no-break space that web pages leave
}

// clip shortens a text for a message.
func clip(b []byte) string {
	const most = 40
	if len(b) <= most {
		return string(b)
	}
	return strings.ToValidUTF8(string(b[:most]), "") + "…"
}

// plain takes the cells into a new row of a slice of structs.
func (in *intake) plain(rows reflect.Value) {
	n := rows.Len()
	if n == rows.Cap() {
		rows.Grow(max(16, n/2))
	}
	rows.SetLen(n + 1)
	row := rows.Index(n)
	row.SetZero()
	*row.Field(0).Addr().Interface().(*catalog.Pos) = in.at()
	for i := range in.columns {
		if len(in.cells[i]) > 0 {
			in.set(row.Field(in.columns[i].Field), i)
		}
	}
}

func (in *intake) set(field reflect.Value, column int) {
	switch field.Kind() {
	case reflect.String:
		field.SetString(in.r.words.of(in.cells[column]))
	case reflect.Float64:
		field.SetFloat(in.number(column, in.cells[column]))
	case reflect.Int, reflect.Int16:
		bits := field.Type().Bits()
		field.SetInt(int64(in.whole(column, in.cells[column], min(bits, 32))))
	case reflect.Bool:
		field.SetBool(in.yes(column))
	case reflect.Pointer:
		v := in.number(column, in.cells[column])
		field.Set(reflect.ValueOf(&v))
	case reflect.Slice:
		in.setList(field, column)
	}
}

func (in *intake) setList(field reflect.Value, column int) {
	parts := list(in.cells[column])
	field.Set(reflect.MakeSlice(field.Type(), len(parts), len(parts)))
	for i, p := range parts {
		switch at := field.Index(i); at.Kind() {
		case reflect.String:
			at.SetString(in.r.words.of(p))
		case reflect.Float64:
			at.SetFloat(in.number(column, p))
		default:
			at.SetInt(int64(in.whole(column, p, 32)))
		}
	}
}

// list splits a cell at its semicolons; empty entries do not count.
func list(cell []byte) [][]byte {
	var out [][]byte
	for _, p := range bytes.Split(cell, []byte(";")) {
		if p = trim(p); len(p) > 0 {
			out = append(out, p)
		}
	}
	return out
}

// number reads a decimal number. A comma is a decimal comma where the file does not separate
// by it, unless exactly three digits follow: that could be thousands as well.
func (in *intake) number(column int, cell []byte) float64 {
	v, ok := plainNumber(cell)
	if ok {
		return v
	}
	before, after, comma := bytes.Cut(cell, []byte(","))
	if comma && in.comma && len(after) > 0 && isDigits(after) {
		if len(after) == 3 {
			in.bad(column, "number_ambiguous", "%q may be thousands or a decimal comma; write it with a point, or with another number of decimals", clip(cell))
			return 0
		}
		if v, ok := plainNumber(slices.Concat(before, []byte("."), after)); ok {
			return v
		}
	}
	in.bad(column, "not_a_number", "%q is not a number; write digits with a decimal point, no unit, and nothing for thousands", clip(cell))
	return 0
}

// plainNumber refuses what ParseFloat takes beyond a decimal number: hexadecimal, Inf, NaN, _.
func plainNumber(cell []byte) (float64, bool) {
	for _, c := range cell {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(string(cell), 64)
	return v, err == nil && !math.IsInf(v, 0)
}

func isDigits(b []byte) bool {
	for _, c := range b {
		if c < '0' || c > '9' {
			return false
		}
	}
	return true
}

// whole reads a whole number that fits into so many bits.
func (in *intake) whole(column int, cell []byte, bits int) int {
	if len(cell) <= 4 && isDigits(cell) { // years and travels, of which there are millions
		v := 0
		for _, c := range cell {
			v = v*10 + int(c-'0')
		}
		return v
	}
	v := in.number(column, cell)
	if v != math.Trunc(v) || math.Abs(v) >= math.Pow(2, float64(bits-1)) {
		in.bad(column, "not_a_whole_number", "%q is not a whole number of a sensible size", clip(cell))
		return 0
	}
	return int(v)
}

func (in *intake) yes(column int) bool {
	switch strings.ToLower(string(in.cells[column])) {
	case "yes", "true", "1":
		return true
	case "no", "false", "0":
		return false
	}
	in.bad(column, "not_yes_or_no", "%q is neither yes nor no", clip(in.cells[column]))
	return false
}

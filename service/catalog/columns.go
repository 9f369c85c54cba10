package catalog

import (
	"reflect"
	"slices"
	"strconv"
	"strings"
)

// Column is one column of a table, as the tags of its row type describe it.
type Column struct {
	Name     string
	Key      bool // part of the row's identity
	Required bool // may not be empty
	Words    []string
	Refers   string  // the table whose key the cell must name, if it is not empty
	Least    float64 // a number outside Least..Most is off by a unit or a digit; both 0: any
	Most     float64
	Field    int // of the row's struct
}

// Columns lists the columns of a row type. The tags: col is the name, and
// key, required or both;
// one is a closed set of words; ref is a table; in is the range in which a number is plausible.
func Columns(row reflect.Type) []Column {
	var out []Column
	for i := range row.NumField() {
		f := row.Field(i)
		tag, ok := f.Tag.Lookup("col")
		if !ok {
			continue
		}
		said := strings.Split(tag, ",")
		c := Column{Name: said[0], Key: slices.Contains(said, "key"), Required: slices.Contains(said, "required"),
			Refers: f.Tag.Get("ref"), Field: i}
		if words := f.Tag.Get("one"); words != "" {
			c.Words = strings.Split(words, "|")
		}
		if least, most, ok := strings.Cut(f.Tag.Get("in"), ".."); ok {
			c.Least, _ = strconv.ParseFloat(least, 64)
			c.Most, _ = strconv.ParseFloat(most, 64)
		}
		out = append(out, c)
	}
	return out
}

// Table is one table of a catalog.
type Table struct {
	Name string        // as its file is called, without the ending
	Rows reflect.Value // the slice of rows, settable
}

// All lists the tables of a catalog, in the order of Tables.
func (t *Tables) All() []Table {
	v := reflect.ValueOf(t).Elem()
	out := make([]Table, v.NumField())
	for i := range out {
		out[i] = Table{Name: v.Type().Field(i).Tag.Get("table"), Rows: v.Field(i)}
	}
	return out
}

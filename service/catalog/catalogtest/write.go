package catalogtest

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"

	"forkwright/service/catalog"
)

// WriteFolder writes a catalog as a folder of CSV files.
func WriteFolder(dir string, t *catalog.Tables) error {
	for _, table := range t.All() {
		f, err := os.Create(filepath.Join(dir, table.Name+".csv"))
		if err != nil {
			return err
		}
		w := bufio.NewWriterSize(f, 1<<20)
		err = WriteCSV(w, table)
		if err == nil {
			err = w.Flush()
		}
		if closed := f.Close(); err == nil {
			err = closed
		}
		if err != nil {
			return fmt.Errorf("writing %s: %w", table.Name, err)
		}
	}
	return nil
}

// WriteCSV writes one table.
func WriteCSV(w io.Writer, t catalog.Table) error {
	out := csv.NewWriter(w)
	names, row := Cells(t)
	if err := out.Write(names); err != nil {
		return err
	}
	for i := range t.Rows.Len() {
		if err := out.Write(row(i)); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// Cells are the names of a table's columns, and its rows as texts.
func Cells(t catalog.Table) (names []string, row func(i int) []string) {
	if t.Name == "fitments" {
		return strings.Split("row,part,level,target,verdict,year_from,year_to,travel_from_mm,travel_to_mm,reason,evidence,source,serial_from,serial_to,must,must_not,requires,requires_text", ","),
			func(i int) []string { return fitmentCells(t.Rows.Index(i).Addr().Interface().(*catalog.Fitment)) }
	}
	columns := catalog.Columns(t.Rows.Type().Elem())
	for _, c := range columns {
		names = append(names, c.Name)
	}
	return names, func(i int) []string {
		cells := make([]string, len(columns))
		for n, c := range columns {
			cells[n] = cell(t.Rows.Index(i).Field(c.Field), c.Required)
		}
		return cells
	}
}

func cell(v reflect.Value, required bool) string {
	if v.IsZero() && !required {
		return ""
	}
	switch v.Kind() {
	case reflect.String:
		return v.String()
	case reflect.Bool:
		return map[bool]string{true: "yes", false: "no"}[v.Bool()]
	case reflect.Float64:
		return strconv.FormatFloat(v.Float(), 'f', -1, 64)
	case reflect.Pointer:
		return cell(v.Elem(), true)
	case reflect.Slice:
		var parts []string
		for i := range v.Len() {
			parts = append(parts, cell(v.Index(i), true))
		}
		return strings.Join(parts, ";")
	}
	return strconv.FormatInt(v.Int(), 10)
}

func fitmentCells(f *catalog.Fitment) []string {
	whole := func(n int16) string {
		if n == 0 {
			return ""
		}
		return strconv.Itoa(int(n))
	}
	cells := []string{f.ID, f.Part, f.Level.String(), f.Target, f.Verdict.String(), whole(f.YearFrom), whole(f.YearTo), whole(f.TravelFromMM), whole(f.TravelToMM),
		f.Reason, f.Evidence, f.Source, "", "", "", "", "", ""}
	if c := f.Conditions; c != nil {
		cells[12], cells[13] = c.SerialFrom, c.SerialTo
		cells[14], cells[15] = factCell(c.Must), factCell(c.MustNot)
		var requires, texts []string
		for _, r := range c.Requires {
			what := r.Kind
			if r.Part != "" {
				what += ":" + r.Part
			}
			requires = append(requires, what+"*"+strconv.FormatFloat(r.Quantity, 'f', -1, 64))
			texts = append(texts, r.Text)
		}
		cells[16] = strings.Join(requires, ";")
		if strings.Join(texts, "") != "" {
			cells[17] = strings.Join(texts, ";")
		}
	}
	return cells
}

func factCell(facts []catalog.Fact) string {
	var parts []string
	for _, f := range facts {
		parts = append(parts, f.Name+"="+f.Value)
	}
	return strings.Join(parts, ";")
}

package source_test

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/xuri/excelize/v2"

	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
	"forkwright/service/catalog/source"
)

// everyFormat writes the same catalog as CSV, JSON and a workbook.
func everyFormat(t *testing.T, tables *catalog.Tables) map[string]fstest.MapFS {
	t.Helper()
	out := map[string]fstest.MapFS{"csv": {}, "json": {}, "xlsx": {}}
	book := excelize.NewFile()
	for _, table := range tables.All() {
		var text bytes.Buffer
		if err := catalogtest.WriteCSV(&text, table); err != nil {
			t.Fatal(err)
		}
		out["csv"][table.Name+".csv"] = &fstest.MapFile{Data: text.Bytes()}
		names, row := catalogtest.Cells(table)
		out["json"][table.Name+".json"] = &fstest.MapFile{Data: asJSON(t, names, row, table.Rows.Len())}
		asSheet(t, book, table.Name, names, row, table.Rows.Len())
	}
	if err := book.DeleteSheet("Sheet1"); err != nil {
		t.Fatal(err)
	}
	content, err := book.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	out["xlsx"][source.Workbook] = &fstest.MapFile{Data: content.Bytes()}
	return out
}

// asJSON writes numbers as numbers and lists as arrays, as a program would.
func asJSON(t *testing.T, names []string, row func(int) []string, n int) []byte {
	objects := []map[string]any{}
	for i := range n {
		object := map[string]any{}
		for k, cell := range row(i) {
			switch v, err := strconv.ParseFloat(cell, 64); {
			case cell == "":
			case strings.Contains(cell, ";") && names[k] != "requires_text":
				object[names[k]] = strings.Split(cell, ";")
			case err == nil && strconv.FormatFloat(v, 'f', -1, 64) == cell:
				object[names[k]] = v
			default:
				object[names[k]] = cell
			}
		}
		objects = append(objects, object)
	}
	text, err := json.MarshalIndent(objects, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// asSheet writes numbers as numbers, as a person's spreadsheet has them.
func asSheet(t *testing.T, book *excelize.File, sheet string, names []string, row func(int) []string, n int) {
	if _, err := book.NewSheet(sheet); err != nil {
		t.Fatal(err)
	}
	write := func(line int, cells []any) {
		if err := book.SetSheetRow(sheet, "A"+strconv.Itoa(line), &cells); err != nil {
			t.Fatal(err)
		}
	}
	var head []any
	for _, n := range names {
		head = append(head, n)
	}
	write(1, head)
	for i := range n {
		var cells []any
		for _, cell := range row(i) {
			if v, err := strconv.ParseFloat(cell, 64); err == nil && strconv.FormatFloat(v, 'f', -1, 64) == cell {
				cells = append(cells, v)
			} else {
				cells = append(cells, cell)
			}
		}
		write(i+2, cells)
	}
}

func TestEveryFormatSaysTheSame(t *testing.T) {
	want := catalogtest.Generate(1000, 5)
	formats := everyFormat(t, want)
	for name, fsys := range formats {
		t.Run(name, func(t *testing.T) {
			got, problems := source.Read(fsys)
			if len(problems) > 0 {
				t.Fatal(problems[0])
			}
			if name == "csv" {
				if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
					t.Error("with positions", d)
				}
			}
			if catalog.Digest(catalog.EncodeFitment(got)) != catalog.Digest(catalog.EncodeFitment(catalogtest.Generate(1000, 5))) {
				t.Error("the fitment part differs", cmp.Diff(want, got, cmpopts.EquateEmpty(), cmpopts.IgnoreTypes(catalog.Pos{})))
			}
			if catalog.Digest(catalog.EncodePrices(got)) != catalog.Digest(catalog.EncodePrices(catalogtest.Generate(1000, 5))) {
				t.Error("the price part differs")
			}
		})
	}
}

func TestAZippedFolderIsRead(t *testing.T) {
	want := catalogtest.Generate(500, 5)
	var content bytes.Buffer
	z := zip.NewWriter(&content)
	for name, file := range everyFormat(t, want)["csv"] {
		for path, data := range map[string][]byte{"shop catalog/" + name: file.Data, "__MACOSX/._" + name: {0}} {
			w, err := z.Create(path)
			if err == nil {
				_, err = w.Write(data)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	fsys, err := source.Zip(content.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	got, problems := source.Load(fsys)
	if len(problems) > 0 || len(got.Fitments) != len(want.Fitments) {
		t.Error(len(got.Fitments), problems)
	}
	if _, err := source.Zip([]byte("PK no zip")); err == nil {
		t.Error("what is no zip was taken")
	}
}

func places(problems []catalog.Problem) []string {
	var out []string
	for _, p := range problems {
		out = append(out, strings.Split(p.String(), ": ")[0]+" "+p.Code)
	}
	return out
}

func TestWhatIsWrongWithAJSONFileIsNamedByPlace(t *testing.T) {
	for name, tt := range map[string]struct {
		text string
		want []string
	}{
		"no array":          {`{"maker": "a"}`, []string{"makers.json:1 not_json"}},
		"broken":            {"[\n{\"maker\": \"a\", \"name\": \"b\"},\n{\"maker\" \"c\"}]", []string{"makers.json:3 not_json"}},
		"ends early":        {"[\n{\"maker\": \"a\", \"name\": \"b\"},", []string{"makers.json:2 not_json"}},
		"something after":   {"[] x", []string{"makers.json:1 not_json"}},
		"unknown member":    {"[\n{\"maker\": \"a\", \"name\": \"b\", \"color\": 1}]", []string{"makers.json:2:color unknown_column"}},
		"member twice":      {"[\n\n{\"maker\": \"a\", \"name\": \"b\", \"name\": \"c\"}]", []string{"makers.json:3:name column_twice"}},
		"missing member":    {"[{\"maker\": \"a\"}]", []string{"makers.json:1:name required"}},
		"null is empty":     {"[{\"maker\": \"a\", \"name\": null}]", []string{"makers.json:1:name required"}},
		"object for a cell": {"[{\"maker\": \"a\", \"name\": {}}]", []string{"makers.json:1 not_json"}},
		"latin-1":           {"[\n{\"maker\": \"a\", \"name\": \"b\xf6\"}]", []string{"makers.json:2 not_utf8"}},
		"byte order mark":   {"\ufeff[{\"maker\": \"a\", \"name\": \"b\"}]", nil},
	} {
		t.Run(name, func(t *testing.T) {
			_, problems := source.Read(fstest.MapFS{"makers.json": {Data: []byte(tt.text)}})
			if d := cmp.Diff(tt.want, places(problems)); d != "" {
				t.Error(d, problems)
			}
		})
	}
}

func TestWhatIsWrongWithAWorkbookIsNamedByPlace(t *testing.T) {
	book := excelize.NewFile()
	for cell, v := range map[string]any{"A1": "list", "B1": "currency", "C1": "audience", "D1": "basis", "E1": "valid_from",
		"A2": "eur", "B2": "EUR", "C2": "recommended", "D2": "net", "E2": 46023} { // 2026-01-01 as a spreadsheet counts days
		if err := book.SetCellValue("Sheet1", cell, v); err != nil {
			t.Fatal(err)
		}
	}
	if err := book.SetSheetName("Sheet1", "price_lists"); err != nil {
		t.Fatal(err)
	}
	for _, sheet := range []string{"notes", "openings"} {
		if _, err := book.NewSheet(sheet); err != nil {
			t.Fatal(err)
		}
		for cell, v := range map[string]any{"A1": "opening", "B1": "minutes", "C1": "labor", "A2": "cap", "B2": "many", "C2": "L"} {
			if err := book.SetCellValue(sheet, cell, v); err != nil {
				t.Fatal(err)
			}
		}
	}
	content, err := book.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	got, problems := source.Read(fstest.MapFS{"catalog.xlsx": {Data: content.Bytes()}, "price_lists.csv": {Data: []byte("list\n")}})
	want := []string{"catalog.xlsx/notes unknown_table", "catalog.xlsx/openings:2:minutes not_a_number", "price_lists.csv table_twice"}
	if d := cmp.Diff(want, places(problems)); d != "" {
		t.Error(d, problems)
	}
	if len(got.PriceLists) != 1 || got.PriceLists[0].ValidFrom != "2026-01-01" {
		t.Error(got.PriceLists)
	}
	_, problems = source.Read(fstest.MapFS{"catalog.xlsx": {Data: []byte("no workbook")}})
	if d := cmp.Diff([]string{"catalog.xlsx not_a_workbook"}, places(problems)); d != "" {
		t.Error(d)
	}
}

func TestNumbersOfAWorkbookAreAsTyped(t *testing.T) {
	book := excelize.NewFile()
	for cell, v := range map[string]any{"A1": "opening", "B1": "minutes", "C1": "labor", "A2": "cap", "C2": "LAB-1",
		"A3": "lowers", "B3": 0.28999999999999998, "C3": 2900000000018.0} {
		if err := book.SetCellValue("Sheet1", cell, v); err != nil {
			t.Fatal(err)
		}
	}
	if err := book.SetCellDefault("Sheet1", "B2", "3.2999999999999998"); err != nil {
		t.Fatal(err)
	}
	if err := book.SetSheetName("Sheet1", "openings"); err != nil {
		t.Fatal(err)
	}
	content, err := book.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	got, problems := source.Read(fstest.MapFS{"catalog.xlsx": {Data: content.Bytes()}})
	want := []catalog.Opening{{Opening: "cap", Minutes: 3.3, Labor: "LAB-1"}, {Opening: "lowers", Minutes: 0.29, Labor: "2900000000018"}}
	if d := cmp.Diff(want, got.Openings, cmpopts.IgnoreTypes(catalog.Pos{})); d != "" || len(problems) > 0 {
		t.Error(d, problems)
	}
}

// TestACellThatCannotBeReadIsToldOnce: what it would have meant to the rows is not told as well.
func TestACellThatCannotBeReadIsToldOnce(t *testing.T) {
	fsys := everyFormat(t, catalogtest.Generate(500, 2))["csv"]
	text := string(fsys["openings.csv"].Data)
	fsys["openings.csv"] = &fstest.MapFile{Data: []byte(text + "cap,5 min,\n")}
	_, problems := source.Load(fsys)
	if d := cmp.Diff([]string{"openings.csv:2:labor required", "openings.csv:2:minutes not_a_number"}, places(problems)); d != "" {
		t.Error(d, problems)
	}
}

// FuzzLoad: whatever stands in a file, it is read or its problems are told.
func FuzzLoad(f *testing.F) {
	f.Add("csv", "makers", "maker,name\na,b\n")
	f.Add("csv", "fitments", "row,part,level,target,verdict,reason,evidence,source,must,requires\nr,p,fork,f,fits,a,b,c,x=y,renew:p*2\n")
	f.Add("json", "springs", `[{"sku": "a", "rate": 1.5, "free_length_mm": "x"}]`)
	f.Add("json", "forks", `[{"fork": "a", "travels_mm": [1, 2], "wheel_sizes": ["29"]}]`)
	f.Add("csv", "contents", "kit;part;quantity;default\na;\"b\"\"\";1,5;yes\n")
	f.Fuzz(func(t *testing.T, ending, table, text string) {
		if ending != "csv" && ending != "json" {
			return
		}
		name := strings.Map(func(c rune) rune {
			if c == '_' || c >= 'a' && c <= 'z' {
				return c
			}
			return -1
		}, table) + "." + ending
		tables, problems := source.Load(fstest.MapFS{name: {Data: []byte(text)}})
		for _, p := range problems {
			if p.Code == "" || p.Text == "" || p.File == "" || p.Severity == "" {
				t.Errorf("a problem that says too little: %+v", p)
			}
		}
		if !catalog.HasErrors(problems) {
			catalog.Build(tables, 1)
		}
	})
}

// aWorkbook is a workbook with one empty table.
func aWorkbook(t testing.TB) []byte {
	t.Helper()
	book := excelize.NewFile()
	if err := book.SetSheetName("Sheet1", "makers"); err != nil {
		t.Fatal(err)
	}
	content, err := book.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	return content.Bytes()
}

// TestAMangledWorkbookIsRefusedOrRead: the fuzzer below watches all of the workbook library and
// makes a few runs a minute; this makes many, blindly.
func TestAMangledWorkbookIsRefusedOrRead(t *testing.T) {
	whole, r, refused := aWorkbook(t), rand.New(rand.NewPCG(1, 2)), 0
	for range 2000 {
		content := bytes.Clone(whole)
		for range 1 + r.IntN(8) {
			content[r.IntN(len(content))] ^= 1 << r.IntN(8)
		}
		if r.IntN(4) == 0 {
			content = content[:r.IntN(len(content))]
		}
		if _, problems := source.Load(fstest.MapFS{"catalog.xlsx": {Data: content}}); catalog.HasErrors(problems) {
			refused++
		}
	}
	if refused < 1000 {
		t.Errorf("only %d of 2000 were refused", refused)
	}
}

// FuzzWorkbook: a workbook comes from outside, in a zip in a zip.
func FuzzWorkbook(f *testing.F) {
	f.Add(aWorkbook(f))
	f.Fuzz(func(t *testing.T, content []byte) {
		source.Load(fstest.MapFS{"catalog.xlsx": {Data: content}})
		if fsys, err := source.Zip(content); err == nil {
			source.Load(fsys)
		}
	})
}

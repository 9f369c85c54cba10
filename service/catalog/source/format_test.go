package source

import (
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"forkwright/service/catalog"
)

var update = flag.Bool("update", false, "write the format's section of DEVELOPERS.md anew")

const (
	guide       = "../../../DEVELOPERS.md"
	formatBegin = "<!-- the catalog's tables: written by `go test ./service/catalog/source -run Documented -update` -->\n"
	formatEnd   = "<!-- end of the catalog's tables -->\n"
)

// TestEveryColumnIsDocumented compares the tables' section of DEVELOPERS.md with the tags and
// comments of the row types.
func TestEveryColumnIsDocumented(t *testing.T) {
	want := describeTables(t)
	content, err := os.ReadFile(guide)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(content), formatBegin)
	have, after, ended := strings.Cut(rest, formatEnd)
	if !ok || !ended {
		t.Fatalf("%s has no section between %q and %q", guide, formatBegin, formatEnd)
	}
	if have == want {
		return
	}
	if !*update {
		t.Fatalf("the tables' section of %s is not what types.go and fitments.go say; run the test with -update and read the difference", guide)
	}
	if err := os.WriteFile(guide, []byte(before+formatBegin+want+formatEnd+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

// describeTables writes a heading, the type's comment and a line a column for each table.
func describeTables(t *testing.T) string {
	rows, fields := comments(t, "../types.go")
	var out strings.Builder
	for _, table := range (&catalog.Tables{}).All() {
		row := table.Rows.Type().Elem()
		fmt.Fprintf(&out, "\n#### %s\n\n%s\n\n| Column | Cell | Meaning |\n|---|---|---|\n", table.Name, strings.Join(strings.Fields(rows[row.Name()]), " "))
		if table.Name == "fitments" {
			describeFitments(t, &out)
			continue
		}
		for _, c := range catalog.Columns(row) {
			meaning := fields[row.Name()+"."+row.Field(c.Field).Name]
			if meaning == "" {
				t.Errorf("types.go: %s.%s has no comment behind it that says what it means", row.Name(), row.Field(c.Field).Name)
			}
			fmt.Fprintf(&out, "| %s | %s | %s |\n", columnName(c), cell(c, row.Field(c.Field).Type), escape(meaning))
		}
	}
	out.WriteString("\n")
	return out.String()
}

// describeFitments takes the columns of the one table that is not described by tags.
func describeFitments(t *testing.T, out *strings.Builder) {
	said := constants(t, "fitments.go")
	columns := fitmentColumns()
	if len(said) != len(columns) {
		t.Fatalf("fitments.go comments %d of %d columns", len(said), len(columns))
	}
	for i, c := range columns {
		kind, meaning, ok := strings.Cut(said[i], "; ")
		if !ok {
			t.Errorf("fitments.go: the comment behind the column %s is not “kind; meaning”", c.Name)
		}
		fmt.Fprintf(out, "| %s | %s | %s |\n", columnName(c), escape(kind), escape(meaning))
	}
}

func columnName(c catalog.Column) string {
	name := "`" + c.Name + "`"
	if c.Key {
		name = "**" + name + "**"
	}
	if !c.Required {
		name += ", may be empty"
	}
	return name
}

// cell says what stands in a column: the type and what it is held to.
func cell(c catalog.Column, typ reflect.Type) string {
	said, one := "text", typ
	if typ.Kind() == reflect.Slice || typ.Kind() == reflect.Pointer {
		one = typ.Elem()
	}
	switch one.Kind() {
	case reflect.Float64:
		said = "number"
	case reflect.Int, reflect.Int16:
		said = "whole number"
	case reflect.Bool:
		said = "yes or no"
	}
	switch {
	case len(c.Words) > 0:
		said = "one of " + strings.Join(c.Words, ", ")
	case c.Refers != "":
		said = "key of " + c.Refers
	case c.Most > 0:
		said += fmt.Sprintf(", %v to %v", c.Least, c.Most)
	}
	if typ.Kind() == reflect.Slice {
		said = "list; " + said
	}
	return said
}

func escape(s string) string { return strings.ReplaceAll(s, "|", `\|`) }

// comments reads the comment above each row type and behind each of its fields.
func comments(t *testing.T, file string) (rows, fields map[string]string) {
	rows, fields = map[string]string{}, map[string]string{}
	for _, d := range parse(t, file).Decls {
		g, ok := d.(*ast.GenDecl)
		if !ok {
			continue
		}
		for _, s := range g.Specs {
			spec, ok := s.(*ast.TypeSpec)
			if !ok {
				continue
			}
			rows[spec.Name.Name] = g.Doc.Text()
			if row, ok := spec.Type.(*ast.StructType); ok {
				for _, f := range row.Fields.List {
					for _, n := range f.Names {
						fields[spec.Name.Name+"."+n.Name] = strings.TrimSpace(f.Comment.Text())
					}
				}
			}
		}
	}
	return rows, fields
}

// constants reads the comments behind the constants of the first block of a file.
func constants(t *testing.T, file string) []string {
	decls := parse(t, file).Decls
	i := slices.IndexFunc(decls, func(d ast.Decl) bool { g, ok := d.(*ast.GenDecl); return ok && g.Tok == token.CONST })
	if i < 0 {
		t.Fatalf("%s has no constants", file)
	}
	var out []string
	for _, s := range decls[i].(*ast.GenDecl).Specs {
		out = append(out, strings.TrimSpace(s.(*ast.ValueSpec).Comment.Text()))
	}
	return out
}

func parse(t *testing.T, file string) *ast.File {
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// Package source reads a catalog from a folder or a zip: one file per table as CSV or JSON,
// or one workbook with a sheet per table. It reports every problem at once.
package source

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"forkwright/service/catalog"
)

// Workbook is the name of the workbook that holds a sheet per table.
const Workbook = "catalog.xlsx"

// maxFileBytes bounds one file after unpacking: a zip of a few kilobytes can hold much more
// than a machine does.
const maxFileBytes = 1 << 30

// Load reads a catalog and checks it. Where a file could not be read as a table the rows are
// not checked against each other: what a missing table would make of the rest is only noise.
func Load(fsys fs.FS) (*catalog.Tables, []catalog.Problem) {
	t, problems, whole := read(fsys)
	if !whole {
		return t, problems
	}
	told := map[[3]string]bool{}
	place := func(p catalog.Problem) [3]string { return [3]string{p.File, fmt.Sprint(p.Line), p.Field} }
	for _, p := range problems {
		told[place(p)] = true
	}
	for _, p := range catalog.Check(t) {
		if p.Field == "" || !told[place(p)] { // a cell that could not be read is told once
			problems = append(problems, p)
		}
	}
	catalog.SortProblems(problems)
	return t, problems
}

// Read reads a catalog without checking rows against each other. The tables hold what could
// be read; they are of use only where no problem is an error.
func Read(fsys fs.FS) (*catalog.Tables, []catalog.Problem) {
	t, problems, _ := read(fsys)
	return t, problems
}

// Zip is the file system of a zipped folder, to be given to Read or Load.
func Zip(content []byte) (fs.FS, error) {
	z, err := zip.NewReader(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		return nil, fmt.Errorf("reading the zip: %w", err)
	}
	return z, nil
}

// reading is one catalog being read.
type reading struct {
	tables   *catalog.Tables
	problems *catalog.Problems
	words    words
	from     map[string]string // which file a table came from
	whole    bool              // every file could be read as a table
}

func read(fsys fs.FS) (*catalog.Tables, []catalog.Problem, bool) {
	r := &reading{tables: &catalog.Tables{}, problems: &catalog.Problems{}, words: words{}, from: map[string]string{}, whole: true}
	fsys, names, err := files(fsys)
	if err != nil {
		r.refuse(catalog.Pos{File: "."}, "", "unreadable_folder", "the folder cannot be read: %v", err)
	}
	for _, name := range names {
		r.file(fsys, name)
	}
	if r.whole && len(r.from) == 0 {
		r.refuse(catalog.Pos{File: "."}, "", "no_tables", "there is no table here; a catalog is a folder with one file per table, such as forks.csv or forks.json, or a %s", Workbook)
	}
	return r.tables, r.problems.Sorted(), r.whole
}

// files lists the files of a catalog; a zip of a folder holds the folder, so one folder and
// nothing else is looked into.
func files(fsys fs.FS) (fs.FS, []string, error) {
	for range 3 {
		entries, err := fs.ReadDir(fsys, ".")
		if err != nil {
			return fsys, nil, err
		}
		var names, folders []string
		for _, e := range entries {
			switch {
			case strings.HasPrefix(e.Name(), ".") || strings.HasPrefix(e.Name(), "__") || strings.HasPrefix(e.Name(), "~$"):
			case e.IsDir():
				folders = append(folders, e.Name())
			default:
				names = append(names, e.Name())
			}
		}
		if len(names) > 0 || len(folders) != 1 {
			slices.Sort(names)
			return fsys, names, nil
		}
		if fsys, err = fs.Sub(fsys, folders[0]); err != nil {
			return fsys, nil, err
		}
	}
	return fsys, nil, nil
}

// refuse notes that a file or its header cannot be used.
func (r *reading) refuse(at catalog.Pos, field, code, format string, args ...any) {
	r.whole = false
	r.problems.Add(at, field, code, format, args...)
}

func (r *reading) file(fsys fs.FS, name string) {
	ending := strings.ToLower(path.Ext(name))
	if ending != ".csv" && ending != ".json" && ending != ".xlsx" {
		return // a note beside the tables
	}
	content, err := fsys.Open(name)
	if err != nil {
		r.refuse(catalog.Pos{File: name}, "", "unreadable_file", "the file cannot be opened: %v", err)
		return
	}
	defer content.Close()
	limited := &bounded{r: content}
	var size int64
	if info, err := content.Stat(); err == nil {
		size = info.Size()
	}
	if ending == ".xlsx" {
		r.workbook(name, limited)
		return
	}
	in := r.table(catalog.Pos{File: name}, strings.TrimSuffix(name, path.Ext(name)), ending)
	if in == nil {
		return
	}
	in.size = size
	if ending == ".csv" {
		in.csv(limited)
	} else {
		in.json(limited)
	}
}

// table prepares to take rows of a table; nil where there is no such table or it came before.
func (r *reading) table(at catalog.Pos, name, what string) *intake {
	i := slices.IndexFunc(r.tables.All(), func(t catalog.Table) bool { return t.Name == name })
	if i < 0 {
		r.refuse(at, "", "unknown_table", "%q is not a table of a catalog; rename it to one of %s, or keep it elsewhere", name, strings.Join(tableNames(), ", "))
		return nil
	}
	if other, twice := r.from[name]; twice {
		r.refuse(at, "", "table_twice", "the table %s is in %s too; keep one of the two", name, other)
		return nil
	}
	r.from[name] = at.File + " (" + what + ")"
	return newIntake(r, at.File, r.tables.All()[i])
}

func tableNames() []string {
	var names []string
	for _, t := range (&catalog.Tables{}).All() {
		names = append(names, t.Name)
	}
	return names
}

// bounded fails, rather than ends, after maxFileBytes.
type bounded struct {
	r      io.Reader
	passed int64
}

func (b *bounded) Read(p []byte) (int, error) {
	if b.passed >= maxFileBytes {
		return 0, fmt.Errorf("the file is longer than %d bytes", maxFileBytes)
	}
	n, err := b.r.Read(p[:min(int64(len(p)), maxFileBytes-b.passed)])
	b.passed += int64(n)
	return n, err
}

// words keeps one copy of each text: a million rows name few parts and fewer sources.
type words map[string]string

func (w words) of(b []byte) string {
	if s, ok := w[string(b)]; ok { // no allocation: the compiler sees the lookup
		return s
	}
	s := string(b)
	w[s] = s
	return s
}

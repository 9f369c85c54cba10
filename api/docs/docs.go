// Package docs is the documentation that the binary serves itself: the
// interactive reference of openapi.yaml, the written pages, and a table of who
// may do what, made from the route table.
//
// A written page is a file pages/NAME.html: a fragment whose first line is its
// heading, `<h1>Title</h1>`. It appears at /docs/NAME and in the list of pages.
// No page loads anything from another server.
package docs

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
)

//go:embed pages/*.html own/* viewer/*
var files embed.FS

// Operation is one line of the roles page.
type Operation struct {
	Method, Path, ID string
	Roles            []string // none: public
}

// File is one answer under /docs.
type File struct {
	ContentType string
	Body        []byte
	Gzipped     []byte // nil when it is not kept compressed
	ETag        string
	Page        bool // a written page
	Viewer      bool // the reference, which runs scripts
}

// Site is everything under /docs, made once.
type Site struct {
	files map[string]File
}

// MediaTypes lists what files under /docs can be, pages first.
func MediaTypes() []string {
	return []string{"text/html", "text/css", "text/javascript", "text/plain"}
}

// New makes the site for the operations of the route table.
func New(operations []Operation) (*Site, error) {
	s := &Site{files: map[string]File{}}
	layout, err := template.ParseFS(files, "own/*.tmpl")
	if err != nil {
		return nil, err
	}
	pages, err := writtenPages()
	if err != nil {
		return nil, err
	}
	roles, err := render(layout, "roles.tmpl", rolesOf(operations))
	if err != nil {
		return nil, err
	}
	pages = append(pages, page{Name: "roles", Title: "Who may do what", Body: template.HTML(roles)})
	for _, p := range pages {
		html, err := render(layout, "page.tmpl", struct {
			page
			Pages []page
		}{p, pages})
		if err != nil {
			return nil, err
		}
		s.add(p.Name, File{ContentType: "text/html; charset=utf-8", Body: html, Page: true})
	}
	index, err := render(layout, "index.tmpl", struct{ Pages []page }{pages})
	if err != nil {
		return nil, err
	}
	s.add("index", File{ContentType: "text/html; charset=utf-8", Body: index, Viewer: true})
	return s, s.addAssets()
}

// File finds one by the last part of its path.
func (s *Site) File(name string) (File, bool) {
	f, ok := s.files[name]
	return f, ok
}

// Names lists the files, sorted.
func (s *Site) Names() []string {
	var names []string
	for name := range s.files {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func (s *Site) add(name string, f File) {
	sum := sha256.Sum256(f.Body)
	f.ETag = hex.EncodeToString(sum[:8])
	s.files[name] = f
}

type page struct {
	Name  string
	Title string
	Body  template.HTML
}

var heading = regexp.MustCompile(`^<h1>([^<]+)</h1>\n`)

func writtenPages() ([]page, error) {
	names, err := fs.Glob(files, "pages/*.html")
	if err != nil {
		return nil, err
	}
	var pages []page
	for _, name := range names {
		body, err := files.ReadFile(name)
		if err != nil {
			return nil, err
		}
		title := heading.FindSubmatch(body)
		if title == nil {
			return nil, fmt.Errorf("%s must begin with a line <h1>Title</h1>", name)
		}
		pages = append(pages, page{
			Name:  strings.TrimSuffix(path.Base(name), ".html"),
			Title: string(title[1]),
			Body:  template.HTML(body[len(title[0]):]), // our own files, not a stranger's text
		})
	}
	return pages, nil
}

func render(t *template.Template, name string, data any) ([]byte, error) {
	var out bytes.Buffer
	err := t.ExecuteTemplate(&out, name, data)
	return out.Bytes(), err
}

// roleTable is the roles page: a column a role, a row an operation.
type roleTable struct {
	Roles []string
	Rows  []roleRow
}

type roleRow struct {
	Operation
	May []string // one word a column
}

func rolesOf(operations []Operation) roleTable {
	var t roleTable
	for _, o := range operations {
		for _, r := range o.Roles {
			if !slices.Contains(t.Roles, r) {
				t.Roles = append(t.Roles, r)
			}
		}
	}
	slices.Sort(t.Roles)
	for _, o := range operations {
		row := roleRow{Operation: o}
		for _, r := range t.Roles {
			may := ""
			if len(o.Roles) == 0 || slices.Contains(o.Roles, r) {
				may = "yes"
			}
			row.May = append(row.May, may)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

var contentTypes = map[string]string{
	".js":  "text/javascript; charset=utf-8",
	".css": "text/css; charset=utf-8",
	"":     "text/plain; charset=utf-8",
	".txt": "text/plain; charset=utf-8",
}

// addAssets adds the scripts, styles and licenses. The viewer's large files are
// kept compressed in the binary.
func (s *Site) addAssets() error {
	return fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(name, "pages/") || path.Ext(name) == ".tmpl" {
			return err
		}
		body, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		var f File
		base := path.Base(name)
		if plain, ok := strings.CutSuffix(base, ".gz"); ok {
			base, f.Gzipped = plain, body
			if body, err = gunzip(body); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
		f.ContentType, f.Body = contentTypes[path.Ext(base)], body
		s.add(base, f)
		return nil
	})
}

func gunzip(b []byte) ([]byte, error) {
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}

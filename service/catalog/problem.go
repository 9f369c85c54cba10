package catalog

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Severity says whether a problem keeps a catalog out.
type Severity string

// An Error keeps the catalog out; a Warning is for the keeper to look at.
const (
	Error   Severity = "error"
	Warning Severity = "warning"
)

// Problem is one thing wrong with a catalog: where it is, and what to do about it.
type Problem struct {
	File     string   `json:"file"`
	Line     int      `json:"line,omitempty"`  // 0: the file as a whole
	Field    string   `json:"field,omitempty"` // column; empty: the row as a whole
	Code     string   `json:"code"`            // stable, snake_case
	Text     string   `json:"text"`            // for the keeper of the catalog: what is wrong and what to do
	Severity Severity `json:"severity"`
}

// String is the problem on one line, as "forks.csv:12:chassis: error: … [unknown_chassis]".
func (p Problem) String() string {
	var where strings.Builder
	where.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&where, ":%d", p.Line)
	}
	if p.Field != "" {
		where.WriteString(":" + p.Field)
	}
	return fmt.Sprintf("%s: %s: %s [%s]", where.String(), p.Severity, p.Text, p.Code)
}

// HasErrors reports whether any of the problems keeps the catalog out.
func HasErrors(problems []Problem) bool {
	return slices.ContainsFunc(problems, func(p Problem) bool { return p.Severity == Error })
}

// SortProblems orders problems by file, line, field and code, in place.
func SortProblems(problems []Problem) {
	slices.SortStableFunc(problems, func(a, b Problem) int {
		return cmp.Or(strings.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), strings.Compare(a.Field, b.Field),
			strings.Compare(a.Code, b.Code), strings.Compare(a.Text, b.Text))
	})
}

// sameProblemMost is how many problems of one code are told one by one in one file. A
// column off by one in a million rows is one mistake; a list of a million lines hides it.
const sameProblemMost = 1000

// Problems collects problems. The zero value is ready.
type Problems struct {
	list  []Problem
	count map[[2]string]int // by file and code
}

// Add notes an error at a row.
func (p *Problems) Add(at Pos, field, code, format string, args ...any) {
	p.add(at, field, code, Error, format, args)
}

// Warn notes a warning at a row.
func (p *Problems) Warn(at Pos, field, code, format string, args ...any) {
	p.add(at, field, code, Warning, format, args)
}

func (p *Problems) add(at Pos, field, code string, s Severity, format string, args []any) {
	if p.count == nil {
		p.count = map[[2]string]int{}
	}
	key := [2]string{at.File, code}
	p.count[key]++
	if p.count[key] > sameProblemMost {
		return
	}
	p.list = append(p.list, Problem{File: at.File, Line: at.Line, Field: field, Code: code, Severity: s, Text: fmt.Sprintf(format, args...)})
}

// Sorted returns what was noted, sorted; where one file has very many of a code, the first
// thousand and how many more there are.
func (p *Problems) Sorted() []Problem {
	out := slices.Clone(p.list)
	for key, n := range p.count {
		if n <= sameProblemMost {
			continue
		}
		worst := Warning
		for _, x := range p.list {
			if x.File == key[0] && x.Code == key[1] && x.Severity == Error {
				worst = Error
			}
		}
		out = append(out, Problem{File: key[0], Code: key[1], Severity: worst,
			Text: fmt.Sprintf("%d more of this kind in this file; correct those listed before counting again", n-sameProblemMost)})
	}
	SortProblems(out)
	return out
}

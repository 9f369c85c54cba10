package bench

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"

	"forkwright/api/page/chart"
)

//go:embed sheet.html
var sheetHTML string

//go:embed sheet.css
var sheetCSS string

var sheetTemplate = template.Must(template.New("bench").Funcs(template.FuncMap{"plain": chart.Plain, "long": longCode}).Parse(sheetHTML))

// longCode reports whether a code must be broken to fit its line; a shorter one stays whole.
func longCode(s string) bool { return len(s) > 40 }

// HTML sets a sheet as a page that stands alone: its own style, no script, nothing loaded from
// anywhere. It needs the headers of a page (edge.PageCSP). The same sheet gives the same bytes.
func (s Sheet) HTML() ([]byte, error) {
	size := "A4"
	if s.Paper == "Letter" {
		size = "letter"
	}
	v := struct {
		Sheet
		CSS        template.CSS
		LegsSVG    template.HTML
		ChartSVG   template.HTML
		LegsInText string
	}{Sheet: s, CSS: template.CSS(sheetCSS + "@page{size:" + size + ";margin:12mm 14mm 14mm}"), LegsInText: s.Legs.Desc()} //nolint:gosec // ours, and one of two words
	v.LegsSVG = template.HTML(s.Legs.SVG()) //nolint:gosec // drawn here, all text escaped
	if s.Chart != nil {
		v.ChartSVG = template.HTML(s.Chart.SVG()) //nolint:gosec // drawn here, all text escaped
	}
	var b bytes.Buffer
	if err := sheetTemplate.Execute(&b, v); err != nil {
		return nil, fmt.Errorf("laying out a bench sheet: %w", err)
	}
	return b.Bytes(), nil
}

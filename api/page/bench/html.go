package bench

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"

	"github.com/a-h/templ"
)

//go:embed sheet.css
var sheetCSS string

// The style of a sheet on either paper. It is ours as it stands.
var onA4, onLetter = style("A4"), style("letter")

func style(size string) templ.Component {
	return templ.Raw("<style>" + sheetCSS + "@page{size:" + size + ";margin:12mm 14mm 14mm}</style>")
}

// longCode is how many bytes of a code fit its line; a longer one is broken.
const longCode = 40

// HTML sets a sheet as a page that stands alone: its own style, no script, nothing loaded from
// anywhere. It needs the headers of a page (edge.PageCSP). The same sheet gives the same bytes.
func (s Sheet) HTML() ([]byte, error) {
	style := onA4
	if s.Paper == "Letter" {
		style = onLetter
	}
	var b bytes.Buffer
	if err := page(&s, style).Render(context.Background(), &b); err != nil {
		return nil, fmt.Errorf("laying out a bench sheet: %w", err)
	}
	return b.Bytes(), nil
}

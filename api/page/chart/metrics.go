package chart

import (
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// metrics measures text in the Go fonts.
type metrics struct {
	regular, bold *face
	buf           sfnt.Buffer
}

// face is a font with the widths of what is nearly all text, per em, looked up before.
type face struct {
	font  *sfnt.Font // nil: nothing is known, and text measures 0
	ascii [128]fixed.Int26_6
}

const em = 1000

var regular, bold = sync.OnceValue(func() *face { return newFace(goregular.TTF) }), sync.OnceValue(func() *face { return newFace(gobold.TTF) })

func newFace(ttf []byte) *face {
	f, err := sfnt.Parse(ttf)
	if err != nil { // both are part of the program and always parse
		return &face{}
	}
	out := &face{font: f}
	var buf sfnt.Buffer
	for r := range out.ascii {
		out.ascii[r] = out.lookUp(&buf, rune(r))
	}
	return out
}

func (f *face) lookUp(buf *sfnt.Buffer, r rune) fixed.Int26_6 {
	if f.font == nil {
		return 0
	}
	i, err := f.font.GlyphIndex(buf, r)
	if err != nil {
		return 0
	}
	a, err := f.font.GlyphAdvance(buf, i, fixed.I(em), font.HintingNone)
	if err != nil {
		return 0
	}
	return a
}

func newMetrics() *metrics { return &metrics{regular: regular(), bold: bold()} }

// width is the width of a text in mm.
func (m *metrics) width(t Type, text string) float64 {
	f := m.regular
	if t.Bold {
		f = m.bold
	}
	sum := fixed.Int26_6(0)
	for _, r := range text {
		if int(r) < len(f.ascii) {
			sum += f.ascii[r]
		} else {
			sum += f.lookUp(&m.buf, r)
		}
	}
	return float64(sum) / 64 / em * t.Points * mmPerPoint
}

package chart

import (
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// metrics measures text in the Go fonts.
type metrics struct {
	regular, bold *sfnt.Font
	buf           sfnt.Buffer
}

func newMetrics() *metrics {
	// Both are part of the program and always parse; without them texts measure 0.
	r, _ := sfnt.Parse(goregular.TTF)
	b, _ := sfnt.Parse(gobold.TTF)
	return &metrics{regular: r, bold: b}
}

// width is the width of a text in mm.
func (m *metrics) width(t Type, text string) float64 {
	f := m.regular
	if t.Bold {
		f = m.bold
	}
	const em = 1000
	sum := fixed.Int26_6(0)
	for _, r := range text {
		i, err := f.GlyphIndex(&m.buf, r)
		if err != nil {
			continue
		}
		if a, err := f.GlyphAdvance(&m.buf, i, fixed.I(em), font.HintingNone); err == nil {
			sum += a
		}
	}
	return float64(sum) / 64 / em * t.Points * mmPerPoint
}

package chart

import (
	"html"
	"math"
	"strconv"
)

// svg is a canvas that writes SVG with attributes only: no style, no script, nothing loaded
// from anywhere.
type svg struct {
	text
	clips int
	id    string // before all ids, so that two pictures can stand in one page
}

func (c *svg) Fill(outline []Pt, ink Ink) {
	c.s(`<path d="`).path(outline).s(`Z" fill="`).hex(ink).s("\"/>\n")
}

func (c *svg) Line(through []Pt, pen Pen) {
	c.s(`<path d="`).path(through).s(`" fill="none" stroke="`).hex(pen.Ink).s(`" stroke-width="`).mm(pen.Width).s(`" stroke-linejoin="round"`)
	for i, d := range pen.Dash {
		if i == 0 {
			c.s(` stroke-dasharray="`)
		} else {
			c.s(" ")
		}
		c.mm(d)
	}
	if len(pen.Dash) > 0 {
		c.s(`"`)
	}
	c.s("/>\n")
}

func (c *svg) Text(at Pt, t Type, text string) {
	c.s(`<text x="`).mm(at.X).s(`" y="`).mm(at.Y).s(`" font-size="`).mm(t.Points * mmPerPoint).s(`" fill="`).hex(t.Ink).s(`"`)
	switch t.Align {
	case Middle:
		c.s(` text-anchor="middle"`)
	case End:
		c.s(` text-anchor="end"`)
	}
	if t.Bold {
		c.s(` font-weight="bold"`)
	}
	if t.Halo {
		c.s(` stroke="`).hex(white).s(`" stroke-width="0.9" stroke-linejoin="round" paint-order="stroke"`)
	}
	c.s(">").s(escape(text)).s("</text>\n")
}

func (c *svg) Clip(b Box) {
	c.clips++
	name := c.id + "-clip" + strconv.Itoa(c.clips)
	c.s(`<clipPath id="`).s(name).s(`"><path d="`).path(b.outline()).s(`Z"/></clipPath><g clip-path="url(#`).s(name).s(")\">\n")
}

func (c *svg) EndClip() { c.s("</g>\n") }

// picture puts a drawing into an SVG document with its words for those who cannot see it.
func picture(id string, w, h float64, title, desc string, draw func(Canvas)) []byte {
	c := &svg{id: id, text: make(text, 0, 16<<10)}
	c.s(`<svg xmlns="http://www.w3.org/2000/svg" width="`).mm(w).s(`mm" height="`).mm(h).s(`mm" viewBox="0 0 `).mm(w).s(" ").mm(h)
	c.s(`" role="img" aria-labelledby="`).s(id).s(`-title `).s(id).s(`-desc" font-family="Go, 'DejaVu Sans', Verdana, 'Segoe UI', sans-serif">` + "\n")
	c.s(`<title id="`).s(id).s(`-title">`).s(escape(title)).s("</title>\n")
	c.s(`<desc id="`).s(id).s(`-desc">`).s(escape(desc)).s("</desc>\n")
	c.s(`<path d="M0 0H`).mm(w).s("V").mm(h).s(`H0Z" fill="#ffffff"/>` + "\n")
	draw(c)
	c.s("</svg>\n")
	return c.text
}

// text grows by pieces.
type text []byte

func (t *text) s(piece string) *text {
	*t = append(*t, piece...)
	return t
}

// mm writes a length with two decimals, which is finer than any printer.
func (t *text) mm(v float64) *text {
	b, hundredths := *t, int64(math.Round(v*100))
	if hundredths < 0 {
		b, hundredths = append(b, '-'), -hundredths
	}
	b = strconv.AppendInt(b, hundredths/100, 10)
	if rest := hundredths % 100; rest != 0 {
		b = append(b, '.', '0'+byte(rest/10))
		if rest%10 != 0 {
			b = append(b, '0'+byte(rest%10))
		}
	}
	*t = b
	return t
}

func (t *text) path(pts []Pt) *text {
	for i, p := range pts {
		if i == 0 {
			t.s("M")
		} else {
			t.s("L")
		}
		t.mm(p.X).s(" ").mm(p.Y)
	}
	return t
}

func (t *text) hex(i Ink) *text {
	const digits = "0123456789abcdef"
	*t = append(*t, '#')
	for _, v := range i {
		*t = append(*t, digits[v>>4], digits[v&15])
	}
	return t
}

// escape makes text harmless in XML: markup is escaped, and characters that XML does not know
// are left out.
func escape(s string) string { return html.EscapeString(Plain(s)) }

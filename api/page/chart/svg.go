package chart

import (
	"fmt"
	"html"
	"strconv"
	"strings"
)

// svg is a canvas that writes SVG with attributes only: no style, no script, nothing loaded
// from anywhere.
type svg struct {
	b     strings.Builder
	clips int
	id    string // before all ids, so that two pictures can stand in one page
}

func (c *svg) Fill(outline []Pt, ink Ink) {
	fmt.Fprintf(&c.b, `<path d="%sZ" fill="%s"/>`+"\n", path(outline), hex(ink))
}

func (c *svg) Line(through []Pt, pen Pen) {
	fmt.Fprintf(&c.b, `<path d="%s" fill="none" stroke="%s" stroke-width="%s" stroke-linejoin="round"`, path(through), hex(pen.Ink), mm(pen.Width))
	if len(pen.Dash) > 0 {
		parts := make([]string, len(pen.Dash))
		for i, d := range pen.Dash {
			parts[i] = mm(d)
		}
		fmt.Fprintf(&c.b, ` stroke-dasharray="%s"`, strings.Join(parts, " "))
	}
	c.b.WriteString("/>\n")
}

func (c *svg) Text(at Pt, t Type, text string) {
	fmt.Fprintf(&c.b, `<text x="%s" y="%s" font-size="%s" fill="%s"`, mm(at.X), mm(at.Y), mm(t.Points*mmPerPoint), hex(t.Ink))
	if t.Align != Start {
		fmt.Fprintf(&c.b, ` text-anchor="%s"`, [...]string{"start", "middle", "end"}[t.Align])
	}
	if t.Bold {
		c.b.WriteString(` font-weight="bold"`)
	}
	if t.Halo {
		fmt.Fprintf(&c.b, ` stroke="%s" stroke-width="0.9" stroke-linejoin="round" paint-order="stroke"`, hex(white))
	}
	fmt.Fprintf(&c.b, ">%s</text>\n", escape(text))
}

func (c *svg) Clip(b Box) {
	c.clips++
	fmt.Fprintf(&c.b, `<clipPath id="%s-clip%d"><path d="%sZ"/></clipPath><g clip-path="url(#%s-clip%d)">`+"\n", c.id, c.clips, path(b.outline()), c.id, c.clips)
}

func (c *svg) EndClip() { c.b.WriteString("</g>\n") }

// picture puts a drawing into an SVG document with its words for those who cannot see it.
func picture(id string, w, h float64, title, desc string, draw func(Canvas)) []byte {
	c := &svg{id: id}
	draw(c)
	return fmt.Appendf(nil, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %s %s" role="img" aria-labelledby="%s-title %s-desc" font-family="Go, 'DejaVu Sans', Verdana, 'Segoe UI', sans-serif">
<title id="%s-title">%s</title>
<desc id="%s-desc">%s</desc>
<path d="M0 0H%sV%sH0Z" fill="#ffffff"/>
%s</svg>
`, mm(w), mm(h), mm(w), mm(h), id, id, id, escape(title), id, escape(desc), mm(w), mm(h), c.b.String())
}

func path(pts []Pt) string {
	var b strings.Builder
	for i, p := range pts {
		if i == 0 {
			b.WriteByte('M')
		} else {
			b.WriteByte('L')
		}
		b.WriteString(mm(p.X) + " " + mm(p.Y))
	}
	return b.String()
}

// mm writes a length with two decimals, which is finer than any printer.
func mm(v float64) string {
	s := strconv.FormatFloat(v, 'f', 2, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" || s == "" {
		return "0"
	}
	return s
}

func hex(i Ink) string { return fmt.Sprintf("#%02x%02x%02x", i[0], i[1], i[2]) }

// escape makes text harmless in XML: markup is escaped, and characters that XML does not know
// are left out.
func escape(s string) string { return html.EscapeString(Plain(s)) }

package pdf

import (
	"codeberg.org/go-pdf/fpdf"

	"forkwright/api/page/chart"
)

// canvas lets a picture of package chart be drawn as vectors.
type canvas struct{ s *sheet }

func (c canvas) Fill(outline []chart.Pt, i chart.Ink) {
	pts := make([]fpdf.PointType, len(outline))
	for n, p := range outline {
		pts[n] = fpdf.PointType{X: p.X, Y: p.Y}
	}
	c.s.p.SetFillColor(int(i[0]), int(i[1]), int(i[2]))
	c.s.p.Polygon(pts, "F")
}

func (c canvas) Line(through []chart.Pt, pen chart.Pen) {
	p := c.s.p
	p.SetDrawColor(int(pen.Ink[0]), int(pen.Ink[1]), int(pen.Ink[2]))
	p.SetLineWidth(pen.Width)
	p.SetLineJoinStyle("round")
	p.SetDashPattern(pen.Dash, 0)
	for i, q := range through {
		if i == 0 {
			p.MoveTo(q.X, q.Y)
		} else {
			p.LineTo(q.X, q.Y)
		}
	}
	p.DrawPath("D")
	p.SetDashPattern(nil, 0)
}

func (c canvas) Text(at chart.Pt, t chart.Type, text string) {
	s := c.s
	text = s.set(text)
	style := ""
	if t.Bold {
		style = "B"
	}
	s.p.SetFont("go", style, t.Points)
	s.p.SetTextColor(int(t.Ink[0]), int(t.Ink[1]), int(t.Ink[2]))
	w := s.p.GetStringWidth(text)
	switch t.Align {
	case chart.Middle:
		at.X -= w / 2
	case chart.End:
		at.X -= w
	}
	s.p.Text(at.X, at.Y, text)
}

func (c canvas) Clip(b chart.Box) { c.s.p.ClipRect(b.X, b.Y, b.W, b.H, false) }
func (c canvas) EndClip()         { c.s.p.ClipEnd() }

package chart

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"forkwright/service/unit"
)

// ForceTravel is what the chart of a setup shows. Lengths are in mm, forces in N, whatever the
// units of display are.
type ForceTravel struct {
	Heading  string // over the picture; empty: none
	TravelMM float64
	Units    unit.System // metric, or imperial; anything else is metric
	Main     Curve
	Neighbor *Curve    // the next spring, dashed
	Sag      *Sag      // nil: not drawn
	BumpStop *BumpStop // nil: none
	End      *EndForce // nil: not drawn
}

// Curve is a force over the travel, with a short name, such as the rate of its spring.
type Curve struct {
	Name   string
	Points []Point
}

// Point is a force at a travel.
type Point struct{ TravelMM, ForceN float64 }

// Sag is the sag on the main curve with its band. Aim marks a sag that is aimed at: nobody sits on
// the fork yet, and the band is what is good enough.
type Sag struct {
	MM, LowMM, HighMM float64
	Aim               bool
}

func (s *Sag) name() string {
	if s.Aim {
		return "Sag to aim at"
	}
	return "Sag"
}

// BumpStop is where a bump stop begins to work.
type BumpStop struct{ AtMM float64 }

// EndForce is the force that takes the fork to full travel, with its band.
type EndForce struct{ N, LowN, HighN float64 }

// Title is the name of the picture.
func (f ForceTravel) Title() string {
	if f.Heading != "" {
		return f.Heading
	}
	return "Force over travel"
}

// Desc says in words what the picture shows.
func (f ForceTravel) Desc() string {
	f = f.known()
	if f.TravelMM == 0 {
		return "No travel is known: there is nothing to draw."
	}
	g := f.scale()
	var b strings.Builder
	fmt.Fprintf(&b, "Force of the spring side over %s of travel", g.lengthText(f.TravelMM))
	if p, ok := last(f.Main); ok {
		fmt.Fprintf(&b, ". Solid line: %s, %s at full travel", orName(f.Main.Name, "this setup"), g.forceText(p.ForceN))
	}
	if s := f.Sag; s != nil {
		fmt.Fprintf(&b, ". %s %s, between %s and %s", s.name(), g.lengthText(s.MM), g.lengthText(s.LowMM), g.lengthText(s.HighMM))
	}
	if s := f.BumpStop; s != nil {
		fmt.Fprintf(&b, ". The bump stop begins at %s", g.lengthText(s.AtMM))
	}
	if e := f.End; e != nil {
		fmt.Fprintf(&b, ". End force %s, between %s and %s", g.forceText(e.N), g.forceText(e.LowN), g.forceText(e.HighN))
	}
	if f.Neighbor != nil {
		if p, ok := last(*f.Neighbor); ok {
			fmt.Fprintf(&b, ". Dashed line: %s, %s at full travel", orName(f.Neighbor.Name, "the next spring"), g.forceText(p.ForceN))
		}
	}
	b.WriteString(".")
	return b.String()
}

// SVG is the chart as a picture of its own, 180 by 110 mm.
func (f ForceTravel) SVG() []byte {
	const w, h = 180, 110
	return picture("force-travel", w, h, f.Title(), f.Desc(), func(c Canvas) { f.Draw(c, Box{3, 2, w - 6, h - 4}) })
}

// scale is how values become figures of display.
type scale struct {
	length, force           float64 // units of display per mm and per N
	lengthUnit, forceUnit   string
	lengthDigits, forceSize int
}

func (f ForceTravel) scale() scale {
	if f.Units == unit.Imperial {
		return scale{1 / unit.MMPerInch, 1 / unit.NPerPoundForce, "in", "lbf", 2, 0}
	}
	return scale{1, 1, "mm", "N", 0, 0}
}

func (s scale) lengthText(mm float64) string {
	return number(mm*s.length, s.lengthDigits) + "\u00a0" + s.lengthUnit
}

func (s scale) forceText(n float64) string {
	return number(n*s.force, s.forceSize) + "\u00a0" + s.forceUnit
}

// known leaves out what is no number, so that it is neither drawn nor told.
func (f ForceTravel) known() ForceTravel {
	if !(f.TravelMM > 0) || !finite(f.TravelMM) {
		return ForceTravel{Units: f.Units}
	}
	f.Main = f.Main.known()
	if f.Neighbor != nil {
		n := f.Neighbor.known()
		f.Neighbor = &n
	}
	if s := f.Sag; s != nil && !finite(s.MM, s.LowMM, s.HighMM) {
		f.Sag = nil
	}
	if s := f.BumpStop; s != nil && !finite(s.AtMM) {
		f.BumpStop = nil
	}
	if e := f.End; e != nil && !finite(e.N, e.LowN, e.HighN) {
		f.End = nil
	}
	return f
}

func (c Curve) known() Curve {
	unknown := func(p Point) bool { return !finite(p.TravelMM, p.ForceN) }
	if slices.ContainsFunc(c.Points, unknown) {
		c.Points = slices.DeleteFunc(slices.Clone(c.Points), unknown)
	}
	return c
}

// Sizes of type in points and of the margins in mm.
const (
	labelPoints = 7.5
	tickPoints  = 7
	lineMM      = 3.1 // from one line of labels to the next
	leftMM      = 11
	rightMM     = 37
	bottomMM    = 10
)

// plot is a chart while it is drawn.
type plot struct {
	ForceTravel
	scale
	c      Canvas
	m      *metrics
	box    Box // of the curves
	fMax   float64
	fTicks []float64 // in units of display
}

// Draw draws the chart into a box of at least 100 by 60 mm.
func (f ForceTravel) Draw(c Canvas, b Box) {
	f = f.known()
	p := &plot{ForceTravel: f, scale: f.scale(), c: c, m: newMetrics()}
	if f.TravelMM == 0 {
		c.Text(Pt{b.X, b.Y + 6}, Type{Points: labelPoints, Ink: soft}, "No travel is known: there is nothing to draw.")
		return
	}
	top := b.Y + 4.5
	if f.Heading != "" {
		c.Text(Pt{b.X, b.Y + 3.4}, Type{Points: 9, Bold: true, Ink: black}, Plain(f.Heading))
		top += 4.5
	}
	strip := top + 2.4 + 2*lineMM // the y title, then two lines for what stands over the plot
	p.box = Box{b.X + leftMM, strip, b.W - leftMM - rightMM, b.Y + b.H - bottomMM - strip}
	p.chooseRange()
	c.Text(Pt{b.X, top}, Type{Points: labelPoints, Ink: black}, "Force, "+p.forceUnit)
	p.areas()
	p.grid()
	p.lines()
	p.over(top + lineMM)
	p.beside()
	c.Text(Pt{p.box.X + p.box.W/2, b.Y + b.H - 1.6}, Type{Points: labelPoints, Ink: black, Align: Middle}, "Travel, "+p.lengthUnit)
}

// chooseRange chooses the end of the force axis. A curve that shoots up at its very end is cut off,
// so that the part that is ridden can still be read.
func (p *plot) chooseRange() {
	most := 0.0
	for _, points := range [][]Point{p.Main.Points, p.neighborPoints()} {
		for _, pt := range points {
			most = max(most, pt.ForceN)
		}
	}
	if p.End != nil {
		most = max(most, p.End.HighN)
	}
	if at := p.forceAt(0.75 * p.TravelMM); at > 0 && most > 3*at {
		most = 3 * at
	}
	if most <= 0 {
		most = 1
	}
	shown := most * p.force * 1.02
	step := niceStep(shown, 7)
	end := math.Ceil(shown/step-1e-9) * step
	p.fMax, p.fTicks = end/p.force, ticks(end, 12)
	if niceStep(end, 7) == step {
		p.fTicks = ticks(end, 7)
	}
}

func (p *plot) neighborPoints() []Point {
	if p.Neighbor == nil {
		return nil
	}
	return p.Neighbor.Points
}

func (p *plot) x(mm float64) float64 { return p.box.X + p.box.W*mm/p.TravelMM }
func (p *plot) y(n float64) float64  { return p.box.Y + p.box.H*(1-n/p.fMax) }

// inside keeps a height in the plot.
func (p *plot) inside(y float64) float64 { return min(max(y, p.box.Y), p.box.Y+p.box.H) }

// forceAt reads the main curve, 0 where it says nothing.
func (p *plot) forceAt(mm float64) float64 {
	pts := p.Main.Points
	for i := 1; i < len(pts); i++ {
		a, b := pts[i-1], pts[i]
		if mm < a.TravelMM || mm > b.TravelMM || b.TravelMM <= a.TravelMM {
			continue
		}
		return a.ForceN + (b.ForceN-a.ForceN)*(mm-a.TravelMM)/(b.TravelMM-a.TravelMM)
	}
	return 0
}

func (p *plot) bump() bool {
	return p.BumpStop != nil && p.BumpStop.AtMM >= 0 && p.BumpStop.AtMM < p.TravelMM
}

func (p *plot) areas() {
	if p.Sag == nil {
		return
	}
	lo, hi := p.x(clamp(p.Sag.LowMM, 0, p.TravelMM)), p.x(clamp(p.Sag.HighMM, 0, p.TravelMM))
	p.c.Fill(Box{lo, p.box.Y, hi - lo, p.box.H}.outline(), wash)
	for _, x := range []float64{lo, hi} {
		p.c.Line([]Pt{{x, p.box.Y}, {x, p.box.Y + p.box.H}}, Pen{Ink: strong, Width: 0.12})
	}
}

func (p *plot) grid() {
	thin := Pen{Ink: pale, Width: 0.12}
	foot := p.box.Y + p.box.H
	fDigits := tickDecimals(p.fTicks[len(p.fTicks)-1] / float64(max(len(p.fTicks)-1, 1)))
	for _, v := range p.fTicks {
		y := p.y(v / p.force)
		if v > 0 {
			p.c.Line([]Pt{{p.box.X, y}, {p.box.X + p.box.W, y}}, thin)
		}
		p.c.Text(Pt{p.box.X - 1.4, y + 0.9}, Type{Points: tickPoints, Ink: soft, Align: End}, number(v, fDigits))
	}
	xs := ticks(p.TravelMM*p.length, 10)
	xDigits := 0
	if len(xs) > 1 {
		xDigits = tickDecimals(xs[1])
	}
	for _, v := range xs {
		x := p.x(v / p.length)
		p.c.Line([]Pt{{x, foot}, {x, foot + 1}}, Pen{Ink: black, Width: 0.2})
		if v > 0 {
			p.c.Line([]Pt{{x, p.box.Y}, {x, foot}}, thin)
		}
		p.c.Text(Pt{x, foot + 3.9}, Type{Points: tickPoints, Ink: soft, Align: Middle}, number(v, xDigits))
	}
}

func (p *plot) lines() {
	left, right, foot := p.box.X, p.box.X+p.box.W, p.box.Y+p.box.H
	p.c.Line([]Pt{{right, p.box.Y}, {right, foot}}, Pen{Ink: pale, Width: 0.2})
	if p.bump() {
		x := p.x(p.BumpStop.AtMM)
		p.c.Line([]Pt{{x, p.box.Y}, {x, foot}}, Pen{Ink: black, Width: 0.25, Dash: []float64{0.9, 0.9}})
	}
	p.c.Clip(p.box)
	if p.Neighbor != nil {
		p.curve(p.Neighbor.Points, Pen{Ink: second, Width: 0.5, Dash: []float64{2.6, 1.2}})
	}
	p.curve(p.Main.Points, Pen{Ink: strong, Width: 0.75})
	p.c.EndClip()
	p.c.Line([]Pt{{left, p.box.Y}, {left, foot}, {right, foot}}, Pen{Ink: black, Width: 0.3})
	if p.Sag != nil {
		if n := p.forceAt(p.Sag.MM); n > 0 && n <= p.fMax {
			at := Pt{p.x(p.Sag.MM), p.y(n)}
			p.c.Fill(circle(at, 1.5), white)
			p.c.Fill(circle(at, 1.15), strong)
		}
	}
	p.endBar()
}

// endBar is the band of the end force as a bar with caps, just outside the plot.
func (p *plot) endBar() {
	if p.End == nil {
		return
	}
	x := p.box.X + p.box.W + 2
	lo, hi := p.inside(p.y(p.End.LowN)), p.inside(p.y(p.End.HighN))
	pen := Pen{Ink: strong, Width: 0.35}
	p.c.Line([]Pt{{x, lo}, {x, hi}}, pen)
	for _, y := range []float64{lo, hi} {
		p.c.Line([]Pt{{x - 0.9, y}, {x + 0.9, y}}, pen)
	}
}

func (p *plot) curve(points []Point, pen Pen) {
	if len(points) < 2 {
		return
	}
	through := make([]Pt, len(points))
	for i, q := range points {
		through[i] = Pt{p.x(q.TravelMM), max(p.y(q.ForceN), p.box.Y-p.box.H)}
	}
	p.c.Line(through, pen)
}

// over writes what belongs to a travel above the plot, on two lines, so that it never lies on
// a curve.
func (p *plot) over(y float64) {
	t := Type{Points: labelPoints, Ink: black, Bold: true}
	from, to := 0.0, 0.0 // where the sag stands
	if s := p.Sag; s != nil {
		text := fmt.Sprintf("%s %s (%s–%s), %.0f %%", s.name(), p.lengthText(s.MM), number(s.LowMM*p.length, p.lengthDigits), number(s.HighMM*p.length, p.lengthDigits), 100*s.MM/p.TravelMM)
		x := p.x(clamp(s.MM, 0, p.TravelMM))
		from, to = p.above(x, y+lineMM, t, text)
		p.c.Line([]Pt{{x, y + lineMM + 0.8}, {x, p.box.Y}}, Pen{Ink: strong, Width: 0.2})
	}
	if p.bump() {
		t.Bold = false
		x := p.x(p.BumpStop.AtMM)
		p.above(x, y, t, "Bump stop from "+p.lengthText(p.BumpStop.AtMM))
		start := y + 0.8
		if x > from-1 && x < to+1 {
			start = y + lineMM + 0.8
		}
		p.c.Line([]Pt{{x, start}, {x, p.box.Y}}, Pen{Ink: black, Width: 0.25, Dash: []float64{0.9, 0.9}})
	}
}

// above writes a text centered over x as far as the plot reaches, and says where it stands.
func (p *plot) above(x, y float64, t Type, text string) (from, to float64) {
	w := p.m.width(t, text)
	from = clamp(x-w/2, p.box.X, p.box.X+p.box.W-w)
	p.c.Text(Pt{from, y}, t, text)
	return from, from + w
}

// label is a text of one or more lines beside the plot.
type label struct {
	want float64 // height that it points at
	top  float64
	text []string
	pen  *Pen // a short piece of the line it names
	bold bool
}

// beside names the lines where they end, apart from each other, so that no legend is needed.
func (p *plot) beside() {
	var all []label
	if q, ok := last(p.Main); ok {
		l := label{want: p.inside(p.y(q.ForceN)), bold: true, pen: &Pen{Ink: strong, Width: 0.75}}
		l.text = append(p.wrap(orName(p.Main.Name, "This setup"), true), p.endText(q.ForceN)...)
		all = append(all, l)
	}
	if p.Neighbor != nil {
		if q, ok := last(*p.Neighbor); ok {
			l := label{want: p.inside(p.y(q.ForceN)), pen: &Pen{Ink: second, Width: 0.5, Dash: []float64{1.4, 0.8}}}
			l.text = append(p.wrap(orName(p.Neighbor.Name, "The next spring"), false), "end "+p.forceText(q.ForceN))
			all = append(all, l)
		}
	}
	slices.SortStableFunc(all, func(a, b label) int { return cmp.Compare(a.want, b.want) })
	place(all, p.box.Y, p.box.Y+p.box.H)
	for _, l := range all {
		x := p.box.X + p.box.W + 4
		p.c.Line([]Pt{{x - 0.4, l.want}, {x + 1, l.top + 1.9}}, Pen{Ink: soft, Width: 0.15})
		p.c.Line([]Pt{{x + 1.2, l.top + 1.9}, {x + 5.2, l.top + 1.9}}, *l.pen)
		for i, text := range l.text {
			p.c.Text(Pt{x + 6.2, l.top + 2.8 + float64(i)*lineMM}, Type{Points: labelPoints, Ink: black, Bold: l.bold && i == 0}, text)
		}
	}
}

// endText says the end force under a curve's name: with its band where it has one.
func (p *plot) endText(n float64) []string {
	if p.End == nil {
		return []string{"end " + p.forceText(n)}
	}
	return []string{"end " + p.forceText(p.End.N), "(" + number(p.End.LowN*p.force, p.forceSize) + "–" + p.forceText(p.End.HighN) + ")"}
}

// wrap breaks a name into at most three lines that fit beside the plot.
func (p *plot) wrap(name string, bold bool) []string {
	const most = 3
	room := rightMM - 10.6
	t := Type{Points: labelPoints, Bold: bold}
	var out []string
	line := ""
	for word := range strings.FieldsSeq(Plain(name)) {
		for {
			next := strings.TrimSpace(line + " " + word)
			if p.m.width(t, next) <= room {
				line = next
				break
			}
			if line == "" { // a word that is longer than the room
				line, word = p.cut(t, word, room)
			}
			out, line = append(out, line), ""
			if len(out) == most {
				out[most-1] += "…"
				return out
			}
		}
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

func (p *plot) cut(t Type, word string, room float64) (head, tail string) {
	for i := range word {
		if i > 0 && p.m.width(t, word[:i]) > room-2 {
			return word[:i], word[i:]
		}
	}
	return word, ""
}

// place moves labels, which come sorted, so that none lies on another and all stay between top
// and foot as far as there is room.
func place(all []label, top, foot float64) {
	height := func(l label) float64 { return float64(len(l.text))*lineMM + 1.2 }
	at := top - 2
	for i := range all {
		all[i].top = max(all[i].want-1.9, at)
		at = all[i].top + height(all[i])
	}
	at = foot + 2
	for i := len(all) - 1; i >= 0; i-- {
		all[i].top = min(all[i].top, at-height(all[i]))
		at = all[i].top
	}
}

func circle(at Pt, r float64) []Pt {
	const n = 24
	out := make([]Pt, n)
	for i := range out {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / n)
		out[i] = Pt{at.X + r*cos, at.Y + r*sin}
	}
	return out
}

func last(c Curve) (Point, bool) {
	if len(c.Points) == 0 {
		return Point{}, false
	}
	return c.Points[len(c.Points)-1], true
}

func orName(name, other string) string {
	if strings.TrimSpace(Plain(name)) == "" {
		return other
	}
	return Plain(name)
}

func clamp(v, lo, hi float64) float64 { return max(lo, min(v, hi)) }

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

package pdf

import (
	"strconv"
	"strings"
	"time"

	"forkwright/api/page/bench"
	"forkwright/api/page/chart"
)

// Bench sets a bench sheet. At is a time of the quote's own, so that the same sheet gives the same
// bytes.
func Bench(b bench.Sheet, at time.Time) ([]byte, error) {
	s, err := newSheet(b.Paper, b.Title, "en", at, 0.93)
	if err != nil {
		return nil, err
	}
	d := benchDoc{sheet: s, b: &b}
	d.draw()
	if err := s.p.Error(); err != nil {
		return nil, err
	}
	foot := b.Foot
	if b.Title != "" {
		foot = b.Title + " · " + foot
	}
	return s.finish(foot)
}

type benchDoc struct {
	*sheet
	b *bench.Sheet
}

// Types of the bench sheet.
var (
	doing  = look{size: 9.8, bold: true, ink: black}
	body   = look{size: 9, ink: black}
	bold9  = look{size: 9, bold: true, ink: black}
	legs   = look{size: 8.2, bold: true, ink: mark}
	big    = look{size: 12, bold: true, ink: black}
	absent = look{size: 8.6, bold: true, ink: black}
)

const notInOurData = "NOT IN OUR DATA"

func (d *benchDoc) draw() {
	d.head()
	if d.b.Language != "" {
		d.space(1.5)
		d.para(left, d.w-left-right, small, d.b.Language)
	}
	d.open()
	d.steps()
	d.setup()
	d.parts()
	d.signed()
	d.set(d.b.Foot)
	d.whereLost("en", d.b.PageURL)
}

func (d *benchDoc) head() {
	const drawing = 46.0
	d.box(left, d.y, d.w-left-right, 1.2, mark)
	d.y += 4
	begin, width := d.y, d.w-left-right-drawing-6
	d.b.Legs.Draw(canvas{d.sheet}, chart.Box{X: d.w - right - drawing, Y: begin - 1, W: drawing, H: 40})
	caption := begin + 40
	for _, line := range d.wrap(small, drawing, "As the rider sits. "+d.b.Legs.Desc()) {
		d.at(d.w-right-drawing, caption, small, toLeft, 0, line)
		caption += d.leading(small)
	}
	d.para(left, width, bold9, d.b.Shop)
	d.para(left, width, look{size: 19, ink: mark}, d.b.Title)
	d.para(left, width, look{size: 11.5, bold: true, ink: black}, strings.Join(d.b.Jobs, " + "))
	d.space(2)
	names := 0.0
	for _, f := range d.b.Facts {
		names = max(names, d.width(body, f.Name))
	}
	for _, f := range d.b.Facts {
		d.room(d.leading(body))
		d.at(left, d.y, look{size: 9, ink: soft}, toLeft, 0, f.Name)
		d.para(left+names+4, width-names-4, bold9, f.Value)
	}
	if d.p.PageNo() == 1 {
		d.y = max(d.y, caption)
	}
}

func (d *benchDoc) open() {
	if len(d.b.Open) == 0 {
		return
	}
	d.space(3.5)
	d.heading("Settle first", 8)
	for _, text := range d.b.Open {
		d.barred(left, d.w-left-right, "", text, "")
	}
}

// barred sets a caution: a heavy bar at its side, a word before it, its reason after it.
func (d *benchDoc) barred(x, width float64, word, text, reason string) {
	for _, line := range d.cautionLines(width, word, text, reason) {
		d.room(d.leading(body))
		d.box(x, d.y, 0.9, d.leading(body), black)
		if rest, ok := strings.CutPrefix(line, word); ok && word != "" {
			d.at(x+2.6, d.y, bold9, toLeft, 0, word)
			d.at(x+2.6+d.width(bold9, word)+1.2, d.y, body, toLeft, 0, strings.TrimPrefix(rest, " "))
			word = ""
		} else {
			d.at(x+2.6, d.y, body, toLeft, 0, line)
		}
		d.y += d.leading(body)
	}
	d.y += 0.6
}

// cautionLines leaves a little room, since the word in front is set bolder than it is measured.
func (d *benchDoc) cautionLines(width float64, word, text, reason string) []string {
	return d.wrap(body, width-2.6-3, strings.TrimSpace(strings.Join([]string{word, text, reason}, " ")))
}

func (d *benchDoc) steps() {
	if len(d.b.Steps) == 0 {
		return
	}
	d.space(4)
	d.heading("Steps", 30)
	for i := range d.b.Steps {
		d.step(&d.b.Steps[i])
	}
}

// Where the parts of a step stand.
const (
	stepX  = left + 9
	tickMM = 9
)

func (d *benchDoc) step(s *bench.Step) {
	width := d.w - right - tickMM - stepX
	d.room(min(d.stepHeight(s, width), d.h-top-bottom-10))
	d.line(left, d.y, d.w-right, d.y, 0.15, rule)
	d.y += 1.4
	d.at(left, d.y-0.4, look{size: 12, bold: true, ink: mark}, toLeft, 0, strconv.Itoa(s.No))
	if s.Tick {
		d.tick(d.w-right-5, d.y, 5)
	}
	if s.Leg != "" {
		d.para(stepX, width, legs, s.Leg)
	}
	for _, c := range s.Cautions {
		d.barred(stepX, width, "Caution.", c.Text, c.Reason)
	}
	d.para(stepX, width, doing, s.Text)
	d.figures(s.Figures, width)
	if len(s.Write) > 0 {
		d.write(s.Write, stepX, width)
	}
	d.y += 1.2
}

func (d *benchDoc) stepHeight(s *bench.Step, width float64) float64 {
	h := 3.0
	if s.Leg != "" {
		h += d.leading(legs)
	}
	for _, c := range s.Cautions {
		h += float64(len(d.cautionLines(width, "Caution.", c.Text, c.Reason)))*d.leading(body) + 0.6
	}
	h += float64(len(d.wrap(doing, width, s.Text))) * d.leading(doing)
	for _, f := range s.Figures {
		if f.Value != "" && f.Owner == "" {
			continue // stands on the line of the next
		}
		h += d.leading(big) + float64(len(d.wrap(small, width, ownerText(f))))*d.leading(small) + 0.5
	}
	if len(s.Write) > 0 {
		h += 8
	}
	return h
}

func ownerText(f bench.Figure) string {
	if f.Value == "" {
		return "Look in " + f.Look + "."
	}
	return "of: " + f.Owner + " · " + f.Source
}

// figures of one owner stand on one line; whose they are stands below.
func (d *benchDoc) figures(all []bench.Figure, width float64) {
	x := stepX
	for _, f := range all {
		if x == stepX {
			d.room(d.leading(big) + d.leading(small))
		}
		d.at(x, d.y+0.8, body, toLeft, 0, f.Name+":")
		x += d.width(body, f.Name+":") + 1.4
		if f.Value == "" {
			x += d.absent(x, d.y+0.3)
		} else {
			d.at(x, d.y, big, toLeft, 0, f.Value)
			x += d.width(big, f.Value) + 1.6
		}
		if f.Also != "" {
			d.at(x, d.y+0.8, body, toLeft, 0, "= "+f.Also)
			x += d.width(body, "= "+f.Also)
		}
		if x += 6; f.Value != "" && f.Owner == "" {
			continue
		}
		x = stepX
		d.y += d.leading(big)
		d.para(stepX, width, small, ownerText(f))
		d.y += 0.5
	}
}

// absent is the mark of a figure that is not in the data: a frame, not only a color.
func (d *benchDoc) absent(x, y float64) float64 {
	w := d.width(absent, notInOurData) + 3
	d.p.SetDrawColor(black[0], black[1], black[2])
	d.p.SetLineWidth(0.45)
	d.p.Rect(x, y, w, d.leading(absent)+0.4, "D")
	d.at(x+1.5, y+0.3, absent, toLeft, 0, notInOurData)
	return w
}

func (d *benchDoc) tick(x, y, size float64) {
	d.p.SetDrawColor(black[0], black[1], black[2])
	d.p.SetLineWidth(0.4)
	d.p.Rect(x, y, size, size, "D")
}

// write leaves room to write by hand, a line after each name.
func (d *benchDoc) write(names []string, x, width float64) {
	const room = 24
	d.y += 2.6
	d.room(d.leading(body) + 1)
	at := x
	for _, name := range names {
		w := d.width(small, name) + 1.5
		if at > x && at+w+room > x+width {
			at = x
			d.y += d.leading(body) + 2.6
			d.room(d.leading(body) + 1)
		}
		d.at(at, d.y, small, toLeft, 0, name)
		d.line(at+w, d.y+d.leading(body)-0.6, at+w+room, d.y+d.leading(body)-0.6, 0.2, black)
		at += w + room + 4
	}
	d.y += d.leading(body) + 0.6
}

func (d *benchDoc) setup() {
	d.space(4)
	d.heading("Setup", 24)
	width := d.w - left - right
	if d.b.SetupNote != "" {
		d.barred(left, width, "Not settled.", d.b.SetupNote, "")
	}
	for _, c := range d.b.Cautions {
		d.barred(left, width, "Caution.", c.Text, c.Reason)
	}
	d.space(1)
	const names, byHand = 62, 7.0
	for _, f := range d.b.Setup {
		label := d.wrap(look{size: 9, ink: soft}, names-3, f.Name)
		d.room(max(d.leading(body)*float64(max(len(label), 1)), byHand) + 1.4)
		if f.Value == "" {
			d.y += byHand - d.leading(body)
		}
		begin := d.y
		for i, line := range label {
			d.at(left, begin+float64(i)*d.leading(body), look{size: 9, ink: soft}, toLeft, 0, line)
		}
		if f.Value == "" {
			d.y += d.leading(body)
			d.line(left+names, d.y-0.6, left+names+40, d.y-0.6, 0.2, black)
		} else {
			d.para(left+names, width-names, bold9, f.Value)
		}
		d.y = max(d.y, begin+float64(len(label))*d.leading(body)) + 0.6
		d.line(left, d.y, d.w-right, d.y, 0.1, rule)
		d.y += 0.6
	}
	if d.b.Chart != nil {
		const high = 86
		d.space(3)
		d.room(high)
		d.b.Chart.Draw(canvas{d.sheet}, chart.Box{X: left, Y: d.y, W: width, H: high})
		d.y += high
	}
}

func (d *benchDoc) parts() {
	if len(d.b.Parts) == 0 {
		return
	}
	d.space(4)
	d.heading("Parts", 20)
	for _, g := range d.b.Parts {
		d.space(1)
		d.room(d.leading(bold9) + 2*d.leading(body))
		d.para(left, d.w-left-right, bold9, g.Name)
		for _, p := range g.Parts {
			d.part(p)
		}
	}
}

func (d *benchDoc) part(p bench.Part) {
	const quantity = 20
	x, width := left+quantity, d.w-right-tickMM-left-quantity
	text := p.Text
	if p.Look != "" {
		text = notInOurData + ": " + text
	}
	if p.Code != "" && p.Code != p.Text {
		text += " · " + p.Code
	}
	lines := d.wrap(body, width, text)
	more := p.Note
	if p.Look != "" {
		more = strings.TrimPrefix(more+"; look in "+p.Look+".", "; ")
	}
	beside := 0.0 // where the note stands when it fits on the line
	rest := d.wrap(small, width, more)
	if w := d.width(body, text) + 3; len(lines) == 1 && len(rest) == 1 && w+d.width(small, more) < width {
		beside, rest = w, nil
	}
	d.room(min(d.leading(body)*float64(len(lines))+d.leading(small)*float64(len(rest)), 60) + 1)
	d.at(left, d.y, bold9, toLeft, quantity-2, p.Quantity)
	if p.Look != "" {
		d.at(left, d.y, bold9, toLeft, 0, "?")
	}
	d.tick(d.w-right-3.6, d.y+0.2, 3.4)
	if beside > 0 {
		d.at(x+beside, d.y+0.2, small, toLeft, 0, more)
	}
	for _, line := range lines {
		d.room(d.leading(body))
		d.at(x, d.y, body, toLeft, 0, line)
		d.y += d.leading(body)
	}
	for _, line := range rest {
		d.room(d.leading(small))
		d.at(x, d.y, small, toLeft, 0, line)
		d.y += d.leading(small)
	}
	d.y += 0.4
	d.line(left, d.y, d.w-right, d.y, 0.1, rule)
	d.y += 0.5
}

func (d *benchDoc) signed() {
	d.space(4)
	d.room(8)
	d.write([]string{"Done by", "Date", "Checked by"}, left, d.w-left-right)
}

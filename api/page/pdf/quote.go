package pdf

import (
	"slices"
	"strconv"
	"strings"

	"forkwright/api/page"
	"forkwright/service/quote"
)

// Quote sets a quote on the seller's paper, on one page where it fits. Words and figures are
// those of the web page. The same quote and extras give the same bytes.
func Quote(q quote.Quote, x page.Extras) ([]byte, error) {
	laid := page.Lay(q, x)
	paper := x.Paper
	if paper == "" {
		paper = q.Seller.Paper
	}
	logo := pictureOf(x.Logo) // once: the paper is drawn until it fits
	s, err := onePage(func(scale float64) (*sheet, error) {
		s, err := newSheet(paper, laid.Title, laid.Language, q.CreatedAt, scale)
		if err != nil {
			return nil, err
		}
		d := quoteDoc{sheet: s, l: &laid, x: x, picture: logo}
		d.draw()
		return s, s.p.Error()
	})
	if err != nil {
		return nil, err
	}
	return s.finish(strings.Join(laid.Foot, " · "))
}

type quoteDoc struct {
	*sheet
	l *page.Laid
	x page.Extras

	picture *picture // the logo
}

var (
	small  = look{size: 8.2, ink: soft}
	normal = look{size: 9.2, ink: black}
	strong = look{size: 9.2, bold: true, ink: black}
)

func (d *quoteDoc) draw() {
	d.box(left, d.y, d.w-left-right, 1.2, mark)
	d.y += 4.5
	begin := d.y
	d.facts(begin)
	afterFacts := d.y
	d.y = begin
	d.seller()
	d.y = max(d.y, afterFacts)
	d.state()
	d.customer()
	d.table()
	d.sums()
	d.others()
	d.notes()
	d.terms()
	d.web()
	d.set(strings.Join(d.l.Foot, " "))
	d.whereLost(d.l.Language, d.x.PageURL)
}

func (d *quoteDoc) seller() {
	const width = 96
	if h := d.logo(d.picture, left, d.y, 50, 15); h > 0 {
		d.y += h + 2
	}
	s := d.l.Q.Seller
	d.para(left, width, look{size: 14, bold: true, ink: black}, s.Name)
	d.para(left, width, small, s.LegalName)
	begin := d.y
	for _, text := range append(slices.Clone(s.Address), s.Country) {
		d.para(left, width/2-2, small, text)
	}
	foot := d.y
	d.y = begin
	for _, text := range []string{s.Phone, s.Email, s.Website} {
		d.para(left+width/2, width/2, small, text)
	}
	d.y = max(d.y, foot)
}

// facts stand on the right, names before values.
func (d *quoteDoc) facts(y float64) {
	const width = 72
	x, edge := d.w-right-width, d.w-right
	d.y = y
	h1 := look{size: 19, ink: mark}
	d.at(x, d.y-1.5, h1, toLeft, width, d.l.Words["quote"])
	d.y += d.leading(h1)
	nameWidth := 0.0
	for _, f := range d.l.Facts {
		nameWidth = max(nameWidth, d.width(small, f.Name))
	}
	for _, f := range d.l.Facts {
		d.room(d.leading(strong))
		d.at(x, d.y+0.3, small, toLeft, 0, f.Name)
		for _, line := range d.wrap(strong, width-nameWidth-3, f.Value) {
			d.room(d.leading(strong))
			d.at(edge, d.y, strong, toRight, 0, line)
			d.y += d.leading(strong)
		}
	}
}

func (d *quoteDoc) state() {
	if d.l.State == "" {
		return
	}
	d.space(3)
	l := look{size: 9.5, bold: true, ink: mark}
	h := d.leading(l) + 3
	d.room(h)
	d.p.SetDrawColor(mark[0], mark[1], mark[2])
	d.p.SetLineWidth(0.35)
	d.p.Rect(left, d.y, d.w-left-right, h, "D")
	d.at(left+3, d.y+1.5, l, toLeft, d.w-left-right-6, d.l.State)
	d.y += h
}

func (d *quoteDoc) customer() {
	if d.l.Customer.Name == "" {
		return
	}
	d.space(4)
	d.heading(d.l.Words["for"], 6)
	for _, text := range append([]string{d.l.Customer.Name}, d.l.Address...) {
		d.para(left, d.w-left-right, normal, text)
	}
}

// columns of the table of lines: their right edges, from what stands in them.
type columns struct{ item, itemWidth, quantity, price, tax, amount, gap float64 }

func (d *quoteDoc) columns() columns {
	w := d.l.Words
	widest := func(head string, most float64, values func(i int) string) float64 {
		out := d.width(small, head)
		for i := range d.l.Lines {
			out = max(out, d.width(normal, values(i)))
		}
		return min(out, most)
	}
	quantity := widest(w["quantity"], 24, func(i int) string { return d.l.Lines[i].Quantity })
	price := widest(w["unit_price"], 34, func(i int) string { return d.l.Lines[i].Price })
	tax := widest(w["tax"], 18, func(i int) string { return d.l.Lines[i].Tax })
	amount := widest(w["amount"], 34, func(i int) string { return d.amount(i) })
	c := columns{item: left + 7, amount: d.w - right - 1, gap: 4}
	c.tax = c.amount - amount - c.gap
	c.price = c.tax - tax - c.gap
	c.quantity = c.price - price - c.gap
	c.itemWidth = c.quantity - quantity - c.gap - c.item
	return c
}

func (d *quoteDoc) amount(i int) string {
	if d.l.Lines[i].Missing {
		return d.l.Words["no_price"]
	}
	return d.l.Lines[i].Amount.Shown
}

func (d *quoteDoc) table() {
	c, w := d.columns(), d.l.Words
	d.space(4)
	basis := w["excluding"]
	if d.l.Gross {
		basis = w["including"]
	}
	d.room(20)
	d.at(d.w-right, d.y, small, toRight, 0, w["amounts_in"]+" "+string(d.l.Q.Currency)+", "+basis)
	d.y += d.leading(small) + 0.5
	head := func() {
		l := look{size: 8.2, bold: true, ink: soft}
		d.at(c.item, d.y, l, toLeft, 0, w["item"])
		d.at(c.quantity, d.y, l, toRight, 0, w["quantity"])
		d.at(c.price, d.y, l, toRight, 0, w["unit_price"])
		d.at(c.tax, d.y, l, toRight, 0, w["tax"])
		d.at(c.amount, d.y, l, toRight, 0, w["amount"])
		d.y += d.leading(l) + 0.6
		d.line(left, d.y, d.w-right, d.y, 0.35, black)
		d.y += 0.8
	}
	head()
	d.onBreak = head
	for i := range d.l.Lines {
		d.row(c, i)
	}
	d.onBreak = nil
}

func (d *quoteDoc) row(c columns, i int) {
	r := &d.l.Lines[i]
	names := d.wrap(strong, c.itemWidth, r.Text)
	var more []string
	for _, text := range []string{r.Code, r.Stock, r.Discount} {
		if text != "" {
			more = append(more, text)
		}
	}
	rest := d.wrap(small, c.itemWidth, strings.Join(more, " · "))
	beside := 0.0 // where the codes stand when paper is short and they fit on the line of the name
	if x := d.width(strong, r.Text) + 2; d.scale < 1 && len(names) == 1 && len(rest) == 1 && x+d.width(small, rest[0]) <= c.itemWidth {
		beside = x
	}
	height := float64(len(names))*d.leading(strong) + float64(len(rest))*d.leading(small)
	d.room(min(height, 60) + 1.6)
	d.at(left+1, d.y, look{size: 9.2, ink: soft}, toLeft, 6, strconv.Itoa(r.No))
	d.at(c.quantity, d.y, normal, toRight, 24, r.Quantity)
	d.at(c.price, d.y, normal, toRight, 34, r.Price)
	d.at(c.tax, d.y, normal, toRight, 18, r.Tax)
	d.at(c.amount, d.y, normal, toRight, 34, d.amount(i))
	if beside > 0 {
		d.at(c.item+beside, d.y+(d.leading(strong)-d.leading(small))*0.76, small, toLeft, 0, rest[0])
		rest = nil
	}
	first := d.y
	for _, set := range []struct {
		l     look
		lines []string
	}{{strong, names}, {small, rest}} {
		for _, line := range set.lines {
			d.room(d.leading(set.l))
			d.at(c.item, d.y, set.l, toLeft, 0, line)
			d.y += d.leading(set.l)
		}
	}
	if d.y == first {
		d.y += d.leading(normal)
	}
	d.y += 0.7 * d.scale
	d.line(left, d.y, d.w-right, d.y, 0.15, rule)
	d.y += 0.9 * d.scale
}

func (d *quoteDoc) sums() {
	const most = 120
	names, amounts := 0.0, 0.0
	for _, x := range d.l.Sums {
		names = max(names, min(d.width(strong, x.Name), most))
		amounts = max(amounts, d.width(look{size: 11.5, bold: true}, x.Amount.Shown+" "+string(d.l.Q.Currency)))
	}
	d.space(1.5)
	edge := d.w - right - 1
	from := max(left, edge-amounts-names-8)
	d.room(float64(len(d.l.Sums)) * 5 * d.scale)
	for _, x := range d.l.Sums {
		l, text := normal, x.Amount.Shown
		if x.Strong {
			l, text = look{size: 11.5, bold: true, ink: black}, text+" "+string(d.l.Q.Currency)
			h := d.leading(l) + 2.4*d.scale
			d.room(h)
			d.y += 0.8 * d.scale
			d.box(from-2, d.y, d.w-right-from+2, h, tint)
			d.line(from-2, d.y, d.w-right, d.y, 0.35, black)
			d.y += 1.2 * d.scale
		}
		lines := d.wrap(l, max(names, 40), x.Name)
		d.room(d.leading(l))
		d.at(edge, d.y, l, toRight, 0, text)
		for _, line := range lines {
			d.room(d.leading(l))
			d.at(from, d.y, l, toLeft, 0, line)
			d.y += d.leading(l)
		}
		if x.Strong {
			d.y += 1.2 * d.scale
		}
	}
}

func (d *quoteDoc) others() {
	if len(d.l.Others) == 0 {
		return
	}
	d.space(4)
	d.heading(d.l.Words["others"], 8)
	const roleWidth = 36
	l := look{size: 8.6, ink: black}
	for _, o := range d.l.Others {
		var parts []string
		for _, t := range o.Things {
			parts = append(parts, thingText(t.Text, t.Code, t.Quantity, t.Note))
		}
		lines := d.wrap(l, d.w-left-right-roleWidth-2, strings.Join(parts, "; "))
		role := d.wrap(small, roleWidth-2, o.Role+" "+o.Box)
		d.room(d.leading(l) * float64(min(len(lines), 8)))
		y := d.y
		for i, line := range lines {
			d.room(d.leading(l))
			if i < len(role) {
				d.at(left, d.y, small, toLeft, 0, role[i])
			}
			d.at(left+roleWidth, d.y, l, toLeft, 0, line)
			d.y += d.leading(l)
		}
		if need := y + float64(len(role))*d.leading(small); len(role) > len(lines) {
			for i := len(lines); i < len(role); i++ {
				d.at(left, y+float64(i)*d.leading(l), small, toLeft, 0, role[i])
			}
			d.y = max(d.y, need)
		}
		d.y += 0.7 * d.scale
	}
}

func thingText(text, code, quantity, note string) string {
	if quantity != "" {
		text = quantity + " × " + text
	}
	if code != "" && code != text {
		text += " (" + code + ")"
	}
	if note != "" {
		text += ": " + note
	}
	return text
}

func (d *quoteDoc) notes() {
	if len(d.l.Notes) == 0 {
		return
	}
	d.space(3.5)
	d.heading(d.l.Words["to_know"], 8)
	l := look{size: 8.6, ink: black}
	for _, text := range d.l.Notes {
		d.room(d.leading(l))
		d.at(left, d.y, l, toLeft, 0, "•")
		d.para(left+3.5, d.w-left-right-3.5, l, text)
		d.y += 0.5 * d.scale
	}
}

func (d *quoteDoc) terms() {
	if d.l.Terms == "" && d.l.Closing == "" {
		return
	}
	d.space(3.5)
	d.heading(d.l.Words["terms"], 8)
	l := look{size: 8.6, ink: black}
	for _, text := range []string{d.l.Terms, d.l.Closing} {
		d.para(left, d.w-left-right, l, text)
		d.y += 0.8 * d.scale
	}
}

// web says where the quote is on the web, as a link for those who read the file on a screen.
func (d *quoteDoc) web() {
	if d.l.Web == "" {
		return
	}
	d.space(2)
	for _, line := range d.wrap(small, d.w-left-right, d.l.Words["on_the_web"]+" "+d.l.Web) {
		d.room(d.leading(small))
		d.p.LinkString(left, d.y, d.width(small, line), d.leading(small), d.l.Web)
		d.at(left, d.y, small, toLeft, 0, line)
		d.y += d.leading(small)
	}
}

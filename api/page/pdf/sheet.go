// Package pdf sets our paper as PDF: quotes and bench sheets, on A4 or Letter, in the Go fonts,
// which have Latin, Greek and Cyrillic. What they cannot set is marked where it stands and named
// with the web page on which it reads in full; there are no silent boxes. The same input gives
// the same bytes: no clock, no random ids.
package pdf

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"

	"forkwright/api/page/chart"
)

// Margins in mm.
const (
	left, right, top, bottom = 15.0, 15.0, 13.0, 15.0
	mmPerPoint               = 25.4 / 72
)

type ink [3]int

// The inks of our paper; they are told apart in gray as well.
var (
	black = ink{0x1d, 0x24, 0x30}
	soft  = ink{0x5b, 0x64, 0x73}
	rule  = ink{0xcf, 0xd5, 0xdd}
	mark  = ink{0x0b, 0x6b, 0x5c}
	tint  = ink{0xee, 0xf4, 0xf2}
)

// look is how text is set: size in points, weight and ink.
type look struct {
	size float64
	bold bool
	ink  ink
}

// sheet is paper while it is being set. All text passes through set, so that nothing reaches the
// file that the font does not have.
type sheet struct {
	p        *fpdf.Fpdf
	regular  *sfnt.Font
	buf      sfnt.Buffer
	w, h     float64 // of the page
	scale    float64 // of type and spaces, at most 1
	y        float64
	instead  string // stands for what cannot be set
	lost     bool   // something could not be set
	onBreak  func() // draws what is repeated on a new page
	breaking bool
}

// newSheet begins paper. Scale below 1 sets it tighter.
func newSheet(paper, title, language string, at time.Time, scale float64) (*sheet, error) {
	if paper != "Letter" {
		paper = "A4"
	}
	regular, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return nil, fmt.Errorf("reading the font: %w", err)
	}
	s := &sheet{p: fpdf.New("P", "mm", paper, ""), regular: regular, scale: scale, y: top, instead: "[see the web page]"}
	if language == "de" {
		s.instead = "[siehe Webseite]"
	}
	s.p.SetCatalogSort(true)
	s.p.SetCompression(true)
	s.p.SetProducer("Forkwright", false)
	s.p.SetCreationDate(at.UTC())
	s.p.SetModificationDate(at.UTC())
	s.p.SetTitle(s.set(title), true)
	s.p.SetLang(language)
	s.lost = false
	s.p.AddUTF8FontFromBytes("go", "", goregular.TTF)
	s.p.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	s.p.SetMargins(left, top, right)
	s.p.SetAutoPageBreak(false, 0)
	s.p.SetCellMargin(0)
	s.p.AddPage()
	s.w, s.h = s.p.GetPageSize()
	return s, s.p.Error()
}

// set makes text settable: composed, without control characters, with a mark in the place of what
// the font does not have.
func (s *sheet) set(text string) string {
	text = norm.NFC.String(chart.Plain(text))
	var b strings.Builder
	gap := false // inside what cannot be set
	space := false
	for _, r := range text {
		switch {
		case r == ' ' || r == '\u00a0' || r == '\u202f' || r == '\u2009':
			space = true
			continue
		case r == '\u200b' || r == '\u200c' || r == '\u200d' || r == '\ufe0f' || r == '\u00ad':
			continue // not seen by themselves
		case !s.has(r):
			if !gap {
				if space && b.Len() > 0 {
					b.WriteByte(' ')
				}
				b.WriteString(s.instead)
				gap, s.lost = true, true
			}
			space = false
			continue
		}
		if space && b.Len() > 0 || gap {
			b.WriteByte(' ')
		}
		gap, space = false, false
		b.WriteRune(r)
	}
	return b.String()
}

func (s *sheet) has(r rune) bool {
	if r > 0xffff { // the encoding of the file ends there
		return false
	}
	i, err := s.regular.GlyphIndex(&s.buf, r)
	return err == nil && i != 0
}

func (s *sheet) use(l look) {
	style := ""
	if l.bold {
		style = "B"
	}
	s.p.SetFont("go", style, l.size*s.scale)
	s.p.SetTextColor(l.ink[0], l.ink[1], l.ink[2])
}

// leading is the height of a line in mm.
func (s *sheet) leading(l look) float64 { return l.size * s.scale * mmPerPoint * 1.32 }

func (s *sheet) width(l look, text string) float64 {
	s.use(l)
	return s.p.GetStringWidth(s.set(text))
}

// Where text is put against its point.
const (
	toLeft  = 0
	toMid   = 1
	toRight = 2
)

// at sets one line with its top at y. A line that is wider than most (0: no limit) is made smaller.
func (s *sheet) at(x, y float64, l look, align int, most float64, text string) {
	text = s.set(text)
	base := y + s.leading(l)*0.76
	s.use(l)
	w := s.p.GetStringWidth(text)
	for most > 0 && w > most && l.size > 3 {
		l.size *= 0.94
		s.use(l)
		w = s.p.GetStringWidth(text)
	}
	switch align {
	case toMid:
		x -= w / 2
	case toRight:
		x -= w
	}
	s.p.Text(x, base, text)
}

// wrap breaks text into lines that fit. Line ends in the text are kept, and a word that is longer
// than a line is cut.
func (s *sheet) wrap(l look, width float64, text string) []string {
	var out []string
	s.use(l)
	for part := range strings.SplitSeq(strings.ReplaceAll(text, "\r\n", "\n"), "\n") {
		line := ""
		for word := range strings.FieldsSeq(s.set(part)) {
			next := word
			if line != "" {
				next = line + " " + word
			}
			if s.p.GetStringWidth(next) <= width {
				line = next
				continue
			}
			if line != "" {
				out = append(out, line)
			}
			for s.p.GetStringWidth(word) > width {
				n := s.fitting(word, width)
				out, word = append(out, word[:n]), word[n:]
			}
			line = word
		}
		if line != "" {
			out = append(out, line)
		}
	}
	return out
}

// fitting is how many bytes of a word fit, at least one character.
func (s *sheet) fitting(word string, width float64) int {
	w, n := 0.0, 0
	for i, r := range word {
		w += s.p.GetStringWidth(string(r))
		if w > width && i > 0 {
			return i
		}
		n = i + len(string(r))
	}
	return n
}

// room makes sure of so much height, on a new page if need be.
func (s *sheet) room(height float64) {
	if s.y+height <= s.h-bottom || s.breaking || s.y <= top {
		return
	}
	s.p.AddPage()
	s.y = top
	if s.onBreak != nil {
		s.breaking = true
		s.onBreak()
		s.breaking = false
	}
}

// para sets text in a column, over as many pages as it takes.
func (s *sheet) para(x, width float64, l look, text string) {
	for _, line := range s.wrap(l, width, text) {
		s.room(s.leading(l))
		s.at(x, s.y, l, toLeft, 0, line)
		s.y += s.leading(l)
	}
}

func (s *sheet) space(mm float64) { s.y += mm * s.scale }

func (s *sheet) line(x1, y1, x2, y2, width float64, i ink) {
	s.p.SetDrawColor(i[0], i[1], i[2])
	s.p.SetLineWidth(width)
	s.p.SetDashPattern(nil, 0)
	s.p.Line(x1, y1, x2, y2)
}

func (s *sheet) box(x, y, w, h float64, i ink) {
	s.p.SetFillColor(i[0], i[1], i[2])
	s.p.Rect(x, y, w, h, "F")
}

// heading is a small heading over a section, kept with what follows.
func (s *sheet) heading(text string, keep float64) {
	l := look{size: 8.5, bold: true, ink: mark}
	s.room(s.leading(l) + keep)
	s.at(left, s.y, l, toLeft, 0, strings.ToUpper(text))
	s.y += s.leading(l) + 0.6*s.scale
}

// whereLost says where the text that could not be set reads in full.
func (s *sheet) whereLost(language, url string) {
	if !s.lost {
		return
	}
	text := "“" + s.instead + "” stands for text in a script that this file cannot set. It reads in full on the web page"
	if language == "de" {
		text = "„" + s.instead + "“ steht für Text in einer Schrift, die diese Datei nicht setzen kann. Vollständig steht er auf der Webseite"
	}
	if url != "" {
		text += ": " + url
	}
	s.space(2)
	s.para(left, s.w-left-right, look{size: 8.5, bold: true, ink: black}, text)
}

// finish writes the feet, which need the number of pages, and closes the file.
func (s *sheet) finish(foot string) ([]byte, error) {
	l := look{size: 7.5, ink: soft}
	pages := s.p.PageCount()
	for n := 1; n <= pages; n++ {
		s.p.SetPage(n)
		s.p.SetFont("go", "B", 1) // so that the font is named anew on a page that was left
		y := s.h - bottom + 3
		s.line(left, y, s.w-right, y, 0.15, rule)
		room := s.w - left - right
		if pages > 1 {
			s.at(s.w-right, y+1, l, toRight, 0, fmt.Sprintf("%d / %d", n, pages))
			room -= 16
		}
		if lines := s.wrap(l, room, foot); len(lines) > 0 {
			s.at(left, y+1, l, toLeft, 0, lines[0])
			if len(lines) > 1 {
				second := lines[1]
				if len(lines) > 2 {
					second += " …"
				}
				s.at(left, y+1+s.leading(l), l, toLeft, 0, second)
			}
		}
	}
	var b bytes.Buffer
	if err := s.p.Output(&b); err != nil {
		return nil, fmt.Errorf("writing a PDF: %w", err)
	}
	return b.Bytes(), nil
}

// tightness are the scales that are tried; the last is the smallest that still reads easily.
var tightness = []float64{1, 0.93, 0.87}

// onePage sets paper as loosely as still fits one page; where nothing does, it takes as many
// pages as it needs, set loosely.
func onePage(draw func(scale float64) (*sheet, error)) (*sheet, error) {
	var loose *sheet
	for _, scale := range tightness {
		s, err := draw(scale)
		if err != nil {
			return nil, err
		}
		if s.p.PageCount() == 1 {
			return s, nil
		}
		if loose == nil {
			loose = s
		}
	}
	return loose, nil
}

// Package chart draws the pictures on our paper: the force over the travel of a fork, and
// which leg is which. A picture is drawn once, through a small canvas, and comes out the same
// as SVG and as vectors of a PDF. It is laid out with the metrics of the Go fonts, so that no
// label depends on what a reader has installed, and the same input gives the same bytes.
package chart

// Pt is a point in mm, y down.
type Pt struct{ X, Y float64 }

// Box is a rectangle in mm, from its upper left corner.
type Box struct{ X, Y, W, H float64 }

// Ink is a color, red, green, blue.
type Ink [3]uint8

// Pen draws lines. Width and dash lengths are in mm; no dash is a solid line.
type Pen struct {
	Ink   Ink
	Width float64
	Dash  []float64
}

// Type is how text is set. Points are typographic points, 1/72 inch.
type Type struct {
	Points float64
	Bold   bool
	Ink    Ink
	Align  Align
	Halo   bool // a white rim, for text that may touch a line
}

// Align says which end of a text stands at its point.
type Align int

// The alignments.
const (
	Start Align = iota
	Middle
	End
)

// Canvas is all that a picture needs. Text stands on its baseline.
type Canvas interface {
	Fill(outline []Pt, ink Ink)
	Line(through []Pt, pen Pen)
	Text(at Pt, t Type, text string)
	Clip(b Box)
	EndClip()
}

const mmPerPoint = 25.4 / 72

// The inks. They differ by lightness as well as by hue, so that they stay apart in gray and for
// eyes that do not tell red from green.
var (
	black  = Ink{0x16, 0x1b, 0x22}
	soft   = Ink{0x5b, 0x64, 0x73}
	pale   = Ink{0xd9, 0xde, 0xe4}
	wash   = Ink{0xe3, 0xec, 0xea}
	strong = Ink{0x0b, 0x4f, 0x45}
	second = Ink{0x8a, 0x6d, 0x2f}
	white  = Ink{0xff, 0xff, 0xff}
)

func (b Box) outline() []Pt {
	return []Pt{{b.X, b.Y}, {b.X + b.W, b.Y}, {b.X + b.W, b.Y + b.H}, {b.X, b.Y + b.H}}
}

package chart

import (
	"math"

	"forkwright/service/catalog"
)

// Legs shows which leg of a fork is which, seen as the rider sits: left is left.
type Legs struct {
	SpringSide catalog.Side
	Inverted   bool
}

// Title is the name of the picture.
func (l Legs) Title() string { return "Which leg is which, as the rider sits" }

// Desc says in words what the picture shows.
func (l Legs) Desc() string {
	if l.SpringSide != catalog.Left && l.SpringSide != catalog.Right {
		return "It is not known which leg holds the spring."
	}
	return "The spring is in the " + string(l.SpringSide) + " leg and the damper in the " + string(other(l.SpringSide)) + " leg."
}

func other(s catalog.Side) catalog.Side {
	if s == catalog.Left {
		return catalog.Right
	}
	return catalog.Left
}

// SVG is the picture on its own, 46 by 40 mm.
func (l Legs) SVG() []byte {
	const w, h = 46, 40
	return picture("legs", w, h, l.Title(), l.Desc(), func(c Canvas) { l.Draw(c, Box{0, 0, w, h}) })
}

// Draw draws the legs into a box of 46 by 40 mm.
func (l Legs) Draw(c Canvas, b Box) {
	mid := b.X + b.W/2
	line := Pen{Ink: black, Width: 0.3}
	top, crown, join, foot := b.Y+6.5, b.Y+9.5, b.Y+22, b.Y+32
	c.Line([]Pt{{mid - 1.2, top - 3}, {mid - 1.2, top}, {mid + 1.2, top}, {mid + 1.2, top - 3}}, line)
	c.Line([]Pt{{mid - 9.5, crown}, {mid - 9.5, top + 1}, {mid - 6, top}, {mid + 6, top}, {mid + 9.5, top + 1}, {mid + 9.5, crown}}, line)
	for _, side := range []catalog.Side{catalog.Left, catalog.Right} {
		x := mid - 8
		if side == catalog.Right {
			x = mid + 8
		}
		upper, lower := 1.5, 2.1
		if l.Inverted {
			upper, lower = lower, upper
		}
		c.Line([]Pt{{x - upper, crown}, {x - upper, join}}, line)
		c.Line([]Pt{{x + upper, crown}, {x + upper, join}}, line)
		c.Line([]Pt{{x - lower, join}, {x + lower, join}, {x + lower, foot}, {x - lower, foot}, {x - lower, join}}, line)
		holds := ""
		switch {
		case l.SpringSide == side:
			holds = "SPRING"
			c.Line(coil(x, crown+0.8, join-0.8), Pen{Ink: strong, Width: 0.45})
		case l.SpringSide == other(side):
			holds = "DAMPER"
			c.Line([]Pt{{x, crown + 0.8}, {x, join - 4}}, Pen{Ink: soft, Width: 0.45})
			c.Fill(Box{x - 0.9, join - 4, 1.8, 2}.outline(), soft)
		}
		name := "LEFT"
		if side == catalog.Right {
			name = "RIGHT"
		}
		c.Text(Pt{x, foot + 3.6}, Type{Points: 6.5, Bold: true, Ink: black, Align: Middle}, name)
		c.Text(Pt{x, foot + 6.6}, Type{Points: 6.5, Ink: black, Align: Middle}, holds)
	}
}

func coil(x, from, to float64) []Pt {
	const turns, steps = 7, 84
	out := make([]Pt, 0, steps+1)
	for i := 0; i <= steps; i++ {
		t := float64(i) / steps
		out = append(out, Pt{x + 1.1*math.Sin(2*math.Pi*turns*t), from + (to-from)*t})
	}
	return out
}

package chart

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
	"forkwright/service/unit"
)

var update = flag.Bool("update", false, "write the golden files anew")

// example is a coil of so many N/mm with an air bump stop over the last 40 mm of 160.
func example(rate float64) Curve {
	c := Curve{Name: "Coil " + number(rate, 2) + " N/mm"}
	for x := 0.0; x <= 160; x++ {
		n := 30 + rate*x
		if x > 120 {
			n += 25 * (math.Pow(1-(x-120)/52, -1.2) - 0.9)
		}
		c.Points = append(c.Points, Point{x, n})
	}
	return c
}

func whole() ForceTravel {
	next := example(9.63)
	return ForceTravel{
		TravelMM: 160, Units: unit.Metric, Main: example(8.75), Neighbor: &next,
		Sag: &Sag{MM: 32.4, LowMM: 27.1, HighMM: 38}, BumpStop: &BumpStop{AtMM: 120}, End: &EndForce{N: 1553, LowN: 1510, HighN: 1640},
	}
}

func TestGoldens(t *testing.T) {
	imperial := whole()
	imperial.Units, imperial.Heading = unit.Imperial, "Force over travel"
	steep := whole()
	for i := range steep.Main.Points {
		if x := steep.Main.Points[i].TravelMM; x > 150 {
			steep.Main.Points[i].ForceN += math.Pow(x-150, 5)
		}
	}
	steep.End, steep.Sag.HighMM, steep.BumpStop.AtMM = nil, 60, 40
	bare := ForceTravel{TravelMM: 100, Main: Curve{Points: []Point{{0, 0}, {100, 700}}}}
	aim := whole()
	aim.Neighbor, aim.Sag.Aim = nil, true
	for name, got := range map[string][]byte{
		"aim": aim.SVG(), "whole": whole().SVG(), "imperial": imperial.SVG(), "steep": steep.SVG(), "bare": bare.SVG(),
		"legs-left": Legs{SpringSide: catalog.Left}.SVG(), "legs-right-inverted": Legs{SpringSide: catalog.Right, Inverted: true}.SVG(),
	} {
		file := "testdata/" + name + ".svg"
		if *update {
			if err := os.WriteFile(file, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), string(got)); diff != "" {
			t.Errorf("%s differs (-want +got); look at it, then go test -update:\n%s", name, diff)
		}
	}
}

func TestSameBytesTwice(t *testing.T) {
	if !bytes.Equal(whole().SVG(), whole().SVG()) {
		t.Error("the same chart gave other bytes")
	}
}

func TestTicksAreRound(t *testing.T) {
	for _, c := range []struct {
		end  float64
		most int
		want []float64
	}{
		{160, 10, []float64{0, 20, 40, 60, 80, 100, 120, 140, 160}},
		{170, 10, []float64{0, 20, 40, 60, 80, 100, 120, 140, 160}},
		{6.3, 7, []float64{0, 1, 2, 3, 4, 5, 6}},
		{1600, 7, []float64{0, 250, 500, 750, 1000, 1250, 1500}},
		{0.5, 5, []float64{0, 0.1, 0.2, 0.30000000000000004, 0.4, 0.5}},
		{0, 5, []float64{0}},
	} {
		if diff := cmp.Diff(c.want, ticks(c.end, c.most)); diff != "" {
			t.Errorf("ticks(%g, %d): %s", c.end, c.most, diff)
		}
	}
	for end := 0.3; end < 9000; end *= 1.037 {
		if n := len(ticks(end, 7)); n < 3 || n > 8 {
			t.Errorf("%d ticks up to %g", n, end)
		}
	}
}

// recorder keeps what is drawn.
type recorder struct {
	fills, lines [][]Pt
	clipped      []bool
	texts        []placed
	clip         bool
}

type placed struct {
	at   Pt
	t    Type
	text string
}

func (r *recorder) Fill(o []Pt, _ Ink) { r.fills = append(r.fills, o) }
func (r *recorder) Line(o []Pt, _ Pen) {
	r.lines, r.clipped = append(r.lines, o), append(r.clipped, r.clip)
}
func (r *recorder) Text(at Pt, t Type, s string) {
	r.texts = append(r.texts, placed{at, t, s})
}
func (r *recorder) Clip(Box) { r.clip = true }
func (r *recorder) EndClip() { r.clip = false }

// boxOf is where a text stands.
func (p placed) boxOf(m *metrics) Box {
	w, h := m.width(p.t, p.text), p.t.Points*mmPerPoint
	x := p.at.X - [...]float64{0, w / 2, w}[p.t.Align]
	return Box{x, p.at.Y - 0.75*h, w, 0.95 * h}
}

func TestNoTextOnTextOrCurve(t *testing.T) {
	m := newMetrics()
	for sag := 10.0; sag < 80; sag += 7 {
		for bump := 0.0; bump < 160; bump += 11 {
			for _, rate := range []float64{8.8, 9.5, 14} {
				for _, u := range []unit.System{unit.Metric, unit.Imperial} {
					f := whole()
					next := example(rate)
					next.Name = "Coil spring 36 long, 55 lbf/in, softer by one step"
					f.Units, f.Sag, f.BumpStop, f.Neighbor = u, &Sag{MM: sag, LowMM: sag - 6, HighMM: sag + 6}, &BumpStop{bump}, &next
					r := &recorder{}
					f.Draw(r, Box{0, 0, 174, 106})
					checkApart(t, m, r)
				}
			}
		}
	}
}

func checkApart(t *testing.T, m *metrics, r *recorder) {
	t.Helper()
	for i, a := range r.texts {
		ab := a.boxOf(m)
		if ab.X < -0.01 || ab.X+ab.W > 174.01 || ab.Y < -0.5 || ab.Y+ab.H > 106.5 {
			t.Errorf("%q runs off the picture: %+v", a.text, ab)
		}
		for _, b := range r.texts[i+1:] {
			if overlap(ab, b.boxOf(m)) {
				t.Errorf("%q lies on %q", a.text, b.text)
			}
		}
		for j, l := range r.lines {
			if !r.clipped[j] {
				continue
			}
			for _, p := range l {
				if p.Y > 2+4.5+2.4+2*lineMM && overlap(ab, Box{p.X, p.Y, 0.01, 0.01}) {
					t.Errorf("%q lies on a curve", a.text)
				}
			}
		}
	}
}

func overlap(a, b Box) bool {
	return a.X < b.X+b.W && b.X < a.X+a.W && a.Y < b.Y+b.H && b.Y < a.Y+a.H
}

func TestSVGIsPlain(t *testing.T) {
	f := whole()
	hostile := "</text><script>alert(1)</script>\u202e=1+1\x00 " + strings.Repeat("W", 4096)
	f.Heading, f.Main.Name, f.Neighbor.Name = hostile, hostile, hostile
	got := f.SVG()
	d := xml.NewDecoder(bytes.NewReader(got))
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		switch e.Name.Local {
		case "svg", "title", "desc", "path", "text", "g", "clipPath":
		default:
			t.Errorf("element %s", e.Name.Local)
		}
		for _, a := range e.Attr {
			if strings.HasPrefix(a.Name.Local, "on") || strings.Contains(a.Name.Local, "href") || strings.Contains(a.Value, "http") && a.Name.Local != "xmlns" {
				t.Errorf("attribute %s=%q", a.Name.Local, a.Value)
			}
		}
	}
	for _, bad := range []string{"\u202e", "\x00", "<script"} {
		if bytes.Contains(got, []byte(bad)) {
			t.Errorf("the picture carries %q", bad)
		}
	}
	if n := len(f.Neighbor.Points); n != 161 {
		t.Fatalf("%d points", n)
	}
}

func TestWhatIsNotKnownIsNotDrawn(t *testing.T) {
	nan := math.NaN()
	for name, f := range map[string]ForceTravel{
		"nothing":    {},
		"no numbers": {TravelMM: 150, Main: Curve{Points: []Point{{0, nan}, {nan, 3}, {150, math.Inf(1)}}}, Sag: &Sag{MM: nan, LowMM: nan, HighMM: nan}, End: &EndForce{nan, nan, nan}, BumpStop: &BumpStop{nan}},
	} {
		got := string(f.SVG())
		if strings.Contains(got, "NaN") || strings.Contains(got, "Inf") {
			t.Errorf("%s: %s", name, got)
		}
	}
}

func TestDescSaysWhatIsSeen(t *testing.T) {
	want := "Force of the spring side over 160 mm of travel. Solid line: Coil 8.75 N/mm, 1,553 N at full travel. Sag 32 mm, between 27 mm and 38 mm. The bump stop begins at 120 mm. End force 1,553 N, between 1,510 N and 1,640 N. Dashed line: Coil 9.63 N/mm, 1,694 N at full travel."
	if got := strings.ReplaceAll(whole().Desc(), "\u00a0", " "); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

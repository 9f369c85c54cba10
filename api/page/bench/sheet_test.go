package bench

import (
	"cmp"
	"encoding/json"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fitment"
	"forkwright/service/fitment/fitmenttest"
	"forkwright/service/job"
	"forkwright/service/money"
	"forkwright/service/quote"
	"forkwright/service/unit"
)

func demo(t *testing.T) *catalog.Revision {
	t.Helper()
	tables, problems := source.Read(os.DirFS("../../../testdata/catalog"))
	if tables == nil {
		t.Fatalf("the demo catalog cannot be read: %v", problems)
	}
	return catalog.Build(tables, 1)
}

// conversions yields a conversion for every fork and coil cartridge of the demo catalog that go together.
func conversions(rev *catalog.Revision, yield func(*catalog.Fork, job.Question)) {
	for owned, c := range fitmenttest.Fitting(rev) {
		yield(owned.Fork, job.Question{Owned: owned, Jobs: []string{"coil_conversion", "lower_leg_service"}, Cartridge: c.SKU, Spring: rev.Family(c.SpringFamily)[0].SKU})
	}
}

func TestEverySheetOfTheDemoCatalog(t *testing.T) {
	rev := demo(t)
	sheets, left, right, unknown := 0, 0, 0, 0
	conversions(rev, func(f *catalog.Fork, q job.Question) {
		b, err := job.Make(rev, q, fitment.Judge)
		if err != nil {
			t.Fatal(err)
		}
		in := Input{Bill: b, Name: Names(rev, "en")}
		in.Assembled, in.WhyNot = Assemble(rev, &b, nil)
		s := New(in)
		html, err := s.HTML()
		if err != nil {
			t.Fatal(err)
		}
		sheets++
		if in.WhyNot != "" || s.Chart == nil || s.SetupNote != "" && !strings.Contains(s.SetupNote, "Do not build it") {
			t.Errorf("%s with %s: no chart, %q %q", f.ID, q.Cartridge, in.WhyNot, s.SetupNote)
		}
		side := rev.ChassisOf(f).SpringSide
		if side == catalog.Left {
			left++
		} else {
			right++
		}
		if s.Legs.SpringSide != side {
			t.Errorf("%s: the picture shows the spring %s, it is %s", f.ID, s.Legs.SpringSide, side)
		}
		for i, step := range s.Steps {
			want := map[catalog.Leg]string{catalog.SpringLeg: strings.ToUpper(string(side)) + " leg, spring side", catalog.BothLegs: "BOTH legs"}[b.Steps[i].Leg]
			if b.Steps[i].Leg == catalog.DamperLeg {
				want = map[catalog.Side]string{catalog.Left: "RIGHT leg, damper side", catalog.Right: "LEFT leg, damper side"}[side]
			}
			if step.Leg != want {
				t.Errorf("%s, step %s: leg %q, want %q", f.ID, b.Steps[i].Code, step.Leg, want)
			}
			if len(step.Figures) != len(b.Steps[i].Figures) || len(step.Cautions) != len(b.Steps[i].Cautions) {
				t.Errorf("%s, step %s: figures or cautions are lost", f.ID, b.Steps[i].Code)
			}
			for _, x := range step.Figures {
				if x.Value == "" {
					unknown++
					if x.Look == "" || !strings.Contains(string(html), "NOT IN OUR DATA") {
						t.Errorf("%s: %s is not in the data, and the sheet does not say where to look", f.ID, x.Name)
					}
				}
			}
			for _, c := range step.Cautions {
				if c.Text == "" {
					t.Errorf("%s, step %s: an empty caution", f.ID, b.Steps[i].Code)
				}
			}
		}
		if got := strings.Count(string(html), `class="do"`); got != len(b.Steps) {
			t.Errorf("%s: %d of %d steps on the page", f.ID, got, len(b.Steps))
		}
	})
	if sheets < 60 || left == 0 || right == 0 || unknown == 0 {
		t.Errorf("%d sheets, %d left, %d right, %d unknown figures: too few to mean anything", sheets, left, right, unknown)
	}
}

func TestFiguresAsPublishedThenTheOtherUnit(t *testing.T) {
	for _, c := range []struct {
		figure      string
		p           job.Published
		dim         unit.Dimension
		u           unit.System
		value, also string
	}{
		{"torque", job.Published{Value: 205, Unit: "in-lbf"}, unit.Torque, unit.Metric, "205 in-lbf", "23.2 N m"},
		{"torque", job.Published{Value: 25.5, Unit: "N m"}, unit.Torque, unit.Metric, "25.5 N m", "226 in-lbf"},
		{"torque", job.Published{Value: 18, Unit: "ft-lbf"}, unit.Torque, unit.Metric, "18 ft-lbf", "24.4 N m"},
		{"socket_after", job.Published{Value: 28, Unit: "mm"}, unit.Length, unit.Imperial, "28 mm", ""},
		{"socket_after", job.Published{Value: 0.5, Unit: "in"}, unit.Length, unit.Metric, "0.5 in", "12.7 mm"},
		{"oil_volume", job.Published{Value: 13, Unit: "cc"}, unit.Volume, unit.Metric, "13 mL", ""},
		{"oil_volume", job.Published{Value: 40, Unit: "mL"}, unit.Volume, unit.Imperial, "40 mL", "1.35 fl oz"},
		{"air_pressure_max", job.Published{Value: 70, Unit: "psi"}, unit.Pressure, unit.Metric, "70 psi", "4.8 bar"},
	} {
		si, err := c.p.SI(c.dim)
		if err != nil {
			t.Fatal(err)
		}
		l := layout{in: Input{Units: c.u}}
		f := l.figure(job.Figure{Figure: c.figure, Published: c.p, SI: si, Owner: "X"})
		value, also := strings.ReplaceAll(f.Value, "\u00a0", " "), strings.ReplaceAll(f.Also, "\u00a0", " ")
		if value != c.value || also != c.also {
			t.Errorf("%s %v: %q = %q, want %q = %q", c.figure, c.p, value, also, c.value, c.also)
		}
	}
}

func TestABillGoesThroughAQuoteUnchanged(t *testing.T) {
	rev := demo(t)
	conversions(rev, func(_ *catalog.Fork, q job.Question) {
		b, err := job.Make(rev, q, fitment.Judge)
		if err != nil {
			t.Fatal(err)
		}
		stored, err := json.Marshal(b)
		if err != nil {
			t.Fatal(err)
		}
		back, ok, err := OfQuote(&quote.Quote{Bench: stored})
		if err != nil || !ok {
			t.Fatal(ok, err)
		}
		x, _ := New(Input{Bill: b, Name: Names(rev, "en")}).HTML()
		y, _ := New(Input{Bill: back, Name: Names(rev, "en")}).HTML()
		if string(x) != string(y) {
			t.Fatal("the sheet of the stored bill differs")
		}
	})
	if _, ok, err := OfQuote(&quote.Quote{}); ok || err != nil {
		t.Error("a quote without bench work has a sheet")
	}
}

// of is the sheet of a job on one fork, with what it puts together.
func of(t *testing.T, rev *catalog.Revision, u unit.System, change func(*job.Question)) Sheet {
	t.Helper()
	f, _ := rev.Fork("skarnfeld-hollin-36-expert-2021")
	now := fitment.Travel{MM: 160, How: fitment.Measured}
	q := job.Question{Owned: fitment.Owned{Fork: f, ModelYear: 2021, TravelBuilt: now, TravelNow: now, WheelSize: "29", Use: "enduro"},
		Jobs: []string{"coil_conversion"}, Cartridge: "QB-C36S-160", Spring: "QB-S36L-081"}
	if change != nil {
		change(&q)
	}
	b, err := job.Make(rev, q, fitment.Judge)
	if err != nil {
		t.Fatal(err)
	}
	in := Input{Bill: b, Name: Names(rev, "en"), Units: u}
	in.Assembled, in.WhyNot = Assemble(rev, &b, map[string]float64{"jump": 16, "enduro": 21})
	return New(in)
}

func (s Sheet) fact(name string) (string, bool) {
	i := slices.IndexFunc(s.Setup, func(f Fact) bool { return f.Name == name })
	if i < 0 {
		return "", false
	}
	return strings.ReplaceAll(s.Setup[i].Value, "\u00a0", " "), true
}

func TestWhatIsPutTogetherIsOnTheSheet(t *testing.T) {
	rev := demo(t)
	order := func(q *job.Question) { q.Preload, q.BumpStop = 2, &job.Published{Value: 44, Unit: "psi"} }
	// 8.1 N/mm is 46.25 lbf/in; setting 2 shortens the 389.7 mm coil to 382 mm; 44 psi is 303.4 kPa; the
	// bump stop holds from 0.66 of 160 mm; 21 % is the shop's own target, give or take 3.
	for _, c := range []struct {
		units  unit.System
		change func(*job.Question)
		want   map[string]string
	}{
		{unit.Metric, order, map[string]string{
			"Cartridge":                "Coil cartridge Skarnfeld 36, 160 mm, QB-C36S-160",
			"Spring":                   "8.1 N/mm (46.3 lbf/in), QB-S36L-081",
			"Fork travel":              "160 mm",
			"Bump stop, fork extended": "44 psi (3 bar, 303 kPa)",
			"Bump stop begins at":      "105.6 mm of travel, for the last 54.4 mm",
			"Sag to aim at":            "33.6 mm (21 %); 28.8–38.4 mm (18–24 %) is good enough",
		}},
		{unit.Imperial, order, map[string]string{"Fork travel": "6.30 in", "Bump stop begins at": "4.16 in of travel, for the last 2.14 in"}},
		{unit.Metric, nil, map[string]string{"Bump stop, fork extended": "66 psi (4.6 bar, 455 kPa), a starting value; not in the order"}},
	} {
		s := of(t, rev, c.units, c.change)
		for name, want := range c.want {
			if got, _ := s.fact(name); got != want {
				t.Errorf("%s, %s is %q, want %q", c.units, name, got, want)
			}
		}
		for _, name := range []string{"Force at the start", "Force at full travel, pressed slowly", "Force at full travel, in a fast stroke", "Rebound, to start with", "Compression, to start with"} {
			if got, _ := s.fact(name); !strings.ContainsAny(got, "0123456789") {
				t.Errorf("%s, %s is %q", c.units, name, got)
			}
		}
		length := map[unit.System]string{unit.Metric: "mm", unit.Imperial: "in"}[c.units]
		for _, name := range []string{"Sag measured, " + length + ", weight eased on", "Sag measured, " + length + ", after a bounce"} {
			if got, there := s.fact(name); !there || got != "" {
				t.Errorf("no room for %s", name)
			}
		}
		html, err := s.HTML()
		if err != nil || !strings.Contains(string(html), "force-travel-title") || !strings.Contains(string(html), "Sag to aim at") {
			t.Errorf("no chart on the sheet: %v", err)
		}
	}
}

func TestWithoutFiguresTheSheetSaysWhyAndLeavesRoom(t *testing.T) {
	rev := demo(t)
	for name, c := range map[string]struct {
		rev         *catalog.Revision
		change      func(*job.Question)
		note, blank string
	}{
		"no spring": {rev, func(q *job.Question) {
			q.Jobs, q.Cartridge, q.Spring, q.Fitted = []string{"lower_leg_service"}, "", "", "QB-C36S-160"
		}, "No spring is chosen", "Spring fitted, by its mark"},
		"the catalog is gone": {nil, nil, "Catalog revision 1, from which this was quoted, is no longer kept", "Bump stop set to"},
		"an air fork":         {rev, func(q *job.Question) { q.Jobs, q.Cartridge, q.Spring = []string{"lower_leg_service"}, "", "" }, "", "Air pressure"},
	} {
		bill := Input{}
		of := of(t, rev, unit.Metric, func(q *job.Question) {
			if c.change != nil {
				c.change(q)
			}
			b, err := job.Make(rev, *q, fitment.Judge)
			if err != nil {
				t.Fatal(err)
			}
			bill.Bill = b
		})
		if c.rev == nil {
			bill.Assembled, bill.WhyNot = Assemble(nil, &bill.Bill, nil)
			of = New(bill)
		}
		if of.Chart != nil || !strings.HasPrefix(of.SetupNote, c.note) || c.note == "" && of.SetupNote != "" {
			t.Errorf("%s: %q", name, of.SetupNote)
		}
		if got, there := of.fact(c.blank); !there || got != "" {
			t.Errorf("%s: no room for %s: %v", name, c.blank, of.Setup)
		}
	}
}

func TestASpringThatMustNotBeBuiltInIsSaid(t *testing.T) {
	tables, _ := source.Read(os.DirFS("../../../testdata/catalog"))
	for i := range tables.Springs {
		if s := &tables.Springs[i]; s.SKU == "QB-S36L-081" {
			s.FreeLengthMM -= 60 // it rattles in its cavity
		}
	}
	s := of(t, catalog.Build(tables, 1), unit.Metric, nil)
	if !strings.Contains(s.SetupNote, "rattles") || !strings.Contains(s.SetupNote, "Do not build it") {
		t.Errorf("%q", s.SetupNote)
	}
}

// A text that leaves its place brings one of these along.
var marks = regexp.MustCompile(`[^<>"']+`)

func TestHostileTextIsHarmless(t *testing.T) {
	rev := demo(t)
	markup := map[string]string{} // of each fork's sheet: the same whatever is said
	for name, text := range map[string]string{
		"markup":  `</td><script>alert("1")</script><img src=x onerror=alert(1)>`,
		"style":   `</style><script>`,
		"formula": `=HYPERLINK("http://x.example")`,
		"turned":  "abc\u202edef\u2066ghi\u200f",
		"control": "a\x00b\x07c\x1bd",
		"long":    strings.Repeat("W", 4096),
	} {
		conversions(rev, func(f *catalog.Fork, q job.Question) {
			if q.Cartridge != "QB-C36S-160" {
				return
			}
			b, err := job.Make(rev, q, fitment.Judge)
			if err != nil {
				t.Fatal(err)
			}
			for i := range b.Steps {
				b.Steps[i].Text = text
			}
			for i := range b.Figures {
				b.Figures[i].Source, b.Figures[i].WhereToLook, b.Figures[i].Published.Unit = text, text, text
			}
			b.Open = append(b.Open, job.OpenPoint{Text: text})
			html, err := New(Input{Bill: b, Name: func(string) string { return text }, Customer: text, Language: text, Quote: &quote.Quote{Reference: text, Number: text, Seller: quote.Seller{Name: text}}}).HTML()
			if err != nil {
				t.Fatal(err)
			}
			for _, bad := range []string{"<script", "<img", "\u202e", "\u2066", "\u200f", "\x00", "\x07", "\x1b"} {
				if strings.Contains(string(html), bad) {
					t.Errorf("%s: the page carries %q", name, bad)
				}
			}
			got := marks.ReplaceAllString(string(html), "")
			if markup[f.ID] = cmp.Or(markup[f.ID], got); got != markup[f.ID] {
				t.Errorf("%s: it is more than text", name)
			}
		})
	}
}

func TestTheSheetSaysWhenPartsComeAndWhichCountIsOverdue(t *testing.T) {
	at := time.Date(2026, 3, 1, 23, 30, 0, 0, time.UTC) // the second in the seller's zone
	q := quote.Quote{State: quote.Accepted, TimeZone: "Europe/Berlin", CreatedAt: at, Lines: []quote.Line{
		{SKU: "A-1", Sourcing: []quote.Source{{Location: "shelf", Kind: quote.OnHand, Quantity: money.FromInt(1), Stale: true, CountedAt: &at}}},
		{SKU: "B-2", Sourcing: []quote.Source{{Location: "depot", Kind: quote.OnHand, Quantity: money.FromInt(1), On: "2026-03-09", Stale: true}}},
		{SKU: "C-3", Sourcing: []quote.Source{{Location: "shelf", Kind: quote.OnHand, Quantity: money.FromInt(1), Taken: money.FromInt(1), Stale: true}}},
	}}
	s := New(Input{Quote: &q})
	if !slices.Contains(s.Facts, Fact{"All parts here from", "2026-03-09"}) {
		t.Errorf("%v", s.Facts)
	}
	want := []string{
		"Look whether A-1 (A-1) lies at shelf: it was counted on 2026-03-02, and a newer count is overdue.",
		"Look whether B-2 (B-2) lies at depot: it has never been counted, and a newer count is overdue.",
	}
	if !slices.Equal(s.Open, want) {
		t.Errorf("%q", s.Open)
	}
	q.Lines[1].Sourcing[0].On, q.Lines[1].Sourcing[0].Kind = "", quote.Backorder
	if s = New(Input{Quote: &q}); !slices.Contains(s.Facts, Fact{"All parts here from", "not known yet"}) {
		t.Errorf("%v", s.Facts)
	}
	q.State = quote.Fulfilled
	if s = New(Input{Quote: &q}); len(s.Open) != 0 || slices.ContainsFunc(s.Facts, func(f Fact) bool { return f.Name == "All parts here from" }) {
		t.Errorf("all is done: %v %v", s.Facts, s.Open)
	}
}

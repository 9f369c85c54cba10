package pdf

import (
	"bytes"
	"os"
	"strings"
	"testing"
	"time"

	"forkwright/api/page/bench"
	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fitment"
	"forkwright/service/job"
)

var day = time.Date(2026, 11, 24, 9, 30, 0, 0, time.UTC)

// demoSheet is the work order of a conversion with service on a fork of the demo catalog.
func demoSheet(t *testing.T, change func(*bench.Input)) bench.Sheet {
	t.Helper()
	tables, problems := source.Read(os.DirFS("../../../testdata/catalog"))
	if tables == nil {
		t.Fatalf("the demo catalog cannot be read: %v", problems)
	}
	rev := catalog.Build(tables, 1)
	f, ok := rev.Fork("skarnfeld-hollin-36-expert-2021")
	if !ok {
		t.Fatal("the demo fork is gone")
	}
	now := fitment.Travel{MM: 160, How: fitment.Measured}
	owned := fitment.Owned{Fork: f, ModelYear: 2021, TravelBuilt: now, TravelNow: now, WheelSize: "29", Options: map[string]string{}}
	for _, o := range rev.Options(f.ID) {
		owned.Options[o.Fact] = o.Value
	}
	b, err := job.Make(rev, job.Question{Owned: owned, Jobs: []string{"coil_conversion", "lower_leg_service"}, Cartridge: "QB-C36S-160", Spring: "QB-S36L-081", Preload: 2, Kits: []string{"QB-SV-SK36-2"}}, fitment.Judge)
	if err != nil {
		t.Fatal(err)
	}
	q := sample(t, nil)
	in := bench.Input{Bill: b, Name: bench.Names(rev, "en"), Quote: &q, Customer: "Demo Customer"}
	in.Assembled, in.WhyNot = bench.Assemble(rev, &b, nil)
	if change != nil {
		change(&in)
	}
	return bench.New(in)
}

func TestABenchSheetSaysAllThatItHolds(t *testing.T) {
	s := demoSheet(t, nil)
	html, err := s.HTML()
	if err != nil {
		t.Fatal(err)
	}
	keep(t, "bench.html", html)
	file, err := Bench(s, day)
	if err != nil {
		t.Fatal(err)
	}
	keep(t, "bench.pdf", file)
	again, _ := Bench(s, day)
	if !bytes.Equal(file, again) {
		t.Error("the same sheet gave other bytes")
	}
	flat := func(s string) string { return strings.Join(strings.Fields(s), "") }
	text := flat(textOf(t, file))
	for _, step := range s.Steps {
		if !strings.Contains(text, flat(step.Text)) && !strings.Contains(text, flat(strings.ReplaceAll(step.Text, "\n", " "))) {
			t.Errorf("step %d is not on the paper: %s", step.No, step.Text)
		}
		for _, f := range step.Figures {
			want := f.Value
			if want == "" {
				want = notInOurData
			}
			if !strings.Contains(text, flat(want)) {
				t.Errorf("step %d: no %s %s", step.No, f.Name, want)
			}
		}
	}
	for _, g := range s.Parts {
		for _, p := range g.Parts {
			if !strings.Contains(text, flat(p.Text)) {
				t.Errorf("no part %s", p.Text)
			}
		}
	}
}

func TestWhatIsNotInTheDataIsFramedAndSaysWhereToLook(t *testing.T) {
	s := demoSheet(t, func(in *bench.Input) {
		for i := range in.Bill.Figures {
			f := &in.Bill.Figures[i]
			*f = job.Figure{ID: f.ID, Figure: f.Figure, State: job.NotInOurData, WhereToLook: "the service manual of the fork"}
		}
		for i := range in.Bill.Lines {
			in.Bill.Lines[i].State, in.Bill.Lines[i].WhereToLook = job.NotInOurData, "the service manual of the fork"
		}
		in.Language = "de"
	})
	file, err := Bench(s, day)
	if err != nil {
		t.Fatal(err)
	}
	keep(t, "bench-unknown.pdf", file)
	text := textOf(t, file)
	figures := 0
	for _, x := range s.Steps {
		figures += len(x.Figures)
	}
	if got := strings.Count(text, notInOurData+"\n"); got != figures || figures < 8 {
		t.Errorf("%d marks for %d figures", got, figures)
	}
	if !strings.Contains(text, "Look in the service manual of the fork.") || strings.Contains(text, "N m\n") {
		t.Error("the sheet does not say where to look, or carries a figure")
	}
}

func TestHostileTextOnABenchSheetIsHarmless(t *testing.T) {
	for name, text := range hostileTexts {
		s := demoSheet(t, func(in *bench.Input) {
			in.Name = func(string) string { return text }
			in.WhyNot, in.Assembled.Fault = text, text
			in.Customer, in.Quote.Reference, in.Quote.Seller.Name, in.Language = text, text, text, text
			in.Bill.Steps[3].Text = text
			in.Bill.Open = []job.OpenPoint{{Code: "x", Text: text}}
			for i := range in.Bill.Figures {
				in.Bill.Figures[i].Source, in.Bill.Figures[i].WhereToLook = text, text
			}
		})
		file, err := Bench(s, day)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		keep(t, "hostile-bench-"+strings.ReplaceAll(name, " ", "-")+".pdf", file)
		for _, r := range textOf(t, file) {
			if r < 0x20 && r != '\n' || r >= 0x7f && r < 0xa0 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
				t.Fatalf("%s: %U on the paper", name, r)
			}
		}
	}
}

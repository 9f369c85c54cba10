package search

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
)

func ids(r Result) []string {
	var out []string
	for _, c := range r.Candidates {
		out = append(out, c.Fork.ID)
	}
	return out
}

// small is a catalog of two makers with five forks that differ in one thing each.
func small() *catalog.Revision {
	fork := func(id, chassis, model, name string, from, to int16, wheels []string, travels ...int) catalog.Fork {
		return catalog.Fork{ID: id, Chassis: chassis, Model: model, Name: name, YearFrom: from, YearTo: to, WheelSizes: wheels, TravelsMM: travels}
	}
	return catalog.Build(&catalog.Tables{
		Makers: []catalog.Maker{{Code: "ostrel", Name: "Östrel", Aliases: []string{"OT"}}, {Code: "vim", Name: "Vimbrook"}},
		Chassis: []catalog.Chassis{
			{Code: "o36", Maker: "ostrel", Name: "O36", StanchionMM: 36, SpringSide: catalog.Left, FootFastener: "nut", Axle: "15x110"},
			{Code: "o36r", Maker: "ostrel", Name: "O36R", StanchionMM: 36, SpringSide: catalog.Right, FootFastener: "nut", Axle: "15x110"},
			{Code: "v34", Maker: "vim", Name: "V34", StanchionMM: 34, SpringSide: catalog.Left, FootFastener: "bolt", Axle: "20x110"},
		},
		Forks: []catalog.Fork{
			fork("o-fell-19", "o36", "Fellen 36", "Fellen 36", 2019, 2021, []string{"29"}, 150, 160),
			fork("o-fell-22", "o36", "Fellen 36", "Fellen 36", 2022, 2024, []string{"29"}, 150, 160),
			fork("o-moor", "o36", "Mooren 36", "Mooren 36", 2020, 2024, []string{"29"}, 140),
			fork("o-moor-r", "o36r", "Mooren 36", "Mooren 36", 2020, 2024, []string{"29"}, 140),
			fork("v-kar", "v34", "Karrig 34", "Karrig 34 Tour", 2020, 2024, []string{"27.5", "29"}, 120, 130),
		},
		Marks: []catalog.Mark{
			{Fork: "o-fell-22", Mark: "FE-22S", Place: "crown"}, {Fork: "v-kar", Mark: "2000000000015", Place: "box"},
			{Fork: "o-fell-19", Mark: "OT.77", Place: "steerer"}, {Fork: "o-moor", Mark: "OT.77", Place: "steerer"},
		},
	}, 1)
}

func TestWhatPeopleType(t *testing.T) {
	x := New(small(), nil)
	for _, c := range []struct {
		query    string
		first    string
		sure     bool
		question string
	}{
		{"karrig 34", "v-kar", true, ""},
		{"34 vimbrook KARRIG tour", "v-kar", true, ""},
		{"kariig", "v-kar", true, ""},
		{"Östrel Fellen 36 2023", "o-fell-22", true, ""},
		{"oestrel fellen 36 '20", "o-fell-19", true, ""},
		{"OT fellen36 MY2022", "o-fell-22", true, ""},
		{"fellen 2019-2021", "o-fell-19", true, ""},
		{"fellen 20", "o-fell-19", true, ""},
		{"fellen 36", "o-fell-19", false, "model_year"},
		{"fellen 36 2012", "o-fell-19", false, "mark"},
		{"mooren 36", "o-moor", false, "valve_leg"},
		{"fe22s", "o-fell-22", true, ""},
		{"FE 22 5", "o-fell-22", true, ""},      // S read as 5
		{"FE-22S 2019", "o-fell-22", false, ""}, // mark and year contradict each other
		{"002000000000015", "", false, ""},      // 15 digits are no code
		{"02000000000015", "v-kar", true, ""},   // a scanner's leading zero
		{"ot77", "o-fell-19", false, "travel_built"},
		{"vimbrook fellen 2023", "o-fell-22", false, ""},
		{"karrig 36", "v-kar", false, ""},
		{"karrig 34 200mm", "v-kar", false, ""},
		{"ostrel", "o-fell-19", false, "travel_built"},
		{"brembling 34", "v-kar", false, ""},
		{"zzz", "", false, ""},
	} {
		r := x.Find(Query{Text: c.query}, 5)
		first, question := "", ""
		if len(r.Candidates) > 0 {
			first = r.Candidates[0].Fork.ID
		}
		if r.Question != nil {
			question = r.Question.Code
		}
		if first != c.first || r.Sure != c.sure || (c.question != "" && question != c.question) {
			t.Errorf("%q: %s sure=%v question=%q; want %s %v %q (%v)", c.query, first, r.Sure, question, c.first, c.sure, c.question, ids(r))
		}
		for _, cand := range r.Candidates {
			if len(cand.Why) == 0 {
				t.Errorf("%q: %s has no reason", c.query, cand.Fork.ID)
			}
		}
	}
}

func TestTheFactsThatDecidedAreNamed(t *testing.T) {
	r := New(small(), nil).Find(Query{Text: "kariig 2021 130mm", WheelSize: "26"}, 5)
	want := []Fact{
		{Code: "near_word", Text: "“kariig” is read as “karrig”"},
		{Code: "year", Text: "built in model years 2020 to 2024"},
		{Code: "travel", Text: "built with 120, 130 mm of travel"},
		{Code: "wheel_size", Text: "built for 27.5 or 29 in wheels only", Against: true},
	}
	if d := cmp.Diff(want, r.Candidates[0].Why); d != "" {
		t.Error(d)
	}
	if r.Sure {
		t.Error("a wheel size that was never built leaves a doubt")
	}
}

func TestAForkWithoutStickersIsFoundByMeasuring(t *testing.T) {
	x := New(small(), nil)
	for _, c := range []struct {
		name string
		q    Query
		want []string
	}{
		{"caliper", Query{Measurements: Measurements{StanchionMM: 33.9}}, []string{"v-kar"}},
		{"caliper off by half a millimeter", Query{Measurements: Measurements{StanchionMM: 34.5}}, nil},
		{"axle by thickness", Query{Measurements: Measurements{Axle: "20 mm"}}, []string{"v-kar"}},
		{"axle in full", Query{Measurements: Measurements{Axle: "20x110"}}, []string{"v-kar"}},
		{"valve on the right", Query{Measurements: Measurements{StanchionMM: 36, ValveLeg: catalog.Right}}, []string{"o-moor-r"}},
		{"bolt at the foot", Query{Measurements: Measurements{FootFastener: "bolt"}}, []string{"v-kar"}},
		{"exposed stanchion is a bound", Query{Measurements: Measurements{StanchionMM: 36, ExposedMM: 145}}, []string{"o-moor", "o-moor-r"}},
		{"more shows than the travel", Query{Measurements: Measurements{ExposedMM: 210}}, []string{"o-fell-19", "o-fell-22", "o-moor", "o-moor-r", "v-kar"}},
		{"year and maker", Query{ModelYear: 2019, Maker: "OT"}, []string{"o-fell-19"}},
		{"text and measurement", Query{Text: "mooren", Measurements: Measurements{ValveLeg: catalog.Right}}, []string{"o-moor-r", "o-moor"}},
	} {
		r := x.Find(c.q, 10)
		if d := cmp.Diff(c.want, ids(r)); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
	}
	if r := x.Find(Query{Text: "mooren", Measurements: Measurements{ValveLeg: catalog.Right}}, 10); !r.Sure {
		t.Error("the valve leg settles it")
	}
}

func TestTheQuestionIsNeverOneThatWasAnswered(t *testing.T) {
	x := New(demo(t), nil)
	for _, q := range readQueries(t) {
		query := Query{Text: q.query}
		for range 8 {
			r := x.Find(query, 200)
			if r.Question == nil || r.Question.Code == "mark" || len(r.Candidates) == 0 {
				break
			}
			if r.Question.Text == "" || r.Question.Field == "" || len(r.Question.Choices) < 2 {
				t.Fatalf("%q: %+v", q.query, r.Question)
			}
			before := query
			answer(&query, r.Question.Code, r.Candidates[0].Fork, x)
			if before == query {
				t.Fatalf("%q: asked again: %+v", q.query, r.Question)
			}
		}
	}
}

// answer says of a fork what the question asks.
func answer(q *Query, code string, f *catalog.Fork, x *Index) {
	c := x.rev.ChassisOf(f)
	switch code {
	case "model_year":
		q.ModelYear = int(f.YearFrom)
	case "travel_built":
		q.TravelMM = f.TravelsMM[0]
	case "wheel_size":
		q.WheelSize = f.WheelSizes[0]
	case "axle":
		q.Measurements.Axle = c.Axle
	case "stanchion_mm":
		q.Measurements.StanchionMM = c.StanchionMM
	case "valve_leg":
		q.Measurements.ValveLeg = c.SpringSide
	case "foot_fastener":
		q.Measurements.FootFastener = x.feetOf(f, c)[0]
	}
}

func TestAnEmptyQueryListsEveryForkOnce(t *testing.T) {
	rev := demo(t)
	x := New(rev, nil)
	var got []string
	after := ""
	for {
		r := x.Find(Query{After: after}, 7)
		got = append(got, ids(r)...)
		if !r.More {
			break
		}
		after = got[len(got)-1]
	}
	var want []string
	for _, f := range rev.Forks() {
		want = append(want, f.ID)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestTheSameQueryGivesTheSameResult(t *testing.T) {
	rev := demo(t)
	a, b := New(rev, nil), New(rev, nil)
	for _, q := range readQueries(t) {
		if d := cmp.Diff(a.Find(Query{Text: q.query}, 20), b.Find(Query{Text: q.query}, 20)); d != "" {
			t.Fatalf("%q: %s", q.query, d)
		}
	}
}

func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"corrie", "corrie", 0}, {"corrie", "corie", 1}, {"corrie", "crorie", 1}, {"corrie", "cortie", 1}, {"corrie", "corriee", 1}, {"corrie", "cotrei", 2}, {"corrie", "cotxei", 3}, {"scarp", "", 3}} {
		if got := distance(c.a, c.b, 2); got != c.want {
			t.Errorf("%s to %s: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

// FuzzFind: no text is too odd; a result keeps its promises.
func FuzzFind(f *testing.F) {
	x := New(demo(f), nil)
	for _, s := range []string{"", "corrie 35 pro 2021", "'21 29er 5.9in", "C35P-2O", "2020-2022/21 MY", "\x00\xff(", "650b 27,5\"", "𝟛𝟞 ｆｅｌｌ", "9e99mm infin nan", "Österlin ß Æ"} {
		f.Add(s, 2021, 150)
	}
	f.Fuzz(func(t *testing.T, text string, year, travel int) {
		q := Query{Text: text, ModelYear: year, TravelMM: travel}
		r := x.Find(q, 10)
		if len(r.Candidates) > 10 {
			t.Fatalf("%d candidates", len(r.Candidates))
		}
		if r.Sure && (len(r.Candidates) == 0 || r.Question != nil || len(r.Unread) > 0) {
			t.Fatalf("sure of %+v", r)
		}
		if !slices.IsSortedFunc(r.Candidates, func(a, b Candidate) int {
			if a.Score != b.Score {
				return int(b.Score*1e6) - int(a.Score*1e6)
			}
			return strings.Compare(a.Fork.ID, b.Fork.ID)
		}) {
			t.Fatalf("not in order: %+v", r.Candidates)
		}
	})
}

// large makes a catalog of n forks: four to a model, eight models to a chassis, twenty makers
// of which a few build most.
func large(n int) *catalog.Revision {
	rng := rand.New(rand.NewPCG(1, uint64(n)))
	syllables := strings.Fields("bra cor del fen gar hol jun kar lor mun nel pol qua rin sel tor ulm ver wen yst zar bel dor gil")
	name := func(i int) string {
		return syllables[i%24] + syllables[i/24%24] + syllables[i/576%24]
	}
	t := &catalog.Tables{}
	for i := range 20 {
		t.Makers = append(t.Makers, catalog.Maker{Code: fmt.Sprintf("m%02d", i), Name: "Maker" + name(9000+i*37)})
	}
	for i := range n/32 + 1 {
		maker := min(int(rng.ExpFloat64()*4), 19)
		t.Chassis = append(t.Chassis, catalog.Chassis{Code: fmt.Sprintf("c%05d", i), Maker: t.Makers[maker].Code, Name: "C", StanchionMM: float64(32 + 2*(i%5)), SpringSide: []catalog.Side{catalog.Left, catalog.Right}[i%2], FootFastener: []string{"nut", "bolt"}[i%2], Axle: "15x110"})
	}
	for i := range n {
		size, from := 32+2*(i/4%5), int16(2014+3*(i%4))
		model := fmt.Sprintf("%s %d", name(i/4*7%13824), size)
		t.Forks = append(t.Forks, catalog.Fork{ID: fmt.Sprintf("f%06d", i), Chassis: t.Chassis[i/32].Code, Model: model, Name: model + []string{" Pro", " Base"}[i/4%2],
			YearFrom: from, YearTo: from + 2, WheelSizes: []string{"27.5", "29"}[i%2:], TravelsMM: []int{140, 150, 160}})
		t.Marks = append(t.Marks, catalog.Mark{Fork: t.Forks[i].ID, Mark: fmt.Sprintf("M%d-%d", i, from%100), Place: "crown"})
	}
	return catalog.Build(t, 1)
}

// typed makes queries on a large catalog: with and without an error, a mark, a maker alone.
func typed(rev *catalog.Revision) []Query {
	rng := rand.New(rand.NewPCG(5, 5))
	forks := rev.Forks()
	var out []Query
	for i := range 200 {
		f := &forks[rng.IntN(len(forks))]
		text := fmt.Sprintf("%s %s %d 150mm", rev.MakerName(f), f.Name, f.YearFrom)
		switch i % 5 {
		case 1:
			text = text[:len(text)/2-3] + text[len(text)/2-2:]
		case 2:
			text = rev.Marks(f.ID)[0].Mark
		case 3:
			text = fmt.Sprintf("%s %d", f.Model, f.YearFrom+1)
		case 4:
			text = rev.MakerName(f) + " pro 2019"
		}
		out = append(out, Query{Text: text})
	}
	return out
}

// TestALargeCatalogTakesNoMoreMemoryToSearch: how much memory a query takes is how many words and
// forks it looks at. How long it takes is for BenchmarkFind to say.
func TestALargeCatalogTakesNoMoreMemoryToSearch(t *testing.T) {
	a, b := large(1000), large(40000)
	y := New(b, nil)
	allocations := func(x *Index, queries []Query) float64 {
		return testing.AllocsPerRun(1, func() {
			for _, q := range queries {
				x.Find(q, 10)
			}
		}) / float64(len(queries))
	}
	few, many := allocations(New(a, nil), typed(a)), allocations(y, typed(b))
	t.Logf("a query takes %.0f allocations among 1,000 forks and %.0f among 40,000", few, many)
	if many > 2*few {
		t.Errorf("%.0f allocations among 40,000 forks, %.0f among 1,000: more than twice", many, few)
	}
	wrong := 0
	forks := b.Forks()
	for i := 0; i < len(forks); i += 97 {
		r := y.Find(Query{Text: fmt.Sprintf("%s %s %d", b.MakerName(&forks[i]), forks[i].Name, forks[i].YearFrom)}, 1)
		if len(r.Candidates) == 0 || r.Candidates[0].Fork.Name != forks[i].Name || r.Candidates[0].Fork.YearFrom != forks[i].YearFrom {
			wrong++
		}
	}
	if wrong > 0 {
		t.Errorf("%d forks are not found by their own name", wrong)
	}
}

func BenchmarkFind(b *testing.B) {
	for _, n := range []int{1000, 40000} {
		rev := large(n)
		x, queries := New(rev, nil), typed(rev)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				x.Find(queries[i%len(queries)], 10)
			}
		})
	}
}

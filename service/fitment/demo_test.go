package fitment

import (
	"encoding/csv"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
)

// demo is the catalog in testdata.
func demo(t testing.TB) *catalog.Revision {
	t.Helper()
	return catalog.Build(demoTables(t), 1)
}

func demoTables(t testing.TB) *catalog.Tables {
	t.Helper()
	tables, problems := source.Read(os.DirFS("../../testdata/catalog"))
	for _, p := range problems {
		if p.Severity == catalog.Error {
			t.Fatalf("the demo catalog: %+v", p)
		}
	}
	return tables
}

func TestTwoEvaluatorsAgreeOnTheDemoCatalogForwardAndReverse(t *testing.T) {
	n := bothWays(t, demoTables(t))
	t.Logf("%d questions of fork, part, year and travel", n)
	if n < 100_000 {
		t.Errorf("only %d questions", n)
	}
}

func TestTwoEvaluatorsAgreeOnTheDemoCatalogWithLessKnown(t *testing.T) {
	tables := demoTables(t)
	rev, b := catalog.Build(tables, 1), newBrute(tables)
	r := rand.New(rand.NewPCG(1, 9))
	count := map[catalog.Verdict]int{}
	parts := rev.Parts()
	for i := range rev.Forks() {
		f := &rev.Forks()[i]
		var near []string // half of the questions are about parts that rows name for the fork
		for row := range rev.RowsFor(f) {
			near = append(near, row.Part)
		}
		for range 300 {
			sku := parts[r.IntN(len(parts))].SKU
			if r.IntN(2) == 0 {
				sku = near[r.IntN(len(near))]
			}
			count[b.agrees(t, rev, randomDemoOwned(r, rev, f), sku).Verdict]++
		}
	}
	t.Logf("%v", count)
}

func randomDemoOwned(r *rand.Rand, rev *catalog.Revision, f *catalog.Fork) *Owned {
	o := randomOwned(r, rev, f)
	o.Options = map[string]string{}
	for _, x := range rev.Options(f.ID) {
		if r.IntN(4) == 0 {
			o.Options[x.Fact] = x.Value
		}
		for _, s := range []string{x.SerialFrom, x.SerialTo} {
			if s != "" && r.IntN(3) == 0 {
				o.Serial = s
			}
		}
	}
	if len(f.Dampers) > 0 && r.IntN(3) == 0 {
		o.Options["damper"] = pick(r, f.Dampers...)
	}
	return o
}

// table reads a CSV file of testdata/reference into rows by column name.
func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, cells := range lines[1:] {
		m := map[string]string{}
		for i, c := range cells {
			m[lines[0][i]] = c
		}
		out = append(out, m)
	}
	return out
}

// ownedFrom makes a fork as owned from cells; it refuses what it does not know.
func ownedFrom(t *testing.T, rev *catalog.Revision, cells map[string]string) *Owned {
	t.Helper()
	o := &Owned{Options: map[string]string{}}
	f, ok := rev.Fork(cells["fork"])
	if !ok {
		t.Fatalf("no fork %q", cells["fork"])
	}
	o.Fork = f
	given := map[string]string{}
	for _, name := range []string{"model_year", "travel_built", "travel_now", "serial", "built_on", "wheel_size", "rider_kg"} {
		given[name] = cells[name]
	}
	given["model_year"] += cells["year"]
	for _, pair := range strings.Split(cells["options"], ";") {
		if name, value, ok := strings.Cut(pair, "="); ok {
			given[name] = value
		}
	}
	for name, value := range given {
		n, _ := strconv.Atoi(value)
		switch name {
		case "model_year":
			o.ModelYear = n
		case "travel_built":
			o.TravelBuilt = Travel{n, BySticker}
		case "travel_now":
			o.TravelNow = Travel{n, Measured}
		case "serial":
			o.Serial = value
		case "built_on":
			o.BuiltOn = value
		case "wheel_size":
			o.WheelSize = value
		case "rider_kg":
			o.RiderKG, _ = strconv.ParseFloat(value, 64)
		default:
			o.Options[name] = value
		}
	}
	return o
}

// The verdicts were decided by people who read the data; the reason is in their words.
func TestVerdictsDecidedByHand(t *testing.T) {
	rev := demo(t)
	cases := table(t, "decided-verdicts.csv")
	if len(cases) < 60 {
		t.Errorf("only %d", len(cases))
	}
	for _, c := range cases {
		a := Judge(rev, ownedFrom(t, rev, c), c["sku"])
		if a.Verdict.String() != c["verdict"] || !hinted(a, c["reason_code_hint"]) {
			t.Errorf("%s %s, %s: %s, decided %s (%s): %s\n%+v", c["fork"], c["model_year"], c["sku"], brief(a), c["verdict"], c["reason_code_hint"], c["why"], a.Reasons)
		}
	}
}

// hinted: the hint is a reason's code, the fact that was asked or compared, or the kind of a
// condition. "not listed" is also what a reader says where a row lists it for another fork.
func hinted(a Answer, hint string) bool {
	if hint == "" || a.Question != nil && a.Question.Code == hint {
		return true
	}
	if slices.ContainsFunc(a.Requires, func(q catalog.Requirement) bool { return q.Kind == hint }) {
		return true
	}
	return slices.ContainsFunc(a.Reasons, func(r Reason) bool {
		return r.Code == hint || r.Fact == hint || hint == "not_listed" && strings.HasPrefix(r.Code, "other_")
	})
}

func TestTraps(t *testing.T) {
	rev := demo(t)
	for _, c := range table(t, "traps.csv") {
		t.Run(c["trap"], func(t *testing.T) {
			a := Judge(rev, ownedFrom(t, rev, c), c["sku"])
			if a.Verdict.String() != c["verdict"] {
				t.Errorf("%s, decided %s: %s\n%+v", brief(a), c["verdict"], c["why"], a.Reasons)
			}
			if c["trap"] == "shared GTIN" {
				p, _ := rev.Part(c["sku"])
				cart := CheckCart(rev, nil, []Line{{Code: p.GTIN, Quantity: 1}})
				if got := cart.Lines[0]; got.Decision != Ask || len(got.Candidates) != 2 {
					t.Errorf("a scan: %+v", got)
				}
			}
			if c["trap"] == "superseded part" && a.Follows == "" {
				t.Error("not said that it was superseded")
			}
		})
	}
}

// No sentence may show a hole, whatever is asked.
func TestSentencesOfTheDemoCatalog(t *testing.T) {
	rev := demo(t)
	for i := range rev.Forks() {
		for _, p := range rev.Parts() {
			for _, r := range Judge(rev, &Owned{Fork: &rev.Forks()[i]}, p.SKU).Reasons {
				if r.Text == "" || strings.Contains(r.Text, "  ") || strings.Contains(r.Text, " .") || strings.Contains(r.Text, "..") || strings.ContainsAny(r.Text, "{}") {
					t.Fatalf("%q", r.Text)
				}
			}
		}
	}
}

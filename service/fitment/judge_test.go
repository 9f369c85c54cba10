package fitment

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
)

func TestVerdicts(t *testing.T) {
	type change = func(*catalog.Tables)
	type know = func(*Owned)
	for _, c := range []struct {
		claim string
		rows  []change
		fork  string
		know  []know
		sku   string
		want  string
	}{
		// hard limits
		{"a limit beats a row that says fits", nil, "tarn", []know{wheel("29"), now(170, Measured)}, "C-170", "does_not_fit fork_limit "},
		{"the limit of another wheel size is no limit", nil, "tarn", []know{wheel("27.5"), now(170, Measured)}, "C-170", "fits listed r-c170"},
		{"wheel size not known, and the limits differ about it", nil, "tarn", []know{wheel(""), now(170, Measured)}, "C-170", "unknown missing_fact  ?wheel_size [27.5 29]"},
		{"wheel size not known, and no limit cares", nil, "tarn", []know{wheel(""), now(160, Measured)}, "C-160", "fits listed r-c160"},
		{"at the limit is within it", nil, "tarn", []know{wheel("29"), now(160, Measured)}, "C-160", "fits listed r-c160"},
		{"a fork raised past its limit takes no spring", nil, "tarn", []know{wheel("29"), now(170, Measured)}, "S-40", "does_not_fit fork_limit "},
		{"a rider at the mass limit", nil, "tarn", []know{rider(115)}, "S-40", "fits listed r-s40"},
		{"a rider one kilogram past it", nil, "tarn", []know{rider(116)}, "S-40", "does_not_fit fork_limit "},
		{"no mass limit for a seal", nil, "tarn", []know{rider(116), option("seal_generation", "g2")}, "K-G2", "fits listed r-k2"},
		{"an assisted bicycle needs a fork built for it", nil, "tarn", []know{usedFor("assisted")}, "S-40", "does_not_fit fork_limit "},
		{"harder use than the fork was built for", nil, "tarn", []know{usedFor("downhill")}, "S-40", "does_not_fit fork_limit "},
		{"gentler use is no limit", nil, "tarn", []know{usedFor("cross_country")}, "S-40", "fits listed r-s40"},
		{"a fork without a list of uses has no such limit", nil, "tarn-s", []know{usedFor("downhill")}, "S-40", "fits listed r-s40"},

		// exclusions and specificity
		{"an exclusion of all beats an inclusion of one", []change{rows(row("x", "A-160", catalog.AtMaker, "ostra", catalog.DoesNotFit, reason("shaft_too_long")))}, "tarn", nil, "A-160", "does_not_fit shaft_too_long x"},
		{"an exclusion of other years is none", []change{rows(row("x", "A-160", catalog.AtFork, "tarn", catalog.DoesNotFit, years(2019, 2021)))}, "tarn", nil, "A-160", "fits listed r-a160"},
		{"an exclusion in its last year", []change{rows(row("x", "A-160", catalog.AtFork, "tarn", catalog.DoesNotFit, years(2019, 2021)))}, "tarn", []know{year(2021)}, "A-160", "does_not_fit excluded x"},
		{"the fork's row beats the maker's", []change{rows(row("f", "S-40", catalog.AtFork, "tarn", catalog.FitsWith, requires("renew", "NUT", 1)))}, "tarn", nil, "S-40", "fits_with listed f"},
		{"options named beat a year window", []change{rows(
			row("a", "S-40", catalog.AtFork, "tarn", catalog.Fits, years(2022, 2022)),
			row("b", "S-40", catalog.AtFork, "tarn", catalog.FitsWith, must("tube", "thick")))}, "tarn", []know{option("tube", "thick")}, "S-40", "fits_with listed b"},
		{"a travel window beats a year window", []change{rows(
			row("a", "S-40", catalog.AtFork, "tarn", catalog.FitsWith, years(2022, 2022)),
			row("b", "S-40", catalog.AtFork, "tarn", catalog.Fits, travels(160, 160)))}, "tarn", nil, "S-40", "fits listed b"},

		// travel
		{"a cartridge for another travel", nil, "tarn", []know{now(150, Measured)}, "C-160", "does_not_fit other_travel_now r-c160"},
		{"a shortened fork whose sticker lies", nil, "tarn", []know{built(160), now(140, Measured)}, "C-160", "does_not_fit other_travel_now r-c160"},
		{"travel as built is not travel now", nil, "tarn", []know{built(160), now(0, "")}, "C-160", "unknown missing_fact  ?travel_now_mm [140 150 160]"},
		{"a sticker is travel as built", nil, "tarn", []know{now(160, BySticker)}, "C-160", "unknown missing_fact  ?travel_now_mm [140 150 160]"},
		{"a fork sold with one travel", nil, "tarn-s", []know{now(0, "")}, "C-160", "fits listed r-c160"},
		{"less stanchion shows than the cartridge needs", nil, "tarn", []know{now(155, ByStanchion)}, "C-160", "does_not_fit other_travel_now r-c160"},
		{"more shows, which proves nothing", nil, "tarn-s", []know{now(165, ByStanchion)}, "C-160", "unknown missing_fact  ?travel_now_mm []"},
		{"a row's own window replaces the cartridge's travel", []change{rows(row("w", "C-160", catalog.AtFork, "tarn", catalog.FitsWith, travels(150, 150), requires("travel_spacer", "SP-10", 1)))}, "tarn", []know{now(150, Measured)}, "C-160", "fits_with listed w"},
		{"a row without a lower end, within a bound", []change{only(row("w", "S-40", catalog.AtFork, "tarn", catalog.Fits, travels(0, 150)))}, "tarn", []know{now(150, ByStanchion)}, "S-40", "fits listed w"},
		{"the same row, one step past the bound", []change{only(row("w", "S-40", catalog.AtFork, "tarn", catalog.Fits, travels(0, 149)))}, "tarn", []know{now(150, ByStanchion)}, "S-40", "unknown missing_fact  ?travel_now_mm []"},

		// options, dates, serials
		{"the year settles the generation", nil, "tarn", []know{year(2020)}, "K-G1", "fits listed r-k1"},
		{"two generations in one year", nil, "tarn", []know{year(2021)}, "K-G1", "unknown missing_fact  ?options.seal_generation [g1 g2]"},
		{"the last day of the first", nil, "tarn", []know{year(2021), builtOn("2021-02-28")}, "K-G1", "fits listed r-k1"},
		{"the first day of the second", nil, "tarn", []know{year(2021), builtOn("2021-03-01")}, "K-G1", "does_not_fit other_seal_generation r-k1"},
		{"the letter settles it too", nil, "tarn", []know{year(2021), option("seal_generation", "g1")}, "K-G1", "fits listed r-k1"},
		{"equal stanchions do not make a seal fit", nil, "brae", nil, "K-G1", "does_not_fit not_listed "},
		{"a generation that the year cannot have", nil, "tarn", []know{year(2019), option("seal_generation", "g2")}, "K-G2", "unknown contradicts  ?options.seal_generation [g1 g2]"},
		{"a value that nobody knows is never a quiet yes", nil, "tarn", []know{option("tube", "thikc")}, "K-G2", "fits listed r-k2"},
		{"... where it matters", []change{only(row("n", "S-40", catalog.AtFork, "tarn", catalog.Fits, mustNot("tube", "thick")))}, "tarn", []know{option("tube", "thikc")}, "S-40", "unknown contradicts  ?options.tube [standard thick]"},
		{"a year that the fork was not made", nil, "tarn", []know{year(2025)}, "S-40", "unknown contradicts  ?model_year [2019 2020 2021 2022]"},
		{"... changes no no", nil, "tarn", []know{year(2025)}, "S-50", "does_not_fit not_listed "},
		{"a chassis settles its own facts", []change{only(row("c", "S-40", catalog.AtMaker, "ostra", catalog.Fits, must("foot_fastener", "nut")))}, "tarn", nil, "S-40", "fits listed c"},
		{"a serial in the row's range", []change{only(row("s", "S-40", catalog.AtFork, "tarn", catalog.Fits, serials("T100", "T199")))}, "tarn", []know{serial("t0199")}, "S-40", "fits listed s"},
		{"one past it", []change{only(row("s", "S-40", catalog.AtFork, "tarn", catalog.Fits, serials("T100", "T199")))}, "tarn", []know{serial("T200")}, "S-40", "does_not_fit other_serial s"},
		{"no serial given", []change{only(row("s", "S-40", catalog.AtFork, "tarn", catalog.Fits, serials("T100", "T199")))}, "tarn", nil, "S-40", "unknown missing_fact  ?serial []"},
		{"ranges without a gap need no serial", []change{only(
			row("s", "S-40", catalog.AtFork, "tarn", catalog.Fits, serials("", "T199")), row("u", "S-40", catalog.AtFork, "tarn", catalog.Fits, serials("T200", "")))}, "tarn", nil, "S-40", "fits listed s"},

		// three values
		{"an exclusion that may apply makes a yes unknown", []change{rows(row("x", "S-40", catalog.AtFork, "tarn", catalog.DoesNotFit, must("tube", "thick")))}, "tarn", []know{year(2022)}, "S-40", "unknown missing_fact  ?options.tube [standard thick]"},
		{"... not where the year rules it out", []change{rows(row("x", "S-40", catalog.AtFork, "tarn", catalog.DoesNotFit, must("tube", "thick")))}, "tarn", []know{year(2021)}, "S-40", "fits listed r-s40"},
		{"a no that holds whatever the fact is", []change{only(
			row("a", "S-40", catalog.AtFork, "tarn", catalog.DoesNotFit, must("tube", "thick")), row("b", "S-40", catalog.AtFork, "tarn", catalog.DoesNotFit, must("tube", "standard")))}, "tarn", nil, "S-40", "does_not_fit excluded b"},
		{"a missing year that matters", []change{only(row("a", "S-40", catalog.AtFork, "tarn", catalog.Fits, years(2020, 0)))}, "tarn", []know{year(0)}, "S-40", "unknown missing_fact  ?model_year [2019 2020 2021 2022]"},
		{"a missing year that does not", nil, "tarn", []know{year(0)}, "S-40", "fits listed r-s40"},
		{"with conditions or without is a difference", []change{rows(row("a", "S-40", catalog.AtFork, "tarn", catalog.FitsWith, must("tube", "thick"), requires("adapter", "NUT", 1)))}, "tarn", nil, "S-40", "unknown missing_fact  ?options.tube [standard thick]"},
		{"the one fact that settles it is asked, not one that helps", []change{only(
			row("a", "S-40", catalog.AtFork, "tarn", catalog.Fits, years(2019, 2021), must("seal_generation", "g1")))}, "tarn", []know{year(0)}, "S-40", "unknown missing_fact  ?options.seal_generation [g1 g2]"},

		// kinds
		{"an open kind fits", nil, "brae", nil, "OIL", "fits open_kind "},
		{"an open kind that a row excludes", []change{rows(row("o", "OIL", catalog.AtChassis, "V35", catalog.DoesNotFit))}, "brae", nil, "OIL", "does_not_fit excluded o"},
		{"an open kind listed for another year", []change{rows(row("o", "OIL", catalog.AtChassis, "V35", catalog.Fits, years(2018, 2018)))}, "brae", nil, "OIL", "fits open_kind "},
		{"a closed kind that no row lists", nil, "brae", nil, "S-40", "does_not_fit not_listed "},
		{"what needs no fork", nil, "brae", nil, "RACK", "not_fork_related needs_no_fork "},
		{"what we do not know", nil, "brae", nil, "TIRE", "not_in_catalog not_in_catalog "},
	} {
		t.Run(c.claim, func(t *testing.T) {
			rev := small(c.rows...)
			a := Judge(rev, owned(t, rev, c.fork, c.know...), c.sku)
			if got := brief(a); got != c.want {
				t.Errorf("got  %s\nwant %s\n%+v", got, c.want, a.Reasons)
			}
			for _, r := range a.Reasons {
				if r.Text == "" || strings.ContainsAny(r.Text, "{}") || strings.Contains(r.Text, "  ") || strings.Contains(r.Text, " .") || strings.Contains(r.Text, ": .") {
					t.Errorf("a sentence to be ashamed of: %q", r.Text)
				}
			}
		})
	}
}

func TestSentences(t *testing.T) {
	rev := small(func(t *catalog.Tables) {
		t.Texts = []catalog.Text{{Of: "part", Code: "C-160", Lang: "en", Text: "Coil cartridge 160"}}
	}, rows(row("w", "C-160", catalog.AtFork, "tarn", catalog.FitsWith, travels(150, 150), requires("travel_spacer", "SP-10", 1))))
	for _, c := range []struct {
		know []func(*Owned)
		want []string
	}{
		{[]func(*Owned){now(140, Measured)}, []string{"Coil cartridge 160 (C-160) is for a fork with 150 mm of travel now; Ostra Tarn 2022 has 140 mm."}},
		{[]func(*Owned){now(150, Measured)}, []string{"Coil cartridge 160 (C-160) fits Ostra Tarn 2022, with: travel spacer SP-10."}},
		{[]func(*Owned){now(0, "")}, []string{
			"Whether Coil cartridge 160 (C-160) fits Ostra Tarn 2022 depends on the travel now.",
			"With travel now 140 it does not fit.", "With travel now 150 it fits, with: travel spacer SP-10.", "With travel now 160 it fits.",
		}},
	} {
		var got []string
		for _, r := range Judge(rev, owned(t, rev, "tarn", c.know...), "C-160").Reasons {
			got = append(got, r.Text)
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	}
	a := Judge(rev, owned(t, rev, "tarn", year(2021)), "K-G1")
	if got := QuestionText(rev, a.Question.Code, "de"); got != "Welcher Buchstabe steht über dem Abstreifer?" {
		t.Errorf("German question: %q", got)
	}
}

func TestNearestAlternative(t *testing.T) {
	rev := small(rows(row("n", "S-45", catalog.AtFork, "tarn", catalog.DoesNotFit, years(2019, 2019))))
	for _, c := range []struct {
		claim string
		know  []func(*Owned)
		sku   string
		want  *Alternative
	}{
		{"the cartridge for the travel now", []func(*Owned){now(150, Measured)}, "C-160", &Alternative{"C-150", catalog.Fits, "the same kind for 150 mm of travel, which the fork has now"}},
		{"the neighbor in the family", nil, "S-50", &Alternative{"S-45", catalog.Fits, "of the same family, 7.6 N/mm instead of 8.2 N/mm"}},
		{"the next neighbor where the first does not fit", []func(*Owned){year(2019)}, "S-50", &Alternative{"S-40", catalog.Fits, "of the same family, 7 N/mm instead of 8.2 N/mm"}},
		{"the other generation", []func(*Owned){year(2022)}, "K-G1", &Alternative{"K-G2", catalog.Fits, "the same kind from the same maker"}},
		{"none where no spring cures it", []func(*Owned){rider(140)}, "S-40", nil},
		{"none where nothing fits", nil, "NUT", nil},
	} {
		a := Judge(rev, owned(t, rev, "tarn", c.know...), c.sku)
		if diff := cmp.Diff(c.want, a.Nearest); diff != "" || a.Verdict != catalog.DoesNotFit {
			t.Errorf("%s: %v (-want +got):\n%s", c.claim, a.Verdict, diff)
		}
	}
}

func TestSupersessionIsFollowedAndSaid(t *testing.T) {
	rev := small(func(t *catalog.Tables) {
		old := part("S-OLD", catalog.KindSpring)
		old.Status, old.SupersededBy = "superseded", "S-MID"
		mid := part("S-MID", catalog.KindSpring)
		mid.Status, mid.SupersededBy = "superseded", "S-40"
		t.Parts = append(t.Parts, old, mid)
	})
	a := Judge(rev, owned(t, rev, "tarn"), "S-OLD")
	if a.SKU != "S-OLD" || a.Follows != "S-40" || a.Verdict != catalog.Fits {
		t.Errorf("%+v", a)
	}
	if got := a.Reasons[len(a.Reasons)-1].Text; got != "S-OLD has been superseded by S-40; the answer is for S-40." {
		t.Error(got)
	}
}

func TestAForkThatNobodyNamedIsAQuestion(t *testing.T) {
	rev := small()
	for _, o := range []*Owned{nil, {}} {
		if got := brief(Judge(rev, o, "S-40")); got != "unknown missing_fork  ?fork_id []" {
			t.Error(got)
		}
	}
}

// A question must lead somewhere: whatever value is answered, fewer facts are missing.
func TestAnsweringTheQuestionEnds(t *testing.T) {
	for seed := range uint64(60) {
		tables := randomTables(rand.New(rand.NewPCG(seed, 1)))
		rev := catalog.Build(tables, 1)
		for i := range rev.Forks() {
			for _, p := range rev.Parts() {
				follow(t, rev, &Owned{Fork: &rev.Forks()[i], Options: map[string]string{}}, p.SKU, 0)
			}
		}
	}
}

func follow(t *testing.T, rev *catalog.Revision, o *Owned, sku string, depth int) {
	a := Judge(rev, o, sku)
	if a.Verdict != catalog.Unknown {
		return
	}
	if depth > 10 || a.Question == nil {
		t.Fatalf("%s on %s after %d questions: %+v", sku, o.Fork.ID, depth, a)
	}
	for _, choice := range a.Question.Choices {
		next := *o
		next.Options = map[string]string{}
		for k, v := range o.Options {
			next.Options[k] = v
		}
		switch f := a.Question.Field; {
		case f == "model_year":
			next.ModelYear = atoi(choice)
		case f == "travel_now_mm":
			next.TravelNow = Travel{atoi(choice), Measured}
		case f == "wheel_size":
			next.WheelSize = choice
		default:
			name, _ := strings.CutPrefix(f, "options.")
			if next.Options[name] != "" {
				t.Fatalf("%s asked twice: %+v", name, a)
			}
			next.Options[name] = choice
		}
		follow(t, rev, &next, sku, depth+1)
	}
}

func atoi(s string) (n int) {
	for _, c := range s {
		n = n*10 + int(c-'0')
	}
	return n
}

func TestOrderOfRowsIsIrrelevant(t *testing.T) {
	for seed := range uint64(30) {
		r := rand.New(rand.NewPCG(seed, 2))
		a := randomTables(r)
		b := randomTables(rand.New(rand.NewPCG(seed, 2)))
		shuffle(r, b.Fitments)
		shuffle(r, b.ForkOptions)
		shuffle(r, b.Limits)
		shuffle(r, b.Parts)
		one, two := catalog.Build(a, 1), catalog.Build(b, 1)
		for i := range one.Forks() {
			for _, p := range one.Parts() {
				x := Judge(one, &Owned{Fork: &one.Forks()[i]}, p.SKU)
				y := Judge(two, &Owned{Fork: &two.Forks()[i]}, p.SKU)
				if diff := cmp.Diff(x, y); diff != "" {
					t.Fatalf("seed %d, %s:\n%s", seed, p.SKU, diff)
				}
			}
		}
	}
}

func shuffle[T any](r *rand.Rand, s []T) {
	r.Shuffle(len(s), func(i, j int) { s[i], s[j] = s[j], s[i] })
}

func TestAnExclusionNeverTurnsANoIntoAYes(t *testing.T) {
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 3))
		tables := randomTables(r)
		before := catalog.Build(tables, 1)
		more := *tables
		x := randomRow(r, tables, 9999)
		x.Verdict = catalog.DoesNotFit
		more.Fitments = append(slices.Clone(tables.Fitments), x)
		after := catalog.Build(&more, 2)
		for i := range before.Forks() {
			for range 20 {
				o := randomOwned(r, before, &before.Forks()[i])
				was, is := Judge(before, o, x.Part), Judge(after, o, x.Part)
				if was.Verdict == catalog.DoesNotFit && is.Verdict != catalog.DoesNotFit || !includes(was.Verdict) && includes(is.Verdict) {
					t.Fatalf("seed %d: %v became %v by excluding", seed, was.Verdict, is.Verdict)
				}
			}
		}
	}
}

package fitment

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
)

// cartCatalog is the small catalog with what carts need: packs, kits, rules between parts, a shared GTIN.
func cartCatalog() *catalog.Revision {
	return small(rows(
		row("w", "C-150", catalog.AtFork, "tarn", catalog.FitsWith, travels(140, 140), requires("travel_spacer", "SP-10", 1)),
		row("sp", "SP-10", catalog.AtFork, "tarn", catalog.Fits),
		row("kit", "KIT", catalog.AtMaker, "ostra", catalog.Fits),
		row("nut", "NUT", catalog.AtMaker, "ostra", catalog.Fits),
	), func(t *catalog.Tables) {
		for i := range t.Parts {
			switch p := &t.Parts[i]; p.SKU {
			case "K-G1", "K-G2":
				p.GTIN = "2000000000015"
			case "S-40":
				p.Aliases = []string{"SPR 40/F"}
			case "OIL":
				p.Unit = "mL"
			}
		}
		t.PartRules = []catalog.PartRule{
			{Part: "C-160", Rule: "needs", Other: "NUT", Reason: "the stock nut does not hold it"},
			{Part: "S-40", Rule: "excludes", Other: "SP-10", Reason: "The coil would bind."},
		}
		t.Contents = []catalog.Content{
			{Kit: "KIT", Part: "NUT", Quantity: 1}, {Kit: "KIT", Part: "S-45", Quantity: 1, Slot: "spring"}, {Kit: "KIT", Part: "S-50", Quantity: 1, Slot: "spring"},
		}
	})
}

func TestCarts(t *testing.T) {
	rev := cartCatalog()
	forks := []NamedFork{
		{"mine", owned(t, rev, "tarn")}, {"hers", owned(t, rev, "tarn-s")}, {"short", owned(t, rev, "tarn", now(140, Measured))}, {"unknown", nil},
	}
	line := func(code string, q float64, fork string) Line { return Line{Code: code, Quantity: q, ForFork: fork} }
	for _, c := range []struct {
		claim string
		lines []Line
		want  []string // verdict, decision and findings of each line
		all   Decision
	}{
		{"two forks, two cartridges and a tire raise no double alarm",
			[]Line{line("C-160", 1, "mine"), line("C-160", 1, "hers"), line("TIRE-29", 2, ""), line("NUT", 1, "mine"), line("NUT", 1, "hers")},
			[]string{"fits ok", "fits ok", "not_in_catalog ok", "fits ok", "fits ok"}, OK},
		{"a code we do not know, said to be for a fork", []Line{line("XYZ", 1, "mine")}, []string{"not_in_catalog warn"}, Warn},
		{"a part for no fork", []Line{line("S-40", 1, "")}, []string{"not_fork_related warn"}, Warn},
		{"oil for no fork", []Line{line("OIL", 250, "")}, []string{"not_fork_related ok"}, OK},
		{"an accessory", []Line{line("RACK", 1, "mine")}, []string{"not_fork_related ok"}, OK},
		{"a fork that the cart does not name", []Line{line("S-40", 1, "theirs")}, []string{"unknown ask"}, Ask},
		{"a fork that the caller could not tell", []Line{line("S-40", 1, "unknown")}, []string{"unknown ask"}, Ask},
		{"what does not fit blocks", []Line{line("S-50", 1, "mine")}, []string{"does_not_fit block"}, Block},
		{"a GTIN with or without its leading zeros that two parts share", []Line{line("2000000000015", 1, "mine"), line("02000000000015", 1, "mine")}, []string{"unknown ask", "unknown ask"}, Ask},
		{"a printed code", []Line{line("spr-40f", 1, "mine")}, []string{"fits ok"}, OK},
		{"the same part twice", []Line{line("K-G2", 1, "mine"), line("K-G2", 1, "mine")}, []string{"fits warn duplicate_line", "fits warn duplicate_line"}, Warn},
		{"the same part for two forks is no double", []Line{line("S-40", 1, "mine"), line("S-40", 1, "hers")}, []string{"fits ok", "fits ok"}, OK},
		{"two cartridges for one leg", []Line{line("C-160", 1, "mine"), line("A-160", 1, "mine"), line("NUT", 1, "mine")}, []string{"fits warn two_for_one_leg", "fits warn two_for_one_leg", "fits ok"}, Warn},
		{"two of one cartridge", []Line{line("A-160", 2, "mine")}, []string{"fits warn quantity_too_many"}, Warn},
		{"seals for one leg only", []Line{line("K-G2", 1, "mine")}, []string{"fits warn quantity_one_leg"}, Warn},
		{"seals for both", []Line{line("K-G2", 2, "mine")}, []string{"fits ok"}, OK},
		{"seals for one more", []Line{line("K-G2", 3, "mine")}, []string{"fits warn quantity_too_many"}, Warn},
		{"half a spring", []Line{line("S-40", 0.5, "mine")}, []string{"fits block quantity_not_whole quantity_one_leg"}, Block},
		{"no spring", []Line{line("S-40", 0, "mine")}, []string{"fits block quantity_wrong"}, Block},
		{"oil by the milliliter", []Line{line("OIL", 37.5, "mine")}, []string{"fits ok"}, OK},
		{"a companion is missing", []Line{line("C-160", 1, "mine")}, []string{"fits warn companion_missing"}, Warn},
		{"a companion for the other fork is missing here", []Line{line("C-160", 1, "mine"), line("NUT", 1, "hers")}, []string{"fits warn companion_missing", "fits ok"}, Warn},
		{"a companion in a kit's box", []Line{line("C-160", 1, "mine"), line("KIT", 1, "mine"), line("S-45", 1, "mine")}, []string{"fits ok", "fits ok", "fits ok"}, OK},
		{"a kit's choice is open", []Line{line("KIT", 1, "mine")}, []string{"fits ask slot_choice_missing"}, Ask},
		{"a condition that is not in the cart", []Line{line("C-150", 1, "short")}, []string{"fits_with warn requirement_missing"}, Warn},
		{"a condition that is", []Line{line("C-150", 1, "short"), line("SP-10", 1, "short")}, []string{"fits_with ok", "fits ok"}, OK},
		{"parts that exclude each other", []Line{line("S-40", 1, "short"), line("SP-10", 1, "short")}, []string{"fits block parts_exclude", "fits block parts_exclude"}, Block},
		{"parts that exclude each other, in two forks", []Line{line("S-40", 1, "mine"), line("SP-10", 1, "short")}, []string{"fits ok", "fits ok"}, OK},
	} {
		t.Run(c.claim, func(t *testing.T) {
			got := CheckCart(rev, forks, c.lines)
			var short []string
			for _, l := range got.Lines {
				s := l.Answer.Verdict.String() + " " + l.Decision.String()
				for _, f := range l.Findings {
					s += " " + f.Code
					if strings.Contains(f.Text, "  ") || strings.Contains(f.Text, "..") || strings.Contains(f.Text, " .") || f.Text == "" {
						t.Errorf("%q", f.Text)
					}
				}
				short = append(short, s)
			}
			if diff := cmp.Diff(c.want, short); diff != "" || got.Decision != c.all {
				t.Errorf("decision %v (-want +got):\n%s\n%+v", got.Decision, diff, got)
			}
		})
	}
}

func TestACartDecidesForEachForkApart(t *testing.T) {
	rev := cartCatalog()
	got := CheckCart(rev, []NamedFork{{"mine", owned(t, rev, "tarn")}, {"hers", owned(t, rev, "tarn-s")}}, []Line{
		{ID: "a", Code: "S-50", Quantity: 1, ForFork: "mine"}, {ID: "b", Code: "S-40", Quantity: 1, ForFork: "hers"},
	})
	if got.Forks[0].Decision != Block || got.Forks[1].Decision != OK || got.Decision != Block {
		t.Errorf("%+v", got.Forks)
	}
}

func TestOrderOfLinesIsIrrelevant(t *testing.T) {
	rev := cartCatalog()
	forks := []NamedFork{{"mine", owned(t, rev, "tarn")}, {"short", owned(t, rev, "tarn", now(140, Measured))}}
	codes := []string{"C-150", "C-160", "A-160", "S-40", "S-45", "K-G1", "K-G2", "SP-10", "NUT", "KIT", "OIL", "RACK", "TIRE", "2000000000015"}
	r := rand.New(rand.NewPCG(4, 4))
	for range 300 {
		var lines []Line
		for i := range 1 + r.IntN(12) {
			lines = append(lines, Line{ID: fmt.Sprint("l", i), Code: codes[r.IntN(len(codes))], Quantity: float64(r.IntN(3)), ForFork: pick(r, "mine", "short", "", "no")})
		}
		a := CheckCart(rev, forks, lines)
		shuffled := slices.Clone(lines)
		shuffle(r, shuffled)
		b := CheckCart(rev, forks, shuffled)
		byID := func(x, y LineAnswer) int { return strings.Compare(x.ID, y.ID) }
		slices.SortFunc(a.Lines, byID)
		slices.SortFunc(b.Lines, byID)
		if diff := cmp.Diff(a, b); diff != "" {
			t.Fatalf("%+v\n%s", lines, diff)
		}
	}
}

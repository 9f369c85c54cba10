package job

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fitment"
	"forkwright/service/fitment/fitmenttest"
)

func demo(t *testing.T) *catalog.Revision {
	t.Helper()
	tables, problems := source.Read(os.DirFS("../../testdata/catalog"))
	if tables == nil {
		t.Fatalf("the demo catalog cannot be read: %v", problems)
	}
	return catalog.Build(tables, 1)
}

// conversions yields a question for every fork and coil cartridge of the demo catalog that go together.
func conversions(rev *catalog.Revision, yield func(*catalog.Fork, *catalog.CoilCartridge, *catalog.Spring, Question)) {
	for owned, c := range fitmenttest.Fitting(rev) {
		spring := rev.Family(c.SpringFamily)[3]
		yield(owned.Fork, c, spring, Question{Owned: owned, Cartridge: c.SKU, Spring: spring.SKU})
	}
}

func TestEveryJobOnEveryForkOfTheDemoCatalog(t *testing.T) {
	rev := demo(t)
	bills, unknownOil := 0, 0
	conversions(rev, func(f *catalog.Fork, c *catalog.CoilCartridge, spring *catalog.Spring, q Question) {
		for _, j := range rev.Jobs() {
			x := q
			x.Jobs = []string{j.Job}
			switch j.Job {
			case "coil_conversion":
			case "spring_swap", "preload_change", "bump_stop_setting", "return_to_stock":
				x.Fitted, x.Cartridge = c.SKU, ""
				if j.Job != "spring_swap" {
					x.Spring = ""
				}
			default:
				x.Cartridge, x.Spring = "", ""
			}
			b, err := Make(rev, x, fitment.Judge)
			if err != nil {
				t.Fatalf("%s on %s: %v", j.Job, f.ID, err)
			}
			bills++
			checkBill(t, rev, f, j.Job, &b)
			for _, l := range b.Lines {
				if l.State == NotInOurData {
					unknownOil++
				}
			}
		}
	})
	if bills < 500 || unknownOil == 0 {
		t.Errorf("%d bills, %d with oil that is not in the data: too few to mean anything", bills, unknownOil)
	}
}

func checkBill(t *testing.T, rev *catalog.Revision, f *catalog.Fork, job string, b *Bill) {
	t.Helper()
	name := job + " on " + f.ID
	lowersOff := slices.Contains(b.Opens, Lowers)
	washers, oil := 0.0, map[catalog.Leg]bool{}
	for _, l := range b.Lines {
		if l.Rule == "" || l.Why == "" || l.Source == "" {
			t.Errorf("%s: a line without rule, sentence or source: %+v", name, l)
		}
		if (l.Role == Included) != (l.IncludedIn != "" && !l.Charged && l.Role != Reuse) {
			t.Errorf("%s: included in what? %+v", name, l)
		}
		if l.Kind == catalog.KindCrushWasher && l.Role != SetAside {
			washers += l.Quantity
		}
		if l.Kind == catalog.KindFluid {
			oil[l.Leg] = true
		}
		if l.State == NotInOurData && (l.Quantity != 0 || l.WhereToLook == "") {
			t.Errorf("%s: a figure that we do not have: %+v", name, l)
		}
	}
	if lowersOff != (washers == 2) || lowersOff != (oil[catalog.SpringLeg] && oil[catalog.DamperLeg]) {
		t.Errorf("%s: lower legs off %v, but %v crush washers and oil in %v", name, lowersOff, washers, oil)
	}
	spring, _ := rev.Chassis(f.Chassis)
	for _, s := range b.Steps {
		if strings.ContainsAny(s.Text, "{}") {
			t.Errorf("%s: %q", name, s.Text)
		}
		if s.Leg == catalog.SpringLeg && s.Side != spring.SpringSide {
			t.Errorf("%s: step %s names the %s side", name, s.Code, s.Side)
		}
	}
	for _, fig := range b.Figures {
		if (fig.State == NotInOurData) != (fig.Published.Unit == "") || (fig.State == NotInOurData && fig.SI != 0) || fig.Owner == "" {
			t.Errorf("%s: %+v", name, fig)
		}
	}
	for _, l := range b.Labor {
		if p, ok := rev.Part(l.SKU); !ok || p.Kind != catalog.KindLabor || l.Minutes <= 0 {
			t.Errorf("%s: %+v", name, l)
		}
	}
}

func TestTheServiceKitOfTheDemoCatalogLeavesNoWasherToBuy(t *testing.T) {
	rev := demo(t)
	fork, ok := rev.Fork("tarnhold-scarp-38-pro-2023")
	if !ok {
		t.Fatal("no such fork in the demo catalog")
	}
	now := fitment.Travel{MM: 170, How: fitment.Measured}
	owned := fitment.Owned{Fork: fork, ModelYear: 2024, TravelBuilt: now, TravelNow: now, WheelSize: "29", Options: map[string]string{"seal_generation": "g2", "tube": "standard"}}
	b, err := Make(rev, Question{Owned: owned, Jobs: []string{"coil_conversion", "lower_leg_service"}, Cartridge: "QB-C38T-170", Spring: rev.Family("Q38L")[4].SKU, Kits: []string{"QB-SV-TH38-2"}, OwnsTools: true}, fitment.Judge)
	if err != nil {
		t.Fatal(err)
	}
	var charged []string
	for _, l := range b.Lines {
		if l.Charged && (l.Kind == catalog.KindCrushWasher || l.Kind == catalog.KindSealKit || l.Kind == catalog.KindFoamRing || l.Kind == catalog.KindTool || l.Kind == catalog.KindFootNut) {
			charged = append(charged, l.SKU)
		}
	}
	if d := cmp.Diff([]string(nil), charged); d != "" {
		t.Errorf("charged although a box brings it: %s\n%s", d, strings.Join(short(b), "\n"))
	}
	if b.Minutes != 23+17+6+21 {
		t.Errorf("minutes = %v", b.Minutes)
	}
}

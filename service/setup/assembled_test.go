package setup_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment/fitmenttest"
	"forkwright/service/setup"
)

// assembled is the recommendation for somebody, put together without that somebody.
func assembled(t *testing.T, rev *catalog.Revision, a *setup.Answer, fork string, change func(*setup.Assembly)) setup.Assembled {
	t.Helper()
	in := setup.Assembly{Fork: fork, Cartridge: a.Cartridge, Spring: a.Recommended.Spring.SKU, Preload: a.Recommended.Preload.Setting, Damper: a.Clicks[0].Damper, Discipline: "enduro"}
	if b := a.Recommended.Bump; b != nil && b.Medium == "air" {
		in.BumpKPa = &b.SetKPa
	}
	if change != nil {
		change(&in)
	}
	out, err := setup.Assemble(rev, in)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// ridden yields a recommendation for one rider on every fork and coil cartridge that go together.
func ridden(t *testing.T, rev *catalog.Revision, yield func(f *catalog.Fork, a *setup.Answer)) {
	t.Helper()
	for owned, c := range fitmenttest.Couples(rev) {
		a := ask(t, rev, setup.Question{Owned: &owned, Cartridge: c.SKU, Discipline: "enduro", WithCurve: true,
			Rider: setup.Rider{MassKG: 84, MassIs: "kitted"}, Bicycle: setup.Bicycle{MassKG: 15}})
		if a.Recommended != nil {
			yield(owned.Fork, &a)
		}
	}
}

func TestAnAssemblyHasTheForcesOfTheSetupThatChoseIt(t *testing.T) {
	rev := demo(t)
	kinds := map[string]int{}
	ridden(t, rev, func(f *catalog.Fork, a *setup.Answer) {
		want := a.Recommended
		got := assembled(t, rev, a, f.ID, nil)
		kinds[want.Bump.Medium]++
		near(t, f.ID+" start", got.Setup.StartN, want.StartN, 1e-9)
		near(t, f.ID+" end", got.Setup.EndN, want.EndN, 1e-9)
		near(t, f.ID+" preload", got.Setup.PreloadMM, want.PreloadMM, 1e-12)
		near(t, f.ID+" contact", got.Setup.Bump.ContactMM, want.Bump.ContactMM, 1e-12)
		if got.SlowEndN > got.Setup.EndN {
			t.Errorf("%s: pressed slowly it takes more than in a fast stroke", f.ID)
		}
		points := slices.Collect(a.Curves[0].Points())
		for i, p := range slices.Collect(got.Curve.Sample(0)) {
			near(t, f.ID+" curve", p.TotalN, points[i].TotalN, 1e-9)
		}
		if diff := cmp.Diff(a.Clicks, got.Clicks); diff != "" {
			t.Errorf("%s: clicks (-setup +assembly):\n%s", f.ID, diff)
		}
		unsaid := assembled(t, rev, a, f.ID, func(in *setup.Assembly) { in.BumpKPa, in.Preload = nil, 0 })
		if unsaid.BumpSaid || unsaid.PreloadSaid || unsaid.Setup.Preload.Setting != 1 || unsaid.Fault != "" {
			t.Errorf("%s, nothing said: %+v", f.ID, unsaid.Setup)
		}
		if want.Preload.Setting == 1 { // the rule of choice is the same
			near(t, f.ID+" bump stop by rule", unsaid.Setup.Bump.SetKPa, want.Bump.SetKPa, 1e-9)
		}
	})
	if kinds["air"] < 10 || kinds["elastomer"] < 5 {
		t.Errorf("only %v: too few to mean anything", kinds)
	}
}

const hollin, c36 = "skarnfeld-hollin-36-expert-2021", "QB-C36S-160"

func TestAPressureBesideThoseOfThePartIsTakenAsItIs(t *testing.T) {
	rev := demo(t)
	soft, hard := 0.0, 0.0
	for kPa, end := range map[float64]*float64{150: &soft, 400: &hard} {
		a, err := setup.Assemble(rev, setup.Assembly{Fork: hollin, Cartridge: c36, Spring: "QB-S36L-081", BumpKPa: &kPa})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "pressure", a.Setup.Bump.SetKPa, kPa, 1e-9)
		*end = a.Setup.EndN
	}
	if hard <= soft {
		t.Errorf("%v N at 150 kPa, %v N at 400 kPa", soft, hard)
	}
	tooMuch := 900.0
	a, err := setup.Assemble(rev, setup.Assembly{Fork: hollin, Cartridge: c36, Spring: "QB-S36L-081", BumpKPa: &tooMuch})
	if err != nil || !strings.Contains(a.Fault, "greatest pressure") {
		t.Errorf("%v, %q", err, a.Fault)
	}
}

func TestTheSagToAimAt(t *testing.T) {
	rev := demo(t)
	for _, c := range []struct {
		name       string
		in         setup.Assembly
		travel     float64
		mm, lo, hi float64
	}{
		{"not said: 20 %, give or take 3", setup.Assembly{}, 160, 32, 27.2, 36.8},
		{"trail: 22 %", setup.Assembly{Discipline: "trail"}, 160, 35.2, 30.4, 40},
		{"the shop's own 16 %", setup.Assembly{Discipline: "trail", SagPercent: ptr(16)}, 160, 25.6, 20.8, 30.4},
		{"with a travel spacer, of the travel that is left", setup.Assembly{TravelMM: 150}, 150, 30, 25.5, 34.5},
	} {
		c.in.Cartridge, c.in.Spring = c36, "QB-S36L-081"
		a, err := setup.Assemble(rev, c.in)
		if err != nil {
			t.Fatal(err)
		}
		lo, hi := a.SagRange()
		near(t, c.name+": travel", a.TravelMM, c.travel, 0)
		near(t, c.name, a.Target.MM, c.mm, 1e-9)
		near(t, c.name+": least", lo, c.lo, 1e-9)
		near(t, c.name+": most", hi, c.hi, 1e-9)
	}
}

func TestAnAssemblyNamesWhatTheCatalogDoesNotHold(t *testing.T) {
	rev := demo(t)
	for want, in := range map[string]setup.Assembly{
		"/cartridge": {Cartridge: "nothing", Spring: "QB-S36L-081"},
		"/preload":   {Cartridge: c36, Spring: "QB-S36L-081", Preload: 99},
		"/hardware":  {Cartridge: c36, Spring: "nothing"},
	} {
		_, err := setup.Assemble(rev, in)
		if f := fault.As(err); f == nil || f.Kind != fault.Invalid || !strings.HasPrefix(f.Fields[0].Pointer, want) {
			t.Errorf("%+v: %v, want a fault at %s", in, err, want)
		}
	}
}

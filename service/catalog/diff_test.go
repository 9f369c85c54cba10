package catalog

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestWhatTwoRevisionsDifferIn(t *testing.T) {
	tests := map[string]struct {
		change   func(t *Tables)
		words    []string
		affected []Pair
	}{
		"nothing": {func(t *Tables) {}, nil, nil},
		"a price": {func(t *Tables) { t.Prices[0].Amount = "21.90" }, []string{`prices: 1 changed: eur/CC34/0 (price "19.90" to "21.90")`}, nil},
		"a row's verdict": {func(t *Tables) { t.fit("r7").Verdict = DoesNotFit }, []string{"fitments: 1 changed: r7"},
			[]Pair{{"CW", "f1"}, {"CW", "f2"}}},
		"a row gone": {func(t *Tables) {
			t.Fitments = slices.DeleteFunc(t.Fitments, func(f Fitment) bool { return f.ID == "r8" })
		}, []string{"fitments: 1 removed: r8"}, []Pair{{"AC34", "f1"}}},
		"a row for another fork": {func(t *Tables) { t.fit("r8").Target = "f2" }, []string{"fitments: 1 added: r8", "fitments: 1 removed: r8"},
			[]Pair{{"AC34", "f1"}, {"AC34", "f2"}}},
		"a limit": {func(t *Tables) { t.Limits[2].MaxTravelMM = 160 }, []string{`limits: 1 changed: f3// (max_travel_mm "170" to "160")`},
			[]Pair{{"CC36", "f3"}, {"OLD", "f3"}, {"OLDER", "f3"}, {"SVC", "f3"}, {"TS", "f3"}}},
		"a part": {func(t *Tables) { t.part("CC36").Status = "discontinued" }, []string{`parts: 1 changed: CC36 (status "active" to "discontinued")`},
			[]Pair{{"CC36", "f3"}}},
		"a successor": {func(t *Tables) { t.part("OLDER").SupersededBy = "CW" }, []string{`parts: 1 changed: OLDER (superseded_by "OLD" to "CW")`},
			[]Pair{{"OLDER", "f1"}, {"OLDER", "f2"}, {"OLDER", "f3"}}},
		"a condition": {func(t *Tables) { t.fit("r3").Requires[0].Quantity = 3 }, []string{"fitments: 1 changed: r3"}, []Pair{{"CC36", "f3"}}},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			changed := sound()
			tt.change(changed)
			d := Diff(Build(sound(), 4), Build(changed, 5))
			if diff := cmp.Diff(tt.words, d.Words()); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(tt.affected, slices.Collect(d.Affected())); diff != "" {
				t.Error(diff)
			}
			if d.Same() != (tt.words == nil) {
				t.Errorf("Same is %v", d.Same())
			}
		})
	}
}

func TestVerdictsThatChangeAreToldByPart(t *testing.T) {
	changed := sound()
	changed.fit("r7").Verdict = DoesNotFit
	d := Diff(Build(sound(), 4), Build(changed, 5))
	got := d.Judge(func(r *Revision, part string, f *Fork) Verdict {
		for _, rows := range rowsOf(r, part, f) {
			for _, x := range rows {
				return x.Verdict
			}
		}
		return DoesNotFit
	})
	want := []VerdictChange{{Part: "CW", Loses: []string{"f1", "f2"}}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Fatal(diff)
	}
	if w := got[0].Words(); w != "2 forks lose part CW: f1, f2" {
		t.Error(w)
	}
}

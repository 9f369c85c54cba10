package catalog

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func rowsOf(r *Revision, sku string, f *Fork) [AtFork][]Fitment {
	reach := r.Reach(f)
	return reach.Of(r.Card(r.part(sku)), new([]Fitment))
}

func TestRowsOfAPartForAFork(t *testing.T) {
	tables := &Tables{
		Makers:  []Maker{{Code: "alm"}, {Code: "al"}},
		Chassis: []Chassis{{Code: "c1", Maker: "alm"}, {Code: "c2", Maker: "al"}},
		Forks: []Fork{
			{ID: "f1", Chassis: "c1", Model: "One"}, {ID: "f2", Chassis: "c1", Model: "One Plus"}, {ID: "f3", Chassis: "c2", Model: "One"},
		},
		Parts: []Part{{SKU: "P"}, {SKU: "PP"}, {SKU: "none"}},
	}
	n := 0
	for _, part := range []string{"P", "PP"} {
		for level, targets := range map[Level][]string{
			AtMaker: {"alm", "al"}, AtChassis: {"c1", "c2"}, AtModel: {"alm/One", "alm/One Plus", "al/One", "alm/One "}, AtFork: {"f1", "f2", "f3"},
		} {
			for _, x := range targets {
				n++
				tables.Fitments = append(tables.Fitments, Fitment{ID: fmt.Sprint(n), Part: part, Level: level, Target: x})
			}
		}
	}
	r := Build(tables, 1)
	for i := range r.Forks() {
		f := &r.Forks()[i]
		for _, part := range []string{"P", "PP", "none"} {
			got, want := map[string]bool{}, map[string]bool{}
			for _, rows := range rowsOf(r, part, f) {
				for _, row := range rows {
					got[row.ID] = true
				}
			}
			for row := range r.RowsOfPart(part) {
				if r.Targets(&row, f) {
					want[row.ID] = true
				}
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s for %s (-scan +search):\n%s", part, f.ID, diff)
			}
		}
		for row := range r.Rows() {
			covered := false
			for _, g := range r.ForksOf(row.Level, row.Target) {
				covered = covered || g == f
			}
			if covered != r.Targets(&row, f) {
				t.Errorf("%v %q covers %s: %v by list, %v by target", row.Level, row.Target, f.ID, covered, !covered)
			}
		}
	}
}

func TestSerialsAreOrderedAsPeopleReadThem(t *testing.T) {
	ascending := []string{"", "A9", "A10", "A10B", "A0011", "B1", "B1-200", "b1-1000", "KT2"}
	for i := range ascending {
		for j := range ascending {
			got := CompareSerials(ascending[i], ascending[j])
			if want := min(1, max(-1, i-j)); got != want {
				t.Errorf("%q against %q: %d, want %d", ascending[i], ascending[j], got, want)
			}
		}
	}
	for s, want := range map[string]string{"K1999": "K2000", "K9": "K10", "99": "100", "A09B": "A10B", "AB": "AB0", "K-0999": "K-1000"} {
		if got := NextSerial(s); got != want {
			t.Errorf("after %q comes %q, want %q", s, got, want)
		}
		if CompareSerials(s, NextSerial(s)) >= 0 {
			t.Errorf("%q does not sort before what follows it", s)
		}
	}
}

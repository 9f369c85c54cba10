package fitment

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestPagesOfPartsAreTheWholeList(t *testing.T) {
	rev := demo(t)
	forks := rev.Forks()
	for i := range forks {
		owned := &Owned{Fork: &forks[i], ModelYear: int(forks[i].YearFrom)}
		for _, near := range []bool{false, true} {
			whole := WhatFits(rev, owned, Filter{NearMisses: near})
			for _, size := range []int{1, 7, len(whole), len(whole) + 1} {
				var joined []Answer
				for after := ""; ; {
					page := WhatFits(rev, owned, Filter{NearMisses: near, After: after, Limit: size})
					if len(page) > size {
						t.Fatalf("%s: a page of %d has %d", forks[i].ID, size, len(page))
					}
					joined = append(joined, page...)
					if len(page) == 0 {
						break
					}
					last, ok := rev.Part(page[len(page)-1].SKU)
					if !ok {
						t.Fatal(page[len(page)-1].SKU)
					}
					after = ListKey(last)
				}
				if d := cmp.Diff(whole, joined); d != "" {
					t.Fatalf("%s, pages of %d: %s", forks[i].ID, size, d)
				}
			}
		}
		if testing.Short() || i == 5 {
			break
		}
	}
}

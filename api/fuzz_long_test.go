//go:build long

package api_test

import (
	"testing"

	"forkwright/api"
)

// TestLongMadeUpRequestsKeepTheContract sends so many that every operation succeeds 200 times;
// each group of operations has a world of its own, so that the groups run side by side.
func TestLongMadeUpRequestsKeepTheContract(t *testing.T) {
	const least, each, most = 200, 300, 1500
	tally := newTally()
	groups := map[string][]api.ContractOperation{}
	first := newFuzzer(t, newWorld(t, true), 0, tally)
	for _, o := range first.contract.Contract().Operations() {
		tag := first.tag(o)
		groups[tag] = append(groups[tag], o)
	}
	rows := readMatrix(t)
	t.Run("groups", func(t *testing.T) {
		for tag, operations := range groups {
			t.Run(tag, func(t *testing.T) {
				t.Parallel()
				f := newFuzzer(t, fuzzWorld(t), seedOf(tag), tally)
				f.mayAsk(rows)
				for range each {
					for _, o := range operations {
						f.once(o)
					}
				}
				for _, o := range operations {
					for n := 0; n < most && tally.goodOf(o.ID) < least; n++ {
						f.once(o)
					}
				}
			})
		}
	})
	tally.report(t, least)
	if n := tally.total(); n < 20_000 {
		t.Errorf("only %d requests", n)
	}
}

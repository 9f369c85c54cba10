package fitment

import (
	"fmt"
	"testing"

	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
)

func BenchmarkCheckFiveLines(b *testing.B) {
	rev := demo(b)
	fork, _ := rev.Fork("tarnhold-corrie-35-pro-2023")
	forks := []NamedFork{{"a", &Owned{Fork: fork, ModelYear: 2024, TravelNow: Travel{150, Measured}, WheelSize: "29"}}}
	var lines []Line
	for _, sku := range []string{"QB-C35T-150", "QB-SL-TH35-2", "LN-B46-250", "TIRE", "QB-S36M-079"} {
		lines = append(lines, Line{Code: sku, Quantity: 1, ForFork: "a"})
	}
	b.ReportAllocs()
	for b.Loop() {
		CheckCart(rev, forks, lines)
	}
}

func BenchmarkJudge(b *testing.B) {
	rev := demo(b)
	fork, _ := rev.Fork("tarnhold-corrie-35-pro-2023")
	known := &Owned{Fork: fork, ModelYear: 2024, TravelNow: Travel{150, Measured}, WheelSize: "29"}
	for _, c := range []struct {
		name  string
		owned *Owned
		sku   string
	}{
		{"fits", known, "QB-C35T-150"}, {"no row", known, "QB-S40S-050"}, {"question", &Owned{Fork: fork}, "QB-C35T-150"}, {"nearest", known, "QB-C35T-140"},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Judge(rev, c.owned, c.sku)
			}
		})
	}
}

func BenchmarkLists(b *testing.B) {
	rev := demo(b)
	fork, _ := rev.Fork("tarnhold-corrie-35-pro-2023")
	b.Run("parts of a fork", func(b *testing.B) {
		for b.Loop() {
			WhatFits(rev, &Owned{Fork: fork, ModelYear: 2024, TravelNow: Travel{150, Measured}}, Filter{})
		}
	})
	b.Run("forks of a part", func(b *testing.B) {
		for b.Loop() {
			Forks(rev, "QB-C35T-150", Page{Limit: 50})
		}
	})
}

// BenchmarkPopularPart asks about a part that has a row for each of very many forks.
func BenchmarkPopularPart(b *testing.B) {
	for _, n := range []int{1_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			rev := small(func(t *catalog.Tables) {
				for i := range n {
					id := fmt.Sprintf("fork-%06d", i)
					t.Forks = append(t.Forks, catalog.Fork{ID: id, Chassis: "V35", Model: id, Name: id, YearFrom: 2020, YearTo: 2022, TravelsMM: []int{150}})
					t.Fitments = append(t.Fitments, row(id, "S-40", catalog.AtFork, id, catalog.Fits))
				}
			})
			all := rev.Forks()
			i := 0
			b.ReportAllocs()
			for b.Loop() {
				i = (i + 7919) % len(all)
				Judge(rev, &Owned{Fork: &all[i], ModelYear: 2021}, "S-40")
			}
		})
	}
}

// BenchmarkBySize checks carts of five lines against catalogs of three sizes, each line a part
// that some row names for the fork, and lists a page of what fits, with what may take its place.
// The forks are the same few at every size, so that what grows is the catalog and not the set of
// things asked for.
func BenchmarkBySize(b *testing.B) {
	for _, n := range []int{1_000, 100_000, 1_000_000} {
		if n > 100_000 && testing.Short() {
			continue
		}
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			rev := catalog.Build(catalogtest.Generate(n, 1), 1)
			forks := rev.Forks()
			var carts [][]Line
			var owners [][]NamedFork
			for i := range min(40, len(forks)) {
				f := &forks[i*len(forks)/min(40, len(forks))]
				var lines []Line
				for row := range rev.RowsFor(f) {
					if len(lines) < 5 {
						lines = append(lines, Line{Code: row.Part, Quantity: 1, ForFork: "a"})
					}
				}
				carts = append(carts, lines)
				owners = append(owners, []NamedFork{{"a", &Owned{Fork: f, ModelYear: int(f.YearFrom), TravelNow: Travel{f.TravelsMM[0], Measured}, WheelSize: f.WheelSizes[0]}}})
			}
			i := 0
			b.Run("cart", func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					i = (i + 1) % len(carts)
					CheckCart(rev, owners[i], carts[i])
				}
			})
			b.Run("what fits", func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					i = (i + 1) % len(carts)
					owned, replacing := owners[i][0].Owned, NewReplacing(rev)
					for _, a := range WhatFits(rev, owned, Filter{Limit: 10}) {
						replacing.InsteadOf(owned, a.SKU)
					}
					replacing.SKUs()
				}
			})
		})
	}
}

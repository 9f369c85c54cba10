package catalog_test

import (
	"bytes"
	"slices"
	"testing"

	"math/rand/v2"

	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
)

// shuffled is a copy of tables with the rows of every table but the facts in another order:
// the order of facts is the order in which choices are offered.
func shuffled(t *catalog.Tables, seed uint64) *catalog.Tables {
	r := rand.New(rand.NewPCG(seed, 2))
	out := *t
	out.Forks, out.Parts, out.Fitments = slices.Clone(t.Forks), slices.Clone(t.Parts), slices.Clone(t.Fitments)
	out.Prices, out.Springs, out.ForkOptions = slices.Clone(t.Prices), slices.Clone(t.Springs), slices.Clone(t.ForkOptions)
	out.Preloads, out.Texts, out.Limits = slices.Clone(t.Preloads), slices.Clone(t.Texts), slices.Clone(t.Limits)
	shuffle(r, out.Forks)
	shuffle(r, out.Parts)
	shuffle(r, out.Fitments)
	shuffle(r, out.Prices)
	shuffle(r, out.Springs)
	shuffle(r, out.ForkOptions)
	shuffle(r, out.Preloads)
	shuffle(r, out.Texts)
	shuffle(r, out.Limits)
	return &out
}

func shuffle[T any](r *rand.Rand, rows []T) {
	r.Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
}

func TestTheOrderOfRowsDoesNotShow(t *testing.T) {
	tables := catalogtest.Generate(5000, 1)
	for seed := range uint64(3) {
		other := shuffled(tables, seed)
		a, b := catalogtest.Generate(5000, 1), other
		if !bytes.Equal(catalog.EncodeFitment(a), catalog.EncodeFitment(b)) {
			t.Error("the fitment part depends on the order of rows")
		}
		if !bytes.Equal(catalog.EncodePrices(a), catalog.EncodePrices(b)) {
			t.Error("the price part depends on the order of rows")
		}
	}
}

func BenchmarkBuild(b *testing.B)  { benchmarkBuild(b, 100_000) }
func BenchmarkCheck(b *testing.B)  { benchmarkCheck(b, 100_000) }
func BenchmarkDecode(b *testing.B) { benchmarkDecode(b, 100_000) }
func BenchmarkEncode(b *testing.B) { benchmarkEncode(b, 100_000) }

func benchmarkBuild(b *testing.B, rows int) {
	tables := catalogtest.Generate(rows, 1)
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		copied := shuffled(tables, 1)
		b.StartTimer()
		catalog.Build(copied, 1)
	}
}

func benchmarkCheck(b *testing.B, rows int) {
	tables := catalogtest.Generate(rows, 1)
	b.ReportAllocs()
	for b.Loop() {
		if problems := catalog.Check(tables); len(problems) > 0 {
			b.Fatal(problems[0])
		}
	}
}

func benchmarkDecode(b *testing.B, rows int) {
	tables := catalogtest.Generate(rows, 1)
	fitment, prices := catalog.EncodeFitment(tables), catalog.EncodePrices(tables)
	b.ReportMetric(float64(len(fitment))/float64(rows), "B/row")
	b.ReportAllocs()
	for b.Loop() {
		got, err := catalog.Decode(fitment, prices)
		if err != nil {
			b.Fatal(err)
		}
		catalog.Build(got, 1)
	}
}

func benchmarkEncode(b *testing.B, rows int) {
	tables := catalogtest.Generate(rows, 1)
	b.ReportAllocs()
	for b.Loop() {
		catalog.EncodeFitment(tables)
	}
}

package fitment

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"forkwright/service/catalog"
)

// TestWhatIsSoldInsteadFits goes through the demo: what is named instead of a part is all of its
// kind that fits by itself, and the nearest comes first.
func TestWhatIsSoldInsteadFits(t *testing.T) {
	rev := demo(t)
	count := map[string]int{}
	forks := rev.Forks()
	for i := range forks {
		f := &forks[i]
		owned := &Owned{Fork: f, ModelYear: int(f.YearFrom), TravelNow: Travel{f.TravelsMM[0], Measured}}
		on := NewReplacing(rev)
		for _, a := range WhatFits(rev, owned, Filter{}) {
			part, _ := rev.Part(a.SKU)
			var want, got []string
			parts := rev.Parts()
			for k := range parts {
				p := &parts[k]
				if p.SKU != part.SKU && doesTheSame(rev, part, p) && includes(Judge(rev, owned, p.SKU).Verdict) {
					want = append(want, p.SKU)
				}
			}
			slices.Sort(want)
			first := on.InsteadOf(owned, a.SKU).First(1000, func(string) bool { return true })
			for _, x := range first {
				if v := Judge(rev, owned, x.SKU).Verdict; v != x.Verdict || x.Why == "" {
					t.Fatalf("%s for %s: %+v, and by itself %s", x.SKU, a.SKU, x, v)
				}
				got = append(got, x.SKU)
			}
			count[part.Kind] += len(got)
			if asked, ok := rev.Spring(part.SKU); ok && !slices.IsSortedFunc(first, func(a, b Alternative) int { return cmp.Compare(rateGap(rev, asked, a), rateGap(rev, asked, b)) }) {
				t.Fatalf("%s: %v are not the nearest first", a.SKU, got)
			}
			if slices.Sort(got); !slices.Equal(got, want) {
				t.Fatalf("%s on %s: %v, want %v", a.SKU, f.ID, got, want)
			}
		}
	}
	for _, kind := range []string{catalog.KindCoilCartridge, catalog.KindSpring, catalog.KindFluid} {
		if count[kind] == 0 {
			t.Errorf("the demo has nothing instead of a %s: %v", kind, count)
		}
	}
}

func rateGap(rev *catalog.Revision, asked *catalog.Spring, a Alternative) float64 {
	s, _ := rev.Spring(a.SKU)
	return math.Abs(s.RateNPerMM() - asked.RateNPerMM())
}

// doesTheSame is said once more in other words: of what a fork takes one, of the spring's family
// within a fifth of its rate, of the fluid's duty within a tenth of its viscosity.
func doesTheSame(rev *catalog.Revision, a, b *catalog.Part) bool {
	if a.Kind != b.Kind || b.Status != "active" || b.SupersededBy != "" {
		return false
	}
	switch a.Kind {
	case "coil_cartridge", "air_cartridge", "seal_kit", "service_kit", "foam_ring":
		return true
	case "spring":
		x, _ := rev.Spring(a.SKU)
		y, _ := rev.Spring(b.SKU)
		ratio := y.RateNPerMM() / x.RateNPerMM()
		return x.Family == y.Family && ratio >= 0.8-1e-9 && ratio <= 1.2+1e-9
	case "fluid":
		x, _ := rev.Fluid(a.SKU)
		y, _ := rev.Fluid(b.SKU)
		if x.Duty != y.Duty || x.Viscosity40 == nil || y.Viscosity40 == nil {
			return false
		}
		ratio := *y.Viscosity40 / *x.Viscosity40
		return ratio >= 0.9-1e-9 && ratio <= 1.1+1e-9
	}
	return false
}

func TestInsteadOfWithoutAFork(t *testing.T) {
	rev := demo(t)
	for _, x := range []struct {
		sku  string
		have []string
		want []string
	}{
		{"QB-S36L-060", []string{"QB-S36L-070", "QB-S36L-055", "QB-S36L-095", "QB-S35-061"}, []string{"QB-S36L-055", "QB-S36L-070"}},
		{"QB-C36S-160", []string{"QB-C36S-170"}, nil}, // whether another fits is not known
		{"QB-CW8", []string{"QB-CW9"}, nil},
		{"WE-SK13", []string{"WE-SK15"}, nil},
		{"NO-SUCH", nil, nil},
	} {
		var got []string
		for _, a := range NewReplacing(rev).InsteadOf(nil, x.sku).First(3, func(sku string) bool { return slices.Contains(x.have, sku) }) {
			got = append(got, a.SKU)
		}
		if !slices.Equal(got, x.want) {
			t.Errorf("%s: %v, want %v", x.sku, got, x.want)
		}
	}
}

// TestTheNearestComesFirst compares the order with that of sorting, on both sides of the number
// from which on rivals are sorted, with equal ones among them.
func TestTheNearestComesFirst(t *testing.T) {
	rev := demo(t)
	parts := rev.Parts()
	r := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		var rivals []rival
		for range r.IntN(3 * searched) {
			card := rev.Card(&parts[r.IntN(3*searched)])
			n := card.Part.Number // what is said of one part is the same each time
			rivals = append(rivals, rival{card: card, travel: n % 3, rate: float64(n % 5 / 3), family: n%7 == 0, maker: n%2 == 0, old: n%11 == 0})
		}
		want := slices.Clone(rivals)
		slices.SortFunc(want, func(a, b rival) int {
			return cmp.Or(one(a.old)-one(b.old), cmp.Compare(a.travel, b.travel), one(a.family)-one(b.family), cmp.Compare(a.rate, b.rate),
				one(a.maker)-one(b.maker), cmp.Compare(a.card.Part.SKU, b.card.Part.SKU))
		})
		want = slices.Compact(want)
		var got []rival
		for x := range nearestFirst(rivals) {
			got = append(got, *x)
		}
		if !slices.Equal(got, want) {
			t.Fatalf("%v, want %v", got, want)
		}
	}
}

package setup

import (
	"testing"

	"forkwright/service/catalog"
)

// BenchmarkSearch is the search alone, 30 rates x 3 preloads x 5 settings, all on the curve; the
// benchmark of the whole answer, sentences included, stands beside the tests of Recommend.
func BenchmarkSearch(b *testing.B) {
	zero, one, two := 0.0, 2.54, 5.08
	h := &Hardware{TravelMM: 160, Preloads: []GivenPreload{{MM: &zero}, {MM: &one}, {MM: &two}},
		BumpStop: &GivenBumpStop{BoreMM: 18, VolumeML: 21, GaugesKPa: []float64{0, 150, 300, 450, 600}, MaxKPa: 600, RatioMax: 4}}
	for i := range 30 {
		h.Springs = append(h.Springs, GivenSpring{RateNPerMM: 5 + 0.4*float64(i), FreeLengthMM: 385, WireMM: 4.8, MeanMM: 25, ActiveCoils: 30, TotalCoils: 32, Ends: "squared_ground"})
	}
	q := &Question{Rider: Rider{MassKG: 80, MassIs: "kitted"}, Hardware: h}
	r, err := rigOf(catalog.Build(&catalog.Tables{}, 1), q, nil, surround(&q.Conditions), 0)
	if err != nil {
		b.Fatal(err)
	}
	a := &aim{loadN: 300, lowN: 240, highN: 370, targetMM: 32, toleranceMM: 4.8, share: 0.25}
	b.ReportAllocs()
	for b.Loop() {
		all := r.search(a)
		if len(all) != 450 {
			b.Fatal(len(all))
		}
	}
}

package stock

import (
	"math/rand/v2"
	"testing"

	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
)

// Parts are found in the order of the catalog, in any other, and beside codes that are not ours.
func TestPartsOfARevision(t *testing.T) {
	rev := catalog.Build(catalogtest.Generate(1000, 1), 1)
	r, parts := rand.New(rand.NewPCG(1, 2)), PartsOf(rev)
	all := rev.Parts()
	for i := range 20 * len(all) {
		n := i % len(all)
		if r.IntN(3) == 0 {
			n = r.IntN(len(all))
		}
		if got, ok := parts.BySKU(all[n].SKU); !ok || got.SKU != all[n].SKU || got.Number != n || got.Unit != all[n].Unit {
			t.Fatalf("%s is %+v %t", all[n].SKU, got, ok)
		}
		if r.IntN(10) == 0 {
			if got, ok := parts.BySKU(all[n].SKU + "?"); ok {
				t.Fatalf("a code that is not ours is %+v", got)
			}
		}
	}
	for n, p := range all {
		for _, got := range parts.ByGTIN(p.GTIN) {
			if p.GTIN != "" && got.SKU == p.SKU && got.Number != n {
				t.Fatalf("%s by its GTIN is %+v", p.SKU, got)
			}
		}
	}
}

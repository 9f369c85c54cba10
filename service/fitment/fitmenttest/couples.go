// Package fitmenttest gives tests the forks of a catalog as somebody would own them.
package fitmenttest

import (
	"iter"
	"slices"

	"forkwright/service/catalog"
	"forkwright/service/fitment"
)

// Couples yields every fork with every coil cartridge of one of its travels: the fork as it was
// built last, its travel that of the cartridge. Whether the two fit is not asked.
func Couples(rev *catalog.Revision) iter.Seq2[fitment.Owned, *catalog.CoilCartridge] {
	return func(yield func(fitment.Owned, *catalog.CoilCartridge) bool) {
		for i := range rev.Forks() {
			f := &rev.Forks()[i]
			for _, part := range rev.Parts() {
				c, ok := rev.Coil(part.SKU)
				if ok && slices.Contains(f.TravelsMM, c.TravelMM) && !yield(owned(rev, f, c.TravelMM), c) {
					return
				}
			}
		}
	}
}

// Fitting yields the couples of which the cartridge fits as it is or with something.
func Fitting(rev *catalog.Revision) iter.Seq2[fitment.Owned, *catalog.CoilCartridge] {
	return func(yield func(fitment.Owned, *catalog.CoilCartridge) bool) {
		for o, c := range Couples(rev) {
			v := fitment.Judge(rev, &o, c.SKU).Verdict
			if (v == catalog.Fits || v == catalog.FitsWith) && !yield(o, c) {
				return
			}
		}
	}
}

func owned(rev *catalog.Revision, f *catalog.Fork, travelMM int) fitment.Owned {
	now := fitment.Travel{MM: travelMM, How: fitment.Measured}
	o := fitment.Owned{Fork: f, ModelYear: int(f.YearTo), TravelBuilt: now, TravelNow: now, WheelSize: f.WheelSizes[0], Options: map[string]string{}}
	for _, x := range rev.Options(f.ID) {
		o.Options[x.Fact] = x.Value
	}
	return o
}

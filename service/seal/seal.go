// Package seal is the geometry of an O-ring in its groove: squeeze, stretch and
// fill. Lengths in mm, ratios as fractions. Room temperature, unswollen rubber. What
// fluid or grease a ring bears is its maker's word, never computed here.
package seal

import "math"

// Status says whether a figure is inside the rules of seal makers.
type Status string

// The statuses.
const (
	OK           Status = "ok"
	InvalidInput Status = "invalid_input"
	TooLoose     Status = "too_loose"    // below the least squeeze, or stretch negative
	TooTight     Status = "too_tight"    // above the most squeeze or stretch
	Overfilled   Status = "overfilled"   // no room for swelling
	Acceptable   Status = "acceptable"   // allowed in service, not preferred
	OutOfRange   Status = "out_of_range" // beyond what the formula is good for
)

// Use is how a seal works.
type Use string

// Sliding and standing seals.
const (
	Dynamic Use = "dynamic"
	Static  Use = "static"
)

// Band is a range of fractions.
type Band struct{ Min, Max float64 }

// Squeeze is (W - depth)/W between its limits: (W_min - depth_max)/W_min to
// (W_max - depth_min)/W_max, for a section W +- tolerance. Derived; reproduces printed gland
// tables within 0.3 percentage points.
func Squeeze(sectionMM, toleranceMM, depthMinMM, depthMaxMM float64) (Band, Status) {
	least, most := sectionMM-toleranceMM, sectionMM+toleranceMM
	if !(least > 0) || !(toleranceMM >= 0) || !(depthMinMM > 0) || !(depthMaxMM >= depthMinMM) ||
		math.IsInf(most, 1) || math.IsInf(depthMaxMM, 1) {
		return Band{}, InvalidInput
	}
	return Band{Min: (least - depthMaxMM) / least, Max: (most - depthMinMM) / most}, OK
}

// JudgeSqueeze compares with the rules of seal makers, which differ: dynamic 9-25 % by
// section (one says 12-18 %), static roughly 15-30 %.
func JudgeSqueeze(b Band, use Use) Status {
	rule := Band{0.085, 0.25}
	if use == Static {
		rule = Band{0.15, 0.30}
	}
	const print = 0.003 // printed limits are rounded
	switch {
	case b.Min < rule.Min-print:
		return TooLoose
	case b.Max > rule.Max+print:
		return TooTight
	}
	return OK
}

// Stretch is (groove diameter - ID)/ID. 1-3 % is preferred, 5 % the limit in service (seal
// makers' pages).
func Stretch(grooveMM, innerMM float64) (float64, Status) {
	if !(grooveMM > 0) || !(innerMM > 0) || math.IsInf(grooveMM+innerMM, 1) {
		return 0, InvalidInput
	}
	s := (grooveMM - innerMM) / innerMM
	switch {
	case s < 0:
		return s, TooLoose
	case s > 0.05:
		return s, TooTight
	case s < 0.01 || s > 0.03:
		return s, Acceptable
	}
	return s, OK
}

// StretchedSection is W' = W sqrt((ID + W)/(D_g + W)) in mm: rubber keeps its volume.
// Derived; good below about 5 % of stretch.
func StretchedSection(sectionMM, innerMM, grooveMM float64) (float64, Status) {
	if !(sectionMM > 0) {
		return 0, InvalidInput
	}
	s, status := Stretch(grooveMM, innerMM)
	if status == InvalidInput {
		return 0, InvalidInput
	}
	w := sectionMM * math.Sqrt((innerMM+sectionMM)/(grooveMM+sectionMM))
	if s > 0.05 || s < 0 {
		return w, OutOfRange
	}
	return w, OK
}

// Fill is (pi/4) W^2/(depth width), the share of the groove that rubber takes. At most 85 %
// dynamic, 90 % static (seal makers' pages; they differ).
func Fill(sectionMM, depthMM, widthMM float64, use Use) (float64, Status) {
	if !(sectionMM > 0) || !(depthMM > 0) || !(widthMM > 0) || math.IsInf(sectionMM+depthMM+widthMM, 1) {
		return 0, InvalidInput
	}
	fill, limit := math.Pi/4*sectionMM*sectionMM/(depthMM*widthMM), 0.85
	if use == Static {
		limit = 0.90
	}
	if fill > limit {
		return fill, Overfilled
	}
	return fill, OK
}

// Size is a ring of the AS568 / ISO 3601-1 inch series.
type Size struct {
	Dash      string
	InnerMM   float64
	SectionMM float64
}

// Sizes lists the rings known here: those on which two independent tables agree, or (-116,
// -120, -222) one table and memory. Public charts contain errors; any further size and all
// tolerances come from the standard itself.
func Sizes() []Size {
	return []Size{
		{"-010", 6.07, 1.78}, {"-012", 9.25, 1.78}, {"-014", 12.42, 1.78}, {"-016", 15.60, 1.78}, {"-018", 18.77, 1.78},
		{"-110", 9.19, 2.62}, {"-112", 12.37, 2.62}, {"-115", 17.12, 2.62}, {"-116", 18.72, 2.62}, {"-120", 25.07, 2.62},
		{"-210", 18.64, 3.53}, {"-214", 24.99, 3.53}, {"-218", 31.34, 3.53}, {"-222", 37.69, 3.53},
	}
}

// Package fluid is the arithmetic of suspension fluids: viscosity against temperature,
// viscosity index and class, and how many bottles a job takes. Kinematic viscosity
// is in mm^2/s (cSt), volume in mL, temperature in kelvin where said and else in
// degrees C. Labels such as "5 wt" follow no suspension standard and appear nowhere:
// only viscosities and the maker's product compare.
package fluid

import (
	"math"
	"strconv"

	"forkwright/service/unit"
)

// Status says whether a number may be used.
type Status string

// The statuses.
const (
	OK              Status = "ok"
	InvalidInput    Status = "invalid_input"
	OutsideValidity Status = "outside_validity" // computed, but beyond the range of the formula
	Extrapolated    Status = "extrapolated"     // outside the two measured temperatures
	NotDefined      Status = "not_defined"
)

func positive(vs ...float64) bool {
	for _, v := range vs {
		if !(v > 0) || math.IsInf(v, 1) {
			return false
		}
	}
	return true
}

// Line is viscosity against temperature through two measured points:
// log10 log10(nu + 0.7) = A - B log10 T, T in K (ASTM D341, Walther).
type Line struct {
	A, B       float64
	lowK, upK  float64
	hasMeasure bool
}

// The range of nu that the equation is good for (from memory).
const (
	minViscosity = 2
	maxViscosity = 2e7
)

// NewLine fits two points (nu in cSt, T in K). OutsideValidity below 2 cSt; InvalidInput for
// one temperature twice or a fluid that thickens when heated.
func NewLine(nu1, temp1K, nu2, temp2K float64) (Line, Status) {
	if !positive(nu1, temp1K, nu2, temp2K) || temp1K == temp2K || (nu1-nu2)*(temp1K-temp2K) >= 0 ||
		math.Min(nu1, nu2) <= 0.3 { // log10(nu + 0.7) must be positive
		return Line{}, InvalidInput
	}
	y1, y2 := loglog(nu1), loglog(nu2)
	b := (y1 - y2) / (math.Log10(temp2K) - math.Log10(temp1K))
	l := Line{A: y1 + b*math.Log10(temp1K), B: b, lowK: math.Min(temp1K, temp2K), upK: math.Max(temp1K, temp2K), hasMeasure: true}
	if math.Min(nu1, nu2) < minViscosity || math.Max(nu1, nu2) > maxViscosity {
		return l, OutsideValidity
	}
	return l, OK
}

// Line40And100 fits the two temperatures at which data sheets give viscosity.
func Line40And100(nu40, nu100 float64) (Line, Status) {
	return NewLine(nu40, 40+unit.KelvinAtZeroC, nu100, 100+unit.KelvinAtZeroC)
}

func loglog(nu float64) float64 { return math.Log10(math.Log10(nu + 0.7)) }

// At is nu in cSt at a temperature in K. Extrapolated outside the measured points: unsafe
// below the lower one for fluids with improvers; never above boiling or below the cloud
// point, which the line does not know. OutsideValidity outside 2 to 2e7 cSt.
func (l Line) At(tempK float64) (float64, Status) {
	if !positive(tempK) || !l.hasMeasure {
		return 0, InvalidInput
	}
	nu := math.Pow(10, math.Pow(10, l.A-l.B*math.Log10(tempK))) - 0.7
	switch {
	case math.IsInf(nu, 0) || nu < minViscosity || nu > maxViscosity:
		return nu, OutsideValidity
	case tempK < l.lowK-1e-9 || tempK > l.upK+1e-9:
		return nu, Extrapolated
	}
	return nu, OK
}

// AtC is At for degrees C.
func (l Line) AtC(tempC float64) (float64, Status) { return l.At(tempC + unit.KelvinAtZeroC) }

// Procedure is the part of ASTM D2270 that applies.
type Procedure string

// A up to an index of 100, B above.
const (
	ProcedureA Procedure = "A"
	ProcedureB Procedure = "B"
)

// Index is a viscosity index with the figures behind it.
type Index struct {
	Value     float64 // report Rounded
	L, H      float64 // viscosity at 40 degrees C of oils of index 0 and 100 with the same nu100
	Procedure Procedure
}

// Rounded is the index as reported: a whole number.
func (i Index) Rounded() int { return int(math.Round(i.Value)) }

// curves are the quadratics of ASTM D2270 for L and H in Y = nu100: the upper end of each
// range, then L = aY^2 + bY + c and H = dY^2 + eY + f. The figures are those of the standard's
// appendix as three independent open copies agree on them; the standard itself was not at
// hand. Its printed table differs by up to 0.2 %, so compare rounded indexes.
func curves() [16][7]float64 {
	return [16][7]float64{
		{3.8, 1.14673, 1.7576, -0.109, 0.84155, 1.5521, -0.077},
		{4.4, 3.38095, -15.4952, 33.196, 0.78571, 1.7929, -0.183},
		{5.0, 2.5000, -7.2143, 13.812, 0.82143, 1.5679, 0.119},
		{6.4, 0.10100, 16.6350, -45.469, 0.04985, 9.1613, -18.557},
		{7.0, 3.35714, -23.5643, 78.466, 0.22619, 7.7369, -16.656},
		{7.7, 0.01191, 21.4750, -72.870, 0.79762, -0.7321, 14.610},
		{9.0, 0.41858, 16.1558, -56.040, 0.05794, 10.5156, -28.240},
		{12, 0.88779, 7.5527, -16.600, 0.26665, 6.7015, -10.810},
		{15, 0.76720, 10.7972, -38.180, 0.20073, 8.4658, -22.490},
		{18, 0.97305, 5.3135, -2.200, 0.28889, 5.9741, -4.930},
		{22, 0.97256, 5.2500, -0.980, 0.24504, 7.4160, -16.730},
		{28, 0.91413, 7.4759, -21.820, 0.20323, 9.1267, -34.230},
		{40, 0.87031, 9.7157, -50.770, 0.18411, 10.1015, -46.750},
		{55, 0.84703, 12.6752, -133.310, 0.17029, 11.4866, -80.620},
		{70, 0.85921, 11.1009, -83.190, 0.17130, 11.3680, -76.940},
		{math.Inf(1), 0.83531, 14.6731, -216.246, 0.16841, 11.8493, -96.947},
	}
}

// ViscosityIndex follows ASTM D2270 (ISO 2909) from nu at 40 and 100 degrees C in cSt. U > H:
// VI = 100 (L - U)/(L - H). U <= H: N = log(H/U)/log Y, VI = (10^N - 1)/0.00715 + 100. NotDefined
// below 2 cSt at 100 degrees C.
func ViscosityIndex(nu40, nu100 float64) (Index, Status) {
	if !positive(nu40, nu100) || nu40 <= nu100 {
		return Index{}, InvalidInput
	}
	if nu100 < 2 {
		return Index{}, NotDefined
	}
	table := curves()
	row := 0
	for nu100 > table[row][0] {
		row++
	}
	k := table[row]
	i := Index{L: (k[1]*nu100+k[2])*nu100 + k[3], H: (k[4]*nu100+k[5])*nu100 + k[6]}
	if nu40 > i.H {
		i.Procedure, i.Value = ProcedureA, 100*(i.L-nu40)/(i.L-i.H)
		return i, OK
	}
	n := math.Log10(i.H/nu40) / math.Log10(nu100)
	i.Procedure, i.Value = ProcedureB, (math.Pow(10, n)-1)/0.00715+100
	return i, OK
}

// ISOVG is the ISO 3448 class of a viscosity at 40 degrees C in cSt, "VG 15". Limits are
// +-10 % of the midpoint and classes do not touch: false where nu lies between two.
// Midpoints below VG 10 and above VG 46 from memory.
func ISOVG(nu40 float64) (string, bool) {
	names := [20]int{2, 3, 5, 7, 10, 15, 22, 32, 46, 68, 100, 150, 220, 320, 460, 680, 1000, 1500, 2200, 3200}
	small := [4]float64{2.2, 3.2, 4.6, 6.8}
	for i, vg := range names {
		mid := float64(vg)
		if i < len(small) {
			mid = small[i]
		}
		if nu40 >= 0.9*mid-1e-9 && nu40 <= 1.1*mid+1e-9 {
			return "VG " + strconv.Itoa(vg), true
		}
	}
	return "", false
}

// Job is what fluid of one duty a number of forks take. Never add volumes of different
// fluids.
type Job struct {
	PerLegML []float64 // each leg that takes this fluid; legs often differ
	Forks    int
	Loss     float64 // fraction on top; no source
	SoakML   float64 // per fork on top, what foam rings and tools keep (8-15 mL, from memory)
}

// TotalML is Forks (sum of legs (1 + Loss) + SoakML).
func (j Job) TotalML() (float64, Status) {
	var fork float64
	for _, leg := range j.PerLegML {
		if !(leg >= 0) || math.IsInf(leg, 1) {
			return 0, InvalidInput
		}
		fork += leg
	}
	if j.Forks < 0 || !(j.Loss >= 0) || !(j.SoakML >= 0) || math.IsInf(j.Loss+j.SoakML, 1) {
		return 0, InvalidInput
	}
	return float64(j.Forks) * (fork*(1+j.Loss) + j.SoakML), OK
}

// Bottles is how many bottles hold a volume, both mL; an exact fit does not round up.
func Bottles(totalML, bottleML float64) (int, Status) {
	if !positive(bottleML) || !(totalML >= 0) || totalML/bottleML > 1e9 {
		return 0, InvalidInput
	}
	return int(math.Ceil(totalML/bottleML - 1e-9)), OK
}

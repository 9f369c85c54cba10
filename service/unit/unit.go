// Package unit converts between the one coherent set used inside (mm, N, MPa,
// kg, s; pressures in kPa at the edge) and what people write.
//
// Factors follow from exact definitions: 1 in = 25.4 mm, 1 lb = 0.45359237 kg,
// g_n = 9.80665 m/s² (NIST SP 811, appendix B).
package unit

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"forkwright/service/fault"
)

// Exact definitions.
const (
	MMPerInch       = 25.4
	KGPerPound      = 0.45359237
	GravityMPerS2   = 9.80665
	NPerPoundForce  = KGPerPound * GravityMPerS2
	NPerMMPerLbfIn  = NPerPoundForce / MMPerInch
	NMPerInLbf      = NPerPoundForce * MMPerInch / 1000
	NMPerFtLbf      = NMPerInLbf * 12
	KPaPerPSI       = NPerPoundForce / (MMPerInch * MMPerInch) * 1000
	MLPerCubicInch  = MMPerInch * MMPerInch * MMPerInch / 1000
	MLPerUSFlOunce  = 29.5735295625 // exact: 231 in³ / 128
	KelvinAtZeroC   = 273.15
	RadiansPerDeg   = math.Pi / 180
	KPaPerMPa       = 1000
	KPaPerBar       = 100
	MM3PerML        = 1000
	GramsPerKG      = 1000
	FahrenheitAt0C  = 32.0
	CPerFahrenheit  = 5.0 / 9.0
	KGfNewtons      = GravityMPerS2
	MillimetresPerM = 1000
)

// Dimension is a kind of quantity; each has a closed list of units.
type Dimension string

// The dimensions and, in the comment, the SI unit in which a value is kept.
const (
	Rate        Dimension = "rate"        // N/mm
	Length      Dimension = "length"      // mm
	Mass        Dimension = "mass"        // kg
	Force       Dimension = "force"       // N
	Torque      Dimension = "torque"      // N m
	Pressure    Dimension = "pressure"    // kPa, gauge or absolute as the field says
	Volume      Dimension = "volume"      // mL
	Area        Dimension = "area"        // mm²
	Temperature Dimension = "temperature" // °C
	Angle       Dimension = "angle"       // degrees
)

type scale struct {
	unit   string
	factor float64 // SI = value*factor + offset
	offset float64
}

// The first unit of each list is the SI unit.
var scales = map[Dimension][]scale{
	Rate:        {{"N/mm", 1, 0}, {"lbf/in", NPerMMPerLbfIn, 0}, {"lb/in", NPerMMPerLbfIn, 0}},
	Length:      {{"mm", 1, 0}, {"cm", 10, 0}, {"m", 1000, 0}, {"in", MMPerInch, 0}},
	Mass:        {{"kg", 1, 0}, {"g", 0.001, 0}, {"lb", KGPerPound, 0}},
	Force:       {{"N", 1, 0}, {"lbf", NPerPoundForce, 0}},
	Torque:      {{"N m", 1, 0}, {"N.m", 1, 0}, {"in-lbf", NMPerInLbf, 0}, {"ft-lbf", NMPerFtLbf, 0}},
	Pressure:    {{"kPa", 1, 0}, {"psi", KPaPerPSI, 0}, {"bar", KPaPerBar, 0}, {"MPa", KPaPerMPa, 0}},
	Volume:      {{"mL", 1, 0}, {"cc", 1, 0}, {"L", 1000, 0}, {"in3", MLPerCubicInch, 0}, {"fl oz", MLPerUSFlOunce, 0}},
	Area:        {{"mm2", 1, 0}, {"in2", MMPerInch * MMPerInch, 0}},
	Temperature: {{"degC", 1, 0}, {"degF", CPerFahrenheit, -FahrenheitAt0C * CPerFahrenheit}},
	Angle:       {{"deg", 1, 0}},
}

// Units lists what is accepted for a dimension, the SI unit first.
func Units(d Dimension) []string {
	out := make([]string, len(scales[d]))
	for i, s := range scales[d] {
		out[i] = s.unit
	}
	return out
}

// Quantity is a value with the unit in which somebody wrote or published it.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// mostValue is beyond every quantity of a fork in every unit, a slip of the pen.
const mostValue = 1_000_000

// UnmarshalJSON wants both members and knows no other: a value that was forgotten must not be
// read as 0. Its errors are faults with pointers into the quantity.
func (q *Quantity) UnmarshalJSON(text []byte) error {
	var members map[string]json.RawMessage
	if err := json.Unmarshal(text, &members); err != nil || members == nil {
		return quantityFault("", "invalid_type", "A quantity is an object with value and unit.")
	}
	for name := range members {
		if name != "value" && name != "unit" {
			return quantityFault("/"+name, "unknown_field", "There is no member %s here; known are value, unit.", name)
		}
	}
	for _, m := range []struct {
		name, is string
		into     any
	}{{"value", "a number", &q.Value}, {"unit", "a text", &q.Unit}} {
		text, ok := members[m.name]
		if !ok {
			return quantityFault("/"+m.name, "required", "A quantity needs value and unit; %s is missing.", m.name)
		}
		if json.Unmarshal(text, m.into) != nil || string(text) == "null" {
			return quantityFault("/"+m.name, "invalid_type", "%s must be %s.", m.name, m.is)
		}
	}
	if math.Abs(q.Value) > mostValue {
		return quantityFault("/value", "out_of_range", "A value lies from -%d to %d, whatever its unit.", mostValue, mostValue)
	}
	return nil
}

func quantityFault(pointer, code, text string, args ...any) error {
	var f fault.Fields
	f.Add(pointer, code, text, args...)
	return f.Err()
}

// SI converts to the dimension's SI unit. It fails on a unit that is not in the
// dimension's list and on a value that is not finite.
func (q Quantity) SI(d Dimension) (float64, error) {
	if math.IsNaN(q.Value) || math.IsInf(q.Value, 0) {
		return 0, fmt.Errorf("%v is not a finite number", q.Value)
	}
	for _, s := range scales[d] {
		if s.unit == q.Unit {
			return q.Value*s.factor + s.offset, nil
		}
	}
	return 0, fmt.Errorf("%q is not a unit of %s; use one of %v", q.Unit, d, Units(d))
}

// From converts an SI value to another unit of its dimension, without rounding.
// An unknown unit gives NaN, so that it cannot pass for a number.
func From(si float64, d Dimension, unit string) float64 {
	for _, s := range scales[d] {
		if s.unit == unit {
			return (si - s.offset) / s.factor
		}
	}
	return math.NaN()
}

// System chooses how a quantity is displayed.
type System string

// The systems of display. None shows no display text.
const (
	None     System = ""
	Metric   System = "metric"
	Imperial System = "imperial"
)

type look struct {
	unit     string
	label    string
	decimals int
}

// Decimals of the display follow what a workshop can read off its tools.
var displays = map[System]map[Dimension]look{
	Metric: {
		Rate: {"N/mm", "N/mm", 2}, Length: {"mm", "mm", 1}, Mass: {"kg", "kg", 1}, Force: {"N", "N", 0},
		Torque: {"N m", "N m", 1}, Pressure: {"kPa", "kPa", 0}, Volume: {"mL", "mL", 0}, Temperature: {"degC", "°C", 0},
	},
	Imperial: {
		Rate: {"lbf/in", "lb/in", 1}, Length: {"in", "in", 2}, Mass: {"lb", "lb", 1}, Force: {"lbf", "lbf", 0},
		Torque: {"in-lbf", "in-lbf", 0}, Pressure: {"psi", "psi", 0}, Volume: {"fl oz", "fl oz", 2}, Temperature: {"degF", "°F", 0},
	},
}

// Display renders an SI value in a system, rounded once, half away from zero.
// It is "" for None and for a dimension that is never converted.
func Display(si float64, d Dimension, s System) string {
	l, ok := displays[s][d]
	if !ok {
		return ""
	}
	return strconv.FormatFloat(Round(From(si, d, l.unit), l.decimals), 'f', l.decimals, 64) + " " + l.label
}

// Round rounds half away from zero to a number of decimals, for display only.
func Round(v float64, decimals int) float64 {
	p := math.Pow10(decimals)
	r := math.Round(v*p) / p
	if r == 0 {
		return 0 // never -0
	}
	return r
}

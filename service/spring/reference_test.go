package spring_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"forkwright/service/fastener"
	"forkwright/service/fluid"
	"forkwright/service/seal"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// The published and independently computed cases of testdata/reference, run through the
// public functions. Area I is money and is run where money lives.

type quantity struct {
	Value any    `json:"value"`
	Unit  string `json:"unit"`
}

type tolerance struct {
	Abs *float64 `json:"abs"`
	Rel *float64 `json:"rel"`
}

type referenceCase struct {
	ID, Area, Title, Formula, Source, Provenance string
	Inputs                                       json.RawMessage
	Expected                                     json.RawMessage
	Tolerance                                    map[string]tolerance
}

// toBase gives factor and offset to the unit in which this test hands numbers over. Written
// out here, not taken from the code under test.
func toBase(t *testing.T, u string) (factor, offset float64, base string) {
	t.Helper()
	const lbf = 4.4482216152605
	table := map[string]struct {
		factor, offset float64
		base           string
	}{
		"mm": {1, 0, "mm"}, "m": {1000, 0, "mm"}, "in": {25.4, 0, "mm"},
		"N": {1, 0, "N"}, "kN": {1000, 0, "N"}, "lbf": {lbf, 0, "N"},
		"N/mm": {1, 0, "N/mm"}, "lbf/in": {lbf / 25.4, 0, "N/mm"},
		"MPa": {1, 0, "MPa"}, "GPa": {1000, 0, "MPa"}, "kpsi": {lbf / (25.4 * 25.4) * 1000, 0, "MPa"},
		"kPa": {1e-3, 0, "MPa"}, "Pa": {1e-6, 0, "MPa"}, "psi": {lbf / (25.4 * 25.4), 0, "MPa"}, "bar": {0.1, 0, "MPa"},
		"mL": {1, 0, "mL"}, "cc": {1, 0, "mL"}, "mm2": {1, 0, "mm2"}, "kg": {1, 0, "kg"}, "lb": {0.45359237, 0, "kg"}, "J": {1, 0, "J"},
		"degC": {1, 273.15, "K"}, "K": {1, 0, "K"}, "1/K": {1, 0, "1/K"}, "deg": {1, 0, "deg"},
		"1": {1, 0, "1"}, "%": {0.01, 0, "1"}, "pp": {0.01, 0, "1"}, "raw": {1, 0, "1"}, "clicks": {1, 0, "1"},
		"cSt": {1, 0, "cSt"}, "Hz": {1, 0, "Hz"}, "N.s/m": {1, 0, "N.s/m"}, "N.m": {1, 0, "N.m"}, "in-lbf": {lbf * 0.0254, 0, "N.m"},
		"MPa.mm^m": {1, 0, "MPa.mm^m"}, "kpsi.in^m": {1, 0, "kpsi.in^m"},
	}
	c, ok := table[u]
	if !ok {
		t.Fatalf("unit %q is not known to this test", u)
	}
	return c.factor, c.offset, c.base
}

type inputs struct {
	t    *testing.T
	of   map[string]quantity
	used map[string]bool
}

func (in inputs) has(name string) bool { _, ok := in.of[name]; return ok }

func (in inputs) get(name string) quantity {
	in.t.Helper()
	q, ok := in.of[name]
	if !ok {
		in.t.Fatalf("the case has no input %q", name)
	}
	in.used[name] = true
	return q
}

// num is a number in one of the base units of toBase.
func (in inputs) num(name, base string) float64 {
	in.t.Helper()
	return in.list(name, base)[0]
}

func (in inputs) list(name, base string) []float64 {
	in.t.Helper()
	q := in.get(name)
	factor, offset, has := toBase(in.t, q.Unit)
	if has != base {
		in.t.Fatalf("%s is in %q (%s), wanted %s", name, q.Unit, has, base)
	}
	values, ok := q.Value.([]any)
	if !ok {
		values = []any{q.Value}
	}
	out := make([]float64, len(values))
	for i, v := range values {
		f, ok := v.(float64)
		if !ok {
			in.t.Fatalf("%s is %v, not a number", name, v)
		}
		out[i] = f*factor + offset
	}
	return out
}

func (in inputs) text(name string) string {
	in.t.Helper()
	s, ok := in.get(name).Value.(string)
	if !ok {
		in.t.Fatalf("%s is not a text", name)
	}
	return s
}

func (in inputs) flag(name string) bool {
	in.t.Helper()
	b, ok := in.get(name).Value.(bool)
	if !ok {
		in.t.Fatalf("%s is not true or false", name)
	}
	return b
}

func (in inputs) kPa(name string) float64 { in.t.Helper(); return in.num(name, "MPa") * 1000 }
func (in inputs) celsius(name string) float64 {
	in.t.Helper()
	return in.num(name, "K") - 273.15
}

// num is an output in a base unit; anything else in answers compares exactly.
type num struct {
	value float64
	base  string
}

type answers map[string]any

func (in inputs) mean() float64 {
	in.t.Helper()
	d := in.num("d", "mm")
	switch {
	case in.has("OD"):
		return spring.MeanFromOuter(in.num("OD", "mm"), d)
	case in.has("ID"):
		return spring.MeanFromInner(in.num("ID", "mm"), d)
	}
	return in.num("D", "mm")
}

func (in inputs) active() float64 {
	in.t.Helper()
	if in.has("n") {
		return in.num("n", "1")
	}
	n, s := spring.ActiveCoils(spring.Ends(in.text("end")), in.num("Nt", "1"))
	in.must(s)
	return n
}

func (in inputs) must(s spring.Status) {
	in.t.Helper()
	if s != spring.OK {
		in.t.Fatalf("status %s", s)
	}
}

func (in inputs) rateFromCoil() float64 {
	in.t.Helper()
	k, s := spring.Rate(in.num("G", "MPa"), in.num("d", "mm"), in.mean(), in.active())
	in.must(s)
	return k
}

func (in inputs) factor(index float64) float64 {
	in.t.Helper()
	if !in.has("factor") {
		return 1
	}
	switch f := in.text("factor"); f {
	case "bergstraesser":
		return spring.Bergstraesser(index)
	case "wahl":
		return spring.Wahl(index)
	case "none":
		return 1
	default:
		in.t.Fatalf("factor %q", f)
		return 0
	}
}

func (in inputs) forces() spring.Forces {
	in.t.Helper()
	f, s := spring.Load{
		RiderKG: in.num("m_rider", "kg"), BikeKG: in.num("m_bike", "kg"), UnsprungKG: in.num("m_unsprung", "kg"),
		RiderShare: in.num("phi_rider", "1"), BikeShare: in.num("phi_bike", "1"), HeadDegrees: in.num("head_angle", "deg"),
	}.Forces()
	in.must(s)
	return f
}

func (in inputs) coil() spring.Curve {
	in.t.Helper()
	c, s := spring.NewCoil(in.num("travel", "mm"), in.num("k", "N/mm"), in.num("preload", "mm"))
	in.must(s)
	return c
}

func (in inputs) ambientKPa() float64 {
	in.t.Helper()
	a, s := spring.Atmosphere(in.num("altitude", "mm") / 1000)
	in.must(s)
	return a.PressureKPa
}

func (in inputs) bump() (spring.BumpStop, float64) {
	in.t.Helper()
	b := spring.BumpStop{
		ContactMM: in.num("engage", "1") * in.num("travel", "mm"), AreaMM2: in.num("area", "mm2"),
		GaugeKPa: in.kPa("gauge"), AmbientKPa: in.ambientKPa(),
	}
	if in.has("volume") {
		b.VolumeML = in.num("volume", "mL")
	}
	return b, in.num("n_poly", "1")
}

func (in inputs) bumpedCoil() (spring.Curve, spring.Bump) {
	in.t.Helper()
	b, n := in.bump()
	c, s := in.coil().WithBump(b)
	in.must(s)
	c, s = c.WithExponent(n)
	in.must(s)
	return c, b.End(c.TravelMM(), n)
}

func (in inputs) air() spring.AirSpring {
	in.t.Helper()
	a := spring.AirSpring{
		PosAreaMM2: in.num("A_pos", "mm2"), PosML: in.num("V_pos", "mL"),
		AmbientKPa: in.ambientKPa(), TravelMM: in.num("travel", "mm"),
	}
	if in.has("A_neg") {
		a.NegAreaMM2, a.NegML, a.BypassMM = in.num("A_neg", "mm2"), in.num("V_neg", "mL"), in.num("x_bypass", "mm")
	}
	return a
}

// formulas holds one adapter per formula of the file.
func formulas() map[string]func(inputs) answers {
	return map[string]func(inputs) answers{
		"spring_rate": func(in inputs) answers {
			return answers{
				"k": num{in.rateFromCoil(), "N/mm"}, "n": num{in.active(), "1"},
				"C": num{spring.Index(in.mean(), in.num("d", "mm")), "1"},
			}
		},
		"sut_power": func(in inputs) answers {
			a, m := 0.0, in.num("m", "1")
			if in.text("system") == "SI" {
				a = in.num("A", "MPa.mm^m")
			} else {
				a = spring.PowerConstantSI(in.num("A", "kpsi.in^m"), m)
			}
			sut, s := spring.StrengthPower(a, m, in.num("d", "mm"))
			in.must(s)
			return answers{"S_ut": num{sut, "MPa"}, "S_sy": num{spring.TorsionalYield(sut, in.num("frac", "1")), "MPa"}}
		},
		"free_length_to_stress": func(in inputs) answers {
			d, mean := in.num("d", "mm"), in.mean()
			force := spring.ForceAtStress(in.num("tau", "MPa"), mean, d, in.factor(spring.Index(mean, d)))
			solid, s := spring.SolidLength(spring.Ends(in.text("end")), d, in.num("Nt", "1"))
			in.must(s)
			critical, s := spring.CriticalFreeLength(in.num("coef", "1"), mean, in.num("alpha", "1"))
			in.must(s)
			return answers{
				"F_s": num{force, "N"}, "L_s": num{solid, "mm"},
				"L_0": num{spring.FreeLength(solid, force, in.rateFromCoil()), "mm"}, "L_0cr": num{critical, "mm"},
			}
		},
		"stress_factors": func(in inputs) answers {
			c := in.num("C", "1")
			return answers{"K_W": num{spring.Wahl(c), "1"}, "K_B": num{spring.Bergstraesser(c), "1"}, "index_ok": spring.IndexIsHandy(c)}
		},
		"en_lengths": func(in inputs) answers {
			d := in.num("d", "mm")
			block := spring.BlockLength(in.flag("ground"), d, in.num("nt", "1"))
			gaps := spring.GapSum(in.num("n", "1"), in.num("D", "mm"), d, in.flag("dynamic"))
			return answers{"L_c": num{block, "mm"}, "S_a": num{gaps, "mm"}, "L_n": num{block + gaps, "mm"}}
		},
		"rm_en10270": func(in inputs) answers {
			r, s := spring.StrengthLog(in.num("Rm0", "MPa"), in.num("slope", "MPa"), in.num("d", "mm"), 0)
			in.must(s)
			return answers{"R_m": num{r, "MPa"}}
		},
		"g_at_temp": func(in inputs) answers {
			ratio := spring.TemperatureRatio(in.celsius("T"), in.num("r", "1/K"))
			g, s := spring.ShearAt(in.num("G20", "MPa"), in.celsius("T"), in.num("r", "1/K"))
			in.must(s)
			return answers{"ratio": num{ratio, "1"}, "G": num{g, "MPa"}, "k": num{in.num("k20", "N/mm") * ratio, "N/mm"}}
		},
		"staged_springs": func(in inputs) answers {
			rate := func(i string) float64 {
				k, s := spring.Rate(in.num("G", "MPa"), in.num("d"+i, "mm"), in.num("D"+i, "mm"), in.num("n"+i, "1"))
				in.must(s)
				return k
			}
			r, s := spring.Staged{FirstNPerMM: rate("1"), SecondNPerMM: rate("2"), GapMM: in.num("gap", "mm")}.Under(in.num("P", "N"))
			in.must(s)
			return answers{
				"F1": num{r.FirstN, "N"}, "F2": num{r.SecondN, "N"},
				"x1": num{r.FirstMM, "mm"}, "x2": num{r.SecondMM, "mm"},
			}
		},
		"install_check": func(in inputs) answers {
			c := spring.CheckClearance(in.num("L_0", "mm"), in.num("L_c", "mm"), in.num("L_n", "mm"), in.num("preload", "mm"), in.num("travel", "mm"))
			return answers{
				"x_bind": num{c.BindMM, "mm"}, "x_gap": num{c.GapMM, "mm"},
				"margin": num{c.MarginMM, "mm"}, "status": string(c.Status),
			}
		},
		"preload_force": func(in inputs) answers {
			return answers{"F": num{spring.PreloadForce(in.num("k", "N/mm"), in.num("p", "mm")), "N"}}
		},
		"shear_stress": func(in inputs) answers {
			d, mean := in.num("d", "mm"), in.mean()
			return answers{"tau": num{spring.Stress(in.num("F", "N"), mean, d, in.factor(spring.Index(mean, d))), "MPa"}}
		},
		"front_fraction": func(in inputs) answers {
			share, total, s := spring.FrontShare(in.list("masses", "kg"), in.list("xs", "mm"), in.num("wheelbase", "mm"))
			in.must(s)
			return answers{"fraction": num{share, "1"}, "m_total": num{total, "kg"}}
		},
		"axial_load": func(in inputs) answers {
			f := in.forces()
			return answers{"N_wheel": num{f.WheelN, "N"}, "W_sprung": num{f.SprungN, "N"}, "F_axial": num{f.AxialN, "N"}}
		},
		"required_rate": func(in inputs) answers {
			k, s := spring.RequiredRate(in.forces().AxialN, in.num("sag", "1"), in.num("travel", "mm"), in.num("preload", "mm"))
			in.must(s)
			return answers{"k": num{k, "N/mm"}}
		},
		"predicted_sag": func(in inputs) answers {
			s := in.coil().Sag(in.forces().AxialN)
			return answers{"sag": num{s.MM, "mm"}, "sag_frac": num{s.Fraction, "1"}, "status": string(s.Status)}
		},
		"friction_band": func(in inputs) answers {
			low, high := in.coil().SagBand(in.forces().AxialN, in.num("friction", "N"))
			return answers{"sag_low": num{low.MM, "mm"}, "sag_high": num{high.MM, "mm"}}
		},
		"choose_rate": func(in inputs) answers {
			fork, s := spring.NewCoil(in.num("travel", "mm"), 1, 0)
			in.must(s)
			pairs := spring.Pairs(in.list("rates", "N/mm"), in.list("preloads", "mm"))
			c := spring.NearestSag(fork, pairs, in.forces().AxialN, in.num("target", "1"), in.num("tolerance", "1"))
			return answers{
				"k": num{c.Pair.RateNPerMM, "N/mm"}, "preload": num{c.Pair.PreloadMM, "mm"},
				"sag_frac": num{c.Sag.Fraction, "1"}, "status": string(c.Status),
			}
		},
		"isa": func(in inputs) answers {
			a, s := spring.Atmosphere(in.num("h", "mm") / 1000)
			in.must(s)
			return answers{"p": num{a.PressureKPa / 1000, "MPa"}, "T": num{a.TempK, "K"}}
		},
		"bump_force": func(in inputs) answers {
			b, n := in.bump()
			at := b.At(in.num("x", "mm"), in.num("travel", "mm"), n)
			return answers{
				"F": num{at.ForceN, "N"}, "x_engage": num{b.ContactMM, "mm"}, "V": num{at.VolumeML, "mL"},
				"p_abs": num{at.AbsoluteKPa / 1000, "MPa"}, "status": string(at.Status),
			}
		},
		"stroke_energy": func(in inputs) answers {
			c, end := in.bumpedCoil()
			e := c.Energy(c.TravelMM())
			if math.Abs(end.EnergyJ-e.BumpJ) > 1e-9 || math.Abs(end.ForceN-c.Parts(c.TravelMM()).StopN) > 1e-9 {
				in.t.Errorf("the bump stop alone gives %v J %v N, in the curve %v J", end.EnergyJ, end.ForceN, e.BumpJ)
			}
			return answers{
				"E_coil": num{e.CoilJ, "J"}, "E_bump": num{e.BumpJ, "J"}, "E_total": num{e.TotalJ, "J"},
				"F_bottom": num{c.EndN(), "N"}, "progression": num{c.Progression(), "1"},
			}
		},
		"curve_point": func(in inputs) answers {
			c, _ := in.bumpedCoil()
			x := in.num("x", "mm")
			return answers{
				"F": num{c.Force(x), "N"}, "F_bump": num{c.Parts(x).StopN, "N"}, "k_tangent": num{c.Tangent(x), "N/mm"},
			}
		},
		"gauge_shift": func(in inputs) answers {
			place := func(i string) spring.Place {
				a, s := spring.Atmosphere(in.num("h"+i, "mm") / 1000)
				in.must(s)
				return spring.Place{AmbientKPa: a.PressureKPa, TempC: in.celsius("T" + i)}
			}
			g, s := spring.GaugeShift(in.kPa("gauge1"), place("1"), place("2"))
			in.must(s)
			return answers{"gauge2": num{g / 1000, "MPa"}}
		},
		"air_pressure_for_sag": func(in inputs) answers {
			a := in.air()
			g, s := a.PressureFor(in.forces().AxialN, in.num("sag", "1")*a.TravelMM, in.num("n_poly", "1"))
			return answers{"gauge": num{g / 1000, "MPa"}, "status": string(s)}
		},
		"air_force": func(in inputs) answers {
			a := in.air()
			a.GaugeKPa = in.kPa("gauge")
			c, s := a.Curve()
			c, _ = c.WithExponent(in.num("n_poly", "1"))
			return answers{"F": num{c.Force(in.num("x", "mm")), "N"}, "F_0": num{c.StartN(), "N"}, "status": string(s)}
		},
		"bumper_table": func(in inputs) answers {
			b, s := spring.NewBumper(in.num("x_contact", "mm"), in.list("defl", "mm"), in.list("force", "N"))
			in.must(s)
			f, s := b.At(in.num("x", "mm"))
			return answers{"F": num{f, "N"}, "status": string(s)}
		},
		"volume_for_end_force": func(in inputs) answers {
			b, n := in.bump()
			v, s := b.VolumeForEndForce(in.num("F_end", "N"), in.num("travel", "mm"), n)
			in.must(s)
			return answers{"volume": num{v, "mL"}}
		},
		"sdof": func(in inputs) answers {
			h, s := spring.NewHeave(in.num("k", "N/mm"), in.num("m", "kg"), in.num("head_angle", "deg"))
			in.must(s)
			out := answers{"f_n": num{h.FrequencyHz, "Hz"}, "c_crit_axial": num{h.CriticalNSPerM, "N.s/m"}}
			if in.has("zeta_target") {
				out["c_axial"] = num{h.Damping(in.num("zeta_target", "1")), "N.s/m"}
			}
			if in.has("c") {
				out["zeta"] = num{h.Ratio(in.num("c", "N.s/m")), "1"}
			}
			return out
		},
		"clicks": func(in inputs) answers {
			table := spring.ClickTable{
				Rates: in.list("rates", "N/mm"), Clicks: in.list("clicks", "1"),
				Max: int(in.num("max_clicks", "1")), Reference: spring.FromClosed,
			}
			s := table.For(in.num("k", "N/mm"))
			return answers{"exact": num{s.Exact, "1"}, "clicks": num{float64(s.Clicks), "1"}, "status": string(s.Status)}
		},
		"walther": func(in inputs) answers {
			offset := 273.15
			if in.has("kelvin_offset") { // the sheet's own, not the service's
				offset = in.num("kelvin_offset", "1")
			}
			kelvin := func(name string) float64 { return in.celsius(name) + offset }
			l, s := fluid.NewLine(in.num("nu1", "cSt"), kelvin("T1"), in.num("nu2", "cSt"), kelvin("T2"))
			if s != fluid.OK {
				in.t.Fatalf("status %s", s)
			}
			nu, _ := l.At(kelvin("T"))
			return answers{"A": num{l.A, "1"}, "B": num{l.B, "1"}, "nu": num{nu, "cSt"}}
		},
		"viscosity_index": func(in inputs) answers {
			i, s := fluid.ViscosityIndex(in.num("nu40", "cSt"), in.num("nu100", "cSt"))
			if s != fluid.OK {
				in.t.Fatalf("status %s", s)
			}
			return answers{
				"VI": num{i.Value, "1"}, "VI_rounded": num{float64(i.Rounded()), "1"}, "procedure": string(i.Procedure),
				"L": num{i.L, "1"}, "H": num{i.H, "1"},
			}
		},
		"bottles": func(in inputs) answers {
			total, s := fluid.Job{PerLegML: in.list("legs", "mL"), Forks: int(in.num("quantity", "1")), Loss: in.num("loss", "1")}.TotalML()
			if s != fluid.OK {
				in.t.Fatalf("status %s", s)
			}
			n, s := fluid.Bottles(total, in.num("bottle", "mL"))
			if s != fluid.OK {
				in.t.Fatalf("status %s", s)
			}
			return answers{"total": num{total, "mL"}, "bottles": num{float64(n), "1"}}
		},
		"iso_vg": func(in inputs) answers {
			vg, ok := fluid.ISOVG(in.num("nu40", "cSt"))
			if !ok {
				vg = "none"
			}
			return answers{"vg": vg}
		},
		"oring_squeeze": func(in inputs) answers {
			b, s := seal.Squeeze(in.num("cs", "mm"), in.num("cs_tol", "mm"), in.num("depth_min", "mm"), in.num("depth_max", "mm"))
			if s != seal.OK {
				in.t.Fatalf("status %s", s)
			}
			return answers{"squeeze_min": num{b.Min, "1"}, "squeeze_max": num{b.Max, "1"}}
		},
		"gland_fill": func(in inputs) answers {
			f, s := seal.Fill(in.num("cs", "mm"), in.num("depth", "mm"), in.num("width", "mm"), seal.Dynamic)
			if s != seal.OK {
				in.t.Fatalf("status %s", s)
			}
			return answers{"fill": num{f, "1"}}
		},
		"torque_K": func(in inputs) answers {
			f := fastener.ProofForce(in.num("frac", "1"), in.num("A_t", "mm2"), in.num("S_p", "MPa"))
			torque, s := fastener.ShortForm(in.num("K", "1"), f, in.num("d", "mm"))
			if s != fastener.Plausible {
				in.t.Fatalf("status %s", s)
			}
			return answers{"F": num{f, "N"}, "T": num{torque, "N.m"}}
		},
		"convert": func(in inputs) answers {
			q := in.get("x")
			for _, d := range []unit.Dimension{unit.Rate, unit.Length, unit.Mass, unit.Force, unit.Torque, unit.Pressure, unit.Volume} {
				si, err := unit.Quantity{Value: q.Value.(float64), Unit: q.Unit}.SI(d)
				if err != nil {
					continue
				}
				base := map[unit.Dimension]string{unit.Rate: "N/mm", unit.Length: "mm", unit.Mass: "kg", unit.Force: "N", unit.Torque: "N.m", unit.Pressure: "MPa", unit.Volume: "mL"}[d]
				if d == unit.Pressure {
					si /= 1000
				}
				return answers{"x": num{si, base}}
			}
			in.t.Fatalf("no dimension has the unit %q", q.Unit)
			return nil
		},
	}
}

func TestReferenceCases(t *testing.T) {
	cases := readReferenceCases(t)
	known := formulas()
	ran, unused := map[string]int{}, map[string]bool{}
	for name := range known {
		unused[name] = true
	}
	for _, c := range cases {
		if c.Area == "I" {
			continue
		}
		t.Run(c.ID, func(t *testing.T) {
			run, ok := known[c.Formula]
			if !ok {
				t.Fatalf("%s uses %q, which this test does not know", c.ID, c.Formula)
			}
			in := inputs{t: t, used: map[string]bool{}}
			if err := json.Unmarshal(c.Inputs, &in.of); err != nil {
				t.Fatal(err)
			}
			compareAnswers(t, c, run(in))
			for name := range in.of {
				if !in.used[name] {
					t.Errorf("the input %q was not used", name)
				}
			}
		})
		ran[c.Area]++
		delete(unused, c.Formula)
	}
	for _, area := range []string{"A", "B", "C", "D", "E", "F", "G", "H"} {
		if ran[area] == 0 {
			t.Errorf("no case of area %s", area)
		}
	}
	for name := range unused {
		t.Errorf("no case uses %s", name)
	}
}

func readReferenceCases(t *testing.T) []referenceCase {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/reference/cases.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Cases []referenceCase }
	if err := json.Unmarshal(raw, &file); err != nil {
		t.Fatal(err)
	}
	for _, c := range file.Cases {
		if c.Source == "" || c.Provenance == "" {
			t.Errorf("%s has no source or provenance", c.ID)
		}
	}
	return file.Cases
}

func compareAnswers(t *testing.T, c referenceCase, got answers) {
	t.Helper()
	var expected map[string]quantity
	if err := json.Unmarshal(c.Expected, &expected); err != nil {
		t.Fatal(err)
	}
	if len(expected) == 0 {
		t.Fatal("nothing expected")
	}
	for name, want := range expected {
		have, ok := got[name]
		if !ok {
			t.Errorf("%s: no such answer", name)
			continue
		}
		n, isNumber := have.(num)
		if !isNumber {
			if fmt.Sprint(have) != fmt.Sprint(want.Value) {
				t.Errorf("%s: %v, want %v", name, have, want.Value)
			}
			continue
		}
		compareNumber(t, name, n, want, c.Tolerance[name])
	}
}

func compareNumber(t *testing.T, name string, got num, want quantity, tol tolerance) {
	t.Helper()
	factor, offset, base := toBase(t, want.Unit)
	value, ok := want.Value.(float64)
	if !ok || base != got.base {
		t.Errorf("%s: answer in %s, wanted %v %s", name, got.base, want.Value, want.Unit)
		return
	}
	have := (got.value - offset) / factor
	var allowed float64
	switch {
	case tol.Abs != nil:
		allowed = *tol.Abs
	case tol.Rel != nil:
		allowed = *tol.Rel * math.Abs(value)
	default:
		t.Errorf("%s: the case gives no tolerance", name)
	}
	if !(math.Abs(have-value) <= allowed) {
		t.Errorf("%s: %.12g, want %.12g +- %.3g %s", name, have, value, allowed, want.Unit)
	}
}

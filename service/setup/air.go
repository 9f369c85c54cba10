package setup

import (
	"math"

	"forkwright/service/catalog"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// airRig is an air spring side with the limits of its part.
type airRig struct {
	spring.AirSpring
	min, max   float64 // kPa; 0: not known
	spacersMax int
	spacer     string
	exponent   float64
}

func (w *work) airRigOf(part *catalog.AirCartridge) (airRig, error) {
	r := airRig{exponent: spring.Stroke}
	r.AmbientKPa = w.at.rideKPa
	h := w.q.Hardware
	if h != nil {
		r.TravelMM, r.exponent = h.TravelMM, or(h.Exponent, spring.Stroke)
	}
	switch {
	case h != nil && h.Air != nil:
		g := h.Air
		r.PosAreaMM2, r.PosML, r.NegAreaMM2, r.NegML, r.BypassMM, r.SpacerML = g.PistonMM2, g.VolumeML, g.NegativeMM2, g.NegativeML, g.EqualizeMM, g.SpacerML
		r.min, r.max, r.spacersMax = g.MinKPa, g.MaxKPa, g.SpacersMax
	default:
		r.PosAreaMM2, r.PosML, r.NegAreaMM2, r.NegML, r.SpacerML = part.PistonMM2, part.VolumeML, part.NegativeMM2, part.NegativeML, part.SpacerML
		if part.SelfEqualizing {
			r.BypassMM = part.EqualizeMM
		}
		r.spacersMax, r.spacer = part.SpacersMax, part.Spacer
		r.min, _ = catalog.Published{Value: part.PressureMin, Unit: part.PressureUnit}.SI(unit.Pressure)
		r.max, _ = catalog.Published{Value: part.PressureMax, Unit: part.PressureUnit}.SI(unit.Pressure)
	}
	if r.TravelMM == 0 && part != nil {
		r.TravelMM = float64(part.TravelMM)
	}
	if r.TravelMM == 0 && w.q.Owned != nil {
		r.TravelMM = float64(w.q.Owned.TravelNow.MM)
	}
	if r.TravelMM == 0 {
		return r, missing("/hardware/travel_mm", "say the travel of the fork, or which cartridge it has")
	}
	return r, nil
}

// air answers with an air spring: for each number of spacers the pressure that meets the
// target slowly (n = 1), then the number whose end force suits the discipline.
func (w *work) air(part *catalog.AirCartridge) error {
	a := w.a
	r, err := w.airRigOf(part)
	if err != nil {
		return err
	}
	a.Kind, a.TravelMM = "air", r.TravelMM
	a.Target.MM = a.Target.Percent / 100 * r.TravelMM
	legs := legAirOf(w.rev, w.q, w.at)
	load, status := weigh(w.q, legs)
	a.Load = load
	if legs.inCurve { // a known volume becomes its force at the target, where an air spring is set
		f, s := legs.air.ForceAt(a.Target.MM, r.TravelMM, spring.Slow)
		if s == spring.OK {
			l := &a.Load
			l.LegsInCurve, l.LegAirN, l.LegAirLowN, l.LegAirHighN = false, f, f, f
			l.SpringN, l.SpringLowN, l.SpringHighN = l.SpringN-f, l.SpringLowN-f, l.SpringHighN-f
		}
	}
	if w.q.Measured != nil {
		if err := w.readBackAir(&r); err != nil {
			return err
		}
	} else if status != spring.OK || a.Load.SpringN <= 0 {
		w.refuse(WheelLifts, Refusal{Text: "With these shares and masses nothing is left for the fork to carry; check front shares, unsprung mass and lower-leg air.", By: -a.Load.SpringN, Unit: "N"})
		return nil
	}
	w.setAim(r.TravelMM)
	choices := w.airChoices(&r)
	best := bestAir(choices, a.Target.EndSharePercent)
	a.Evaluated = len(choices)
	s := w.airSetup(&r, choices, best)
	a.Air = s
	w.airVerdict(&r, s)
	if a.Status == OK {
		w.slow, _ = w.airCurve(&r, s.Spacers, s.RiddenKPa, spring.Slow)
	}
	w.airCautions(&r, s)
	if w.q.WithCurve {
		for _, n := range [...]float64{r.exponent, spring.Slow} {
			c, _ := w.airCurve(&r, s.Spacers, s.RiddenKPa, n)
			name := "recommended"
			if n == spring.Slow {
				name = "recommended_slow"
			}
			a.Curves = append(a.Curves, Series{name, n, c, w.q.CurvePoints})
		}
	}
	return nil
}

func (w *work) airCurve(r *airRig, spacers int, gauge, exponent float64) (spring.Curve, spring.Status) {
	x := r.AirSpring
	x.Spacers, x.GaugeKPa = spacers, gauge
	c, s := x.Curve()
	if s == spring.OK || s == spring.DoesNotExtend {
		c, _ = c.WithExponent(exponent)
	}
	return c, s
}

// airChoices evaluates every number of spacers, or the one that was said.
func (w *work) airChoices(r *airRig) []AirChoice {
	from, to := 0, r.spacersMax
	var gauge *float64
	if h := w.q.Hardware; h != nil && h.Air != nil {
		gauge = h.Air.GaugeKPa
		if h.Air.Spacers != nil {
			from, to = *h.Air.Spacers, *h.Air.Spacers
		}
	}
	out := make([]AirChoice, 0, to-from+1)
	for n := from; n <= to; n++ {
		out = append(out, w.airChoice(r, n, gauge))
	}
	return out
}

func (w *work) airChoice(r *airRig, spacers int, gauge *float64) AirChoice {
	c := AirChoice{Spacers: spacers, Status: OK}
	x := r.AirSpring
	x.Spacers = spacers
	if gauge != nil {
		c.GaugeKPa = *gauge
	} else {
		p, s := x.PressureFor(w.a.Load.SpringN, w.a.Target.MM, spring.Slow)
		if s != spring.OK {
			c.Status = Status(s)
			return c
		}
		c.GaugeKPa = p
	}
	switch {
	case r.max > 0 && c.GaugeKPa > r.max:
		c.Status = RiderTooHeavy
	case c.GaugeKPa < r.min:
		c.Status = RiderTooLight
	}
	fast, s := w.airCurve(r, spacers, c.GaugeKPa, r.exponent)
	if s != spring.OK && s != spring.DoesNotExtend {
		c.Status = Status(s)
		return c
	}
	if s == spring.DoesNotExtend && c.Status == OK {
		c.Status = DoesNotExtend
	}
	c.StartN, c.EndN = fast.StartN(), fast.EndN()
	line := w.a.Load.SpringN / w.a.Target.MM * r.TravelMM
	c.EndSharePercent = 100 * (c.EndN/line - 1)
	return c
}

// bestAir: what works before what does not, then the end share nearest to the wanted one, then
// the fewer spacers.
func bestAir(all []AirChoice, share float64) int {
	best := 0
	for i := range all {
		x, y := &all[i], &all[best]
		ok, other := x.Status == OK, y.Status == OK
		if ok && !other || ok == other && math.Abs(x.EndSharePercent-share) < math.Abs(y.EndSharePercent-share)-equalMM {
			best = i
		}
	}
	return best
}

func (w *work) airSetup(r *airRig, choices []AirChoice, best int) *AirSetup {
	c := choices[best]
	s := &AirSetup{GaugeKPa: c.GaugeKPa, RiddenKPa: c.GaugeKPa, MinKPa: r.min, MaxKPa: r.max, Spacers: c.Spacers, SpacersMax: r.spacersMax, Spacer: r.spacer,
		StartN: c.StartN, EndN: c.EndN, EndSharePercent: c.EndSharePercent, Status: c.Status, Choices: choices}
	if w.at.moved { // the pressure is wanted where it is ridden; it is set elsewhere
		s.GaugeKPa, _ = spring.GaugeShift(c.GaugeKPa, spring.Place{AmbientKPa: w.at.rideKPa, TempC: w.at.rideC}, spring.Place{AmbientKPa: w.at.setKPa, TempC: w.at.setC})
	}
	x := r.AirSpring
	x.Spacers = c.Spacers
	s.LowKPa, _ = x.PressureFor(math.Max(0, w.a.Load.SpringLowN), w.a.Target.MM, spring.Slow)
	s.HighKPa, _ = x.PressureFor(w.a.Load.SpringHighN, w.a.Target.MM, spring.Slow)
	slow, status := w.airCurve(r, c.Spacers, c.GaugeKPa, spring.Slow)
	if status != spring.OK && status != spring.DoesNotExtend {
		return s
	}
	mm, low, high := w.aim.sags(&slow, 0, 0)
	per := 100 / r.TravelMM
	s.Sag = SagFigure{mm, low, high, mm * per, low * per, high * per}
	n := [3]float64{spring.StrokeLow, r.exponent, spring.StrokeHigh}
	if r.exponent != spring.Stroke {
		n = [3]float64{r.exponent, r.exponent, r.exponent}
	}
	lowCurve, _ := slow.WithExponent(n[0])
	midCurve, _ := slow.WithExponent(n[1])
	highCurve, _ := slow.WithExponent(n[2])
	s.EndLowN, s.EndHighN = lowCurve.EndN(), highCurve.EndN()
	s.Energy = midCurve.Energy(r.TravelMM)
	return s
}

func (w *work) airVerdict(r *airRig, s *AirSetup) {
	switch s.Status {
	case OK:
		w.a.Text = short(unit.Round(s.GaugeKPa, 0)) + " kPa with " + short(float64(s.Spacers)) + " volume spacers sags " + percent(s.Sag.Percent) + "; start there and read the sag."
	case RiderTooHeavy:
		w.refuse(RiderTooHeavy, Refusal{By: s.RiddenKPa - s.MaxKPa, Unit: "kPa", Have: s.RiddenKPa, Want: s.MaxKPa,
			Text: "The target sag would need " + short1(s.RiddenKPa) + " kPa; the part may have at most " + short1(s.MaxKPa) + " kPa, and sags more there. Never pump past it."})
	case RiderTooLight:
		w.refuse(RiderTooLight, Refusal{By: s.MinKPa - s.RiddenKPa, Unit: "kPa", Have: s.RiddenKPa, Want: s.MinKPa,
			Text: "The target sag would need " + short1(s.RiddenKPa) + " kPa, less than the " + short1(s.MinKPa) + " kPa that the part wants at least; there it sags less."})
	case DoesNotExtend:
		w.refuse(DoesNotExtend, Refusal{By: -s.StartN, Unit: "N", Text: "At this pressure the negative chamber holds the fork down: it would not extend fully. Check volumes and areas."})
	case "chamber_too_small":
		swept := r.PosAreaMM2 * r.TravelMM / unit.MM3PerML
		have := r.PosML - float64(s.Spacers)*r.SpacerML
		w.refuse("chamber_too_small", Refusal{By: swept - have, Unit: "mL", Have: have, Want: swept,
			Text: "The piston sweeps " + short1(swept) + " mL, and the chamber holds " + short1(have) + " mL: it would be full before full travel."})
	default:
		w.refuse(s.Status, Refusal{Text: "These chambers carry no load at the target sag; check areas and volumes."})
	}
}

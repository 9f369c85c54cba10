package setup

import (
	"math"
	"slices"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

const (
	ratioImplausible = 8 // above it a chamber is a data error
	ratioToCheck     = 6
	evenSteps        = 5 // settings made up for a bump stop whose part lists none
)

// stopOf finds the bump stop: the question's, else the cartridge's.
func (r *rig) stopOf(rev *catalog.Revision, h *Hardware) error {
	switch {
	case h.BumpStop != nil:
		return r.givenStop(h.BumpStop)
	case h.NoBump || r.cartridge == nil || r.cartridge.BumpStop == "":
		return nil
	}
	b, ok := rev.BumpStop(r.cartridge.BumpStop)
	if !ok {
		return nil
	}
	s := stop{part: b, present: true, air: b.Medium == "air", body: b.BodyMM, volume: b.VolumeML, ratioMax: b.RatioMax, contact: b.ContactMM}
	if b.ContactShare > 0 {
		s.contact = b.ContactShare * r.travel
	}
	s.area = spring.BoreArea(b.BoreMM)
	s.maxKPa, s.peakKPa = inKPa(b, b.PressureMax), inKPa(b, b.PeakMax)
	if f, ok := rev.Figure("part", b.SKU, "air_pressure_max", "", catalog.NoLeg); ok {
		if kPa, err := (catalog.Published{Value: f.Value, Unit: f.Unit}).SI(unit.Pressure); err == nil && (s.maxKPa == 0 || kPa < s.maxKPa) {
			s.maxKPa = kPa // of two limits the lower one counts
		}
	}
	if !s.air {
		table := rev.BumperTable(b.SKU)
		deflect, force := make([]float64, len(table)), make([]float64, len(table))
		for i, p := range table {
			deflect[i], force[i] = p.DeflectionMM, p.ForceN
		}
		s.bumper, _ = spring.NewBumper(s.contact, deflect, force)
	}
	r.stop = s
	return nil
}

func inKPa(b *catalog.BumpStop, v float64) float64 {
	if v == 0 {
		return 0
	}
	kPa, _ := catalog.Published{Value: v, Unit: b.PressureUnit}.SI(unit.Pressure)
	return kPa
}

func (r *rig) givenStop(g *GivenBumpStop) error {
	s := stop{present: true, air: len(g.DeflectionsMM) == 0, body: g.BodyMM, volume: g.VolumeML, area: g.AreaMM2,
		contact: g.ContactMM, maxKPa: g.MaxKPa, peakKPa: g.PeakMaxKPa, ratioMax: g.RatioMax}
	if g.BoreMM > 0 {
		s.area = spring.BoreArea(g.BoreMM)
	}
	switch {
	case g.ContactShare > 0:
		s.contact = g.ContactShare * r.travel
	case s.contact == 0:
		s.contact = spring.DefaultContact * r.travel
	}
	if s.contact > r.travel {
		var f fault.Fields
		f.Add("/hardware/bump_stop/contact_mm", "beyond_travel", "The bump stop begins at %s mm, beyond the travel of %s mm.", text(s.contact), text(r.travel))
		return f.Err()
	}
	if !s.air {
		s.bumper, _ = spring.NewBumper(s.contact, g.DeflectionsMM, g.ForcesN)
	}
	r.stop = s
	return nil
}

// settings works out every setting of the bump stop.
func (r *rig) settings(h *Hardware, s surroundings) {
	switch {
	case !r.stop.present:
		r.stops = []stopSetting{r.without()}
	case !r.stop.air:
		r.stops = []stopSetting{r.elastomer()}
	default:
		gauges := r.gauges(h, s)
		r.stops = make([]stopSetting, len(gauges))
		for i, kPa := range gauges {
			r.stops[i] = r.pumped(kPa, s)
		}
	}
}

func (r *rig) without() stopSetting {
	x := stopSetting{curve: r.base}
	r.ends(&x)
	return x
}

func (r *rig) elastomer() stopSetting {
	x := stopSetting{curve: r.base, reason: BadTable}
	if r.stop.bumper == nil {
		return x
	}
	c, status := r.base.WithBumper(r.stop.bumper)
	switch status {
	case spring.OK:
		x.curve, x.reason, x.stepN = c, Fine, c.ContactStepN()
	case spring.OutsideTable:
		x.reason = OutsideTable
	}
	r.ends(&x)
	return x
}

// gauges are the pressures to choose from: those of the part, those of the question, or even
// steps up to the greatest pressure.
func (r *rig) gauges(h *Hardware, s surroundings) []float64 {
	var out []float64
	if g := h.BumpStop; g != nil {
		out = slices.Clone(g.GaugesKPa)
		if g.WantedEndForce != nil {
			b := spring.BumpStop{ContactMM: r.stop.contact, AreaMM2: r.stop.area, VolumeML: r.stop.volume, AmbientKPa: s.rideKPa}
			if kPa, status := b.PressureForEndForce(*g.WantedEndForce, r.travel, r.exponent); status == spring.OK {
				out = append(out, kPa)
			}
		}
	} else {
		for _, v := range r.stop.part.Settings {
			out = append(out, inKPa(r.stop.part, v))
		}
	}
	switch {
	case len(out) > 0:
	case r.stop.maxKPa > 0:
		r.stop.unlisted = true
		for i := range evenSteps {
			out = append(out, r.stop.maxKPa*float64(i)/(evenSteps-1))
		}
	default:
		out = []float64{0}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// pumped is one pressure of an air bump stop, with the limits that it keeps or breaks.
func (r *rig) pumped(kPa float64, s surroundings) stopSetting {
	x := stopSetting{kPa: kPa, ridden: kPa, curve: r.base}
	if s.moved {
		x.ridden, _ = spring.GaugeShift(kPa, spring.Place{AmbientKPa: s.setKPa, TempC: s.setC}, spring.Place{AmbientKPa: s.rideKPa, TempC: s.rideC})
	}
	b := r.bumpStop(x.ridden, s)
	if x.ridden < 0 { // set high or warm: at the ride the chamber is below the air around it
		b.GaugeKPa = 0
	}
	c, status := r.base.WithBump(b)
	if status != spring.OK {
		x.reason = ChamberTooSmall
		if status == spring.InvalidInput {
			x.reason = BadTable
		}
		r.ends(&x)
		return x
	}
	x.curve, x.stepN = c, c.ContactStepN()
	r.airEnds(&x, &b)
	switch {
	case r.stop.maxKPa > 0 && kPa > r.stop.maxKPa+1e-9:
		x.reason = PressureTooHigh
	case r.stop.ratioMax > 0 && x.ratio > r.stop.ratioMax+1e-9:
		x.reason = RatioTooHigh
	case r.stop.ratioMax == 0 && x.ratio > ratioImplausible+1e-9:
		x.reason = RatioImplausible
	case r.stop.peakKPa > 0 && x.peak > r.stop.peakKPa+1e-9:
		x.reason = PeakTooHigh
	}
	return x
}

func (r *rig) bumpStop(kPa float64, s surroundings) spring.BumpStop {
	return spring.BumpStop{ContactMM: r.stop.contact, AreaMM2: r.stop.area, VolumeML: r.stop.volume, GaugeKPa: kPa, AmbientKPa: s.rideKPa}
}

// ends works out the forces at full travel that do not come from the coil.
func (r *rig) ends(x *stopSetting) {
	x.contact = x.curve.ContactMM()
	for i, n := range r.exponents() {
		c, _ := x.curve.WithExponent(n)
		p := c.Parts(r.travel)
		x.endN[i], x.legN[i] = p.StopN, p.LegN
	}
}

// airEnds is ends for an air bump stop, without a curve.
func (r *rig) airEnds(x *stopSetting, b *spring.BumpStop) {
	x.contact = x.curve.ContactMM()
	for i, n := range r.exponents() {
		end := b.End(r.travel, n)
		x.endN[i] = end.ForceN
		if i == 1 {
			x.ratio, x.peak = end.Ratio, end.AbsoluteKPa-b.AmbientKPa
		}
		if r.legAir.inCurve {
			x.legN[i], _ = r.legAir.air.ForceAt(r.travel, r.travel, n)
		}
	}
}

// exponents are the band of a fast stroke: low, as chosen, high. A figure given in the question
// has no band.
func (r *rig) exponents() [3]float64 {
	if r.exponent == spring.Stroke {
		return [3]float64{spring.StrokeLow, spring.Stroke, spring.StrokeHigh}
	}
	return [3]float64{r.exponent, r.exponent, r.exponent}
}

// endShare is the force of the stop at full travel, as a share of the coil's, that suits a
// discipline. Common practice, no source.
func endShare(discipline string) float64 {
	switch discipline {
	case "cross_country":
		return 0.20
	case "downhill", "park":
		return 0.35
	case "jump":
		return 0.40
	case "enduro", "assisted":
		return 0.30
	}
	return 0.25
}

// better orders two settings of a bump stop for one coil. The rule: within the part's limits
// before outside; a step at contact that does not feel harsh before one that does; then the end
// share nearest to what suits the discipline; then the lower pressure.
func (r *rig) better(a, b int, coilEndN, share float64) bool {
	x, y := &r.stops[a], &r.stops[b]
	if ok, other := x.reason == Fine, y.reason == Fine; ok != other {
		return ok
	}
	if soft, other := x.stepN <= spring.ContactStepHarshN, y.stepN <= spring.ContactStepHarshN; soft != other {
		return soft
	}
	if d := math.Abs(x.endN[1]/coilEndN-share) - math.Abs(y.endN[1]/coilEndN-share); d != 0 {
		return d < 0
	}
	return a < b
}

// rankStops orders the settings of the bump stop for one coil, best first, into order.
func (r *rig) rankStops(order []int16, coilEndN, share float64) {
	for i := range order {
		order[i] = int16(i)
		for j := i; j > 0 && r.better(int(order[j]), int(order[j-1]), coilEndN, share); j-- {
			order[j], order[j-1] = order[j-1], order[j]
		}
	}
}

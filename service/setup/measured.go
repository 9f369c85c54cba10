package setup

import (
	"math"

	"forkwright/service/fault"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// readBack replaces the estimated load by the one that explains a measured sag. Friction holds
// a fork up when the weight is eased on, and down after a bounce; two readings tell it apart.
func (w *work) readBack(r *rig) error {
	m := w.q.Measured
	k, at, err := w.fitted(r)
	if err != nil {
		return err
	}
	p, err := w.fittedPreload(r, &k)
	if err != nil {
		return err
	}
	curve := r.fittedCurve(w, m, &k, p)
	f := &FromMeasured{Spring: shownSpring(&k), PreloadMM: p, SagMM: m.SagMM, How: m.How, EstimateN: w.a.Load.SpringN}
	if err := w.read(f, &curve); err != nil {
		return err
	}
	w.takeMeasured(f)
	w.a.Measured = f
	w.lists(r)
	w.setAim(r.travel)
	if at >= 0 {
		now := curve.Sag(f.SpringN).MM
		f.Changes = w.changes(r, &w.aim, int16(at), nearestPreload(r, &k, p), now)
	}
	return nil
}

// read turns what was read on a curve into the load that explains it.
func (w *work) read(f *FromMeasured, curve *spring.Curve) error {
	m := w.q.Measured
	band := spring.AssumedFriction()
	if v := w.q.Load.FrictionN; v != nil {
		band.Value, band.Low, band.High = *v, *v, *v
	}
	if m.How == Both && m.BouncedMM > 0 {
		f.SagMM = (m.EasedMM + m.BouncedMM) / 2
	}
	if deepest := math.Max(m.BouncedMM, f.SagMM); deepest >= curve.TravelMM() {
		var bad fault.Fields
		bad.Add("/measured/sag_mm", "beyond_travel", "%s mm is the whole travel of %s mm or more; read the sag again.", text(deepest), text(curve.TravelMM()))
		return bad.Err()
	}
	force := curve.Force(f.SagMM)
	switch m.How {
	case Eased:
		f.SpringN, f.LowN, f.HighN = force+band.Value, force+band.Low, force+band.High
	case Bounced:
		f.SpringN, f.LowN, f.HighN = force-band.Value, force-band.High, force-band.Low
	default:
		f.SpringN, f.FrictionN = force, band.Value
		if m.BouncedMM > 0 {
			up, down := curve.Force(m.EasedMM), curve.Force(m.BouncedMM)
			f.SpringN, f.FrictionN = (up+down)/2, (down-up)/2
			w.a.Load.FrictionN = f.FrictionN
		}
		const readMM = 1 // what a reading with an o-ring and a ruler is good for, from memory
		blur := readMM * curve.Tangent(f.SagMM)
		f.LowN, f.HighN = f.SpringN-blur, f.SpringN+blur
	}
	return nil
}

// readBackAir replaces the estimate by the load that explains a sag read on an air spring.
func (w *work) readBackAir(r *airRig) error {
	m := w.q.Measured
	if m.GaugeKPa == nil { // the cartridge came from the catalog
		return missing("/measured/gauge_kpa", "say the pressure at which the sag was read, at full extension")
	}
	spacers := 0
	if h := w.q.Hardware; h != nil && h.Air != nil && h.Air.Spacers != nil {
		spacers = *h.Air.Spacers
	}
	if m.Spacers != nil {
		spacers = *m.Spacers
	}
	gauge := *m.GaugeKPa
	if w.at.moved {
		gauge, _ = spring.GaugeShift(gauge, spring.Place{AmbientKPa: w.at.setKPa, TempC: w.at.setC}, spring.Place{AmbientKPa: w.at.rideKPa, TempC: w.at.rideC})
	}
	curve, s := w.airCurve(r, spacers, gauge, spring.Slow)
	if s != spring.OK && s != spring.DoesNotExtend {
		var bad fault.Fields
		bad.Add("/measured/gauge_kpa", string(s), "At %s kPa with %d volume spacers these chambers cannot be; check pressure, volumes and areas.", text(*m.GaugeKPa), spacers)
		return bad.Err()
	}
	f := &FromMeasured{SagMM: m.SagMM, How: m.How, EstimateN: w.a.Load.SpringN}
	if err := w.read(f, &curve); err != nil {
		return err
	}
	w.takeMeasured(f)
	w.a.Measured = f
	return nil
}

func (w *work) takeMeasured(f *FromMeasured) {
	l := &w.a.Load
	f.DifferenceN = f.SpringN - f.EstimateN
	f.AxialN = f.SpringN + l.LegAirN + l.LegPushN
	l.SpringN, l.SpringLowN, l.SpringHighN, l.Measured = f.SpringN, f.LowN, f.HighN, true
	l.AxialN, l.AxialLowN, l.AxialHighN = f.AxialN, f.LowN+l.LegAirN+l.LegPushN, f.HighN+l.LegAirN+l.LegPushN
	l.Terms = append(l.Terms, Term{"spring_load_n", f.SpringN, f.LowN, f.HighN, "N", Derived, "from the measured sag; it replaces the estimate from masses and shares"})
	f.Text = "The sag that was read means " + short1(f.SpringN) + " N on the spring; the estimate was " + short1(f.EstimateN) + " N."
	if l.HeadDegrees == 0 {
		return
	}
	mass := spring.Load{RiderKG: kitted(w.q.Rider), BikeKG: w.q.Bicycle.MassKG, HeadDegrees: l.HeadDegrees}
	for _, t := range l.Terms {
		switch t.Name {
		case "unsprung_kg":
			mass.UnsprungKG = t.Value
		case "front_share_bicycle":
			mass.BikeShare = t.Value
		}
	}
	f.ImpliedRiderShare, f.ShareStatus = mass.ImpliedRiderShare(f.AxialN)
	// The bar for engineering: what the fork holds up, by the reading.
	l.SprungN = f.AxialN / math.Sin(l.HeadDegrees*unit.RadiansPerDeg)
}

// fitted is the spring that was in the fork, and its place among those to choose from; -1 when
// it is not one of them.
func (w *work) fitted(r *rig) (coil, int, error) {
	m := w.q.Measured
	if m.Spring == "" && m.RateN == 0 { // a pressure was said, and it is a coil
		return coil{}, -1, missing("/measured/spring", "say the spring that was in the fork, by its SKU or by its rate")
	}
	if m.Spring == "" {
		for i := range r.coils {
			if math.Abs(r.coils[i].rate-m.RateN) < 1e-6*m.RateN {
				return r.coils[i], i, nil
			}
		}
		return coil{rate: m.RateN, given: &GivenSpring{RateNPerMM: m.RateN}}, -1, nil
	}
	for i := range r.coils {
		if r.coils[i].given.SKU == m.Spring {
			return r.coils[i], i, nil
		}
	}
	s, ok := w.rev.Spring(m.Spring)
	if !ok {
		var bad fault.Fields
		bad.Add("/measured/spring", "unknown_spring", "The catalog has no spring %q.", m.Spring)
		return coil{}, -1, bad.Err()
	}
	return r.fromCatalog(s), -1, nil
}

func (w *work) fittedPreload(r *rig, k *coil) (float64, error) {
	m := w.q.Measured
	p, at := r.preloads[0], "/measured/setting"
	switch {
	case m.Preload != nil:
		p, at = fromGiven(m.Preload), "/measured/preload"
	case m.Setting != 0:
		found := false
		for _, x := range r.preloads {
			if x.number == m.Setting {
				p, found = x, true
			}
		}
		if !found {
			var bad fault.Fields
			bad.Add(at, "unknown_setting", "There is no preload setting %d; they count from 1, the least.", m.Setting)
			return 0, bad.Err()
		}
	}
	if p.kind == byCavity && k.free == 0 {
		return 0, missing("/measured/preload", "the free length of this spring is not known; say its preload in mm")
	}
	v, reason := p.of(k)
	if reason == Rattles {
		var bad fault.Fields
		bad.Add(at, "rattles", "The spring is shorter than this cavity; check spring and setting.")
		return 0, bad.Err()
	}
	return v, nil
}

// fittedCurve is the fork as it was measured, slow. The bump stop only matters past contact.
func (r *rig) fittedCurve(w *work, m *Measured, k *coil, p float64) spring.Curve {
	curve := r.stops[0].curve
	if m.BumpKPa != nil && r.stop.air {
		curve = r.pumped(*m.BumpKPa, w.at).curve
	}
	return curve.WithCoil(k.rate, p)
}

func nearestPreload(r *rig, k *coil, p float64) int16 {
	best, off := 0, math.Inf(1)
	for j := range r.preloads {
		v, _ := r.preloads[j].of(k)
		if d := math.Abs(v - p); d < off {
			best, off = j, d
		}
	}
	return int16(best)
}

package setup

import (
	"math"
	"slices"
	"strings"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// work is one question being answered.
type work struct {
	rev *catalog.Revision
	q   *Question
	at  surroundings
	a   *Answer
	aim aim

	slow spring.Curve // of what is recommended, for a what-if; no travel without one
}

// Recommend answers a question: a setup with all it stands on, or a refusal that says by how
// much and what comes nearest. The error is a fault about the question itself: a figure that
// cannot be meant, or one that is needed and missing.
func Recommend(rev *catalog.Revision, q Question) (Answer, error) {
	if err := check(&q); err != nil {
		return Answer{}, err
	}
	a := Answer{CatalogRevision: rev.Number(), Status: OK}
	w := &work{rev: rev, q: &q, at: surround(&q.Conditions), a: &a}
	w.start()
	coilPart, airPart, err := w.hardware()
	switch {
	case err != nil:
		return Answer{}, err
	case a.Status != OK:
		a.Load, _ = weigh(&q, legAirOf(rev, &q, w.at))
		w.whatIf()
		return a, nil
	}
	if airPart != nil || q.Hardware != nil && q.Hardware.Air != nil {
		err = w.air(airPart)
	} else {
		err = w.coil(coilPart)
	}
	if err != nil {
		return Answer{}, err
	}
	w.whatIf()
	return a, nil
}

// start sets what does not depend on the hardware.
func (w *work) start() {
	a, q := w.a, w.q
	a.WayToErr, a.ErrText = wayToErr(q.Discipline)
	a.Target = target(q)
	a.Cautions = make([]Caution, 0, 12)
	if q.Owned != nil && q.Owned.Fork != nil {
		a.Fork = q.Owned.Fork.ID
		owned := *q.Owned // the fork with who rides it and how, as limits and rows want it
		if owned.RiderKG == 0 && q.Rider.MassKG > 0 {
			owned.RiderKG = kitted(q.Rider)
		}
		if owned.SystemKG == 0 && q.Bicycle.MassKG > 0 {
			owned.SystemKG = owned.RiderKG + q.Bicycle.MassKG
		}
		if owned.Use == "" && q.Discipline != "park" {
			owned.Use = q.Discipline
		}
		if owned.WheelSize == "" && len(owned.Fork.WheelSizes) == 1 {
			owned.WheelSize = owned.Fork.WheelSizes[0]
		}
		q.Owned = &owned
	}
}

func wayToErr(discipline string) (way, why string) {
	switch discipline {
	case "jump", "assisted":
		return "stiffer", "Between two equal choices the stiffer one: landings and a heavy bicycle use the end of the travel (practice)."
	}
	return "softer", "Between two equal choices the softer one: a spacer or a click stiffens it, nothing softens a stiff spring (practice)."
}

// target is the sag aimed at: as said, or by discipline (common practice, no source).
func target(q *Question) Target {
	t := Target{Percent: 20, TolerancePoints: or(q.Tolerance, 3), EndSharePercent: 100 * endShare(q.Discipline), Provenance: CommonPractice, Source: "common practice, no source"}
	switch q.Discipline {
	case "trail":
		t.Percent = 22
	case "park":
		t.Percent = 18
	}
	if q.SagPercent != nil {
		t.Percent, t.Provenance, t.Source = *q.SagPercent, Given, "said in the question"
	}
	return t
}

// refuse makes the answer a refusal.
func (w *work) refuse(s Status, r Refusal) {
	w.a.Status, w.a.Text = s, r.Text
	r.Code = string(s)
	w.a.Refusal = &r
}

// hardware finds the cartridge: the one asked for, or of those that fit the one with the
// clearest yes. Limits of the fork come first: no cartridge cures them.
func (w *work) hardware() (*catalog.CoilCartridge, *catalog.AirCartridge, error) {
	q := w.q
	if w.pastLimit() {
		return nil, nil, nil
	}
	given := q.Hardware != nil && (len(q.Hardware.Springs) > 0 || q.Hardware.Air != nil)
	switch {
	case q.Cartridge != "":
		return w.asked()
	case given:
		return nil, nil, nil
	case q.Owned == nil || q.Owned.Fork == nil:
		return nil, nil, missing("/fork_id", "say which fork or cartridge it is, or give the hardware")
	}
	return w.fitting()
}

func (w *work) asked() (*catalog.CoilCartridge, *catalog.AirCartridge, error) {
	sku := w.q.Cartridge
	c, isCoil := w.rev.Coil(sku)
	air, isAir := w.rev.Air(sku)
	if !isCoil && !isAir {
		var f fault.Fields
		f.Add("/cartridge", "unknown_cartridge", "The catalog has no cartridge %q.", sku)
		return nil, nil, f.Err()
	}
	w.a.Cartridge = sku
	if w.q.Owned != nil && w.q.Owned.Fork != nil {
		fit := fitment.Judge(w.rev, w.q.Owned, sku)
		w.judged(&fit)
	}
	return c, air, nil
}

// judged takes over a verdict: a no is a refusal, an open question a caution.
func (w *work) judged(fit *fitment.Answer) {
	w.a.Fit = fit
	switch fit.Verdict {
	case catalog.DoesNotFit:
		status, sentence := DoesNotFit, "This cartridge does not fit this fork."
		if len(fit.Reasons) > 0 {
			sentence = fit.Reasons[0].Text
			if fit.Reasons[0].Code == "fork_limit" {
				status = ForkLimit
			}
		}
		if fit.Nearest != nil {
			sentence += " Nearest: " + fit.Nearest.SKU + ", " + fit.Nearest.Why + "."
		}
		w.refuse(status, Refusal{Text: sentence})
	case catalog.Unknown:
		w.a.Question = fit.Question
		w.caution("fit_not_settled")
	}
}

// fitting chooses among the cartridges that fit: coil before air, a plain yes before one with
// conditions, then the SKU. Where all depends on a question, the question is the answer.
func (w *work) fitting() (*catalog.CoilCartridge, *catalog.AirCartridge, error) {
	all := fitment.WhatFits(w.rev, w.q.Owned, fitment.Filter{Kinds: []string{catalog.KindCoilCartridge, catalog.KindAirCartridge}})
	slices.SortStableFunc(all, func(x, y fitment.Answer) int {
		_, xCoil := w.rev.Coil(x.SKU)
		_, yCoil := w.rev.Coil(y.SKU)
		if c := boolFirst(settled(x.Verdict), settled(y.Verdict)); c != 0 {
			return c
		}
		if c := boolFirst(xCoil, yCoil); c != 0 {
			return c
		}
		return int(x.Verdict) - int(y.Verdict)
	})
	for _, f := range all {
		w.a.Alternatives = append(w.a.Alternatives, w.alternative(f))
	}
	switch {
	case len(all) == 0:
		w.refuse(NoCartridge, Refusal{Text: "The catalog has no cartridge for this fork as it is. Check fork, model year and travel now."})
		return nil, nil, nil
	case !settled(all[0].Verdict):
		w.a.Question = all[0].Question
		sentence := "Which cartridge fits depends on something that has not been said yet."
		if len(all[0].Reasons) > 0 {
			sentence = all[0].Reasons[0].Text
		}
		w.refuse(NotSettled, Refusal{Text: sentence})
		return nil, nil, nil
	}
	w.a.Alternatives = w.a.Alternatives[1:]
	w.a.Cartridge = all[0].SKU
	w.judged(&all[0])
	c, _ := w.rev.Coil(all[0].SKU)
	air, _ := w.rev.Air(all[0].SKU)
	return c, air, nil
}

func settled(v catalog.Verdict) bool { return v == catalog.Fits || v == catalog.FitsWith }

func (w *work) alternative(f fitment.Answer) Alternative {
	x := Alternative{SKU: f.SKU, Verdict: f.Verdict, Kind: "coil"}
	if c, ok := w.rev.Coil(f.SKU); ok {
		x.TravelMM = float64(c.TravelMM)
	} else if air, ok := w.rev.Air(f.SKU); ok {
		x.Kind, x.TravelMM = "air", float64(air.TravelMM)
	}
	return x
}

// pastLimit judges the hard limits of the fork's maker on mass and, where the hardware is
// given, on travel.
func (w *work) pastLimit() bool {
	o := w.q.Owned
	if o == nil || o.Fork == nil {
		return false
	}
	travel := o.TravelNow.MM
	if h := w.q.Hardware; h != nil && h.TravelMM > 0 {
		travel = int(math.Ceil(h.TravelMM))
	}
	if o.TravelNow.How == fitment.ByStanchion && (w.q.Hardware == nil || w.q.Hardware.TravelMM == 0) {
		travel = 0 // an upper bound only
	}
	for _, l := range w.rev.Limits(o.Fork.ID) {
		if l.WheelSize != "" && l.WheelSize != o.WheelSize || l.Use != "" && l.Use != o.Use {
			continue
		}
		switch {
		case l.MaxRiderKG > 0 && o.RiderKG > l.MaxRiderKG:
			w.overLimit("The rider with kit", o.RiderKG, l.MaxRiderKG, "kg", l.Source)
		case l.MaxSystemKG > 0 && o.SystemKG > l.MaxSystemKG:
			w.overLimit("Rider and bicycle together", o.SystemKG, l.MaxSystemKG, "kg", l.Source)
		case l.MaxTravelMM > 0 && travel > l.MaxTravelMM:
			w.overLimit("The travel", float64(travel), float64(l.MaxTravelMM), "mm", l.Source)
		default:
			continue
		}
		return true
	}
	return false
}

func (w *work) overLimit(what string, have, want float64, unit, source string) {
	w.refuse(ForkLimit, Refusal{By: have - want, Unit: unit, Have: have, Want: want,
		Text: what + ": " + short(have) + " " + unit + ", and the fork's maker allows at most " + short(want) + " " + unit + " (" + source + "). No spring cures that: another fork is needed, or what is past its limit has to change."})
}

// coil answers with a coil spring.
func (w *work) coil(part *catalog.CoilCartridge) error {
	a, q := w.a, w.q
	r, err := rigOf(w.rev, q, part, w.at, w.spacedTravel())
	if err != nil {
		return err
	}
	a.Kind, a.TravelMM = "coil", r.travel
	a.Target.MM = a.Target.Percent / 100 * r.travel
	load, status := weigh(q, r.legAir)
	a.Load = load
	if q.Measured != nil {
		if err := w.readBack(r); err != nil {
			return err
		}
	} else if status != spring.OK || a.Load.SpringN <= 0 {
		w.refuse(WheelLifts, Refusal{Text: "With these shares and masses nothing is left for the fork to carry; check front shares, unsprung mass and lower-leg air.", By: -a.Load.SpringN, Unit: "N"})
		return nil
	}
	w.lists(r)
	w.setAim(r.travel)
	a.Candidates = r.search(&w.aim)
	a.Evaluated = len(a.Candidates)
	if a.Evaluated == 0 {
		w.refuse("no_candidate", Refusal{Text: "The catalog has no spring for this cartridge."})
		return nil
	}
	best := r.setup(w, a.Candidates[0])
	a.Needed = w.needed(r, &best)
	w.verdict(r, &best)
	if a.Recommended != nil {
		w.slow = r.stops[best.Candidate.Bump].curve.WithCoil(best.Spring.RateNPerMM, best.PreloadMM)
	}
	w.neighbors(r)
	w.beside(r, &best)
	w.engineer(r, &best)
	w.coilCautions(r, &best)
	if q.WithCurve {
		w.curves(r, &best)
	}
	return nil
}

// spacedTravel is the travel that is left where the cartridge fits with a travel spacer: that of
// the fork now. 0 without one.
func (w *work) spacedTravel() float64 {
	fit, o := w.a.Fit, w.q.Owned
	if fit == nil || o.TravelNow.MM == 0 || !fit.Spaced() {
		return 0
	}
	w.caution("travel_spacer")
	return float64(o.TravelNow.MM)
}

func (w *work) setAim(travel float64) {
	a := w.a
	w.aim = aim{
		loadN: a.Load.SpringN, lowN: a.Load.SpringLowN - a.Load.FrictionN, highN: a.Load.SpringHighN + a.Load.FrictionN,
		targetMM: a.Target.MM, toleranceMM: a.Target.TolerancePoints / 100 * travel,
		stiffer: a.WayToErr == "stiffer", share: a.Target.EndSharePercent / 100,
	}
}

// lists shows springs, preloads and settings of the bump stop once; candidates point to them.
func (w *work) lists(r *rig) {
	a := w.a
	a.Springs = make([]Spring, len(r.coils))
	for i := range r.coils {
		a.Springs[i] = shownSpring(&r.coils[i])
	}
	a.Preloads = make([]Preload, len(r.preloads))
	for i, p := range r.preloads {
		x := Preload{Setting: p.number, Spacers: p.spacers, Spacer: p.spacer}
		switch p.kind {
		case byCavity:
			x.CavityMM = p.value
		case byForce:
			x.ForceN = p.value
		default:
			x.MM = p.value
		}
		a.Preloads[i] = x
	}
	a.Bumps = make([]BumpSetting, len(r.stops))
	for i := range r.stops {
		a.Bumps[i] = r.shownStop(i)
	}
}

func shownSpring(c *coil) Spring {
	s := Spring{SKU: c.given.SKU, RateNPerMM: c.rate, Published: catalog.Published{Value: c.rate, Unit: "N/mm"}}
	if c.part != nil {
		s.Published = catalog.Published{Value: c.part.Rate, Unit: c.part.RateUnit}
	}
	return s
}

func (r *rig) shownStop(i int) BumpSetting {
	s := &r.stops[i]
	b := BumpSetting{
		SetKPa: s.kPa, RiddenKPa: s.ridden, StepN: s.stepN, EndLowN: s.endN[0], EndN: s.endN[1], EndHighN: s.endN[2],
		Ratio: s.ratio, PeakKPa: s.peak, Reason: s.reason, Harsh: s.stepN > spring.ContactStepHarshN,
	}
	if r.stop.air {
		b.Published = catalog.Published{Value: s.kPa, Unit: "kPa"}
		if p := r.stop.part; p != nil && !r.stop.unlisted && i < len(p.Settings) {
			b.Published = catalog.Published{Value: p.Settings[i], Unit: p.PressureUnit}
		}
		b.AfterHose4MLKPa, _ = spring.AfterHose(s.kPa, r.stop.volume, 4)
		b.AfterHose8MLKPa, _ = spring.AfterHose(s.kPa, r.stop.volume, 8)
	}
	return b
}

// needed is the rate that meets the target with the preload of a setup.
func (w *work) needed(r *rig, best *Setup) Needed {
	n := Needed{PreloadMM: best.PreloadMM}
	fork := r.base.WithCoil(1, best.PreloadMM)
	rate := func(load float64) (float64, spring.Status) {
		if p := &r.preloads[best.Candidate.Preload]; p.kind == byForce {
			return spring.RequiredRateForForce(load, w.a.Target.Percent/100, r.travel, p.value)
		}
		return fork.RateFor(load, w.a.Target.MM)
	}
	n.RateNPerMM, n.Status = rate(w.a.Load.SpringN)
	n.LowNPerMM, _ = rate(w.a.Load.SpringLowN)
	n.HighNPerMM, _ = rate(w.a.Load.SpringHighN)
	return n
}

// verdict says what kind of answer it is.
func (w *work) verdict(r *rig, best *Setup) {
	a := w.a
	c := &best.Candidate
	if c.Reason.Rejected() {
		a.Nearest = best
		w.refuse(Status(c.Reason.String()), r.why(best))
		return
	}
	soft, stiff := -1, -1 // the candidates that sag most and least
	for i := range a.Candidates {
		x := &a.Candidates[i]
		if x.Reason.Rejected() {
			continue
		}
		if soft < 0 || x.SagMM > a.Candidates[soft].SagMM {
			soft = i
		}
		if stiff < 0 || x.SagMM < a.Candidates[stiff].SagMM {
			stiff = i
		}
	}
	low, high := w.aim.targetMM-w.aim.toleranceMM-equalMM, w.aim.targetMM+w.aim.toleranceMM+equalMM
	switch {
	case c.SagMM >= low && c.SagMM <= high:
	case a.Candidates[soft].SagMM < low:
		a.Nearest = best
		w.outside(r, RiderTooLight, soft, low)
		return
	case a.Candidates[stiff].SagMM > high:
		a.Nearest = best
		w.outside(r, RiderTooHeavy, stiff, high)
		return
	case !c.GoodEnough:
		a.Nearest = best
		w.refuse(GapInRange, Refusal{By: math.Abs(c.SagMM-w.aim.targetMM) / r.travel * 100, Unit: "percentage points", Have: best.Sag.Percent, Want: a.Target.Percent,
			Text: "The target lies between two choices. Nearest is " + name(&best.Spring) + ", which sags " + percent(best.Sag.Percent) + " instead of " + percent(a.Target.Percent) + "."})
		return
	}
	a.Recommended = best
	a.Text = name(&best.Spring) + " with preload setting " + short(float64(best.Preload.Setting)) + " (" + short(unit.Round(best.PreloadMM, 1)) + " mm) sags " +
		percent(best.Sag.Percent) + ", between " + percent(best.Sag.LowPercent) + " and " + percent(best.Sag.HighPercent) + "; the target is " + percent(a.Target.Percent) + "."
}

// outside refuses a rider beyond every spring: by how much, in kilograms of rider.
func (w *work) outside(r *rig, s Status, extreme int, edge float64) {
	a := w.a
	x := &a.Candidates[extreme]
	fork := r.stops[x.Bump].curve.WithCoil(r.coils[x.Spring].rate, x.PreloadMM)
	short := fork.Force(math.Max(edge, 0)) - a.Load.SpringN
	ref := Refusal{By: math.Abs(short), Unit: "N", Have: a.Load.SpringN, Want: a.Load.SpringN + short}
	sag := x.SagMM / r.travel * 100
	words := [2]string{"softest", "too little"}
	if s == RiderTooHeavy {
		words = [2]string{"stiffest", "too much"}
	}
	ref.Text = "Even the " + words[0] + " choice, " + name(&a.Springs[x.Spring]) + ", sags " + words[1] + ": " + percent(sag) + " where " + percent(a.Target.Percent) + " is wanted."
	if k := a.Load.NPerRiderKG; k > 0 && !a.Load.Measured {
		have := kitted(w.q.Rider)
		ref.By, ref.Unit, ref.Have, ref.Want = math.Abs(short)/k, "kg", have, have+short/k
		ref.Text += " It would do for a rider of " + kilograms(ref.Want) + " with kit; this rider is " + kilograms(ref.By) + " off."
	}
	ref.Text += " A rate of " + short2(a.Needed.RateNPerMM) + " N/mm would be needed; none is invented here."
	w.refuse(s, ref)
}

// why explains a best candidate that must not be ridden.
func (r *rig) why(best *Setup) Refusal {
	c := &best.Candidate
	coil := name(&best.Spring)
	swept := r.stop.area * (r.travel - r.stop.contact) / unit.MM3PerML
	switch c.Reason {
	case Rattles:
		k := &r.coils[c.Spring]
		short := r.preloads[c.Preload].value - k.free
		return Refusal{By: short, Unit: "mm", Have: k.free, Want: r.preloads[c.Preload].value,
			Text: coil + " is " + short1(short) + " mm shorter than its cavity and rattles. A longer spring or a spacer is needed; check the figures."}
	case CoilBind, BelowGap:
		words := " binds: the coils touch at "
		at, want := best.Bind.BindAtMM, best.Bind.BindAtMM
		if c.Reason == BelowGap {
			words, at = " comes closer than its least gap at ", best.Bind.GapAtMM
			want = at
		}
		return Refusal{By: r.travel - want, Unit: "mm", Have: r.travel, Want: best.Bind.GapAtMM,
			Text: coil + words + short1(at) + " mm of " + short1(r.travel) + " mm of travel, with the least preload that is offered. It would do for up to " + short1(math.Max(0, best.Bind.GapAtMM)) + " mm of travel; else a longer spring, fewer coils or less preload."}
	case TooWide, TooNarrow:
		return Refusal{Text: coil + " does not go between the tube around it and the shaft inside; check diameters."}
	case ChamberTooSmall:
		return Refusal{By: swept - r.stop.volume, Unit: "mL", Have: r.stop.volume, Want: swept * 4 / 3,
			Text: "The bump stop sweeps " + short1(swept) + " mL and holds " + short1(r.stop.volume) + " mL: it would be full before full travel. With " + short1(swept*4/3) + " mL it would be compressed 4 to 1, as those are that are built."}
	case RatioTooHigh, RatioImplausible:
		limit := r.stop.ratioMax
		if limit == 0 {
			limit = ratioImplausible
		}
		want := swept * limit / (limit - 1)
		return Refusal{By: want - r.stop.volume, Unit: "mL", Have: r.stop.volume, Want: want,
			Text: "The bump stop is compressed " + short1(r.stops[c.Bump].ratio) + " to 1, more than " + short1(limit) + " to 1. It would need " + short1(want) + " mL, or a later contact."}
	case PressureTooHigh:
		return Refusal{By: r.stops[c.Bump].kPa - r.stop.maxKPa, Unit: "kPa", Have: r.stops[c.Bump].kPa, Want: r.stop.maxKPa,
			Text: "Every setting of the bump stop is above its greatest pressure of " + short1(r.stop.maxKPa) + " kPa."}
	case PeakTooHigh:
		return Refusal{By: r.stops[c.Bump].peak - r.stop.peakKPa, Unit: "kPa", Have: r.stops[c.Bump].peak, Want: r.stop.peakKPa,
			Text: "At full travel the bump stop would reach " + short1(r.stops[c.Bump].peak) + " kPa, more than the " + short1(r.stop.peakKPa) + " kPa it is made for."}
	case OutsideTable:
		return Refusal{Text: "The table of the bump stop ends before the travel does; its maker has to say what it does beyond."}
	}
	return Refusal{Text: "The figures of the bump stop cannot be used."}
}

// name is a spring as its maker writes its rate.
func name(s *Spring) string {
	n := short(s.Published.Value) + " " + s.Published.Unit
	if s.SKU != "" {
		n = s.SKU + " (" + n + ")"
	}
	return strings.TrimSpace(n)
}

func short(v float64) string     { return text(unit.Round(v, 3)) }
func short1(v float64) string    { return text(unit.Round(v, 1)) }
func short2(v float64) string    { return text(unit.Round(v, 2)) }
func percent(v float64) string   { return text(unit.Round(v, 1)) + " %" }
func kilograms(v float64) string { return text(unit.Round(v, 1)) + " kg" }

package setup

import (
	"math"

	"forkwright/service/spring"
	"forkwright/service/unit"
)

// fork is the force curve of a candidate at a polytropic exponent.
func (r *rig) fork(c *Candidate, exponent float64) spring.Curve {
	f := r.stops[c.Bump].curve.WithCoil(r.coils[c.Spring].rate, c.PreloadMM)
	f, _ = f.WithExponent(exponent)
	return f
}

// setup shows a candidate in full.
func (r *rig) setup(w *work, c Candidate) Setup {
	k := &r.coils[c.Spring]
	s := Setup{
		Candidate: c, Spring: w.a.Springs[c.Spring], Preload: w.a.Preloads[c.Preload], PreloadMM: c.PreloadMM,
		PreloadN: k.rate * c.PreloadMM, Sag: r.figure(c.SagMM, c.SagLowMM, c.SagHighMM), Bind: r.bound(k, c.PreloadMM),
	}
	n := r.exponents()
	fast := r.fork(&c, n[1])
	low, high := r.fork(&c, n[0]), r.fork(&c, n[2])
	s.StartN, s.EndN, s.EndLowN, s.EndHighN = fast.StartN(), fast.EndN(), low.EndN(), high.EndN()
	s.Energy = fast.Energy(r.travel)
	s.EnergyLow, s.EnergyHigh = low.Energy(r.travel).TotalJ, high.Energy(r.travel).TotalJ
	s.Elements = r.elements(&fast)
	if r.stop.present {
		s.Bump = r.bumpDetail(w, &c)
	}
	return s
}

func (r *rig) figure(mm, low, high float64) SagFigure {
	per := 100 / r.travel
	return SagFigure{mm, low, high, mm * per, low * per, high * per}
}

func (r *rig) bound(k *coil, preload float64) *Bind {
	if k.free == 0 || k.block == 0 {
		return nil
	}
	still := spring.CheckClearance(k.free, k.block, k.block+k.gap, preload, r.travel)
	moving := spring.CheckClearance(k.free, k.block, k.block+1.5*k.gap, preload, r.travel)
	return &Bind{
		FreeMM: k.free, BlockMM: k.block, GapSumMM: k.gap, BindAtMM: still.BindMM, GapAtMM: still.GapMM, MarginMM: still.MarginMM,
		DynamicMarginMM: moving.MarginMM, GapsKnown: k.gap > 0, Status: still.Status,
	}
}

func (r *rig) elements(fast *spring.Curve) []Element {
	end := fast.Parts(r.travel)
	out := make([]Element, 0, 3)
	if r.legAir.inCurve {
		out = append(out, Element{Name: "lower_leg_air", EndN: end.LegN})
	}
	out = append(out, Element{Name: "coil", StepN: fast.RateNPerMM() * fast.PreloadMM(), EndN: end.SpringN})
	if end.StopN > 0 {
		out = append(out, Element{Name: "bump_stop", FromMM: fast.ContactMM(), StepN: fast.ContactStepN(), EndN: end.StopN})
	}
	return out
}

func (r *rig) bumpDetail(w *work, c *Candidate) *BumpDetail {
	b := &BumpDetail{
		Medium: "elastomer", ContactMM: r.stop.contact, BumpSetting: w.a.Bumps[c.Bump], EndSharePercent: 100 * r.stops[c.Bump].endN[1] / (r.coils[c.Spring].rate * (r.travel + c.PreloadMM)),
		MaxKPa: r.stop.maxKPa, PeakMaxKPa: r.stop.peakKPa, RatioMax: r.stop.ratioMax, Unlisted: r.stop.unlisted,
		Rule: "an elastomer has no setting",
	}
	if r.stop.part != nil {
		b.SKU = r.stop.part.SKU
	}
	if !r.stop.air {
		return b
	}
	b.Medium = "air"
	b.Rule = "within the part's limits; no harsh step at contact; then the end force nearest to " + percent(w.a.Target.EndSharePercent) + " of the coil's, which suits the discipline (common practice, no source); then the lower pressure"
	b.Start = "Start at " + short(b.Published.Value) + " " + b.Published.Unit + ". If the end of the travel comes too easily, go up one setting; if the last part is never used, go down one."
	return b
}

// beside shows the next springs, the trim in hand, the maker's chart and the damper.
func (w *work) beside(r *rig, best *Setup) {
	w.a.Trim = w.changes(r, &w.aim, best.Candidate.Spring, best.Candidate.Preload, best.Sag.MM)
	w.massChart(r, best)
	w.clicks(best.Spring.RateNPerMM)
}

// changes are what the other preloads of a spring and the next rates at its preload would do.
func (w *work) changes(r *rig, a *aim, coilAt, preloadAt int16, sagNow float64) []Change {
	out := make([]Change, 0, len(r.preloads)+1)
	for j := range r.preloads {
		if int16(j) != preloadAt {
			out = append(out, w.change(r, a, "preload", coilAt, int16(j), sagNow))
		}
	}
	if coilAt > 0 {
		out = append(out, w.change(r, a, "softer", coilAt-1, preloadAt, sagNow))
	}
	if int(coilAt) < len(r.coils)-1 {
		out = append(out, w.change(r, a, "stiffer", coilAt+1, preloadAt, sagNow))
	}
	return out
}

func (w *work) change(r *rig, a *aim, what string, coilAt, preloadAt int16, sagNow float64) Change {
	k := &r.coils[coilAt]
	x := pair{spring: coilAt, preload: preloadAt}
	x.p, x.reason = r.preloads[preloadAt].of(k)
	r.bind(k, &x)
	x.sag, x.low, x.high = a.sags(r.firstStop(k.rate*(r.travel+x.p), a.share), k.rate, x.p)
	c := Change{What: what, Spring: w.a.Springs[coilAt], Preload: w.a.Preloads[preloadAt], PreloadMM: x.p, Sag: r.figure(x.sag, x.low, x.high), DeltaMM: x.sag - sagNow, Reason: x.reason}
	switch {
	case x.reason.Rejected():
		c.Text = "Not to be used: " + phrase(x.reason) + "."
	case what == "preload":
		c.Text = "Preload setting " + short(float64(c.Preload.Setting)) + " would sag " + short1(c.Sag.MM) + " mm (" + percent(c.Sag.Percent) + ")."
	default:
		c.Text = "The next " + what + " spring, " + name(&c.Spring) + ", would sag " + short1(c.Sag.MM) + " mm (" + percent(c.Sag.Percent) + ")."
	}
	return c
}

// phrase is a reason for which something must not be ridden, in words.
func phrase(r Reason) string {
	switch r {
	case Rattles:
		return "the spring is shorter than its cavity and rattles"
	case CoilBind:
		return "the coils touch before full travel"
	case BelowGap:
		return "the coils come closer than their least gap before full travel"
	case TooWide, TooNarrow:
		return "the spring does not go between tube and shaft"
	}
	return "the bump stop would be past its limits"
}

// tossShare is how much farther off the neighbor may lie, as a share of the half width of the
// band, for the choice between two springs to be a coin toss. Rule of the house.
const tossShare = 0.25

// neighbors finds the spring beside the best one: of the next softer and stiffer at the same
// preload the one that lies nearer to the target.
func (w *work) neighbors(r *rig) {
	best := &w.a.Candidates[0]
	var beside *Candidate
	for i := 1; i < len(w.a.Candidates); i++ {
		c := &w.a.Candidates[i]
		if c.Preload != best.Preload || c.Reason.Rejected() || c.Spring != best.Spring-1 && c.Spring != best.Spring+1 {
			continue
		}
		if beside == nil || math.Abs(c.SagMM-w.aim.targetMM) < math.Abs(beside.SagMM-w.aim.targetMM)-equalMM {
			beside = c
		}
	}
	if beside == nil || best.Reason.Rejected() {
		return
	}
	n := &Neighbor{Setup: r.setup(w, *beside), Stiffer: beside.Spring > best.Spring}
	further := math.Abs(beside.SagMM-w.aim.targetMM) - math.Abs(best.SagMM-w.aim.targetMM)
	n.CoinToss = w.holds(best) && w.holds(beside) && further <= tossShare*(best.SagHighMM-best.SagLowMM)/2
	soft, stiff := &w.a.Springs[best.Spring], &n.Setup.Spring
	if !n.Stiffer {
		soft, stiff = stiff, soft
	}
	if n.CoinToss {
		n.Text = "A coin toss between " + name(soft) + " and " + name(stiff) + ": softer if the rider sits much, is light on the hands or wants grip; stiffer if the ground is steep, the riding fast, or the rider leans on the front. For this rider err " + w.a.WayToErr + "."
	} else {
		n.Text = name(&n.Setup.Spring) + " beside it would sag " + percent(n.Setup.Sag.Percent) + "."
	}
	w.a.Neighbor = n
}

func (w *work) holds(c *Candidate) bool {
	return c.SagLowMM <= w.aim.targetMM && w.aim.targetMM <= c.SagHighMM
}

// massChart puts the kit maker's own figure beside the computed one. It is the maker's datum;
// neither corrects the other.
func (w *work) massChart(r *rig, best *Setup) {
	k := r.coils[best.Candidate.Spring].part
	if k == nil || w.q.Rider.MassKG == 0 {
		return
	}
	chart := &ChartFigure{State: NotInOurData, WhereToLook: "the kit maker's own chart for this spring family"}
	w.a.MassChart = chart
	for _, m := range w.rev.MassChart(k.Family, int(math.Round(r.travel))) {
		mass := kitted(w.q.Rider)
		if m.MassIs == "bare" {
			mass -= or(w.q.Rider.GearKG, spring.AssumedGear().Value)
			if w.q.Rider.MassIs == "bare" {
				mass = w.q.Rider.MassKG
			}
		}
		if mass < m.MassFromKG || mass >= m.MassToKG {
			continue
		}
		*chart = ChartFigure{RateNPerMM: m.RateNPerMM(), MassFromKG: m.MassFromKG, MassToKG: m.MassToKG, MassIs: m.MassIs, Source: m.Source}
		chart.Published.Value, chart.Published.Unit = m.Rate, m.RateUnit
		chart.Difference = w.a.Needed.RateNPerMM - chart.RateNPerMM
		chart.Percent = 100 * chart.Difference / chart.RateNPerMM
		chart.InBand = w.a.Needed.LowNPerMM <= chart.RateNPerMM && chart.RateNPerMM <= w.a.Needed.HighNPerMM
		return
	}
}

// curves are what a chart draws: force over travel in a fast stroke, the same slow (what rules
// sag), and the neighbor.
func (w *work) curves(r *rig, best *Setup) {
	add := func(name string, c *Candidate, n float64) {
		w.a.Curves = append(w.a.Curves, Series{name, n, r.fork(c, n), w.q.CurvePoints})
	}
	add("recommended", &best.Candidate, r.exponent)
	if r.exponent != spring.Slow {
		add("recommended_slow", &best.Candidate, spring.Slow)
	}
	if n := w.a.Neighbor; n != nil {
		add("neighbor", &n.Setup.Candidate, r.exponent)
	}
}

// engineer fills the engineering part.
func (w *work) engineer(r *rig, best *Setup) {
	e := &w.a.Engineering
	k := &r.coils[best.Candidate.Spring]
	g := k.given
	if w.a.Load.SprungN > 0 && w.a.Load.HeadDegrees > 0 {
		e.SprungMassKG = w.a.Load.SprungN / unit.GravityMPerS2
		if h, s := spring.NewHeave(k.rate, e.SprungMassKG, w.a.Load.HeadDegrees); s == spring.OK {
			e.FrequencyHz, e.CriticalDampingNSPerM = h.FrequencyHz, h.CriticalNSPerM
			if d := w.q.DampingNSPerM; d != nil {
				e.DampingRatio = h.Ratio(*d)
			}
		}
	}
	e.RateAtTemperature = k.rate * spring.TemperatureRatio(w.at.rideC, spring.CarbonSteelPerK)
	if g.WireMM == 0 || g.MeanMM == 0 {
		return
	}
	e.Index = spring.Index(g.MeanMM, g.WireMM)
	atEnd := k.rate * (r.travel + best.PreloadMM)
	e.StressMPa = spring.Stress(atEnd, g.MeanMM, g.WireMM, 1)
	e.CorrectedStressMPa = spring.Stress(atEnd, g.MeanMM, g.WireMM, spring.Bergstraesser(e.Index))
	wire, s := spring.WireOf(spring.Grade(g.Material), g.WireMM)
	if s != spring.OK {
		return
	}
	e.TensileMPa, e.StressShare = wire.TensileMPa, e.StressMPa/wire.TensileMPa
	e.StressStatus = spring.StressPlausible(e.StressMPa, wire.TensileMPa)
	if g.ActiveCoils > 0 {
		e.RateFromGeometry, _ = spring.Rate(wire.ShearMPa, g.WireMM, g.MeanMM, g.ActiveCoils)
		e.GeometryDifference = e.RateFromGeometry/k.rate - 1
		e.SurgeHz, _ = spring.SurgeFrequency(k.rate, activeMass(g.WireMM, g.MeanMM, g.ActiveCoils))
	}
	if k.free > 0 {
		e.BucklesUnguidedAtMM, _ = spring.BucklingTravel(k.free, g.MeanMM, 0.5, wire.YoungMPa, wire.ShearMPa)
	}
}

// activeMass is that of the active coils in kg: steel of 7.85 kg/dm3.
func activeMass(wire, mean, active float64) float64 {
	const kgPerMM3 = 7.85e-6
	return spring.BoreArea(wire) * math.Pi * mean * active * kgPerMM3
}

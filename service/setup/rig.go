package setup

import (
	"cmp"
	"slices"
	"strconv"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// rig is the hardware of one setup: what the catalog says of a cartridge, overridden by what
// the question says.
type rig struct {
	cartridge *catalog.CoilCartridge // nil without one
	travel    float64
	bore      float64 // around the coil; 0: not known
	shaft     float64
	coils     []coil
	preloads  []preload
	assumed   bool // the preload was not said: zero
	base      spring.Curve
	stop      stop
	stops     []stopSetting // never empty: without a bump stop one setting that does nothing
	exponent  float64       // of a fast stroke
	legAir    legAir
}

// coil is a spring as the search needs it.
type coil struct {
	part  *catalog.Spring // nil where the figures were given
	rate  float64
	free  float64 // 0: not known
	block float64 // 0: not known
	gap   float64 // sum of the least gaps, static; 0: not known
	unfit Reason  // does not go into the cartridge
	given *GivenSpring
}

type preloadKind uint8

const (
	byLength preloadKind = iota
	byCavity
	byForce
)

// preload is one preload setting.
type preload struct {
	number  int
	kind    preloadKind
	value   float64
	spacers int
	spacer  string
}

// of is the length by which the setting shortens a coil at full extension; Rattles where the
// coil is shorter than its cavity.
func (p *preload) of(c *coil) (float64, Reason) {
	switch p.kind {
	case byCavity:
		if c.free < p.value {
			return 0, Rattles
		}
		return c.free - p.value, Fine
	case byForce:
		return p.value / c.rate, Fine
	}
	return p.value, Fine
}

// stop is the bump stop of a rig.
type stop struct {
	part     *catalog.BumpStop // nil where it was given, or where there is none
	present  bool
	air      bool
	contact  float64
	area     float64
	volume   float64
	body     float64
	maxKPa   float64 // 0: not known
	peakKPa  float64
	ratioMax float64
	bumper   *spring.Bumper
	unlisted bool // the part lists no settings: even steps up to its greatest pressure
}

// stopSetting is one setting of the bump stop, with all that does not depend on the coil.
type stopSetting struct {
	kPa     float64 // as set
	ridden  float64 // the same, where it is ridden
	curve   spring.Curve
	reason  Reason
	contact float64
	stepN   float64
	// force of the stop and the legs at full travel, by exponent: low, as chosen, high
	endN  [3]float64
	legN  [3]float64
	ratio float64
	peak  float64 // gauge, kPa, at full travel in a fast stroke
}

// rigOf puts a rig together; spaced is the travel that a travel spacer leaves, or 0. A figure
// that is needed and missing is a fault.
func rigOf(rev *catalog.Revision, q *Question, cartridge *catalog.CoilCartridge, s surroundings, spaced float64) (*rig, error) {
	h := q.Hardware
	if h == nil {
		h = &Hardware{}
	}
	r := &rig{cartridge: cartridge, exponent: or(h.Exponent, spring.Stroke), travel: h.TravelMM, bore: h.BoreMM, shaft: h.ShaftMM, legAir: legAirOf(rev, q, s)}
	if cartridge != nil {
		r.travel = cmp.Or(r.travel, spaced, float64(cartridge.TravelMM))
		r.bore, r.shaft = cmp.Or(r.bore, cartridge.BoreMM), cmp.Or(r.shaft, cartridge.ShaftMM)
	}
	if r.travel == 0 && q.Owned != nil {
		r.travel = float64(q.Owned.TravelNow.MM)
	}
	if r.travel == 0 {
		return nil, missing("/hardware/travel_mm", "say the travel of the fork, or which cartridge it has")
	}
	if err := r.stopOf(rev, h); err != nil {
		return nil, err
	}
	if err := r.coilsOf(rev, h, cartridge); err != nil {
		return nil, err
	}
	if err := r.preloadsOf(rev, h, cartridge); err != nil {
		return nil, err
	}
	if err := r.baseCurve(); err != nil {
		return nil, err
	}
	r.settings(h, s)
	return r, nil
}

func missing(at, textOf string, args ...any) error {
	var f fault.Fields
	f.Add(at, "required", textOf, args...)
	return f.Err()
}

func (r *rig) coilsOf(rev *catalog.Revision, h *Hardware, cartridge *catalog.CoilCartridge) error {
	if len(h.Springs) == 0 {
		if cartridge == nil {
			return missing("/hardware/springs", "give the springs to choose from, or a cartridge")
		}
		family := rev.Family(cartridge.SpringFamily)
		r.coils = make([]coil, 0, len(family))
		for _, s := range family {
			if p, ok := rev.Part(s.SKU); ok && p.Status == "superseded" {
				continue
			}
			r.coils = append(r.coils, r.fromCatalog(s))
		}
		return nil
	}
	r.coils = make([]coil, 0, len(h.Springs))
	for i := range h.Springs {
		g := &h.Springs[i]
		if g.SKU != "" {
			s, ok := rev.Spring(g.SKU)
			if !ok {
				var f fault.Fields
				f.Add("/hardware/springs/"+strconv.Itoa(i)+"/sku", "unknown_spring", "The catalog has no spring %q.", g.SKU)
				return f.Err()
			}
			r.coils = append(r.coils, r.fromCatalog(s))
			continue
		}
		c, err := r.fromFigures(g, i)
		if err != nil {
			return err
		}
		r.coils = append(r.coils, c)
	}
	slices.SortStableFunc(r.coils, func(a, b coil) int { return cmp.Compare(a.rate, b.rate) })
	return nil
}

func (r *rig) fromCatalog(s *catalog.Spring) coil {
	c := coil{part: s, rate: s.RateNPerMM(), free: s.FreeLengthMM, given: &GivenSpring{
		SKU: s.SKU, RateNPerMM: s.RateNPerMM(), FreeLengthMM: s.FreeLengthMM, WireMM: s.WireMM, MeanMM: s.MeanMM,
		ActiveCoils: s.ActiveCoils, TotalCoils: s.TotalCoils, Ends: spring.Ends(s.Ends), SleeveMM: s.SleeveMM, Material: s.Material,
	}}
	r.clear(&c)
	return c
}

func (r *rig) fromFigures(g *GivenSpring, i int) (coil, error) {
	c := coil{rate: g.RateNPerMM, free: g.FreeLengthMM, given: g}
	if c.rate == 0 {
		shear := g.ShearMPa
		if shear == 0 {
			w, s := spring.WireOf(spring.Grade(g.Material), g.WireMM)
			if s != spring.OK {
				return c, missing("/hardware/springs/"+strconv.Itoa(i)+"/material", "name a wire grade that is known here, or give the shear modulus or the rate")
			}
			shear = w.ShearMPa
		}
		c.rate, _ = spring.Rate(shear, g.WireMM, g.MeanMM, g.ActiveCoils)
	}
	if c.rate < rateRange.least || c.rate > rateRange.most {
		var f fault.Fields
		f.Add("/hardware/springs/"+strconv.Itoa(i)+"/rate_n_per_mm", "out_of_range", "Wire, diameter and coils make %s N/mm; correct one of them.", text(unit.Round(c.rate, 3)))
		return c, f.Err()
	}
	r.clear(&c)
	return c, nil
}

// clear works out block length and gaps (EN 13906-1), and whether the coil goes between bore
// and shaft.
func (r *rig) clear(c *coil) {
	g := c.given
	c.block, c.gap = g.SolidMM, g.GapSumMM
	if c.block == 0 && g.WireMM > 0 && g.TotalCoils > 0 {
		ground := g.Ends == spring.PlainGround || g.Ends == spring.SquaredGround
		c.block = spring.BlockLength(ground, g.WireMM, g.TotalCoils)
	}
	if c.gap == 0 && g.WireMM > 0 && g.MeanMM > 0 && g.ActiveCoils > 0 {
		c.gap = spring.GapSum(g.ActiveCoils, g.MeanMM, g.WireMM, false)
	}
	if g.WireMM == 0 || g.MeanMM == 0 {
		return
	}
	inside := g.MeanMM - g.WireMM
	switch {
	case r.bore > 0 && outside(c) >= r.bore:
		c.unfit = TooWide
	case r.shaft > 0 && inside <= r.shaft, r.stop.body > 0 && inside <= r.stop.body:
		c.unfit = TooNarrow
	}
}

// outside is the diameter of a coil with its sleeve, grown as it is when wound solid.
func outside(c *coil) float64 {
	g := c.given
	grown := 0.0
	if c.free > 0 && c.block > 0 && g.ActiveCoils > 0 {
		grown = spring.Growth((c.free-c.block)/g.ActiveCoils+g.WireMM, g.WireMM, g.MeanMM)
	}
	return g.MeanMM + g.WireMM + 2*g.SleeveMM + grown
}

func (r *rig) preloadsOf(rev *catalog.Revision, h *Hardware, cartridge *catalog.CoilCartridge) error {
	switch {
	case len(h.Preloads) > 0:
		for i := range h.Preloads {
			p := fromGiven(&h.Preloads[i])
			r.preloads = append(r.preloads, p)
		}
		byLeast := func(a, b preload) int { return cmp.Compare(a.value, b.value) }
		if r.preloads[0].kind == byCavity {
			byLeast = func(a, b preload) int { return cmp.Compare(b.value, a.value) }
		}
		slices.SortStableFunc(r.preloads, byLeast)
		for i := range r.preloads {
			r.preloads[i].number = i + 1
		}
	case cartridge != nil:
		for _, p := range rev.Preloads(cartridge.SKU) {
			r.preloads = append(r.preloads, preload{p.Setting, byCavity, p.CavityMM, p.Spacers, p.Spacer})
		}
		slices.SortStableFunc(r.preloads, func(a, b preload) int { return cmp.Compare(a.number, b.number) })
	}
	if len(r.preloads) == 0 {
		r.assumed, r.preloads = true, []preload{{number: 1}}
	}
	if r.preloads[0].kind == byCavity {
		for i := range r.coils {
			if r.coils[i].free == 0 {
				return missing("/hardware/springs/"+strconv.Itoa(i)+"/free_length_mm", "a preload said as a cavity needs the free length of every spring")
			}
		}
	}
	return nil
}

func fromGiven(p *GivenPreload) preload {
	switch {
	case p.CavityMM != nil:
		return preload{kind: byCavity, value: *p.CavityMM}
	case p.ForceN != nil:
		return preload{kind: byForce, value: *p.ForceN}
	}
	return preload{kind: byLength, value: *p.MM}
}

// baseCurve is the fork without its coil and its bump stop.
func (r *rig) baseCurve() error {
	base, _ := spring.NewCoil(r.travel, 1, 0)
	if r.legAir.inCurve {
		with, s := base.WithLegAir(r.legAir.air)
		if s != spring.OK {
			var f fault.Fields
			f.Add("/hardware/legs/free_per_leg_ml", string(s), "The stanchions sweep more than the lower legs hold over %s mm of travel; correct volume, oil or stanchion.", text(r.travel))
			return f.Err()
		}
		base = with
	}
	r.base = base
	return nil
}

package spring

import "math"

// BoreArea is pi d^2/4 in mm^2.
func BoreArea(diameterMM float64) float64 { return math.Pi / 4 * diameterMM * diameterMM }

// BumpStop is an air bump stop: a piston that closes a chamber late in the travel.
type BumpStop struct {
	ContactMM  float64 // travel at contact
	AreaMM2    float64 // piston; 200-314 fits inside a coil
	VolumeML   float64 // at contact, oil in the chamber taken off
	GaugeKPa   float64 // pumped, at contact; 0 when not
	AmbientKPa float64 // absolute
}

// Bump is the state of an air bump stop at one travel.
type Bump struct {
	ForceN         float64
	TangentNPerMM  float64
	VolumeML       float64
	AbsoluteKPa    float64 // pressure in the chamber
	Ratio          float64 // volume at contact over volume now
	EnergyJ        float64 // taken up since contact
	ContactStepN   float64 // jump of the force at contact, A p_gauge: real, not to be smoothed
	Status         Status  // Engaged, NotEngaged, ChamberTooSmall, InvalidInput
	RatioPlausible Status  // OK, HighRatio above 6, BadRatio above 8
}

func (b BumpStop) check(travelMM, exponent float64) Status {
	switch {
	case !positive(b.AreaMM2, b.VolumeML, travelMM) || !notNegative(b.ContactMM, b.AmbientKPa, b.GaugeKPa+b.AmbientKPa),
		math.IsNaN(b.GaugeKPa), !validExponent(exponent), b.ContactMM > travelMM:
		return InvalidInput
	case b.VolumeML*mm3PerML <= b.AreaMM2*(travelMM-b.ContactMM):
		return ChamberTooSmall
	}
	return OK
}

func (b BumpStop) chamber() chamber {
	return newChamber(b.AreaMM2, b.VolumeML, b.GaugeKPa+b.AmbientKPa, b.AmbientKPa, b.ContactMM)
}

func validExponent(n float64) bool { return n >= 1 && n <= maxExponent }

// At is F = A [p0 (V0/V)^n - pa] with V = V0 - A (x - x_e) past contact, zero force up to it;
// p0 absolute, n 1 to 1.4. Derived from the polytropic gas law; air as an ideal gas,
// fine below about 5 MPa (from memory), no leakage. A chamber that would reach zero
// volume within the travel is ChamberTooSmall and has no numbers.
func (b BumpStop) At(xMM, travelMM, exponent float64) Bump {
	if s := b.check(travelMM, exponent); s != OK {
		return Bump{Status: s}
	}
	if !(xMM >= 0 && xMM <= travelMM) {
		return Bump{Status: InvalidInput}
	}
	s := Bump{
		VolumeML: b.VolumeML, AbsoluteKPa: b.GaugeKPa + b.AmbientKPa, Ratio: 1,
		ContactStepN: b.AreaMM2 * b.GaugeKPa / kPaPerMPa, Status: NotEngaged, RatioPlausible: OK,
	}
	if xMM <= b.ContactMM {
		return s
	}
	c := b.chamber()
	s.Status = Engaged
	s.ForceN, s.TangentNPerMM = c.forceAndTangent(xMM, exponent)
	s.Ratio = c.ratio(xMM)
	s.VolumeML = b.VolumeML / s.Ratio
	s.AbsoluteKPa *= polytropic(s.Ratio, exponent)
	s.EnergyJ = c.energy(xMM, exponent) / mJPerJ
	switch {
	case s.Ratio > ratioToRefuse:
		s.RatioPlausible = BadRatio
	case s.Ratio > ratioToCheck+1e-9:
		s.RatioPlausible = HighRatio
	}
	return s
}

// End is the state at full travel: end force, compression ratio, peak pressure, energy.
func (b BumpStop) End(travelMM, exponent float64) Bump { return b.At(travelMM, travelMM, exponent) }

// VolumeForEndForce is the chamber volume in mL that gives a force in N at full travel:
// r = ((F/A + pa)/p0)^(1/n), V0 = A (S - x_e) r/(r - 1). Derived; VolumeML of b is not
// read. OutsideValidity when the pressure alone already exceeds the force.
func (b BumpStop) VolumeForEndForce(forceN, travelMM, exponent float64) (float64, Status) {
	stroke := travelMM - b.ContactMM
	if !positive(b.AreaMM2, stroke, forceN, b.GaugeKPa+b.AmbientKPa) || !notNegative(b.ContactMM, b.AmbientKPa) || !validExponent(exponent) {
		return 0, InvalidInput
	}
	ratio := math.Pow((forceN/b.AreaMM2*kPaPerMPa+b.AmbientKPa)/(b.GaugeKPa+b.AmbientKPa), 1/exponent)
	if ratio <= 1 {
		return 0, OutsideValidity
	}
	return b.AreaMM2 * stroke * ratio / (ratio - 1) / mm3PerML, OK
}

// PressureForEndForce is the gauge pressure in kPa that gives a force in N at full travel;
// GaugeKPa of b is not read. Derived. A negative result means
// that the volume alone gives more, and comes as OutsideValidity.
func (b BumpStop) PressureForEndForce(forceN, travelMM, exponent float64) (float64, Status) {
	b.GaugeKPa = 0
	if s := b.check(travelMM, exponent); s != OK {
		return 0, s
	}
	if !positive(forceN) {
		return 0, InvalidInput
	}
	c := b.chamber()
	filled := (forceN/b.AreaMM2*kPaPerMPa + b.AmbientKPa) / polytropic(c.ratio(travelMM), exponent)
	if filled < b.AmbientKPa {
		return 0, OutsideValidity
	}
	return filled - b.AmbientKPa, OK
}

// LegAir is the air that the stanchions compress in the lower legs, both legs together.
type LegAir struct {
	AreaMM2     float64 // outside area of the stanchions that seal
	FreeML      float64 // free volume at full extension, before the bath oil
	OilML       float64 // bath oil
	SealedAtKPa float64 // absolute ambient where the legs were closed, fully extended
	AmbientKPa  float64 // absolute, where it is ridden
}

// SealedLegs is the air of legs of one stanchion diameter, closed at one ambient pressure.
// Legs vented into the stanchion have none.
func SealedLegs(legs int, stanchionMM, freePerLegML, oilPerLegML, ambientKPa float64) LegAir {
	n := float64(legs)
	return LegAir{
		AreaMM2: n * BoreArea(stanchionMM), FreeML: n * freePerLegML, OilML: n * oilPerLegML,
		SealedAtKPa: ambientKPa, AmbientKPa: ambientKPa,
	}
}

func (l LegAir) check(travelMM float64) Status {
	switch {
	case !positive(l.AreaMM2, l.FreeML, l.SealedAtKPa, l.AmbientKPa, travelMM) || !notNegative(l.OilML):
		return InvalidInput
	case (l.FreeML-l.OilML)*mm3PerML <= l.AreaMM2*travelMM:
		return ChamberTooSmall
	}
	return OK
}

func (l LegAir) chamber() chamber {
	return newChamber(l.AreaMM2, l.FreeML-l.OilML, l.SealedAtKPa, l.AmbientKPa, 0)
}

// ForceAt is the force in N at x by the law of BumpStop.At from full extension; sealed low
// and ridden high it pushes out from the start, about 23 N per 1000 m on two 36 mm legs.
// Derived.
func (l LegAir) ForceAt(xMM, travelMM, exponent float64) (float64, Status) {
	if s := l.check(travelMM); s != OK {
		return 0, s
	}
	if !validExponent(exponent) || !(xMM >= 0 && xMM <= travelMM) {
		return 0, InvalidInput
	}
	c := l.chamber()
	return c.force(xMM, exponent), OK
}

// Bumper is an elastomer or other stop known by its maker's table, linear between points.
// Rubber depends on the speed of the test: note it with the table.
type Bumper struct {
	contact float64
	deflect []float64
	force   []float64
}

// NewBumper takes deflections in mm and forces in N, both strictly increasing from (0, 0)
// or later, and the travel at contact. BadTable otherwise.
func NewBumper(contactMM float64, deflectMM, forceN []float64) (*Bumper, Status) {
	if !notNegative(contactMM) {
		return nil, InvalidInput
	}
	if len(deflectMM) < 2 || len(deflectMM) != len(forceN) || !notNegative(deflectMM...) || !notNegative(forceN...) {
		return nil, BadTable
	}
	for i := 1; i < len(deflectMM); i++ {
		if deflectMM[i] <= deflectMM[i-1] || forceN[i] <= forceN[i-1] {
			return nil, BadTable
		}
	}
	return &Bumper{contact: contactMM, deflect: append([]float64(nil), deflectMM...), force: append([]float64(nil), forceN...)}, OK
}

// At is the force in N at travel x: zero before contact, OutsideTable and no number beyond
// the last point.
func (b *Bumper) At(xMM float64) (float64, Status) {
	d := xMM - b.contact
	if math.IsNaN(d) {
		return 0, InvalidInput
	}
	if d > b.deflect[len(b.deflect)-1] {
		return 0, OutsideTable
	}
	f, _ := b.forceAndTangent(xMM)
	return f, OK
}

// forceAndTangent is At for a travel known to lie within the table.
func (b *Bumper) forceAndTangent(x float64) (force, tangent float64) {
	d := x - b.contact
	if d < b.deflect[0] {
		return 0, 0
	}
	i := 1
	for i < len(b.deflect)-1 && d > b.deflect[i] {
		i++
	}
	tangent = (b.force[i] - b.force[i-1]) / (b.deflect[i] - b.deflect[i-1])
	return b.force[i-1] + tangent*(d-b.deflect[i-1]), tangent
}

// energy is the work in mJ up to travel x, exact for straight pieces.
func (b *Bumper) energy(x float64) float64 {
	d, work := x-b.contact, 0.0
	for i := 1; i < len(b.deflect) && d > b.deflect[i-1]; i++ {
		end := math.Min(d, b.deflect[i])
		f, _ := b.forceAndTangent(b.contact + end)
		work += (b.force[i-1] + f) / 2 * (end - b.deflect[i-1])
	}
	return work
}

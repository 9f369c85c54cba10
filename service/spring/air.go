package spring

// AirSpring is an air main spring: a positive chamber and, in nearly every fork, a
// negative one that equalizes with it through a bypass.
type AirSpring struct {
	PosAreaMM2 float64 // A_p, bore
	PosML      float64 // V_p0 at full extension, without spacers
	Spacers    int
	SpacerML   float64 // volume of one
	NegAreaMM2 float64 // A_n, bore less shaft; 0 without a negative chamber
	NegML      float64 // V_n0 at full extension
	BypassMM   float64 // travel at which the chambers equalize, slowly
	GaugeKPa   float64 // positive chamber at full extension, after equalizing
	AmbientKPa float64 // absolute
	TravelMM   float64
}

func (a AirSpring) positiveML() float64 { return a.PosML - float64(a.Spacers)*a.SpacerML }

func (a AirSpring) check() Status {
	switch {
	case !positive(a.PosAreaMM2, a.PosML, a.AmbientKPa, a.TravelMM),
		!notNegative(a.NegAreaMM2, a.NegML, a.BypassMM, a.GaugeKPa, a.SpacerML), a.Spacers < 0,
		a.BypassMM > a.TravelMM, (a.NegAreaMM2 > 0) != (a.NegML > 0):
		return InvalidInput
	case a.positiveML()*mm3PerML <= a.PosAreaMM2*a.TravelMM:
		return ChamberTooSmall
	}
	return OK
}

// equalizing is c = p_n0/p_p0 = V_p(0)/V_p(x_b) V_n(x_b)/V_n0, isothermal.
func (a AirSpring) equalizing() float64 {
	vp, vn := a.positiveML()*mm3PerML, a.NegML*mm3PerML
	return vp / (vp - a.PosAreaMM2*a.BypassMM) * (vn + a.NegAreaMM2*a.BypassMM) / vn
}

// Curve is the force curve F(x) = A_p (p_p - pa) - A_n (p_n - pa) with
// p_p = p_p0 (V_p(0)/V_p)^n and p_n = p_n0 (V_n0/V_n)^n, for a setting (n = 1) until told
// otherwise. Derived. DoesNotExtend, with the curve, when F(0) is negative.
func (a AirSpring) Curve() (Curve, Status) {
	if s := a.check(); s != OK {
		return Curve{}, s
	}
	filled := a.GaugeKPa + a.AmbientKPa
	c := Curve{travel: a.TravelMM, exponent: Slow, contact: a.TravelMM}
	c.pos = newChamber(a.PosAreaMM2, a.positiveML(), filled, a.AmbientKPa, 0)
	if a.NegAreaMM2 > 0 {
		c.neg = newChamber(-a.NegAreaMM2, a.NegML, filled*a.equalizing(), a.AmbientKPa, 0)
	}
	c.prepare()
	if c.start < 0 {
		return c, DoesNotExtend
	}
	return c, OK
}

// PressureFor is the gauge pressure in kPa at which the spring alone carries a load in N at
// x: p_p0 = [F + pa (A_p - A_n)] / [A_p r_p - A_n c r_n], r_p = (V_p(0)/V_p)^n,
// r_n = (V_n0/V_n)^n. Derived; use n = 1 for sag. GaugeKPa of a is not read.
// RiderTooLight for a negative result.
func (a AirSpring) PressureFor(loadN, xMM, exponent float64) (float64, Status) {
	a.GaugeKPa = 0
	if s := a.check(); s != OK {
		return 0, s
	}
	if !notNegative(loadN) || !validExponent(exponent) || !(xMM >= 0 && xMM <= a.TravelMM) {
		return 0, InvalidInput
	}
	pos := newChamber(a.PosAreaMM2, a.positiveML(), 0, 0, 0)
	per := a.PosAreaMM2 * polytropic(pos.ratio(xMM), exponent)
	if a.NegAreaMM2 > 0 {
		neg := newChamber(-a.NegAreaMM2, a.NegML, 0, 0, 0)
		per -= a.NegAreaMM2 * a.equalizing() * polytropic(neg.ratio(xMM), exponent)
	}
	if per <= 0 {
		return 0, OutsideValidity
	}
	ambient := a.AmbientKPa / kPaPerMPa
	gauge := ((loadN+ambient*(a.PosAreaMM2-a.NegAreaMM2))/per - ambient) * kPaPerMPa
	if gauge < 0 {
		return 0, RiderTooLight
	}
	return gauge, OK
}

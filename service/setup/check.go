package setup

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"forkwright/service/fault"
	"forkwright/service/spring"
)

// Disciplines are the words that a question may use for what the fork is ridden for.
func Disciplines() []string {
	return []string{"trail", "enduro", "downhill", "cross_country", "jump", "assisted", "park"}
}

// within is a range beyond which a figure is a slip of the pen (all from memory).
type within struct {
	least, most float64
	unit        string
}

var (
	riderRange     = within{30, 160, "kg"}
	gearRange      = within{0, 25, "kg"}
	bicycleRange   = within{5, 45, "kg"}
	chainstayRange = within{300, 600, "mm"}
	wheelbaseRange = within{800, 1600, "mm"}
	gripRange      = within{100, 900, "mm"}
	headRange      = within{55, 80, "deg"}
	sagRange       = within{5, 40, "%"}
	toleranceRange = within{0.1, 10, "points"}
	shareRange     = within{0.1, 0.8, ""}
	handRange      = within{0, 0.5, ""}
	unsprungRange  = within{0, 10, "kg"}
	legAirRange    = within{0, 300, "N"}
	frictionRange  = within{0, 200, "N"}
	axialRange     = within{1, 3000, "N"}
	altitudeRange  = within{-500, 6000, "m"}
	temperatures   = within{-40, 60, "degC"}
	travelRange    = within{40, 260, "mm"}
	rateRange      = within{0.5, 60, "N/mm"}
	lengthRange    = within{50, 800, "mm"}
	wireRange      = within{1, 12, "mm"}
	meanRange      = within{8, 60, "mm"}
	coilRange      = within{1, 100, ""}
	sleeveRange    = within{0, 5, "mm"}
	shearRange     = within{60000, 90000, "MPa"}
	preloadRange   = within{0, 80, "mm"}
	preloadForces  = within{0, 1000, "N"}
	areaRange      = within{20, 2500, "mm2"}
	boreRange      = within{5, 60, "mm"}
	volumeRange    = within{0.1, 800, "mL"}
	pressureRange  = within{0, 3500, "kPa"}
	peakRange      = within{1, 20000, "kPa"}
	ratioRange     = within{1, 100, ""}
	shareOfTravel  = within{0.1, 1, ""}
	exponentRange  = within{1, 1.4, ""}
	dampingRange   = within{0, 20000, "N s/m"}
	stanchionRange = within{20, 60, "mm"}
	oilRange       = within{0, 400, "mL"}
	endForceRange  = within{1, 20000, "N"}
	deflections    = within{0, 200, "mm"}
	tableForces    = within{0, 20000, "N"}
	sagReading     = within{0.5, 260, "mm"}
)

// Lists longer than these are a mistake.
const (
	mostSpacers     = 30
	mostSprings     = 400
	mostPreloads    = 40
	mostSettings    = 40
	mostTablePoints = 200
	longestName     = 100 // characters
)

// checking collects what is wrong with a question, by the member of the request.
// Pointers are put together only when something is wrong: a list of springs has hundreds.
type checking struct {
	fault.Fields
	list  string // prefix of the members of a list item: list, place, "/"
	place int
}

func (c *checking) wrong(at, code, text string, args ...any) {
	if c.list != "" {
		at = c.list + strconv.Itoa(c.place) + at
	}
	c.Add(at, code, text, args...)
}

// item makes the pointers that follow relative to an item of a list; none ends it.
func (c *checking) item(list string, place int) { c.list, c.place = list, place }

func (c *checking) none() { c.list = "" }

func (c *checking) num(at string, v float64, r within) {
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		c.wrong(at, "not_finite", "%s must be a number.", said(at))
	case v < r.least || v > r.most:
		c.wrong(at, "out_of_range", "%s is %s; it must lie from %s to %s%s. Correct the value or its unit.", said(at), text(v), text(r.least), text(r.most), suffix(r.unit))
	}
}

// said is how a sentence names the member behind a pointer; an item is named by its list.
func said(pointer string) string {
	name := pointer[strings.LastIndexByte(pointer, '/')+1:]
	if _, err := strconv.Atoi(name); err == nil {
		return said(pointer[:len(pointer)-len(name)-1])
	}
	return name
}

func suffix(unit string) string {
	if unit == "" {
		return ""
	}
	return " " + unit
}

func text(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func (c *checking) opt(at string, v *float64, r within) {
	if v != nil {
		c.num(at, *v, r)
	}
}

// some checks a figure whose zero means that it was not said.
func (c *checking) some(at string, v float64, r within) {
	if v != 0 {
		c.num(at, v, r)
	}
}

// short checks a name that is looked up nowhere.
func (c *checking) short(at, v string) {
	if n := utf8.RuneCountInString(v); n > longestName {
		c.wrong(at, "too_long", "%s has %d characters; at most %d are taken.", said(at), n, longestName)
	}
}

func (c *checking) word(at, v string, words ...string) {
	if !slices.Contains(words, v) {
		c.wrong(at, "invalid_value", "%q is not one of %s.", v, strings.Join(words, ", "))
	}
}

// check refuses a question that cannot be meant, naming every wrong member at once.
func check(q *Question) error {
	var c checking
	c.rider(q)
	switch {
	case q.Bicycle.MassKG != 0:
		c.num("/bicycle/mass_kg", q.Bicycle.MassKG, bicycleRange)
	case q.Load.AxialN == nil:
		c.Add("/bicycle/mass_kg", "required", "Say what the complete bicycle weighs.")
	}
	f := q.Bicycle.Frame
	c.some("/bicycle/frame/chainstay_mm", f.ChainstayMM, chainstayRange)
	c.some("/bicycle/frame/wheelbase_mm", f.WheelbaseMM, wheelbaseRange)
	c.some("/bicycle/frame/grip_ahead_mm", f.GripAheadMM, gripRange)
	c.some("/bicycle/frame/head_angle_deg", f.HeadAngleDeg, headRange)
	if f.WheelbaseMM > 0 && f.ChainstayMM+f.GripAheadMM > f.WheelbaseMM {
		c.Add("/bicycle/frame/grip_ahead_mm", "contradiction", "Chainstay and grip reach beyond the wheelbase; the grip lies between the bottom bracket and the front axle.")
	}
	if q.Discipline != "" {
		c.word("/riding/discipline", q.Discipline, Disciplines()...)
	}
	if q.Stance != "" {
		c.word("/riding/stance", q.Stance, "standing", "seated")
	}
	c.opt("/target_sag_percent", q.SagPercent, sagRange)
	c.opt("/tolerance_points", q.Tolerance, toleranceRange)
	c.overrides(&q.Load)
	c.opt("/conditions/altitude_m", q.Conditions.AltitudeM, altitudeRange)
	c.opt("/conditions/temperature_c", q.Conditions.TemperatureC, temperatures)
	c.opt("/conditions/set_altitude_m", q.Conditions.SetAltitudeM, altitudeRange)
	c.opt("/conditions/set_temperature_c", q.Conditions.SetTemperatureC, temperatures)
	c.opt("/conditions/closed_altitude_m", q.Conditions.ClosedAltitudeM, altitudeRange)
	c.opt("/damping_n_s_per_m", q.DampingNSPerM, dampingRange)
	if q.CurvePoints < 0 || q.CurvePoints > 2001 {
		c.Add("/curve_points", "out_of_range", "curve_points is %d; it must lie from 161 to 2001.", q.CurvePoints)
	}
	if q.Hardware != nil {
		c.hardware(q.Hardware)
	}
	if q.Measured != nil {
		c.measured(q)
	}
	if q.WhatIf != nil {
		c.whatIf(q)
	}
	return c.Err()
}

func (c *checking) rider(q *Question) {
	if q.Rider == (Rider{}) && q.Load.AxialN != nil {
		return // the load is said, whoever makes it
	}
	switch q.Rider.MassIs {
	case "kitted", "bare":
	case "":
		c.Add("/rider/mass_is", "required", "Say whether the mass is kitted (with shoes, helmet, pack) or bare; the gear is worth half a spring step.")
	default:
		c.word("/rider/mass_is", q.Rider.MassIs, "kitted", "bare")
	}
	c.num("/rider/mass_kg", q.Rider.MassKG, riderRange)
	c.opt("/rider/gear_kg", q.Rider.GearKG, gearRange)
}

func (c *checking) overrides(o *Overrides) {
	c.opt("/load/front_share_rider", o.FrontShareRider, shareRange)
	c.opt("/load/front_share_bicycle", o.FrontShareBicycle, shareRange)
	c.opt("/load/unsprung_kg", o.UnsprungKG, unsprungRange)
	c.opt("/load/lower_leg_air_n", o.LowerLegAirN, legAirRange)
	c.opt("/load/hand_share", o.HandShare, handRange)
	c.opt("/load/friction_n", o.FrictionN, frictionRange)
	c.opt("/load/axial_n", o.AxialN, axialRange)
}

func (c *checking) hardware(h *Hardware) {
	const at = "/hardware/"
	c.some(at+"travel_mm", h.TravelMM, travelRange)
	c.some(at+"bore_mm", h.BoreMM, boreRange)
	c.some(at+"shaft_mm", h.ShaftMM, boreRange)
	c.opt(at+"exponent", h.Exponent, exponentRange)
	if len(h.Springs) > mostSprings {
		c.Add(at+"springs", "too_many", "At most %d springs are compared at once.", mostSprings)
		return
	}
	for i := range h.Springs {
		c.item("/hardware/springs/", i)
		c.spring(&h.Springs[i])
	}
	c.none()
	c.preloads("/hardware/preloads/", h.Preloads)
	if h.BumpStop != nil {
		c.bumpStop(at+"bump_stop/", h.BumpStop)
	}
	if h.Air != nil {
		c.air(at+"air/", h.Air)
		if len(h.Springs)+len(h.Preloads) > 0 {
			c.Add(at+"air", "contradiction", "Give a coil or an air spring, not both.")
		}
	}
	if l := h.Legs; l != nil {
		if l.Legs < 0 || l.Legs > 2 {
			c.Add(at+"legs/legs", "out_of_range", "A fork has one or two legs that seal.")
		}
		c.num(at+"legs/stanchion_mm", l.StanchionMM, stanchionRange)
		c.num(at+"legs/free_per_leg_ml", l.FreePerLegML, within{0, 800, "mL"})
		c.num(at+"legs/oil_per_leg_ml", l.OilPerLegML, oilRange)
	}
}

func (c *checking) spring(s *GivenSpring) {
	c.some("/rate_n_per_mm", s.RateNPerMM, rateRange)
	c.some("/free_length_mm", s.FreeLengthMM, lengthRange)
	c.some("/solid_length_mm", s.SolidMM, lengthRange)
	c.some("/gap_sum_mm", s.GapSumMM, within{0, 200, "mm"})
	c.some("/wire_mm", s.WireMM, wireRange)
	c.some("/mean_diameter_mm", s.MeanMM, meanRange)
	c.some("/active_coils", s.ActiveCoils, coilRange)
	c.some("/total_coils", s.TotalCoils, coilRange)
	c.some("/sleeve_mm", s.SleeveMM, sleeveRange)
	c.some("/shear_mpa", s.ShearMPa, shearRange)
	c.short("/material", s.Material)
	if s.Ends != "" {
		c.word("/ends", string(s.Ends), "plain", "plain_ground", "squared", "squared_ground")
	}
	if s.SKU != "" {
		return // the figures are the catalog's
	}
	if s.RateNPerMM == 0 && (s.WireMM == 0 || s.MeanMM == 0 || s.ActiveCoils == 0) {
		c.wrong("/rate_n_per_mm", "required", "Give the rate, or wire, mean diameter and active coils from which it follows.")
	}
	if s.SolidMM > 0 && s.FreeLengthMM > 0 && s.SolidMM >= s.FreeLengthMM {
		c.wrong("/solid_length_mm", "contradiction", "A spring is shorter when solid than when free.")
	}
}

func (c *checking) preloads(list string, all []GivenPreload) {
	if len(all) > mostPreloads {
		c.Add(strings.TrimSuffix(list, "/"), "too_many", "At most %d preload settings are compared at once.", mostPreloads)
		return
	}
	for i := range all {
		c.item(list, i)
		c.preload("", &all[i])
		if (all[i].MM == nil) != (all[0].MM == nil) || (all[i].CavityMM == nil) != (all[0].CavityMM == nil) {
			c.wrong("", "mixed", "Say every preload in the same way: as a length, as a cavity, or as a force.")
		}
	}
	c.none()
}

func (c *checking) preload(at string, p *GivenPreload) {
	n := 0
	for _, v := range [...]*float64{p.MM, p.CavityMM, p.ForceN} {
		if v != nil {
			n++
		}
	}
	switch {
	case n != 1:
		c.wrong(at, "one_of", "Say a preload as exactly one of mm, cavity_mm and force_n.")
	case p.MM != nil:
		c.opt(at+"/mm", p.MM, preloadRange)
	case p.CavityMM != nil:
		c.opt(at+"/cavity_mm", p.CavityMM, lengthRange)
	default:
		c.opt(at+"/force_n", p.ForceN, preloadForces)
	}
}

func (c *checking) bumpStop(at string, b *GivenBumpStop) {
	c.some(at+"contact_mm", b.ContactMM, travelRange)
	c.some(at+"contact_share", b.ContactShare, shareOfTravel)
	c.some(at+"body_mm", b.BodyMM, boreRange)
	if b.ContactMM > 0 && b.ContactShare > 0 {
		c.Add(at+"contact_share", "one_of", "Say the contact as a length or as a share of the travel, not both.")
	}
	c.some(at+"bore_mm", b.BoreMM, boreRange)
	c.some(at+"area_mm2", b.AreaMM2, areaRange)
	c.some(at+"volume_ml", b.VolumeML, volumeRange)
	c.some(at+"pressure_max_kpa", b.MaxKPa, pressureRange)
	c.some(at+"peak_max_kpa", b.PeakMaxKPa, peakRange)
	c.some(at+"ratio_max", b.RatioMax, ratioRange)
	c.opt(at+"wanted_end_force_n", b.WantedEndForce, endForceRange)
	if len(b.GaugesKPa) > mostSettings {
		c.Add(at+"gauges_kpa", "too_many", "At most %d settings are compared at once.", mostSettings)
		return
	}
	for i, g := range b.GaugesKPa {
		c.item("/hardware/bump_stop/gauges_kpa/", i)
		c.num("", g, pressureRange)
	}
	c.none()
	switch isTable := len(b.DeflectionsMM)+len(b.ForcesN) > 0; {
	case isTable:
		c.table(at, b)
	case (b.BoreMM > 0) == (b.AreaMM2 > 0):
		c.Add(at+"bore_mm", "one_of", "Say the piston as a bore or as an area.")
	case b.VolumeML == 0:
		c.num(at+"volume_ml", b.VolumeML, volumeRange)
	}
}

func (c *checking) table(at string, b *GivenBumpStop) {
	if len(b.DeflectionsMM) > mostTablePoints {
		c.Add(at+"table", "too_many", "At most %d points.", mostTablePoints)
		return
	}
	for i := range b.DeflectionsMM {
		c.item("/hardware/bump_stop/table/", i)
		c.num("/deflection_mm", b.DeflectionsMM[i], deflections)
		c.num("/force_n", b.ForcesN[i], tableForces)
	}
	c.none()
	if _, s := spring.NewBumper(0, b.DeflectionsMM, b.ForcesN); s != spring.OK {
		c.Add(at+"table", "bad_table", "A table has two points or more, and deflection and force both rise from point to point.")
	}
}

func (c *checking) air(at string, a *GivenAir) {
	c.num(at+"piston_area_mm2", a.PistonMM2, areaRange)
	c.num(at+"volume_ml", a.VolumeML, volumeRange)
	c.some(at+"negative_area_mm2", a.NegativeMM2, areaRange)
	c.some(at+"negative_volume_ml", a.NegativeML, volumeRange)
	c.some(at+"equalize_mm", a.EqualizeMM, within{0, 100, "mm"})
	c.some(at+"spacer_ml", a.SpacerML, volumeRange)
	c.some(at+"pressure_min_kpa", a.MinKPa, pressureRange)
	c.some(at+"pressure_max_kpa", a.MaxKPa, pressureRange)
	c.opt(at+"gauge_kpa", a.GaugeKPa, pressureRange)
	if (a.NegativeMM2 > 0) != (a.NegativeML > 0) {
		c.Add(at+"negative_volume_ml", "one_of", "A negative chamber has an area and a volume; one of the two is missing.")
	}
	if a.SpacersMax < 0 || a.SpacersMax > mostSpacers || a.Spacers != nil && (*a.Spacers < 0 || *a.Spacers > mostSpacers) {
		c.Add(at+"spacers", "out_of_range", "0 to %d spacers.", mostSpacers)
	}
}

func (c *checking) measured(q *Question) {
	const at = "/measured/"
	m := q.Measured
	c.word(at+"how", m.How, Eased, Bounced, Both)
	switch {
	case q.Hardware != nil && q.Hardware.Air != nil || m.GaugeKPa != nil:
		c.measuredAir(q)
	case (m.Spring == "") == (m.RateN == 0):
		c.Add(at+"spring", "one_of", "Say the spring that was in the fork, by its SKU or by its rate.")
	}
	c.some(at+"rate_n_per_mm", m.RateN, rateRange)
	if m.Preload != nil {
		c.preload(at+"preload", m.Preload)
	}
	c.opt(at+"bump_stop_kpa", m.BumpKPa, pressureRange)
	c.opt(at+"gauge_kpa", m.GaugeKPa, pressureRange)
	if m.Spacers != nil && (*m.Spacers < 0 || *m.Spacers > mostSpacers) {
		c.Add(at+"spacers", "out_of_range", "0 to %d spacers.", mostSpacers)
	}
	if m.Setting < 0 || m.Setting > mostPreloads {
		c.Add(at+"setting", "out_of_range", "setting is the number of a preload setting, from 1 to %d.", mostPreloads)
	}
	c.some(at+"eased_mm", m.EasedMM, sagReading)
	c.some(at+"bounced_mm", m.BouncedMM, sagReading)
	c.some(at+"sag_mm", m.SagMM, sagReading)
	if m.How == Both && (m.EasedMM != 0 || m.BouncedMM != 0) {
		if m.BouncedMM < m.EasedMM {
			c.Add(at+"bounced_mm", "contradiction", "After a bounce the fork rests deeper than with the weight eased on; exchange the two readings.")
		}
		return
	}
	if m.SagMM == 0 {
		c.num(at+"sag_mm", m.SagMM, sagReading)
	}
}

// measuredAir: an air spring is known by its pressure, and a coil plays no part.
func (c *checking) measuredAir(q *Question) {
	const at = "/measured/"
	m := q.Measured
	if m.GaugeKPa == nil {
		c.Add(at+"gauge_kpa", "required", "Say the pressure at which the sag was read, at full extension.")
	}
	if m.Spring != "" || m.RateN != 0 || m.Preload != nil || m.Setting != 0 || m.BumpKPa != nil {
		c.Add("/measured", "contradiction", "An air spring has neither coil nor preload; give its pressure and volume spacers only.")
	}
}

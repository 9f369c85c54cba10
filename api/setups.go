package api

import (
	"context"
	"math"
	"strconv"

	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/notice"
	"forkwright/service/setup"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// ---- POST /v1/setups: the question ----------------------------------------------------------

type setupIn struct {
	askIn
	Media string    `accept:""`
	Body  setupBody `body:""`
}

// setupBody mirrors setup.Question. Each quantity may be given as its SI member or, under the
// name without the unit, as value and unit.
type setupBody struct {
	CatalogRevision revisionNumber `json:"catalog_revision"`
	Fork            *forkIn        `json:"fork"`
	Cartridge       string         `json:"cartridge"`
	Damper          string         `json:"damper"`
	Rider           riderIn        `json:"rider"`
	Bicycle         bicycleIn      `json:"bicycle"`
	Riding          ridingIn       `json:"riding"`
	SagPercent      *float64       `json:"target_sag_percent"`
	Tolerance       *float64       `json:"tolerance_points"`
	Load            loadIn         `json:"load"`
	Hardware        *hardwareIn    `json:"hardware"`
	Conditions      conditionsIn   `json:"conditions"`
	Measured        *measuredIn    `json:"measured"`
	WhatIf          *whatIfIn      `json:"what_if"`
	DampingNSPerM   *float64       `json:"damping_n_s_per_m"`
	WithCurve       bool           `json:"with_curve"`
	CurvePoints     int            `json:"curve_points"`
	WithCandidates  allCandidates  `json:"candidates"`
}

// allCandidates chooses how many of the candidates are shown: the best 20, or all.
type allCandidates string

type bicycleIn struct {
	Mass   *unit.Quantity `json:"mass"`
	MassKG *float64       `json:"mass_kg"`
	Frame  frameIn        `json:"frame"`
}

type frameIn struct {
	ChainstayMM  float64 `json:"chainstay_mm"`
	WheelbaseMM  float64 `json:"wheelbase_mm"`
	GripAheadMM  float64 `json:"grip_ahead_mm"`
	HeadAngleDeg float64 `json:"head_angle_deg"`
}

type ridingIn struct {
	Discipline string `json:"discipline"`
	Stance     string `json:"stance"`
}

type loadIn struct {
	FrontShareRider   *float64 `json:"front_share_rider"`
	FrontShareBicycle *float64 `json:"front_share_bicycle"`
	UnsprungKG        *float64 `json:"unsprung_kg"`
	LowerLegAirN      *float64 `json:"lower_leg_air_n"`
	HandShare         *float64 `json:"hand_share"`
	FrictionN         *float64 `json:"friction_n"`
	AxialN            *float64 `json:"axial_n"`
}

type conditionsIn struct {
	AltitudeM       *float64       `json:"altitude_m"`
	Temperature     *unit.Quantity `json:"temperature"`
	TemperatureC    *float64       `json:"temperature_c"`
	SetAltitudeM    *float64       `json:"set_altitude_m"`
	SetTemperature  *unit.Quantity `json:"set_temperature"`
	SetTemperatureC *float64       `json:"set_temperature_c"`
	ClosedAltitudeM *float64       `json:"closed_altitude_m"`
}

type hardwareIn struct {
	Travel   *unit.Quantity  `json:"travel"`
	TravelMM *float64        `json:"travel_mm"`
	Springs  []givenSpringIn `json:"springs"`
	Preloads []preloadIn     `json:"preloads"`
	BumpStop *givenBumpIn    `json:"bump_stop"`
	NoBump   bool            `json:"no_bump_stop"`
	Air      *givenAirIn     `json:"air"`
	Legs     *givenLegsIn    `json:"legs"`
	BoreMM   float64         `json:"bore_mm"`
	ShaftMM  float64         `json:"shaft_mm"`
	Exponent *float64        `json:"exponent"`
}

type givenSpringIn struct {
	SKU          string         `json:"sku"`
	Rate         *unit.Quantity `json:"rate"`
	RateNPerMM   *float64       `json:"rate_n_per_mm"`
	FreeLength   *unit.Quantity `json:"free_length"`
	FreeLengthMM *float64       `json:"free_length_mm"`
	SolidMM      float64        `json:"solid_length_mm"`
	GapSumMM     float64        `json:"gap_sum_mm"`
	Wire         *unit.Quantity `json:"wire"`
	WireMM       *float64       `json:"wire_mm"`
	Mean         *unit.Quantity `json:"mean_diameter"`
	MeanMM       *float64       `json:"mean_diameter_mm"`
	ActiveCoils  float64        `json:"active_coils"`
	TotalCoils   float64        `json:"total_coils"`
	Ends         string         `json:"ends"`
	SleeveMM     float64        `json:"sleeve_mm"`
	Material     string         `json:"material"`
	ShearMPa     float64        `json:"shear_mpa"`
}

type preloadIn struct {
	MM       *float64       `json:"mm"`
	CavityMM *float64       `json:"cavity_mm"`
	ForceN   *float64       `json:"force_n"`
	Length   *unit.Quantity `json:"length"`
	Cavity   *unit.Quantity `json:"cavity"`
	Force    *unit.Quantity `json:"force"`
}

type givenBumpIn struct {
	BoreMM         float64         `json:"bore_mm"`
	AreaMM2        float64         `json:"area_mm2"`
	Volume         *unit.Quantity  `json:"volume"`
	VolumeML       *float64        `json:"volume_ml"`
	ContactMM      float64         `json:"contact_mm"`
	ContactShare   float64         `json:"contact_share"`
	Gauges         []unit.Quantity `json:"gauges"`
	GaugesKPa      []float64       `json:"gauges_kpa"`
	PressureMax    *unit.Quantity  `json:"pressure_max"`
	MaxKPa         *float64        `json:"pressure_max_kpa"`
	PeakMax        *unit.Quantity  `json:"peak_max"`
	PeakMaxKPa     *float64        `json:"peak_max_kpa"`
	RatioMax       float64         `json:"ratio_max"`
	BodyMM         float64         `json:"body_mm"`
	Table          []tablePointIn  `json:"table"`
	WantedEndForce *float64        `json:"wanted_end_force_n"`
}

type tablePointIn struct {
	DeflectionMM float64 `json:"deflection_mm"`
	ForceN       float64 `json:"force_n"`
}

type givenAirIn struct {
	PistonMM2   float64        `json:"piston_area_mm2"`
	VolumeML    float64        `json:"volume_ml"`
	NegativeMM2 float64        `json:"negative_area_mm2"`
	NegativeML  float64        `json:"negative_volume_ml"`
	EqualizeMM  float64        `json:"equalize_mm"`
	SpacerML    float64        `json:"spacer_ml"`
	SpacersMax  int            `json:"spacers_max"`
	PressureMin *unit.Quantity `json:"pressure_min"`
	MinKPa      *float64       `json:"pressure_min_kpa"`
	PressureMax *unit.Quantity `json:"pressure_max"`
	MaxKPa      *float64       `json:"pressure_max_kpa"`
	Gauge       *unit.Quantity `json:"gauge"`
	GaugeKPa    *float64       `json:"gauge_kpa"`
	Spacers     *int           `json:"spacers"`
}

type givenLegsIn struct {
	Legs         int     `json:"legs"`
	StanchionMM  float64 `json:"stanchion_mm"`
	FreePerLegML float64 `json:"free_per_leg_ml"`
	OilPerLegML  float64 `json:"oil_per_leg_ml"`
}

type measuredIn struct {
	Spring    string         `json:"spring"`
	Rate      *unit.Quantity `json:"rate"`
	RateN     *float64       `json:"rate_n_per_mm"`
	Setting   int            `json:"setting"`
	Preload   *preloadIn     `json:"preload"`
	Bump      *unit.Quantity `json:"bump_stop"`
	BumpKPa   *float64       `json:"bump_stop_kpa"`
	Gauge     *unit.Quantity `json:"gauge"`
	GaugeKPa  *float64       `json:"gauge_kpa"`
	Spacers   *int           `json:"spacers"`
	Sag       *unit.Quantity `json:"sag"`
	SagMM     *float64       `json:"sag_mm"`
	EasedMM   float64        `json:"eased_mm"`
	BouncedMM float64        `json:"bounced_mm"`
	How       string         `json:"how"`
}

// setupReader turns a body into a question, keeping where each SI member really came from.
type setupReader struct {
	a      *asking
	wrong  fault.Fields
	places map[string]string // SI pointer -> the pointer that was given
}

// take is a quantity given in either form; 0 and nil when in neither.
func (r *setupReader) take(at, name string, q *unit.Quantity, si string, v *float64, dim unit.Dimension) *float64 {
	if q != nil {
		r.places[at+"/"+si] = at + "/" + name
	}
	return oneQuantity(&r.wrong, at, name, q, si, v, dim)
}

func (r *setupReader) number(at, name string, q *unit.Quantity, si string, v *float64, dim unit.Dimension) float64 {
	if x := r.take(at, name, q, si, v, dim); x != nil {
		return *x
	}
	return 0
}

func (r *setupReader) question(in *setupBody) (setup.Question, error) {
	q := setup.Question{
		Damper: in.Damper, Discipline: in.Riding.Discipline, Stance: in.Riding.Stance, SagPercent: in.SagPercent, Tolerance: in.Tolerance,
		Load: setup.Overrides(in.Load), DampingNSPerM: in.DampingNSPerM, WithCurve: in.WithCurve, CurvePoints: in.CurvePoints,
	}
	if in.Fork != nil {
		o, err := r.a.owned("/fork", in.Fork)
		if err != nil {
			return q, err
		}
		q.Owned = o
	}
	if in.Damper != "" {
		if _, ok := r.a.rev.Damper(in.Damper); !ok {
			r.wrong.Add("/damper", "unknown_damper", "There is no damper %q; GET /v1/forks/{fork_id} lists those of a fork.", printable(in.Damper))
		}
	}
	oneOf(&r.wrong, "/candidates", "candidates", string(in.WithCandidates), []string{"best", "all"})
	var err error
	if q.Cartridge, err = r.a.skuOf("/cartridge", in.Cartridge, &r.wrong); err != nil {
		return q, err
	}
	q.Rider = setup.Rider{MassIs: in.Rider.MassIs, MassKG: r.number("/rider", "mass", in.Rider.Mass, "mass_kg", in.Rider.MassKG, unit.Mass),
		GearKG: r.take("/rider", "gear", in.Rider.Gear, "gear_kg", in.Rider.GearKG, unit.Mass)}
	q.Bicycle = setup.Bicycle{MassKG: r.number("/bicycle", "mass", in.Bicycle.Mass, "mass_kg", in.Bicycle.MassKG, unit.Mass), Frame: setup.Frame(in.Bicycle.Frame)}
	c := &in.Conditions
	q.Conditions = setup.Conditions{AltitudeM: c.AltitudeM, SetAltitudeM: c.SetAltitudeM, ClosedAltitudeM: c.ClosedAltitudeM,
		TemperatureC:    r.take("/conditions", "temperature", c.Temperature, "temperature_c", c.TemperatureC, unit.Temperature),
		SetTemperatureC: r.take("/conditions", "set_temperature", c.SetTemperature, "set_temperature_c", c.SetTemperatureC, unit.Temperature)}
	if in.Hardware != nil {
		if q.Hardware, err = r.hardware(in.Hardware); err != nil {
			return q, err
		}
	}
	if in.Measured != nil {
		if q.Measured, err = r.measured(in.Measured); err != nil {
			return q, err
		}
	}
	if in.WhatIf != nil {
		x := setup.WhatIf(*in.WhatIf)
		q.WhatIf = &x
	}
	return q, r.wrong.Err()
}

func (r *setupReader) hardware(in *hardwareIn) (*setup.Hardware, error) {
	const at = "/hardware"
	h := &setup.Hardware{TravelMM: r.number(at, "travel", in.Travel, "travel_mm", in.TravelMM, unit.Length), NoBump: in.NoBump,
		BoreMM: in.BoreMM, ShaftMM: in.ShaftMM, Exponent: in.Exponent, Springs: make([]setup.GivenSpring, 0, len(in.Springs))}
	for i := range in.Springs {
		s, err := r.spring(at+"/springs/"+strconv.Itoa(i), &in.Springs[i])
		if err != nil {
			return nil, err
		}
		h.Springs = append(h.Springs, s)
	}
	for i := range in.Preloads {
		h.Preloads = append(h.Preloads, *r.preload(at+"/preloads/"+strconv.Itoa(i), &in.Preloads[i]))
	}
	if in.BumpStop != nil {
		h.BumpStop = r.bumpStop(at+"/bump_stop", in.BumpStop)
	}
	if x := in.Air; x != nil {
		at := at + "/air"
		h.Air = &setup.GivenAir{PistonMM2: x.PistonMM2, VolumeML: x.VolumeML, NegativeMM2: x.NegativeMM2, NegativeML: x.NegativeML, EqualizeMM: x.EqualizeMM,
			SpacerML: x.SpacerML, SpacersMax: x.SpacersMax, Spacers: x.Spacers,
			MinKPa:   r.number(at, "pressure_min", x.PressureMin, "pressure_min_kpa", x.MinKPa, unit.Pressure),
			MaxKPa:   r.number(at, "pressure_max", x.PressureMax, "pressure_max_kpa", x.MaxKPa, unit.Pressure),
			GaugeKPa: r.take(at, "gauge", x.Gauge, "gauge_kpa", x.GaugeKPa, unit.Pressure)}
	}
	if in.Legs != nil {
		legs := setup.GivenLegs(*in.Legs)
		h.Legs = &legs
	}
	return h, nil
}

func (r *setupReader) spring(at string, in *givenSpringIn) (setup.GivenSpring, error) {
	sku, err := r.a.skuOf(at+"/sku", in.SKU, &r.wrong)
	return setup.GivenSpring{
		SKU:          sku,
		RateNPerMM:   r.number(at, "rate", in.Rate, "rate_n_per_mm", in.RateNPerMM, unit.Rate),
		FreeLengthMM: r.number(at, "free_length", in.FreeLength, "free_length_mm", in.FreeLengthMM, unit.Length),
		WireMM:       r.number(at, "wire", in.Wire, "wire_mm", in.WireMM, unit.Length),
		MeanMM:       r.number(at, "mean_diameter", in.Mean, "mean_diameter_mm", in.MeanMM, unit.Length),
		SolidMM:      in.SolidMM, GapSumMM: in.GapSumMM, ActiveCoils: in.ActiveCoils, TotalCoils: in.TotalCoils, Ends: spring.Ends(in.Ends),
		SleeveMM: in.SleeveMM, Material: in.Material, ShearMPa: in.ShearMPa,
	}, err
}

func (r *setupReader) preload(at string, in *preloadIn) *setup.GivenPreload {
	return &setup.GivenPreload{
		MM:       r.take(at, "length", in.Length, "mm", in.MM, unit.Length),
		CavityMM: r.take(at, "cavity", in.Cavity, "cavity_mm", in.CavityMM, unit.Length),
		ForceN:   r.take(at, "force", in.Force, "force_n", in.ForceN, unit.Force),
	}
}

func (r *setupReader) bumpStop(at string, in *givenBumpIn) *setup.GivenBumpStop {
	b := &setup.GivenBumpStop{
		BoreMM: in.BoreMM, AreaMM2: in.AreaMM2, ContactMM: in.ContactMM, ContactShare: in.ContactShare, RatioMax: in.RatioMax, BodyMM: in.BodyMM,
		GaugesKPa: in.GaugesKPa, WantedEndForce: in.WantedEndForce,
		VolumeML:   r.number(at, "volume", in.Volume, "volume_ml", in.VolumeML, unit.Volume),
		MaxKPa:     r.number(at, "pressure_max", in.PressureMax, "pressure_max_kpa", in.MaxKPa, unit.Pressure),
		PeakMaxKPa: r.number(at, "peak_max", in.PeakMax, "peak_max_kpa", in.PeakMaxKPa, unit.Pressure),
	}
	if len(in.Gauges) > 0 && len(in.GaugesKPa) > 0 {
		r.wrong.Add(at+"/gauges", "given_twice", "Give gauges or gauges_kpa, not both.")
	}
	for i := range in.Gauges {
		si := "gauges_kpa/" + strconv.Itoa(i)
		if x := r.take(at, "gauges/"+strconv.Itoa(i), &in.Gauges[i], si, nil, unit.Pressure); x != nil {
			b.GaugesKPa = append(b.GaugesKPa, *x)
		}
	}
	for _, p := range in.Table {
		b.DeflectionsMM, b.ForcesN = append(b.DeflectionsMM, p.DeflectionMM), append(b.ForcesN, p.ForceN)
	}
	return b
}

func (r *setupReader) measured(in *measuredIn) (*setup.Measured, error) {
	const at = "/measured"
	sku, err := r.a.skuOf(at+"/spring", in.Spring, &r.wrong)
	m := &setup.Measured{Spring: sku, Setting: in.Setting, EasedMM: in.EasedMM, BouncedMM: in.BouncedMM, How: in.How,
		RateN:    r.number(at, "rate", in.Rate, "rate_n_per_mm", in.RateN, unit.Rate),
		GaugeKPa: r.take(at, "gauge", in.Gauge, "gauge_kpa", in.GaugeKPa, unit.Pressure), Spacers: in.Spacers,
		BumpKPa: r.take(at, "bump_stop", in.Bump, "bump_stop_kpa", in.BumpKPa, unit.Pressure),
		SagMM:   r.number(at, "sag", in.Sag, "sag_mm", in.SagMM, unit.Length)}
	if in.Preload != nil {
		m.Preload = r.preload(at+"/preload", in.Preload)
	}
	return m, err
}

// recommendSetup works out cartridge, spring, preload, bump stop and clicks for a rider. That
// nothing suits is an answer too: it says by how much, and what comes nearest.
func (s *Server) recommendSetup(ctx context.Context, who caller.Caller, in setupIn) (answered[setupOut], error) {
	var none answered[setupOut]
	a, err := s.ask(ctx, who, in.askIn, int64(in.Body.CatalogRevision))
	if err != nil {
		return none, err
	}
	r := setupReader{a: a, places: map[string]string{"/fork_id": "/fork/fork_id"}}
	q, err := r.question(&in.Body)
	if err != nil {
		return none, renamed(err, r.places)
	}
	q.WithCurve = q.WithCurve || in.Media == mediaSVG
	got, err := setup.Recommend(a.rev, q)
	if err != nil {
		return none, renamed(err, r.places)
	}
	decision := a.setupDecision(&q, &got)
	if in.Media == mediaSVG {
		picture, err := a.setupChart(&got, decision)
		none.Instead = &picture
		return none, err
	}
	out := answerTo(a, a.setupOut(&q, &got, in.Body.WithCandidates == "all"))
	out.Decision, out.CacheControl = decision.String(), "private, no-store"
	return out, nil
}

// setupDecision: a refusal blocks, a question asks, and the notices on fork, cartridge and
// spring count.
func (a *asking) setupDecision(q *setup.Question, got *setup.Answer) fitment.Decision {
	d := fitment.OK
	switch {
	case got.Question != nil || got.Status == setup.NotSettled:
		d = fitment.Ask
	case got.Status != setup.OK:
		d = fitment.Block
	}
	if q.Owned != nil && q.Owned.Fork != nil {
		d = a.decide(d, forkSubject(q.Owned.Fork, q.Owned.Serial))
	}
	if got.Fit != nil {
		d = max(d, a.decide(d, subject(got.Fit, q.Owned)))
	}
	skus := []string{got.Cartridge}
	if got.Recommended != nil {
		skus = append(skus, got.Recommended.Spring.SKU)
	}
	for _, sku := range skus {
		if sku != "" {
			d = max(d, a.decide(d, notice.Subject{SKU: sku}))
		}
	}
	return max(d, a.decide(d, notice.Subject{}))
}

// ---- POST /v1/setups: the answer ------------------------------------------------------------

type setupOut struct {
	Fork         *forkBrief        `json:"fork,omitempty"`
	Cartridge    string            `json:"cartridge,omitempty"`
	Name         string            `json:"cartridge_name,omitempty"`
	Kind         string            `json:"kind,omitempty"` // coil|air
	TravelMM     float64           `json:"travel_mm,omitempty"`
	Status       string            `json:"status"`
	Text         string            `json:"text,omitempty"`
	Refusal      *refusalOut       `json:"refusal,omitempty"`
	Fit          *verdictOut       `json:"fit,omitempty"`
	Question     *problemQuestion  `json:"question,omitempty"`
	Target       targetOut         `json:"target"`
	Load         setupLoadOut      `json:"load"`
	Needed       *neededOut        `json:"needed,omitempty"`
	WayToErr     string            `json:"way_to_err"`
	WayToErrText string            `json:"way_to_err_text"`
	Recommended  *oneSetupOut      `json:"recommended,omitempty"`
	Nearest      *oneSetupOut      `json:"nearest,omitempty"`
	Neighbor     *neighborOut      `json:"neighbor,omitempty"`
	Trim         []changeOut       `json:"trim"`
	Evaluated    int               `json:"evaluated"`
	Candidates   []candidateOut    `json:"candidates"`
	Measured     *fromMeasuredOut  `json:"measured,omitempty"`
	WhatIf       *whatIfOut        `json:"what_if,omitempty"` // no part of the recommendation
	MassChart    *massChartOut     `json:"mass_chart,omitempty"`
	Clicks       []clickOut        `json:"clicks"`
	Air          *airSetupOut      `json:"air,omitempty"`
	Curves       []curveOut        `json:"curves,omitempty"`
	Engineering  map[string]any    `json:"engineering,omitempty"` // trade only
	Cautions     []cautionOut      `json:"cautions"`
	Alternatives []setupAlternates `json:"alternatives"`
}

type refusalOut struct {
	Code string   `json:"code"`
	Text string   `json:"text"`
	By   *float64 `json:"by,omitempty"`
	Unit string   `json:"unit,omitempty"`
	Have *float64 `json:"have,omitempty"`
	Want *float64 `json:"want,omitempty"`
}

type targetOut struct {
	Percent         float64  `json:"percent"`
	MM              float64  `json:"mm"`
	TolerancePoints float64  `json:"tolerance_points"`
	Provenance      string   `json:"provenance"`
	Source          string   `json:"source,omitempty"` // trade only
	Display         displays `json:"display,omitempty"`
}

type setupLoadOut struct {
	Terms        []termOut `json:"terms"`
	AxialN       float64   `json:"axial_n"`
	AxialLowN    float64   `json:"axial_low_n"`
	AxialHighN   float64   `json:"axial_high_n"`
	SpringN      float64   `json:"spring_n"`
	SpringLowN   float64   `json:"spring_low_n"`
	SpringHighN  float64   `json:"spring_high_n"`
	LowerLegAirN float64   `json:"lower_leg_air_n"`
	FrictionN    float64   `json:"friction_n"`
	Measured     bool      `json:"measured"`
}

// termOut is a figure that the load stands on, and where it comes from.
type termOut struct {
	Name       string  `json:"name"`
	Value      float64 `json:"value"`
	Low        float64 `json:"low"`
	High       float64 `json:"high"`
	Unit       string  `json:"unit"`
	Provenance string  `json:"provenance"`
	Source     string  `json:"source,omitempty"` // trade only
}

type neededOut struct {
	RateNPerMM float64  `json:"rate_n_per_mm"`
	LowNPerMM  float64  `json:"low_n_per_mm"`
	HighNPerMM float64  `json:"high_n_per_mm"`
	PreloadMM  float64  `json:"preload_mm"`
	Status     string   `json:"status"`
	Display    displays `json:"display,omitempty"`
}

type setupSpringOut struct {
	SKU        string         `json:"sku,omitempty"`
	Name       string         `json:"name,omitempty"`
	RateNPerMM float64        `json:"rate_n_per_mm"`
	Published  *unit.Quantity `json:"published_rate,omitempty"`
	Display    displays       `json:"display,omitempty"`
}

type setupPreloadOut struct {
	Setting  int      `json:"setting"`
	MM       float64  `json:"mm"`
	ForceN   *float64 `json:"force_n,omitempty"`
	CavityMM *float64 `json:"cavity_mm,omitempty"`
	Spacers  int      `json:"spacers"`
	Spacer   string   `json:"spacer,omitempty"`
}

type sagOut struct {
	MM          float64  `json:"mm"`
	LowMM       float64  `json:"low_mm"`
	HighMM      float64  `json:"high_mm"`
	Percent     float64  `json:"percent"`
	LowPercent  float64  `json:"low_percent"`
	HighPercent float64  `json:"high_percent"`
	Display     displays `json:"display,omitempty"`
}

type oneSetupOut struct {
	Spring   setupSpringOut  `json:"spring"`
	Preload  setupPreloadOut `json:"preload"`
	Sag      sagOut          `json:"sag"`
	BumpStop *bumpOut        `json:"bump_stop,omitempty"`
	Bind     *bindOut        `json:"bind,omitempty"`
	StartN   float64         `json:"start_n"`
	EndN     float64         `json:"end_n"`
	EndLowN  float64         `json:"end_low_n"`
	EndHighN float64         `json:"end_high_n"`
	EnergyJ  float64         `json:"energy_j"`
	Elements []elementOut    `json:"elements"`
	Reason   string          `json:"reason,omitempty"`
}

type bumpOut struct {
	SKU             string         `json:"sku,omitempty"`
	Medium          string         `json:"medium"`
	ContactMM       float64        `json:"contact_mm"`
	SetKPa          float64        `json:"set_kpa"`
	Published       *unit.Quantity `json:"published,omitempty"`
	MaxKPa          *float64       `json:"max_kpa,omitempty"`
	MaxState        string         `json:"max_state"` // known|not_in_our_data
	EndN            float64        `json:"end_n"`
	EndSharePercent float64        `json:"end_share_percent"`
	Harsh           bool           `json:"harsh"`
	Unlisted        bool           `json:"unlisted"`
	Rule            string         `json:"rule,omitempty"`
	Start           string         `json:"start,omitempty"`
	AfterHose4MLKPa *float64       `json:"after_hose_4_ml_kpa,omitempty"`
	AfterHose8MLKPa *float64       `json:"after_hose_8_ml_kpa,omitempty"`
	Display         displays       `json:"display,omitempty"`
}

type bindOut struct {
	FreeMM          *float64 `json:"free_mm,omitempty"`
	BlockMM         *float64 `json:"block_mm,omitempty"`
	BindAtMM        *float64 `json:"bind_at_mm,omitempty"`
	MarginMM        *float64 `json:"margin_mm,omitempty"`
	DynamicMarginMM *float64 `json:"dynamic_margin_mm,omitempty"`
	GapsKnown       bool     `json:"gaps_known"`
	Status          string   `json:"status"`
}

type elementOut struct {
	Name   string  `json:"name"`
	FromMM float64 `json:"from_mm"`
	StepN  float64 `json:"step_n"`
	EndN   float64 `json:"end_n"`
}

type neighborOut struct {
	Setup    oneSetupOut `json:"setup"`
	Stiffer  bool        `json:"stiffer"`
	CoinToss bool        `json:"coin_toss"`
	Text     string      `json:"text"`
}

type changeOut struct {
	What      string         `json:"what"`
	Spring    setupSpringOut `json:"spring"`
	PreloadMM float64        `json:"preload_mm"`
	Setting   int            `json:"setting"`
	Sag       sagOut         `json:"sag"`
	DeltaMM   float64        `json:"delta_mm"`
	Reason    string         `json:"reason,omitempty"`
	Text      string         `json:"text,omitempty"`
}

type candidateOut struct {
	Spring     string   `json:"spring,omitempty"`
	RateNPerMM float64  `json:"rate_n_per_mm"`
	Setting    int      `json:"setting"`
	PreloadMM  float64  `json:"preload_mm"`
	BumpKPa    float64  `json:"bump_stop_kpa"`
	SagMM      *float64 `json:"sag_mm,omitempty"`
	SagLowMM   *float64 `json:"sag_low_mm,omitempty"`
	SagHighMM  *float64 `json:"sag_high_mm,omitempty"`
	EndN       *float64 `json:"end_n,omitempty"`
	MarginMM   *float64 `json:"margin_mm,omitempty"`
	GoodEnough bool     `json:"good_enough"`
	Rejected   bool     `json:"rejected"` // must not be ridden
	Reason     string   `json:"reason,omitempty"`
}

type fromMeasuredOut struct {
	Spring            setupSpringOut `json:"spring"`
	PreloadMM         float64        `json:"preload_mm"`
	SagMM             float64        `json:"sag_mm"`
	How               string         `json:"how"`
	SpringN           float64        `json:"spring_n"`
	LowN              float64        `json:"low_n"`
	HighN             float64        `json:"high_n"`
	FrictionN         float64        `json:"friction_n"`
	EstimateN         *float64       `json:"estimate_n,omitempty"`
	DifferenceN       *float64       `json:"difference_n,omitempty"`
	ImpliedRiderShare *float64       `json:"implied_rider_share,omitempty"`
	ShareStatus       string         `json:"share_status,omitempty"`
	Changes           []changeOut    `json:"changes"`
	Text              string         `json:"text,omitempty"`
}

type massChartOut struct {
	State       string         `json:"state"` // known|not_in_our_data
	RateNPerMM  *float64       `json:"rate_n_per_mm,omitempty"`
	Published   *unit.Quantity `json:"published_rate,omitempty"`
	MassFromKG  float64        `json:"mass_from_kg,omitempty"`
	MassToKG    float64        `json:"mass_to_kg,omitempty"`
	MassIs      string         `json:"mass_is,omitempty"`
	Difference  *float64       `json:"difference_n_per_mm,omitempty"`
	Percent     *float64       `json:"difference_percent,omitempty"`
	InBand      bool           `json:"in_band"`
	Source      string         `json:"source,omitempty"` // trade only
	WhereToLook string         `json:"where_to_look,omitempty"`
}

type clickOut struct {
	Damper      string `json:"damper"`
	Adjuster    string `json:"adjuster"`
	State       string `json:"state"` // known|not_in_our_data
	Clicks      *int   `json:"clicks,omitempty"`
	Of          int    `json:"of,omitempty"`
	Reference   string `json:"reference,omitempty"` // from_closed|from_open
	Status      string `json:"status,omitempty"`
	Source      string `json:"source,omitempty"` // trade only
	WhereToLook string `json:"where_to_look,omitempty"`
}

type airSetupOut struct {
	GaugeKPa        float64        `json:"gauge_kpa"`
	LowKPa          float64        `json:"low_kpa"`
	HighKPa         float64        `json:"high_kpa"`
	MinKPa          float64        `json:"pressure_min_kpa,omitempty"`
	MaxKPa          float64        `json:"pressure_max_kpa,omitempty"`
	Spacers         int            `json:"spacers"`
	SpacersMax      int            `json:"spacers_max"`
	Spacer          string         `json:"spacer,omitempty"`
	Sag             sagOut         `json:"sag"`
	StartN          float64        `json:"start_n"`
	EndN            float64        `json:"end_n"`
	EndSharePercent float64        `json:"end_share_percent"`
	Status          string         `json:"status"`
	Choices         []airChoiceOut `json:"choices"`
	Display         displays       `json:"display,omitempty"`
}

type airChoiceOut struct {
	Spacers         int      `json:"spacers"`
	GaugeKPa        *float64 `json:"gauge_kpa,omitempty"`
	EndN            *float64 `json:"end_n,omitempty"`
	EndSharePercent *float64 `json:"end_share_percent,omitempty"`
	Status          string   `json:"status"`
}

type curveOut struct {
	Name     string     `json:"name"`
	Exponent float64    `json:"exponent"`
	Points   []pointOut `json:"points"`
}

type pointOut struct {
	TravelMM float64 `json:"travel_mm"`
	ForceN   float64 `json:"force_n"`
	EnergyJ  float64 `json:"energy_j"`
}

type setupAlternates struct {
	SKU      string  `json:"sku"`
	Name     string  `json:"name"`
	Kind     string  `json:"kind"`
	Verdict  string  `json:"verdict"`
	TravelMM float64 `json:"travel_mm"`
	Status   string  `json:"status,omitempty"`
}

// short rounds what was computed to what can be measured: three decimals, and 0 for what is
// no number (those members are pointers where that can happen, see given).
func short(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return unit.Round(v, 3)
}

// figureIf is a figure that may be missing: NaN, infinite or zero mean that it is.
func figureIf(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) || v == 0 {
		return nil
	}
	v = unit.Round(v, 3)
	return &v
}

// finite is figureIf, but zero is a figure.
func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	v = unit.Round(v, 3)
	return &v
}

func published(p catalog.Published) *unit.Quantity {
	if !p.Known() {
		return nil
	}
	return &unit.Quantity{Value: p.Value, Unit: p.Unit}
}

// sourced is a source for those who may see it.
func (a *asking) sourced(text string) string {
	if a.view == forPublic {
		return ""
	}
	return text
}

func stateOf(state string) string { return orString(state, known) }

// mostCandidates is how many candidates are shown unless all are asked for.
const mostCandidates = 20

func (a *asking) setupOut(q *setup.Question, got *setup.Answer, all bool) setupOut {
	out := setupOut{
		Cartridge: got.Cartridge, Kind: got.Kind, TravelMM: short(got.TravelMM), Status: string(got.Status), Text: got.Text,
		Question: questionOut(got.Question), Target: a.targetOut(got.Target), Load: a.setupLoad(&got.Load), WayToErr: got.WayToErr, WayToErrText: got.ErrText,
		Evaluated: got.Evaluated, Trim: a.changesOut(got.Trim), MassChart: a.massChartOut(got.MassChart), Air: a.airSetupOut(got.Air),
		Measured: a.fromMeasuredOut(got.Measured), WhatIf: whatIfOf(got.WhatIfs),
	}
	if q.Owned != nil && q.Owned.Fork != nil {
		brief := a.forkBrief(q.Owned.Fork)
		out.Fork = &brief
	}
	if got.Cartridge != "" {
		out.Name = a.partName(got.Cartridge)
	}
	if r := got.Refusal; r != nil {
		out.Refusal = &refusalOut{r.Code, r.Text, figureIf(r.By), r.Unit, figureIf(r.Have), figureIf(r.Want)}
	}
	if got.Fit != nil {
		v := a.verdictOut(got.Fit)
		out.Fit = &v
	}
	if n := got.Needed; n.RateNPerMM > 0 {
		out.Needed = &neededOut{RateNPerMM: short(n.RateNPerMM), LowNPerMM: short(n.LowNPerMM), HighNPerMM: short(n.HighNPerMM), PreloadMM: short(n.PreloadMM), Status: string(n.Status)}
		a.show(&out.Needed.Display, "rate_n_per_mm", n.RateNPerMM, unit.Rate)
	}
	out.Recommended, out.Nearest = a.oneSetupOut(got.Recommended), a.oneSetupOut(got.Nearest)
	if n := got.Neighbor; n != nil {
		out.Neighbor = &neighborOut{*a.oneSetupOut(&n.Setup), n.Stiffer, n.CoinToss, n.Text}
	}
	for i := range got.Candidates {
		if i < mostCandidates || all {
			out.Candidates = append(out.Candidates, candidateOf(got, &got.Candidates[i]))
		}
	}
	for _, c := range got.Clicks {
		out.Clicks = append(out.Clicks, a.clickOut(c))
	}
	for i := range got.Curves {
		out.Curves = append(out.Curves, curveOf(&got.Curves[i]))
	}
	for _, c := range got.Cautions {
		out.Cautions = append(out.Cautions, cautionOut{c.Code, c.Text, c.Reason})
	}
	for _, x := range got.Alternatives {
		out.Alternatives = append(out.Alternatives, setupAlternates{x.SKU, a.partName(x.SKU), x.Kind, x.Verdict.String(), short(x.TravelMM), string(x.Status)})
	}
	if a.view == forTrade {
		out.Engineering = engineeringOf(&got.Engineering)
	}
	return out
}

func (a *asking) targetOut(t setup.Target) targetOut {
	out := targetOut{Percent: short(t.Percent), MM: short(t.MM), TolerancePoints: short(t.TolerancePoints), Provenance: string(t.Provenance), Source: a.sourced(t.Source)}
	a.show(&out.Display, "mm", t.MM, unit.Length)
	return out
}

func (a *asking) setupLoad(l *setup.Load) setupLoadOut {
	out := setupLoadOut{AxialN: short(l.AxialN), AxialLowN: short(l.AxialLowN), AxialHighN: short(l.AxialHighN), SpringN: short(l.SpringN),
		SpringLowN: short(l.SpringLowN), SpringHighN: short(l.SpringHighN), LowerLegAirN: short(l.LegAirN), FrictionN: short(l.FrictionN), Measured: l.Measured}
	for _, t := range l.Terms {
		out.Terms = append(out.Terms, termOut{t.Name, short(t.Value), short(t.Low), short(t.High), t.Unit, string(t.Provenance), a.sourced(t.Source)})
	}
	return out
}

func (a *asking) setupSpringOut(s setup.Spring) setupSpringOut {
	out := setupSpringOut{SKU: s.SKU, RateNPerMM: short(s.RateNPerMM), Published: published(s.Published)}
	if s.SKU != "" {
		out.Name = a.partName(s.SKU)
	}
	a.show(&out.Display, "rate_n_per_mm", s.RateNPerMM, unit.Rate)
	return out
}

func (a *asking) sagOut(s setup.SagFigure) sagOut {
	out := sagOut{MM: short(s.MM), LowMM: short(s.LowMM), HighMM: short(s.HighMM), Percent: short(s.Percent), LowPercent: short(s.LowPercent), HighPercent: short(s.HighPercent)}
	a.show(&out.Display, "mm", s.MM, unit.Length)
	return out
}

func (a *asking) oneSetupOut(s *setup.Setup) *oneSetupOut {
	if s == nil {
		return nil
	}
	out := &oneSetupOut{
		Spring:  a.setupSpringOut(s.Spring),
		Preload: setupPreloadOut{s.Preload.Setting, short(s.PreloadMM), figureIf(s.PreloadN), figureIf(s.Preload.CavityMM), s.Preload.Spacers, s.Preload.Spacer},
		Sag:     a.sagOut(s.Sag), BumpStop: a.bumpOut(s.Bump), StartN: short(s.StartN), EndN: short(s.EndN), EndLowN: short(s.EndLowN), EndHighN: short(s.EndHighN),
		EnergyJ: short(s.Energy.TotalJ), Reason: s.Candidate.Reason.String(),
	}
	if b := s.Bind; b != nil {
		out.Bind = &bindOut{figureIf(b.FreeMM), figureIf(b.BlockMM), figureIf(b.BindAtMM), finite(b.MarginMM), finite(b.DynamicMarginMM), b.GapsKnown, string(b.Status)}
	}
	for _, e := range s.Elements {
		out.Elements = append(out.Elements, elementOut{e.Name, short(e.FromMM), short(e.StepN), short(e.EndN)})
	}
	return out
}

func (a *asking) bumpOut(b *setup.BumpDetail) *bumpOut {
	if b == nil {
		return nil
	}
	out := &bumpOut{SKU: b.SKU, Medium: b.Medium, ContactMM: short(b.ContactMM), SetKPa: short(b.SetKPa), Published: published(b.Published),
		MaxKPa: figureIf(b.MaxKPa), MaxState: known, EndN: short(b.EndN), EndSharePercent: short(b.EndSharePercent), Harsh: b.Harsh, Unlisted: b.Unlisted,
		Rule: b.Rule, Start: b.Start, AfterHose4MLKPa: figureIf(b.AfterHose4MLKPa), AfterHose8MLKPa: figureIf(b.AfterHose8MLKPa)}
	if out.MaxKPa == nil {
		out.MaxState = setup.NotInOurData
	}
	a.show(&out.Display, "set_kpa", b.SetKPa, unit.Pressure)
	return out
}

func (a *asking) changesOut(list []setup.Change) []changeOut {
	out := []changeOut{}
	for _, c := range list {
		out = append(out, changeOut{c.What, a.setupSpringOut(c.Spring), short(c.PreloadMM), c.Preload.Setting, a.sagOut(c.Sag), short(c.DeltaMM), c.Reason.String(), c.Text})
	}
	return out
}

func candidateOf(got *setup.Answer, c *setup.Candidate) candidateOut {
	out := candidateOut{PreloadMM: short(c.PreloadMM), SagMM: figureIf(c.SagMM), SagLowMM: figureIf(c.SagLowMM), SagHighMM: figureIf(c.SagHighMM),
		EndN: figureIf(c.EndN), MarginMM: finite(c.MarginMM), GoodEnough: c.GoodEnough, Rejected: c.Reason.Rejected(), Reason: c.Reason.String()}
	s := got.Springs[c.Spring]
	out.Spring, out.RateNPerMM = s.SKU, short(s.RateNPerMM)
	if int(c.Preload) < len(got.Preloads) {
		out.Setting = got.Preloads[c.Preload].Setting
	}
	if int(c.Bump) < len(got.Bumps) {
		out.BumpKPa = short(got.Bumps[c.Bump].SetKPa)
	}
	return out
}

func (a *asking) fromMeasuredOut(m *setup.FromMeasured) *fromMeasuredOut {
	if m == nil {
		return nil
	}
	return &fromMeasuredOut{Spring: a.setupSpringOut(m.Spring), PreloadMM: short(m.PreloadMM), SagMM: short(m.SagMM), How: m.How, SpringN: short(m.SpringN),
		LowN: short(m.LowN), HighN: short(m.HighN), FrictionN: short(m.FrictionN), EstimateN: figureIf(m.EstimateN), DifferenceN: figureIf(m.DifferenceN),
		ImpliedRiderShare: figureIf(m.ImpliedRiderShare), ShareStatus: string(m.ShareStatus), Changes: a.changesOut(m.Changes), Text: m.Text}
}

func (a *asking) massChartOut(c *setup.ChartFigure) *massChartOut {
	if c == nil {
		return nil
	}
	return &massChartOut{State: stateOf(c.State), RateNPerMM: figureIf(c.RateNPerMM), Published: published(c.Published), MassFromKG: c.MassFromKG, MassToKG: c.MassToKG,
		MassIs: c.MassIs, Difference: figureIf(c.Difference), Percent: figureIf(c.Percent), InBand: c.InBand, Source: a.sourced(c.Source), WhereToLook: c.WhereToLook}
}

func (a *asking) clickOut(c setup.Click) clickOut {
	out := clickOut{Damper: c.Damper, Adjuster: c.Adjuster, State: stateOf(c.State), Of: c.Max, Reference: string(c.Reference),
		Status: string(c.Status), Source: a.sourced(c.Source), WhereToLook: c.WhereToLook}
	if c.State == "" {
		out.Clicks = &c.Clicks
	}
	return out
}

func (a *asking) airSetupOut(x *setup.AirSetup) *airSetupOut {
	if x == nil {
		return nil
	}
	out := &airSetupOut{GaugeKPa: short(x.GaugeKPa), LowKPa: short(x.LowKPa), HighKPa: short(x.HighKPa), MinKPa: short(x.MinKPa), MaxKPa: short(x.MaxKPa),
		Spacers: x.Spacers, SpacersMax: x.SpacersMax, Spacer: x.Spacer, Sag: a.sagOut(x.Sag), StartN: short(x.StartN), EndN: short(x.EndN),
		EndSharePercent: short(x.EndSharePercent), Status: string(x.Status)}
	for _, c := range x.Choices {
		out.Choices = append(out.Choices, airChoiceOut{c.Spacers, figureIf(c.GaugeKPa), figureIf(c.EndN), finite(c.EndSharePercent), string(c.Status)})
	}
	a.show(&out.Display, "gauge_kpa", x.GaugeKPa, unit.Pressure)
	return out
}

func curveOf(s *setup.Series) curveOut {
	out := curveOut{Name: s.Name, Exponent: short(s.Exponent), Points: make([]pointOut, 0, spring.Room(s.Steps))}
	for p := range s.Points() {
		out.Points = append(out.Points, pointOut{short(p.TravelMM), short(p.TotalN), short(s.Curve.Energy(p.TravelMM).TotalJ)})
	}
	return out
}

// engineeringOf keeps the figures that are known; it belongs in no customer's answer.
func engineeringOf(e *setup.Engineering) map[string]any {
	out := map[string]any{}
	for name, v := range map[string]float64{
		"sprung_mass_kg": e.SprungMassKG, "frequency_hz": e.FrequencyHz, "critical_damping_n_s_per_m": e.CriticalDampingNSPerM, "damping_ratio": e.DampingRatio,
		"stress_mpa": e.StressMPa, "corrected_stress_mpa": e.CorrectedStressMPa, "tensile_mpa": e.TensileMPa, "stress_share": e.StressShare,
		"spring_index": e.Index, "rate_from_geometry_n_per_mm": e.RateFromGeometry, "geometry_difference_share": e.GeometryDifference,
		"rate_at_temperature_n_per_mm": e.RateAtTemperature, "surge_hz": e.SurgeHz, "buckles_unguided_at_mm": e.BucklesUnguidedAtMM,
	} {
		if x := figureIf(v); x != nil {
			out[name] = *x
		}
	}
	if e.StressStatus != "" {
		out["stress_status"] = string(e.StressStatus)
	}
	return out
}

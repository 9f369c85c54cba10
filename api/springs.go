package api

import (
	"context"
	"strconv"

	"forkwright/service/caller"
	"forkwright/service/setup"
	"forkwright/service/spring"
	"forkwright/service/unit"
)

// ---- POST /v1/springs/identify --------------------------------------------------------------

type identifyIn struct {
	askIn
	Body identifyBody `body:""`
}

// identifyBody is what is known of a spring that lies on the bench.
type identifyBody struct {
	CatalogRevision revisionNumber `json:"catalog_revision"`
	Mark            string         `json:"mark"`
	Families        []string       `json:"families"`
	Scale           *scaleIn       `json:"scale"`
	Caliper         *caliperIn     `json:"caliper"`
}

type scaleIn struct {
	Load1         *unit.Quantity `json:"load_1"`
	Load1N        *float64       `json:"load_1_n"`
	Length1       *unit.Quantity `json:"length_1"`
	Length1MM     *float64       `json:"length_1_mm"`
	Load2         *unit.Quantity `json:"load_2"`
	Load2N        *float64       `json:"load_2_n"`
	Length2       *unit.Quantity `json:"length_2"`
	Length2MM     *float64       `json:"length_2_mm"`
	LoadErrorN    *float64       `json:"load_error_n"`
	LengthErrorMM *float64       `json:"length_error_mm"`
}

type caliperIn struct {
	Wire         *unit.Quantity `json:"wire"`
	WireMM       *float64       `json:"wire_mm"`
	Mean         *unit.Quantity `json:"mean_diameter"`
	MeanMM       *float64       `json:"mean_diameter_mm"`
	Outer        *unit.Quantity `json:"outer_diameter"`
	OuterMM      *float64       `json:"outer_diameter_mm"`
	FreeLength   *unit.Quantity `json:"free_length"`
	FreeLengthMM *float64       `json:"free_length_mm"`
	ActiveCoils  float64        `json:"active_coils"`
	TotalCoils   float64        `json:"total_coils"`
	Ends         string         `json:"ends"`
	Material     string         `json:"material"`
}

type identifiedOut struct {
	By           string           `json:"by"` // mark|scale|geometry
	RateNPerMM   *float64         `json:"rate_n_per_mm,omitempty"`
	LowNPerMM    *float64         `json:"low_n_per_mm,omitempty"`
	HighNPerMM   *float64         `json:"high_n_per_mm,omitempty"`
	Candidates   []matchOut       `json:"candidates"`
	Separated    bool             `json:"separated"`
	Contradicted bool             `json:"contradicted"`
	Text         string           `json:"text"`
	Question     *problemQuestion `json:"question,omitempty"`
	Display      displays         `json:"display,omitempty"`
}

type matchOut struct {
	Spring     setupSpringOut `json:"spring"`
	Family     string         `json:"family"`
	OffPercent *float64       `json:"off_percent,omitempty"`
}

// springEnds is a closed list, held to at the edge so that a typing error is not
// taken for a spring of unknown ends.
var springEnds = []string{"plain", "plain_ground", "squared", "squared_ground"}

// identifySpring says which springs of the catalog it may be.
func (s *Server) identifySpring(ctx context.Context, who caller.Caller, in identifyIn) (answered[identifiedOut], error) {
	var none answered[identifiedOut]
	a, err := s.ask(ctx, who, in.askIn, int64(in.Body.CatalogRevision))
	if err != nil {
		return none, err
	}
	r := setupReader{a: a, places: map[string]string{}}
	length(&r.wrong, "/mark", in.Body.Mark, 60)
	clues := setup.Clues{Mark: in.Body.Mark, Families: in.Body.Families, Scale: r.scale(in.Body.Scale), Caliper: r.caliper(in.Body.Caliper)}
	for i, family := range clues.Families {
		if len(a.rev.Family(family)) == 0 {
			r.wrong.Add("/families/"+strconv.Itoa(i), "unknown_family", "There is no spring family %q in this catalog.", printable(family))
		}
	}
	if err := r.wrong.Err(); err != nil {
		return none, err
	}
	got, err := setup.IdentifySpring(a.rev, clues)
	if err != nil {
		return none, renamed(err, r.places)
	}
	out := answerTo(a, a.identifiedOut(&got))
	out.CacheControl = "private, no-store"
	return out, nil
}

func (r *setupReader) scale(in *scaleIn) *setup.TwoLoads {
	if in == nil {
		return nil
	}
	const at = "/scale"
	return &setup.TwoLoads{
		Load1N:    r.number(at, "load_1", in.Load1, "load_1_n", in.Load1N, unit.Force),
		Length1MM: r.number(at, "length_1", in.Length1, "length_1_mm", in.Length1MM, unit.Length),
		Load2N:    r.number(at, "load_2", in.Load2, "load_2_n", in.Load2N, unit.Force),
		Length2MM: r.number(at, "length_2", in.Length2, "length_2_mm", in.Length2MM, unit.Length),

		LoadErrorN: in.LoadErrorN, LengthErrorMM: in.LengthErrorMM,
	}
}

func (r *setupReader) caliper(in *caliperIn) *setup.Caliper {
	if in == nil {
		return nil
	}
	const at = "/caliper"
	oneOf(&r.wrong, at+"/ends", "ends", in.Ends, springEnds)
	return &setup.Caliper{
		WireMM:       r.number(at, "wire", in.Wire, "wire_mm", in.WireMM, unit.Length),
		MeanMM:       r.number(at, "mean_diameter", in.Mean, "mean_diameter_mm", in.MeanMM, unit.Length),
		OuterMM:      r.number(at, "outer_diameter", in.Outer, "outer_diameter_mm", in.OuterMM, unit.Length),
		FreeLengthMM: r.number(at, "free_length", in.FreeLength, "free_length_mm", in.FreeLengthMM, unit.Length),
		ActiveCoils:  in.ActiveCoils, TotalCoils: in.TotalCoils, Ends: spring.Ends(in.Ends), Material: in.Material,
	}
}

func (a *asking) identifiedOut(got *setup.Identified) identifiedOut {
	out := identifiedOut{By: got.By, RateNPerMM: figureIf(got.RateNPerMM), LowNPerMM: figureIf(got.LowNPerMM), HighNPerMM: figureIf(got.HighNPerMM),
		Candidates: []matchOut{}, Separated: got.Separated, Contradicted: got.Contradicted, Text: got.Text}
	for _, m := range got.Candidates {
		out.Candidates = append(out.Candidates, matchOut{a.setupSpringOut(m.Spring), m.Family, figureIf(100 * m.OffRate)})
	}
	if out.RateNPerMM != nil {
		a.show(&out.Display, "rate_n_per_mm", got.RateNPerMM, unit.Rate)
	}
	if len(got.Candidates) == 0 {
		a.count("spring_not_found", got.By)
	}
	return out
}

// ---- POST /v1/springs/assess ----------------------------------------------------------------

type assessIn struct {
	askIn
	Body assessBody `body:""`
}

// assessBody is a maker's own spring, to be looked at before it is sold. It is judged by its
// own figures; the catalog plays no part.
type assessBody struct {
	Wire         *unit.Quantity `json:"wire"`
	WireMM       *float64       `json:"wire_mm"`
	Mean         *unit.Quantity `json:"mean_diameter"`
	MeanMM       *float64       `json:"mean_diameter_mm"`
	Outer        *unit.Quantity `json:"outer_diameter"`
	OuterMM      *float64       `json:"outer_diameter_mm"`
	Inner        *unit.Quantity `json:"inner_diameter"`
	InnerMM      *float64       `json:"inner_diameter_mm"`
	FreeLength   *unit.Quantity `json:"free_length"`
	FreeLengthMM *float64       `json:"free_length_mm"`
	Rate         *unit.Quantity `json:"rate"`
	RateNPerMM   *float64       `json:"rate_n_per_mm"`
	ActiveCoils  float64        `json:"active_coils"`
	TotalCoils   float64        `json:"total_coils"`
	Ends         string         `json:"ends"`
	SleeveMM     float64        `json:"sleeve_mm"`
	Material     string         `json:"material"`
	ShearMPa     float64        `json:"shear_mpa"`
	WireUpperMM  float64        `json:"wire_upper_tolerance_mm"`
	TravelMM     float64        `json:"travel_mm"`
	PreloadMM    float64        `json:"preload_mm"`
	BoreMM       float64        `json:"bore_mm"`
	ShaftMM      float64        `json:"shaft_mm"`
	Temperature  *unit.Quantity `json:"temperature"`
	TemperatureC *float64       `json:"temperature_c"`
}

type assessedOut struct {
	RateNPerMM        float64            `json:"rate_n_per_mm"`
	RateStatus        string             `json:"rate_status"`
	StatedNPerMM      *float64           `json:"stated_n_per_mm,omitempty"`
	DifferencePercent *float64           `json:"difference_percent,omitempty"`
	Agrees            *bool              `json:"agrees,omitempty"` // within tolerance_percent
	TolerancePercent  float64            `json:"tolerance_percent"`
	Figures           map[string]float64 `json:"figures"`
	WireSource        string             `json:"wire_source,omitempty"`
	StressStatus      string             `json:"stress_status,omitempty"`
	ClearanceStatus   string             `json:"clearance_status,omitempty"`
	Findings          []assessFindingOut `json:"findings"`
	Scope             string             `json:"scope"`
	Display           displays           `json:"display,omitempty"`
}

type assessFindingOut struct {
	Code   string `json:"code"`
	Text   string `json:"text"`
	Severe bool   `json:"severe"` // not to be used as it is
}

const assessScope = "This confirms or questions stated figures. It neither designs nor certifies a spring; a spring maker does."

// assessSpring looks at a maker's own geometry.
func (s *Server) assessSpring(ctx context.Context, who caller.Caller, in assessIn) (answered[assessedOut], error) {
	var none answered[assessedOut]
	a, err := s.ask(ctx, who, in.askIn, 0)
	if err != nil {
		return none, err
	}
	r := setupReader{a: a, places: map[string]string{}}
	b := &in.Body
	oneOf(&r.wrong, "/ends", "ends", b.Ends, springEnds)
	g := setup.Geometry{
		WireMM:       r.number("", "wire", b.Wire, "wire_mm", b.WireMM, unit.Length),
		MeanMM:       r.number("", "mean_diameter", b.Mean, "mean_diameter_mm", b.MeanMM, unit.Length),
		OuterMM:      r.number("", "outer_diameter", b.Outer, "outer_diameter_mm", b.OuterMM, unit.Length),
		InnerMM:      r.number("", "inner_diameter", b.Inner, "inner_diameter_mm", b.InnerMM, unit.Length),
		FreeLengthMM: r.number("", "free_length", b.FreeLength, "free_length_mm", b.FreeLengthMM, unit.Length),
		RateNPerMM:   r.number("", "rate", b.Rate, "rate_n_per_mm", b.RateNPerMM, unit.Rate),
		TemperatureC: r.take("", "temperature", b.Temperature, "temperature_c", b.TemperatureC, unit.Temperature),
		ActiveCoils:  b.ActiveCoils, TotalCoils: b.TotalCoils, Ends: spring.Ends(b.Ends), SleeveMM: b.SleeveMM, Material: b.Material, ShearMPa: b.ShearMPa,
		WireUpperMM: b.WireUpperMM, TravelMM: b.TravelMM, PreloadMM: b.PreloadMM, BoreMM: b.BoreMM, ShaftMM: b.ShaftMM,
	}
	if err := r.wrong.Err(); err != nil {
		return none, err
	}
	got, err := setup.AssessSpring(g)
	if err != nil {
		return none, renamed(err, r.places)
	}
	out := answerTo(a, a.assessedOut(&got))
	out.CacheControl = "private, no-store"
	return out, nil
}

func (a *asking) assessedOut(got *setup.Assessment) assessedOut {
	out := assessedOut{RateNPerMM: short(got.RateNPerMM), RateStatus: string(got.RateStatus), TolerancePercent: short(got.TolerancePercent),
		WireSource: a.sourced(got.WireSource), StressStatus: string(got.StressStatus), Findings: []assessFindingOut{}, Figures: assessFigures(got), Scope: assessScope}
	if got.StatedNPerMM > 0 {
		out.StatedNPerMM, out.DifferencePercent, out.Agrees = figureIf(got.StatedNPerMM), finite(100*got.DifferenceShare), &got.Agrees
	}
	if got.Clearance != nil {
		out.ClearanceStatus = string(got.Clearance.Status)
	}
	for _, f := range got.Findings {
		out.Findings = append(out.Findings, assessFindingOut{f.Code, f.Text, f.Severe})
	}
	a.show(&out.Display, "rate_n_per_mm", got.RateNPerMM, unit.Rate)
	return out
}

// assessFigures are the figures that follow, those that do.
func assessFigures(got *setup.Assessment) map[string]float64 {
	figures := map[string]float64{
		"mean_diameter_mm": got.MeanMM, "outer_diameter_mm": got.OuterMM, "inner_diameter_mm": got.InnerMM, "spring_index": got.Index,
		"active_coils": got.ActiveCoils, "solid_length_mm": got.SolidMM, "block_length_mm": got.BlockMM, "gap_sum_static_mm": got.GapStaticMM,
		"gap_sum_dynamic_mm": got.GapDynamicMM, "shortest_length_mm": got.ShortestMM, "growth_mm": got.GrowthMM, "dynamic_margin_mm": got.DynamicMarginMM,
		"shear_mpa": got.ShearMPa, "tensile_mpa": got.TensileMPa, "bergstraesser_factor": got.Bergstraesser, "wahl_factor": got.Wahl,
		"stress_mpa": got.StressMPa, "corrected_stress_mpa": got.CorrectedMPa, "stress_at_block_mpa": got.StressAtBlockMPa, "block_limit_mpa": got.BlockLimitMPa,
		"buckles_unguided_at_mm": got.BucklesAtMM, "surge_hz": got.SurgeHz, "active_mass_kg": got.ActiveMassKG, "rate_at_temperature_n_per_mm": got.RateAtTempNPerMM,
	}
	out := map[string]float64{}
	for name, v := range figures {
		if x := figureIf(v); x != nil {
			out[name] = *x
		}
	}
	if c := got.Clearance; c != nil {
		if x := finite(c.MarginMM); x != nil {
			out["margin_mm"] = *x
		}
	}
	return out
}

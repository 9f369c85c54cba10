package api

import (
	"context"

	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/notice"
	"forkwright/service/unit"
)

// ---- GET /v1/parts/{sku} --------------------------------------------------------------------

type getPartIn struct {
	askIn
	revisionIn
	knownIn
	liveIn
	SKU string `path:"sku" maxlen:"80"`
}

// partOut is a part with what its kind has. Exactly one of the members of a kind is there, or
// none.
type partOut struct {
	SKU          string        `json:"sku"`
	MatchedBy    string        `json:"matched_by"` // sku|gtin|alias
	Name         string        `json:"name"`
	Kind         string        `json:"kind"`
	Maker        string        `json:"maker,omitempty"`
	GTIN         string        `json:"gtin,omitempty"`
	Unit         string        `json:"unit"`
	PackQuantity float64       `json:"pack_quantity,omitempty"`
	Leg          string        `json:"leg,omitempty"`
	Status       string        `json:"status"`
	LeadDays     int           `json:"lead_days,omitempty"` // from an order until it is here
	SupersededBy string        `json:"superseded_by,omitempty"`
	Codes        []string      `json:"codes,omitempty"` // others printed on it or its box
	Contents     []contentOut  `json:"contents,omitempty"`
	Rules        []partRuleOut `json:"rules,omitempty"`
	Coil         *coilOut      `json:"coil_cartridge,omitempty"`
	Air          *airOut       `json:"air_cartridge,omitempty"`
	Spring       *springOut    `json:"spring,omitempty"`
	BumpStop     *bumpStopOut  `json:"bump_stop,omitempty"`
	SealKit      *sealKitOut   `json:"seal_kit,omitempty"`
	Fluid        *fluidOut     `json:"fluid,omitempty"`
	Figures      []figureOut   `json:"figures,omitempty"`
	Cautions     []cautionOut  `json:"cautions,omitempty"`
}

type contentOut struct {
	SKU      string  `json:"sku"`
	Name     string  `json:"name"`
	Quantity float64 `json:"quantity"`
	Unit     string  `json:"unit"`
	Slot     string  `json:"slot,omitempty"`
	Default  bool    `json:"default,omitempty"`
}

type partRuleOut struct {
	Rule   string `json:"rule"` // needs|excludes
	SKU    string `json:"sku"`
	Name   string `json:"name"`
	Reason string `json:"reason"`
}

type coilOut struct {
	TravelMM     int           `json:"travel_mm"`
	SpringFamily string        `json:"spring_family"`
	BumpStop     string        `json:"bump_stop,omitempty"`
	TopCap       string        `json:"top_cap,omitempty"`
	FootNut      string        `json:"foot_nut,omitempty"`
	Mark         string        `json:"mark"`
	BoreMM       float64       `json:"bore_mm"`
	ShaftMM      float64       `json:"shaft_mm"`
	Preloads     []preloadOut  `json:"preloads"`
	Handlings    []handlingOut `json:"handlings"`
	Springs      []rateOut     `json:"springs"` // of its family, the softest first
}

type preloadOut struct {
	Setting  int     `json:"setting"`
	CavityMM float64 `json:"cavity_mm"`
	Spacer   string  `json:"spacer,omitempty"`
	Spacers  int     `json:"spacers"`
}

type handlingOut struct {
	Action    string  `json:"action"` // includes|reuses|sets_aside|forbids
	Item      string  `json:"item"`
	Name      string  `json:"name"`
	Quantity  float64 `json:"quantity"`
	Leg       string  `json:"leg,omitempty"`
	Condition string  `json:"condition,omitempty"`
}

type rateOut struct {
	SKU        string  `json:"sku"`
	RateNPerMM float64 `json:"rate_n_per_mm"`
	Display    string  `json:"display,omitempty"`
}

type springOut struct {
	Family       string        `json:"family"`
	RateNPerMM   float64       `json:"rate_n_per_mm"`
	Published    unit.Quantity `json:"published_rate"`
	FreeLengthMM float64       `json:"free_length_mm"`
	WireMM       float64       `json:"wire_mm"`
	MeanMM       float64       `json:"mean_diameter_mm"`
	ActiveCoils  float64       `json:"active_coils"`
	TotalCoils   float64       `json:"total_coils"`
	Ends         string        `json:"ends"`
	SleeveMM     float64       `json:"sleeve_mm,omitempty"`
	Material     string        `json:"material"`
	Mark         string        `json:"mark,omitempty"`
	Display      displays      `json:"display,omitempty"`
}

type airOut struct {
	TravelMM       int      `json:"travel_mm"`
	Mark           string   `json:"mark"`
	PistonMM2      float64  `json:"piston_area_mm2"`
	VolumeML       float64  `json:"volume_ml"`
	NegativeMM2    float64  `json:"negative_area_mm2,omitempty"`
	NegativeML     float64  `json:"negative_volume_ml,omitempty"`
	EqualizeMM     float64  `json:"equalize_mm,omitempty"`
	SelfEqualizing bool     `json:"self_equalizing"`
	Spacer         string   `json:"spacer,omitempty"`
	SpacerML       float64  `json:"spacer_ml,omitempty"`
	SpacersMax     int      `json:"spacers_max"`
	PressureMinKPa float64  `json:"pressure_min_kpa,omitempty"`
	PressureMaxKPa float64  `json:"pressure_max_kpa"`
	Display        displays `json:"display,omitempty"`
}

type bumpStopOut struct {
	Medium         string    `json:"medium"` // air|elastomer
	BodyMM         float64   `json:"body_mm"`
	BoreMM         float64   `json:"bore_mm,omitempty"`
	VolumeML       float64   `json:"volume_ml,omitempty"`
	ContactShare   float64   `json:"contact_share,omitempty"`
	ContactMM      float64   `json:"contact_mm,omitempty"`
	SettingsKPa    []float64 `json:"settings_kpa,omitempty"`
	PressureMaxKPa float64   `json:"pressure_max_kpa,omitempty"`
	RatioMax       float64   `json:"ratio_max,omitempty"`
	Display        displays  `json:"display,omitempty"`
}

type sealKitOut struct {
	SealGeneration string  `json:"seal_generation"`
	StanchionMM    float64 `json:"stanchion_mm"`
	DiameterMM     float64 `json:"diameter_mm"`
	DepthMM        float64 `json:"depth_mm"`
	Flange         string  `json:"flange"`
	Lip            string  `json:"lip"`
}

type fluidOut struct {
	Duty         string   `json:"duty"`
	Viscosity40  *float64 `json:"viscosity_40_mm2_s,omitempty"`
	Viscosity100 *float64 `json:"viscosity_100_mm2_s,omitempty"`
}

func (s *Server) getPart(ctx context.Context, who caller.Caller, in getPartIn) (answered[partOut], error) {
	var none answered[partOut]
	a, err := s.ask(ctx, who, in.askIn, in.Revision)
	if err != nil {
		return none, err
	}
	p, matched, err := a.partAt(in.SKU)
	if err != nil {
		return none, err
	}
	decision := a.decide(fitment.OK, notice.Subject{SKU: p.SKU})
	out := answerTo(a, a.partOut(p, matched))
	out.Decision = decision.String()
	if out.Live, err = a.liveOut(ctx, in.liveIn, []wanted{{sku: p.SKU}}); err != nil {
		return none, err
	}
	out.cacheable(a)
	return out, nil
}

// partAt finds the part of a path by any of its codes.
func (a *asking) partAt(code string) (*catalog.Part, catalog.Matched, error) {
	parts, matched := a.rev.Resolve(code)
	switch len(parts) {
	case 1:
		return parts[0], matched, nil
	case 0:
		a.count("part_not_found", code)
		e := fault.New(fault.NotFound, "part_not_found", "There is no part with the SKU, GTIN or printed code %q in this catalog.", printable(code))
		e.Candidates = a.codesLike(code)
		return nil, "", e
	}
	return nil, "", a.ambiguousCode(code, parts)
}

func (a *asking) partOut(p *catalog.Part, matched catalog.Matched) partOut {
	out := partOut{
		SKU: p.SKU, MatchedBy: string(matched), Name: a.partName(p.SKU), Kind: p.Kind, GTIN: p.GTIN, Unit: p.Unit, PackQuantity: p.PackQuantity,
		Leg: string(p.Leg), Status: p.Status, LeadDays: int(p.LeadDays), SupersededBy: p.SupersededBy, Codes: p.Aliases,
		Contents: a.contentsOut(p.SKU), Rules: a.rulesOut(p.SKU), Figures: a.partFigures(p),
	}
	if m, ok := a.rev.Maker(p.Maker); ok {
		out.Maker = m.Name
	}
	if len(out.Figures) > 0 {
		out.Cautions = []cautionOut{workshopCaution}
	}
	switch p.Kind {
	case catalog.KindCoilCartridge:
		out.Coil = a.coilOut(p.SKU)
	case catalog.KindAirCartridge:
		out.Air = a.airOut(p.SKU)
	case catalog.KindSpring:
		out.Spring = a.springOut(p.SKU)
	case catalog.KindBumpStop:
		out.BumpStop = a.bumpStopOut(p.SKU)
	}
	if k, ok := a.rev.SealKit(p.SKU); ok {
		out.SealKit = &sealKitOut{k.Generation, k.StanchionMM, k.DiameterMM, k.DepthMM, k.Flange, k.Lip}
	}
	if f, ok := a.rev.Fluid(p.SKU); ok {
		out.Fluid = &fluidOut{f.Duty, f.Viscosity40, f.Viscosity100}
	}
	return out
}

func (a *asking) contentsOut(sku string) []contentOut {
	var out []contentOut
	for _, c := range a.rev.Contents(sku) {
		x := contentOut{SKU: c.Part, Name: a.partName(c.Part), Quantity: c.Quantity, Unit: "each", Slot: c.Slot, Default: c.Default}
		if p, ok := a.rev.Part(c.Part); ok {
			x.Unit = p.Unit
		}
		out = append(out, x)
	}
	return out
}

func (a *asking) rulesOut(sku string) []partRuleOut {
	var out []partRuleOut
	for _, r := range a.rev.Rules(sku) {
		out = append(out, partRuleOut{r.Rule, r.Other, a.partName(r.Other), r.Reason})
	}
	return out
}

func (a *asking) coilOut(sku string) *coilOut {
	c, ok := a.rev.Coil(sku)
	if !ok {
		return nil
	}
	out := &coilOut{TravelMM: c.TravelMM, SpringFamily: c.SpringFamily, BumpStop: c.BumpStop, TopCap: c.TopCap, FootNut: c.FootNut, Mark: c.Mark,
		BoreMM: c.BoreMM, ShaftMM: c.ShaftMM}
	for _, p := range a.rev.Preloads(sku) {
		out.Preloads = append(out.Preloads, preloadOut{p.Setting, p.CavityMM, p.Spacer, p.Spacers})
	}
	for _, h := range a.rev.Handlings(sku) {
		out.Handlings = append(out.Handlings, handlingOut{h.Action, h.Item, a.itemName(h.Item), h.Quantity, string(h.Leg), h.Condition})
	}
	for _, x := range a.rev.Family(c.SpringFamily) {
		out.Springs = append(out.Springs, rateOut{x.SKU, rounded(x.RateNPerMM()), unit.Display(x.RateNPerMM(), unit.Rate, a.units)})
	}
	return out
}

// itemName is the name of a part or of a stock item that has no SKU.
func (a *asking) itemName(code string) string {
	if name, lang := a.rev.Name("part", code); lang != "" {
		return name
	}
	name, _ := a.rev.Name("item", code)
	return name
}

func (a *asking) springOut(sku string) *springOut {
	x, ok := a.rev.Spring(sku)
	if !ok {
		return nil
	}
	out := &springOut{Family: x.Family, RateNPerMM: rounded(x.RateNPerMM()), Published: unit.Quantity{Value: x.Rate, Unit: x.RateUnit},
		FreeLengthMM: x.FreeLengthMM, WireMM: x.WireMM, MeanMM: x.MeanMM, ActiveCoils: x.ActiveCoils, TotalCoils: x.TotalCoils,
		Ends: x.Ends, SleeveMM: x.SleeveMM, Material: x.Material, Mark: x.Mark}
	a.show(&out.Display, "rate_n_per_mm", x.RateNPerMM(), unit.Rate)
	a.show(&out.Display, "free_length_mm", x.FreeLengthMM, unit.Length)
	return out
}

// kPa converts a published pressure; 0 where there is none.
func kPa(v float64, from string) float64 {
	si, err := unit.Quantity{Value: v, Unit: from}.SI(unit.Pressure)
	if v == 0 || err != nil {
		return 0
	}
	return rounded(si)
}

func (a *asking) airOut(sku string) *airOut {
	x, ok := a.rev.Air(sku)
	if !ok {
		return nil
	}
	out := &airOut{TravelMM: x.TravelMM, Mark: x.Mark, PistonMM2: x.PistonMM2, VolumeML: x.VolumeML, NegativeMM2: x.NegativeMM2, NegativeML: x.NegativeML,
		EqualizeMM: x.EqualizeMM, SelfEqualizing: x.SelfEqualizing, Spacer: x.Spacer, SpacerML: x.SpacerML, SpacersMax: x.SpacersMax,
		PressureMinKPa: kPa(x.PressureMin, x.PressureUnit), PressureMaxKPa: kPa(x.PressureMax, x.PressureUnit)}
	a.show(&out.Display, "pressure_max_kpa", out.PressureMaxKPa, unit.Pressure)
	return out
}

func (a *asking) bumpStopOut(sku string) *bumpStopOut {
	x, ok := a.rev.BumpStop(sku)
	if !ok {
		return nil
	}
	out := &bumpStopOut{Medium: x.Medium, BodyMM: x.BodyMM, BoreMM: x.BoreMM, VolumeML: x.VolumeML, ContactShare: x.ContactShare, ContactMM: x.ContactMM,
		PressureMaxKPa: kPa(x.PressureMax, x.PressureUnit), RatioMax: x.RatioMax}
	for _, v := range x.Settings {
		out.SettingsKPa = append(out.SettingsKPa, kPa(v, x.PressureUnit))
	}
	if out.PressureMaxKPa > 0 {
		a.show(&out.Display, "pressure_max_kpa", out.PressureMaxKPa, unit.Pressure)
	}
	return out
}

// partPlaceList is where a figure of a part may belong.
var partPlaceList = []place{
	{"torque", "top_cap", catalog.SpringLeg}, {"socket_before", "top_cap", catalog.SpringLeg}, {"socket_after", "top_cap", catalog.SpringLeg},
	{"torque", "foot", catalog.SpringLeg}, {"socket_before", "foot", catalog.SpringLeg}, {"socket_after", "foot", catalog.SpringLeg},
	{"torque", "foot", catalog.DamperLeg}, {"torque", "gland", catalog.SpringLeg},
	{"oil_volume", "bath", catalog.SpringLeg}, {"foam_soak", "bath", catalog.SpringLeg}, {"air_pressure_max", "", catalog.NoLeg},
}

// partFigures are the figures that belong to a part; a torque that belongs to a kind of part
// and is not in our data is said to be missing.
func (a *asking) partFigures(p *catalog.Part) []figureOut {
	var out []figureOut
	for _, x := range partPlaceList {
		f := figureOut{Figure: x.figure, Place: x.place, Leg: string(x.leg), OwnerKind: "part", Owner: p.SKU}
		row, ok := a.partFigure(p.SKU, x)
		switch {
		case ok:
			a.setNumber(&f, catalog.Published{Value: row.Value, Unit: row.Unit}, row.Publisher, row.Source)
		case x.figure == "torque" && tightened(p, x):
			f.State, f.WhereToLook = "not_in_our_data", "the instructions that came with the "+a.partName(p.SKU)
		default:
			continue
		}
		out = append(out, f)
	}
	return out
}

func (a *asking) partFigure(sku string, x place) (*catalog.Figure, bool) {
	for _, leg := range []catalog.Leg{x.leg, catalog.BothLegs, catalog.NoLeg} {
		if row, ok := a.rev.Figure("part", sku, x.figure, x.place, leg); ok {
			return row, true
		}
	}
	return nil, false
}

// tightened reports whether a part of this kind is what a wrench goes on at a place.
func tightened(p *catalog.Part, x place) bool {
	switch p.Kind {
	case catalog.KindTopCap:
		return x.place == "top_cap"
	case catalog.KindFootNut:
		return x.place == "foot" && (p.Leg == x.leg || p.Leg == catalog.BothLegs || p.Leg == catalog.NoLeg && x.leg == catalog.SpringLeg)
	}
	return false
}

// ---- GET /v1/parts/{sku}/forks --------------------------------------------------------------

type listPartForksIn struct {
	revisionIn
	knownIn
	pageIn
	SKU string `path:"sku" maxlen:"80"`
}

type listPartForksOut struct {
	SKU        string       `json:"sku"`
	MatchedBy  string       `json:"matched_by"`
	Name       string       `json:"name"`
	Kind       string       `json:"kind"`
	Forks      []forkFitOut `json:"forks"`
	NextCursor string       `json:"next_cursor,omitempty"`
}

type forkFitOut struct {
	forkBrief
	Spans []fitSpanOut `json:"spans"`
}

// fitSpanOut is a run of model years, and the travels now, for which the answer is the same.
type fitSpanOut struct {
	Years    spanOut          `json:"model_years"`
	Travels  []int            `json:"travels_now_mm"`
	Verdict  string           `json:"verdict"`
	Reasons  []reasonOut      `json:"reasons"`
	Requires []requirementOut `json:"requires,omitempty"`
	Question *problemQuestion `json:"question,omitempty"`
}

// listPartForks is the list turned around: the forks that a part fits or may fit.
func (s *Server) listPartForks(ctx context.Context, who caller.Caller, in listPartForksIn) (answered[listPartForksOut], error) {
	var none answered[listPartForksOut]
	a, err := s.ask(ctx, who, askIn{}, in.Revision)
	if err != nil {
		return none, err
	}
	p, matched, err := a.partAt(in.SKU)
	if err != nil {
		return none, err
	}
	after, err := in.after()
	if err != nil {
		return none, err
	}
	fits, next := fitment.Forks(a.rev, p.SKU, fitment.Page{After: after, Limit: in.limit()})
	answer := listPartForksOut{SKU: p.SKU, MatchedBy: string(matched), Name: a.partName(p.SKU), Kind: p.Kind, Forks: []forkFitOut{}, NextCursor: cursorAt(next)}
	for _, fit := range fits {
		answer.Forks = append(answer.Forks, a.forkFitOut(fit))
		a.met(forkSubject(fit.Fork, ""))
	}
	decision := a.decide(fitment.OK, notice.Subject{SKU: p.SKU})
	out := answerTo(a, answer)
	out.Decision = decision.String()
	out.cacheable(a)
	return out, nil
}

func (a *asking) forkFitOut(fit fitment.ForkFit) forkFitOut {
	out := forkFitOut{forkBrief: a.forkBrief(fit.Fork)}
	for _, x := range fit.Spans {
		out.Spans = append(out.Spans, fitSpanOut{spanOut{x.YearFrom, x.YearTo}, x.TravelsMM, x.Answer.Verdict.String(),
			a.reasonsOut(x.Answer.Reasons), a.requirementsOut(x.Answer.Requires), questionOut(x.Answer.Question)})
	}
	return out
}

func forkSubject(f *catalog.Fork, serial string) notice.Subject {
	return notice.Subject{Fork: f.ID, Serial: serial}
}

package api

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/search"
	"forkwright/service/stock"
	"forkwright/service/unit"
)

// ---- GET /v1/forks --------------------------------------------------------------------------

type listForksIn struct {
	revisionIn
	knownIn
	pageIn
	Q                  string  `query:"q" maxlen:"400"`
	ModelYear          *int    `query:"model_year"`
	TravelMM           *int    `query:"travel_mm"`
	Maker              string  `query:"maker" maxlen:"80"`
	WheelSize          string  `query:"wheel_size"`
	StanchionMM        float64 `query:"stanchion_mm" min:"20" max:"60"`
	Axle               string  `query:"axle" maxlen:"20"`
	ValveLeg           string  `query:"valve_leg" enum:"left,right"`
	FootFastener       string  `query:"foot_fastener" enum:"nut,bolt"`
	ExposedStanchionMM int     `query:"exposed_stanchion_mm" min:"20" max:"400"`
}

type listForksOut struct {
	Forks      []foundForkOut   `json:"forks"`
	Sure       bool             `json:"sure"`
	Question   *problemQuestion `json:"question,omitempty"`
	Unread     []string         `json:"unread,omitempty"`
	More       bool             `json:"more"`
	NextCursor string           `json:"next_cursor,omitempty"`
}

type foundForkOut struct {
	forkBrief
	Why []search.Fact `json:"why"`
}

// forkBrief is a fork as a list shows it.
type forkBrief struct {
	ForkID     string   `json:"fork_id"`
	Name       string   `json:"name"`
	Maker      string   `json:"maker"`
	Model      string   `json:"model"`
	ModelYears spanOut  `json:"model_years"`
	TravelsMM  []int    `json:"travels_mm"`
	WheelSizes []string `json:"wheel_sizes"`
}

func (a *asking) forkBrief(f *catalog.Fork) forkBrief {
	return forkBrief{ForkID: f.ID, Name: a.forkName(f), Maker: a.rev.MakerName(f), Model: f.Model,
		ModelYears: spanOut{int(f.YearFrom), int(f.YearTo)}, TravelsMM: f.TravelsMM, WheelSizes: f.WheelSizes}
}

// listForks finds forks: ranked candidates for a text, a list by id without one. That several
// forks may be meant is an answer with a question, never a failure.
func (s *Server) listForks(ctx context.Context, who caller.Caller, in listForksIn) (answered[listForksOut], error) {
	var none answered[listForksOut]
	a, err := s.ask(ctx, who, askIn{}, in.Revision)
	if err != nil {
		return none, err
	}
	q, err := a.searchQuery(in)
	if err != nil {
		return none, err
	}
	found := a.live.Search.Find(q, in.limit())
	if in.Maker != "" && slices.Contains(found.Unread, in.Maker) && !strings.Contains(in.Q, in.Maker) {
		return none, a.unknownMaker(in.Maker)
	}
	answer := listForksOut{Forks: make([]foundForkOut, len(found.Candidates)), Sure: found.Sure, Question: searchQuestion(found.Question), Unread: found.Unread, More: found.More}
	for i, c := range found.Candidates {
		answer.Forks[i] = foundForkOut{a.forkBrief(c.Fork), c.Why}
	}
	if n := len(found.Candidates); found.More && n > 0 && q.Text == "" {
		answer.NextCursor = cursorAt(found.Candidates[n-1].Fork.ID)
	}
	if len(found.Candidates) == 0 {
		a.count("fork_not_found", "")
	}
	out := answerTo(a, answer)
	out.cacheable(a)
	return out, nil
}

func (a *asking) searchQuery(in listForksIn) (search.Query, error) {
	var wrong fault.Fields
	q := search.Query{Text: strings.TrimSpace(in.Q), Maker: strings.TrimSpace(in.Maker), WheelSize: in.WheelSize, Measurements: search.Measurements{
		StanchionMM: in.StanchionMM, Axle: in.Axle, ValveLeg: catalog.Side(in.ValveLeg), FootFastener: in.FootFastener, ExposedMM: in.ExposedStanchionMM,
	}}
	if in.ModelYear != nil && a.s.yearFits(&wrong, "query:model_year", *in.ModelYear) {
		q.ModelYear = *in.ModelYear
	}
	if in.TravelMM != nil && inRange(&wrong, "query:travel_mm", float64(*in.TravelMM), 40, 300, "The travel, in mm,") {
		q.TravelMM = *in.TravelMM
	}
	oneOf(&wrong, "query:wheel_size", "wheel_size", in.WheelSize, wheelSizes)
	if in.Cursor != "" && q.Text != "" {
		wrong.Add("query:cursor", "not_with_q", "A ranked list has no pages; leave q out to page through all, or answer the question to narrow it down.")
	}
	after, err := in.after()
	if err != nil {
		return q, err
	}
	q.After = after
	return q, wrong.Err()
}

func (a *asking) unknownMaker(name string) error {
	e := fault.As(wrongField("query:maker", "unknown_maker", "There is no fork maker %q in this catalog.", printable(name)))
	seen := map[string]bool{}
	forks := a.rev.Forks()
	for i := range forks {
		if code := a.rev.MakerOf(&forks[i]); !seen[code] {
			seen[code] = true
			e.Candidates = append(e.Candidates, fault.Candidate{ID: code, Label: a.rev.MakerName(&forks[i])})
		}
	}
	slices.SortFunc(e.Candidates, func(x, y fault.Candidate) int { return strings.Compare(x.ID, y.ID) })
	e.Candidates = e.Candidates[:min(len(e.Candidates), 20)]
	return e
}

// searchQuestion names the parameter that carries the answer as this API calls it.
func searchQuestion(q *fault.Question) *problemQuestion {
	out := questionOut(q)
	if out == nil {
		return nil
	}
	out.Field = strings.TrimPrefix(out.Field, "measurements.")
	if out.Field == "text" {
		out.Field = "q"
	}
	return out
}

// factFork is the question which fork it is.
const factFork = "fork"

func searchText(text string) search.Query { return search.Query{Text: text} }

// searched finds the one fork that a text names, or says why it cannot.
func (a *asking) searched(in *forkIn) (*catalog.Fork, *fault.Error) {
	q := search.Query{Text: in.Q, WheelSize: in.WheelSize}
	if in.ModelYear != nil {
		q.ModelYear = *in.ModelYear
	}
	if in.TravelAsBuiltMM != nil {
		q.TravelMM = *in.TravelAsBuiltMM
	}
	found := a.live.Search.Find(q, 10)
	if found.Sure {
		return found.Candidates[0].Fork, nil
	}
	a.count("fork_ambiguous", "")
	e := fault.New(fault.Conflict, "ambiguous", "%q may be several forks. Choose one of the candidates by its id, or answer the question.", printable(in.Q))
	if len(found.Candidates) == 0 {
		e = fault.New(fault.Conflict, "ambiguous", "Nothing in the catalog reads like %q. Say maker, model and year, or a mark on the fork.", printable(in.Q))
	}
	for _, c := range found.Candidates {
		e.Candidates = append(e.Candidates, fault.Candidate{ID: c.Fork.ID, Label: a.forkName(c.Fork)})
	}
	e.Question = found.Question
	if e.Question == nil {
		e.Question = &fault.Question{Code: factFork, Text: "Which fork is it? Read maker and model off the lower leg, and the code on the crown or the back of a stanchion."}
	}
	question := *e.Question // the index's own must not be changed
	if question.Field = forkField(question.Field); question.Field == "fork_id" {
		question.Choices = idsOf(e.Candidates)
	}
	e.Question = &question
	return nil, e
}

// forkField is the member of a fork in a body that carries the answer to a question of the
// search. A measurement has none there: it narrows the list of GET /v1/forks to an id.
func forkField(field string) string {
	switch field {
	case "model_year", "wheel_size":
		return field
	case "travel_mm":
		return "travel_as_built_mm"
	case "text":
		return "q"
	}
	return "fork_id"
}

// ---- GET /v1/forks/{fork_id} ----------------------------------------------------------------

type getForkIn struct {
	askIn
	revisionIn
	knownIn
	ForkID string `path:"fork_id" maxlen:"120"`
}

type forkOut struct {
	forkBrief
	Aliases  []string     `json:"aliases"`
	Uses     []string     `json:"uses"`
	Chassis  chassisOut   `json:"chassis"`
	Dampers  []damperOut  `json:"dampers"`
	Limits   []limitOut   `json:"limits"`
	Marks    []markOut    `json:"marks"`
	Options  []optionOut  `json:"options"`
	Seats    []seatOut    `json:"seats"`
	Figures  []figureOut  `json:"figures"`
	Cautions []cautionOut `json:"cautions"`
}

type chassisOut struct {
	Code             string   `json:"code"`
	Name             string   `json:"name"`
	StanchionMM      float64  `json:"stanchion_mm"`
	SpringSide       string   `json:"spring_side"`
	Legs             string   `json:"legs"`
	Crown            string   `json:"crown"`
	CapThread        string   `json:"cap_thread"`
	BoreMM           float64  `json:"bore_mm"`
	Gland            string   `json:"gland"`
	FootThreadSpring string   `json:"foot_thread_spring"`
	FootThreadDamper string   `json:"foot_thread_damper"`
	FootFastener     string   `json:"foot_fastener"`
	Axle             string   `json:"axle"`
	DamperLeg        string   `json:"damper_leg"`
	FreeLegVolumeML  *float64 `json:"free_leg_volume_ml,omitempty"`
	Display          displays `json:"display,omitempty"`
}

type damperOut struct {
	Code      string        `json:"code"`
	Name      string        `json:"name"`
	Adjusters []adjusterOut `json:"adjusters"`
}

type adjusterOut struct {
	Adjuster  string `json:"adjuster"`
	Clicks    int    `json:"clicks"`
	Reference string `json:"reference"`
}

type limitOut struct {
	WheelSize   string   `json:"wheel_size,omitempty"`
	Use         string   `json:"use,omitempty"`
	MaxTravelMM int      `json:"max_travel_mm,omitempty"`
	MaxRiderKG  float64  `json:"max_rider_kg,omitempty"`
	MaxSystemKG float64  `json:"max_system_kg,omitempty"`
	Source      string   `json:"source,omitempty"` // trade only
	Display     displays `json:"display,omitempty"`
}

type markOut struct {
	Mark  string `json:"mark"`
	Place string `json:"place"`
}

// optionOut is a value of a fact with which the fork was built, and when.
type optionOut struct {
	Fact       string   `json:"fact"`
	Value      string   `json:"value"`
	Text       string   `json:"text,omitempty"`
	Question   string   `json:"question,omitempty"` // how to tell
	ModelYears *spanOut `json:"model_years,omitempty"`
	BuiltFrom  string   `json:"built_from,omitempty"`
	BuiltUntil string   `json:"built_until,omitempty"`
	SerialFrom string   `json:"serial_from,omitempty"`
	SerialTo   string   `json:"serial_to,omitempty"`
}

type seatOut struct {
	SealGeneration string  `json:"seal_generation"`
	DiameterMM     float64 `json:"diameter_mm"`
	DepthMM        float64 `json:"depth_mm"`
	Flange         string  `json:"flange"`
	Lip            string  `json:"lip"`
}

type cautionOut struct {
	Code   string `json:"code"`
	Text   string `json:"text"`
	Reason string `json:"reason"`
}

// workshopCaution stands beside every list of figures.
var workshopCaution = cautionOut{
	"manual_first",
	"Let all air out and the spring relax before anything is loosened. The fork maker's manual comes before any figure here; where you are not sure, leave the work to a qualified technician.",
	"Stored air and springs can injure, and a fork put together wrongly can fail while riding.",
}

func (s *Server) getFork(ctx context.Context, who caller.Caller, in getForkIn) (answered[forkOut], error) {
	var none answered[forkOut]
	a, err := s.ask(ctx, who, in.askIn, in.Revision)
	if err != nil {
		return none, err
	}
	f, err := a.forkAt(in.ForkID)
	if err != nil {
		return none, err
	}
	a.met(forkSubject(f, ""))
	out := answerTo(a, a.forkOut(f))
	out.cacheable(a)
	return out, nil
}

// forkAt finds the fork of a path.
func (a *asking) forkAt(id string) (*catalog.Fork, error) {
	if f, ok := a.rev.Fork(id); ok {
		return f, nil
	}
	a.count("fork_not_found", id)
	e := fault.New(fault.NotFound, "fork_not_found", "There is no fork %q in this catalog; GET /v1/forks finds it by name, year and measurements.", printable(id))
	e.Candidates = a.forksLike(id)
	return nil, e
}

func (a *asking) forkOut(f *catalog.Fork) forkOut {
	return forkOut{
		forkBrief: a.forkBrief(f), Aliases: f.Aliases, Uses: f.Uses, Chassis: a.chassisOut(a.rev.ChassisOf(f)),
		Dampers: a.dampersOut(f), Limits: a.limitsOut(f), Marks: a.marksOut(f), Options: a.optionsOut(f), Seats: a.seatsOut(f),
		Figures: a.forkFigures(f), Cautions: []cautionOut{workshopCaution},
	}
}

func (a *asking) chassisOut(c *catalog.Chassis) chassisOut {
	out := chassisOut{
		Code: c.Code, Name: c.Name, StanchionMM: c.StanchionMM, SpringSide: string(c.SpringSide), Legs: c.Legs, Crown: c.Crown,
		CapThread: c.CapThread, BoreMM: c.BoreMM, Gland: c.Gland, FootThreadSpring: c.FootThreadSpring, FootThreadDamper: c.FootThreadDamper,
		FootFastener: c.FootFastener, Axle: c.Axle, DamperLeg: c.DamperLeg, FreeLegVolumeML: c.FreeLegVolumeML,
	}
	a.show(&out.Display, "stanchion_mm", c.StanchionMM, unit.Length)
	a.show(&out.Display, "bore_mm", c.BoreMM, unit.Length)
	if c.FreeLegVolumeML != nil {
		a.show(&out.Display, "free_leg_volume_ml", *c.FreeLegVolumeML, unit.Volume)
	}
	return out
}

func (a *asking) dampersOut(f *catalog.Fork) []damperOut {
	out := []damperOut{}
	for _, code := range f.Dampers {
		d := damperOut{Code: code, Name: code, Adjusters: []adjusterOut{}}
		if known, ok := a.rev.Damper(code); ok {
			d.Name = known.Name
		}
		for _, k := range a.rev.Adjusters(code) {
			d.Adjusters = append(d.Adjusters, adjusterOut{k.Adjuster, k.Clicks, k.Reference})
		}
		out = append(out, d)
	}
	return out
}

func (a *asking) limitsOut(f *catalog.Fork) []limitOut {
	out := []limitOut{}
	for _, l := range a.rev.Limits(f.ID) {
		x := limitOut{WheelSize: l.WheelSize, Use: l.Use, MaxTravelMM: l.MaxTravelMM, MaxRiderKG: l.MaxRiderKG, MaxSystemKG: l.MaxSystemKG}
		if a.view == forTrade {
			x.Source = l.Source
		}
		if l.MaxRiderKG > 0 {
			a.show(&x.Display, "max_rider_kg", l.MaxRiderKG, unit.Mass)
		}
		if l.MaxSystemKG > 0 {
			a.show(&x.Display, "max_system_kg", l.MaxSystemKG, unit.Mass)
		}
		out = append(out, x)
	}
	return out
}

func (a *asking) marksOut(f *catalog.Fork) []markOut {
	out := []markOut{}
	for _, m := range a.rev.Marks(f.ID) {
		out = append(out, markOut{m.Mark, m.Place})
	}
	return out
}

func (a *asking) optionsOut(f *catalog.Fork) []optionOut {
	out := []optionOut{}
	for _, o := range a.rev.Options(f.ID) {
		text, _ := a.rev.FactText(o.Fact, o.Value)
		x := optionOut{Fact: o.Fact, Value: o.Value, Text: text, Question: fitment.QuestionText(a.rev, o.Fact),
			BuiltFrom: o.DateFrom, BuiltUntil: o.DateTo, SerialFrom: o.SerialFrom, SerialTo: o.SerialTo}
		if o.YearFrom != 0 || o.YearTo != 0 {
			x.ModelYears = &spanOut{int(cmp.Or(o.YearFrom, f.YearFrom)), int(cmp.Or(o.YearTo, f.YearTo))}
		}
		out = append(out, x)
	}
	return out
}

func (a *asking) seatsOut(f *catalog.Fork) []seatOut {
	out := []seatOut{}
	for _, x := range a.rev.Seats(f.Chassis) {
		out = append(out, seatOut{x.Generation, x.DiameterMM, x.DepthMM, x.Flange, x.Lip})
	}
	return out
}

// place is where a figure of a fork belongs.
type place struct {
	figure, place string
	leg           catalog.Leg
}

// forkPlaceList is what a workshop looks for on any fork. Each is shown, known or not.
var forkPlaceList = []place{
	{"torque", "top_cap", catalog.SpringLeg}, {"torque", "top_cap", catalog.DamperLeg},
	{"torque", "foot", catalog.SpringLeg}, {"torque", "foot", catalog.DamperLeg},
	{"torque", "gland", catalog.SpringLeg}, {"torque", "axle", catalog.NoLeg},
	{"socket_before", "top_cap", catalog.SpringLeg}, {"socket_after", "top_cap", catalog.SpringLeg},
	{"socket_before", "top_cap", catalog.DamperLeg}, {"socket_after", "top_cap", catalog.DamperLeg},
	{"socket_before", "foot", catalog.SpringLeg}, {"socket_after", "foot", catalog.SpringLeg},
	{"socket_before", "foot", catalog.DamperLeg}, {"socket_after", "foot", catalog.DamperLeg},
	{"oil_volume", "bath", catalog.SpringLeg}, {"oil_volume", "bath", catalog.DamperLeg},
	{"foam_soak", "bath", catalog.SpringLeg}, {"foam_soak", "bath", catalog.DamperLeg},
	{"air_pressure_max", "top_cap", catalog.SpringLeg},
}

func (a *asking) forkFigures(f *catalog.Fork) []figureOut {
	chassis := a.rev.ChassisOf(f)
	out := []figureOut{}
	for _, p := range forkPlaceList {
		if p.place == "gland" && chassis.Gland != "threaded" {
			continue // nothing is tightened there
		}
		out = append(out, a.forkFigure(f, p))
	}
	return out
}

// forkFigure asks the fork, then its chassis, for the leg or for both; nothing else may answer.
func (a *asking) forkFigure(f *catalog.Fork, p place) figureOut {
	out := figureOut{Figure: p.figure, Place: p.place, Leg: string(p.leg), OwnerKind: "fork", Owner: f.ID}
	for _, owner := range [][2]string{{"fork", f.ID}, {"chassis", f.Chassis}} {
		for _, leg := range []catalog.Leg{p.leg, catalog.BothLegs} {
			if row, ok := a.rev.Figure(owner[0], owner[1], p.figure, p.place, leg); ok {
				out.OwnerKind, out.Owner = owner[0], owner[1]
				a.setNumber(&out, catalog.Published{Value: row.Value, Unit: row.Unit}, row.Publisher, row.Source)
				return out
			}
		}
	}
	out.State, out.WhereToLook = "not_in_our_data", "the service manual of "+a.rev.MakerName(f)+" for the "+f.Name
	return out
}

// ---- GET /v1/forks/{fork_id}/parts ----------------------------------------------------------

type listForkPartsIn struct {
	askIn
	revisionIn
	knownIn
	pageIn
	liveIn
	ForkID          string   `path:"fork_id" maxlen:"120"`
	ModelYear       *int     `query:"model_year"`
	TravelAsBuiltMM *int     `query:"travel_as_built_mm"`
	TravelNowMM     *int     `query:"travel_now_mm"`
	TravelKnownBy   string   `query:"travel_known_by"`
	Options         []string `query:"options" maxlen:"2840" maxitems:"20" maxitem:"141"`
	Serial          string   `query:"serial"`
	BuiltOn         string   `query:"built_on"`
	WheelSize       string   `query:"wheel_size"`
	Use             string   `query:"use"`
	Kind            []string `query:"kind" maxlen:"820" maxitems:"20" maxitem:"40"`
	NearMisses      string   `query:"near_misses" enum:"yes,no"`
	InStock         string   `query:"in_stock" enum:"yes,no"`
}

type listForkPartsOut struct {
	Fork       forkBrief    `json:"fork"`
	Parts      []verdictOut `json:"parts"`
	NextCursor string       `json:"next_cursor,omitempty"`
}

// listForkParts lists what fits a fork as owned, what fits on conditions and what may once a
// question is answered; with near misses also what a row names and that does not fit.
func (s *Server) listForkParts(ctx context.Context, who caller.Caller, in listForkPartsIn) (answered[listForkPartsOut], error) {
	var none answered[listForkPartsOut]
	a, err := s.ask(ctx, who, in.askIn, in.Revision)
	if err != nil {
		return none, err
	}
	o, err := a.queriedFork(&in)
	if err != nil {
		return none, err
	}
	after, err := in.after()
	if err != nil {
		return none, err
	}
	filter := fitment.Filter{Kinds: in.Kind, NearMisses: in.NearMisses == "yes", After: after}
	if in.InStock != "yes" {
		filter.Limit = in.limit() + 1 // one more shows that there is a next page
	}
	all := fitment.WhatFits(a.rev, o, filter)
	if in.InStock == "yes" {
		if all, err = a.lyingSomewhere(ctx, all, in.Locations); err != nil {
			return none, err
		}
		in.Live = append(in.Live, "stock") // what was filtered by is shown
	}
	page, next := a.partsAfter(all, after, in.limit())
	answer := listForkPartsOut{Fork: a.forkBrief(o.Fork), Parts: make([]verdictOut, len(page)), NextCursor: cursorAt(next)}
	decisions, parts := make([]decisionOut, len(page)), make([]wanted, len(page))
	for i := range page {
		v := &page[i]
		if v.Verdict == catalog.DoesNotFit {
			*v = fitment.Judge(a.rev, o, v.SKU) // with the nearest that does
		}
		answer.Parts[i] = a.verdictOut(v)
		decisions[i] = decisionOut{"part", v.SKU, a.decide(decisionOf(v.Verdict), subject(v, o)).String()}
		parts[i] = wanted{sku: v.SKU, fork: o, settled: v.Verdict == catalog.DoesNotFit}
	}
	out := answerTo(a, answer)
	out.Decisions = decisions
	if out.Live, err = a.liveOut(ctx, in.liveIn, parts); err != nil {
		return none, err
	}
	out.cacheable(a)
	return out, nil
}

// lyingSomewhere keeps the parts of which there are some now at the locations named, or at any.
// Without stock there is no such list: it is a fault.
func (a *asking) lyingSomewhere(ctx context.Context, all []fitment.Answer, locations []string) ([]fitment.Answer, error) {
	skus := make([]string, 0, len(all))
	for _, v := range all {
		skus = append(skus, v.SKU)
	}
	levels, err := a.levels(ctx, skus, locations)
	if err != nil {
		return nil, fault.New(fault.Unavailable, "stock_unavailable", "Stock cannot be read now; ask without in_stock.")
	}
	here := map[string]bool{}
	for _, x := range a.stockOut(skus, levels) {
		here[x.SKU] = x.Availability == stock.Yes || x.Availability == stock.FewOf
	}
	return slices.DeleteFunc(all, func(v fitment.Answer) bool { return !here[v.SKU] }), nil
}

func (a *asking) queriedFork(in *listForkPartsIn) (*fitment.Owned, error) {
	f, err := a.forkAt(in.ForkID)
	if err != nil {
		return nil, err
	}
	var wrong fault.Fields
	options := map[string]string{}
	for _, pair := range in.Options {
		fact, value, ok := strings.Cut(pair, ":")
		switch _, twice := options[fact]; {
		case !ok || fact == "" || value == "":
			wrong.Add("query:options", "invalid_value", "options is a list of fact:value pairs, such as seal_generation:g2; %q is none.", printable(pair))
		case twice:
			wrong.Add("query:options", "given_twice", "options names %q twice; a fact has one value.", printable(fact))
		default:
			options[fact] = value
		}
	}
	for _, kind := range in.Kind {
		if !catalog.KindKnown(kind) {
			wrong.Add("query:kind", "invalid_value", "There is no kind of part %q; kinds are those that the answer shows, such as coil_cartridge or seal_kit.", printable(kind))
		}
	}
	o := &fitment.Owned{Fork: f}
	a.facts(o, &forkIn{
		ModelYear: in.ModelYear, TravelAsBuiltMM: in.TravelAsBuiltMM, TravelNowMM: in.TravelNowMM, TravelKnownBy: in.TravelKnownBy,
		Options: options, Serial: in.Serial, BuiltOn: in.BuiltOn, WheelSize: in.WheelSize, Use: in.Use,
	}, inQuery, &wrong)
	return o, wrong.Err()
}

// partsAfter is the page of a list sorted by kind and SKU that begins after a key.
func (a *asking) partsAfter(all []fitment.Answer, after string, limit int) (page []fitment.Answer, next string) {
	key := func(v fitment.Answer) string {
		p, _ := a.rev.Part(v.SKU)
		return p.Kind + " " + v.SKU
	}
	from := 0
	for from < len(all) && after != "" && key(all[from]) <= after {
		from++
	}
	page = all[from:min(from+limit, len(all))]
	if from+limit < len(all) {
		next = key(page[len(page)-1])
	}
	return page, next
}

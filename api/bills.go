package api

import (
	"context"
	"strconv"
	"strings"

	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/job"
	"forkwright/service/unit"
)

// ---- POST /v1/bills -------------------------------------------------------------------------

type billIn struct {
	askIn
	stockIn
	Body billBody `body:""`
}

// billBody is a fork and what is to be done to it.
type billBody struct {
	CatalogRevision revisionNumber `json:"catalog_revision"`
	Fork            forkIn         `json:"fork"`
	jobIn
	Sale string `json:"sale"`
}

// jobIn is what is to be done, as bills and quotes are asked for it. Parts may be named by any
// of their codes.
type jobIn struct {
	Jobs          []string       `json:"jobs"`
	Operations    []string       `json:"operations"`
	Fitted        string         `json:"fitted"`
	Cartridge     string         `json:"cartridge"`
	Spring        string         `json:"spring"`
	Preload       int            `json:"preload"`
	BumpStop      *unit.Quantity `json:"bump_stop"`
	BumpStopKPa   *float64       `json:"bump_stop_kpa"`
	Kits          []string       `json:"kits"`
	Parts         []string       `json:"parts"`
	ToolsOwned    []string       `json:"tools_owned"`
	AllToolsOwned bool           `json:"all_tools_owned"`
	CustomerParts []customerPart `json:"customer_parts"`
}

type customerPart struct {
	SKU      string   `json:"sku"`
	Quantity *float64 `json:"quantity"`
}

type billOut struct {
	Fork       forkBrief      `json:"fork"`
	Jobs       []jobOut       `json:"jobs"`
	Operations []jobOut       `json:"operations"`
	Opens      []string       `json:"opens"`
	Sale       string         `json:"sale"`
	Lines      []billLineOut  `json:"lines"`
	Charges    []chargeOut    `json:"charges"`
	LeftOver   []leftOverOut  `json:"left_over"`
	Labor      []laborOut     `json:"labor"`
	Minutes    float64        `json:"minutes"`
	Figures    []figureOut    `json:"figures"`
	Steps      []stepOut      `json:"steps"`
	Cautions   []cautionOut   `json:"cautions"`
	OpenPoints []openPointOut `json:"open_points"`
}

type jobOut struct {
	Code string `json:"code"`
	Name string `json:"name"`
}

type billLineOut struct {
	SKU          string           `json:"sku,omitempty"`
	Item         string           `json:"item,omitempty"` // of the fork, without a SKU
	Name         string           `json:"name"`
	Kind         string           `json:"kind,omitempty"`
	Quantity     *float64         `json:"quantity,omitempty"` // absent when not in our data
	Unit         string           `json:"unit"`
	State        string           `json:"state"` // known|not_in_our_data
	Role         string           `json:"role"`
	Rule         string           `json:"rule"`
	Sentence     string           `json:"sentence"`
	IncludedIn   string           `json:"included_in,omitempty"`
	Inspect      string           `json:"inspect,omitempty"`
	Leg          string           `json:"leg,omitempty"`
	Charged      bool             `json:"charged"`
	Untraced     bool             `json:"untraced,omitempty"`
	Verdict      string           `json:"verdict,omitempty"`
	Alternatives []string         `json:"alternatives,omitempty"`
	Question     *problemQuestion `json:"question,omitempty"`
	WhereToLook  string           `json:"where_to_look,omitempty"`
	Source       string           `json:"source,omitempty"`
	Display      string           `json:"display,omitempty"`
}

type chargeOut struct {
	SKU      string  `json:"sku"`
	Name     string  `json:"name"`
	Quantity float64 `json:"quantity"`
	Unit     string  `json:"unit"`
	Packages int     `json:"packages,omitempty"`
	AtLeast  bool    `json:"at_least,omitempty"` // some of the need is not in our data
}

type leftOverOut struct {
	SKU      string  `json:"sku,omitempty"`
	Item     string  `json:"item,omitempty"`
	Name     string  `json:"name"`
	Quantity float64 `json:"quantity"`
	Unit     string  `json:"unit"`
	Kit      string  `json:"kit"`
}

type laborOut struct {
	Of      string  `json:"of"` // opening|operation
	Code    string  `json:"code"`
	Name    string  `json:"name"`
	SKU     string  `json:"sku"`
	Minutes float64 `json:"minutes"`
}

type stepOut struct {
	Number   int      `json:"number"`
	Code     string   `json:"code"`
	Leg      string   `json:"leg,omitempty"`
	Side     string   `json:"side,omitempty"` // as the rider sits
	Text     string   `json:"text"`
	Figures  []string `json:"figures"`  // ids
	Cautions []string `json:"cautions"` // codes
	Tick     bool     `json:"tick"`
}

type openPointOut struct {
	Code     string           `json:"code"`
	Text     string           `json:"text"`
	SKU      string           `json:"sku,omitempty"`
	Question *problemQuestion `json:"question,omitempty"`
}

// makeBill says what a job takes, without money.
func (s *Server) makeBill(ctx context.Context, who caller.Caller, in billIn) (answered[billOut], error) {
	var none answered[billOut]
	a, err := s.ask(ctx, who, in.askIn, int64(in.Body.CatalogRevision))
	if err != nil {
		return none, err
	}
	q, err := a.billQuestion(&in.Body)
	if err != nil {
		return none, err
	}
	bill, err := job.Make(a.rev, q, fitment.Judge)
	if err != nil {
		return none, renamed(err, map[string]string{"/bump_stop": bumpStopPlace(&in.Body)})
	}
	decisions, worst := a.billDecisions(&q, &bill)
	out := answerTo(a, a.billOut(&q, &bill))
	out.Decisions, out.Decision, out.CacheControl = decisions, worst.String(), "private, no-store"
	out.Live, err = a.liveOut(ctx, in.asLive(), chargedParts(&bill, &q.Owned))
	return out, err
}

// chargedParts are the parts that a job takes off a shelf.
func chargedParts(bill *job.Bill, fork *fitment.Owned) (parts []wanted) {
	for _, l := range bill.Lines {
		if l.Charged && l.SKU != "" {
			parts = append(parts, wanted{sku: l.SKU, quantity: l.Quantity, fork: fork, settled: l.Verdict == catalog.DoesNotFit})
		}
	}
	return parts
}

func bumpStopPlace(in *billBody) string {
	if in.BumpStopKPa != nil {
		return "/bump_stop_kpa"
	}
	return "/bump_stop"
}

// renamed moves the pointers of a fault to where the request has the member.
func renamed(err error, places map[string]string) error {
	e := fault.As(err)
	if e == nil {
		return err
	}
	for i := range e.Fields {
		if to, ok := places[e.Fields[i].Pointer]; ok {
			e.Fields[i].Pointer = to
		}
	}
	return err
}

// billQuestion names every part by its SKU; what is wrong is told all at once.
func (a *asking) billQuestion(in *billBody) (job.Question, error) {
	o, err := a.owned("/fork", &in.Fork)
	if err != nil {
		return job.Question{}, err
	}
	var wrong fault.Fields
	q := job.Question{Owned: *o, Jobs: in.Jobs, Operations: in.Operations, Preload: in.Preload, OwnsTools: in.AllToolsOwned, Counter: in.Sale == "counter"}
	oneOf(&wrong, "/sale", "sale", in.Sale, []string{"bench", "counter"})
	if in.Preload < 0 {
		wrong.Add("/preload", "out_of_range", "preload is the number of a setting, from 1.")
	}
	for _, n := range []struct {
		at string
		n  int
	}{{"/jobs", len(in.Jobs)}, {"/operations", len(in.Operations)}, {"/kits", len(in.Kits)}, {"/parts", len(in.Parts)}, {"/tools_owned", len(in.ToolsOwned)}, {"/customer_parts", len(in.CustomerParts)}} {
		if n.n > 100 {
			wrong.Add(n.at, "too_many", "At most 100 are taken here; these are %d.", n.n)
			return q, wrong.Err()
		}
	}
	if v := oneQuantity(&wrong, "", "bump_stop", in.BumpStop, "bump_stop_kpa", in.BumpStopKPa, unit.Pressure); v != nil {
		inRange(&wrong, bumpStopPlace(in), *v, 0, 3500, "The pressure of the bump stop, in kPa,")
		q.BumpStop = &job.Published{Value: *v, Unit: "kPa"}
		if in.BumpStop != nil {
			q.BumpStop = &job.Published{Value: in.BumpStop.Value, Unit: in.BumpStop.Unit}
		}
	}
	if err := a.billParts(&q, in, &wrong); err != nil {
		return q, err
	}
	return q, wrong.Err()
}

func (a *asking) billParts(q *job.Question, in *billBody, wrong *fault.Fields) error {
	for _, x := range []struct {
		at, code string
		to       *string
	}{{"/fitted", in.Fitted, &q.Fitted}, {"/cartridge", in.Cartridge, &q.Cartridge}, {"/spring", in.Spring, &q.Spring}} {
		sku, err := a.skuOf(x.at, x.code, wrong)
		if err != nil {
			return err
		}
		*x.to = sku
	}
	for _, x := range []struct {
		at    string
		codes []string
		to    *[]string
	}{{"/kits", in.Kits, &q.Kits}, {"/parts", in.Parts, &q.Parts}, {"/tools_owned", in.ToolsOwned, &q.OwnedTools}} {
		for i, code := range x.codes {
			sku, err := a.skuOf(x.at+"/"+strconv.Itoa(i), orString(code, " "), wrong)
			if err != nil {
				return err
			}
			*x.to = append(*x.to, sku)
		}
	}
	for i, c := range in.CustomerParts {
		sku, err := a.skuOf("/customer_parts/"+strconv.Itoa(i)+"/sku", orString(c.SKU, " "), wrong)
		if err != nil {
			return err
		}
		n := 1.0
		if c.Quantity != nil {
			n = *c.Quantity
			inRange(wrong, "/customer_parts/"+strconv.Itoa(i)+"/quantity", n, 0, 1e6, "The quantity")
		}
		q.Customer = append(q.Customer, job.Supplied{SKU: sku, Quantity: n})
	}
	return nil
}

// skuOf is the SKU behind any code of a part, "" for none.
func (a *asking) skuOf(at, code string, wrong *fault.Fields) (string, error) {
	if code == "" {
		return "", nil
	}
	p, err := a.mustPart(at, code, wrong)
	if p == nil {
		return "", err
	}
	return p.SKU, nil
}

// billDecisions decides about every part that is to be sold: what does not fit this fork, or
// stands under a notice, must not go out with the job.
func (a *asking) billDecisions(q *job.Question, b *job.Bill) (out []decisionOut, worst fitment.Decision) {
	worst = a.decide(fitment.OK, forkSubject(q.Owned.Fork, q.Owned.Serial))
	seen := map[string]bool{}
	for _, l := range b.Lines {
		if !l.Charged || l.SKU == "" || seen[l.SKU] {
			continue
		}
		seen[l.SKU] = true
		v := fitment.Judge(a.rev, &q.Owned, l.SKU)
		d := fitment.OK
		switch v.Verdict {
		case catalog.DoesNotFit, catalog.Unknown:
			d = decisionOf(v.Verdict)
		}
		d = a.decide(d, subject(&v, &q.Owned))
		out = append(out, decisionOut{"part", l.SKU, d.String()})
		worst = max(worst, d)
	}
	for _, o := range b.Open {
		if o.Question != nil || o.Code == "part_not_chosen" || o.Code == "spring_missing" {
			worst = max(worst, fitment.Ask)
		}
	}
	return out, worst
}

func (a *asking) billOut(q *job.Question, b *job.Bill) billOut {
	out := billOut{
		Fork: a.forkBrief(q.Owned.Fork), Jobs: a.jobsOut("job", b.Jobs), Operations: a.jobsOut("operation", b.Operations), Opens: b.Opens,
		Sale: "bench", Minutes: b.Minutes,
	}
	if q.Counter {
		out.Sale = "counter"
	}
	for i := range b.Lines {
		out.Lines = append(out.Lines, a.billLineOut(&b.Lines[i]))
	}
	for _, c := range b.Charges(a.rev, q.Counter) {
		out.Charges = append(out.Charges, chargeOut{c.SKU, a.partName(c.SKU), rounded(c.Quantity), c.Unit, c.Packages, c.Unknown})
	}
	for _, l := range b.LeftOver {
		out.LeftOver = append(out.LeftOver, leftOverOut{l.SKU, l.Item, a.itemName(orString(l.SKU, l.Item)), rounded(l.Quantity), l.Unit, l.Kit})
	}
	for _, l := range b.Labor {
		name, _ := a.rev.Name(l.Of, l.Code)
		out.Labor = append(out.Labor, laborOut{l.Of, l.Code, name, l.SKU, l.Minutes})
	}
	for _, f := range b.Figures {
		out.Figures = append(out.Figures, a.billFigure(f))
	}
	for i, x := range b.Steps {
		out.Steps = append(out.Steps, stepOut{i + 1, x.Code, string(x.Leg), string(x.Side), x.Text, x.Figures, x.Cautions, x.Tick})
	}
	for _, c := range b.Cautions {
		out.Cautions = append(out.Cautions, cautionOut{c.Code, c.Text, c.Reason})
	}
	for _, o := range b.Open {
		out.OpenPoints = append(out.OpenPoints, openPointOut{o.Code, o.Text, o.SKU, questionOut(o.Question)})
	}
	return out
}

func (a *asking) jobsOut(of string, codes []string) []jobOut {
	out := []jobOut{}
	for _, code := range codes {
		name, lang := a.rev.Name(of, code)
		if lang == "" {
			name = strings.ReplaceAll(code, "_", " ")
		}
		out = append(out, jobOut{code, name})
	}
	return out
}

func (a *asking) billLineOut(l *job.Line) billLineOut {
	out := billLineOut{
		SKU: l.SKU, Item: l.Item, Kind: l.Kind, Unit: l.Unit, State: known, Role: string(l.Role), Rule: l.Rule, Sentence: l.Why,
		IncludedIn: l.IncludedIn, Inspect: l.Inspect, Leg: string(l.Leg), Charged: l.Charged, Untraced: l.Untraced,
		Alternatives: l.Alternatives, Question: questionOut(l.Question), WhereToLook: l.WhereToLook, Source: l.Source,
	}
	if l.Verdict != 0 {
		out.Verdict = l.Verdict.String()
	}
	out.Name = strings.ReplaceAll(l.Kind, "_", " ")
	if code := orString(l.SKU, l.Item); code != "" {
		out.Name = a.itemName(code)
	}
	if l.State != "" {
		out.State = l.State
		return out
	}
	n := rounded(l.Quantity)
	out.Quantity = &n
	if l.Unit == "mL" {
		out.Display = unit.Display(l.Quantity, unit.Volume, a.units)
	}
	return out
}

func (a *asking) billFigure(f job.Figure) figureOut {
	out := figureOut{ID: f.ID, Figure: f.Figure, Place: f.Place, Leg: string(f.Leg), OwnerKind: f.OwnerKind, Owner: f.Owner, State: f.State, WhereToLook: f.WhereToLook}
	if f.State == "" {
		a.setNumber(&out, f.Published, f.Publisher, f.Source)
	}
	return out
}

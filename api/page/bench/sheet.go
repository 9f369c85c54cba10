// Package bench lays out the bench sheet: the page a technician works from. It is made from a
// job's bill and steps, never from a fixed text, so a mirrored fork reads right. Every torque,
// socket and volume stands at the step that needs it, as its publisher wrote it, with whose it
// is; what is not in the data is said in words, and nothing is filled in.
package bench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	jsonv1 "github.com/go-json-experiment/json/v1" // as encoding/json reads, in half the time

	"forkwright/api/page/chart"
	"forkwright/service/catalog"
	"forkwright/service/job"
	"forkwright/service/quote"
	"forkwright/service/setup"
	"forkwright/service/unit"
)

// Input is what a sheet is made from.
type Input struct {
	Bill      job.Bill
	Name      func(code string) string // of parts, items, jobs and operations; nil or "": the code itself
	Quote     *quote.Quote             // nil for a sheet without a quote
	Customer  string                   // for the bag; joined when the page is made
	Assembled *setup.Assembled         // of the bill; nil: the sheet has room to write
	WhyNot    string                   // why there is none, as a sentence
	Units     unit.System              // of setup figures and the chart; published figures stay as they are
	Language  string                   // asked for; steps are in English, and the sheet says so
	PageURL   string                   // the web page of the sheet
	Paper     string                   // A4 or Letter; empty: the seller's
}

// OfQuote takes the bill out of a quote. It reports false for a quote without bench work.
func OfQuote(q *quote.Quote) (job.Bill, bool, error) {
	var b job.Bill
	if len(q.Bench) == 0 || string(q.Bench) == "null" {
		return b, false, nil
	}
	if err := jsonv1.Unmarshal(q.Bench, &b); err != nil {
		return b, false, fmt.Errorf("reading the bench work of quote %s: %w", q.ID, err)
	}
	return b, len(b.Steps) > 0, nil
}

// Names finds names in a revision, in the first language that has one.
func Names(rev *catalog.Revision, languages ...string) func(code string) string {
	return func(code string) string {
		for _, of := range []string{"part", "item", "job", "operation", "opening"} {
			if text, found := rev.Name(of, code, languages...); found != "" {
				return text
			}
		}
		if f, ok := rev.Fork(code); ok {
			return rev.MakerName(f) + " " + f.Name
		}
		if c, ok := rev.Chassis(code); ok {
			return c.Name
		}
		if d, ok := rev.Damper(code); ok {
			return d.Name
		}
		if m, ok := rev.Maker(code); ok {
			return m.Name
		}
		return ""
	}
}

// Sheet is what a bench sheet says.
type Sheet struct {
	Title     string
	Shop      string
	Paper     string
	Facts     []Fact
	Legs      chart.Legs
	Jobs      []string
	Open      []string // what has to be settled before the work
	Steps     []Step
	Parts     []Group
	Setup     []Fact
	SetupNote string // what is not settled
	Chart     *chart.ForceTravel
	Cautions  []Caution // of the setup
	Language  string    // a word on the language, where it is not the one asked for
	Foot      string
	PageURL   string
}

// Fact is a name and its value; an empty value is written by hand.
type Fact struct{ Name, Value string }

// Step is one step of the work.
type Step struct {
	No       int
	Leg      string // as "RIGHT leg, spring side"; empty for both or none
	Text     string
	Cautions []Caution
	Figures  []Figure
	Write    []string // what is written down here
	Tick     bool
}

// Caution is a warning. Its reason is given where it comes first.
type Caution struct{ Text, Reason string }

// Figure is a number at a step.
type Figure struct {
	Name   string
	Value  string // as published; empty when it is not in the data
	Also   string // in other units
	Owner  string // whose it is; empty where that follows with the next figure
	Source string
	Look   string // where to look for what is not in the data
}

// Group is the parts that share a fate.
type Group struct {
	Name  string
	Parts []Part
}

// Part is one line of a group.
type Part struct {
	Quantity string // empty when it is not known
	Text     string
	Code     string
	Note     string
	Look     string // where to look for the quantity
}

// New lays out a sheet.
func New(in Input) Sheet {
	l := layout{in: in, side: map[catalog.Leg]catalog.Side{}, told: map[string]bool{}, figures: map[string]job.Figure{}, cautions: map[string]job.Caution{}}
	for _, f := range in.Bill.Figures {
		l.figures[f.ID] = f
	}
	for _, c := range in.Bill.Cautions {
		l.cautions[c.Code] = c
	}
	for _, s := range in.Bill.Steps {
		if s.Side != "" {
			l.side[s.Leg] = s.Side
		}
		if s.Code == "check_fork" {
			l.side[catalog.SpringLeg], l.side[catalog.DamperLeg] = catalog.Side(s.Args["spring_side"]), catalog.Side(s.Args["damper_side"])
		}
	}
	l.head()
	for i, s := range in.Bill.Steps {
		l.step(i+1, s)
	}
	l.parts()
	l.setup()
	return l.out
}

type layout struct {
	in       Input
	out      Sheet
	side     map[catalog.Leg]catalog.Side
	told     map[string]bool // cautions whose reason has been given
	figures  map[string]job.Figure
	cautions map[string]job.Caution
}

func (l *layout) name(code string) string {
	if l.in.Name != nil {
		if n := l.in.Name(code); n != "" {
			return n
		}
	}
	return strings.ReplaceAll(code, "_", " ")
}

func (l *layout) head() {
	o, b := &l.out, &l.in.Bill
	o.Title, o.PageURL, o.Paper = "Bench sheet", l.in.PageURL, l.in.Paper
	add := func(name, value string) {
		if value != "" {
			o.Facts = append(o.Facts, Fact{name, value})
		}
	}
	if q := l.in.Quote; q != nil {
		o.Title = strings.TrimSpace("Bench sheet " + q.Number)
		o.Shop = q.Seller.Name
		if o.Paper == "" {
			o.Paper = q.Seller.Paper
		}
		if q.RevisionNo > 1 {
			add("Revision", strconv.Itoa(q.RevisionNo))
		}
		add("Date", q.IssuedOn)
		add("Reference", q.Reference)
		add("All parts here from", readyOn(q))
		o.Open = l.counts(q)
	}
	add("For", l.in.Customer)
	add("Fork", l.name(b.Fork))
	if b.Minutes > 0 {
		add("Planned", number(b.Minutes, 0)+" min")
	}
	for _, code := range append(slices.Clone(b.Jobs), operationsBeside(b)...) {
		o.Jobs = append(o.Jobs, l.name(code))
	}
	o.Legs = chart.Legs{SpringSide: l.side[catalog.SpringLeg]}
	for _, c := range b.Cautions {
		o.Legs.Inverted = o.Legs.Inverted || c.Code == "inverted_legs"
	}
	for _, p := range b.Open {
		text := p.Text
		if p.Question != nil && p.Question.Text != "" && p.Question.Text != p.Text {
			text += " " + p.Question.Text
		}
		o.Open = append(o.Open, text)
	}
	if lang := l.in.Language; lang != "" && !strings.HasPrefix(strings.ToLower(lang), "en") {
		o.Language = "Asked for in the language " + lang + "; the steps are kept in English."
	}
	o.Foot = fmt.Sprintf("Catalog revision %d · Figures are starting values; the makers' manuals and a qualified technician decide.", b.CatalogRevision)
}

// operationsBeside are the operations of a bill that names no job.
func operationsBeside(b *job.Bill) []string {
	if len(b.Jobs) > 0 {
		return nil
	}
	return b.Operations
}

func (l *layout) step(no int, s job.Step) {
	out := Step{No: no, Leg: l.leg(s.Leg), Text: s.Text, Tick: s.Tick}
	for _, code := range s.Cautions {
		c := l.cautions[code]
		out.Cautions = append(out.Cautions, l.caution(code, c.Text, c.Reason))
	}
	for _, id := range s.Figures {
		if f, ok := l.figures[id]; ok {
			out.Figures = append(out.Figures, l.figure(f))
		}
	}
	for i := 1; i < len(out.Figures); i++ { // whose they are is said once for figures that stand together
		if a, b := &out.Figures[i-1], out.Figures[i]; a.Value != "" && b.Value != "" && a.Owner == b.Owner && a.Source == b.Source {
			a.Owner, a.Source = "", ""
		}
	}
	switch s.Code {
	case "check_fork":
		out.Write = []string{"Serial"}
	case "check_travel", "dry_travel_check":
		out.Write = []string{"Measured, mm"}
	case "check_cartridge":
		out.Write = []string{"Mark read"}
	case "note_clicks":
		out.Write = []string{"Rebound", "Compression", "Other", "counted from"}
	}
	l.out.Steps = append(l.out.Steps, out)
}

func (l *layout) caution(code, text, reason string) Caution {
	if l.told[code] {
		reason = ""
	}
	l.told[code] = true
	return Caution{text, reason}
}

func (l *layout) leg(leg catalog.Leg) string {
	side := strings.ToUpper(string(l.side[leg]))
	switch leg {
	case catalog.SpringLeg:
		return strings.TrimSpace(side+" leg") + ", spring side"
	case catalog.DamperLeg:
		return strings.TrimSpace(side+" leg") + ", damper side"
	case catalog.BothLegs:
		return "BOTH legs"
	}
	return ""
}

var figureNames = map[string]string{
	"torque": "Torque", "socket_before": "Socket, to open", "socket_after": "Socket, to close", "oil_volume": "Oil",
	"foam_soak": "Oil for the foam rings", "air_pressure_max": "Highest pressure",
}

func (l *layout) figure(f job.Figure) Figure {
	name := figureNames[f.Figure]
	if name == "" {
		name = strings.ReplaceAll(f.Figure, "_", " ")
	}
	out := Figure{Name: name}
	if f.State != "" || !f.Published.Known() {
		out.Look = f.WhereToLook
		return out
	}
	out.Value = number(f.Published.Value, 3) + "\u00a0" + label(f.Published.Unit)
	out.Also = also(f, l.in.Units)
	owner := l.name(f.Owner)
	if f.OwnerKind == "part" {
		owner += " (" + f.Owner + ")"
	}
	if f.OwnerKind == "chassis" {
		owner = "all forks of the chassis " + owner
	}
	out.Owner = owner
	out.Source = strings.Join(nonEmpty(l.name(f.Publisher), f.Source), ", ")
	return out
}

// also gives a figure in the other units that are on tools.
func also(f job.Figure, u unit.System) string {
	in := func(d unit.Dimension, name string, decimals int) string {
		if name == f.Published.Unit {
			return ""
		}
		return number(unit.From(f.SI, d, name), decimals) + "\u00a0" + label(name)
	}
	switch f.Figure {
	case "torque":
		if label(f.Published.Unit) == label("N m") {
			return in(unit.Torque, "in-lbf", 0)
		}
		return in(unit.Torque, "N m", 1)
	case "socket_before", "socket_after":
		return in(unit.Length, "mm", 1)
	case "oil_volume", "foam_soak":
		if label(f.Published.Unit) == "mL" && u == unit.Imperial {
			return in(unit.Volume, "fl oz", 2)
		}
		if label(f.Published.Unit) != "mL" {
			return in(unit.Volume, "mL", 1)
		}
	case "air_pressure_max":
		return strings.Join(nonEmpty(in(unit.Pressure, "psi", 0), in(unit.Pressure, "bar", 1)), ", ")
	}
	return ""
}

// label writes a unit as it stands on tools.
func label(u string) string {
	switch u {
	case "N m", "N.m":
		return "N\u00a0m"
	case "cc":
		return "mL"
	case "lb/in":
		return "lbf/in"
	}
	return u
}

var groups = []struct {
	role job.Role
	name string
}{
	{job.New, "New"}, {job.Consumable, "Consumables"}, {job.Included, "From the boxes of the kits"}, {job.CustomerSupplied, "Brought by the customer"},
	{job.Reuse, "Reuse, if sound"}, {job.NeverReuse, "NEVER reuse on this job"}, {job.SetAside, "Set aside: bag and label"}, {job.Tool, "Tools"},
}

func (l *layout) parts() {
	for _, g := range groups {
		out := Group{Name: g.name}
		for _, x := range l.in.Bill.Lines {
			if x.Role == g.role {
				out.Parts = append(out.Parts, l.part(x))
			}
		}
		if len(out.Parts) > 0 {
			l.out.Parts = append(l.out.Parts, out)
		}
	}
	left := Group{Name: "Left over from the boxes: into the bag"}
	for _, x := range l.in.Bill.LeftOver {
		code := x.SKU
		if code == "" {
			code = x.Item
		}
		left.Parts = append(left.Parts, Part{Quantity: quantity(x.Quantity, x.Unit), Text: l.name(code), Code: x.SKU, Note: "from " + x.Kit})
	}
	if len(left.Parts) > 0 {
		l.out.Parts = append(l.out.Parts, left)
	}
}

func (l *layout) part(x job.Line) Part {
	p := Part{Code: x.SKU, Text: l.name(x.SKU)}
	if x.SKU == "" {
		p.Text = l.name(x.Item)
		if x.Item == "" {
			p.Text = strings.ReplaceAll(x.Kind, "_", " ")
		}
	}
	var notes []string
	if x.Leg != catalog.NoLeg {
		notes = append(notes, l.leg(x.Leg))
	}
	if x.IncludedIn != "" {
		notes = append(notes, "in the box of "+x.IncludedIn)
	}
	if x.Inspect != "" {
		notes = append(notes, "check "+x.Inspect)
	}
	if x.Untraced {
		notes = append(notes, "no warranty from us")
	}
	p.Note = strings.Join(notes, "; ")
	if x.State == job.NotInOurData {
		p.Look = x.WhereToLook
		if p.Look == "" {
			p.Look = "the maker's manual"
		}
		return p
	}
	p.Quantity = quantity(x.Quantity, x.Unit)
	return p
}

func quantity(v float64, u string) string {
	if u == "" || u == "each" {
		return number(v, 2)
	}
	return number(v, 2) + "\u00a0" + u
}

// number writes a value with at most so many decimals, without zeros at its end.
func number(v float64, decimals int) string {
	return strconv.FormatFloat(unit.Round(v, decimals), 'f', -1, 64)
}

func nonEmpty(in ...string) []string {
	return slices.DeleteFunc(in, func(s string) bool { return s == "" })
}

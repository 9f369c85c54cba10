package api

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"forkwright/service"
	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
	"forkwright/service/notice"
	"forkwright/service/unit"
)

// CatalogDeps are what answers from the catalog are made with.
type CatalogDeps struct {
	Catalogs    Catalogs
	Notices     Notices
	Stock       Stock
	Gaps        Gaps     // may be nil
	ReceiptKeys [][]byte // the first signs, all verify; none: no receipts
}

// Catalogs gives the revisions that answers are made from; *service.Catalogs is one.
type Catalogs interface {
	Current() (*service.Live, error)
	At(ctx context.Context, number int64) (*service.Live, error) // 0 is the current one
}

// Notices gives what stop-sales, recalls and bulletins say now. A nil set means that nobody
// knows, and turns every ok into a warn.
type Notices interface{ Current() *notice.Set }

// Gaps counts what could not be answered, by cause and subject, so that the catalog's keeper
// learns what is asked for. It must not block.
type Gaps interface{ Count(cause, subject string) }

// view is how much of an answer a caller sees. What only the trade sees is left out where an
// answer is put together; testdata/api/storefront-fields.txt lists what remains.
type view uint8

const (
	forTrade  view = iota // shop, distributor, administrator
	forPublic             // storefront: no evidence, no sources, no counts, no buying price
)

func viewOf(who caller.Caller) view {
	if who.Has(caller.Shop, caller.Distributor, caller.Administrator) {
		return forTrade
	}
	return forPublic
}

// askIn are the parameters of every operation that answers from the catalog.
type askIn struct {
	Units string `query:"units" enum:"metric,imperial"`
}

// revisionIn names the revision of a GET; a POST names it in its body.
type revisionIn struct {
	Revision int64 `query:"catalog_revision" min:"1" max:"1000000000"`
}

// knownIn makes a GET conditional; the comparing is done where the answer is written.
type knownIn struct {
	IfNoneMatch string `header:"If-None-Match"`
}

// asking is one question on its way to an answer: of which revision, for whom, shown how.
type asking struct {
	s       *Server
	rev     *catalog.Revision
	live    *service.Live
	who     caller.Caller
	view    view
	units   unit.System
	now     time.Time
	set     *notice.Set
	notices []notice.Notice // met so far, each once
}

// ask begins a question. Revision 0 is the current one.
func (s *Server) ask(ctx context.Context, who caller.Caller, in askIn, revision int64) (*asking, error) {
	if s.Catalogs == nil {
		return nil, fault.New(fault.Unavailable, "catalog_not_loaded", "No catalog is loaded yet; try again in a moment.")
	}
	if revision < 0 {
		return nil, wrongField("/catalog_revision", "out_of_range", "catalog_revision is a number from 1; leave it out for the current one.")
	}
	live, err := s.Catalogs.At(ctx, revision)
	if err != nil {
		return nil, err
	}
	a := &asking{s: s, rev: live.Revision, live: live, who: who, view: viewOf(who), units: unit.System(in.Units), now: s.Now()}
	if s.Notices != nil {
		a.set = s.Notices.Current()
	}
	return a, nil
}

// answered is the shape of every answer from the catalog. Answer is a pure function of the
// revision, the rules and the question; everything beside it may change from minute to minute.
type answered[A any] struct {
	Reply           `json:"-"`
	CatalogRevision int64         `json:"catalog_revision"`
	RulesVersion    int           `json:"rules_version"`
	Answer          A             `json:"answer"`
	Notices         []noticeOut   `json:"notices"`
	NoticesAsOf     *time.Time    `json:"notices_as_of,omitempty"`
	Decision        string        `json:"decision,omitempty"`
	Decisions       []decisionOut `json:"decisions,omitempty"`
	Receipts        []receiptOut  `json:"receipts,omitempty"`
	Live            *liveOut      `json:"live,omitempty"`
}

// decisionOut is what a page may do with one line, part or fork, notices included.
type decisionOut struct {
	Of       string `json:"of"` // line|fork|part|receipt
	ID       string `json:"id"`
	Decision string `json:"decision"`
}

type noticeOut struct {
	ID         string     `json:"id"`
	Kind       string     `json:"kind"`
	Effect     string     `json:"effect"`
	Text       string     `json:"text"`
	SKU        string     `json:"sku,omitempty"`
	ForkID     string     `json:"fork_id,omitempty"`
	Row        string     `json:"row,omitempty"` // trade only
	Batch      string     `json:"batch,omitempty"`
	SerialFrom string     `json:"serial_from,omitempty"`
	SerialTo   string     `json:"serial_to,omitempty"`
	From       time.Time  `json:"from"`
	Until      *time.Time `json:"until,omitempty"`
}

// answerTo puts an answer into its shape, with the notices met on the way.
func answerTo[A any](a *asking, answer A) answered[A] {
	out := answered[A]{CatalogRevision: a.rev.Number(), RulesVersion: fitment.RulesVersion, Answer: answer, Notices: []noticeOut{}}
	if a.set != nil && !a.set.AsOf.IsZero() {
		at := a.set.AsOf.UTC()
		out.NoticesAsOf = &at
	}
	for _, n := range a.notices {
		out.Notices = append(out.Notices, a.noticeOut(n))
	}
	return out
}

func (a *asking) noticeOut(n notice.Notice) noticeOut {
	out := noticeOut{ID: n.ID, Kind: string(n.Kind), Effect: string(n.Effect), Text: n.Text, SKU: n.SKU, ForkID: n.Fork,
		Batch: n.Batch, SerialFrom: n.SerialFrom, SerialTo: n.SerialTo, From: n.From.UTC()}
	if a.view == forTrade {
		out.Row = n.Row
	}
	if !n.Until.IsZero() {
		at := n.Until.UTC()
		out.Until = &at
	}
	return out
}

// cacheable lets the answer of a GET be kept and asked after, unless it holds what changes by
// the minute or by the caller.
func (o *answered[A]) cacheable(a *asking) {
	if o.Live != nil {
		o.CacheControl = "private, no-store"
		return
	}
	o.CacheControl, o.Vary = "max-age=60, must-revalidate", "Authorization"
	sum := sha256.New()
	fmt.Fprint(sum, a.view, o.Decision, o.Decisions)
	for _, n := range o.Notices {
		fmt.Fprint(sum, "\n", n.ID)
	}
	version := int64(0)
	if a.set != nil {
		version = a.set.Version
	}
	o.ETag = fmt.Sprintf("%d-%d-%d-%s", o.CatalogRevision, o.RulesVersion, version, hex.EncodeToString(sum.Sum(nil)[:6]))
}

// met gathers the notices on a subject for the answer and returns them.
func (a *asking) met(sub notice.Subject) []notice.Notice {
	on := a.set.On(sub, a.now)
	for _, n := range on {
		if !slices.ContainsFunc(a.notices, func(m notice.Notice) bool { return m.ID == n.ID }) {
			a.notices = append(a.notices, n)
		}
	}
	return on
}

// decide merges the notices on a subject into what fitment decided.
func (a *asking) decide(fit fitment.Decision, sub notice.Subject) fitment.Decision {
	switch a.set.Decide(notice.Decision(fit.String()), a.met(sub), a.now) {
	case notice.BlockOf:
		return fitment.Block
	case notice.WarnOf:
		return fitment.Warn
	}
	return fit
}

// decisionOf is what a verdict means for a sale that is this part alone.
func decisionOf(v catalog.Verdict) fitment.Decision {
	switch v {
	case catalog.DoesNotFit:
		return fitment.Block
	case catalog.Unknown:
		return fitment.Ask
	case catalog.FitsWith, catalog.NotInCatalog:
		return fitment.Warn
	}
	return fitment.OK
}

// count notes a question that had no answer. Only codes are subjects: free text may hold
// anything, a name among it.
func (a *asking) count(cause, subject string) {
	if a.s.Gaps == nil {
		return
	}
	if len(subject) > 60 || strings.ContainsAny(subject, " @\t\n") {
		subject = ""
	}
	a.s.Gaps.Count(cause, subject)
}

// ---- small things shared by the operations --------------------------------------------------

// spanOut is a range with both ends.
type spanOut struct {
	From int `json:"from"`
	To   int `json:"to"`
}

// displays are texts for display beside the numbers of an object, by member name.
type displays map[string]string

// show adds the display of one number, when units were asked for.
func (a *asking) show(d *displays, name string, si float64, dim unit.Dimension) {
	text := unit.Display(si, dim, a.units)
	if text == "" {
		return
	}
	if *d == nil {
		*d = displays{}
	}
	(*d)[name] = text
}

// rounded keeps a computed number from being printed with sixteen digits.
func rounded(v float64) float64 { return unit.Round(v, 6) }

func questionOut(q *fault.Question) *problemQuestion {
	if q == nil {
		return nil
	}
	return &problemQuestion{q.Code, q.Text, q.Field, q.Choices}
}

func candidatesOut(list []fault.Candidate) []problemCandidate {
	var out []problemCandidate
	for _, c := range list {
		out = append(out, problemCandidate{c.ID, c.Label})
	}
	return out
}

// partName is a part's English name, else its SKU.
func (a *asking) partName(sku string) string {
	name, _ := a.rev.Name("part", sku)
	return name
}

// forkName is a fork's name with its maker's.
func (a *asking) forkName(f *catalog.Fork) string {
	maker := a.rev.MakerName(f)
	if maker == "" || strings.HasPrefix(f.Name, maker) {
		return f.Name
	}
	return maker + " " + f.Name
}

// oneQuantity takes a value that may be given as value and unit or as the SI member, never as
// both. At is the pointer of the object, si the SI member's name as in mass_kg.
func oneQuantity(wrong *fault.Fields, at, name string, q *unit.Quantity, si string, v *float64, dim unit.Dimension) *float64 {
	switch {
	case q != nil && v != nil:
		wrong.Add(at+"/"+name, "given_twice", "Give %s or %s, not both.", name, si)
	case q != nil:
		x, err := q.SI(dim)
		if err != nil {
			wrong.Add(at+"/"+name+"/unit", "unknown_unit", "%s: %q is not a unit of this; use one of %s.", name, printable(q.Unit), strings.Join(unit.Units(dim), ", "))
			return nil
		}
		return &x
	}
	return v
}

// inRange notes a number outside its range.
func inRange(wrong *fault.Fields, at string, v, low, high float64, what string) bool {
	if v >= low && v <= high {
		return true
	}
	wrong.Add(at, "out_of_range", "%s is %s; it must be from %s to %s.", what, plainNumber(v), plainNumber(low), plainNumber(high))
	return false
}

func plainNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// length notes a text that is longer than the contract allows.
func length(wrong *fault.Fields, at, text string, most int) {
	if n := utf8.RuneCountInString(text); n > most {
		wrong.Add(at, "too_long", "%s has %d characters; at most %d are taken.", memberAt(at), n, most)
	}
}

// few notes a list that is longer than the contract allows, and says whether it is not.
func few(wrong *fault.Fields, at string, n, most int) bool {
	if n > most {
		wrong.Add(at, "too_many", "%s has %d entries; at most %d are taken.", memberAt(at), n, most)
	}
	return n <= most
}

// memberAt is the name at the end of a pointer.
func memberAt(pointer string) string { return pointer[strings.LastIndexAny(pointer, "/:")+1:] }

const firstYear = 1990

// yearFits holds a model year to what the data can know: from 1990 to the year after next.
func (s *Server) yearFits(wrong *fault.Fields, at string, year int) bool {
	return inRange(wrong, at, float64(year), firstYear, float64(s.lastYear()), "The model year")
}

func (s *Server) lastYear() int { return s.Now().Year() + 2 }

// ---- pages ----------------------------------------------------------------------------------

type pageIn struct {
	Cursor string `query:"cursor"`
	Limit  int    `query:"limit" min:"1" max:"200"`
}

const defaultPage = 50

func (p pageIn) limit() int { return cmp.Or(p.Limit, defaultPage) }

// after opens the cursor: the key after which the page begins, "" for the first page.
func (p pageIn) after() (string, error) {
	if p.Cursor == "" {
		return "", nil
	}
	b, err := base64.RawURLEncoding.Strict().DecodeString(p.Cursor)
	if err != nil || len(b) == 0 || hasForbidden(string(b)) {
		return "", wrongField("query:cursor", "bad_cursor", "This cursor is not one of ours; send next_cursor as the page before gave it, or none.")
	}
	return string(b), nil
}

// cursorAt is the cursor of the page that begins after a key.
func cursorAt(key string) string {
	if key == "" {
		return ""
	}
	return base64.RawURLEncoding.EncodeToString([]byte(key))
}

// ---- the fork as owned ----------------------------------------------------------------------

// forkIn is a fork as its owner has it. Everything but the fork itself may be left out; where
// it matters the verdict is unknown and asks for it.
type forkIn struct {
	ForkID          string            `json:"fork_id"`
	Q               string            `json:"q"`
	ModelYear       *int              `json:"model_year"`
	TravelAsBuiltMM *int              `json:"travel_as_built_mm"`
	TravelNowMM     *int              `json:"travel_now_mm"`
	TravelKnownBy   string            `json:"travel_known_by"`
	Options         map[string]string `json:"options"`
	Serial          string            `json:"serial"`
	BuiltOn         string            `json:"built_on"`
	WheelSize       string            `json:"wheel_size"`
	Use             string            `json:"use"`
}

// forkPlaces are the pointers of a fork's members: a body's begin with the object's pointer,
// a query's are parameters.
type forkPlaces func(member string) string

func inBody(at string) forkPlaces { return func(member string) string { return at + "/" + member } }

func inQuery(member string) string {
	if name, _, nested := strings.Cut(member, "/"); nested {
		return "query:" + name
	}
	return "query:" + member
}

var knownBy = []string{string(fitment.Stated), string(fitment.Measured), string(fitment.BySticker), string(fitment.ByMark), string(fitment.ByStanchion)}

var (
	wheelSizes = []string{"20", "24", "26", "27.5", "28", "29"}
	uses       = []string{"trail", "enduro", "downhill", "cross_country", "jump", "assisted"}
)

// facts fills in what is said of a fork beside which one it is, noting all that cannot be. A
// pointer is made only for what is wrong.
func (a *asking) facts(o *fitment.Owned, in *forkIn, at forkPlaces, wrong *fault.Fields) {
	number := func(name string, v *int, low, high int, what string) (n int, ok bool) {
		if v == nil || *v < low || *v > high {
			return 0, v != nil && inRange(wrong, at(name), float64(*v), float64(low), float64(high), what)
		}
		return *v, true
	}
	if year, ok := number("model_year", in.ModelYear, firstYear, a.s.lastYear(), "The model year"); ok {
		o.ModelYear = year
	}
	if mm, ok := number("travel_as_built_mm", in.TravelAsBuiltMM, 40, 300, "The travel as built, in mm,"); ok {
		o.TravelBuilt = fitment.Travel{MM: mm, How: fitment.Stated}
	}
	if mm, ok := number("travel_now_mm", in.TravelNowMM, 20, 300, "The travel now, in mm,"); ok {
		o.TravelNow = fitment.Travel{MM: mm, How: fitment.How(cmp.Or(in.TravelKnownBy, string(fitment.Stated)))}
	}
	word := func(name, v string, words []string) {
		if v != "" && !slices.Contains(words, v) {
			oneOf(wrong, at(name), name, v, words)
		}
	}
	word("travel_known_by", in.TravelKnownBy, knownBy)
	if in.TravelKnownBy != "" && in.TravelNowMM == nil {
		wrong.Add(at("travel_now_mm"), "required", "travel_known_by says how the travel is known; give travel_now_mm too.")
	}
	word("wheel_size", in.WheelSize, wheelSizes)
	word("use", in.Use, uses)
	if in.BuiltOn != "" {
		if _, err := time.Parse(time.DateOnly, in.BuiltOn); err != nil {
			wrong.Add(at("built_on"), "invalid_value", "built_on must be a date such as 2021-03-31.")
		}
	}
	if len(in.Q) > 400 || len(in.Serial) > 60 { // in bytes, which are never fewer than characters
		length(wrong, at("q"), in.Q, 400)
		length(wrong, at("serial"), in.Serial, 60)
	}
	o.WheelSize, o.Use, o.Serial, o.BuiltOn = in.WheelSize, in.Use, strings.TrimSpace(in.Serial), in.BuiltOn
	o.Options = a.options(o.Fork, in.Options, at, wrong)
}

func oneOf(wrong *fault.Fields, at, name, v string, words []string) {
	if v != "" && !slices.Contains(words, v) {
		wrong.Add(at, "invalid_value", "%s is %q; it must be one of %s.", name, printable(v), strings.Join(words, ", "))
	}
}

// chassisFacts are facts that the chassis of a fork settles.
var chassisFacts = []string{"crown", "legs", "spring_side", "damper_leg", "foot_fastener", "gland", "axle"}

// options keeps the facts that the catalog knows by name: a typing error must not be a fact
// that nobody looks at.
func (a *asking) options(f *catalog.Fork, in map[string]string, at forkPlaces, wrong *fault.Fields) map[string]string {
	if len(in) == 0 {
		return nil
	}
	out := make(map[string]string, len(in))
	if len(in) > 40 {
		few(wrong, at("options"), len(in), 40)
	}
	for _, name := range sortedKeys(in) {
		known := name == "damper" || slices.Contains(chassisFacts, name) || len(a.rev.FactValues(name)) > 0 ||
			f != nil && slices.ContainsFunc(a.rev.Options(f.ID), func(o catalog.ForkOption) bool { return o.Fact == name })
		if !known {
			wrong.Add(at("options/"+escaped(name)), "unknown_fact", "The catalog knows no fact %q of forks; see options of GET /v1/forks/{fork_id}.", printable(name))
			continue
		}
		if len(in[name]) > 80 { // in bytes, which are never fewer than characters
			length(wrong, at("options/"+escaped(name)), in[name], 80)
		}
		out[name] = in[name]
	}
	return out
}

// escaped writes a name as a part of a JSON pointer (RFC 6901 section 3).
func escaped(name string) string {
	return strings.ReplaceAll(strings.ReplaceAll(name, "~", "~0"), "/", "~1")
}

func sortedKeys[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// owned is the one fork that a request is about, named by id or by text. Text that does not
// name exactly one fork for sure is a conflict with candidates and a question.
func (a *asking) owned(at string, in *forkIn) (*fitment.Owned, error) {
	o, open, err := a.named(at, in)
	if err != nil {
		return nil, err
	}
	if open != nil {
		return nil, open
	}
	return o, nil
}

// named is owned; that the text is ambiguous is told apart, for lists of forks where it is no
// failure of the request.
func (a *asking) named(at string, in *forkIn) (o *fitment.Owned, ambiguous *fault.Error, err error) {
	var wrong fault.Fields
	o = &fitment.Owned{}
	switch {
	case in.ForkID != "" && in.Q != "":
		wrong.Add(at+"/q", "given_twice", "Name the fork by fork_id or by q, not by both.")
	case in.ForkID != "":
		if f, ok := a.rev.Fork(in.ForkID); ok {
			o.Fork = f
		} else {
			return nil, nil, a.unknownFork(at+"/fork_id", in.ForkID)
		}
	case strings.TrimSpace(in.Q) != "":
		o.Fork, ambiguous = a.searched(in)
	default:
		wrong.Add(at+"/fork_id", "required", "Say which fork it is: fork_id, or q as the customer says it.")
	}
	a.facts(o, in, inBody(at), &wrong)
	if err := wrong.Err(); err != nil {
		return nil, nil, err
	}
	return o, ambiguous, nil
}

// unknownFork refuses a fork id in a body, with the forks that read alike.
func (a *asking) unknownFork(at, id string) error {
	a.count("fork_not_found", id)
	e := fault.As(wrongField(at, "fork_not_found", "There is no fork %q in this catalog; GET /v1/forks finds it by name, year and measurements.", printable(id)))
	e.Candidates = a.forksLike(id)
	return e
}

// forksLike are forks whose name reads like a wrong id.
func (a *asking) forksLike(id string) []fault.Candidate {
	found := a.live.Search.Find(searchText(strings.NewReplacer("-", " ", "_", " ").Replace(id)), 5)
	var out []fault.Candidate
	for _, c := range found.Candidates {
		out = append(out, fault.Candidate{ID: c.Fork.ID, Label: a.forkName(c.Fork)})
	}
	return out
}

// ---- parts by any of their codes ------------------------------------------------------------

// mustPart finds the one part that a code in a body means. A code that several parts share is
// a conflict with candidates; an unknown one is noted.
func (a *asking) mustPart(at, code string, wrong *fault.Fields) (*catalog.Part, error) {
	parts, _ := a.rev.Resolve(code)
	switch len(parts) {
	case 1:
		return parts[0], nil
	case 0:
		a.count("part_not_found", code)
		near := ""
		if list := a.codesLike(code); len(list) > 0 {
			near = "; near it are " + strings.Join(idsOf(list), ", ")
		}
		wrong.Add(at, "unknown_part", "There is no part %q in this catalog%s.", printable(code), near)
		return nil, nil
	}
	return nil, a.ambiguousCode(code, parts)
}

func (a *asking) ambiguousCode(code string, parts []*catalog.Part) *fault.Error {
	a.count("code_ambiguous", code)
	e := fault.New(fault.Conflict, "ambiguous", "Several parts carry the code %s; name the SKU.", printable(code))
	q := fault.Question{Text: "Which of these parts is it? The code on its box is shared; the SKU is on the label.", Field: "sku"}
	q.Code = q.Field
	for _, p := range slices.SortedFunc(slices.Values(parts), func(x, y *catalog.Part) int { return cmp.Compare(x.SKU, y.SKU) }) {
		e.Candidates = append(e.Candidates, fault.Candidate{ID: p.SKU, Label: a.partName(p.SKU)})
		q.Choices = append(q.Choices, p.SKU)
	}
	e.Question = &q
	return e
}

func idsOf(list []fault.Candidate) []string {
	var out []string
	for _, c := range list {
		out = append(out, c.ID)
	}
	return out
}

// codesLike are the SKUs that share the longest beginning with a code, at least four
// characters: parts are sorted by SKU, so they stand where the code would.
func (a *asking) codesLike(code string) []fault.Candidate {
	code = strings.ToUpper(strings.TrimSpace(code))
	parts := a.rev.Parts()
	at, _ := slices.BinarySearchFunc(parts, code, func(p catalog.Part, sku string) int { return cmp.Compare(p.SKU, sku) })
	var near []catalog.Part
	for i := max(0, at-5); i < min(len(parts), at+5); i++ {
		if sharedStart(parts[i].SKU, code) >= 4 {
			near = append(near, parts[i])
		}
	}
	slices.SortStableFunc(near, func(x, y catalog.Part) int { return cmp.Compare(sharedStart(y.SKU, code), sharedStart(x.SKU, code)) })
	var out []fault.Candidate
	for _, p := range near[:min(len(near), 5)] {
		out = append(out, fault.Candidate{ID: p.SKU, Label: a.partName(p.SKU)})
	}
	return out
}

func sharedStart(a, b string) int {
	n := 0
	for n < min(len(a), len(b)) && a[n] == b[n] {
		n++
	}
	return n
}

// ---- figures --------------------------------------------------------------------------------

// figureOut is a torque, volume, socket or other number of one thing, or the statement that it
// is not in our data and where to look.
type figureOut struct {
	ID          string         `json:"id,omitempty"`
	Figure      string         `json:"figure"`
	Place       string         `json:"place,omitempty"`
	Leg         string         `json:"leg,omitempty"`
	State       string         `json:"state"` // known|not_in_our_data
	Published   *unit.Quantity `json:"published,omitempty"`
	SI          *unit.Quantity `json:"si,omitempty"`
	Display     string         `json:"display,omitempty"`
	OwnerKind   string         `json:"owner_kind"`
	Owner       string         `json:"owner"`
	Publisher   string         `json:"publisher,omitempty"` // trade only
	Source      string         `json:"source,omitempty"`    // trade only
	WhereToLook string         `json:"where_to_look,omitempty"`
}

const known = "known"

var figureDimensions = map[string]unit.Dimension{
	"torque": unit.Torque, "socket_before": unit.Length, "socket_after": unit.Length,
	"oil_volume": unit.Volume, "foam_soak": unit.Volume, "air_pressure_max": unit.Pressure,
}

// setNumber fills in a known number. A unit that cannot be read leaves the SI member out.
func (a *asking) setNumber(out *figureOut, p catalog.Published, publisher, source string) {
	out.State, out.Published = known, &unit.Quantity{Value: p.Value, Unit: p.Unit}
	if a.view == forTrade {
		out.Publisher, out.Source = publisher, source
	}
	dim := figureDimensions[out.Figure]
	if si, err := p.SI(dim); err == nil && !math.IsNaN(si) {
		out.SI = &unit.Quantity{Value: rounded(si), Unit: unit.Units(dim)[0]}
		// A socket is a tool: it is called by its millimeters whatever the display.
		if !strings.HasPrefix(out.Figure, "socket") {
			out.Display = unit.Display(si, dim, a.units)
		}
	}
}

// ---- verdicts -------------------------------------------------------------------------------

type verdictOut struct {
	SKU          string           `json:"sku"`
	Name         string           `json:"name,omitempty"`
	Kind         string           `json:"kind,omitempty"`
	Verdict      string           `json:"verdict"`
	SupersededBy string           `json:"superseded_by,omitempty"`
	Reasons      []reasonOut      `json:"reasons"`
	Requires     []requirementOut `json:"requires,omitempty"`
	Question     *problemQuestion `json:"question,omitempty"`
	Nearest      *nearestOut      `json:"nearest,omitempty"`
}

type reasonOut struct {
	Code     string `json:"code"`
	Text     string `json:"text"`
	Fact     string `json:"fact,omitempty"`
	Want     string `json:"want,omitempty"`
	Have     string `json:"have,omitempty"`
	Row      string `json:"row,omitempty"`      // trade only
	Evidence string `json:"evidence,omitempty"` // trade only
	Source   string `json:"source,omitempty"`   // trade only
}

type requirementOut struct {
	Kind     string  `json:"kind"`
	SKU      string  `json:"sku,omitempty"`
	Quantity float64 `json:"quantity,omitempty"`
	Text     string  `json:"text"`
}

type nearestOut struct {
	SKU     string `json:"sku"`
	Name    string `json:"name"`
	Verdict string `json:"verdict"`
	Why     string `json:"why"`
}

func (a *asking) verdictOut(v *fitment.Answer) verdictOut {
	out := verdictOut{SKU: v.SKU, Verdict: v.Verdict.String(), SupersededBy: v.Follows, Reasons: a.reasonsOut(v.Reasons),
		Requires: a.requirementsOut(v.Requires), Question: questionOut(v.Question)}
	if p, ok := a.rev.Part(v.SKU); ok {
		out.Name, out.Kind = cmp.Or(a.rev.Card(p).Name, p.SKU), p.Kind
	}
	if n := v.Nearest; n != nil {
		out.Nearest = &nearestOut{SKU: n.SKU, Name: a.partName(n.SKU), Verdict: n.Verdict.String(), Why: n.Why}
	}
	return out
}

func (a *asking) reasonsOut(reasons []fitment.Reason) []reasonOut {
	out := make([]reasonOut, len(reasons))
	for i := range reasons {
		r, x := &reasons[i], &out[i]
		*x = reasonOut{Code: r.Code, Text: r.Text, Fact: r.Fact, Want: r.Want, Have: r.Have}
		if a.view == forTrade {
			x.Row, x.Evidence, x.Source = r.Row, r.Evidence, r.Source
		}
	}
	return out
}

func (a *asking) requirementsOut(list []catalog.Requirement) []requirementOut {
	var out []requirementOut
	for _, q := range list {
		out = append(out, requirementOut{Kind: q.Kind, SKU: q.Part, Quantity: q.Quantity, Text: fitment.RequirementText(a.rev, q)})
	}
	return out
}

// subject is what notices may be about in a verdict.
func subject(v *fitment.Answer, o *fitment.Owned) notice.Subject {
	return service.Subject(v.SKU, o, v.Reasons)
}

package api

import (
	"encoding"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"forkwright/service/fault"
)

// Where a field of an input comes from. The value is the prefix of the pointer
// in a problem, as in "query:model_year".
const (
	fromPath   = "path"
	fromQuery  = "query"
	fromHeader = "header"
)

// plan is how to fill one input type.
type plan struct {
	params []param
	query  map[string]int // name -> index in params
	body   *bodyPlan
	stream *streamPlan
	accept []int // field index of the negotiated media type
	sent   []int // field index of the body's media type
}

// param is one value from path, query or header.
type param struct {
	source   string
	name     string
	pointer  string // of problems: query:model_year
	index    []int
	required bool
	def      string
	minLen   int
	maxLen   int
	parse    parser
}

// parser sets one field; what it returns completes "model_year must be ...".
type parser func(field reflect.Value, text string) (want string)

type bodyPlan struct {
	index    []int
	optional bool // the field is a pointer
	nulls    bool // null is a value in this body
}

type streamPlan struct {
	index []int
	types []string
	gzip  bool // Content-Encoding: gzip is taken and unfolded
}

// request is what a plan fills an input from.
type request struct {
	*http.Request
	writer  http.ResponseWriter
	media   string
	maxBody int64
	pace    time.Duration // of a stream: for each paceBytes
	timeout time.Duration // of a stream: for all of it
	param   func(name string) (string, error)
}

// planOf reads the tags of an input type:
//
//	ForkID    string   `path:"fork_id"`
//	ModelYear *int     `query:"model_year" min:"1990" max:"2100"`
//	Units     string   `query:"units" enum:"metric,imperial" default:"metric"`
//	Options   []string `query:"options" maxitems:"20" maxitem:"40"` // a,b,c: how many, and how long each
//	On        time.Time `query:"on" format:"date"`       // else RFC 3339
//	Key       string   `header:"Idempotency-Key" minlen:"1" maxlen:"100" required:"true"`
//	Media     string   `accept:""`                        // the negotiated media type
//	Body      QuoteIn  `body:""`                          // strict JSON; a pointer: may be absent; body:"nulls": null allowed
//	Rows      io.Reader `stream:"text/csv" gzip:"true"`   // the body as it comes, limited; may be compressed
//	Type      string    `contenttype:""`                  // which of a stream's types it is
//
// A pointer tells "not given" from zero. Named string types, and types with
// UnmarshalText, work as they are. Embedded structs are looked into.
func planOf(t reflect.Type) (*plan, error) {
	p := &plan{query: map[string]int{}}
	if t.Kind() != reflect.Struct {
		return nil, fmt.Errorf("input %s is no struct", t)
	}
	for _, f := range reflect.VisibleFields(t) {
		if err := p.add(f); err != nil {
			return nil, fmt.Errorf("field %s.%s: %w", t, f.Name, err)
		}
	}
	return p, nil
}

func (p *plan) add(f reflect.StructField) error {
	if _, ok := f.Tag.Lookup("body"); ok {
		p.body = &bodyPlan{index: f.Index, optional: f.Type.Kind() == reflect.Pointer, nulls: f.Tag.Get("body") == "nulls"}
		return nil
	}
	if types, ok := f.Tag.Lookup("stream"); ok {
		if f.Type != reflect.TypeFor[io.Reader]() {
			return fmt.Errorf("a stream is an io.Reader, not %s", f.Type)
		}
		p.stream = &streamPlan{index: f.Index, types: strings.Split(types, ","), gzip: f.Tag.Get("gzip") == "true"}
		return nil
	}
	if _, ok := f.Tag.Lookup("accept"); ok {
		p.accept = f.Index
		return nil
	}
	if _, ok := f.Tag.Lookup("contenttype"); ok {
		p.sent = f.Index
		return nil
	}
	for _, source := range []string{fromPath, fromQuery, fromHeader} {
		if name, ok := f.Tag.Lookup(source); ok {
			return p.addParam(source, name, f)
		}
	}
	if f.Anonymous || len(f.Index) > 1 {
		return nil // its own fields are visited too
	}
	return fmt.Errorf("no tag says where it comes from")
}

func (p *plan) addParam(source, name string, f reflect.StructField) error {
	parse, err := parserFor(f.Type, f.Tag)
	if err != nil {
		return err
	}
	maxLen := 200
	if n, err := strconv.Atoi(f.Tag.Get("maxlen")); err == nil {
		maxLen = n
	}
	minLen, _ := strconv.Atoi(f.Tag.Get("minlen"))
	if source == fromQuery {
		p.query[name] = len(p.params)
	}
	p.params = append(p.params, param{
		source: source, name: name, pointer: source + ":" + name, index: f.Index, parse: parse, minLen: minLen, maxLen: maxLen,
		required: source == fromPath || f.Tag.Get("required") == "true",
		def:      f.Tag.Get("default"),
	})
	return nil
}

// names lists the parameters from one source.
func (p *plan) names(source string) []string {
	var names []string
	for _, a := range p.params {
		if a.source == source {
			names = append(names, a.name)
		}
	}
	return names
}

// consumes lists the media types of the body, sorted.
func (p *plan) consumes() []string {
	switch {
	case p.body != nil:
		return []string{mediaJSON}
	case p.stream != nil:
		return slices.Sorted(slices.Values(p.stream.types))
	}
	return nil
}

// fill fills in from the request. Everything that is wrong outside the body is
// reported at once; the body is read only when the rest is right.
func (p *plan) fill(in reflect.Value, r request) error {
	var wrong fault.Fields
	given, err := p.readQuery(r.URL.RawQuery, &wrong)
	if err != nil {
		return err
	}
	for i := range p.params {
		p.params[i].fill(in, r, given, i, &wrong)
	}
	if err := wrong.Err(); err != nil {
		return err
	}
	if p.accept != nil {
		in.FieldByIndex(p.accept).SetString(r.media)
	}
	if p.sent != nil {
		in.FieldByIndex(p.sent).SetString(mediaType(r.Header))
	}
	return p.fillBody(in, r)
}

// given holds the query's values by the index of their parameter.
type given []*string

// readQuery walks the raw query once: unknown names and repeated ones are
// refused, because a typing error must not be an ignored filter.
func (p *plan) readQuery(raw string, wrong *fault.Fields) (given, error) {
	if raw == "" {
		return nil, nil
	}
	values := make(given, len(p.params))
	for pair := range strings.SplitSeq(raw, "&") {
		if pair == "" {
			continue
		}
		k, v, _ := strings.Cut(pair, "=")
		name, err1 := url.QueryUnescape(k)
		value, err2 := url.QueryUnescape(v)
		if err1 != nil || err2 != nil {
			return nil, fault.New(fault.Malformed, "malformed_query", "The query string has a percent sign that is not followed by two hexadecimal digits; write it as %25.")
		}
		i, known := p.query[name]
		switch {
		case !known:
			wrong.Add("query:"+printable(name), "unknown_parameter", "There is no query parameter %q here; %s", printable(name), p.knownQuery())
		case values[i] != nil:
			wrong.Add("query:"+name, "repeated_parameter", "%s is given twice; give it once, several values separated by commas where a list is allowed.", name)
		default:
			values[i] = &value
		}
	}
	return values, nil
}

func (p *plan) knownQuery() string {
	names := p.names(fromQuery)
	if len(names) == 0 {
		return "this operation takes none."
	}
	slices.Sort(names)
	return "known are " + strings.Join(names, ", ") + "."
}

func (a *param) fill(in reflect.Value, r request, given given, i int, wrong *fault.Fields) {
	text, present, err := a.text(r, given, i)
	pointer := a.pointer
	switch {
	case err != nil:
		wrong.Add(pointer, "malformed", "%s has a percent sign that is not followed by two hexadecimal digits.", a.name)
		return
	case !present && a.required:
		wrong.Add(pointer, "required", "%s is required here.", a.name)
		return
	case !present && a.def == "":
		return
	case !present:
		text = a.def
	}
	if code, why := checkText(text, a.maxLen); code != "" {
		wrong.Add(pointer, code, "%s %s", a.name, why)
		return
	}
	if utf8.RuneCountInString(text) < a.minLen {
		wrong.Add(pointer, "too_short", "%s must have at least %d characters, or be left out.", a.name, a.minLen)
		return
	}
	if want := a.parse(in.FieldByIndex(a.index), text); want != "" {
		wrong.Add(pointer, "invalid_value", "%s must be %s; it is %q.", a.name, want, text)
	}
}

func (a *param) text(r request, given given, i int) (text string, present bool, err error) {
	switch a.source {
	case fromPath:
		text, err = r.param(a.name)
		return text, true, err
	case fromHeader:
		values := r.Header.Values(a.name)
		return strings.Join(values, ", "), len(values) > 0, nil
	}
	if given == nil || given[i] == nil {
		return "", false, nil
	}
	return *given[i], true, nil
}

// checkText refuses what no name, code or search text contains and what a
// database would choke on.
func checkText(s string, maxLen int) (code, why string) {
	if !utf8.ValidString(s) {
		return "invalid_utf8", "is not UTF-8 text."
	}
	if hasControl(s) {
		return "control_character", "contains a control character; take it out."
	}
	if n := utf8.RuneCountInString(s); n > maxLen {
		return "too_long", fmt.Sprintf("has %d characters; at most %d are taken.", n, maxLen)
	}
	return "", ""
}

func hasControl(s string) bool {
	return strings.ContainsFunc(s, func(r rune) bool { return r < 0x20 || r >= 0x7f && r < 0xa0 })
}

// printable keeps a stranger's text short and harmless in our sentences.
func printable(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r < 0xa0 || r == utf8.RuneError {
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// parserFor picks how a text becomes a value of type t.
func parserFor(t reflect.Type, tag reflect.StructTag) (parser, error) {
	if t.Kind() == reflect.Pointer {
		inner, err := parserFor(t.Elem(), tag)
		if err != nil {
			return nil, err
		}
		return func(f reflect.Value, s string) string {
			f.Set(reflect.New(t.Elem()))
			return inner(f.Elem(), s)
		}, nil
	}
	if t == reflect.TypeFor[time.Time]() {
		return timeParser(tag.Get("format")), nil
	}
	if reflect.PointerTo(t).Implements(reflect.TypeFor[encoding.TextUnmarshaler]()) {
		return textParser, nil
	}
	switch t.Kind() {
	case reflect.String:
		return stringParser(tag.Get("enum")), nil
	case reflect.Bool:
		return boolParser, nil
	case reflect.Int, reflect.Int64:
		return numberParser(tag, "a whole number", setInt)
	case reflect.Float64:
		return numberParser(tag, "a number", setFloat)
	case reflect.Slice:
		return listParser(t, tag)
	}
	return nil, fmt.Errorf("no way to read a %s from text", t)
}

func stringParser(enum string) parser {
	if enum == "" {
		return func(f reflect.Value, s string) string { f.SetString(s); return "" }
	}
	allowed := strings.Split(enum, ",")
	return func(f reflect.Value, s string) string {
		if !slices.Contains(allowed, s) {
			return "one of " + strings.Join(allowed, ", ")
		}
		f.SetString(s)
		return ""
	}
}

func boolParser(f reflect.Value, s string) string {
	if s != "true" && s != "false" {
		return "true or false"
	}
	f.SetBool(s == "true")
	return ""
}

func textParser(f reflect.Value, s string) string {
	err := f.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(s))
	if err == nil {
		return ""
	}
	if e := fault.As(err); e != nil {
		return e.Text
	}
	return "written differently"
}

func timeParser(format string) parser {
	layout, want := time.RFC3339, "a time such as 2026-03-31T14:00:00Z"
	if format == "date" {
		layout, want = time.DateOnly, "a date such as 2026-03-31"
	}
	return func(f reflect.Value, s string) string {
		at, err := time.Parse(layout, s)
		if err != nil {
			return want
		}
		f.Set(reflect.ValueOf(at))
		return ""
	}
}

func setInt(f reflect.Value, s string) (float64, bool) {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return 0, false
	}
	f.SetInt(n)
	return float64(n), true
}

func setFloat(f reflect.Value, s string) (float64, bool) {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) || strings.ContainsAny(s, "xX_pP") {
		return 0, false
	}
	f.SetFloat(x)
	return x, true
}

func numberParser(tag reflect.StructTag, want string, set func(reflect.Value, string) (float64, bool)) (parser, error) {
	low, high := math.Inf(-1), math.Inf(1)
	for name, bound := range map[string]*float64{"min": &low, "max": &high} {
		text, ok := tag.Lookup(name)
		if !ok {
			continue
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return nil, fmt.Errorf("tag %s: %w", name, err)
		}
		*bound = x
		want += map[string]string{"min": " of at least ", "max": " of at most "}[name] + text
	}
	if !math.IsInf(low, 0) && !math.IsInf(high, 0) {
		kind, _, _ := strings.Cut(want, " of at ")
		want = kind + " from " + tag.Get("min") + " to " + tag.Get("max")
	}
	return func(f reflect.Value, s string) string {
		x, ok := set(f, s)
		if !ok || x < low || x > high {
			return want
		}
		return ""
	}, nil
}

func listParser(t reflect.Type, tag reflect.StructTag) (parser, error) {
	one, err := parserFor(t.Elem(), tag)
	if err != nil {
		return nil, err
	}
	most, longest := mostOf(tag, "maxitems"), mostOf(tag, "maxitem")
	return func(f reflect.Value, s string) string {
		parts := strings.Split(s, ",")
		if len(parts) > most {
			return fmt.Sprintf("a list of at most %d, separated by commas", most)
		}
		list := reflect.MakeSlice(t, len(parts), len(parts))
		for i, part := range parts {
			if part == "" {
				return "a list separated by commas, without an empty place"
			}
			if utf8.RuneCountInString(part) > longest {
				return fmt.Sprintf("a list separated by commas, each of at most %d characters", longest)
			}
			if want := one(list.Index(i), part); want != "" {
				return "a list separated by commas, each " + want
			}
		}
		f.Set(list)
		return ""
	}, nil
}

// mostOf is the number of a tag, or no limit without one.
func mostOf(tag reflect.StructTag, name string) int {
	if n, err := strconv.Atoi(tag.Get(name)); err == nil {
		return n
	}
	return math.MaxInt
}

// mediaType is the content type of a request without its parameters.
func mediaType(h http.Header) string {
	m, _, err := mime.ParseMediaType(h.Get("Content-Type"))
	if err != nil {
		return ""
	}
	return m
}

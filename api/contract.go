package api

import (
	"bytes"
	"context"
	stdjson "encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/mail"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"forkwright/api/edge"
	"forkwright/service/fault"
)

// Contract is openapi.yaml, loaded and checked, as something that requests and
// answers can be held to.
type Contract struct {
	doc    *openapi3.T
	router routers.Router
}

// LoadContract loads and validates the document.
func LoadContract(spec []byte) (*Contract, error) {
	registerFormats()
	doc, err := openapi3.NewLoader().LoadFromData(spec)
	if err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	if err := doc.Validate(context.Background()); err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	router, err := gorillamux.NewRouter(doc)
	if err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	return &Contract{doc: doc, router: router}, nil
}

// Document is the whole document as JSON, with its references as they stand.
func (c *Contract) Document() ([]byte, error) { return c.doc.MarshalJSON() }

// ContractOperation is one operation as the document declares it.
type ContractOperation struct {
	Method, Path, ID string
	Public           bool     // security: []
	Parameters       []string // "query:units", "path:fork_id", "header:If-Match"; sorted
	Consumes         []string // request media types; sorted
	Produces         []string // media types of 2xx answers; sorted
	Statuses         []string // sorted
	RequestExample   []byte   // the first JSON example of the body, nil when there is none
	ExampleTarget    string   // path and query from the examples of the parameters, "" when one of the path has none
	Summary          string
	Deprecated       bool
}

// Operations lists what the document declares, by path and method.
func (c *Contract) Operations() []ContractOperation {
	var out []ContractOperation
	for path, item := range c.doc.Paths.Map() {
		for method, o := range item.Operations() {
			out = append(out, describe(method, path, item, o))
		}
	}
	slices.SortFunc(out, func(a, b ContractOperation) int {
		return strings.Compare(a.Path+" "+a.Method, b.Path+" "+b.Method)
	})
	return out
}

func describe(method, path string, item *openapi3.PathItem, o *openapi3.Operation) ContractOperation {
	d := ContractOperation{Method: method, Path: path, ID: o.OperationID, Summary: o.Summary, Deprecated: o.Deprecated}
	d.Public = o.Security != nil && len(*o.Security) == 0
	for _, p := range append(slices.Clone(item.Parameters), o.Parameters...) {
		d.Parameters = append(d.Parameters, p.Value.In+":"+p.Value.Name)
	}
	slices.Sort(d.Parameters)
	d.ExampleTarget = exampleTarget(path, append(slices.Clone(item.Parameters), o.Parameters...))
	if o.RequestBody != nil {
		d.Consumes = slices.Sorted(maps.Keys(o.RequestBody.Value.Content))
		d.RequestExample = exampleOf(o.RequestBody.Value.Content.Get(mediaJSON))
	}
	produces := map[string]bool{}
	for status, r := range o.Responses.Map() {
		d.Statuses = append(d.Statuses, status)
		if strings.HasPrefix(status, "2") {
			for media := range r.Value.Content {
				produces[media] = true
			}
		}
	}
	slices.Sort(d.Statuses)
	d.Produces = slices.Sorted(maps.Keys(produces))
	return d
}

// exampleTarget fills a path and its query with the examples of the parameters.
func exampleTarget(path string, params openapi3.Parameters) string {
	query := url.Values{}
	for _, p := range params {
		text, ok := exampleText(p.Value.Example)
		switch {
		case p.Value.In == fromPath && !ok:
			return ""
		case p.Value.In == fromPath:
			path = strings.ReplaceAll(path, "{"+p.Value.Name+"}", url.PathEscape(text))
		case p.Value.In == fromQuery && ok:
			query.Set(p.Value.Name, text)
		}
	}
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	return path
}

// exampleText writes an example as a query does: a list with commas.
func exampleText(example any) (string, bool) {
	switch v := example.(type) {
	case nil:
		return "", false
	case []any:
		texts := make([]string, len(v))
		for i := range v {
			texts[i], _ = exampleText(v[i])
		}
		return strings.Join(texts, ","), true
	}
	return fmt.Sprint(example), true
}

func exampleOf(m *openapi3.MediaType) []byte {
	if m == nil {
		return nil
	}
	value := m.Example
	for _, name := range slices.Sorted(maps.Keys(m.Examples)) {
		if value == nil {
			value = m.Examples[name].Value.Value
		}
	}
	if value == nil {
		return nil
	}
	b, err := json.Marshal(value, json.Deterministic(true))
	if err != nil {
		return nil
	}
	return b
}

// Violation is a request or an answer that the contract does not allow.
type Violation struct {
	What string // "request" or "answer"
	Err  error
}

func (v *Violation) Error() string { return "contract: " + v.What + ": " + v.Err.Error() }

// Unwrap gives the finding.
func (v *Violation) Unwrap() error { return v.Err }

// Exchange is one request and its answer.
type Exchange struct {
	Request     *http.Request
	RequestBody []byte
	Status      int
	Header      http.Header
	Body        []byte
}

// CheckRequest says whether the contract allows the request; nil when it does.
func (c *Contract) CheckRequest(x Exchange) error {
	input, err := c.input(x)
	if err != nil {
		return &Violation{"request", err}
	}
	if err := openapi3filter.ValidateRequest(x.Request.Context(), input); err != nil {
		return &Violation{"request", err}
	}
	return nil
}

// CheckAnswer says whether the contract declares the answer: its status, media
// type, headers and body. An answer to an unknown path or method must be a
// problem.
func (c *Contract) CheckAnswer(x Exchange) error {
	input, err := c.input(x)
	if err != nil {
		if err := c.checkUnrouted(x); err != nil {
			return &Violation{"answer", err}
		}
		return nil
	}
	err = openapi3filter.ValidateResponse(x.Request.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: input,
		Status:                 x.Status,
		Header:                 x.Header,
		Body:                   io.NopCloser(bytes.NewReader(x.Body)),
		Options:                &openapi3filter.Options{IncludeResponseStatus: true},
	})
	if err != nil {
		return &Violation{"answer", err}
	}
	return nil
}

// input finds the operation. HEAD is held to GET. The request is a copy with
// its own body, since the checker reads it to the end.
func (c *Contract) input(x Exchange) (*openapi3filter.RequestValidationInput, error) {
	req := x.Request.Clone(x.Request.Context())
	if req.Method == http.MethodHead {
		req.Method = http.MethodGet
	}
	req.Body = io.NopCloser(bytes.NewReader(x.RequestBody))
	found, params, err := c.router.FindRoute(req)
	if err != nil {
		return nil, err
	}
	for name, value := range params { // the router matches escaped paths
		if plain, err := url.PathUnescape(value); err == nil {
			params[name] = plain
		}
	}
	return &openapi3filter.RequestValidationInput{
		Request: req, PathParams: params, Route: found,
		Options: &openapi3filter.Options{
			AuthenticationFunc:  openapi3filter.NoopAuthenticationFunc,
			SkipSettingDefaults: true,
			ExcludeRequestBody:  mediaType(req.Header) != mediaJSON && len(x.RequestBody) > 0 && found.Operation.RequestBody != nil,
		},
	}, nil
}

func (c *Contract) checkUnrouted(x Exchange) error {
	if x.Request.Method == http.MethodOptions && x.Status == http.StatusNoContent {
		return nil
	}
	if x.Status != http.StatusNotFound && x.Status != http.StatusMethodNotAllowed {
		return fmt.Errorf("%s %s is not in the contract but was answered with %d", x.Request.Method, x.Request.URL.Path, x.Status)
	}
	if got := x.Header.Get("Content-Type"); got != mediaProblem {
		return fmt.Errorf("status %d is %q and no problem", x.Status, got)
	}
	if x.Request.Method == http.MethodHead {
		return nil
	}
	schema := c.doc.Components.Schemas["Problem"]
	if schema == nil {
		return errors.New("the contract has no schema Problem")
	}
	var doc any
	if err := json.Unmarshal(x.Body, &doc); err != nil {
		return err
	}
	return schema.Value.VisitJSON(doc, openapi3.EnableJSONSchema2020())
}

// Enforce holds everything that passes to the contract. An answer that the
// contract does not declare, or a success for a request that it does not allow,
// becomes a 500: the two have drifted apart and somebody must hear of it. A
// refusal of a bad request passes, because its own sentence is better than any
// that a schema can give.
func (c *Contract) Enforce(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		kept := &keptBody{ReadCloser: r.Body, whole: mediaType(r.Header) == mediaJSON}
		if r.Body != nil {
			r.Body = kept
		}
		rec := &recorder{header: w.Header(), under: w}
		next.ServeHTTP(rec, r)
		x := Exchange{Request: r, RequestBody: kept.read.Bytes(), Status: orInt(rec.status, http.StatusOK), Header: rec.header, Body: rec.body.Bytes()}
		err := c.CheckAnswer(x)
		if err == nil && x.Status < 300 && r.Method != http.MethodOptions {
			err = c.CheckRequest(x)
		}
		if err != nil {
			edge.RecordOf(r.Context()).Cause = err
			writeProblem(w, r, fault.New(fault.Internal, "contract_violation", "This request or its answer is not as openapi.yaml says. That is our mistake; report the request_id."))
			return
		}
		w.WriteHeader(x.Status)
		_, _ = w.Write(x.Body)
	})
}

// keptBody keeps what a handler read, for the check afterwards; of what is no JSON, and may be
// a long stream, only the beginning.
type keptBody struct {
	io.ReadCloser
	whole bool
	read  bytes.Buffer
}

func (k *keptBody) Read(p []byte) (int, error) {
	n, err := k.ReadCloser.Read(p)
	if k.whole || k.read.Len() < 1<<10 {
		k.read.Write(p[:n])
	}
	return n, err
}

// recorder holds an answer back until it is checked. Headers go straight to the
// real answer, which has not begun.
type recorder struct {
	header http.Header
	under  http.ResponseWriter
	status int
	body   bytes.Buffer
}

func (r *recorder) Header() http.Header { return r.header }

func (r *recorder) WriteHeader(status int) {
	if r.status == 0 {
		r.status = status
	}
}

func (r *recorder) Write(b []byte) (int, error) {
	r.WriteHeader(http.StatusOK)
	return r.body.Write(b)
}

func (r *recorder) Unwrap() http.ResponseWriter { return r.under }

// registerFormats teaches the checker the formats it does not know (it accepts
// anything for those) and the media types that are plain text. Its tables are
// plain global maps, so this happens once, before any request.
var registerFormats = sync.OnceFunc(func() {
	check := func(name string, f func(string) error) {
		openapi3.DefineStringFormatValidator(name, openapi3.NewCallbackValidator(f))
	}
	openapi3.DefineStringFormatValidator("uuid", openapi3.NewRegexpFormatValidator(openapi3.FormatOfStringForUUIDOfRFC9562))
	check("email", func(s string) error {
		a, err := mail.ParseAddress(s)
		if err == nil && a.Address != s {
			err = errors.New("not a bare address")
		}
		return err
	})
	check("uri", func(s string) error {
		u, err := url.Parse(s)
		if err == nil && !u.IsAbs() {
			err = errors.New("not absolute")
		}
		return err
	})
	check("uri-reference", func(s string) error { _, err := url.Parse(s); return err })
	check("time", func(s string) error { _, err := time.Parse("15:04:05.999999999Z07:00", s); return err })
	check("date", func(s string) error { _, err := time.Parse(time.DateOnly, s); return err })
	check("date-time", func(s string) error { _, err := time.Parse(time.RFC3339Nano, s); return err })
	check("ipv4", func(s string) error { _, err := netip.ParseAddr(s); return err })
	decimal := regexp.MustCompile(`^-?[0-9]{1,15}(\.[0-9]{1,9})?$`)
	check("decimal", func(s string) error {
		if !decimal.MatchString(s) {
			return errors.New("not a decimal number")
		}
		return nil
	})
	for _, media := range []string{mediaJSON, mediaProblem} {
		openapi3filter.RegisterBodyDecoder(media, decodeExact)
	}
	for _, media := range []string{"text/html", "text/csv", "text/css", "text/javascript", "text/plain", "image/svg+xml", "application/xml", "application/yaml", "application/x-ndjson"} {
		openapi3filter.RegisterBodyDecoder(media, openapi3filter.PlainBodyDecoder)
	}
	for _, media := range []string{"application/pdf", "application/zip", "image/png"} {
		openapi3filter.RegisterBodyDecoder(media, openapi3filter.FileBodyDecoder)
	}
})

// decodeExact is the checker's JSON: duplicates, bad UTF-8 and trailing data
// refused as in our own decoder.
func decodeExact(body io.Reader, _ http.Header, _ *openapi3.SchemaRef, _ openapi3filter.EncodingFn) (any, error) {
	var v any
	numbers := json.WithUnmarshalers(json.UnmarshalFromFunc(func(d *jsontext.Decoder, p *any) error {
		if d.PeekKind() != '0' {
			return errors.ErrUnsupported
		}
		tok, err := d.ReadValue()
		*p = stdjson.Number(tok)
		return err
	}))
	err := json.UnmarshalRead(body, &v, numbers)
	return v, err
}

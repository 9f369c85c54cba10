package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"forkwright/api/edge"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

const (
	shopKey  = "shop-key-0000000000000000"
	adminKey = "admin-key-000000000000000"
)

// keys is an Authenticator of two accounts and two dead keys.
type keys struct{}

func (keys) Authenticate(_ context.Context, key string) (caller.Caller, error) {
	switch key {
	case shopKey:
		return caller.Caller{AccountID: "shop-1", KeyID: "key-1", Roles: []caller.Role{caller.Shop}}, nil
	case adminKey:
		return caller.Caller{AccountID: "admin-1", KeyID: "key-2", Roles: []caller.Role{caller.Administrator}}, nil
	case "page-key-0000000000000000":
		return caller.Caller{AccountID: "shop-2", Roles: []caller.Role{caller.Shop}, Origins: []string{"https://shop.example"}}, nil
	case "revoked-key-0000000000000":
		return caller.Caller{}, fault.New(fault.Unauthenticated, "revoked_key", "This key was revoked.")
	}
	return caller.Caller{}, fault.New(fault.Unauthenticated, "invalid_key", "This key is not known.")
}

// shell serves routes of a test's own through everything but the table.
func shell(t *testing.T, log io.Writer, change func(*Config, *Deps), table ...route) http.Handler {
	t.Helper()
	spec, err := os.ReadFile("../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	cfg := Config{Spec: spec, Log: slog.New(slog.NewJSONHandler(log, nil)), Random: bytes.NewReader(bytes.Repeat([]byte("0123456789abcdef"), 4096)), Now: time.Now}
	deps := Deps{Auth: keys{}, Revision: func() (int64, bool) { return 7, true }}
	if change != nil {
		change(&cfg, &deps)
	}
	s, err := New(cfg, deps)
	if err != nil {
		t.Fatal(err)
	}
	if table == nil {
		return s.Handler()
	}
	inner, err := s.router(table)
	if err != nil {
		t.Fatal(err)
	}
	return edge.Wrap(inner, edge.Options{Log: cfg.Log, Random: cfg.Random, Now: cfg.Now, Panicked: answerPanic})
}

// ask sends one request and gives the answer; problems are held to the contract.
func ask(t *testing.T, h http.Handler, method, target, body string, headers ...string) *httptest.ResponseRecorder {
	t.Helper()
	req := httptest.NewRequest(method, target, strings.NewReader(body))
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for _, header := range headers {
		name, value, _ := strings.Cut(header, ": ")
		if value == "" {
			req.Header.Del(name)
			continue
		}
		req.Header.Set(name, value)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, req)
	if w.Code >= 400 {
		spec, _ := os.ReadFile("../openapi.yaml")
		c, err := LoadContract(spec)
		if err != nil {
			t.Fatal(err)
		}
		unrouted := Exchange{Request: httptest.NewRequest("GET", "/not/in/the/contract", nil), Status: 404, Header: w.Header(), Body: w.Body.Bytes()}
		if err := c.CheckAnswer(unrouted); err != nil {
			t.Errorf("%s %s: %v\n%s", method, target, err, w.Body)
		}
	}
	return w
}

// verdict is what the tables of tests compare: status, code, and the place and
// code of the first wrong member.
func verdict(t *testing.T, w *httptest.ResponseRecorder) string {
	t.Helper()
	var p problem
	if w.Code < 400 {
		return http.StatusText(w.Code)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil {
		t.Fatalf("%v in %s", err, w.Body)
	}
	if p.Status != w.Code {
		t.Errorf("status member %d in an answer of %d", p.Status, w.Code)
	}
	out := http.StatusText(w.Code) + " " + p.Code
	for _, e := range p.Errors {
		out += " " + e.Pointer + "=" + e.Code
	}
	return out
}

type thingIn struct {
	ID    string      `path:"id"`
	Year  *int        `query:"year" min:"1990" max:"2100"`
	Mass  float64     `query:"mass"`
	On    time.Time   `query:"on" format:"date"`
	Tags  []string    `query:"tags"`
	Full  bool        `query:"full"`
	Units string      `query:"units" enum:"metric,imperial" default:"metric"`
	Role  caller.Role `query:"role"`
	Key   string      `header:"Idempotency-Key" maxlen:"10"`
	Body  thingBody   `body:""`
}

type thingBody struct {
	Name  string `json:"name"`
	Count int    `json:"count"`
	Lines []struct {
		SKU   string  `json:"sku"`
		Price float64 `json:"price"`
	} `json:"lines"`
	ID string `json:"id"` // of the same name as the path's: must not reach it
}

func (in *thingIn) Validate() error {
	var f fault.Fields
	if in.Body.Count < 0 {
		f.Add("/count", "invalid_value", "count must not be negative.")
	}
	return f.Err()
}

func things(t *testing.T, got *thingIn) http.Handler {
	public := []caller.Role(nil)
	keep := func(_ context.Context, _ caller.Caller, in thingIn) (healthOut, error) {
		*got = in
		return healthOut{"ok"}, nil
	}
	return shell(t, io.Discard, nil, route{"POST", "/things/{id}", "postThing", public, limits{MaxBody: 4096}, op(keep)})
}

func TestInputComesFromWhereItsTagSays(t *testing.T) {
	var got thingIn
	h := things(t, &got)
	w := ask(t, h, "POST", "/things/a%2Fb?year=2021&mass=82.5&on=2026-03-31&tags=x,y&full=true&units=imperial&role=shop",
		`{"name":"n","count":3,"lines":[{"sku":"S-1","price":2.5}],"id":"from-the-body"}`, "Idempotency-Key: k-1")
	if w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if got.ID != "a/b" || got.Year == nil || *got.Year != 2021 || got.Mass != 82.5 || got.On.Format(time.DateOnly) != "2026-03-31" ||
		strings.Join(got.Tags, "+") != "x+y" || !got.Full || got.Units != "imperial" || got.Role != caller.Shop || got.Key != "k-1" {
		t.Errorf("got %+v", got)
	}
	if got.Body.Name != "n" || got.Body.Count != 3 || got.Body.Lines[0].SKU != "S-1" || got.Body.ID != "from-the-body" {
		t.Errorf("body %+v", got.Body)
	}
	ask(t, h, "POST", "/things/plain", `{}`)
	if got.ID != "plain" || got.Year != nil || got.Units != "metric" {
		t.Errorf("nothing given: %+v", got)
	}
}

func TestBadInputIsRefusedWithItsPlace(t *testing.T) {
	var got thingIn
	h := things(t, &got)
	for _, c := range []struct {
		name, query, body string
		headers           []string
		want              string
	}{
		{"unknown parameter", "?yaer=2021", `{}`, nil, "Unprocessable Entity invalid_request query:yaer=unknown_parameter"},
		{"repeated scalar", "?year=2021&year=2022", `{}`, nil, "Unprocessable Entity invalid_request query:year=repeated_parameter"},
		{"no number", "?year=new", `{}`, nil, "Unprocessable Entity invalid_request query:year=invalid_value"},
		{"year before bicycles had forks", "?year=1899", `{}`, nil, "Unprocessable Entity invalid_request query:year=invalid_value"},
		{"at the lower bound", "?year=1990", `{}`, nil, "OK"},
		{"one below it", "?year=1989", `{}`, nil, "Unprocessable Entity invalid_request query:year=invalid_value"},
		{"at the upper bound", "?year=2100", `{}`, nil, "OK"},
		{"not a finite number", "?mass=NaN", `{}`, nil, "Unprocessable Entity invalid_request query:mass=invalid_value"},
		{"hexadecimal", "?mass=0x10", `{}`, nil, "Unprocessable Entity invalid_request query:mass=invalid_value"},
		{"no such day", "?on=2026-02-30", `{}`, nil, "Unprocessable Entity invalid_request query:on=invalid_value"},
		{"not of the list", "?units=furlongs", `{}`, nil, "Unprocessable Entity invalid_request query:units=invalid_value"},
		{"not a truth", "?full=1", `{}`, nil, "Unprocessable Entity invalid_request query:full=invalid_value"},
		{"empty place in a list", "?tags=a,,b", `{}`, nil, "Unprocessable Entity invalid_request query:tags=invalid_value"},
		{"NUL in a query", "?tags=%00", `{}`, nil, "Unprocessable Entity invalid_request query:tags=control_character"},
		{"bad UTF-8 in a query", "?tags=%ff", `{}`, nil, "Unprocessable Entity invalid_request query:tags=invalid_utf8"},
		{"broken escape", "?tags=%zz", `{}`, nil, "Bad Request malformed_query"},
		{"long header", "", `{}`, []string{"Idempotency-Key: 12345678901"}, "Unprocessable Entity invalid_request header:Idempotency-Key=too_long"},
		{"all that is wrong at once", "?year=x&mass=y", `{}`, nil, "Unprocessable Entity invalid_request query:year=invalid_value query:mass=invalid_value"},

		{"empty body", "", "", []string{"Content-Type: application/json"}, "Bad Request empty_body"},
		{"no body and no type", "", "", nil, "Bad Request empty_body"},
		{"blanks", "", "  ", nil, "Bad Request empty_body"},
		{"wrong type of content", "", `{}`, []string{"Content-Type: text/plain"}, "Unsupported Media Type unsupported_media_type"},
		{"no type of content", "", `{}`, []string{"Content-Type: "}, "Unsupported Media Type unsupported_media_type"},
		{"with a charset", "", `{}`, []string{"Content-Type: application/json; charset=utf-8"}, "OK"},
		{"compressed", "", `{}`, []string{"Content-Encoding: gzip"}, "Unsupported Media Type unsupported_encoding"},
		{"array for object", "", `[]`, nil, "Unprocessable Entity invalid_request =wrong_type"},
		{"null for object", "", `null`, nil, "Unprocessable Entity invalid_request =wrong_type"},
		{"number for object", "", `-7`, nil, "Unprocessable Entity invalid_request =wrong_type"},
		{"not JSON", "", `{name: 1}`, nil, "Bad Request malformed_json"},
		{"a word", "", `nope`, nil, "Bad Request malformed_json"},
		{"cut off", "", `{"name":"a"`, nil, "Bad Request malformed_json"},
		{"trailing data", "", `{} {}`, nil, "Bad Request malformed_json"},
		{"trailing letter", "", `{}x`, nil, "Bad Request malformed_json"},
		{"duplicate member", "", `{"name":"a","name":"b"}`, nil, "Bad Request duplicate_member /name=duplicate_member"},
		{"bad UTF-8", "", "{\"name\":\"\xff\"}", nil, "Bad Request invalid_utf8"},
		{"unknown member", "", `{"nmae":"a"}`, nil, "Unprocessable Entity invalid_request /nmae=unknown_field"},
		{"unknown member inside", "", `{"lines":[{"sku":"a"},{"skew":"b"}]}`, nil, "Unprocessable Entity invalid_request /lines/1/skew=unknown_field"},
		{"wrong case", "", `{"NAME":"a"}`, nil, "Unprocessable Entity invalid_request /NAME=unknown_field"},
		{"parameter in the body", "", `{"year":2021}`, nil, "Unprocessable Entity invalid_request /year=unknown_field"},
		{"text for number", "", `{"count":"3"}`, nil, "Unprocessable Entity invalid_request /count=wrong_type"},
		{"fraction for whole", "", `{"count":3.5}`, nil, "Unprocessable Entity invalid_request /count=wrong_type"},
		{"number beyond 64 bits", "", `{"count":9223372036854775808}`, nil, "Unprocessable Entity invalid_request /count=out_of_range"},
		{"number beyond floats", "", `{"lines":[{"price":1e400}]}`, nil, "Unprocessable Entity invalid_request /lines/0/price=out_of_range"},
		{"object for list", "", `{"lines":{}}`, nil, "Unprocessable Entity invalid_request /lines=wrong_type"},
		{"null member", "", `{"name":null}`, nil, "Unprocessable Entity invalid_request /name=null_value"},
		{"the word null in a text", "", `{"name":"null"}`, nil, "OK"},
		{"NUL in a text", "", `{"name":"a\u0000"}`, nil, "Unprocessable Entity invalid_request /name=control_character"},
		{"escape in a text", "", `{"lines":[{"sku":"\u001b"}]}`, nil, "Unprocessable Entity invalid_request /lines/0/sku=control_character"},
		{"C1 control in a text", "", "{\"name\":\"a\u0085\"}", nil, "Unprocessable Entity invalid_request /name=control_character"},
		{"escaped C1 control in a text", "", `{"name":"a\u0085"}`, nil, "Unprocessable Entity invalid_request /name=control_character"},
		{"line break in a text", "", `{"name":"a\nb é\u00e9"}`, nil, "OK"},
		{"the hook of the input", "", `{"count":-1}`, nil, "Unprocessable Entity invalid_request /count=invalid_value"},
		{"at the limit", "", `{"name":"` + strings.Repeat("x", 4096-11) + `"}`, nil, "OK"},
		{"one byte over", "", `{"name":"` + strings.Repeat("x", 4096-10) + `"}`, nil, "Request Entity Too Large body_too_large"},
		{"deep nesting", "", strings.Repeat(`{"lines":[`, 200), nil, "Bad Request too_deep"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := ask(t, h, "POST", "/things/1"+c.query, c.body, c.headers...)
			if got := verdict(t, w); got != c.want {
				t.Errorf("got  %s\nwant %s\n%s", got, c.want, w.Body)
			}
		})
	}
}

func TestBodyOfUnknownLengthIsLimitedToo(t *testing.T) {
	var got thingIn
	h := things(t, &got)
	req := httptest.NewRequest("POST", "/things/1", io.MultiReader(strings.NewReader(`{"name":"`), strings.NewReader(strings.Repeat("x", 5000))))
	req.ContentLength = -1
	req.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, req)
	if got := verdict(t, w); got != "Request Entity Too Large body_too_large" {
		t.Error(got)
	}
}

func TestSentencesOfRefusalsHelp(t *testing.T) {
	var got thingIn
	h := things(t, &got)
	for _, c := range []struct{ query, body, want string }{
		{"?yaer=1", `{}`, "known are full, mass, on, role, tags, units, year"},
		{"?year=1899", `{}`, `year must be a whole number from 1990 to 2100; it is \"1899\"`},
		{"", `{"nmae":1}`, "known are name, count, lines, id"},
		{"", `{"count":"3"}`, "/count must be a whole number, not a text"},
		{"", `{"name":"` + strings.Repeat("x", 9000) + `"}`, "larger than 4 KiB"},
	} {
		if w := ask(t, h, "POST", "/things/1"+c.query, c.body); !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%s %.40s: want %q in %s", c.query, c.body, c.want, w.Body)
		}
	}
}

type streamIn struct {
	Rows io.Reader `stream:"text/csv"`
}

func TestStreamedBody(t *testing.T) {
	count := func(_ context.Context, _ caller.Caller, in streamIn) (map[string]int, error) {
		b, err := io.ReadAll(in.Rows)
		return map[string]int{"bytes": len(b)}, err
	}
	h := shell(t, io.Discard, nil, route{"PUT", "/rows", "putRows", nil, limits{MaxBody: 10}, op(count)})
	for _, c := range []struct{ name, body, media, want string }{
		{"as it comes", "a,b\n1,2\n", "text/csv", "OK"},
		{"too long", "a,b\n1,2\n3,4\n", "text/csv", "Request Entity Too Large body_too_large"},
		{"another type", "{}", "application/json", "Unsupported Media Type unsupported_media_type"},
	} {
		w := ask(t, h, "PUT", "/rows", c.body, "Content-Type: "+c.media)
		if got := verdict(t, w); got != c.want {
			t.Errorf("%s: %s", c.name, got)
		}
	}
}

func TestOperationsWithoutABodyRefuseOneAndOptionalOnesMayLackIt(t *testing.T) {
	none := func(context.Context, caller.Caller, nothing) (NoContent, error) { return NoContent{}, nil }
	optional := func(_ context.Context, _ caller.Caller, in struct {
		Body *thingBody `body:""`
	}) (map[string]bool, error) {
		return map[string]bool{"given": in.Body != nil}, nil
	}
	h := shell(t, io.Discard, nil,
		route{"POST", "/none", "none", nil, limits{}, op(none)},
		route{"POST", "/optional", "optional", nil, limits{}, op(optional)})
	for _, c := range []struct{ path, body, want string }{
		{"/none", "", "No Content"},
		{"/none", "{}", "Unprocessable Entity unexpected_body"},
		{"/optional", "", "OK"},
		{"/optional", `{"name":"a"}`, "OK"},
		{"/optional", `{"nope":1}`, "Unprocessable Entity invalid_request /nope=unknown_field"},
	} {
		if got := verdict(t, ask(t, h, "POST", c.path, c.body)); got != c.want {
			t.Errorf("%s %q: %s, want %s", c.path, c.body, got, c.want)
		}
	}
}

// quantity decodes itself and says in its own words what is wrong.
type quantity struct{ MM float64 }

func (q *quantity) UnmarshalJSON(b []byte) error {
	var in struct {
		Value float64 `json:"value"`
		Unit  string  `json:"unit"`
	}
	if err := json.Unmarshal(b, &in); err != nil {
		return err
	}
	switch in.Unit {
	case "mm":
		q.MM = in.Value
		return nil
	case "both":
		var f fault.Fields
		f.Add("/unit", "unknown_unit", "Take one unit.")
		return f.Err()
	}
	return fault.New(fault.Invalid, "unknown_unit", "The unit must be mm.")
}

func TestTypesThatDecodeThemselvesAreHeard(t *testing.T) {
	h := shell(t, io.Discard, nil, route{"POST", "/q", "q", nil, limits{}, op(func(_ context.Context, _ caller.Caller, in struct {
		Body struct {
			Travel []quantity `json:"travel"`
			On     time.Time  `json:"on"`
		} `body:"nulls"`
	}) (any, error) {
		return in.Body.Travel, nil
	})})
	for _, c := range []struct{ body, want string }{
		{`{"travel":[{"value":1,"unit":"mm"}]}`, "OK"},
		{`{"travel":null}`, "OK"},
		{`{"travel":[{"value":1,"unit":"mm"},{"value":1,"unit":"ell"}]}`, "Unprocessable Entity invalid_request /travel/1=unknown_unit"},
		{`{"travel":[{"value":1,"unit":"both"}]}`, "Unprocessable Entity invalid_request /travel/0/unit=unknown_unit"},
		{`{"travel":[{"value":"x"}]}`, "Unprocessable Entity invalid_request /travel/0=invalid_value"},
		{`{"on":"yesterday"}`, "Unprocessable Entity invalid_request /on=invalid_value"},
	} {
		if got := verdict(t, ask(t, h, "POST", "/q", c.body)); got != c.want {
			t.Errorf("%s: %s, want %s", c.body, got, c.want)
		}
	}
}

type createdOut struct {
	Reply `json:"-"`
	ID    string   `json:"id"`
	Lines []string `json:"lines"`
}

func TestReplySetsStatusAndHeaders(t *testing.T) {
	create := func(context.Context, caller.Caller, nothing) (createdOut, error) {
		return createdOut{Reply: Reply{Status: 201, Location: "/v1/things/9", ETag: "v1", CacheControl: "private"}, ID: "9"}, nil
	}
	read := func(context.Context, caller.Caller, nothing) (createdOut, error) {
		return createdOut{Reply: Reply{ETag: "v1"}, ID: "9"}, nil
	}
	h := shell(t, io.Discard, nil,
		route{"POST", "/things", "create", nil, limits{}, op(create)},
		route{"GET", "/things", "read", nil, limits{}, op(read)})
	w := ask(t, h, "POST", "/things", "")
	if w.Code != 201 || w.Header().Get("Location") != "/v1/things/9" || w.Header().Get("ETag") != `"v1"` || w.Header().Get("Cache-Control") != "private" {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	if got := w.Body.String(); got != `{"id":"9","lines":[]}` {
		t.Errorf("body %s: the reply must not show and an absent list is empty, not null", got)
	}
	for _, c := range []struct {
		sent string
		want int
	}{{`"v1"`, 304}, {`W/"v1"`, 304}, {`"v0", "v1"`, 304}, {`*`, 304}, {`"v2"`, 200}, {``, 200}} {
		w := ask(t, h, "GET", "/things", "", "If-None-Match: "+c.sent)
		if w.Code != c.want {
			t.Errorf("If-None-Match %s: %d, want %d", c.sent, w.Code, c.want)
		}
		if w.Code == 304 && w.Body.Len() != 0 {
			t.Errorf("304 with a body %q", w.Body)
		}
		if got := w.Header().Get("Cache-Control"); got != "no-store" {
			t.Errorf("answers are not to be kept unless they say so: %q", got)
		}
	}
}

func TestRepresentationFollowsAccept(t *testing.T) {
	both := func(_ context.Context, _ caller.Caller, in struct {
		Media string `accept:""`
	}) (any, error) {
		if in.Media == "text/html" {
			return Raw{ContentType: "text/html; charset=utf-8", CSP: edge.PageCSP, Body: []byte("<p>")}, nil
		}
		return healthOut{"ok"}, nil
	}
	h := shell(t, io.Discard, nil, route{"GET", "/both", "both", nil, limits{Produces: []string{"application/json", "text/html"}}, op(both)})
	for _, c := range []struct{ accept, want string }{
		{"", "application/json"},
		{"*/*", "application/json"},
		{"text/html", "text/html; charset=utf-8"},
		{"text/*", "text/html; charset=utf-8"},
		{"text/html,application/xhtml+xml,*/*;q=0.8", "text/html; charset=utf-8"},
		{"application/json;q=0.5, text/html;q=0.4", "application/json"},
		{"text/html;q=0, */*", "application/json"},
		{"image/png", "application/problem+json"},
		{"text/html;q=0", "application/problem+json"},
	} {
		w := ask(t, h, "GET", "/both", "", "Accept: "+c.accept)
		if got := w.Header().Get("Content-Type"); got != c.want {
			t.Errorf("Accept %q: %q, want %q", c.accept, got, c.want)
		}
		if strings.HasPrefix(c.want, "text/html") && w.Header().Get("Content-Security-Policy") != edge.PageCSP {
			t.Errorf("page policy is %q", w.Header().Get("Content-Security-Policy"))
		}
		if c.want == "application/problem+json" && w.Code != 406 {
			t.Errorf("Accept %q: %d", c.accept, w.Code)
		}
	}
}

func TestFailuresBecomeProblemsAndTheirCausesStayInTheLog(t *testing.T) {
	secret := errors.New(`ERROR: duplicate key value violates unique constraint "x" (SQLSTATE 23505)`)
	failing := func(err error) operation {
		return op(func(ctx context.Context, _ caller.Caller, _ nothing) (healthOut, error) {
			if err == nil {
				panic(secret)
			}
			if errors.Is(err, context.DeadlineExceeded) {
				<-ctx.Done()
				return healthOut{}, ctx.Err()
			}
			return healthOut{}, err
		})
	}
	ambiguous := fault.New(fault.Conflict, "ambiguous", "Two forks answer to this.")
	ambiguous.Candidates = []fault.Candidate{{ID: "f-1", Label: "One"}}
	ambiguous.Question = &fault.Question{Code: "which", Text: "Which?", Field: "fork", Choices: []string{"f-1"}}
	ambiguous.Extra = map[string]any{"matched": "text"}
	unwritable := fault.New(fault.Conflict, "odd", "Odd.")
	unwritable.Extra = map[string]any{"odd": make(chan int)}
	var log bytes.Buffer
	h := shell(t, &log, nil,
		route{"GET", "/plain", "a", nil, limits{}, failing(secret)},
		route{"GET", "/wrapped", "b", nil, limits{}, failing(fault.Wrap(secret, fault.Conflict, "taken", "This number is taken."))},
		route{"GET", "/panic", "c", nil, limits{}, failing(nil)},
		route{"GET", "/slow", "d", nil, limits{Timeout: 10 * time.Millisecond}, failing(context.DeadlineExceeded)},
		route{"GET", "/ambiguous", "e", nil, limits{}, failing(ambiguous)},
		route{"GET", "/unwritable", "f", nil, limits{}, failing(unwritable)},
		route{"GET", "/nowhere", "g", nil, limits{}, op(func(context.Context, caller.Caller, nothing) (any, error) { return make(chan int), nil })})
	for _, c := range []struct{ path, want string }{
		{"/plain", "Internal Server Error internal"},
		{"/wrapped", "Conflict taken"},
		{"/panic", "Internal Server Error internal"},
		{"/slow", "Service Unavailable timeout"},
		{"/ambiguous", "Conflict ambiguous"},
		{"/unwritable", "Conflict odd"},
		{"/nowhere", "Internal Server Error internal"},
	} {
		log.Reset()
		w := ask(t, h, "GET", c.path, "")
		if got := verdict(t, w); got != c.want {
			t.Errorf("%s: %s, want %s", c.path, got, c.want)
		}
		if strings.Contains(w.Body.String(), "SQLSTATE") {
			t.Errorf("%s: the cause left: %s", c.path, w.Body)
		}
		if (c.path == "/plain" || c.path == "/wrapped" || c.path == "/panic") && !strings.Contains(log.String(), "SQLSTATE") {
			t.Errorf("%s: the log lacks the cause: %s", c.path, log.String())
		}
		if c.path == "/panic" && !strings.Contains(log.String(), "shell_test.go") {
			t.Errorf("the log lacks the stack: %s", log.String())
		}
		if strings.Count(log.String(), "\n") != 1 {
			t.Errorf("%s: not one line: %s", c.path, log.String())
		}
	}
	w := ask(t, h, "GET", "/ambiguous", "")
	for _, want := range []string{`"candidates":[{"id":"f-1","label":"One"}]`, `"choices":["f-1"]`, `"matched":"text"`, `"type":"/docs/problems#ambiguous"`, `"instance":"/ambiguous"`} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("want %s in %s", want, w.Body)
		}
	}
	if got := ask(t, h, "GET", "/slow", "").Header().Get("Retry-After"); got != "1" {
		t.Errorf("Retry-After %q", got)
	}
}

func TestKinds(t *testing.T) {
	want := map[fault.Kind]int{
		fault.Internal: 500, fault.Malformed: 400, fault.Unauthenticated: 401, fault.Forbidden: 403, fault.NotFound: 404,
		fault.MethodNotAllowed: 405, fault.NotAcceptable: 406, fault.Conflict: 409, fault.Gone: 410, fault.PreconditionFailed: 412,
		fault.PreconditionRequired: 428, fault.TooLarge: 413, fault.UnsupportedMedia: 415, fault.Invalid: 422, fault.TooMany: 429,
		fault.Unavailable: 503,
	}
	if int(fault.Unavailable)+1 != len(want) || len(kinds) != len(want) {
		t.Errorf("there are %d kinds, %d in the table, %d here", int(fault.Unavailable)+1, len(kinds), len(want))
	}
	for kind, status := range want {
		if p := problemOf(fault.New(kind, "c", "t")); p.Status != status || p.Title == "" {
			t.Errorf("kind %d is %d %q, want %d", kind, p.Status, p.Title, status)
		}
	}
}

func TestKeys(t *testing.T) {
	var seen caller.Caller
	who := func(_ context.Context, c caller.Caller, _ nothing) (healthOut, error) {
		seen = c
		return healthOut{"ok"}, nil
	}
	h := shell(t, io.Discard, nil, route{"GET", "/mine", "mine", []caller.Role{caller.Shop, caller.Distributor}, limits{}, op(who)})
	for _, c := range []struct {
		name, header, want, challenge string
	}{
		{"missing", "", "Unauthorized missing_key", `Bearer realm="forkwright"`},
		{"another scheme", "Basic " + shopKey, "Unauthorized invalid_key", `Bearer realm="forkwright", error="invalid_token", error_description="invalid_key"`},
		{"too short to be one", "Bearer short", "Unauthorized invalid_key", `Bearer realm="forkwright", error="invalid_token", error_description="invalid_key"`},
		{"characters that no key has", "Bearer " + shopKey + "'--", "Unauthorized invalid_key", `Bearer realm="forkwright", error="invalid_token", error_description="invalid_key"`},
		{"unknown", "Bearer " + strings.Repeat("x", 20), "Unauthorized invalid_key", `Bearer realm="forkwright", error="invalid_token", error_description="invalid_key"`},
		{"revoked", "Bearer revoked-key-0000000000000", "Unauthorized revoked_key", `Bearer realm="forkwright", error="invalid_token", error_description="revoked_key"`},
		{"of another role", "Bearer " + adminKey, "Forbidden role_not_allowed", ""},
		{"right", "Bearer " + shopKey, "OK", ""},
		{"scheme in small letters", "bearer " + shopKey, "OK", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := ask(t, h, "GET", "/mine", "", "Authorization: "+c.header)
			if got := verdict(t, w); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
			if got := w.Header().Get("WWW-Authenticate"); got != c.challenge {
				t.Errorf("challenge %q", got)
			}
		})
	}
	twice := httptest.NewRequest("GET", "/mine", nil)
	twice.Header["Authorization"] = []string{"Bearer " + shopKey, "Bearer " + adminKey}
	w := httptest.NewRecorder()
	if h.ServeHTTP(w, twice); verdict(t, w) != "Unauthorized invalid_key" {
		t.Errorf("two keys at once: %s", verdict(t, w))
	}
	if seen.AccountID != "shop-1" || len(seen.RequestID) < 8 {
		t.Errorf("the caller is %+v", seen)
	}
}

func TestAKeyForAWebPageWorksOnlyThere(t *testing.T) {
	h := shell(t, io.Discard, nil, route{"GET", "/mine", "mine", []caller.Role{caller.Shop}, limits{}, op(func(context.Context, caller.Caller, nothing) (healthOut, error) {
		return healthOut{"ok"}, nil
	})})
	for _, c := range []struct{ name, key, origin, want, readable string }{
		{"its page", "page-key-0000000000000000", "https://shop.example", "OK", "https://shop.example"},
		{"another page", "page-key-0000000000000000", "https://other.example", "Forbidden origin_not_allowed", ""},
		{"no browser", "page-key-0000000000000000", "", "OK", ""},
		{"our own reference", "page-key-0000000000000000", "http://example.com", "OK", ""},
		{"a key without origins is not readable across origins", shopKey, "https://other.example", "OK", ""},
	} {
		w := ask(t, h, "GET", "/mine", "", "Authorization: Bearer "+c.key, "Origin: "+c.origin)
		if got := verdict(t, w); got != c.want {
			t.Errorf("%s: %s", c.name, got)
		}
		if got := w.Header().Get("Access-Control-Allow-Origin"); got != c.readable {
			t.Errorf("%s: readable by %q", c.name, got)
		}
	}
	w := ask(t, h, "OPTIONS", "/mine", "", "Origin: https://shop.example", "Access-Control-Request-Method: GET")
	if w.Code != 204 || !strings.Contains(w.Header().Get("Access-Control-Allow-Headers"), "Authorization") {
		t.Errorf("preflight: %d %v", w.Code, w.Header())
	}
}

func TestRateLimitIsPerAccountAndSaysWhen(t *testing.T) {
	now := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	ok := func(context.Context, caller.Caller, nothing) (healthOut, error) { return healthOut{"ok"}, nil }
	h := shell(t, io.Discard, func(c *Config, _ *Deps) {
		c.Limits.Key = Rate{PerSecond: 0.5, Burst: 3}
		c.Now = func() time.Time { return now }
	},
		route{"GET", "/cheap", "cheap", []caller.Role{caller.Shop, caller.Administrator}, limits{}, op(ok)},
		route{"GET", "/dear", "dear", []caller.Role{caller.Shop}, limits{Cost: 2}, op(ok)})
	key := "Authorization: Bearer " + shopKey
	for i, c := range []struct {
		path, want string
		after      time.Duration
	}{
		{"/dear", "OK", 0},
		{"/cheap", "OK", 0},
		{"/cheap", "Too Many Requests rate_limited", 0},
		{"/cheap", "Too Many Requests rate_limited", 1 * time.Second},
		{"/cheap", "OK", 1 * time.Second},
	} {
		now = now.Add(c.after)
		w := ask(t, h, "GET", c.path, "", key)
		if got := verdict(t, w); got != c.want {
			t.Errorf("%d: %s, want %s", i, got, c.want)
		}
		if w.Code == 429 && w.Header().Get("Retry-After") == "" {
			t.Error("429 without Retry-After")
		}
	}
	if got := verdict(t, ask(t, h, "GET", "/cheap", "", "Authorization: Bearer "+adminKey)); got != "OK" {
		t.Errorf("another account is not held up: %s", got)
	}
}

func TestUnplannableInputsStopTheStart(t *testing.T) {
	type unpath struct {
		ID string `path:"other"`
	}
	type untagged struct{ ID string }
	type channel struct {
		C chan int `query:"c"`
	}
	for name, o := range map[string]operation{
		"path and input disagree": op(func(context.Context, caller.Caller, unpath) (any, error) { return nil, nil }),
		"field without a source":  op(func(context.Context, caller.Caller, untagged) (any, error) { return nil, nil }),
		"type without a reading":  op(func(context.Context, caller.Caller, channel) (any, error) { return nil, nil }),
		"path without an input":   op(func(context.Context, caller.Caller, nothing) (any, error) { return nil, nil }),
	} {
		if err := (route{"GET", "/x/{id}", "x", nil, limits{}, o}).check(); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestIfMatch(t *testing.T) {
	for _, c := range []struct{ header, want, code string }{
		{`"3"`, "3", ""}, {``, "", "if_match_required"}, {`3`, "", "invalid_request"}, {`"3", "4"`, "", "invalid_request"}, {`*`, "", "invalid_request"}, {`W/"3"`, "", "invalid_request"},
	} {
		got, err := IfMatch(c.header)
		if got != c.want || fault.CodeOf(err) != c.code {
			t.Errorf("%s: %q %v", c.header, got, err)
		}
	}
}

func BenchmarkPostOneKilobyte(b *testing.B) {
	var sink thingIn
	s := &Server{Config: Config{Now: time.Now}, Deps: Deps{Auth: keys{}}, limiter: newLimiter(Rate{}, time.Now), turns: newTurns(Limits{})}
	h, err := s.router([]route{{"POST", "/things/{id}", "postThing", nil, limits{}, op(func(_ context.Context, _ caller.Caller, in thingIn) (healthOut, error) {
		sink = in
		return healthOut{"ok"}, nil
	})}})
	if err != nil {
		b.Fatal(err)
	}
	body := `{"name":"n","count":3,"lines":[` + strings.TrimSuffix(strings.Repeat(`{"sku":"SKU-0123456789","price":12.25},`, 25), ",") + `]}`
	b.ReportAllocs()
	for b.Loop() {
		req := httptest.NewRequest("POST", "/things/1?year=2021&tags=a,b", strings.NewReader(body))
		req.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		if w.Code != 200 {
			b.Fatal(w.Body)
		}
	}
	_ = sink
}

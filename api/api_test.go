package api_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"go/parser"
	"go/token"
	"io/fs"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"forkwright/api"
	"forkwright/api/contracttest"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

type noKeys struct{}

func (noKeys) Authenticate(context.Context, string) (caller.Caller, error) {
	return caller.Caller{}, fault.New(fault.Unauthenticated, "invalid_key", "This key is not known.")
}

func server(t *testing.T, change func(*api.Config, *api.Deps)) *api.Server {
	t.Helper()
	spec, err := os.ReadFile("../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	cfg := api.Config{Spec: spec, Log: slog.New(slog.DiscardHandler), Random: rand.Reader, Now: time.Now}
	deps := api.Deps{Auth: noKeys{}, Revision: func() (int64, bool) { return 12, true }}
	if change != nil {
		change(&cfg, &deps)
	}
	s, err := api.New(cfg, deps)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestMetaOperations(t *testing.T) {
	c := contracttest.Load(t, "../openapi.yaml")
	for _, mode := range []struct {
		name    string
		enforce bool
	}{{"plain", false}, {"enforced", true}} {
		t.Run(mode.name, func(t *testing.T) {
			h := server(t, func(cfg *api.Config, _ *api.Deps) { cfg.Enforce = mode.enforce }).Handler()
			for _, x := range []struct {
				method, target string
				status         int
				contains       string
			}{
				{"GET", "/healthz", 200, `{"status":"ok"}`},
				{"HEAD", "/healthz", 200, ""},
				{"GET", "/healthz?x=1", 422, `"unknown_parameter"`},
				{"GET", "/healthz?%zz", 400, `"malformed_query"`},
				{"GET", "/readyz", 200, `"catalog_revision":12`},
				{"GET", "/openapi.yaml", 200, "openapi: 3.1.0"},
				{"GET", "/docs", 200, "swagger-ui-bundle.js"},
				{"GET", "/docs/problems", 200, `id="unknown_field"`},
				{"GET", "/docs/roles", 200, "getReadiness"},
				{"GET", "/docs/swagger-ui.css", 200, ".swagger-ui"},
				{"GET", "/docs/NOTICE", 200, "SmartBear"},
				{"GET", "/docs/..%2f..%2fgo.mod", 404, `"no_such_page"`},
				{"GET", "/docs/nothing", 404, `"no_such_page"`},
				{"GET", "/", 404, `"no_such_path"`},
				{"GET", "/healthz/", 404, `"no_such_path"`},
				{"GET", "/v1/parts//forks", 404, `"no_such_path"`},
				{"POST", "/v1/quotes//accept", 404, `"no_such_path"`},
				{"PUT", "/v1/locations//stock", 404, `"no_such_path"`},
				{"POST", "/healthz", 405, `"method_not_allowed"`},
				{"BREW", "/healthz", 405, `"method_not_allowed"`},
			} {
				a := c.Call(t, h, x.method, x.target, "", "")
				if a.Status != x.status || !strings.Contains(string(a.Body), x.contains) {
					t.Errorf("%s %s: %d %.300s", x.method, x.target, a.Status, a.Body)
				}
			}
			a := c.Call(t, h, "GET", "/docs", "", "", "Accept: application/json")
			if a.Status != 406 {
				t.Errorf("a page asked for as JSON: %d", a.Status)
			}
		})
	}
}

func TestMethodNotAllowedSaysWhatIs(t *testing.T) {
	c := contracttest.Load(t, "../openapi.yaml")
	a := c.Call(t, server(t, nil).Handler(), "DELETE", "/healthz", "", "")
	if allow := a.Header.Get("Allow"); !strings.Contains(allow, "GET") || !strings.Contains(a.Problem(t).Detail, "GET") {
		t.Errorf("Allow %q, %q", allow, a.Problem(t).Detail)
	}
}

func TestReadinessNamesWhatIsMissingAndNotWhy(t *testing.T) {
	c := contracttest.Load(t, "../openapi.yaml")
	var log bytes.Buffer
	h := server(t, func(cfg *api.Config, d *api.Deps) {
		cfg.Log = slog.New(slog.NewJSONHandler(&log, nil))
		d.Checks = []api.Check{
			{Name: "database", Ping: func(context.Context) error { return errors.New("dial tcp 10.0.0.7:5432: refused") }},
			{Name: "clock", Ping: func(context.Context) error { return nil }},
		}
	}).Handler()
	a := c.Call(t, h, "GET", "/readyz", "", "")
	var got struct {
		Code   string
		Checks []struct {
			Name string
			OK   bool
		}
	}
	a.JSON(t, &got)
	if a.Status != 503 || got.Code != "not_ready" || a.Header.Get("Retry-After") == "" {
		t.Errorf("%d %s", a.Status, a.Body)
	}
	if len(got.Checks) != 3 || got.Checks[0].Name != "catalog" || !got.Checks[0].OK || got.Checks[1].OK || !got.Checks[2].OK {
		t.Errorf("checks %+v", got.Checks)
	}
	if strings.Contains(string(a.Body), "10.0.0.7") || !strings.Contains(log.String(), "10.0.0.7") {
		t.Error("the cause belongs into the log and nowhere else")
	}
	h = server(t, func(_ *api.Config, d *api.Deps) { d.Revision = func() (int64, bool) { return 0, false } }).Handler()
	if a := c.Call(t, h, "GET", "/readyz", "", ""); a.Status != 503 {
		t.Errorf("without a catalog: %d", a.Status)
	}
}

// The route table and the contract are the same list, whichever is read.
func TestRoutesAreTheContract(t *testing.T) {
	c := contracttest.Load(t, "../openapi.yaml")
	declared := c.Contract().Operations()
	registered := server(t, nil).Operations()
	if len(registered) < 5 {
		t.Fatalf("only %d routes", len(registered))
	}
	line := func(o api.ContractOperation) string {
		access := "key"
		if o.Public {
			access = "public"
		}
		if o.Deprecated {
			access += " deprecated"
		}
		return strings.Join([]string{o.Method, o.Path, o.ID, access, strings.Join(o.Parameters, " "), strings.Join(o.Consumes, " "), strings.Join(o.Produces, " ")}, " | ")
	}
	lines := func(list []api.ContractOperation) []string {
		var out []string
		for _, o := range list {
			out = append(out, line(o))
		}
		slices.Sort(out)
		return out
	}
	if diff := cmp.Diff(lines(registered), lines(declared)); diff != "" {
		t.Errorf("-routes +openapi.yaml:\n%s", diff)
	}
	for _, o := range declared {
		if o.Summary == "" {
			t.Errorf("%s has no summary", o.ID)
		}
		for _, status := range mustDeclare(o) {
			if !slices.Contains(o.Statuses, status) {
				t.Errorf("%s does not declare %s", o.ID, status)
			}
		}
	}
}

// mustDeclare: the shell itself can answer these.
func mustDeclare(o api.ContractOperation) []string {
	out := []string{"400", "406", "422", "500"}
	if !o.Public {
		out = append(out, "401", "403", "503")
	}
	if o.ID != "getHealth" {
		out = append(out, "429")
	}
	if len(o.Consumes) > 0 {
		out = append(out, "413", "415")
	}
	return out
}

func TestCodesOfThisPackageAreExplained(t *testing.T) {
	page, err := os.ReadFile("docs/pages/problems.html")
	if err != nil {
		t.Fatal(err)
	}
	code := regexp.MustCompile(`(?:fault\.(?:New|Wrap)\([^"]*|(?:\.Add|wrongField)\([^,]*, |Code: +|code(?:MissingKey)? += )"([a-z][a-z0-9_]+)"`)
	found := 0
	for _, name := range goFiles(t, ".") {
		if strings.HasSuffix(name, "_test.go") || strings.Contains(name, "/") {
			continue
		}
		src, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range code.FindAllSubmatch(src, -1) {
			found++
			if !bytes.Contains(page, []byte(`id="`+string(m[1])+`"`)) {
				t.Errorf("%s: docs/pages/problems.html does not explain %s", name, m[1])
			}
		}
	}
	if found < 25 {
		t.Errorf("only %d codes found: the pattern no longer reads the source", found)
	}
}

// What a browser loads for the documentation comes from this server alone.
func TestDocumentationLoadsNothingFromOutside(t *testing.T) {
	c := contracttest.Load(t, "../openapi.yaml")
	h := server(t, nil).Handler()
	loads := regexp.MustCompile(`(?:src|href)="([^"]+)"|url\(\s*["']?([^)"']+)`)
	seen := 0
	for _, page := range []string{"/docs", "/docs/problems", "/docs/roles", "/docs/docs.css", "/docs/swagger-ui.css"} {
		a := c.Call(t, h, "GET", page, "", "")
		csp := a.Header.Get("Content-Security-Policy")
		if !strings.HasPrefix(csp, "default-src 'none'") || strings.Contains(csp, "unsafe-eval") || strings.Contains(csp, "http") {
			t.Errorf("%s: policy %q", page, csp)
		}
		if script, _, _ := strings.Cut(csp[strings.Index(csp+"script-src", "script-src"):], ";"); strings.Contains(script, "unsafe-inline") {
			t.Errorf("%s: inline scripts allowed", page)
		}
		for _, m := range loads.FindAllStringSubmatch(string(a.Body), -1) {
			seen++
			ref := m[1] + m[2]
			if !strings.HasPrefix(ref, "/") && !strings.HasPrefix(ref, "data:") && !strings.HasPrefix(ref, "#") || strings.HasPrefix(ref, "//") {
				t.Errorf("%s loads %s", page, ref)
			}
			if strings.HasPrefix(ref, "/docs") && !strings.Contains(ref, "#") {
				if b := c.Call(t, h, "GET", ref, "", ""); b.Status != 200 {
					t.Errorf("%s refers to %s, which is %d", page, ref, b.Status)
				}
			}
		}
		if bytes.Contains(a.Body, []byte("<script>")) || bytes.Contains(a.Body, []byte("onclick=")) {
			t.Errorf("%s has an inline script", page)
		}
	}
	if seen < 15 {
		t.Errorf("only %d references found: the pattern no longer reads the pages", seen)
	}
	init := c.Call(t, h, "GET", "/docs/init.js", "", "")
	if bytes.Contains(init.Body, []byte("://")) || !bytes.Contains(init.Body, []byte("validatorUrl: null")) {
		t.Errorf("init.js: %s", init.Body)
	}
}

func TestViewerIsSentCompressedWhenAsked(t *testing.T) {
	c := contracttest.Load(t, "../openapi.yaml")
	h := server(t, nil).Handler()
	plain := c.Call(t, h, "GET", "/docs/swagger-ui-bundle.js", "", "")
	small := c.Call(t, h, "GET", "/docs/swagger-ui-bundle.js", "", "", "Accept-Encoding: gzip, br")
	if plain.Header.Get("Content-Encoding") != "" || small.Header.Get("Content-Encoding") != "gzip" || len(small.Body)*2 > len(plain.Body) {
		t.Errorf("%d bytes plain, %d small", len(plain.Body), len(small.Body))
	}
	if plain.Header.Get("ETag") == small.Header.Get("ETag") {
		t.Error("two representations share a tag")
	}
	if !strings.Contains(strings.Join(small.Header["Vary"], ","), "Accept-Encoding") {
		t.Errorf("Vary %q", small.Header.Get("Vary"))
	}
	again := c.Call(t, h, "GET", "/docs/swagger-ui-bundle.js", "", "", "If-None-Match: "+plain.Header.Get("ETag"))
	if again.Status != 304 {
		t.Errorf("known already: %d", again.Status)
	}
}

// A contract that says something else than the handlers is found at run time.
func TestEnforcementTurnsDriftIntoA500(t *testing.T) {
	narrow := server(t, func(cfg *api.Config, _ *api.Deps) {
		cfg.Enforce = true
		cfg.Spec = bytes.Replace(cfg.Spec, []byte("maxLength: 80"), []byte("maxLength: 5"), 1)
		cfg.Spec = bytes.Replace(cfg.Spec, []byte("example: problems"), []byte("example: roles"), 1)
	}).Handler()
	for target, want := range map[string]int{"/docs/roles": 200, "/docs/problems": 500, "/docs/nothing": 404} {
		w := httptest.NewRecorder()
		if narrow.ServeHTTP(w, httptest.NewRequest("GET", target, nil)); w.Code != want {
			t.Errorf("%s under a narrower contract: %d, want %d", target, w.Code, want)
		}
	}
	var log bytes.Buffer
	h := server(t, func(cfg *api.Config, _ *api.Deps) {
		cfg.Enforce, cfg.Log = true, slog.New(slog.NewJSONHandler(&log, nil))
		cfg.Spec = bytes.Replace(cfg.Spec, []byte("status: {type: string, const: ok}"), []byte("status: {type: string, const: fine}"), 1)
	}).Handler()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/healthz", nil))
	if w.Code != 500 || !strings.Contains(w.Body.String(), "contract_violation") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if !strings.Contains(log.String(), "contract: answer") {
		t.Errorf("the log lacks the finding: %s", log.String())
	}
}

func TestContractChecksCanFail(t *testing.T) {
	c := contracttest.Load(t, "../openapi.yaml").Contract()
	get := func(target string) *http.Request { return httptest.NewRequest("GET", target, nil) }
	js := http.Header{"Content-Type": {"application/json"}}
	pj := http.Header{"Content-Type": {"application/problem+json"}}
	for _, x := range []struct {
		name string
		x    api.Exchange
	}{
		{"undeclared status", api.Exchange{Request: get("/healthz"), Status: 202, Header: js, Body: []byte(`{"status":"ok"}`)}},
		{"undeclared member", api.Exchange{Request: get("/healthz"), Status: 200, Header: js, Body: []byte(`{"status":"ok","x":1}`)}},
		{"missing member", api.Exchange{Request: get("/readyz"), Status: 200, Header: js, Body: []byte(`{"status":"ready","checks":[]}`)}},
		{"duplicate member", api.Exchange{Request: get("/healthz"), Status: 200, Header: js, Body: []byte(`{"status":"ok","status":"ok"}`)}},
		{"other media type", api.Exchange{Request: get("/healthz"), Status: 200, Header: http.Header{"Content-Type": {"text/html"}}, Body: []byte(`ok`)}},
		{"missing header", api.Exchange{Request: get("/openapi.yaml"), Status: 200, Header: http.Header{"Content-Type": {"application/yaml"}}, Body: []byte(`x`)}},
		{"unknown path answered", api.Exchange{Request: get("/nowhere"), Status: 200, Header: js, Body: []byte(`{}`)}},
		{"problem without a code", api.Exchange{Request: get("/nowhere"), Status: 404, Header: pj, Body: []byte(`{"type":"/docs/problems#x","title":"t","status":404,"detail":"d","request_id":"12345678"}`)}},
		{"not ready without checks", api.Exchange{Request: get("/readyz"), Status: 503, Header: pj, Body: []byte(`{"type":"/docs/problems#x","title":"t","status":503,"detail":"d","code":"x","request_id":"12345678"}`)}},
	} {
		if c.CheckAnswer(x.x) == nil {
			t.Errorf("%s: accepted", x.name)
		}
	}
	if c.CheckRequest(api.Exchange{Request: get("/docs/" + strings.Repeat("x", 81))}) == nil {
		t.Error("a parameter over its maxLength was accepted")
	}
}

// A move to another router or checker must touch these files and no others.
func TestFrameworksStayInTheirFiles(t *testing.T) {
	allowed := map[string][]string{
		"github.com/labstack/echo":      {"deploy/bench/bare.go", "api/server.go", "api/routes.go", "api/op.go", "api/problem.go", "api/auth.go", "api/contract.go"},
		"github.com/getkin/kin-openapi": {"api/server.go", "api/routes.go", "api/op.go", "api/problem.go", "api/auth.go", "api/contract.go"},
	}
	used := map[string]bool{}
	for _, name := range goFiles(t, "..") {
		f, err := parser.ParseFile(token.NewFileSet(), filepath.Join("..", name), nil, parser.ImportsOnly)
		if err != nil {
			continue // somebody is writing it; the compiler will say
		}
		for _, imp := range f.Imports {
			for module, files := range allowed {
				if strings.HasPrefix(strings.Trim(imp.Path.Value, `"`), module) {
					used[module] = true
					if !slices.Contains(files, name) {
						t.Errorf("%s imports %s", name, imp.Path.Value)
					}
				}
			}
		}
	}
	if len(used) != len(allowed) {
		t.Errorf("only %v found: the test looks in the wrong place", used)
	}
}

func goFiles(t *testing.T, root string) []string {
	t.Helper()
	var names []string
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && filepath.Ext(path) == ".go" {
			rel, _ := filepath.Rel(root, path)
			names = append(names, filepath.ToSlash(rel))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

package api_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"forkwright/api"
	"forkwright/service/caller"
)

// recorded holds, by release, what callers sent and what they got. Files are added for a
// release and never changed: a caller of that release is still out there.
const recorded = "../testdata/api/recorded"

var recordRelease = flag.String("record", "", "record the requests of this release, such as 1.0, into testdata/api/recorded")

// recording is one request of a release and the shape of its answer. Ids that only exist in a
// database are made anew when it is replayed.
type recording struct {
	Operation string      `json:"operation"`
	Role      caller.Role `json:"role,omitempty"`
	Method    string      `json:"method"`
	Path      string      `json:"path"`
	Query     string      `json:"query,omitempty"`
	Accept    string      `json:"accept,omitempty"`
	Body      any         `json:"body,omitempty"`
	Status    int         `json:"status"`
	Media     string      `json:"media,omitempty"`
	Headers   []string    `json:"headers,omitempty"` // that a caller may read
	Members   []string    `json:"members,omitempty"` // path and type
}

// madeAnew are members of bodies that name things of one database.
var madeAnew = []string{"person_id", "account_id", "receipts", "location", "codes"}

// send asks as the recording says, about things made now.
func (r recording) send(f *fuzzer) (api.Exchange, *fuzzed, error) {
	o, ok := f.all[r.Operation]
	if !ok {
		return api.Exchange{}, nil, fmt.Errorf("the operation is gone")
	}
	f.table[o.ID] = []caller.Role{r.Role}
	x := f.start(o)
	o.Method, o.Path = r.Method, r.Path
	x.op = o
	if len(x.query) == 0 { // else it names what was made now

		x.query, _ = url.ParseQuery(r.Query)
	}
	x.header.Set("Accept", r.Accept)
	if old, ok := r.Body.(map[string]any); ok {
		var now map[string]any
		if json.Unmarshal([]byte(x.body), &now) == nil {
			for _, name := range madeAnew {
				if _, ok := old[name]; ok && now[name] != nil {
					old[name] = now[name]
				}
			}
		}
		text, err := json.Marshal(old)
		if err != nil {
			return api.Exchange{}, nil, err
		}
		x.body = string(text)
	}
	e, err := f.exchange(x)
	return e, x, err
}

// membersOf lists the members of an answer with their types; lists are written once.
func membersOf(v any) []string {
	seen := map[string]bool{}
	var walk func(at string, v any)
	walk = func(at string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for name, inner := range v {
				kind := strings.TrimSuffix(fmt.Sprintf("%T", inner), "64")
				switch inner.(type) {
				case map[string]any:
					kind = "object"
				case []any:
					kind = "list"
				}
				seen[at+"/"+name+" "+kind] = true
				walk(at+"/"+name, inner)
			}
		case []any:
			for _, inner := range v {
				walk(at+"/*", inner)
			}
		}
	}
	walk("", v)
	return slices.Sorted(maps.Keys(seen))
}

func decoded(body []byte) any {
	var v any
	if json.Unmarshal(body, &v) != nil {
		return nil
	}
	return v
}

// headersForCallers are headers that the contract lets callers rely on.
var headersForCallers = []string{"ETag", "Location", "Content-Disposition"}

func recordOf(f *fuzzer, o api.ContractOperation, body string) (recording, error) {
	x := f.start(o)
	if body != "" {
		x.body = body
	}
	x.header.Del("Accept")
	if o.ID == "getDocsFile" {
		x.path["file"] = "problems"
	}
	for name, value := range map[string]string{"fork_id": matrixFork, "sku": matrixPart} {
		if _, ok := x.path[name]; ok {
			x.path[name] = value
		}
	}
	if len(x.query) == 0 {
		_, query, _ := strings.Cut(o.ExampleTarget, "?")
		x.query, _ = url.ParseQuery(query)
	}
	r := recording{Operation: o.ID, Role: x.role, Method: o.Method, Path: o.Path, Query: x.query.Encode()}
	if x.contentType == "application/json" {
		r.Body = decoded([]byte(x.body))
	}
	for name, value := range x.path {
		if name == "fork_id" || name == "sku" || name == "file" { // in the catalog and the binary, not in a database
			r.Path = strings.Replace(r.Path, "{"+name+"}", url.PathEscape(value), 1)
		}
	}
	e, err := f.exchange(x)
	if err != nil {
		return r, err
	}
	r.Status, r.Media, r.Members = e.Status, e.Header.Get("Content-Type"), membersOf(decoded(e.Body))
	for _, name := range headersForCallers {
		if e.Header.Get(name) != "" {
			r.Headers = append(r.Headers, name)
		}
	}
	if e.Status >= 300 {
		return r, fmt.Errorf("%d %.300s", e.Status, e.Body)
	}
	return r, nil
}

func steadyFuzzer(t *testing.T) *fuzzer {
	f := newFuzzer(t, fuzzWorld(t), 1, newTally())
	f.steady = true
	f.mayAsk(readMatrix(t))
	return f
}

func TestRequestsOfEarlierReleasesAreAnsweredAsThen(t *testing.T) {
	if *recordRelease != "" {
		record(t, steadyFuzzer(t), *recordRelease)
	}
	f := steadyFuzzer(t)
	files, err := filepath.Glob(recorded + "/*/*.json")
	if err != nil || len(files) < 60 {
		t.Fatalf("%d recordings: %v", len(files), err)
	}
	for _, name := range files {
		t.Run(strings.TrimSuffix(strings.TrimPrefix(name, recorded+"/"), ".json"), func(t *testing.T) {
			content, err := os.ReadFile(name)
			f.must(err)
			var r recording
			f.must(json.Unmarshal(content, &r))
			for _, difference := range r.replay(f) {
				t.Error(difference)
			}
		})
	}
}

// replay sends a recorded request and lists what a caller of then would miss.
func (r recording) replay(f *fuzzer) (missing []string) {
	e, x, err := r.send(f)
	if err != nil {
		return []string{err.Error()}
	}
	if e.Status != r.Status {
		return []string{fmt.Sprintf("%s %s %.400s: answered with %d, then with %d: %.400s", r.Method, e.Request.URL, x.body, e.Status, r.Status, e.Body)}
	}
	if got := e.Header.Get("Content-Type"); got != r.Media {
		missing = append(missing, fmt.Sprintf("it is %s and was %s", got, r.Media))
	}
	for _, h := range r.Headers {
		if e.Header.Get(h) == "" {
			missing = append(missing, "the header "+h+" is gone")
		}
	}
	now := membersOf(decoded(e.Body))
	for _, m := range r.Members {
		if !slices.Contains(now, m) {
			missing = append(missing, m+" is gone or of another type")
		}
	}
	return missing
}

func record(t *testing.T, f *fuzzer, release string) {
	t.Helper()
	f.must(os.MkdirAll(filepath.Join(recorded, release), 0o755))
	for _, o := range f.contract.Contract().Operations() {
		f.record(filepath.Join(recorded, release, o.ID+".json"), o, "")
		if r, ok := recipes[o.ID]; ok && r.body != nil && len(o.RequestExample) > 0 && o.ID != "recheckFit" { // else it is the example; that of receipts is sealed with no key of ours
			f.record(filepath.Join(recorded, release, o.ID+"-example.json"), o, string(o.RequestExample))
		}
	}
}

// record writes one file, unless it is there: what a release did stays as it was.
func (f *fuzzer) record(name string, o api.ContractOperation, body string) {
	if _, err := os.Stat(name); err == nil {
		return
	}
	r, err := recordOf(f, o, body)
	if err != nil {
		f.t.Logf("not recorded: %s: %v", name, err)
		return
	}
	content, err := json.MarshalIndent(r, "", " ")
	f.must(err)
	f.must(os.WriteFile(name, append(content, '\n'), 0o644))
}

// A replay that finds nothing must be able to find something.
func TestReplaysNoticeWhatIsGone(t *testing.T) {
	f := steadyFuzzer(t)
	good, err := recordOf(f, f.all["getFork"], "")
	f.must(err)
	if got := good.replay(f); got != nil {
		t.Fatal(got)
	}
	for what, change := range map[string]func(*recording){
		"a member":    func(r *recording) { r.Members = append(r.Members, "/answer/gone string") },
		"a type":      func(r *recording) { r.Members = append(r.Members, "/catalog_revision string") },
		"a header":    func(r *recording) { r.Headers = append(r.Headers, "Location") },
		"a status":    func(r *recording) { r.Status = 201 },
		"a media":     func(r *recording) { r.Media = "text/html" },
		"a parameter": func(r *recording) { r.Query = "was_there_once=1" },
		"an address":  func(r *recording) { r.Path = "/v1/fork/" + matrixFork },
		"all of it":   func(r *recording) { r.Operation = "getForkOnce" },
	} {
		r := good
		r.Members, r.Headers = slices.Clone(good.Members), slices.Clone(good.Headers)
		change(&r)
		if r.replay(f) == nil {
			t.Errorf("%s that is gone is not noticed", what)
		}
	}
}

package api_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"forkwright/api"
	"forkwright/service/caller"
)

// fuzzer sends made-up requests to a whole service and holds request and answer to the
// contract. What it sends follows from its seed.
type fuzzer struct {
	*world
	maker
	table map[string][]caller.Role // operation -> roles that the authorization table says may
	all   map[string]api.ContractOperation
	tally *tally
	n     int

	steady bool // always ask as the first role that may
}

// tally is what came of it, by operation.
type tally struct {
	mu         sync.Mutex
	sent, good map[string]int
	statuses   map[int]int
	strict     map[string]int    // refused though the contract allows it, by code
	example    map[string]string // one of each, the shortest
	wrong      map[string]string // what must not be
	wrongs     map[string]int
	where      map[string]int // refusals by code, operation and place
}

func newTally() *tally {
	return &tally{sent: map[string]int{}, good: map[string]int{}, statuses: map[int]int{}, strict: map[string]int{}, example: map[string]string{}, wrong: map[string]string{}, wrongs: map[string]int{}, where: map[string]int{}}
}

func (t *tally) keep(in map[string]string, key, what string) {
	if old, ok := in[key]; !ok || len(what) < len(old) {
		in[key] = what
	}
}

// Why something is refused although openapi.yaml allows it.
const (
	outside  = "OpenAPI does not describe it: percent signs, parameters that it does not name, codings, a body where none is declared"
	integers = "1.0 and 1e3 are whole numbers to JSON Schema, and checkers hold limits as floating point; the introduction says what we take"
	bounds   = "a bound that moves with the day or the catalog (model years, expiry), belongs to physics (wire against diameter), or is that of a 64-bit number"
	allTexts = "true of every text; said once in words and not as a pattern at each"
	lookup   = "the text must name something that there is, in the catalog, in the account or in a standard's list"
	together = "members depend on one another, or on what was asked before; JSON Schema could say it only where nobody would read it"
	sums     = "depends on the value of another member or on what comes out of the arithmetic"
	inside   = "the inside of a file or stream"
)

// stricter lists, by the code of a refusal, what we refuse although openapi.yaml allows it, and
// why the contract does not say it. A code that is not here fails the test: either the contract
// learns the rule or the reason is written down.
var stricter = map[string]string{
	"unknown_parameter": outside, "repeated_parameter": outside, "malformed_query": outside, "malformed": outside, "unexpected_body": outside,
	"unsupported_encoding": outside, "unsupported_media_type": outside, "empty_body": outside,
	"wrong_type": integers, "out_of_range": bounds,
	"control_character": allTexts, "invalid_utf8": allTexts,
	"invalid_value": lookup, "bad_cursor": lookup, "unknown_unit": lookup, "unknown_currency": lookup, "unknown_time_zone": lookup, "unknown_language": lookup, "not_in_list": lookup,
	"unknown_maker": lookup, "unknown_price_list": lookup, "unknown_part": lookup, "unknown_cartridge": lookup, "unknown_damper": lookup, "unknown_fact": lookup, "unknown_family": lookup, "no_such_choice": lookup, "slot_not_chosen": lookup, "no_tax_rule": lookup, "unknown_setting": lookup, "no_air_bump_stop": lookup, "spring_missing": lookup, "not_a_fluid": lookup,
	"unknown_fork_name": lookup, "unknown_job": lookup, "unknown_material": lookup, "unknown_operation": lookup, "unknown_fork": lookup, "unknown_spring": lookup, "no_such_line": lookup, "no_such_preload": lookup,
	"not_in_catalog": lookup, "quote_person_fkey": lookup, "quote_line_location_fkey": lookup, "spring_of_another_family": lookup, "location_not_found": lookup,
	"required": together, "missing": together, "unexpected": together, "given_twice": together, "one_of": together, "percent_or_amount": together, "not_with_q": together,
	"fork_missing": together, "job_missing": together, "cartridge_missing": together, "cartridge_not_in_job": together, "preload_without_cartridge": together, "quote_empty": together,
	"line_without_subject": together, "text_of_a_part": together, "not_of_free_text": together, "mixed_price_basis": together, "tax_reason_missing": together, "tax_reason_not_allowed": together,
	"idempotency_key_reused": together, "contradiction": together,
	"out_of_order": sums, "valid_until_in_the_past": sums, "past_limit": sums, "quantity_zero": sums, "cash_step_not_positive": sums, "amount_too_precise": sums, "beyond_travel": sums, "currency_of_list": sums, "fitted_missing": sums, "jobs_contradict": sums, "price_on_uncharged_line": sums, "rattles": sums, "too_close": sums, "two_prices": sums, "tax_category_missing": sums, "base_quantity_not_positive": sums, "adjusted_without_price": sums, "discount_without_lines": sums, "quantity_not_whole": sums, "amount_too_large": sums, "decimals_out_of_range": sums,
	"tax_rate_not_zero": sums, "tax_rate_out_of_range": sums,
	"catalog_refused": inside, "malformed_zip": inside, "feed_header": inside, "feed_location_missing": inside, "feed_empty": inside, "feed_names_nothing": inside, "feed_quotes": inside, "gzip_damaged": inside, "gzip_incomplete": inside, "too_much_missing": inside, "line_too_long": inside, "not_utf8": inside, "too_many_bad_rows": inside,
}

// request is one request in the making.
type fuzzed struct {
	op          api.ContractOperation
	role        caller.Role
	key         string
	path        map[string]string
	query       url.Values
	rawQuery    string // goes before query where it is set
	header      http.Header
	body        string
	contentType string
}

func newFuzzer(t testing.TB, w *world, seed uint64, tally *tally) *fuzzer {
	t.Helper()
	document, err := w.contract.Contract().Document()
	w.must(err)
	f := &fuzzer{world: w, tally: tally, table: map[string][]caller.Role{}, all: map[string]api.ContractOperation{}}
	f.maker = maker{schemas: readSchemas(t, document), r: rand.New(rand.NewPCG(seed, 7)), names: demoNames(t)}
	for _, o := range w.contract.Contract().Operations() {
		f.all[o.ID] = o
	}
	return f
}

func (f *fuzzer) mayAsk(rows []matrixRow) {
	for _, row := range rows {
		for i, role := range matrixColumns {
			if row.whose != "own" && row.whose != "any" || row.cells[i] != "ok" && row.cells[i] != "empty" {
				continue
			}
			f.table[row.operation] = append(f.table[row.operation], role)
		}
	}
}

// demoNames are texts from the demo for members of these names.
func demoNames(t testing.TB) map[string][]string {
	tables := demoTables(t)
	var forks, skus, gtins, makers []string
	for _, f := range tables.Forks {
		forks = append(forks, f.ID)
	}
	for _, p := range tables.Parts {
		skus = append(skus, p.SKU)
		if p.GTIN != "" {
			gtins = append(gtins, p.GTIN)
		}
	}
	for _, m := range tables.Makers {
		makers = append(makers, m.Code)
	}
	codes := slices.Concat(skus, gtins)
	return map[string][]string{
		"fork_id": forks, "for_fork": forks, "sku": codes, "part": codes, "code": codes, "gtin": gtins, "maker": makers, "spring_sku": skus, "cartridge_sku": skus, "cartridge": skus, "spring": skus,
		"q": {"holin 36", "skarnfeld 2021", "29er 160", "36 expert", "was ist das", "\u0301", "160 160 160"}, "currency": {"EUR", "USD", "GBP", "JPY"},
		"location": {"uferhalle", "north-store"}, "price_list": {"recommended", "dealer"}, "units": {"metric", "imperial"}, "country": {"DE", "AT", "US", "GB"},
		"time_zone": {"Europe/Berlin", "UTC", "America/Denver"}, "file": {"problems", "roles", "index", "docs.css", "init.js", "setup-model", "LICENSE", "swagger-ui.css"},
		"as_of": {"2026-03-31T02:00:00Z", "2026-03-31T02:00:00+02:00", "2025-01-01T00:00:00.5Z"}, "cursor": {"", "a", "eyJ9", "AAAA"},
	}
}

// start is a good request for an operation, made as the authorization table makes its own.
func (f *fuzzer) start(o api.ContractOperation) *fuzzed {
	f.n++
	role := caller.Role("")
	if may := f.table[o.ID]; len(may) > 0 {
		role = pick(f.r, may)
		if f.steady {
			role = may[0]
		}
	}
	a := &attempt{world: f.world, op: o, role: role, whose: "own", owner: f.accounts[role], n: f.n}
	if role == "" {
		a.owner = f.other
	}
	if o.ID == "putAccount" || o.ID == "getAccount" { // whoever asks must stay what they are
		a.owner, _ = f.account(fmt.Sprintf("fuzzed-%d", f.n), caller.Storefront)
	}
	r := recipes[o.ID]
	x := &fuzzed{op: o, role: role, key: f.keys[role], path: map[string]string{}, query: url.Values{}, header: http.Header{}}
	if r.path != nil {
		x.path = r.path(a)
	}
	if r.query != nil {
		x.query, _ = url.ParseQuery(strings.TrimPrefix(r.query(a), "?"))
	}
	x.body = string(o.RequestExample)
	if r.body != nil {
		x.body = r.body(a)
	}
	if x.body != "" {
		x.contentType = "application/json"
	}
	if r.headers != nil {
		for _, line := range r.headers(a) {
			name, value, _ := strings.Cut(line, ": ")
			x.header.Set(name, value)
		}
	}
	if got := x.header.Get("Content-Type"); got != "" {
		x.contentType = got
	}
	if strings.HasPrefix(o.ID, "getDocsFile") {
		x.path["file"] = pick(f.r, f.names["file"])
	}
	for _, name := range []string{"fork_id", "sku"} {
		if _, ok := x.path[name]; ok {
			x.path[name] = pick(f.r, f.names[name])
		}
	}
	if len(o.Produces) > 0 && f.chance(50) {
		x.header.Set("Accept", pick(f.r, o.Produces))
	}
	return x
}

// kinds of requests: how each differs from a good one. The numbers are shares in percent.
type fuzzKind struct {
	name  string
	share int
	twist func(f *fuzzer, x *fuzzed)
}

var fuzzKinds = []fuzzKind{
	{"as it should be", 40, func(*fuzzer, *fuzzed) {}},
	{"other values that the contract allows", 26, (*fuzzer).twistWithin},
	{"one thing wrong", 14, (*fuzzer).twistOne},
	{"made from the contract alone", 10, (*fuzzer).twistWhole},
	{"hostile", 10, (*fuzzer).twistHostile},
}

// examplesOfParams sets parameters that may be set to values of the contract.
func (f *fuzzer) someParams(x *fuzzed, percent int, value func(p, schema map[string]any, name string) (string, bool)) {
	params, _ := f.operation(x.op.Method, x.op.Path)
	for _, p := range params {
		name, _ := p["name"].(string)
		if !f.chance(percent) {
			continue
		}
		text, ok := value(p, f.resolve(p["schema"]), name)
		if !ok {
			continue
		}
		switch p["in"] {
		case "query":
			x.query.Set(name, text)
		case "header":
			if name != "Content-Encoding" && (name != "If-Match" || x.header.Get(name) == "") {
				x.header.Set(name, text)
			}
		}
	}
}

func queryText(v any) string {
	if list, ok := v.([]any); ok {
		texts := make([]string, len(list))
		for i := range list {
			texts[i] = queryText(list[i])
		}
		return strings.Join(texts, ",")
	}
	return fmt.Sprint(v)
}

func (f *fuzzer) twistWithin(x *fuzzed) {
	f.someParams(x, 25, func(p, schema map[string]any, name string) (string, bool) {
		if _, ok := x.query[name]; ok {
			return "", false
		}
		if example, ok := p["example"]; ok && f.chance(60) {
			return queryText(example), true
		}
		text := queryText(f.value(schema, name, 0))
		return text, text != ""
	})
	f.changeBody(x, f.vary)
}

func (f *fuzzer) changeBody(x *fuzzed, change func(body, schema any) any) {
	_, schema := f.operation(x.op.Method, x.op.Path)
	if schema == nil {
		return
	}
	var body any
	if json.Unmarshal([]byte(x.body), &body) != nil {
		return
	}
	text, err := json.Marshal(change(body, schema))
	if err != nil {
		return
	}
	x.body, x.contentType = string(text), "application/json"
}

func (f *fuzzer) twistOne(x *fuzzed) {
	switch n := f.r.IntN(10); {
	case n < 6 && x.contentType == "application/json":
		f.changeBody(x, f.spoil)
	case n < 8:
		f.someParams(x, 40, func(_, _ map[string]any, _ string) (string, bool) { return queryText(f.junk()), true })
	default:
		for name := range x.path {
			x.path[name] = pick(f.r, []string{"x", "no such thing", "%", "a/b", "\x00", "\xff", strings.Repeat("y", 300), nobodysID, "..", "."})
		}
	}
}

func (f *fuzzer) twistWhole(x *fuzzed) {
	x.query = url.Values{}
	f.someParams(x, 40, func(_, schema map[string]any, name string) (string, bool) {
		return queryText(f.value(schema, name, 0)), true
	})
	params, schema := f.operation(x.op.Method, x.op.Path)
	for _, p := range params {
		name := p["name"].(string)
		if p["in"] == "path" && f.chance(50) {
			x.path[name] = queryText(f.value(p["schema"], name, 0))
		}
		if p["in"] == "query" && p["required"] == true {
			x.query.Set(name, queryText(f.value(p["schema"], name, 0)))
		}
	}
	if schema == nil {
		return
	}
	if text, err := json.Marshal(f.value(schema, "", 0)); err == nil {
		x.body, x.contentType = string(text), "application/json"
	}
}

func (f *fuzzer) twistHostile(x *fuzzed) {
	switch f.r.IntN(9) {
	case 0, 1, 2:
		x.body = f.hostile(x.body)
		if x.contentType == "" {
			x.contentType = "application/json"
		}
	case 3:
		x.rawQuery = pick(f.r, []string{"%zz", "&&&", "limit=1&limit=2", "=", "a;b=c", "limit=%00", "q=%ff%fe", "limit[]=1", "cursor=" + strings.Repeat("A", 9000), "units=metric%0d%0aX-Evil:1"})
	case 4:
		x.contentType = pick(f.r, []string{"text/plain", "application/xml", "multipart/form-data", "application/json; charset=utf-16", "application/JSON", ";;;", "application/problem+json", "text/csv", "application/zip"})
	case 5:
		x.header.Set(pick(f.r, []string{"Accept", "Content-Encoding", "If-Match", "If-None-Match", "Idempotency-Key", "Origin", "X-Request-Id", "Range", "Expect"}),
			pick(f.r, []string{"", "*", "*/*;q=0", "gzip, br", `"`, `W/"1"`, "*, \"1\"", strings.Repeat("z", 4000), "image/webp", "https://evil.example", "\x7f", "bytes=0-1", "\xff"}))
	case 6:
		x.key = pick(f.r, []string{"", "wrong-key-wrong-key-wrong-key", "short", strings.Repeat("k", 5000), "sp ace", "ключ"})
	case 7:
		x.key = f.keys[pick(f.r, everyRole)]
	case 8:
		x.op.Method = pick(f.r, []string{"DELETE", "PATCH", "OPTIONS", "HEAD", "TRACE", "PROPFIND", "PUT", "GET"})
	}
}

// send makes the request, sends it and looks at the answer.
func (f *fuzzer) send(x *fuzzed) int {
	if x.op.ID == "putOwnAccount" { // quotes, which other operations need, are made with it
		defer f.keepSeller()()
	}
	e, err := f.exchange(x)
	if err != nil {
		return 0 // no HTTP client could write it
	}
	f.judge(x, e)
	return e.Status
}

// keepSeller puts the shop's profile back as it is now.
func (f *fuzzer) keepSeller() (restore func()) {
	id := f.accounts[shop].ID
	kept, err := f.d.Seller(f.t.Context(), id)
	if err != nil {
		return func() {} // it has none
	}
	return func() {
		now, err := f.d.Seller(f.t.Context(), id)
		f.must(err)
		kept.Version = now.Version
		_, err = f.d.PutSeller(f.t.Context(), caller.Caller{AccountID: id, RequestID: "test"}, kept)
		f.must(err)
	}
}

func (f *fuzzer) exchange(x *fuzzed) (api.Exchange, error) {
	req, err := x.request()
	if err != nil {
		return api.Exchange{}, err
	}
	w := httptest.NewRecorder()
	f.h.ServeHTTP(w, req)
	return api.Exchange{Request: req, RequestBody: []byte(x.body), Status: w.Code, Header: w.Result().Header, Body: w.Body.Bytes()}, nil
}

func (x *fuzzed) request() (*http.Request, error) {
	path := x.op.Path
	for name, value := range x.path {
		if value == "" {
			value = "x"
		}
		path = strings.ReplaceAll(path, "{"+name+"}", strings.ReplaceAll(url.PathEscape(value), ".", "%2E"))
	}
	if raw := x.rawQuery; raw != "" || len(x.query) > 0 {
		path += "?" + strings.TrimSuffix(raw+"&"+x.query.Encode(), "&")
	}
	req, err := http.NewRequest(x.op.Method, "http://forkwright.test"+path, nil)
	if err != nil {
		return nil, err
	}
	req.RemoteAddr, req.RequestURI = "192.0.2.7:40000", path
	req.Header = x.header.Clone()
	if x.body != "" {
		req.Body, req.ContentLength = io.NopCloser(strings.NewReader(x.body)), int64(len(x.body))
	} else {
		req.Body = http.NoBody
	}
	if x.contentType != "" {
		req.Header.Set("Content-Type", x.contentType)
	}
	if x.key != "" {
		req.Header.Set("Authorization", "Bearer "+x.key)
	}
	return req, nil
}

func (f *fuzzer) judge(x *fuzzed, e api.Exchange) {
	t := f.tally
	answerErr := f.contract.Contract().CheckAnswer(e)
	requestErr := error(nil)
	matters := e.Status < 300 || slices.Contains([]int{400, 415, 422}, e.Status)
	if x.op.Method != http.MethodOptions && matters && e.Status != http.StatusMethodNotAllowed {
		requestErr = f.contract.Contract().CheckRequest(e)
	}
	what := fmt.Sprintf("%s %s (%s) %.1500q -> %d %.500s", e.Request.Method, e.Request.URL.RequestURI(), x.contentType, x.body, e.Status, e.Body)
	t.mu.Lock()
	defer t.mu.Unlock()
	t.sent[x.op.ID]++
	t.statuses[e.Status]++
	if e.Status >= 200 && e.Status < 300 {
		t.good[x.op.ID]++
	}
	fail := func(kind string, err error) {
		key := kind + " " + x.op.ID
		if err != nil {
			what += "\n      " + firstLine(err)
		}
		t.wrongs[key]++
		t.keep(t.wrong, key, what)
	}
	switch {
	case e.Status >= 500:
		fail(fmt.Sprint(e.Status), nil)
	case answerErr != nil:
		fail("undeclared answer", answerErr)
	case e.Status < 300 && requestErr != nil:
		fail("accepted though the contract forbids it", requestErr)
	case requestErr == nil && matters && e.Status >= 400:
		for _, r := range refusals(e.Body) {
			t.strict[r.Code]++
			t.keep(t.example, r.Code, what)
			t.where[r.Code+" "+x.op.ID+" "+digits.ReplaceAllString(r.Pointer, "/0")]++
		}
	}
}

func firstLine(err error) string {
	var v *api.Violation
	if errors.As(err, &v) {
		err = v.Err
	}
	text := err.Error()
	if len(text) > 600 {
		text = text[:600]
	}
	return strings.Join(strings.Fields(text), " ")
}

var digits = regexp.MustCompile(`/[0-9]+`)

type refusal struct{ Code, Pointer string }

// refusals are what a problem names: its members, else itself.
func refusals(body []byte) []refusal {
	var p struct {
		Code   string
		Errors []refusal
	}
	if json.Unmarshal(body, &p) != nil {
		return []refusal{{Code: "no problem document"}}
	}
	if len(p.Errors) > 0 {
		return p.Errors
	}
	return []refusal{{Code: p.Code}}
}

// once sends one request of a kind that chance chooses.
func (f *fuzzer) once(o api.ContractOperation) int {
	x := f.start(o)
	n := f.r.IntN(100)
	for _, k := range fuzzKinds {
		if n < k.share {
			k.twist(f, x)
			break
		}
		n -= k.share
	}
	return f.send(x)
}

// report prints the shares and fails for everything that must not be.
func (t *tally) report(tb testing.TB, least int) {
	tb.Helper()
	var out bytes.Buffer
	sent, good := 0, 0
	for _, id := range slices.Sorted(maps.Keys(t.sent)) {
		fmt.Fprintf(&out, "%-20s %5d sent %5d in 2xx (%d %%)\n", id, t.sent[id], t.good[id], 100*t.good[id]/t.sent[id])
		sent, good = sent+t.sent[id], good+t.good[id]
		if t.good[id] < least {
			tb.Errorf("%s: %d answers in 2xx of %d, wanted %d", id, t.good[id], t.sent[id], least)
		}
	}
	fmt.Fprintf(&out, "in all %d sent, %d in 2xx (%d %%)\nstatuses:", sent, good, 100*good/max(sent, 1))
	for _, status := range slices.Sorted(maps.Keys(t.statuses)) {
		fmt.Fprintf(&out, " %d×%d", t.statuses[status], status)
	}
	out.WriteString("\nrefused though the contract allows it, by code:\n")
	for _, code := range slices.Sorted(maps.Keys(t.strict)) {
		reason, listed := stricter[code]
		fmt.Fprintf(&out, "%6d %s: %s; most at %s\n", t.strict[code], code, reason, t.most(code, 4))
		if !listed {
			tb.Errorf("%s ×%d is refused though the contract allows it and no reason is listed: %s", code, t.strict[code], t.example[code])
		}
	}
	tb.Log(out.String())
	for _, key := range slices.Sorted(maps.Keys(t.wrong)) {
		tb.Errorf("%s ×%d: %s", key, t.wrongs[key], t.wrong[key])
	}
}

func seedOf(name string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(name))
	return h.Sum64()
}

// fuzzWorld is a shop with everything in it that requests can be about.
func fuzzWorld(t testing.TB) *world {
	s := newTill(t)
	s.putSellers()
	return s.world
}

func (s *till) putSellers() {
	s.profile(caller.Caller{AccountID: s.other.ID, Roles: []caller.Role{caller.Shop}, RequestID: "test"}, "OT")
}

func TestMadeUpRequestsKeepTheContract(t *testing.T) {
	tally := newTally()
	f := newFuzzer(t, fuzzWorld(t), 20261124, tally)
	f.mayAsk(readMatrix(t))
	for round := range 9 {
		for _, o := range f.contract.Contract().Operations() {
			if round == 0 {
				f.send(f.start(o))
			} else {
				f.once(o)
			}
		}
	}
	tally.report(t, 1)
}

// tag is the group of an operation in the contract.
func (s schemas) tag(o api.ContractOperation) string {
	op := s.doc["paths"].(map[string]any)[o.Path].(map[string]any)[strings.ToLower(o.Method)].(map[string]any)
	return op["tags"].([]any)[0].(string)
}

func (t *tally) goodOf(operation string) int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.good[operation]
}

func (t *tally) total() (n int) {
	for _, sent := range t.sent {
		n += sent
	}
	return n
}

// most lists the places where it happened most.
func (t *tally) most(code string, n int) string {
	var keys []string
	for k := range t.where {
		if strings.HasPrefix(k, code+" ") {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b string) int { return t.where[b] - t.where[a] })
	var out []string
	for _, k := range keys[:min(n, len(keys))] {
		out = append(out, fmt.Sprintf("%s ×%d", strings.TrimPrefix(k, code+" "), t.where[k]))
	}
	return strings.Join(out, ", ")
}

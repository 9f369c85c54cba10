package api_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"forkwright/api"
	"forkwright/api/contracttest"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/stock"
)

// authorization is the table of who may do what, written by hand and not made from the
// routes: operation, whose the subject is, and what each role is answered.
//
// whose is own, other or missing where the subject belongs to somebody; any and, with a
// parameter in the path, missing where it does not. A cell is ok for 2xx, empty for a 200
// whose lists are all empty, else the status.
const authorization = "../testdata/authorization.csv"

var matrixColumns = []caller.Role{"", shop, storefront, distributor, admin}

type matrixRow struct {
	operation, whose string
	cells            []string
}

func readMatrix(t *testing.T) []matrixRow {
	t.Helper()
	f, err := os.Open(authorization)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []matrixRow
	for _, l := range lines[1:] {
		out = append(out, matrixRow{l[0], l[1], l[2:]})
	}
	return out
}

// attempt is one request of the matrix in the making.
type attempt struct {
	*world
	op    api.ContractOperation
	role  caller.Role
	whose string
	owner account.Account // whose thing it is to be about
	n     int             // makes names that were not there
	etag  string          // of the thing made, where it has one
}

// recipe says how an operation is asked about somebody's thing; what it leaves out comes from
// the contract's example.
type recipe struct {
	path    func(a *attempt) map[string]string // parameters
	query   func(a *attempt) string
	body    func(a *attempt) string
	headers func(a *attempt) []string
}

const matrixFork, matrixPart = "skarnfeld-hollin-36-expert-2021", "QB-C36S-160"

func ofPath(name string, thing func(a *attempt) string, missing string) func(*attempt) map[string]string {
	return func(a *attempt) map[string]string {
		if a.whose == "missing" {
			return map[string]string{name: missing}
		}
		return map[string]string{name: thing(a)}
	}
}

func always(s string) func(*attempt) string { return func(*attempt) string { return s } }

func (a *attempt) by() caller.Caller {
	return caller.Caller{AccountID: a.owner.ID, RequestID: "matrix"}
}

func (a *attempt) ownedAccount() string { return a.owner.ID }

func (a *attempt) ownedKey() string {
	k, _, err := a.d.CreateKey(a.t.Context(), a.by(), account.NewKey{AccountID: a.owner.ID, Label: "matrix"})
	a.must(err)
	return k.ID
}

func (a *attempt) ownedLocation() string {
	l, err := a.d.CreateLocation(a.t.Context(), a.by(), account.Location{ID: fmt.Sprintf("m-%d", a.n), AccountID: a.owner.ID, Name: "m", TimeZone: "UTC"})
	a.must(err)
	return l.ID
}

// A feed of one part, in the words of the wire.
const (
	feedAsOf = "?as_of=2026-03-31T02:00:00Z"
	oneRow   = "sku,on_hand\n" + matrixPart + ",1\n"
)

func csvBody(*attempt) []string { return []string{"Content-Type: text/csv"} }

func (a *attempt) ownedFeed() string {
	u := stock.Upload{Stamp: stock.Stamp{Kind: stock.Full, AsOf: time.Now().Add(-time.Hour)}, Format: stock.CSV}
	f, err := a.d.TakeFeed(a.t.Context(), a.by(), a.ownedLocation(), u, noParts{}, strings.NewReader(oneRow))
	a.must(err)
	return f.ID
}

// noParts: nothing is ours.
type noParts struct{}

func (noParts) BySKU(string) (stock.Part, bool) { return stock.Part{}, false }
func (noParts) ByGTIN(string) []stock.Part      { return nil }

func (a *attempt) ownedPerson() string {
	p, err := a.d.PutPerson(a.t.Context(), a.by(), account.Person{AccountID: a.owner.ID, Name: "Somebody"})
	a.must(err)
	return p.ID
}

func (a *attempt) aNotice() string {
	return want[noticeAnswer](a.world, 201, admin, "POST", "/v1/notices", `{"kind":"bulletin","effect":"warn","sku":"`+matrixPart+`","text":"Look twice."}`).ID
}

// accountNamed names in a member or parameter whose thing is asked for; "" for the own.
func (a *attempt) accountNamed() string {
	switch a.whose {
	case "other":
		return a.other.ID
	case "missing":
		return nobodysID
	}
	return ""
}

func (a *attempt) withAccount(body string) string {
	if id := a.accountNamed(); id != "" {
		return strings.Replace(body, "{", `{"account_id":"`+id+`",`, 1)
	}
	return body
}

func (a *attempt) accountQuery() string {
	if id := a.accountNamed(); id != "" {
		return "?account_id=" + id
	}
	return ""
}

// quote makes a quote of the owner's in a state and gives its id and ETag. Only shops have
// quotes: for others it is the other shop's, and their answer is 403 either way.
func (a *attempt) quote(state string) (id, etag string) {
	key := a.otherKey
	if a.owner.ID == a.accounts[shop].ID {
		key = a.keys[shop]
	}
	made := a.send(key, "POST", "/v1/quotes", fmt.Sprintf(`{"currency":"EUR","issue":%t,"lines":[{"text":"Rack","unit":"each","quantity":"1","net_price":"10.00","tax":{"category":"S","rate":"19"}}]}`, state != "draft"))
	var q struct {
		ID string `json:"quote_id"`
	}
	made.JSON(a.t, &q)
	etag = made.Header.Get("ETag")
	if state == "accepted" {
		etag = a.send(key, "POST", "/v1/quotes/"+q.ID+"/accept", "", "If-Match: "+etag).Header.Get("ETag")
	}
	return q.ID, etag
}

// quoteWithWork is a quote of the owner's with work at the bench.
func (a *attempt) quoteWithWork() string {
	a.taxes()
	key := a.otherKey
	if a.owner.ID == a.accounts[shop].ID {
		key = a.keys[shop]
	}
	var q struct {
		ID string `json:"quote_id"`
	}
	a.send(key, "POST", "/v1/quotes", conversion).JSON(a.t, &q)
	return q.ID
}

func (a *attempt) send(key, method, path, body string, headers ...string) contracttest.Answer {
	a.t.Helper()
	got := a.contract.Call(a.t, a.h, method, path, key, body, headers...)
	if got.Status >= 300 {
		a.t.Fatalf("%s %s: %d %s", method, path, got.Status, got.Body)
	}
	return got
}

// ofQuote is a transition of a quote in a state.
func ofQuote(state string, body string) recipe {
	return recipe{
		path: ofPath("quote_id", func(a *attempt) string {
			id, etag := a.quote(state)
			a.etag = etag
			return id
		}, nobodysID),
		body:    always(body),
		headers: func(a *attempt) []string { return []string{"If-Match: " + orElse(a.etag, `"1"`)} },
	}
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// eventQuery asks for the events about a key.
func eventQuery(a *attempt) string {
	id := nobodysID
	if a.whose != "missing" {
		id = a.ownedKey()
	}
	return "?subject_kind=key&subject_id=" + id
}

func personMember(a *attempt) string {
	id := nobodysID
	if a.whose != "missing" {
		id = a.ownedPerson()
	}
	return `{"currency":"EUR","person_id":"` + id + `","lines":[{"text":"Rack","unit":"each","quantity":"1","net_price":"10.00","tax":{"category":"S","rate":"19"}}]}`
}

var recipes = map[string]recipe{
	"getDocsFile":   {path: ofPath("file", always("roles"), "no-such-page")},
	"getFork":       {path: ofPath("fork_id", always(matrixFork), "no-such-fork")},
	"listForkParts": {path: ofPath("fork_id", always(matrixFork), "no-such-fork")},
	"getPart":       {path: ofPath("sku", always(matrixPart), "NO-SUCH-PART")},
	"listPartForks": {path: ofPath("sku", always(matrixPart), "NO-SUCH-PART")},
	"recheckFit": {body: func(a *attempt) string {
		made := a.send(a.keys[shop], "POST", "/v1/fit-checks", string(a.example("checkFit")))
		var got struct{ Receipts []struct{ Receipt string } }
		made.JSON(a.t, &got)
		if len(got.Receipts) == 0 {
			a.t.Fatalf("no receipt in %s", made.Body)
		}
		return `{"receipts":["` + got.Receipts[0].Receipt + `"]}`
	}},
	"putOwnAccount": {headers: func(a *attempt) []string {
		tag := `"0"`
		if a.role == shop {
			tag = a.call(shop, "GET", "/v1/account", "").Header.Get("ETag")
		}
		return []string{"If-Match: " + tag}
	}},
	"getAccount": {path: ofPath("account_id", (*attempt).ownedAccount, nobodysID)},
	"putAccount": {path: ofPath("account_id", (*attempt).ownedAccount, nobodysID), body: func(a *attempt) string {
		b, err := json.Marshal(map[string]any{"name": a.owner.Name, "roles": a.owner.Roles})
		a.must(err)
		return string(b)
	}},
	"createKey": {body: func(a *attempt) string { return a.withAccount(string(a.example("createKey"))) }},
	"listKeys":  {query: (*attempt).accountQuery},
	"getKey":    {path: ofPath("key_id", (*attempt).ownedKey, nobodysID)},
	"revokeKey": {path: ofPath("key_id", (*attempt).ownedKey, nobodysID)},
	"rotateKey": {path: ofPath("key_id", (*attempt).ownedKey, nobodysID)},
	"createLocation": {body: func(a *attempt) string {
		return a.withAccount(strings.Replace(string(a.example("createLocation")), "hill-store", fmt.Sprintf("hill-%d", a.n), 1))
	}},
	"listLocations":      {query: (*attempt).accountQuery},
	"getLocation":        {path: ofPath("location", (*attempt).ownedLocation, "no-such-place")},
	"putLocation":        {path: ofPath("location", (*attempt).ownedLocation, "no-such-place")},
	"listLocationStock":  {path: ofPath("location", (*attempt).ownedLocation, "no-such-place")},
	"putLocationStock":   {path: ofPath("location", (*attempt).ownedLocation, "no-such-place"), query: always(feedAsOf), body: always(oneRow), headers: csvBody},
	"patchLocationStock": {path: ofPath("location", (*attempt).ownedLocation, "no-such-place"), query: always(feedAsOf), body: always(oneRow), headers: csvBody},
	"resetFeeds":         {path: ofPath("location", (*attempt).ownedLocation, "no-such-place")},
	"listReservations":   {path: ofPath("location", (*attempt).ownedLocation, "no-such-place")},
	"listFeeds":          {path: ofPath("location", (*attempt).ownedLocation, "no-such-place")},
	"listCodes":          {path: ofPath("location", (*attempt).ownedLocation, "no-such-place")},
	"putCodes":           {path: ofPath("location", (*attempt).ownedLocation, "no-such-place")},
	"putStock":           {query: always(feedAsOf), body: always("location,sku,on_hand\nno-such-place," + matrixPart + ",1\n"), headers: csvBody},
	"getFeed":            {path: ofPath("feed_id", (*attempt).ownedFeed, nobodysID)},
	"getFeedRejects":     {path: ofPath("feed_id", (*attempt).ownedFeed, nobodysID)},
	"getPerson":          {path: ofPath("person_id", (*attempt).ownedPerson, nobodysID)},
	"putPerson":          {path: ofPath("person_id", (*attempt).ownedPerson, nobodysID)},
	"erasePerson":        {path: ofPath("person_id", (*attempt).ownedPerson, nobodysID)},
	"listEvents":         {query: eventQuery},
	"withdrawNotice":     {path: ofPath("notice_id", (*attempt).aNotice, nobodysID)},
	"putCatalog":         {query: always("?dry_run=true"), body: func(a *attempt) string { return zipped(a.t, nil) }, headers: func(*attempt) []string { return []string{zipHeader} }},
	"putActiveRevision": {body: func(a *attempt) string {
		if a.whose == "missing" {
			return `{"catalog_revision":99}`
		}
		return string(a.example("putActiveRevision"))
	}},

	"createQuote": {body: personMember},
	"listQuotes": {query: func(a *attempt) string {
		id := "nobody-made-this"
		if a.whose != "missing" {
			id = fmt.Sprintf("matrix-%d", a.n)
			key := a.otherKey
			if a.owner.ID == a.accounts[shop].ID {
				key = a.keys[shop]
			}
			a.send(key, "POST", "/v1/quotes", `{"currency":"EUR","client_id":"`+id+`","lines":[{"text":"Rack","unit":"each","quantity":"1","net_price":"10.00","tax":{"category":"S","rate":"19"}}]}`)
		}
		return "?client_id=" + id
	}},
	"listTaxRates":    {query: always("?country=DE")},
	"getBenchSheet":   {path: ofPath("quote_id", (*attempt).quoteWithWork, nobodysID)},
	"getQuote":        {path: ofQuote("draft", "").path},
	"listQuoteEvents": {path: ofQuote("draft", "").path},
	"issueQuote":      ofQuote("draft", `{}`),
	"acceptQuote":     ofQuote("issued", ""),
	"declineQuote":    ofQuote("issued", `{}`),
	"withdrawQuote":   ofQuote("issued", `{}`),
	"fulfilQuote":     ofQuote("accepted", `{}`),
	"reviseQuote":     ofQuote("issued", ""),
	"readQuotePage": {path: ofPath("token", func(a *attempt) string {
		made := a.send(a.otherKey, "POST", "/v1/quotes", `{"currency":"EUR","issue":true,"lines":[{"text":"Rack","unit":"each","quantity":"1","net_price":"10.00","tax":{"category":"S","rate":"19"}}]}`)
		var q struct{ Links struct{ Page string } }
		made.JSON(a.t, &q)
		return q.Links.Page[strings.LastIndex(q.Links.Page, "/")+1:]
	}, strings.Repeat("A", 43))},
}

// example is the body that the contract shows for an operation.
func (w *world) example(id string) []byte {
	for _, o := range w.contract.Contract().Operations() {
		if o.ID == id {
			return o.RequestExample
		}
	}
	w.t.Fatalf("no operation %s in the contract", id)
	return nil
}

func TestEveryOperationForEveryRole(t *testing.T) {
	w := newWorld(t)
	w.putDemoSeller(w.keys[shop], w.otherKey)
	operations := map[string]api.ContractOperation{}
	for _, o := range w.contract.Contract().Operations() {
		operations[o.ID] = o
	}
	rows := readMatrix(t)
	checkMatrixIsWhole(t, w.server, rows)
	n := 0
	for _, row := range rows {
		op, ok := operations[row.operation]
		if !ok {
			t.Errorf("%s is in %s and not in the contract", row.operation, authorization)
			continue
		}
		for i, role := range matrixColumns {
			n++
			a := &attempt{world: w, op: op, role: role, whose: row.whose, owner: w.accounts[role], n: n}
			if row.whose == "other" || role == "" {
				a.owner = w.other
			}
			if got, body := a.run(row.cells[i]); got != row.cells[i] {
				t.Errorf("%s of %s as %q: %s, the table says %s\n%.300s", row.operation, row.whose, role, got, row.cells[i], body)
			}
		}
	}
	if n < 400 {
		t.Errorf("only %d cells", n)
	}
}

// checkMatrixIsWhole: a route without its rows fails, and so does a row without its route.
func checkMatrixIsWhole(t *testing.T, s *api.Server, rows []matrixRow) {
	t.Helper()
	whose := map[string][]string{}
	for _, r := range rows {
		if len(r.cells) != len(matrixColumns) || slices.Contains(r.cells, "") {
			t.Errorf("%s of %s has no cell for some role", r.operation, r.whose)
		}
		whose[r.operation] = append(whose[r.operation], r.whose)
	}
	known := map[string]bool{}
	for _, o := range s.Operations() {
		known[o.ID] = true
		slices.Sort(whose[o.ID])
		got := strings.Join(whose[o.ID], " ")
		inPath := strings.Contains(o.Path, "{")
		if !(got == "missing other own" || got == "any missing" || got == "any" && !inPath) {
			t.Errorf("%s %s (%s) has the rows %q in %s; it needs own, other and missing, or any and, with a parameter in its path, missing", o.Method, o.Path, o.ID, got, authorization)
		}
		if _, ok := recipes[o.ID]; !ok && inPath {
			t.Errorf("%s has no recipe that fills in its path", o.ID)
		}
	}
	for id := range whose {
		if !known[id] {
			t.Errorf("%s is in %s and no route", id, authorization)
		}
	}
}

// run sends the request and says what came, in the words of a cell.
func (a *attempt) run(expected string) (cell string, body []byte) {
	a.t.Helper()
	r := recipes[a.op.ID]
	target := a.op.Path
	if r.path != nil {
		for name, value := range r.path(a) {
			target = strings.Replace(target, "{"+name+"}", value, 1)
		}
	}
	if r.query != nil {
		target += r.query(a)
	}
	text := string(a.op.RequestExample)
	if r.body != nil {
		text = r.body(a)
	}
	var headers []string
	if r.headers != nil {
		headers = r.headers(a)
	}
	got := a.call(a.role, a.op.Method, target, text, headers...)
	switch {
	case got.Status >= 300:
		return fmt.Sprint(got.Status), got.Body
	case expected == "empty" && allListsEmpty(got.Body):
		return "empty", got.Body
	case expected == "ok" && a.whose == "own" && strings.HasPrefix(a.op.ID, "list") && allListsEmpty(got.Body) && a.op.ID != "listLocations":
		return "empty", got.Body
	}
	return "ok", got.Body
}

func allListsEmpty(body []byte) bool {
	var m map[string]json.RawMessage
	if json.Unmarshal(body, &m) != nil {
		return false
	}
	for _, v := range m {
		if strings.HasPrefix(string(v), "[") && string(v) != "[]" {
			return false
		}
	}
	return true
}

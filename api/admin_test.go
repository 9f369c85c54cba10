package api_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"forkwright/api"
	"forkwright/api/contracttest"
	"forkwright/db/dbtest"
	"forkwright/service/account"
	"forkwright/service/caller"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Main(m)) }

const (
	shop        = caller.Shop
	storefront  = caller.Storefront
	distributor = caller.Distributor
	admin       = caller.Administrator
	nobodysID   = "00000000-0000-7000-8000-000000000000"
)

func TestAProfileIsPutOverTheVersionThatWasRead(t *testing.T) {
	w := newWorld(t, true)
	seller, err := os.ReadFile("../testdata/demo/seller.json")
	w.must(err)
	profile := string(seller)
	first := w.call(shop, "GET", "/v1/account", "")
	if first.Header.Get("ETag") != `"0"` || strings.Contains(string(first.Body), "seller") {
		t.Errorf("before any profile: %s %s", first.Header.Get("ETag"), first.Body)
	}
	w.refused(428, "if_match_required", shop, "PUT", "/v1/account", profile)
	w.refused(412, "stale_version", shop, "PUT", "/v1/account", profile, `If-Match: "1"`)
	w.refused(412, "stale_version", shop, "PUT", "/v1/account", profile, `If-Match: "not-ours"`)
	w.refused(422, "invalid_request header:If-Match=invalid_value", shop, "PUT", "/v1/account", profile, `If-Match: 0`)
	put := w.call(shop, "PUT", "/v1/account", profile, `If-Match: "0"`)
	if put.Status != 200 || put.Header.Get("ETag") != `"1"` {
		t.Fatalf("%d %s %s", put.Status, put.Header.Get("ETag"), put.Body)
	}
	read := w.call(shop, "GET", "/v1/account", "")
	if string(read.Body) != string(put.Body) {
		t.Errorf("put gave\n%s\nread gives\n%s", put.Body, read.Body)
	}
	var asked, got map[string]any
	w.must(json.Unmarshal(seller, &asked))
	var answer struct{ Seller map[string]any }
	read.JSON(t, &answer)
	got = answer.Seller
	for name, value := range asked {
		if value != "" && !cmp.Equal(value, got[name]) {
			t.Errorf("%s: put %v, read %v", name, value, got[name])
		}
	}
	if again := w.call(shop, "GET", "/v1/account", "", `If-None-Match: "1"`); again.Status != 304 {
		t.Errorf("known already: %d", again.Status)
	}
	w.refused(412, "stale_version", shop, "PUT", "/v1/account", profile, `If-Match: "0"`)
	if other := want[map[string]any](w, 200, distributor, "GET", "/v1/account", ""); other["seller"] != nil {
		t.Errorf("another account sees %v", other["seller"])
	}
}

func TestAWrongProfileIsRefusedMemberByMember(t *testing.T) {
	w := newWorld(t, true)
	seller, err := os.ReadFile("../testdata/demo/seller.json")
	w.must(err)
	for _, c := range []struct{ member, value, want string }{
		{"legal_name", `" "`, "/legal_name=required"},
		{"country", `"de"`, "/country=invalid_value"},
		{"default_currency", `"EURO"`, "/default_currency=unknown_currency"},
		{"price_basis", `"both"`, "/price_basis=not_in_list"},
		{"languages", `[]`, "/languages=required"},
		{"languages", `["en","not a tag"]`, "/languages/1=unknown_language"},
		{"time_zone", `"Berlin"`, "/time_zone=unknown_time_zone"},
		{"time_zone", `"Local"`, "/time_zone=unknown_time_zone"},
		{"series", `"a b"`, "/series=invalid_value"},
		{"number_form", `"{year}"`, "/number_form=invalid_value"},
		{"number_form", `"{number}{number}"`, "/number_form=invalid_value"},
		{"validity_days", `0`, "/validity_days=out_of_range"},
		{"validity_days", `366`, "/validity_days=out_of_range"},
		{"labor", `{"per_minute":{"EUR":"-1"}}`, "/labor/per_minute/EUR=out_of_range"},
		{"labor", `{"per_minute":{"EUR":"1,5"}}`, "/labor/per_minute/EUR=invalid_value"},
		{"sag_targets", `{"uphill":20}`, "/sag_targets/uphill=not_in_list"},
		{"sag_targets", `{"trail":50}`, "/sag_targets/trail=out_of_range"},
		{"logo", `"not base64!"`, "/logo=invalid_value"},
		{"logo", `"aGVsbG8="`, "/logo=invalid_value /logo_type=not_in_list"},
		{"tax_ids", `[{"scheme":"vat","value":""}]`, "/tax_ids/0/scheme=invalid_value /tax_ids/0/value=required"},
		{"contact", `{"website":"javascript:alert(1)"}`, "/contact/website=invalid_value"},
		{"role", `"administrator"`, "/role=unknown_field"},
	} {
		var profile map[string]json.RawMessage
		w.must(json.Unmarshal(seller, &profile))
		profile[c.member] = json.RawMessage(c.value)
		body, err := json.Marshal(profile)
		w.must(err)
		w.refused(422, "invalid_request "+c.want, shop, "PUT", "/v1/account", string(body), `If-Match: "0"`)
	}
}

func TestAccountsAreChangedAndClosed(t *testing.T) {
	w := newWorld(t, true)
	made := w.call(admin, "POST", "/v1/accounts", `{"name":"Radwerk Talblick","roles":["shop"]}`)
	var a struct {
		AccountID string `json:"account_id"`
	}
	made.JSON(t, &a)
	path := "/v1/accounts/" + a.AccountID
	if made.Status != 201 || made.Header.Get("Location") != path {
		t.Fatalf("%d %s %s", made.Status, made.Header.Get("Location"), made.Body)
	}
	key := w.key(a.AccountID)
	open := func() int {
		return w.contract.Call(t, w.h, "GET", "/v1/account", key, "").Status
	}
	if open() != 200 {
		t.Fatal("its key does not open")
	}
	w.refused(422, "invalid_request /roles=required", admin, "PUT", path, `{"name":"x","roles":[]}`)
	w.refused(422, "invalid_request /roles/1=repeated", admin, "PUT", path, `{"name":"x","roles":["shop","shop"]}`)
	w.refused(422, "invalid_request /roles/0=not_in_list", admin, "PUT", path, `{"name":"x","roles":["owner"]}`)
	w.refused(409, "own_account", admin, "PUT", "/v1/accounts/"+w.accounts[admin].ID, `{"name":"x","roles":["shop"]}`)
	w.refused(409, "own_account", admin, "PUT", "/v1/accounts/"+w.accounts[admin].ID, `{"name":"x","roles":["administrator"],"closed_at":"2026-01-01T00:00:00Z"}`)
	want[any](w, 200, admin, "PUT", path, `{"name":"Radwerk","roles":["distributor"],"closed_at":"2026-01-01T00:00:00Z"}`)
	eventually(t, time.Second, func() bool { return open() == 401 }, "the key of a closed account opens")
	want[any](w, 200, admin, "PUT", path, `{"name":"Radwerk","roles":["distributor"]}`)
	eventually(t, time.Second, func() bool { return open() == 200 }, "the key of an account opened again does not")
	seen := map[string]bool{}
	cursor := ""
	for range 10 {
		page := want[struct {
			Accounts []struct {
				ID string `json:"account_id"`
			}
			Next string `json:"next_cursor"`
		}](w, 200, admin, "GET", "/v1/accounts?limit=2"+cursor, "")
		for _, x := range page.Accounts {
			if seen[x.ID] {
				t.Errorf("%s is on two pages", x.ID)
			}
			seen[x.ID] = true
		}
		if page.Next == "" {
			break
		}
		cursor = "&cursor=" + page.Next
	}
	if len(seen) != 6 { // a role each, the other one, and the one made here
		t.Errorf("%d accounts listed, want 6", len(seen))
	}
	w.refused(422, "invalid_request query:cursor=invalid_value", admin, "GET", "/v1/accounts?cursor=x", "")
}

// eventually asks until it is so or the time is over.
func eventually(t testing.TB, within time.Duration, so func() bool, otherwise string) {
	t.Helper()
	for start := time.Now(); !so(); time.Sleep(5 * time.Millisecond) {
		if time.Since(start) > within {
			t.Errorf("after %s: %s", within, otherwise)
			return
		}
	}
}

type keyAnswer struct {
	KeyID      string   `json:"key_id"`
	Key        string   `json:"key"`
	Prefix     string   `json:"prefix"`
	Replaces   string   `json:"replaces"`
	ReplacedBy string   `json:"replaced_by"`
	Scopes     []string `json:"scopes"`
}

func TestAKeyRevokedOnOneReplicaIsRefusedByTheOtherWithinASecond(t *testing.T) {
	w := newWorld(t, true)
	second := w.serve(w.base.Open(t)).Handler()
	for range 3 {
		k := want[keyAnswer](w, 201, shop, "POST", "/v1/keys", `{"label":"till 3"}`)
		opens := func() int { return w.contract.Call(t, second, "GET", "/v1/account", k.Key, "").Status }
		if first, again := opens(), opens(); first != 200 || again != 200 { // asked, then from its cache
			t.Fatal("the second replica refuses a good key")
		}
		want[any](w, 200, shop, "POST", "/v1/keys/"+k.KeyID+"/revoke", "")
		eventually(t, time.Second, func() bool { return opens() == 401 }, "the second replica takes a revoked key")
	}
}

func TestKeysAreRotatedAndListed(t *testing.T) {
	w := newWorld(t, true)
	since := time.Now().Add(time.Minute).UTC().Format(time.RFC3339)
	old := want[keyAnswer](w, 201, shop, "POST", "/v1/keys", `{"label":"till 4","scopes":["account:read"]}`)
	if len(old.Key) < 36 || !strings.HasPrefix(old.Key, old.Prefix) {
		t.Errorf("key %+v", old)
	}
	w.refused(422, "invalid_request /overlap_s=out_of_range", shop, "POST", "/v1/keys/"+old.KeyID+"/rotate", `{"overlap_s":-1}`)
	w.refused(422, "invalid_request /overlap_s=out_of_range", shop, "POST", "/v1/keys/"+old.KeyID+"/rotate", `{"overlap_s":2592001}`)
	next := want[keyAnswer](w, 201, shop, "POST", "/v1/keys/"+old.KeyID+"/rotate", `{"overlap_s":3600}`)
	if next.Replaces != old.KeyID || next.Key == old.Key || !slices.Equal(next.Scopes, []string{"account:read"}) {
		t.Errorf("successor %+v", next)
	}
	for _, key := range []string{old.Key, next.Key} {
		if a := w.contract.Call(t, w.h, "GET", "/v1/account", key, ""); a.Status != 200 {
			t.Errorf("during the overlap: %d", a.Status)
		}
	}
	w.refused(409, "api_key_replaces_key", shop, "POST", "/v1/keys/"+old.KeyID+"/rotate", "")
	var ids []string
	for _, k := range want[struct{ Keys []keyAnswer }](w, 200, shop, "GET", "/v1/keys?not_rotated_since="+since, "").Keys {
		ids = append(ids, k.KeyID)
		if k.Key != "" {
			t.Error("a list shows a key's text")
		}
	}
	if slices.Contains(ids, old.KeyID) || !slices.Contains(ids, next.KeyID) || len(ids) != 2 {
		t.Errorf("not rotated: %v", ids)
	}
	if got := want[keyAnswer](w, 200, shop, "GET", "/v1/keys/"+old.KeyID, ""); got.ReplacedBy != next.KeyID || got.Key != "" {
		t.Errorf("the old key: %+v", got)
	}
	for _, c := range []struct{ body, want string }{
		{`{"label":""}`, "/label=required"},
		{`{"label":"x","scopes":["everything"]}`, "/scopes/0=not_in_list"},
		{`{"label":"x","allowed_origins":["https://shop.example/"]}`, "/allowed_origins/0=invalid_value"},
		{`{"label":"x","allowed_origins":["*"]}`, "/allowed_origins/0=invalid_value"},
		{`{"label":"x","expires_at":"2020-01-01T00:00:00Z"}`, "/expires_at=out_of_range"},
		{`{"label":"x","key":"chosen-by-the-client-000"}`, "/key=unknown_field"},
	} {
		w.refused(422, "invalid_request "+c.want, shop, "POST", "/v1/keys", c.body)
	}
	made := want[struct {
		AccountID string `json:"account_id"`
	}](w, 201, admin, "POST", "/v1/keys", fmt.Sprintf(`{"label":"page","account_id":%q}`, w.accounts[storefront].ID))
	if made.AccountID != w.accounts[storefront].ID {
		t.Errorf("made for %s", made.AccountID)
	}
}

func TestAKeyWithScopesDoesNoMoreAndHandsOutNoMore(t *testing.T) {
	w := newWorld(t, true)
	id := w.accounts[shop].ID
	w.keys["reader"] = w.key(id, func(n *account.NewKey) { n.Scopes = []string{"locations:read", "keys"} })
	want[any](w, 200, "reader", "GET", "/v1/locations", "")
	w.refused(403, "scope_not_allowed", "reader", "PUT", "/v1/locations/x", `{"name":"x","time_zone":"UTC"}`)
	w.refused(403, "scope_not_allowed", "reader", "GET", "/v1/account", "")
	w.refused(403, "key_may_not_grant", "reader", "POST", "/v1/keys", `{"label":"x"}`)
	w.refused(403, "key_may_not_grant", "reader", "POST", "/v1/keys", `{"label":"x","scopes":["keys","persons"]}`)
	want[any](w, 201, "reader", "POST", "/v1/keys", `{"label":"x","scopes":["locations:read"]}`)
	full := want[keyAnswer](w, 201, shop, "POST", "/v1/keys", `{"label":"full"}`)
	w.refused(403, "key_may_not_grant", "reader", "POST", "/v1/keys/"+full.KeyID+"/rotate", "")
	w.keys["page"] = w.key(id, func(n *account.NewKey) { n.AllowedOrigins = []string{"https://shop.example"} })
	w.refused(403, "key_may_not_grant", "page", "POST", "/v1/keys", `{"label":"x"}`)
}

func TestAStorefrontKeyWorksFromItsOwnPagesOnly(t *testing.T) {
	w := newWorld(t)
	w.keys["page"] = w.key(w.accounts[storefront].ID, func(n *account.NewKey) { n.AllowedOrigins = []string{"https://shop.example", "http://localhost:3000"} })
	for origin, status := range map[string]int{
		"https://shop.example": 200, "http://localhost:3000": 200, "": 200,
		"https://shop.example.evil.example": 403, "https://evil.example": 403, "http://shop.example": 403, "null": 403,
	} {
		var headers []string
		if origin != "" {
			headers = []string{"Origin: " + origin}
		}
		a := w.call("page", "GET", "/v1/forks", "", headers...)
		allowed := a.Header.Get("Access-Control-Allow-Origin")
		if a.Status != status || (status == 200 && allowed != origin) || (status != 200 && allowed != "") {
			t.Errorf("from %q: %d, allowed %q", origin, a.Status, allowed)
		}
		if a.Header.Get("Access-Control-Allow-Credentials") != "" {
			t.Error("cookies are none of ours")
		}
	}
	req := httptest.NewRequest("OPTIONS", "/v1/fit-checks", nil)
	req.Header.Set("Origin", "https://shop.example")
	req.Header.Set("Access-Control-Request-Method", "POST")
	req.Header.Set("Access-Control-Request-Headers", "authorization,content-type")
	rec := httptest.NewRecorder()
	w.h.ServeHTTP(rec, req)
	if rec.Code != http.StatusNoContent || !strings.Contains(rec.Header().Get("Access-Control-Allow-Headers"), "Authorization") {
		t.Errorf("before the request: %d %v", rec.Code, rec.Header())
	}
	if a := w.contract.Call(t, w.h, "GET", "/v1/forks", w.keys[shop], "", "Origin: https://evil.example"); a.Header.Get("Access-Control-Allow-Origin") != "" {
		t.Error("a key without origins gives its answers to any page")
	}
}

// Every operation that writes with POST is asked twice with one key, then with another body.
func TestARepeatedRequestIsAnsweredAsTheFirst(t *testing.T) {
	w := newWorld(t)
	key := want[keyAnswer](w, 201, shop, "POST", "/v1/keys", `{"label":"to rotate"}`).KeyID
	revoked := want[keyAnswer](w, 201, shop, "POST", "/v1/keys", `{"label":"to revoke"}`).KeyID
	person := want[map[string]any](w, 201, shop, "POST", "/v1/persons", `{"name":"A"}`)["person_id"].(string)
	noticeBody := `{"kind":"bulletin","effect":"warn","sku":"QB-C36S-160","text":"Look twice."}`
	notice := want[map[string]any](w, 201, admin, "POST", "/v1/notices", noticeBody)["notice_id"].(string)
	for _, c := range []struct {
		name             string
		role             caller.Role
		path, body, next string // another body or, where there is none, another path
		id               string
	}{
		{"createAccount", admin, "/v1/accounts", `{"name":"Once","roles":["shop"]}`, `{"name":"Twice","roles":["shop"]}`, "account_id"},
		{"createKey", shop, "/v1/keys", `{"label":"once"}`, `{"label":"twice"}`, "key_id"},
		{"createKey for another", admin, "/v1/keys", `{"label":"once","account_id":"` + w.other.ID + `"}`, `{"label":"twice","account_id":"` + w.other.ID + `"}`, "key_id"},
		{"createLocation", admin, "/v1/locations", `{"location":"once","name":"Once","time_zone":"UTC"}`, `{"location":"twice","name":"Once","time_zone":"UTC"}`, "location"},
		{"createLocation for another", admin, "/v1/locations", `{"location":"for-other","name":"Once","time_zone":"UTC","account_id":"` + w.other.ID + `"}`, `{"location":"twice","name":"Once","time_zone":"UTC"}`, "location"},
		{"createPerson", shop, "/v1/persons", `{"name":"Once","rider_mass_kg":80}`, `{"name":"Once","rider_mass_kg":81}`, "person_id"},
		{"createNotice", admin, "/v1/notices", noticeBody, strings.Replace(noticeBody, "warn", "block", 1), "notice_id"},
		{"rotateKey", shop, "/v1/keys/" + key + "/rotate", `{"overlap_s":60}`, `{"overlap_s":61}`, "key_id"},
		{"revokeKey", shop, "/v1/keys/" + revoked + "/revoke", "", "/v1/keys/" + key + "/revoke", "key_id"},
		{"erasePerson", shop, "/v1/persons/" + person + "/erase", "", "/v1/persons/" + nobodysID + "/erase", "person_id"},
		{"withdrawNotice", admin, "/v1/notices/" + notice + "/withdraw", "", "/v1/notices/" + nobodysID + "/withdraw", "notice_id"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := *w
			w.t = t
			header := "Idempotency-Key: " + c.name
			first := w.call(c.role, "POST", c.path, c.body, header)
			second := w.call(c.role, "POST", c.path, c.body, header)
			if first.Status > 201 || second.Status != first.Status || first.Header.Get("Location") != second.Header.Get("Location") {
				t.Fatalf("%d %s, then %d %s", first.Status, first.Body, second.Status, second.Body)
			}
			a, b := members(t, first), members(t, second)
			if (c.name == "createKey" || c.name == "rotateKey") && (a["key"] == nil || b["key"] != nil) {
				t.Errorf("the key's text: first %v, then %v", a["key"], b["key"])
			}
			delete(a, "key")
			if diff := cmp.Diff(a, b); diff != "" || a[c.id] == nil {
				t.Errorf("(-first +second):\n%s", diff)
			}
			path, body := c.path, c.next
			if strings.HasPrefix(c.next, "/") {
				path, body = c.next, ""
			}
			w.refused(422, "idempotency_key_reused", c.role, "POST", path, body, header)
			mine := w.contract.Call(t, w.h, "POST", c.path, w.otherKey, c.body, header)
			if mine.Status == first.Status && members(t, mine)[c.id] == a[c.id] {
				t.Error("another account is given this one's answer")
			}
		})
	}
}

func members(t *testing.T, a contracttest.Answer) map[string]any {
	t.Helper()
	var m map[string]any
	a.JSON(t, &m)
	return m
}

func TestTwinsAtTheSameMomentMakeOneThing(t *testing.T) {
	w := newWorld(t, true)
	var all sync.WaitGroup
	ids := make([]string, 16)
	texts := make([]string, 16)
	for i := range ids {
		all.Go(func() {
			a := w.contract.Call(t, w.h, "POST", "/v1/keys", w.keys[shop], `{"label":"twin"}`, "Idempotency-Key: twins")
			var k keyAnswer
			if err := json.Unmarshal(a.Body, &k); err != nil || a.Status != 201 {
				t.Errorf("%d %s", a.Status, a.Body)
			}
			ids[i], texts[i] = k.KeyID, k.Key
		})
	}
	all.Wait()
	slices.Sort(ids)
	shown := slices.DeleteFunc(texts, func(s string) bool { return s == "" })
	if len(slices.Compact(ids)) != 1 || len(shown) != 1 {
		t.Errorf("%d keys, %d texts shown", len(slices.Compact(ids)), len(shown))
	}
}

func TestPersonsAreCorrectedAndErased(t *testing.T) {
	w := newWorld(t, true)
	type person struct {
		ID       string  `json:"person_id"`
		Name     string  `json:"name"`
		Mass     float64 `json:"rider_mass_kg"`
		ErasedAt string  `json:"erased_at"`
	}
	p := want[person](w, 201, shop, "POST", "/v1/persons", `{"name":"Rider One","rider_mass_kg":81.5}`)
	path := "/v1/persons/" + p.ID
	if got := want[person](w, 200, shop, "GET", path, ""); got != p || got.Mass != 81.5 {
		t.Errorf("read %+v", got)
	}
	if got := want[person](w, 200, shop, "PUT", path, `{"name":"Rider Two"}`); got.Name != "Rider Two" || got.Mass != 0 {
		t.Errorf("corrected %+v", got)
	}
	for _, c := range []struct{ body, want string }{
		{`{}`, "=required"}, {`{"rider_mass_kg":19.9}`, "/rider_mass_kg=out_of_range"}, {`{"rider_mass_kg":200.1}`, "/rider_mass_kg=out_of_range"},
		{`{"rider_mass_kg":1e300}`, "/rider_mass_kg=out_of_range"}, {`{"name":"` + strings.Repeat("x", 201) + `"}`, "/name=too_long"},
	} {
		w.refused(422, "invalid_request "+c.want, shop, "POST", "/v1/persons", c.body)
	}
	for range 2 {
		got := want[person](w, 200, shop, "POST", path+"/erase", "")
		if got.Name != "" || got.ErasedAt == "" {
			t.Errorf("erased %+v", got)
		}
	}
	w.refused(410, "person_erased", shop, "PUT", path, `{"name":"Again"}`)
	events := want[struct {
		Events []struct {
			Action  string
			Columns []string
			Request string `json:"request_id"`
			ByKey   string `json:"by_key"`
		}
	}](w, 200, shop, "GET", "/v1/events?subject_kind=person&subject_id="+p.ID, "")
	var actions []string
	for _, e := range events.Events {
		actions = append(actions, e.Action)
		if e.Request == "" || e.ByKey == "" || !slices.Contains(e.Columns, "name") {
			t.Errorf("event %+v", e)
		}
	}
	if !slices.Equal(actions, []string{"stored", "stored", "erased"}) {
		t.Errorf("actions %v", actions)
	}
	w.refused(422, "invalid_request query:subject_id=required", shop, "GET", "/v1/events?subject_kind=person", "")
}

func TestLocationsBelongToTheirOwner(t *testing.T) {
	w := newWorld(t, true)
	id := w.accounts[distributor].ID
	body := `{"location":"north-store","account_id":"` + id + `","name":"North store","time_zone":"Europe/Berlin","policy":{"guard_share":0.2},"due_by":"02:30","closed_until":"2026-12-27"}`
	made := w.call(admin, "POST", "/v1/locations", body)
	if made.Status != 201 || made.Header.Get("Location") != "/v1/locations/north-store" {
		t.Fatalf("%d %s", made.Status, made.Body)
	}
	w.refused(409, "location_pkey", admin, "POST", "/v1/locations", body)
	mine := want[map[string]any](w, 200, distributor, "GET", "/v1/locations/north-store", "")
	if diff := cmp.Diff(members(t, made), mine); diff != "" || mine["closed_until"] != "2026-12-27" {
		t.Errorf("(-made +read):\n%s", diff)
	}
	changed := want[map[string]any](w, 200, distributor, "PUT", "/v1/locations/north-store", `{"name":"Northern store","time_zone":"UTC"}`)
	if changed["name"] != "Northern store" || changed["due_by"] != nil || changed["account_id"] != id {
		t.Errorf("changed %v", changed)
	}
	list := func(role caller.Role, query string) int {
		return len(want[struct{ Locations []any }](w, 200, role, "GET", "/v1/locations"+query, "").Locations)
	}
	if n := list(shop, ""); n != 0 {
		t.Errorf("a shop sees %d", n)
	}
	if list(distributor, "") != 1 || list(admin, "") != 1 || list(admin, "?account_id="+w.other.ID) != 0 {
		t.Error("the owner and the administrator see one")
	}
	for _, c := range []struct{ body, want string }{
		{`{"location":"Nörth","name":"x","time_zone":"UTC"}`, "/location=invalid_value"},
		{`{"location":"x","name":"","time_zone":"UTC"}`, "/name=required"},
		{`{"location":"x","name":"x","time_zone":"Nowhere/Land"}`, "/time_zone=unknown_time_zone"},
		{`{"location":"x","name":"x","time_zone":"UTC","due_by":"24:00"}`, "/due_by=invalid_value"},
		{`{"location":"x","name":"x","time_zone":"UTC","policy":[]}`, "/policy=wrong_type"},
		{`{"location":"x","name":"x","time_zone":"UTC","closed_until":"2026-02-30"}`, "/closed_until=invalid_value"},
	} {
		w.refused(422, "invalid_request "+c.want, admin, "POST", "/v1/locations", c.body)
	}
}

type noticeAnswer struct {
	ID      string `json:"notice_id"`
	InForce bool   `json:"in_force"`
	Touches *struct {
		Open         int64 `json:"open_quotes"`
		Accepted     int64 `json:"accepted_quotes"`
		Reservations int64
		Accounts     int64
	}
}

// sold puts a quote with one line straight into the tables, as the owner of them may.
func (w *world) sold(accountID, state, sku, fork string, revision int64) {
	w.t.Helper()
	c, err := pgx.Connect(w.t.Context(), w.base.OwnerURL)
	w.must(err)
	defer c.Close(w.t.Context())
	_, err = c.Exec(w.t.Context(), `
		WITH q AS (
		  INSERT INTO quote (id, account_id, state, series, number, issued_on, valid_until, currency, basis, catalog_revision, rules_version, body, body_sha256)
		  SELECT gen_random_uuid(), $1, $2, 'Q', (SELECT count(*) + 1 FROM quote), '2026-11-01', '2026-12-01', 'EUR', 'net', $5, '1', convert_to($4, 'UTF8'), sha256('x') RETURNING id, account_id),
		l AS (INSERT INTO quote_line (account_id, quote_id, line_no, sku, role, qty, unit) SELECT account_id, id, 1, $3, 'new', 1, 'each' FROM q),
		p AS (INSERT INTO promised AS p (location_id, sku, qty) SELECT 'shelf', $3, 1 FROM q WHERE $2 = 'accepted' ON CONFLICT (location_id, sku) DO UPDATE SET qty = p.qty + 1)
		INSERT INTO reservation (id, account_id, quote_id, line_no, location_id, sku, qty, state, held_until, change_no)
		SELECT gen_random_uuid(), account_id, id, 1, 'shelf', $3, 1, 'held', now(), 1 FROM q WHERE $2 = 'accepted'`,
		accountID, state, sku, `{"fork_ids":["`+fork+`"]}`, revision)
	w.must(err)
}

func TestAStopSaleActsAtOnceAndSaysWhatItTouches(t *testing.T) {
	w := newWorld(t)
	const sku, fork = "QB-C36S-160", "skarnfeld-hollin-36-expert-2021"
	want[any](w, 201, admin, "POST", "/v1/locations", `{"location":"shelf","name":"Shelf","time_zone":"UTC"}`)
	w.sold(w.accounts[shop].ID, "issued", sku, fork, 1)
	w.sold(w.accounts[shop].ID, "accepted", sku, "another-fork", 1)
	w.sold(w.other.ID, "draft", sku, fork, 1)
	w.sold(w.other.ID, "expired", sku, fork, 1)
	w.sold(w.other.ID, "issued", "QB-TC-36S", fork, 1)
	part := want[noticeAnswer](w, 201, admin, "POST", "/v1/notices", `{"kind":"stop_sale","effect":"block","sku":"`+sku+`","text":"Do not sell."}`)
	if !part.InForce || part.Touches == nil || *part.Touches != (struct {
		Open         int64 `json:"open_quotes"`
		Accepted     int64 `json:"accepted_quotes"`
		Reservations int64
		Accounts     int64
	}{2, 1, 1, 2}) {
		t.Errorf("of a part: %+v", part.Touches)
	}
	of := want[noticeAnswer](w, 201, admin, "POST", "/v1/notices", `{"kind":"recall","effect":"warn","fork_id":"`+fork+`","text":"Look at the crown."}`)
	if of.Touches == nil || of.Touches.Open != 3 || of.Touches.Accepted != 0 || of.Touches.Accounts != 2 {
		t.Errorf("of a fork: %+v", of.Touches)
	}
	for _, c := range []struct{ body, want string }{
		{`{"kind":"stop_sale","effect":"block","sku":"QB-C36S-16O","text":"x"}`, "/sku=not_in_catalog"},
		{`{"kind":"stop_sale","effect":"block","fork_id":"no-fork","text":"x"}`, "/fork_id=not_in_catalog"},
		{`{"kind":"row_hold","effect":"warn","row":"no-row","text":"x"}`, "/row=not_in_catalog"},
		{`{"kind":"stop_sale","effect":"block","text":"x"}`, "/sku=missing"},
		{`{"kind":"closing_sale","effect":"block","sku":"` + sku + `","text":"x"}`, "/kind=not_in_list"},
		{`{"kind":"recall","effect":"block","sku":"` + sku + `","text":"x","serial_from":"B","serial_to":"A"}`, "/serial_to=out_of_order"},
		{`{"kind":"recall","effect":"block","sku":"` + sku + `","text":"x","until":"2020-01-01T00:00:00Z"}`, "/until=out_of_order"},
	} {
		w.refused(422, "invalid_request "+c.want, admin, "POST", "/v1/notices", c.body)
	}
	gone := want[noticeAnswer](w, 201, admin, "POST", "/v1/notices", `{"kind":"recall","effect":"block","sku":"OLD-1","unlisted":true,"text":"Of an older catalog."}`)
	row := want[noticeAnswer](w, 201, admin, "POST", "/v1/notices", `{"kind":"row_hold","effect":"warn","row":"c35t-001","text":"In doubt."}`)
	if row.Touches == nil || row.Touches.Open != 0 {
		t.Errorf("of a row: %+v", row.Touches)
	}
	list := func(query string) []noticeAnswer {
		return want[struct{ Notices []noticeAnswer }](w, 200, shop, "GET", "/v1/notices"+query, "").Notices
	}
	if n := len(list("")); n != 4 {
		t.Errorf("%d notices", n)
	}
	for range 2 {
		if x := want[noticeAnswer](w, 200, admin, "POST", "/v1/notices/"+gone.ID+"/withdraw", ""); x.InForce {
			t.Error("withdrawn and in force")
		}
	}
	if len(list("")) != 3 || len(list("?ended=true")) != 4 {
		t.Errorf("%d in force, %d in all", len(list("")), len(list("?ended=true")))
	}
}

type loaded struct {
	Revision  int64 `json:"catalog_revision"`
	Before    int64 `json:"revision_before"`
	Unchanged bool
	Rows      int
	Fitment   struct{ Changed bool }
	Prices    struct{ Changed bool }
	Changes   []string
}

func TestACatalogIsLoadedComparedAndGoneBackFrom(t *testing.T) {
	w := newWorld(t, true)
	put := func(query, body string) loaded {
		t.Helper()
		return want[loaded](w, 200, admin, "PUT", "/v1/catalog"+query, body, zipHeader)
	}
	whole := zipped(t, nil)
	dearer := zipped(t, func(name, s string) string {
		if name != "prices.csv" {
			return s
		}
		return strings.Replace(s, "QB-S34-032,1,46.00,", "QB-S34-032,1,47.00,", 1)
	})
	if dry := put("?dry_run=true", whole); dry.Revision != 0 || dry.Rows < 500 || len(dry.Changes) != 1 {
		t.Errorf("dry run of the first: %+v", dry)
	}
	if first := put("?note=first", whole); first.Revision != 1 || first.Unchanged {
		t.Errorf("first: %+v", first)
	}
	if same := put("", whole); same.Revision != 1 || !same.Unchanged || len(same.Changes) != 0 {
		t.Errorf("the same again: %+v", same)
	}
	dry := put("?dry_run=true", dearer)
	next := put("", dearer)
	if dry.Revision != 1 || next.Revision != 2 || next.Before != 1 || next.Fitment.Changed || !next.Prices.Changed {
		t.Errorf("with another price: %+v", next)
	}
	if len(next.Changes) != 1 || !strings.Contains(next.Changes[0], "46.00") || !strings.Contains(next.Changes[0], "47.00") || !slices.Equal(next.Changes, dry.Changes) {
		t.Errorf("changes %q, dry %q", next.Changes, dry.Changes)
	}
	want[any](w, 201, admin, "POST", "/v1/locations", `{"location":"shelf","name":"Shelf","time_zone":"UTC"}`)
	w.sold(w.accounts[shop].ID, "issued", "QB-S34-032", "x", 2)
	w.sold(w.other.ID, "accepted", "QB-S34-032", "x", 2)
	w.sold(w.other.ID, "issued", "QB-S34-032", "x", 1)
	w.sold(w.other.ID, "fulfilled", "QB-S34-032", "x", 2)
	back := want[struct {
		Revision int64 `json:"catalog_revision"`
		Previous int64 `json:"previous_revision"`
		Changes  []string
		Quotes   []map[string]int64
	}](w, 200, admin, "PUT", "/v1/catalog/active", `{"catalog_revision":1}`)
	wantQuotes := []map[string]int64{{"catalog_revision": 2, "open_quotes": 1, "accepted_quotes": 1, "reservations": 1}}
	if diff := cmp.Diff(wantQuotes, back.Quotes); diff != "" || back.Revision != 1 || back.Previous != 2 || len(back.Changes) != 1 {
		t.Errorf("back %+v\n%s", back, diff)
	}
	if live := want[struct {
		Revision int64 `json:"catalog_revision"`
	}](w, 200, "", "GET", "/readyz", ""); live.Revision != 1 {
		t.Errorf("this process answers from %d", live.Revision)
	}
	w.refused(404, "revision_not_found", admin, "PUT", "/v1/catalog/active", `{"catalog_revision":9}`)
	w.refused(422, "invalid_request /catalog_revision=out_of_range", admin, "PUT", "/v1/catalog/active", `{"catalog_revision":0}`)
	list := want[struct {
		Revisions []struct {
			Revision int64 `json:"catalog_revision"`
			Active   bool
			Note     string
			Fitment  string `json:"fitment_digest"`
			LoadedBy string `json:"loaded_by"`
		}
	}](w, 200, admin, "GET", "/v1/catalog/revisions", "").Revisions
	if len(list) != 2 || list[0].Revision != 2 || !list[1].Active || list[1].Note != "first" || list[0].Fitment != list[1].Fitment || !strings.Contains(list[0].LoadedBy, w.accounts[admin].ID) {
		t.Errorf("revisions %+v", list)
	}
}

func TestABadCatalogIsRefusedWholeWithAllItsProblems(t *testing.T) {
	w := newWorld(t)
	bad := zipped(t, func(name, s string) string {
		switch name {
		case "prices.csv":
			return strings.Replace(s, "QB-S34-032,1,46.00,", "QB-S34-032,1,forty-six,", 1)
		case "forks.csv":
			return strings.Replace(s, ",th-32,Corrie 32,Corrie 32 Base (2017-2019)", ",no-such-chassis,Corrie 32,Corrie 32 Base (2017-2019)", 1)
		}
		return s
	})
	a := w.call(admin, "PUT", "/v1/catalog", bad, zipHeader)
	var p struct {
		Code     string
		Problems []struct {
			File, Field, Code string
			Line              int
		}
	}
	a.JSON(t, &p)
	files := map[string]bool{}
	for _, x := range p.Problems {
		files[x.File] = true
		if x.Line == 0 || x.Field == "" {
			t.Errorf("no place: %+v", x)
		}
	}
	if a.Status != 422 || p.Code != "catalog_refused" || !files["prices.csv"] || !files["forks.csv"] {
		t.Errorf("%d %s", a.Status, a.Body)
	}
	w.refused(400, "malformed_zip", admin, "PUT", "/v1/catalog", "not a zip", zipHeader)
	w.refused(400, "malformed_zip", admin, "PUT", "/v1/catalog", zipped(t, nil)[:5000], zipHeader)
	w.refused(415, "unsupported_media_type", admin, "PUT", "/v1/catalog", "{}")
	active := want[struct {
		Revision int64 `json:"catalog_revision"`
	}](w, 200, admin, "GET", "/v1/catalog/active", "")
	if active.Revision != 1 {
		t.Errorf("revision %d answers", active.Revision)
	}
}

func TestWhatCouldNotBeAnsweredIsListed(t *testing.T) {
	w := newWorld(t, true)
	gaps := newGaps(w)
	for range 3 {
		gaps.Count("unknown_code", "  AB-1  x ")
	}
	gaps.Count("unknown_code", "CD-2")
	gaps.Count("missing_fact", "tube")
	gaps.Flush(t.Context())
	gaps.Count("unknown_code", "ab-1 x")
	gaps.Flush(t.Context())
	got := want[struct{ Gaps []map[string]any }](w, 200, admin, "GET", "/v1/catalog/gaps?cause=unknown_code", "").Gaps
	if len(got) != 2 || got[0]["subject"] != "ab-1 x" || got[0]["times"] != 4.0 || got[1]["subject"] != "cd-2" {
		t.Errorf("gaps %v", got)
	}
	if all := want[struct{ Gaps []any }](w, 200, admin, "GET", "/v1/catalog/gaps?since=2999-01-01", "").Gaps; len(all) != 0 {
		t.Errorf("of the future: %v", all)
	}
}

// The contract's examples of administration are sent as they stand, by an account that is
// shop and administrator. Paths with an id made at run time are the matrix's.
func TestExamplesOfAdministrationWork(t *testing.T) {
	w := newWorld(t)
	_, both := w.account("both", shop, admin)
	want[any](w, 201, admin, "POST", "/v1/locations", `{"location":"north-store","name":"North","time_zone":"UTC"}`)
	sent := sendExamples(t, w.contract, w.h, both, func(o api.ContractOperation) bool {
		ours := slices.ContainsFunc([]string{"/v1/account", "/v1/keys", "/v1/locations", "/v1/persons", "/v1/events", "/v1/notices", "/v1/catalog", "/v1/tax-rates"}, func(p string) bool {
			return strings.HasPrefix(o.Path, p)
		})
		ours = ours && !strings.HasPrefix(o.Path, "/v1/locations/{location}/")                  // stock and feeds
		return ours && o.ExampleTarget != "" && o.ID != "putCatalog" && o.ID != "putOwnAccount" // a zip, and a header that is read first
	})
	if sent < 17 {
		t.Errorf("only %d examples", sent)
	}
}

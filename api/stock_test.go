package api_test

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/account"
	"forkwright/service/caller"
)

type feedAnswer struct {
	ID       string `json:"feed_id"`
	Location string
	Kind     string
	State    string
	Code     string
	Counts   map[string]int
	Rejects  string
}

const asCSV = "Content-Type: text/csv"

// feedWorld has a location of the distributor's.
func feedWorld(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	_, err := w.d.CreateLocation(t.Context(), by(w, distributor), account.Location{ID: "depot", AccountID: w.accounts[distributor].ID, Name: "Depot"})
	w.must(err)
	return w
}

func minutesAgo(n int) string {
	return time.Now().UTC().Add(-time.Duration(n) * time.Minute).Format(time.RFC3339)
}

func TestFeedOverHTTP(t *testing.T) {
	w := feedWorld(t)
	at := "/v1/locations/depot/stock?as_of=" + minutesAgo(30)
	got := want[feedAnswer](w, 200, distributor, "PUT", at, "sku,on_hand,incoming,incoming_on,bin\nQB-C36S-160,4,,,A-1\nQB-AC-GUARD,0,12,2031-01-31,\nNOT-OURS,9,,,\n", asCSV)
	if got.State != "applied" || got.Counts["applied"] != 2 || got.Counts["unknown"] != 1 {
		t.Errorf("%+v", got)
	}
	again := want[feedAnswer](w, 200, distributor, "PUT", at, "sku,on_hand,incoming,incoming_on,bin\nQB-C36S-160,4,,,A-1\nQB-AC-GUARD,0,12,2031-01-31,\nNOT-OURS,9,,,\n", asCSV)
	if again.State != "unchanged" || again.ID == got.ID {
		t.Errorf("the same again: %+v", again)
	}
	delta := want[feedAnswer](w, 200, distributor, "PATCH", "/v1/locations/depot/stock?as_of="+minutesAgo(20), `{"sku":"QB-C36S-160","on_hand":7}`+"\n", "Content-Type: application/x-ndjson")
	if delta.Kind != "delta" || delta.Counts["applied"] != 1 {
		t.Errorf("%+v", delta)
	}
	listed := want[struct{ Feeds []feedAnswer }](w, 200, distributor, "GET", "/v1/locations/depot/feeds?state=unchanged", "")
	if len(listed.Feeds) != 1 || listed.Feeds[0].ID != again.ID {
		t.Errorf("unchanged feeds: %+v", listed)
	}
	if one := want[feedAnswer](w, 200, distributor, "GET", "/v1/feeds/"+got.ID, ""); one.State != "applied" {
		t.Errorf("%+v", one)
	}
	stock := want[struct {
		Stale bool
		Stock []map[string]any
	}](w, 200, distributor, "GET", "/v1/locations/depot/stock", "")
	if len(stock.Stock) != 2 || stock.Stock[1]["sku"] != "QB-C36S-160" || stock.Stale {
		t.Errorf("%+v", stock)
	}
}

func TestRejectsAreAFileThatASpreadsheetMayOpen(t *testing.T) {
	w := feedWorld(t)
	w.refused(422, "too_many_bad_rows", distributor, "PUT", "/v1/locations/depot/stock?as_of="+minutesAgo(5), "sku,on_hand\nQB-C36S-160,=HYPERLINK(1)\nQB-AC-GUARD,1\nQB-AC-GUARD,2\nQB-BS16A,1;=cmd\nQB-BS18A,1 \uff1dA1\n", asCSV)
	listed := want[struct{ Feeds []feedAnswer }](w, 200, distributor, "GET", "/v1/locations/depot/feeds?state=refused", "")
	if len(listed.Feeds) != 1 || listed.Feeds[0].Rejects == "" {
		t.Fatalf("%+v", listed)
	}
	a := w.call(distributor, "GET", listed.Feeds[0].Rejects, "")
	text := string(a.Body)
	if a.Status != 200 || !strings.Contains(text, "2,not_a_number,") || !strings.Contains(text, ",'=HYPERLINK(1)") || !strings.Contains(text, "4,duplicate,") || strings.Count(text, "\n") != 5 ||
		!strings.Contains(text, ",1;'=cmd\n") || !strings.Contains(text, ",1 '\uff1dA1\n") { // a spreadsheet may split at semicolons
		t.Errorf("%d %s", a.Status, text)
	}
}

func TestPlusInATimeNeedsNoEscape(t *testing.T) {
	w := feedWorld(t)
	got := want[feedAnswer](w, 200, distributor, "PUT", "/v1/locations/depot/stock?as_of=2026-03-31T02:00:00+02:00", oneRow, asCSV)
	if got.State != "applied" {
		t.Errorf("%+v", got)
	}
	w.refused(422, "invalid_request query:as_of=invalid_value", distributor, "PUT", "/v1/locations/depot/stock?as_of=2026-03-31T02:00:00", oneRow, asCSV)
	w.refused(422, "invalid_request query:as_of=as_of_in_future", distributor, "PUT", "/v1/locations/depot/stock?as_of=2126-03-31T02:00:00Z", oneRow, asCSV)
	w.refused(422, "invalid_request query:as_of=required", distributor, "PUT", "/v1/locations/depot/stock", oneRow, asCSV)
	p := w.refused(409, "feed_older", distributor, "PUT", "/v1/locations/depot/stock?as_of=2026-03-30T02:00:00Z", oneRow, asCSV)
	if !strings.Contains(p.Detail, "2026-03-31T00:00:00Z") {
		t.Errorf("it does not say what was applied: %s", p.Detail)
	}
	want[map[string]any](w, 200, distributor, "POST", "/v1/locations/depot/stock/reset", "")
	want[feedAnswer](w, 200, distributor, "PUT", "/v1/locations/depot/stock?as_of=2026-03-30T02:00:00Z", oneRow, asCSV)
}

func TestSharedFeedAnswersByLocation(t *testing.T) {
	w := feedWorld(t)
	got := want[struct{ Feeds []feedAnswer }](w, 200, distributor, "PUT", "/v1/stock?as_of="+minutesAgo(5), "location,sku,on_hand\ndepot,QB-AC-GUARD,1\nelsewhere,QB-AC-GUARD,1\n", asCSV)
	states := map[string]string{}
	for _, f := range got.Feeds {
		states[f.Location] = f.State + " " + f.Code
	}
	if diff := cmp.Diff(map[string]string{"depot": "applied ", "elsewhere": "refused location_not_found"}, states); diff != "" {
		t.Error(diff)
	}
}

func TestCodeMapOverHTTP(t *testing.T) {
	w := feedWorld(t)
	want[any](w, 200, distributor, "PUT", "/v1/locations/depot/codes", `{"codes":[{"code":"0040127","sku":"LN-B46-250","factor":"1000","unit":"L"}]}`)
	w.refused(422, "invalid_request /codes/0/sku=not_in_catalog", distributor, "PUT", "/v1/locations/depot/codes", `{"codes":[{"code":"1","sku":"NOBODYS"}]}`)
	want[feedAnswer](w, 200, distributor, "PUT", "/v1/locations/depot/stock?as_of="+minutesAgo(5), "code,on_hand\n0040127,12\n40127,5\n", asCSV)
	stock := want[struct{ Stock []map[string]any }](w, 200, distributor, "GET", "/v1/locations/depot/stock", "")
	if len(stock.Stock) != 1 || stock.Stock[0]["on_hand"] != "12000" {
		t.Errorf("%+v", stock)
	}
}

func TestConnectionCutHalfWayChangesNothing(t *testing.T) {
	w := feedWorld(t)
	srv := httptest.NewServer(w.h)
	defer srv.Close()
	r, pipe := io.Pipe()
	req, err := http.NewRequest("PUT", srv.URL+"/v1/locations/depot/stock?as_of="+minutesAgo(5), r)
	w.must(err)
	req.Header.Set("Authorization", "Bearer "+w.keys[distributor])
	req.Header.Set("Content-Type", "text/csv")
	go func() {
		fmt.Fprint(pipe, "sku,on_hand\n")
		for range 1000 {
			fmt.Fprint(pipe, "QB-AC-GUARD,1\n")
		}
		pipe.CloseWithError(io.ErrClosedPipe) // the client breaks the connection
	}()
	if res, err := srv.Client().Do(req); err == nil {
		res.Body.Close()
		t.Fatal("the request was answered")
	}
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		got := want[struct{ Feeds []feedAnswer }](w, 200, distributor, "GET", "/v1/locations/depot/feeds", "")
		if len(got.Feeds) == 1 && got.Feeds[0].State == "failed" && got.Feeds[0].Code == "body_incomplete" {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the feed is %+v", got)
		}
	}
	want[feedAnswer](w, 200, distributor, "PUT", "/v1/locations/depot/stock?as_of="+minutesAgo(5), oneRow, asCSV)
}

// A distributor's job asks again and again with what it was told last, and misses nothing.
func TestReservationsSinceTheLastAnswer(t *testing.T) {
	s := newTill(t)
	s.shelve("QB-AC-GUARD", "10")
	type page struct {
		Reservations []struct {
			SKU, Quantity, Fulfilled, State string
		}
		Since string
		More  bool
	}
	ask := func(since string) page {
		t.Helper()
		return want[page](s.world, 200, shop, "GET", "/v1/locations/"+s.place+"/reservations?limit=1&since="+since, "")
	}
	none := ask("")
	if len(none.Reservations) != 0 || none.More {
		t.Fatalf("%+v", none)
	}
	first := s.made(s.act(s.made(s.post("/v1/quotes", counter), 201), "accept", ""), 200)
	s.made(s.act(s.made(s.post("/v1/quotes", counter), 201), "accept", ""), 200)
	one := ask(none.Since)
	two := ask(one.Since)
	if len(one.Reservations) != 1 || !one.More || len(two.Reservations) != 1 || two.More || one.Reservations[0].State != "held" || one.Reservations[0].Quantity != "1" {
		t.Errorf("two promises in two pages: %+v %+v", one, two)
	}
	if again := ask(two.Since); len(again.Reservations) != 0 || again.Since != two.Since {
		t.Errorf("nothing new: %+v", again)
	}
	s.made(s.act(first, "fulfil", ""), 200)
	if changed := ask(two.Since); len(changed.Reservations) != 1 || changed.Reservations[0].State != "fulfilled" || changed.Reservations[0].Fulfilled != "1" {
		t.Errorf("what was handed over: %+v", changed)
	}
	s.refused(422, "invalid_request query:since=invalid_value", shop, "GET", "/v1/locations/"+s.place+"/reservations?since=yesterday", "")
	s.refused(404, "location_not_found", distributor, "GET", "/v1/locations/"+s.place+"/reservations", "")
}

func by(w *world, role caller.Role) caller.Caller {
	return caller.Caller{AccountID: w.accounts[role].ID, Roles: []caller.Role{role}, RequestID: "test-by"}
}

// The sample files are what the written pages show.
func TestSampleFeeds(t *testing.T) {
	w := feedWorld(t)
	_, err := w.d.CreateLocation(t.Context(), by(w, distributor), account.Location{ID: "annex", AccountID: w.accounts[distributor].ID, Name: "Annex"})
	w.must(err)
	want[any](w, 200, distributor, "PUT", "/v1/locations/depot", `{"name":"Depot","time_zone":"UTC","policy":{"decimal":",","capped":true,"coded":{"low":2},"bad_row_share":0.01}}`)
	want[any](w, 200, distributor, "PUT", "/v1/locations/depot/codes", `{"codes":[{"code":"0040127","sku":"QB-BS18A","factor":"10"}]}`)
	sample := func(name string) string {
		t.Helper()
		b, err := os.ReadFile("../testdata/feeds/" + name)
		w.must(err)
		return string(b)
	}
	full := want[feedAnswer](w, 200, distributor, "PUT", "/v1/locations/depot/stock?as_of="+minutesAgo(30), sample("full.csv"), asCSV)
	if full.Counts["applied"] != 5 || full.Counts["unknown"] != 1 {
		t.Errorf("full.csv: %+v", full)
	}
	delta := want[feedAnswer](w, 200, distributor, "PATCH", "/v1/locations/depot/stock?as_of="+minutesAgo(20), sample("delta.ndjson"), "Content-Type: application/x-ndjson")
	if delta.Counts["applied"] != 2 {
		t.Errorf("delta.ndjson: %+v", delta)
	}
	got := map[string]string{}
	for _, l := range want[struct{ Stock []map[string]any }](w, 200, distributor, "GET", "/v1/locations/depot/stock", "").Stock {
		got[l["sku"].(string)] = fmt.Sprint(l["on_hand"], " ", l["at_least"], " ", l["incoming_on"])
	}
	if diff := cmp.Diff(map[string]string{
		"QB-C36S-160": "3 false <nil>", "LN-B46-250": "1500 false <nil>", "QB-AC-GUARD": "0 false <nil>", "QB-BS16A": "2 true 2031-01-31", "QB-BS18A": "70 false <nil>",
	}, got); diff != "" {
		t.Error(diff)
	}
	w.refused(422, "too_many_bad_rows", distributor, "PUT", "/v1/locations/annex/stock?as_of="+minutesAgo(10), sample("bad_rows.csv"), asCSV)
	refused := want[struct{ Feeds []feedAnswer }](w, 200, distributor, "GET", "/v1/locations/annex/feeds?state=refused", "").Feeds[0]
	var codes []string
	for _, line := range strings.Split(strings.TrimSpace(string(w.call(distributor, "GET", refused.Rejects, "").Body)), "\n")[1:] {
		codes = append(codes, strings.Join(strings.SplitN(line, ",", 3)[:2], " "))
	}
	if diff := cmp.Diff([]string{"3 duplicate", "4 not_a_number", "5 date_missing", "6 not_whole", "7 too_large", "8 malformed_row"}, codes); diff != "" {
		t.Error(diff)
	}
	several := want[struct{ Feeds []feedAnswer }](w, 200, distributor, "PUT", "/v1/stock?as_of="+minutesAgo(5)+"&allow_missing=true", sample("several_locations.csv"), asCSV)
	if len(several.Feeds) != 2 || several.Feeds[0].State != "applied" || several.Feeds[1].State != "applied" {
		t.Errorf("several_locations.csv: %+v", several)
	}
}

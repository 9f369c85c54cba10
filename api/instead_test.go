package api_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"forkwright/api/contracttest"
	"forkwright/service/notice"
	"forkwright/service/stock"
)

// insteadSeen are the alternatives of an answer, each as its members.
func insteadSeen(t *testing.T, a contracttest.Answer) (out []map[string]any) {
	t.Helper()
	var got struct {
		Live struct {
			Stock        []struct{ SKU string }
			Alternatives []map[string]any
			Unavailable  []string
		}
	}
	a.JSON(t, &got)
	if a.Status != 200 || len(got.Live.Stock) == 0 && len(got.Live.Unavailable) == 0 {
		t.Fatalf("%d %.600s", a.Status, a.Body)
	}
	return got.Live.Alternatives
}

func brief(list []map[string]any) (out []string) {
	for _, x := range list {
		text := fmt.Sprint(x["instead_of"], " > ", x["sku"])
		if f, ok := x["for_fork"]; ok {
			text += fmt.Sprint(" for ", f)
		}
		out = append(out, text)
	}
	return out
}

const onDemoFork = "/v1/forks/" + demoFork + "/parts?travel_now_mm=160&travel_known_by=measured&model_year=2021&live=stock&limit=200"

func TestWhatIsInStockIsNamedInThePlaceOfWhatIsNot(t *testing.T) {
	m := newMemory(t)
	springs := onDemoFork + "&kind=spring"
	m.levels = []stock.Level{lying("a", "QB-S36L-055", 2), lying("b", "QB-S36L-070", 1), lying("a", "QB-S36L-095", 9), lying("a", "QB-S35-061", 9)}
	var of60 []string
	for _, text := range brief(insteadSeen(t, m.get(shopOnly, springs))) {
		if strings.HasPrefix(text, "QB-S36L-060 ") {
			of60 = append(of60, text)
		}
	}
	want := []string{"QB-S36L-060 > QB-S36L-055", "QB-S36L-060 > QB-S36L-070"} // the nearest first; another family and 95 are no replacement
	if diff := cmp.Diff(want, of60); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, x := range insteadSeen(t, m.get(shopOnly, springs)) {
		if x["instead_of"] == "QB-S36L-055" {
			t.Errorf("it is in stock itself: %v", x)
		}
		if x["name"] == "" || x["verdict"] != "fits" || x["why"] == "" || len(x["levels"].([]any)) != 1 {
			t.Errorf("the trade sees %v", x)
		}
	}
	if got := insteadSeen(t, m.get(shopOnly, springs+"&locations=b")); len(got) == 0 || slices.ContainsFunc(got, func(x map[string]any) bool { return x["sku"] != "QB-S36L-070" }) {
		t.Errorf("at b there is one: %v", brief(got))
	}
	if got := insteadSeen(t, m.get(shopOnly, strings.Replace(springs, "live=stock", "in_stock=yes", 1))); len(got) != 0 {
		t.Errorf("all of the list is in stock: %v", brief(got))
	}

	m.notices = notice.NewSet([]notice.Notice{{ID: "n", Kind: notice.StopSale, Effect: notice.Block, SKU: "QB-S36L-055", Text: "Stop.", By: "somebody", From: memoryNow.Add(-time.Hour)}}, 4, memoryNow)
	for _, x := range insteadSeen(t, m.get(shopOnly, springs)) {
		if x["sku"] == "QB-S36L-055" {
			t.Errorf("under a stop-sale, and named: %v", x)
		}
	}
}

func TestInsteadInACartAndOfAPart(t *testing.T) {
	m := newMemory(t)
	m.levels = []stock.Level{lying("a", "QB-S36L-060", 1), lying("a", "QB-S36L-065", 2), lying("a", "QB-S36L-055", 1)}
	cart := func(lines string) string {
		return `{"forks":[{"id":"mine","fork_id":"` + demoFork + `","model_year":2021,"travel_now_mm":160}],"lines":[` + lines + `]}`
	}
	for _, x := range []struct {
		name, lines string
		want        []string
	}{
		{"enough of it", `{"code":"QB-S36L-060","for_fork":"mine"}`, nil},
		{"two, and only one lies there", `{"code":"QB-S36L-060","quantity":2,"for_fork":"mine"}`, []string{"QB-S36L-060 > QB-S36L-065 for mine"}},
		{"the same on two lines", `{"code":"QB-S36L-060","for_fork":"mine"},{"code":"QB-S36L-060","for_fork":"mine"}`, []string{"QB-S36L-060 > QB-S36L-065 for mine"}},
		{"a washer has its own place", `{"code":"QB-CW8","for_fork":"mine"}`, nil},
		{"no code of ours", `{"code":"TIRE-29","for_fork":"mine"},{"code":"QB-CW8"}`, nil},
	} {
		if diff := cmp.Diff(x.want, brief(insteadSeen(t, m.post(shopOnly, "/v1/fit-checks?live=stock", cart(x.lines))))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", x.name, diff)
		}
	}
	got := insteadSeen(t, m.get(shopOnly, "/v1/parts/QB-S36L-070?live=stock"))
	if diff := cmp.Diff([]string{"QB-S36L-070 > QB-S36L-065", "QB-S36L-070 > QB-S36L-060"}, brief(got)); diff != "" || got[0]["verdict"] != nil {
		t.Errorf("of its family, without a fork: %v %s", got, diff)
	}
}

// TestAStorefrontLearnsNoMoreThanTheCode holds every member of what a storefront gets.
func TestAStorefrontLearnsNoMoreThanTheCode(t *testing.T) {
	m := newMemory(t)
	m.levels = []stock.Level{lying("a", "QB-S36L-055", 2), lying("b", "QB-S36L-070", 1), lying("a", "QB-C36S-170", 4)}
	seen := 0
	for _, ask := range []struct{ target, body string }{
		{onDemoFork, ""}, {"/v1/parts/QB-S36L-060?live=stock", ""},
		{"/v1/fit-checks?live=stock", `{"fork":{"fork_id":"` + demoFork + `","model_year":2021,"travel_now_mm":160},"lines":[{"code":"QB-S36L-060"}]}`},
	} {
		a := m.get(storeOnly, ask.target)
		if ask.body != "" {
			a = m.post(storeOnly, ask.target, ask.body)
		}
		for _, x := range insteadSeen(t, a) {
			seen++
			for name := range maps.Keys(x) {
				if !slices.Contains([]string{"instead_of", "sku", "for_fork"}, name) {
					t.Errorf("%s: a storefront learns %s: %v", ask.target, name, x)
				}
			}
		}
		var doc any
		if err := json.Unmarshal(a.Body, &doc); err != nil {
			t.Fatal(err)
		}
		members := map[string]bool{}
		collect(members, "", doc)
		for name := range members {
			if strings.Contains(name, "levels") || strings.HasSuffix(name, "available") || strings.HasSuffix(name, "on_hand") {
				t.Errorf("%s: a storefront sees %s", ask.target, name)
			}
		}
	}
	if seen < 5 {
		t.Errorf("only %d alternatives tell anything", seen)
	}
}

func TestAQuoteNamesWhatIsInStockInstead(t *testing.T) {
	s := newTill(t)
	depots(s, map[string]int{"near": 1})
	for _, sku := range []string{"QB-S36L-055", "QB-S36L-060", "QB-S36L-065", "QB-S36L-070"} {
		s.shelve(sku, "0")
	}
	s.heap(berlin(t), []pile{{"near", "QB-S36L-065", 2, 0, 0}, {s.place, "QB-S36L-070", 1, 0, 0}, {"rival", "QB-S36L-055", 9, 0, 0}})
	ask := func(quantity string) string {
		return `{"fork": {"fork_id": "` + demoFork + `", "model_year": 2021, "travel_now_mm": 160}, "lines": [{"code": "QB-S36L-060", "quantity": "` + quantity + `"}]}`
	}
	type quoted struct {
		ReadyOn string `json:"ready_on"`
		Links   struct{ Self string }
		Lines   []struct {
			Alternatives []struct{ SKU, Text, Verdict, Why, Available string }
		}
		Live *struct {
			Stock []struct {
				SKU    string
				Levels []struct{ Location, Available string }
			}
		}
	}
	var q quoted
	s.post("/v1/quotes", ask("1")).JSON(t, &q)
	var got []string
	for _, x := range q.Lines[0].Alternatives {
		got = append(got, x.SKU+" "+x.Verdict+" "+x.Available)
		if x.Text == "" || !strings.Contains(x.Why, "same family") {
			t.Errorf("%+v", x)
		}
	}
	if diff := cmp.Diff([]string{"QB-S36L-065 fits 2", "QB-S36L-070 fits 1"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	q = quoted{}
	s.post("/v1/quotes", ask("2")).JSON(t, &q)
	if x := q.Lines[0].Alternatives; len(x) != 1 || x[0].SKU != "QB-S36L-065" {
		t.Errorf("two of them: %+v", x)
	}
	s.shelve("QB-S36L-060", "2")
	again := s.get(q.Links.Self + "?live=stock")
	q = quoted{}
	again.JSON(t, &q)
	if again.Header.Get("ETag") != "" || again.Header.Get("Cache-Control") != "private, no-store" || q.Live == nil || len(q.Live.Stock) != 1 || q.Live.Stock[0].Levels[0].Available != "2" {
		t.Errorf("what lies there now: %v %s", again.Header, again.Body)
	}
	if len(q.Lines[0].Alternatives) != 1 {
		t.Error("a stored quote has changed")
	}
	if a := s.get(q.Links.Self+"?live=stock", asHTML); a.Status != 422 {
		t.Errorf("live paper: %d", a.Status)
	}
	q = quoted{}
	s.post("/v1/quotes", ask("2")).JSON(t, &q)
	if len(q.Lines[0].Alternatives) != 0 || q.ReadyOn == "" {
		t.Errorf("it is there now: %+v", q)
	}
	bill := s.post("/v1/bills?live=stock&locations=near,"+s.place, `{"fork": {"fork_id": "`+demoFork+`", "model_year": 2021, "travel_now_mm": 160}, "jobs": ["spring_swap"], "fitted": "QB-C36S-160", "spring": "QB-S36L-055"}`)
	if found := brief(insteadSeen(t, bill)); !slices.Contains(found, "QB-S36L-055 > QB-S36L-060") {
		t.Errorf("of a bill: %v %s", found, bill.Body)
	}
}

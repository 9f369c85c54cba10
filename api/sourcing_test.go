package api_test

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/quagmt/udecimal"

	"forkwright/api/page/pdf/pdftest"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/stock"
)

// sourced is a quote as a client reads where its goods come from.
type sourced struct {
	QuoteID   string `json:"quote_id"`
	Version   int
	ReadyOn   string    `json:"ready_on"`
	CreatedAt time.Time `json:"created_at"`
	Links     struct{ Self string }
	Lines     []struct {
		SKU, Quantity string
		StockText     string `json:"stock_text"`
		LeadDays      int    `json:"lead_days"`
		Sourcing      []struct {
			Location, Kind, Quantity, On string
			Stale                        bool
			CountedAt                    *time.Time `json:"counted_at"`
		}
	}
}

// depots are places that supply the till: its own shelf and two of the trade, and another
// shop's, which never does.
func depots(s *till, away map[string]int) {
	s.t.Helper()
	for place, owner := range map[string]caller.Role{"near": caller.Administrator, "far": caller.Distributor} {
		s.located(account.Location{ID: place, AccountID: s.accounts[owner].ID, Name: place, TimeZone: "Europe/Berlin", DaysAway: away[place]})
	}
	s.located(account.Location{ID: "rival", AccountID: s.other.ID, Name: "rival", TimeZone: "Europe/Berlin"})
}

func (s *till) located(l account.Location) {
	s.t.Helper()
	_, err := s.d.CreateLocation(s.t.Context(), caller.Caller{AccountID: l.AccountID, RequestID: "test"}, l)
	s.must(err)
}

// pile is what lies at a place of a part, in pieces and days from today.
type pile struct {
	place, sku               string
	onHand, incoming, inDays int
}

func (s *till) heap(today time.Time, piles []pile) {
	s.t.Helper()
	byPlace := map[string][]stock.Level{}
	for _, p := range piles {
		l := stock.Level{SKU: p.sku, OnHand: whole(p.onHand), Incoming: whole(p.incoming)}
		if p.incoming > 0 {
			on := today.AddDate(0, 0, p.inDays)
			l.IncomingOn = &on
		}
		byPlace[p.place] = append(byPlace[p.place], l)
	}
	for place, levels := range byPlace {
		s.must(s.d.PutStock(s.t.Context(), place, levels))
	}
}

func whole(n int) udecimal.Decimal { return udecimal.MustFromInt64(int64(n), 0) }

// berlin is the seller's day.
func berlin(t *testing.T) time.Time {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	y, m, d := time.Now().In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// TestTheEarliestDayOfAQuoteIsThatOfBruteForce asks for random carts over random shelves and
// counts pieces day by day.
func TestTheEarliestDayOfAQuoteIsThatOfBruteForce(t *testing.T) {
	s := newTill(t)
	away := map[string]int{s.place: 0, "near": 1, "far": 3}
	depots(s, away)
	lead := map[string]int{"QB-S36L-060": 10, "QB-S36L-065": 10} // as the catalog has it; accessories have none
	skus := []string{"QB-S36L-060", "QB-S36L-065", "QB-AC-GUARD", "QB-AC-BAG"}
	r := rand.New(rand.NewPCG(12, 5))
	seen := map[string]int{}
	for round := range 50 {
		today := berlin(t)
		var piles []pile
		for place := range away {
			for _, sku := range skus {
				p := pile{place: place, sku: sku, onHand: r.IntN(4), inDays: r.IntN(15) - 2}
				if r.IntN(2) == 0 {
					p.incoming = 1 + r.IntN(4)
				}
				piles = append(piles, p)
			}
		}
		rivals := []pile{{"rival", skus[0], 99, 0, 0}, {"rival", skus[2], 99, 0, 0}}
		s.heap(today, append(slices.Clone(piles), rivals...))
		var lines []string
		need := map[string]int{}
		for range 1 + r.IntN(4) {
			sku, n := skus[r.IntN(len(skus))], 1+r.IntN(7)
			need[sku] += n
			lines = append(lines, fmt.Sprintf(`{"code": %q, "quantity": "%d", "for_fork": "none"}`, sku, n))
		}
		var q sourced
		a := s.post("/v1/quotes", `{"lines": [`+strings.Join(lines, ",")+`]}`)
		a.JSON(t, &q)
		if a.Status != 201 || berlin(t) != today {
			continue // midnight in Berlin
		}
		wantDay := earliestByHand(today, need, piles, away, lead)
		if q.ReadyOn != wantDay {
			t.Fatalf("round %d: ready on %q, by hand %q\n%s\n%+v", round, q.ReadyOn, wantDay, a.Body, piles)
		}
		kinds := possible(t, today, q, piles, away, lead)
		for k := range kinds {
			seen[k]++
		}
		if wantDay == "" {
			seen["open"]++
		} else if wantDay > today.Format(time.DateOnly) {
			seen["later"]++
		}
	}
	for _, k := range []string{"on_hand", "incoming", "backorder", "open", "later"} {
		if seen[k] < 5 {
			t.Errorf("too few quotes tell anything about %s: %v", k, seen)
		}
	}
}

// hereOn is how many of a part from a place are here so many days from today.
func hereOn(p pile, away, day int) int {
	switch {
	case day < away:
		return 0
	case p.inDays >= 0 && p.inDays+away <= day:
		return p.onHand + p.incoming
	}
	return p.onHand
}

func earliestByHand(today time.Time, need map[string]int, piles []pile, away, lead map[string]int) string {
	for day := range 40 {
		all := true
		for sku, n := range need {
			if days, ok := lead[sku]; ok && day >= days {
				continue
			}
			for _, p := range piles {
				if p.sku == sku {
					n -= hereOn(p, away[p.place], day)
				}
			}
			all = all && n <= 0
		}
		if all {
			return today.AddDate(0, 0, day).Format(time.DateOnly)
		}
	}
	return ""
}

// possible: each line is covered to the piece, and no pile gives more than it has by the day.
func possible(t *testing.T, today time.Time, q sourced, piles []pile, away, lead map[string]int) (kinds map[string]bool) {
	t.Helper()
	kinds = map[string]bool{}
	given := map[[2]string]int{}
	for _, l := range q.Lines {
		sum := udecimal.Zero
		for _, x := range l.Sourcing {
			kinds[x.Kind] = true
			n := udecimal.MustParse(x.Quantity)
			sum = sum.Add(n)
			day := 0
			if x.On != "" {
				on, err := time.Parse(time.DateOnly, x.On)
				if err != nil {
					t.Fatal(err)
				}
				day = int(on.Sub(today).Hours() / 24)
			}
			if x.Kind == "backorder" {
				if days, ok := lead[l.SKU]; ok != (x.On != "") || ok && (day != days || l.LeadDays != days) {
					t.Fatalf("an order of %s for %q, lead %d", l.SKU, x.On, l.LeadDays)
				}
				continue
			}
			at := [2]string{x.Location, l.SKU}
			given[at] += int(n.InexactFloat64())
			i := slices.IndexFunc(piles, func(p pile) bool { return p.place == x.Location && p.sku == l.SKU })
			if i < 0 || given[at] > hereOn(piles[i], away[x.Location], day) {
				t.Fatalf("%v gives %d %s on %q: %+v", at, given[at], x.Kind, x.On, piles)
			}
		}
		if sum.String() != l.Quantity {
			t.Fatalf("%s of %s %s come from somewhere", sum, l.Quantity, l.SKU)
		}
		if l.StockText == "" {
			t.Fatalf("no word on %s", l.SKU)
		}
	}
	return kinds
}

func TestWhatIsPartlyThereIsSaidOnTheLine(t *testing.T) {
	s := newTill(t)
	depots(s, map[string]int{"near": 1, "far": 3})
	today := berlin(t)
	in := func(days int) string { return today.AddDate(0, 0, days).Format("2 Jan 2006") }
	s.heap(today, []pile{{s.place, "QB-S36L-060", 1, 0, 0}, {"far", "QB-S36L-060", 1, 2, 4}, {s.place, "QB-AC-GUARD", 0, 0, 0}})
	var q sourced
	a := s.post("/v1/quotes", `{"lines": [{"code": "QB-S36L-060", "quantity": "5", "for_fork": "none"}], "issue": true}`)
	a.JSON(t, &q)
	want := fmt.Sprintf("1 in stock, 1 in stock elsewhere, here %s, 2 expected %s, 1 to be ordered, takes 10 days, here %s", in(3), in(7), in(10))
	if a.Status != 201 || q.Lines[0].StockText != want || q.Lines[0].LeadDays != 10 || q.ReadyOn != today.AddDate(0, 0, 10).Format(time.DateOnly) {
		t.Errorf("%s, ready on %s\nwant %s\n%s", q.Lines[0].StockText, q.ReadyOn, want, a.Body)
	}
	for form, body := range map[string]string{
		"page": string(s.paper(q.Links.Self, asHTML).Body), "PDF": strings.Join(strings.Fields(pdftest.Text(t, s.paper(q.Links.Self, asPDF).Body)), " "),
		"XML": string(s.paper(q.Links.Self, asXML).Body),
	} {
		for _, text := range []string{want, in(10)} {
			if !strings.Contains(body, text) {
				t.Errorf("the %s does not say %q", form, text)
			}
		}
		if strings.Contains(body, "far") {
			t.Errorf("the %s tells the customer whose shelf it lies on", form)
		}
	}
	// Nobody knows how long it takes: no day, and the paper says so.
	a = s.post("/v1/quotes", `{"lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}]}`)
	q = sourced{}
	a.JSON(t, &q)
	if q.ReadyOn != "" || q.Lines[0].StockText != "to be ordered" || q.Lines[0].LeadDays != 0 {
		t.Errorf("%s", a.Body)
	}
	if page := string(s.paper(q.Links.Self, asHTML).Body); !strings.Contains(page, "not known yet") {
		t.Error("the page does not say that no day is known")
	}
	// In German, and without a word of English.
	a = s.post("/v1/quotes", `{"language": "de", "lines": [{"code": "QB-S36L-060", "quantity": "2", "for_fork": "none"}]}`)
	a.JSON(t, &q)
	if want := "1 vorrätig, 1 vorrätig an anderem Ort, hier am " + today.AddDate(0, 0, 3).Format("02.01.2006"); q.Lines[0].StockText != want {
		t.Errorf("%q, want %q", q.Lines[0].StockText, want)
	}
}

func TestGoodsOfTheTradeAreReservedForTheShop(t *testing.T) {
	s := newTill(t)
	depots(s, map[string]int{"near": 1})
	s.shelve("QB-AC-GUARD", "0")
	s.heap(berlin(t), []pile{{"far", "QB-AC-GUARD", 2, 0, 0}})
	q := s.made(s.post("/v1/quotes", `{"lines": [{"code": "QB-AC-GUARD", "quantity": "2", "for_fork": "none"}], "issue": true}`), 201)
	s.made(s.act(q, "accept", ""), 200)
	got := want[struct {
		Reservations []struct{ SKU, Quantity, State string }
	}](s.world, 200, caller.Distributor, "GET", "/v1/locations/far/reservations", "")
	if len(got.Reservations) != 1 || got.Reservations[0].SKU != "QB-AC-GUARD" || got.Reservations[0].Quantity != "2" {
		t.Errorf("the distributor sees %+v", got)
	}
	next := s.made(s.post("/v1/quotes", counter), 201)
	if next.Lines[0].Sourcing[0].Kind != "backorder" {
		t.Errorf("promised twice: %+v", next.Lines[0].Sourcing)
	}
}

func TestAnotherShopsShelfIsNobodysBusiness(t *testing.T) {
	s := newTill(t)
	depots(s, nil)
	s.shelve("QB-AC-GUARD", "0")
	s.heap(berlin(t), []pile{{"rival", "QB-AC-GUARD", 9, 0, 0}, {"near", "QB-AC-GUARD", 2, 0, 0}, {s.place, "QB-AC-GUARD", 1, 0, 0}})
	for query, places := range map[string]string{"": "near " + s.place, "&locations=rival": "", "&locations=rival,near": "near"} {
		a := s.get("/v1/parts/QB-AC-GUARD?live=stock" + query)
		var got struct {
			Live struct {
				Stock []struct{ Levels []struct{ Location string } }
			}
		}
		a.JSON(t, &got)
		var seen []string
		for _, x := range got.Live.Stock[0].Levels {
			seen = append(seen, x.Location)
		}
		slices.Sort(seen)
		if strings.Join(seen, " ") != places || a.Status != 200 {
			t.Errorf("%q: %q, want %q: %d %s", query, seen, places, a.Status, a.Body)
		}
	}
	a := s.post("/v1/quotes", `{"lines": [{"code": "QB-AC-GUARD", "for_fork": "none"}], "locations": ["near", "rival"]}`)
	if a.Status != 422 || !strings.Contains(string(a.Body), "location_not_found") || !strings.Contains(string(a.Body), `"/locations/1"`) {
		t.Errorf("%d %s", a.Status, a.Body)
	}
}

func TestAnOverdueCountIsMarked(t *testing.T) {
	s := newTill(t)
	s.located(account.Location{ID: "late", AccountID: s.accounts[caller.Distributor].ID, Name: "late", TimeZone: "Europe/Berlin", DueBy: "02:30"})
	s.located(account.Location{ID: "never", AccountID: s.accounts[caller.Administrator].ID, Name: "never", TimeZone: "Europe/Berlin", DueBy: "02:30"})
	s.shelve("QB-AC-GUARD", "0")
	counted := time.Now().UTC().AddDate(0, 0, -5).Truncate(time.Second)
	want[feedAnswer](s.world, 200, caller.Distributor, "PUT", "/v1/locations/late/stock?as_of="+counted.Format(time.RFC3339), "sku,on_hand\nQB-AC-GUARD,1\n", asCSV)
	s.heap(berlin(t), []pile{{"never", "QB-AC-GUARD", 1, 0, 0}, {s.place, "QB-AC-BAG", 1, 0, 0}})
	var q sourced
	a := s.post("/v1/quotes", `{"lines": [{"code": "QB-AC-GUARD", "quantity": "2", "for_fork": "none"}, {"code": "QB-AC-BAG", "for_fork": "none"}], "issue": true}`)
	a.JSON(t, &q)
	if a.Status != 201 || len(q.Lines[0].Sourcing) != 2 {
		t.Fatalf("%d %s", a.Status, a.Body)
	}
	for _, x := range q.Lines[0].Sourcing {
		if at := x.CountedAt; !x.Stale || (x.Location == "late") != (at != nil) || at != nil && !at.Equal(counted) {
			t.Errorf("%+v, counted %v", x, counted)
		}
	}
	if x := q.Lines[1].Sourcing[0]; x.Stale || x.CountedAt != nil {
		t.Errorf("a shelf without a feed: %+v", x)
	}
	zone, _ := time.LoadLocation("Europe/Berlin")
	for _, text := range []string{"counted " + counted.In(zone).Format("2 Jan 2006") + "; a newer count is overdue", "never counted"} {
		for _, accept := range []string{asHTML, asXML} {
			if page := string(s.paper(q.Links.Self, accept).Body); !strings.Contains(page, text) {
				t.Errorf("%s does not say %q: %s", accept, text, q.Lines[0].StockText)
			}
		}
	}
	// Every answer that uses the location says so.
	for _, ask := range []struct{ method, target, body string }{
		{http.MethodGet, "/v1/parts/QB-AC-GUARD?live=stock", ""},
		{http.MethodPost, "/v1/fit-checks?live=stock", `{"fork":{"fork_id":"` + demoFork + `"},"lines":[{"code":"QB-AC-GUARD"}]}`},
	} {
		for _, role := range []caller.Role{caller.Shop, caller.Storefront} {
			a := s.call(role, ask.method, ask.target, ask.body)
			if a.Status != 200 || !strings.Contains(string(a.Body), `"stale":true`) {
				t.Errorf("%s as %s: %d %s", ask.target, role, a.Status, a.Body)
			}
		}
	}
}

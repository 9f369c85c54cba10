package api_test

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"forkwright/api/contracttest"
	"forkwright/db"
	"forkwright/service/caller"
)

// replicas are two services on one database, each with connections of its own.
func (s *till) replicas() []http.Handler {
	s.t.Helper()
	var out []http.Handler
	for range 2 {
		out = append(out, s.serve(s.base.Open(s.t, db.Options{MaxConns: 32})).Handler())
	}
	return out
}

func TestTwoSellersNumberWithoutGaps(t *testing.T) {
	s := newTill(t)
	other := caller.Caller{AccountID: s.other.ID, Roles: []caller.Role{caller.Shop}}
	s.profile(other, "ZZ")
	replicas := s.replicas()
	const each = 100
	var mu sync.Mutex
	numbers := map[string][]string{}
	var all sync.WaitGroup
	queue := make(chan int)
	for range 16 {
		all.Go(func() {
			for i := range queue {
				key := []string{s.key, s.otherKey}[i%2]
				a := s.contract.Call(t, replicas[i/2%2], http.MethodPost, "/v1/quotes", key, counter)
				if a.Status != http.StatusCreated {
					t.Errorf("%d %s", a.Status, a.Body)
					continue
				}
				var q quoteSeen
				a.JSON(t, &q)
				mu.Lock()
				numbers[key] = append(numbers[key], q.Number)
				mu.Unlock()
			}
		})
	}
	for i := range 2 * each {
		queue <- i
	}
	close(queue)
	all.Wait()
	for key, series := range map[string]string{s.key: "RU", s.otherKey: "ZZ"} {
		got := numbers[key]
		slices.Sort(got)
		for i, n := range got {
			if want := fmt.Sprintf("%s-%s-%05d", series, time.Now().Format("2006"), i+1); n != want {
				t.Fatalf("number %d of %s is %s, want %s", i+1, series, n, want)
			}
		}
		if len(got) != each {
			t.Errorf("%s has %d quotes", series, len(got))
		}
	}
}

func TestManyTwinsMakeOneQuote(t *testing.T) {
	s := newTill(t)
	replicas := s.replicas()
	answers := make([]contracttest.Answer, 64)
	var all sync.WaitGroup
	for i := range answers {
		all.Go(func() {
			answers[i] = s.contract.Call(t, replicas[i%2], http.MethodPost, "/v1/quotes", s.key, conversion, "Idempotency-Key: the-same")
		})
	}
	all.Wait()
	for _, a := range answers {
		if a.Status != http.StatusCreated || !bytes.Equal(a.Body, answers[0].Body) {
			t.Fatalf("%d %.300s", a.Status, a.Body)
		}
	}
	list := s.get("/v1/quotes")
	if n := strings.Count(string(list.Body), `"quote_id"`); n != 1 {
		t.Errorf("%d quotes", n)
	}
}

func TestTheLastOneIsPromisedOnce(t *testing.T) {
	s := newTill(t)
	s.shelve("QB-AC-GUARD", "1")
	replicas := s.replicas()
	quotes := make([]quoteSeen, 64)
	for i := range quotes {
		quotes[i] = s.made(s.post("/v1/quotes", counter), http.StatusCreated)
		if quotes[i].Lines[0].Sourcing[0].Kind != "on_hand" {
			t.Fatalf("%+v", quotes[i].Lines[0].Sourcing)
		}
	}
	answers := make([]contracttest.Answer, len(quotes))
	var all sync.WaitGroup
	for i, q := range quotes {
		all.Go(func() {
			answers[i] = s.contract.Call(t, replicas[i%2], http.MethodPost, q.Links.Self+"/accept", s.key, "", `If-Match: "`+strconv.Itoa(q.Version)+`"`)
		})
	}
	all.Wait()
	yes, no := 0, 0
	for _, a := range answers {
		switch {
		case a.Status == http.StatusOK:
			yes++
		case a.Status == http.StatusConflict && a.Problem(t).Code == "not_enough_stock" && strings.Contains(string(a.Body), `"available":"0"`):
			no++
		default:
			t.Errorf("%d %s", a.Status, a.Body)
		}
	}
	if yes != 1 || no != len(quotes)-1 {
		t.Errorf("%d yes, %d no", yes, no)
	}
	if got := s.held("QB-AC-GUARD"); got != "1 on hand, 1 promised" {
		t.Errorf("the shelf: %s", got)
	}
}

func TestAQuoteIsAcceptedOnceByWhoeverComesFirst(t *testing.T) {
	s := newTill(t)
	s.shelve("QB-AC-GUARD", "9")
	replicas := s.replicas()
	q := s.made(s.post("/v1/quotes", counter), http.StatusCreated)
	statuses := make([]int, 32)
	var all sync.WaitGroup
	for i := range statuses {
		all.Go(func() {
			action := []string{"accept", "withdraw", "decline"}[i%3]
			statuses[i] = s.contract.Call(t, replicas[i%2], http.MethodPost, q.Links.Self+"/"+action, s.key, "", `If-Match: "2"`).Status
		})
	}
	all.Wait()
	ok := 0
	for _, status := range statuses {
		if status == http.StatusOK {
			ok++
		} else if status != http.StatusPreconditionFailed {
			t.Errorf("status %d", status)
		}
	}
	if ok != 1 {
		t.Errorf("%d of them changed it", ok)
	}
}

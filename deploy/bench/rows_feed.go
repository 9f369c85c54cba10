package main

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

//go:embed feed.sql
var leanFeed string

const (
	feedPairs  = 5
	mostGrowth = 64  // MiB
	askedRate  = 200 // fit checks a second beside a feed
	acceptRate = 20  // accepted quotes a second beside a feed
)

// feed is a full feed over HTTP, packed, against psql that copies the plain file and merges it:
// by themselves for the time and the memory, then each while the service answers and accepts.
func (w *world) feed() ([]row, error) {
	s, err := w.stockroom()
	if err != nil {
		return nil, err
	}
	quotes, err := w.quotes(s, w.sizes.quotes)
	if err != nil {
		return nil, err
	}
	var took pairs
	var grew []float64
	for i := range feedPairs {
		ours, limit, err := both(i%2 == 1, func() (seconds float64, err error) {
			before, _ := memoryOf(s.service.pid)
			most, err := watch(s.service.pid, func() (err error) { seconds, err = w.turn(s, w.push); return err })
			grew = append(grew, most-before)
			return seconds, err
		}, func() (float64, error) { return w.turn(s, w.merge) })
		if err != nil {
			return nil, err
		}
		took.add(ours, limit)
	}
	beside, err := w.besideFeeds(s, quotes)
	if err != nil {
		return nil, err
	}
	name := "feed " + w.sizes.rowName
	r := took.atMost(name, " s", 1.5)
	r.Detail = fmt.Sprintf("%.1f MB packed; limit: %s", float64(len(s.feeds[0].zipped))/1e6, by("psql", w.tool("psql")))
	return append([]row{r, memoryRow(name, grew)}, beside...), nil
}

// memoryRow judges the feed for which the service grew most.
func memoryRow(name string, grew []float64) row {
	ratio := slices.Max(grew) / mostGrowth
	return row{Name: name + " memory", Ours: "+" + figure(slices.Max(grew)) + " MiB", Limit: fmt.Sprintf("%d MiB", mostGrowth), Ratio: &ratio,
		Spread: fmt.Sprintf("%.2f-%.2f of %d", slices.Min(grew)/mostGrowth, ratio, len(grew)), Goal: "< 1"}.judge(ratio < 1)
}

// besideFeeds has the service check carts and accept quotes while a feed or the merge runs.
func (w *world) besideFeeds(s *shop, quotes []issued) ([]row, error) {
	var checks, accepts pairs
	accepted, refused := 0, 0
	each := len(quotes) / feedPairs / 2
	side := func(ours bool, do func(*shop, nightly) (float64, error)) func() (besides, error) {
		return func() (b besides, err error) {
			_, err = w.turn(s, func(s *shop, f nightly) (seconds float64, err error) {
				b, err = w.beside(s, quotes[:each], func() (err error) { seconds, err = do(s, f); return err })
				return seconds, err
			})
			quotes = quotes[each:]
			if ours {
				accepted, refused = accepted+b.accepts.done-b.accepts.failed, refused+b.accepts.failed
			}
			return b, err
		}
	}
	for i := range feedPairs {
		ours, limit, err := both(i%2 == 1, side(true, w.push), side(false, w.merge))
		if err != nil {
			return nil, err
		}
		checks.add(ours.checks.p99All(), limit.checks.p99All())
		accepts.add(ours.accepts.p99All(), limit.accepts.p99All())
	}
	name := "feed " + w.sizes.rowName
	late := checks.atMost(name+" fit check p99", " ms", 1.5)
	late.Detail = fmt.Sprintf("%d/s beside the feed and beside the merge", askedRate)
	took := row{Name: name + " accepts meanwhile", Ours: fmt.Sprint(accepted), Limit: fmt.Sprintf("%d refused", refused), Goal: "some, none refused",
		Detail: fmt.Sprintf("%d/s; p99 %s ms, beside the merge %s ms", acceptRate, figure(median(accepts.ours)), figure(median(accepts.limit)))}
	return []row{late, took.judge(accepted > 0 && refused == 0)}, nil
}

// besides are the loads beside some work.
type besides struct{ checks, accepts load }

// beside lets the service check carts and accept quotes for as long as work takes.
func (w *world) beside(s *shop, quotes []issued, work func() error) (b besides, err error) {
	done := make(chan struct{})
	var checking, accepting error
	var all sync.WaitGroup
	all.Go(func() { b.checks, checking = whole(pacedWhile(done, s.service.target, s.fitChecks(), askedRate)) })
	all.Go(func() { b.accepts, accepting = onceWhile(done, s.service.target, s.accepts(quotes), acceptRate) })
	err = work()
	close(done)
	all.Wait()
	for _, other := range []error{checking, accepting} {
		if err == nil {
			err = other
		}
	}
	return b, err
}

// turn lets one side bring the location into its other state, looks what came of it, and has
// the next turn begin like this one.
func (w *world) turn(s *shop, side func(*shop, nightly) (float64, error)) (seconds float64, err error) {
	if seconds, err = side(s, s.feeds[s.turns%2]); err != nil {
		return 0, err
	}
	var state string
	err = w.query(s.name, func(c *pgx.Conn) error {
		return c.QueryRow(w.ctx, `
			SELECT count(*) FILTER (WHERE listed) || ' parts, ' || count(*) FILTER (WHERE NOT listed AND on_hand = 0) || ' gone, '
			       || sum(hashtextextended(sku || ' ' || on_hand::text || ' ' || at_least::text || ' ' || incoming::text || ' ' || bin, 0)) FILTER (WHERE listed)
			FROM stock WHERE location_id = $1`, shelves).Scan(&state)
	})
	if err != nil {
		return 0, err
	}
	if before := &s.states[s.turns%2]; s.turns < 3 || *before == state {
		*before = state
	} else {
		return 0, fmt.Errorf("the location holds %s where the other side left %s", state, *before)
	}
	s.turns++
	return seconds, w.sql(s.name, `DELETE FROM stock WHERE NOT listed`, `VACUUM stock`, `CHECKPOINT`)
}

// push sends a feed as a distributor's job does, and gives the seconds until the answer.
func (w *world) push(s *shop, f nightly) (seconds float64, err error) {
	q := url.Values{"as_of": {time.Now().UTC().Format(time.RFC3339Nano)}}
	req, err := http.NewRequestWithContext(w.ctx, "PUT", "http://"+s.service.addr+"/v1/locations/"+shelves+"/stock?"+q.Encode(), bytes.NewReader(f.zipped))
	if err != nil {
		return 0, err
	}
	req.Header = http.Header{"Authorization": {"Bearer " + s.key}, "Content-Type": {"text/csv"}, "Content-Encoding": {"gzip"}}
	start := time.Now()
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	seconds = time.Since(start).Seconds()
	if err != nil {
		return 0, err
	}
	var got struct{ State string }
	if err := json.Unmarshal(body, &got); err != nil || got.State != "applied" {
		return 0, refusal{res.StatusCode, string(body), "PUT " + req.URL.Path}
	}
	return seconds, nil
}

// merge does the same by psql.
func (w *world) merge(s *shop, f nightly) (seconds float64, err error) {
	return w.psql(s, strings.NewReplacer("%FILE%", f.file, "%LOCATION%", shelves).Replace(leanFeed))
}

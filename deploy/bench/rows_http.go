package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// The limit of these rows is "bare": echo without middleware that strictly decodes the same
// type and encodes one fixed answer of the same type, of median length, with the same encoder.

// compare measures throughput against the bare server, in turn.
func (w *world) compare(name string, goal float64, s *shop, reqs []request, op bareOp) (row, *pairs, *child, error) {
	var err error
	if op.Answer == "" {
		if op.Answer, _, err = typical(s.service.target, reqs); err != nil {
			return row{}, nil, nil, err
		}
	}
	bare, err := w.bare(s.name, op)
	if err != nil {
		return row{}, nil, nil, err
	}
	var p, cpu, own pairs
	busy := 0.0
	for i := range w.sizes.pairs + 1 {
		d := w.sizes.slice
		if i == 0 {
			d /= 2 // the first warms both sides and is thrown away
		}
		ours, limit, err := both(i%2 == 1,
			func() (load, error) { return whole(closed(s.service.target, reqs, d)) },
			func() (load, error) { return whole(closed(bare.target, reqs, d)) })
		if err != nil {
			return row{}, nil, nil, err
		}
		if i > 0 {
			p.add(ours.perSecond(), limit.perSecond())
			cpu.add(ours.cpuEach(), limit.cpuEach())
			own.add(ours.ownEach(), limit.ownEach())
			busy = max(busy, limit.own.Seconds()/limit.took.Seconds())
		}
	}
	r := p.atLeast(name, "/s", goal)
	r.Detail = fmt.Sprintf("%d bytes; CPU %.0f and %.0f µs each, of the generator %.0f and %.0f, at most %.0f %% of a core", len(op.Answer),
		median(cpu.ours), median(cpu.limit), median(own.ours), median(own.limit), 100*busy)
	return r, &p, bare, nil
}

// both runs two sides in this order or the other, so that neither always has the warmer machine.
func both[T any](swapped bool, a, b func() (T, error)) (x, y T, err error) {
	if swapped {
		if y, err = b(); err == nil {
			x, err = a()
		}
		return x, y, err
	}
	if x, err = a(); err == nil {
		y, err = b()
	}
	return x, y, err
}

// whole refuses a load in which something was not answered as it should.
func whole(l load, err error) (load, error) {
	if err == nil && l.failed > 0 {
		err = fmt.Errorf("%d of %d answers were refusals", l.failed, l.done)
	}
	return l, err
}

func (w *world) against(name string, goal float64, s *shop, reqs []request, op bareOp) ([]row, error) {
	r, _, bare, err := w.compare(name, goal, s, reqs, op)
	if err != nil {
		return nil, err
	}
	w.drop(bare)
	return []row{r}, nil
}

func (w *world) fitCheck() ([]row, error) {
	s, err := w.sized(w.sizes.rows)
	if err != nil {
		return nil, err
	}
	reqs := s.fitChecks()
	r, p, bare, err := w.compare("fit check "+w.sizes.rowName, 0.75, s, reqs, bareOp{Operation: "checkFit", Method: "POST", Path: "/v1/fit-checks", Type: "application/json"})
	if err != nil {
		return nil, err
	}
	defer w.drop(bare)
	late, err := w.latency("fit check "+w.sizes.rowName+" p99", s.service.target, bare.target, reqs, median(p.ours)/2, median(p.limit)/2)
	return []row{r, late}, err
}

// latency compares the p99 of two sides, each in an open loop at half of its own capacity: there
// both are as busy, and what disturbs the machine disturbs both alike. What the limit's is at
// our rate, and what the generator alone makes of it, is said beside.
func (w *world) latency(name string, ours, limit target, reqs []request, ourRate, limitRate float64) (row, error) {
	p99 := func(to target, rate float64) func() (float64, error) {
		return func() (float64, error) {
			l, err := whole(paced(to, reqs, rate, w.sizes.slice))
			return l.p99All(), err
		}
	}
	nothing, err := w.other(bareConfig{Nothing: 5000}) // about what a fit check answers
	if err != nil {
		return row{}, err
	}
	defer w.drop(nothing)
	var p, same pairs
	for i := range w.sizes.pairs {
		a, b, err := both(i%2 == 1, p99(ours, ourRate), p99(limit, limitRate))
		if err != nil {
			return row{}, err
		}
		p.add(a, b)
		if b, err = p99(limit, ourRate)(); err != nil {
			return row{}, err
		}
		same.add(a, b)
	}
	floor, err := p99(nothing.target, ourRate)()
	if err != nil {
		return row{}, err
	}
	r := p.atMost(name, " ms", 1.5)
	r.Detail = fmt.Sprintf("open loop, %.0f/s and %.0f/s; the limit at our rate %s ms (ratio %.2f), a server that does nothing %s ms",
		ourRate, limitRate, figure(median(same.limit)), median(same.ratios()), figure(floor))
	return r, nil
}

// stockSelect is what the service reads for live=stock.
const stockSelect = `
	SELECT s.location_id AS location, s.sku, s.on_hand - (coalesce(p.shipped, s.shipped_seen) - s.shipped_seen) AS on_hand, s.at_least,
	       s.incoming, s.incoming_on, coalesce(p.qty, 0) AS promised, s.bin, l.last_as_of, l.due_by, l.time_zone, l.closed_until
	FROM stock s
	JOIN location l ON l.id = s.location_id
	LEFT JOIN promised p ON p.location_id = s.location_id AND p.sku = s.sku
	WHERE s.sku = ANY($1) AND ($2::text[] IS NULL OR s.location_id = ANY($2))
	ORDER BY s.location_id, s.sku`

// whatFits has the same prepared select on its bare side.
func (w *world) whatFits() ([]row, error) {
	s, err := w.sized(w.sizes.rows)
	if err != nil {
		return nil, err
	}
	reqs := s.whatFits()
	answer, _, err := typical(s.service.target, reqs)
	if err != nil {
		return nil, err
	}
	var read struct {
		Live struct {
			Stock []struct {
				SKU string `json:"sku"`
			} `json:"stock"`
		} `json:"live"`
	}
	if err := json.Unmarshal([]byte(answer), &read); err != nil {
		return nil, err
	}
	var skus []string
	for _, x := range read.Live.Stock {
		skus = append(skus, x.SKU)
	}
	slices.Sort(skus)
	return w.against("what fits "+w.sizes.rowName, 0.8, s, reqs, bareOp{Operation: "listForkParts", Method: "GET", Path: "/v1/forks/:fork_id/parts", Type: "application/json",
		Answer: answer, Selects: []bareSelect{{stockSelect, []any{skus, nil}}}})
}

func (w *world) forkSearch() ([]row, error) {
	s, err := w.sized(w.sizes.rows)
	if err != nil {
		return nil, err
	}
	return w.against("fork search "+w.sizes.rowName, 0.5, s, s.searches(), bareOp{Operation: "listForks", Method: "GET", Path: "/v1/forks", Type: "application/json"})
}

func (w *world) setup() ([]row, error) {
	s, err := w.demoShop()
	if err != nil {
		return nil, err
	}
	return w.against("setup", 0.5, s, s.setups(), bareOp{Operation: "recommendSetup", Method: "POST", Path: "/v1/setups", Type: "application/json"})
}

// chart is the setup as a picture.
func (w *world) chart() ([]row, error) {
	s, err := w.demoShop()
	if err != nil {
		return nil, err
	}
	var reqs []request
	for _, r := range s.setups() {
		reqs = append(reqs, r.accepting("image/svg+xml"))
	}
	return w.against("chart", 0.4, s, reqs, bareOp{Operation: "recommendSetup", Method: "POST", Path: "/v1/setups", Type: "image/svg+xml"})
}

// growth is the processor time of whole requests at one size against the smallest.
func (w *world) growth() ([]row, error) {
	small, err := w.sized(w.sizes.grow[0])
	if err != nil {
		return nil, err
	}
	var rows []row
	for _, size := range append(slices.Clone(w.sizes.grow[1:]), w.sizes.rows) {
		big, err := w.sized(size)
		if err != nil {
			return nil, err
		}
		for _, k := range []struct {
			name string
			reqs func(*shop) []request
			goal float64
		}{{"fit check", (*shop).fitChecks, 1.3}, {"what fits", (*shop).whatFits, 1.3}, {"fork search", (*shop).searches, 2}} {
			r, err := w.grown(fmt.Sprintf("growth %s 1k to %s", k.name, count(size)), k.goal, big, small, k.reqs)
			if err != nil {
				return nil, err
			}
			rows = append(rows, r)
		}
	}
	return rows, nil
}

func (w *world) grown(name string, goal float64, big, small *shop, make func(*shop) []request) (row, error) {
	a, b := make(big), make(small)
	sizes := [2]string{}
	for i, side := range []struct {
		s    *shop
		reqs []request
	}{{big, a}, {small, b}} {
		answer, _, err := typical(side.s.service.target, side.reqs)
		if err != nil {
			return row{}, err
		}
		sizes[i] = fmt.Sprint(len(answer))
	}
	var p pairs
	for i := range w.sizes.pairs {
		x, y, err := both(i%2 == 1,
			func() (load, error) { return whole(closed(big.service.target, a, w.sizes.cpuFor)) },
			func() (load, error) { return whole(closed(small.service.target, b, w.sizes.cpuFor)) })
		if err != nil {
			return row{}, err
		}
		p.add(x.cpuEach(), y.cpuEach())
	}
	r := p.atMost(name, " µs CPU", goal)
	r.Detail = "median answers of " + sizes[0] + " and " + sizes[1] + " bytes"
	return r, nil
}

func count(n int) string {
	if n >= 1_000_000 {
		return fmt.Sprintf("%dM", n/1_000_000)
	}
	return fmt.Sprintf("%dk", n/1000)
}

// replicas compares two processes that share the load with one that has it all.
func (w *world) replicas() ([]row, error) {
	s, err := w.sized(w.sizes.rows)
	if err != nil {
		return nil, err
	}
	second, _, err := w.replica(s)
	if err != nil {
		return nil, err
	}
	defer w.drop(second)
	if err := second.ready(w.ctx, "/readyz"); err != nil {
		return nil, err
	}
	reqs := s.fitChecks()
	name := "two replicas " + w.sizes.rowName
	for i, r := range reqs {
		same, err := sameAnswer(s.service.target, second.target, r)
		if err != nil {
			return nil, err
		}
		if !same {
			return []row{{Name: name, Goal: "<= 1.1, same bytes", Verdict: short, Detail: fmt.Sprintf("question %d is answered differently by the two", i)}}, nil
		}
	}
	var p pairs
	for i := range w.sizes.pairs {
		two, one, err := both(i%2 == 1,
			func() (load, error) { return shared(s.service.target, second.target, reqs, w.sizes.cpuFor) },
			func() (load, error) { return whole(closed(s.service.target, reqs, w.sizes.cpuFor)) })
		if err != nil {
			return nil, err
		}
		p.add(two.cpuEach(), one.cpuEach())
	}
	r := p.atMost(name, " µs CPU", 1.1)
	r.Detail = fmt.Sprintf("all %d answers the same bytes from both", len(reqs))
	return []row{r}, nil
}

// shared asks two processes in turn from every connection.
func shared(a, b target, reqs []request, d time.Duration) (load, error) {
	type side struct {
		l   load
		err error
	}
	other := make(chan side, 1)
	go func() {
		l, err := whole(closedBy(b, reqs, d, connections/2))
		other <- side{l, err}
	}()
	l, err := whole(closedBy(a, reqs, d, connections/2))
	o := <-other
	if err == nil {
		err = o.err
	}
	l.done, l.cpu = l.done+o.l.done, l.cpu+o.l.cpu
	return l, err
}

// sameAnswer compares what is a function of the question: the member answer. Receipts beside
// it hold the time.
func sameAnswer(a, b target, r request) (bool, error) {
	var got [2]struct {
		Answer   json.RawMessage `json:"answer"`
		Revision int64           `json:"catalog_revision"`
	}
	for i, to := range []target{a, b} {
		status, body, err := askOnce(to.addr, r)
		if err != nil {
			return false, err
		}
		if status != 200 {
			return false, refusal{status, string(body), firstLine(r)}
		}
		if err := json.Unmarshal(body, &got[i]); err != nil {
			return false, err
		}
	}
	return got[0].Revision == got[1].Revision && string(got[0].Answer) == string(got[1].Answer), nil
}

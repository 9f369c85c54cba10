package search

import (
	"slices"
	"testing"
)

// tally is how a half of the labeled queries came out.
type tally struct {
	answerable, top1, top3, exact, sureAndRight int
	vain, wrongAndSure                          int
	asked, single                               int
}

func (x *Index) tally(t *testing.T, queries []labeled, half string) tally {
	var n tally
	for _, q := range queries {
		if q.half != half {
			continue
		}
		r := x.Find(Query{Text: q.query}, 10)
		first := ""
		if len(r.Candidates) > 0 {
			first = r.Candidates[0].Fork.ID
		}
		if r.Sure && first != q.target {
			n.wrongAndSure++
			t.Logf("wrong and sure: %q gives %s, meant %s (%v)", q.query, first, q.target, q.rules)
		}
		if r.Question != nil {
			n.asked++
		}
		if q.target == "" {
			n.vain++
			continue
		}
		n.answerable++
		if len(q.accepted) == 1 {
			n.single++
		}
		in := slices.IndexFunc(r.Candidates, func(c Candidate) bool { return slices.Contains(q.accepted, c.Fork.ID) })
		if in == 0 {
			n.top1++
		} else if half == "tune" || testing.Verbose() {
			t.Logf("not first: %q gives %s, meant %s (%v)", q.query, first, q.target, q.rules)
		}
		if in >= 0 && in < 3 {
			n.top3++
		}
		if first == q.target {
			n.exact++
		}
		if r.Sure && first == q.target {
			n.sureAndRight++
		} else if len(q.accepted) == 1 && testing.Verbose() {
			t.Logf("not sure: %q gives %s, unread %v (%v)", q.query, first, r.Unread, q.rules)
		}
	}
	return n
}

func percent(n, of int) float64 { return 100 * float64(n) / float64(max(of, 1)) }

// TestWhichForkIsMeant reports on the half of the queries that the search was not tuned on.
func TestWhichForkIsMeant(t *testing.T) {
	x := New(demo(t), nil)
	queries := readQueries(t)
	for _, half := range []string{"tune", "report"} {
		n := x.tally(t, queries, half)
		all := n.answerable + n.vain
		t.Logf("%s half: %d queries, %d without a right answer: top-1 %.1f %%, top-3 %.1f %%, the very fork first %.1f %%, sure and right %.1f %% (%d queries leave one fork only), wrong and sure %d of %d (%.2f %%), a question on %d",
			half, all, n.vain, percent(n.top1, n.answerable), percent(n.top3, n.answerable), percent(n.exact, n.answerable), percent(n.sureAndRight, n.answerable), n.single,
			n.wrongAndSure, all, percent(n.wrongAndSure, all), n.asked)
		if half == "tune" {
			continue
		}
		if n.answerable < 120 || n.vain < 25 {
			t.Errorf("the half is too small: %d and %d", n.answerable, n.vain)
		}
		if p := percent(n.top1, n.answerable); p < 90 {
			t.Errorf("top-1 = %.1f %%, want at least 90", p)
		}
		if p := percent(n.top3, n.answerable); p < 95 {
			t.Errorf("top-3 = %.1f %%, want at least 95", p)
		}
		if p := percent(n.wrongAndSure, all); p >= 1 {
			t.Errorf("wrong and sure = %.2f %%, want less than 1", p)
		}
	}
}

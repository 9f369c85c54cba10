package replica

import (
	"context"
	"errors"
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"forkwright/api/edge"
	"forkwright/db"
)

type schedule struct {
	all   []db.Freshness
	err   error
	reads int
}

func (s *schedule) Freshness(context.Context) ([]db.Freshness, error) {
	s.reads++
	return append([]db.Freshness(nil), s.all...), s.err
}

func TestOverdueFeedsAreFigures(t *testing.T) {
	now := time.Date(2026, 5, 4, 9, 0, 0, 0, time.UTC)
	s := &schedule{all: []db.Freshness{
		{Location: "in-time"}, {Location: "late", Overdue: true, Since: now.Add(-time.Hour)}, {Location: "later", Overdue: true, Since: now.Add(-2 * time.Hour)},
	}}
	f := &feeds{store: s, now: func() time.Time { return now }}
	m := edge.NewMetrics()
	f.gauges(m)
	scrape := func() string {
		w := httptest.NewRecorder()
		m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		var own []string
		for line := range strings.Lines(w.Body.String()) {
			if strings.HasPrefix(line, "forkwright_locations_") || strings.HasPrefix(line, "forkwright_feed_") {
				own = append(own, strings.TrimSpace(line))
			}
		}
		return strings.Join(own, "\n")
	}
	want := "forkwright_feed_overdue_seconds{location=\"late\"} 3600\nforkwright_feed_overdue_seconds{location=\"later\"} 7200\nforkwright_locations_overdue 2"
	if got := scrape(); got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
	if scrape(); s.reads != 1 {
		t.Errorf("read %d times within a moment", s.reads)
	}
	now, s.all = now.Add(time.Minute), nil
	if got := scrape(); got != "forkwright_locations_overdue 0" {
		t.Errorf("all in time: %s", got)
	}
	now, s.err = now.Add(time.Minute), errors.New("dial: refused")
	if got := scrape(); got != "forkwright_locations_overdue -1" {
		t.Errorf("nobody knows: %s", got)
	}
	s.err, now = nil, now.Add(time.Minute)
	for i := range 300 {
		s.all = append(s.all, db.Freshness{Location: fmt.Sprintf("l-%03d", i), Overdue: true, Since: now.Add(-time.Duration(i) * time.Second)})
	}
	got := scrape()
	if n := strings.Count(got, "location="); n != mostNamed || !strings.Contains(got, "l-299") || !strings.Contains(got, "forkwright_locations_overdue 300") {
		t.Errorf("%d locations are named", n)
	}
}

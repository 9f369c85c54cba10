package replica

import (
	"context"
	"slices"
	"sync"
	"time"

	"forkwright/api/edge"
	"forkwright/db"
)

const (
	freshFor   = 10 * time.Second // how long what was read of the feeds is good for
	readWithin = 2 * time.Second
	mostNamed  = 100 // overdue locations that have a figure of their own, the longest overdue first
)

// feeds is which locations wait for a feed, read at most once in a while however often somebody
// scrapes.
type feeds struct {
	store interface {
		Freshness(ctx context.Context) ([]db.Freshness, error)
	}
	now func() time.Time

	mu      sync.Mutex
	readAt  time.Time
	overdue []db.Freshness
	err     error
}

func (f *feeds) late() ([]db.Freshness, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.now().Sub(f.readAt) < freshFor {
		return f.overdue, f.err
	}
	ctx, cancel := context.WithTimeout(context.Background(), readWithin)
	defer cancel()
	all, err := f.store.Freshness(ctx)
	f.overdue = slices.DeleteFunc(all, func(x db.Freshness) bool { return !x.Overdue })
	slices.SortStableFunc(f.overdue, func(a, b db.Freshness) int { return a.Since.Compare(b.Since) })
	f.err, f.readAt = err, f.now()
	return f.overdue, err
}

// count is how many locations are overdue, -1 when nobody knows.
func (f *feeds) count() float64 {
	late, err := f.late()
	if err != nil {
		return -1
	}
	return float64(len(late))
}

// seconds is for how long each location has been overdue.
func (f *feeds) seconds() map[string]float64 {
	late, err := f.late()
	out := map[string]float64{}
	if err != nil {
		return out
	}
	for _, x := range late[:min(len(late), mostNamed)] {
		out[x.Location] = f.now().Sub(x.Since).Seconds()
	}
	return out
}

func (f *feeds) gauges(m *edge.Metrics) {
	m.Gauge("forkwright_locations_overdue", "Locations whose stock feed is overdue; -1 while the database cannot say.", f.count)
	m.GaugeBy("forkwright_feed_overdue_seconds", "Time since a location's stock feed was due; only locations that are overdue have it.", "location", f.seconds)
}

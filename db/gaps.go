package db

import (
	"context"
	"strings"
	"sync"
	"time"

	"forkwright/service"
)

// GapCounts gathers what could not be answered, by cause and subject, and adds it to the
// store every now and then: a count must never slow down or fail an answer.
type GapCounts struct {
	d      *DB
	mu     sync.Mutex
	counts map[gapKey]int64
}

type gapKey struct{ cause, subject, day string }

// The most subjects gathered at once: beyond it strangers' texts would fill the memory.
const mostGaps = 10_000

// NewGapCounts is empty; Run writes.
func NewGapCounts(d *DB) *GapCounts { return &GapCounts{d: d, counts: map[gapKey]int64{}} }

// Count notes one question that had no answer. subject is a code or a short text, never
// anything personal; it is folded and cut.
func (g *GapCounts) Count(cause, subject string) {
	subject = strings.ToLower(strings.Join(strings.Fields(subject), " "))
	if r := []rune(subject); len(r) > 200 {
		subject = string(r[:200])
	}
	key := gapKey{cause, subject, g.d.now().Format(time.DateOnly)}
	g.mu.Lock()
	defer g.mu.Unlock()
	if _, known := g.counts[key]; known || len(g.counts) < mostGaps {
		g.counts[key]++
	}
}

// Run writes at every tick and once more when ctx ends.
func (g *GapCounts) Run(ctx context.Context, interval time.Duration) { every(ctx, interval, g.Flush) }

// every calls write at every tick, and once more, with two seconds of its own, when ctx ends:
// what has gathered by then is not lost.
func every(ctx context.Context, interval time.Duration, write func(context.Context)) {
	tick := time.NewTicker(interval)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			write(ctx)
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
			defer cancel()
			write(last)
			return
		}
	}
}

// Flush writes what has gathered; what cannot be written is dropped and logged.
func (g *GapCounts) Flush(ctx context.Context) {
	g.mu.Lock()
	batch := g.counts
	g.counts = map[gapKey]int64{}
	g.mu.Unlock()
	if len(batch) == 0 {
		return
	}
	var causes, subjects, days []string
	var times []int64
	for k, n := range batch {
		causes, subjects, days, times = append(causes, k.cause), append(subjects, k.subject), append(days, k.day), append(times, n)
	}
	err := g.d.plain(ctx, func(q querier) error {
		_, err := q.Exec(ctx, `
			INSERT INTO gap_count AS g (cause, subject, day, times)
			SELECT cause, subject, day::date, times FROM unnest($1::text[], $2::text[], $3::text[], $4::bigint[]) AS t (cause, subject, day, times)
			ORDER BY cause, subject, day -- sorted, or two replicas deadlock
			ON CONFLICT (cause, subject, day) DO UPDATE SET times = g.times + excluded.times`, causes, subjects, days, times)
		return err
	})
	if err != nil {
		g.d.opts.Log.Warn("counts of gaps were not written", "error", err.Error())
	}
}

// Gaps lists what could not be answered since a day, the most frequent first; cause may be
// "" for all.
func (d *DB) Gaps(ctx context.Context, cause string, since time.Time, limit int) ([]service.Gap, error) {
	return list[service.Gap](ctx, d, `
		SELECT cause, subject, sum(times)::bigint AS times, max(day)::timestamptz AS last_on
		FROM gap_count
		WHERE day >= $1::date AND ($2::text IS NULL OR cause = $2)
		GROUP BY cause, subject
		ORDER BY sum(times) DESC, cause, subject
		LIMIT $3`, since, orNull(cause), limit)
}

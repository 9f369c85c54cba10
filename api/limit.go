package api

import (
	"math"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"forkwright/service/fault"
)

// Rate is how much an account may ask: PerSecond on average, Burst at once, in
// units of a route's cost. A zero PerSecond means no limit. It is counted in
// each process by itself.
type Rate struct {
	PerSecond float64
	Burst     int
}

// limiter keeps one bucket an account. Accounts are few and come only from
// valid keys, so the map needs no eviction.
type limiter struct {
	rate    Rate
	now     func() time.Time
	mu      sync.Mutex
	buckets map[string]*rate.Limiter
}

func newLimiter(r Rate, now func() time.Time) *limiter {
	return &limiter{rate: r, now: now, buckets: map[string]*rate.Limiter{}}
}

func (l *limiter) take(account string, cost int) error {
	if l.rate.PerSecond <= 0 {
		return nil
	}
	now := l.now()
	booked := l.bucket(account).ReserveN(now, min(cost, l.rate.Burst))
	wait := booked.DelayFrom(now)
	if booked.OK() && wait == 0 {
		return nil
	}
	booked.CancelAt(now)
	e := fault.New(fault.TooMany, "rate_limited", "This account asks faster than it may; wait as Retry-After says.")
	e.RetryAfter = max(1, int(math.Ceil(wait.Seconds())))
	return e
}

func (l *limiter) bucket(account string) *rate.Limiter {
	l.mu.Lock()
	defer l.mu.Unlock()
	b, ok := l.buckets[account]
	if !ok {
		b = rate.NewLimiter(rate.Limit(l.rate.PerSecond), l.rate.Burst)
		l.buckets[account] = b
	}
	return b
}

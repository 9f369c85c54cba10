package edge

import (
	"math"
	"sync"
	"time"
)

// Rate is how much one key, account or address may ask: PerSecond on average, Burst at once,
// in units of cost. A zero PerSecond means no limit.
type Rate struct {
	PerSecond float64
	Burst     int
}

// Window is the time in which a whole burst comes back, in whole seconds.
func (r Rate) Window() int { return max(1, int(math.Ceil(float64(r.Burst)/r.PerSecond))) }

// Buckets are token buckets by name, kept in this process only and in bounded memory.
//
// They are not shared between replicas: a shared count would put a round trip to the database
// in front of every answer, and answers that need no database would end with it. What they
// protect is this process; callers are told the limit of one.
type Buckets struct {
	rate Rate
	most int
	mu   sync.Mutex
	all  map[string]*bucket
}

type bucket struct {
	tokens float64
	at     time.Time
}

// NewBuckets keeps at most so many names.
func NewBuckets(r Rate, most int) *Buckets {
	return &Buckets{rate: r, most: most, all: map[string]*bucket{}}
}

// Quota is what a bucket has after it was asked.
type Quota struct {
	Allowed   bool
	Remaining int           // whole units left
	Wait      time.Duration // until what was refused would be allowed; until the next unit otherwise
}

// Take asks for cost units. A cost larger than the burst asks for the whole burst, so that
// nothing is impossible.
func (b *Buckets) Take(name string, cost int, now time.Time) Quota {
	if b == nil || b.rate.PerSecond <= 0 {
		return Quota{Allowed: true, Remaining: math.MaxInt32}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	one := b.filled(name, now)
	want := float64(min(cost, b.rate.Burst))
	q := Quota{Allowed: one.tokens >= want}
	if q.Allowed {
		one.tokens -= want
		want = 1
	}
	q.Remaining = max(0, int(one.tokens))
	if lack := want - one.tokens; lack > 0 {
		q.Wait = time.Duration(math.Ceil(lack / b.rate.PerSecond * float64(time.Second)))
	}
	return q
}

// Charge takes units that were used already; a bucket may owe up to one burst.
func (b *Buckets) Charge(name string, cost int, now time.Time) {
	if b == nil || b.rate.PerSecond <= 0 {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	one := b.filled(name, now)
	one.tokens = max(one.tokens-float64(cost), -float64(b.rate.Burst))
}

func (b *Buckets) filled(name string, now time.Time) *bucket {
	one, ok := b.all[name]
	if !ok {
		if len(b.all) >= b.most {
			b.forget(now)
		}
		one = &bucket{tokens: float64(b.rate.Burst), at: now}
		b.all[name] = one
	}
	if passed := now.Sub(one.at).Seconds(); passed > 0 {
		one.tokens = min(float64(b.rate.Burst), one.tokens+passed*b.rate.PerSecond)
		one.at = now
	}
	return one
}

// forget makes room: among some that chance picks those that are full again, or else one of
// them. It looks at a few only, since it runs under the lock.
func (b *Buckets) forget(now time.Time) {
	looked, dropped := 0, 0
	for name, one := range b.all {
		full := one.tokens+now.Sub(one.at).Seconds()*b.rate.PerSecond >= float64(b.rate.Burst)
		if looked++; full || looked == 64 && dropped == 0 {
			delete(b.all, name)
			dropped++
		}
		if looked == 64 {
			return
		}
	}
	if dropped == 0 { // fewer than 64 are kept at all
		clear(b.all)
	}
}

// Len is how many names are kept.
func (b *Buckets) Len() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.all)
}

package api

import (
	"context"
	"math"
	"net/http"
	"strconv"
	"sync"
	"time"

	"forkwright/api/edge"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

// Rate is how much may be asked; see edge.Rate.
type Rate = edge.Rate

// Limits protect one process. Zero values mean no limit.
type Limits struct {
	Key     Rate // of one key; its account may ask accountKeys times as much with all its keys
	Address Rate // of one address, with or without a key
	Running int  // operations worked on at once
	Streams int  // feeds and catalogs taken in at once; one account half of them
}

// accountKeys is how many busy keys an account can have at once. Without it a new key would be
// a way around the limit.
const accountKeys = 4

// knownCallers bounds the memory of the limits: keys, accounts or addresses at a time.
const knownCallers = 1 << 16

// queueing is how long an operation may wait for its turn.
const queueing = 100 * time.Millisecond

// The policies by the names that the headers have.
const (
	policyKey     = "key"
	policyAccount = "account"
	policyAddress = "address"
)

// limiter counts what keys and accounts ask. Its headers are those of
// draft-ietf-httpapi-ratelimit-headers-10, as far as that is settled.
type limiter struct {
	keys, accounts *edge.Buckets // nil: no limit
	now            func() time.Time
	policy         string
}

func newLimiter(r Rate, now func() time.Time) *limiter {
	l := &limiter{now: now}
	if r.PerSecond <= 0 {
		return l
	}
	all := Rate{PerSecond: r.PerSecond * accountKeys, Burst: r.Burst * accountKeys}
	l.keys, l.accounts = edge.NewBuckets(r, knownCallers), edge.NewBuckets(all, knownCallers)
	l.policy = policyHeader(policyKey, r) + ", " + policyHeader(policyAccount, all)
	return l
}

func policyHeader(name string, r Rate) string {
	return strconv.Quote(name) + ";q=" + strconv.Itoa(r.Burst) + ";w=" + strconv.Itoa(r.Window())
}

// take charges an operation to the key and its account and says in the headers what is left.
func (l *limiter) take(h http.Header, who caller.Caller, cost int) error {
	if l.keys == nil {
		return nil
	}
	now := l.now()
	key := l.keys.Take(orString(who.KeyID, who.AccountID), cost, now)
	h.Set("RateLimit-Policy", l.policy)
	if !key.Allowed {
		h.Set("RateLimit", limitHeader(policyKey, key))
		return tooMany(policyKey, "This key asks faster than it may; wait as Retry-After says.", key)
	}
	account := l.accounts.Take(who.AccountID, cost, now)
	h.Set("RateLimit", limitHeader(policyKey, key)+", "+limitHeader(policyAccount, account))
	if !account.Allowed {
		return tooMany(policyAccount, "The keys of this account together ask faster than they may; wait as Retry-After says.", account)
	}
	return nil
}

func limitHeader(name string, q edge.Quota) string {
	s := strconv.Quote(name) + ";r=" + strconv.Itoa(q.Remaining)
	if q.Wait > 0 {
		s += ";t=" + strconv.Itoa(seconds(q.Wait))
	}
	return s
}

func seconds(d time.Duration) int { return max(1, int(math.Ceil(d.Seconds()))) }

func tooMany(policy, text string, q edge.Quota) *fault.Error {
	e := fault.New(fault.TooMany, "rate_limited", "%s", text)
	e.RetryAfter = seconds(q.Wait)
	e.Extra = map[string]any{"violated_policies": []string{policy}}
	return e
}

// addressLimited answers a request from an address that asks too fast.
func (s *Server) addressLimited(w http.ResponseWriter, r *http.Request, q edge.Quota) {
	w.Header().Set("RateLimit-Policy", policyHeader(policyAddress, s.Limits.Address))
	w.Header().Set("RateLimit", limitHeader(policyAddress, q))
	writeProblem(w, r, tooMany(policyAddress, "Requests from this address come faster than they may; wait as Retry-After says.", q))
}

// turns are the places for work: operations whose input is read, and streams, which read as
// they work. A slow sender holds a connection and no place.
type turns struct {
	work    *edge.Gate
	streams *edge.Gate
	own     *perAccount
}

func newTurns(l Limits) *turns {
	return &turns{work: edge.NewGate(l.Running, queueing), streams: edge.NewGate(l.Streams, 0), own: newPerAccount((l.Streams + 1) / 2)}
}

// overloaded is what nobody can be blamed for and a second attempt mostly cures.
func overloaded() error {
	e := fault.New(fault.Unavailable, "overloaded", "The service has more to do than it can; nothing was done. Try again in a moment.")
	e.RetryAfter = 1
	return e
}

// enterWork waits for a place; leave must be called.
func (t *turns) enterWork(ctx context.Context) (leave func(), err error) {
	if !t.work.Enter(ctx) {
		return nil, overloaded()
	}
	return t.work.Leave, nil
}

// enterStream takes a place for a feed or a catalog.
func (t *turns) enterStream(ctx context.Context, account string) (leave func(), err error) {
	if !t.own.enter(account) {
		e := fault.New(fault.Unavailable, "too_many_streams", "This account has as many feeds under way as it may; send the next when one has ended.")
		e.RetryAfter = 5
		return nil, e
	}
	if !t.streams.Enter(ctx) {
		t.own.leave(account)
		e := fault.New(fault.Unavailable, "too_many_streams", "As many feeds are being read as can be at once; nothing was read. Try again shortly.")
		e.RetryAfter = 5
		return nil, e
	}
	return func() { t.streams.Leave(); t.own.leave(account) }, nil
}

// perAccount counts what accounts have under way.
type perAccount struct {
	mu    sync.Mutex
	most  int // 0: no limit
	under map[string]int
}

func newPerAccount(most int) *perAccount { return &perAccount{most: most, under: map[string]int{}} }

func (p *perAccount) enter(account string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.most > 0 && p.under[account] >= p.most {
		return false
	}
	p.under[account]++
	return true
}

func (p *perAccount) leave(account string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.under[account]--; p.under[account] <= 0 {
		delete(p.under, account)
	}
}

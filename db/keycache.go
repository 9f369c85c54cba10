package db

import (
	"context"
	"crypto/sha256"
	"sync"
	"time"

	"forkwright/service/caller"
	"forkwright/service/fault"
)

// KeyCacheOptions of NewKeyCache; the zero value serves.
type KeyCacheOptions struct {
	Poll     time.Duration // how often the version is read when no notification comes; 0 means 400 ms
	Away     time.Duration // how long keys are trusted while Postgres is away; 0 means 10 min
	FlushUse time.Duration // how often uses are written; 0 means 10 s
	MaxKeys  int           // kept at once; 0 means 10,000
}

func (o KeyCacheOptions) withDefaults() KeyCacheOptions {
	if o.Poll == 0 {
		o.Poll = 400 * time.Millisecond
	}
	if o.Away == 0 {
		o.Away = 10 * time.Minute
	}
	if o.FlushUse == 0 {
		o.FlushUse = 10 * time.Second
	}
	if o.MaxKeys == 0 {
		o.MaxKeys = 10_000
	}
	return o
}

// current is how old the last look at Postgres may be for a cached key to be
// trusted without asking: with Poll below it, a revocation acts within a second
// even if its notification was lost.
const current = time.Second

// KeyCache answers who a key belongs to, from memory where that is safe.
//
// Run keeps it in step: every change of any key raises one version in Postgres
// and notifies; a notification or the poll that sees another version reads all
// cached keys again. When Postgres does not answer, what was confirmed last stays
// usable for Away and no longer.
type KeyCache struct {
	db   *DB
	opts KeyCacheOptions

	mu        sync.Mutex
	grants    map[[sha256.Size]byte]confirmed
	version   int64
	confirmed time.Time // when all of grants was last known to be true
	failed    time.Time // when Postgres was last asked in vain
	uses      map[string]use
}

type confirmed struct {
	grant
	at time.Time
}

type use struct {
	times int64
	last  time.Time
}

// NewKeyCache is empty; it serves at once and is fast when Run runs.
func NewKeyCache(d *DB, o KeyCacheOptions) *KeyCache {
	return &KeyCache{db: d, opts: o.withDefaults(), grants: map[[sha256.Size]byte]confirmed{}, uses: map[string]use{}}
}

// Authenticate says who holds the key with this text.
func (c *KeyCache) Authenticate(ctx context.Context, text string) (caller.Caller, error) {
	digest := sha256.Sum256([]byte(text))
	g, err := c.grantOf(ctx, digest)
	if err != nil {
		return caller.Caller{}, err
	}
	now := c.db.now()
	if err := g.usable(now); err != nil {
		return caller.Caller{}, err
	}
	c.used(g.ID, now)
	return caller.Caller{AccountID: g.AccountID, KeyID: g.ID, Roles: g.Roles, Scopes: g.Scopes, Origins: g.AllowedOrigins}, nil
}

func (g grant) usable(now time.Time) error {
	switch {
	case g.RevokedAt != nil:
		return fault.New(fault.Unauthenticated, "key_revoked", "This API key has been revoked; use another.")
	case g.ExpiresAt != nil && !now.Before(*g.ExpiresAt):
		return fault.New(fault.Unauthenticated, "key_expired", "This API key has expired; use its successor.")
	case g.ClosedAt != nil && !now.Before(*g.ClosedAt):
		return fault.New(fault.Unauthenticated, "account_closed", "The account of this API key is closed.")
	}
	return nil
}

func unknownKey() error {
	return fault.New(fault.Unauthenticated, "key_unknown", "This API key is not known; check that it was copied whole.")
}

// grantOf uses memory while that is confirmed, asks Postgres when it is not, and
// falls back on memory where Postgres does not answer; for a second after that it
// does not ask again.
func (c *KeyCache) grantOf(ctx context.Context, digest [sha256.Size]byte) (grant, error) {
	known, found, age, failing, version := c.cached(digest)
	if found && (age <= current || failing && age <= c.opts.Away) {
		return known, nil
	}
	asking, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	g, err := c.ask(asking, digest, version)
	if f := fault.As(err); f == nil || f.Kind != fault.Unavailable || ctx.Err() != nil {
		return g, err
	}
	c.noteFailure()
	if found && age <= c.opts.Away {
		return known, nil
	}
	return grant{}, fault.Wrap(err, fault.Unavailable, "keys_unavailable", "API keys cannot be checked at the moment; try again shortly.")
}

// cached looks into memory: how long ago the key was last known to be true, and
// whether Postgres has just been asked in vain.
func (c *KeyCache) cached(digest [sha256.Size]byte) (g grant, found bool, age time.Duration, failing bool, version int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.db.now()
	k, found := c.grants[digest]
	return k.grant, found, now.Sub(later(k.at, c.confirmed)), now.Sub(c.failed) < current, c.version
}

func (c *KeyCache) noteFailure() {
	c.mu.Lock()
	c.failed = c.db.now()
	c.mu.Unlock()
}

// ask reads one key. It is kept only if no change was noticed meanwhile: what was
// read may then be from before that change, and would never be questioned again.
func (c *KeyCache) ask(ctx context.Context, digest [sha256.Size]byte, version int64) (grant, error) {
	asked := c.db.now()
	found, err := list[grant](ctx, c.db, grantSelect, [][]byte{digest[:]})
	if err != nil {
		return grant{}, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.failed = time.Time{}
	if len(found) == 0 {
		delete(c.grants, digest)
		return grant{}, unknownKey()
	}
	if c.version == version {
		c.makeRoom()
		c.grants[digest] = confirmed{found[0], asked}
	}
	return found[0], nil
}

// makeRoom drops any key of a full cache: it will be read again when used.
func (c *KeyCache) makeRoom() {
	for digest := range c.grants {
		if len(c.grants) < c.opts.MaxKeys {
			return
		}
		delete(c.grants, digest)
	}
}

func (c *KeyCache) used(keyID string, now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	u := c.uses[keyID]
	c.uses[keyID] = use{times: u.times + 1, last: now}
}

// Run keeps the cache in step with Postgres and writes uses, until ctx ends; then
// it writes what is left.
func (c *KeyCache) Run(ctx context.Context) {
	var both sync.WaitGroup
	both.Go(func() {
		c.db.follow(ctx, "forkwright_keys", c.opts.Poll, c.refresh)
	})
	both.Go(func() { every(ctx, c.opts.FlushUse, c.flushUses) })
	both.Wait()
}

// refresh compares the version and, where it is another, reads all cached keys again.
func (c *KeyCache) refresh(ctx context.Context, q querier) error {
	asked := c.db.now()
	var version int64
	if err := q.QueryRow(ctx, `SELECT version FROM key_version`).Scan(&version); err != nil {
		return err
	}
	digests, same := c.compare(version, asked)
	if same {
		return nil
	}
	rows, err := q.Query(ctx, grantSelect, digests)
	if err != nil {
		return err
	}
	var fresh []grant
	if err := collect(&fresh)(rows); err != nil {
		return err
	}
	c.replace(fresh, version, asked)
	return nil
}

// compare confirms all that is in memory when the version is the same, else says
// what has to be read again.
func (c *KeyCache) compare(version int64, asked time.Time) (digests [][]byte, same bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if version == c.version {
		c.confirmed, c.failed = asked, time.Time{}
		return nil, true
	}
	digests = make([][]byte, 0, len(c.grants))
	for d := range c.grants {
		digests = append(digests, d[:])
	}
	return digests, false
}

// replace puts in what was read, and forgets keys that joined meanwhile: they may
// be from before the change.
func (c *KeyCache) replace(fresh []grant, version int64, asked time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	clear(c.grants)
	for _, g := range fresh {
		c.grants[[sha256.Size]byte(g.Digest)] = confirmed{g, asked}
	}
	c.version, c.confirmed, c.failed = version, asked, time.Time{}
}

// flushUses writes what has gathered; what cannot be written gathers on.
func (c *KeyCache) flushUses(ctx context.Context) {
	c.mu.Lock()
	batch := c.uses
	c.uses = map[string]use{}
	c.mu.Unlock()
	if len(batch) == 0 {
		return
	}
	if err := c.db.recordUses(ctx, batch); err != nil {
		c.db.opts.Log.Warn("last uses of keys were not written", "error", err.Error())
		c.mu.Lock()
		for id, u := range batch {
			now := c.uses[id]
			c.uses[id] = use{times: now.times + u.times, last: later(now.last, u.last)}
		}
		c.mu.Unlock()
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

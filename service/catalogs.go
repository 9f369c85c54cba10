package service

import (
	"container/list"
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/search"
)

// Live is a revision with what is derived from it once.
type Live struct {
	*catalog.Revision
	Search *search.Index
	Digest string // of the fitment part: the validator of answers
	bytes  int
}

// Stored is a revision as the store keeps it.
type Stored struct {
	Fitment, Prices []byte
	Digest          string // of the fitment part
	CreatedAt       time.Time
}

// RevisionStore keeps revisions. LoadRevision returns a fault of kind NotFound for a number
// never given, and of kind Gone for one no longer kept.
type RevisionStore interface {
	ActiveRevision(ctx context.Context) (int64, error)
	LoadRevision(ctx context.Context, number int64) (Stored, error)
}

// Catalogs holds the revisions in memory: the active and the one before it are pinned, older
// ones are loaded when a question names them, one at a time, and dropped under a byte budget.
type Catalogs struct {
	// Rest is called now and then while a revision is loaded beside running answers; nil:
	// loading takes what it can get. It is set before the first use.
	Rest catalog.Rest

	store  RevisionStore
	budget int // bytes of stored form of unpinned revisions

	active atomic.Pointer[Live]

	mu       sync.Mutex
	previous *Live
	old      map[int64]*list.Element // of *Live
	recent   *list.List              // most recently used first
	oldBytes int

	loading chan struct{} // a place for one loader
}

// NewCatalogs makes an empty holder. budget bounds the stored form of the older revisions
// kept in memory, in bytes.
func NewCatalogs(store RevisionStore, budget int) *Catalogs {
	return &Catalogs{store: store, budget: budget, old: map[int64]*list.Element{}, recent: list.New(), loading: make(chan struct{}, 1)}
}

// Current is the active revision. It fails with Unavailable until one has been loaded.
func (c *Catalogs) Current() (*Live, error) {
	if l := c.active.Load(); l != nil {
		return l, nil
	}
	return nil, noCatalog()
}

func noCatalog() *fault.Error {
	e := fault.New(fault.Unavailable, "catalog_not_loaded", "No catalog is loaded yet. Load one with “catalog load”, or try again in a moment.")
	e.RetryAfter = 2
	return e
}

// At is the revision of a number; 0 is the active one. It fails with NotFound for a number
// never given, Gone for one no longer kept, and Unavailable while another is being loaded.
func (c *Catalogs) At(ctx context.Context, number int64) (*Live, error) {
	current, err := c.Current()
	if err != nil || number == 0 || number == current.Number() {
		return current, err
	}
	if l := c.inMemory(number); l != nil {
		return l, nil
	}
	select {
	case c.loading <- struct{}{}:
		defer func() { <-c.loading }()
	default:
		e := fault.New(fault.Unavailable, "revision_loading", "An older catalog revision is being loaded. Ask again in a few seconds.")
		e.RetryAfter = 3
		return nil, e
	}
	if l := c.inMemory(number); l != nil { // loaded by whoever held the place before
		return l, nil
	}
	l, err := c.load(ctx, number)
	if err != nil {
		return nil, err
	}
	c.keep(l)
	return l, nil
}

// Follow makes the store's active revision the current one. It is called at start, on every
// notification and by the poll behind it; it does nothing when nothing changed.
func (c *Catalogs) Follow(ctx context.Context) (changed bool, err error) {
	number, err := c.store.ActiveRevision(ctx)
	if err != nil {
		return false, fmt.Errorf("reading the active revision: %w", err)
	}
	now := c.active.Load()
	if number == 0 || now != nil && now.Number() == number {
		return false, nil
	}
	next := c.inMemory(number)
	if next == nil {
		if next, err = c.load(ctx, number); err != nil {
			return false, fmt.Errorf("loading revision %d: %w", number, err)
		}
	}
	c.mu.Lock()
	c.previous = now
	c.mu.Unlock()
	c.active.Store(next)
	return true, nil
}

func (c *Catalogs) load(ctx context.Context, number int64) (*Live, error) {
	s, err := c.store.LoadRevision(ctx, number)
	if err != nil {
		return nil, err
	}
	rest := c.Rest
	if c.active.Load() == nil {
		rest = nil // nobody is answered yet
	}
	rev, err := catalog.Open(s.Fitment, s.Prices, number, rest)
	if err != nil {
		return nil, fmt.Errorf("decoding revision %d: %w", number, err)
	}
	return &Live{Revision: rev, Search: search.New(rev, rest), Digest: s.Digest, bytes: len(s.Fitment) + len(s.Prices)}, nil
}

func (c *Catalogs) inMemory(number int64) *Live {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.previous != nil && c.previous.Number() == number {
		return c.previous
	}
	if e, ok := c.old[number]; ok {
		c.recent.MoveToFront(e)
		return e.Value.(*Live)
	}
	return nil
}

func (c *Catalogs) keep(l *Live) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.old[l.Number()] = c.recent.PushFront(l)
	c.oldBytes += l.bytes
	for c.oldBytes > c.budget && c.recent.Len() > 1 {
		last := c.recent.Back()
		gone := c.recent.Remove(last).(*Live)
		delete(c.old, gone.Number())
		c.oldBytes -= gone.bytes
	}
}

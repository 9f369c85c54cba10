package service

import (
	"context"
	"errors"
	"sync"
	"testing"

	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
	"forkwright/service/fault"
)

// shelf is a store in memory.
type shelf struct {
	mu     sync.Mutex
	active int64
	stored map[int64]Stored
	loads  map[int64]int
	wait   chan struct{} // LoadRevision waits for it, when it is there
	err    error
}

func newShelf(t *testing.T, numbers ...int64) *shelf {
	t.Helper()
	s := &shelf{stored: map[int64]Stored{}, loads: map[int64]int{}}
	for _, n := range numbers {
		tables := catalogtest.Generate(1000, uint64(n))
		s.stored[n] = Stored{Fitment: catalog.EncodeFitment(tables), Prices: catalog.EncodePrices(tables), Digest: "d"}
		s.active = n
	}
	return s
}

func (s *shelf) ActiveRevision(context.Context) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.active, s.err
}

func (s *shelf) LoadRevision(_ context.Context, n int64) (Stored, error) {
	s.mu.Lock()
	s.loads[n]++
	wait, r := s.wait, s.stored[n]
	s.mu.Unlock()
	if wait != nil {
		<-wait
	}
	if r.Fitment == nil {
		return r, fault.New(fault.Gone, "revision_gone", "gone")
	}
	return r, nil
}

func number(t *testing.T, c *Catalogs, ask int64) int64 {
	t.Helper()
	l, err := c.At(t.Context(), ask)
	if err != nil {
		t.Fatalf("revision %d: %v", ask, err)
	}
	return l.Number()
}

func TestTheActiveRevisionIsFollowedAndTheOneBeforeStays(t *testing.T) {
	s := newShelf(t, 1, 2)
	c := NewCatalogs(s, 1<<30)
	if _, err := c.Current(); fault.CodeOf(err) != "catalog_not_loaded" {
		t.Fatalf("before the first load: %v", err)
	}
	s.active = 1
	for _, want := range []bool{true, false} {
		if changed, err := c.Follow(t.Context()); err != nil || changed != want {
			t.Fatalf("follow: %v %v, want %v", changed, err, want)
		}
	}
	s.active = 2
	if _, err := c.Follow(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := number(t, c, 0); n != 2 {
		t.Errorf("the current revision is %d", n)
	}
	if n := number(t, c, 1); n != 1 || s.loads[1] != 1 {
		t.Errorf("revision %d, loaded %d times: the one before is pinned", n, s.loads[1])
	}
	s.active = 1
	if _, err := c.Follow(t.Context()); err != nil || s.loads[1] != 1 {
		t.Errorf("going back loads nothing: %d loads, %v", s.loads[1], err)
	}
}

func TestABrokenRevisionNeverReplacesAGoodOne(t *testing.T) {
	s := newShelf(t, 1, 2)
	c := NewCatalogs(s, 1<<30)
	s.active = 1
	if _, err := c.Follow(t.Context()); err != nil {
		t.Fatal(err)
	}
	damaged := s.stored[2]
	damaged.Fitment = append([]byte{}, damaged.Fitment...)
	damaged.Fitment[len(damaged.Fitment)/2] ^= 1
	s.stored[2], s.active = damaged, 2
	if _, err := c.Follow(t.Context()); err == nil {
		t.Error("a damaged revision was taken")
	}
	s.err = errors.New("away")
	if _, err := c.Follow(t.Context()); err == nil {
		t.Error("a store that does not answer went unnoticed")
	}
	if n := number(t, c, 0); n != 1 {
		t.Errorf("revision %d answers, want 1", n)
	}
}

func TestOldRevisionsAreLoadedOnceAndDroppedUnderTheBudget(t *testing.T) {
	s := newShelf(t, 1, 2, 3, 9)
	size := len(s.stored[1].Fitment) + len(s.stored[1].Prices)
	c := NewCatalogs(s, 2*size+size/2)
	if _, err := c.Follow(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, n := range []int64{1, 2, 1, 2, 3, 1} { // 3 drops 1, which was used before 2
		number(t, c, n)
	}
	if s.loads[1] != 2 || s.loads[2] != 1 || s.loads[3] != 1 {
		t.Errorf("loads: %v", s.loads)
	}
	if _, err := c.At(t.Context(), 77); fault.CodeOf(err) != "revision_gone" {
		t.Errorf("a revision that is gone: %v", err)
	}
}

func TestOneOldRevisionIsLoadedAtATime(t *testing.T) {
	s := newShelf(t, 1, 2, 9)
	c := NewCatalogs(s, 1<<30)
	if _, err := c.Follow(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.wait = make(chan struct{})
	done := make(chan error)
	go func() { _, err := c.At(context.Background(), 1); done <- err }()
	for {
		s.mu.Lock()
		started := s.loads[1] > 0
		s.mu.Unlock()
		if started {
			break
		}
	}
	_, err := c.At(t.Context(), 2)
	if f := fault.As(err); f == nil || f.Kind != fault.Unavailable || f.RetryAfter == 0 {
		t.Errorf("a second loader: %v, want to be asked to come again", err)
	}
	if n := number(t, c, 9); n != 9 {
		t.Error("the active revision answers meanwhile")
	}
	close(s.wait)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

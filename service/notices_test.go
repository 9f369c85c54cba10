package service_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"forkwright/service"
	"forkwright/service/notice"
)

type noticeStore struct {
	set *notice.Set
	err error
}

func (s *noticeStore) Notices(context.Context) (*notice.Set, error) { return s.set, s.err }

var noon = time.Date(2026, 3, 31, 12, 0, 0, 0, time.UTC)

func TestNoticesFollowTheStore(t *testing.T) {
	store := &noticeStore{err: errors.New("away")}
	held := service.NewNotices(store)
	if held.Current() != nil || held.Current().Decide(notice.OK, nil, noon) != notice.WarnOf {
		t.Error("before anything was read, an ok is not to be had")
	}
	if _, err := held.Follow(t.Context()); err == nil {
		t.Error("the store's failure is lost")
	}
	store.set, store.err = notice.NewSet(nil, 3, noon), nil
	for i, want := range []bool{true, false} {
		if changed, err := held.Follow(t.Context()); err != nil || changed != want {
			t.Errorf("time %d: changed %v, %v", i, changed, err)
		}
	}
	if held.Current().Decide(notice.OK, nil, noon) != notice.OK {
		t.Error("a fresh set lets an ok be an ok")
	}
}

// A reader that began earlier may end later; what it read must not come back.
func TestALaterSetIsNotReplacedByAnEarlierOne(t *testing.T) {
	held := service.NewNotices(&noticeStore{})
	for _, c := range []struct {
		version int64
		at      time.Duration
		kept    bool
	}{
		{2, 0, true}, {1, time.Hour, false}, {2, -time.Second, false}, {2, time.Second, true}, {3, 0, true}, {3, 0, true},
	} {
		set := notice.NewSet(nil, c.version, noon.Add(c.at))
		held.Take(set)
		if (held.Current() == set) != c.kept {
			t.Errorf("version %d read at %s: kept %v, want %v", c.version, c.at, held.Current() == set, c.kept)
		}
	}
	var all sync.WaitGroup
	for v := range int64(64) {
		all.Go(func() { held.Take(notice.NewSet(nil, v, noon)) })
	}
	all.Wait()
	if got := held.Current().Version; got != 63 {
		t.Errorf("version %d won, want 63", got)
	}
}

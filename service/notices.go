package service

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"forkwright/service/catalog"
	"forkwright/service/fitment"
	"forkwright/service/notice"
)

// NoticeStore keeps notices. Notices are all that have not ended, with the time at which they
// were read.
type NoticeStore interface {
	Notices(ctx context.Context) (*notice.Set, error)
}

// Notices holds the notices that answers are merged with.
type Notices struct {
	store   NoticeStore
	current atomic.Pointer[notice.Set]
}

// NewNotices makes an empty holder: until it has read once, an ok becomes a warn.
func NewNotices(store NoticeStore) *Notices { return &Notices{store: store} }

// Current is the last set that was read, nil until then. Asking nil what stands on a subject
// is allowed.
func (n *Notices) Current() *notice.Set { return n.current.Load() }

// Follow reads the store's notices. It is called at start and by whoever has just changed
// them; a watcher hands over later ones with Take.
func (n *Notices) Follow(ctx context.Context) (changed bool, err error) {
	set, err := n.store.Notices(ctx)
	if err != nil {
		return false, fmt.Errorf("reading notices: %w", err)
	}
	before := n.Current()
	n.Take(set)
	return before == nil || before.Version != set.Version, nil
}

// Take makes a set the current one unless a later one is there already. Two readers may
// finish in the other order; a stop-sale must not be forgotten for that.
func (n *Notices) Take(set *notice.Set) {
	for {
		now := n.current.Load()
		if now != nil && (set.Version < now.Version || set.Version == now.Version && set.AsOf.Before(now.AsOf)) {
			return
		}
		if n.current.CompareAndSwap(now, set) {
			return
		}
	}
}

// Subject is what notices are asked about: a part on a fork as owned (nil is none) and the rows
// behind its verdict.
func Subject(sku string, owned *fitment.Owned, reasons []fitment.Reason) notice.Subject {
	sub := notice.Subject{SKU: sku}
	if owned != nil {
		sub.Serial = owned.Serial
		if owned.Fork != nil {
			sub.Fork = owned.Fork.ID
		}
	}
	for i := range reasons {
		if row := reasons[i].Row; row != "" {
			sub.Rows = append(sub.Rows, row)
		}
	}
	return sub
}

// Stopped reports whether a notice forbids to sell a part for a fork as owned, or for none. The
// part is judged only where a notice is about a row.
func Stopped(set *notice.Set, rev *catalog.Revision, owned *fitment.Owned, sku string, now time.Time) bool {
	var reasons []fitment.Reason
	if set.OfRows() {
		reasons = fitment.Judge(rev, owned, sku).Reasons
	}
	sub := Subject(sku, owned, reasons)
	return slices.ContainsFunc(set.On(sub, now), func(n notice.Notice) bool { return n.Effect == notice.Block })
}

package edge

import (
	"context"
	"sync/atomic"
	"time"
)

// Gate lets so many through at once. A few more wait a moment; who comes when those places are
// taken too is turned away at once, because an answer that comes after its caller has given up
// costs as much as one in time and helps nobody.
type Gate struct {
	running chan struct{}
	waiting atomic.Int64
	most    int64
	wait    time.Duration
}

// NewGate makes one for so many at once, with as many waiting for at most wait. Zero or less
// lets everybody through.
func NewGate(running int, wait time.Duration) *Gate {
	if running <= 0 {
		return nil
	}
	return &Gate{running: make(chan struct{}, running), most: int64(running), wait: wait}
}

// Full says that nobody would be let in now or soon.
func (g *Gate) Full() bool {
	return g != nil && len(g.running) == cap(g.running) && g.waiting.Load() >= g.most
}

// Running is how many are inside.
func (g *Gate) Running() int {
	if g == nil {
		return 0
	}
	return len(g.running)
}

// Enter waits for a place; false means that there was none. Who entered must Leave.
func (g *Gate) Enter(ctx context.Context) bool {
	if g == nil {
		return true
	}
	select {
	case g.running <- struct{}{}:
		return true
	default:
	}
	if g.wait <= 0 || g.waiting.Add(1) > g.most {
		if g.wait > 0 {
			g.waiting.Add(-1)
		}
		return false
	}
	defer g.waiting.Add(-1)
	patience := time.NewTimer(g.wait)
	defer patience.Stop()
	select {
	case g.running <- struct{}{}:
		return true
	case <-patience.C:
	case <-ctx.Done():
	}
	return false
}

// Leave frees the place.
func (g *Gate) Leave() {
	if g != nil {
		<-g.running
	}
}

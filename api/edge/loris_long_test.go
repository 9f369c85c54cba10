//go:build long

package edge

import (
	"net"
	"runtime"
	"testing"
	"time"
)

// Two thousand slow connections from eight addresses, and from two thousand.
func TestLongTwoThousandSlowConnections(t *testing.T) {
	for _, addresses := range []int{8, 2000} {
		at := served(t, ConnectionLimits{Total: 4096, PerAddress: 512})
		before := stackAndHeap()
		grew := make(chan uint64, 1)
		go func() { time.Sleep(3 * time.Second); grew <- stackAndHeap() - before }()
		worst, cut := loris(t, at, 2000, func(i int) string {
			return net.IPv4(127, 1, byte(i%addresses>>8), byte(1+i%addresses%250)).String()
		})
		t.Logf("2000 slow connections from %d addresses: slowest answer to somebody else %s, the last cut after %s, %d MiB for both sides", addresses, worst, cut, <-grew>>20)
		if worst > 2*time.Second || cut > ReadHeaderTimeout+10*time.Second {
			t.Errorf("slowest answer %s, cut after %s", worst, cut)
		}
	}
}

func stackAndHeap() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapInuse + m.StackInuse
}

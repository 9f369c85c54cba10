package edge

import (
	"net"
	"net/netip"
	"sync"
)

// ConnectionLimits bound the open connections of a listener. Zero means no limit.
type ConnectionLimits struct {
	Total      int
	PerAddress int // of one address or IPv6 network; a trusted proxy has none
	Trusted    []netip.Prefix
}

// LimitConnections closes at once what is too many, so that a client with thousands of idle or
// slow connections takes no place from others.
func LimitConnections(l net.Listener, limits ConnectionLimits) net.Listener {
	return &limitedListener{Listener: l, limits: limits, open: map[string]int{}}
}

type limitedListener struct {
	net.Listener
	limits ConnectionLimits
	mu     sync.Mutex
	total  int
	open   map[string]int
}

func (l *limitedListener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from, trusted := l.from(c)
		if l.add(from, trusted) {
			return &countedConn{Conn: c, done: func() { l.remove(from) }}, nil
		}
		_ = c.Close()
	}
}

func (l *limitedListener) from(c net.Conn) (string, bool) {
	peer, err := netip.ParseAddrPort(c.RemoteAddr().String())
	if err != nil {
		return c.RemoteAddr().String(), false
	}
	at := peer.Addr().Unmap().WithZone("")
	return group(at), within(l.limits.Trusted, at)
}

func (l *limitedListener) add(from string, trusted bool) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.limits.Total > 0 && l.total >= l.limits.Total || !trusted && l.limits.PerAddress > 0 && l.open[from] >= l.limits.PerAddress {
		return false
	}
	l.total++
	l.open[from]++
	return true
}

func (l *limitedListener) remove(from string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.total--
	if l.open[from]--; l.open[from] <= 0 {
		delete(l.open, from)
	}
}

type countedConn struct {
	net.Conn
	once sync.Once
	done func()
}

func (c *countedConn) Close() error {
	c.once.Do(c.done)
	return c.Conn.Close()
}

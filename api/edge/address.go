package edge

import (
	"net/http"
	"net/netip"
	"strings"
)

// ClientAddress is who sent a request. Only what a trusted proxy says counts: the header is
// read from its end, and the first address that is not a trusted proxy is the client. What a
// client writes into the header itself stands before that and changes nothing.
func ClientAddress(r *http.Request, trusted []netip.Prefix) netip.Addr {
	peer, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	at := peer.Addr().Unmap()
	if !within(trusted, at) {
		return at
	}
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(hops) - 1; i >= 0; i-- {
		hop, err := netip.ParseAddr(strings.TrimSpace(hops[i]))
		if err != nil {
			return at // written by something that is no proxy of ours
		}
		at = hop.Unmap().WithZone("")
		if !within(trusted, at) {
			return at
		}
	}
	return at
}

func within(trusted []netip.Prefix, a netip.Addr) bool {
	for _, p := range trusted {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// group is what shares one limit: an IPv4 address, or the /64 network that an IPv6 client
// usually has to itself.
func group(a netip.Addr) string {
	if a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}

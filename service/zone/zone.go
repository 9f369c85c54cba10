// Package zone finds time zones by their IANA names. The standard library reads and parses a file
// each time it is asked, which is most of the work of saying what day it is; here that is done
// once for each zone.
package zone

import (
	"fmt"
	"sync"
	"time"
)

// mostKept bounds the memory: there are some 600 names, but a name may be spelled in many ways
// that the library takes for the same file.
const mostKept = 1000

var kept = struct {
	sync.RWMutex
	zones map[string]*time.Location
}{zones: map[string]*time.Location{}}

// Find is the zone of a name. The empty name and that of the machine's own zone are none, for
// both would mean another zone elsewhere.
func Find(name string) (*time.Location, error) {
	kept.RLock()
	z := kept.zones[name]
	kept.RUnlock()
	if z != nil {
		return z, nil
	}
	if name == "" || name == "Local" {
		return nil, fmt.Errorf("%q is no time zone", name)
	}
	z, err := time.LoadLocation(name)
	if err != nil {
		return nil, err
	}
	kept.Lock()
	defer kept.Unlock()
	if len(kept.zones) < mostKept {
		kept.zones[name] = z
	}
	return z, nil
}

// OrUTC is the zone of a name that was checked when it was stored.
func OrUTC(name string) *time.Location {
	z, err := Find(name)
	if err != nil {
		return time.UTC
	}
	return z
}

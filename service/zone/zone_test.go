package zone

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestFind(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/Denver", "UTC", "Europe/Berlin"} {
		want, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		at := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
		got, err := Find(name)
		if err != nil || !at.In(got).Equal(at) || at.In(got).String() != at.In(want).String() {
			t.Errorf("%s: %v %v", name, got, err)
		}
	}
	for _, name := range []string{"", "Local", "Europe/Nowhere", "../etc/passwd"} {
		for range 2 { // what was not found once is not found again
			if z, err := Find(name); err == nil {
				t.Errorf("%q is %v", name, z)
			}
		}
		if OrUTC(name) != time.UTC {
			t.Errorf("%q falls back to %v", name, OrUTC(name))
		}
	}
}

// A name spelled in ever other ways must not fill the memory.
func TestKeptIsBounded(t *testing.T) {
	var all sync.WaitGroup
	for w := range 4 {
		all.Go(func() {
			for i := range mostKept {
				_, _ = Find("Europe/" + strings.Repeat("./", i%40) + fmt.Sprint(strings.Repeat("/", w*30+i/40), "Berlin")) // found or not
			}
		})
	}
	all.Wait()
	kept.RLock()
	defer kept.RUnlock()
	if n := len(kept.zones); n > mostKept {
		t.Errorf("%d zones are kept", n)
	}
}

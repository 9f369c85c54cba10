package quote_test

import (
	"encoding/json"
	"testing"

	"forkwright/service/quote"
)

// TestReadyIsReadOffTheSources takes bodies as they lie in the database. Those of earlier releases
// know no counts, no lead times and no day of a backorder.
func TestReadyIsReadOffTheSources(t *testing.T) {
	const head = `{"time_zone": "Europe/Berlin", "created_at": "2026-03-02T23:30:00Z", "lines": [`
	const shelf = `{"sku": "A", "stocked": true, "quantity": "1", "sourcing": [{"location": "a", "kind": "on_hand", "quantity": "1", "taken": "0"}]}`
	for _, x := range []struct {
		name, lines, day string
		open             bool
	}{
		{"all on the shelf: the day of the draft, in the seller's zone", shelf, "2026-03-03", false},
		{"something comes", shelf + `, {"quantity": "1", "sourcing": [{"location": "b", "kind": "incoming", "quantity": "1", "taken": "0", "on": "2026-03-09"}]}`, "2026-03-09", false},
		{"the last of several days", `{"quantity": "3", "sourcing": [{"location": "b", "kind": "on_hand", "quantity": "1", "taken": "0", "on": "2026-03-12"}, {"location": "a", "kind": "backorder", "quantity": "2", "taken": "0", "on": "2026-03-10"}]}`, "2026-03-12", false},
		{"an order of an earlier release", shelf + `, {"quantity": "1", "sourcing": [{"location": "a", "kind": "backorder", "quantity": "1", "taken": "0"}]}`, "", true},
		{"on its way for no day", `{"quantity": "1", "sourcing": [{"location": "a", "kind": "incoming", "quantity": "1", "taken": "0"}]}`, "", true},
		{"labor alone", `{"quantity": "30", "unit": "min"}`, "", false},
	} {
		var q quote.Quote
		if err := json.Unmarshal([]byte(head+x.lines+`]}`), &q); err != nil {
			t.Fatal(err)
		}
		if day, open := q.Ready(); day != x.day || open != x.open {
			t.Errorf("%s: %q, open %t", x.name, day, open)
		}
	}
}

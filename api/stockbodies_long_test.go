//go:build long

package api_test

import (
	"io"
	"strings"
	"testing"
)

// Rows that come as fast as they are taken end when there are more than any location can list,
// ours (which wait on a desk) and others (which do not).
func TestLongRowsWithoutEndEnd(t *testing.T) {
	s := newFeedServer(t)
	for _, c := range []hostile{
		{"of others", io.MultiReader(strings.NewReader(feedHead), &repeated{text: strings.Repeat("F-1,7\n", 10_000), times: -1}), false, 413, "feed_too_long", "refused"},
		{"of ours", io.MultiReader(strings.NewReader(feedHead), &repeated{text: strings.Repeat("QB-AC-GUARD,7\n", 10_000), times: -1}), false, 413, "feed_too_long", "refused"},
	} {
		t.Run(c.name, func(t *testing.T) { s.refuses(t, c) })
	}
}

package catalogtest_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
)

func TestGeneratedCatalogsAreSound(t *testing.T) {
	for _, rows := range []int{1000, 20000} {
		tables := catalogtest.Generate(rows, 7)
		if n := len(tables.Fitments); n < rows*9/10 || n > rows*11/10 {
			t.Errorf("asked for %d rows, got %d", rows, n)
		}
		for i, p := range catalog.Check(tables) {
			if t.Error(p); i > 20 {
				break
			}
		}
	}
}

func TestGeneratingTwiceGivesTheSame(t *testing.T) {
	a, b := catalogtest.Generate(1000, 3), catalogtest.Generate(1000, 3)
	if d := cmp.Diff(a, b); d != "" {
		t.Error(d)
	}
	if cmp.Equal(a, catalogtest.Generate(1000, 4)) {
		t.Error("another seed gives the same catalog")
	}
}

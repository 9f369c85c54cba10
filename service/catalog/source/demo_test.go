package source_test

import (
	"os"
	"path/filepath"
	"testing"

	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
)

// TestDemoCatalogIsSound prints every problem of the demo catalog and fails on its errors.
func TestDemoCatalogIsSound(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "testdata", "catalog")
	if _, err := os.Stat(dir); err != nil {
		t.Fatalf("the demo catalog is not there: %v", err)
	}
	tables, problems := source.Load(os.DirFS(dir))
	for _, p := range problems {
		if p.Severity == catalog.Error {
			t.Error(p)
		} else {
			t.Log(p)
		}
	}
	t.Logf("%d forks, %d parts, %d fitment rows, %d prices", len(tables.Forks), len(tables.Parts), len(tables.Fitments), len(tables.Prices))
}

package local

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

// fakePrograms writes programs that only know their version.
func fakePrograms(t *testing.T, version string) string {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "bin")
	if err := os.Mkdir(bin, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"initdb", "postgres"} {
		script := fmt.Sprintf("#!/bin/sh\necho 'postgres (PostgreSQL) %s'\n", version)
		if err := os.WriteFile(filepath.Join(bin, name), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return bin
}

func TestVersionsAreComparedByNumber(t *testing.T) {
	for path, want := range map[string]int{"/usr/lib/postgresql/9/bin": 9, "/usr/lib/postgresql/17/bin": 17, "postgres (PostgreSQL) 15.18 (Debian)": 15, "none": 0} {
		if got := numberIn(path); got != want {
			t.Errorf("%q: %d, want %d", path, got, want)
		}
	}
}

func TestProgramsOlderThanTheOldestAreNotUsed(t *testing.T) {
	for version, want := range map[string]int{"14.9": 0, "15.0": 15, "18.1": 18} {
		p, err := inspect(context.Background(), fakePrograms(t, version))
		if err != nil {
			t.Fatal(err)
		}
		usable := p.major >= MinMajor
		if usable != (want > 0) || want > 0 && p.major != want {
			t.Errorf("%s: major %d, usable %v", version, p.major, usable)
		}
	}
	t.Setenv("PATH", fakePrograms(t, "14.9"))
	p, err := find(context.Background(), "")
	if err == nil && p.major < MinMajor || err != nil && !errors.Is(err, ErrNoPostgres) {
		t.Errorf("found %+v, %v", p, err)
	}
}

func TestTheFolderThatIsNamedComesFirst(t *testing.T) {
	bin := fakePrograms(t, "19.2")
	p, err := find(context.Background(), bin)
	if err != nil || p.bin != bin || p.major != 19 {
		t.Errorf("found %+v, %v", p, err)
	}
}

package local

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
)

// ErrNoPostgres says that no usable Postgres programs are on this machine.
var ErrNoPostgres = errors.New("no Postgres of version 15 or newer found (looked for initdb and postgres on PATH and in /usr/lib/postgresql/*/bin): install the package postgresql, or name a running server")

// programs are the server programs of one version.
type programs struct {
	bin   string // folder
	major int
}

func (p programs) path(name string) string { return filepath.Join(p.bin, name) }

// find looks in the given folder, on PATH, then in the usual places, the newest
// version first; what is on PATH wins because somebody put it there.
func find(ctx context.Context, first string) (programs, error) {
	for _, bin := range candidates(first) {
		if p, err := inspect(ctx, bin); err == nil && p.major >= MinMajor {
			return p, nil
		}
	}
	return programs{}, ErrNoPostgres
}

func candidates(first string) []string {
	var bins []string
	if first != "" {
		bins = append(bins, first)
	}
	if p, err := exec.LookPath("initdb"); err == nil {
		if p, err = filepath.EvalSymlinks(p); err == nil {
			bins = append(bins, filepath.Dir(p))
		}
	}
	var usual []string
	for _, pattern := range []string{"/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin", "/opt/homebrew/opt/postgresql@*/bin", "/usr/local/opt/postgresql@*/bin"} {
		found, _ := filepath.Glob(pattern) // only a bad pattern fails
		usual = append(usual, found...)
	}
	slices.SortStableFunc(usual, func(a, b string) int { return numberIn(b) - numberIn(a) })
	return append(bins, usual...)
}

var digits = regexp.MustCompile(`\d+`)

// numberIn is the first number in a path: 9 sorts before 10, and 15 before 17.
func numberIn(path string) int {
	n, _ := strconv.Atoi(digits.FindString(path)) // no number counts as 0
	return n
}

// inspect asks the server program for its version, which also proves that it runs.
func inspect(ctx context.Context, bin string) (programs, error) {
	p := programs{bin: bin}
	if _, err := os.Stat(p.path("initdb")); err != nil {
		return programs{}, err
	}
	out, err := exec.CommandContext(ctx, p.path("postgres"), "--version").Output()
	if err != nil {
		return programs{}, fmt.Errorf("asking %s for its version: %w", p.path("postgres"), err)
	}
	p.major = numberIn(string(out))
	return p, nil
}

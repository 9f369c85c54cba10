package service_test

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"forkwright/service"
	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fault"
)

// shelf is a store of revisions in memory.
type shelf struct {
	revisions []service.NewRevision
	active    int64
	quotes    []service.RevisionQuotes
	asked     [2]int64
	broken    error
}

func (s *shelf) ActiveRevision(context.Context) (int64, error) { return s.active, s.broken }

func (s *shelf) LoadRevision(_ context.Context, n int64) (service.Stored, error) {
	if n < 1 || n > int64(len(s.revisions)) {
		return service.Stored{}, fault.New(fault.NotFound, "revision_not_found", "There is none.")
	}
	r := s.revisions[n-1]
	return service.Stored{Fitment: r.Fitment, Prices: r.Prices}, nil
}

func (s *shelf) SaveRevision(_ context.Context, _ caller.Caller, r service.NewRevision) (int64, error) {
	s.revisions = append(s.revisions, r)
	s.active = int64(len(s.revisions))
	return s.active, nil
}

func (s *shelf) SwitchRevision(_ context.Context, _ caller.Caller, n int64) error {
	s.active = n
	return nil
}

func (s *shelf) OpenQuotes(_ context.Context, from, to int64) ([]service.RevisionQuotes, error) {
	s.asked = [2]int64{from, to}
	return s.quotes, nil
}

// demo reads the demo catalog, damaged.
func demo(change func(*catalog.Tables)) service.ReadCatalog {
	return func(fsys fs.FS) (*catalog.Tables, []catalog.Problem) {
		t, problems := source.Read(fsys)
		if change != nil {
			change(t)
		}
		return t, append(problems, catalog.Check(t)...)
	}
}

var demoFolder = os.DirFS("../testdata/catalog")

func load(t *testing.T, s *shelf, change func(*catalog.Tables), o service.LoadOptions) service.LoadReport {
	t.Helper()
	r, err := service.LoadCatalog(t.Context(), s, demo(change), demoFolder, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestTheSameCatalogTwiceIsOneRevision(t *testing.T) {
	s := &shelf{}
	var steps []string
	first := load(t, s, nil, service.LoadOptions{LoadedBy: "test", Note: "n", Progress: func(step string) { steps = append(steps, step) }})
	if first.Revision != 1 || first.Before != 0 || first.Unchanged || !first.Fitment.Changed || !first.Prices.Changed || first.Rows < 500 {
		t.Errorf("first: %+v", first)
	}
	if len(first.Changes) != 1 || !strings.HasPrefix(first.Changes[0], "the first catalog: ") {
		t.Errorf("changes %q", first.Changes)
	}
	if !slices.Equal(steps, []string{"reading and checking", "encoding", "comparing", "storing"}) {
		t.Errorf("steps %q", steps)
	}
	backwards := func(c *catalog.Tables) { slices.Reverse(c.Forks); slices.Reverse(c.Fitments); slices.Reverse(c.Prices) }
	again := load(t, s, backwards, service.LoadOptions{})
	if again.Revision != 1 || !again.Unchanged || len(again.Changes) != 0 || len(s.revisions) != 1 {
		t.Errorf("again, in another order: %+v, %d stored", again, len(s.revisions))
	}
	if s.revisions[0].Note != "n" || s.revisions[0].LoadedBy != "test" {
		t.Errorf("stored as %q by %q", s.revisions[0].Note, s.revisions[0].LoadedBy)
	}
}

func TestALoadSaysInWordsWhatItChanges(t *testing.T) {
	s := &shelf{}
	load(t, s, nil, service.LoadOptions{})
	forkGone := func(c *catalog.Tables) {
		i := slices.IndexFunc(c.Fitments, func(f catalog.Fitment) bool { return f.ID == "c35t-001" })
		if i < 0 {
			t.Fatal("the demo catalog has no row c35t-001")
		}
		c.Fitments = slices.Delete(c.Fitments, i, i+1)
	}
	dry := load(t, s, forkGone, service.LoadOptions{DryRun: true})
	if !dry.DryRun || dry.Revision != 1 || len(s.revisions) != 1 {
		t.Errorf("a dry run stored: %+v", dry)
	}
	r := load(t, s, forkGone, service.LoadOptions{})
	if r.Revision != 2 || r.Before != 1 || !r.Fitment.Changed || r.Prices.Changed {
		t.Errorf("report %+v", r)
	}
	words := strings.Join(r.Changes, "\n")
	for _, part := range []string{"fitments: 1 removed: c35t-001", "QB-C35T-130"} {
		if !strings.Contains(words, part) {
			t.Errorf("%q is not said in\n%s", part, words)
		}
	}
	if diff := cmp.Diff(r.Changes, dry.Changes); diff != "" {
		t.Errorf("the dry run said otherwise:\n%s", diff)
	}
}

func TestACatalogWithErrorsIsRefusedWhole(t *testing.T) {
	s := &shelf{}
	r, err := service.LoadCatalog(t.Context(), s, demo(func(c *catalog.Tables) { c.Forks[0].Chassis = "none"; c.Prices[0].Amount = "much" }), demoFolder, service.LoadOptions{})
	f := fault.As(err)
	if f == nil || f.Kind != fault.Invalid || f.Code != "catalog_refused" || len(s.revisions) != 0 {
		t.Fatalf("%v, %d stored", err, len(s.revisions))
	}
	var files []string
	for _, p := range r.Problems {
		if p.Severity == catalog.Error {
			files = append(files, p.File)
		}
	}
	slices.Sort(files)
	if files = slices.Compact(files); !slices.Contains(files, "forks.csv") || !slices.Contains(files, "prices.csv") {
		t.Errorf("problems in %v", files)
	}
	if told, ok := f.Extra["problems"].([]catalog.Problem); !ok || len(told) != len(r.Problems) {
		t.Errorf("the client is told %v", f.Extra)
	}
}

func TestGoingBackSaysWhatIsLeftBehind(t *testing.T) {
	s := &shelf{quotes: []service.RevisionQuotes{{Revision: 1, Open: 5}, {Revision: 2, Open: 1}, {Revision: 3, Accepted: 2}}}
	load(t, s, nil, service.LoadOptions{})
	load(t, s, func(c *catalog.Tables) { c.Forks[0].Name += " (renamed)" }, service.LoadOptions{})
	load(t, s, func(c *catalog.Tables) { c.Forks[0].Name += " (again)" }, service.LoadOptions{})
	r, err := service.SwitchCatalog(t.Context(), s, caller.Caller{}, 1)
	if err != nil {
		t.Fatal(err)
	}
	want := []service.RevisionQuotes{{Revision: 2, Open: 1}, {Revision: 3, Accepted: 2}}
	if diff := cmp.Diff(want, r.Quotes); diff != "" || s.active != 1 || s.asked != [2]int64{1, 3} || r.Before != 3 {
		t.Errorf("report %+v\n%s", r, diff)
	}
	if len(r.Changes) != 1 || !strings.Contains(r.Changes[0], "(again)") {
		t.Errorf("changes %q", r.Changes)
	}
	_, err = service.SwitchCatalog(t.Context(), s, caller.Caller{}, 9)
	if fault.CodeOf(err) != "revision_not_found" || s.active != 1 {
		t.Errorf("to a revision that is not there: %v, active %d", err, s.active)
	}
	s.broken = errors.New("away")
	if _, err := service.SwitchCatalog(t.Context(), s, caller.Caller{}, 2); !errors.Is(err, s.broken) || s.active != 1 {
		t.Errorf("with the store away: %v", err)
	}
}

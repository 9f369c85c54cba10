package service

import (
	"context"
	"fmt"
	"io/fs"
	"time"

	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/fault"
	"forkwright/service/fitment"
)

// CatalogStore keeps revisions and says which one answers.
type CatalogStore interface {
	RevisionStore
	// SaveRevision stores a revision, makes it the active one, and gives its number. A part
	// that is there already is not stored again.
	SaveRevision(ctx context.Context, by caller.Caller, r NewRevision) (int64, error)
	// SwitchRevision makes a stored revision the active one.
	SwitchRevision(ctx context.Context, by caller.Caller, number int64) error
	// OpenQuotes counts the quotes of all accounts made on each revision from one number to
	// another that are not yet settled.
	OpenQuotes(ctx context.Context, from, to int64) ([]RevisionQuotes, error)
}

// RevisionInfo is what is known of a stored revision without reading it.
type RevisionInfo struct {
	Revision                   int64
	FitmentDigest, PriceDigest string // hexadecimal SHA-256
	LoadedAt                   time.Time
	LoadedBy, Note             string
	DroppedAt                  *time.Time // its parts are no longer kept
}

// ActiveRevision says which revision answers and which did before; 0 is none.
type ActiveRevision struct {
	Revision, Previous int64
	SwitchedAt         time.Time
}

// NewRevision is a revision to be stored.
type NewRevision struct {
	Fitment, Prices []byte
	LoadedBy        string // who or what loads it
	Note            string
}

// RevisionQuotes counts the open quotes of one revision.
type RevisionQuotes struct {
	Revision     int64
	Open         int64 // drafts and issued
	Accepted     int64 // accepted and partly fulfilled
	Reservations int64 // held for them
}

// ReadCatalog reads and checks a catalog from a folder, as source.Load does.
type ReadCatalog func(fsys fs.FS) (*catalog.Tables, []catalog.Problem)

// LoadOptions of LoadCatalog.
type LoadOptions struct {
	By       caller.Caller
	LoadedBy string
	Note     string
	DryRun   bool              // read, check and compare; store nothing
	Progress func(step string) // told before each step; nil: nobody listens
}

// LoadReport is what a load did or would do.
type LoadReport struct {
	Revision  int64 // that answers now; of a dry run the one that answered before
	Before    int64 // that answered before; 0: none
	DryRun    bool
	Unchanged bool // both parts are those of the active revision: nothing was stored
	Fitment   PartReport
	Prices    PartReport
	Rows      int               // of all tables
	Changes   []string          // against the revision before, in words
	Problems  []catalog.Problem // errors where it was refused, else warnings
}

// PartReport is one of the two parts of a revision.
type PartReport struct {
	Digest  string
	Bytes   int
	Changed bool // against the revision before
}

// LoadCatalog reads a catalog, checks it, compares it with the active revision, and stores it
// as a new one. A catalog with errors is refused as a whole with a fault catalog_refused; the
// report lists all of them. The same catalog twice is one revision.
func LoadCatalog(ctx context.Context, store CatalogStore, read ReadCatalog, fsys fs.FS, o LoadOptions) (LoadReport, error) {
	r := LoadReport{DryRun: o.DryRun}
	o.tell("reading and checking")
	tables, problems := read(fsys)
	r.Problems = problems
	if catalog.HasErrors(problems) {
		return r, refused(problems)
	}
	o.tell("encoding")
	next := NewRevision{Fitment: catalog.EncodeFitment(tables), Prices: catalog.EncodePrices(tables), LoadedBy: o.LoadedBy, Note: o.Note}
	o.tell("comparing")
	before, err := loadActive(ctx, store)
	if err != nil {
		return r, err
	}
	r.compare(before, tables, next)
	if o.DryRun || r.Unchanged {
		r.Revision = before.number
		return r, nil
	}
	o.tell("storing")
	r.Revision, err = store.SaveRevision(ctx, o.By, next)
	return r, err
}

func (o LoadOptions) tell(step string) {
	if o.Progress != nil {
		o.Progress(step)
	}
}

func refused(problems []catalog.Problem) error {
	n := 0
	var first catalog.Problem
	for _, p := range problems {
		if p.Severity != catalog.Error {
			continue
		}
		if n == 0 {
			first = p
		}
		n++
	}
	e := fault.New(fault.Invalid, "catalog_refused", "The catalog has %d errors and nothing of it was taken. The first: %s", n, first)
	if n == 1 {
		e.Text = "The catalog has an error and nothing of it was taken: " + first.String()
	}
	e.Extra = map[string]any{"problems": problems}
	return e
}

// storedRevision is a revision with its parts' digests; number 0 is none.
type storedRevision struct {
	number          int64
	fitment, prices string
	rev             *catalog.Revision
}

func loadActive(ctx context.Context, store CatalogStore) (storedRevision, error) {
	number, err := store.ActiveRevision(ctx)
	if err != nil || number == 0 {
		return storedRevision{rev: catalog.Build(&catalog.Tables{}, 0)}, err
	}
	return loadStored(ctx, store, number)
}

func loadStored(ctx context.Context, store CatalogStore, number int64) (storedRevision, error) {
	s, err := store.LoadRevision(ctx, number)
	if err != nil {
		return storedRevision{}, err
	}
	rev, err := catalog.Open(s.Fitment, s.Prices, number, nil)
	if err != nil {
		return storedRevision{}, fmt.Errorf("decoding revision %d: %w", number, err)
	}
	return storedRevision{number: number, fitment: catalog.Digest(s.Fitment), prices: catalog.Digest(s.Prices), rev: rev}, nil
}

func (r *LoadReport) compare(before storedRevision, after *catalog.Tables, next NewRevision) {
	r.Before = before.number
	r.Fitment = PartReport{Digest: catalog.Digest(next.Fitment), Bytes: len(next.Fitment)}
	r.Prices = PartReport{Digest: catalog.Digest(next.Prices), Bytes: len(next.Prices)}
	r.Fitment.Changed = r.Fitment.Digest != before.fitment
	r.Prices.Changed = r.Prices.Digest != before.prices
	r.Unchanged = !r.Fitment.Changed && !r.Prices.Changed
	for _, t := range after.All() {
		r.Rows += t.Rows.Len()
	}
	switch {
	case r.Unchanged:
	case before.number == 0:
		r.Changes = []string{fmt.Sprintf("the first catalog: %d forks, %d parts, %d fitment rows, %d prices", len(after.Forks), len(after.Parts), len(after.Fitments), len(after.Prices))}
	default:
		r.Changes = changes(before.rev, catalog.Build(after, 0))
	}
}

// mostJudged is how many pairs of part and fork are asked for their verdict on both sides of a
// change: about a second's work.
const mostJudged = 50_000

// changes says in words what differs: rows first, then which forks lose or gain which parts.
func changes(before, after *catalog.Revision) []string {
	d := catalog.Diff(before, after)
	words := d.Words()
	n := 0
	for range d.Affected() {
		if n++; n > mostJudged {
			return append(words, fmt.Sprintf("verdicts: more than %d pairs of part and fork are affected; they are not listed one by one", mostJudged))
		}
	}
	verdicts := d.Judge(func(r *catalog.Revision, sku string, f *catalog.Fork) catalog.Verdict {
		return fitment.Judge(r, &fitment.Owned{Fork: f}, sku).Verdict
	})
	for _, v := range verdicts {
		words = append(words, v.Words())
	}
	return words
}

// SwitchReport is what going to another revision means.
type SwitchReport struct {
	Revision int64            // that answers now
	Before   int64            // that answered until now
	Changes  []string         // from before to now, in words
	Quotes   []RevisionQuotes // open on the revisions that were passed over, Before among them
}

// SwitchCatalog makes a stored revision the active one and says what that changes and which
// open quotes were made on what is left behind. They keep their bodies; nothing alters them.
func SwitchCatalog(ctx context.Context, store CatalogStore, by caller.Caller, number int64) (SwitchReport, error) {
	before, err := loadActive(ctx, store)
	if err != nil {
		return SwitchReport{}, err
	}
	after, err := loadStored(ctx, store, number)
	if err != nil {
		return SwitchReport{}, err
	}
	if err := store.SwitchRevision(ctx, by, number); err != nil {
		return SwitchReport{}, err
	}
	r := SwitchReport{Revision: number, Before: before.number, Changes: changes(before.rev, after.rev)}
	quotes, err := store.OpenQuotes(ctx, min(number, before.number), max(number, before.number))
	for _, q := range quotes {
		if q.Revision != number {
			r.Quotes = append(r.Quotes, q)
		}
	}
	return r, err
}

// Gap is a question that could not be answered, counted: work for the catalog's keeper.
type Gap struct {
	Cause   string // stable, snake_case
	Subject string // what was asked about, folded
	Times   int64
	LastOn  time.Time // day
}

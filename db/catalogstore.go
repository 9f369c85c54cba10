package db

import (
	"context"
	"encoding/hex"

	"forkwright/service"
	"forkwright/service/caller"
)

// CatalogStore is the store of revisions in the words of package service.
type CatalogStore struct{ d *DB }

// CatalogStore gives the store of revisions for service.Catalogs and service.LoadCatalog.
func (d *DB) CatalogStore() CatalogStore { return CatalogStore{d} }

// ActiveRevision is the number of the revision that answers; 0 is none.
func (s CatalogStore) ActiveRevision(ctx context.Context) (int64, error) {
	a, err := s.d.ActiveRevision(ctx)
	return a.Revision, err
}

// LoadRevision reads a revision's parts.
func (s CatalogStore) LoadRevision(ctx context.Context, number int64) (service.Stored, error) {
	r, err := s.d.Revision(ctx, number)
	if err != nil {
		return service.Stored{}, err
	}
	p, err := s.d.LoadRevision(ctx, number)
	if err != nil {
		return service.Stored{}, err
	}
	return service.Stored{Fitment: p.Fitment, Prices: p.Prices, Digest: hex.EncodeToString(r.FitmentDigest), CreatedAt: r.LoadedAt}, nil
}

// SaveRevision stores a revision and makes it the active one.
func (s CatalogStore) SaveRevision(ctx context.Context, by caller.Caller, r service.NewRevision) (int64, error) {
	return s.d.SaveRevision(ctx, by, Parts{Fitment: r.Fitment, Prices: r.Prices}, RevisionInfo{LoadedBy: r.LoadedBy, Note: r.Note})
}

// SwitchRevision makes a stored revision the active one.
func (s CatalogStore) SwitchRevision(ctx context.Context, by caller.Caller, number int64) error {
	return s.d.ActivateRevision(ctx, by, number)
}

// OpenQuotes counts the unsettled quotes of all accounts by the revision they were made on.
func (s CatalogStore) OpenQuotes(ctx context.Context, from, to int64) ([]service.RevisionQuotes, error) {
	return list[service.RevisionQuotes](ctx, s.d, `SELECT revision, open, accepted, reservations FROM open_quotes_by_revision($1, $2)`, from, to)
}

// Revisions lists revisions below a number (0 for the newest), newest first.
func (s CatalogStore) Revisions(ctx context.Context, below int64, limit int) ([]service.RevisionInfo, error) {
	rows, err := s.d.Revisions(ctx, below, limit)
	if err != nil {
		return nil, err
	}
	out := make([]service.RevisionInfo, len(rows))
	for i, r := range rows {
		out[i] = service.RevisionInfo{
			Revision: r.Revision, FitmentDigest: hex.EncodeToString(r.FitmentDigest), PriceDigest: hex.EncodeToString(r.PriceDigest),
			LoadedAt: r.LoadedAt, LoadedBy: r.LoadedBy, Note: r.Note, DroppedAt: r.DroppedAt,
		}
	}
	return out, nil
}

// Active says which revision answers, which did before, and since when.
func (s CatalogStore) Active(ctx context.Context) (service.ActiveRevision, error) {
	a, err := s.d.ActiveRevision(ctx)
	return service.ActiveRevision{Revision: a.Revision, Previous: a.Previous, SwitchedAt: a.SwitchedAt}, err
}

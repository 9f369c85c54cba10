package api

import (
	"context"
	"io"
	"strconv"
	"time"

	"forkwright/service"
	"forkwright/service/caller"
	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fault"
)

// RevisionStore keeps the revisions of the catalog.
type RevisionStore interface {
	service.CatalogStore
	Revisions(ctx context.Context, below int64, limit int) ([]service.RevisionInfo, error)
	Active(ctx context.Context) (service.ActiveRevision, error)
}

// GapStore lists what could not be answered, counted.
type GapStore interface {
	Gaps(ctx context.Context, cause string, since time.Time, limit int) ([]service.Gap, error)
}

// A catalog of a million rows is about 15 MiB as a zip, and takes half a minute to read,
// check, compare and store on a small machine.
var catalogLimits = limits{MaxBody: 256 << 20, Timeout: 10 * time.Minute, Cost: 20}

type catalogIn struct {
	DryRun bool      `query:"dry_run"`
	Note   string    `query:"note"`
	Zip    io.Reader `stream:"application/zip"`
}

type catalogPartOut struct {
	Digest  string `json:"digest"`
	Bytes   int    `json:"bytes"`
	Changed bool   `json:"changed"`
}

type loadOut struct {
	CatalogRevision int64             `json:"catalog_revision"`
	RevisionBefore  int64             `json:"revision_before"`
	DryRun          bool              `json:"dry_run"`
	Unchanged       bool              `json:"unchanged"`
	Rows            int               `json:"rows"`
	Fitment         catalogPartOut    `json:"fitment"`
	Prices          catalogPartOut    `json:"prices"`
	Changes         []string          `json:"changes"`
	Warnings        []catalog.Problem `json:"warnings"`
}

// putCatalog loads a catalog. What is wrong with it is answered all at once.
func (s *Server) putCatalog(ctx context.Context, who caller.Caller, in catalogIn) (loadOut, error) {
	content, err := io.ReadAll(in.Zip)
	if err != nil {
		return loadOut{}, err
	}
	folder, err := source.Zip(content)
	if err != nil {
		return loadOut{}, fault.Wrap(err, fault.Malformed, "malformed_zip", "The request body is not a zip file, or was cut off on its way.")
	}
	r, err := service.LoadCatalog(ctx, s.Revisions, source.Load, folder, service.LoadOptions{
		By: who, LoadedBy: "account " + who.AccountID, Note: in.Note, DryRun: in.DryRun,
	})
	if err != nil {
		return loadOut{}, err
	}
	return loadOut{
		CatalogRevision: r.Revision, RevisionBefore: r.Before, DryRun: r.DryRun, Unchanged: r.Unchanged, Rows: r.Rows,
		Fitment: catalogPartOut(r.Fitment), Prices: catalogPartOut(r.Prices), Changes: r.Changes, Warnings: r.Problems,
	}, s.followCatalog(ctx)
}

func (s *Server) followCatalog(ctx context.Context) error {
	if s.CatalogChanged == nil {
		return nil
	}
	_, err := s.CatalogChanged(ctx)
	return err
}

type revisionOut struct {
	CatalogRevision int64      `json:"catalog_revision"`
	Active          bool       `json:"active"`
	LoadedAt        time.Time  `json:"loaded_at"`
	LoadedBy        string     `json:"loaded_by,omitempty"`
	Note            string     `json:"note,omitempty"`
	FitmentDigest   string     `json:"fitment_digest"`
	PriceDigest     string     `json:"price_digest"`
	DroppedAt       *time.Time `json:"dropped_at,omitempty"`
}

type revisionsOut struct {
	Revisions  []revisionOut `json:"revisions"`
	NextCursor string        `json:"next_cursor,omitempty"`
}

func (s *Server) listRevisions(ctx context.Context, _ caller.Caller, in struct{ page }) (revisionsOut, error) {
	below, err := in.number()
	if err != nil {
		return revisionsOut{}, err
	}
	active, err := s.Revisions.Active(ctx)
	if err != nil {
		return revisionsOut{}, err
	}
	rows, err := s.Revisions.Revisions(ctx, below, in.Limit+1)
	rows, next := cut(rows, in.Limit, func(r service.RevisionInfo) string { return strconv.FormatInt(r.Revision, 10) })
	out := revisionsOut{Revisions: make([]revisionOut, 0, len(rows)), NextCursor: next}
	for _, r := range rows {
		out.Revisions = append(out.Revisions, revisionOut{
			CatalogRevision: r.Revision, Active: r.Revision == active.Revision, LoadedAt: r.LoadedAt.UTC(), LoadedBy: r.LoadedBy, Note: r.Note,
			FitmentDigest: r.FitmentDigest, PriceDigest: r.PriceDigest, DroppedAt: utc(r.DroppedAt),
		})
	}
	return out, err
}

type activeOut struct {
	CatalogRevision  int64         `json:"catalog_revision"`
	PreviousRevision int64         `json:"previous_revision"`
	SwitchedAt       time.Time     `json:"switched_at"`
	Changes          []string      `json:"changes,omitempty"`
	Quotes           []revisionQts `json:"quotes,omitempty"`
}

// revisionQts counts the quotes that stand on a revision which was left behind.
type revisionQts struct {
	CatalogRevision int64 `json:"catalog_revision"`
	OpenQuotes      int64 `json:"open_quotes"`
	AcceptedQuotes  int64 `json:"accepted_quotes"`
	Reservations    int64 `json:"reservations"`
}

func (s *Server) active(ctx context.Context) (activeOut, error) {
	a, err := s.Revisions.Active(ctx)
	return activeOut{CatalogRevision: a.Revision, PreviousRevision: a.Previous, SwitchedAt: a.SwitchedAt.UTC()}, err
}

func (s *Server) getActiveRevision(ctx context.Context, _ caller.Caller, _ nothing) (activeOut, error) {
	return s.active(ctx)
}

func (s *Server) putActiveRevision(ctx context.Context, who caller.Caller, in struct {
	Body struct {
		CatalogRevision int64 `json:"catalog_revision"`
	} `body:""`
}) (activeOut, error) {
	if in.Body.CatalogRevision < 1 {
		return activeOut{}, wrongField("/catalog_revision", "out_of_range", "catalog_revision is the number of a stored revision, from 1.")
	}
	r, err := service.SwitchCatalog(ctx, s.Revisions, who, in.Body.CatalogRevision)
	if err != nil {
		return activeOut{}, err
	}
	if err := s.followCatalog(ctx); err != nil {
		return activeOut{}, err
	}
	out, err := s.active(ctx)
	out.Changes = r.Changes
	for _, q := range r.Quotes {
		out.Quotes = append(out.Quotes, revisionQts{q.Revision, q.Open, q.Accepted, q.Reservations})
	}
	return out, err
}

type gapsOut struct {
	Gaps []gapOut `json:"gaps"`
}

type gapOut struct {
	Cause   string `json:"cause"`
	Subject string `json:"subject"`
	Times   int64  `json:"times"`
	LastOn  string `json:"last_on"`
}

// gapWindow is how far back gaps are counted when the request does not say.
const gapWindow = 30 * 24 * time.Hour

func (s *Server) listGaps(ctx context.Context, _ caller.Caller, in struct {
	Cause string     `query:"cause" maxlen:"60"`
	Since *time.Time `query:"since" format:"date"`
	Limit int        `query:"limit" min:"1" max:"200" default:"50"`
}) (gapsOut, error) {
	since := s.Now().Add(-gapWindow)
	if in.Since != nil {
		since = *in.Since
	}
	rows, err := s.GapList.Gaps(ctx, in.Cause, since, in.Limit)
	out := gapsOut{Gaps: make([]gapOut, 0, len(rows))}
	for _, g := range rows {
		out.Gaps = append(out.Gaps, gapOut{g.Cause, g.Subject, g.Times, g.LastOn.UTC().Format(time.DateOnly)})
	}
	return out, err
}

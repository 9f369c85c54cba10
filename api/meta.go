package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"time"

	"forkwright/api/edge"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

// Check is one dependency that the service needs to be useful.
type Check struct {
	Name string
	Ping func(context.Context) error
}

// checkTimeout bounds one check: a probe that hangs is a probe that failed.
const checkTimeout = 2 * time.Second

type nothing struct{}

type healthOut struct {
	Status string `json:"status"`
}

func (s *Server) getHealth(context.Context, caller.Caller, nothing) (healthOut, error) {
	return healthOut{Status: "ok"}, nil
}

type readyOut struct {
	Status          string     `json:"status"`
	CatalogRevision int64      `json:"catalog_revision"`
	Checks          []checkOut `json:"checks"`
}

type checkOut struct {
	Name string `json:"name"`
	OK   bool   `json:"ok"`
}

func (s *Server) getReadiness(ctx context.Context, _ caller.Caller, _ nothing) (readyOut, error) {
	revision, loaded := s.Revision()
	out := readyOut{Status: "ready", CatalogRevision: revision, Checks: []checkOut{{Name: "catalog", OK: loaded}}}
	var causes []error
	if !loaded {
		causes = append(causes, errors.New("no catalog revision is loaded"))
	}
	for _, c := range s.Checks {
		err := ping(ctx, c)
		out.Checks = append(out.Checks, checkOut{Name: c.Name, OK: err == nil})
		causes = append(causes, err)
	}
	cause := errors.Join(causes...)
	if cause == nil {
		return out, nil
	}
	e := fault.Wrap(cause, fault.Unavailable, "not_ready", "The service is not ready yet; the member checks says what is missing.")
	e.RetryAfter = 5
	e.Extra = map[string]any{"checks": out.Checks}
	if loaded {
		e.Extra["catalog_revision"] = revision
	}
	return readyOut{}, e
}

func ping(ctx context.Context, c Check) error {
	ctx, cancel := context.WithTimeout(ctx, checkTimeout)
	defer cancel()
	if err := c.Ping(ctx); err != nil {
		return errors.Join(errors.New("check "+c.Name+" failed"), err)
	}
	return nil
}

var contractTypes = []string{"application/yaml"}

func (s *Server) getContract(context.Context, caller.Caller, nothing) (Raw, error) {
	sum := sha256.Sum256(s.Spec)
	return Raw{
		Reply:       Reply{ETag: hex.EncodeToString(sum[:8]), CacheControl: "max-age=60, must-revalidate"},
		ContentType: "application/yaml",
		Body:        s.Spec,
	}, nil
}

type docsIn struct {
	File           string `path:"file" maxlen:"80"`
	AcceptEncoding string `header:"Accept-Encoding" maxlen:"500"`
}

func (s *Server) getReference(ctx context.Context, who caller.Caller, _ nothing) (Raw, error) {
	return s.getDocsFile(ctx, who, docsIn{File: "index"})
}

// getDocsFile serves the viewer's files and the written pages.
func (s *Server) getDocsFile(_ context.Context, _ caller.Caller, in docsIn) (Raw, error) {
	f, ok := s.site.File(in.File)
	if !ok {
		return Raw{}, fault.New(fault.NotFound, "no_such_page", "There is no such page; GET /docs lists what there is.")
	}
	out := Raw{
		Reply:       Reply{ETag: f.ETag, CacheControl: "max-age=600, must-revalidate"},
		ContentType: f.ContentType,
		Body:        f.Body,
	}
	if f.Viewer {
		out.CSP = edge.ViewerCSP
	} else if f.Page {
		out.CSP = edge.PageCSP
	}
	if f.Gzipped != nil {
		out.Vary = "Accept-Encoding"
	}
	if f.Gzipped != nil && acceptsGzip(in.AcceptEncoding) {
		out.Body, out.ContentEncoding, out.ETag = f.Gzipped, "gzip", f.ETag+"-gz"
	}
	return out, nil
}

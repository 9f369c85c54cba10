package api

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/stock"
)

// LocationStore keeps the places with stock. An account id of "" reaches those of all.
type LocationStore interface {
	CreateLocation(ctx context.Context, by caller.Caller, l account.Location) (account.Location, error)
	UpdateLocation(ctx context.Context, by caller.Caller, l account.Location) error
	Location(ctx context.Context, id string) (account.Location, error)
	Locations(ctx context.Context, accountID string) ([]account.Location, error)
}

// locationBody is what the owner sets.
type locationBody struct {
	Name                  string          `json:"name"`
	TimeZone              string          `json:"time_zone"`
	Policy                json.RawMessage `json:"policy,omitempty"`
	DueBy                 string          `json:"due_by,omitempty"`
	CountsExcludePromised bool            `json:"counts_exclude_promised,omitempty"`
	ClosedUntil           string          `json:"closed_until,omitempty"`
	DaysAway              int             `json:"days_away,omitempty"`
}

func (b locationBody) domain(id, owner string) (account.Location, error) {
	l := account.Location{
		ID: id, AccountID: owner, Name: b.Name, TimeZone: b.TimeZone, Policy: b.Policy, DueBy: b.DueBy,
		CountsExcludePromised: b.CountsExcludePromised, DaysAway: b.DaysAway,
	}
	if len(b.Policy) > 0 && b.Policy[0] != '{' {
		return l, wrongField("/policy", "wrong_type", "policy must be an object.")
	}
	if _, err := stock.ParsePolicy(b.Policy); err != nil {
		return l, err
	}
	if b.ClosedUntil != "" {
		day, err := time.Parse(time.DateOnly, b.ClosedUntil)
		if err != nil {
			return l, wrongField("/closed_until", "invalid_value", "closed_until must be a date such as 2026-03-31.")
		}
		l.ClosedUntil = &day
	}
	return l, l.Check()
}

type locationOut struct {
	Reply                 `json:"-"`
	ID                    string          `json:"location"`
	AccountID             string          `json:"account_id"`
	Name                  string          `json:"name"`
	TimeZone              string          `json:"time_zone"`
	Policy                json.RawMessage `json:"policy"`
	DueBy                 string          `json:"due_by,omitempty"`
	CountsExcludePromised bool            `json:"counts_exclude_promised"`
	ClosedUntil           string          `json:"closed_until,omitempty"`
	DaysAway              int             `json:"days_away"`
	LastAsOf              *time.Time      `json:"last_as_of,omitempty"`
	LastSeq               *int64          `json:"last_seq,omitempty"`
}

func locationWire(l account.Location) locationOut {
	out := locationOut{
		ID: l.ID, AccountID: l.AccountID, Name: l.Name, TimeZone: l.TimeZone, Policy: l.Policy, DueBy: l.DueBy,
		CountsExcludePromised: l.CountsExcludePromised, DaysAway: l.DaysAway, LastAsOf: utc(l.LastAsOf), LastSeq: l.LastSeq,
	}
	if l.ClosedUntil != nil {
		out.ClosedUntil = l.ClosedUntil.Format(time.DateOnly)
	}
	return out
}

func (s *Server) createLocation(ctx context.Context, who caller.Caller, in struct {
	once
	Body struct {
		Location  string `json:"location"`
		AccountID string `json:"account_id,omitempty"`
		locationBody
	} `body:""`
}) (locationOut, error) {
	owner, err := onBehalf(who, in.Body.AccountID, "/account_id")
	if err != nil {
		return locationOut{}, err
	}
	l, err := in.Body.domain(in.Body.Location, owner)
	if err != nil {
		return locationOut{}, err
	}
	by, err := in.by(who, "createLocation", http.StatusCreated, in.Body)
	if err != nil {
		return locationOut{}, err
	}
	if l, err = s.Locations.CreateLocation(ctx, by, l); err != nil {
		return locationOut{}, err
	}
	out := locationWire(l)
	out.Status, out.Location = http.StatusCreated, "/v1/locations/"+l.ID
	return out, nil
}

type locationsOut struct {
	Locations []locationOut `json:"locations"`
}

// listLocations lists the caller's own; an administrator's list is of all accounts unless it
// names one.
func (s *Server) listLocations(ctx context.Context, who caller.Caller, in struct {
	AccountID string `query:"account_id" maxlen:"36"`
}) (locationsOut, error) {
	owner := reach(who)
	if in.AccountID != "" {
		var err error
		if owner, err = onBehalf(who, in.AccountID, "query:account_id"); err != nil {
			return locationsOut{}, err
		}
	}
	rows, err := s.Locations.Locations(ctx, owner)
	out := locationsOut{Locations: make([]locationOut, 0, len(rows))}
	for _, l := range rows {
		out.Locations = append(out.Locations, locationWire(l))
	}
	return out, err
}

// ownLocation finds a location that the caller may handle.
func (s *Server) ownLocation(ctx context.Context, who caller.Caller, id string) (account.Location, error) {
	l, err := s.Locations.Location(ctx, id)
	if f := fault.As(err); f != nil && f.Kind == fault.NotFound || err == nil && l.AccountID != who.AccountID && !who.Has(caller.Administrator) {
		return l, fault.Wrap(err, fault.NotFound, "location_not_found", "There is no such location, or it is not yours.")
	}
	return l, err
}

func (s *Server) getLocation(ctx context.Context, who caller.Caller, in struct {
	Location string `path:"location" maxlen:"40"`
}) (locationOut, error) {
	l, err := s.ownLocation(ctx, who, in.Location)
	return locationWire(l), err
}

func (s *Server) putLocation(ctx context.Context, who caller.Caller, in struct {
	Location string       `path:"location" maxlen:"40"`
	Body     locationBody `body:""`
}) (locationOut, error) {
	l, err := s.ownLocation(ctx, who, in.Location)
	if err != nil {
		return locationOut{}, err
	}
	next, err := in.Body.domain(l.ID, l.AccountID)
	if err != nil {
		return locationOut{}, err
	}
	if err := s.Locations.UpdateLocation(ctx, who, next); err != nil {
		return locationOut{}, err
	}
	l, err = s.Locations.Location(ctx, l.ID)
	return locationWire(l), err
}

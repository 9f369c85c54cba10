package api

import (
	"context"
	"strconv"
	"time"

	"forkwright/service/account"
	"forkwright/service/caller"
)

// EventStore keeps the record of who did what.
type EventStore interface {
	EventsOf(ctx context.Context, accountID, kind, id string, after int64, limit int) ([]account.Event, error)
	EventsSince(ctx context.Context, accountID string, after int64, limit int) ([]account.Event, error)
}

type eventOut struct {
	No          int64             `json:"no"`
	At          time.Time         `json:"at"`
	ByAccount   string            `json:"by_account,omitempty"`
	ByKey       string            `json:"by_key,omitempty"`
	Action      string            `json:"action"`
	SubjectKind string            `json:"subject_kind"`
	SubjectID   string            `json:"subject_id"`
	Columns     []string          `json:"columns"`
	Codes       map[string]string `json:"codes,omitempty"`
	RequestID   string            `json:"request_id,omitempty"`
}

func eventWire(e account.Event) eventOut {
	return eventOut{
		No: e.No, At: e.At.UTC(), ByAccount: e.ByAccount, ByKey: e.ByKey, Action: e.Action, SubjectKind: e.SubjectKind, SubjectID: e.SubjectID,
		Columns: e.Columns, Codes: e.Codes, RequestID: e.RequestID,
	}
}

type eventsIn struct {
	page
	SubjectKind string `query:"subject_kind" maxlen:"40"`
	SubjectID   string `query:"subject_id" maxlen:"100"`
}

type eventsOut struct {
	Events     []eventOut `json:"events"`
	NextCursor string     `json:"next_cursor,omitempty"`
}

// Validate: a subject is a kind and an id.
func (in *eventsIn) Validate() error {
	if (in.SubjectKind == "") != (in.SubjectID == "") {
		return wrongField("query:subject_id", "required", "Give subject_kind and subject_id together, or neither.")
	}
	return nil
}

func (s *Server) listEvents(ctx context.Context, who caller.Caller, in eventsIn) (eventsOut, error) {
	after, err := in.number()
	if err != nil {
		return eventsOut{}, err
	}
	var rows []account.Event
	if in.SubjectKind != "" {
		rows, err = s.Events.EventsOf(ctx, who.AccountID, in.SubjectKind, in.SubjectID, after, in.Limit+1)
	} else {
		rows, err = s.Events.EventsSince(ctx, who.AccountID, after, in.Limit+1)
	}
	rows, next := cut(rows, in.Limit, func(e account.Event) string { return strconv.FormatInt(e.No, 10) })
	out := eventsOut{Events: make([]eventOut, 0, len(rows)), NextCursor: next}
	for _, e := range rows {
		out.Events = append(out.Events, eventWire(e))
	}
	return out, err
}

// number is the number in a cursor.
func (p page) number() (int64, error) {
	if p.Cursor == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(p.Cursor, 10, 64)
	if err != nil || n < 1 {
		return 0, wrongField("query:cursor", "invalid_value", "cursor must be the next_cursor of the page before.")
	}
	return n, nil
}

package db

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

// eventColumns are the columns an event may name, by subject. An event says that
// person.name changed, never to what.
var eventColumns = map[string][]string{
	"account":  {"name", "roles", "closed_at"},
	"seller":   {"legal_name", "trading_name", "street", "street_more", "postcode", "city", "region", "country", "registration", "contact", "tax_ids", "tax_country", "tax_region", "default_currency", "price_basis", "languages", "bench_language", "units", "paper", "terms", "texts", "logo", "series", "number_form", "time_zone", "validity_days", "hold_days", "labor", "sag_targets"},
	"key":      {"label", "scopes", "allowed_origins", "expires_at", "revoked_at", "replaces"},
	"location": {"name", "time_zone", "policy", "due_by", "counts_exclude_promised", "closed_until", "days_away", "last_as_of", "last_seq"},
	"person":   {"name", "email", "phone", "address", "note", "rider_mass_kg", "used_at", "erased_at"},
	"quote":    {"state", "number", "version", "person_id", "held_until", "total", "fulfilled_qty", "lines"},
	"notice":   {"effect", "starts_at", "ends_at"},
	"catalog":  {"revision"},
	"feed":     {"state"},
}

// happened begins the event of a caller.
func happened(by caller.Caller, accountID, action, kind, id string, columns ...string) account.Event {
	return account.Event{
		AccountID: accountID, ByAccount: by.AccountID, ByKey: by.KeyID, RequestID: by.RequestID,
		Action: action, SubjectKind: kind, SubjectID: id, Columns: columns,
	}
}

// insertEvent records e in the transaction that does what it says.
func insertEvent(ctx context.Context, q execer, e account.Event) error {
	allowed, known := eventColumns[e.SubjectKind]
	for _, c := range e.Columns {
		if !known || !slices.Contains(allowed, c) {
			return internal(fmt.Errorf("an event about %q may not name the column %q", e.SubjectKind, c))
		}
	}
	if e.Codes == nil {
		e.Codes = map[string]string{}
	}
	_, err := q.Exec(ctx, `
		INSERT INTO event (account_id, by_account, by_key, action, subject_kind, subject_id, columns, codes, request_id)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		e.AccountID, orNull(e.ByAccount), orNull(e.ByKey), e.Action, e.SubjectKind, e.SubjectID, orEmpty(e.Columns), e.Codes, e.RequestID)
	return err
}

const eventSelect = `
	SELECT no, account_id::text AS account_id, at, coalesce(by_account::text, '') AS by_account, coalesce(by_key::text, '') AS by_key,
	       action, subject_kind, subject_id, columns, codes, request_id
	FROM event`

// EventsOf lists what happened to one subject after the event numbered after, in order.
func (d *DB) EventsOf(ctx context.Context, accountID, kind, id string, after int64, limit int) ([]account.Event, error) {
	var events []account.Event
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(eventSelect+` WHERE account_id = $1 AND subject_kind = $2 AND subject_id = $3 AND no > $4 ORDER BY no LIMIT $5`,
			accountID, kind, id, after, limit).Query(collect(&events))
	})
	return events, err
}

// EventsSince lists what happened in an account after the event numbered after, in order.
func (d *DB) EventsSince(ctx context.Context, accountID string, after int64, limit int) ([]account.Event, error) {
	var events []account.Event
	err := d.readOnDisk(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(eventSelect+` WHERE account_id = $1 AND no > $2 ORDER BY no LIMIT $3`, accountID, after, limit).Query(collect(&events))
	})
	return events, err
}

// collect gathers the rows of a queued query by name.
func collect[T any](into *[]T) func(pgx.Rows) error {
	return func(rows pgx.Rows) (err error) {
		*into, err = pgx.CollectRows(rows, pgx.RowToStructByName[T])
		return err
	}
}

// collectOne takes the only row of a queued query; none is "not found".
func collectOne[T any](into *T) func(pgx.Rows) error {
	return func(rows pgx.Rows) (err error) {
		*into, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
		return err
	}
}

// list runs one query outside the wall.
func list[T any](ctx context.Context, d *DB, sql string, args ...any) ([]T, error) {
	var all []T
	err := d.plain(ctx, func(q querier) error {
		rows, err := q.Query(ctx, sql, args...)
		if err != nil {
			return err
		}
		all, err = pgx.CollectRows(rows, pgx.RowToStructByName[T])
		return err
	})
	return all, err
}

func one[T any](ctx context.Context, q querier, sql string, args ...any) (T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		var none T
		return none, err
	}
	return pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
}

func none(tag interface{ RowsAffected() int64 }, code, text string) error {
	if tag.RowsAffected() == 0 {
		return fault.New(fault.NotFound, code, "%s", text)
	}
	return nil
}

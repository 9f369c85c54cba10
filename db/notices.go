package db

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/notice"
)

// noticeRow is a notice as the table holds it: no end is NULL there and zero in
// the domain.
type noticeRow struct {
	notice.Notice
	EndsAt *time.Time
}

const noticeColumns = `
	id::text AS id, kind, effect, sku, fork, row_id AS row, batch, serial_from, serial_to, text, coalesce(by_account::text, '') AS by,
	starts_at AS "from", ends_at`

func (r noticeRow) domain() notice.Notice {
	if r.EndsAt != nil {
		r.Until = *r.EndsAt
	}
	return r.Notice
}

// noticesIn collects queried notices; Until has no column of its own.
func noticesIn(rows pgx.Rows) ([]notice.Notice, error) {
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (notice.Notice, error) {
		r, err := pgx.RowToStructByNameLax[noticeRow](row)
		return r.domain(), err
	})
}

// AddNotice stores a notice, which every replica merges into its answers within
// moments. Its id is made here unless given.
func (d *DB) AddNotice(ctx context.Context, by caller.Caller, n notice.Notice) (notice.Notice, error) {
	if n.ID == "" {
		id, err := d.newID()
		if err != nil {
			return notice.Notice{}, err
		}
		n.ID = id
	}
	n.By = by.AccountID
	return d.changeNotice(ctx, by, "added", []string{"effect", "starts_at", "ends_at"}, `
		INSERT INTO notice (id, kind, effect, sku, fork, row_id, batch, serial_from, serial_to, text, by_account, starts_at, ends_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)
		RETURNING`+noticeColumns,
		n.ID, n.Kind, n.Effect, n.SKU, n.Fork, n.Row, n.Batch, n.SerialFrom, n.SerialTo, n.Text, orNull(n.By), n.From, orNever(n.Until))
}

// EndNotice lets a notice end at a time, unless it has ended before; one that has not
// begun then never begins.
func (d *DB) EndNotice(ctx context.Context, by caller.Caller, id string, at time.Time) (notice.Notice, error) {
	return d.changeNotice(ctx, by, "ended", []string{"ends_at"}, `
		UPDATE notice SET ends_at = least(ends_at, greatest(starts_at, $2)) WHERE id = $1
		RETURNING`+noticeColumns, id, at)
}

// changeNotice raises the version that goes into ETags and wakes the replicas.
func (d *DB) changeNotice(ctx context.Context, by caller.Caller, action string, columns []string, sql string, args ...any) (notice.Notice, error) {
	return atMostOnce(ctx, d, by, by.AccountID, func(q querier) (n notice.Notice, err error) {
		if _, err := q.Exec(ctx, `UPDATE notice_version SET version = version + 1`); err != nil {
			return n, err
		}
		rows, err := q.Query(ctx, sql, args...)
		if err != nil {
			return n, err
		}
		changed, err := noticesIn(rows)
		if err != nil {
			return n, err
		}
		if len(changed) != 1 {
			return n, fault.New(fault.NotFound, "notice_not_found", "There is no such notice.")
		}
		n = changed[0]
		if by.AccountID != "" { // the command line has no account to record in
			if err := insertEvent(ctx, q, happened(by, by.AccountID, action, "notice", n.ID, columns...)); err != nil {
				return n, err
			}
		}
		_, err = q.Exec(ctx, `SELECT pg_notify('forkwright_notices', '')`)
		return n, err
	})
}

func orNever(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// Notices reads all notices that have not ended, as one set.
func (d *DB) Notices(ctx context.Context) (set *notice.Set, err error) {
	err = d.plain(ctx, func(q querier) error {
		set, err = d.readNotices(ctx, q)
		return err
	})
	return set, err
}

// readNotices reads version and rows in one statement each of one snapshot.
func (d *DB) readNotices(ctx context.Context, q querier) (*notice.Set, error) {
	asOf := d.now()
	var version int64
	var all []notice.Notice
	b := &pgx.Batch{}
	b.Queue(`SELECT version FROM notice_version`).QueryRow(func(row pgx.Row) error { return row.Scan(&version) })
	b.Queue(`SELECT`+noticeColumns+` FROM notice WHERE ends_at IS NULL OR ends_at > $1 ORDER BY starts_at, id`, asOf).Query(func(rows pgx.Rows) (err error) {
		all, err = noticesIn(rows)
		return err
	})
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return nil, err
	}
	return notice.NewSet(all, version, asOf), nil
}

// AllNotices lists notices, ended ones too, newest first, from the one after the id given.
func (d *DB) AllNotices(ctx context.Context, after string, limit int) (all []notice.Notice, err error) {
	err = d.plain(ctx, func(q querier) error {
		rows, err := q.Query(ctx, `SELECT`+noticeColumns+` FROM notice
			WHERE $1::uuid IS NULL OR (created_at, id) < (SELECT created_at, id FROM notice WHERE id = $1::uuid)
			ORDER BY created_at DESC, id DESC LIMIT $2`, orNull(after), limit)
		if err != nil {
			return err
		}
		all, err = noticesIn(rows)
		return err
	})
	return all, err
}

// WatchNotices hands over all notices at once, at every change, and at every poll,
// so that the time at which they were read stays fresh. It ends with ctx.
func (d *DB) WatchNotices(ctx context.Context, poll time.Duration, changed func(*notice.Set)) {
	d.follow(ctx, "forkwright_notices", poll, func(ctx context.Context, q querier) error {
		set, err := d.readNotices(ctx, q)
		if err != nil {
			return errors.Join(errors.New("reading notices"), err)
		}
		changed(set)
		return nil
	})
}

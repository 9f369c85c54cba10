package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/quagmt/udecimal"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/stock"
)

type feedRow struct {
	ID         string
	Location   string
	AccountID  string
	Kind       string
	State      string
	AsOf       time.Time
	Seq        *int64
	Digest     []byte
	Counts     json.RawMessage
	Bytes      int64
	Code       string
	Problem    string
	Undercut   json.RawMessage
	DryRun     bool
	RequestID  string
	StartedAt  time.Time
	FinishedAt *time.Time
}

// A feed that says running and whose lock nobody holds was interrupted; its row is put right
// when the next one begins.
const feedSelect = `
	WITH f AS (
	  SELECT *, state = 'running' AND NOT EXISTS (
	    SELECT FROM pg_locks k
	    WHERE k.locktype = 'advisory' AND k.granted AND k.database = (SELECT oid FROM pg_database WHERE datname = current_database())
	      AND k.classid = 7301 AND k.objid = (hashtext(location_id)::bigint & 4294967295)::oid) AS dead
	  FROM feed)
	SELECT id::text AS id, location_id AS location, account_id::text AS account_id, kind, CASE WHEN dead THEN 'failed' ELSE state END AS state,
	       as_of, seq, digest, counts, bytes, CASE WHEN dead THEN 'interrupted' ELSE code END AS code,
	       CASE WHEN dead THEN '` + interrupted + `' ELSE problem END AS problem,
	       undercut, dry_run, request_id, started_at, finished_at
	FROM f`

// Feed reads one feed; an account id of "" reaches those of all.
func (d *DB) Feed(ctx context.Context, accountID, id string) (stock.Feed, error) {
	rows, err := list[feedRow](ctx, d, feedSelect+` WHERE id = $1 AND ($2::text IS NULL OR account_id = $2::uuid)`, id, orNull(accountID))
	if err == nil && len(rows) == 0 || fault.CodeOf(err) == "not_found" {
		return stock.Feed{}, fault.New(fault.NotFound, "feed_not_found", "There is no such feed, or it is not yours.")
	}
	if err != nil {
		return stock.Feed{}, err
	}
	return rows[0].feed()
}

// Feeds lists a location's feeds, the newest first, before the one named; state "" means all.
func (d *DB) Feeds(ctx context.Context, location, state, before string, limit int) ([]stock.Feed, error) {
	rows, err := list[feedRow](ctx, d, feedSelect+`
		WHERE location_id = $1 AND ($2 = '' OR $2 = CASE WHEN dead THEN 'failed' ELSE state END) AND ($3::text IS NULL OR id < $3::uuid)
		ORDER BY id DESC LIMIT $4`, location, state, orNull(before), limit)
	var out []stock.Feed
	for _, r := range rows {
		f, err := r.feed()
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	return out, err
}

func (r feedRow) feed() (stock.Feed, error) {
	f := stock.Feed{
		ID: r.ID, Location: r.Location, AccountID: r.AccountID, Kind: stock.Kind(r.Kind), State: r.State, AsOf: r.AsOf, Seq: r.Seq,
		Digest: r.Digest, Bytes: r.Bytes, Code: r.Code, Problem: r.Problem, DryRun: r.DryRun, RequestID: r.RequestID,
		StartedAt: r.StartedAt, FinishedAt: r.FinishedAt,
	}
	if err := json.Unmarshal(r.Counts, &f.Counts); err != nil {
		return f, internal(err)
	}
	if err := json.Unmarshal(r.Undercut, &f.Undercut); err != nil {
		return f, internal(err)
	}
	return f, nil
}

// Rejects lists a feed's bad rows by line, as far as they were kept.
func (d *DB) Rejects(ctx context.Context, feedID string) ([]stock.Reject, error) {
	return list[stock.Reject](ctx, d, `SELECT line, code, value FROM feed_reject WHERE feed_id = $1 ORDER BY line`, feedID)
}

// ResetFeeds forgets when a location's last feed was, so that any feed may follow; its counts
// stay. It is recorded, with what was forgotten.
func (d *DB) ResetFeeds(ctx context.Context, by caller.Caller, location string) (account.Location, error) {
	l, err := d.Location(ctx, location)
	if err != nil {
		return l, err
	}
	return atMostOnce(ctx, d, by, l.AccountID, func(q querier) (account.Location, error) {
		if _, err := q.Exec(ctx, `SELECT pg_advisory_xact_lock($1, hashtext($2))`, mergeLock, location); err != nil {
			return l, err
		}
		before, err := locationForFeed(ctx, q, location)
		if err != nil {
			return l, err
		}
		e := happened(by, l.AccountID, "feeds_reset", "location", location, "last_as_of", "last_seq")
		e.Codes = map[string]string{}
		if before.LastAsOf != nil {
			e.Codes["last_as_of"] = before.LastAsOf.UTC().Format(time.RFC3339)
		}
		if before.LastSeq != nil {
			e.Codes["last_seq"] = fmt.Sprint(*before.LastSeq)
		}
		if err := insertEvent(ctx, q, e); err != nil {
			return l, err
		}
		if _, err := q.Exec(ctx, `UPDATE location SET last_as_of = NULL, last_seq = NULL, last_digest = NULL, last_feed = NULL WHERE id = $1`, location); err != nil {
			return l, err
		}
		return one[account.Location](ctx, q, locationSelect+` WHERE id = $1`, location)
	})
}

// PutCodes replaces a location's code map.
func (d *DB) PutCodes(ctx context.Context, by caller.Caller, accountID, location string, codes []stock.Code) error {
	return d.asAccount(ctx, accountID, func(q querier) error {
		// The version first: it holds the location's row, so that two maps never mix.
		tag, err := q.Exec(ctx, `UPDATE location SET codes_version = codes_version + 1 WHERE id = $1 AND account_id = $2`, location, accountID)
		if err != nil {
			return err
		}
		if err := none(tag, "location_not_found", "There is no such location, or it is not yours."); err != nil {
			return err
		}
		if _, err := q.Exec(ctx, `DELETE FROM code_map WHERE location_id = $1`, location); err != nil {
			return err
		}
		var names, skus, factors, units []string
		for _, c := range codes {
			names, skus, factors, units = append(names, c.Code), append(skus, c.SKU), append(factors, c.Factor.String()), append(units, c.Unit)
		}
		if _, err := q.Exec(ctx, `
			INSERT INTO code_map (account_id, location_id, code, sku, factor, unit)
			SELECT $1, $2, code, sku, factor::numeric, unit FROM unnest($3::text[], $4::text[], $5::text[], $6::text[]) AS t (code, sku, factor, unit)`,
			accountID, location, names, skus, factors, units); err != nil {
			return err
		}
		e := happened(by, accountID, "codes_stored", "location", location)
		e.Codes = map[string]string{"codes": fmt.Sprint(len(codes))}
		return insertEvent(ctx, q, e)
	})
}

// Codes lists a location's code map by code, after the one named.
func (d *DB) Codes(ctx context.Context, accountID, location, after string, limit int) ([]stock.Code, error) {
	type row struct {
		Code, SKU string
		Factor    udecimal.Decimal
		Unit      string
	}
	var rows []row
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(`SELECT code, sku, factor, unit FROM code_map WHERE location_id = $1 AND code > $2 ORDER BY code LIMIT $3`, location, after, limit).Query(collect(&rows))
	})
	var out []stock.Code
	for _, r := range rows {
		out = append(out, stock.Code(r))
	}
	return out, err
}

package db

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"forkwright/service/stock"
)

// errNothing ends a transaction whose outcome is right and whose writes are not wanted.
var errNothing = errors.New("nothing to be written")

// apply makes one location's counts what its feed says, in one transaction: the order is
// checked again under a lock that outlives no connection, changed rows are written, and the
// guards judge what would be written before anything is.
func (c *clerk) apply(ctx context.Context, t *taking, place int) error {
	tx, err := c.work.Begin(ctx)
	if err != nil {
		return err
	}
	defer rollback(ctx, c.work, "ROLLBACK")
	err = c.merge(ctx, tx, t, place)
	if err == nil {
		return tx.Commit(ctx)
	}
	if !errors.Is(err, errNothing) {
		return err
	}
	if err := tx.Rollback(ctx); err != nil {
		return err
	}
	return c.record(ctx, c.work, t)
}

func (c *clerk) merge(ctx context.Context, tx pgx.Tx, t *taking, place int) error {
	b := &pgx.Batch{}
	b.Queue(nameAccount, t.owner)
	b.Queue(`SELECT set_config('work_mem', '48MB', true)`)
	b.Queue(`SELECT pg_advisory_xact_lock($1, hashtext($2))`, mergeLock, t.feed.Location)
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return err
	}
	l, err := locationForFeed(ctx, tx, t.feed.Location)
	if err != nil {
		return err
	}
	rules := sha256.Sum256([]byte(t.rules))
	now := append(bytes.Clone(t.feed.Digest), rules[:]...)
	again, err := l.mark().Follows(c.u.Stamp)
	if err != nil {
		return err
	}
	if again {
		switch {
		case bytes.Equal(l.LastDigest, now):
			t.feed.State = stock.Unchanged
			t.feed.Counts.Unchanged = t.feed.Counts.Read - t.feed.Counts.Rejected - t.feed.Counts.Unknown
			return errNothing
		case len(l.LastDigest) != len(now) || !bytes.Equal(l.LastDigest[:len(t.feed.Digest)], t.feed.Digest):
			return l.mark().Differs()
		}
	}
	if err := c.change(ctx, tx, t, place, l.Excluding); err != nil {
		return err
	}
	if err := t.place.Policy.Judge(t.feed.Kind, t.feed.Counts, c.u.Allow); err != nil {
		return err
	}
	t.feed.State = stock.Applied
	if t.feed.Undercut, err = undercut(ctx, tx, t.feed.Location); err != nil {
		return err
	}
	if c.u.DryRun {
		return errNothing
	}
	return c.seal(ctx, tx, t, now)
}

// change merges the desk's rows of one location.
func (c *clerk) change(ctx context.Context, tx pgx.Tx, t *taking, place int, excluding bool) error {
	desk := fmt.Sprintf("feed_desk_%d", c.desk)
	counts := &t.feed.Counts
	join := "RIGHT" // a delta looks its own parts up
	if t.feed.Kind == stock.Full {
		join = "FULL"
	}
	asOf := t.feed.AsOf
	if asOf.After(t.feed.StartedAt) {
		asOf = t.feed.StartedAt // a clock that runs ahead has not seen the future
	}
	var kept int64 // parts listed before that keep what they have
	if t.feed.Kind == stock.Full && t.place.Kept > 0 {
		if err := tx.QueryRow(ctx, fmt.Sprintf(keptSQL, desk), t.feed.Location, place).Scan(&kept); err != nil {
			return err
		}
	}
	var listedAnew int64
	err := tx.QueryRow(ctx, fmt.Sprintf(mergeSQL, desk, join), t.feed.Location, asOf, place, excluding).Scan(&counts.Applied, &counts.Zeroed, &listedAnew)
	if t.feed.Kind == stock.Full {
		// Of the parts that the location had listed, each is counted again, kept, or gone: to
		// count them in the table would be another walk through all of it.
		counts.Known = t.place.Entries - listedAnew + kept + counts.Zeroed
	}
	counts.Missing = counts.Zeroed
	counts.Unchanged = counts.Read - counts.Applied - counts.Rejected - counts.Unknown
	return err
}

// keptSQL counts the parts listed before whose rows in a full feed are bad.
const keptSQL = `
	SELECT count(*) FROM %s e JOIN stock s ON s.location_id = $1 AND s.sku = e.sku
	WHERE e.place = $2 AND e.on_hand IS NULL AND s.listed`

// mergeSQL makes a location's rows what the desk says, writing only what differs. What a row of
// the desk leaves out is none. What was promised and handed over after the feed's time is taken
// from stock_move: the count cannot know of it. Rows are changed by their place in the table,
// because nobody else writes them under the merge lock.
const mergeSQL = `
	WITH since AS (
	  SELECT sku, sum(promised) AS promised, sum(shipped) AS shipped
	  FROM stock_move WHERE location_id = $1 AND at > $2
	  GROUP BY sku
	), held AS (
	  SELECT p.sku, CASE WHEN $4::boolean THEN p.qty - coalesce(m.promised, 0) ELSE 0 END AS promised, p.shipped - coalesce(m.shipped, 0) AS shipped
	  FROM promised p LEFT JOIN since m ON m.sku = p.sku
	  WHERE p.location_id = $1
	), change AS MATERIALIZED (
	  SELECT s.tid, coalesce(e.sku, s.sku) AS sku, e.sku IS NULL AS gone, s.listed AS was_listed, v.*
	  FROM (SELECT ctid AS tid, sku, on_hand, at_least, incoming, incoming_on, bin, listed, shipped_seen FROM stock WHERE location_id = $1) s
	  %[2]s JOIN (SELECT sku, on_hand, at_least, incoming, incoming_on, bin FROM %[1]s WHERE place = $3) e ON e.sku = s.sku
	  LEFT JOIN held h ON h.sku = coalesce(e.sku, s.sku)
	  CROSS JOIN LATERAL (
	    SELECT CASE WHEN h.promised IS NULL THEN coalesce(e.on_hand, 0) ELSE coalesce(e.on_hand, 0) + h.promised END AS on_hand,
	           coalesce(e.at_least, false) AS at_least, coalesce(e.incoming, 0) AS incoming, e.incoming_on,
	           CASE WHEN e.sku IS NULL THEN s.bin ELSE coalesce(e.bin, '') END AS bin,
	           e.sku IS NOT NULL AS listed, coalesce(h.shipped, 0) AS shipped_seen
	  ) v
	  WHERE (e.sku IS NULL OR e.on_hand IS NOT NULL)
	    AND (s.sku IS NULL OR (s.on_hand, s.at_least, s.incoming, s.incoming_on, s.bin, s.listed, s.shipped_seen)
	         IS DISTINCT FROM (v.on_hand, v.at_least, v.incoming, v.incoming_on, v.bin, v.listed, v.shipped_seen))
	), updated AS (
	  UPDATE stock s SET on_hand = c.on_hand, at_least = c.at_least, incoming = c.incoming, incoming_on = c.incoming_on, bin = c.bin,
	         listed = c.listed, shipped_seen = c.shipped_seen
	  FROM change c WHERE c.tid IS NOT NULL AND s.ctid = c.tid AND s.location_id = $1 AND s.sku = c.sku
	), inserted AS (
	  INSERT INTO stock (location_id, sku, on_hand, at_least, incoming, incoming_on, bin, listed, shipped_seen)
	  SELECT $1, c.sku, c.on_hand, c.at_least, c.incoming, c.incoming_on, c.bin, c.listed, c.shipped_seen
	  FROM change c WHERE c.tid IS NULL
	)
	SELECT count(*) FILTER (WHERE NOT gone), count(*) FILTER (WHERE gone AND was_listed), count(*) FILTER (WHERE NOT gone AND was_listed IS NOT TRUE) FROM change`

// undercut lists what is promised beyond what is there; the first hundred.
func undercut(ctx context.Context, q querier, location string) ([]stock.Undercut, error) {
	rows, err := q.Query(ctx, `
		SELECT p.sku, coalesce(s.on_hand - p.shipped + s.shipped_seen, 0)::text AS on_hand, p.qty::text AS promised
		FROM promised p LEFT JOIN stock s ON s.location_id = p.location_id AND s.sku = p.sku
		WHERE p.location_id = $1 AND p.qty > 0 AND p.qty > coalesce(s.on_hand - p.shipped + s.shipped_seen, 0)
		ORDER BY p.sku LIMIT 100`, location)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[stock.Undercut])
}

// seal makes the feed the location's last one. The location's row is locked from here to the
// commit only, so that whoever accepts waits for no more than that.
func (c *clerk) seal(ctx context.Context, tx pgx.Tx, t *taking, lastDigest []byte) error {
	if err := c.record(ctx, tx, t); err != nil {
		return err
	}
	e := happened(c.by, t.owner, "applied", "feed", t.feed.ID, "state")
	e.Codes = map[string]string{"location": t.feed.Location, "kind": string(t.feed.Kind), "applied": fmt.Sprint(t.feed.Counts.Applied), "zeroed": fmt.Sprint(t.feed.Counts.Zeroed)}
	if err := insertEvent(ctx, tx, e); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `UPDATE location SET last_as_of = $2, last_seq = $3, last_digest = $4, last_feed = $5 WHERE id = $1`,
		t.feed.Location, t.feed.AsOf, t.feed.Seq, lastDigest, t.feed.ID)
	return err
}

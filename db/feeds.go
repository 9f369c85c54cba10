package db

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"runtime"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/quagmt/udecimal"

	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/stock"
)

// The first halves of our advisory locks; the second is a hash of the location, or a desk.
const (
	feedLock  = 7301 // held by the session that takes a feed for a location
	deskLock  = 7302 // held by the session whose rows wait on a desk
	mergeLock = 7303 // held by the transaction that changes a location's counts
)

const desks = 3

// TakeFeed reads a feed for one location and applies it whole or not at all. The feed it
// returns is what is kept of it, with an error too once it was begun. Faults: those of the
// rules in package stock; location_not_found; feed_running (another one for the location is
// under way) and feeds_busy.
func (d *DB) TakeFeed(ctx context.Context, by caller.Caller, location string, u stock.Upload, parts stock.Parts, body io.Reader) (stock.Feed, error) {
	var feed stock.Feed
	err := d.withClerk(ctx, by, u, func(c *clerk) error {
		t, err := c.begin(ctx, location)
		if err != nil {
			return err
		}
		if t.place.Skip == nil {
			in := stock.NewIntake(body, u.Format, parts, t.place)
			err = c.stage(ctx, in)
			c.finishAll(ctx, in, err)
		} else {
			c.keep(ctx, t, t.place.Skip)
		}
		feed = t.feed
		return t.err
	})
	return feed, err
}

// TakeSharedFeed reads a feed whose rows name their locations and applies it location by
// location, each whole or not at all. Refusals are in the feeds' Code and Problem; the error
// is for a feed that cannot be read.
func (d *DB) TakeSharedFeed(ctx context.Context, by caller.Caller, u stock.Upload, parts stock.Parts, body io.Reader) ([]stock.Feed, error) {
	var feeds []stock.Feed
	err := d.withClerk(ctx, by, u, func(c *clerk) error {
		in := stock.NewSharedIntake(body, u.Format, parts, func(location string) (*stock.Place, error) {
			t, err := c.begin(ctx, location)
			if f := fault.As(err); f != nil && f.Kind != fault.Unavailable && f.Kind != fault.Internal {
				t = c.refusedBefore(location, err)
			} else if err != nil {
				return nil, err
			}
			return t.place, nil
		})
		err := c.stage(ctx, in)
		c.finishAll(ctx, in, err)
		for _, t := range c.takings {
			feeds = append(feeds, t.feed)
		}
		return err
	})
	return feeds, err
}

// clerk takes one body: on one connection it holds the locations' locks, on the other it
// works, so that a location can be locked while rows of another are on their way.
type clerk struct {
	db      *DB
	by      caller.Caller
	u       stock.Upload
	locks   *pgx.Conn
	work    *pgx.Conn
	desk    int
	takings []*taking
}

// taking is one location's part of a body.
type taking struct {
	place *stock.Place
	feed  stock.Feed
	owner string
	rules string
	err   error
}

// withClerk lends a clerk with a desk. Its two connections are its own, outside the pool: a
// feed takes minutes, and a pool drained by feeds would stop everything else.
func (d *DB) withClerk(ctx context.Context, by caller.Caller, u stock.Upload, fn func(*clerk) error) error {
	if err := u.CheckTime(d.now()); err != nil {
		return err
	}
	if d.pool == nil {
		return internal(errors.New("a feed needs connections of its own"))
	}
	c := &clerk{db: d, by: by, u: u}
	for _, conn := range []**pgx.Conn{&c.locks, &c.work} {
		var err error
		if *conn, err = d.connectForFeed(ctx); err != nil {
			return translate(err)
		}
		defer closeConn(*conn)
	}
	if err := c.findDesk(ctx); err != nil {
		return translate(err)
	}
	defer c.leaveDesk()
	return translate(fn(c))
}

// leaveDesk empties the desk: millions of rows would lie on the disk until somebody else needs
// it. Where that fails, the next one empties it before use.
func (c *clerk) leaveDesk() {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if !c.work.IsClosed() {
		_, _ = c.work.Exec(ctx, `SELECT clear_feed_desk($1)`, c.desk)
	}
}

func (d *DB) connectForFeed(ctx context.Context) (*pgx.Conn, error) {
	cfg := d.pool.Config().ConnConfig.Copy()
	cfg.RuntimeParams["application_name"] = "forkwright feed"
	cfg.RuntimeParams["statement_timeout"] = milliseconds(10 * time.Minute)
	cfg.RuntimeParams["lock_timeout"] = milliseconds(30 * time.Second)
	cfg.RuntimeParams["jit"] = "off" // half a second to compile what runs for two
	return pgx.ConnectConfig(ctx, cfg)
}

// closeConn ends the session, and with it every lock that it holds. They are let go before,
// because the server ends a session some time after we have closed it, and the next feed may
// come at once.
func closeConn(c *pgx.Conn) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if !c.IsClosed() {
		_, _ = c.Exec(ctx, `SELECT pg_advisory_unlock_all()`)
	}
	_ = c.Close(ctx)
}

func (c *clerk) findDesk(ctx context.Context) error {
	for n := 1; n <= desks; n++ {
		var mine bool
		if err := c.work.QueryRow(ctx, `SELECT pg_try_advisory_lock($1, $2)`, deskLock, n).Scan(&mine); err != nil {
			return err
		}
		if mine {
			c.desk = n
			_, err := c.work.Exec(ctx, `SELECT clear_feed_desk($1)`, n)
			return err
		}
	}
	e := fault.New(fault.Unavailable, "feeds_busy", "%d feeds are being taken right now; send this one again shortly.", desks)
	e.RetryAfter = 20
	return e
}

// locationRow is what a feed needs to know of its location.
type locationRow struct {
	AccountID    string
	Policy       json.RawMessage
	Excluding    bool
	LastAsOf     *time.Time
	LastSeq      *int64
	LastDigest   []byte
	LastFeed     *string
	CodesVersion int64
}

func locationForFeed(ctx context.Context, q querier, location string) (locationRow, error) {
	return one[locationRow](ctx, q, `
		SELECT account_id::text AS account_id, policy, counts_exclude_promised AS excluding, last_as_of, last_seq, last_digest,
		       last_feed::text AS last_feed, codes_version
		FROM location WHERE id = $1`, location)
}

func (l locationRow) mark() stock.Mark {
	m := stock.Mark{AsOf: l.LastAsOf, Seq: l.LastSeq}
	if l.LastFeed != nil {
		m.Feed = *l.LastFeed
	}
	return m
}

// begin locks a location and opens its feed. A feed that comes too late is kept as refused,
// its rows are read over.
func (c *clerk) begin(ctx context.Context, location string) (*taking, error) {
	l, err := locationForFeed(ctx, c.locks, location)
	if errors.Is(err, pgx.ErrNoRows) || err == nil && l.AccountID != c.by.AccountID && !c.by.Has(caller.Administrator) {
		return nil, locationNotFound()
	}
	if err != nil {
		return nil, err
	}
	var mine bool
	if err := c.locks.QueryRow(ctx, `SELECT pg_try_advisory_lock($1, hashtext($2))`, feedLock, location).Scan(&mine); err != nil {
		return nil, err
	}
	if !mine {
		e := fault.New(fault.Conflict, "feed_running", "Another feed for %s is being taken right now; there is no queue. Send this one again when that is done.", location)
		e.RetryAfter = 30
		return nil, e
	}
	t, err := c.open(ctx, location, l)
	if err != nil {
		return nil, err
	}
	if _, err := l.mark().Follows(c.u.Stamp); err != nil {
		t.place.Skip = err
	}
	c.takings = append(c.takings, t)
	return t, nil
}

// open makes the feed's row. One that still says running under our lock was interrupted.
func (c *clerk) open(ctx context.Context, location string, l locationRow) (*taking, error) {
	policy, err := stock.ParsePolicy(l.Policy)
	if err != nil {
		return nil, err
	}
	id, err := c.db.newID()
	if err != nil {
		return nil, err
	}
	now := c.db.now().Truncate(time.Microsecond) // as it is kept
	t := &taking{
		owner: l.AccountID,
		place: &stock.Place{Location: location, FeedID: id, Policy: policy},
		rules: fmt.Sprintf("%s\x00%s\x00%d\x00%t", l.Policy, c.u.Rules, l.CodesVersion, l.Excluding),
		feed: stock.Feed{
			ID: id, Location: location, AccountID: l.AccountID, Kind: c.u.Kind, State: stock.Running, AsOf: c.u.AsOf, Seq: c.u.Seq,
			DryRun: c.u.DryRun, RequestID: c.by.RequestID, StartedAt: now,
		},
	}
	if l.CodesVersion > 0 {
		t.place.Codes = c.db.codeMap(ctx, l.AccountID, location)
	}
	b := &pgx.Batch{}
	b.Queue(`
		UPDATE feed SET state = 'failed', code = 'interrupted', problem = $2, finished_at = $3
		WHERE location_id = $1 AND state = 'running'`, location, interrupted, now)
	b.Queue(`
		DELETE FROM feed_reject r USING feed f
		WHERE f.id = r.feed_id AND f.location_id = $1 AND f.started_at < $2`, location, now.Add(-rejectsKept))
	b.Queue(`DELETE FROM feed WHERE location_id = $1 AND started_at < $2`, location, now.Add(-feedsKept))
	b.Queue(`
		INSERT INTO feed (id, location_id, account_id, kind, state, as_of, seq, dry_run, request_id, started_at)
		VALUES ($1, $2, $3, $4, 'running', $5, $6, $7, $8, $9)`,
		id, location, l.AccountID, string(c.u.Kind), c.u.AsOf, c.u.Seq, c.u.DryRun, c.by.RequestID, now)
	return t, c.locks.SendBatch(ctx, b).Close()
}

// What is kept of feeds, and for how long.
const (
	interrupted = "The service or the database stopped while this feed was taken. Nothing of it was applied; send it again."
	rejectsKept = 60 * 24 * time.Hour
	feedsKept   = 400 * 24 * time.Hour
)

// refusedBefore stands for a location whose feed could not be begun at all.
func (c *clerk) refusedBefore(location string, err error) *taking {
	f := fault.As(err)
	t := &taking{
		err:   err,
		place: &stock.Place{Location: location, Skip: err},
		feed: stock.Feed{
			Location: location, Kind: c.u.Kind, State: stock.Refused, AsOf: c.u.AsOf, Seq: c.u.Seq, DryRun: c.u.DryRun,
			Code: f.Code, Problem: f.Text, StartedAt: c.db.now(),
		},
	}
	c.takings = append(c.takings, t)
	return t
}

// codeMap looks codes up in a location's map, a batch at a time: it may be as long as a feed.
func (d *DB) codeMap(ctx context.Context, owner, location string) stock.CodeMap {
	type row struct {
		Code, SKU string
		Factor    udecimal.Decimal
	}
	return func(codes []string) (map[string]stock.Mapped, error) {
		var rows []row
		err := d.readOnce(ctx, owner, func(b *pgx.Batch) {
			b.Queue(`SELECT code, sku, factor FROM code_map WHERE location_id = $1 AND code = ANY($2)`, location, codes).Query(collect(&rows))
		})
		found := make(map[string]stock.Mapped, len(rows))
		for _, r := range rows {
			found[r.Code] = stock.Mapped{SKU: r.SKU, Factor: r.Factor}
		}
		return found, err
	}
}

const (
	copyBytes     = 512 << 10   // of rows go to the desk at once
	progressEvery = time.Second // what has arrived is made visible
)

// What a row of the desk says; all but the first rows is left out while a feed says no more.
const (
	plainColumns = "place, sku, on_hand"
	allColumns   = plainColumns + ", at_least, incoming, incoming_on, bin"
)

// stage puts the feed's rows on the desk, some thousand at a time, and keeps no more of them in
// memory. It does not read on while they are stored: whoever asks beside a feed meets one busy
// processor, not two.
func (c *clerk) stage(ctx context.Context, in *stock.Intake) error {
	rows := make([]byte, 0, copyBytes+copyBytes/4)
	columns, told := plainColumns, c.db.now()
	flush := func() error {
		err := c.store(ctx, columns, rows)
		rows = rows[:0]
		return err
	}
	for {
		runtime.Gosched() // or nobody looks at the sockets until these rows are read
		entries, err := in.Next()
		if err == io.EOF {
			return flush()
		}
		if err != nil {
			return err
		}
		if columns == plainColumns && !allPlain(entries) {
			if err := flush(); err != nil {
				return err
			}
			columns = allColumns
		}
		for i := range entries {
			rows = appendEntry(rows, &entries[i], columns == allColumns)
		}
		if len(rows) >= copyBytes {
			if err := flush(); err != nil {
				return err
			}
		}
		if now := c.db.now(); now.Sub(told) >= progressEvery {
			if err := c.progress(ctx, in); err != nil {
				return err
			}
			told = now
		}
	}
}

func allPlain(entries []stock.Entry) bool {
	for i := range entries {
		if !entries[i].Plain() {
			return false
		}
	}
	return true
}

func (c *clerk) store(ctx context.Context, columns string, rows []byte) error {
	if len(rows) == 0 {
		return nil
	}
	_, err := c.work.PgConn().CopyFrom(ctx, bytes.NewReader(rows), fmt.Sprintf(`COPY feed_desk_%d (%s) FROM STDIN`, c.desk, columns))
	return err
}

// appendEntry writes a row in the text format of COPY.
func appendEntry(b []byte, e *stock.Entry, all bool) []byte {
	b = strconv.AppendInt(b, int64(e.Place), 10)
	b = append(b, '\t')
	b = appendText(b, e.SKU)
	b = append(b, '\t')
	if e.Keep {
		b = append(b, `\N`...)
	} else {
		b = append(b, e.OnHand.String()...)
	}
	if !all {
		return append(b, '\n')
	}
	b = append(b, '\t')
	b = appendBool(b, e.AtLeast)
	b = append(b, '\t')
	b = append(b, e.Incoming.String()...)
	b = append(b, '\t')
	if e.IncomingOn == "" {
		b = append(b, `\N`...)
	} else {
		b = append(b, e.IncomingOn...)
	}
	b = append(b, '\t')
	b = appendText(b, e.Bin)
	return append(b, '\n')
}

func appendBool(b []byte, v bool) []byte {
	if v {
		return append(b, 't')
	}
	return append(b, 'f')
}

// appendText escapes what COPY would take for its own; control characters do not come here.
func appendText(b []byte, s string) []byte {
	for i := range len(s) {
		if s[i] == '\\' {
			b = append(b, '\\')
		}
		b = append(b, s[i])
	}
	return b
}

// progress makes what has arrived visible while the feed runs.
func (c *clerk) progress(ctx context.Context, in *stock.Intake) error {
	b := &pgx.Batch{}
	for _, p := range in.Places() {
		if p.FeedID != "" {
			b.Queue(`UPDATE feed SET counts = $2, bytes = $3 WHERE id = $1`, p.FeedID, p.Counts, in.Bytes())
		}
	}
	return c.work.SendBatch(ctx, b).Close()
}

// finishAll ends every location's feed: staged is what reading it came to.
func (c *clerk) finishAll(ctx context.Context, in *stock.Intake, staged error) {
	if staged == nil {
		_, staged = c.work.Exec(ctx, `SELECT measure_feed_desk($1)`, c.desk)
	}
	for i, t := range c.takings {
		t.feed.Counts, t.feed.Bytes = t.place.Counts, in.Bytes()
		switch {
		case staged != nil:
			c.keep(ctx, t, staged)
		case t.place.Skip != nil:
			c.keep(ctx, t, t.place.Skip)
		default:
			t.feed.Digest = digest(string(c.u.Kind), in.Digest())
			if err := c.apply(ctx, t, i); err != nil {
				c.keep(ctx, t, err)
			}
		}
	}
}

func digest(kind string, content []byte) []byte {
	sum := sha256.Sum256(append([]byte(kind+"\n"), content...))
	return sum[:]
}

// keep records a feed that changed nothing, also when the request or the work's connection is
// gone.
func (c *clerk) keep(ctx context.Context, t *taking, why error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	t.err = translate(why)
	f := fault.As(t.err)
	t.feed.State, t.feed.Code, t.feed.Problem = stock.Refused, f.Code, f.Text
	if f.Kind == fault.Unavailable || f.Kind == fault.Internal || slices.Contains(cutOff, f.Code) {
		t.feed.State = stock.Failed
	}
	if t.feed.ID == "" {
		return
	}
	named := *f
	named.Extra = maps.Clone(f.Extra)
	if named.Extra == nil {
		named.Extra = map[string]any{}
	}
	named.Extra["feed_id"] = t.feed.ID
	t.err = &named
	if err := c.db.asNobody(ctx, func(q querier) error { return c.record(ctx, q, t) }); err != nil {
		c.db.opts.Log.Error("a feed's end could not be recorded", "feed", t.feed.ID, "cause", err)
	}
}

var cutOff = []string{"body_incomplete", "body_too_slow", "gzip_incomplete"}

// record writes how a feed ended and its bad rows.
func (c *clerk) record(ctx context.Context, q querier, t *taking) error {
	now := c.db.now().Truncate(time.Microsecond) // as it is kept
	f := &t.feed
	f.FinishedAt = &now
	if f.Undercut == nil {
		f.Undercut = []stock.Undercut{}
	}
	_, err := q.Exec(ctx, `
		UPDATE feed SET state = $2, counts = $3, bytes = $4, digest = $5, code = $6, problem = $7, undercut = $8, finished_at = $9
		WHERE id = $1`, f.ID, f.State, f.Counts, f.Bytes, f.Digest, f.Code, f.Problem, f.Undercut, now)
	if err != nil || len(t.place.Rejects) == 0 {
		return err
	}
	var lines []int64
	var codes, values []string
	for _, r := range t.place.Rejects {
		lines, codes, values = append(lines, r.Line), append(codes, r.Code), append(values, r.Value)
	}
	_, err = q.Exec(ctx, `
		INSERT INTO feed_reject (feed_id, line, code, value)
		SELECT $1, line, code, value FROM unnest($2::bigint[], $3::text[], $4::text[]) AS t (line, code, value)
		ON CONFLICT DO NOTHING`, f.ID, lines, codes, values)
	return err
}

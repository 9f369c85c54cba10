// Package db keeps what must outlive the process in Postgres.
//
// A public method of DB is one transaction. Rows of a tenant are reached through
// asAccount, asAccountIn, readAsAccount, readOnce and readOnDisk only: they name the
// account to Postgres, whose row-level security holds even where a WHERE was forgotten.
// No text of the driver or the server leaves this package other than as the wrapped
// cause of a fault.
package db

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"forkwright/service/fault"
)

// Options of Open; the zero value serves.
type Options struct {
	MaxConns         int32            // 0 means 16
	StatementTimeout time.Duration    // of one statement; 0 means 10 s
	AcquireTimeout   time.Duration    // of waiting for a connection; 0 means 3 s
	Now              func() time.Time // nil means time.Now
	Rand             io.Reader        // nil means crypto/rand
	Log              *slog.Logger     // nil means none
}

func (o Options) withDefaults() Options {
	if o.MaxConns == 0 {
		o.MaxConns = 16
	}
	if o.StatementTimeout == 0 {
		o.StatementTimeout = 10 * time.Second
	}
	if o.AcquireTimeout == 0 {
		o.AcquireTimeout = 3 * time.Second
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Rand == nil {
		o.Rand = rand.Reader
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}

// DB is the store.
type DB struct {
	conns source
	pool  *pgxpool.Pool // nil inside a test's transaction
	opts  Options
}

// querier is what a store function may do with a connection or a transaction.
type querier interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

// source lends connections.
type source interface {
	borrow(ctx context.Context) (conn *pgx.Conn, giveBack func(), err error)
	words() txWords
}

// txWords begin and end a transaction on a borrowed connection.
type txWords struct{ begin, beginReadOnly, commit, rollback string }

// Open connects as the service role. It refuses a role that the walls do not
// hold: a superuser, one that bypasses row-level security, one that owns tables.
func Open(ctx context.Context, url string, o Options) (*DB, error) {
	o = o.withDefaults()
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("the database URL cannot be read: %w", err)
	}
	cfg.MaxConns = o.MaxConns
	settings(cfg.ConnConfig, o)
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("opening the database: %w", err)
	}
	err = refusePowerful(ctx, pool)
	if err == nil {
		err = refuseForgetful(ctx, pool)
	}
	if err != nil {
		pool.Close()
		return nil, err
	}
	return &DB{conns: pooled{pool, o.AcquireTimeout}, pool: pool, opts: o}, nil
}

func settings(cfg *pgx.ConnConfig, o Options) {
	for name, value := range map[string]string{
		"timezone":                            "UTC",
		"statement_timeout":                   milliseconds(o.StatementTimeout),
		"lock_timeout":                        milliseconds(o.StatementTimeout / 2),
		"idle_in_transaction_session_timeout": "60000",
	} {
		cfg.RuntimeParams[name] = value
	}
	if cfg.RuntimeParams["application_name"] == "" { // an operator may tell replicas apart
		cfg.RuntimeParams["application_name"] = "forkwright"
	}
	if cfg.ConnectTimeout == 0 || cfg.ConnectTimeout > 5*time.Second {
		cfg.ConnectTimeout = 5 * time.Second
	}
}

func milliseconds(d time.Duration) string { return fmt.Sprint(d.Milliseconds()) }

// ErrTooPowerful says that the role given for serving is not the service role.
var ErrTooPowerful = errors.New("the walls between accounts do not hold for this database role")

func refusePowerful(ctx context.Context, q querier) error {
	var role string
	var super, bypass, owns bool
	err := q.QueryRow(ctx, `
		SELECT current_user, r.rolsuper, r.rolbypassrls,
		       EXISTS (SELECT FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		               WHERE n.nspname = 'public' AND c.relkind IN ('r','p')
		                 AND pg_has_role(current_user, c.relowner, 'MEMBER'))
		FROM pg_roles r WHERE r.rolname = current_user`).Scan(&role, &super, &bypass, &owns)
	if err != nil {
		return fmt.Errorf("asking the database for our own role: %w", err)
	}
	var why string
	switch {
	case super:
		why = "is a superuser"
	case bypass:
		why = "may bypass row-level security"
	case owns:
		why = "owns the tables, or is a member of the role that does"
	default:
		return nil
	}
	return fmt.Errorf("%w: %s %s; serve as %s, and migrate as %s", ErrTooPowerful, role, why, ServiceRole, OwnerRole)
}

// ErrForgetful says that answers could not wait for the disk.
var ErrForgetful = errors.New("this database role may not call pg_logical_emit_message, as everybody may in a new database: grant it EXECUTE")

// refuseForgetful finds out at the start what would else be known when the first quote is stored
// and cannot be answered. A message outside a transaction leaves nothing behind.
func refuseForgetful(ctx context.Context, q querier) error {
	_, err := q.Exec(ctx, `SELECT pg_logical_emit_message(false, 'forkwright', '')`)
	if pg := (*pgconn.PgError)(nil); errors.As(err, &pg) && pg.Code == "42501" {
		return ErrForgetful
	}
	if err != nil {
		return fmt.Errorf("asking the database to write its log: %w", err)
	}
	return nil
}

// Close waits for borrowed connections and closes all.
func (d *DB) Close() {
	if d.pool != nil {
		d.pool.Close()
	}
}

// Ping says whether the database answers.
func (d *DB) Ping(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	return d.plain(ctx, func(q querier) error {
		_, err := q.Exec(ctx, `SELECT 1`)
		return err
	})
}

// now is the clock of whoever opened the store.
func (d *DB) now() time.Time { return d.opts.Now().UTC() }

type pooled struct {
	pool *pgxpool.Pool
	wait time.Duration
}

func (p pooled) words() txWords {
	return txWords{begin: "BEGIN", beginReadOnly: "BEGIN READ ONLY", commit: "COMMIT", rollback: "ROLLBACK"}
}

func (p pooled) borrow(ctx context.Context) (*pgx.Conn, func(), error) {
	waitCtx, cancel := context.WithTimeout(ctx, p.wait)
	defer cancel()
	c, err := p.pool.Acquire(waitCtx)
	if err != nil {
		if ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		return nil, nil, fault.Wrap(err, fault.Unavailable, "database_unavailable", "The database does not answer; try again shortly.")
	}
	return c.Conn(), c.Release, nil
}

// asAccount runs fn in a transaction that sees and writes the rows of one
// account. Begin and the account travel together, in one round trip.
func (d *DB) asAccount(ctx context.Context, accountID string, fn func(q querier) error) error {
	return d.transact(ctx, d.conns.words().begin, accountID, alone(fn))
}

// asAccountIn is asAccount in few round trips: locks are held for as long as they take.
func (d *DB) asAccountIn(ctx context.Context, accountID string, s steps) error {
	return d.transact(ctx, d.conns.words().begin, accountID, s)
}

// readAsAccount is asAccount for several reads that must agree with each other.
func (d *DB) readAsAccount(ctx context.Context, accountID string, fn func(q querier) error) error {
	return d.transact(ctx, d.conns.words().beginReadOnly, accountID, alone(fn))
}

// readOnce sends the account and the queued reads in one round trip. Without an
// explicit BEGIN the statements of one batch are one transaction, and the setting
// ends with it.
func (d *DB) readOnce(ctx context.Context, accountID string, queue func(b *pgx.Batch)) error {
	return d.plain(ctx, func(q querier) error {
		b := &pgx.Batch{}
		b.Queue(nameAccount, accountID)
		queue(b)
		return q.SendBatch(ctx, b).Close()
	})
}

// readOnDisk is readOnce for what tells how far somebody has read: a crash takes nothing of it
// back, so that no number that was given out stands for something else later.
func (d *DB) readOnDisk(ctx context.Context, accountID string, queue func(b *pgx.Batch)) error {
	return d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		queue(b)
		queueOnDisk(b)
	})
}

// asNobody runs fn in a transaction that sees no tenant's rows: for tables
// outside the wall.
func (d *DB) asNobody(ctx context.Context, fn func(q querier) error) error {
	return d.transact(ctx, d.conns.words().begin, "", alone(fn))
}

// plain runs single statements without a transaction of ours, outside the wall.
func (d *DB) plain(ctx context.Context, fn func(q querier) error) error {
	conn, giveBack, err := d.conns.borrow(ctx)
	if err != nil {
		return err
	}
	defer giveBack()
	return translate(fn(conn))
}

const nameAccount = `SELECT set_config('app.account', $1, true)`

// steps are what happens in a transaction.
type steps struct {
	first func(b *pgx.Batch)                     // queues what is sent with BEGIN; may be nil
	then  func(q querier, last *pgx.Batch) error // what it queues is sent with COMMIT
	// contended says that others wait for what it locks: it is let go before the commit is on
	// disk. The caller is not: see queueOnDisk.
	contended bool
}

func alone(fn func(q querier) error) steps {
	return steps{then: func(q querier, _ *pgx.Batch) error { return fn(q) }}
}

func (d *DB) transact(ctx context.Context, begin, accountID string, s steps) (err error) {
	conn, giveBack, err := d.conns.borrow(ctx)
	if err != nil {
		return err
	}
	defer giveBack()
	words := d.conns.words()
	b := &pgx.Batch{}
	b.Queue(begin)
	b.Queue(nameAccount, accountID)
	if s.first != nil {
		s.first(b)
	}
	committed := false
	defer func() { // also when then panics
		if !committed {
			rollback(ctx, conn, words.rollback)
		}
	}()
	if err := conn.SendBatch(ctx, b).Close(); err != nil {
		return translate(err)
	}
	last := &pgx.Batch{}
	if err := s.then(conn, last); err != nil {
		return translate(err)
	}
	if s.contended {
		last.Queue(`SET LOCAL synchronous_commit = off`)
	}
	var ended string
	last.Queue(words.commit).Exec(func(tag pgconn.CommandTag) error {
		ended = tag.String()
		return nil
	})
	if s.contended {
		queueOnDisk(last)
	}
	if err := conn.SendBatch(ctx, last).Close(); err != nil {
		return translate(err)
	}
	committed = true
	if ended == "ROLLBACK" { // then swallowed the error of a statement
		return fault.Wrap(errors.New("commit of a failed transaction"), fault.Internal, "internal", "Something went wrong on our side.")
	}
	return nil
}

// queueOnDisk waits until everything that was committed before it is on disk, this connection's
// or another's: the log is written in one order, so it is enough to commit an empty message as
// durably as the server is set to. Waiting for the disk before locks are let go would let
// nobody else work meanwhile; now those who wait for the disk wait together. Nothing can build
// on a commit that a crash takes back: what came after it is behind it in the log.
func queueOnDisk(b *pgx.Batch) {
	b.Queue(`SELECT pg_logical_emit_message(true, $1, '')`, "forkwright")
}

// rollback works after the caller's context has ended too. A connection that it
// cannot clean is thrown away by the pool.
func rollback(ctx context.Context, conn *pgx.Conn, word string) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	if conn.IsClosed() || conn.PgConn().TxStatus() == 'I' {
		return
	}
	if _, err := conn.Exec(ctx, word); err != nil {
		_ = conn.Close(ctx) // nothing more can be done with it
	}
}

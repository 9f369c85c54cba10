package db

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// follow runs check at once, at every notification on the channel, and at least
// once every poll, because a notification is lost whenever the connection is. It
// has a connection of its own and ends with ctx.
func (d *DB) follow(ctx context.Context, channel string, poll time.Duration, check func(ctx context.Context, q querier) error) {
	for ctx.Err() == nil {
		err := d.followOnce(ctx, channel, poll, check)
		if ctx.Err() != nil {
			return
		}
		d.opts.Log.Warn("following "+channel+" was interrupted", "error", err.Error())
		select {
		case <-ctx.Done():
		case <-time.After(min(poll, time.Second)):
		}
	}
}

// followOnce works on one connection until that fails.
func (d *DB) followOnce(ctx context.Context, channel string, poll time.Duration, check func(ctx context.Context, q querier) error) error {
	cfg := d.pool.Config().ConnConfig.Copy()
	cfg.ConnectTimeout = 2 * time.Second
	conn, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return err
	}
	defer func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_ = conn.Close(closing) // broken or not, it is not used again
	}()
	if _, err := conn.Exec(ctx, "LISTEN "+pgx.Identifier{channel}.Sanitize()); err != nil {
		return err
	}
	for {
		if err := d.checkInTime(ctx, conn, check); err != nil {
			return err
		}
		waiting, cancel := context.WithTimeout(ctx, poll)
		_, err := conn.WaitForNotification(waiting)
		timeUp := waiting.Err() != nil
		cancel()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil && !timeUp {
			return err
		}
	}
}

// checkInTime gives up on a server that accepts and then says nothing.
func (d *DB) checkInTime(ctx context.Context, conn *pgx.Conn, check func(ctx context.Context, q querier) error) error {
	ctx, cancel := context.WithTimeout(ctx, d.opts.StatementTimeout)
	defer cancel()
	return check(ctx, conn)
}

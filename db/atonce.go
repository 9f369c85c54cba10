package db

import (
	"context"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// execer is the part of a querier that writes.
type execer interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}

// atOnce sends all that fn executes in one round trip, in its order: a lock held meanwhile is
// held that much shorter. fn learns of no failure and of no count of rows; atOnce fails with
// the first failure.
func atOnce(ctx context.Context, q querier, fn func(later execer) error) error {
	b := &pgx.Batch{}
	if err := fn(queued{b}); err != nil {
		return err
	}
	return q.SendBatch(ctx, b).Close()
}

type queued struct{ b *pgx.Batch }

func (q queued) Exec(_ context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	q.b.Queue(sql, args...)
	return pgconn.CommandTag{}, nil
}

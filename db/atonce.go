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

// queued executes later, with the rest of its batch and in its order, in one round trip: a
// lock held meanwhile is held that much shorter. Whoever uses it learns of no failure and of
// no count of rows; the batch fails with the first failure.
type queued struct{ b *pgx.Batch }

func (q queued) Exec(_ context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	q.b.Queue(sql, args...)
	return pgconn.CommandTag{}, nil
}

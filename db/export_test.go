package db

import (
	"context"

	"github.com/jackc/pgx/v5"

	"forkwright/service/account"
	"forkwright/service/caller"
)

// What the tests of this package reach behind the public methods for.

type Querier = querier

func (d *DB) AsAccount(ctx context.Context, accountID string, fn func(q Querier) error) error {
	return d.asAccount(ctx, accountID, fn)
}

func (d *DB) ReadAsAccount(ctx context.Context, accountID string, fn func(q Querier) error) error {
	return d.readAsAccount(ctx, accountID, fn)
}

func (d *DB) ReadOnce(ctx context.Context, accountID string, queue func(b *pgx.Batch)) error {
	return d.readOnce(ctx, accountID, queue)
}

func (d *DB) Plain(ctx context.Context, fn func(q Querier) error) error { return d.plain(ctx, fn) }

func AtMostOnce(ctx context.Context, d *DB, by caller.Caller, write func(q Querier) (string, error)) (string, error) {
	return atMostOnce(ctx, d, by, by.AccountID, write)
}

var NextNumber = nextNumber

func InsertEvent(ctx context.Context, q Querier, e account.Event) error {
	return insertEvent(ctx, q, e)
}

func (c *KeyCache) FlushUses(ctx context.Context) { c.flushUses(ctx) }

// InStep says whether the cache has compared its version with Postgres.
func (c *KeyCache) InStep() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.version > 0
}

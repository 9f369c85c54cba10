package db

import (
	"context"

	"github.com/jackc/pgx/v5"

	"forkwright/service/quote"
)

// Book is what a quote's event does to stock and promises.
func (d *DB) Book(ctx context.Context, q Querier, x quote.Quote, e quote.Event) error {
	last := &pgx.Batch{}
	if err := d.book(ctx, q, last, x, e); err != nil {
		return err
	}
	return q.SendBatch(ctx, last).Close()
}

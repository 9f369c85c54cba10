package db

import (
	"context"

	"forkwright/service/quote"
)

// Book is what a quote's event does to stock and promises.
func (d *DB) Book(ctx context.Context, q Querier, x quote.Quote, e quote.Event) error {
	return d.book(ctx, q, x, e)
}

package db

import (
	"context"

	"forkwright/service/notice"
)

// Touched counts what a notice touches among the open quotes of all accounts. A notice on
// a row of the catalog is asked about by the row's part.
func (d *DB) Touched(ctx context.Context, sku, fork string) (r notice.Reach, err error) {
	err = d.plain(ctx, func(q querier) (err error) {
		r, err = one[notice.Reach](ctx, q, `SELECT open, accepted, reservations, accounts FROM open_quotes_touched($1, $2)`, sku, fork)
		return err
	})
	return r, err
}

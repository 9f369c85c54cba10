package db

import (
	"context"
	"slices"
	"strings"

	"github.com/quagmt/udecimal"

	"forkwright/service/stock"
)

// StockOf reads what lies where and what is promised of it, for the parts named
// and the locations named (none means all), by location and part.
func (d *DB) StockOf(ctx context.Context, skus, locations []string) ([]stock.Level, error) {
	if len(skus) == 0 {
		return nil, nil
	}
	return list[stock.Level](ctx, d, `
		SELECT s.location_id AS location, s.sku, s.on_hand, s.at_least, s.incoming, s.incoming_on, coalesce(p.qty, 0) AS promised
		FROM stock s
		LEFT JOIN promised p ON p.location_id = s.location_id AND p.sku = s.sku
		WHERE s.sku = ANY($1) AND ($2::text[] IS NULL OR s.location_id = ANY($2))
		ORDER BY s.location_id, s.sku`, skus, locations)
}

// PutStock states what one location holds of the parts named and leaves its other
// parts alone.
func (d *DB) PutStock(ctx context.Context, location string, levels []stock.Level) error {
	// Sorted, or two writers deadlock.
	levels = slices.SortedFunc(slices.Values(levels), func(a, b stock.Level) int { return strings.Compare(a.SKU, b.SKU) })
	var skus []string
	var onHand, incoming []udecimal.Decimal
	var atLeast []bool
	var dates []any
	for _, l := range levels {
		skus, onHand, incoming, atLeast = append(skus, l.SKU), append(onHand, l.OnHand), append(incoming, l.Incoming), append(atLeast, l.AtLeast)
		if l.IncomingOn == nil {
			dates = append(dates, nil)
		} else {
			dates = append(dates, *l.IncomingOn)
		}
	}
	return d.asNobody(ctx, func(q querier) error {
		_, err := q.Exec(ctx, `
			INSERT INTO stock (location_id, sku, on_hand, at_least, incoming, incoming_on)
			SELECT $1, sku, on_hand, at_least, incoming, incoming_on
			FROM unnest($2::text[], $3::numeric[], $4::boolean[], $5::numeric[], $6::date[]) AS t (sku, on_hand, at_least, incoming, incoming_on)
			ON CONFLICT (location_id, sku) DO UPDATE SET on_hand = excluded.on_hand, at_least = excluded.at_least,
			       incoming = excluded.incoming, incoming_on = excluded.incoming_on`,
			location, skus, onHand, atLeast, incoming, dates)
		return err
	})
}

package db

import (
	"context"
	"strings"

	"github.com/jackc/pgx/v5"

	"forkwright/service"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// priceRow and taxRow are rows as text, so that a decimal keeps its digits.
type priceRow struct {
	SKU, Currency, Basis, MinQty, Amount, ValidFrom, ValidUntil string
}

// OwnPrices reads an account's selling prices of the parts named. Its buying prices are not
// read here at all: no quote may know them.
func (d *DB) OwnPrices(ctx context.Context, accountID string, skus []string) ([]service.OwnPrice, error) {
	if len(skus) == 0 {
		return nil, nil
	}
	var rows []priceRow
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(`
			SELECT sku, currency, basis, min_qty::text AS min_qty, amount::text AS amount, valid_from::text AS valid_from, coalesce(valid_until::text, '') AS valid_until
			FROM own_price WHERE account_id = $1 AND use = 'selling' AND sku = ANY($2)
			ORDER BY sku, currency, min_qty, valid_from`, accountID, skus).Query(collect(&rows))
	})
	if err != nil {
		return nil, err
	}
	out := make([]service.OwnPrice, 0, len(rows))
	for _, r := range rows {
		p := service.OwnPrice{SKU: r.SKU, Currency: r.Currency, Basis: r.Basis, From: r.ValidFrom, Until: r.ValidUntil}
		if p.MinQuantity, err = money.Parse(r.MinQty); err != nil {
			return nil, internal(err)
		}
		if p.Amount, err = money.Parse(r.Amount); err != nil {
			return nil, internal(err)
		}
		out = append(out, p)
	}
	return out, nil
}

// PutOwnPrices states selling prices of an account and leaves its others alone.
func (d *DB) PutOwnPrices(ctx context.Context, by caller.Caller, prices []service.OwnPrice) error {
	return d.asAccount(ctx, by.AccountID, func(q querier) error {
		b := &pgx.Batch{}
		for _, p := range prices {
			least := p.MinQuantity
			if least.Sign() <= 0 {
				least = money.FromInt(1)
			}
			b.Queue(`
				INSERT INTO own_price (account_id, sku, use, currency, basis, min_qty, amount, valid_from, valid_until)
				VALUES ($1, $2, 'selling', $3, $4, $5::text::numeric, $6::text::numeric, $7::text::date, $8::text::date)
				ON CONFLICT (account_id, sku, use, currency, min_qty, valid_from) DO UPDATE
				SET basis = excluded.basis, amount = excluded.amount, valid_until = excluded.valid_until`,
				by.AccountID, p.SKU, p.Currency, p.Basis, least.String(), p.Amount.String(), p.From, orNull(p.Until))
		}
		return q.SendBatch(ctx, b).Close()
	})
}

type taxRow struct {
	Country, Region, Class, Category, Percent, Reason, ValidFrom, ValidUntil string
}

// TaxRules reads the rates that are stated for a country and its regions. The destination of
// a rule is the country, or country and region as in US-CO.
func (d *DB) TaxRules(ctx context.Context, country string) ([]quote.TaxRule, error) {
	rows, err := list[taxRow](ctx, d, `
		SELECT country, region, class, category, percent::text AS percent, reason, valid_from::text AS valid_from, coalesce(valid_until::text, '') AS valid_until
		FROM tax_rate WHERE country = $1
		ORDER BY region, class, category, valid_from`, country)
	if err != nil {
		return nil, err
	}
	out := make([]quote.TaxRule, 0, len(rows))
	for _, r := range rows {
		percent, err := money.Parse(r.Percent)
		if err != nil {
			return nil, internal(err)
		}
		rule := quote.TaxRule{Class: r.Class, Destination: r.Country, From: r.ValidFrom, Until: r.ValidUntil,
			Tax: quote.Tax{Category: quote.Category(r.Category), Rate: percent, Reason: r.Reason}}
		if r.Region != "" {
			rule.Destination += "-" + r.Region
		}
		out = append(out, rule)
	}
	return out, nil
}

// PutTaxRules states rates and leaves the others alone.
func (d *DB) PutTaxRules(ctx context.Context, _ caller.Caller, rules []quote.TaxRule) error {
	return d.asNobody(ctx, func(q querier) error {
		b := &pgx.Batch{}
		for _, r := range rules {
			country, region, _ := strings.Cut(r.Destination, "-")
			b.Queue(`
				INSERT INTO tax_rate (country, region, class, category, percent, reason, valid_from, valid_until)
				VALUES ($1, $2, $3, $4, $5::text::numeric, $6, $7::text::date, $8::text::date)
				ON CONFLICT (country, region, class, category, valid_from) DO UPDATE
				SET percent = excluded.percent, reason = excluded.reason, valid_until = excluded.valid_until`,
				country, region, orDefault(r.Class, "standard"), string(r.Tax.Category), r.Tax.Rate.String(), r.Tax.Reason, r.From, orNull(r.Until))
		}
		return q.SendBatch(ctx, b).Close()
	})
}

func keyReused() *fault.Error {
	return fault.New(fault.Invalid, "idempotency_key_reused", "This Idempotency-Key was used for a request with another body; use a new key for a new request.")
}

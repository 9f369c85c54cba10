package db

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"forkwright/service"
	"forkwright/service/caller"
	"forkwright/service/money"
	"forkwright/service/quote"
)

// priceRow and taxRow are rows as text, so that a decimal keeps its digits.
type priceRow struct {
	SKU, Currency, Basis, MinQty, Amount, ValidFrom, ValidUntil string
}

// Terms reads, in one round trip, what a quote depends on besides the catalog and stock. Buying
// prices are not read here at all: no quote may know them.
func (d *DB) Terms(ctx context.Context, accountID string, skus []string, country string) (t service.QuoteTerms, err error) {
	var prices []priceRow
	var taxes []taxRow
	err = d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(`
			SELECT sku, currency, basis, min_qty::text AS min_qty, amount::text AS amount, valid_from::text AS valid_from, coalesce(valid_until::text, '') AS valid_until
			FROM own_price WHERE account_id = $1 AND use = 'selling' AND sku = ANY($2)
			ORDER BY sku, currency, min_qty, valid_from`, accountID, skus).Query(collect(&prices))
		b.Queue(taxRates, country).Query(collect(&taxes))
		b.Queue(placesSelect, accountID).Query(func(rows pgx.Rows) (err error) {
			t.Places, err = pgx.CollectRows(rows, pgx.RowTo[string])
			return err
		})
	})
	if err != nil {
		return t, err
	}
	for _, r := range prices {
		p, err := r.price()
		if err != nil {
			return t, err
		}
		t.Own = append(t.Own, p)
	}
	t.Taxes, err = taxRules(taxes)
	return t, err
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

type keptRow struct {
	Use string
	priceRow
}

func (r priceRow) price() (service.OwnPrice, error) {
	p := service.OwnPrice{SKU: r.SKU, Currency: r.Currency, Basis: r.Basis, From: r.ValidFrom, Until: r.ValidUntil}
	var err, err2 error
	p.MinQuantity, err = money.Parse(r.MinQty)
	p.Amount, err2 = money.Parse(r.Amount)
	if err := errors.Join(err, err2); err != nil {
		return p, internal(err)
	}
	return p, nil
}

// KeptPrices reads all of an account's own prices, buying prices too: for the account itself
// and nobody else.
func (d *DB) KeptPrices(ctx context.Context, accountID string, skip int64, limit int) ([]service.KeptPrice, error) {
	var rows []keptRow
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(`
			SELECT use, sku, currency, basis, min_qty::text AS min_qty, amount::text AS amount, valid_from::text AS valid_from, coalesce(valid_until::text, '') AS valid_until
			FROM own_price WHERE account_id = $1
			ORDER BY sku, use, currency, min_qty, valid_from OFFSET $2 LIMIT $3`, accountID, skip, limit).Query(collect(&rows))
	})
	if err != nil {
		return nil, err
	}
	out := make([]service.KeptPrice, 0, len(rows))
	for _, r := range rows {
		p, err := r.price()
		if err != nil {
			return nil, err
		}
		out = append(out, service.KeptPrice{OwnPrice: p, Use: r.Use})
	}
	return out, nil
}

// ReplaceKeptPrices replaces all of an account's own prices.
func (d *DB) ReplaceKeptPrices(ctx context.Context, by caller.Caller, prices []service.KeptPrice) error {
	return d.asAccount(ctx, by.AccountID, func(q querier) error {
		if err := oneAtATime(ctx, q, "own_price "+by.AccountID); err != nil {
			return err
		}
		if _, err := q.Exec(ctx, `DELETE FROM own_price WHERE account_id = $1`, by.AccountID); err != nil {
			return err
		}
		var sku, use, currency, basis, least, amount, from []string
		var until []*string
		for _, p := range prices {
			sku, use, currency, basis = append(sku, p.SKU), append(use, p.Use), append(currency, p.Currency), append(basis, p.Basis)
			least, amount, from = append(least, p.MinQuantity.String()), append(amount, p.Amount.String()), append(from, p.From)
			until = append(until, orNull(p.Until))
		}
		if _, err := q.Exec(ctx, `
			INSERT INTO own_price (account_id, sku, use, currency, basis, min_qty, amount, valid_from, valid_until)
			SELECT $1, sku, use, currency, basis, min_qty::numeric, amount::numeric, valid_from::date, valid_until::date
			FROM unnest($2::text[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[], $8::text[], $9::text[])
			     AS t (sku, use, currency, basis, min_qty, amount, valid_from, valid_until)`,
			by.AccountID, sku, use, currency, basis, least, amount, from, until); err != nil {
			return err
		}
		e := happened(by, by.AccountID, "prices_stored", "account", by.AccountID)
		e.Codes = map[string]string{"prices": fmt.Sprint(len(prices))}
		return insertEvent(ctx, q, e)
	})
}

// oneAtATime waits for others that replace the same list, so that two lists never mix.
func oneAtATime(ctx context.Context, q querier, list string) error {
	_, err := q.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtextextended($1, 0))`, list)
	return err
}

type taxRow struct {
	Country, Region, Class, Category, Percent, Reason, ValidFrom, ValidUntil string
}

const taxRates = `
	SELECT country, region, class, category, percent::text AS percent, reason, valid_from::text AS valid_from, coalesce(valid_until::text, '') AS valid_until
	FROM tax_rate WHERE country = $1
	ORDER BY region, class, category, valid_from`

// TaxRules reads the rates that are stated for a country and its regions. The destination of
// a rule is the country, or country and region as in US-CO.
func (d *DB) TaxRules(ctx context.Context, country string) ([]quote.TaxRule, error) {
	rows, err := list[taxRow](ctx, d, taxRates, country)
	if err != nil {
		return nil, err
	}
	return taxRules(rows)
}

func taxRules(rows []taxRow) ([]quote.TaxRule, error) {
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
	return d.asNobody(ctx, func(q querier) error { return putTaxRules(ctx, q, rules) })
}

// ReplaceTaxRules replaces the rates of a country and its regions.
func (d *DB) ReplaceTaxRules(ctx context.Context, by caller.Caller, country string, rules []quote.TaxRule) error {
	return d.asAccount(ctx, by.AccountID, func(q querier) error {
		if err := oneAtATime(ctx, q, "tax_rate "+country); err != nil {
			return err
		}
		if _, err := q.Exec(ctx, `DELETE FROM tax_rate WHERE country = $1`, country); err != nil {
			return err
		}
		if err := putTaxRules(ctx, q, rules); err != nil {
			return err
		}
		e := happened(by, by.AccountID, "stored", "tax_rates", country)
		e.Codes = map[string]string{"rates": fmt.Sprint(len(rules))}
		return insertEvent(ctx, q, e)
	})
}

func putTaxRules(ctx context.Context, q querier, rules []quote.TaxRule) error {
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
}

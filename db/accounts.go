package db

import (
	"context"
	"encoding/json"
	"errors"

	"github.com/jackc/pgx/v5"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

const accountSelect = `SELECT id::text AS id, name, roles, created_at, closed_at FROM account`

// CreateAccount makes an account; its id is made here unless given.
func (d *DB) CreateAccount(ctx context.Context, by caller.Caller, a account.Account) (account.Account, error) {
	if a.ID == "" {
		id, err := d.newID()
		if err != nil {
			return account.Account{}, err
		}
		a.ID = id
	}
	return atMostOnce(ctx, d, by, a.ID, func(q querier) (account.Account, error) {
		if _, err := q.Exec(ctx, `INSERT INTO account (id, name, roles) VALUES ($1, $2, $3)`, a.ID, a.Name, orEmpty(a.Roles)); err != nil {
			return a, err
		}
		a, err := one[account.Account](ctx, q, accountSelect+` WHERE id = $1`, a.ID)
		if err != nil {
			return a, err
		}
		return a, insertEvent(ctx, q, happened(by, a.ID, "created", "account", a.ID, "name", "roles"))
	})
}

// UpdateAccount changes name, roles and whether it is closed; its keys follow
// within a second on every replica.
func (d *DB) UpdateAccount(ctx context.Context, by caller.Caller, a account.Account) error {
	return d.asAccount(ctx, a.ID, func(q querier) error {
		tag, err := q.Exec(ctx, `UPDATE account SET name = $2, roles = $3, closed_at = $4 WHERE id = $1`, a.ID, a.Name, orEmpty(a.Roles), a.ClosedAt)
		if err != nil {
			return err
		}
		if err := none(tag, "account_not_found", "There is no such account."); err != nil {
			return err
		}
		if err := insertEvent(ctx, q, happened(by, a.ID, "changed", "account", a.ID, "name", "roles", "closed_at")); err != nil {
			return err
		}
		return keysChanged(ctx, q)
	})
}

// Account reads one account.
func (d *DB) Account(ctx context.Context, id string) (a account.Account, err error) {
	err = d.plain(ctx, func(q querier) (err error) {
		a, err = one[account.Account](ctx, q, accountSelect+` WHERE id = $1`, id)
		return err
	})
	return a, err
}

// Accounts lists accounts by id after the one given, for administrators.
func (d *DB) Accounts(ctx context.Context, after string, limit int) ([]account.Account, error) {
	return list[account.Account](ctx, d, accountSelect+` WHERE $1::text IS NULL OR id > $1::uuid ORDER BY id LIMIT $2`, orNull(after), limit)
}

const locationSelect = `
	SELECT id, account_id::text AS account_id, name, time_zone, policy, due_by, counts_exclude_promised, closed_until, days_away, last_as_of, last_seq
	FROM location`

// CreateLocation makes a place with stock.
func (d *DB) CreateLocation(ctx context.Context, by caller.Caller, l account.Location) (account.Location, error) {
	return atMostOnce(ctx, d, by, l.AccountID, func(q querier) (account.Location, error) {
		_, err := q.Exec(ctx, `
			INSERT INTO location (id, account_id, name, time_zone, policy, due_by, counts_exclude_promised, closed_until, days_away)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			l.ID, l.AccountID, l.Name, orDefault(l.TimeZone, "UTC"), orObject(l.Policy), l.DueBy, l.CountsExcludePromised, l.ClosedUntil, l.DaysAway)
		if err != nil {
			return l, err
		}
		if l, err = one[account.Location](ctx, q, locationSelect+` WHERE id = $1`, l.ID); err != nil {
			return l, err
		}
		return l, insertEvent(ctx, q, happened(by, l.AccountID, "created", "location", l.ID, "name", "time_zone", "policy", "due_by"))
	})
}

// UpdateLocation changes what its owner may set.
func (d *DB) UpdateLocation(ctx context.Context, by caller.Caller, l account.Location) error {
	return d.asAccount(ctx, l.AccountID, func(q querier) error {
		tag, err := q.Exec(ctx, `
			UPDATE location SET name = $3, time_zone = $4, policy = $5, due_by = $6, counts_exclude_promised = $7, closed_until = $8, days_away = $9
			WHERE account_id = $1 AND id = $2`,
			l.AccountID, l.ID, l.Name, orDefault(l.TimeZone, "UTC"), orObject(l.Policy), l.DueBy, l.CountsExcludePromised, l.ClosedUntil, l.DaysAway)
		if err != nil {
			return err
		}
		if err := none(tag, "location_not_found", "There is no such location, or it is not yours."); err != nil {
			return err
		}
		return insertEvent(ctx, q, happened(by, l.AccountID, "changed", "location", l.ID, "name", "time_zone", "policy", "due_by", "counts_exclude_promised", "closed_until", "days_away"))
	})
}

// Location reads one location, whoever owns it.
func (d *DB) Location(ctx context.Context, id string) (l account.Location, err error) {
	err = d.plain(ctx, func(q querier) (err error) {
		l, err = one[account.Location](ctx, q, locationSelect+` WHERE id = $1`, id)
		return err
	})
	return l, err
}

// Locations lists the locations of one account, or of all for "", by id.
func (d *DB) Locations(ctx context.Context, accountID string) ([]account.Location, error) {
	return list[account.Location](ctx, d, locationSelect+` WHERE $1::text IS NULL OR account_id = $1::uuid ORDER BY id`, orNull(accountID))
}

// placesSelect lists where goods for account $1 come from: its own locations, then those of
// distributors and administrators, the nearest first.
const placesSelect = `
	SELECT l.id FROM location l WHERE ` + suppliesAccount + `
	ORDER BY l.account_id <> $1, l.days_away, l.id`

func orDefault(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func orObject(j json.RawMessage) json.RawMessage {
	if len(j) == 0 {
		return json.RawMessage(`{}`)
	}
	return j
}

const sellerColumns = `
	account_id::text AS account_id, version, legal_name, trading_name, street, street_more, postcode, city, region, country, registration,
	contact, tax_ids, tax_country, tax_region, default_currency, price_basis, languages, bench_language, units, paper,
	terms, texts, logo, logo_type, series, number_form, time_zone, validity_days, hold_days, labor, sag_targets, updated_at`

// Seller reads an account's own profile.
func (d *DB) Seller(ctx context.Context, accountID string) (account.Seller, error) {
	var s account.Seller
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) { queueSeller(b, accountID, &s) })
	return s, sellerMissing(err)
}

func queueSeller(b *pgx.Batch, accountID string, s *account.Seller) {
	b.Queue(`SELECT `+sellerColumns+` FROM seller_profile WHERE account_id = $1`, accountID).Query(collectOne(s))
}

func sellerMissing(err error) error {
	if fault.CodeOf(err) == "not_found" {
		return fault.Wrap(err, fault.NotFound, "seller_profile_missing", "This account has no seller profile yet: PUT /v1/account makes it.")
	}
	return err
}

// PutSeller stores an account's profile if its version is still s.Version (0 when
// there must be none yet) and returns what is stored, with its new version.
func (d *DB) PutSeller(ctx context.Context, by caller.Caller, s account.Seller) (account.Seller, error) {
	err := d.asAccount(ctx, s.AccountID, func(q querier) error {
		stored, err := one[account.Seller](ctx, q, putSeller, pgx.StrictNamedArgs{
			"account_id": s.AccountID, "version": s.Version, "legal_name": s.LegalName, "trading_name": s.TradingName,
			"street": s.Street, "street_more": s.StreetMore, "postcode": s.Postcode, "city": s.City, "region": s.Region, "country": s.Country,
			"registration": s.Registration, "contact": s.Contact, "tax_ids": orEmpty(s.TaxIDs), "tax_country": s.TaxCountry, "tax_region": s.TaxRegion,
			"default_currency": s.DefaultCurrency, "price_basis": orDefault(s.PriceBasis, "net"), "languages": s.Languages, "bench_language": s.BenchLanguage,
			"units": orDefault(s.Units, "metric"), "paper": orDefault(s.Paper, "A4"), "terms": orMap(s.Terms), "texts": orMap(s.Texts),
			"logo": s.Logo, "logo_type": s.LogoType, "series": orDefault(s.Series, "Q"), "number_form": orDefault(s.NumberForm, "{series}-{year}-{number:5}"),
			"time_zone": orDefault(s.TimeZone, "UTC"), "validity_days": orNumber(s.ValidityDays, 30), "hold_days": orNumber(s.HoldDays, 14),
			"labor": s.Labor, "sag_targets": orMap(s.SagTargets), "now": d.now(),
		})
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.Wrap(err, fault.PreconditionFailed, "stale_version", "The profile has changed since you read it: read it again and repeat your change.")
		}
		if err != nil {
			return err
		}
		s = stored
		return insertEvent(ctx, q, happened(by, s.AccountID, "stored", "seller", s.AccountID, eventColumns["seller"]...))
	})
	return s, err
}

// The update touches no row when the version is another, and the insert none when
// a version was named: either way nothing comes back.
const putSeller = `
	INSERT INTO seller_profile AS p (account_id, version, legal_name, trading_name, street, street_more, postcode, city, region, country, registration,
	       contact, tax_ids, tax_country, tax_region, default_currency, price_basis, languages, bench_language, units, paper,
	       terms, texts, logo, logo_type, series, number_form, time_zone, validity_days, hold_days, labor, sag_targets, updated_at)
	SELECT @account_id::uuid, @version::bigint + 1, @legal_name::text, @trading_name::text, @street::text, @street_more::text, @postcode::text, @city::text,
	       @region::text, @country::text, @registration::text, @contact::jsonb, @tax_ids::jsonb, @tax_country::text, @tax_region::text,
	       @default_currency::text, @price_basis::text, @languages::text[], @bench_language::text, @units::text, @paper::text,
	       @terms::jsonb, @texts::jsonb, @logo::bytea, @logo_type::text, @series::text, @number_form::text, @time_zone::text,
	       @validity_days::integer, @hold_days::integer, @labor::jsonb, @sag_targets::jsonb, @now::timestamptz
	WHERE @version::bigint = 0 OR EXISTS (SELECT FROM seller_profile WHERE account_id = @account_id::uuid)
	ON CONFLICT (account_id) DO UPDATE SET
	       version = p.version + 1, legal_name = excluded.legal_name, trading_name = excluded.trading_name, street = excluded.street,
	       street_more = excluded.street_more, postcode = excluded.postcode, city = excluded.city, region = excluded.region,
	       country = excluded.country, registration = excluded.registration, contact = excluded.contact, tax_ids = excluded.tax_ids,
	       tax_country = excluded.tax_country, tax_region = excluded.tax_region, default_currency = excluded.default_currency,
	       price_basis = excluded.price_basis, languages = excluded.languages, bench_language = excluded.bench_language,
	       units = excluded.units, paper = excluded.paper, terms = excluded.terms, texts = excluded.texts, logo = excluded.logo,
	       logo_type = excluded.logo_type, series = excluded.series, number_form = excluded.number_form, time_zone = excluded.time_zone,
	       validity_days = excluded.validity_days, hold_days = excluded.hold_days, labor = excluded.labor,
	       sag_targets = excluded.sag_targets, updated_at = excluded.updated_at
	WHERE p.version = @version::bigint
	RETURNING ` + sellerColumns

func orMap[K comparable, V any](m map[K]V) map[K]V {
	if m == nil {
		return map[K]V{}
	}
	return m
}

func orNumber(n, otherwise int) int {
	if n == 0 {
		return otherwise
	}
	return n
}

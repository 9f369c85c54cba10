package db

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/service/account"
	"forkwright/service/caller"
)

const personSelect = `
	SELECT id::text AS id, account_id::text AS account_id, coalesce(name, '') AS name, coalesce(email, '') AS email, coalesce(phone, '') AS phone,
	       coalesce(address, '') AS address, coalesce(note, '') AS note, rider_mass_kg, created_at, used_at, erased_at
	FROM person`

// PutPerson stores personal values; the id is made here unless given.
func (d *DB) PutPerson(ctx context.Context, by caller.Caller, p account.Person) (account.Person, error) {
	if p.ID == "" {
		id, err := d.newID()
		if err != nil {
			return account.Person{}, err
		}
		p.ID = id
	}
	id, err := atMostOnce(ctx, d, by, p.AccountID, func(q querier) (id string, err error) {
		p, err = d.putPerson(ctx, q, by, p)
		return p.ID, err
	})
	if err != nil || id == p.ID {
		return p, err
	}
	return d.Person(ctx, p.AccountID, id) // a repetition: the answer that is kept is only an id
}

// putPerson is for transactions that write more than the person, a quote's for one.
// A person once erased stays erased: its id matches no row that may be changed.
func (d *DB) putPerson(ctx context.Context, q querier, by caller.Caller, p account.Person) (account.Person, error) {
	tag, err := q.Exec(ctx, `
		INSERT INTO person AS p (id, account_id, name, email, phone, address, note, rider_mass_kg, used_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)
		ON CONFLICT (id) DO UPDATE SET name = excluded.name, email = excluded.email, phone = excluded.phone, address = excluded.address,
		       note = excluded.note, rider_mass_kg = excluded.rider_mass_kg, used_at = excluded.used_at
		WHERE p.erased_at IS NULL`,
		p.ID, p.AccountID, orNull(p.Name), orNull(p.Email), orNull(p.Phone), orNull(p.Address), orNull(p.Note), p.RiderMassKg, d.now())
	if err != nil {
		return p, err
	}
	if err := none(tag, "person_erased", "This person's data has been erased; make a new one."); err != nil {
		return p, err
	}
	if p, err = one[account.Person](ctx, q, personSelect+` WHERE id = $1`, p.ID); err != nil {
		return p, err
	}
	return p, insertEvent(ctx, q, happened(by, p.AccountID, "stored", "person", p.ID, "name", "email", "phone", "address", "note", "rider_mass_kg"))
}

// Person reads personal values, empty ones after they were erased.
func (d *DB) Person(ctx context.Context, accountID, id string) (account.Person, error) {
	var p account.Person
	err := d.readOnce(ctx, accountID, func(b *pgx.Batch) {
		b.Queue(personSelect+` WHERE account_id = $1 AND id = $2`, accountID, id).Query(collectOne(&p))
	})
	return p, err
}

const erase = `
	UPDATE person SET name = NULL, email = NULL, phone = NULL, address = NULL, note = NULL, rider_mass_kg = NULL, erased_at = $1
	WHERE erased_at IS NULL AND account_id = $2`

// ErasePerson removes the personal values for good and leaves the id, so that
// money and numbers stay. To erase twice is no error.
func (d *DB) ErasePerson(ctx context.Context, by caller.Caller, accountID, id string) error {
	_, err := atMostOnce(ctx, d, by, accountID, func(q querier) (string, error) {
		tag, err := q.Exec(ctx, erase+` AND id = $3`, d.now(), accountID, id)
		if err != nil {
			return id, err
		}
		if tag.RowsAffected() == 0 {
			_, err := one[account.Person](ctx, q, personSelect+` WHERE account_id = $1 AND id = $2`, accountID, id)
			return id, err
		}
		return id, insertEvent(ctx, q, happened(by, accountID, "erased", "person", id, "name", "email", "phone", "address", "note", "rider_mass_kg", "erased_at"))
	})
	return err
}

// Retention says how long things are kept.
type Retention struct {
	Persons time.Duration // after their last use
	Replays time.Duration // after the answer
	Catalog time.Duration // parts of a revision after loading; the active and the previous one stay
}

// DefaultRetention keeps persons two years, replays seven days, catalogs two years.
func DefaultRetention() Retention {
	return Retention{Persons: 730 * 24 * time.Hour, Replays: 7 * 24 * time.Hour, Catalog: 730 * 24 * time.Hour}
}

// Removed counts what a run of the retention removed.
type Removed struct{ Persons, Replays, PageLinks, Revisions, CatalogParts int64 }

// Retain removes what has been kept long enough, account by account.
func (d *DB) Retain(ctx context.Context, by caller.Caller, keep Retention) (Removed, error) {
	var sum Removed
	for after := ""; ; {
		page, err := d.Accounts(ctx, after, 500)
		if err != nil {
			return sum, err
		}
		for _, a := range page {
			if err := d.retainAccount(ctx, by, a.ID, keep, &sum); err != nil {
				return sum, err
			}
			after = a.ID
		}
		if len(page) < 500 {
			break
		}
	}
	err := d.asNobody(ctx, func(q querier) error { return d.retainShared(ctx, q, keep, &sum) })
	return sum, err
}

func (d *DB) retainAccount(ctx context.Context, by caller.Caller, accountID string, keep Retention, sum *Removed) error {
	now := d.now()
	return d.asAccount(ctx, accountID, func(q querier) error {
		rows, err := q.Query(ctx, erase+` AND used_at < $3 RETURNING id::text`, now, accountID, now.Add(-keep.Persons))
		if err != nil {
			return err
		}
		ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			return err
		}
		for _, id := range ids {
			if err := insertEvent(ctx, q, happened(by, accountID, "erased_by_age", "person", id, "erased_at")); err != nil {
				return err
			}
		}
		tag, err := q.Exec(ctx, `DELETE FROM replay WHERE account_id = $1 AND created_at < $2`, accountID, now.Add(-keep.Replays))
		sum.Persons += int64(len(ids))
		sum.Replays += tag.RowsAffected()
		return err
	})
}

func (d *DB) retainShared(ctx context.Context, q querier, keep Retention, sum *Removed) error {
	// Whoever saves a revision holds this row too, and may be reusing a part.
	if _, err := q.Exec(ctx, `SELECT 1 FROM catalog_active FOR UPDATE`); err != nil {
		return err
	}
	tag, err := q.Exec(ctx, `DELETE FROM page_link WHERE expires_at < $1`, d.now())
	if err != nil {
		return err
	}
	sum.PageLinks = tag.RowsAffected()
	tag, err = q.Exec(ctx, `
		UPDATE catalog_revision r SET dropped_at = $1
		FROM catalog_active a
		WHERE r.dropped_at IS NULL AND r.loaded_at < $2 AND r.revision IS DISTINCT FROM a.revision AND r.revision IS DISTINCT FROM a.previous`,
		d.now(), d.now().Add(-keep.Catalog))
	if err != nil {
		return err
	}
	sum.Revisions = tag.RowsAffected()
	tag, err = q.Exec(ctx, `
		DELETE FROM catalog_blob b
		WHERE NOT EXISTS (SELECT FROM catalog_revision r WHERE r.dropped_at IS NULL AND b.digest IN (r.fitment_digest, r.price_digest))`)
	sum.CatalogParts = tag.RowsAffected()
	return err
}

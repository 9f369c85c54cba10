package db

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/service/caller"
	"forkwright/service/fault"
)

// Revision is one load of the catalog, without its parts.
type Revision struct {
	Revision      int64
	FitmentDigest []byte
	PriceDigest   []byte
	LoadedAt      time.Time
	LoadedBy      string // who or what loaded it, such as "demo"
	Note          string
	Meta          json.RawMessage // the loader's own figures
	DroppedAt     *time.Time      // its parts are gone
}

// RevisionInfo is what the one who loads says about a revision.
type RevisionInfo struct {
	LoadedBy string
	Note     string
	Meta     json.RawMessage
	Stored   bool // only stored, not made active
}

// Active names the revision that answers, and the one before it; 0 is none.
type Active struct {
	Revision   int64
	Previous   int64
	SwitchedAt time.Time
}

// Parts are the two parts of a revision, opaque here.
type Parts struct {
	Fitment []byte
	Prices  []byte
}

// SaveRevision stores the two parts, each once however many revisions use it,
// gives the next number and makes the revision active, all or nothing.
func (d *DB) SaveRevision(ctx context.Context, by caller.Caller, p Parts, info RevisionInfo) (revision int64, err error) {
	fitment, prices := sha256.Sum256(p.Fitment), sha256.Sum256(p.Prices)
	err = d.asNobody(ctx, func(q querier) error {
		if revision, err = nextRevision(ctx, q); err != nil {
			return err
		}
		if err := savePart(ctx, q, "fitment", fitment[:], p.Fitment); err != nil {
			return err
		}
		if err := savePart(ctx, q, "prices", prices[:], p.Prices); err != nil {
			return err
		}
		_, err := q.Exec(ctx, `
			INSERT INTO catalog_revision (revision, fitment_digest, price_digest, loaded_by, note, meta, loaded_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			revision, fitment[:], prices[:], info.LoadedBy, info.Note, orObject(info.Meta), d.now())
		if err != nil || info.Stored {
			return err
		}
		return d.activate(ctx, q, by, revision)
	})
	if err != nil {
		return 0, err
	}
	return revision, nil
}

// nextRevision locks the one row of catalog_active: loads come one after another,
// and a number that was given is never given again.
func nextRevision(ctx context.Context, q querier) (n int64, err error) {
	err = q.QueryRow(ctx, `UPDATE catalog_active SET last_number = last_number + 1 RETURNING last_number`).Scan(&n)
	return n, err
}

// savePart does not send a part that is there: its megabytes would be for nothing.
func savePart(ctx context.Context, q querier, part string, digest, content []byte) error {
	var there bool
	if err := q.QueryRow(ctx, `SELECT EXISTS (SELECT FROM catalog_blob WHERE digest = $1)`, digest).Scan(&there); err != nil || there {
		return err
	}
	_, err := q.Exec(ctx, `INSERT INTO catalog_blob (digest, part, content) VALUES ($1, $2, $3) ON CONFLICT (digest) DO NOTHING`, digest, part, content)
	return err
}

// ActivateRevision makes an earlier revision answer again, or a stored one for the
// first time.
func (d *DB) ActivateRevision(ctx context.Context, by caller.Caller, revision int64) error {
	return d.asNobody(ctx, func(q querier) error {
		if _, err := q.Exec(ctx, `SELECT 1 FROM catalog_active FOR UPDATE`); err != nil {
			return err
		}
		r, err := one[Revision](ctx, q, revisionSelect+` WHERE revision = $1`, revision)
		if err != nil {
			return revisionNotFound(err)
		}
		if r.DroppedAt != nil {
			return revisionGone(revision)
		}
		return d.activate(ctx, q, by, revision)
	})
}

func (d *DB) activate(ctx context.Context, q querier, by caller.Caller, revision int64) error {
	_, err := q.Exec(ctx, `
		UPDATE catalog_active SET previous = revision, revision = $1, switched_at = $2
		WHERE revision IS DISTINCT FROM $1`, revision, d.now())
	if err != nil {
		return err
	}
	if err := recordSwitch(ctx, q, by, revision); err != nil {
		return err
	}
	_, err = q.Exec(ctx, `SELECT pg_notify('forkwright_catalog', $1)`, itoa(revision))
	return err
}

// recordSwitch writes into the record of the account that did it; the command
// line has none.
func recordSwitch(ctx context.Context, q querier, by caller.Caller, revision int64) error {
	if by.AccountID == "" {
		return nil
	}
	if _, err := q.Exec(ctx, nameAccount, by.AccountID); err != nil {
		return err
	}
	return insertEvent(ctx, q, happened(by, by.AccountID, "activated", "catalog", itoa(revision), "revision"))
}

const revisionSelect = `SELECT revision, fitment_digest, price_digest, loaded_at, loaded_by, note, meta, dropped_at FROM catalog_revision`

// Revisions lists revisions below a number (0 for the newest), newest first.
func (d *DB) Revisions(ctx context.Context, below int64, limit int) ([]Revision, error) {
	return list[Revision](ctx, d, revisionSelect+` WHERE $1::bigint = 0 OR revision < $1 ORDER BY revision DESC LIMIT $2`, below, limit)
}

// Revision reads what is known of one revision.
func (d *DB) Revision(ctx context.Context, revision int64) (r Revision, err error) {
	err = d.plain(ctx, func(q querier) error {
		r, err = one[Revision](ctx, q, revisionSelect+` WHERE revision = $1`, revision)
		return revisionNotFound(err)
	})
	return r, err
}

// ActiveRevision says which revision answers.
func (d *DB) ActiveRevision(ctx context.Context) (a Active, err error) {
	err = d.plain(ctx, func(q querier) error {
		a, err = activeRevision(ctx, q)
		return err
	})
	return a, err
}

func activeRevision(ctx context.Context, q querier) (Active, error) {
	return one[Active](ctx, q, `SELECT coalesce(revision, 0) AS revision, coalesce(previous, 0) AS previous, switched_at FROM catalog_active`)
}

// LoadRevision reads the parts of a revision; those of one kept long enough are gone.
func (d *DB) LoadRevision(ctx context.Context, revision int64) (p Parts, err error) {
	err = d.plain(ctx, func(q querier) error {
		var dropped *time.Time
		err := q.QueryRow(ctx, `
			SELECT r.dropped_at, f.content, p.content
			FROM catalog_revision r
			LEFT JOIN catalog_blob f ON f.digest = r.fitment_digest
			LEFT JOIN catalog_blob p ON p.digest = r.price_digest
			WHERE r.revision = $1`, revision).Scan(&dropped, &p.Fitment, &p.Prices)
		if err != nil {
			return revisionNotFound(err)
		}
		if dropped != nil || p.Fitment == nil || p.Prices == nil {
			p = Parts{}
			return revisionGone(revision)
		}
		return nil
	})
	return p, err
}

func revisionNotFound(err error) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return fault.Wrap(err, fault.NotFound, "revision_not_found", "There is no such catalog revision.")
	}
	return err
}

func revisionGone(revision int64) error {
	return fault.New(fault.Gone, "revision_gone", "Catalog revision %d is not kept any longer; ask against the active one.", revision)
}

// WatchCatalog calls changed with the revision that answers, at once and whenever
// it is another, until ctx ends: within moments of the switch, or after poll when
// the notification was lost. Where changed fails it is called again.
func (d *DB) WatchCatalog(ctx context.Context, poll time.Duration, changed func(ctx context.Context, a Active) error) {
	var seen int64
	d.follow(ctx, "forkwright_catalog", poll, func(checking context.Context, q querier) error {
		a, err := activeRevision(checking, q)
		if err != nil || a.Revision == 0 || a.Revision == seen {
			return err
		}
		if err := changed(ctx, a); err != nil {
			d.opts.Log.Error("catalog revision was not taken over", "revision", a.Revision, "error", err.Error())
			return nil
		}
		seen = a.Revision
		return nil
	})
}

package db

import (
	"bytes"
	"context"
	"errors"

	"github.com/jackc/pgx/v5"

	"forkwright/service/fault"
)

// Replay is the answer to a POST that wrote, as it is given again to the same key.
type Replay struct {
	BodyDigest []byte // SHA-256 of the request's body
	Status     int
	Location   string
	Answer     []byte // without personal values
}

// replayGet finds the answer given to this key before, nil when there is none. It
// is called first in the transaction that would write: twins with one key wait
// here for each other. The same key with another body is the client's mistake.
func replayGet(ctx context.Context, q querier, accountID, operation, key string, bodyDigest []byte) (*Replay, error) {
	_, err := q.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtextextended($1::text || '/' || $2::text || '/' || $3::text, 0))`, accountID, operation, key)
	if err != nil {
		return nil, err
	}
	r, err := one[Replay](ctx, q, `
		SELECT body_digest, status, location, answer FROM replay
		WHERE account_id = $1 AND operation = $2 AND key = $3`, accountID, operation, key)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if !bytes.Equal(r.BodyDigest, bodyDigest) {
		return nil, fault.New(fault.Invalid, "idempotency_key_reused", "This Idempotency-Key was used for a request with another body; use a new key for a new request.")
	}
	return &r, nil
}

// replayPut keeps the answer, in the transaction that wrote.
func (d *DB) replayPut(ctx context.Context, q querier, accountID, operation, key string, r Replay) error {
	_, err := q.Exec(ctx, `
		INSERT INTO replay (account_id, operation, key, body_digest, status, location, answer, created_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		accountID, operation, key, r.BodyDigest, r.Status, r.Location, r.Answer, d.now())
	return err
}

// nextNumber takes the next number of a seller's series. It is the last thing an
// issuing transaction does: the row stays locked until commit, so that numbers
// have no gaps, and everyone else who issues waits for it.
func nextNumber(ctx context.Context, q querier, accountID, series string) (n int64, err error) {
	err = q.QueryRow(ctx, `
		INSERT INTO number_series AS s (account_id, series, last) VALUES ($1, $2, 1)
		ON CONFLICT (account_id, series) DO UPDATE SET last = s.last + 1
		RETURNING last`, accountID, series).Scan(&n)
	return n, err
}

package db

import (
	"bytes"
	"context"
	"errors"

	"github.com/jackc/pgx/v5"

	"forkwright/service/caller"
	"forkwright/service/fault"
)

// queueReplay finds the answer given to the caller's key before; it stays nil when there
// is none. It goes out first in the transaction that would write: twins with one key wait
// here for each other. The same key with another body is the client's mistake.
func queueReplay(b *pgx.Batch, by caller.Caller, answer *[]byte) {
	b.Queue(`SELECT pg_advisory_xact_lock(hashtextextended($1::text || '/' || $2::text || '/' || $3::text, 0))`, by.AccountID, by.Once.Operation, by.Once.Key)
	queueAnswer(b, by, answer)
}

// queueAnswer is queueReplay without waiting for a twin.
func queueAnswer(b *pgx.Batch, by caller.Caller, answer *[]byte) {
	b.Queue(`
		SELECT body_digest, answer FROM replay
		WHERE account_id = $1 AND operation = $2 AND key = $3`, by.AccountID, by.Once.Operation, by.Once.Key).QueryRow(func(row pgx.Row) error {
		var digest []byte
		err := row.Scan(&digest, answer)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			return nil
		case err == nil && !bytes.Equal(digest, by.Once.Body[:]):
			return fault.New(fault.Invalid, "idempotency_key_reused", "This Idempotency-Key was used for a request with another body; use a new key for a new request.")
		}
		return err
	})
}

// keepAnswer keeps an answer, without personal values, for the caller's key, in the
// transaction that wrote.
func (d *DB) keepAnswer(last *pgx.Batch, by caller.Caller, answer []byte) {
	last.Queue(`
		INSERT INTO replay (account_id, operation, key, body_digest, status, answer, created_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		by.AccountID, by.Once.Operation, by.Once.Key, by.Once.Body[:], by.Once.Status, answer, d.now())
}

// keepBody keeps a quote, as this transaction stores it, for the caller's key. Copied
// within the database it is neither sent nor packed a second time; a reference instead
// would have to outlive the next change of the quote, and to be understood by the
// release before.
func (d *DB) keepBody(last *pgx.Batch, by caller.Caller, quoteID string) {
	last.Queue(`
		INSERT INTO replay (account_id, operation, key, body_digest, status, answer, created_at)
		SELECT account_id, $2, $3, $4, $5, body, $6 FROM quote WHERE account_id = $1 AND id = $7`,
		by.AccountID, by.Once.Operation, by.Once.Key, by.Once.Body[:], by.Once.Status, d.now(), quoteID)
}

// nextNumber takes the next number of a seller's series, after what is queued early and in
// one round trip with it. It is the last thing an issuing transaction waits for: the row
// stays locked until commit, so that numbers have no gaps, and everyone else who issues
// waits for it.
func nextNumber(ctx context.Context, q querier, early *pgx.Batch, accountID, series string) (n int64, err error) {
	early.Queue(`
		INSERT INTO number_series AS s (account_id, series, last) VALUES ($1, $2, 1)
		ON CONFLICT (account_id, series) DO UPDATE SET last = s.last + 1
		RETURNING last`, accountID, series).QueryRow(func(row pgx.Row) error { return row.Scan(&n) })
	err = q.SendBatch(ctx, early).Close()
	return n, err
}

package db

import (
	"context"
	"encoding/json"

	"forkwright/service/caller"
)

// atMostOnce runs write in a transaction of an account. Where the caller's request carries
// an Idempotency-Key, what write returns is kept in the same transaction, as JSON in the
// caller's own record of replays, and a repetition gets that and writes nothing. T must
// therefore hold nothing personal and nothing secret.
func atMostOnce[T any](ctx context.Context, d *DB, by caller.Caller, accountID string, write func(q querier) (T, error)) (out T, err error) {
	once := by.Once
	if once.Key == "" {
		err = d.asAccount(ctx, accountID, func(q querier) (err error) {
			out, err = write(q)
			return err
		})
		return out, err
	}
	err = d.asAccount(ctx, by.AccountID, func(q querier) error {
		before, err := replayGet(ctx, q, by.AccountID, once.Operation, once.Key, once.Body[:])
		if err != nil {
			return err
		}
		if before != nil {
			return json.Unmarshal(before.Answer, &out)
		}
		if out, err = writeAs(ctx, q, by.AccountID, accountID, write); err != nil {
			return err
		}
		answer, err := json.Marshal(out)
		if err != nil {
			return err
		}
		return d.replayPut(ctx, q, by.AccountID, once.Operation, once.Key, Replay{BodyDigest: once.Body[:], Status: once.Status, Answer: answer})
	})
	return out, err
}

// writeAs lets an administrator write for another account and then be itself again.
func writeAs[T any](ctx context.Context, q querier, self, other string, write func(q querier) (T, error)) (out T, err error) {
	if self == other {
		return write(q)
	}
	if _, err = q.Exec(ctx, nameAccount, other); err != nil {
		return out, err
	}
	if out, err = write(q); err != nil {
		return out, err
	}
	_, err = q.Exec(ctx, nameAccount, self)
	return out, err
}

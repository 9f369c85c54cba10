package db

import (
	"context"
	"encoding/json"

	"github.com/jackc/pgx/v5"

	"forkwright/service/caller"
	"forkwright/service/quote"
)

// atMostOnce runs write in a transaction of an account. Where the caller's request carries
// an Idempotency-Key, what write returns is kept in the same transaction, as JSON in the
// caller's own record of replays, and a repetition gets that and writes nothing. T must
// therefore hold nothing personal and nothing secret.
func atMostOnce[T any](ctx context.Context, d *DB, by caller.Caller, accountID string, write func(q querier) (T, error)) (out T, err error) {
	if by.Once.Key == "" {
		err = d.asAccount(ctx, accountID, func(q querier) (err error) {
			out, err = write(q)
			return err
		})
		return out, err
	}
	var before []byte
	err = d.asAccountIn(ctx, by.AccountID, steps{
		first: func(b *pgx.Batch) { queueReplay(b, by, &before) },
		then: func(q querier, last *pgx.Batch) error {
			if before != nil {
				return json.Unmarshal(before, &out)
			}
			if out, err = writeAs(ctx, q, by.AccountID, accountID, write); err != nil {
				return err
			}
			answer, err := json.Marshal(out)
			if err != nil {
				return err
			}
			d.keepAnswer(last, by, answer)
			return nil
		},
	})
	return out, err
}

// quoteOnce is atMostOnce for what leaves a quote stored as it is answered: the database
// copies the stored body for a repetition. What first queues is sent before it is known
// whether this is one; what write queues in last is sent with COMMIT.
func (d *DB) quoteOnce(ctx context.Context, by caller.Caller, first func(b *pgx.Batch), write func(q querier, last *pgx.Batch) (quote.Quote, error)) (out quote.Quote, err error) {
	var before []byte
	err = d.asAccountIn(ctx, by.AccountID, steps{
		contended: true, // numbers and the goods of a location
		first: func(b *pgx.Batch) {
			if by.Once.Key != "" {
				queueReplay(b, by, &before)
			}
			first(b)
		},
		then: func(q querier, last *pgx.Batch) (err error) {
			if before != nil {
				out, err = readBody(before)
				return err
			}
			if out, err = write(q, last); err == nil && by.Once.Key != "" {
				d.keepBody(last, by, out.ID)
			}
			return err
		},
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

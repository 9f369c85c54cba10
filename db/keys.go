package db

import (
	"context"
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

// A key's text is keyMark, 8 characters that may be seen and recognize it, and 32
// that are secret: 160 random bits, too many to guess, so a plain SHA-256 keeps
// them and a slow hash would only cost every request 50 ms.
const (
	keyMark        = "fwk_"
	keyRandomBytes = 25 // 200 bits are 40 characters of base32
	keyShown       = 8
)

var keyAlphabet = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

func newKeyText(random io.Reader) (string, error) {
	b := make([]byte, keyRandomBytes)
	if _, err := io.ReadFull(random, b); err != nil {
		return "", fmt.Errorf("making a key: %w", err)
	}
	return keyMark + keyAlphabet.EncodeToString(b), nil
}

// givenKey is what a script may choose as the text of its key.
var givenKey = regexp.MustCompile(`^[A-Za-z0-9_-]{20,100}$`)

// shownPrefix of a key we made shows none of its secret bits; of a given one it
// shows the first four characters.
func shownPrefix(text string) string {
	if strings.HasPrefix(text, keyMark) && len(text) == len(keyMark)+40 {
		return text[:len(keyMark)+keyShown]
	}
	return text[:4]
}

func digestOf(text string) []byte {
	d := sha256.Sum256([]byte(text))
	return d[:]
}

const keySelect = `
	SELECT k.id::text AS id, k.account_id::text AS account_id, k.prefix, k.label, k.scopes, k.allowed_origins, k.created_at, k.expires_at, k.revoked_at,
	       coalesce(k.replaces::text, '') AS replaces, coalesce(n.id::text, '') AS replaced_by, u.last_used_at, coalesce(u.uses, 0) AS uses
	FROM api_key k
	LEFT JOIN api_key n ON n.replaces = k.id
	LEFT JOIN key_use u ON u.key_id = k.id`

// CreateKey makes a key and returns its text, which cannot be had again. A given
// text that is this account's key already gives that key. A repeated request gives
// the key that the first one made, without its text.
func (d *DB) CreateKey(ctx context.Context, by caller.Caller, n account.NewKey) (k account.Key, text string, err error) {
	if text, err = d.keyText(n.Text); err != nil {
		return k, "", err
	}
	written := false
	k, err = atMostOnce(ctx, d, by, n.AccountID, func(q querier) (account.Key, error) {
		written = true
		return d.insertKey(ctx, q, by, n, text, "")
	})
	if fault.CodeOf(err) == "api_key_digest_key" && n.Text != "" {
		if same, found := d.sameKey(ctx, n); found {
			return same, text, nil
		}
	}
	if err != nil || !written { // a repetition: the text was shown, and is not kept
		return k, "", err
	}
	return k, text, nil
}

func (d *DB) keyText(given string) (string, error) {
	if given == "" {
		return newKeyText(d.opts.Rand)
	}
	if !givenKey.MatchString(given) {
		return "", fault.New(fault.Invalid, "key_text_form", "A key of your own choice has 20 to 100 of the characters A-Z, a-z, 0-9, _ and -.")
	}
	return given, nil
}

func (d *DB) sameKey(ctx context.Context, n account.NewKey) (account.Key, bool) {
	keys, err := list[account.Key](ctx, d, keySelect+` WHERE k.digest = $1 AND k.account_id = $2 AND k.revoked_at IS NULL`, digestOf(n.Text), n.AccountID)
	if err != nil || len(keys) == 0 {
		return account.Key{}, false
	}
	return keys[0], true
}

func (d *DB) insertKey(ctx context.Context, q querier, by caller.Caller, n account.NewKey, text, replaces string) (account.Key, error) {
	id, err := d.newID()
	if err != nil {
		return account.Key{}, err
	}
	_, err = q.Exec(ctx, `
		INSERT INTO api_key (id, account_id, digest, prefix, label, scopes, allowed_origins, expires_at, replaces)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		id, n.AccountID, digestOf(text), shownPrefix(text), n.Label, orEmpty(n.Scopes), orEmpty(n.AllowedOrigins), n.ExpiresAt, orNull(replaces))
	if err != nil {
		return account.Key{}, err
	}
	k, err := one[account.Key](ctx, q, keySelect+` WHERE k.id = $1`, id)
	if err != nil {
		return k, err
	}
	if err := insertEvent(ctx, q, happened(by, n.AccountID, "created", "key", id, "label", "scopes", "allowed_origins", "expires_at")); err != nil {
		return k, err
	}
	return k, keysChanged(ctx, q)
}

// RevokeKey ends a key within a second on every replica. accountID is whose key it
// must be, or "" for an administrator's reach. To revoke twice is no error.
func (d *DB) RevokeKey(ctx context.Context, by caller.Caller, accountID, keyID string) (account.Key, error) {
	return d.changeKey(ctx, by, accountID, keyID, func(q querier, k account.Key) (account.Key, error) {
		if k.RevokedAt != nil {
			return k, nil
		}
		if _, err := q.Exec(ctx, `UPDATE api_key SET revoked_at = $2 WHERE id = $1`, k.ID, d.now()); err != nil {
			return k, err
		}
		if err := insertEvent(ctx, q, happened(by, k.AccountID, "revoked", "key", k.ID, "revoked_at")); err != nil {
			return k, err
		}
		return one[account.Key](ctx, q, keySelect+` WHERE k.id = $1`, k.ID)
	})
}

// RotateKey makes a successor with the same rights, which lasts as long as the old
// one was to last, and lets the old key work for the overlap, or until it would have
// expired anyway. A repeated request gives the same successor without its text.
func (d *DB) RotateKey(ctx context.Context, by caller.Caller, accountID, keyID string, overlap time.Duration) (next account.Key, text string, err error) {
	if text, err = newKeyText(d.opts.Rand); err != nil {
		return next, "", err
	}
	written := false
	next, err = d.changeKey(ctx, by, accountID, keyID, func(q querier, old account.Key) (account.Key, error) {
		written = true
		if old.RevokedAt != nil {
			return old, fault.New(fault.Conflict, "key_revoked", "A revoked key cannot be rotated; make a new one.")
		}
		n := account.NewKey{AccountID: old.AccountID, Label: old.Label, Scopes: old.Scopes, AllowedOrigins: old.AllowedOrigins}
		if old.ExpiresAt != nil {
			end := d.now().Add(old.ExpiresAt.Sub(old.CreatedAt))
			n.ExpiresAt = &end
		}
		next, err := d.insertKey(ctx, q, by, n, text, old.ID)
		if err != nil {
			return next, err
		}
		if _, err = q.Exec(ctx, `UPDATE api_key SET expires_at = least(expires_at, $2) WHERE id = $1`, old.ID, d.now().Add(overlap)); err != nil {
			return next, err
		}
		return next, insertEvent(ctx, q, happened(by, old.AccountID, "rotated", "key", old.ID, "expires_at"))
	})
	if err != nil {
		return account.Key{}, "", err
	}
	if !written {
		text = ""
	}
	return next, text, nil
}

// changeKey finds the key, locks it, and works in its account's transaction.
func (d *DB) changeKey(ctx context.Context, by caller.Caller, accountID, keyID string, change func(q querier, k account.Key) (account.Key, error)) (k account.Key, err error) {
	owner := accountID
	if owner == "" {
		if owner, err = d.ownerOfKey(ctx, keyID); err != nil {
			return k, err
		}
	}
	return atMostOnce(ctx, d, by, owner, func(q querier) (account.Key, error) {
		if _, err := q.Exec(ctx, `SELECT 1 FROM api_key WHERE id = $1 AND account_id = $2 FOR UPDATE`, keyID, owner); err != nil {
			return k, err
		}
		k, err := one[account.Key](ctx, q, keySelect+` WHERE k.id = $1 AND k.account_id = $2`, keyID, owner)
		if err != nil {
			return k, keyNotFound(err)
		}
		if k, err = change(q, k); err != nil {
			return k, err
		}
		return k, keysChanged(ctx, q)
	})
}

func (d *DB) ownerOfKey(ctx context.Context, keyID string) (owner string, err error) {
	err = d.plain(ctx, func(q querier) error {
		return keyNotFound(q.QueryRow(ctx, `SELECT account_id::text FROM api_key WHERE id = $1`, keyID).Scan(&owner))
	})
	return owner, err
}

func keyNotFound(err error) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return fault.Wrap(err, fault.NotFound, "key_not_found", "There is no such key, or it is not yours.")
	}
	return err
}

// Key reads one key. accountID is whose key it must be, or "" for an administrator's
// reach.
func (d *DB) Key(ctx context.Context, accountID, keyID string) (k account.Key, err error) {
	err = d.plain(ctx, func(q querier) (err error) {
		k, err = one[account.Key](ctx, q, keySelect+` WHERE k.id = $1 AND ($2::text IS NULL OR k.account_id = $2::uuid)`, keyID, orNull(accountID))
		return keyNotFound(err)
	})
	return k, err
}

// Keys lists the keys of one account, or of all for "", newest first.
func (d *DB) Keys(ctx context.Context, accountID string) ([]account.Key, error) {
	return list[account.Key](ctx, d, keySelect+` WHERE $1::text IS NULL OR k.account_id = $1::uuid ORDER BY k.created_at DESC, k.id DESC`, orNull(accountID))
}

// KeysNotRotated lists working keys made before a time that have no successor yet,
// oldest first; "" means of all accounts.
func (d *DB) KeysNotRotated(ctx context.Context, accountID string, madeBefore time.Time) ([]account.Key, error) {
	return list[account.Key](ctx, d, keySelect+`
		WHERE ($1::text IS NULL OR k.account_id = $1::uuid) AND k.created_at < $2 AND k.revoked_at IS NULL
		  AND (k.expires_at IS NULL OR k.expires_at > $3) AND n.id IS NULL
		ORDER BY k.created_at, k.id`, orNull(accountID), madeBefore, d.now())
}

// keysChanged raises the version that every replica compares, and wakes them.
func keysChanged(ctx context.Context, q querier) error {
	if _, err := q.Exec(ctx, `UPDATE key_version SET version = version + 1`); err != nil {
		return err
	}
	_, err := q.Exec(ctx, `SELECT pg_notify('forkwright_keys', '')`)
	return err
}

// grant is what a key lets its holder do, as a request needs it.
type grant struct {
	Digest         []byte
	ID             string
	AccountID      string
	Roles          []caller.Role
	Scopes         []string
	AllowedOrigins []string
	ExpiresAt      *time.Time
	RevokedAt      *time.Time
	ClosedAt       *time.Time
}

const grantSelect = `
	SELECT k.digest, k.id::text AS id, k.account_id::text AS account_id, a.roles, k.scopes, k.allowed_origins, k.expires_at, k.revoked_at, a.closed_at
	FROM api_key k JOIN account a ON a.id = k.account_id
	WHERE k.digest = ANY($1)`

// recordUses adds uses to what is known of keys, in one statement for all.
func (d *DB) recordUses(ctx context.Context, uses map[string]use) error {
	ids, times, lasts := make([]string, 0, len(uses)), make([]int64, 0, len(uses)), make([]time.Time, 0, len(uses))
	for id, u := range uses {
		ids, times, lasts = append(ids, id), append(times, u.times), append(lasts, u.last)
	}
	return d.plain(ctx, func(q querier) error {
		_, err := q.Exec(ctx, `
			INSERT INTO key_use AS u (key_id, uses, last_used_at)
			SELECT id, n, last FROM unnest($1::uuid[], $2::bigint[], $3::timestamptz[]) AS t (id, n, last) ORDER BY id
			ON CONFLICT (key_id) DO UPDATE SET uses = u.uses + excluded.uses, last_used_at = greatest(u.last_used_at, excluded.last_used_at)`,
			ids, times, lasts)
		return err
	})
}

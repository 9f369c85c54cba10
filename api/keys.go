package api

import (
	"context"
	"net/http"
	"slices"
	"time"

	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

// KeyStore keeps keys. An account id of "" reaches the keys of all accounts. The text of a
// key is "" where a request was only repeated.
type KeyStore interface {
	CreateKey(ctx context.Context, by caller.Caller, n account.NewKey) (account.Key, string, error)
	RevokeKey(ctx context.Context, by caller.Caller, accountID, keyID string) (account.Key, error)
	RotateKey(ctx context.Context, by caller.Caller, accountID, keyID string, overlap time.Duration) (account.Key, string, error)
	Key(ctx context.Context, accountID, keyID string) (account.Key, error)
	Keys(ctx context.Context, accountID string) ([]account.Key, error)
	KeysNotRotated(ctx context.Context, accountID string, madeBefore time.Time) ([]account.Key, error)
}

type keyOut struct {
	Reply          `json:"-"`
	KeyID          string     `json:"key_id"`
	AccountID      string     `json:"account_id"`
	Prefix         string     `json:"prefix"`
	Label          string     `json:"label"`
	Scopes         []string   `json:"scopes"`
	AllowedOrigins []string   `json:"allowed_origins"`
	CreatedAt      time.Time  `json:"created_at"`
	ExpiresAt      *time.Time `json:"expires_at,omitempty"`
	RevokedAt      *time.Time `json:"revoked_at,omitempty"`
	Replaces       string     `json:"replaces,omitempty"`
	ReplacedBy     string     `json:"replaced_by,omitempty"`
	LastUsedAt     *time.Time `json:"last_used_at,omitempty"`
	Uses           int64      `json:"uses"`
	Key            string     `json:"key,omitempty"` // the text, this once
}

func keyWire(k account.Key) keyOut {
	return keyOut{
		KeyID: k.ID, AccountID: k.AccountID, Prefix: k.Prefix, Label: k.Label, Scopes: k.Scopes, AllowedOrigins: k.AllowedOrigins,
		CreatedAt: k.CreatedAt.UTC(), ExpiresAt: utc(k.ExpiresAt), RevokedAt: utc(k.RevokedAt), Replaces: k.Replaces, ReplacedBy: k.ReplacedBy,
		LastUsedAt: utc(k.LastUsedAt), Uses: k.Uses,
	}
}

func newKeyWire(k account.Key, text string) keyOut {
	out := keyWire(k)
	out.Key, out.Status, out.Location = text, http.StatusCreated, "/v1/keys/"+k.ID
	return out
}

type newKeyIn struct {
	once
	Body struct {
		AccountID      string   `json:"account_id,omitempty"`
		Label          string   `json:"label"`
		Scopes         []string `json:"scopes,omitempty"`
		AllowedOrigins []string `json:"allowed_origins,omitempty"`
		ExpiresAt      *instant `json:"expires_at,omitempty"`
	} `body:""`
}

func (s *Server) createKey(ctx context.Context, who caller.Caller, in newKeyIn) (keyOut, error) {
	owner, err := onBehalf(who, in.Body.AccountID, "/account_id")
	if err != nil {
		return keyOut{}, err
	}
	n := account.NewKey{AccountID: owner, Label: in.Body.Label, Scopes: in.Body.Scopes, AllowedOrigins: in.Body.AllowedOrigins, ExpiresAt: in.Body.ExpiresAt.time()}
	if err := n.Check(s.Now(), s.scopes()); err != nil {
		return keyOut{}, err
	}
	if err := mayHandOut(who, n.Scopes, n.AllowedOrigins); err != nil {
		return keyOut{}, err
	}
	by, err := in.by(who, "createKey", http.StatusCreated, in.Body)
	if err != nil {
		return keyOut{}, err
	}
	k, text, err := s.Keys.CreateKey(ctx, by, n)
	if err != nil {
		return keyOut{}, err
	}
	return newKeyWire(k, text), nil
}

// mayHandOut: nobody gets by a new key what the key in hand may not do.
func mayHandOut(who caller.Caller, scopes, origins []string) error {
	within := func(own, wanted []string) bool {
		return len(own) == 0 || len(wanted) > 0 && !slices.ContainsFunc(wanted, func(w string) bool { return !slices.Contains(own, w) })
	}
	if within(who.Scopes, scopes) && within(who.Origins, origins) {
		return nil
	}
	return fault.New(fault.Forbidden, "key_may_not_grant", "This key is limited in scopes or origins and cannot make or rotate one with fewer limits; use a key without them.")
}

type keysOut struct {
	Keys []keyOut `json:"keys"`
}

func (s *Server) listKeys(ctx context.Context, who caller.Caller, in struct {
	AccountID       string     `query:"account_id" maxlen:"36"`
	NotRotatedSince *time.Time `query:"not_rotated_since" maxlen:"40"`
}) (keysOut, error) {
	owner, err := onBehalf(who, in.AccountID, "query:account_id")
	if err != nil {
		return keysOut{}, err
	}
	var keys []account.Key
	if in.NotRotatedSince != nil {
		keys, err = s.Keys.KeysNotRotated(ctx, owner, *in.NotRotatedSince)
	} else {
		keys, err = s.Keys.Keys(ctx, owner)
	}
	out := keysOut{Keys: make([]keyOut, 0, len(keys))}
	for _, k := range keys {
		out.Keys = append(out.Keys, keyWire(k))
	}
	return out, err
}

type keyIn struct {
	KeyID string `path:"key_id"`
}

func (s *Server) getKey(ctx context.Context, who caller.Caller, in keyIn) (keyOut, error) {
	k, err := s.Keys.Key(ctx, reach(who), in.KeyID)
	return keyWire(k), keyFault(err)
}

// keyFault: an id that no key can have is an id that no key has.
func keyFault(err error) error {
	if fault.CodeOf(err) == "not_found" {
		return fault.Wrap(err, fault.NotFound, "key_not_found", "There is no such key, or it is not yours.")
	}
	return err
}

func (s *Server) revokeKey(ctx context.Context, who caller.Caller, in struct {
	once
	keyIn
}) (keyOut, error) {
	by, err := in.by(who, "revokeKey", http.StatusOK, in.KeyID)
	if err != nil {
		return keyOut{}, err
	}
	k, err := s.Keys.RevokeKey(ctx, by, reach(who), in.KeyID)
	return keyWire(k), keyFault(err)
}

// How long a rotated key goes on working, unless the request says otherwise.
const defaultOverlapS, maxOverlapS = 24 * 3600, 30 * 24 * 3600

type rotateIn struct {
	once
	keyIn
	Body *struct {
		OverlapS *int64 `json:"overlap_s,omitempty"`
	} `body:""`
}

func (in *rotateIn) overlapS() int64 {
	if in.Body == nil || in.Body.OverlapS == nil {
		return defaultOverlapS
	}
	return *in.Body.OverlapS
}

// Validate keeps the overlap in bounds.
func (in *rotateIn) Validate() error {
	if s := in.overlapS(); s < 0 || s > maxOverlapS {
		return wrongField("/overlap_s", "out_of_range", "overlap_s must be from 0 to %d, which is 30 days.", maxOverlapS)
	}
	return nil
}

func (s *Server) rotateKey(ctx context.Context, who caller.Caller, in rotateIn) (keyOut, error) {
	old, err := s.Keys.Key(ctx, reach(who), in.KeyID)
	if err != nil {
		return keyOut{}, keyFault(err)
	}
	if err := mayHandOut(who, old.Scopes, old.AllowedOrigins); err != nil {
		return keyOut{}, err
	}
	by, err := in.by(who, "rotateKey", http.StatusCreated, in.KeyID, in.overlapS())
	if err != nil {
		return keyOut{}, err
	}
	k, text, err := s.Keys.RotateKey(ctx, by, reach(who), in.KeyID, time.Duration(in.overlapS())*time.Second)
	if err != nil {
		return keyOut{}, err
	}
	return newKeyWire(k, text), nil
}

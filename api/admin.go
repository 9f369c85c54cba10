package api

import (
	"context"
	"crypto/sha256"
	"regexp"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"

	"forkwright/service/caller"
	"forkwright/service/fault"
)

// AdminDeps are the collaborators of accounts, keys, locations, persons, notices, events and
// the catalog's administration.
type AdminDeps struct {
	Accounts    AccountStore
	Keys        KeyStore
	Locations   LocationStore
	Persons     PersonStore
	Events      EventStore
	NoticeStore NoticeStore
	Revisions   RevisionStore
	GapList     GapStore
	Prices      PriceStore

	// What this process does at once after a change; the others follow by notification. Nil:
	// this one waits for it too.
	NoticesChanged func(context.Context) (bool, error)
	CatalogChanged func(context.Context) (bool, error)
}

// once is embedded in the input of an operation that writes.
type once struct {
	IdempotencyKey string `header:"Idempotency-Key" minlen:"1" maxlen:"100"` // empty would protect nobody
}

// by is the caller with what the request promises: the same key for the same operation, path
// and body is the same request. What was sent is kept as a digest only.
func (o once) by(who caller.Caller, operation string, status int, asked ...any) (caller.Caller, error) {
	if o.IdempotencyKey == "" {
		return who, nil
	}
	b, err := json.Marshal(asked, json.Deterministic(true))
	if err != nil {
		return who, err
	}
	who.Once = caller.Once{Operation: operation, Key: o.IdempotencyKey, Body: sha256.Sum256(b), Status: status}
	return who, nil
}

// page is embedded in the input of a list.
type page struct {
	Limit  int    `query:"limit" min:"1" max:"200" default:"50"`
	Cursor string `query:"cursor"`
}

// cut takes the rows of a list that was asked for one more than fit, and says where the next
// page begins.
func cut[T any](rows []T, limit int, at func(T) string) (shown []T, next string) {
	if len(rows) <= limit {
		return rows, ""
	}
	rows = rows[:limit]
	return rows, at(rows[limit-1])
}

var idForm = regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$`)

// after is the id in a cursor.
func (p page) after() (string, error) {
	if p.Cursor != "" && !idForm.MatchString(p.Cursor) {
		return "", wrongField("query:cursor", "invalid_value", "cursor must be the next_cursor of the page before.")
	}
	return p.Cursor, nil
}

// reach is whose things the caller may touch: its own, or for an administrator anybody's,
// which the stores write as "".
func reach(who caller.Caller) string {
	if who.Has(caller.Administrator) {
		return ""
	}
	return who.AccountID
}

// onBehalf is the account that a request names, or the caller's own. Only an administrator
// may name another.
func onBehalf(who caller.Caller, account, pointer string) (string, error) {
	switch {
	case account == "" || account == who.AccountID:
		return who.AccountID, nil
	case !who.Has(caller.Administrator):
		return "", fault.New(fault.Forbidden, "not_your_account", "This key may act for its own account only; leave account_id out.")
	case !idForm.MatchString(account):
		return "", wrongField(pointer, "invalid_value", "account_id must be the id of an account.")
	}
	return account, nil
}

// A scope is the part of a path after /v1/, such as quotes; with ":read" it allows only GET.
const readScope = ":read"

// scopes lists the scopes that the table of routes has.
func (s *Server) scopes() []string {
	var out []string
	for _, r := range s.routes() {
		if name := scopeOf(r.Path); name != "" {
			out = append(out, name, name+readScope)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func scopeOf(path string) string {
	rest, ok := strings.CutPrefix(path, "/v1/")
	if !ok {
		return ""
	}
	name, _, _ := strings.Cut(rest, "/")
	return name
}

// inScope reports whether a key with these scopes may use a route. No scopes: whatever its
// account may.
func inScope(scopes []string, r route) bool {
	if len(scopes) == 0 {
		return true
	}
	name := scopeOf(r.Path)
	return slices.Contains(scopes, name) || isRead(r.Method) && slices.Contains(scopes, name+readScope)
}

package api

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"forkwright/api/edge"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

const codeMissingKey = "missing_key"

// Authenticator knows keys. It answers a key that is unknown, revoked or
// expired with an Unauthenticated fault (codes key_unknown, key_revoked,
// key_expired, account_closed), and one it cannot look up with an Unavailable one.
type Authenticator interface {
	Authenticate(ctx context.Context, key string) (caller.Caller, error)
}

// authorize finds out who asks and whether the route is theirs.
func (s *Server) authorize(c echo.Context, r route) (caller.Caller, error) {
	req := c.Request()
	rec := edge.RecordOf(req.Context())
	if len(r.Roles) == 0 {
		return caller.Caller{RequestID: rec.RequestID}, nil
	}
	key, err := bearer(req.Header)
	if err != nil {
		return caller.Caller{}, err
	}
	who, err := s.Auth.Authenticate(req.Context(), key)
	if err != nil {
		return caller.Caller{}, err
	}
	who.RequestID = rec.RequestID
	rec.AccountID, rec.KeyID = who.AccountID, who.KeyID
	if err := allowOrigin(c.Response().Header(), req, who); err != nil {
		return caller.Caller{}, err
	}
	if !who.Has(r.Roles...) {
		return caller.Caller{}, fault.New(fault.Forbidden, "role_not_allowed", "This key belongs to a %s; this operation is for %s.", roleWords(who.Roles), roleWords(r.Roles))
	}
	if !inScope(who.Scopes, r) {
		return caller.Caller{}, fault.New(fault.Forbidden, "scope_not_allowed", "This key is limited to %s; this operation needs the scope %s.", strings.Join(who.Scopes, ", "), scopeOf(r.Path))
	}
	return who, s.limiter.take(c.Response().Header(), who, r.cost())
}

// bearer reads the key. What cannot be a key is refused without asking anybody.
func bearer(h http.Header) (string, error) {
	values := h.Values("Authorization")
	if len(values) == 0 {
		return "", fault.New(fault.Unauthenticated, codeMissingKey, "Send your API key in the header Authorization: Bearer KEY.")
	}
	scheme, key, _ := strings.Cut(values[0], " ")
	if len(values) > 1 || !strings.EqualFold(scheme, "Bearer") || !looksLikeKey(key) {
		return "", fault.New(fault.Unauthenticated, "invalid_key", "The Authorization header does not hold an API key of this service; it must read Bearer KEY.")
	}
	return key, nil
}

// looksLikeKey: 20 to 100 characters of [A-Za-z0-9_-].
func looksLikeKey(key string) bool {
	if len(key) < 20 || len(key) > 100 {
		return false
	}
	for _, c := range []byte(key) {
		ok := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_'
		if !ok {
			return false
		}
	}
	return true
}

func roleWords(roles []caller.Role) string {
	words := make([]string, len(roles))
	for i, r := range roles {
		words[i] = string(r)
	}
	return strings.Join(words, " or ")
}

// allowOrigin holds a key to the web pages it was made for. A key without
// origins works from anywhere, but no page of another origin may read the
// answer.
func allowOrigin(h http.Header, req *http.Request, who caller.Caller) error {
	origin := req.Header.Get("Origin")
	if origin == "" || len(who.Origins) == 0 || sameOrigin(origin, req) {
		return nil
	}
	if !slices.Contains(who.Origins, origin) {
		return fault.New(fault.Forbidden, "origin_not_allowed", "This key may not be used from this web page's origin; ask for it to be added to the key.")
	}
	h.Set("Access-Control-Allow-Origin", origin)
	h.Set("Access-Control-Expose-Headers", "Deprecation, ETag, Link, Location, RateLimit, RateLimit-Policy, Retry-After, Sunset, X-Request-Id")
	return nil
}

// sameOrigin: our own reference page sends an Origin too. The scheme is not
// known behind a proxy, so the host decides.
func sameOrigin(origin string, req *http.Request) bool {
	_, host, _ := strings.Cut(origin, "://")
	return host == req.Host
}

// crossOrigin answers a browser's question before a request from another
// origin. It carries no key, so it can only say what the API takes at all;
// the answer itself stays unreadable unless the key lists the origin.
func crossOrigin(table []route) echo.MiddlewareFunc {
	methods, headers := taken(table)
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			req, h := c.Request(), c.Response().Header()
			origin := req.Header.Get("Origin")
			if origin != "" {
				h.Add("Vary", "Origin")
			}
			if req.Method != http.MethodOptions || origin == "" || req.Header.Get("Access-Control-Request-Method") == "" {
				return next(c)
			}
			h.Set("Access-Control-Allow-Origin", origin)
			h.Set("Access-Control-Allow-Methods", methods)
			h.Set("Access-Control-Allow-Headers", headers)
			h.Set("Access-Control-Max-Age", "600")
			return c.NoContent(http.StatusNoContent)
		}
	}
}

// taken lists the methods and headers that some operation of the table takes.
func taken(table []route) (methods, headers string) {
	m, h := []string{http.MethodHead}, []string{"Accept", "Authorization", "Content-Type", "X-Request-Id"}
	for _, r := range table {
		m, h = append(m, r.Method), append(h, r.Op.plan.names(fromHeader)...)
	}
	return distinct(m), distinct(h)
}

func distinct(words []string) string {
	slices.Sort(words)
	return strings.Join(slices.Compact(words), ", ")
}

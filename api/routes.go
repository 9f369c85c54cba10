package api

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"forkwright/api/docs"
	"forkwright/service/caller"
)

// route is one operation. The table of routes is the index of the service: the
// contract, the roles page and the router are all compared with it or made from
// it.
type route struct {
	Method string
	Path   string        // as openapi.yaml writes it: /v1/forks/{fork_id}
	ID     string        // operationId
	Roles  []caller.Role // who may; none means public, without a key
	Limits limits
	Op     operation
}

// limits of one operation; zero values mean the defaults.
type limits struct {
	MaxBody  int64         // bytes; default 1 MiB
	Timeout  time.Duration // for the whole operation; default 10 s
	Cost     int           // of the account's rate limit; default 1
	Produces []string      // media types, the preferred one first; default application/json

	Deprecated *deprecation // nil while nobody plans its end
}

const (
	defaultMaxBody = 1 << 20
	defaultTimeout = 10 * time.Second
)

// routes is the table, a line an operation.
func (s *Server) routes() []route {
	var public []caller.Role
	plain := limits{}
	traders := []caller.Role{caller.Shop, caller.Distributor, caller.Administrator}
	shops := []caller.Role{caller.Shop}
	admins := []caller.Role{caller.Administrator}
	anyone := []caller.Role{caller.Shop, caller.Storefront, caller.Distributor, caller.Administrator}
	advisers := []caller.Role{caller.Shop, caller.Storefront, caller.Administrator}
	benches := []caller.Role{caller.Shop, caller.Administrator}
	return []route{
		{http.MethodGet, "/healthz", "getHealth", public, plain, op(s.getHealth)},
		{http.MethodGet, "/readyz", "getReadiness", public, plain, op(s.getReadiness)},
		{http.MethodGet, "/openapi.yaml", "getContract", public, limits{Produces: contractTypes}, op(s.getContract)},
		{http.MethodGet, "/docs", "getReference", public, limits{Produces: []string{"text/html"}}, op(s.getReference)},
		{http.MethodGet, "/docs/{file}", "getDocsFile", public, limits{Produces: docs.MediaTypes()}, op(s.getDocsFile)},

		{http.MethodGet, "/v1/forks", "listForks", anyone, plain, op(s.listForks)},
		{http.MethodGet, "/v1/forks/{fork_id}", "getFork", anyone, plain, op(s.getFork)},
		{http.MethodGet, "/v1/forks/{fork_id}/parts", "listForkParts", anyone, limits{Cost: 2}, op(s.listForkParts)},
		{http.MethodGet, "/v1/parts/{sku}", "getPart", anyone, plain, op(s.getPart)},
		{http.MethodGet, "/v1/parts/{sku}/forks", "listPartForks", anyone, plain, op(s.listPartForks)},
		{http.MethodPost, "/v1/fit-checks", "checkFit", anyone, limits{Cost: 2}, op(s.checkFit)},
		{http.MethodPost, "/v1/fit-checks/recheck", "recheckFit", anyone, limits{Cost: 5}, op(s.recheck)},
		{http.MethodPost, "/v1/setups", "recommendSetup", advisers, limits{Produces: setupTypes, Cost: 3}, op(s.recommendSetup)},
		{http.MethodPost, "/v1/bills", "makeBill", benches, limits{Cost: 2}, op(s.makeBill)},
		{http.MethodPost, "/v1/springs/identify", "identifySpring", advisers, plain, op(s.identifySpring)},
		{http.MethodPost, "/v1/springs/assess", "assessSpring", benches, plain, op(s.assessSpring)},
		{http.MethodPost, "/v1/fluids/compare", "compareFluids", benches, plain, op(s.compareFluids)},

		{http.MethodGet, "/v1/account", "getOwnAccount", traders, plain, op(s.getOwnAccount)},
		{http.MethodPut, "/v1/account", "putOwnAccount", shops, plain, op(s.putOwnAccount)},
		{http.MethodGet, "/v1/account/prices", "listOwnPrices", shops, plain, op(s.listOwnPrices)},
		{http.MethodPut, "/v1/account/prices", "putOwnPrices", shops, limits{MaxBody: 16 << 20, Timeout: time.Minute, Cost: 5}, op(s.putOwnPrices)},
		{http.MethodGet, "/v1/tax-rates", "listTaxRates", admins, plain, op(s.listTaxRates)},
		{http.MethodPut, "/v1/tax-rates", "putTaxRates", admins, plain, op(s.putTaxRates)},
		{http.MethodPost, "/v1/accounts", "createAccount", admins, plain, op(s.createAccount)},
		{http.MethodGet, "/v1/accounts", "listAccounts", admins, plain, op(s.listAccounts)},
		{http.MethodGet, "/v1/accounts/{account_id}", "getAccount", admins, plain, op(s.getAccount)},
		{http.MethodPut, "/v1/accounts/{account_id}", "putAccount", admins, plain, op(s.putAccount)},
		{http.MethodPost, "/v1/keys", "createKey", traders, plain, op(s.createKey)},
		{http.MethodGet, "/v1/keys", "listKeys", traders, plain, op(s.listKeys)},
		{http.MethodGet, "/v1/keys/{key_id}", "getKey", traders, plain, op(s.getKey)},
		{http.MethodPost, "/v1/keys/{key_id}/revoke", "revokeKey", traders, plain, op(s.revokeKey)},
		{http.MethodPost, "/v1/keys/{key_id}/rotate", "rotateKey", traders, plain, op(s.rotateKey)},
		{http.MethodPost, "/v1/locations", "createLocation", admins, plain, op(s.createLocation)},
		{http.MethodGet, "/v1/locations", "listLocations", traders, plain, op(s.listLocations)},
		{http.MethodGet, "/v1/locations/{location}", "getLocation", traders, plain, op(s.getLocation)},
		{http.MethodPut, "/v1/locations/{location}", "putLocation", traders, plain, op(s.putLocation)},
		{http.MethodGet, "/v1/locations/{location}/stock", "listLocationStock", traders, plain, op(s.listLocationStock)},
		{http.MethodPut, "/v1/locations/{location}/stock", "putLocationStock", traders, feedLimits, op(s.putLocationStock)},
		{http.MethodPatch, "/v1/locations/{location}/stock", "patchLocationStock", traders, feedLimits, op(s.patchLocationStock)},
		{http.MethodPost, "/v1/locations/{location}/stock/reset", "resetFeeds", traders, plain, op(s.resetFeeds)},
		{http.MethodGet, "/v1/locations/{location}/reservations", "listReservations", traders, plain, op(s.listReservations)},
		{http.MethodGet, "/v1/locations/{location}/feeds", "listFeeds", traders, plain, op(s.listFeeds)},
		{http.MethodGet, "/v1/locations/{location}/codes", "listCodes", traders, plain, op(s.listCodes)},
		{http.MethodPut, "/v1/locations/{location}/codes", "putCodes", traders, limits{MaxBody: 16 << 20, Timeout: time.Minute, Cost: 5}, op(s.putCodes)},
		{http.MethodPut, "/v1/stock", "putStock", traders, feedLimits, op(s.putStock)},
		{http.MethodGet, "/v1/feeds/{feed_id}", "getFeed", traders, plain, op(s.getFeed)},
		{http.MethodGet, "/v1/feeds/{feed_id}/rejects", "getFeedRejects", traders, limits{Produces: []string{"text/csv"}}, op(s.getFeedRejects)},
		{http.MethodPost, "/v1/persons", "createPerson", shops, plain, op(s.createPerson)},
		{http.MethodGet, "/v1/persons/{person_id}", "getPerson", shops, plain, op(s.getPerson)},
		{http.MethodPut, "/v1/persons/{person_id}", "putPerson", shops, plain, op(s.putPerson)},
		{http.MethodPost, "/v1/persons/{person_id}/erase", "erasePerson", shops, plain, op(s.erasePerson)},
		{http.MethodGet, "/v1/events", "listEvents", traders, plain, op(s.listEvents)},
		{http.MethodPost, "/v1/notices", "createNotice", admins, plain, op(s.createNotice)},
		{http.MethodGet, "/v1/notices", "listNotices", traders, plain, op(s.listNotices)},
		{http.MethodPost, "/v1/notices/{notice_id}/withdraw", "withdrawNotice", admins, plain, op(s.withdrawNotice)},
		{http.MethodPut, "/v1/catalog", "putCatalog", admins, catalogLimits, op(s.putCatalog)},
		{http.MethodGet, "/v1/catalog/revisions", "listRevisions", admins, plain, op(s.listRevisions)},
		{http.MethodGet, "/v1/catalog/active", "getActiveRevision", admins, plain, op(s.getActiveRevision)},
		{http.MethodPut, "/v1/catalog/active", "putActiveRevision", admins, limits{Timeout: time.Minute}, op(s.putActiveRevision)},
		{http.MethodGet, "/v1/catalog/gaps", "listGaps", admins, plain, op(s.listGaps)},

		{http.MethodPost, "/v1/quotes", "createQuote", shops, limits{Cost: 5}, op(s.createQuote)},
		{http.MethodGet, "/v1/quotes", "listQuotes", shops, plain, op(s.listQuotes)},
		{http.MethodGet, "/v1/quotes/{quote_id}", "getQuote", shops, limits{Produces: quoteTypes, Cost: 2}, op(s.getQuote)},
		{http.MethodGet, "/v1/quotes/{quote_id}/bench-sheet", "getBenchSheet", shops, limits{Produces: paperTypes, Cost: 2}, op(s.getBenchSheet)},
		{http.MethodPost, "/v1/quotes/{quote_id}/issue", "issueQuote", shops, limits{Cost: 2}, op(s.issueQuote)},
		{http.MethodPost, "/v1/quotes/{quote_id}/accept", "acceptQuote", shops, limits{Cost: 2}, op(s.acceptQuote)},
		{http.MethodPost, "/v1/quotes/{quote_id}/decline", "declineQuote", shops, plain, op(s.declineQuote)},
		{http.MethodPost, "/v1/quotes/{quote_id}/withdraw", "withdrawQuote", shops, plain, op(s.withdrawQuote)},
		{http.MethodPost, "/v1/quotes/{quote_id}/fulfil", "fulfilQuote", shops, limits{Cost: 2}, op(s.fulfilQuote)},
		{http.MethodPost, "/v1/quotes/{quote_id}/revise", "reviseQuote", shops, limits{Cost: 5}, op(s.reviseQuote)},
		{http.MethodGet, "/v1/quotes/{quote_id}/events", "listQuoteEvents", shops, plain, op(s.listQuoteEvents)},
		{http.MethodGet, "/q/{token}", "readQuotePage", public, limits{Produces: paperTypes}, op(s.readQuotePage)},
	}
}

func (r route) maxBody() int64 {
	if r.Limits.MaxBody > 0 {
		return r.Limits.MaxBody
	}
	return defaultMaxBody
}

func (r route) timeout() time.Duration {
	if r.Limits.Timeout > 0 {
		return r.Limits.Timeout
	}
	return defaultTimeout
}

// gated: it waits for a place to work in. What says how the service is doing never does.
func (r route) gated() bool { return len(r.Roles) > 0 || strings.HasPrefix(r.Path, "/q/") }

func (r route) cost() int { return max(r.Limits.Cost, 1) }

func (r route) produces() []string {
	if len(r.Limits.Produces) > 0 {
		return r.Limits.Produces
	}
	return []string{mediaJSON}
}

// check finds what would only show at the first request: an input that does not
// match the path.
func (r route) check() error {
	if r.Op.err != nil {
		return fmt.Errorf("api: %s: %w", r.ID, r.Op.err)
	}
	if d := r.Limits.Deprecated; d != nil && d.Sunset.Sub(d.Since) < noticePeriod {
		return fmt.Errorf("api: %s: only %s between deprecation and end", r.ID, d.Sunset.Sub(d.Since))
	}
	inPath, inInput := pathParams(r.Path), r.Op.plan.names(fromPath)
	slices.Sort(inPath)
	slices.Sort(inInput)
	if !slices.Equal(inPath, inInput) {
		return fmt.Errorf("api: %s: path has %v, input takes %v", r.ID, inPath, inInput)
	}
	return nil
}

func pathParams(path string) []string {
	var names []string
	for part := range strings.SplitSeq(path, "/") {
		if name, ok := strings.CutPrefix(part, "{"); ok {
			names = append(names, strings.TrimSuffix(name, "}"))
		}
	}
	return names
}

// echoPath writes /v1/forks/{fork_id} as /v1/forks/:fork_id.
func echoPath(path string) string {
	return strings.ReplaceAll(strings.ReplaceAll(path, "{", ":"), "}", "")
}

// documented is the table as the roles page prints it.
func (s *Server) documented() []docs.Operation {
	var out []docs.Operation
	for _, r := range s.routes() {
		o := docs.Operation{Method: r.Method, Path: r.Path, ID: r.ID}
		for _, role := range r.Roles {
			o.Roles = append(o.Roles, string(role))
		}
		out = append(out, o)
	}
	return out
}

// Operations is the table in the contract's own terms, for the test that
// compares the two.
func (s *Server) Operations() []ContractOperation {
	var out []ContractOperation
	for _, r := range s.routes() {
		o := ContractOperation{Method: r.Method, Path: r.Path, ID: r.ID, Public: len(r.Roles) == 0}
		for _, source := range []string{fromPath, fromQuery, fromHeader} {
			for _, name := range r.Op.plan.names(source) {
				o.Parameters = append(o.Parameters, source+":"+name)
			}
		}
		o.Deprecated = r.Limits.Deprecated != nil
		o.Consumes = r.Op.plan.consumes()
		o.Produces = slices.Clone(r.produces())
		slices.Sort(o.Parameters)
		slices.Sort(o.Produces)
		out = append(out, o)
	}
	return out
}

// Package api speaks HTTP: the route table, one adapter that turns a plain
// function into an operation, problems (RFC 9457), authentication, and the
// contract they are all held to.
//
// An operation is `func(context.Context, caller.Caller, In) (Out, error)`. In
// says by struct tags what comes from path, query, header and body (see
// planOf); Out is the JSON answer, with a Reply embedded when it sets more than
// the body. echo and kin-openapi are known to server.go, routes.go, op.go,
// problem.go, auth.go and contract.go, and to nothing else.
package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"time"

	"github.com/labstack/echo/v4"

	"forkwright/api/docs"
	"forkwright/api/edge"
	"forkwright/service/fitment"
)

// Config is what the shell itself needs.
type Config struct {
	Spec                          []byte           // openapi.yaml, as embedded
	Log                           *slog.Logger     // one line a request
	Random                        io.Reader        // request ids
	Now                           func() time.Time // the clock of everything in this package
	Enforce                       bool             // hold every request and answer to the contract; slow, about 1 ms
	Limits                        Limits           // what one process takes on; zero means no limit
	PublicURL                     string           // where customers reach the service, without a slash at its end; empty: links are paths
	Trusted                       []netip.Prefix   // proxies whose X-Forwarded-For counts
	MaxConnections, MaxPerAddress int              // open connections in all and of one address; zero means no limit
	Metrics                       *edge.Metrics    // counts requests; may be nil
	Grace                         time.Duration    // for running requests at the end; zero means 10 s
	Pace                          time.Duration    // for each 64 KiB of a feed or catalog to come; zero means 1 min
}

// Deps are the collaborators of the handlers, each a small interface declared
// beside the handlers that call it.
type Deps struct {
	Auth     Authenticator
	Checks   []Check              // of GET /readyz
	Revision func() (int64, bool) // active catalog revision; false while none is loaded
	AdminDeps
	CatalogDeps
	QuoteDeps
	FeedDeps
}

// Server is the HTTP side of the service.
type Server struct {
	Config
	Deps
	limiter *limiter
	sealer  *fitment.Sealer // nil: no receipts
	turns   *turns
	site    *docs.Site
	handler http.Handler
}

// New builds the server and checks that its tables are in order: every route
// has its input planned, and the contract is a valid document.
func New(cfg Config, deps Deps) (*Server, error) {
	if cfg.Log == nil || cfg.Random == nil || cfg.Now == nil || deps.Auth == nil || deps.Revision == nil {
		return nil, errors.New("api: Log, Random, Now, Auth and Revision must be given")
	}
	if cfg.Grace == 0 {
		cfg.Grace = 10 * time.Second
	}
	if cfg.Pace == 0 {
		cfg.Pace = time.Minute
	}
	s := &Server{Config: cfg, Deps: deps, limiter: newLimiter(cfg.Limits.Key, cfg.Now), turns: newTurns(cfg.Limits)}
	if len(deps.ReceiptKeys) > 0 {
		s.sealer = fitment.NewSealer(deps.ReceiptKeys[0])
	}
	site, err := docs.New(s.documented())
	if err != nil {
		return nil, fmt.Errorf("api: documentation: %w", err)
	}
	s.site = site
	inner, err := s.router(s.routes())
	if err != nil {
		return nil, err
	}
	if cfg.Enforce {
		contract, err := LoadContract(cfg.Spec)
		if err != nil {
			return nil, err
		}
		inner = contract.Enforce(inner)
	}
	s.handler = edge.Wrap(inner, edge.Options{Log: cfg.Log, Random: cfg.Random, Now: cfg.Now, Metrics: cfg.Metrics, Panicked: answerPanic,
		Trusted: cfg.Trusted, Addresses: s.addresses(), Limited: s.addressLimited})
	return s, nil
}

// addresses are the buckets of addresses, nil without a limit.
func (s *Server) addresses() *edge.Buckets {
	if s.Limits.Address.PerSecond <= 0 {
		return nil
	}
	return edge.NewBuckets(s.Limits.Address, knownCallers)
}

// Handler is the whole service for a test or a listener.
func (s *Server) Handler() http.Handler { return s.handler }

// Serve answers on l until ctx ends and lets running requests finish.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	l = edge.LimitConnections(l, edge.ConnectionLimits{Total: s.MaxConnections, PerAddress: s.MaxPerAddress, Trusted: s.Trusted})
	return edge.Serve(ctx, l, s.handler, s.Log, s.Grace)
}

// router registers the table and nothing else.
func (s *Server) router(table []route) (http.Handler, error) {
	e := echo.New()
	e.IPExtractor = echo.ExtractIPDirect() // a header must not choose the address
	e.HTTPErrorHandler = handleError
	for _, r := range table {
		if err := r.check(); err != nil {
			return nil, err
		}
		h := s.handle(r)
		e.Add(r.Method, echoPath(r.Path), h)
		if r.Method == http.MethodGet { // RFC 9110 section 9.1: GET and HEAD go together
			e.Add(http.MethodHead, echoPath(r.Path), h)
		}
	}
	e.Pre(crossOrigin(table))
	return e, nil
}

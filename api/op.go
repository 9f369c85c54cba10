package api

import (
	"context"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"forkwright/api/edge"
	"forkwright/service/caller"
)

// operation is a handler function with the plan of its input, made once at
// registration.
type operation struct {
	plan   *plan
	in     reflect.Type
	answer reflect.Type
	err    error // the input type cannot be planned
	run    func(ctx context.Context, who caller.Caller, fill func(reflect.Value) error) (any, error)
}

// validator is the hook of an input that checks what no tag can say. It returns
// a *fault.Error, usually from fault.Fields.
type validator interface{ Validate() error }

// op adapts a plain function. Reflection over In happens here, once.
func op[In, Out any](fn func(context.Context, caller.Caller, In) (Out, error)) operation {
	p, err := planOf(reflect.TypeFor[In]())
	return operation{plan: p, in: reflect.TypeFor[In](), answer: reflect.TypeFor[Out](), err: err, run: func(ctx context.Context, who caller.Caller, fill func(reflect.Value) error) (any, error) {
		var in In
		if err := fill(reflect.ValueOf(&in).Elem()); err != nil {
			return nil, err
		}
		if v, ok := any(&in).(validator); ok {
			if err := v.Validate(); err != nil {
				return nil, err
			}
		}
		return fn(ctx, who, in)
	}}
}

// handle is one operation's way through the shell: who asks, may they, what do
// they take, what do they want, the answer.
func (s *Server) handle(r route) echo.HandlerFunc {
	produces := r.produces()
	return func(c echo.Context) error {
		req := c.Request()
		rec := edge.RecordOf(req.Context())
		rec.Route, rec.Operation = r.Path, r.ID
		if slices.Contains(c.ParamValues(), "") { // two slashes with nothing between
			return echo.ErrNotFound
		}
		gated := r.gated()
		if d := r.Limits.Deprecated; d != nil {
			d.announce(c.Response().Header())
		}
		if gated && s.turns.work.Full() {
			rec.Shed = true
			return overloaded()
		}
		who, err := s.authorize(c, r)
		if err != nil {
			return err
		}
		media, err := negotiate(req.Header.Get("Accept"), produces)
		if err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(req.Context(), r.timeout())
		defer cancel()
		lengthenDeadlines(c.Response(), r.timeout())
		leave := func() {}
		defer func() { leave() }() // after a panic too
		out, err := r.Op.run(ctx, who, func(in reflect.Value) error {
			err := r.Op.plan.fill(in, request{
				Request: req,
				writer:  c.Response(),
				media:   media,
				maxBody: r.maxBody(),
				pace:    s.Pace,
				timeout: r.timeout(),
				param:   pathParam(c),
			})
			if err == nil && gated {
				leave, err = s.turn(ctx, r, who)
			}
			return err
		})
		if err != nil {
			r.stopReading(c.Response())
			return err
		}
		leave() // writing may wait for a slow reader
		leave = func() {}
		return answer(c.Response(), req, out)
	}
}

// stopReading leaves a sender whose stream was refused a few seconds to come to its end. The
// HTTP library reads on before it answers, and would wait for one who trickles.
func (r route) stopReading(w http.ResponseWriter) {
	if r.Op.plan.stream != nil {
		_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(lingering)) // recorders in tests have none
	}
}

const lingering = 3 * time.Second

// turn waits until the operation, whose input is there, may be worked on.
func (s *Server) turn(ctx context.Context, r route, who caller.Caller) (leave func(), err error) {
	if r.Op.plan.stream != nil {
		leave, err = s.turns.enterStream(ctx, who.AccountID)
	} else {
		leave, err = s.turns.enterWork(ctx)
	}
	if err != nil {
		edge.RecordOf(ctx).Shed = true
		return func() {}, err
	}
	return leave, nil
}

// Shape gives the types of an operation's JSON body (nil: it takes none) and of its answer, so
// that reading and writing them can be measured by itself.
func (s *Server) Shape(operationID string) (body, answer reflect.Type) {
	for _, r := range s.routes() {
		if r.ID != operationID {
			continue
		}
		if r.Op.plan.body != nil {
			body = r.Op.in.FieldByIndex(r.Op.plan.body.index).Type
		}
		return body, r.Op.answer
	}
	return nil, nil
}

// pathParam undoes the escaping that the router leaves in when a path has an
// encoded slash.
func pathParam(c echo.Context) func(string) (string, error) {
	return func(name string) (string, error) {
		v := c.Param(name)
		if c.Request().URL.RawPath == "" {
			return v, nil
		}
		return url.PathUnescape(v)
	}
}

// lengthenDeadlines gives a slow operation the connection for as long as it may
// take. Recorders in tests have no deadlines; that is no error.
func lengthenDeadlines(w http.ResponseWriter, timeout time.Duration) {
	if timeout <= edge.ReadTimeout {
		return
	}
	control, until := http.NewResponseController(w), time.Now().Add(timeout+edge.ReadTimeout)
	_ = control.SetReadDeadline(until)
	_ = control.SetWriteDeadline(until)
}

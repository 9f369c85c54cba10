package api

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"forkwright/api/edge"
	"forkwright/service/fault"
)

const (
	mediaProblem = "application/problem+json"
	internalText = "Something went wrong on our side. Try again; if it stays, report the request_id."
)

// kinds is the one table from the kinds of failure to HTTP.
var kinds = map[fault.Kind]struct {
	status int
	title  string
}{
	fault.Internal:             {http.StatusInternalServerError, "Internal error"},
	fault.Malformed:            {http.StatusBadRequest, "Request cannot be read"},
	fault.Unauthenticated:      {http.StatusUnauthorized, "API key needed"},
	fault.Forbidden:            {http.StatusForbidden, "Not allowed"},
	fault.NotFound:             {http.StatusNotFound, "Not found"},
	fault.MethodNotAllowed:     {http.StatusMethodNotAllowed, "Method not allowed"},
	fault.NotAcceptable:        {http.StatusNotAcceptable, "No acceptable representation"},
	fault.Conflict:             {http.StatusConflict, "Conflict"},
	fault.Gone:                 {http.StatusGone, "No longer kept"},
	fault.PreconditionFailed:   {http.StatusPreconditionFailed, "Changed meanwhile"},
	fault.PreconditionRequired: {http.StatusPreconditionRequired, "If-Match needed"},
	fault.TooLarge:             {http.StatusRequestEntityTooLarge, "Too large"},
	fault.UnsupportedMedia:     {http.StatusUnsupportedMediaType, "Unsupported media type"},
	fault.Invalid:              {http.StatusUnprocessableEntity, "Request is wrong"},
	fault.TooMany:              {http.StatusTooManyRequests, "Too many requests"},
	fault.Unavailable:          {http.StatusServiceUnavailable, "Try again later"},
}

// problem is RFC 9457's document with our members. Extra members are added by
// name.
type problem struct {
	Type       string             `json:"type"`
	Title      string             `json:"title"`
	Status     int                `json:"status"`
	Detail     string             `json:"detail"`
	Instance   string             `json:"instance,omitempty"`
	Code       string             `json:"code"`
	RequestID  string             `json:"request_id,omitempty"`
	Errors     []problemField     `json:"errors,omitempty"`
	Candidates []problemCandidate `json:"candidates,omitempty"`
	Question   *problemQuestion   `json:"question,omitempty"`
	RetryAfter int                `json:"retry_after_s,omitempty"`
	Extra      map[string]any     `json:",embed"`
}

type problemField struct {
	Pointer string `json:"pointer"`
	Code    string `json:"code"`
	Detail  string `json:"detail"`
}

type problemCandidate struct {
	ID    string `json:"id"`
	Label string `json:"label"`
}

type problemQuestion struct {
	Code    string   `json:"code"`
	Text    string   `json:"text"`
	Field   string   `json:"field"`
	Choices []string `json:"choices,omitempty"`
}

// handleError is echo's error handler: the one place where an error becomes an
// answer.
func handleError(err error, c echo.Context) {
	if c.Response().Committed {
		edge.RecordOf(c.Request().Context()).Cause = err
		return
	}
	writeProblem(c.Response(), c.Request(), asFault(err, c.Response().Header().Get("Allow")))
}

// answerPanic answers a request whose handler panicked.
func answerPanic(w http.ResponseWriter, r *http.Request) {
	writeProblem(w, r, fault.New(fault.Internal, "internal", internalText))
}

// asFault finds the fault in an error. Errors that carry none are ours, and
// their text stays in the log.
func asFault(err error, allow string) *fault.Error {
	if e := fault.As(err); e != nil {
		return e
	}
	var routing *echo.HTTPError
	switch {
	case errors.As(err, &routing) && routing.Code == http.StatusNotFound:
		return fault.New(fault.NotFound, "no_such_path", "There is nothing at this path; GET /docs lists what there is.")
	case errors.As(err, &routing) && routing.Code == http.StatusMethodNotAllowed:
		return fault.New(fault.MethodNotAllowed, "method_not_allowed", "This path takes %s.", strings.TrimPrefix(allow, "OPTIONS, "))
	case errors.Is(err, context.DeadlineExceeded):
		e := fault.Wrap(err, fault.Unavailable, "timeout", "The answer took too long and was given up. Try again in a moment.")
		e.RetryAfter = 1
		return e
	case errors.Is(err, context.Canceled):
		e := fault.Wrap(err, fault.Unavailable, "canceled", "The request was broken off.")
		e.RetryAfter = 1
		return e
	}
	return fault.Wrap(err, fault.Internal, "internal", internalText)
}

// againIn is what an answer "try again later" says where nothing better is known, in seconds.
const againIn = 2

func writeProblem(w http.ResponseWriter, r *http.Request, e *fault.Error) {
	if e.Kind == fault.Unavailable && e.RetryAfter == 0 {
		later := *e
		later.RetryAfter = againIn
		e = &later
	}
	rec := edge.RecordOf(r.Context())
	rec.Code = e.Code
	if rec.Cause == nil {
		rec.Cause = errors.Unwrap(e)
	}
	p := problemOf(e)
	p.Instance, p.RequestID = r.URL.EscapedPath(), rec.RequestID
	body, err := json.Marshal(p, writeOptions)
	if err != nil { // only an Extra can do that; say it without
		rec.Cause = errors.Join(rec.Cause, err)
		p.Extra = nil
		body, _ = json.Marshal(p, writeOptions)
	}
	h := w.Header()
	for _, name := range []string{"Content-Encoding", "Content-Disposition", "ETag", "Location"} {
		h.Del(name)
	}
	h.Set("Content-Security-Policy", edge.NothingCSP)
	h.Set("Content-Type", mediaProblem)
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Length", strconv.Itoa(len(body)))
	if e.RetryAfter > 0 {
		h.Set("Retry-After", strconv.Itoa(e.RetryAfter))
	}
	if e.Kind == fault.Unauthenticated {
		h.Set("WWW-Authenticate", challenge(e.Code))
	}
	w.WriteHeader(p.Status)
	_, _ = w.Write(body)
}

// problemOf is the document of a fault. An internal fault keeps its code and
// says nothing else.
func problemOf(e *fault.Error) problem {
	k, ok := kinds[e.Kind]
	if !ok {
		k = kinds[fault.Internal]
	}
	p := problem{
		Type: "/docs/problems#" + e.Code, Title: k.title, Status: k.status, Detail: e.Text, Code: e.Code,
		RetryAfter: e.RetryAfter,
	}
	for _, f := range e.Fields {
		p.Errors = append(p.Errors, problemField{f.Pointer, f.Code, f.Text})
	}
	for _, c := range e.Candidates {
		p.Candidates = append(p.Candidates, problemCandidate{c.ID, c.Label})
	}
	if q := e.Question; q != nil {
		p.Question = &problemQuestion{q.Code, q.Text, q.Field, q.Choices}
	}
	if len(e.Extra) > 0 {
		p.Extra = maps.Clone(e.Extra)
	}
	return p
}

// challenge is the WWW-Authenticate header (RFC 6750 section 3): no error code
// when no key was sent.
func challenge(code string) string {
	if code == codeMissingKey {
		return `Bearer realm="forkwright"`
	}
	return `Bearer realm="forkwright", error="invalid_token", error_description="` + code + `"`
}

package api

import (
	"net/http"
	"strconv"
	"time"
)

// deprecation says in every answer of an operation that it will end: since when nobody new
// should use it (RFC 9745), the day from which it may be gone (RFC 8594), and the page that says
// what to use instead. openapi.yaml marks the same operations `deprecated: true`.
type deprecation struct {
	Since  time.Time
	Sunset time.Time
	Page   string // under /docs
}

// noticePeriod is the least time between Since and Sunset; the page on compatibility promises it.
const noticePeriod = 365 * 24 * time.Hour

func (d *deprecation) announce(h http.Header) {
	h.Set("Deprecation", "@"+strconv.FormatInt(d.Since.Unix(), 10))
	h.Set("Sunset", d.Sunset.UTC().Format(http.TimeFormat))
	h.Add("Link", "<"+d.Page+`>; rel="deprecation"; type="text/html"`)
	h.Add("Link", "<"+d.Page+`>; rel="sunset"; type="text/html"`)
}

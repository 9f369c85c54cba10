package api

import (
	"bytes"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/go-json-experiment/json"
	jsonv1 "github.com/go-json-experiment/json/v1"

	"forkwright/service/fault"
)

// Reply is what an answer sets beside its body. Embed it with `json:"-"`:
//
//	type quoteOut struct {
//		Reply `json:"-"`
//		ID    string `json:"id"`
//	}
type Reply struct {
	Status       int    // default 200
	Location     string // relative to this server: /v1/quotes/…
	ETag         string // without quotes; a GET that knows it already gets 304
	CacheControl string // default no-store
	Vary         string // headers besides Accept that the answer depends on
	RetryAfter   int    // seconds

	// Instead is sent in place of the JSON where the negotiated media type is another. It is for
	// operations whose JSON is a struct that others know by its type; else return any.
	Instead *Raw
}

func (r Reply) reply() Reply { return r }

type replier interface{ reply() Reply }

// Raw is an answer that is no JSON: a page, a picture, a file. An operation
// with several representations returns any, a struct or a Raw, as the
// negotiated media type says.
type Raw struct {
	Reply
	ContentType     string // with charset where it has one
	ContentEncoding string
	Disposition     string // Content-Disposition, for files to be saved
	CSP             string // when the page needs more than nothing: edge.PageCSP
	Body            []byte
}

// NoContent is an answer without a body: 204 unless Reply says otherwise.
type NoContent struct{ Reply }

// writeOptions: absent lists are [], members left out by the rules that
// encoding/json made familiar, maps sorted so that the same answer is the same
// bytes.
var writeOptions = json.JoinOptions(json.Deterministic(true), jsonv1.OmitEmptyWithLegacySemantics(true))

// buffers hold a body while it is read or written.
var buffers = sync.Pool{New: func() any { return new(bytes.Buffer) }}

// mostKept is the largest buffer that is kept for the next body.
const mostKept = 256 << 10

func borrowBuffer() *bytes.Buffer {
	buf := buffers.Get().(*bytes.Buffer)
	buf.Reset()
	return buf
}

func returnBuffer(buf *bytes.Buffer) {
	if buf.Cap() <= mostKept {
		buffers.Put(buf)
	}
}

// answer writes what an operation returned. The body is made whole first, so
// that a value that cannot be written is a problem and not half an answer.
func answer(w http.ResponseWriter, req *http.Request, out any) error {
	var rep Reply
	if r, ok := out.(replier); ok {
		rep = r.reply()
	}
	if rep.Instead != nil {
		out, rep = *rep.Instead, rep.Instead.Reply
	}
	switch v := out.(type) {
	case NoContent:
		rep.Status = orInt(rep.Status, http.StatusNoContent)
		return send(w, req, rep, nil)
	case Raw:
		h := w.Header()
		h.Set("Content-Type", v.ContentType)
		setIf(h, "Content-Encoding", v.ContentEncoding)
		setIf(h, "Content-Disposition", v.Disposition)
		setIf(h, "Content-Security-Policy", v.CSP)
		return send(w, req, rep, v.Body)
	}
	buf := borrowBuffer()
	defer returnBuffer(buf)
	if err := json.MarshalWrite(buf, out, writeOptions); err != nil {
		return fault.Wrap(err, fault.Internal, "internal", "%s", internalText)
	}
	w.Header().Set("Content-Type", mediaJSON)
	return send(w, req, rep, buf.Bytes())
}

func send(w http.ResponseWriter, req *http.Request, rep Reply, body []byte) error {
	h := w.Header()
	h.Set("Cache-Control", orString(rep.CacheControl, "no-store"))
	h.Add("Vary", "Accept")
	if rep.Vary != "" {
		h.Add("Vary", rep.Vary)
	}
	setIf(h, "Location", rep.Location)
	if rep.RetryAfter > 0 {
		h.Set("Retry-After", strconv.Itoa(rep.RetryAfter))
	}
	status := orInt(rep.Status, http.StatusOK)
	if rep.ETag != "" {
		tag := strconv.Quote(rep.ETag)
		h.Set("ETag", tag)
		if status == http.StatusOK && isRead(req.Method) && matches(req.Header.Get("If-None-Match"), tag) {
			status = http.StatusNotModified
		}
	}
	if status == http.StatusNotModified || status == http.StatusNoContent {
		h.Del("Content-Type")
		w.WriteHeader(status)
		return nil
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	_, _ = w.Write(body) // a client that went away is nobody's failure
	return nil
}

func isRead(method string) bool { return method == http.MethodGet || method == http.MethodHead }

// matches compares entity tags weakly, as If-None-Match asks (RFC 9110 section
// 13.1.2).
func matches(header, tag string) bool {
	for one := range strings.SplitSeq(header, ",") {
		one = strings.TrimPrefix(strings.TrimSpace(one), "W/")
		if one == tag || one == "*" {
			return true
		}
	}
	return false
}

// IfMatch reads an If-Match header as a transition needs it: the one version
// the caller has seen, without quotes.
func IfMatch(header string) (string, error) {
	tag := strings.TrimSpace(header)
	if tag == "" {
		return "", fault.New(fault.PreconditionRequired, "if_match_required", "Send If-Match with the ETag you last read, so that no change of somebody else is overwritten.")
	}
	if len(tag) < 2 || tag[0] != '"' || tag[len(tag)-1] != '"' || strings.Contains(tag[1:len(tag)-1], `"`) {
		return "", wrongField("header:If-Match", "invalid_value", "If-Match must be one ETag in quotes, as an answer gave it.")
	}
	return tag[1 : len(tag)-1], nil
}

func acceptsGzip(header string) bool {
	for part := range strings.SplitSeq(header, ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(part), ";")
		if name == "gzip" && !strings.HasPrefix(strings.ReplaceAll(q, " ", ""), "q=0") {
			return true
		}
	}
	return false
}

func setIf(h http.Header, name, value string) {
	if value != "" {
		h.Set(name, value)
	}
}

func orInt(a, b int) int {
	if a != 0 {
		return a
	}
	return b
}

func orString(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// negotiate picks the media type of an answer: the best that the Accept header
// allows, and among equals the first that the operation offers.
func negotiate(accept string, offers []string) (string, error) {
	if strings.TrimSpace(accept) == "" || slices.Contains(offers, accept) {
		if i := slices.Index(offers, accept); i >= 0 {
			return offers[i], nil
		}
		return offers[0], nil
	}
	best, bestQ := "", 0.0
	for _, offer := range offers {
		if q := quality(accept, offer); q > bestQ {
			best, bestQ = offer, q
		}
	}
	if best == "" {
		return "", fault.New(fault.NotAcceptable, "not_acceptable", "This operation answers with %s; the Accept header allows none of it.", strings.Join(offers, " or "))
	}
	return best, nil
}

// quality is the weight that an Accept header gives to a media type: the most
// specific range that covers it decides (RFC 9110 section 12.5.1).
func quality(accept, offer string) float64 {
	major, _, _ := strings.Cut(offer, "/")
	q, seen := 0.0, -1
	for part := range strings.SplitSeq(accept, ",") {
		name, params, _ := strings.Cut(strings.TrimSpace(part), ";")
		name = strings.ToLower(strings.TrimSpace(name))
		specific := -1
		switch name {
		case offer:
			specific = 2
		case major + "/*":
			specific = 1
		case "*/*":
			specific = 0
		}
		if specific > seen {
			seen, q = specific, weight(params)
		}
	}
	return q
}

func weight(params string) float64 {
	for p := range strings.SplitSeq(params, ";") {
		if v, ok := strings.CutPrefix(strings.TrimSpace(p), "q="); ok {
			q, err := strconv.ParseFloat(v, 64)
			if err != nil || q < 0 || q > 1 {
				return 0
			}
			return q
		}
	}
	return 1
}

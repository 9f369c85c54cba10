package api

import (
	"bytes"
	"encoding"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"forkwright/api/edge"
	"forkwright/service/fault"
	"forkwright/service/stock"
)

const mediaJSON = "application/json"

// fillBody fills the body, or makes sure that none was meant.
func (p *plan) fillBody(in reflect.Value, r request) error {
	switch {
	case p.stream != nil:
		return p.fillStream(in, r)
	case p.body != nil:
		return p.fillJSON(in, r)
	case r.Method == http.MethodGet || r.Method == http.MethodHead || r.Method == http.MethodDelete:
		return nil
	}
	var one [1]byte
	if n, _ := io.ReadFull(r.Body, one[:]); n > 0 {
		return fault.New(fault.Invalid, "unexpected_body", "This operation takes no request body; leave it out.")
	}
	return nil
}

func (p *plan) fillStream(in reflect.Value, r request) error {
	if got := mediaType(r.Header); !slices.Contains(p.stream.types, got) {
		return wrongMedia(r.Header.Get("Content-Type"), p.stream.types)
	}
	compressed := p.stream.gzip && strings.EqualFold(r.Header.Get("Content-Encoding"), "gzip")
	if err := plainEncoding(r.Header, p.stream.gzip); err != nil && !compressed {
		return err
	}
	if err := sizeFits(r); err != nil {
		return err
	}
	paced := pace(r)
	body := io.Reader(limitedBody{http.MaxBytesReader(r.writer, paced, r.maxBody), r.maxBody})
	if compressed {
		body = stock.Gunzip(body)
	}
	in.FieldByIndex(p.stream.index).Set(reflect.ValueOf(&body).Elem())
	return nil
}

func (p *plan) fillJSON(in reflect.Value, r request) error {
	if p.body.optional && (r.Body == nil || r.Body == http.NoBody || r.ContentLength == 0) {
		return nil
	}
	if mediaType(r.Header) != mediaJSON {
		if r.ContentLength == 0 && r.Header.Get("Content-Type") == "" {
			return emptyBody()
		}
		return wrongMedia(r.Header.Get("Content-Type"), []string{mediaJSON})
	}
	if err := plainEncoding(r.Header, false); err != nil {
		return err
	}
	buf := borrowBuffer()
	defer returnBuffer(buf)
	if err := readAll(r, buf); err != nil {
		return err
	}
	data := buf.Bytes() // what is decoded from it is copied
	if p.body.optional && len(bytes.TrimSpace(data)) == 0 {
		return nil
	}
	return decodeStrict(data, in.FieldByIndex(p.body.index).Addr().Interface(), p.body.nulls)
}

func readAll(r request, buf *bytes.Buffer) error {
	if err := sizeFits(r); err != nil {
		return err
	}
	if r.ContentLength > 0 {
		buf.Grow(int(r.ContentLength) + bytes.MinRead)
	}
	_, err := buf.ReadFrom(limitedBody{http.MaxBytesReader(r.writer, r.Body, r.maxBody), r.maxBody})
	return err
}

func sizeFits(r request) error {
	if r.ContentLength > r.maxBody {
		return tooLarge(r.maxBody)
	}
	return nil
}

// limitedBody tells in our words what can go wrong while a body arrives.
type limitedBody struct {
	io.Reader
	limit int64
}

func (b limitedBody) Read(p []byte) (int, error) {
	n, err := b.Reader.Read(p)
	if err == nil || err == io.EOF || fault.As(err) != nil {
		return n, err
	}
	var over *http.MaxBytesError
	if errors.As(err, &over) {
		return n, tooLarge(b.limit)
	}
	return n, fault.Wrap(err, fault.Malformed, "body_incomplete", "The request body did not arrive whole; send it again.")
}

// paceBytes must come in each time that the pace allows.
const paceBytes = 64 << 10

// pacedBody gives up on a sender that hangs or trickles: one dead machine would hold its
// location until the operation's own time is over. Only waiting counts; what is done between
// two reads is not the sender's fault.
type pacedBody struct {
	io.ReadCloser
	control *http.ResponseController
	pace    time.Duration
	within  time.Duration // for the whole body
	until   time.Time
	left    time.Duration // to wait until the next paceBytes are there
	come    int           // of them
}

func pace(r request) *pacedBody {
	return &pacedBody{ReadCloser: r.Body, control: http.NewResponseController(r.writer), pace: r.pace, within: r.timeout, until: time.Now().Add(r.timeout), left: r.pace}
}

func (b *pacedBody) Read(p []byte) (int, error) {
	began := time.Now()
	end := began.Add(b.left)
	if b.until.Before(end) {
		end = b.until
	}
	_ = b.control.SetReadDeadline(end) // recorders in tests have none
	n, err := b.ReadCloser.Read(p)
	b.left -= time.Since(began)
	if b.come += n; b.come >= paceBytes {
		b.come, b.left = 0, b.pace
	}
	switch {
	case err == io.EOF: // from now on the library listens for the sender going away, and takes a time-out for that
		_ = b.control.SetReadDeadline(b.until.Add(edge.ReadTimeout))
	case errors.Is(err, os.ErrDeadlineExceeded):
		err = fault.Wrap(err, fault.Malformed, "body_too_slow", "The body came too slowly: its sender has %s for each %d KiB and %s for the whole. Nothing was changed. Send it again; compressed it is a tenth of its size.",
			words(b.pace), paceBytes>>10, words(b.within))
	}
	return n, err
}

// words writes 30m0s as 30m.
func words(d time.Duration) string { return strings.Replace(d.String(), "m0s", "m", 1) }

func tooLarge(limit int64) error {
	size := fmt.Sprintf("%d bytes", limit)
	switch {
	case limit%(1<<20) == 0:
		size = fmt.Sprintf("%d MiB", limit>>20)
	case limit%(1<<10) == 0:
		size = fmt.Sprintf("%d KiB", limit>>10)
	}
	return fault.New(fault.TooLarge, "body_too_large", "The request body is larger than %s; send less at a time.", size)
}

func emptyBody() error {
	return fault.New(fault.Malformed, "empty_body", "The request body is empty; this operation needs a JSON object.")
}

func wrongMedia(got string, want []string) error {
	if got == "" {
		got = "missing"
	}
	return fault.New(fault.UnsupportedMedia, "unsupported_media_type", "The Content-Type is %s; this operation takes %s.", printable(got), strings.Join(want, " or "))
}

// plainEncoding refuses a body that is compressed; gzip says whether that one would be taken.
func plainEncoding(h http.Header, gzip bool) error {
	e := h.Get("Content-Encoding")
	if e == "" || e == "identity" {
		return nil
	}
	instead := "uncompressed"
	if gzip {
		instead += " or with gzip"
	}
	return fault.New(fault.UnsupportedMedia, "unsupported_encoding", "The Content-Encoding %s is not taken; send the body %s.", printable(e), instead)
}

// decodeStrict reads one JSON object into the struct behind into. Unknown and
// duplicate members, bad UTF-8, trailing data, nulls and control characters are
// refused, so that what was checked is what is used.
func decodeStrict(data []byte, into any, nulls bool) error {
	switch first := bytes.TrimLeft(data, " \t\r\n"); {
	case len(first) == 0:
		return emptyBody()
	case first[0] == '[' && !takesArray(into), first[0] != '{' && first[0] != '[' && jsontext.Value(data).IsValid():
		return wrongField("", "wrong_type", "The request body must be a JSON object, not %s.", kindWords(jsontext.Kind(first[0])))
	}
	if depth(data) > maxDepth {
		return fault.New(fault.Malformed, "too_deep", "The request body nests deeper than %d levels.", maxDepth)
	}
	if err := json.Unmarshal(data, into, json.RejectUnknownMembers(true)); err != nil {
		return jsonFault(err)
	}
	return checkStrings(data, nulls)
}

// maxDepth is far more than any body of ours has (11).
const maxDepth = 32

// depth is how deep the braces and brackets of a text nest, without reading it as JSON.
func depth(data []byte) int {
	at, deepest, inText := 0, 0, false
	for i := 0; i < len(data); i++ {
		switch b := data[i]; {
		case inText && b == '\\':
			i++
		case b == '"':
			inText = !inText
		case inText:
		case b == '{' || b == '[':
			at++
			deepest = max(deepest, at)
		case b == '}' || b == ']':
			at--
		}
	}
	return deepest
}

func takesArray(into any) bool {
	t := reflect.TypeOf(into).Elem()
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	return t.Kind() == reflect.Slice
}

func wrongField(pointer, code, text string, args ...any) error {
	var f fault.Fields
	f.Add(pointer, code, text, args...)
	return f.Err()
}

// jsonFault says in our words what the decoder found.
func jsonFault(err error) error {
	var syntactic *jsontext.SyntacticError
	if errors.As(err, &syntactic) {
		return syntaxFault(syntactic)
	}
	var semantic *json.SemanticError
	if !errors.As(err, &semantic) {
		return fault.Wrap(err, fault.Malformed, "malformed_json", "The request body is not valid JSON.")
	}
	pointer := string(semantic.JSONPointer)
	if e := fault.As(semantic.Err); e != nil {
		return nestedFault(pointer, e)
	}
	name := memberName(semantic.JSONPointer)
	switch {
	case errors.Is(semantic.Err, json.ErrUnknownName):
		return wrongField(pointer, "unknown_field", "There is no member %s here; known are %s.", name, strings.Join(memberNames(semantic.GoType), ", "))
	case errors.Is(semantic.Err, strconv.ErrRange):
		return wrongField(pointer, "out_of_range", "%s is a number too large to be meant.", name)
	case semantic.JSONKind == '0' && semantic.GoType != nil && isInt(semantic.GoType):
		return wrongField(pointer, "wrong_type", "%s must be a whole number, written without point or exponent.", name)
	case semantic.GoType == reflect.TypeFor[time.Time]():
		return wrongField(pointer, "invalid_value", "%s must be a time such as 2026-03-31T14:00:00Z.", name)
	case semantic.GoType != nil && !decodesItself(semantic.GoType) && goKindWords(semantic.GoType) != "" && semantic.JSONKind != 0:
		return wrongField(pointer, "wrong_type", "%s must be %s, not %s.", name, goKindWords(semantic.GoType), kindWords(semantic.JSONKind))
	}
	e := fault.As(wrongField(pointer, "invalid_value", "%s is not written as this member needs it.", name))
	return fault.WithCause(e, err)
}

// nestedFault keeps what a type's own decoder said and adds where it was.
func nestedFault(pointer string, e *fault.Error) error {
	var out fault.Fields
	if len(e.Fields) == 0 {
		out.Add(pointer, e.Code, "%s", e.Text)
	}
	for _, f := range e.Fields {
		out.Add(pointer+f.Pointer, f.Code, "%s", f.Text)
	}
	return out.Err()
}

func syntaxFault(e *jsontext.SyntacticError) error {
	var out *fault.Error
	where := fmt.Sprintf("at byte %d", e.ByteOffset)
	switch {
	case errors.Is(e.Err, jsontext.ErrDuplicateName):
		out = fault.New(fault.Malformed, "duplicate_member", "The member %s is given twice; give it once.", memberName(e.JSONPointer))
		out.Fields = []fault.Field{{Pointer: string(e.JSONPointer), Code: "duplicate_member", Text: out.Text}}
	case errors.Is(e.Err, io.ErrUnexpectedEOF):
		out = fault.New(fault.Malformed, "malformed_json", "The request body ends in the middle of the JSON, %s.", where)
	case strings.Contains(e.Err.Error(), "UTF-8"):
		out = fault.New(fault.Malformed, "invalid_utf8", "The request body is not UTF-8 text, %s.", where)
	case strings.Contains(e.Err.Error(), "after top-level value"):
		out = fault.New(fault.Malformed, "malformed_json", "There is something after the end of the JSON, %s; send one object.", where)
	default:
		out = fault.New(fault.Malformed, "malformed_json", "The request body is not valid JSON %s: %s.", where, e.Err)
	}
	return fault.WithCause(out, e)
}

// checkStrings refuses control characters inside texts (line breaks and tabs
// may stand in a note) and null members. Both are rare, and a scan for their
// first sign is far cheaper than a second parse.
func checkStrings(data []byte, nulls bool) error {
	if !bytes.Contains(data, []byte(`\u00`)) && !bytes.Contains(data, []byte(`\b`)) && !bytes.Contains(data, []byte(`\f`)) &&
		(nulls || !bytes.Contains(data, []byte("null"))) && !mayHoldC1(data) {
		return nil
	}
	d := jsontext.NewDecoder(bytes.NewReader(data))
	for {
		tok, err := d.ReadToken()
		if err != nil {
			return nil // the end: the text was parsed once already
		}
		switch tok.Kind() {
		case 'n':
			if !nulls {
				return wrongField(string(d.StackPointer()), "null_value", "%s is null; leave the member out instead.", memberName(d.StackPointer()))
			}
		case '"':
			if hasForbidden(tok.String()) {
				return wrongField(string(d.StackPointer()), "control_character", "%s contains a control character; take it out.", memberName(d.StackPointer()))
			}
		}
	}
}

func mayHoldC1(data []byte) bool {
	for i, b := range data {
		if b == 0x7f || b == 0xc2 && i+1 < len(data) && data[i+1] < 0xa0 {
			return true
		}
	}
	return false
}

func hasForbidden(s string) bool {
	return strings.ContainsFunc(s, func(r rune) bool {
		return r < 0x20 && r != '\n' && r != '\r' && r != '\t' || r >= 0x7f && r < 0xa0
	})
}

func memberName(p jsontext.Pointer) string {
	if p == "" {
		return "the request body"
	}
	return printable(string(p))
}

func kindWords(k jsontext.Kind) string {
	switch k {
	case 'n':
		return "null"
	case 't', 'f':
		return "true or false"
	case '"':
		return "a text"
	case '{':
		return "an object"
	case '[':
		return "a list"
	}
	return "a number"
}

// decodesItself: what kind of Go value it is says nothing about its JSON.
func decodesItself(t reflect.Type) bool {
	p := reflect.PointerTo(t)
	return p.Implements(reflect.TypeFor[json.Unmarshaler]()) || p.Implements(reflect.TypeFor[json.UnmarshalerFrom]()) ||
		p.Implements(reflect.TypeFor[encoding.TextUnmarshaler]())
}

func isInt(t reflect.Type) bool {
	return t.Kind() >= reflect.Int && t.Kind() <= reflect.Uint64
}

func goKindWords(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "a text"
	case reflect.Slice, reflect.Array:
		return "a list"
	case reflect.Struct, reflect.Map:
		return "an object"
	case reflect.Float64, reflect.Float32:
		return "a number"
	}
	if isInt(t) {
		return "a whole number"
	}
	return ""
}

// memberNames lists the JSON members of a struct, for the sentence about an
// unknown one.
func memberNames(t reflect.Type) []string {
	if t == nil || t.Kind() != reflect.Struct {
		return []string{"none"}
	}
	var names []string
	for _, f := range reflect.VisibleFields(t) {
		tag, tagged := f.Tag.Lookup("json")
		name, _, _ := strings.Cut(tag, ",")
		switch {
		case name == "-" || !f.IsExported() || f.Anonymous && name == "":
			continue
		case !tagged || name == "":
			name = f.Name
		}
		names = append(names, name)
	}
	return names
}

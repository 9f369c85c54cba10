package stock

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"hash"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"forkwright/service/fault"
)

// Format is how a feed is written.
type Format string

// The formats.
const (
	CSV    Format = "text/csv"
	NDJSON Format = "application/x-ndjson"
)

const (
	maxLine  = 64 << 10   // bytes: what one row may need of memory
	maxLines = 20_000_000 // of a feed: more is an export that goes round in a circle, and would fill the disk
)

// columnOrder is the order in which the columns of a CSV feed stand; which of them a feed has
// is its own choice, but for on_hand and one of sku, gtin and code. The order is checked
// because a header that lists columns otherwise is another export than the one agreed on.
var columnOrder = []string{"location", "sku", "gtin", "code", "on_hand", "unit", "incoming", "incoming_on", "bin"}

// cell is a value of a row; JSON numbers always have a point.
type cell struct {
	text   string
	number bool
}

func (c *cell) UnmarshalJSON(data []byte) error {
	switch data[0] {
	case '"':
		return json.Unmarshal(data, &c.text)
	case '{', '[', 't', 'f':
		return errors.New("neither text nor number")
	case 'n':
		return nil
	}
	c.text, c.number = string(data), true
	return nil
}

// row is a row as it was written.
type row struct {
	line                      int64
	bad                       string // why it cannot be read at all
	raw                       string // what a bad row was
	location, sku, gtin, code string
	onHand, incoming          cell
	unit, incomingOn, bin     string
}

// rowReader reads rows one at a time: memory does not grow with the feed.
type rowReader struct {
	in      *bufio.Reader
	sum     hash.Hash
	format  Format
	places  bool // the feed must name a location in each row
	columns []string
	comma   byte
	line    int64
	bytes   int64
	fields  []string
}

func newRowReader(body io.Reader, format Format, places bool) *rowReader {
	sum := sha256.New()
	r := &rowReader{sum: sum, format: format, places: places}
	r.in = bufio.NewReaderSize(io.TeeReader(body, sum), maxLine)
	return r
}

// next reads the next row; io.EOF is the orderly end. Any other error means that the whole
// feed cannot be read.
func (r *rowReader) next(into *row) error {
	for {
		text, err := r.readLine()
		if err != nil {
			return err
		}
		if r.format == CSV && r.columns == nil {
			if err := r.header(text); err != nil {
				return err
			}
			continue
		}
		if strings.TrimSpace(text) == "" {
			continue
		}
		*into = row{line: r.line}
		if r.format == NDJSON {
			into.fromJSON(text)
			return nil
		}
		return r.fromCSV(text, into)
	}
}

// readLine gives the next line without its end, as a text of its own.
func (r *rowReader) readLine() (string, error) {
	if r.line == 0 {
		if err := r.noText(); err != nil {
			return "", err
		}
	}
	b, err := r.in.ReadSlice('\n')
	r.bytes += int64(len(b))
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		return "", fault.New(fault.Malformed, "line_too_long", "Line %d has more than %d KiB. A feed has one part in each line; see that the export ends its lines with a line feed.", r.line+1, maxLine>>10)
	case err == io.EOF && len(b) == 0:
		if r.format == CSV && r.columns == nil {
			return "", fault.New(fault.Malformed, "feed_empty", "The feed is empty; it needs at least its header line. See whether the export has failed.")
		}
		return "", io.EOF
	case err != nil && err != io.EOF:
		return "", err
	}
	if r.line++; r.line > maxLines {
		return "", fault.New(fault.TooLarge, "feed_too_long", "The feed has more than %d lines, more than any location lists. See whether the export repeats itself.", maxLines)
	}
	if r.line == 1 {
		b = bytes.TrimPrefix(b, []byte("\xef\xbb\xbf"))
	}
	b = bytes.TrimSuffix(bytes.TrimSuffix(b, []byte("\n")), []byte("\r"))
	if !utf8.Valid(b) {
		return "", fault.New(fault.Malformed, "not_utf8", "Line %d is not UTF-8 text, but perhaps Windows-1252 or Latin-1; export the feed as UTF-8.", r.line)
	}
	return string(b), nil
}

// noText recognizes by its first bytes what is often sent instead of a text, because what its
// first line would be said to be explains nothing.
func (r *rowReader) noText() error {
	head, err := r.in.Peek(4)
	if err != nil && err != io.EOF {
		return err
	}
	for start, e := range map[string]struct{ code, text string }{
		"\x1f\x8b":   {"feed_compressed", "The body is compressed with gzip and the request does not say so; add the header Content-Encoding: gzip."},
		"PK\x03\x04": {"feed_compressed", "The body is a zip file or a workbook; save it as CSV (UTF-8) and send that."},
		"\xff\xfe":   {"not_utf8", "The feed is UTF-16 text; export it as UTF-8."},
		"\xfe\xff":   {"not_utf8", "The feed is UTF-16 text; export it as UTF-8."},
	} {
		if strings.HasPrefix(string(head), start) {
			return fault.New(fault.Malformed, e.code, "%s", e.text)
		}
	}
	return nil
}

// header finds the separator and checks that the columns are ours, in their order.
func (r *rowReader) header(text string) error {
	r.comma = separator(text)
	names := strings.Split(text, string(r.comma))
	at := -1
	for i, name := range names {
		name = strings.ToLower(strings.Trim(strings.TrimSpace(name), `"`))
		names[i] = name
		place := slices.Index(columnOrder, name)
		switch {
		case place < 0:
			return headerFault("The header names a column %q, which is not known. Known are %s; leave the others out of the export.", clip(name), strings.Join(columnOrder, ", "))
		case place == at:
			return headerFault("The header names the column %s twice; leave one of them out.", name)
		case place < at:
			return headerFault("The header's columns stand in another order than agreed: %s comes after %s. Put them in the order %s; columns may be left out.", name, columnOrder[at], strings.Join(columnOrder, ", "))
		}
		at = place
	}
	has := func(name string) bool { return slices.Contains(names, name) }
	switch {
	case !has("sku") && !has("gtin") && !has("code"):
		return headerFault("The header names no column that says which part is meant; add sku, gtin or code.")
	case !has("on_hand"):
		return headerFault("The header does not name the column on_hand, which says how many there are; add it.")
	case r.places && !has("location"):
		return headerFault("The header does not name the column location; add it, or send the feed of one location to that location's own address.")
	case !r.places && has("location"):
		return headerFault("The header names a column location, but this address is one location's own; send the feed to PUT /v1/stock, or leave the column out.")
	}
	r.columns = names
	return nil
}

func headerFault(text string, args ...any) error {
	return fault.New(fault.Malformed, "feed_header", text, args...)
}

// separator is the one of , ; and tab that stands in the header most often.
func separator(header string) byte {
	best, most := byte(','), 0
	for _, c := range []byte{',', ';', '\t'} {
		if n := strings.Count(header, string(c)); n > most {
			best, most = c, n
		}
	}
	return best
}

func (r *rowReader) fromCSV(text string, into *row) error {
	fields, err := r.split(text)
	if err != nil {
		return err
	}
	if len(fields) != len(r.columns) {
		into.bad, into.raw = RejectMalformed, text
		return nil
	}
	for i, name := range r.columns {
		into.set(name, fields[i])
	}
	return nil
}

func (r *row) set(column, value string) {
	switch column {
	case "location":
		r.location = value
	case "sku":
		r.sku = value
	case "gtin":
		r.gtin = value
	case "code":
		r.code = value
	case "on_hand":
		r.onHand.text = value
	case "unit":
		r.unit = value
	case "incoming":
		r.incoming.text = value
	case "incoming_on":
		r.incomingOn = value
	case "bin":
		r.bin = value
	}
}

// split cuts a line at the separator, honoring quotes. A quoted value does not run over a line
// end: one forgotten quote would swallow every row behind it.
func (r *rowReader) split(text string) ([]string, error) {
	r.fields = r.fields[:0]
	if !strings.Contains(text, `"`) {
		for {
			i := strings.IndexByte(text, r.comma)
			if i < 0 {
				r.fields = append(r.fields, text)
				return r.fields, nil
			}
			r.fields = append(r.fields, text[:i])
			text = text[i+1:]
		}
	}
	for {
		value, rest, more, ok := r.cut(text)
		if !ok {
			return nil, fault.New(fault.Malformed, "feed_quotes", "Line %d has a quoted value that does not end in its line. Close the quote; a quote inside a value is written twice, and a value has no line breaks.", r.line)
		}
		r.fields = append(r.fields, value)
		if !more {
			return r.fields, nil
		}
		text = rest
	}
}

func (r *rowReader) cut(text string) (value, rest string, more, ok bool) {
	if !strings.HasPrefix(text, `"`) {
		value, rest, more = strings.Cut(text, string(r.comma))
		return value, rest, more, true
	}
	var b strings.Builder
	for i := 1; i < len(text); i++ {
		switch {
		case text[i] != '"':
			b.WriteByte(text[i])
		case i+1 < len(text) && text[i+1] == '"':
			b.WriteByte('"')
			i++
		case i+1 == len(text):
			return b.String(), "", false, true
		case text[i+1] == r.comma:
			return b.String(), text[i+2:], true, true
		default:
			return "", "", false, false
		}
	}
	return "", "", false, false
}

// jsonRow is a row of NDJSON.
type jsonRow struct {
	Location   string `json:"location"`
	SKU        cell   `json:"sku"`
	GTIN       cell   `json:"gtin"`
	Code       cell   `json:"code"`
	OnHand     cell   `json:"on_hand"`
	Unit       string `json:"unit"`
	Incoming   cell   `json:"incoming"`
	IncomingOn string `json:"incoming_on"`
	Bin        cell   `json:"bin"`
}

// fromJSON reads a row of NDJSON. Codes must be texts: a number has lost its leading zeros.
func (r *row) fromJSON(text string) {
	var j jsonRow
	d := json.NewDecoder(strings.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&j); err != nil || strings.TrimSpace(text[d.InputOffset():]) != "" || j.SKU.number || j.GTIN.number || j.Code.number {
		r.bad, r.raw = RejectMalformed, text
		return
	}
	r.location, r.sku, r.gtin, r.code = j.Location, j.SKU.text, j.GTIN.text, j.Code.text
	r.onHand, r.incoming, r.unit, r.incomingOn, r.bin = j.OnHand, j.Incoming, j.Unit, j.IncomingOn, j.Bin.text
}

// clip keeps a stranger's text short and free of control characters.
func clip(s string) string {
	s = strings.Map(func(c rune) rune {
		if c < 0x20 || c >= 0x7f && c < 0xa0 {
			return -1
		}
		return c
	}, s)
	if r := []rune(s); len(r) > 80 {
		return string(r[:80]) + "…"
	}
	return s
}

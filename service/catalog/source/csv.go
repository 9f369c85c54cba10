package source

import (
	"bytes"
	"errors"
	"io"
	"unicode/utf8"

	"forkwright/service/catalog"
)

const (
	bufferBytes  = 256 << 10
	maxLineBytes = 1 << 20
	byteOrder    = "\uFEFF"
)

// The ways in which a text is no CSV file.
var (
	errNotUTF8   = errors.New("not UTF-8")
	errLong      = errors.New("line too long")
	errQuoteOpen = errors.New("quote not closed")
	errQuoteEnd  = errors.New("text after a closing quote")
)

// csv takes a file as a spreadsheet exports it: separated by comma, semicolon or tab, with or
// without byte order mark and CRLF, cells with separators and line breaks in quotes.
func (in *intake) csv(r *bounded) {
	s := &scanner{r: r, buf: make([]byte, 0, bufferBytes)}
	s.detect()
	in.comma = s.separator != ','
	started, usable := false, false
	for s.next() {
		if !started {
			names := make([]string, len(s.cells))
			for i, c := range s.cells {
				names[i] = string(c)
			}
			if len(bytes.TrimSpace(bytes.Join(s.cells, nil))) == 0 {
				continue // empty lines above the header
			}
			started, usable = true, in.header(s.line, names)
			if !usable {
				return
			}
			continue
		}
		in.passed = r.passed - int64(len(s.buf)-s.pos)
		in.take(s.line, s.cells)
	}
	at := catalog.Pos{File: in.file, Line: s.line}
	switch {
	case errors.Is(s.err, errNotUTF8):
		in.r.refuse(at, "", "not_utf8", "this line is not UTF-8, so the file is refused; export it again as \"CSV UTF-8\"")
	case errors.Is(s.err, errLong):
		in.r.refuse(at, "", "line_too_long", "the line that begins here is longer than %d bytes; a quote before it may not be closed", maxLineBytes)
	case errors.Is(s.err, errQuoteOpen):
		in.r.refuse(at, "", "quote_not_closed", "a quote opens in the line that begins here and is never closed; close it, or double it if it belongs to the text")
	case errors.Is(s.err, errQuoteEnd):
		in.r.refuse(at, "", "text_after_quote", "text follows a closing quote; double a quote that belongs to the text")
	case s.err != nil:
		in.r.refuse(at, "", "unreadable_file", "the file cannot be read to its end: %v", s.err)
	case !started:
		in.r.refuse(catalog.Pos{File: in.file, Line: 1}, "", "no_header", "the file is empty; its first line names the columns")
	}
}

// scanner cuts a stream into records without copying: cells are good until the next call.
type scanner struct {
	r         io.Reader
	buf       []byte
	pos       int // of the next record
	ended     bool
	separator byte

	cells [][]byte
	line  int // on which the record begins
	lines int // line breaks before pos
	err   error
}

// fill reads more; false at the end of the stream or an error.
func (s *scanner) fill() bool {
	if s.ended || s.err != nil {
		return false
	}
	if s.pos > 0 {
		s.buf = s.buf[:copy(s.buf, s.buf[s.pos:])]
		s.pos = 0
	}
	if len(s.buf) == cap(s.buf) {
		if len(s.buf) > maxLineBytes {
			s.err = errLong
			return false
		}
		s.buf = append(make([]byte, 0, 2*cap(s.buf)), s.buf...)
	}
	for range 100 {
		n, err := s.r.Read(s.buf[len(s.buf):cap(s.buf)])
		s.buf = s.buf[:len(s.buf)+n]
		if err != nil && err != io.EOF {
			s.err = err
			return false
		}
		s.ended = err == io.EOF
		if n > 0 || s.ended {
			return n > 0
		}
	}
	s.err = io.ErrNoProgress
	return false
}

// detect drops the byte order mark and finds the separator: the most frequent in the header.
func (s *scanner) detect() {
	s.fill()
	s.buf = bytes.TrimPrefix(s.buf, []byte(byteOrder))
	head := s.buf
	if i := bytes.IndexByte(bytes.TrimLeft(head, "\r\n"), '\n'); i >= 0 {
		head = bytes.TrimLeft(head, "\r\n")[:i]
	}
	s.separator = ','
	most := bytes.Count(head, []byte(","))
	for _, c := range []byte(";\t") {
		if n := bytes.Count(head, []byte{c}); n > most {
			s.separator, most = c, n
		}
	}
}

// next reads a record into cells and line.
func (s *scanner) next() bool {
	if s.err != nil {
		return false
	}
	s.line = s.lines + 1
	for {
		end, enough := s.split(s.buf[s.pos:])
		if s.err != nil {
			return false
		}
		if enough {
			record := s.buf[s.pos : s.pos+end]
			if !utf8.Valid(record) || bytes.IndexByte(record, 0) >= 0 {
				s.line += badLine(record)
				s.err = errNotUTF8
				return false
			}
			s.lines += bytes.Count(record, []byte{'\n'})
			s.pos += end
			return end > 0
		}
		if !s.fill() && s.err != nil {
			return false
		}
	}
}

// badLine is how many lines below the first of a record its first bad byte is.
func badLine(record []byte) int {
	for i, l := range bytes.Split(record, []byte{'\n'}) {
		if !utf8.Valid(l) || bytes.IndexByte(l, 0) >= 0 {
			return i
		}
	}
	return 0
}

// split cuts the first record off b into cells and says how long it is, with its line break;
// not enough: the record does not end in b, and there is more to read.
func (s *scanner) split(b []byte) (length int, enough bool) {
	end := bytes.IndexByte(b, '\n')
	if end < 0 && !s.ended {
		return 0, false
	}
	line, length := b, len(b)
	if end >= 0 {
		line, length = b[:end], end+1
	}
	s.cells = s.cells[:0]
	if bytes.IndexByte(line, '"') >= 0 {
		return s.splitQuoted(b)
	}
	line = bytes.TrimSuffix(line, []byte{'\r'})
	for {
		i := bytes.IndexByte(line, s.separator)
		if i < 0 {
			s.cells = append(s.cells, line)
			return length, true
		}
		s.cells = append(s.cells, line[:i])
		line = line[i+1:]
	}
}

// splitQuoted is split for a record in which a quote occurs. A quote opens a cell only at the
// cell's beginning; elsewhere it is text (26" is a wheel).
func (s *scanner) splitQuoted(b []byte) (length int, enough bool) {
	i := 0
	for {
		cell, next, state := s.cell(b, i)
		switch state {
		case cellOpen:
			if s.ended {
				s.err = errQuoteOpen
			}
			return 0, false
		case cellBad:
			s.err = errQuoteEnd
			return 0, false
		}
		s.cells = append(s.cells, cell)
		switch {
		case next < len(b) && b[next] == s.separator:
			i = next + 1
		case next < len(b):
			return next + 1, true
		case s.ended:
			return next, true
		default:
			return 0, false
		}
	}
}

type cellState uint8

const (
	cellWhole cellState = iota
	cellOpen            // the end of b came before the closing quote
	cellBad             // text after the closing quote
)

// cell reads the cell that begins at i; next is where its separator or line break stands.
func (s *scanner) cell(b []byte, i int) (cell []byte, next int, state cellState) {
	if i >= len(b) || b[i] != '"' {
		next = i
		for next < len(b) && b[next] != s.separator && b[next] != '\n' {
			next++
		}
		return bytes.TrimSuffix(b[i:next], []byte{'\r'}), next, cellWhole
	}
	doubled := false
	for j := i + 1; ; j++ {
		q := bytes.IndexByte(b[min(j, len(b)):], '"')
		if q < 0 {
			return nil, 0, cellOpen
		}
		j += q
		if j+1 < len(b) && b[j+1] == '"' {
			doubled = true
			j++
			continue
		}
		cell, next = b[i+1:j], j+1
		break
	}
	if doubled {
		cell = bytes.ReplaceAll(cell, []byte(`""`), []byte(`"`))
	}
	if next < len(b) && b[next] == '\r' {
		next++
	}
	if next < len(b) && b[next] != s.separator && b[next] != '\n' {
		return nil, 0, cellBad
	}
	if next == len(b) && !s.ended {
		return nil, 0, cellOpen // a second quote may follow
	}
	return cell, next, cellWhole
}

package source

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"

	"forkwright/service/catalog"
)

// json takes an array of objects whose members are named as the columns. A member is a text,
// a number, true or false, or for a list of values an array of those; null is an empty cell.
func (in *intake) json(r io.Reader) {
	lines := &lineReader{r: r}
	d := json.NewDecoder(lines)
	d.UseNumber()
	in.line = 1
	in.header(1, in.names())
	err := in.jsonArray(d, lines)
	at := catalog.Pos{File: in.file, Line: lines.at(d.InputOffset())}
	switch {
	case errors.Is(err, errNotUTF8):
		in.r.refuse(catalog.Pos{File: in.file, Line: lines.badLine}, "", "not_utf8", "this line is not UTF-8, so the file is refused; save it again as UTF-8")
	case err != nil:
		in.r.refuse(at, "", "not_json", "the file is no array of objects from here: %v", err)
	}
}

func (in *intake) jsonArray(d *json.Decoder, lines *lineReader) error {
	if err := delimiter(d, '['); err != nil {
		return err
	}
	for d.More() {
		if err := in.jsonRow(d, lines); err != nil {
			return err
		}
	}
	if err := delimiter(d, ']'); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return orText(err, "something follows the array")
	}
	return nil
}

func (in *intake) jsonRow(d *json.Decoder, lines *lineReader) error {
	if err := delimiter(d, '{'); err != nil {
		return err
	}
	line := lines.at(d.InputOffset())
	at := catalog.Pos{File: in.file, Line: line}
	cells := make([][]byte, len(in.columns))
	seen := map[string]bool{}
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return err
		}
		member := name.(string) // the decoder lets nothing else be a name
		cell, err := jsonCell(d)
		if err != nil {
			return err
		}
		place, known := in.place[member]
		switch {
		case !known:
			in.r.problems.Add(at, clip([]byte(member)), "unknown_column", "there is no column %q in this table; correct or delete the member", clip([]byte(member)))
		case seen[member]:
			in.r.problems.Add(at, member, "column_twice", "the member %q is there twice; delete one", member)
		default:
			cells[place] = cell
		}
		seen[member] = true
	}
	if err := delimiter(d, '}'); err != nil {
		return err
	}
	in.passed = d.InputOffset()
	in.take(line, cells)
	return nil
}

func delimiter(d *json.Decoder, want json.Delim) error {
	t, err := d.Token()
	if err != nil {
		return orText(err, "it ends too early")
	}
	if t != want {
		return fmt.Errorf("%v stands where %q belongs", t, want.String())
	}
	return nil
}

func orText(err error, text string) error {
	if err == nil || err == io.EOF {
		return errors.New(text)
	}
	return err
}

// jsonCell reads a value as the text that a cell would hold.
func jsonCell(d *json.Decoder) ([]byte, error) {
	t, err := d.Token()
	if err != nil {
		return nil, orText(err, "it ends too early")
	}
	if t != json.Delim('[') {
		return scalar(t)
	}
	var parts [][]byte
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return nil, err
		}
		p, err := scalar(t)
		if err != nil {
			return nil, err
		}
		if bytes.IndexByte(p, ';') >= 0 {
			return nil, fmt.Errorf("%q in a list holds a semicolon, which separates", p)
		}
		parts = append(parts, p)
	}
	return bytes.Join(parts, []byte(";")), delimiter(d, ']')
}

func scalar(t json.Token) ([]byte, error) {
	switch v := t.(type) {
	case string:
		return []byte(v), nil
	case json.Number:
		return []byte(v), nil
	case bool:
		return fmt.Append(nil, v), nil
	case nil:
		return nil, nil
	}
	return nil, fmt.Errorf("%v stands where a value belongs", t)
}

// lineReader knows on which line an offset lies, for offsets that do not go back, and stops
// at the first line that is not UTF-8: the decoder would replace bad bytes in silence.
type lineReader struct {
	r       io.Reader
	started bool
	rest    []byte  // the beginning of a character that the next read completes
	breaks  []int64 // offsets of line breaks not yet passed
	passed  int
	read    int64
	lines   int
	badLine int
}

func (l *lineReader) Read(p []byte) (int, error) {
	if len(p) < utf8.UTFMax*2 {
		return 0, io.ErrShortBuffer
	}
	held := copy(p, l.rest)
	l.rest = nil
	n, err := l.r.Read(p[held:])
	b := p[:held+n]
	if !l.started && len(b) >= len(byteOrder) {
		l.started = true
		if bytes.HasPrefix(b, []byte(byteOrder)) {
			b = b[:copy(b, b[len(byteOrder):])]
		}
	}
	if err == nil { // hold back the beginning of a character
		for i := 1; i < utf8.UTFMax && i <= len(b); i++ {
			if c := b[len(b)-i]; utf8.RuneStart(c) {
				if !utf8.FullRune(b[len(b)-i:]) {
					l.rest = bytes.Clone(b[len(b)-i:])
					b = b[:len(b)-i]
				}
				break
			}
		}
	}
	if !utf8.Valid(b) || bytes.IndexByte(b, 0) >= 0 {
		l.badLine = l.lines + 1 + badLine(b)
		return 0, errNotUTF8
	}
	for i, c := range b {
		if c == '\n' {
			l.breaks = append(l.breaks, l.read+int64(i))
			l.lines++
		}
	}
	l.read += int64(len(b))
	return len(b), err
}

func (l *lineReader) at(offset int64) int {
	i := 0
	for i < len(l.breaks) && l.breaks[i] < offset {
		i++
	}
	l.passed += i
	l.breaks = append(l.breaks[:0], l.breaks[i:]...)
	return l.passed + 1
}

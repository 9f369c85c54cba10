// Package pdftest reads the PDF files of package pdf in tests: what text was set, on how many
// pages.
package pdftest

import (
	"bytes"
	"compress/zlib"
	"io"
	"regexp"
	"strings"
	"testing"
	"unicode/utf16"
)

var (
	streams  = regexp.MustCompile(`(?s)stream\n(.*?)\nendstream`)
	pageTree = regexp.MustCompile(`/Type /Pages[\s\S]*?/Count (\d+)`)
)

// Text takes the text out of a PDF of ours, one line for each piece that was set.
func Text(t testing.TB, file []byte) string {
	t.Helper()
	var out strings.Builder
	for _, m := range streams.FindAllSubmatch(file, -1) {
		r, err := zlib.NewReader(bytes.NewReader(m[1]))
		if err != nil {
			continue
		}
		body, err := io.ReadAll(r)
		if err != nil || !bytes.Contains(body, []byte(" Tj ET")) {
			continue
		}
		for {
			i := bytes.Index(body, []byte(" Td ("))
			if i < 0 {
				break
			}
			text, rest := literal(body[i+5:])
			out.WriteString(text + "\n")
			body = rest
		}
	}
	return out.String()
}

// literal reads a string of UTF-16 up to its closing bracket.
func literal(b []byte) (string, []byte) {
	var raw []byte
	for i := 0; i < len(b); i++ {
		switch b[i] {
		case ')':
			var units []uint16
			for j := 0; j+1 < len(raw); j += 2 {
				units = append(units, uint16(raw[j])<<8|uint16(raw[j+1]))
			}
			return string(utf16.Decode(units)), b[i+1:]
		case '\\':
			i++
			if b[i] == 'r' {
				raw = append(raw, '\r')
				continue
			}
		}
		raw = append(raw, b[i])
	}
	return "", nil
}

// Pages is the number of pages.
func Pages(t testing.TB, file []byte) string {
	t.Helper()
	m := pageTree.FindSubmatch(file)
	if m == nil {
		t.Fatal("no page tree")
	}
	return string(m[1])
}

package stock

import (
	"io"
	"strings"
	"testing"

	"forkwright/service/fault"
)

// refused is the fault with which reading a feed for one location ends.
func refused(t *testing.T, body io.Reader) *fault.Error {
	t.Helper()
	in := NewIntake(body, CSV, parts, &Place{Policy: DefaultPolicy()})
	for {
		_, err := in.Next()
		if err == io.EOF {
			t.Fatal("the feed was read to its end")
		}
		if err != nil {
			return fault.As(err)
		}
	}
}

// withoutEnd is a text that begins again for ever.
type withoutEnd struct {
	text string
	at   int
}

func (e *withoutEnd) Read(p []byte) (n int, err error) {
	for n < len(p) {
		k := copy(p[n:], e.text[e.at:])
		n, e.at = n+k, (e.at+k)%len(e.text)
	}
	return n, nil
}

// Each sentence names where the mistake is and what to do about it.
func TestWhatCannotBeReadIsNamedForWhoMustMendIt(t *testing.T) {
	const good = "sku,on_hand\nEACH,1\n"
	for name, c := range map[string]struct {
		body       io.Reader
		code, says string
	}{
		"gzip that is not announced": {strings.NewReader("\x1f\x8b\x08\x00\x00\x00"), "feed_compressed", "Content-Encoding: gzip"},
		"a workbook":                 {strings.NewReader("PK\x03\x04rest"), "feed_compressed", "save it as CSV"},
		"UTF-16":                     {strings.NewReader("\xff\xfes\x00k\x00u\x00\n\x00"), "not_utf8", "UTF-16"},
		"UTF-16, the other way":      {strings.NewReader("\xfe\xff\x00s\x00k\x00u\x00\n"), "not_utf8", "UTF-16"},
		"Windows-1252":               {strings.NewReader(good + "T\xfcr,1\n"), "not_utf8", "Line 3"},
		"a line of 10 MB":            {io.MultiReader(strings.NewReader(good), strings.NewReader(strings.Repeat("9", 10<<20))), "line_too_long", "Line 3"},
		"a line without end":         {io.MultiReader(strings.NewReader(good), &withoutEnd{text: "9"}), "line_too_long", "Line 3"},
		"empty lines without end":    {io.MultiReader(strings.NewReader(good), &withoutEnd{text: "\n"}), "feed_too_long", "repeats itself"},
		"nothing":                    {strings.NewReader(""), "feed_empty", "export"},
		"another order":              {strings.NewReader("on_hand,sku\n"), "feed_header", "sku comes after on_hand"},
		"another column":             {strings.NewReader("sku,on_hand,warehouse\n"), "feed_header", "warehouse"},
		"a column twice":             {strings.NewReader("sku,sku,on_hand\n"), "feed_header", "twice"},
		"no count":                   {strings.NewReader("sku,bin\n"), "feed_header", "on_hand"},
		"a location at a location's": {strings.NewReader("location,sku,on_hand\n"), "feed_header", "/v1/stock"},
		"a quote left open":          {strings.NewReader(good + "\"EACH,1\n"), "feed_quotes", "Line 3"},
	} {
		t.Run(name, func(t *testing.T) {
			if e := refused(t, c.body); e.Code != c.code || !strings.Contains(e.Text, c.says) {
				t.Errorf("%s: %s; want %s with %q", e.Code, e.Text, c.code, c.says)
			}
		})
	}
}

func TestAShareIsExceededOnlyByMore(t *testing.T) {
	for _, c := range []struct {
		share    float64
		bad, all int64
		code     string
	}{
		{0.01, 1, 100, ""}, {0.01, 2, 100, "too_many_bad_rows"}, {0.01, 1, 99, "too_many_bad_rows"},
		{0.29, 29, 100, ""}, {0.29, 30, 100, "too_many_bad_rows"}, // 0.29 is a little less as a float
		{0, 0, 10, ""}, {0, 1, 5_000_000, "too_many_bad_rows"}, {1, 10, 10, ""},
	} {
		p := DefaultPolicy()
		p.BadRowShare = c.share
		if got := fault.CodeOf(p.Judge(Delta, Counts{Rejected: c.bad, Applied: c.all - c.bad}, Allow{})); got != c.code {
			t.Errorf("%d bad of %d at %g: %q, want %q", c.bad, c.all, c.share, got, c.code)
		}
		p.GuardShare, p.GuardLeastLines = c.share, 0
		want := map[bool]string{false: "", true: "too_much_missing"}[c.code != ""]
		if got := fault.CodeOf(p.Judge(Full, Counts{Applied: 1, Known: c.all, Missing: c.bad}, Allow{})); c.all > c.bad && got != want {
			t.Errorf("%d missing of %d at %g: %q, want %q", c.bad, c.all, c.share, got, want)
		}
	}
}

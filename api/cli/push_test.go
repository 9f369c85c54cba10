package cli

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// depot answers each request with the next of its answers, the last for ever.
type depot struct {
	answers []string // "status body"
	got     []string // "method path?query body"
	drop    int      // so many requests are broken off
}

func (d *depot) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if d.drop > 0 {
		d.drop--
		panic(http.ErrAbortHandler)
	}
	z, err := gzip.NewReader(r.Body)
	if err != nil {
		http.Error(w, err.Error(), 400)
		return
	}
	body, _ := io.ReadAll(z)
	d.got = append(d.got, r.Method+" "+r.URL.String()+" "+string(body))
	var status int
	_, _ = fmt.Sscan(d.answers[0], &status)
	_, text, _ := strings.Cut(d.answers[0], " ")
	if len(d.answers) > 1 {
		d.answers = d.answers[1:]
	}
	w.WriteHeader(status)
	_, _ = io.WriteString(w, text)
}

const applied = `200 {"feed_id":"f","location":"north","state":"applied","counts":{"read":1,"applied":1}}`

func TestPushSaysToTheSchedulerWhatItMayDo(t *testing.T) {
	for _, c := range []struct {
		name    string
		depot   depot
		args    []string
		exit    int
		tries   int
		printed string
	}{
		{"applied", depot{answers: []string{applied}}, nil, 0, 1, "north: applied; 1 rows"},
		{"the same again", depot{answers: []string{strings.Replace(applied, "applied", "unchanged", 1)}}, nil, 0, 1, "north: unchanged"},
		{"refused", depot{answers: []string{`422 {"status":422,"code":"too_many_bad_rows","detail":"Too many."}`}}, nil, 1, 1, ""},
		{"older", depot{answers: []string{`409 {"status":409,"code":"feed_older","detail":"Older."}`}}, nil, 1, 1, ""},
		{"wrong key", depot{answers: []string{`401 {"status":401,"code":"invalid_key","detail":"No."}`}}, nil, 1, 1, ""},
		{"running, then applied", depot{answers: []string{`409 {"status":409,"code":"feed_running","detail":"Wait."}`, applied}}, nil, 0, 2, "again in"},
		{"away, then applied", depot{answers: []string{`503 {"status":503,"code":"busy","detail":"Wait."}`, `502 proxy`, applied}}, nil, 0, 3, "again in"},
		{"broken off, then applied", depot{answers: []string{applied}, drop: 2}, nil, 0, 1, "cannot be reached"},
		{"away for good", depot{answers: []string{`503 {"status":503,"code":"busy","detail":"Wait."}`}}, []string{"--retries", "2"}, 3, 3, ""},
		{"no such option", depot{answers: []string{applied}}, []string{"--nonsense"}, 2, 0, ""},
		{"time without offset", depot{answers: []string{applied}}, []string{"--as-of", "2026-10-25T02:30:00"}, 2, 0, ""},
		{"one of two refused", depot{answers: []string{`200 {"feeds":[{"location":"a","state":"applied"},{"location":"b","state":"refused","code":"feed_older","problem":"Older."}]}`}}, []string{"--location", ""}, 1, 1, "b: feed_older: Older."},
		{"one of two later", depot{answers: []string{`200 {"feeds":[{"location":"a","state":"applied"},{"location":"b","state":"refused","code":"feed_running"}]}`}}, []string{"--location", "", "--retries", "1"}, 3, 2, "a: applied"},
	} {
		t.Run(c.name, func(t *testing.T) {
			srv := httptest.NewServer(&c.depot)
			defer srv.Close()
			file := filepath.Join(t.TempDir(), "north.csv")
			if err := os.WriteFile(file, []byte("sku,on_hand\nP-1,1\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			var out bytes.Buffer
			e := &Env{Config: Config{FeedURL: srv.URL, FeedKey: "a-key-of-a-distributor"}, Out: &out, Err: &out, Now: time.Now}
			err := Run(context.Background(), e, append([]string{"stock", "push", file, "--location", "north", "--wait", "1ms"}, c.args...))
			if got := ExitCode(err); got != c.exit || len(c.depot.got) != c.tries {
				t.Errorf("exit %d after %d tries, want %d after %d: %v\n%s", got, len(c.depot.got), c.exit, c.tries, err, out.String())
			}
			if !strings.Contains(out.String(), c.printed) {
				t.Errorf("printed %q, want %q in it", out.String(), c.printed)
			}
			if strings.Contains(out.String(), "\r") {
				t.Error("a bar was drawn into a log")
			}
		})
	}
}

func TestPushSendsTheSameFeedForTheSameFile(t *testing.T) {
	d := &depot{answers: []string{applied}}
	srv := httptest.NewServer(d)
	defer srv.Close()
	file := filepath.Join(t.TempDir(), "north.csv.gz")
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, _ = io.WriteString(z, "sku,on_hand\nP-1,1\n")
	_ = z.Close()
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		e := &Env{Config: Config{FeedURL: srv.URL, FeedKey: "a-key-of-a-distributor"}, Out: io.Discard, Err: io.Discard, Now: time.Now}
		if err := RunStockPush(context.Background(), e, []string{file, "--location", "north", "--delta", "--sequence", "7"}); err != nil {
			t.Fatal(err)
		}
	}
	if len(d.got) != 2 || d.got[0] != d.got[1] || !strings.HasPrefix(d.got[0], "PATCH /v1/locations/north/stock?as_of=") || !strings.HasSuffix(d.got[0], "&sequence=7 sku,on_hand\nP-1,1\n") {
		t.Errorf("sent %q", d.got)
	}
}

func TestBar(t *testing.T) {
	for _, c := range []struct {
		sent, all int64
		want      string
	}{
		{0, 2 << 20, "[" + strings.Repeat(" ", 40) + "]   0 % of 2.0 MiB "},
		{1 << 20, 2 << 20, "[" + strings.Repeat("#", 20) + strings.Repeat(" ", 20) + "]  50 % of 2.0 MiB "},
		{2 << 20, 2 << 20, "[" + strings.Repeat("#", 40) + "] sent, being applied … "},
		{0, 0, "[" + strings.Repeat("#", 40) + "] sent, being applied … "},
	} {
		if got := bar(c.sent, c.all); got != c.want {
			t.Errorf("bar(%d, %d) = %q, want %q", c.sent, c.all, got, c.want)
		}
	}
}

package cli

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
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
		{"another program's answer", depot{answers: []string{`200 {"hello":"there"}`}}, nil, 1, 1, ""},
		{"a proxy's page", depot{answers: []string{`200 <html>Sign in`}}, []string{"--retries", "0"}, 3, 1, ""},
		{"a shared feed that names no location", depot{answers: []string{`200 {"feeds":[]}`}}, []string{"--location", ""}, 1, 1, ""},
		{"too slow, then applied", depot{answers: []string{`400 {"status":400,"code":"body_too_slow","detail":"Slow."}`, applied}}, nil, 0, 2, "again in"},
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

// pushTo gives what a scheduler's mail would say of a push to a server of the test's own.
func pushTo(t *testing.T, h http.HandlerFunc, file string, args ...string) (exit int, mail string) {
	t.Helper()
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	var out bytes.Buffer
	e := &Env{Config: Config{FeedURL: srv.URL, FeedKey: "a-key-of-a-distributor"}, Out: &out, Err: &out, Now: time.Now}
	err := RunStockPush(context.Background(), e, append([]string{file, "--location", "north", "--wait", "1ms"}, args...))
	return ExitCode(err), fmt.Sprint(out.String(), err)
}

func written(t *testing.T, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "north.csv")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestARedirectedPushIsNoSuccess(t *testing.T) {
	exit, mail := pushTo(t, func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet { // what a client that follows would be given
			_, _ = io.WriteString(w, applied[4:])
			return
		}
		http.Redirect(w, r, "/elsewhere", http.StatusMovedPermanently)
	}, written(t, "sku,on_hand\n"))
	if exit != 1 || !strings.Contains(mail, "FORKWRIGHT_URL") {
		t.Errorf("exit %d: %s", exit, mail)
	}
}

func TestAServiceThatNeverAnswersIsLeft(t *testing.T) {
	exit, mail := pushTo(t, func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		<-r.Context().Done()
	}, written(t, "sku,on_hand\n"), "--timeout", "100ms", "--retries", "1")
	if exit != 3 || strings.Count(mail, "cannot be reached") != 2 {
		t.Errorf("exit %d: %s", exit, mail)
	}
}

func TestAProxysPageIsCutShort(t *testing.T) {
	_, mail := pushTo(t, func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusBadGateway)
		_, _ = io.WriteString(w, strings.Repeat("<p>Bad gateway</p>\n", 1000))
	}, written(t, "sku,on_hand\n"), "--retries", "0")
	if len(mail) > 500 || !strings.Contains(mail, "Bad gateway") {
		t.Errorf("%d bytes: %s", len(mail), mail)
	}
}

// The export is still being written at the first attempt, and done at the second.
func TestAFileThatChangesWhileItIsSentIsSentAgain(t *testing.T) {
	noise := make([]byte, 16<<20) // more than a connection holds on its way, also when it is compressed
	if _, err := rand.Read(noise); err != nil {
		t.Fatal(err)
	}
	file := written(t, "sku,on_hand\n"+base64.StdEncoding.EncodeToString(noise))
	var whole []string
	var tries atomic.Int64
	exit, mail := pushTo(t, func(w http.ResponseWriter, r *http.Request) {
		first := tries.Add(1) == 1
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			t.Error(err)
			return
		}
		if first {
			_, _ = io.ReadFull(z, make([]byte, 1000))
			appendTo(t, file, "\nP-1,2\n")
		}
		b, err := io.ReadAll(z)
		if err == nil {
			_, err = r.Body.Read(make([]byte, 1))
		}
		if err != io.EOF {
			return // as a service that was sent a part
		}
		whole = append(whole, string(b))
		_, _ = io.WriteString(w, applied[4:])
	}, file)
	if exit != 0 || tries.Load() != 2 || len(whole) != 1 || !strings.HasSuffix(whole[0], "\nP-1,2\n") || !strings.Contains(mail, "changed while it was sent") {
		t.Errorf("exit %d after %d tries, %d whole: %.300s", exit, tries.Load(), len(whole), mail)
	}
}

func appendTo(t *testing.T, file, text string) {
	t.Helper()
	f, err := os.OpenFile(file, os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = f.WriteString(text)
	}
	if err != nil {
		t.Error(err)
		return
	}
	_ = f.Close()
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

package cli

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"
)

// TryLater is a command that failed for a reason that passes; its exit code is 3.
type TryLater struct{ error }

// pushOptions are the options of "stock push".
type pushOptions struct {
	location, url, keyFile, format, asOf string
	sequence                             int64
	delta, dryRun                        bool
	allowMissing, allowBadRows           bool
	retries                              int
	wait                                 time.Duration // before the first repetition; doubles
	timeout                              time.Duration // of one attempt
}

// RunStockPush sends a feed and says what it came to. It exits with 0 when the feed was applied
// or had been before, 1 when it was refused, 2 for a wrong command line, and 3 when it may work
// later: the service was away, or another feed was running, for as long as it was tried. It is
// safe to run again at any time: the same file is the same feed.
func RunStockPush(ctx context.Context, e *Env, args []string) error {
	var o pushOptions
	rest, err := flags(e, "stock push", args, func(f *flag.FlagSet) {
		f.StringVar(&o.location, "location", "", "code of the location; left out: the feed has a location column")
		f.StringVar(&o.url, "url", e.FeedURL, "address of the service (FORKWRIGHT_URL)")
		f.StringVar(&o.keyFile, "key-file", "", "file with the API key (else FORKWRIGHT_KEY)")
		f.StringVar(&o.format, "format", "", "csv or ndjson; else by the file's name")
		f.StringVar(&o.asOf, "as-of", "", "when the counts were true, as 2026-10-25T02:30:00+02:00; else the file's time")
		f.Int64Var(&o.sequence, "sequence", -1, "number of the feed")
		f.BoolVar(&o.delta, "delta", false, "the file names changes only")
		f.BoolVar(&o.dryRun, "dry-run", false, "check and count, change nothing")
		f.BoolVar(&o.allowMissing, "allow-missing", false, "apply it however much is missing")
		f.BoolVar(&o.allowBadRows, "allow-bad-rows", false, "apply the good rows however many are bad")
		f.IntVar(&o.retries, "retries", 6, "how often to try again")
		f.DurationVar(&o.wait, "wait", 2*time.Second, "before trying again the first time; doubles each time")
		f.DurationVar(&o.timeout, "timeout", 35*time.Minute, "for one attempt; the service gives up after 30m")
	}, "FILE")
	if err != nil {
		return err
	}
	p, err := newPush(e, o, rest[0])
	if err != nil {
		return err
	}
	return p.run(ctx)
}

// push is one feed on its way.
type push struct {
	e      *Env
	o      pushOptions
	key    string
	file   string
	size   int64
	method string
	target string
	media  string
	folded bool // the file is compressed already
	sent   atomic.Int64
}

func newPush(e *Env, o pushOptions, file string) (*push, error) {
	p := &push{e: e, o: o, file: file, key: e.FeedKey, method: http.MethodPut}
	info, err := os.Stat(file)
	switch {
	case err != nil:
		return nil, noExport(err)
	case !info.Mode().IsRegular():
		return nil, usage("%s is no file", file)
	case o.delta && o.location == "":
		return nil, usage("a delta needs --location")
	}
	p.size = info.Size()
	if o.keyFile != "" {
		b, err := os.ReadFile(o.keyFile)
		if err != nil {
			return nil, usage("the API key cannot be read: %w", err)
		}
		p.key = strings.TrimSpace(string(b))
	}
	if p.key == "" {
		return nil, usage("no API key: set FORKWRIGHT_KEY, or name a file with --key-file")
	}
	if o.delta {
		p.method = http.MethodPatch
	}
	if err := p.kind(); err != nil {
		return nil, err
	}
	return p, p.address(info.ModTime())
}

// kind finds out how the file is written.
func (p *push) kind() error {
	name := p.file
	if strings.HasSuffix(name, ".gz") {
		p.folded, name = true, strings.TrimSuffix(name, ".gz")
	}
	format := p.o.format
	if format == "" {
		format = "csv"
		if strings.HasSuffix(name, ".ndjson") || strings.HasSuffix(name, ".jsonl") {
			format = "ndjson"
		}
	}
	media := map[string]string{"csv": "text/csv", "ndjson": "application/x-ndjson"}
	p.media = media[format]
	if p.media == "" {
		return usage("--format is %q; use csv or ndjson", format)
	}
	return nil
}

func (p *push) address(fileTime time.Time) error {
	base, err := url.Parse(p.o.url)
	if err != nil || base.Host == "" || base.Scheme != "http" && base.Scheme != "https" {
		return usage("the service's address is %q; set FORKWRIGHT_URL or --url to one such as https://parts.example", p.o.url)
	}
	asOf := fileTime.Truncate(time.Millisecond).Format(time.RFC3339Nano)
	if p.o.asOf != "" {
		if _, err := time.Parse(time.RFC3339, p.o.asOf); err != nil {
			return usage("--as-of is %q; write it with its UTC offset, as 2026-10-25T02:30:00+02:00", p.o.asOf)
		}
		asOf = p.o.asOf
	}
	q := url.Values{"as_of": {asOf}}
	if p.o.sequence >= 0 {
		q.Set("sequence", strconv.FormatInt(p.o.sequence, 10))
	}
	for name, set := range map[string]bool{"dry_run": p.o.dryRun, "allow_missing": p.o.allowMissing, "allow_bad_rows": p.o.allowBadRows} {
		if set {
			q.Set(name, "true")
		}
	}
	path := "/v1/stock"
	if p.o.location != "" {
		path = "/v1/locations/" + url.PathEscape(p.o.location) + "/stock"
	}
	p.target = strings.TrimSuffix(base.String(), "/") + path + "?" + q.Encode()
	return nil
}

// run tries until there is an answer that stays.
func (p *push) run(ctx context.Context) error {
	fmt.Fprintf(p.e.Out, "sending %s (%s)\n", p.file, size(p.size))
	wait := p.o.wait
	for try := 0; ; try++ {
		after, err := p.once(ctx)
		var later TryLater
		if !errors.As(err, &later) || try >= p.o.retries || ctx.Err() != nil {
			return err
		}
		pause := max(wait+rand.N(wait/2+1), after) // not all depots at the same moment
		fmt.Fprintf(p.e.Err, "%v; again in %s\n", err, pause.Round(time.Second))
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return TryLater{ctx.Err()}
		}
		wait = min(2*wait, 2*time.Minute)
	}
}

// once sends the file; after is how long the service asks to wait. The file is looked at anew
// each time: an export that was still being written has another time when it is done.
func (p *push) once(ctx context.Context) (after time.Duration, err error) {
	f, err := openSteady(p.file)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	if err := p.address(f.was.ModTime()); err != nil {
		return 0, err
	}
	p.size = f.was.Size()
	p.sent.Store(0)
	body := p.body(f)
	defer body.Close()
	req, err := http.NewRequestWithContext(ctx, p.method, p.target, body)
	if err != nil {
		return 0, UsageError{err}
	}
	req.Header.Set("Authorization", "Bearer "+p.key)
	req.Header.Set("Content-Type", p.media)
	req.Header.Set("Content-Encoding", "gzip")
	done := p.watch()
	client := http.Client{Timeout: p.o.timeout, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Do(req)
	done()
	if errors.As(err, new(changedFile)) {
		return 0, TryLater{changedFile{p.file}}
	}
	if err != nil {
		return 0, TryLater{fmt.Errorf("the service cannot be reached: %w", err)}
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(res.Body, 64<<20))
	if err != nil {
		return 0, TryLater{fmt.Errorf("the answer did not arrive: %w", err)} // it may have been applied: the same again is nothing
	}
	if to := res.Header.Get("Location"); res.StatusCode >= 300 && res.StatusCode < 400 {
		// A PUT that is redirected becomes a GET, which would look like success.
		return 0, fmt.Errorf("%s answers %d and points to %q; set FORKWRIGHT_URL or --url to the service's own address", p.o.url, res.StatusCode, to)
	}
	if res.StatusCode >= 400 {
		seconds, _ := strconv.Atoi(res.Header.Get("Retry-After"))
		return time.Duration(min(seconds, 600)) * time.Second, refused(res.StatusCode, answer)
	}
	return 0, p.report(answer)
}

// refused tells a refusal that stays from one that passes.
func refused(status int, answer []byte) error {
	r := refusal{Status: status, Detail: firstWords(string(answer))}
	_ = json.Unmarshal(answer, &r) // a proxy may answer in words of its own
	if status == http.StatusTooManyRequests || status >= 500 || slices.Contains(passing, r.Code) {
		return TryLater{r}
	}
	return r
}

// passing are the refusals that the same feed may not meet again.
var passing = []string{"feed_running", "body_incomplete", "body_too_slow", "gzip_incomplete"}

// firstWords keeps a proxy's page out of the scheduler's mail.
func firstWords(text string) string {
	words := strings.Join(strings.Fields(text), " ")
	if r := []rune(words); len(r) > 200 {
		return string(r[:200]) + "…"
	}
	return words
}

// steadyFile must not change while it is sent: half of last night's rows and half of tonight's
// would be applied as the whole.
type steadyFile struct {
	*os.File
	was os.FileInfo
}

func openSteady(name string) (*steadyFile, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, noExport(err)
	}
	was, err := f.Stat()
	if err != nil {
		_ = f.Close()
		return nil, noExport(err)
	}
	return &steadyFile{f, was}, nil
}

func noExport(err error) error {
	return usage("the feed cannot be read: %w; see whether the export has run", err)
}

// Read gives the end of the file only when it is still the file that was opened.
func (f *steadyFile) Read(b []byte) (int, error) {
	n, err := f.File.Read(b)
	if err == io.EOF {
		if is, statErr := f.Stat(); statErr != nil || is.Size() != f.was.Size() || !is.ModTime().Equal(f.was.ModTime()) {
			return n, changedFile{f.Name()}
		}
	}
	return n, err
}

// changedFile is a file that was written to while it was sent.
type changedFile struct{ name string }

func (c changedFile) Error() string {
	return c.name + " changed while it was sent, and nothing was applied; let the export write under another name and rename it when it is done"
}

// body is the file, compressed.
func (p *push) body(f io.Reader) io.ReadCloser {
	counted := &counting{f, &p.sent}
	if p.folded {
		return io.NopCloser(counted)
	}
	r, w := io.Pipe()
	go func() {
		z, _ := gzip.NewWriterLevel(w, gzip.BestSpeed) // the level is a constant that there is
		_, err := io.Copy(z, counted)
		if err == nil { // else the end is not written, so that nobody takes the part for the whole
			err = z.Close()
		}
		w.CloseWithError(err)
	}()
	return r
}

type counting struct {
	io.Reader
	n *atomic.Int64
}

func (c *counting) Read(b []byte) (int, error) {
	n, err := c.Reader.Read(b)
	c.n.Add(int64(n))
	return n, err
}

// watch draws a bar on a terminal; in a log there is none.
func (p *push) watch() (done func()) {
	if !isTerminal(p.e.Err) {
		return func() {}
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for {
			fmt.Fprintf(p.e.Err, "\r%s", bar(p.sent.Load(), p.size))
			select {
			case <-stop:
				fmt.Fprint(p.e.Err, "\r\x1b[K")
				return
			case <-time.After(100 * time.Millisecond):
			}
		}
	}()
	return func() { close(stop); <-stopped }
}

// bar shows how much is on its way; what is then still to come is the service's work.
func bar(sent, all int64) string {
	const width = 40
	if all <= 0 || sent >= all {
		return "[" + strings.Repeat("#", width) + "] sent, being applied … "
	}
	full := int(sent * width / all)
	return fmt.Sprintf("[%s%s] %3d %% of %s ", strings.Repeat("#", full), strings.Repeat(" ", width-full), sent*100/all, size(all))
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

func size(n int64) string {
	switch {
	case n >= 1<<20:
		return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20))
	case n >= 1<<10:
		return fmt.Sprintf("%.1f KiB", float64(n)/(1<<10))
	}
	return fmt.Sprintf("%d bytes", n)
}

// pushed is what the service says of a feed.
type pushed struct {
	ID       string `json:"feed_id"`
	Location string `json:"location"`
	State    string `json:"state"`
	DryRun   bool   `json:"dry_run"`
	Code     string `json:"code"`
	Problem  string `json:"problem"`
	Rejects  string `json:"rejects"`
	Counts   struct {
		Read, Applied, Unchanged, Zeroed, Rejected, Unknown, Oversold int64
	} `json:"counts"`
	Undercut []struct {
		SKU      string `json:"sku"`
		OnHand   string `json:"on_hand"`
		Promised string `json:"promised"`
	} `json:"undercut"`
}

// report prints one line for each location, and fails when one was refused.
func (p *push) report(answer []byte) error {
	var all struct {
		pushed
		Feeds []pushed `json:"feeds"`
	}
	if err := json.Unmarshal(answer, &all); err != nil {
		return TryLater{fmt.Errorf("the answer is not the service's: %w", err)}
	}
	if p.o.location != "" {
		all.Feeds = []pushed{all.pushed}
	}
	if len(all.Feeds) == 0 {
		return fmt.Errorf("the feed names no location, and nothing was applied; see whether the export has failed")
	}
	var bad, later int
	for _, f := range all.Feeds {
		switch {
		case f.State == "applied", f.State == "unchanged":
		case f.State == "failed", f.Code == "feed_running":
			later++
		case f.State == "refused":
			bad++
		default:
			return fmt.Errorf("the answer names no feed that was applied or refused; is %s the service's own address? %s", p.o.url, firstWords(string(answer)))
		}
		p.line(f)
	}
	switch {
	case bad > 0:
		return fmt.Errorf("%d of %d locations refused the feed", bad+later, len(all.Feeds))
	case later > 0:
		return TryLater{fmt.Errorf("%d of %d locations could not take the feed now", later, len(all.Feeds))}
	}
	return nil
}

// line says what became of a location's feed: on the standard output what went well, and what
// somebody should look at where errors go, so that a job whose output is thrown away is silent
// until then.
func (p *push) line(f pushed) {
	c, out := f.Counts, p.e.Out
	if f.State != "applied" && f.State != "unchanged" {
		out = p.e.Err
	}
	state := f.State
	if f.DryRun {
		state += " (dry run)"
	}
	fmt.Fprintf(out, "%s: %s; %d rows, %d applied, %d unchanged, %d zeroed, %d bad, %d not ours; feed %s\n",
		f.Location, state, c.Read, c.Applied, c.Unchanged, c.Zeroed, c.Rejected, c.Unknown, f.ID)
	if f.Problem != "" {
		fmt.Fprintf(out, "%s: %s: %s\n", f.Location, f.Code, f.Problem)
	}
	if f.Rejects != "" {
		fmt.Fprintf(p.e.Err, "%s: bad rows: %s\n", f.Location, f.Rejects)
	}
	for _, u := range f.Undercut {
		fmt.Fprintf(p.e.Err, "%s: %s has %s, and %s are promised\n", f.Location, u.SKU, u.OnHand, u.Promised)
	}
}

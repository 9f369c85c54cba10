package db_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/quagmt/udecimal"

	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/stock"
)

// anyParts are parts of ours: P-1, P-2, … up to so many, and a few with units.
type anyParts int

func (n anyParts) BySKU(sku string) (stock.Part, bool) {
	switch sku {
	case "OIL":
		return stock.Part{SKU: sku, Number: int(n) + 1, Unit: "mL", Pack: udecimal.MustParse("250")}, true
	case "SEALS":
		return stock.Part{SKU: sku, Number: int(n) + 2, Unit: "pair"}, true
	}
	var i int
	if _, err := fmt.Sscanf(sku, "P-%d", &i); err != nil || i < 1 || i > int(n) {
		return stock.Part{}, false
	}
	return stock.Part{SKU: sku, Number: i, Unit: "each"}, true
}

func (n anyParts) ByGTIN(gtin string) []stock.Part {
	if gtin == "20000000000019" {
		return []stock.Part{{SKU: "P-1", Number: 1, Unit: "each"}, {SKU: "P-2", Number: 2, Unit: "each"}}
	}
	return nil
}

var base = time.Date(2026, 5, 4, 2, 0, 0, 0, time.UTC)

// depot is a location with feeds, and the clock that its store goes by.
type depot struct {
	*db.DB
	t     *testing.T
	by    caller.Caller
	owner account.Account
	now   time.Time
	on    *dbtest.Database
}

func newDepot(t *testing.T, policy string, change func(*account.Location)) *depot {
	t.Helper()
	d := &depot{t: t, now: base}
	d.on = dbtest.Clone(t, db.Options{Now: func() time.Time { return d.now }})
	d.DB = d.on.DB
	d.owner = shop(t, d.DB, "depot", caller.Distributor)
	d.by = as(d.owner)
	l := account.Location{ID: "depot", AccountID: d.owner.ID, Name: "Depot", Policy: []byte(policy)}
	if change != nil {
		change(&l)
	}
	_, err := d.CreateLocation(t.Context(), d.by, l)
	must(t, err)
	return d
}

// at is a feed of so many minutes after base.
func at(kind stock.Kind, minutes int, seq ...int64) stock.Upload {
	u := stock.Upload{Stamp: stock.Stamp{Kind: kind, AsOf: base.Add(time.Duration(minutes) * time.Minute)}, Format: stock.CSV}
	if len(seq) > 0 {
		u.Seq = &seq[0]
	}
	return u
}

func (d *depot) push(u stock.Upload, rows ...string) (stock.Feed, error) {
	d.t.Helper()
	if u.AsOf.After(d.now) {
		d.now = u.AsOf
	}
	return d.TakeFeed(d.t.Context(), d.by, "depot", u, anyParts(100_000), strings.NewReader("sku,on_hand\n"+strings.Join(rows, "\n")))
}

func (d *depot) mustPush(u stock.Upload, rows ...string) stock.Feed {
	d.t.Helper()
	f, err := d.push(u, rows...)
	must(d.t, err)
	return f
}

// counts are the counts on hand by part.
func (d *depot) counts() map[string]string {
	d.t.Helper()
	out := map[string]string{}
	levels, err := d.StockAt(d.t.Context(), "depot", "", 1000)
	must(d.t, err)
	for _, l := range levels {
		out[l.SKU] = l.OnHand.String()
	}
	return out
}

func (d *depot) want(want map[string]string) {
	d.t.Helper()
	if diff := cmp.Diff(want, d.counts()); diff != "" {
		d.t.Errorf("counts -want +got:\n%s", diff)
	}
}

func TestFullFeedZeroesWhatItDoesNotNameAndDeltaDoesNot(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	f := d.mustPush(at(stock.Full, 0), "P-1,5", "P-2,7", "X-9,3")
	if diff := cmp.Diff(stock.Counts{Read: 3, Applied: 2, Unknown: 1}, f.Counts); diff != "" || f.State != stock.Applied {
		t.Errorf("%s: %s", f.State, diff)
	}
	d.want(map[string]string{"P-1": "5", "P-2": "7"})
	f = d.mustPush(at(stock.Delta, 1), "P-2,8")
	if diff := cmp.Diff(stock.Counts{Read: 1, Applied: 1}, f.Counts); diff != "" {
		t.Error(diff)
	}
	d.want(map[string]string{"P-1": "5", "P-2": "8"})
	f = d.mustPush(at(stock.Full, 2), "P-2,8", "P-3,1")
	if diff := cmp.Diff(stock.Counts{Read: 2, Applied: 1, Unchanged: 1, Zeroed: 1, Known: 2, Missing: 1}, f.Counts); diff != "" {
		t.Error(diff)
	}
	d.want(map[string]string{"P-1": "0", "P-2": "8", "P-3": "1"})
	f = d.mustPush(at(stock.Full, 3), "P-2,8", "P-3,1")
	if diff := cmp.Diff(stock.Counts{Read: 2, Unchanged: 2, Known: 2}, f.Counts); diff != "" {
		t.Error("a part that is gone is missed once only:", diff)
	}
}

func TestFullADeltaBFullAAppliesAndTheSameFeedAgainIsNothing(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	a := []string{"P-1,5", "P-2,7"}
	d.mustPush(at(stock.Full, 0), a...)
	var lying int
	must(t, connect(t, d.on.OwnerURL).QueryRow(t.Context(), `SELECT (SELECT count(*) FROM feed_desk_1) + (SELECT count(*) FROM feed_desk_2) + (SELECT count(*) FROM feed_desk_3)`).Scan(&lying))
	if lying != 0 {
		t.Errorf("%d rows lie on the desks after the feed", lying)
	}
	if f := d.mustPush(at(stock.Full, 0), a...); f.State != stock.Unchanged || f.Counts.Unchanged != 2 {
		t.Errorf("the same again is %s %+v", f.State, f.Counts)
	}
	d.mustPush(at(stock.Delta, 1), "P-1,6")
	_, err := d.push(at(stock.Full, 0), a...)
	wantCode(t, err, "feed_older")
	d.want(map[string]string{"P-1": "6", "P-2": "7"})
	if f := d.mustPush(at(stock.Full, 2), a...); f.State != stock.Applied || f.Counts.Applied != 1 {
		t.Errorf("full A with a newer time is %s %+v", f.State, f.Counts)
	}
	d.want(map[string]string{"P-1": "5", "P-2": "7"})
	_, err = d.push(at(stock.Full, 2), "P-1,9", "P-2,7")
	wantCode(t, err, "feed_differs")
}

func TestSequenceShowsLostDeltasAndBreaksTies(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	d.mustPush(at(stock.Full, 0, 10), "P-1,5")
	d.mustPush(at(stock.Delta, 0, 11), "P-1,4")
	for _, c := range []struct {
		u    stock.Upload
		code string
	}{
		{at(stock.Delta, 1, 13), "sequence_gap"},
		{at(stock.Delta, 1), "sequence_missing"},
		{at(stock.Delta, 1, 11), "sequence_not_higher"},
		{at(stock.Full, 0, 10), "sequence_not_higher"},
		{at(stock.Full, -1, 12), "feed_older"},
	} {
		_, err := d.push(c.u, "P-1,1")
		wantCode(t, err, c.code)
		if f := fault.As(err); f == nil || f.Extra["last_applied"] == nil || f.Extra["feed_id"] == nil {
			t.Errorf("%s does not say what was applied: %v", c.code, err)
		}
	}
	d.want(map[string]string{"P-1": "4"})
	d.mustPush(at(stock.Full, 1, 20), "P-1,3") // a full feed needs no predecessor
	d.mustPush(at(stock.Delta, 2, 21), "P-1,2")
	d.want(map[string]string{"P-1": "2"})
}

func TestBothHalfPastTwosOfTheAutumnNight(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	d.now = time.Date(2026, 10, 25, 4, 0, 0, 0, time.UTC)
	for i, text := range []string{"2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00"} {
		asOf, err := time.Parse(time.RFC3339, text)
		must(t, err)
		u := at(stock.Full, 0)
		u.AsOf = asOf
		d.mustPush(u, fmt.Sprintf("P-1,%d", i+1))
	}
	d.want(map[string]string{"P-1": "2"})
	u := at(stock.Full, 0)
	u.AsOf, _ = time.Parse(time.RFC3339, "2026-10-25T02:30:00+02:00")
	_, err := d.push(u, "P-1,1")
	wantCode(t, err, "feed_older")
}

func TestTimeFromTheFutureLocksNobodyOut(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	for _, c := range []struct {
		ahead time.Duration
		code  string
	}{{15 * time.Minute, ""}, {15*time.Minute + time.Second, "invalid_request"}, {365 * 24 * time.Hour, "invalid_request"}} {
		u := at(stock.Full, 0)
		u.AsOf = base.Add(c.ahead)
		_, err := d.TakeFeed(t.Context(), d.by, "depot", u, anyParts(10), strings.NewReader("sku,on_hand\nP-1,1\n"))
		wantCode(t, err, c.code)
	}
	_, err := d.ResetFeeds(t.Context(), d.by, "depot")
	must(t, err)
	d.mustPush(at(stock.Full, 0), "P-1,2")
	d.want(map[string]string{"P-1": "2"})
	events, err := d.EventsOf(t.Context(), d.owner.ID, "location", "depot", 0, 10)
	must(t, err)
	last := events[len(events)-1]
	if last.Action != "feeds_reset" || last.Codes["last_as_of"] != "2026-05-04T02:15:00Z" {
		t.Errorf("the reset's record is %+v", last)
	}
}

func TestFortyThousandRowsOfWhichFewAreOurs(t *testing.T) {
	rows := func(ours int) string {
		var b strings.Builder
		b.WriteString("sku,on_hand\n")
		for i := range 40_000 {
			if i%160 == 0 && i/160 < ours {
				fmt.Fprintf(&b, "P-%d,%d\n", i/160+1, i%9)
			} else {
				fmt.Fprintf(&b, "FOREIGN-%05d,%d\n", i, i%9)
			}
		}
		return b.String()
	}
	d := newDepot(t, `{}`, nil)
	push := func(minutes, ours int, allow stock.Allow) (stock.Feed, error) {
		u := at(stock.Full, minutes)
		u.Allow, d.now = allow, u.AsOf
		return d.TakeFeed(t.Context(), d.by, "depot", u, anyParts(250), strings.NewReader(rows(ours)))
	}
	f, err := push(0, 250, stock.Allow{})
	must(t, err)
	if diff := cmp.Diff(stock.Counts{Read: 40_000, Applied: 250, Unknown: 39_750}, f.Counts); diff != "" {
		t.Error(diff)
	}
	before := d.counts()
	f, err = push(1, 190, stock.Allow{})
	wantCode(t, err, "too_much_missing")
	if f.State != stock.Refused || f.Counts.Missing != 60 || f.Counts.Known != 250 {
		t.Errorf("%s %+v", f.State, f.Counts)
	}
	d.want(before)
	_, err = push(2, 200, stock.Allow{}) // exactly a fifth is not more than a fifth
	must(t, err)
	_, err = push(3, 0, stock.Allow{})
	wantCode(t, err, "feed_names_nothing")
	f, err = push(4, 100, stock.Allow{Missing: true})
	must(t, err)
	if f.Counts.Zeroed != 100 {
		t.Errorf("told explicitly: %+v", f.Counts)
	}
}

func TestSmallLocationMayLoseMoreThanAFifth(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	var all []string
	for i := range 30 {
		all = append(all, fmt.Sprintf("P-%d,1", i+1))
	}
	d.mustPush(at(stock.Full, 0), all...)
	d.mustPush(at(stock.Full, 1), all[:11]...) // 19 missing: under the floor of 20 lines
	d.mustPush(at(stock.Full, 2), all...)
	_, err := d.push(at(stock.Full, 3), all[:10]...)
	wantCode(t, err, "too_much_missing")
}

func TestBadRowsKeepWhatThePartHasAndPastOnePercentRefuse(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	var good []string
	for i := range 99 {
		good = append(good, fmt.Sprintf("P-%d,2", i+1))
	}
	d.mustPush(at(stock.Full, 0), append([]string{"P-100,9"}, good...)...)
	f := d.mustPush(at(stock.Full, 1), append([]string{"P-100,many"}, good...)...)
	if f.Counts.Rejected != 1 || f.Counts.Zeroed != 0 || d.counts()["P-100"] != "9" {
		t.Errorf("one bad row in a hundred: %+v, P-100 has %s", f.Counts, d.counts()["P-100"])
	}
	f, err := d.push(at(stock.Full, 2), append([]string{"P-100,many", "P-1,0"}, good...)...)
	wantCode(t, err, "too_many_bad_rows")
	if d.counts()["P-1"] != "2" {
		t.Error("a refused feed changed a count")
	}
	rejects, err := d.Rejects(t.Context(), f.ID)
	must(t, err)
	if diff := cmp.Diff([]stock.Reject{{Line: 2, Code: "not_a_number", Value: "many"}, {Line: 4, Code: "duplicate", Value: "P-1"}}, rejects); diff != "" {
		t.Errorf("bad rows: %s", diff)
	}
	kept, err := d.Feed(t.Context(), d.owner.ID, f.ID)
	must(t, err)
	if kept.State != stock.Refused || kept.Code != "too_many_bad_rows" || kept.FinishedAt == nil {
		t.Errorf("kept as %+v", kept)
	}
}

func TestAFullFeedKnowsHowManyPartsWereListedBefore(t *testing.T) {
	d := newDepot(t, `{"bad_row_share": 1, "guard_share": 1}`, nil)
	lines := []string{
		"P-1,1|P-2,2|P-3,3|P-4,4",
		"P-1,1|P-2,two|P-5,5|P-5,6",          // 2 is kept, 3 and 4 go, 5 is new and there twice
		"P-2,x|P-2,7|P-3,3|P-6,0|P-1,1|P-1,", // 2 is kept by its first row, 3 comes back, 5 goes
		"P-9,bad|P-1,1",                      // 9 was never there
		"P-1,1|P-3,3",
	}
	for i, rows := range lines {
		var before int64
		must(t, connect(t, d.on.OwnerURL).QueryRow(t.Context(), `SELECT count(*) FROM stock WHERE location_id = 'depot' AND listed`).Scan(&before))
		if f := d.mustPush(at(stock.Full, i), strings.Split(rows, "|")...); f.Counts.Known != before {
			t.Errorf("feed %d knows %d parts, %d were listed: %+v", i, f.Counts.Known, before, f.Counts)
		}
	}
}

func TestDryRunSaysWhatWouldHappen(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	u := at(stock.Full, 0)
	u.DryRun = true
	if f := d.mustPush(u, "P-1,5"); f.Counts.Applied != 1 || !f.DryRun || f.State != stock.Applied {
		t.Errorf("%+v", f)
	}
	d.want(map[string]string{})
	if f := d.mustPush(at(stock.Full, 0), "P-1,5"); f.Counts.Applied != 1 {
		t.Errorf("after the dry run: %+v", f.Counts)
	}
}

func TestCodeMapDecidesUnitsAndAmbiguousGTINs(t *testing.T) {
	d := newDepot(t, `{"units": "row"}`, nil)
	must(t, d.PutCodes(t.Context(), d.by, d.owner.ID, "depot", []stock.Code{
		{Code: "00123", SKU: "P-3", Factor: udecimal.MustParse("4"), Unit: "L"},
		{Code: "20000000000019", SKU: "P-2", Factor: udecimal.One},
		{Code: "10-PACK", SKU: "P-4", Factor: udecimal.MustParse("10")},
	}))
	d.now = base
	f, err := d.TakeFeed(t.Context(), d.by, "depot", at(stock.Full, 0), anyParts(100), strings.NewReader(
		"sku;gtin;code;on_hand;unit\n"+
			";;00123;12;\n"+ // 12 L of a quarter-liter bottle
			";;123;12;\n"+ // another code: zeros count
			";20000000000019;;3;\n"+
			";;10-PACK;2;\n"+
			"OIL;;;12;L\n"+
			"SEALS;;;4;each\n"))
	must(t, err)
	if f.Counts.Unknown != 1 || f.Counts.Applied != 5 {
		t.Errorf("%+v", f.Counts)
	}
	d.want(map[string]string{"P-3": "48", "P-2": "3", "P-4": "20", "OIL": "12000", "SEALS": "2"})
	f, err = d.TakeFeed(t.Context(), d.by, "depot", at(stock.Delta, 0), anyParts(100), strings.NewReader("sku,on_hand\nP-1,1\n"))
	wantCode(t, err, "feed_differs")
}

func TestSharedFeedIsAtomicByLocation(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	_, err := d.CreateLocation(t.Context(), d.by, account.Location{ID: "annex", AccountID: d.owner.ID, Name: "Annex"})
	must(t, err)
	other := shop(t, d.DB, "other", caller.Distributor)
	_, err = d.CreateLocation(t.Context(), as(other), account.Location{ID: "foreign", AccountID: other.ID, Name: "Not ours"})
	must(t, err)
	d.mustPush(at(stock.Full, 5), "P-1,1")
	u := at(stock.Full, 0)
	feeds, err := d.TakeSharedFeed(t.Context(), d.by, u, anyParts(10), strings.NewReader("location,sku,on_hand\ndepot,P-1,2\nannex,P-1,3\nforeign,P-1,4\nannex,P-2,5\nnowhere,P-1,1\n"))
	must(t, err)
	got := map[string]string{}
	for _, f := range feeds {
		got[f.Location] = f.State + " " + f.Code
	}
	if diff := cmp.Diff(map[string]string{"depot": "refused feed_older", "annex": "applied ", "foreign": "refused location_not_found", "nowhere": "refused location_not_found"}, got); diff != "" {
		t.Error(diff)
	}
	d.want(map[string]string{"P-1": "1"})
	levels, err := d.StockAt(t.Context(), "annex", "", 10)
	must(t, err)
	if len(levels) != 2 || levels[0].OnHand.String() != "3" {
		t.Errorf("annex has %+v", levels)
	}
}

// endless gives rows until its limit, then an error or the end.
type endless struct {
	left int
	err  error
}

func (e *endless) Read(p []byte) (int, error) {
	if e.left == 0 {
		return 0, e.err
	}
	e.left--
	return copy(p, "P-7,1\n"), nil
}

func TestOneFeedPerLocationAtATimeAndNoneWaits(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	d.mustPush(at(stock.Full, 0), "P-1,1")
	r, w := io.Pipe()
	first := make(chan error, 1)
	d.now = base.Add(time.Minute)
	go func() {
		_, err := d.TakeFeed(t.Context(), d.by, "depot", at(stock.Full, 1), anyParts(10), r)
		first <- err
	}()
	fmt.Fprint(w, "sku,on_hand\nP-1,2\n") // it is running now
	for {
		feeds, err := d.Feeds(t.Context(), "depot", stock.Running, "", 10)
		must(t, err)
		if len(feeds) == 1 {
			break
		}
	}
	_, err := d.push(at(stock.Full, 1), "P-1,9")
	wantCode(t, err, "feed_running")
	d.want(map[string]string{"P-1": "1"}) // readers see the last whole state
	must(t, w.Close())
	must(t, <-first)
	d.want(map[string]string{"P-1": "2"})
}

// ticking is a body whose every read takes the clock a second on.
type ticking struct {
	io.Reader
	tick func()
}

func (r ticking) Read(p []byte) (int, error) {
	r.tick()
	return r.Reader.Read(p)
}

func TestARunningFeedShowsWhatHasComeAlsoOfOthersParts(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	var seconds atomic.Int64
	clocked := d.on.Open(t, db.Options{Now: func() time.Time { return base.Add(time.Duration(seconds.Load()) * time.Second) }})
	r, w := io.Pipe()
	done := make(chan error, 1)
	go func() {
		_, err := clocked.TakeFeed(t.Context(), d.by, "depot", at(stock.Full, 0), anyParts(10), ticking{r, func() { seconds.Add(2) }})
		done <- err
	}()
	fmt.Fprint(w, "sku,on_hand\n"+strings.Repeat("FOREIGN,1\n", 20_000))
	for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		feeds, err := d.Feeds(t.Context(), "depot", stock.Running, "", 1)
		must(t, err)
		if len(feeds) == 1 && feeds[0].Counts.Unknown > 0 && feeds[0].Bytes > 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the running feed shows nothing: %+v", feeds)
		}
	}
	must(t, w.Close())
	must(t, <-done)
}

func gzipped(t *testing.T, text string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, err := io.WriteString(z, text)
	must(t, err)
	must(t, z.Close())
	return b.Bytes()
}

func TestBrokenBodiesChangeNothingAndSaySo(t *testing.T) {
	d := newDepot(t, `{}`, nil)
	d.mustPush(at(stock.Full, 0), "P-1,1")
	many := strings.Repeat("P-7,1\n", 200_000)
	whole := gzipped(t, "sku,on_hand\n"+many)
	broken := errors.New("connection reset")
	for name, c := range map[string]struct {
		body io.Reader
		code string
	}{
		"truncated gzip":   {stock.Gunzip(bytes.NewReader(whole[:len(whole)/2])), "gzip_incomplete"},
		"damaged gzip":     {stock.Gunzip(strings.NewReader("plain text")), "gzip_damaged"},
		"cut half-way":     {io.MultiReader(strings.NewReader("sku,on_hand\n"), &endless{50_000, fault.Wrap(broken, fault.Malformed, "body_incomplete", "cut")}), "body_incomplete"},
		"header order":     {strings.NewReader("on_hand,sku\n1,P-1\n"), "feed_header"},
		"Windows-1252":     {strings.NewReader("sku,on_hand,bin\nP-1,1,A\nP-2,1,T\xfcr\n"), "not_utf8"},
		"10 MB line":       {strings.NewReader("sku,on_hand\nP-1," + strings.Repeat("1", 10<<20)), "line_too_long"},
		"empty":            {strings.NewReader(""), "feed_empty"},
		"quote left open":  {strings.NewReader("sku,on_hand\n\"P-1,1\nP-2,2\n"), "feed_quotes"},
		"header names all": {strings.NewReader("location,sku,on_hand\n"), "feed_header"},
	} {
		t.Run(name, func(t *testing.T) {
			d.now = base.Add(time.Minute)
			f, err := d.TakeFeed(t.Context(), d.by, "depot", at(stock.Full, 1), anyParts(10), c.body)
			wantCode(t, err, c.code)
			d.want(map[string]string{"P-1": "1"})
			kept, err := d.Feed(t.Context(), d.owner.ID, f.ID)
			must(t, err)
			if kept.State != stock.Refused && kept.State != stock.Failed || kept.Code != c.code {
				t.Errorf("kept as %s %s", kept.State, kept.Code)
			}
		})
	}
	d.mustPush(at(stock.Full, 1), "P-1,3") // the next run needs no help
	d.want(map[string]string{"P-1": "3"})
}

//go:build long && unix

package db_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/db/local"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/stock"
)

const (
	feedKills = 100
	killRows  = 4000
)

// numbered is a full feed in which every part has the same count.
func numbered(n int64) io.Reader {
	var b strings.Builder
	b.WriteString("sku,on_hand\n")
	for i := range killRows {
		fmt.Fprintf(&b, "P-%d,%d\n", i+1, n)
	}
	return strings.NewReader(b.String())
}

func numberedUpload(n int64) stock.Upload {
	u := at(stock.Full, 0)
	u.AsOf, u.Seq = time.Now().UTC().Truncate(time.Millisecond), &n
	return u
}

// TestChildThatTakesFeeds is the process that is killed; on its own it has nothing to do.
func TestChildThatTakesFeeds(t *testing.T) {
	url := os.Getenv("FORKWRIGHT_FEED_CHILD_URL")
	if url == "" {
		return
	}
	store, err := db.Open(t.Context(), url, db.Options{MaxConns: 2})
	must(t, err)
	by := caller.Caller{AccountID: os.Getenv("FORKWRIGHT_FEED_CHILD_ACCOUNT"), RequestID: "child", Roles: []caller.Role{caller.Distributor}}
	l, err := store.Location(t.Context(), "depot")
	must(t, err)
	n := int64(0)
	if l.LastSeq != nil {
		n = *l.LastSeq
	}
	for {
		n++
		if _, err := store.TakeFeed(context.Background(), by, "depot", numberedUpload(n), anyParts(killRows), numbered(n)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(3)
		}
	}
}

// startChild starts one that takes feed after feed.
func startChild(t *testing.T, url, account string) (*exec.Cmd, *bytes.Buffer) {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run=^TestChildThatTakesFeeds$", "-test.count=1")
	child.Env = append(os.Environ(), "FORKWRIGHT_FEED_CHILD_URL="+url, "FORKWRIGHT_FEED_CHILD_ACCOUNT="+account)
	said := &bytes.Buffer{}
	child.Stdout, child.Stderr = said, said
	must(t, child.Start())
	return child, said
}

// wholeState holds that a location has one whole feed's counts: those of its mark.
func wholeState(t *testing.T, c *pgx.Conn) (seq int64) {
	t.Helper()
	var mark *int64
	var parts, kinds int64
	var least, most *int64
	must(t, c.QueryRow(t.Context(), `SELECT last_seq FROM location WHERE id = 'depot'`).Scan(&mark))
	must(t, c.QueryRow(t.Context(), `SELECT count(*), count(DISTINCT on_hand), min(on_hand)::bigint, max(on_hand)::bigint FROM stock WHERE location_id = 'depot'`).Scan(&parts, &kinds, &least, &most))
	if mark == nil {
		if parts != 0 {
			t.Fatalf("no feed was applied, and there are %d parts", parts)
		}
		return 0
	}
	if parts != killRows || kinds != 1 || *least != *mark {
		t.Fatalf("after feed %d there are %d parts with counts from %d to %d", *mark, parts, *least, *most)
	}
	return *mark
}

// What a kill waits for.
const (
	anyMoment = iota
	inTransaction
	inMerge
)

// waitForFeed waits until none to two feeds have come through after the last one known, and
// the next has come to where the kill is wanted; it reports whether a transaction was open that
// had written.
func waitForFeed(t *testing.T, admin *pgx.Conn, where int, last int64, said *bytes.Buffer) bool {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	before, slept := last+int64(rand.IntN(3)), false
	for {
		var applied int64
		var there, writing, merging int
		must(t, admin.QueryRow(t.Context(), `
			SELECT (SELECT coalesce(max(last_seq), 0) FROM location WHERE id = 'depot'), count(*), count(*) FILTER (WHERE backend_xid IS NOT NULL),
			       count(*) FILTER (WHERE backend_xid IS NOT NULL AND query NOT LIKE 'COPY%' AND query NOT LIKE '%feed_desk($1)%')
			FROM pg_stat_activity
			WHERE datname = current_database() AND application_name = 'forkwright feed'`).Scan(&applied, &there, &writing, &merging))
		switch {
		case there > 0 && applied >= before && !slept:
			time.Sleep(time.Duration(rand.IntN(100)) * time.Millisecond)
			slept = true
		case slept && (where == anyMoment || where == inTransaction && writing > 0 || merging > 0):
			return writing > 0
		case time.Now().After(deadline):
			t.Fatalf("no feed comes: %s", said)
		}
	}
}

// whereTo spreads the kills: half of them into the merge itself.
func whereTo(i int) int { return []int{anyMoment, inMerge, inTransaction, inMerge}[i%4] }

func TestLongKilledServiceLeavesTheOldOrTheNewState(t *testing.T) {
	base := dbtest.Clone(t)
	a := shop(t, base.DB, "depot", caller.Distributor)
	_, err := base.DB.CreateLocation(t.Context(), as(a), account.Location{ID: "depot", AccountID: a.ID, Name: "Depot"})
	must(t, err)
	admin, owner := connect(t, base.AdminURL), connect(t, base.OwnerURL)
	inside, last := 0, int64(0)
	for i := range feedKills {
		child, said := startChild(t, base.ServiceURL, a.ID)
		if waitForFeed(t, admin, whereTo(i), last, said) {
			inside++
		}
		must(t, child.Process.Kill())
		_ = child.Wait() // it was killed
		for {            // its sessions end when the server notices
			var n int
			must(t, admin.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND application_name = 'forkwright feed'`).Scan(&n))
			if n == 0 {
				break
			}
			time.Sleep(5 * time.Millisecond)
		}
		seq := wholeState(t, owner)
		if seq < last {
			t.Fatalf("the mark went back from %d to %d", last, seq)
		}
		last = seq
		if i%10 == 0 { // the next run needs no help
			last++
			_, err := base.DB.TakeFeed(t.Context(), as(a), "depot", numberedUpload(last), anyParts(killRows), numbered(last))
			must(t, err)
			wholeState(t, owner)
		}
	}
	if inside < feedKills/2 || last < feedKills/2 {
		t.Errorf("only %d of %d kills fell into an open transaction, and %d feeds were applied", inside, feedKills, last)
	}
	feeds, err := base.DB.Feeds(t.Context(), "depot", stock.Running, "", 10)
	must(t, err)
	if len(feeds) > 0 {
		t.Errorf("%d feeds say that they run", len(feeds))
	}
	t.Logf("%d kills, %d inside a transaction, %d feeds applied", feedKills, inside, last)
}

// killable is a durable server with a store, and what starts it again after it was killed.
func killable(t *testing.T) (s *local.Server, store *db.DB, start func() *local.Server) {
	t.Helper()
	dir, err := os.MkdirTemp("", "fw-kill-")
	must(t, err)
	must(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	start = func() *local.Server {
		t.Helper()
		var err error
		for range 50 { // until the killed one's last processes have noticed
			var s *local.Server
			if s, err = local.Start(t.Context(), local.Options{Dir: dir + "/data"}); err == nil {
				return s
			}
			time.Sleep(100 * time.Millisecond)
		}
		t.Fatal(err)
		return nil
	}
	s = start()
	must(t, s.CreateDatabase(t.Context(), "killed"))
	_, err = db.Migrate(t.Context(), s.OwnerURL("killed"))
	must(t, err)
	store, err = db.Open(t.Context(), s.ServiceURL("killed"), db.Options{})
	must(t, err)
	return s, store, start
}

func kill(t *testing.T, s *local.Server) {
	t.Helper()
	must(t, syscall.Kill(s.PID(), syscall.SIGKILL))
	<-s.Exited()
	_ = s.Stop() // says that the server died
}

func TestLongKilledPostgresLeavesTheOldOrTheNewState(t *testing.T) {
	s, store, start := killable(t)
	a := shop(t, store, "depot", caller.Distributor)
	_, err := store.CreateLocation(t.Context(), as(a), account.Location{ID: "depot", AccountID: a.ID, Name: "Depot"})
	must(t, err)
	store.Close()
	inside, last := 0, int64(0)
	for i := range feedKills {
		admin := connect(t, s.SuperuserURL("killed"))
		child, said := startChild(t, s.ServiceURL("killed"), a.ID)
		if waitForFeed(t, admin, whereTo(i), last, said) {
			inside++
		}
		_ = admin.Close(t.Context())
		kill(t, s)
		_ = child.Wait() // it fails: its database is gone
		s = start()
		c := connect(t, s.OwnerURL("killed"))
		seq := wholeState(t, c)
		_ = c.Close(t.Context())
		if seq < last {
			t.Fatalf("the mark went back from %d to %d", last, seq)
		}
		last = seq
	}
	if inside < feedKills/2 || last < feedKills/2 {
		t.Errorf("only %d of %d kills fell into an open transaction, and %d feeds were applied", inside, feedKills, last)
	}
	store, err = db.Open(t.Context(), s.ServiceURL("killed"), db.Options{})
	must(t, err)
	last++
	_, err = store.TakeFeed(t.Context(), as(a), "depot", numberedUpload(last), anyParts(killRows), numbered(last))
	must(t, err)
	store.Close()
	t.Logf("%d kills, %d inside a transaction, %d feeds applied", feedKills, inside, last)
	must(t, s.Stop())
}

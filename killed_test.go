//go:build long

package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

const serviceKills = 100

// TestLongATillRepeatsWhatAKillCutOff kills a process of the service, most of the times while it
// has a transaction open, under tills that quote and accept. A till that gets no answer asks the
// other process again with the same key, and in the end each has its one quote, accepted once.
func TestLongATillRepeatsWhatAKillCutOff(t *testing.T) {
	f := newFleet(t)
	f.shelve("100000")
	var victim atomic.Pointer[process]
	ctx, stop := context.WithCancel(t.Context())
	var tills sync.WaitGroup
	var made, repeated atomic.Int64
	for till := range 6 {
		tills.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				f.oneSale(&victim, fmt.Sprintf("till-%d-%d", till, i), &repeated)
				made.Add(1)
			}
		})
	}
	admin, err := pgx.Connect(t.Context(), f.base.AdminURL)
	f.must(err)
	defer admin.Close(context.Background())
	inside := 0
	for i := range serviceKills {
		next := f.start("victim")
		f.wait(next.address)
		victim.Store(next)
		if f.writes(admin, i%4 != 0) {
			inside++
		}
		f.kill(next)
	}
	stop()
	tills.Wait()
	if inside < serviceKills/2 {
		t.Errorf("only %d of %d kills fell into an open transaction", inside, serviceKills)
	}
	if repeated.Load() < serviceKills/2 {
		t.Errorf("only %d requests had to be repeated: hardly a kill cut one off", repeated.Load())
	}
	for what, query := range map[string]string{
		"quotes":              `SELECT count(*) FROM quote`,
		"accepted quotes":     `SELECT count(*) FROM quote WHERE state = 'accepted'`,
		"numbers":             `SELECT count(DISTINCT number) FROM quote`,
		"the last number":     `SELECT max(last) FROM number_series`,
		"reservations":        `SELECT count(*) FROM reservation WHERE state = 'held' AND qty = 1`,
		"promised":            `SELECT sum(qty)::bigint FROM promised`,
		"events of the two":   `SELECT count(*) / 3 FROM event WHERE action IN ('create', 'issue', 'accept')`,
		"quotes and the keys": `SELECT count(*) / 2 FROM replay`,
	} {
		var n int64
		f.must(admin.QueryRow(t.Context(), query).Scan(&n))
		if n != made.Load() {
			t.Errorf("%s: %d, for %d sales", what, n, made.Load())
		}
	}
	t.Logf("%d kills, %d inside a transaction, %d sales, %d requests repeated", serviceKills, inside, made.Load(), repeated.Load())
}

// writes waits until the victim has worked for a moment and, where open asks for it, has written
// something in a transaction that is open right now.
func (f *fleet) writes(admin *pgx.Conn, open bool) bool {
	f.t.Helper()
	time.Sleep(time.Duration(rand.IntN(120)) * time.Millisecond)
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); {
		var n int
		f.must(admin.QueryRow(f.t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND application_name = 'victim' AND backend_xid IS NOT NULL`).Scan(&n))
		if n > 0 || !open {
			return n > 0
		}
	}
	f.t.Fatal("the service does not write")
	return false
}

// oneSale quotes and accepts, and repeats what is cut off.
func (f *fleet) oneSale(victim *atomic.Pointer[process], key string, repeated *atomic.Int64) {
	q := f.quoted(f.insist(victim, repeated, "/v1/quotes", oneGuard, "Idempotency-Key: "+key))
	a := f.insist(victim, repeated, q.Links.Self+"/accept", "", "Idempotency-Key: "+key, fmt.Sprintf(`If-Match: "%d"`, q.Version))
	if a.status != http.StatusOK || !strings.Contains(string(a.body), `"state":"accepted"`) {
		f.t.Errorf("%d %s", a.status, a.body)
	}
}

func (f *fleet) insist(victim *atomic.Pointer[process], repeated *atomic.Int64, target, body string, headers ...string) fleetAnswer {
	if r := victim.Load(); r != nil {
		a, err := f.ask(r.address, f.keys[0], http.MethodPost, target, body, headers...)
		if err == nil {
			return a
		}
		if !strings.Contains(err.Error(), "connection refused") { // it was there, and went
			repeated.Add(1)
		}
	}
	return f.call(0, f.keys[0], http.MethodPost, target, body, headers...)
}

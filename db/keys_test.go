package db_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

// clock is a time that a test moves.
type clock struct {
	mu    sync.Mutex
	extra time.Duration
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Now().Add(c.extra)
}

func (c *clock) move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.extra += d
}

func TestAKeyIsShownOnceAndKeptAsADigest(t *testing.T) {
	d := dbtest.Tx(t)
	a := shop(t, d, "North", caller.Shop, caller.Distributor)
	k, text, err := d.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID, Label: "till 1", Scopes: []string{"quotes"}, AllowedOrigins: []string{"https://shop.example"}})
	must(t, err)
	if !strings.HasPrefix(text, "fwk_") || len(text) != 44 || !strings.HasPrefix(text, k.Prefix) || len(k.Prefix) != 12 {
		t.Errorf("key %q with prefix %q", text, k.Prefix)
	}
	must(t, d.Plain(t.Context(), func(q db.Querier) error {
		var row string
		var digest []byte
		err := q.QueryRow(t.Context(), `SELECT k::text, digest FROM api_key k WHERE id = $1`, k.ID).Scan(&row, &digest)
		if strings.Contains(row, text[12:]) {
			t.Error("the row holds the key's text")
		}
		if want := sha256.Sum256([]byte(text)); !slices.Equal(digest, want[:]) {
			t.Errorf("digest %x, want %x", digest, want)
		}
		return err
	}))
	got, err := db.NewKeyCache(d, db.KeyCacheOptions{}).Authenticate(t.Context(), text)
	must(t, err)
	want := caller.Caller{AccountID: a.ID, KeyID: k.ID, Roles: []caller.Role{caller.Shop, caller.Distributor}, Scopes: []string{"quotes"}, Origins: []string{"https://shop.example"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("caller (-want +got):\n%s", diff)
	}
	_, other, err := d.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
	must(t, err)
	if other == text {
		t.Error("two keys are the same")
	}
}

func TestKeysThatDoNotOpen(t *testing.T) {
	at := &clock{}
	d := dbtest.Tx(t, db.Options{Now: at.now})
	a := shop(t, d, "North")
	in := func(d time.Duration) *time.Time { x := at.now().Add(d); return &x }
	key := func(n account.NewKey) (account.Key, string) {
		n.AccountID = a.ID
		k, text, err := d.CreateKey(t.Context(), as(a), n)
		must(t, err)
		return k, text
	}
	_, good := key(account.NewKey{})
	_, expiring := key(account.NewKey{ExpiresAt: in(time.Hour)})
	revoked, revokedText := key(account.NewKey{})
	_, err := d.RevokeKey(t.Context(), as(a), a.ID, revoked.ID)
	must(t, err)
	cache := db.NewKeyCache(d, db.KeyCacheOptions{})
	check := func(text, code string) {
		t.Helper()
		_, err := cache.Authenticate(t.Context(), text)
		wantCode(t, err, code)
		if f := fault.As(err); f != nil && f.Kind != fault.Unauthenticated {
			t.Errorf("kind is %v", f.Kind)
		}
	}
	check(good, "")
	check(good[:43], "key_unknown")
	check("", "key_unknown")
	check(revokedText, "key_revoked")
	check(expiring, "")
	at.move(59 * time.Minute)
	check(expiring, "")
	at.move(2 * time.Minute)
	check(expiring, "key_expired")
	a.ClosedAt = in(0)
	must(t, d.UpdateAccount(t.Context(), as(a), a))
	at.move(2 * time.Second)
	check(good, "account_closed")
}

func TestAGivenKeyText(t *testing.T) {
	d := dbtest.Tx(t)
	a, b := shop(t, d, "North"), shop(t, d, "South")
	for text, code := range map[string]string{
		strings.Repeat("k", 19): "key_text_form", strings.Repeat("k", 20): "", strings.Repeat("k", 100): "", strings.Repeat("k", 101): "key_text_form",
		"a key with spaces in it": "key_text_form", "Abc_def-0123456789xyz": "", "umlaut-ä-0123456789-xyz": "key_text_form", "newline-0123456789xyz\n": "key_text_form",
	} {
		k, got, err := d.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID, Text: text})
		wantCode(t, err, code)
		if code == "" && (got != text || k.Prefix != text[:4]) {
			t.Errorf("%q: text %q, prefix %q", text, got, k.Prefix)
		}
	}
	one, _, err := d.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID, Text: "the-same-again-0123456789"})
	must(t, err)
	two, _, err := d.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID, Text: "the-same-again-0123456789"})
	must(t, err)
	if one.ID != two.ID {
		t.Error("the same text gave a second key")
	}
	_, _, err = d.CreateKey(t.Context(), as(b), account.NewKey{AccountID: b.ID, Text: "the-same-again-0123456789"})
	wantCode(t, err, "api_key_digest_key")
}

func TestRotationOverlapsAndIsListed(t *testing.T) {
	at := &clock{}
	d := dbtest.Tx(t, db.Options{Now: at.now})
	a, b := shop(t, d, "North"), shop(t, d, "South")
	old, oldText, err := d.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID, Label: "till", Scopes: []string{"quotes"}})
	must(t, err)
	kept, _, err := d.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID, Label: "other"})
	must(t, err)
	next, nextText, err := d.RotateKey(t.Context(), as(a), a.ID, old.ID, time.Hour)
	must(t, err)
	if next.Replaces != old.ID || next.Label != "till" || !slices.Equal(next.Scopes, []string{"quotes"}) {
		t.Errorf("successor is %+v", next)
	}
	_, _, err = d.RotateKey(t.Context(), as(a), a.ID, old.ID, time.Hour)
	wantCode(t, err, "api_key_replaces_key")
	_, _, err = d.RotateKey(t.Context(), as(b), b.ID, kept.ID, time.Hour)
	wantCode(t, err, "key_not_found")
	_, err = d.RevokeKey(t.Context(), as(b), b.ID, kept.ID)
	wantCode(t, err, "key_not_found")
	_, err = d.RevokeKey(t.Context(), as(b), b.ID, "no-uuid")
	wantCode(t, err, "not_found")
	pending, err := d.KeysNotRotated(t.Context(), a.ID, at.now().Add(time.Minute))
	must(t, err)
	var ids []string
	for _, k := range pending {
		ids = append(ids, k.ID)
	}
	slices.Sort(ids)
	want := []string{kept.ID, next.ID}
	slices.Sort(want)
	if !slices.Equal(ids, want) {
		t.Errorf("not yet rotated: %v, want %v", ids, want)
	}
	cache := db.NewKeyCache(d, db.KeyCacheOptions{})
	for _, c := range []struct {
		after         time.Duration
		oldOK, nextOK string
	}{{0, "", ""}, {59 * time.Minute, "", ""}, {2 * time.Minute, "key_expired", ""}} {
		at.move(c.after)
		_, err := cache.Authenticate(t.Context(), oldText)
		wantCode(t, err, c.oldOK)
		_, err = cache.Authenticate(t.Context(), nextText)
		wantCode(t, err, c.nextOK)
	}
	all, err := d.Keys(t.Context(), a.ID)
	must(t, err)
	for _, k := range all {
		if k.ID == old.ID && k.ReplacedBy != next.ID {
			t.Errorf("old key is replaced by %q", k.ReplacedBy)
		}
	}
}

func TestUsesAreWrittenInBatches(t *testing.T) {
	d := dbtest.Tx(t)
	a := shop(t, d, "North")
	k, text, err := d.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
	must(t, err)
	cache := db.NewKeyCache(d, db.KeyCacheOptions{})
	for range 3 {
		_, err := cache.Authenticate(t.Context(), text)
		must(t, err)
	}
	keys, err := d.Keys(t.Context(), a.ID)
	must(t, err)
	if keys[0].Uses != 0 {
		t.Errorf("%d uses written before their time", keys[0].Uses)
	}
	cache.FlushUses(t.Context())
	cache.FlushUses(t.Context()) // nothing new
	_, err = cache.Authenticate(t.Context(), text)
	must(t, err)
	cache.FlushUses(t.Context())
	keys, err = d.Keys(t.Context(), a.ID)
	must(t, err)
	if keys[0].ID != k.ID || keys[0].Uses != 4 || keys[0].LastUsedAt == nil || time.Since(*keys[0].LastUsedAt) > time.Minute {
		t.Errorf("key is %+v", keys[0])
	}
}

// replica is a store with a running cache, as a process that serves has.
func replica(t *testing.T, base *dbtest.Database, at *clock, o db.KeyCacheOptions) *db.KeyCache {
	t.Helper()
	cache := db.NewKeyCache(base.Open(t, db.Options{Now: at.now}), o)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); cache.Run(ctx) }()
	t.Cleanup(func() { stop(); <-done })
	waitFor(t, cache.InStep) // it listens from before that on
	return cache
}

func TestARevocationReachesEveryReplicaWithinASecond(t *testing.T) {
	for name, poll := range map[string]time.Duration{"notified": time.Hour, "polled": 200 * time.Millisecond} {
		t.Run(name, func(t *testing.T) {
			base := dbtest.Clone(t)
			a := shop(t, base.DB, "North")
			k, text, err := base.DB.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
			must(t, err)
			at := &clock{}
			replicas := []*db.KeyCache{replica(t, base, at, db.KeyCacheOptions{Poll: poll}), replica(t, base, at, db.KeyCacheOptions{Poll: poll})}
			for _, r := range replicas {
				_, err := r.Authenticate(t.Context(), text)
				must(t, err)
			}
			if name == "polled" { // as when the notification is lost
				_, err = connect(t, base.OwnerURL).Exec(t.Context(), `UPDATE api_key SET revoked_at = now() WHERE id = $1`, k.ID)
				must(t, err)
				_, err = connect(t, base.OwnerURL).Exec(t.Context(), `UPDATE key_version SET version = version + 1`)
			} else {
				_, err = base.DB.RevokeKey(t.Context(), as(a), a.ID, k.ID)
			}
			must(t, err)
			revoked := time.Now()
			for i, r := range replicas {
				for {
					_, err := r.Authenticate(t.Context(), text)
					if fault.CodeOf(err) == "key_revoked" {
						break
					}
					if time.Since(revoked) > time.Second {
						t.Fatalf("replica %d still takes the key: %v", i, err)
					}
					time.Sleep(2 * time.Millisecond)
				}
				t.Logf("replica %d: %v", i, time.Since(revoked))
			}
		})
	}
}

func TestACachedKeyCostsNoQueryWhileTheCacheIsInStep(t *testing.T) {
	base := dbtest.Clone(t)
	a := shop(t, base.DB, "North")
	_, text, err := base.DB.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
	must(t, err)
	cache := replica(t, base, &clock{}, db.KeyCacheOptions{Poll: 100 * time.Millisecond})
	_, err = cache.Authenticate(t.Context(), text)
	must(t, err)
	// Whoever asks Postgres now waits for this lock.
	owner := connect(t, base.OwnerURL)
	_, err = owner.Exec(t.Context(), `BEGIN; LOCK TABLE api_key IN ACCESS EXCLUSIVE MODE`)
	must(t, err)
	began := time.Now()
	for time.Since(began) < 2*time.Second {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		_, err := cache.Authenticate(ctx, text)
		cancel()
		if err != nil {
			t.Fatalf("after %v: %v", time.Since(began), err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func TestKeysStayUsableForTenMinutesWithoutPostgres(t *testing.T) {
	base := dbtest.Clone(t)
	a := shop(t, base.DB, "North")
	_, text, err := base.DB.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
	must(t, err)
	_, unseen, err := base.DB.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
	must(t, err)
	at := &clock{}
	cache := replica(t, base, at, db.KeyCacheOptions{Poll: 50 * time.Millisecond})
	_, err = cache.Authenticate(t.Context(), text)
	must(t, err)
	admin := connect(t, strings.Replace(base.AdminURL, dbName(t, base.AdminURL), "postgres", 1))
	name := dbName(t, base.AdminURL)
	_, err = admin.Exec(t.Context(), `ALTER DATABASE `+name+` ALLOW_CONNECTIONS false`)
	must(t, err)
	_, err = admin.Exec(t.Context(), `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1 AND usename = $2`, name, db.ServiceRole)
	must(t, err)
	check := func(text, code string) {
		t.Helper()
		began := time.Now()
		_, err := cache.Authenticate(t.Context(), text)
		wantCode(t, err, code)
		if took := time.Since(began); took > 2*time.Second {
			t.Errorf("answer after %v", took)
		}
	}
	time.Sleep(200 * time.Millisecond)
	check(text, "")
	check(unseen, "keys_unavailable")
	at.move(9*time.Minute + 50*time.Second)
	check(text, "")
	at.move(20 * time.Second)
	check(text, "keys_unavailable")
	_, err = admin.Exec(t.Context(), `ALTER DATABASE `+name+` ALLOW_CONNECTIONS true`)
	must(t, err)
	waitFor(t, func() bool { _, err := cache.Authenticate(t.Context(), text); return err == nil })
}

func dbName(t *testing.T, url string) string {
	t.Helper()
	return connect(t, url).Config().Database
}

func waitFor(t *testing.T, done func() bool) {
	t.Helper()
	for end := time.Now().Add(5 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if done() {
			return
		}
	}
	t.Fatal("still not after 5 s")
}

func TestChangesOfRolesAndNewKeysAreSeenAtOnce(t *testing.T) {
	base := dbtest.Clone(t)
	a := shop(t, base.DB, "North")
	_, text, err := base.DB.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
	must(t, err)
	cache := replica(t, base, &clock{}, db.KeyCacheOptions{})
	_, err = cache.Authenticate(t.Context(), text)
	must(t, err)
	a.Roles = []caller.Role{caller.Storefront}
	must(t, base.DB.UpdateAccount(t.Context(), as(a), a))
	waitFor(t, func() bool {
		c, err := cache.Authenticate(t.Context(), text)
		return err == nil && c.Has(caller.Storefront) && !c.Has(caller.Shop)
	})
	_, fresh, err := base.DB.CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
	must(t, err)
	_, err = cache.Authenticate(t.Context(), fresh)
	must(t, err)
}

func TestABrokenSourceOfRandomnessMakesNoKey(t *testing.T) {
	d := dbtest.Tx(t)
	a := shop(t, d, "North")
	_, text, err := dbtest.Tx(t, db.Options{Rand: failing{}}).CreateKey(t.Context(), as(a), account.NewKey{AccountID: a.ID})
	if err == nil || text != "" {
		t.Errorf("key %q, %v", text, err)
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errors.New("no randomness") }

func BenchmarkAuthenticateFromCache(b *testing.B) {
	base := dbtest.Clone(b)
	a := shop(b, base.DB, "North")
	_, text, err := base.DB.CreateKey(b.Context(), as(a), account.NewKey{AccountID: a.ID})
	must(b, err)
	cache := db.NewKeyCache(base.DB, db.KeyCacheOptions{})
	ctx, stop := context.WithCancel(b.Context())
	done := make(chan struct{})
	go func() { defer close(done); cache.Run(ctx) }()
	defer func() { stop(); <-done }()
	b.ReportAllocs()
	for b.Loop() {
		_, err := cache.Authenticate(b.Context(), text)
		must(b, err)
	}
}

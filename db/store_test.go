package db_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/jackc/pgx/v5"
	"github.com/quagmt/udecimal"

	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
	"forkwright/service/notice"
	"forkwright/service/stock"
)

func TestAccountsAndLocations(t *testing.T) {
	d := dbtest.Tx(t)
	a := shop(t, d, "North", caller.Shop, caller.Administrator)
	got, err := d.Account(t.Context(), a.ID)
	must(t, err)
	if diff := cmp.Diff(a, got); diff != "" {
		t.Errorf("account (-made +read):\n%s", diff)
	}
	_, err = d.CreateAccount(t.Context(), as(a), account.Account{Name: "x", Roles: []caller.Role{"king"}})
	wantCode(t, err, "account_roles_known")
	_, err = d.CreateAccount(t.Context(), as(a), account.Account{Name: "", Roles: []caller.Role{caller.Shop}})
	wantCode(t, err, "account_name_length")
	_, err = d.Account(t.Context(), "00000000-0000-7000-8000-000000000000")
	wantCode(t, err, "not_found")
	l := account.Location{ID: "north-store", AccountID: a.ID, Name: "North store", TimeZone: "Europe/Berlin", Policy: []byte(`{"max_bad_percent": 1}`), DueBy: "02:30"}
	made, err := d.CreateLocation(t.Context(), as(a), l)
	must(t, err)
	if diff := cmp.Diff(l, made); diff != "" {
		t.Errorf("location (-asked +made):\n%s", diff)
	}
	_, err = d.CreateLocation(t.Context(), as(a), l)
	wantCode(t, err, "location_pkey")
	_, err = d.CreateLocation(t.Context(), as(a), account.Location{ID: "No Such Form", AccountID: a.ID, Name: "x"})
	wantCode(t, err, "location_id_form")
	b := shop(t, d, "South")
	theirs := l
	theirs.AccountID = b.ID
	wantCode(t, d.UpdateLocation(t.Context(), as(b), theirs), "location_not_found")
	l.Name = "Northern store"
	must(t, d.UpdateLocation(t.Context(), as(a), l))
	all, err := d.Locations(t.Context(), a.ID)
	must(t, err)
	if diff := cmp.Diff([]account.Location{l}, all); diff != "" {
		t.Errorf("locations (-want +got):\n%s", diff)
	}
	events, err := d.EventsOf(t.Context(), a.ID, "location", "north-store", 0, 10)
	must(t, err)
	var actions []string
	for _, e := range events {
		actions = append(actions, e.Action)
		if e.ByAccount != a.ID || e.RequestID != "req-North" {
			t.Errorf("event is %+v", e)
		}
	}
	if !slices.Equal(actions, []string{"created", "changed"}) {
		t.Errorf("actions are %v", actions)
	}
}

func TestASellerProfileIsWrittenOnlyOverTheVersionThatWasRead(t *testing.T) {
	d := dbtest.Tx(t)
	a := shop(t, d, "North")
	_, err := d.Seller(t.Context(), a.ID)
	wantCode(t, err, "seller_profile_missing")
	s := account.Seller{
		AccountID: a.ID, LegalName: "North Fork Works", Street: "1 Mill Lane", City: "Elmby", Country: "DE", TaxCountry: "DE", DefaultCurrency: "EUR", PriceBasis: "gross",
		Contact: account.Contact{Phone: "+49 30 0000"}, TaxIDs: []account.TaxID{{Scheme: "VA", Value: "DE000000000"}}, Languages: []string{"de", "en"}, Units: "imperial", Paper: "Letter",
		Terms: map[string]string{"en": "Net 14 days."}, Texts: map[string]map[string]string{"greeting": {"en": "Thank you"}}, Logo: []byte{1, 2, 3}, LogoType: "image/png",
		Series: "N", NumberForm: "{series}{number:4}", TimeZone: "Europe/Berlin", ValidityDays: 21, HoldDays: 10,
		Labor: account.Labor{PerMinute: map[string]string{"EUR": "1.15"}, Menu: map[string]map[string]string{"spring_swap": {"EUR": "39"}}}, SagTargets: map[string]float64{"trail": 22},
	}
	stored, err := d.PutSeller(t.Context(), as(a), s)
	must(t, err)
	want := s
	want.Version = 1
	if diff := cmp.Diff(want, stored, cmpopts.IgnoreFields(account.Seller{}, "UpdatedAt")); diff != "" {
		t.Errorf("stored (-want +got):\n%s", diff)
	}
	read, err := d.Seller(t.Context(), a.ID)
	must(t, err)
	if diff := cmp.Diff(stored, read); diff != "" {
		t.Errorf("read (-stored +read):\n%s", diff)
	}
	for _, version := range []int64{0, 2, 7} {
		s.Version = version
		_, err = d.PutSeller(t.Context(), as(a), s)
		wantCode(t, err, "stale_version")
	}
	s.Version, s.City = 1, "Oakby"
	stored, err = d.PutSeller(t.Context(), as(a), s)
	must(t, err)
	if stored.Version != 2 || stored.City != "Oakby" {
		t.Errorf("version %d, city %s", stored.Version, stored.City)
	}
	b := shop(t, d, "South")
	s.AccountID, s.Version = b.ID, 1
	_, err = d.PutSeller(t.Context(), as(b), s)
	wantCode(t, err, "stale_version")
}

const private = "Quentin Xylander"

func TestAnErasedPersonIsNowhereInTheDatabase(t *testing.T) {
	base := dbtest.Clone(t)
	d := base.DB
	a, b := shop(t, d, "North"), shop(t, d, "South")
	mass := udecimal.MustParse("81.5")
	p, err := d.PutPerson(t.Context(), as(a), account.Person{AccountID: a.ID, Name: private, Email: "qx@rider.example", Phone: "+1 555 0100", Address: private + "'s home", Note: "ask for " + private, RiderMassKg: &mass})
	must(t, err)
	if p.Name != private || p.RiderMassKg.String() != "81.5" {
		t.Errorf("person is %+v", p)
	}
	_, err = d.Person(t.Context(), b.ID, p.ID)
	wantCode(t, err, "not_found")
	wantCode(t, d.ErasePerson(t.Context(), as(b), b.ID, p.ID), "not_found")
	if where := tablesWith(t, base, private); !slices.Equal(where, []string{"person"}) {
		t.Errorf("before erasing, the name is in %v", where)
	}
	for range 2 {
		must(t, d.ErasePerson(t.Context(), as(a), a.ID, p.ID))
	}
	got, err := d.Person(t.Context(), a.ID, p.ID)
	must(t, err)
	if got.ErasedAt == nil {
		t.Error("it does not say that it is erased")
	}
	want := account.Person{ID: p.ID, AccountID: a.ID}
	if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(account.Person{}, "CreatedAt", "UsedAt", "ErasedAt")); diff != "" {
		t.Errorf("erased (-want +got):\n%s", diff)
	}
	for _, text := range []string{private, "qx@rider", "555 0100", "81.5"} {
		if where := tablesWith(t, base, text); len(where) > 0 {
			t.Errorf("%q is still in %v", text, where)
		}
	}
	p.Name = private
	_, err = d.PutPerson(t.Context(), as(a), p)
	wantCode(t, err, "person_erased")
	events, err := d.EventsOf(t.Context(), a.ID, "person", p.ID, 0, 10)
	must(t, err)
	if len(events) != 2 || events[1].Action != "erased" || !slices.Contains(events[1].Columns, "rider_mass_kg") {
		t.Errorf("events are %+v", events)
	}
}

// tablesWith looks for a text in every column of every table.
func tablesWith(t *testing.T, base *dbtest.Database, text string) []string {
	t.Helper()
	c := connect(t, base.AdminURL)
	rows, err := c.Query(t.Context(), `SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace ORDER BY relname`)
	must(t, err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	must(t, err)
	var found []string
	for _, table := range tables {
		var n int
		must(t, c.QueryRow(t.Context(), `SELECT count(*) FROM `+table+` AS r WHERE position($1 in r::text) > 0`, text).Scan(&n))
		if n > 0 {
			found = append(found, table)
		}
	}
	return found
}

func TestAnEventNamesOnlyColumnsOfTheList(t *testing.T) {
	d := dbtest.Tx(t)
	a := shop(t, d, "North")
	for columns, ok := range map[string]bool{"name": true, "Quentin": false, "": false} {
		err := d.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
			return db.InsertEvent(t.Context(), q, account.Event{AccountID: a.ID, Action: "stored", SubjectKind: "person", SubjectID: "1", Columns: []string{columns}})
		})
		if (err == nil) != ok {
			t.Errorf("column %q: %v", columns, err)
		}
	}
	must(t, d.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
		return db.InsertEvent(t.Context(), q, account.Event{AccountID: a.ID, Action: "issued", SubjectKind: "quote", SubjectID: "q1", Columns: []string{"state"}, Codes: map[string]string{"to": "issued"}, RequestID: "r"})
	}))
	events, err := d.EventsSince(t.Context(), a.ID, 0, 10)
	must(t, err)
	last := events[len(events)-1]
	want := account.Event{AccountID: a.ID, Action: "issued", SubjectKind: "quote", SubjectID: "q1", Columns: []string{"state"}, Codes: map[string]string{"to": "issued"}, RequestID: "r"}
	if diff := cmp.Diff(want, last, cmpopts.IgnoreFields(account.Event{}, "No", "At")); diff != "" {
		t.Errorf("event (-want +got):\n%s", diff)
	}
	rest, err := d.EventsSince(t.Context(), a.ID, last.No, 10)
	if err != nil || len(rest) != 0 {
		t.Errorf("after the last: %v, %v", rest, err)
	}
}

func TestRetentionRemovesWhatIsOldAndNothingElse(t *testing.T) {
	at := &clock{}
	d := dbtest.Clone(t, db.Options{Now: at.now}).DB
	a, b := shop(t, d, "North"), shop(t, d, "South")
	person := func(a account.Account) account.Person {
		p, err := d.PutPerson(t.Context(), as(a), account.Person{AccountID: a.ID, Name: private})
		must(t, err)
		return p
	}
	replay := func(key string) {
		by := as(a)
		by.Once = caller.Once{Operation: "quotes", Key: key, Status: 201}
		_, err := db.AtMostOnce(t.Context(), d, by, func(db.Querier) (string, error) { return "made", nil })
		must(t, err)
	}
	load := func(n byte) {
		_, err := d.SaveRevision(t.Context(), as(a), db.Parts{Fitment: []byte{n}, Prices: []byte("same")}, db.RevisionInfo{})
		must(t, err)
	}
	old, other := person(a), person(b)
	replay("old")
	for n := range byte(4) {
		load(n) // 1 and 2 will go; 3 is the previous one, 4 answers
	}
	keep := db.DefaultRetention()
	removed, err := d.Retain(t.Context(), caller.Caller{}, keep)
	must(t, err)
	if removed != (db.Removed{}) {
		t.Errorf("removed at once: %+v", removed)
	}
	at.move(keep.Persons + time.Hour)
	young := person(a)
	replay("young")
	removed, err = d.Retain(t.Context(), caller.Caller{}, keep)
	must(t, err)
	if want := (db.Removed{Persons: 2, Replays: 1, Revisions: 2, CatalogParts: 2}); removed != want {
		t.Errorf("removed %+v, want %+v", removed, want)
	}
	for _, c := range []struct {
		p      account.Person
		erased bool
	}{{old, true}, {other, true}, {young, false}} {
		p, err := d.Person(t.Context(), c.p.AccountID, c.p.ID)
		must(t, err)
		if (p.ErasedAt != nil) != c.erased || (p.Name == "") != c.erased {
			t.Errorf("person %+v, want erased %v", p, c.erased)
		}
	}
	for revision, code := range map[int64]string{1: "revision_gone", 2: "revision_gone", 3: "", 4: "", 5: "revision_not_found"} {
		parts, err := d.LoadRevision(t.Context(), revision)
		wantCode(t, err, code)
		if code == "" && string(parts.Prices) != "same" {
			t.Errorf("revision %d: %v", revision, parts)
		}
	}
	wantCode(t, d.ActivateRevision(t.Context(), as(a), 1), "revision_gone")
}

func TestRevisionsShareTheirPartsAndNumbersAreNeverReused(t *testing.T) {
	d := dbtest.Tx(t)
	a := shop(t, d, "Keeper", caller.Administrator)
	save := func(fitment, prices string, info db.RevisionInfo) int64 {
		n, err := d.SaveRevision(t.Context(), as(a), db.Parts{Fitment: []byte(fitment), Prices: []byte(prices)}, info)
		must(t, err)
		return n
	}
	active := func(revision, previous int64) {
		t.Helper()
		got, err := d.ActiveRevision(t.Context())
		must(t, err)
		if got.Revision != revision || got.Previous != previous {
			t.Errorf("active %d, previous %d; want %d and %d", got.Revision, got.Previous, revision, previous)
		}
	}
	active(0, 0)
	if n := save("f1", "p1", db.RevisionInfo{LoadedBy: "demo", Note: "first", Meta: []byte(`{"rows": 3}`)}); n != 1 {
		t.Errorf("first revision is %d", n)
	}
	save("f1", "p2", db.RevisionInfo{})
	save("f2", "p2", db.RevisionInfo{Stored: true})
	active(2, 1)
	must(t, d.Plain(t.Context(), func(q db.Querier) error {
		var n int
		err := q.QueryRow(t.Context(), `SELECT count(*) FROM catalog_blob`).Scan(&n)
		if n != 4 {
			t.Errorf("%d parts stored, want f1, f2, p1, p2", n)
		}
		return err
	}))
	must(t, d.ActivateRevision(t.Context(), as(a), 1))
	active(1, 2)
	must(t, d.ActivateRevision(t.Context(), as(a), 1)) // again: nothing changes
	active(1, 2)
	wantCode(t, d.ActivateRevision(t.Context(), as(a), 9), "revision_not_found")
	if n := save("f1", "p1", db.RevisionInfo{}); n != 4 {
		t.Errorf("after going back the next number is %d", n)
	}
	for revision, want := range map[int64]db.Parts{1: {Fitment: []byte("f1"), Prices: []byte("p1")}, 3: {Fitment: []byte("f2"), Prices: []byte("p2")}} {
		got, err := d.LoadRevision(t.Context(), revision)
		must(t, err)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("revision %d (-want +got):\n%s", revision, diff)
		}
	}
	page, err := d.Revisions(t.Context(), 0, 3)
	must(t, err)
	rest, err := d.Revisions(t.Context(), page[2].Revision, 3)
	must(t, err)
	if len(rest) != 1 || rest[0].LoadedBy != "demo" || rest[0].Note != "first" {
		t.Errorf("last page is %+v", rest)
	}
}

func TestConcurrentLoadsGetDifferentNumbers(t *testing.T) {
	base := dbtest.Clone(t)
	second := base.Open(t)
	numbers := make(chan int64, 16)
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			d := base.DB
			if i%2 == 1 {
				d = second
			}
			n, err := d.SaveRevision(context.Background(), caller.Caller{}, db.Parts{Fitment: []byte("same"), Prices: []byte{byte(i / 2)}}, db.RevisionInfo{})
			if err != nil {
				t.Error(err)
			}
			numbers <- n
		})
	}
	all.Wait()
	close(numbers)
	wantOneTo(t, numbers, 16)
}

func wantOneTo(t *testing.T, numbers <-chan int64, n int64) {
	t.Helper()
	var got, want []int64
	for x := range numbers {
		got = append(got, x)
	}
	slices.Sort(got)
	for i := range n {
		want = append(want, i+1)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("numbers (-want +got):\n%s", diff)
	}
}

func TestEveryReplicaHearsOfTheCatalog(t *testing.T) {
	for name, poll := range map[string]time.Duration{"notified": time.Hour, "polled": 100 * time.Millisecond} {
		t.Run(name, func(t *testing.T) {
			base := dbtest.Clone(t)
			heard := []chan int64{make(chan int64, 9), make(chan int64, 9)}
			ctx, stop := context.WithCancel(t.Context())
			var watchers sync.WaitGroup
			t.Cleanup(func() { stop(); watchers.Wait() })
			for i, d := range []*db.DB{base.DB, base.Open(t)} {
				refused := i == 1 && name == "polled" // a replica that fails once is told again
				watchers.Go(func() {
					d.WatchCatalog(ctx, poll, func(_ context.Context, a db.Active) error {
						if refused {
							refused = false
							return errors.New("out of memory")
						}
						heard[i] <- a.Revision
						return nil
					})
				})
			}
			time.Sleep(200 * time.Millisecond) // they listen; there is nothing to tell yet
			for want := int64(1); want <= 2; want++ {
				_, err := base.DB.SaveRevision(t.Context(), caller.Caller{}, db.Parts{Fitment: []byte(fmt.Sprint(want)), Prices: []byte("p")}, db.RevisionInfo{})
				must(t, err)
				for i := range heard {
					select {
					case got := <-heard[i]:
						if got != want {
							t.Errorf("replica %d heard of %d, want %d", i, got, want)
						}
					case <-time.After(3 * time.Second):
						t.Fatalf("replica %d heard nothing of %d", i, want)
					}
				}
			}
		})
	}
}

func TestAWatchSurvivesALostConnection(t *testing.T) {
	base := dbtest.Clone(t)
	heard := make(chan int64, 9)
	ctx, stop := context.WithCancel(t.Context())
	var watcher sync.WaitGroup
	t.Cleanup(func() { stop(); watcher.Wait() })
	watcher.Go(func() {
		base.DB.WatchCatalog(ctx, 50*time.Millisecond, func(_ context.Context, a db.Active) error { heard <- a.Revision; return nil })
	})
	for want := int64(1); want <= 3; want++ {
		_, err := base.Open(t).SaveRevision(t.Context(), caller.Caller{}, db.Parts{Fitment: []byte(fmt.Sprint(want)), Prices: []byte("p")}, db.RevisionInfo{})
		must(t, err)
		select {
		case got := <-heard:
			if got != want {
				t.Errorf("heard of %d, want %d", got, want)
			}
		case <-time.After(5 * time.Second):
			t.Fatalf("heard nothing of %d", want)
		}
		_, err = connect(t, base.AdminURL).Exec(t.Context(), `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND query LIKE '%catalog_active%' AND pid <> pg_backend_pid()`)
		must(t, err)
	}
}

func TestNoticesReachEveryReplicaAndEnd(t *testing.T) {
	base := dbtest.Clone(t)
	d := base.DB
	a := shop(t, d, "Keeper", caller.Administrator)
	sets := make(chan *notice.Set, 99)
	ctx, stop := context.WithCancel(t.Context())
	var watcher sync.WaitGroup
	t.Cleanup(func() { stop(); watcher.Wait() })
	second := base.Open(t)
	watcher.Go(func() { second.WatchNotices(ctx, time.Hour, func(s *notice.Set) { sets <- s }) })
	next := func() *notice.Set {
		t.Helper()
		select {
		case s := <-sets:
			return s
		case <-time.After(5 * time.Second):
			t.Fatal("no notices within 5 s")
			return nil
		}
	}
	before := next()
	from := time.Now().UTC().Add(-time.Hour).Truncate(time.Millisecond)
	n, err := d.AddNotice(t.Context(), as(a), notice.Notice{Kind: notice.StopSale, Effect: notice.Block, SKU: "CC-1", Text: "The rod may crack.", From: from})
	must(t, err)
	want := notice.Notice{ID: n.ID, Kind: notice.StopSale, Effect: notice.Block, SKU: "CC-1", Text: "The rod may crack.", By: a.ID, From: from}
	if diff := cmp.Diff(want, n); diff != "" {
		t.Errorf("stored (-want +got):\n%s", diff)
	}
	after := next()
	if after.Version <= before.Version || len(before.All()) != 0 {
		t.Errorf("versions %d, %d; before: %v", before.Version, after.Version, before.All())
	}
	if diff := cmp.Diff([]notice.Notice{want}, after.On(notice.Subject{SKU: "CC-1"}, time.Now())); diff != "" {
		t.Errorf("on the part (-want +got):\n%s", diff)
	}
	_, err = d.EndNotice(t.Context(), as(a), n.ID, time.Now())
	must(t, err)
	if ended := next(); len(ended.On(notice.Subject{SKU: "CC-1"}, time.Now().Add(time.Second))) != 0 {
		t.Error("an ended notice still counts")
	}
	_, err = d.EndNotice(t.Context(), as(a), "00000000-0000-7000-8000-000000000000", time.Now())
	wantCode(t, err, "notice_not_found")
	_, err = d.AddNotice(t.Context(), as(a), notice.Notice{Kind: notice.Recall, Effect: notice.Warn, Fork: "F", Text: "x", From: from, Until: from.Add(-time.Second)})
	wantCode(t, err, "notice_ends_after_start")
	all, err := d.AllNotices(t.Context(), "", 10)
	must(t, err)
	if len(all) != 1 || all[0].Until.IsZero() {
		t.Errorf("all notices: %+v", all)
	}
}

func TestStockIsReadBesideWhatIsPromised(t *testing.T) {
	d := dbtest.Tx(t)
	a := shop(t, d, "North")
	for _, id := range []string{"front", "back"} {
		_, err := d.CreateLocation(t.Context(), as(a), account.Location{ID: id, AccountID: a.ID, Name: id})
		must(t, err)
	}
	date := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	n := udecimal.MustParse
	must(t, d.PutStock(t.Context(), "front", []stock.Level{{SKU: "S-2", OnHand: n("0.5"), AtLeast: true}, {SKU: "S-1", OnHand: n("10"), Incoming: n("4"), IncomingOn: &date}}))
	must(t, d.PutStock(t.Context(), "back", []stock.Level{{SKU: "S-1", OnHand: n("-1")}}))
	must(t, d.PutStock(t.Context(), "front", []stock.Level{{SKU: "S-1", OnHand: n("7"), Incoming: n("4"), IncomingOn: &date}}))
	must(t, d.Plain(t.Context(), func(q db.Querier) error {
		_, err := q.Exec(t.Context(), `INSERT INTO promised (location_id, sku, qty) VALUES ('front', 'S-1', 3)`)
		return err
	}))
	got, err := d.StockOf(t.Context(), []string{"S-1", "S-2", "S-3"}, nil)
	must(t, err)
	want := []stock.Level{
		{Location: "back", SKU: "S-1", OnHand: n("-1")},
		{Location: "front", SKU: "S-1", OnHand: n("7"), Incoming: n("4"), IncomingOn: &date, Promised: n("3")},
		{Location: "front", SKU: "S-2", OnHand: n("0.5"), AtLeast: true},
	}
	same := cmp.Comparer(func(a, b udecimal.Decimal) bool { return a.Equal(b) })
	if diff := cmp.Diff(want, got, same); diff != "" {
		t.Errorf("stock (-want +got):\n%s", diff)
	}
	for i, want := range []string{"0", "4", "0.5"} {
		if available := got[i].Available().String(); available != want {
			t.Errorf("%s at %s: %s available, want %s", got[i].SKU, got[i].Location, available, want)
		}
	}
	front, err := d.StockOf(t.Context(), []string{"S-1"}, []string{"front"})
	if err != nil || len(front) != 1 || front[0].Location != "front" {
		t.Errorf("front alone: %v, %v", front, err)
	}
	err = d.PutStock(t.Context(), "nowhere", []stock.Level{{SKU: "S-1", OnHand: n("1")}})
	wantCode(t, err, "stock_location_fkey")
}

func TestNumbersHaveNoGapsAndEachSellerItsOwn(t *testing.T) {
	base := dbtest.Clone(t, db.Options{MaxConns: 32})
	second := base.Open(t, db.Options{MaxConns: 32})
	sellers := []account.Account{shop(t, base.DB, "North"), shop(t, base.DB, "South")}
	const each = 100
	given := []chan int64{make(chan int64, each), make(chan int64, each)}
	giveUp := errors.New("changed my mind")
	var all sync.WaitGroup
	for i := range 2 * each * 5 / 4 {
		d, seller := base.DB, i%2
		if i%4 > 1 {
			d = second
		}
		all.Go(func() {
			var n int64
			err := d.AsAccount(context.Background(), sellers[seller].ID, func(q db.Querier) (err error) {
				n, err = db.NextNumber(context.Background(), q, &pgx.Batch{}, sellers[seller].ID, "Q")
				if err == nil && i/2%5 == 4 { // every fifth fails after it took a number
					return giveUp
				}
				return err
			})
			switch {
			case err == nil:
				given[seller] <- n
			case !errors.Is(err, giveUp):
				t.Error(err)
			}
		})
	}
	all.Wait()
	for _, c := range given {
		close(c)
		wantOneTo(t, c, each)
	}
}

func TestTwinsWithOneKeyWriteOnce(t *testing.T) {
	base := dbtest.Clone(t, db.Options{MaxConns: 16})
	second := base.Open(t, db.Options{MaxConns: 16})
	a := shop(t, base.DB, "North")
	keyed := func(a account.Account, body string) caller.Caller {
		by := as(a)
		by.Once = caller.Once{Operation: "quotes", Key: "till-7", Body: sha256.Sum256([]byte(body)), Status: 201}
		return by
	}
	var wrote atomic.Int32
	var all sync.WaitGroup
	for i := range 64 {
		d := base.DB
		if i%2 == 1 {
			d = second
		}
		all.Go(func() {
			got, err := db.AtMostOnce(context.Background(), d, keyed(a, "body"), func(db.Querier) (string, error) {
				return fmt.Sprint("made ", wrote.Add(1)), nil
			})
			if err != nil || got != "made 1" {
				t.Errorf("%q, %v", got, err)
			}
		})
	}
	all.Wait()
	if n := wrote.Load(); n != 1 {
		t.Errorf("%d wrote", n)
	}
	never := func(db.Querier) (string, error) { return "made again", nil }
	_, err := db.AtMostOnce(t.Context(), second, keyed(a, "another body"), never)
	wantCode(t, err, "idempotency_key_reused")
	got, err := db.AtMostOnce(t.Context(), second, keyed(shop(t, base.DB, "South"), "another body"), never)
	must(t, err)
	if got != "made again" {
		t.Errorf("another account's answer was given: %q", got)
	}
}

func TestNoTextOfTheDriverIsForTheClient(t *testing.T) {
	base := dbtest.Clone(t)
	gone, err := db.Open(t.Context(), base.ServiceURL, db.Options{AcquireTimeout: 200 * time.Millisecond})
	must(t, err)
	gone.Close()
	for name, err := range map[string]error{
		"closed pool": gone.Ping(t.Context()),
		"syntax":      base.DB.Plain(t.Context(), func(q db.Querier) error { _, err := q.Exec(t.Context(), `SELEC`); return err }),
		"not null": base.DB.Plain(t.Context(), func(q db.Querier) error {
			_, err := q.Exec(t.Context(), `INSERT INTO promised (location_id) VALUES ('x')`)
			return err
		}),
	} {
		f := fault.As(err)
		if f == nil {
			t.Errorf("%s: %v is no fault", name, err)
			continue
		}
		for _, word := range []string{"SQL", "pool", "syntax", "column", "promised", "pgx"} {
			if strings.Contains(f.Text, word) {
				t.Errorf("%s: the client is told %q", name, f.Text)
			}
		}
	}
}

//go:build long

package db_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/quagmt/udecimal"

	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/money"
	"forkwright/service/quote"
	"forkwright/service/stock"
)

const kills = 200

// TestLongNothingIsLeftHalfDoneByAKill kills a process that creates, accepts and fulfils quotes as
// fast as it can, most of the times while one of its transactions is open, and then looks
// whether what is stored agrees with itself.
func TestLongNothingIsLeftHalfDoneByAKill(t *testing.T) {
	base := dbtest.Clone(t)
	a := shop(t, base.DB, "North")
	by := as(a)
	_, err := base.DB.CreateLocation(t.Context(), by, account.Location{ID: "shelf", AccountID: a.ID, Name: "shelf"})
	must(t, err)
	must(t, base.DB.PutStock(t.Context(), "shelf", []stock.Level{{SKU: "P-1", OnHand: udecimal.MustParse("100000")}}))
	base.DB.Close() // from here on whoever is connected as the service role is the child
	admin := connect(t, base.AdminURL)
	inside := 0
	for i := range kills {
		child := exec.Command(os.Args[0], "-test.run=^TestChildThatIsKilled$", "-test.count=1")
		child.Env = append(os.Environ(), "FORKWRIGHT_CHILD_URL="+base.ServiceURL, "FORKWRIGHT_CHILD_ACCOUNT="+a.ID, "FORKWRIGHT_CHILD_RUN="+strconv.Itoa(i))
		var said bytes.Buffer
		child.Stdout, child.Stderr = &said, &said
		must(t, child.Start())
		if waitForTransaction(t, admin, i%4 != 0, &said) {
			inside++
		}
		must(t, child.Process.Kill())
		_ = child.Wait() // it was killed
	}
	if inside < kills/2 {
		t.Errorf("only %d of %d kills fell into an open transaction", inside, kills)
	}
	waitForSilence(t, admin)
	quotes := agrees(t, connect(t, base.OwnerURL))
	if quotes < kills {
		t.Errorf("only %d quotes were made: the child was killed before it did anything", quotes)
	}
	t.Logf("%d kills, %d inside a transaction, %d quotes", kills, inside, quotes)
}

// TestLongWhatWasAnsweredOutlivesAKilledPostgres kills the server while quotes are issued and
// accepted. What was answered before must be there, numbers without gaps, although locks are let
// go before a commit is on disk.
func TestLongWhatWasAnsweredOutlivesAKilledPostgres(t *testing.T) {
	s, store, start := killable(t)
	by := as(shop(t, store, "North"))
	_, err := store.CreateLocation(t.Context(), by, account.Location{ID: "shelf", AccountID: by.AccountID, Name: "shelf"})
	must(t, err)
	must(t, store.PutStock(t.Context(), "shelf", []stock.Level{{SKU: "P-1", OnHand: udecimal.MustParse("100000")}}))
	answered := 0
	for i := range 30 {
		said := make(chan quote.Quote, 100_000)
		var all sync.WaitGroup
		for worker := range 8 {
			all.Go(func() { issueUntilItFails(t.Context(), store, by, fmt.Sprint(i, "-", worker), said) })
		}
		time.Sleep(time.Duration(50+rand.IntN(250)) * time.Millisecond)
		kill(t, s)
		all.Wait()
		close(said)
		store.Close()
		s = start()
		store, err = db.Open(t.Context(), s.ServiceURL("killed"), db.Options{})
		must(t, err)
		for q := range said {
			answered++
			switch kept, err := store.Quote(t.Context(), by.AccountID, q.ID); {
			case err != nil:
				t.Errorf("kill %d: %s was answered and is gone: %v", i, q.Number, err)
			case kept.Version < q.Version || kept.Number != q.Number:
				t.Errorf("kill %d: %s was answered in version %d, and %s is kept in version %d", i, q.Number, q.Version, kept.Number, kept.Version)
			}
		}
	}
	c := connect(t, s.OwnerURL("killed"))
	quotes := agrees(t, c)
	_ = c.Close(t.Context())
	if answered < 300 {
		t.Errorf("only %d answers before the kills", answered)
	}
	t.Logf("%d answers, %d quotes", answered, quotes)
	store.Close()
	must(t, s.Stop())
}

func issueUntilItFails(ctx context.Context, store *db.DB, by caller.Caller, name string, said chan<- quote.Quote) {
	for n := 0; ; n++ {
		once := by
		once.Once = caller.Once{Operation: "createQuote", Key: fmt.Sprint(name, "-", n), Body: sha256.Sum256(nil), Status: 201}
		made, err := issueOne(ctx, store, by, once)
		if err != nil {
			return
		}
		said <- made
		if made, err = acceptOne(ctx, store, by, made); err != nil {
			return
		}
		said <- made
	}
}

// waitForTransaction waits until the child has worked for a moment and, where open asks for
// it, has a transaction open right now that has written something.
func waitForTransaction(t *testing.T, admin *pgx.Conn, open bool, said fmt.Stringer) bool {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	var there int
	for there == 0 {
		must(t, admin.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND usename = 'forkwright_service'`).Scan(&there))
		if time.Now().After(deadline) {
			t.Fatalf("the child does not connect: %s", said)
		}
	}
	time.Sleep(time.Duration(rand.IntN(250)) * time.Millisecond)
	for {
		var writing int
		must(t, admin.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND usename = 'forkwright_service' AND backend_xid IS NOT NULL`).Scan(&writing))
		if writing > 0 || !open {
			return writing > 0
		}
		if time.Now().After(deadline) {
			t.Fatalf("the child does not write: %s", said)
		}
	}
}

func waitForSilence(t *testing.T, admin *pgx.Conn) {
	t.Helper()
	for range 200 {
		var n int
		must(t, admin.QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND usename = 'forkwright_service'`).Scan(&n))
		if n == 0 {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatal("connections of killed children stay open")
}

// agrees holds what is stored against itself and counts the quotes.
func agrees(t *testing.T, c *pgx.Conn) (quotes int) {
	t.Helper()
	must(t, c.QueryRow(t.Context(), `SELECT count(*) FROM quote`).Scan(&quotes))
	for name, sql := range map[string]string{
		"numbers from 1 on, each once":             `SELECT abs((SELECT count(DISTINCT number) FROM quote) - (SELECT last FROM number_series)) + abs((SELECT count(*) FROM quote) - (SELECT last FROM number_series))`,
		"a quote without its lines":                `SELECT count(*) FROM quote q WHERE NOT EXISTS (SELECT FROM quote_line l WHERE l.quote_id = q.id)`,
		"a bill without its quote":                 `SELECT count(*) FROM quote_bill b WHERE NOT EXISTS (SELECT FROM quote q WHERE q.id = b.quote_id)`,
		"a quote without its creation":             `SELECT count(*) FROM quote q WHERE NOT EXISTS (SELECT FROM event e WHERE e.subject_id = q.id::text AND e.action = 'create')`,
		"a quote without the answer to its key":    `SELECT count(*) FROM quote q WHERE NOT EXISTS (SELECT FROM replay r WHERE position(convert_to(q.id::text, 'UTF8') IN r.answer) > 0)`,
		"an answer without its quote":              `SELECT (SELECT count(*) FROM replay) - (SELECT count(*) FROM quote)`,
		"a page's address without end":             `SELECT count(*) FROM quote q WHERE (SELECT count(*) FROM page_link p WHERE p.quote_id = q.id) <> 1`,
		"accepted without a reservation":           `SELECT count(*) FROM quote q WHERE state = 'accepted' AND NOT EXISTS (SELECT FROM reservation r WHERE r.quote_id = q.id AND r.state = 'held')`,
		"a reservation of what is not accepted":    `SELECT count(*) FROM reservation r JOIN quote q ON q.id = r.quote_id WHERE r.state = 'held' AND q.state NOT IN ('accepted', 'partly_fulfilled')`,
		"fulfilled, and still held":                `SELECT count(*) FROM reservation r JOIN quote q ON q.id = r.quote_id WHERE q.state = 'fulfilled' AND r.state <> 'fulfilled'`,
		"promised is what is held":                 `SELECT abs(coalesce((SELECT sum(qty) FROM promised), 0) - coalesce((SELECT sum(qty - fulfilled_qty) FROM reservation WHERE state = 'held'), 0))`,
		"the record's last word is the state":      `SELECT count(*) FROM quote q WHERE q.state <> (SELECT e.codes ->> 'to' FROM event e WHERE e.subject_id = q.id::text ORDER BY e.no DESC LIMIT 1)`,
		"the body says another state than the row": `SELECT count(*) FROM quote q WHERE q.state <> (convert_from(q.body, 'UTF8')::jsonb ->> 'state') OR q.version <> (convert_from(q.body, 'UTF8')::jsonb ->> 'version')::bigint`,
		"another body than its digest":             `SELECT count(*) FROM quote q WHERE sha256(q.body) <> q.body_sha256`,
	} {
		var wrong udecimal.Decimal
		var text string
		must(t, c.QueryRow(t.Context(), `SELECT (`+sql+`)::text`).Scan(&text))
		wrong = udecimal.MustParse(text)
		if !wrong.IsZero() {
			t.Errorf("%s: off by %s", name, wrong)
		}
	}
	return quotes
}

// TestChildThatIsKilled is the process that is killed; on its own it has nothing to do.
func TestChildThatIsKilled(t *testing.T) {
	url := os.Getenv("FORKWRIGHT_CHILD_URL")
	if url == "" {
		return
	}
	store, err := db.Open(t.Context(), url, db.Options{MaxConns: 4})
	must(t, err)
	by := caller.Caller{AccountID: os.Getenv("FORKWRIGHT_CHILD_ACCOUNT"), RequestID: "child"}
	for worker := range 4 {
		go func() {
			for i := 0; ; i++ {
				b := by
				b.Once = caller.Once{Operation: "createQuote", Key: fmt.Sprint(os.Getenv("FORKWRIGHT_CHILD_RUN"), "-", worker, "-", i), Body: sha256.Sum256(nil), Status: 201}
				if err := oneLife(context.Background(), store, by, b, i); err != nil {
					fmt.Fprintln(os.Stderr, err) // a test's own log comes only at its end
					return
				}
			}
		}()
	}
	time.Sleep(time.Minute) // the parent kills long before
}

func oneLife(ctx context.Context, store *db.DB, by, once caller.Caller, i int) error {
	made, err := issueOne(ctx, store, by, once)
	if err != nil {
		return err
	}
	made, err = acceptOne(ctx, store, by, made)
	if err != nil || i%2 == 0 {
		return err
	}
	_, err = store.UpdateQuote(ctx, by, made.ID, made.Version, func(q quote.Quote, _ service.TakeNumber) (quote.Quote, quote.Event, error) {
		return q.Fulfil(quote.Clock{Now: time.Now()}, by, nil)
	})
	return err
}

func acceptOne(ctx context.Context, store *db.DB, by caller.Caller, made quote.Quote) (quote.Quote, error) {
	return store.UpdateQuote(ctx, by, made.ID, made.Version, func(q quote.Quote, _ service.TakeNumber) (quote.Quote, quote.Event, error) {
		return q.Accept(quote.Clock{Now: time.Now()}, by, quote.AcceptTerms{})
	})
}

func issueOne(ctx context.Context, store *db.DB, by, once caller.Caller) (quote.Quote, error) {
	clock := quote.Clock{Now: time.Now()}
	q, err := shelfQuote(clock)
	if err != nil {
		return q, err
	}
	n := service.NewQuote{Draft: q, Created: q.Created(clock, by), Digest: func(id string) [32]byte { return sha256.Sum256([]byte(id)) },
		Person: &account.Person{Name: "Somebody"},
		Issue: func(q quote.Quote, take service.TakeNumber) (quote.Quote, quote.Event, error) {
			n, err := take("Q")
			if err != nil {
				return q, quote.Event{}, err
			}
			return q.Issue(clock, by, quote.IssueTerms{Number: fmt.Sprintf("Q-%d", n), ValidDays: 5})
		}}
	return store.CreateQuote(ctx, once, n)
}

func shelfQuote(c quote.Clock) (quote.Quote, error) {
	price := money.MustParse("10.00")
	l := quote.Line{ID: "L1", SKU: "P-1", Text: quote.Texts{"en": "part"}, Unit: "each", Stocked: true, Reasons: json.RawMessage(`[]`),
		Sourcing:     []quote.Source{{Location: "shelf", Kind: quote.OnHand, Quantity: money.FromInt(1)}},
		DocumentLine: quote.DocumentLine{Role: quote.RoleNew, Quantity: money.FromInt(1), NetPrice: &price, Tax: quote.Tax{Category: quote.Standard, Rate: money.FromInt(20)}}}
	q := quote.Quote{State: quote.Draft, Version: 1, RevisionNo: 1, Series: "Q", Currency: "EUR", Basis: quote.Net, Language: "en", PriceDate: c.Today(),
		CreatedAt: c.Now, CatalogRevision: 1, RulesVersion: 1, Lines: []quote.Line{l}}
	return q.Calculate()
}

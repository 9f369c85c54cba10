package db_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/service/account"
	"forkwright/service/fault"
)

// tenantTables are those behind the wall, each with a statement that gives the
// account $1 a row (n makes it its own).
var tenantTables = []struct{ name, insert string }{
	{"seller_profile", `INSERT INTO seller_profile (account_id, legal_name, country, tax_country, default_currency, time_zone) VALUES ($1, 'Shop ' || $2::text, 'DE', 'DE', 'EUR', 'Europe/Berlin')`},
	{"person", `INSERT INTO person (id, account_id, name) VALUES (('00000000-0000-7000-8000-00000000000' || $2::text)::uuid, $1, 'Somebody')`},
	{"event", `INSERT INTO event (account_id, action, subject_kind, subject_id) VALUES ($1, 'created', 'quote', $2::text)`},
	{"replay", `INSERT INTO replay (account_id, operation, key, body_digest, status, answer) VALUES ($1, 'quotes', $2::text, sha256('x'), 201, 'x')`},
	{"own_price", `INSERT INTO own_price (account_id, sku, use, currency, basis, amount, valid_from) VALUES ($1, 'SKU-' || $2::text, 'buying', 'EUR', 'net', 10, '2026-01-01')`},
	{"quote", `INSERT INTO quote (id, account_id, state, currency, basis, catalog_revision, rules_version, body, body_sha256) VALUES (('00000000-0000-7000-8000-00000000000' || $2::text)::uuid, $1, 'draft', 'EUR', 'net', 1, '1', 'x', sha256('x'))`},
	{"quote_line", `INSERT INTO quote_line (account_id, quote_id, line_no, role, qty, unit) VALUES ($1, ('00000000-0000-7000-8000-00000000000' || $2::text)::uuid, 1, 'new', 1, 'each')`},
	{"quote_bill", `INSERT INTO quote_bill (account_id, quote_id, bill) VALUES ($1, ('00000000-0000-7000-8000-00000000000' || $2::text)::uuid, '{}')`},
	{"number_series", `INSERT INTO number_series (account_id, series, last) VALUES ($1, 'Q' || $2::text, 1)`},
	{"reservation", `INSERT INTO reservation (id, account_id, quote_id, line_no, location_id, sku, qty, state, held_until, change_no) VALUES (('00000000-0000-7000-8000-00000000000' || $2::text)::uuid, $1, ('00000000-0000-7000-8000-00000000000' || $2::text)::uuid, 1, 'loc-' || $2::text, 'SKU', 1, 'held', now(), 1)`},
	{"code_map", `INSERT INTO code_map (account_id, location_id, code, sku) VALUES ($1, 'loc-' || $2::text, '007', 'SKU')`},
}

// furnish gives each account a row in every tenant table, through the service's
// own role, and its own location.
func furnish(t *testing.T, d *db.DB, accounts ...account.Account) {
	t.Helper()
	for i, a := range accounts {
		_, err := d.CreateLocation(t.Context(), as(a), account.Location{ID: fmt.Sprintf("loc-%d", i+1), AccountID: a.ID, Name: "Back room"})
		must(t, err)
		must(t, d.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
			_, err := q.Exec(t.Context(), `INSERT INTO promised (location_id, sku, qty) VALUES ('loc-' || $1::text, 'SKU', 1)`, fmt.Sprint(i+1))
			return err
		}))
		for _, table := range tenantTables {
			must(t, d.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
				_, err := q.Exec(t.Context(), table.insert, a.ID, fmt.Sprint(i+1))
				return err
			}))
		}
	}
}

func owners(ctx context.Context, q db.Querier, table string) ([]string, error) {
	rows, err := q.Query(ctx, `SELECT DISTINCT account_id::text FROM `+table)
	if err != nil {
		return nil, err
	}
	got, err := pgx.CollectRows(rows, pgx.RowTo[string])
	slices.Sort(got)
	return got, err
}

func TestASelectWithoutWhereSeesOnlyOwnRows(t *testing.T) {
	base := dbtest.Clone(t)
	a, b := shop(t, base.DB, "North"), shop(t, base.DB, "South")
	furnish(t, base.DB, a, b)
	both := []string{a.ID, b.ID}
	slices.Sort(both)
	owner := connect(t, base.OwnerURL)
	for _, table := range tenantTables {
		t.Run(table.name, func(t *testing.T) {
			for _, who := range []account.Account{a, b} {
				for way, read := range map[string]func(func(db.Querier) error) error{
					"asAccount":     func(f func(db.Querier) error) error { return base.DB.AsAccount(t.Context(), who.ID, f) },
					"readAsAccount": func(f func(db.Querier) error) error { return base.DB.ReadAsAccount(t.Context(), who.ID, f) },
				} {
					must(t, read(func(q db.Querier) error {
						got, err := owners(t.Context(), q, table.name)
						if !slices.Equal(got, []string{who.ID}) {
							t.Errorf("%s of %s sees the rows of %v", way, who.Name, got)
						}
						return err
					}))
				}
				var got []string
				must(t, base.DB.ReadOnce(t.Context(), who.ID, func(batch *pgx.Batch) {
					batch.Queue(`SELECT DISTINCT account_id::text FROM ` + table.name).Query(func(rows pgx.Rows) (err error) {
						got, err = pgx.CollectRows(rows, pgx.RowTo[string])
						return err
					})
				}))
				if !slices.Equal(got, []string{who.ID}) {
					t.Errorf("readOnce of %s sees the rows of %v", who.Name, got)
				}
			}
			must(t, base.DB.Plain(t.Context(), func(q db.Querier) error {
				got, err := owners(t.Context(), q, table.name)
				if len(got) > 0 {
					t.Errorf("with no account named: rows of %v", got)
				}
				return err
			}))
			got, err := owners(t.Context(), owner, table.name)
			if err != nil || !slices.Equal(got, both) {
				t.Errorf("the owner sees the rows of %v, %v; they were to be there", got, err)
			}
		})
	}
}

func TestEveryTableWithAnAccountIsBehindTheWallOrSaysWhyNot(t *testing.T) {
	// These are read before an account is known, or are for others to read.
	outside := []string{"api_key", "feed", "location", "page_link"}
	rows, err := connect(t, dbtest.Clone(t).OwnerURL).Query(t.Context(), `
		SELECT c.relname, c.relrowsecurity AND c.relforcerowsecurity
		FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'account_id'
		WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace ORDER BY c.relname`)
	must(t, err)
	var walled, open []string
	var name string
	var forced bool
	_, err = pgx.ForEachRow(rows, []any{&name, &forced}, func() error {
		if forced {
			walled = append(walled, name)
		} else {
			open = append(open, name)
		}
		return nil
	})
	must(t, err)
	if !slices.Equal(open, outside) {
		t.Errorf("outside the wall: %v, want %v", open, outside)
	}
	var tested []string
	for _, table := range tenantTables {
		tested = append(tested, table.name)
	}
	slices.Sort(tested)
	if !slices.Equal(walled, tested) {
		t.Errorf("behind the wall: %v, tested: %v", walled, tested)
	}
}

func TestNoWriteCrossesTheWall(t *testing.T) {
	base := dbtest.Clone(t)
	a, b := shop(t, base.DB, "North"), shop(t, base.DB, "South")
	furnish(t, base.DB, a, b)
	for _, sql := range []string{
		`UPDATE person SET name = 'Mine now'`, `UPDATE quote SET state = 'withdrawn'`, `UPDATE reservation SET state = 'released'`,
		`UPDATE number_series SET last = 99`, `DELETE FROM replay`, `DELETE FROM own_price`, `DELETE FROM code_map`, `UPDATE seller_profile SET legal_name = 'x'`,
	} {
		must(t, base.DB.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
			tag, err := q.Exec(t.Context(), sql)
			if tag.RowsAffected() != 1 {
				t.Errorf("%s: %d rows, want the one of its own", sql, tag.RowsAffected())
			}
			return err
		}))
	}
	for _, table := range tenantTables {
		err := base.DB.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
			_, err := q.Exec(t.Context(), table.insert, b.ID, "3")
			return err
		})
		if err == nil || !strings.Contains(err.Error(), "row-level security") {
			t.Errorf("inserting another's row into %s: %v", table.name, err)
		}
	}
}

func TestTheOwnerOfALocationReadsWhatIsPromisedThere(t *testing.T) {
	d := dbtest.Clone(t).DB
	a, b := shop(t, d, "North"), shop(t, d, "South")
	furnish(t, d, a, b)
	must(t, d.AsAccount(t.Context(), b.ID, func(q db.Querier) error {
		_, err := q.Exec(t.Context(), `UPDATE reservation SET location_id = 'loc-1'`) // now at the place of a
		return err
	}))
	for who, want := range map[string]int64{a.ID: 2, b.ID: 1} {
		must(t, d.ReadAsAccount(t.Context(), who, func(q db.Querier) error {
			var n int64
			err := q.QueryRow(t.Context(), `SELECT count(*) FROM reservation`).Scan(&n)
			if n != want {
				t.Errorf("sees %d reservations, want %d", n, want)
			}
			return err
		}))
	}
	must(t, d.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
		tag, err := q.Exec(t.Context(), `UPDATE reservation SET state = 'released'`)
		if tag.RowsAffected() != 1 {
			t.Errorf("released %d, want only its own", tag.RowsAffected())
		}
		return err
	}))
}

func TestTheServiceRoleHasNoMoreThanItNeeds(t *testing.T) {
	base := dbtest.Clone(t)
	a := shop(t, base.DB, "North")
	for _, sql := range []string{
		`CREATE TABLE mine (n integer)`, `DROP TABLE event`, `ALTER TABLE quote DISABLE ROW LEVEL SECURITY`, `TRUNCATE quote`, `TRUNCATE event`,
		`UPDATE event SET action = 'other'`, `DELETE FROM event`, `DELETE FROM quote`, `DELETE FROM person`, `DELETE FROM account`, `DELETE FROM api_key`,
		`UPDATE api_key SET digest = sha256('x')`, `UPDATE api_key SET account_id = account_id`, `UPDATE catalog_blob SET content = 'x'`,
		`UPDATE catalog_revision SET fitment_digest = sha256('x')`, `DELETE FROM catalog_revision`, `UPDATE notice SET text = 'x'`, `SET ROLE ` + db.OwnerRole,
		`CALL wall('account')`, `SELECT * FROM goose_db_version`,
	} {
		err := base.DB.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
			_, err := q.Exec(t.Context(), sql)
			return err
		})
		if err == nil || !(strings.Contains(err.Error(), "42501")) {
			t.Errorf("%s: %v, want it not permitted", sql, err)
		}
		if f := fault.As(err); f == nil || f.Kind != fault.Internal || strings.Contains(f.Text, "permission") {
			t.Errorf("%s: the client would be told %+v", sql, f)
		}
	}
}

func TestARoleThatTheWallsDoNotHoldIsRefused(t *testing.T) {
	base := dbtest.Clone(t)
	admin := connect(t, base.AdminURL)
	const bypass, member = "forkwright_test_bypass", "forkwright_test_member"
	for _, role := range []string{bypass + ` BYPASSRLS`, member} {
		_, err := admin.Exec(t.Context(), `CREATE ROLE `+role+` LOGIN PASSWORD 'forkwright-test'`)
		must(t, err)
		name := strings.Fields(role)[0]
		t.Cleanup(func() {
			c, err := pgx.Connect(context.Background(), base.AdminURL)
			if err != nil {
				t.Error(err)
				return
			}
			defer c.Close(context.Background())
			_, err = c.Exec(context.Background(), `DROP OWNED BY `+name+`; DROP ROLE `+name)
			if err != nil {
				t.Error(err)
			}
		})
		_, err = admin.Exec(t.Context(), `GRANT CONNECT ON DATABASE `+pgx.Identifier{admin.Config().Database}.Sanitize()+` TO `+name)
		must(t, err)
	}
	_, err := admin.Exec(t.Context(), `GRANT `+db.OwnerRole+` TO `+member)
	must(t, err)
	for _, c := range []struct{ name, url, want string }{
		{"superuser", base.AdminURL, "is a superuser"},
		{"owner", base.OwnerURL, "owns the tables"},
		{"bypass", strings.ReplaceAll(base.ServiceURL, db.ServiceRole, bypass), "may bypass row-level security"},
		{"member of the owner", strings.ReplaceAll(base.ServiceURL, db.ServiceRole, member), "owns the tables"},
	} {
		d, err := db.Open(t.Context(), c.url, db.Options{})
		if err == nil {
			d.Close()
		}
		if !errors.Is(err, db.ErrTooPowerful) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestARoleThatCannotWaitForTheDiskIsRefused(t *testing.T) {
	base := dbtest.Clone(t)
	admin := connect(t, base.AdminURL)
	_, err := admin.Exec(t.Context(), `
		DO $$ DECLARE f regprocedure; BEGIN
		  FOR f IN SELECT oid::regprocedure FROM pg_proc WHERE proname = 'pg_logical_emit_message' LOOP
		    EXECUTE format('REVOKE EXECUTE ON FUNCTION %s FROM PUBLIC', f);
		  END LOOP;
		END $$`)
	must(t, err)
	d, err := db.Open(t.Context(), base.ServiceURL, db.Options{})
	if err == nil {
		d.Close()
	}
	if !errors.Is(err, db.ErrForgetful) {
		t.Errorf("%v", err)
	}
}

func TestATransactionThatFailsLeavesTheConnectionClean(t *testing.T) {
	base := dbtest.Clone(t, db.Options{MaxConns: 1})
	d := base.DB
	a := shop(t, d, "North")
	broken := errors.New("broken")
	err := d.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
		_, err := q.Exec(t.Context(), `INSERT INTO number_series (account_id, series, last) VALUES ($1, 'Q', 1)`, a.ID)
		return errors.Join(err, broken)
	})
	if !errors.Is(err, broken) {
		t.Errorf("error is %v", err)
	}
	err = d.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
		_, _ = q.Exec(t.Context(), `SELECT 1/0`) // swallowed
		return nil
	})
	wantCode(t, err, "internal")
	func() {
		defer func() { _ = recover() }()
		_ = d.AsAccount(t.Context(), a.ID, func(q db.Querier) error { panic("oops") })
	}()
	ended, cancel := context.WithCancel(t.Context())
	err = d.AsAccount(ended, a.ID, func(q db.Querier) error {
		cancel()
		_, err := q.Exec(ended, `SELECT pg_sleep(5)`)
		return err
	})
	wantCode(t, err, "timeout")
	must(t, d.AsAccount(t.Context(), a.ID, func(q db.Querier) error {
		var n int
		err := q.QueryRow(t.Context(), `SELECT count(*) FROM number_series`).Scan(&n)
		if n != 0 {
			t.Errorf("%d rows of a transaction that failed", n)
		}
		return err
	}))
	// The one connection of the pool carries no account over.
	must(t, d.Plain(t.Context(), func(q db.Querier) error {
		var set string
		err := q.QueryRow(t.Context(), `SELECT coalesce(current_setting('app.account', true), '')`).Scan(&set)
		if set != "" {
			t.Errorf("account %q is left over", set)
		}
		return err
	}))
}

func TestASlowStatementIsGivenUp(t *testing.T) {
	d := dbtest.Clone(t, db.Options{StatementTimeout: 50e6}).DB
	err := d.Plain(t.Context(), func(q db.Querier) error {
		_, err := q.Exec(t.Context(), `SELECT pg_sleep(5)`)
		return err
	})
	wantCode(t, err, "busy")
	if f := fault.As(err); f == nil || f.Kind != fault.Unavailable || f.RetryAfter == 0 {
		t.Errorf("fault is %+v", f)
	}
}

func TestMigrationsMayRunAtOnceAndAgain(t *testing.T) {
	base := dbtest.Clone(t)
	versions := make(chan int64, 2)
	for range 2 {
		go func() {
			v, err := db.Migrate(context.Background(), base.OwnerURL)
			if err != nil {
				t.Error(err)
			}
			versions <- v
		}()
	}
	if a, b := <-versions, <-versions; a != b || a < 3 {
		t.Errorf("versions %d and %d", a, b)
	}
}

// BenchmarkWall compares a page read with and without the wall: fifty quotes of one
// account among the quotes of twenty.
func BenchmarkWall(b *testing.B) {
	base := dbtest.Clone(b)
	var first account.Account
	for i := range 20 {
		a := shop(b, base.DB, fmt.Sprintf("Shop %d", i))
		if i == 0 {
			first = a
		}
		must(b, base.DB.AsAccount(b.Context(), a.ID, func(q db.Querier) error {
			_, err := q.Exec(b.Context(), `
				INSERT INTO quote (id, account_id, state, currency, basis, catalog_revision, rules_version, body, body_sha256)
				SELECT gen_random_uuid(), $1, 'draft', 'EUR', 'net', 1, '1', convert_to(repeat('x', 200), 'UTF8'), sha256('x') FROM generate_series(1, 500)`, a.ID)
			return err
		}))
	}
	_, err := connect(b, base.OwnerURL).Exec(b.Context(), `ANALYZE quote`)
	must(b, err)
	const page = `SELECT id::text, state, currency, created_at FROM quote WHERE account_id = $1 ORDER BY created_at DESC, id DESC LIMIT 50`
	read := func(rows pgx.Rows) error {
		all, err := pgx.CollectRows(rows, pgx.RowToMap)
		if len(all) != 50 {
			return fmt.Errorf("%d rows: %w", len(all), err)
		}
		return err
	}
	query := func(q db.Querier) error {
		rows, err := q.Query(b.Context(), page, first.ID)
		if err != nil {
			return err
		}
		return read(rows)
	}
	unwalled := connect(b, base.AdminURL) // a superuser: the policies are not even planned
	ways := []struct {
		name string
		run  func() error
	}{
		{"plain", func() error { return query(unwalled) }},
		{"one batch", func() error {
			return base.DB.ReadOnce(b.Context(), first.ID, func(batch *pgx.Batch) { batch.Queue(page, first.ID).Query(read) })
		}},
		{"transaction", func() error { return base.DB.ReadAsAccount(b.Context(), first.ID, query) }},
		{"statement by statement", func() error {
			return base.DB.Plain(b.Context(), func(q db.Querier) error {
				if _, err := q.Exec(b.Context(), `BEGIN READ ONLY`); err != nil {
					return err
				}
				if _, err := q.Exec(b.Context(), `SELECT set_config('app.account', $1, true)`, first.ID); err != nil {
					return err
				}
				if err := query(q); err != nil {
					return err
				}
				_, err := q.Exec(b.Context(), `COMMIT`)
				return err
			})
		}},
	}
	var plain float64
	for i, way := range ways {
		b.Run(way.name, func(b *testing.B) {
			for b.Loop() {
				must(b, way.run())
			}
			each := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
			if i == 0 {
				plain = each
			}
			b.ReportMetric(each/plain, "x-plain")
		})
	}
}

package db_test

import (
	"context"
	"os"
	"testing"

	"github.com/jackc/pgx/v5"

	"forkwright/db"
	"forkwright/db/dbtest"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/fault"
)

func TestMain(m *testing.M) { os.Exit(dbtest.Main(m)) }

// shop makes an account to test with.
func shop(t testing.TB, d *db.DB, name string, roles ...caller.Role) account.Account {
	t.Helper()
	if len(roles) == 0 {
		roles = []caller.Role{caller.Shop}
	}
	a, err := d.CreateAccount(t.Context(), caller.Caller{RequestID: "test"}, account.Account{Name: name, Roles: roles})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func as(a account.Account) caller.Caller {
	return caller.Caller{AccountID: a.ID, Roles: a.Roles, RequestID: "req-" + a.Name}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func wantCode(t testing.TB, err error, code string) {
	t.Helper()
	if fault.CodeOf(err) != code {
		t.Errorf("error is %v, want the code %s", err, code)
	}
}

// connect is a plain connection, closed with the test.
func connect(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	c, err := pgx.Connect(t.Context(), url)
	must(t, err)
	t.Cleanup(func() { _ = c.Close(context.Background()) })
	return c
}

// Package dbtest gives tests a real database: Tx one whose changes are rolled
// back, Clone one of its own.
//
// The server is what TEST_DATABASE_URL names (as a superuser); else, with
// FORKWRIGHT_TEST_PG=containers, a container; else one started with this
// machine's own programs, once per test process. There is no fourth way and no
// skip: without a database these tests fail.
package dbtest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/db"
	"forkwright/db/local"
	"forkwright/db/migrations"
)

// password is of the two roles where the server wants one. A server for tests
// holds nothing worth a better one.
const password = "forkwright-test"

// Database is one test's own.
type Database struct {
	DB         *db.DB // as the service role
	OwnerURL   string
	ServiceURL string
	AdminURL   string // superuser
}

// cluster is the server of this test process.
type cluster struct {
	admin    *url.URL
	template string
	clones   atomic.Int64
	remove   func() error
}

// started says that a test asked for the server.
var started atomic.Bool

func (c *cluster) adminURL(database string) string {
	u := *c.admin
	u.Path = "/" + database
	return u.String()
}

func (c *cluster) roleURL(role, database string) string {
	u := *c.admin
	u.Path = "/" + database
	if q := u.Query(); q.Has("user") { // a socket without passwords
		q.Set("user", role)
		u.RawQuery = q.Encode()
		return u.String()
	}
	u.User = url.UserPassword(role, password)
	return u.String()
}

// shared starts the server at first use. It ends with the process: nothing has to
// be called at the end, and a killed test leaves nothing running.
var shared = sync.OnceValues(func() (*cluster, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	started.Store(true)
	admin, remove, err := adminURL(ctx)
	if err != nil {
		return nil, err
	}
	u, err := url.Parse(admin)
	if err != nil {
		return nil, fmt.Errorf("TEST_DATABASE_URL: %w", err)
	}
	c := &cluster{admin: u, remove: remove}
	return c, c.prepare(ctx)
})

func adminURL(ctx context.Context) (u string, remove func() error, err error) {
	if u := os.Getenv("TEST_DATABASE_URL"); u != "" {
		return u, func() error { return nil }, nil
	}
	switch how := os.Getenv("FORKWRIGHT_TEST_PG"); how {
	case "containers":
		return container(ctx)
	case "", "local":
	default:
		return "", nil, fmt.Errorf("FORKWRIGHT_TEST_PG is %q; allowed are containers and local", how)
	}
	s, err := local.Start(ctx, local.Options{MaxConnections: 200})
	if errors.Is(err, local.ErrNoPostgres) {
		return "", nil, fmt.Errorf("%w; for tests: TEST_DATABASE_URL (as a superuser), or FORKWRIGHT_TEST_PG=containers with Docker", err)
	}
	if err != nil {
		return "", nil, err
	}
	return s.SuperuserURL("postgres"), s.Stop, nil
}

// prepare makes the roles and, under a lock that other test processes on the same
// server respect, the migrated template. Its name is of the migrations' content,
// so a server that stays keeps one for each state of them.
func (c *cluster) prepare(ctx context.Context) error {
	secret := password
	if c.admin.Query().Has("user") {
		secret = ""
	}
	if err := db.CreateRoles(ctx, c.adminURL("postgres"), secret, secret); err != nil {
		return fmt.Errorf("preparing the test server: %w", err)
	}
	var err error
	if c.template, err = templateName(); err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, c.adminURL("postgres"))
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock(hashtext($1))`, c.template); err != nil {
		return err
	}
	var ready bool
	if err := conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1 AND datistemplate)`, c.template).Scan(&ready); err != nil || ready {
		return err
	}
	return c.makeTemplate(ctx, conn)
}

func (c *cluster) makeTemplate(ctx context.Context, conn *pgx.Conn) error {
	if _, err := conn.Exec(ctx, `DROP DATABASE IF EXISTS `+c.template+` WITH (FORCE)`); err != nil { // half-made
		return err
	}
	if err := db.CreateDatabase(ctx, c.adminURL("postgres"), c.template); err != nil {
		return err
	}
	if _, err := db.Migrate(ctx, c.roleURL(db.OwnerRole, c.template)); err != nil {
		return err
	}
	_, err := conn.Exec(ctx, `ALTER DATABASE `+c.template+` IS_TEMPLATE true ALLOW_CONNECTIONS false`)
	return err
}

func templateName() (string, error) {
	h := sha256.New()
	err := fs.WalkDir(migrations.Files, ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		content, err := fs.ReadFile(migrations.Files, path)
		fmt.Fprintf(h, "%s %d\n%s", path, len(content), content)
		return err
	})
	return "forkwright_template_" + hex.EncodeToString(h.Sum(nil))[:12], err
}

// Clone gives the test a migrated database of its own, dropped when it ends; o are
// the options of its store.
func Clone(t testing.TB, o ...db.Options) *Database {
	t.Helper()
	c, err := shared()
	if err != nil {
		t.Fatalf("dbtest: %v", err)
	}
	name, err := c.clone(t.Context())
	if err != nil {
		t.Fatalf("dbtest: cloning the template: %v", err)
	}
	t.Cleanup(func() {
		if err := c.drop(name); err != nil {
			t.Errorf("dbtest: dropping the clone: %v", err)
		}
	})
	d := &Database{OwnerURL: c.roleURL(db.OwnerRole, name), ServiceURL: c.roleURL(db.ServiceRole, name), AdminURL: c.adminURL(name)}
	d.DB = d.Open(t, o...)
	return d
}

// OfItsOwn gives the test a database on a server of its own, which it may stop and start again.
// Commits wait for the disk there. It takes the programs of this machine.
func OfItsOwn(t testing.TB, o ...db.Options) (*Database, *local.Server) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("dbtest: %v", err)
		}
	}
	s, err := local.Start(t.Context(), local.Options{Durable: true})
	must(err)
	t.Cleanup(func() { _ = s.Stop() })
	const name = "own"
	must(s.CreateDatabase(t.Context(), name))
	d := &Database{OwnerURL: s.OwnerURL(name), ServiceURL: s.ServiceURL(name), AdminURL: s.SuperuserURL(name)}
	_, err = db.Migrate(t.Context(), d.OwnerURL)
	must(err)
	d.DB = d.Open(t, o...)
	return d, s
}

// Open opens another store on the database, as a second replica would.
func (d *Database) Open(t testing.TB, o ...db.Options) *db.DB {
	t.Helper()
	options := first(o)
	if options.AcquireTimeout == 0 {
		options.AcquireTimeout = time.Minute // a busy machine is no failure of what is tested
	}
	store, err := db.Open(t.Context(), d.ServiceURL, options)
	if err != nil {
		t.Fatalf("dbtest: %v", err)
	}
	t.Cleanup(store.Close)
	return store
}

func first(o []db.Options) db.Options {
	if len(o) > 0 {
		return o[0]
	}
	return db.Options{}
}

func (c *cluster) clone(ctx context.Context) (string, error) {
	name := fmt.Sprintf("t_%d_%d_%d", os.Getpid(), time.Now().UnixMicro()%1_000_000_000, c.clones.Add(1))
	return name, c.exec(ctx,
		`CREATE DATABASE `+name+` TEMPLATE `+c.template+` STRATEGY FILE_COPY OWNER `+db.OwnerRole, // 20 ms; WAL_LOG takes 40
		`REVOKE ALL ON DATABASE `+name+` FROM PUBLIC`,
		`GRANT CONNECT ON DATABASE `+name+` TO `+db.ServiceRole)
}

func (c *cluster) drop(name string) error {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	return c.exec(ctx, `DROP DATABASE IF EXISTS `+name+` WITH (FORCE)`)
}

func (c *cluster) exec(ctx context.Context, statements ...string) error {
	conn, err := pgx.Connect(ctx, c.adminURL("postgres"))
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	for _, sql := range statements {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	return nil
}

// forTx is the one database in which all Tx tests of the process begin.
var forTx = sync.OnceValues(func() (string, error) {
	txStarted.Store(true)
	c, err := shared()
	if err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	name := fmt.Sprintf("tx_%d_%d", os.Getpid(), time.Now().UnixMicro()%1_000_000_000)
	err = c.exec(ctx, `CREATE DATABASE `+name+` TEMPLATE `+c.template+` STRATEGY FILE_COPY OWNER `+db.OwnerRole,
		`GRANT CONNECT ON DATABASE `+name+` TO `+db.ServiceRole)
	return name, err
})

// dropTx removes the database of Tx tests, for a server that stays.
func dropTx() error {
	if !txStarted.Load() {
		return nil
	}
	name, err := forTx()
	if err != nil {
		return nil // there is none
	}
	c, err := shared()
	if err != nil {
		return err
	}
	return c.drop(name)
}

var txStarted atomic.Bool

// Tx gives the test a store, as the service role, whose every change is rolled back
// when it ends. Its transactions are savepoints of one: it costs no database, but
// it cannot show races or notifications.
func Tx(t testing.TB, o ...db.Options) *db.DB {
	t.Helper()
	name, err := forTx()
	if err != nil {
		t.Fatalf("dbtest: %v", err)
	}
	c, err := shared()
	if err != nil {
		t.Fatalf("dbtest: %v", err)
	}
	conn, err := pgx.Connect(t.Context(), c.roleURL(db.ServiceRole, name))
	if err != nil {
		t.Fatalf("dbtest: %v", err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		_ = conn.Close(ctx) // which rolls back
	})
	if _, err := conn.Exec(t.Context(), "BEGIN"); err != nil {
		t.Fatalf("dbtest: %v", err)
	}
	return db.Within(conn, first(o))
}

// Main runs a package's tests and then removes what a server that outlives them
// would keep: its container, its database. A server of our own needs none of it.
//
//	func TestMain(m *testing.M) { os.Exit(dbtest.Main(m)) }
func Main(m *testing.M) int {
	code := m.Run()
	if !started.Load() {
		return code
	}
	c, err := shared()
	if err != nil {
		return max(code, 1)
	}
	if err := errors.Join(dropTx(), c.remove()); err != nil {
		fmt.Fprintln(os.Stderr, "dbtest:", err)
		return max(code, 1)
	}
	return code
}

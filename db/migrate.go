package db

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"forkwright/db/migrations"
)

// The two roles. Their names are fixed: the migrations grant to one of them.
const (
	OwnerRole   = "forkwright_owner"   // owns the database and migrates; never serves
	ServiceRole = "forkwright_service" // serves; owns nothing
)

func isEOF(err error) bool { return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) }

// Migrate brings the schema up to date, as the owner. Several may run at once:
// one works and the others wait. It returns the version that is now in force.
func Migrate(ctx context.Context, ownerURL string) (version int64, err error) {
	cfg, err := pgx.ParseConfig(ownerURL)
	if err != nil {
		return 0, fmt.Errorf("the database URL cannot be read: %w", err)
	}
	pool := stdlib.OpenDB(*cfg)
	defer func() { err = errors.Join(err, pool.Close()) }()
	var served bool
	if err := pool.QueryRowContext(ctx, `SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1)`, ServiceRole).Scan(&served); err != nil {
		return 0, fmt.Errorf("migrating: %w", err)
	}
	if !served {
		return 0, fmt.Errorf("migrating: the role %s does not exist on this server: create it first, with LOGIN and nothing else", ServiceRole)
	}
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300)) // looks every second, for 5 minutes
	if err != nil {
		return 0, fmt.Errorf("migrating: %w", err)
	}
	provider, err := goose.NewProvider(goose.DialectPostgres, pool, migrations.Files, goose.WithSessionLocker(locker))
	if err != nil {
		return 0, fmt.Errorf("migrating: %w", err)
	}
	if _, err := provider.Up(ctx); err != nil {
		return 0, fmt.Errorf("migrating: %w", err)
	}
	return provider.GetDBVersion(ctx)
}

// CreateRoles makes the two roles on a server, as its superuser, or sets their
// passwords where they exist; "" is none, for a socket that needs none.
func CreateRoles(ctx context.Context, adminURL, ownerPassword, servicePassword string) error {
	return asAdmin(ctx, adminURL, func(c *pgx.Conn) error {
		for role, password := range map[string]string{OwnerRole: ownerPassword, ServiceRole: servicePassword} {
			if err := createRole(ctx, c, role, password); err != nil {
				return fmt.Errorf("creating the role %s: %w", role, err)
			}
		}
		return nil
	})
}

const plainRole = ` LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS`

func createRole(ctx context.Context, c *pgx.Conn, role, password string) error {
	var verb string
	if err := c.QueryRow(ctx, `SELECT CASE WHEN EXISTS (SELECT FROM pg_roles WHERE rolname = $1) THEN 'ALTER' ELSE 'CREATE' END`, role).Scan(&verb); err != nil {
		return err
	}
	sql := verb + ` ROLE ` + pgx.Identifier{role}.Sanitize() + plainRole
	if password != "" {
		var quoted string // a utility statement takes no parameters
		if err := c.QueryRow(ctx, `SELECT quote_literal($1)`, password).Scan(&quoted); err != nil {
			return err
		}
		sql += ` PASSWORD ` + quoted
	}
	_, err := c.Exec(ctx, sql)
	return err
}

// CreateDatabase makes an empty database that the owner role owns and only the
// two roles may enter; one that is there already is left as it is.
func CreateDatabase(ctx context.Context, adminURL, name string) error {
	return asAdmin(ctx, adminURL, func(c *pgx.Conn) error {
		var there bool
		if err := c.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, name).Scan(&there); err != nil || there {
			return err
		}
		id := pgx.Identifier{name}.Sanitize()
		for _, sql := range []string{
			`CREATE DATABASE ` + id + ` OWNER ` + OwnerRole,
			`REVOKE ALL ON DATABASE ` + id + ` FROM PUBLIC`,
			`GRANT CONNECT ON DATABASE ` + id + ` TO ` + ServiceRole,
		} {
			if _, err := c.Exec(ctx, sql); err != nil {
				return fmt.Errorf("creating the database %s: %w", name, err)
			}
		}
		return nil
	})
}

// asAdmin serializes those who prepare a server at the same moment.
func asAdmin(ctx context.Context, adminURL string, fn func(c *pgx.Conn) error) error {
	c, err := pgx.Connect(ctx, adminURL)
	if err != nil {
		return err
	}
	defer c.Close(ctx)
	if _, err := c.Exec(ctx, `SELECT pg_advisory_lock(hashtext('forkwright roles and databases'))`); err != nil {
		return err
	}
	return fn(c)
}

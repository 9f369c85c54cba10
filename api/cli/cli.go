// Package cli is the command line: configuration, the commands, and the demo, which is a
// client of our own HTTP API.
package cli

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"forkwright/service"
	"forkwright/service/account"
	"forkwright/service/caller"
	"forkwright/service/notice"
)

// Env is what the commands get from outside; main fills it.
type Env struct {
	Config
	Out, Err io.Writer
	Now      func() time.Time

	Open        func(ctx context.Context) (Opened, error) // the administrative commands' way to the database
	Serve       func(ctx context.Context) error
	Migrate     func(ctx context.Context) (version int64, err error)
	ReadCatalog service.ReadCatalog
	Demo        func(ctx context.Context) (*DemoService, error)
}

// Opened is the database as one command uses it.
type Opened struct {
	Store    Store
	Catalogs service.CatalogStore
	Close    func()
}

// Store is what the administrative commands do to the database.
type Store interface {
	CreateAccount(ctx context.Context, by caller.Caller, a account.Account) (account.Account, error)
	CreateLocation(ctx context.Context, by caller.Caller, l account.Location) (account.Location, error)
	CreateKey(ctx context.Context, by caller.Caller, n account.NewKey) (account.Key, string, error)
	Keys(ctx context.Context, accountID string) ([]account.Key, error)
	RevokeKey(ctx context.Context, by caller.Caller, accountID, keyID string) (account.Key, error)
	RotateKey(ctx context.Context, by caller.Caller, accountID, keyID string, overlap time.Duration) (account.Key, string, error)
	AddNotice(ctx context.Context, by caller.Caller, n notice.Notice) (notice.Notice, error)
}

// Operator is who the administrative commands act as, in the record of events.
var Operator = caller.Caller{Roles: []caller.Role{caller.Administrator}, RequestID: "command-line"}

// UsageError is a command line that cannot be run; its exit code is 2.
type UsageError struct{ error }

func usage(format string, args ...any) error { return UsageError{fmt.Errorf(format, args...)} }

// command is one line of "help".
type command struct {
	name, args, help string
	run              func(ctx context.Context, e *Env, args []string) error
}

func commands() []command {
	return []command{
		{"demo", "[--once] [--json]", "start a private Postgres and the service, walk one customer's case, keep serving", runDemo},
		{"serve", "", "serve the HTTP API until interrupted", func(ctx context.Context, e *Env, args []string) error {
			if len(args) > 0 {
				return usage("serve takes no arguments; it reads the environment")
			}
			return e.Serve(ctx)
		}},
		{"migrate", "", "bring the database schema up to date, as the owner role", runMigrate},
		{"catalog check", "DIR", "report every problem of a catalog folder at once", runCatalogCheck},
		{"catalog load", "DIR [--dry-run]", "check a catalog folder and make it the next revision, or change nothing", runCatalogLoad},
		{"catalog activate", "REVISION", "go back (or forward) to a revision that was loaded before", runCatalogActivate},
		{"account create", "--name NAME --role ROLE[,ROLE]", "make an account: shop, storefront, distributor or administrator", runAccountCreate},
		{"location create", "--account ID --id CODE --name NAME [--zone ZONE] [--due HH:MM] [--days-away N]", "make a place with stock, owned by an account", runLocationCreate},
		{"key create", "--account ID [--label TEXT] [--origins URL,URL] [--days N]", "make an API key; it is shown this once", runKeyCreate},
		{"key list", "--account ID", "list an account's keys, never their secrets", runKeyList},
		{"key revoke", "KEY-ID [--account ID]", "end a key on every replica within a second", runKeyRevoke},
		{"key rotate", "KEY-ID [--account ID] [--overlap 168h]", "make the key that follows another, both good for a while", runKeyRotate},
		{"notice add", "--kind KIND --effect warn|block --text TEXT [--sku SKU] [--fork ID] [--serial FROM-TO] [--until TIME]", "stop-sale, recall or bulletin, live everywhere within seconds", runNoticeAdd},
		{"stock push", "FILE --location CODE [--delta] [--as-of TIME] [--sequence N] [--dry-run]", "send a stock feed (CSV or NDJSON, .gz or not) to a running service; safe to repeat", RunStockPush},
		{"health", "", "ask a running service whether it is ready (for container health checks)", runHealth},
		{"help", "", "explain the commands and the environment", runHelp},
	}
}

// Run finds the command and runs it.
func Run(ctx context.Context, e *Env, args []string) error {
	if len(args) == 0 {
		args = []string{"help"}
	}
	for _, c := range commands() {
		words := strings.Fields(c.name)
		if len(args) >= len(words) && strings.Join(args[:len(words)], " ") == c.name {
			return c.run(ctx, e, args[len(words):])
		}
	}
	return usage("there is no command %q; “forkwright help” lists them", strings.Join(args, " "))
}

// ExitCode is what a scheduler can act on: 0 done, 1 failed, 2 wrong command line, 3 try again
// later.
func ExitCode(err error) int {
	var u UsageError
	switch {
	case err == nil, errors.Is(err, flag.ErrHelp):
		return 0
	case errors.As(err, &u):
		return 2
	case errors.As(err, new(TryLater)):
		return 3
	}
	return 1
}

// flags parses options that may stand before or after the positional arguments, and wants
// exactly as many of those as are named.
func flags(e *Env, name string, args []string, define func(*flag.FlagSet), positional ...string) ([]string, error) {
	set := flag.NewFlagSet(name, flag.ContinueOnError)
	set.SetOutput(e.Err)
	define(set)
	var rest []string
	for len(args) > 0 {
		if err := set.Parse(args); err != nil {
			return nil, UsageError{err}
		}
		if args = set.Args(); len(args) > 0 {
			rest, args = append(rest, args[0]), args[1:]
		}
	}
	if len(rest) != len(positional) {
		return nil, usage("%s wants %d argument(s) (%s), got %d", name, len(positional), strings.Join(positional, " "), len(rest))
	}
	return rest, nil
}

func noFlags(*flag.FlagSet) {}

func runHelp(_ context.Context, e *Env, _ []string) error {
	fmt.Fprint(e.Out, "forkwright: which coil-conversion parts fit which mountain-bike fork, how to set them up, and what it costs.\n\nCommands:\n")
	for _, c := range commands() {
		fmt.Fprintf(e.Out, "  %s %s\n      %s\n", c.name, c.args, c.help)
	}
	fmt.Fprint(e.Out, "\nEnvironment, read once at start:\n")
	w := tabwriter.NewWriter(e.Out, 2, 4, 2, ' ', 0)
	for _, v := range Variables() {
		fmt.Fprintf(w, "  %s\tdefault %s\t%s\n", v.Name, v.Default, v.Allowed)
	}
	return w.Flush()
}

func runMigrate(ctx context.Context, e *Env, args []string) error {
	if _, err := flags(e, "migrate", args, noFlags); err != nil {
		return err
	}
	version, err := e.Migrate(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.Out, "schema at version %d\n", version)
	return nil
}

// withStore opens the database for one administrative command.
func withStore(ctx context.Context, e *Env, fn func(s Store) error) error {
	o, err := e.Open(ctx)
	if err != nil {
		return err
	}
	defer o.Close()
	return fn(o.Store)
}

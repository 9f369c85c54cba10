package cli

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"

	"forkwright/service"
	"forkwright/service/catalog"
	"forkwright/service/catalog/source"
	"forkwright/service/fault"
)

// catalogFolder opens a folder, or a zip of one.
func catalogFolder(path string) (fs.FS, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return os.DirFS(path), nil
	}
	content, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return source.Zip(content)
}

func runCatalogCheck(_ context.Context, e *Env, args []string) error {
	rest, err := flags(e, "catalog check", args, noFlags, "DIR")
	if err != nil {
		return err
	}
	dir, err := catalogFolder(rest[0])
	if err != nil {
		return err
	}
	tables, problems := e.ReadCatalog(dir)
	printProblems(e, problems)
	if catalog.HasErrors(problems) {
		return errors.New("the catalog has errors; nothing would be loaded")
	}
	fmt.Fprintf(e.Out, "sound: %d forks, %d parts, %d fitment rows, %d prices; %d warnings\n",
		len(tables.Forks), len(tables.Parts), len(tables.Fitments), len(tables.Prices), len(problems))
	return nil
}

func printProblems(e *Env, problems []catalog.Problem) {
	for _, p := range problems {
		fmt.Fprintln(e.Out, p)
	}
}

func runCatalogLoad(ctx context.Context, e *Env, args []string) error {
	o := service.LoadOptions{By: Operator, LoadedBy: "command line", Progress: func(step string) { fmt.Fprintf(e.Err, "%s …\n", step) }}
	rest, err := flags(e, "catalog load", args, func(f *flag.FlagSet) {
		f.BoolVar(&o.DryRun, "dry-run", false, "check and compare, change nothing")
		f.StringVar(&o.Note, "note", "", "why, for the list of revisions")
	}, "DIR")
	if err != nil {
		return err
	}
	dir, err := catalogFolder(rest[0])
	if err != nil {
		return err
	}
	return withCatalogs(ctx, e, func(s service.CatalogStore) error {
		r, err := service.LoadCatalog(ctx, s, e.ReadCatalog, dir, o)
		printProblems(e, r.Problems)
		if err != nil {
			if fault.CodeOf(err) == "catalog_refused" {
				return errors.New("the catalog has errors; the running revision stays as it is")
			}
			return err
		}
		for _, c := range r.Changes {
			fmt.Fprintln(e.Out, "  "+c)
		}
		switch {
		case r.Unchanged:
			fmt.Fprintf(e.Out, "revision %d already is this catalog; nothing was stored\n", r.Revision)
		case r.DryRun:
			fmt.Fprintf(e.Out, "dry run: revision %d stays\n", r.Revision)
		default:
			fmt.Fprintf(e.Out, "revision %d answers now (before: %d), %d rows\n", r.Revision, r.Before, r.Rows)
		}
		return nil
	})
}

func runCatalogActivate(ctx context.Context, e *Env, args []string) error {
	rest, err := flags(e, "catalog activate", args, noFlags, "REVISION")
	if err != nil {
		return err
	}
	var n int64
	if _, err := fmt.Sscan(rest[0], &n); err != nil || n < 1 {
		return usage("%q is not a revision number", rest[0])
	}
	return withCatalogs(ctx, e, func(s service.CatalogStore) error {
		r, err := service.SwitchCatalog(ctx, s, Operator, n)
		if err != nil {
			return err
		}
		for _, c := range r.Changes {
			fmt.Fprintln(e.Out, "  "+c)
		}
		for _, q := range r.Quotes {
			fmt.Fprintf(e.Out, "  revision %d: %d open quotes, %d accepted, %d reservations made on it\n", q.Revision, q.Open, q.Accepted, q.Reservations)
		}
		fmt.Fprintf(e.Out, "revision %d answers now (before: %d)\n", r.Revision, r.Before)
		return nil
	})
}

func withCatalogs(ctx context.Context, e *Env, fn func(s service.CatalogStore) error) error {
	o, err := e.Open(ctx)
	if err != nil {
		return err
	}
	defer o.Close()
	return fn(o.Catalogs)
}

// Explain is an error as the person at the terminal should read it: a fault's own text and
// what is wrong field by field, without the cause that only a log needs.
func Explain(err error) string {
	f := fault.As(err)
	if f == nil {
		return err.Error()
	}
	text := f.Text
	if len(f.Fields) > 1 {
		for _, field := range f.Fields {
			text += "\n  " + field.Pointer + ": " + field.Text
		}
	}
	return text
}

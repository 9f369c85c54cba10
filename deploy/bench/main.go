// Command bench measures how far the service is from what its parts allow.
//
//	go run ./deploy/bench [--quick] [--row NAME] [--json]
//
// It starts a private Postgres that waits for the disk, builds and starts the service as an
// installation runs it, and measures each row against its limit in the same run, in turn, at
// least five times. A row's ratio is the median of the ratios of its pairs; the spread beside
// it is the lowest and the highest. What the limits are is said at each row.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := command(ctx, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func command(ctx context.Context, args []string) error {
	set := flag.NewFlagSet("bench", flag.ContinueOnError)
	isQuick := set.Bool("quick", false, "100k fitment rows instead of 1M and short runs; under 50 s")
	name := set.String("row", "", "only this row, or the rows whose name contains this")
	asJSON := set.Bool("json", false, "print a list of objects at the end")
	bare := set.String("bare", "", "serve as the bare side, by this configuration file (used by the bench itself)")
	reader := set.String("read", "", "read the stored form by this URL and end (used by the bench itself)")
	if err := set.Parse(args); err != nil {
		return err
	}
	switch {
	case *bare != "":
		return serveBare(ctx, *bare)
	case *reader != "":
		return readStored(ctx, *reader)
	}
	debug.SetGCPercent(400) // the generator shares the machine with what it measures
	s := full()
	if *isQuick {
		s = quick()
	}
	dir, err := os.MkdirTemp("", "forkwright-bench")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	w, err := newWorld(ctx, dir, s, *name)
	if err == nil {
		err = w.all(&table{out: os.Stdout, json: *asJSON})
	}
	if w != nil {
		err = errors.Join(err, w.close())
	}
	return err
}

// measure is one row or several that share their preparation.
type measure struct {
	name string
	goal string
	run  func() ([]row, error)
}

func (w *world) all(t *table) error {
	t.head()
	all := w.measures()
	exact := slices.ContainsFunc(all, func(m measure) bool { return m.name == w.only })
	for _, m := range all {
		if exact && m.name != w.only || !strings.Contains(m.name, w.only) {
			continue
		}
		rows, err := m.run()
		var r refusal
		switch {
		case errors.As(err, &r):
			rows = []row{missing(m.name, m.goal, "the service refuses: "+r.Error())}
		case err != nil:
			return fmt.Errorf("%s: %w", m.name, err)
		}
		for _, r := range rows {
			t.add(r)
		}
	}
	return t.end()
}

func (w *world) measures() []measure {
	n := " " + w.sizes.rowName
	return []measure{
		{"catalog load" + n, "< 10 s, < 600 MB", w.catalogLoad},
		{"fit check" + n, ">= 0.75", w.fitCheck},
		{"what fits" + n, ">= 0.8", w.whatFits},
		{"fork search" + n, ">= 0.5", w.forkSearch},
		{"growth" + n, "<= 1.3", w.growth},
		{"two replicas" + n, "<= 1.1", w.replicas},
		{"start" + n, "<= 3", w.start},
		{"swap" + n, "none dropped, p99 <= 3x", w.swap},
		{"setup", ">= 0.5", w.setup},
		{"chart", ">= 0.4", w.chart},
		{"quote page", ">= 0.6", w.quotePage},
		{"quote", ">= 0.7", w.quote},
		{"accept" + n, ">= 0.7", w.accept},
		{"feed" + n, "<= 1.5", w.feed},
	}
}

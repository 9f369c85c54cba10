package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/api/cli"
	"forkwright/service"
	"forkwright/service/catalog"
	"forkwright/service/catalog/catalogtest"
)

// catalogLoad runs "catalog load" on a folder of CSV files: read, check, compare, encode, store.
// Its limits are figures, not a rival.
func (w *world) catalogLoad() ([]row, error) {
	folder := filepath.Join(w.dir, "catalog")
	if err := os.Mkdir(folder, 0o700); err != nil {
		return nil, err
	}
	defer os.RemoveAll(folder)
	if err := catalogtest.WriteFolder(folder, catalogtest.Generate(w.sizes.rows, 1)); err != nil {
		return nil, err
	}
	var seconds, megabytes pairs
	for i := range w.sizes.loads {
		s, err := w.database(fmt.Sprintf("bench_load_%d", i))
		if err != nil {
			return nil, err
		}
		cmd := exec.CommandContext(w.ctx, w.bin, "catalog", "load", folder)
		cmd.Env = append(os.Environ(), "DATABASE_URL="+w.pg.ServiceURL(s.name))
		start := time.Now()
		most, err := peak(cmd)
		if err != nil {
			return nil, fmt.Errorf("catalog load: %w", err)
		}
		seconds.add(time.Since(start).Seconds(), 10)
		megabytes.add(most*(1<<20)/1e6, 600)
	}
	name := "catalog load " + w.sizes.rowName
	return []row{seconds.atMost(name, " s", 1), megabytes.atMost(name+" memory", " MB", 1)}, nil
}

// peak runs a command and gives the most memory it held, in MiB. The kernel's own account of
// ended children counts what the parent held when it started them, so it is of no use here.
func peak(cmd *exec.Cmd) (most float64, err error) {
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		return 0, err
	}
	most, err = watch(cmd.Process.Pid, cmd.Wait)
	if err != nil {
		err = fmt.Errorf("%w: %.600s", err, out.String())
	}
	return most, err
}

// watch gives the most memory that a process was seen to hold while work ran, in MiB.
func watch(pid int, work func() error) (most float64, err error) {
	ended := make(chan error, 1)
	go func() { ended <- work() }()
	for {
		now, _ := memoryOf(pid)
		most = max(most, now)
		select {
		case err := <-ended:
			return most, err
		case <-time.After(3 * time.Millisecond):
		}
	}
}

// start is the time from exec to ready. Its limit is another process that reads both stored
// parts over the same socket and decodes them to rows, without indexes and without a service.
func (w *world) start() ([]row, error) {
	s, err := w.sized(w.sizes.rows)
	if err != nil {
		return nil, err
	}
	var p, memory pairs
	for i := range 5 {
		ours, limit, err := both(i%2 == 1, func() (float64, error) {
			start := time.Now()
			c, _, err := w.replica(s)
			if err != nil {
				return 0, err
			}
			defer w.drop(c)
			err = c.ready(w.ctx, "/readyz")
			took := time.Since(start).Seconds()
			now, most := memoryOf(c.pid)
			memory.add(now, most)
			return took, err
		}, func() (float64, error) {
			start := time.Now()
			out, err := exec.CommandContext(w.ctx, w.self, "--read", w.pg.ServiceURL(s.name)).CombinedOutput()
			if err != nil {
				err = fmt.Errorf("%w: %s", err, out)
			}
			return time.Since(start).Seconds(), err
		})
		if err != nil {
			return nil, err
		}
		p.add(ours, limit)
	}
	r := p.atMost("start "+w.sizes.rowName, " s", 3)
	r.Detail = fmt.Sprintf("resident %.0f MiB when ready, %.0f at most; stored form %.1f MiB", median(memory.ours), median(memory.limit), float64(len(s.fitment)+len(s.prices))/(1<<20))
	return []row{r}, nil
}

// readStored is the limit of start.
func readStored(ctx context.Context, url string) error {
	c, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer c.Close(ctx)
	var fitment, prices []byte
	err = c.QueryRow(ctx, `
		SELECT f.content, p.content
		FROM catalog_active a
		JOIN catalog_revision r ON r.revision = a.revision
		JOIN catalog_blob f ON f.digest = r.fitment_digest
		JOIN catalog_blob p ON p.digest = r.price_digest`).Scan(&fitment, &prices)
	if err != nil {
		return err
	}
	_, err = catalog.Decode(fitment, prices)
	return err
}

const (
	swapRate    = 200 // requests a second
	mostPauseMS = 5
)

// swap stores new revisions while the service is asked 200 times a second, and compares the
// latencies before each with those from the storing until the service answers from it.
func (w *world) swap() ([]row, error) {
	s, err := w.sized(w.sizes.rows)
	if err != nil {
		return nil, err
	}
	next, err := w.nextRevisions()
	if err != nil {
		return nil, err
	}
	// A process of its own: the pauses of the others' closed loops are not its own.
	c, metrics, err := w.replica(s)
	if err != nil {
		return nil, err
	}
	defer w.drop(c)
	if err := c.ready(w.ctx, "/readyz"); err != nil {
		return nil, err
	}
	reqs := s.fitChecks()
	if _, err := paced(c.target, reqs, swapRate, w.sizes.swapFor); err != nil {
		return nil, err
	}
	var p pairs
	asked, dropped, longest := 0, 0, 0.0
	for _, fitment := range next {
		before, err := paced(c.target, reqs, swapRate, w.sizes.swapFor)
		if err != nil {
			return nil, err
		}
		stored := make(chan swapped, 1)
		go func() { stored <- w.store(s, metrics, fitment) }()
		during, err := paced(c.target, reqs, swapRate, w.sizes.swapFor)
		x := <-stored
		if err != nil || x.err != nil {
			return nil, fmt.Errorf("during the swap: %w, %w", err, x.err)
		}
		asked, dropped = asked+before.done+during.done, dropped+before.failed+during.failed
		p.add(during.p99(x.from, x.to), before.p99(time.Time{}, time.Time{}))
		longest = max(longest, x.to.Sub(x.from).Seconds())
	}
	_, pause, err := figures(w.ctx, metrics)
	if err != nil {
		return nil, err
	}
	_, most := memoryOf(c.pid)
	name := "swap " + w.sizes.rowName
	drops := row{Name: name + " dropped", Ours: fmt.Sprint(dropped), Limit: "0", Ratio: nil, Spread: fmt.Sprintf("of %d", asked), Goal: "0"}.judge(dropped == 0)
	late := p.atMost(name+" p99", " ms", 3)
	late.Detail = fmt.Sprintf("storing and changing over took at most %.1f s; %.0f MiB at most", longest, most)
	ratio := pause * 1000 / mostPauseMS
	stop := row{Name: name + " gc pause", Ours: figure(pause*1000) + " ms", Limit: fmt.Sprintf("%d ms", mostPauseMS), Ratio: &ratio, Spread: "the longest", Goal: "<= 1"}.judge(ratio <= 1)
	return []row{drops, late, stop}, nil
}

// nextRevisions are stored forms that each lack one row more.
func (w *world) nextRevisions() ([][]byte, error) {
	t := catalogtest.Generate(w.sizes.rows, 1)
	var out [][]byte
	for range w.sizes.swaps {
		t.Fitments = t.Fitments[:len(t.Fitments)-1]
		out = append(out, catalog.EncodeFitment(t))
	}
	return out, nil
}

type swapped struct {
	from, to time.Time
	err      error
}

// store makes a revision the active one and waits until the service answers from it.
func (w *world) store(s *shop, metrics string, fitment []byte) swapped {
	x := swapped{from: time.Now()}
	number, err := s.store.CatalogStore().SaveRevision(w.ctx, cli.Operator, service.NewRevision{Fitment: fitment, Prices: s.prices, LoadedBy: "bench"})
	if err != nil {
		x.err = err
		return x
	}
	for time.Since(x.from) < time.Minute {
		now, _, err := figures(w.ctx, metrics)
		x.to = time.Now()
		if err != nil || now == float64(number) {
			x.err = err
			return x
		}
		time.Sleep(200 * time.Millisecond) // reading the metrics is work too
	}
	x.err = fmt.Errorf("revision %d was not taken within a minute", number)
	return x
}

// figures reads the revision that answers and the longest recent GC pause, in seconds.
func figures(ctx context.Context, metrics string) (revision, pause float64, err error) {
	req, err := http.NewRequestWithContext(ctx, "GET", "http://"+metrics+"/metrics", nil)
	if err != nil {
		return 0, 0, err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, 0, err
	}
	defer res.Body.Close()
	lines := bufio.NewScanner(res.Body)
	for lines.Scan() {
		name, value, _ := strings.Cut(lines.Text(), " ")
		v, _ := strconv.ParseFloat(value, 64)
		switch name {
		case "forkwright_catalog_revision":
			revision = v
		case `go_gc_duration_seconds{quantile="1"}`:
			pause = v
		}
	}
	return revision, pause, lines.Err()
}

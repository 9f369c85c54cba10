package main

import (
	"bytes"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

// tool finds one of Postgres's own clients: beside the server's programs, on PATH, or where
// packages put it. "" is none.
func (w *world) tool(name string) string {
	var folders []string
	if server, err := os.Readlink(fmt.Sprintf("/proc/%d/exe", w.pg.PID())); err == nil {
		folders = append(folders, filepath.Dir(server))
	}
	folders = append(folders, filepath.SplitList(os.Getenv("PATH"))...)
	usual, _ := filepath.Glob("/usr/lib/postgresql/*/bin") // only a bad pattern fails
	slices.Reverse(usual)
	for _, folder := range append(folders, usual...) {
		path := filepath.Join(folder, name)
		if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() && info.Mode()&0o111 != 0 {
			return path
		}
	}
	return ""
}

// by says how a script was run, for a row's detail.
func by(tool, path string) string {
	if path == "" {
		return "no " + tool + " here: its script by pgx"
	}
	return tool
}

// planMode has new connections plan a prepared statement once and not five times anew.
const planMode = "force_generic_plan"

var tps = regexp.MustCompile(`tps = ([0-9.]+)`)

// transactions runs a script n times over all connections as the service's role, and gives
// how many a second that were.
func (w *world) transactions(s *shop, script string, n int) (perSecond float64, err error) {
	pgbench := w.tool("pgbench")
	if pgbench == "" {
		return w.transactionsByPgx(s, script, n)
	}
	file := filepath.Join(w.dir, "transaction.sql")
	if err := os.WriteFile(file, []byte(script), 0o600); err != nil {
		return 0, err
	}
	out, err := w.client(pgbench, w.pg.ServiceURL(s.name), "-n", "-M", "prepared", "-c", strconv.Itoa(connections), "-j", "2",
		"-t", strconv.Itoa(n/connections), "-f", file, "-D", "account="+s.accountID)
	if err != nil {
		return 0, err
	}
	m := tps.FindSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("pgbench gave no figure: %.600s", out)
	}
	return strconv.ParseFloat(string(m[1]), 64)
}

// client runs a program of Postgres on the database that a URL of ours names.
func (w *world) client(path, databaseURL string, args ...string) ([]byte, error) {
	at, err := url.Parse(databaseURL)
	if err != nil {
		return nil, err
	}
	args = append(args, "-h", at.Query().Get("host"), "-U", at.Query().Get("user"), strings.TrimPrefix(at.Path, "/"))
	cmd := exec.CommandContext(w.ctx, path, args...)
	cmd.Env = append(os.Environ(), "PGOPTIONS=-c plan_cache_mode="+planMode)
	out, err := cmd.CombinedOutput()
	if err != nil {
		err = fmt.Errorf("%s: %w: %.600s", filepath.Base(path), err, out)
	}
	return out, err
}

// transactionsByPgx does what pgbench would: the statements prepared, each transaction in one
// round trip.
func (w *world) transactionsByPgx(s *shop, script string, n int) (perSecond float64, err error) {
	cfg, err := pgx.ParseConfig(w.pg.ServiceURL(s.name))
	if err != nil {
		return 0, err
	}
	cfg.RuntimeParams["plan_cache_mode"] = planMode
	var conns []*pgx.Conn
	for range connections {
		c, err := pgx.ConnectConfig(w.ctx, cfg.Copy())
		if err != nil {
			return 0, err
		}
		defer c.Close(w.ctx)
		conns = append(conns, c)
	}
	parts := statements(script)
	errs := make([]error, len(conns))
	var all sync.WaitGroup
	start := time.Now()
	for i, c := range conns {
		all.Go(func() {
			for k := 0; k < n/connections && errs[i] == nil; k++ {
				b := &pgx.Batch{}
				for _, sql := range parts {
					if named := strings.ReplaceAll(sql, ":account::", "$1::"); named != sql {
						b.Queue(named, s.accountID)
						continue
					}
					b.Queue(sql)
				}
				errs[i] = c.SendBatch(w.ctx, b).Close()
			}
		})
	}
	all.Wait()
	took := time.Since(start)
	for _, err := range errs {
		if err != nil {
			return 0, err
		}
	}
	return float64(n/connections*connections) / took.Seconds(), nil
}

// statements are those of a script: each ends with a semicolon at the end of a line. Comments
// are left out, and so are pgbench's own commands about the pipeline.
func statements(script string) (all []string) {
	var one strings.Builder
	for line := range strings.SplitSeq(script, "\n") {
		if strings.HasPrefix(line, "--") || strings.HasSuffix(line, "pipeline") {
			continue
		}
		one.WriteString(line + "\n")
		if strings.HasSuffix(line, ";") || strings.HasPrefix(line, `\copy `) {
			all = append(all, strings.TrimSpace(one.String()))
			one.Reset()
		}
	}
	return all
}

// psql runs a script once as the superuser, for the service's role may make no tables, and
// gives the seconds that it took.
func (w *world) psql(s *shop, script string) (seconds float64, err error) {
	start := time.Now()
	if psql := w.tool("psql"); psql != "" {
		file := filepath.Join(w.dir, "script.sql")
		if err := os.WriteFile(file, []byte(script), 0o600); err != nil {
			return 0, err
		}
		start = time.Now()
		_, err = w.client(psql, w.pg.SuperuserURL(s.name), "-X", "-q", "-v", "ON_ERROR_STOP=1", "-f", file)
	} else {
		err = w.psqlByPgx(s, script)
	}
	return time.Since(start).Seconds(), err
}

var copyLine = regexp.MustCompile(`^\\copy (.+) FROM '(.+)' (.+)$`)

func (w *world) psqlByPgx(s *shop, script string) error {
	c, err := pgx.Connect(w.ctx, w.pg.SuperuserURL(s.name))
	if err != nil {
		return err
	}
	defer c.Close(w.ctx)
	for _, sql := range statements(script) {
		if m := copyLine.FindStringSubmatch(sql); m != nil {
			var rows []byte
			if rows, err = os.ReadFile(m[2]); err == nil {
				_, err = c.PgConn().CopyFrom(w.ctx, bytes.NewReader(rows), "COPY "+m[1]+" FROM STDIN "+m[3])
			}
		} else {
			_, err = c.Exec(w.ctx, sql)
		}
		if err != nil {
			return fmt.Errorf("%.60s: %w", sql, err)
		}
	}
	return nil
}

//go:build unix

package local_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/db"
	"forkwright/db/local"
)

// TestMain is also the process that other tests start and kill: it runs a server
// and waits to be ended.
func TestMain(m *testing.M) {
	if os.Getenv("FORKWRIGHT_TEST_ROLE") == "server" {
		s, err := local.Start(context.Background(), local.Options{Dir: os.Getenv("FORKWRIGHT_TEST_DIR")})
		if err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println("up", s.PID(), s.SuperuserURL("postgres"))
		time.Sleep(time.Minute)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func start(t *testing.T, o local.Options) *local.Server {
	t.Helper()
	s, err := local.Start(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Stop(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func query(t *testing.T, url, sql string) (value string) {
	t.Helper()
	c, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(t.Context())
	if err := c.QueryRow(t.Context(), sql).Scan(&value); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return value
}

func alive(pid int) bool { return syscall.Kill(pid, 0) == nil }

func waitFor(t *testing.T, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if done() {
			return
		}
	}
	t.Fatalf("after 10 s not yet: %s", what)
}

func TestServerHasTwoPlainRolesAndLeavesNothing(t *testing.T) {
	began := time.Now()
	s := start(t, local.Options{})
	t.Logf("Postgres %d up in %v", s.Major(), time.Since(began)) // 2 s on an idle machine
	if err := s.CreateDatabase(t.Context(), "shop"); err != nil {
		t.Fatal(err)
	}
	if err := s.CreateDatabase(t.Context(), "shop"); err != nil {
		t.Errorf("creating it again: %v", err)
	}
	const powers = `SELECT concat_ws(',', rolsuper, rolcreatedb, rolcreaterole, rolbypassrls, rolcanlogin) FROM pg_roles WHERE rolname = current_user`
	for role, url := range map[string]string{db.OwnerRole: s.OwnerURL("shop"), db.ServiceRole: s.ServiceURL("shop")} {
		if got := query(t, url, `SELECT current_user`); got != role {
			t.Errorf("role is %s, want %s", got, role)
		}
		if got := query(t, url, powers); got != "f,f,f,f,t" {
			t.Errorf("%s: superuser, createdb, createrole, bypassrls, login = %s", role, got)
		}
	}
	if got := query(t, s.SuperuserURL("shop"), `SELECT pg_get_userbyid(datdba) FROM pg_database WHERE datname = 'shop'`); got != db.OwnerRole {
		t.Errorf("database is owned by %s", got)
	}
	if got := query(t, s.SuperuserURL("shop"), `SHOW listen_addresses`); got != "" {
		t.Errorf("listens on %q, want a socket only", got)
	}
	socket := query(t, s.SuperuserURL("shop"), `SHOW unix_socket_directories`)
	if st, err := os.Stat(socket); err != nil || st.Mode().Perm() != 0o700 {
		t.Errorf("socket folder: %v, %v", st.Mode(), err)
	}
	if n := len(filepath.Join(socket, ".s.PGSQL.5432")); n >= 100 {
		t.Errorf("socket path has %d bytes", n)
	}
	pid := s.PID()
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	if alive(pid) {
		t.Error("still running after Stop")
	}
	if _, err := os.Stat(socket); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("folder after Stop: %v", err)
	}
}

func TestWhatWasCommittedIsThereAfterACrash(t *testing.T) {
	s := start(t, local.Options{Durable: true})
	url, pid := s.SuperuserURL("postgres"), s.PID()
	c, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Exec(t.Context(), `CREATE TABLE kept AS SELECT 'yes' AS there`); err != nil {
		t.Fatal(err)
	}
	s.Crash()
	if err := c.Ping(t.Context()); err == nil || alive(pid) {
		t.Errorf("still there after a crash: %v", err)
	}
	if err := s.Restart(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := query(t, url, `SELECT there FROM kept`); got != "yes" || s.PID() == pid {
		t.Errorf("%q, the process %d before and %d after", got, pid, s.PID())
	}
}

// keptDir is a folder that the server's user can reach, also when we are root.
func keptDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "fwkeep")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func TestDurabilityAndKeptData(t *testing.T) {
	dir := keptDir(t)
	for i, want := range []string{"0", "1"} {
		s := start(t, local.Options{Dir: dir, Durable: true})
		if err := s.CreateDatabase(t.Context(), "shop"); err != nil {
			t.Fatal(err)
		}
		if got := query(t, s.OwnerURL("shop"), `SELECT count(*)::text FROM pg_class WHERE relname = 'kept'`); got != want {
			t.Errorf("run %d: table there %s times, want %s", i, got, want)
		}
		if i == 0 {
			c, err := pgx.Connect(t.Context(), s.OwnerURL("shop"))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := c.Exec(t.Context(), `CREATE TABLE kept (n integer)`); err != nil {
				t.Fatal(err)
			}
			c.Close(t.Context())
		}
		if got := query(t, s.OwnerURL("shop"), `SHOW fsync`); got != "on" {
			t.Errorf("fsync is %s", got)
		}
		if err := s.Stop(); err != nil {
			t.Fatal(err)
		}
	}
	s := start(t, local.Options{})
	if got := query(t, s.SuperuserURL("postgres"), `SHOW fsync`); got != "off" {
		t.Errorf("fsync of a throw-away server is %s", got)
	}
}

func TestStartRefusesDataOfAnotherVersionAndLeavesNothing(t *testing.T) {
	dir := keptDir(t)
	if err := os.MkdirAll(filepath.Join(dir, "postgres"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "postgres", "PG_VERSION"), []byte("9\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	before := runFolders(t)
	_, err := local.Start(t.Context(), local.Options{Dir: dir, Durable: true})
	if err == nil || !strings.Contains(err.Error(), "written by Postgres 9") {
		t.Errorf("error is %v", err)
	}
	if after := runFolders(t); after > before {
		t.Errorf("run folders: %d before, %d after", before, after)
	}
}

// runFolders counts those of this process' own starts only roughly: other packages
// start servers at the same time, in memory, so disk alone is looked at.
func runFolders(t *testing.T) int {
	t.Helper()
	m, err := filepath.Glob(filepath.Join(os.TempDir(), "fwpg*"))
	if err != nil {
		t.Fatal(err)
	}
	return len(m)
}

func TestInterruptedStartLeavesNothing(t *testing.T) {
	for _, after := range []time.Duration{time.Millisecond, 60 * time.Millisecond, 200 * time.Millisecond, 300 * time.Millisecond} {
		t.Run(after.String(), func(t *testing.T) {
			before := children(t)
			ctx, cancel := context.WithTimeout(t.Context(), after)
			defer cancel()
			s, err := local.Start(ctx, local.Options{})
			if err == nil {
				if err := s.Stop(); err != nil {
					t.Fatal(err)
				}
			}
			if left := children(t); len(left) > len(before) {
				t.Errorf("left running: %v", left)
			}
		})
	}
}

// children are the live processes that this one started.
func children(t *testing.T) []string {
	t.Helper()
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	if len(stats) == 0 {
		out, err := exec.Command("pgrep", "-P", strconv.Itoa(os.Getpid())).Output()
		if err != nil {
			return nil // pgrep says so when there are none
		}
		return strings.Fields(string(out))
	}
	var mine []string
	for _, path := range stats {
		b, err := os.ReadFile(path)
		if err != nil {
			continue // ended meanwhile
		}
		text := string(b)
		f := strings.Fields(text[strings.LastIndex(text, ")")+1:])
		if f[1] == strconv.Itoa(os.Getpid()) && f[0] != "Z" {
			mine = append(mine, text[:strings.LastIndex(text, ")")+1])
		}
	}
	return mine
}

// serverProcess runs this test binary as another process with a server in it.
func serverProcess(t *testing.T, env ...string) (cmd *exec.Cmd, pid int, url string) {
	t.Helper()
	cmd = exec.Command(os.Args[0])
	cmd.Env = append(append(os.Environ(), "FORKWRIGHT_TEST_ROLE=server"), env...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	if n, err := fmt.Sscanf(line, "up %d %s", &pid, &url); n != 2 {
		t.Fatalf("%q: %v", line, err)
	}
	return cmd, pid, url
}

func TestNoOrphanWhenTheParentIsKilled(t *testing.T) {
	for _, signal := range []syscall.Signal{syscall.SIGKILL, syscall.SIGTERM, syscall.SIGINT} {
		t.Run(signal.String(), func(t *testing.T) {
			cmd, pid, url := serverProcess(t)
			folder := query(t, url, `SHOW unix_socket_directories`)
			if !alive(pid) {
				t.Fatal("the server is not there to begin with")
			}
			if err := cmd.Process.Signal(signal); err != nil {
				t.Fatal(err)
			}
			_ = cmd.Wait() // says that it was killed
			waitFor(t, "server gone", func() bool { return !alive(pid) })
			waitFor(t, "folder gone", func() bool { _, err := os.Stat(folder); return errors.Is(err, os.ErrNotExist) })
		})
	}
}

func TestKeptDataSurvivesTheParentsDeath(t *testing.T) {
	dir := keptDir(t)
	cmd, pid, url := serverProcess(t, "FORKWRIGHT_TEST_DIR="+dir)
	c, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Exec(t.Context(), `CREATE TABLE kept (n integer)`); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	waitFor(t, "server gone", func() bool { return !alive(pid) })
	s := start(t, local.Options{Dir: dir})
	if got := query(t, s.SuperuserURL("postgres"), `SELECT count(*)::text FROM pg_class WHERE relname = 'kept'`); got != "1" {
		t.Errorf("table there %s times", got)
	}
}

func TestAsRootAFolderBehindAClosedDoorIsRefusedWithTheReason(t *testing.T) {
	if os.Geteuid() != 0 {
		// For anyone else the folder is their own and simply works.
		dir := t.TempDir()
		start(t, local.Options{Dir: dir})
		return
	}
	closed := filepath.Join(keptDir(t), "closed")
	if err := os.Mkdir(closed, 0o700); err != nil {
		t.Fatal(err)
	}
	_, err := local.Start(t.Context(), local.Options{Dir: filepath.Join(closed, "data")})
	if err == nil || !strings.Contains(err.Error(), "cannot enter "+closed) {
		t.Errorf("error is %v", err)
	}
}

func TestWithoutProgramsTheDownloadIsAskedOnlyWhenAllowed(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	if usual, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb"); len(usual) > 0 {
		// The usual places are found without PATH.
		start(t, local.Options{Download: func(context.Context) (string, error) { t.Error("asked to download"); return "", errors.New("no") }})
		return
	}
	if _, err := local.Start(t.Context(), local.Options{}); !errors.Is(err, local.ErrNoPostgres) {
		t.Errorf("error is %v", err)
	}
}

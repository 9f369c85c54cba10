//go:build unix

package local

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"forkwright/db"
)

// Server is a running private Postgres.
type Server struct {
	run     string // short folder: socket, log, and the data unless it is kept elsewhere
	data    string
	major   int
	again   func() error // starts the program once more on the same data and socket
	cmd     *exec.Cmd
	keeper  *keeper
	exited  chan struct{}
	stop    sync.Once
	stopErr error
}

// Start brings a server up and makes its roles. ctx bounds the start only; a
// start that fails or is interrupted leaves neither process nor folder behind.
func Start(ctx context.Context, o Options) (*Server, error) {
	p, err := find(ctx, o.FindIn)
	if errors.Is(err, ErrNoPostgres) && o.Download != nil {
		p, err = download(ctx, o.Download)
	}
	if err != nil {
		return nil, err
	}
	who, err := serverUser()
	if err != nil {
		return nil, err
	}
	s := &Server{major: p.major}
	if s.run, err = runFolder(who, o); err != nil {
		return nil, err
	}
	if s.keeper, err = keep(s.run); err == nil {
		err = s.start(ctx, p, who, o)
	}
	if err != nil {
		return nil, errors.Join(err, s.Stop())
	}
	return s, nil
}

func download(ctx context.Context, fetch func(context.Context) (string, error)) (programs, error) {
	bin, err := fetch(ctx)
	if err != nil {
		return programs{}, fmt.Errorf("no Postgres on this machine, and fetching one failed: %w", err)
	}
	return inspect(ctx, bin)
}

func (s *Server) start(ctx context.Context, p programs, who account, o Options) error {
	fresh, err := s.prepareData(p, who, o)
	if err != nil {
		return err
	}
	if fresh {
		if err := s.initdb(ctx, p, who, o); err != nil {
			return err
		}
	}
	s.again = func() error { return s.launch(p, who, o) }
	if err := s.again(); err != nil {
		return err
	}
	if err := s.waitReady(ctx); err != nil {
		return err
	}
	return db.CreateRoles(ctx, s.SuperuserURL("postgres"), "", "")
}

// prepareData settles where the data is and whether it has to be made.
func (s *Server) prepareData(p programs, who account, o Options) (fresh bool, err error) {
	if o.Dir == "" {
		s.data = filepath.Join(s.run, "data")
		return true, nil
	}
	if s.data, err = keptFolder(who, o.Dir); err != nil {
		return false, err
	}
	version, err := os.ReadFile(filepath.Join(s.data, "PG_VERSION"))
	if errors.Is(err, os.ErrNotExist) {
		return true, nil
	}
	if err != nil {
		return false, fmt.Errorf("reading the version of the kept data: %w", err)
	}
	if v := strings.TrimSpace(string(version)); v != strconv.Itoa(p.major) {
		return false, fmt.Errorf("the data kept in %s was written by Postgres %s, the programs in %s are version %d: install that version or choose another folder", s.data, v, p.bin, p.major)
	}
	return false, nil
}

func (s *Server) initdb(ctx context.Context, p programs, who account, o Options) error {
	args := []string{"-D", s.data, "-U", superuser, "-A", "trust", "-E", "UTF8", "--locale=C", "--no-instructions"}
	if !o.durable() {
		args = append(args, "--no-sync")
	}
	cmd := exec.CommandContext(ctx, p.path("initdb"), args...)
	cmd.Dir, cmd.Env = s.run, who.env(s.run)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: who.credential}
	dieWithUs(cmd.SysProcAttr)
	var out []byte
	err := onOwnThread(func() (err error) { out, err = cmd.CombinedOutput(); return err })
	if err != nil {
		_ = os.RemoveAll(s.data) // a half-made folder would be taken for a made one
		return fmt.Errorf("making the data folder with %s: %w: %s", p.path("initdb"), errors.Join(err, ctx.Err()), lastLines(out))
	}
	return nil
}

func settings(run string, o Options) []string {
	connections := o.MaxConnections
	if connections == 0 {
		connections = 100
	}
	s := []string{"listen_addresses=", "unix_socket_directories=" + run, "unix_socket_permissions=0700",
		"max_connections=" + strconv.Itoa(connections), "shared_buffers=64MB", "logging_collector=off", "timezone=UTC", "log_timezone=UTC"}
	if !o.durable() {
		s = append(s, "fsync=off", "synchronous_commit=off", "full_page_writes=off")
	}
	return s
}

// launch starts the server program from a thread that lives as long as it does,
// because the kernel's parent-death signal follows the thread.
func (s *Server) launch(p programs, who account, o Options) error {
	log, err := os.Create(filepath.Join(s.run, "log"))
	if err != nil {
		return fmt.Errorf("the log of Postgres: %w", err)
	}
	defer log.Close()
	args := []string{"-D", s.data}
	for _, c := range settings(s.run, o) {
		args = append(args, "-c", c)
	}
	s.cmd = exec.Command(p.path("postgres"), args...)
	s.cmd.Dir, s.cmd.Env = s.run, who.env(s.run)
	s.cmd.Stdout, s.cmd.Stderr = log, log
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: who.credential}
	dieWithUs(s.cmd.SysProcAttr)
	cmd, exited, started := s.cmd, make(chan struct{}), make(chan error, 1)
	s.exited = exited
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // how it ended is in its log
			close(exited)
		}
	}()
	if err := <-started; err != nil {
		s.cmd = nil
		return fmt.Errorf("starting %s: %w", p.path("postgres"), err)
	}
	return s.keeper.watch(s.cmd.Process.Pid)
}

// onOwnThread runs f on a thread that outlives what f starts and waits for.
func onOwnThread(f func() error) error {
	done := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		done <- f()
	}()
	return <-done
}

func (s *Server) waitReady(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	for {
		conn, err := pgx.Connect(ctx, s.SuperuserURL("postgres"))
		if err == nil {
			return conn.Close(ctx)
		}
		select {
		case <-s.exited:
			out, _ := os.ReadFile(filepath.Join(s.run, "log")) // the best there is to show
			return fmt.Errorf("Postgres ended while starting: %s", lastLines(out))
		case <-ctx.Done():
			return fmt.Errorf("waiting for Postgres: %w: %w", ctx.Err(), err)
		case <-time.After(5 * time.Millisecond):
		}
	}
}

func lastLines(out []byte) string {
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	return strings.Join(lines[max(0, len(lines)-8):], "; ")
}

// OwnerURL connects as the role that owns and migrates.
func (s *Server) OwnerURL(database string) string { return s.url(db.OwnerRole, database) }

// ServiceURL connects as the role that serves.
func (s *Server) ServiceURL(database string) string { return s.url(db.ServiceRole, database) }

// CreateDatabase makes an empty database that the owner role owns and the
// service role may enter; one that is there already is left as it is.
func (s *Server) CreateDatabase(ctx context.Context, name string) error {
	return db.CreateDatabase(ctx, s.SuperuserURL("postgres"), name)
}

// Major is the server's version, 15 for example.
func (s *Server) Major() int { return s.major }

// PID is the server's process, for those who want to watch or kill it.
func (s *Server) PID() int { return s.cmd.Process.Pid }

// Crash ends the server at once, without a farewell to anybody connected and without flushing;
// what was committed durably is found again by Restart. For tests of what an outage does.
func (s *Server) Crash() {
	_ = s.cmd.Process.Signal(syscall.SIGQUIT) // fails only when it has ended already
	<-s.exited
}

// Restart starts a server that has ended again, under the same URLs. ctx bounds the start.
func (s *Server) Restart(ctx context.Context) error {
	if err := s.again(); err != nil {
		return err
	}
	return s.waitReady(ctx)
}

// Exited is closed when the server has ended, whoever ended it; after Restart there is another.
func (s *Server) Exited() <-chan struct{} { return s.exited }

// Stop ends the server and removes its folder, unless the data is kept
// elsewhere. It may be called more than once and waits until all is gone.
func (s *Server) Stop() error {
	s.stop.Do(func() {
		if s.cmd != nil {
			s.signal()
		}
		if s.keeper != nil {
			s.keeper.dismiss()
		}
		if err := os.RemoveAll(s.run); err != nil {
			s.stopErr = fmt.Errorf("removing the folder of Postgres: %w", err)
		}
	})
	return s.stopErr
}

// signal asks for a fast shutdown when data is kept (it flushes), an immediate
// one when nothing is worth flushing, and kills what does not listen.
func (s *Server) signal() {
	how := syscall.SIGINT
	if strings.HasPrefix(s.data, s.run) {
		how = syscall.SIGQUIT
	}
	_ = s.cmd.Process.Signal(how) // fails only when it has ended already
	select {
	case <-s.exited:
	case <-time.After(20 * time.Second):
		_ = s.cmd.Process.Kill()
		<-s.exited
	}
}

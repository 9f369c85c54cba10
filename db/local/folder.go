//go:build unix

package local

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// maxSocketPath is what is safe everywhere; Linux allows 107 bytes, others 103.
const maxSocketPath = 100

// account is the user the server runs as; the zero value is ourselves.
type account struct {
	name       string
	credential *syscall.Credential
}

// serverUser is postgres, or nobody, when we are root, whom Postgres refuses.
func serverUser() (account, error) {
	if os.Geteuid() != 0 {
		return account{}, nil
	}
	u, err := user.Lookup("postgres")
	if err != nil {
		if u, err = user.Lookup("nobody"); err != nil {
			return account{}, errors.New("Postgres does not run as root and there is neither a user postgres nor a user nobody: run this as an ordinary user")
		}
	}
	uid, err := strconv.ParseUint(u.Uid, 10, 32)
	if err != nil {
		return account{}, fmt.Errorf("user %s: %w", u.Username, err)
	}
	gid, err := strconv.ParseUint(u.Gid, 10, 32)
	if err != nil {
		return account{}, fmt.Errorf("group of user %s: %w", u.Username, err)
	}
	return account{name: u.Username, credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}, nil
}

// env holds nothing of ours: PG* variables would change where the server looks.
func (a account) env(home string) []string {
	return []string{"PATH=/usr/bin:/bin", "LC_ALL=C", "HOME=" + home}
}

func (a account) own(dir string) error {
	if a.credential == nil {
		return nil
	}
	return os.Chown(dir, int(a.credential.Uid), int(a.credential.Gid))
}

// runFolder makes the folder of one run: short, mode 0700, of the server's user.
func runFolder(who account, o Options) (string, error) {
	var tried []error
	for _, base := range bases(o) {
		if err := canEnter(who, base); err != nil {
			tried = append(tried, err)
			continue
		}
		dir, err := os.MkdirTemp(base, "fwpg")
		if err != nil {
			tried = append(tried, err)
			continue
		}
		if len(filepath.Join(dir, ".s.PGSQL.5432")) >= maxSocketPath {
			tried = append(tried, fmt.Errorf("%s is too long for a socket", dir), os.Remove(dir))
			continue
		}
		if err := who.own(dir); err != nil {
			return "", errors.Join(fmt.Errorf("giving %s to the user %s: %w", dir, who.name, err), os.RemoveAll(dir))
		}
		return dir, nil
	}
	return "", fmt.Errorf("no folder for Postgres: %w", errors.Join(tried...))
}

// bases are tried in order. Memory is several times faster for throw-away data,
// but containers often give it 64 MiB only.
func bases(o Options) []string {
	rest := []string{os.TempDir(), "/tmp", "/var/tmp"}
	if !o.durable() && freeBytes("/dev/shm") > 1<<30 {
		return append([]string{"/dev/shm"}, rest...)
	}
	return rest
}

func freeBytes(dir string) uint64 {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return 0
	}
	return uint64(st.Bavail) * uint64(st.Bsize) //nolint:unconvert // the types differ between systems
}

// canEnter says whether the server's user can pass every folder down to dir.
func canEnter(who account, dir string) error {
	if who.credential == nil {
		return nil
	}
	for d := dir; ; d = filepath.Dir(d) {
		st, err := os.Stat(d)
		if err != nil {
			return err
		}
		mine := st.Sys().(*syscall.Stat_t).Uid == who.credential.Uid
		if st.Mode().Perm()&0o001 == 0 && !(mine && st.Mode().Perm()&0o100 != 0) {
			return fmt.Errorf("the user %s, as whom Postgres has to run, cannot enter %s: choose a folder outside it", who.name, d)
		}
		if d == filepath.Dir(d) {
			return nil
		}
	}
}

// keptFolder makes or takes the folder whose data outlives the run.
func keptFolder(who account, dir string) (string, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "", fmt.Errorf("the data folder: %w", err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("the data folder: %w", err)
	}
	if err := canEnter(who, dir); err != nil {
		return "", err
	}
	data := filepath.Join(dir, "postgres")
	if err := os.Mkdir(data, 0o700); err == nil {
		return data, who.own(data)
	} else if !errors.Is(err, os.ErrExist) {
		return "", fmt.Errorf("the data folder: %w", err)
	}
	return data, nil
}

// Package download fetches the programs of Postgres for machines that have none.
// Only the demo links it.
package download

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"

	embedded "github.com/fergusstrange/embedded-postgres"
)

// Binaries downloads and unpacks into cache, once, and returns the folder that
// holds initdb and postgres. cache must be enterable by the user who will run
// them; "" means a folder beside the system's temporary files. repository is where
// from; "" means the public one.
func Binaries(cache, repository string) func(ctx context.Context) (string, error) {
	if cache == "" {
		cache = filepath.Join(os.TempDir(), fmt.Sprintf("forkwright-postgres-%d", os.Getuid()))
	}
	return func(ctx context.Context) (string, error) {
		unpacked := filepath.Join(cache, "unpacked")
		bin := filepath.Join(unpacked, "bin")
		if isProgram(filepath.Join(bin, "initdb")) && isProgram(filepath.Join(bin, "postgres")) {
			return bin, nil
		}
		if err := os.MkdirAll(cache, 0o755); err != nil {
			return "", err
		}
		done := make(chan error, 1)
		go func() { done <- fetch(cache, unpacked, repository) }()
		select {
		case err := <-done:
			if err != nil {
				return "", err
			}
			return bin, nil
		case <-ctx.Done(): // the library cannot be interrupted; its download dies with us
			return "", ctx.Err()
		}
	}
}

// fetch has the library do what it does before it makes a data folder, and stops
// it there with an encoding that does not exist: the server itself is started by
// us, on a socket, as another user, and never outlives us.
func fetch(cache, unpacked, repository string) error {
	scratch := filepath.Join(cache, "scratch")
	defer os.RemoveAll(scratch)
	port, err := freePort()
	if err != nil {
		return err
	}
	config := embedded.DefaultConfig().
		Version(embedded.V17).CachePath(cache).BinariesPath(unpacked).RuntimePath(scratch).
		Port(port).Encoding("none-stop-here").Logger(io.Discard)
	if repository != "" {
		config = config.BinaryRepositoryURL(repository)
	}
	library := embedded.NewDatabase(config)
	err = library.Start()
	if err == nil {
		err = library.Stop()
	}
	if isProgram(filepath.Join(unpacked, "bin", "initdb")) && isProgram(filepath.Join(unpacked, "bin", "postgres")) {
		return nil
	}
	return errors.Join(errors.New("the programs of Postgres could not be downloaded: install the package postgresql, or name a running server"), err)
}

func isProgram(path string) bool {
	st, err := os.Stat(path)
	return err == nil && st.Mode().IsRegular() && st.Mode().Perm()&0o111 != 0
}

func freePort() (uint32, error) {
	l, err := net.Listen("tcp", "localhost:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return uint32(l.Addr().(*net.TCPAddr).Port), nil
}

package dbtest

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/modules/postgres"
)

// image may be changed by FORKWRIGHT_TEST_PG_IMAGE; 15 and newer will do.
const image = "postgres:17-alpine"

// container starts a server in a container. The reaper that testcontainers runs
// beside it removes it when this process has ended; where that is switched off,
// Main does.
func container(ctx context.Context) (string, func() error, error) {
	name := os.Getenv("FORKWRIGHT_TEST_PG_IMAGE")
	if name == "" {
		name = image
	}
	c, err := postgres.Run(ctx, name,
		postgres.WithUsername("forkwright_admin"), postgres.WithPassword(password), postgres.WithDatabase("postgres"),
		postgres.BasicWaitStrategies(),
		testcontainers.WithTmpfs(map[string]string{"/var/lib/postgresql": "rw"}),
		testcontainers.WithCmd("postgres", "-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off", "-c", "max_connections=200"))
	if err == nil {
		var u string
		if u, err = c.ConnectionString(ctx, "sslmode=disable"); err == nil {
			return u, func() error { return testcontainers.TerminateContainer(c) }, nil
		}
	}
	// A failed start leaves its container behind.
	return "", nil, fmt.Errorf("starting %s: %w", name, errors.Join(err, testcontainers.TerminateContainer(c)))
}

package pgtest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"github.com/testcontainers/testcontainers-go"
	"github.com/testcontainers/testcontainers-go/modules/postgres"

	"firstout/internal/pgboot"
)

const (
	folders = "firstout-test-" // of private servers, in the folder for temporary files
	image   = "postgres:17-alpine"
	// connections leaves room for many tests at once, each with two pools.
	connections = 400
	// abandoned is the age from which the folder of a test process that was killed is removed.
	abandoned = time.Hour
)

// server finds or starts one and gives a superuser's address and how to stop it.
func server(ctx context.Context) (address string, stop func(context.Context) error, err error) {
	if given := os.Getenv("TEST_DATABASE_URL"); given != "" {
		return given, func(context.Context) error { return nil }, nil
	}
	switch kind := os.Getenv("TEST_POSTGRES"); kind {
	case "":
	case "container": // and nothing else: that it works is what is being tested
		if address, stop, err = container(ctx); err != nil {
			return "", nil, fmt.Errorf("TEST_POSTGRES=container: %w", err)
		}
		return address, stop, nil
	default:
		return "", nil, fmt.Errorf("TEST_POSTGRES=%s: want container, or leave it out", kind)
	}
	address, stop, err = private(ctx, pgboot.Config{NoFetch: true})
	if missing := new(pgboot.NotFoundError); !errors.As(err, &missing) {
		return address, stop, err
	}
	address, stop, noContainer := container(ctx)
	if noContainer == nil {
		return address, stop, nil
	}
	address, stop, err = private(ctx, pgboot.Config{})
	if err != nil {
		err = fmt.Errorf("no PostgreSQL for the tests: set TEST_DATABASE_URL to a superuser's address, or start Docker with the image %s (%w), or: %w",
			image, noContainer, err)
	}
	return address, stop, err
}

// private starts a server for this test process alone; it ends with the process, even if that is killed.
func private(ctx context.Context, config pgboot.Config) (string, func(context.Context) error, error) {
	removeAbandoned()
	dir, err := os.MkdirTemp("", folders)
	if err != nil {
		return "", nil, err
	}
	if err := os.Chmod(dir, 0o755); err != nil { // the server's user has to pass
		return "", nil, err
	}
	config.DataDir, config.Throwaway, config.MaxConnections = dir, true, connections
	s, err := pgboot.Start(ctx, config)
	if err != nil {
		return "", nil, errors.Join(err, os.RemoveAll(dir))
	}
	stop := func(ctx context.Context) error { return errors.Join(s.Stop(ctx), os.RemoveAll(dir)) }
	return s.URL("postgres", pgboot.Superuser), stop, nil
}

// removeAbandoned clears away what killed test processes left: a folder whose lock nobody holds. Its age keeps it apart from one that
// is just being set up. What cannot be removed is left to the next.
func removeAbandoned() {
	dirs, _ := filepath.Glob(filepath.Join(os.TempDir(), folders+"*"))
	for _, dir := range dirs {
		if info, err := os.Stat(dir); err != nil || time.Since(info.ModTime()) < abandoned {
			continue
		}
		lock, err := os.Open(filepath.Join(dir, "lock"))
		if err != nil {
			continue
		}
		if syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) == nil {
			_ = os.RemoveAll(dir)
		}
		lock.Close()
	}
}

// container starts one, if a Docker daemon answers.
func container(ctx context.Context) (address string, stop func(context.Context) error, err error) {
	if err := docker(ctx); err != nil {
		return "", nil, err
	}
	c, err := postgres.Run(ctx, image,
		postgres.WithDatabase("postgres"), postgres.WithUsername(pgboot.Superuser), postgres.WithPassword("throwaway"),
		postgres.BasicWaitStrategies(),
		testcontainers.WithCmdArgs("-c", fmt.Sprintf("max_connections=%d", connections), "-c", "synchronous_commit=off", "-c", "full_page_writes=off"))
	stop = func(ctx context.Context) error {
		return testcontainers.TerminateContainer(c, testcontainers.StopContext(ctx))
	}
	if err != nil {
		return "", nil, errors.Join(err, stop(ctx))
	}
	address, err = c.ConnectionString(ctx, "sslmode=disable")
	if err != nil {
		return "", nil, errors.Join(err, stop(ctx))
	}
	return address, stop, nil
}

// docker asks whether a daemon answers; the library panics where it finds no trace of one.
func docker(ctx context.Context) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("docker: %v", p)
		}
	}()
	provider, err := testcontainers.NewDockerProvider()
	if err != nil {
		return fmt.Errorf("docker: %w", err)
	}
	if err := provider.Health(ctx); err != nil {
		return fmt.Errorf("docker: %w", err)
	}
	return nil
}

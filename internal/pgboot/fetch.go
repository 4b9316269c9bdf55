package pgboot

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"time"

	embeddedpostgres "github.com/fergusstrange/embedded-postgres"
)

const (
	// fetchMajor is the version fetched for a new cluster; docker-compose.yml has the same.
	fetchMajor = 17
	// fetchWait bounds a fetch: about 25 MB over a poor line.
	fetchWait = 5 * time.Minute
)

// fetchable are the releases that the fetching library knows of, by major version.
var fetchable = map[int]embeddedpostgres.PostgresVersion{
	15: embeddedpostgres.V15,
	16: embeddedpostgres.V16,
	17: embeddedpostgres.V17,
	18: embeddedpostgres.V18,
}

// cacheDir is where fetched binaries are kept. Root's own cache folder is closed to the server's user.
func (c Config) cacheDir() (string, error) {
	if c.CacheDir != "" {
		return c.CacheDir, nil
	}
	if os.Geteuid() == 0 {
		return "/var/cache/firstout", nil
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("where to keep fetched binaries: %w", err)
	}
	return filepath.Join(dir, "firstout"), nil
}

// fetch gets the binaries of a major version (0: the one for a new cluster) and gives the folder that holds them.
func (c Config) fetch(ctx context.Context, major int) (string, error) {
	if major == 0 {
		major = fetchMajor
	}
	version, ok := fetchable[major]
	if !ok {
		return "", fmt.Errorf("PostgreSQL %d is not among the versions that can be fetched", major)
	}
	cache, err := c.cacheDir()
	if err != nil {
		return "", err
	}
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return "", fmt.Errorf("a folder for fetched binaries: %w", err)
	}
	work, err := os.MkdirTemp(cache, "fetching-")
	if err != nil {
		return "", fmt.Errorf("a folder for fetched binaries: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, fetchWait)
	defer cancel()
	told := c.unpack(ctx, version, work)
	if ctx.Err() != nil {
		return "", told // the library cannot be interrupted and panics if its folder goes: leave that to it
	}
	defer os.RemoveAll(work)
	unpacked := filepath.Join(work, "pgsql")
	if _, err := os.Stat(filepath.Join(unpacked, "bin", "postgres")); err != nil {
		return "", fmt.Errorf("version %s from %s: %w", version, c.repository(), told)
	}
	return keep(unpacked, filepath.Join(cache, string(version)))
}

func (c Config) repository() string {
	if c.RepositoryURL == "" {
		return "the usual repository"
	}
	return c.RepositoryURL
}

// unpack has the library fetch an archive and unpack it to work/pgsql. The library would go on to start a server of its own, on a
// TCP port and not as root. The data folder it is given cannot be cleared (its name ends in a dot), so it ends after unpacking, with
// an error either way: whether there are binaries now is for the caller to see.
func (c Config) unpack(ctx context.Context, version embeddedpostgres.PostgresVersion, work string) error {
	port, err := unusedPort(ctx)
	if err != nil {
		return err
	}
	config := embeddedpostgres.DefaultConfig().Version(version).Port(port).Logger(io.Discard).
		CachePath(filepath.Join(work, "archive")).
		RuntimePath(filepath.Join(work, "run")).
		BinariesPath(filepath.Join(work, "pgsql")).
		DataPath(filepath.Join(work, "none") + "/.")
	if c.RepositoryURL != "" {
		config = config.BinaryRepositoryURL(c.RepositoryURL)
	}
	ended := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				ended <- fmt.Errorf("unpack: %v", p)
			}
		}()
		ended <- embeddedpostgres.NewDatabase(config).Start()
	}()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// keep moves what was unpacked to where it stays, readable for the server's user whatever our umask is. Another process may have
// been faster: then its folder is as good.
func keep(unpacked, to string) (string, error) {
	err := filepath.WalkDir(unpacked, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.Type()&fs.ModeSymlink != 0 {
			return err
		}
		info, err := entry.Info()
		if err != nil {
			return err
		}
		mode := info.Mode().Perm()
		return os.Chmod(path, mode|(mode>>6&0o5)*0o11) // what we may read and run, others may
	})
	if err != nil {
		return "", fmt.Errorf("open fetched binaries to the server's user: %w", err)
	}
	bin := filepath.Join(to, "bin")
	if err := os.Rename(unpacked, to); err != nil && !errors.Is(err, fs.ErrExist) {
		return "", fmt.Errorf("keep fetched binaries: %w", err)
	}
	return bin, nil
}

// unusedPort is a port that nothing listened on a moment ago; the library insists on one though it never gets to use it.
func unusedPort(ctx context.Context) (uint32, error) {
	var config net.ListenConfig
	l, err := config.Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return 0, fmt.Errorf("an unused port: %w", err)
	}
	return uint32(l.Addr().(*net.TCPAddr).Port), l.Close()
}

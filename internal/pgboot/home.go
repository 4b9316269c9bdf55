package pgboot

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// home is the folder that holds everything of one server. Its path is absolute and free of links, so that two names of one folder
// are one server.
type home struct{ path string }

func (h home) data() string         { return filepath.Join(h.path, "data") }
func (h home) unfinished() string   { return filepath.Join(h.path, "data.init") }
func (h home) passwordFile() string { return filepath.Join(h.path, "password") }
func (h home) lockFile() string     { return filepath.Join(h.path, "lock") }
func (h home) logFile() string      { return filepath.Join(h.path, "postgres.log") }
func (h home) stateFile() string    { return filepath.Join(h.data(), "postmaster.pid") }

// socketName is what the folder of the server's socket is called.
func (h home) socketName() string {
	sum := sha256.Sum256([]byte(h.path))
	return "firstout-" + hex.EncodeToString(sum[:6])
}

// names tells whether a socket's folder is one that we make, and may therefore remove.
func (h home) names(socketDir string) bool { return filepath.Base(socketDir) == h.socketName() }

// openHome makes the folder if it is missing. Others may pass through it, as the server's user must, but not list it.
func openHome(dir string) (home, error) {
	if dir == "" {
		return home{}, errors.New("postgres: no data folder named")
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return home{}, fmt.Errorf("postgres: data folder %s: %w", dir, err)
	}
	if _, err := os.Stat(filepath.Join(dir, "PG_VERSION")); err == nil {
		return home{}, fmt.Errorf("postgres: %s is a cluster itself; name the folder that should hold one, in a subfolder called data", dir)
	}
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		if err := makeHome(dir); err != nil {
			return home{}, fmt.Errorf("postgres: make the data folder: %w", err)
		}
	}
	path, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return home{}, fmt.Errorf("postgres: data folder: %w", err)
	}
	return home{path: path}, nil
}

func makeHome(dir string) error {
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return err
	}
	if err := os.Mkdir(dir, 0o700); errors.Is(err, fs.ErrExist) {
		return nil // another process was faster
	} else if err != nil {
		return err
	}
	return os.Chmod(dir, 0o711) // whatever our umask is
}

// tryLock takes the owner's lock, or gives nil where another process has it. The lock goes with the process, so a crash frees it; the
// server does not inherit it.
func (h home) tryLock() (*os.File, error) {
	f, err := os.OpenFile(h.lockFile(), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("postgres: lock the data folder: %w", err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err == nil {
		return f, nil
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, f.Close()
	}
	return nil, fmt.Errorf("postgres: lock %s: %w", h.lockFile(), errors.Join(err, f.Close()))
}

// major is the major version that made the cluster, 0 where there is none yet.
func (h home) major() (int, error) {
	raw, err := os.ReadFile(filepath.Join(h.data(), "PG_VERSION"))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("postgres: which version made the data folder: %w", err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(raw)))
	if err != nil {
		return 0, fmt.Errorf("postgres: which version made the data folder: %s/PG_VERSION holds %q, wanted a number", h.data(), raw)
	}
	return major, nil
}

func (h home) newPassword() (string, error) {
	password := rand.Text()
	if err := os.WriteFile(h.passwordFile(), []byte(password+"\n"), 0o600); err != nil {
		return "", fmt.Errorf("postgres: keep the password: %w", err)
	}
	return password, nil
}

func (h home) readPassword() (string, error) {
	raw, err := os.ReadFile(h.passwordFile())
	if err != nil {
		return "", fmt.Errorf("postgres: the cluster's password is kept beside it; restore that file from where the data came from: %w", err)
	}
	return strings.TrimSpace(string(raw)), nil
}

package pgboot

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
)

const (
	defaultPort           = 5432 // part of the socket's name; nothing listens on it
	defaultMaxConnections = 100
)

// makeCluster runs initdb beside the final place and renames, so that a cluster is there whole or not at all.
func (s *Server) makeCluster(ctx context.Context, b binaries) error {
	unfinished := s.home.unfinished()
	if err := os.RemoveAll(unfinished); err != nil {
		return fmt.Errorf("postgres: clear away an unfinished cluster: %w", err)
	}
	if err := os.Mkdir(unfinished, 0o700); err != nil {
		return fmt.Errorf("postgres: make the cluster's folder: %w", err)
	}
	once, err := s.passwordOnce()
	if err != nil {
		return err
	}
	defer os.Remove(once)
	if err := errors.Join(s.user.own(unfinished), s.user.own(once)); err != nil {
		return err
	}
	args := []string{"-D", unfinished, "-U", Superuser, "-A", "scram-sha-256", "--pwfile=" + once, "-E", "UTF8", "--locale=C", "--no-instructions"}
	if s.cfg.Throwaway {
		args = append(args, "--no-sync")
	}
	if said, err := s.command(ctx, unfinished, b.initdb(), args...).CombinedOutput(); err != nil {
		return fmt.Errorf("postgres: %s: %w: %s", b.initdb(), err, said)
	}
	if err := os.Rename(unfinished, s.home.data()); err != nil {
		return fmt.Errorf("postgres: put the new cluster in its place: %w", err)
	}
	return nil
}

// passwordOnce makes the cluster's password and gives a copy of it that initdb can read as another user.
func (s *Server) passwordOnce() (string, error) {
	password, err := s.home.newPassword()
	if err != nil {
		return "", err
	}
	f, err := os.CreateTemp(s.home.path, "password-once-")
	if err != nil {
		return "", fmt.Errorf("postgres: hand over the password: %w", err)
	}
	_, err = f.WriteString(password + "\n")
	if err := errors.Join(err, f.Close()); err != nil {
		return "", fmt.Errorf("postgres: hand over the password: %w", errors.Join(err, os.Remove(f.Name())))
	}
	return f.Name(), nil
}

// settings are the server's, for a small machine and one program. What concerns one session is set by who opens it.
func (s *Server) settings() []string {
	set := [][2]string{
		{"listen_addresses", ""},
		{"port", strconv.Itoa(s.port)},
		{"unix_socket_directories", s.socketDir},
		{"unix_socket_permissions", "0700"},
		{"logging_collector", "off"},
		{"log_checkpoints", "off"},        // every few minutes, and of no use here
		{"log_error_verbosity", "terse"},  // the details of an error quote rows
		{"timezone", "UTC"},               // civil dates are never left to the server
		{"log_timezone", "UTC"},           //
		{"jit", "off"},                    // compiling a query costs more than any of ours takes
		{"random_page_cost", "1.1"},       // a solid-state disk, or all in memory
		{"effective_cache_size", "512MB"}, //
		{"max_connections", strconv.Itoa(defaultMaxConnections)},
	}
	if s.cfg.MaxConnections != 0 {
		set = append(set, [2]string{"max_connections", strconv.Itoa(s.cfg.MaxConnections)})
	}
	if s.cfg.Port != 0 {
		set = append(set, [2]string{"listen_addresses", "127.0.0.1"})
	}
	if s.cfg.Throwaway {
		set = append(set, [2]string{"fsync", "off"}, [2]string{"synchronous_commit", "off"}, [2]string{"full_page_writes", "off"})
	}
	args := make([]string, 0, 2*len(set))
	for _, setting := range set { // of two with one name the later one counts
		args = append(args, "-c", setting[0]+"="+setting[1])
	}
	return args
}

// makeSocketDir makes the folder of the server's socket. A socket's path may have about 107 bytes, too few for most data folders, so
// it stands in the folder for temporary files under a name that follows from the data folder's.
func (s *Server) makeSocketDir() error {
	if err := os.RemoveAll(s.socketDir); err != nil { // a dead server's socket, whose lock could name a process that lives
		return fmt.Errorf("postgres: clear away an old socket: %w", err)
	}
	if err := os.Mkdir(s.socketDir, 0o700); err != nil {
		return fmt.Errorf("postgres: make the socket's folder: %w", err)
	}
	return s.user.own(s.socketDir)
}

// longestSocketFolder leaves room for the socket's own name and its lock's.
const longestSocketFolder = 80

func (s *Server) chooseSocketDir() string {
	name := s.home.socketName()
	if dir := filepath.Join(os.TempDir(), name); len(dir) <= longestSocketFolder && s.user.reaches(os.TempDir()) == nil {
		return dir
	}
	return filepath.Join("/tmp", name)
}

package pgboot

import "context"

// LookIn has binaries looked for in these places only.
func (c Config) LookIn(path string, usual ...string) Config {
	c.places = places{path: path, usual: append([]string{}, usual...)}
	return c
}

// Find gives the folder that a start would take for a cluster of that major version (0: a new one), and the reason.
func Find(ctx context.Context, cfg Config, major int) (dir, reason string, err error) {
	s, err := prepare(cfg)
	if err != nil {
		return "", "", err
	}
	b, err := s.find(ctx, major)
	return b.dir, b.reason, err
}

// Running gives the number of the process that serves a data folder, 0 where none does.
func Running(dataDir string) (int, error) {
	st, live, err := home{path: dataDir}.running()
	if !live {
		return 0, err
	}
	return st.pid, err
}

// SocketDir is where the server's socket is.
func (s *Server) SocketDir() string { return s.socketDir }

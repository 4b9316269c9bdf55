// Package pgboot starts a private PostgreSQL server for this program, so that a machine with PostgreSQL's binaries, or with a
// network to fetch them, needs no set-up step. The server has a data folder and a Unix socket of its own, listens on no network
// unless asked to, keeps running when a terminal sends Ctrl-C, is stopped in an orderly way by [Server.Stop], and is started again
// when it dies under us.
//
// It knows nothing of what is kept in the database and imports no other package of this program. It starts no containers: who
// prefers Docker runs docker-compose.yml and sets DATABASE_URL, and then this package is not called at all.
//
// It runs on Unix systems. What it needs of one data folder stands in that folder:
//
//	data/           the cluster, owned by the server's user
//	password        the superuser's password, 0600
//	lock            held (flock) by the process that owns the server
//	postgres.log    what the server says; begun anew when it has grown too long
package pgboot

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"strconv"
	"sync"
	"time"
)

// Superuser is the role that owns the cluster. Its password is in the data folder.
const Superuser = "firstout"

const (
	// startWait bounds a start. A server that has to recover replays at most max_wal_size (1 GB) of its log first.
	startWait = 10 * time.Minute
	// pollEvery is how often the state file of a server that we start is read, and guestEvery that of another process's.
	pollEvery  = 5 * time.Millisecond
	guestEvery = 25 * time.Millisecond
	// sayEvery is how often a start that takes long says that it is still going on.
	sayEvery = 10 * time.Second
)

// Config says where the server lives and how it runs. Only DataDir is required.
type Config struct {
	// DataDir is the folder that holds everything of this server; it is made if missing. When started as root, every folder above
	// it must let the server's own user through.
	DataDir string

	// BinDir names the folder that holds postgres and initdb. Empty: they are looked for.
	BinDir string

	// CacheDir keeps fetched binaries. Empty: /var/cache/firstout as root, else firstout in the user's cache folder.
	CacheDir string

	// RepositoryURL is where binaries are fetched from if none are found. Empty: the fetching library's own default.
	RepositoryURL string

	// NoFetch forbids fetching: binaries are found on this machine or the start fails.
	NoFetch bool

	// Throwaway is for tests: the server does not wait for the disk, so that a crash of the machine may lose everything, and (on
	// Linux) it dies with the process that started it, however that one dies.
	Throwaway bool

	// Port makes the server listen on 127.0.0.1 as well. 0: on its Unix socket only.
	Port int

	// MaxConnections is the server's max_connections. 0: 100.
	MaxConnections int

	// Log gets one line with the reason for the choice of binaries, and one for each unexpected end. Nil: nothing is logged.
	Log *slog.Logger

	places places // where to look; zero: the machine's own places
}

// Server is a running private server: ours to stop (see [Server.Owner]), or another process's, to which we are a guest.
type Server struct {
	cfg      Config
	log      *slog.Logger
	home     home
	user     account
	password string

	socketDir string
	port      int

	lock  *os.File      // held by the owner, nil for a guest
	stop  func()        // tells the keeper to end
	hurry func()        // closes rush
	rush  chan struct{} // closed: do not wait for sessions to end
	gone  chan struct{} // closed once the keeper has ended
	err   error         // what went wrong while stopping; read after gone
}

// Start gives the server of cfg.DataDir, ready for connections. The first process to ask owns it: it makes the cluster if there is
// none, starts the server, or takes over one that a crashed owner left running. Any other process is a guest of that owner.
//
// A [*NotFoundError] means that there are no binaries to start.
func Start(ctx context.Context, cfg Config) (*Server, error) {
	s, err := prepare(cfg)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, startWait)
	defer cancel()
	waiting := s.progress(guestEvery, "postgres: waiting for the process that owns the data folder to have its server ready")
	for {
		lock, err := s.home.tryLock()
		if err != nil {
			return nil, err
		}
		if lock != nil {
			if err := s.own(ctx, lock); err != nil {
				return nil, err
			}
			return s, nil
		}
		joined, err := s.join(ctx)
		if err != nil {
			return nil, err
		}
		if joined {
			return s, nil
		}
		if err := waiting(ctx); err != nil {
			return nil, fmt.Errorf("postgres: another process holds %s, but its server did not become ready: %w", s.home.lockFile(), err)
		}
	}
}

// prepare settles the folder and the user before anything is started.
func prepare(cfg Config) (*Server, error) {
	s := &Server{cfg: cfg, log: cfg.Log, port: defaultPort}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if cfg.Port != 0 {
		s.port = cfg.Port
	}
	var err error
	if s.home, err = openHome(cfg.DataDir); err != nil {
		return nil, err
	}
	if s.user, err = serverAccount(s.home.data()); err != nil {
		return nil, err
	}
	if err := s.user.reaches(s.home.path); err != nil {
		return nil, fmt.Errorf("postgres: data folder %s: %w; PostgreSQL does not run as root, so choose a folder that this user reaches, "+
			"such as /var/lib/firstout, or open the one named with chmod o+x", s.home.path, err)
	}
	return s, nil
}

// own makes this process the server's owner: adopt what a crash left running, else launch, and keep it running from here on.
func (s *Server) own(ctx context.Context, lock *os.File) error {
	s.lock = lock
	p, err := s.begin(ctx)
	if err != nil {
		return errors.Join(err, s.tidy())
	}
	s.rush, s.gone = make(chan struct{}), make(chan struct{})
	s.hurry = sync.OnceFunc(func() { close(s.rush) })
	keeping, stop := context.WithCancel(context.WithoutCancel(ctx))
	s.stop = stop
	go s.keep(keeping, p)
	return nil
}

func (s *Server) begin(ctx context.Context) (*process, error) {
	p, err := s.adopt(ctx)
	if err != nil {
		return nil, err
	}
	if p == nil {
		s.socketDir = s.chooseSocketDir()
		if p, err = s.launch(ctx); err != nil {
			return nil, err
		}
	}
	if s.password, err = s.home.readPassword(); err != nil {
		return nil, errors.Join(err, p.stop(nil))
	}
	return p, nil
}

// join makes this process a guest, if the owner's server is ready.
func (s *Server) join(ctx context.Context) (bool, error) {
	state, live, err := s.home.running()
	if err != nil || !live || !state.ready {
		return false, err
	}
	s.socketDir, s.port = state.socketDir, state.port
	if s.password, err = s.home.readPassword(); err != nil {
		return false, err
	}
	s.log.InfoContext(ctx, "postgres: guest of the process that owns this data folder", slog.String("data", s.home.path), slog.Int("server", state.pid))
	return true, nil
}

// progress gives a function that waits for the next look (or returns the context's error) and says the line once in a while.
func (s *Server) progress(every time.Duration, line string) func(context.Context) error {
	tick, say := time.NewTicker(every), time.NewTicker(sayEvery)
	return func(ctx context.Context) error {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-say.C:
			s.log.InfoContext(ctx, line, slog.String("data", s.home.path))
		case <-tick.C:
		}
		return nil
	}
}

// Owner tells whether this process owns the server. A guest's server ends when its owner stops it.
func (s *Server) Owner() bool { return s.lock != nil }

// Password is the password to give to a role of this cluster. It follows from the superuser's password and the role's name, so that
// every process that may read the data folder arrives at the same one and nothing more needs keeping.
func (s *Server) Password(role string) string {
	if role == Superuser {
		return s.password
	}
	mac := hmac.New(sha256.New, []byte(s.password))
	mac.Write([]byte(role))
	return hex.EncodeToString(mac.Sum(nil))
}

// URL is the address of a database for a role over the server's Unix socket. It stays the same when the server is started again.
func (s *Server) URL(database, role string) string {
	query := url.Values{
		"host":    {s.socketDir},
		"port":    {strconv.Itoa(s.port)},
		"sslmode": {"disable"}, // the socket's folder is closed to others
	}
	u := url.URL{Scheme: "postgres", User: url.UserPassword(role, s.Password(role)), Path: "/" + database, RawQuery: query.Encode()}
	return u.String()
}

// Stop stops an owned server: it ends open sessions, writes everything out, and waits for that. Once ctx is done, or after ten
// seconds, it has the server end at once; what was committed is safe in either case. For a guest it does nothing.
// It may be called again.
func (s *Server) Stop(ctx context.Context) error {
	if !s.Owner() {
		return nil
	}
	s.stop()
	select {
	case <-s.gone:
	case <-ctx.Done():
		s.hurry()
		<-s.gone
	}
	return s.err
}

package main

import (
	"crypto/tls"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"firstout/api"
	"firstout/internal/handout"
)

// Config is every setting of the process. The environment fills it, flags stand over the environment; what is set
// to in this process is what serve -h prints.
type Config struct {
	Addr          string // where to listen; without TLS and without a proxy in front, on loopback only
	Data          string // folder of the private PostgreSQL; not used with DATABASE_URL
	DatabaseURL   string // a PostgreSQL of your own, as the role that may add to the log and read it
	MigrateURL    string // the same database, as the role that owns the tables
	PostgresBin   string // folder of postgres and initdb; looked for if not given
	Clock         string // system, or manual: stands still until POST /v1/clock; demo and test books only
	Book          string // what a new book is, for ever: real or test
	BehindProxy   bool   // a proxy ends TLS in front of this: listen on any address
	TLSCert       string // PEM file of the certificate; with TLSKey the server speaks TLS itself
	TLSKey        string // PEM file of the certificate's key
	Identifiers   string // https URI under which things have theirs in what other systems read; of a domain of your own
	RatePerSecond int    // requests a second that one key may make, with bursts of twice as many

	SealKey           string // file with the key that the log is sealed with, or the key itself; a private PostgreSQL gets one of its own
	CheckpointWebhook string // https address that every new checkpoint is posted to, so that a copy leaves the house
	WebhookLoopback   bool   // that address may be on this machine, also http
}

// setting ties a field to its variable and its flag.
type setting struct {
	variable, flag, help string
	at                   func(*Config) any
}

var settings = []setting{
	{"FIRSTOUT_ADDR", "addr", "where to listen; without TLS and without a proxy in front, on loopback only", func(c *Config) any { return &c.Addr }},
	{"FIRSTOUT_DATA", "data", "folder of the private PostgreSQL; not used with DATABASE_URL", func(c *Config) any { return &c.Data }},
	{"DATABASE_URL", "database-url", "a PostgreSQL of your own, as the role that may add to the log and read it", func(c *Config) any { return &c.DatabaseURL }},
	{"DATABASE_MIGRATE_URL", "database-migrate-url", "the same database, as the role that owns the tables", func(c *Config) any { return &c.MigrateURL }},
	{"FIRSTOUT_POSTGRES_BIN", "postgres-bin", "folder of postgres and initdb; looked for if not given", func(c *Config) any { return &c.PostgresBin }},
	{"FIRSTOUT_CLOCK", "clock", "system, or manual: stands still until POST /v1/clock; demo and test books only", func(c *Config) any { return &c.Clock }},
	{"FIRSTOUT_BOOK", "book", "what a new book is, for ever: real or test", func(c *Config) any { return &c.Book }},
	{"FIRSTOUT_BEHIND_PROXY", "behind-proxy", "a proxy ends TLS in front of this: listen on any address", func(c *Config) any { return &c.BehindProxy }},
	{"FIRSTOUT_TLS_CERT", "tls-cert", "PEM file of the certificate; with tls-key the server speaks TLS itself", func(c *Config) any { return &c.TLSCert }},
	{"FIRSTOUT_TLS_KEY", "tls-key", "PEM file of the certificate's key", func(c *Config) any { return &c.TLSKey }},
	{"FIRSTOUT_IDENTIFIERS", "identifiers", "https URI under which things have theirs in what other systems read (EPCIS); of a domain of your own", func(c *Config) any { return &c.Identifiers }},
	{"FIRSTOUT_RATE", "rate", "requests a second that one key may make, with bursts of twice as many", func(c *Config) any { return &c.RatePerSecond }},
	{"FIRSTOUT_SEAL_KEY", "seal-key", "file with the key that the log is sealed with (firstout keys seal makes one), or in the environment the key itself; kept away from the database. Without it a private PostgreSQL gets one in its data folder, and a PostgreSQL of your own is not sealed", func(c *Config) any { return &c.SealKey }},
	{"FIRSTOUT_CHECKPOINT_WEBHOOK", "checkpoint-webhook", "https address that every new checkpoint is posted to, so that a copy leaves the house", func(c *Config) any { return &c.CheckpointWebhook }},
	{"FIRSTOUT_CHECKPOINT_WEBHOOK_LOOPBACK", "checkpoint-webhook-loopback", "that address may be on this machine, also http", func(c *Config) any { return &c.WebhookLoopback }},
}

func defaults() Config {
	return Config{Addr: "127.0.0.1:8080", Data: defaultData(), Clock: "system", RatePerSecond: 200, Identifiers: api.DefaultIdentifiers}
}

// defaultData is a folder that a server's own user can be let into: not below the super-user's home.
func defaultData() string {
	if os.Geteuid() == 0 {
		return "/var/lib/firstout"
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "firstout-data"
	}
	return filepath.Join(home, ".local", "share", "firstout")
}

// A subcommand is what readConfig and a help page must know of one.
type subcommand struct {
	name  string              // with the words before it, such as "keys create"
	does  string              // what it does, as a help page begins
	flags func(*flag.FlagSet) // adds its own flags; nil: it has none
	takes string              // what its one argument is, such as FILE; empty: it takes none
	at    *string             // where the argument goes
}

// readConfig fills the settings from the environment and then from flags. A FIRSTOUT_… variable that is none of them
// is an error: a setting that is mistyped must not be silently without effect. With -h among the flags it prints the
// subcommand's page and gives flag.ErrHelp.
func readConfig(of subcommand, args, environ []string, out io.Writer) (Config, error) {
	c := defaults()
	if err := c.readEnvironment(environ); err != nil {
		return c, err
	}
	own := flag.NewFlagSet("firstout "+of.name, flag.ContinueOnError)
	if of.flags != nil {
		of.flags(own)
	}
	all := flag.NewFlagSet("firstout "+of.name, flag.ContinueOnError)
	all.SetOutput(io.Discard) // what is wrong is told by the error alone
	own.VisitAll(func(f *flag.Flag) { all.Var(f.Value, f.Name, f.Usage) })
	for _, s := range settings {
		switch at := s.at(&c).(type) {
		case *string:
			all.StringVar(at, s.flag, *at, s.help)
		case *bool:
			all.BoolVar(at, s.flag, *at, s.help)
		case *int:
			all.IntVar(at, s.flag, *at, s.help)
		}
	}
	err := all.Parse(args)
	if err == nil && of.takes != "" && all.NArg() > 0 {
		*of.at = all.Arg(0)
		err = all.Parse(all.Args()[1:]) // flags may stand behind it
	}
	switch {
	case errors.Is(err, flag.ErrHelp):
		return c, errors.Join(c.printHelp(of, own, out), flag.ErrHelp)
	case err != nil:
		return c, fmt.Errorf("%w: firstout %s -h tells what there is", err, of.name)
	case all.NArg() > 0:
		return c, fmt.Errorf("firstout %s takes no argument %q: firstout %s -h tells what there is", of.name, all.Arg(0), of.name)
	case of.takes != "" && *of.at == "":
		return c, fmt.Errorf("firstout %s takes a %s: firstout %s -h tells what there is", of.name, of.takes, of.name)
	}
	return c, c.check()
}

func (c *Config) readEnvironment(environ []string) error {
	for _, entry := range environ {
		variable, value, _ := strings.Cut(entry, "=")
		at := slices.IndexFunc(settings, func(s setting) bool { return s.variable == variable })
		switch {
		case at >= 0 && value != "":
			if err := put(settings[at].at(c), value); err != nil {
				return fmt.Errorf("%s: %w", variable, err)
			}
		case at < 0 && strings.HasPrefix(variable, "FIRSTOUT_"):
			return fmt.Errorf("%s is no setting: did you mean %s? firstout serve -h tells them all", variable, nearestSetting(variable))
		}
	}
	return nil
}

func put(at any, value string) error {
	switch at := at.(type) {
	case *string:
		*at = value
	case *bool:
		is, err := strconv.ParseBool(value)
		if err != nil {
			return fmt.Errorf("expected true or false, not %q", value)
		}
		*at = is
	case *int:
		n, err := strconv.Atoi(value)
		if err != nil {
			return fmt.Errorf("expected a whole number, not %q", value)
		}
		*at = n
	}
	return nil
}

func (c Config) check() error {
	switch {
	case c.Clock != "system" && c.Clock != "manual":
		return fmt.Errorf("the clock is system or manual, not %q", c.Clock)
	case c.Book != "" && c.Book != "real" && c.Book != "test":
		return fmt.Errorf("a book is real or test, not %q", c.Book)
	case (c.TLSCert == "") != (c.TLSKey == ""):
		return errors.New("TLS needs both a certificate file and a key file: give FIRSTOUT_TLS_CERT and FIRSTOUT_TLS_KEY, or neither")
	case !isIdentifierBase(c.Identifiers):
		return fmt.Errorf("FIRSTOUT_IDENTIFIERS %q: expected a URI such as https://id.example.com, without a query", c.Identifiers)
	case c.RatePerSecond < 1:
		return errors.New("the rate is at least one request a second")
	case c.DatabaseURL == "" && c.MigrateURL != "":
		return errors.New("DATABASE_MIGRATE_URL is given without DATABASE_URL: give both")
	}
	if c.CheckpointWebhook != "" {
		if _, err := handout.New(handout.Config{URL: c.CheckpointWebhook, AllowLoopback: c.WebhookLoopback}); err != nil {
			return fmt.Errorf("FIRSTOUT_CHECKPOINT_WEBHOOK: %w", err)
		}
	}
	return c.checkAddr()
}

// checkAddr keeps a server without TLS on loopback, unless a proxy ends TLS in front of it.
func (c Config) checkAddr() error {
	host, _, err := net.SplitHostPort(c.Addr)
	if err != nil {
		return fmt.Errorf("the address is host:port, such as 127.0.0.1:8080: %w", err)
	}
	if host == "localhost" { // what that is, is seen when it is listened on
		return nil
	}
	return c.checkHost(host)
}

// checkHost is checkAddr of an address that is listened on or is to be.
func (c Config) checkHost(host string) error {
	if c.TLSCert != "" || c.BehindProxy {
		return nil
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return fmt.Errorf("%s is not on loopback: keys would travel in the clear. Give a certificate (FIRSTOUT_TLS_CERT, FIRSTOUT_TLS_KEY), or say FIRSTOUT_BEHIND_PROXY=true if a proxy ends TLS in front", c.Addr)
	}
	return nil
}

// tls gives the certificate of the settings, nil if there is none.
func (c Config) tls() (*tls.Config, error) {
	if c.TLSCert == "" {
		return nil, nil
	}
	pair, err := tls.LoadX509KeyPair(c.TLSCert, c.TLSKey)
	if err != nil {
		return nil, fmt.Errorf("the certificate of FIRSTOUT_TLS_CERT (%s) with the key of FIRSTOUT_TLS_KEY (%s): %w", c.TLSCert, c.TLSKey, err)
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}, nil
}

// isIdentifierBase says whether other URIs can be made of one by adding to its path.
func isIdentifierBase(text string) bool {
	u, err := url.Parse(text)
	return err == nil && u.Scheme == "https" && u.Host != "" && u.RawQuery == "" && u.Fragment == "" && u.User == nil
}

// Command firstout keeps the book of a small chocolate workshop: it serves the book over HTTP, migrates and rebuilds
// it, makes keys for it, and plays a demo.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Environ(), os.Stdout)
	stop()
	if err != nil && !errors.Is(err, flag.ErrHelp) {
		fmt.Fprintln(os.Stderr, "firstout:", err)
		os.Exit(1)
	}
}

// subcommands are what the program can be told to do, in the order in which usage tells them.
var subcommands = []struct {
	name, does string
	run        func(ctx context.Context, args []string, environ []string, out io.Writer) error
}{
	{"serve", "serve the book over HTTP", serve},
	{"demo", "play three weeks of an invented shop on a throw-away PostgreSQL, then serve it", demonstrate},
	{"migrate", "bring the database to this program's schema", migrate},
	{"rebuild", "work out every derived table anew from the log and swap it in", rebuild},
	{"backup", "write the whole book into a file, or bring such a file up to date", backUp},
	{"restore", "put the book of such a file into an empty database", restore},
	{"epoch", "tell positions of now from those before the database was put back", epoch},
	{"verify", "check that nothing in the book was altered, and name what was", verify},
	{"keys", "create, list or revoke API keys, erase who held one, or make a key to seal with", keys},
}

// run does what the arguments say. Everything the process has is an argument, so that a test can be the process.
func run(ctx context.Context, args, environ []string, out io.Writer) error {
	if len(args) > 0 {
		for _, c := range subcommands {
			if c.name == args[0] {
				return c.run(ctx, args[1:], environ, out)
			}
		}
	}
	fmt.Fprintln(out, "firstout keeps the book of a small chocolate workshop\n\nusage: firstout COMMAND [flags]")
	for _, c := range subcommands {
		fmt.Fprintf(out, "  %-8s %s\n", c.name, c.does)
	}
	fmt.Fprintln(out, "\nfirstout COMMAND -h tells the command's flags and every setting with the value in force.")
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		return flag.ErrHelp
	}
	return fmt.Errorf("there is no command %q: firstout -h tells those there are", args[0])
}

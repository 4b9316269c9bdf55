package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"firstout/api"
	"firstout/internal/events/eventlog"
)

// keyFlags are what a key is made with.
type keyFlags struct {
	name, site, expires string
	roles               []string
}

// keys creates, lists and revokes API keys, whether or not the book is being served.
func keys(ctx context.Context, args, environ []string, out io.Writer) error {
	if len(args) == 0 {
		return errors.New("keys takes create, list or revoke")
	}
	var f keyFlags
	more := func(flags *flag.FlagSet) {
		flags.StringVar(&f.name, "name", "", "what the key is called; unique among keys in force")
		flags.StringVar(&f.site, "site", "", "the site it is bound to; empty: every site")
		flags.StringVar(&f.expires, "expires", "", "until when it is good (RFC 3339); empty: until it is revoked")
		flags.Func("role", "what it may do: "+strings.Join(api.Roles, ", ")+"; say it again for more roles", func(role string) error {
			if !slices.Contains(api.Roles, role) {
				return fmt.Errorf("there is no role %q", role)
			}
			f.roles = append(f.roles, role)
			return nil
		})
	}
	if !slices.Contains([]string{"create", "list", "revoke"}, args[0]) {
		return fmt.Errorf("keys takes create, list or revoke, not %q", args[0])
	}
	return withDatabase(ctx, "keys "+args[0], args[1:], environ, out, more, func(db *database, _ []string) error {
		switch args[0] {
		case "create":
			return f.create(ctx, db, out)
		case "revoke":
			return f.revoke(ctx, db, out)
		}
		return listKeys(ctx, db, out)
	})
}

// create makes a key and prints it as the last line: it is told this once and kept nowhere.
func (f keyFlags) create(ctx context.Context, db *database, out io.Writer) error {
	if f.name == "" || len(f.roles) == 0 {
		return errors.New("a key needs --name and at least one --role")
	}
	var expires *time.Time
	if f.expires != "" {
		at, err := time.Parse(time.RFC3339, f.expires)
		if err != nil {
			return fmt.Errorf("--expires: %w", err)
		}
		expires = &at
	}
	secret, key, err := eventlog.CreateKey(ctx, db.pool, f.name, f.roles, f.site, expires, time.Now())
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "%s may act as %s; this is told once:\n%s\n", key.Name, strings.Join(key.Roles, ", "), secret)
	return err
}

func (f keyFlags) revoke(ctx context.Context, db *database, out io.Writer) error {
	if err := eventlog.RevokeKey(ctx, db.pool, f.name, time.Now()); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out, "%s is revoked\n", f.name)
	return err
}

func listKeys(ctx context.Context, db *database, out io.Writer) error {
	all, err := eventlog.ListKeys(ctx, db.pool)
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "NAME\tROLES\tSITE\tCREATED\tEXPIRES\tREVOKED")
	at := func(t *time.Time) string {
		if t == nil {
			return "-"
		}
		return t.Format(time.RFC3339)
	}
	for _, k := range all {
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\n", k.Name, strings.Join(k.Roles, ","), k.Site, at(&k.CreatedAt), at(k.ExpiresAt), at(k.RevokedAt))
	}
	return table.Flush()
}

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
	"unicode"

	"firstout/api"
	"firstout/internal/events/eventlog"
	"firstout/internal/projections"
)

// newKey is what a key is made with.
type newKey struct {
	name, site string
	roles      []string
	expires    *time.Time
}

// keys creates, lists and revokes API keys, whether or not the book is being served.
func keys(ctx context.Context, args, environ []string, out io.Writer) error {
	if len(args) == 0 {
		return errors.New("keys takes create, list, revoke or seal: firstout keys -h tells more")
	}
	switch args[0] {
	case "create":
		return createKey(ctx, args[1:], environ, out)
	case "list":
		of := subcommand{name: "keys list", does: "list every key there ever was, with its state; no key itself is kept"}
		return withDatabase(ctx, of, args[1:], environ, out, func(db *database) error { return listKeys(ctx, db, out) })
	case "revoke":
		return revokeKey(ctx, args[1:], environ, out)
	case "seal":
		return createSealKey(args[1:], environ, out)
	case "-h", "--help", "-help", "help":
		fmt.Fprintln(out, "firstout keys: create, list or revoke API keys, or make a key to seal the log with\n\nusage: firstout keys create|list|revoke|seal [flags]\n\nfirstout keys create -h and so on tell the flags of each.")
		return flag.ErrHelp
	}
	return fmt.Errorf("keys takes create, list, revoke or seal, not %q", args[0])
}

func createKey(ctx context.Context, args, environ []string, out io.Writer) error {
	var k newKey
	of := subcommand{name: "keys create", does: "make a key and print it as the last line: it is told this once and kept nowhere", flags: k.flags}
	return withDatabase(ctx, of, args, environ, out, func(db *database) error { return k.create(ctx, db, out) })
}

func (k *newKey) flags(flags *flag.FlagSet) {
	flags.StringVar(&k.name, "name", "", "what the key is called; unique among keys in force")
	flags.StringVar(&k.site, "site", "", "the site it is bound to: it reads and writes what stands or was made there; empty: every site")
	flags.Func("expires", "until when it is good, such as 2027-01-31T18:00:00Z (RFC 3339); empty: until it is revoked", func(text string) error {
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			return errors.New("expected a time such as 2027-01-31T18:00:00Z")
		}
		k.expires = &at
		return nil
	})
	flags.Func("role", "what it may do: "+strings.Join(api.Roles, ", ")+"; say it again for more roles", func(role string) error {
		if !slices.Contains(api.Roles, role) {
			return fmt.Errorf("expected one of %s", strings.Join(api.Roles, ", "))
		}
		if !slices.Contains(k.roles, role) {
			k.roles = append(k.roles, role)
		}
		return nil
	})
}

// nameMost bounds a key's name, in letters: it stands in a table.
const nameMost = 60

func (k *newKey) check(now time.Time) error {
	switch {
	case k.name == "" || len(k.roles) == 0:
		return errors.New("a key needs --name and at least one --role")
	case len([]rune(k.name)) > nameMost || strings.ContainsFunc(k.name, unicode.IsControl):
		return fmt.Errorf("--name: expected up to %d letters without control characters", nameMost)
	case k.expires != nil && !k.expires.After(now):
		return fmt.Errorf("--expires: %s has passed: give a time to come", k.expires.Format(time.RFC3339))
	}
	return nil
}

// create makes the key. A site that is not in the book yet may be mistyped, and a key bound to it opens nothing.
func (k *newKey) create(ctx context.Context, db *database, out io.Writer) error {
	now := time.Now()
	if err := k.check(now); err != nil {
		return err
	}
	if k.site != "" {
		site, err := projections.OneDefinition(ctx, db.pool, "site", k.site, 0)
		if err != nil {
			return err
		}
		if site == nil {
			return fmt.Errorf("--site: there is no site %q in the book: define it first, or mend the name", k.site)
		}
	}
	secret, key, err := eventlog.CreateKey(ctx, db.pool, k.name, k.roles, k.site, k.expires, now)
	if err != nil {
		return err
	}
	bound := ""
	if key.Site != "" {
		bound = " at " + key.Site
	}
	_, err = fmt.Fprintf(out, "%s may act as %s%s; this is told once:\n%s\n", key.Name, strings.Join(key.Roles, ", "), bound, secret)
	return err
}

func revokeKey(ctx context.Context, args, environ []string, out io.Writer) error {
	name := ""
	of := subcommand{
		name: "keys revoke", does: "end a key at once and for ever; streams that it opened close within half a minute",
		flags: func(flags *flag.FlagSet) { flags.StringVar(&name, "name", "", "which key, by its name") },
	}
	return withDatabase(ctx, of, args, environ, out, func(db *database) error {
		if name == "" {
			return errors.New("say which key with --name: firstout keys list tells them")
		}
		if err := eventlog.RevokeKey(ctx, db.pool, name, time.Now()); err != nil {
			return err
		}
		_, err := fmt.Fprintf(out, "%s is revoked\n", name)
		return err
	})
}

func listKeys(ctx context.Context, db *database, out io.Writer) error {
	all, err := eventlog.ListKeys(ctx, db.pool)
	if err != nil {
		return err
	}
	now := time.Now()
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "NAME\tROLES\tSITE\tSTATE\tCREATED\tEXPIRES\tREVOKED\tACTOR")
	for _, k := range all {
		site := k.Site
		if site == "" {
			site = "every"
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", k.Name, strings.Join(k.Roles, ","), site, k.State(now),
			timeOrNone(&k.CreatedAt), timeOrNone(k.ExpiresAt), timeOrNone(k.RevokedAt), k.ID)
	}
	return table.Flush()
}

func timeOrNone(t *time.Time) string {
	if t == nil {
		return "-"
	}
	return t.UTC().Format(time.RFC3339)
}

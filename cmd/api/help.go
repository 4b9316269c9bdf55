package main

import (
	"flag"
	"fmt"
	"io"
	"net/url"
	"reflect"
	"regexp"
	"strings"
)

// printHelp prints the page of a subcommand: what it does, its own flags, and every setting with its variable and the
// value in force.
func (c *Config) printHelp(of subcommand, own *flag.FlagSet, out io.Writer) error {
	var page strings.Builder
	usage := of.name
	if of.takes != "" {
		usage += " " + of.takes
	}
	fmt.Fprintf(&page, "firstout %s: %s\n\nusage: firstout %s [flags]\n", of.name, of.does, usage)
	if of.flags != nil {
		page.WriteString("\nFlags of its own:\n")
	}
	own.VisitAll(func(f *flag.Flag) {
		fmt.Fprintf(&page, "  --%s%s\n      %s\n", f.Name, valueInForce(f.Value.String()), f.Usage)
	})
	page.WriteString("\nSettings, with the value in force. A flag stands over its variable.\n")
	for _, s := range settings {
		value := fmt.Sprint(reflect.ValueOf(s.at(c)).Elem())
		fmt.Fprintf(&page, "  --%s, %s%s\n      %s\n", s.flag, s.variable, valueInForce(masked(value)), s.help)
	}
	_, err := io.WriteString(out, page.String())
	return err
}

func valueInForce(value string) string {
	if value == "" {
		return "" // not set
	}
	return " = " + value
}

// passwordInWords finds a password in the other form of a database address, such as "host=db password='a b'".
var passwordInWords = regexp.MustCompile(`(?i)(password\s*=\s*)('(?:[^'\\]|\\.)*'|\S+)`)

// masked hides what a help page must not show of a value: the password in a database's address, a sealing key, what an
// address has in its query.
func masked(value string) string {
	if strings.HasPrefix(value, privateKeyBegins) {
		return "(a key)"
	}
	if !strings.Contains(value, "://") {
		return passwordInWords.ReplaceAllString(value, "${1}xxxxx")
	}
	address, err := url.Parse(value)
	if err != nil {
		return "(an address that cannot be read)"
	}
	query := address.Query()
	for name := range query {
		if strings.Contains(strings.ToLower(name), "password") || strings.HasPrefix(value, "https://") {
			query.Set(name, "xxxxx")
		}
	}
	if address.RawQuery != "" {
		address.RawQuery = query.Encode()
	}
	return address.Redacted()
}

// nearestSetting is the variable that takes the fewest changes of a letter to come to from a mistyped one.
func nearestSetting(mistyped string) string {
	best, fewest := "", -1
	for _, s := range settings {
		if changes := distance(mistyped, s.variable); fewest < 0 || changes < fewest {
			best, fewest = s.variable, changes
		}
	}
	return best
}

// distance counts the letters to put in, take out or change to make one text of another (V. I. Levenshtein, 1965).
func distance(from, to string) int {
	row := make([]int, len(to)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(from) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(to) {
			change := diagonal
			if from[i] != to[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(row[j]+1, row[j+1]+1, change)
		}
	}
	return row[len(to)]
}

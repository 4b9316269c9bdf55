package main

import (
	"bytes"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestAKeysLife makes keys, lists them and revokes one, while the book is served.
func TestAKeysLife(t *testing.T) {
	t.Parallel()
	environ := environment(t)
	base := served(t, environ, "--book", "test")
	said := func(args ...string) string {
		var out bytes.Buffer
		require.NoError(t, run(t.Context(), append([]string{"keys"}, args...), environ, &out))
		return out.String()
	}
	owner := key(t, environ, "me", "owner")
	refused := func(part string, args ...string) {
		require.ErrorContains(t, run(t.Context(), append([]string{"keys"}, args...), environ, io.Discard), part, "%v", args)
	}
	refused("is in use", "create", "--name", "me", "--role", "owner")
	refused("no site", "create", "--name", "stall", "--role", "counter", "--site", "market")

	request, err := http.NewRequestWithContext(t.Context(), http.MethodPut, base+"/v1/sites/market", strings.NewReader(
		`{"name":"Market stall","time_zone":"Europe/Dublin","currency":"EUR","operator":"Example Chocolate Ltd","address":"Market Square","country":"IE"}`))
	require.NoError(t, err)
	request.Header.Set("Authorization", "Bearer "+owner)
	request.Header.Set("Content-Type", "application/json")
	response, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	require.NoError(t, response.Body.Close())
	require.Equal(t, http.StatusCreated, response.StatusCode)

	until := time.Now().Add(time.Hour).UTC().Format(time.RFC3339)
	made := said("create", "--name", "stall", "--role", "counter", "--role", "till", "--role", "counter", "--site", "market", "--expires", until)
	require.Contains(t, made, "stall may act as counter, till at market")
	lines := strings.Split(strings.TrimSpace(made), "\n")
	stall := lines[len(lines)-1]
	status, _ := get(t, base+"/v1/stock", stall)
	require.Equal(t, http.StatusOK, status)
	status, _ = get(t, base+"/v1/lots", stall)
	require.Equal(t, http.StatusForbidden, status)

	gone := key(t, environ, "helper", "owner")
	require.Contains(t, said("revoke", "--name", "helper"), "helper is revoked")
	status, _ = get(t, base+"/v1/sites", gone)
	require.Equal(t, http.StatusUnauthorized, status)
	refused("no such key", "revoke", "--name", "helper")

	list := said("list")
	for _, line := range []string{
		`(?m)^me +owner +every +in force `, `(?m)^stall +counter,till +market +in force .* ` + until + ` +- `, `(?m)^helper +owner +every +revoked `,
	} {
		require.Regexp(t, line, list)
	}
	refused("revoke it first", "erase", "--name", "me")
	refused("no such key", "erase", "--name", "nobody")
	require.NotContains(t, said("erase", "--name", "helper"), "helper")
	list = said("list")
	require.NotContains(t, list, "helper")
	require.Regexp(t, `(?m)^\(erased\) +owner +every +revoked `, list)
	for _, secret := range []string{owner, stall, gone} {
		require.NotContains(t, list, secret)
	}
}

func TestKeysThatCannotBeMade(t *testing.T) {
	t.Parallel()
	for refused, args := range map[string][]string{
		"--name and at least one --role": {"--role", "owner"},
		"at least one --role":            {"--name", "x"},
		"expected one of counter, maker": {"--name", "x", "--role", "boss"},
		"expected a time such as":        {"--name", "x", "--role", "owner", "--expires", "tomorrow"},
		"takes no argument \"anna\"":     {"anna"},
	} {
		var k newKey
		_, err := readConfig(subcommand{name: "keys create", flags: k.flags}, args, nil, io.Discard)
		if err == nil {
			err = k.check(time.Now())
		}
		require.ErrorContains(t, err, refused)
	}
	now := time.Now()
	require.ErrorContains(t, (&newKey{name: "x", roles: []string{"till"}, expires: &now}).check(now), "has passed")
	require.ErrorContains(t, (&newKey{name: "x\n", roles: []string{"till"}}).check(now), "control characters")
	require.ErrorContains(t, (&newKey{name: strings.Repeat("x", nameMost+1), roles: []string{"till"}}).check(now), "up to 60")
}

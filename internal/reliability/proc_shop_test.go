package reliability_test

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The invented shop by the sea: a tank of dark chocolate, and solid pieces made of it, as many as are wanted.
var catalogue = []struct{ path, body string }{
	{"sites/quay-lane", `{"name":"Quay Lane","time_zone":"Europe/Dublin","currency":"EUR"}`},
	{"places/store", `{"name":"Store","site":"quay-lane","storage":"cool"}`},
	{"places/counter", `{"name":"Counter","site":"quay-lane","storage":"cool","sells":true}`},
	{"places/stall", `{"name":"Market stall","site":"quay-lane","storage":"cool","sells":true}`},
	{"suppliers/example-cocoa", `{"name":"Example Cocoa"}`},
	{"ingredients/dark", `{"name":"Dark couverture drops","kind":"couverture","chocolate":"dark","storage":"dry","allergens":[]}`},
	{"vats/vat-dark", `{"name":"Dark tank","chocolate":"dark","site":"quay-lane"}`},
	{"moulds/bar-1000", `{"name":"Bars","cavities":1000}`},
	{"designs/bar", `{"name":"Bar","chocolate":"dark","shell_g":1,"price_minor":100}`},
}

// open defines the shop and fills its tank.
func open(t testing.TB, c *client) {
	t.Helper()
	for _, d := range catalogue {
		_, err := c.must(t.Context(), http.MethodPut, "/v1/"+d.path, "", d.body)
		require.NoError(t, err)
	}
	a, err := c.must(t.Context(), http.MethodPost, "/v1/lots", "open-lot", fmt.Sprintf(
		`{"ingredient":"dark","supplier":"example-cocoa","supplier_lot":"DC-1","quantity_g":20000000,"date_mark":{"kind":"best_before","date":%q},"place":"store"}`,
		time.Now().AddDate(0, 0, 300).Format(time.DateOnly)))
	require.NoError(t, err)
	var lot struct{ Code string }
	require.NoError(t, a.into(&lot))
	_, err = c.must(t.Context(), http.MethodPost, "/v1/vats/vat-dark/melts", "open-melt", fmt.Sprintf(`{"inputs":[{"source":%q,"quantity_g":20000000}]}`, lot.Code))
	require.NoError(t, err)
}

// stockUp puts a run of so many pieces of a design on sale at a place and gives its code.
func stockUp(ctx context.Context, c *client, design, place string, pieces int) (run string, err error) {
	name := strings.Join([]string{"stock", design, place}, "-")
	a, err := c.must(ctx, http.MethodPost, "/v1/runs", name, fmt.Sprintf(
		`{"design":%q,"mould":"bar-1000","moulds":%d,"place":%q,"casting":{"vat":"vat-dark"},"turned_out":{"good":%d}}`, design, (pieces+999)/1000, place, pieces))
	if err != nil {
		return "", err
	}
	var made struct{ Code string }
	if err := a.into(&made); err != nil {
		return "", err
	}
	_, err = c.must(ctx, http.MethodPost, "/v1/runs/"+made.Code+"/releases", name+"-release", fmt.Sprintf(`{"pieces":%d,"place":%q}`, pieces, place))
	return made.Code, err
}

// sale is the body of a sale of one design at the counter.
func sale(design string, pieces int) string {
	return fmt.Sprintf(`{"place":"counter","channel":"counter","lines":[{"design":%q,"pieces":%d}]}`, design, pieces)
}

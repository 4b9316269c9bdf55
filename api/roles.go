package api

import (
	"slices"
	"strings"
)

// The roles that a key can carry.
const (
	roleCounter = "counter"
	roleMaker   = "maker"
	roleOwner   = "owner"
	roleAuditor = "auditor"
	roleTill    = "till"
)

// Roles lists them, for whoever makes keys.
var Roles = []string{roleCounter, roleMaker, roleOwner, roleAuditor, roleTill}

// roles says who may call a route. The zero value lets nobody in.
type roles struct {
	public    bool
	names     []string
	wholeBook bool // not with a key that is bound to a site: what is there cannot be told apart by sites

	thisMachine bool // beside: whoever calls from this machine, without a key
}

// ofTheWholeBook are the same roles, for a route that speaks of the whole book.
func (r roles) ofTheWholeBook() roles {
	r.wholeBook = true
	return r
}

func (r roles) any(of []string) bool {
	return slices.ContainsFunc(of, func(role string) bool { return slices.Contains(r.names, role) })
}

func (r roles) refusal(has []string) string {
	if len(r.names) == 0 {
		return "Nobody may call this address."
	}
	return "A key with the role " + strings.Join(has, " and ") + " may not do this: use one with the role " +
		strings.Join(r.names, " or ") + "."
}

// Who may do what, from the least to the most. What a role may do inside a request (a maker defines no assessment, a
// safety deviation is the owner's, a key bound to a site stays there) is decided where that is known.
var (
	everybody   = roles{public: true}
	counterDoes = roles{names: []string{roleCounter, roleMaker, roleOwner}}
	tillDoes    = roles{names: []string{roleCounter, roleMaker, roleOwner, roleTill}}
	makerDoes   = roles{names: []string{roleMaker, roleOwner}}
	ownerDoes   = roles{names: []string{roleOwner}}
	tillReads   = roles{names: []string{roleCounter, roleMaker, roleOwner, roleAuditor, roleTill}}
	counterSees = roles{names: []string{roleCounter, roleMaker, roleOwner, roleAuditor}}
	makerSees   = roles{names: []string{roleMaker, roleOwner, roleAuditor}}
	auditorSees = roles{names: []string{roleOwner, roleAuditor}}
)

// rights is the one table of who may call what, by method and route pattern. A route that is not in it is shut, and
// a test compares it with the routes that are served.
var rights = map[string]roles{
	"GET /healthz":        everybody,
	"GET /readyz":         everybody,
	"GET /openapi.yaml":   everybody,
	"GET /problems":       everybody,
	"GET /problems/:slug": everybody,
	"GET /docs":           everybody,
	"GET /docs/:name":     everybody,
	"GET /metrics":        {names: []string{roleOwner}, wholeBook: true, thisMachine: true},

	"GET /":             tillReads, // the board
	"GET /login":        everybody,
	"POST /login":       everybody,
	"POST /logout":      everybody,
	"GET /assets/:name": everybody,

	"PUT /v1/sites/:slug":       ownerDoes,
	"PUT /v1/places/:slug":      ownerDoes,
	"PUT /v1/buyers/:slug":      ownerDoes,
	"PUT /v1/suppliers/:slug":   makerDoes,
	"PUT /v1/ingredients/:slug": makerDoes,
	"PUT /v1/formulas/:slug":    makerDoes,
	"PUT /v1/vats/:slug":        makerDoes,
	"PUT /v1/moulds/:slug":      makerDoes,
	"PUT /v1/designs/:slug":     makerDoes,

	// What a counter must know to speak of places and pieces; recipes, suppliers and buyers are not among it.
	"GET /v1/sites":             counterSees,
	"GET /v1/sites/:slug":       counterSees,
	"GET /v1/places":            counterSees,
	"GET /v1/places/:slug":      counterSees,
	"GET /v1/designs":           counterSees,
	"GET /v1/designs/:slug":     counterSees,
	"GET /v1/buyers":            makerSees,
	"GET /v1/buyers/:slug":      makerSees,
	"GET /v1/suppliers":         makerSees,
	"GET /v1/suppliers/:slug":   makerSees,
	"GET /v1/ingredients":       makerSees,
	"GET /v1/ingredients/:slug": makerSees,
	"GET /v1/formulas":          makerSees,
	"GET /v1/formulas/:slug":    makerSees,
	"GET /v1/vats":              makerSees,
	"GET /v1/vats/:slug":        makerSees,
	"GET /v1/moulds":            makerSees,
	"GET /v1/moulds/:slug":      makerSees,

	"PUT /v1/life-scheme":               ownerDoes,
	"GET /v1/life-scheme":               makerSees,
	"GET /v1/reference/ingredients":     makerSees,
	"POST /v1/expiry/estimates":         counterSees, // records nothing
	"POST /v1/lots":                     makerDoes,
	"GET /v1/lots":                      makerSees,
	"GET /v1/lots/:code":                makerSees,
	"POST /v1/lots/:code/openings":      makerDoes,
	"POST /v1/vats/:slug/melts":         makerDoes,
	"POST /v1/vats/:slug/emptyings":     makerDoes,
	"POST /v1/ganaches":                 makerDoes,
	"GET /v1/ganaches":                  makerSees,
	"GET /v1/ganaches/:code":            makerSees,
	"POST /v1/runs":                     makerDoes,
	"GET /v1/runs":                      counterSees,
	"GET /v1/runs/:code":                counterSees,
	"POST /v1/runs/:code/castings":      makerDoes,
	"POST /v1/runs/:code/fillings":      makerDoes,
	"POST /v1/runs/:code/decorations":   makerDoes,
	"POST /v1/runs/:code/cappings":      makerDoes,
	"POST /v1/runs/:code/turnouts":      makerDoes,
	"POST /v1/runs/:code/releases":      makerDoes,
	"POST /v1/boxes":                    counterDoes,
	"GET /v1/boxes":                     counterSees,
	"GET /v1/boxes/:code":               counterSees,
	"POST /v1/boxes/:code/openings":     counterDoes,
	"POST /v1/moves":                    counterDoes,
	"POST /v1/sales":                    tillDoes,
	"POST /v1/tasters":                  counterDoes,
	"POST /v1/discards":                 counterDoes,
	"POST /v1/counts":                   counterDoes,
	"POST /v1/holds":                    counterDoes,
	"GET /v1/holds":                     counterSees,
	"POST /v1/holds/:id/lifts":          ownerDoes,
	"POST /v1/checks":                   counterDoes,
	"GET /v1/deviations":                counterSees,
	"POST /v1/deviations/:id/decisions": makerDoes,
	"POST /v1/redatings":                makerDoes,
	"POST /v1/recalls":                  makerDoes.ofTheWholeBook(), // a maker opens drills
	"GET /v1/recalls":                   makerSees.ofTheWholeBook(),
	"GET /v1/recalls/:id":               makerSees.ofTheWholeBook(),
	"GET /v1/recalls/:id/notice":        makerSees.ofTheWholeBook(),
	"POST /v1/recalls/:id/narrowings":   makerDoes.ofTheWholeBook(),
	"POST /v1/recalls/:id/closings":     makerDoes.ofTheWholeBook(),
	"POST /v1/corrections":              counterDoes, // of what is the caller's to correct: workshop.Correct
	"POST /v1/clock":                    ownerDoes.ofTheWholeBook(),

	"GET /v1/board":                tillReads,
	"GET /v1/board/stream":         tillReads,
	"GET /v1/picks":                tillReads,
	"GET /v1/stock":                tillReads,
	"GET /v1/trace/candidates":     counterSees,
	"GET /v1/trace/:code/back":     makerSees,
	"GET /v1/trace/:code/forward":  makerSees,
	"GET /v1/balances":             auditorSees,
	"GET /v1/balances/:code":       makerSees,
	"GET /v1/waste":                makerSees,
	"GET /v1/labels/stale":         counterSees,
	"GET /v1/labels/:code":         counterSees,
	"POST /v1/labels/:code/prints": counterDoes,
	"GET /v1/events":               auditorSees.ofTheWholeBook(),
	"GET /v1/feed":                 auditorSees.ofTheWholeBook(),

	"GET /v1/log/checkpoint":         auditorSees.ofTheWholeBook(),
	"GET /v1/log/key":                auditorSees.ofTheWholeBook(),
	"GET /v1/log/proofs/inclusion":   auditorSees.ofTheWholeBook(),
	"GET /v1/log/proofs/consistency": auditorSees.ofTheWholeBook(),
}

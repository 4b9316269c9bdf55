package events

// RunStart is what a run is, said once by the first event of the run.
type RunStart struct {
	Design        string `json:"design"`
	DesignVersion int    `json:"design_version"`
	Mould         string `json:"mould"`
	MouldVersion  int    `json:"mould_version"`
	Moulds        int    `json:"moulds"`
	Cavities      int    `json:"cavities"` // moulds × cavities a mould
	Place         string `json:"place"`
}

// RunStarted says that a run was begun of which nothing is cast or decorated yet.
type RunStarted struct {
	Run    Code     `json:"run"`
	Start  RunStart `json:"start"`
	Expiry Expiry   `json:"expiry"`
}

// ChocolateDraw is chocolate drawn from a vat's charge for shells or caps, and what was scraped back.
type ChocolateDraw struct {
	Vat      string `json:"vat"`
	Charge   Code   `json:"charge"`
	Drawn    Mass   `json:"drawn_g"`
	Returned Mass   `json:"returned_g"`
	Basis    string `json:"basis"` // weighed or assumed
}

// Net is what stayed in the moulds.
func (d ChocolateDraw) Net() Mass { return d.Drawn - d.Returned }

// ShellsCast is the shells of a run cast.
type ShellsCast struct {
	Run          Code          `json:"run"`
	Start        *RunStart     `json:"start,omitempty"`
	Draw         ChocolateDraw `json:"draw"`
	TemperatureC *float64      `json:"temperature_c,omitempty"`
	Expiry       Expiry        `json:"expiry"`
	RuleBroken   []string      `json:"rule_broken,omitempty"`
}

// PiecesDecorated is colours or toppings put on at one stage.
type PiecesDecorated struct {
	Run        Code      `json:"run"`
	Start      *RunStart `json:"start,omitempty"`
	Stage      string    `json:"stage"`
	Inputs     []Draw    `json:"inputs"`
	Expiry     Expiry    `json:"expiry"`
	RuleBroken []string  `json:"rule_broken,omitempty"`
}

// MouldsFilled is fillings piped into the shells: from ganaches, or from lots straight.
type MouldsFilled struct {
	Run          Code      `json:"run"`
	Start        *RunStart `json:"start,omitempty"`
	Fillings     []Draw    `json:"fillings"`
	TemperatureC *float64  `json:"temperature_c,omitempty"`
	Expiry       Expiry    `json:"expiry"`
	RuleBroken   []string  `json:"rule_broken,omitempty"`
}

// MouldsCapped is the run's pieces closed. What was scraped off the caps has met filling.
type MouldsCapped struct {
	Run          Code          `json:"run"`
	Start        *RunStart     `json:"start,omitempty"`
	Draw         ChocolateDraw `json:"draw"`
	TemperatureC *float64      `json:"temperature_c,omitempty"`
	Expiry       Expiry        `json:"expiry"`
	RuleBroken   []string      `json:"rule_broken,omitempty"`
}

// PiecesTurnedOut is what came out of the moulds and where it went.
type PiecesTurnedOut struct {
	Run         Code         `json:"run"`
	Place       string       `json:"place"`
	Good        int          `json:"good"`
	Seconds     int          `json:"seconds,omitempty"`
	Broken      int          `json:"broken,omitempty"`
	Unfilled    int          `json:"unfilled,omitempty"`
	Eaten       int          `json:"eaten,omitempty"`
	LeftInMould int          `json:"left_in_mould,omitempty"`
	BrokenTo    string       `json:"broken_to,omitempty"`
	UnfilledTo  *ShellsToVat `json:"unfilled_to,omitempty"`
	PieceMass   Mass         `json:"piece_g"` // kept per piece, by the run's net draws
	RuleBroken  []string     `json:"rule_broken,omitempty"`
}

// ShellsToVat is unfilled shells melted again: they carry their charge's lots back.
type ShellsToVat struct {
	Vat      string `json:"vat"`
	Charge   Code   `json:"charge"`
	Quantity Mass   `json:"quantity_g"`
}

// PiecesReleased is pieces let out for sale, through the gate.
type PiecesReleased struct {
	Run        Code     `json:"run"`
	Grade      string   `json:"grade"` // first or second
	Pieces     int      `json:"pieces"`
	From       string   `json:"from"`
	Place      string   `json:"place"`
	Expiry     Expiry   `json:"expiry"`
	RuleBroken []string `json:"rule_broken,omitempty"`
}

// EventType names the event in the log.
func (RunStarted) EventType() string { return "run_started" }

// EventType names the event in the log.
func (ShellsCast) EventType() string { return "shells_cast" }

// EventType names the event in the log.
func (PiecesDecorated) EventType() string { return "pieces_decorated" }

// EventType names the event in the log.
func (MouldsFilled) EventType() string { return "moulds_filled" }

// EventType names the event in the log.
func (MouldsCapped) EventType() string { return "moulds_capped" }

// EventType names the event in the log.
func (PiecesTurnedOut) EventType() string { return "pieces_turned_out" }

// EventType names the event in the log.
func (PiecesReleased) EventType() string { return "pieces_released" }

// Touches lists the codes concerned.
func (e RunStarted) Touches() []Code { return []Code{e.Run} }

// Touches lists the codes concerned.
func (e ShellsCast) Touches() []Code { return []Code{e.Run, e.Draw.Charge} }

// Touches lists the codes concerned.
func (e PiecesDecorated) Touches() []Code { return append(sources(e.Inputs), e.Run) }

// Touches lists the codes concerned.
func (e MouldsFilled) Touches() []Code { return append(sources(e.Fillings), e.Run) }

// Touches lists the codes concerned.
func (e MouldsCapped) Touches() []Code { return []Code{e.Run, e.Draw.Charge} }

// Touches lists the codes concerned.
func (e PiecesTurnedOut) Touches() []Code {
	codes := []Code{e.Run}
	if e.UnfilledTo != nil {
		codes = append(codes, e.UnfilledTo.Charge)
	}
	return codes
}

// Touches lists the codes concerned.
func (e PiecesReleased) Touches() []Code { return []Code{e.Run} }

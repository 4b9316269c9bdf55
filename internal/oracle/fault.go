package oracle

// A Fault is an error planted in the model, to show that comparing the two books would find it in either of them.
type Fault string

// The planted errors.
const (
	NoFault           Fault = ""
	OversellByOne     Fault = "oversell by one"
	OrderByCode       Fault = "order by code instead of date"
	LateMeltIgnored   Fault = "late melt ignored"
	HoldNotDownstream Fault = "hold not downstream"
	CountNoAnchor     Fault = "count not an anchor"
	MidnightInUTC     Fault = "midnight in UTC"
)

// Faults lists the planted errors.
var Faults = []Fault{OversellByOne, OrderByCode, LateMeltIgnored, HoldNotDownstream, CountNoAnchor, MidnightInUTC}

package events

import "github.com/google/uuid"

// PersonErased says that what identified a supplier or buyer is gone: every version of it that there was. What was erased
// stands nowhere in the log, before or after.
type PersonErased struct {
	Kind   string      `json:"kind"`   // supplier or buyer
	Slug   string      `json:"slug"`   // which stays: lots and sales are traced by it
	People []uuid.UUID `json:"people"` // what the log calls them by, oldest version first
}

// EventType names the event in the log.
func (PersonErased) EventType() string { return "person_erased" }

// Touches is empty: suppliers and buyers have no codes.
func (PersonErased) Touches() []Code { return nil }

// supplierDefined1 had in the log what identifies people. Lifting drops it: it is shown as unknown.
type supplierDefined1 struct {
	Defined
	Name           string `json:"name"`
	Contact        string `json:"contact,omitempty"`
	Address        string `json:"address,omitempty"`
	ApprovalNumber string `json:"approval_number,omitempty"`
}

func (e supplierDefined1) lift() Event {
	return SupplierDefined{Defined: e.Defined, Supplier: Supplier{ApprovalNumber: e.ApprovalNumber}}
}

// buyerDefined1 had in the log what identifies people, as supplierDefined1.
type buyerDefined1 struct {
	Defined
	Name    string `json:"name"`
	Address string `json:"address,omitempty"`
	Contact string `json:"contact,omitempty"`
}

func (e buyerDefined1) lift() Event { return BuyerDefined{Defined: e.Defined} }

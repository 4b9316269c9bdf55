package events

import (
	"time"

	"firstout/internal/civil"
)

// Expiry is a date as it was worked out and written down, with every limit beside it, so that nothing later can
// re-date history. A nil Date means that no whole day is left, or that there is no date yet (Status says which).
type Expiry struct {
	Kind          string         `json:"kind"`   // use_by or best_before
	Date          *civil.Day     `json:"date"`   // inclusive, in the site's zone
	UseBy         *civil.Day     `json:"use_by"` // the earliest use-by limit's day
	DiscardBy     *time.Time     `json:"discard_by"`
	EndsBy        time.Time      `json:"ends_by"` // what first-expiring-first-out orders by
	Binds         string         `json:"binds"`
	Limits        []Limit        `json:"limits"`
	WaterActivity *WaterActivity `json:"water_activity"`
	PH            *float64       `json:"ph"`
	Status        string         `json:"status"`
	UsedShare     float64        `json:"used_share"`
	Instead       *string        `json:"instead"`
	Method        string         `json:"method"`
	Tables        string         `json:"tables"`
	Cautions      []string       `json:"cautions"`
}

// Limit is one of the limits that a date was the earliest of.
type Limit struct {
	Name       string     `json:"name"`
	Date       *civil.Day `json:"date"`
	At         *time.Time `json:"at,omitempty"` // of a limit that is an instant
	Subject    string     `json:"subject,omitempty"`
	Source     string     `json:"source,omitempty"`
	Basis      string     `json:"basis,omitempty"`
	ReleasedBy string     `json:"released_by,omitempty"`
	// LostH is what times out of its class took of it, in hours; WholeSource its source without them.
	LostH       float64 `json:"lost_h,omitempty"`
	WholeSource string  `json:"whole_source,omitempty"`
}

// WaterActivity is what was known of a filling's water activity when it was dated.
type WaterActivity struct {
	Estimated      *float64 `json:"estimated"`
	WithoutEthanol *float64 `json:"without_ethanol"`
	Decision       *float64 `json:"decision"`
	Basis          string   `json:"basis"`
}

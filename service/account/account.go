// Package account says who uses the service: accounts, what a seller prints on
// paper, keys, locations, persons, and the record of who did what.
package account

import (
	"encoding/json"
	"time"

	"github.com/quagmt/udecimal"

	"forkwright/service/caller"
)

// Account is a shop, a storefront, a distributor or an administrator.
type Account struct {
	ID        string
	Name      string // of a business, not of a person
	Roles     []caller.Role
	CreatedAt time.Time
	ClosedAt  *time.Time // its keys stop working
}

// TaxID is one of a seller's registrations; Scheme is its EN 16931 scheme, "VA" for VAT.
type TaxID struct {
	Scheme string `json:"scheme"`
	Value  string `json:"value"`
}

// Contact reaches a shop, not a person.
type Contact struct {
	Phone   string `json:"phone,omitempty"`
	Email   string `json:"email,omitempty"`
	Website string `json:"website,omitempty"`
}

// Labor is what a seller charges for work.
type Labor struct {
	PerMinute map[string]string            `json:"per_minute,omitempty"` // currency -> amount, exact decimal
	Menu      map[string]map[string]string `json:"menu,omitempty"`       // job code -> currency -> amount
}

// Seller is what stands on a seller's paper and how it counts and decides.
type Seller struct {
	AccountID       string
	Version         int64 // 0 for a profile that was never stored
	LegalName       string
	TradingName     string
	Street          string
	StreetMore      string
	Postcode        string
	City            string
	Region          string
	Country         string // ISO 3166-1 alpha-2
	Registration    string
	Contact         Contact
	TaxIDs          []TaxID
	TaxCountry      string
	TaxRegion       string
	DefaultCurrency string // ISO 4217
	PriceBasis      string // "net" or "gross"
	Languages       []string
	BenchLanguage   string                       // "" is the quote's language
	Units           string                       // "metric" or "imperial", for display
	Paper           string                       // "A4" or "Letter"
	Terms           map[string]string            // by language
	Texts           map[string]map[string]string // by code, then language
	Logo            []byte
	LogoType        string // "image/png", "image/jpeg" or ""
	Series          string
	NumberForm      string // such as {series}-{year}-{number:5}
	TimeZone        string // IANA name; decides dates
	ValidityDays    int
	HoldDays        int
	Labor           Labor
	SagTargets      map[string]float64 // by discipline, percent of travel
	UpdatedAt       time.Time
}

// Key is an API key as it may be shown: never its text or digest.
type Key struct {
	ID             string
	AccountID      string
	Prefix         string // recognizes it, opens nothing
	Label          string
	Scopes         []string
	AllowedOrigins []string
	CreatedAt      time.Time
	ExpiresAt      *time.Time
	RevokedAt      *time.Time
	Replaces       string // the key that this one was rotated from
	ReplacedBy     string // the key that it was rotated to
	LastUsedAt     *time.Time
	Uses           int64
}

// NewKey asks for a key. Text is empty for a key made of random bits, or 20 to
// 100 of A-Z, a-z, 0-9, _ and - for one that a script chose.
type NewKey struct {
	AccountID      string
	Label          string
	Scopes         []string
	AllowedOrigins []string
	ExpiresAt      *time.Time
	Text           string
}

// Location is a place with stock.
type Location struct {
	ID                    string // a short code, such as north-store
	AccountID             string // whose feeds it takes
	Name                  string
	TimeZone              string // IANA name
	Policy                json.RawMessage
	DueBy                 string // local time of day by which its nightly feed is due, "02:30", or ""
	CountsExcludePromised bool   // its counts already leave out what is promised
	ClosedUntil           *time.Time
	DaysAway              int // until goods from there are at the counter of a shop; 0 for its own shelf
	LastAsOf              *time.Time
	LastSeq               *int64
}

// Person is the only holder of personal values.
type Person struct {
	ID          string
	AccountID   string
	Name        string
	Email       string
	Phone       string
	Address     string
	Note        string
	RiderMassKg *udecimal.Decimal
	CreatedAt   time.Time
	UsedAt      time.Time
	ErasedAt    *time.Time // all of the above is empty
}

// Event is one entry of the record: who did what to which columns, never a value.
type Event struct {
	No          int64
	AccountID   string // whose record it is
	At          time.Time
	ByAccount   string
	ByKey       string
	Action      string
	SubjectKind string
	SubjectID   string
	Columns     []string
	Codes       map[string]string // states and counts
	RequestID   string
}

// Package caller says who asks. It is an explicit argument of every operation
// and is made only by authentication, never from a request body.
package caller

import "slices"

// Role decides what an account may do and see.
type Role string

// The roles.
const (
	Shop          Role = "shop"          // a point of sale: prices, quotes, own stock
	Storefront    Role = "storefront"    // a web shop's public face: retail prices, stock as yes, few or a date
	Distributor   Role = "distributor"   // stock feeds for its own locations
	Administrator Role = "administrator" // keeps catalog, accounts, keys, notices
)

// Caller is an authenticated key and the account behind it.
type Caller struct {
	AccountID string // uuid
	KeyID     string // uuid
	Roles     []Role // the account's role; the demo account has two
	Scopes    []string
	Origins   []string // browser origins the key may be used from; empty: any, but no browser on another origin can read the answers
	RequestID string   // for events and the log
	Once      Once     // what the request in hand promises; set by its handler
}

// Has reports whether the caller holds any of the roles.
func (c Caller) Has(roles ...Role) bool {
	return slices.ContainsFunc(c.Roles, func(r Role) bool { return slices.Contains(roles, r) })
}

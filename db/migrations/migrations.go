// Package migrations holds the schema, forward only.
package migrations

import "embed"

// Files are the migrations in their order. Each is safe while the previous
// release still serves.
//
//go:embed *.sql
var Files embed.FS

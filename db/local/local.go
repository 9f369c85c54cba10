// Package local finds the Postgres programs of this machine and runs a private
// server with them: for the demo, which may keep its data, and for tests.
//
// The server listens on a unix socket inside a folder that only its own user
// can enter, never on the network. It holds two roles beside its superuser: an
// owner that migrates and a service role that serves; neither is a superuser.
// It never outlives the process that started it.
package local

import (
	"context"
	"net/url"
)

// The superuser of a server started here; initdb makes it.
const superuser = "forkwright_admin"

// MinMajor is the oldest Postgres that is used.
const MinMajor = 15

// Options says what kind of server is wanted. The zero value is an empty one
// whose data is thrown away and never waits for the disk.
type Options struct {
	// Dir keeps the data there between runs; "" starts empty and leaves nothing.
	Dir string
	// Durable waits for the disk at commit, as a real installation does. Kept
	// data is always durable.
	Durable bool
	// MaxConnections is the server's limit; 0 means 100.
	MaxConnections int
	// Download fetches the programs where the machine has none and says in which
	// folder initdb and postgres now are; nil refuses instead.
	Download func(ctx context.Context) (bin string, err error)
	// FindIn is looked at before the machine's usual places.
	FindIn string
}

func (o Options) durable() bool { return o.Durable || o.Dir != "" }

// SuperuserURL connects to a database as the server's superuser.
func (s *Server) SuperuserURL(database string) string { return s.url(superuser, database) }

func (s *Server) url(role, database string) string {
	q := url.Values{"host": {s.run}, "user": {role}}
	return "postgres:///" + url.PathEscape(database) + "?" + q.Encode()
}

package db

import (
	"context"
	"sync"

	"github.com/jackc/pgx/v5"
)

// Within is a store whose transactions are savepoints of the one transaction open
// on conn, for tests that roll everything back. Its calls queue for the connection
// and it cannot listen.
func Within(conn *pgx.Conn, o Options) *DB {
	return &DB{conns: &single{conn: conn}, opts: o.withDefaults()}
}

type single struct {
	mu   sync.Mutex
	conn *pgx.Conn
}

func (s *single) words() txWords {
	return txWords{begin: "SAVEPOINT inner_tx", beginReadOnly: "SAVEPOINT inner_tx", commit: "RELEASE SAVEPOINT inner_tx", rollback: "ROLLBACK TO SAVEPOINT inner_tx"}
}

func (s *single) borrow(context.Context) (*pgx.Conn, func(), error) {
	s.mu.Lock()
	return s.conn, s.mu.Unlock, nil
}

package caller

// Once is a client's promise that a request with the same key is the same request. Whoever
// writes keeps the answer in the same transaction and gives it again to a repetition. The
// zero value promises nothing.
type Once struct {
	Operation string   // which the key belongs to
	Key       string   // as the client chose it; "": no promise
	Body      [32]byte // SHA-256 of what was asked
	Status    int      // of the answer, kept with it
}

package stock

// Upload is a feed about to come in.
type Upload struct {
	Stamp
	Format Format
	Allow  Allow
	DryRun bool
	Rules  string // of what the rows are read by besides the location's own: the catalog's digest
}

package projections

// What the tests look at from outside.
var (
	Statements  = statements
	RebuildLock = rebuildLock
	RebuildBy   = rebuildBy
)

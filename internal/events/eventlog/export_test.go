package eventlog

// The queries of CheckKnown and Carry.
const (
	Shapes  = shapes
	InOrder = inOrder
)

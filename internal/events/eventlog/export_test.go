package eventlog

// Shapes is the query of CheckKnown.
const Shapes = shapes

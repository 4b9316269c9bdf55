package book

// Waiting is how many commands are in the queue.
func Waiting(b *Book) int { return len(b.queue) }

// The sizes that tests come up to.
const (
	QueueLength = queueLength
	GroupSize   = groupSize
)

package book

import "sync"

// A bell lets readers of the log know that there is more of it. Nobody may be listening: then ringing costs a lock
// that nobody contends for.
type bell struct {
	mu   sync.Mutex
	next chan struct{} // nil: nobody listens
}

func (b *bell) listen() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.next == nil {
		b.next = make(chan struct{})
	}
	return b.next
}

func (b *bell) ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.next != nil {
		close(b.next)
		b.next = nil
	}
}

// Changed gives a channel that is closed once this process has written to the book or moved its clock. What other
// processes write does not close it.
func (b *Book) Changed() <-chan struct{} { return b.bell.listen() }

package clock

import "sync"

// Bell wakes one waiter before its time. A ring while nobody waits is kept, and
// any number of rings count as one: the waiter looks for work, and finds all of
// it, each time it wakes. The zero Bell is ready; at most one goroutine may wait
// on it at a time. A nil Bell never rings.
type Bell struct {
	mu   sync.Mutex
	rung bool
	wake func()
}

// Ring wakes the waiter, or the next one to come.
func (b *Bell) Ring() {
	b.mu.Lock()
	wake := b.wake
	b.wake, b.rung = nil, wake == nil
	b.mu.Unlock()
	if wake != nil {
		wake()
	}
}

// arm has the next ring call wake. It reports false, and takes the ring, when
// the bell has been rung already.
func (b *Bell) arm(wake func()) bool {
	if b == nil {
		return true
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.rung {
		b.rung = false
		return false
	}
	b.wake = wake
	return true
}

func (b *Bell) disarm() {
	if b == nil {
		return
	}
	b.mu.Lock()
	b.wake = nil
	b.mu.Unlock()
}

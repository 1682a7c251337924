package store

import "time"

// Finding is something that a check has found, and what to do about it. It names rows
// and handles, and nobody.
type Finding struct {
	At   string // which row, as "case 12"
	What string
	Do   string
}

// AsOf is the same view of the store as if it had begun at t: for checks that ask what
// would have followed then. Nothing is to be written with it.
func (tx *Tx) AsOf(t time.Time) *Tx {
	past := *tx
	past.Now = atStored(t)
	return &past
}

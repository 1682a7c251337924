package room_test

import (
	"testing"
	"time"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
)

// The invented clinic's day: twelve slots of ten minutes from 07:00 to 09:00 in two
// rooms, 40 draws for hCG, 4 transfers.
func TestHolds(t *testing.T) {
	t.Parallel()
	p := plan.DefaultPolicy()
	for s, want := range map[room.Sort]int{room.Monitoring: 24, room.Blood: 40, room.Transfer: 4, room.Other: 0} {
		if got := room.Of(p).Holds(s); got != want {
			t.Errorf("%s: %d, want %d", s, got, want)
		}
	}
	p.Room.Monitoring.PerDay = 0
	if got := room.Of(p).Holds(room.Monitoring); got != 24 {
		t.Errorf("as many as the slots hold: %d, want 24", got)
	}
	p.Room.Monitoring.Every = 30 * time.Minute
	if got := room.Of(p).Holds(room.Monitoring); got != 8 {
		t.Errorf("every half-hour in two rooms: %d, want 8", got)
	}
}

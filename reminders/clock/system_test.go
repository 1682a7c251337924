package clock

import (
	"testing"
	"time"
)

func TestSteppedBack(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		wall, real time.Duration
		want       bool
	}{
		"nothing happened":         {10 * time.Second, 10 * time.Second, false},
		"slewed by a little":       {9900 * time.Millisecond, 10 * time.Second, false},
		"set back an hour":         {-59 * time.Minute, time.Minute, true},
		"set back by two seconds":  {8 * time.Second, 10 * time.Second, true},
		"set forward":              {time.Hour, 10 * time.Second, false},
		"the machine was sleeping": {8 * time.Hour, 10 * time.Second, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := steppedBack(c.wall, c.real); got != c.want {
				t.Errorf("steppedBack(%v, %v) = %v, want %v", c.wall, c.real, got, c.want)
			}
		})
	}
}

func TestSystemUntil(t *testing.T) {
	t.Parallel()
	var s System
	for name, at := range map[string]time.Time{"past": s.Now().Add(-time.Hour), "soon": s.Now().Add(20 * time.Millisecond)} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if err := s.Until(t.Context(), at, nil); err != nil {
				t.Fatal(err)
			}
			if now := s.Now(); now.Before(at) {
				t.Errorf("returned at %v, before %v", now, at)
			}
		})
	}
}

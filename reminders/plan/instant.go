package plan

import (
	"fmt"
	"time"

	"handrail.example/reminders/civil"
)

// ParseInstant reads RFC 3339, to the minute or finer; without an offset the
// wall clock of zone counts, with the daylight-saving rule of civil.Date.At.
func ParseInstant(s string, zone *time.Location) (time.Time, error) {
	if len(s) < len("2006-01-02T15:04") || s[13] != ':' { // time.Parse lets 8:15 pass
		return time.Time{}, fmt.Errorf("at: %q is not a minute", s)
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04Z07:00"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t.In(zone), nil
		}
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if t, err := time.Parse(layout, s); err == nil {
			wall := civil.DateOf(t).At(civil.TimeOfDayOf(t), zone)
			return wall.Add(time.Duration(t.Second())*time.Second + time.Duration(t.Nanosecond())), nil
		}
	}
	return time.Time{}, fmt.Errorf("at: %q is not a minute", s)
}

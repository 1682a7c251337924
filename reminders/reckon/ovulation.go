package reckon

import "time"

// Ovulation is when the first follicle ruptures after an hCG trigger: in real hours,
// across a change of the clocks too. Mean 38.3 h, 34 to 46 h in 37 cycles scanned
// hourly (Andersen 1995, Hum Reprod 10:3202).
func Ovulation(trigger time.Time) (from, mean, to time.Time) {
	return trigger.Add(34 * time.Hour), trigger.Add(38*time.Hour + 18*time.Minute), trigger.Add(46 * time.Hour)
}

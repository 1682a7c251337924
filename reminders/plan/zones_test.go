package plan

import (
	"fmt"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/soniakeys/meeus/v3/julian"
	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
)

// dayNumber is the Julian day number of d, by the algorithm of Meeus,
// Astronomical Algorithms, chapter 7.
func dayNumber(d civil.Date) int {
	return int(julian.CalendarGregorianToJD(d.Year, int(d.Month), float64(d.Day)+0.5))
}

// TestChainInAnyZone: in every zone and over every change of the clocks, leap
// day and year's end, the days of a cycle stand in the counts of the table,
// reckoned by Julian days, and minutes keep their wall clock.
func TestChainInAnyZone(t *testing.T) {
	t.Parallel()
	zones := []string{"America/Chicago", "America/New_York", "Europe/Madrid", "America/Santiago", "Australia/Lord_Howe",
		"Asia/Kathmandu", "Pacific/Auckland", "Pacific/Kiritimati", "Africa/Casablanca", "UTC"}
	policies := map[string]Policy{}
	for _, z := range zones {
		policies[z] = alwaysOpen(t, z)
	}
	rapid.Check(t, func(t *rapid.T) {
		zone := rapid.SampledFrom(zones).Draw(t, "zone")
		p := policies[zone]
		one := civil.MustDate("2024-01-01").AddDays(rapid.IntRange(0, 2500).Draw(t, "day one"))
		trigger := one.AddDays(rapid.IntRange(10, 18).Draw(t, "trigger"))
		hour := rapid.IntRange(4, 23).Draw(t, "hour")
		facts, err := ParseFacts(fmt.Appendf(nil, `[{"fact":"period_start","at":"%sT08:15"},{"fact":"trigger","at":"%sT%02d:30"},
			{"fact":"order","id":"o","drug":"progesterone","dose":200,"unit":"mg","times":["%02d:30"],"from":"%s","stop":{"after_days":40}}]`,
			one, trigger, hour, hour, trigger.AddDays(2)), p.Location())
		if err != nil {
			t.Fatal(err)
		}
		got, err := Build(p, facts, trigger.AddDays(1).At(0, p.Location()))
		if err != nil {
			t.Fatal(err)
		}
		for key, want := range map[string]int{"baseline/1": 2, "monitoring/1": 10} {
			if s, _ := got.Step(key); dayNumber(s.On)-dayNumber(one) != want {
				t.Fatalf("%s: %s is %d days after day one, want %d", key, s.On, dayNumber(s.On)-dayNumber(one), want)
			}
		}
		for key, want := range map[string]int{"trigger/1": 0, "transfer/1": 7, "hcg_first/1": 16, "hcg_repeat/1": 18, "ob_ultrasound/1": 30, "luteal_end/1": 41} {
			s, _ := got.Step(key)
			if n := dayNumber(s.On) - dayNumber(trigger); n != want {
				t.Fatalf("%s: %s is %d days after the trigger, want %d", key, s.On, n, want)
			}
		}
		if len(got.Doses) != 40 {
			t.Fatalf("got %d doses, want 40", len(got.Doses))
		}
		for n, d := range got.Doses {
			if shown := d.At.Format("15:04"); shown != fmt.Sprintf("%02d:30", hour) || dayNumber(civil.DateOf(d.At))-dayNumber(trigger) != 2+n {
				t.Fatalf("dose %d is at %s", n+1, d.At.Format(time.RFC3339))
			}
		}
	})
}

package triage

import (
	"time"

	"handrail.example/triage/rules"
)

// NextHeld is when a taken case comes back to its holder.
func NextHeld(p Policy, u rules.Urgency, page bool, times int, answered bool, now time.Time) time.Time {
	return p.nextHeld(stake{u, page}, holding{times: times, answered: answered}, now)
}

package dialog

import (
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// notes tell staff what the program knows and she did not write.
func (a *applying) notes(c openCase) []triage.Line {
	lines := []triage.Line{{Key: "note.place", Args: phrase.Args{"day": fmt.Sprint(a.m.plan.CycleDay(a.m.today())), "phase": string(a.m.plan.Phase())}}}
	switch one := a.m.plan.CycleDayOne; {
	case one.IsZero():
		lines = []triage.Line{{Key: "note.waiting"}}
	case a.m.today().Before(one):
		lines = []triage.Line{{Key: "note.day_one", Args: phrase.Args{"day": one.String()}}}
	}
	if a.m.bleeds() && a.m.about.Rh == plan.RhNegative {
		lines = append([]triage.Line{{Key: "note.rh_negative"}}, lines...)
	}
	if c.Why == "missing" {
		lines = append(lines, triage.Line{Key: "note.missing", Args: phrase.Args{"items": strings.Join(a.m.missing, ", ")}})
	} else if c.Why != "" {
		lines = append(lines, triage.Line{Key: "note.why", Args: phrase.Args{"why": c.Why}})
	}
	if c.Reason == string(triage.PeriodReported) {
		for _, k := range reckon.Lapses(a.m.checks, a.m.today(), care.TransferDay(a.m.plan)) {
			lines = append(lines, triage.Line{Key: "why." + k.Why.Code, Args: k.Why.Args})
		}
	}
	lines = append(append(lines, c.Notes...), a.unfit...)
	if a.m.in.Kind == Media {
		lines = append(lines, triage.Line{Key: "note.media", Args: phrase.Args{"what": a.m.in.Attachment}})
	}
	return lines
}

// unfit are the conflicts that a change has brought, for staff.
func unfit(m reminders.Moved) []triage.Line {
	had := make(map[string]bool)
	for _, k := range m.Old.Conflicts {
		had[k.Key+k.Why.Code] = true
	}
	var lines []triage.Line
	for _, k := range m.New.Conflicts {
		if !had[k.Key+k.Why.Code] {
			lines = append(lines, triage.Line{Key: "why." + k.Why.Code, Args: k.Why.Args})
		}
	}
	return lines
}

package dialog

import (
	"context"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/triage"
)

// owned is "P-105 owner quoy" and "P-105 note …": who looks after her, and what whoever
// takes her over should know. It reports whether the line was one of them.
func (c *colleague) owned(ctx context.Context, p reminders.Patient, rest string) (bool, error) {
	first, more, _ := strings.Cut(rest, " ")
	desk, more := c.room.Service.Desk, strings.TrimSpace(more)
	known := triage.Known{ID: p.ID}
	var err error
	switch tidy(first) {
	case "owner", "responsable":
		var to triage.Staff
		if to, err = desk.StaffByHandle(ctx, c.tx, more); err == nil {
			err = desk.SetOwner(ctx, c.tx, c.in.Who, known, p.Person, to)
		}
	case "note", "nota":
		if more == "" {
			return false, nil // her contacts, for her chart
		}
		err = desk.WriteNote(ctx, c.tx, c.in.Who, known, p.Person, more)
	default:
		return false, nil
	}
	if err != nil {
		return true, err
	}
	return true, c.showChart(ctx, p.ID)
}

// absentLine is "absent lindqvane quoy 2026-03-12 07:00 to 2026-03-16 16:00": who is
// away, who covers for her, and when.
func (c *colleague) absentLine(ctx context.Context, rest string) error {
	s := newScanner(rest, c.now)
	s.example = "absent"
	if len(s.raw) < 2 {
		return s.fail()
	}
	s.at = 2
	from, to, err := s.spanOfTime()
	if err != nil {
		return err
	}
	desk := c.room.Service.Desk
	away, err := desk.StaffByHandle(ctx, c.tx, s.raw[0])
	if err != nil {
		return err
	}
	cover, err := desk.StaffByHandle(ctx, c.tx, s.raw[1])
	if err != nil {
		return err
	}
	if err := desk.AddAbsence(ctx, c.tx, c.in.Who, triage.Absence{Staff: away, Cover: cover, From: from, To: to}); err != nil {
		return err
	}
	return c.say(ctx, c.phrase("owner.covered", phrase.Args{"who": away.Name, "cover": cover.Name, "from": c.when(from), "to": c.when(to)}), nil)
}

// inHands is who looks after a patient, and the latest hand-over note.
func (c *colleague) inHands(ctx context.Context, p reminders.Patient) ([]string, error) {
	desk := c.room.Service.Desk
	var rows []string
	owner, some, err := desk.Owner(ctx, c.tx, p.ID)
	if err != nil {
		return nil, err
	}
	if some {
		rows = append(rows, c.phrase("owner.of", phrase.Args{"who": owner.Name}))
	}
	notes, err := desk.Notes(ctx, c.tx, p.ID, p.Person)
	if err == nil && len(notes) > 0 {
		rows = append(rows, c.phrase("owner.note", phrase.Args{"at": c.when(notes[0].At), "words": notes[0].Words}))
	}
	return rows, err
}

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"time"

	"handrail.example/cmd/handrail/audit"
	"handrail.example/cmd/handrail/rehearsal"
	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/testdata/reading"
	"handrail.example/triage"
)

// rehearsalStart is a Monday before the clocks go back and before two holidays.
var rehearsalStart = civil.MustDate("2026-10-26")

// rehearsalPolicy is the invented clinic's, with one more day on which it is closed,
// and with room for as many patients as come.
func rehearsalPolicy(patients int) plan.Policy {
	p := plan.DefaultPolicy()
	// Its people know nothing of others' bookings, so they cannot tell on which day a
	// full laboratory leaves a transfer; room has its own tests.
	p.Lab.TransfersPerDay = min(1000, 100+patients)
	p.Room.Monitoring.Rooms, p.Room.Monitoring.PerDay = min(1000, 2+patients/10), 0
	p.Room.Blood.PerDay = min(1000, 40+patients)
	p.Opening.Holidays = append(slices.Clone(p.Opening.Holidays), plan.Holiday{On: rehearsalStart.AddDays(23), Name: "the pipes are mended"})
	return p
}

// clinicOf says of a policy what the people of the clinic know of it.
func clinicOf(p plan.Policy) audit.Clinic {
	day := func(d civil.Date) audit.Day {
		return audit.DayOf(d.At(12*60, time.UTC), time.UTC)
	}
	c := audit.Clinic{Zone: p.Location(), Closed: make(map[audit.Day]bool), CutOff: int(p.Calendar.PeriodCutOff), Eve: int(p.Messages.VisitEvening),
		QuietFrom: int(p.Messages.QuietHours.From), QuietTo: int(p.Messages.QuietHours.To), Morning: int(p.Triage.Morning),
		Tablets: int(p.Messages.DoseDeadlines[plan.Tablet].SameDay), Hormones: p.Messages.DoseDeadlines[plan.Progesterone].After,
		Trigger: p.Messages.DoseDeadlines[plan.TriggerDrug].After,
		// The longest silence of an untaken case: the ladder's steps, and for what can
		// wait the nights and closed days between them.
		Rings: map[string]time.Duration{"emergency": 2 * p.Triage.RepeatLastRung, "same_day": 25 * time.Hour, "routine": 5 * 24 * time.Hour}}
	for _, d := range p.Opening.Days {
		c.Open[d] = true
	}
	for _, d := range p.Lab.Days {
		c.Lab[d] = true
	}
	for d := range p.DaysOff() {
		c.Closed[day(d)] = true
	}
	return c
}

// unsaid are the intents of the labelled messages that would do something to the
// cycle that the patient's body knows nothing of.
var unsaid = []string{"period_start", "period_spotting", "stop_messages", "dose_taken"}

// patientsWords are what patients write in their own words.
func patientsWords() ([]rehearsal.Text, error) {
	var all []rehearsal.Text
	lines := bufio.NewScanner(bytes.NewReader(reading.Look))
	for lines.Scan() {
		var m struct {
			Text, Lang, Kind, Phase string
			Want                    struct {
				Intent  string
				Also    []string
				Urgency string
			}
		}
		if err := json.Unmarshal(lines.Bytes(), &m); err != nil {
			return nil, fmt.Errorf("the labelled messages: %w", err)
		}
		if slices.ContainsFunc(append(m.Want.Also, m.Want.Intent), func(i string) bool { return slices.Contains(unsaid, i) }) {
			continue
		}
		all = append(all, rehearsal.Text{Words: m.Text, Language: m.Lang, // What is an emergency in one phase only is none in another.
			Urgent: m.Kind == "plain" && m.Phase == "" && m.Want.Urgency == "emergency"})
	}
	return all, lines.Err()
}

// phrases lets people recognize what the program says.
type phrases struct{ book *phrase.Book }

// gapShape is a gap that nothing fills.
var gapShape = regexp.MustCompile(`\{[a-z_]+\}`)

func (p phrases) Parts(lang, key string) []string {
	return gapShape.Split(p.book.Say(lang, key, nil), -1)
}

// enrolAtOnce bounds one transaction of the enrolment.
const enrolAtOnce = 200

// populate takes the people of a rehearsal in, as if they had joined before.
func (a *app) populate(ctx context.Context, w *rehearsal.World) error {
	staff := make([]triage.Staff, len(w.Nurses))
	if err := a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		for i, n := range w.Nurses {
			role := triage.Coordinator
			if n.Lead {
				role = triage.Lead
			}
			s, code, err := a.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: n.Handle, Name: n.Name, Role: role, Languages: []string{"en", "es"}})
			if err != nil {
				return err
			}
			if _, joined, err := a.desk.Join(ctx, tx, code, strconv.FormatInt(n.Chat, 10)); err != nil || !joined {
				return fmt.Errorf("%s joined %v: %w", n.Handle, joined, err)
			}
			staff[i] = s
		}
		return a.shifts(ctx, tx, staff, w.Days)
	}); err != nil {
		return err
	}
	for all := range slices.Chunk(w.Patients, enrolAtOnce) {
		if err := a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
			for _, p := range all {
				if err := a.admit(ctx, tx, p, staff[0]); err != nil {
					return fmt.Errorf("%s: %w", p.Handle, err)
				}
			}
			return nil
		}); err != nil {
			return err
		}
	}
	return nil
}

// shifts puts the coordinators on call in turn, by day and by night; in a large
// clinic some together.
func (a *app) shifts(ctx context.Context, tx *store.Tx, staff []triage.Staff, days int) error {
	zone := a.policy.Location()
	together := 1 + len(staff)/10
	for n := range days + 2 {
		d := rehearsalStart.AddDays(n)
		for i, from := range []time.Time{d.At(dayShift, zone), d.At(nightShift, zone)} {
			to := d.At(nightShift, zone)
			if i == 1 {
				to = d.AddDays(1).At(dayShift, zone)
			}
			for k := range together {
				if _, err := a.desk.AddShift(ctx, tx, staff[((2*n+i)*together+k)%len(staff)], from, to); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// admit takes one patient in, her checklist done or not.
func (a *app) admit(ctx context.Context, tx *store.Tx, p *rehearsal.Patient, by triage.Staff) error {
	patient, err := a.enrol(ctx, tx, reminders.NewPatient{Handle: p.Handle, Name: "Invented " + p.Handle, Language: p.Language, Neutral: p.Neutral}, p.Chat)
	if err != nil {
		return err
	}
	for _, item := range slices.Sorted(maps.Keys(a.policy.Readiness)) {
		if !p.Ready && item == "consents" {
			continue
		}
		if err := a.book.SetCheck(ctx, tx, patient.ID, item, rehearsalStart.AddDays(-30), by.Person); err != nil {
			return err
		}
	}
	expects, err := civil.ParseDate(p.Expects.String())
	if err != nil {
		return err
	}
	_, err = a.book.Record(ctx, tx, patient.ID, plan.Fact{Kind: plan.PeriodDue, On: expects}, reminders.Said{By: by.Person})
	return err
}

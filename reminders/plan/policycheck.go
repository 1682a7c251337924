package plan

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// check notes every rule that the policy breaks.
func (p Policy) check(fs *Faults) {
	p.checkClinic(fs)
	p.checkDays(fs)
	p.Opening.Calendar.check(fs)
	p.checkRoom(fs)
	p.checkCalendar(fs)
	p.checkWindows(fs)
	p.checkTrigger(fs)
	p.checkHCG(fs)
	p.checkMessages(fs)
	p.checkTriage(fs)
	p.checkSupply(fs)
	for item, r := range p.Readiness {
		within(fs, "readiness."+item+".valid_days", r.ValidDays, 0, 3650)
	}
	within(fs, "records.keep_years", p.Records.KeepYears, 0, 100)
	within(fs, "enrolment.attempts", p.Enrolment.Attempts, 1, 100)
	spanWithin(fs, "enrolment.code_valid", p.Enrolment.CodeValid, time.Minute, 30*24*time.Hour)
	spanWithin(fs, "enrolment.attempts_within", p.Enrolment.AttemptsWithin, time.Minute, 7*24*time.Hour)
}

func (p Policy) checkClinic(fs *Faults) {
	for _, t := range []struct{ field, text string }{
		{"clinic.name", p.Clinic.Name},
		{"clinic.emergency_number", p.Clinic.EmergencyNumber},
		{"clinic.front_desk", p.Clinic.FrontDesk},
		{"clinic.on_call_phone", p.Clinic.OnCallPhone},
	} {
		if strings.TrimSpace(t.text) == "" {
			fs.add(t.field, "nothing", "must not be empty")
		}
	}
	if len(p.Clinic.Languages) == 0 {
		fs.add("clinic.languages", "nothing", "must list en, es or both")
	}
	for i, l := range p.Clinic.Languages {
		oneOf(fs, fmt.Sprintf("clinic.languages[%d]", i), l, []string{"en", "es"})
	}
	h := p.Clinic.ChatHours
	checkHours(fs, "clinic.chat_hours", h.Days, h.From, h.To)
}

func checkHours(fs *Faults, field string, days []Weekday, from, to civil.TimeOfDay) {
	if len(days) == 0 {
		fs.add(field+".days", "nothing", "must list at least one of mon, tue, wed, thu, fri, sat, sun")
	}
	if from >= to {
		fs.add(field+".to", to, fmt.Sprintf("must be later than %s, from", from))
	}
}

func (p Policy) checkDays(fs *Faults) {
	checkHours(fs, "opening", p.Opening.Days, p.Opening.From, p.Opening.To)
	checkHolidays(fs, "opening.holidays", p.Opening.Holidays)
	checkHolidays(fs, "lab.holidays", p.Lab.Holidays)
	if len(p.Lab.Days) == 0 {
		fs.add("lab.days", "nothing", "must list at least one of mon, tue, wed, thu, fri, sat, sun")
	}
	for i, d := range p.Lab.Full {
		if d.IsZero() {
			fs.add(fmt.Sprintf("lab.full[%d]", i), "nothing", "must be a date such as 2026-03-17")
		}
	}
	within(fs, "lab.transfers_per_day", p.Lab.TransfersPerDay, 1, 100)
}

func checkHolidays(fs *Faults, field string, days []Holiday) {
	for i, h := range days {
		if h.On.IsZero() {
			fs.add(fmt.Sprintf("%s[%d].on", field, i), "nothing", "must be a date such as 2026-11-26")
		}
	}
}

func (p Policy) checkCalendar(fs *Faults) {
	c := p.Calendar
	oneOf(fs, "calendar.protocol", c.Protocol, protocolNames(p.tables()))
	within(fs, "calendar.injection_doses", c.InjectionDoses, 1, 20)
	within(fs, "calendar.evenings_either_side", c.EveningsEitherSide, 1, 10)
	within(fs, "calendar.period_late_days", c.PeriodLateDays, 1, 60)
	within(fs, "calendar.bleed_within_days", c.BleedWithinDays, 1, 60)
	within(fs, "calendar.dose_horizon_days", c.DoseHorizonDays, 2, 120)
	if c.AfterMidnightUntil > civil.MustTime("12:00") {
		fs.add("calendar.after_midnight_until", c.AfterMidnightUntil, "must be 00:00 to 12:00")
	}
}

// checkWindows: a window belongs to a rule of some table and suits its count.
func (p Policy) checkWindows(fs *Faults) {
	for i, t := range p.Protocols {
		t.check(fmt.Sprintf("protocols[%d].", i), fs)
	}
	var names []string
	for _, t := range p.tables() {
		for _, r := range t.Rows {
			names = append(names, r.Rule)
			if w, set := p.Windows[r.Rule]; set {
				w.check("windows."+r.Rule, r.Count, fs)
			}
		}
	}
	for _, name := range sortedKeys(p.Windows) {
		if !slices.Contains(names, name) {
			fs.add("windows."+name, "unknown rule", "known: "+strings.Join(names, ", "))
		}
	}
}

func sortedKeys[T any](m map[string]T) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

func (p Policy) checkTrigger(fs *Faults) {
	t := p.Trigger
	for _, n := range []struct {
		field            string
		got, least, most float64
	}{
		{"lead_mm", t.LeadMM, 10, 30}, {"lining_mm", t.LiningMM, 4, 15}, {"progesterone_below", t.ProgesteroneBelow, 0.5, 5},
		{"lh_surge", t.LHSurge, 5, 100}, {"many.from_mm", t.Many.FromMM, 8, 25}, {"likely", t.Likely, 0.5, 0.99},
		{"growth.stimulated.mean", t.Growth.Stimulated.Mean, 0.5, 4}, {"growth.natural.mean", t.Growth.Natural.Mean, 0.5, 4},
		{"growth.lining.mean", t.Growth.Lining.Mean, 0.1, 3}, {"growth.stimulated.sd", t.Growth.Stimulated.SD, 0.05, 2},
		{"growth.natural.sd", t.Growth.Natural.SD, 0.05, 2}, {"growth.lining.sd", t.Growth.Lining.SD, 0.05, 2},
		{"measuring.follicle", t.Measuring.Follicle, 0.1, 5}, {"measuring.lining", t.Measuring.Lining, 0.1, 5},
	} {
		if !(n.got >= n.least && n.got <= n.most) {
			fs.add("readiness_for_trigger."+n.field, n.got, fmt.Sprintf("must be %v to %v", n.least, n.most))
		}
	}
	within(fs, "readiness_for_trigger.many.follicles", t.Many.Follicles, 2, 20)
}

func (p Policy) checkHCG(fs *Faults) {
	h := p.HCG
	if h.NegativeBelow <= 0 || h.NegativeBelow > 50 {
		fs.add("hcg.negative_below", h.NegativeBelow, "must be more than 0 and at most 50 IU/L")
	}
	if h.PositiveAbove < h.NegativeBelow || h.PositiveAbove > 100 {
		fs.add("hcg.positive_above", h.PositiveAbove, "must be at least negative_below and at most 100 IU/L")
	}
	spanWithin(fs, "hcg.interval_from", h.IntervalFrom, 12*time.Hour, 48*time.Hour)
	spanWithin(fs, "hcg.interval_to", h.IntervalTo, 48*time.Hour, 14*24*time.Hour)
	if h.ResultBy <= h.DrawnBefore {
		fs.add("hcg.result_by", h.ResultBy, fmt.Sprintf("must be later than %s, drawn_before", h.DrawnBefore))
	}
	within(fs, "hcg.trigger_cleared_days", h.TriggerClearedDays, 7, 30)
}

func (p Policy) checkMessages(fs *Faults) {
	m := p.Messages
	const day = 24 * time.Hour
	if m.QuietHours.From == m.QuietHours.To {
		fs.add("messages.quiet_hours.to", m.QuietHours.To, "must differ from from")
	}
	for _, s := range []struct {
		field string
		got   time.Duration
	}{
		{"visit_before", m.VisitBefore}, {"trigger_before", m.TriggerBefore}, {"period_confirm", m.PeriodConfirm},
		{"dose_repeat", m.DoseRepeat}, {"read_back_again", m.ReadBackAgain}, {"read_back_within", m.ReadBackWithin},
		{"transfer_day.arrive_before", m.Transfer.ArriveBefore}, {"transfer_day.drink_before", m.Transfer.DrinkBefore},
	} {
		spanWithin(fs, "messages."+s.field, s.got, time.Minute, day)
	}
	if m.ReadBackAgain >= m.ReadBackWithin {
		fs.add("messages.read_back_again", m.ReadBackAgain, "must be shorter than read_back_within")
	}
	for i, t := range m.CallTimes {
		if t < civil.MustTime("07:00") || t > civil.MustTime("21:00") || i > 3 {
			fs.add(fmt.Sprintf("messages.call_times[%d]", i), t, "must be at most four times of day from 07:00 to 21:00")
		}
	}
	within(fs, "messages.retention_days", m.RetentionDays, 1, 3650)
	for _, c := range drugClasses {
		p.checkDeadline(fs, c)
	}
	for c := range m.DoseDeadlines {
		oneOf(fs, "messages.dose_deadlines."+string(c), c, drugClasses)
	}
}

func (p Policy) checkDeadline(fs *Faults, c DrugClass) {
	field := "messages.dose_deadlines." + string(c)
	d, ok := p.Messages.DoseDeadlines[c]
	if !ok || d.After == 0 && d.SameDay == 0 && !d.BeforeNext {
		fs.add(field, "nothing", "must set at least one of after, same_day, before_next")
		return
	}
	if d.Repeat != 0 {
		spanWithin(fs, field+".repeat", d.Repeat, time.Minute, 12*time.Hour)
	}
	if d.After != 0 {
		spanWithin(fs, field+".after", d.After, time.Minute, 48*time.Hour)
	}
	if c == TriggerDrug && (d.After == 0 || d.After > time.Hour) {
		fs.add(field+".after", d.After, "must be at most 1h: the trigger cannot wait")
	}
}

func (p Policy) checkTriage(fs *Faults) {
	e := p.Triage.EscalateAfter
	spanWithin(fs, "triage.escalate_after.emergency", e.Emergency, time.Minute, 30*time.Minute)
	spanWithin(fs, "triage.escalate_after.same_day", e.SameDay, time.Minute, 8*time.Hour)
	spanWithin(fs, "triage.escalate_after.routine", e.Routine, time.Minute, 72*time.Hour)
	spanWithin(fs, "triage.repeat_last_rung", p.Triage.RepeatLastRung, time.Minute, time.Hour)
	if e.Emergency > e.SameDay || e.SameDay > e.Routine {
		fs.add("triage.escalate_after", fmt.Sprintf("%s, %s, %s", e.Emergency, e.SameDay, e.Routine),
			"emergency must be the shortest and routine the longest")
	}
	p.checkHolding(fs)
}

func (p Policy) checkHolding(fs *Faults) {
	if at := p.Triage.DayCloses; at < civil.MustTime("10:00") || at > civil.MustTime("22:00") {
		fs.add("triage.day_closes", at, "must be 10:00 to 22:00")
	}
	c, r := p.Triage.CloseWithin, p.Triage.RemindAgain
	spanWithin(fs, "triage.close_within.emergency", c.Emergency, 10*time.Minute, 4*time.Hour)
	spanWithin(fs, "triage.close_within.same_day", c.SameDay, 30*time.Minute, 12*time.Hour)
	spanWithin(fs, "triage.close_within.routine", c.Routine, time.Hour, 72*time.Hour)
	spanWithin(fs, "triage.remind_again.at_most", r.AtMost, max(c.SameDay, c.Routine), 90*time.Hour)
	within(fs, "triage.remind_again.slower", r.Slower, 1, 4)
	within(fs, "triage.remind_again.lead_from", r.LeadFrom, 1, 10)
	within(fs, "triage.remind_again.lead_from_answered", r.LeadFromAnswered, r.LeadFrom, 20)
}

func within(fs *Faults, field string, got, least, most int) {
	if got < least || got > most {
		fs.add(field, got, fmt.Sprintf("must be %d to %d", least, most))
	}
}

func spanWithin(fs *Faults, field string, got, least, most time.Duration) {
	if got < least || got > most {
		fs.add(field, got, fmt.Sprintf("must be %s to %s", least, most))
	}
}

package dialog

import (
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/dialog/reading"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/triage/rules"
)

// moment is everything that the answer to one message of a patient depends on,
// as plain values.
type moment struct {
	now     time.Time // of the transaction, in the clinic's zone
	in      Inbound
	policy  plan.Policy
	patient reminders.Patient
	cycle   reminders.Cycle
	plan    plan.Plan
	// doses are those that she has been or could be asked about and that are
	// not settled, the oldest first.
	doses []reminders.Asked
	// backs are the instructions of the last days that she was to repeat.
	backs []reminders.ReadBack
	// about is what is known of her beyond this cycle.
	about reminders.About
	// missing are the items of the checklist that a cycle still lacks.
	missing []string
	// checks are the items that were done, and until when each holds.
	checks  []reckon.Checked
	talk    Conversation
	reading reading.Reading
	verdict rules.Verdict
	// pressed is what the button she pressed stands for; "" if it counts for
	// nothing, spent if the question was answered before.
	pressed string
	spent   bool
	// flooded is whether more came from her just now than can be answered one by one.
	flooded bool
	// handled is whether somebody has a case of hers to which more is added.
	handled bool
	// talking is whether a coordinator has answered her in it and waits for her.
	talking bool
	// alarmed is whether an emergency of hers is before a human and not over.
	alarmed bool
	// attended is whether that coordinator is at it just now, whatever the hour.
	attended bool
	// untold is whether a result of hers is known that nobody has told her yet.
	untold bool
	// linked are those who her words say may no longer be told of her.
	linked []reminders.Link
	// offer is what room there is for the visit that her message may be about; the zero
	// Offer where it is about none.
	offer reminders.Offer
	// shown is the plan as she may see it: what waits to be told neither adds to
	// it nor is given away by what is missing.
	shown plan.Plan
}

func (m *moment) lang() string { return m.patient.Language }

// sent is when she wrote, on the clinic's wall clock. A platform's claim that lies
// in the future is not believed.
func (m *moment) sent() time.Time {
	if m.in.Sent.IsZero() || m.in.Sent.After(m.now) {
		return m.now
	}
	return m.in.Sent.In(m.now.Location())
}

func (m *moment) today() civil.Date { return civil.DateOf(m.now) }

func (m *moment) day(d civil.Date) string { return phrase.Day(m.lang(), d.Year, d.Month, d.Day) }

func (m *moment) clock(t civil.TimeOfDay) string { return phrase.Clock(m.lang(), int(t)/60, int(t)%60) }

func (m *moment) dayOf(t time.Time) string { return m.day(civil.DateOf(t.In(m.now.Location()))) }

func (m *moment) clockOf(t time.Time) string {
	return m.clock(civil.TimeOfDayOf(t.In(m.now.Location())))
}

// phones fills the gaps that many sentences share.
func (m *moment) phones(more phrase.Args) phrase.Args {
	args := clinicArgs(m.policy, m.lang())
	for k, v := range more {
		args[k] = v
	}
	return args
}

// clinicArgs are the numbers and hours of a clinic in somebody's language.
func clinicArgs(p plan.Policy, lang string) phrase.Args {
	return phrase.Args{
		"clinic": p.Clinic.Name, "emergency": p.Clinic.EmergencyNumber, "desk": p.Clinic.FrontDesk, "on_call": p.Clinic.OnCallPhone,
		"hours": hoursIn(p.Clinic.ChatHours, lang),
	}
}

// hoursIn says when a person reads the chat: "Mon to Sat, 7:00 am to 4:00 pm".
func hoursIn(h plan.Hours, lang string) string {
	days := make([]string, len(h.Days))
	for i, d := range h.Days {
		days[i] = phrase.ShortWeekday(lang, time.Weekday(d))
	}
	said := strings.Join(days, ", ")
	to := map[string]string{"en": " to ", "es": " a "}[lang]
	from := map[string]string{"es": "de "}[lang]
	if n := len(h.Days); n > 2 && consecutive(h.Days) {
		said = from + days[0] + to + days[n-1]
	}
	return said + ", " + from + phrase.Clock(lang, int(h.From)/60, int(h.From)%60) + to + phrase.Clock(lang, int(h.To)/60, int(h.To)%60)
}

func consecutive(days []plan.Weekday) bool {
	for i := 1; i < len(days); i++ {
		if (days[i-1]+1)%7 != days[i] {
			return false
		}
	}
	return true
}

// open reports whether somebody reads the chat at t.
func open(p plan.Policy, t time.Time) bool {
	h := p.Clinic.ChatHours
	day, clock := civil.DateOf(t), civil.TimeOfDayOf(t)
	return reads(p, day) && clock >= h.From && clock < h.To
}

// reads reports whether somebody reads the chat on day d at all.
func reads(p plan.Policy, d civil.Date) bool {
	for _, w := range p.Clinic.ChatHours.Days {
		if time.Weekday(w) == d.Weekday() {
			return p.OpenClinic(d)
		}
	}
	return false
}

// opens is when the chat is read again after t.
func opens(p plan.Policy, t time.Time) time.Time {
	h := p.Clinic.ChatHours
	for d := civil.DateOf(t); ; d = d.AddDays(1) {
		if at := d.At(h.From, t.Location()); reads(p, d) && !at.Before(t) {
			return at
		}
		if d.DaysSince(civil.DateOf(t)) > 31 {
			return t // a policy without reading days cannot say
		}
	}
}

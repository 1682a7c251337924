package reminders

import (
	"fmt"
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
)

// scopeOf is what a step's reminder needs leave for.
func scopeOf(s plan.Step) string {
	if plan.ResultBound(s) {
		return ShareCalendar + "+" + ShareResults
	}
	return ShareCalendar
}

// consent asks her once for each new wording of the consent. Until she answers she is
// looked after as before.
func (w *wants) consent() {
	if w.book.Consent == nil || w.patient.Quiet() {
		return
	}
	version, m := w.book.Consent(w.patient)
	if w.patient.Consent == version {
		return
	}
	due := w.book.afterQuiet(w.now)
	w.message("consent/"+version, outbox.Reminder, due, due.AddDate(0, 0, consentDays), m)
}

// consentDays is how long the question about a new wording waits to be sent: common
// practice, no source.
const consentDays = 14

// copies are what others are told beside her: visits on the evening before, doses at
// their minute. Nobody else is asked anything, and nothing is told that she is not.
func (w *wants) copies(pl plan.Plan, doses []Asked, links []Link) {
	if w.patient.Quiet() {
		return
	}
	for _, l := range links {
		for _, s := range pl.Steps {
			if scope := scopeOf(s); l.Tells(ShareCalendar) && covers(strings.Join(l.What, ","), scope) {
				w.copyVisit(l, s, scope)
			}
		}
		for _, a := range doses {
			if l.Tells(ShareDoses) && !a.Settled() && a.Dose.At.After(w.now) {
				args := map[string]string{"name": w.patient.Name, "dose": a.Words(), "time": w.book.Clock(l.Language, civil.TimeOfDayOf(a.Dose.At.In(w.book.zone())))}
				w.copy(l, "dose/"+a.ID, ShareDoses, outbox.Dose, a.Dose.At, a.Deadline, "link.dose", args)
			}
		}
	}
}

func (w *wants) copyVisit(l Link, s plan.Step, scope string) {
	_, told := tells[s.Name]
	if !told || !s.Booked || s.At.IsZero() || s.Status != plan.Projected && s.Status != plan.Due || w.hints(s) || w.unready(s) {
		return
	}
	eve := s.On.AddDays(-1).At(w.book.Policy.Messages.VisitEvening, w.book.zone())
	args := map[string]string{"name": w.patient.Name, "what": w.book.Say(l.Language, false, s.Phrase, nil), "date": w.book.Day(l.Language, s.On), "time": w.book.Clock(l.Language, civil.TimeOfDayOf(s.At.In(w.book.zone())))}
	w.copy(l, "visit/"+string(s.Name)+"/"+s.At.UTC().Format("20060102T1504Z"), scope, outbox.Reminder, eve, s.On.At(0, w.book.zone()), "link.visit", args)
}

func (w *wants) copy(l Link, key, scope string, kind outbox.Kind, due, expires time.Time, phrase string, args map[string]string) {
	if !expires.After(w.now) {
		return
	}
	w.list = append(w.list, outbox.Want{Key: w.key(fmt.Sprintf("link/%d/%s", l.ID, key)), Kind: kind, To: l.Person, About: w.patient.Person, Scope: scope, Due: due, Expires: expires,
		Message: outbox.Message{Text: w.book.Say(l.Language, w.patient.Neutral, phrase, args)}})
}

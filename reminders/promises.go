package reminders

import (
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
)

// Actions of the buttons under a dose question. The conversation reads them.
const (
	ActTaken   = "dose/taken/"
	ActNotYet  = "dose/not_yet/"
	ActMissed  = "dose/missed/"
	ActGiven   = "trigger/given/"
	ActOther   = "trigger/other/"
	ActNotDone = "trigger/not_yet/"
	ActProblem = "trigger/problem/"
	ActShow    = "menu/next"
	ActCall    = "call/at/"
)

// dose asks about a dose, asks again, and at its deadline turns it over to a
// person. Doses that nobody can be asked about any more keep their deadline: the
// promise was made.
func (w *wants) dose(a Asked) {
	if a.Settled() {
		return
	}
	w.task("dose/"+a.ID+"/deadline", taskDose, a.ID, a.Deadline)
	if w.patient.Quiet() {
		return
	}
	if a.Trigger() {
		w.trigger(a)
		return
	}
	at := a.Dose.At
	args := map[string]string{"dose": a.Words(), "time": w.clock(at)}
	buttons := w.doseButtons(a)
	first := len(w.list)
	ask := "dose.ask"
	if w.late(at) {
		ask = "dose.again"
	}
	w.message("dose/"+a.ID, outbox.Dose, at, a.Deadline, outbox.Message{Text: w.say(ask, args), Buttons: buttons})
	again := a.Asked.Add(w.book.repeat(a.Dose.Class))
	key, repeat := "dose/"+a.ID+"/again", "dose.again"
	if a.Last == NotYet {
		repeat = "dose.still"
		again = a.At.Add(w.book.repeat(a.Dose.Class))
		key += "/" + a.At.UTC().Format("20060102T150405Z")
	}
	if a.Dose.Class == plan.Tablet || a.Dose.Class == plan.OtherDrug {
		again = w.book.afterQuiet(again)
	}
	if again.Before(a.Deadline) {
		w.message(key, outbox.Dose, again, a.Deadline, outbox.Message{Text: w.say(repeat, args), Buttons: buttons})
	}
	w.askOnce(first)
}

// tooLate is how long after its minute a question no longer speaks of now: common
// practice, no source.
const tooLate = 5 * time.Minute

// late reports whether it is too late to say that it is t now.
func (w *wants) late(t time.Time) bool { return w.now.Sub(t) > tooLate }

// askOnce keeps, of the questions about one thing since the first'th promise, those
// that lie ahead and the last that is past: somebody who could not be asked for a
// while is asked once, and not once for each time.
func (w *wants) askOnce(first int) {
	asked := w.list[first:]
	last := time.Time{}
	for _, q := range asked {
		if !q.Due.After(w.now) && q.Due.After(last) {
			last = q.Due
		}
	}
	w.list = append(w.list[:first], slices.DeleteFunc(asked, func(q outbox.Want) bool { return !q.Due.After(w.now) && q.Due.Before(last) })...)
}

func (w *wants) doseButtons(a Asked) [][]outbox.Button {
	return [][]outbox.Button{{
		{Label: w.say("dose.taken", nil), Action: ActTaken + a.ID},
		{Label: w.say("dose.not_yet", nil), Action: ActNotYet + a.ID},
		{Label: w.say("dose.missed", nil), Action: ActMissed + a.ID},
	}}
}

// trigger reminds of the one injection that counts by the minute: some time
// before, at its minute, and then asks whether it was given until somebody knows.
func (w *wants) trigger(a Asked) {
	at := a.Dose.At
	args := map[string]string{"dose": a.Words(), "time": w.clock(at)}
	soon := at.Add(-w.book.Policy.Messages.TriggerBefore)
	w.message("dose/"+a.ID+"/soon", outbox.Dose, soon, at, outbox.Message{Text: w.say("trigger.soon", args)})
	buttons := [][]outbox.Button{
		{{Label: w.say("trigger.given", args), Action: ActGiven + a.ID}, {Label: w.say("trigger.given_other", nil), Action: ActOther + a.ID}},
		{{Label: w.say("trigger.not_given", nil), Action: ActNotDone + a.ID}, {Label: w.say("trigger.problem", nil), Action: ActProblem + a.ID}},
	}
	first, ask := len(w.list), "trigger.now"
	if w.late(at) {
		ask = "trigger.check"
	}
	w.message("dose/"+a.ID, outbox.Dose, at, a.Deadline, outbox.Message{Text: w.say(ask, args), Buttons: buttons})
	step := w.book.repeat(a.Dose.Class)
	for again := a.Asked.Add(step); again.Before(a.Deadline); again = again.Add(step) {
		w.message("dose/"+a.ID+"/check/"+again.UTC().Format("1504Z"), outbox.Dose, again, a.Deadline,
			outbox.Message{Text: w.say("trigger.check", args), Buttons: buttons})
	}
	w.askOnce(first)
}

// tells says of which steps she is reminded, and whether only once a person has
// booked them: a reminder of what follows a result must not be its first hint.
var tells = map[plan.StepName]struct{ onlyBooked bool }{
	plan.Baseline: {}, plan.Monitoring: {}, plan.Transfer: {true}, plan.HCGFirst: {},
	plan.HCGRepeat: {true}, plan.HCGDay4: {true}, plan.HCGDay7: {true}, plan.OBUltrasound: {true}, plan.FollowUp: {true},
}

// visit reminds of a visit on the evening before and once more on the day.
func (w *wants) visit(s plan.Step) {
	rule, told := tells[s.Name]
	if !told || s.On.IsZero() || s.Status != plan.Projected && s.Status != plan.Due || rule.onlyBooked && !s.Booked || w.unready(s) || w.hints(s) || w.overtaken(s) {
		return
	}
	m := w.book.Policy.Messages
	zone := w.book.zone()
	args := map[string]string{"what": w.say(s.Phrase, nil), "date": w.day(s.On), "desk": w.phoneAt(s.On.AddDays(-1).At(w.book.Policy.Messages.VisitEvening, w.book.zone()))}
	key := "visit/" + string(s.Name) + "/" + s.On.String()
	eve := s.On.AddDays(-1).At(m.VisitEvening, zone)
	if s.At.IsZero() && w.late(eve) {
		// She has reported her period this very evening: a person books it.
		return
	}
	ask, times := w.callTimes(s)
	if s.At.IsZero() {
		w.message(key+"/eve", outbox.Reminder, eve, s.On.At(0, zone), outbox.Message{Text: w.say("visit.eve_untimed", args) + ask, Buttons: append(w.show(), times...)})
		return
	}
	args["time"] = w.clock(s.At)
	key += "T" + s.At.UTC().Format("1504Z")
	if s.Name == plan.Transfer {
		w.transferDay(key, eve, s, args)
		return
	}
	w.message(key+"/eve", outbox.Reminder, eve, s.On.At(0, zone), outbox.Message{Text: w.say("visit.eve", args) + ask, Buttons: append(w.show(), times...)})
	if soon := s.At.Add(-m.VisitBefore); !w.book.quiet(soon) {
		w.message(key+"/soon", outbox.Reminder, soon, s.At, outbox.Message{Text: w.say("visit.soon", args), Buttons: w.show()})
	}
}

// callTimes asks, on the evening before the first test, when she wants to be called
// with its result, whatever that will be; nothing where a call is booked.
func (w *wants) callTimes(s plan.Step) (ask string, buttons [][]outbox.Button) {
	times := w.book.Policy.Messages.CallTimes
	booked := slices.ContainsFunc(w.cycle.Facts, func(f Recorded) bool { return f.Kind == plan.Visit && f.Step == plan.Call })
	if s.Name != plan.HCGFirst || booked || len(times) == 0 {
		return "", nil
	}
	var row []outbox.Button
	for _, t := range times {
		row = append(row, outbox.Button{Label: w.book.Clock(w.patient.Language, t), Action: ActCall + s.On.String() + "T" + t.String()})
	}
	return "\n" + w.say("call.ask", nil), [][]outbox.Button{row}
}

// phoneAt is the book's, on a day that has been closed the on-call nurse's.
func (w *wants) phoneAt(t time.Time) string {
	day := w.book.civilDay(t)
	if slices.ContainsFunc(w.shut, func(d shut) bool { return d.On == day && d.Part == plan.WholeClinic }) {
		return w.book.Policy.Clinic.OnCallPhone
	}
	return w.book.phoneAt(t)
}

// phoneAt is the number at which somebody answers at t: the front desk while the
// clinic is open, the on-call nurse otherwise.
func (b *Book) phoneAt(t time.Time) string {
	t = t.In(b.zone())
	o, clock := b.Policy.Opening, civil.TimeOfDayOf(t)
	if b.Policy.OpenClinic(civil.DateOf(t)) && clock >= o.From && clock < o.To {
		return b.Policy.Clinic.FrontDesk
	}
	return b.Policy.Clinic.OnCallPhone
}

// transferDay counts back from the transfer: arrival, and before it the drinking.
// All of it is said the evening before as well, with what to bring, and that
// somebody must drive her if a sedative is ordered.
func (w *wants) transferDay(key string, eve time.Time, s plan.Step, args map[string]string) {
	day := w.book.Policy.Messages.Transfer
	arrival := s.At.Add(-day.ArriveBefore)
	drink := arrival.Add(-day.DrinkBefore)
	args["arrival"], args["drink"] = w.clock(arrival), w.clock(drink)
	text := w.say("transfer.eve", args)
	if Sedated(w.cycle, s.On) {
		text += "\n" + w.say("transfer.driver", args)
	}
	w.message(key+"/eve", outbox.Reminder, eve, s.On.At(0, w.book.zone()), outbox.Message{Text: text, Buttons: w.show()})
	w.message(key+"/drink", outbox.Dose, drink, arrival, outbox.Message{Text: w.say("transfer.drink", args)})
}

// sedatives are the drugs after which nobody drives. From memory.
var sedatives = []string{"diazepam", "lorazepam", "alprazolam", "midazolam", "triazolam", "temazepam"}

// Sedated reports whether a sedative is ordered for day d.
func Sedated(c Cycle, d civil.Date) bool {
	for _, f := range c.Facts {
		if f.Kind == plan.OrderGiven && f.From == d && !c.replaced(f) && slices.Contains(sedatives, strings.ToLower(f.Drug)) {
			return true
		}
	}
	return false
}

// hints reports whether a reminder of a step could be the first that she hears of a
// result: it was booked after the result, and nobody has told her yet.
func (w *wants) hints(s plan.Step) bool {
	if !w.untold || !plan.ResultBound(s) {
		return false
	}
	known := false
	for _, f := range w.cycle.Facts {
		switch {
		case f.Kind == plan.HCG || f.Kind == plan.OBScan:
			known = true
		case known && f.Kind == plan.Visit && f.Step == s.Name && f.Fact.At.Equal(s.At):
			return true
		}
	}
	return false
}

// unready reports whether a step hangs on something that has not happened, so
// that its day is a projection nobody should be woken for.
func (w *wants) unready(s plan.Step) bool {
	switch s.Name {
	case plan.Baseline:
		// With the checklist incomplete a cycle does not start on its own.
		return w.lacking && !s.Booked
	case plan.Monitoring:
		f, ok := w.cycle.Live(plan.BaselineFound)
		return !ok || f.Decision != plan.Start
	case plan.HCGFirst:
		_, ok := w.cycle.Live(plan.Transferred)
		return !ok
	}
	return false
}

// show is the button under a neutral reminder that says plainly what it is about.
func (w *wants) show() [][]outbox.Button {
	if !w.patient.Neutral {
		return nil
	}
	return [][]outbox.Button{{{Label: w.say("show", nil), Action: ActShow}}}
}

// civilDay is the day of t on the clinic's calendar.
func (b *Book) civilDay(t time.Time) civil.Date { return civil.DateOf(t.In(b.zone())) }

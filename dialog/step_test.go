package dialog

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/triage/rules"
)

// The moments of the tables below are those of one patient whose period began on
// Monday, 2 March 2026. A clock time stands for that time on the day of the scene.
var stepPolicy = plan.DefaultPolicy()

// on is a wall-clock time of the invented clinic in March 2026.
func on(day int, clock string) time.Time {
	return civil.Date{Year: 2026, Month: time.March, Day: day}.At(civil.MustTime(clock), stepPolicy.Location())
}

// her is the moment at which something of an enrolled patient comes in.
func her(t testing.TB, now time.Time, facts ...plan.Fact) *moment {
	t.Helper()
	m := &moment{now: now, policy: stepPolicy,
		patient: reminders.Patient{ID: 1, Person: 2, Handle: "P-201", Name: "Ina Wexford", Language: "en", Enrolled: true},
		cycle:   reminders.Cycle{ID: 1, Patient: 1, Opened: on(1, "09:00")}}
	for i, f := range facts {
		f.ID = reminders.FactID(int64(i + 1))
		m.cycle.Facts = append(m.cycle.Facts, reminders.Recorded{Fact: f, Number: int64(i + 1), By: seal.House, Entered: on(1, "10:00")})
	}
	var err error
	if m.plan, err = plan.Build(stepPolicy, m.cycle.PlanFacts(), now); err != nil {
		t.Fatal(err)
	}
	m.shown = m.plan
	for _, d := range m.plan.Doses {
		if d.At.After(now.Add(-48 * time.Hour)) {
			m.doses = append(m.doses, reminders.Asked{ID: doseName(d), Dose: d, Asked: d.At, Deadline: d.At.Add(6 * time.Hour)})
		}
	}
	return m
}

func doseName(d plan.Dose) string { return d.Order + "@" + d.At.UTC().Format("20060102T1504Z") }

// The facts of the scenes.
func periodOn(day int) plan.Fact {
	return plan.Fact{Kind: plan.PeriodStart, At: on(day, "08:15")}
}

func clearedOn(day int) plan.Fact {
	return plan.Fact{Kind: plan.BaselineFound, On: civil.DateOf(on(day, "00:00")), Decision: plan.Start}
}

func ordered(drug string, day int, times ...string) plan.Fact {
	f := plan.Fact{Kind: plan.OrderGiven, Drug: drug, Dose: 5, Unit: "mg", From: civil.DateOf(on(day, "00:00")), Stop: plan.Stop{AfterDays: 5}}
	for _, c := range times {
		f.Times = append(f.Times, civil.MustTime(c))
	}
	return f
}

func triggerAt(day int, clock string) plan.Fact {
	return plan.Fact{Kind: plan.TriggerOrder, At: on(day, clock), Drug: "hCG", Dose: 10000, Unit: "IU"}
}

// scenes are the named places in a cycle.
var scenes = map[string]func(testing.TB) *moment{
	"waiting":          func(t testing.TB) *moment { return her(t, on(2, "09:00")) },
	"waiting, evening": func(t testing.TB) *moment { return her(t, on(2, "18:30")) },
	"waiting, night":   func(t testing.TB) *moment { return her(t, on(2, "23:30")) },
	"waiting, unready": func(t testing.TB) *moment {
		m := her(t, on(2, "09:00"))
		m.missing = []string{"consents"}
		return m
	},
	"invited": func(t testing.TB) *moment {
		m := her(t, on(2, "09:00"))
		m.patient.Enrolled, m.cycle = false, reminders.Cycle{Patient: 1}
		return m
	},
	"day one known": func(t testing.TB) *moment { return her(t, on(3, "09:00"), periodOn(2)) },
	"baseline done, two days too late for another day one": func(t testing.TB) *moment {
		return her(t, on(9, "09:00"), periodOn(2), clearedOn(4))
	},
	"tablet at eight": func(t testing.TB) *moment {
		return her(t, on(5, "08:20"), periodOn(2), clearedOn(4), ordered("letrozole", 5, "08:00"))
	},
	"two medicines at eight": func(t testing.TB) *moment {
		return her(t, on(5, "08:20"), periodOn(2), clearedOn(4), ordered("letrozole", 5, "08:00"), ordered("estradiol", 5, "08:00"))
	},
	"tablet an hour before its deadline": func(t testing.TB) *moment {
		return her(t, on(5, "13:30"), periodOn(2), clearedOn(4), ordered("letrozole", 5, "08:00"))
	},
	"tablet taken": func(t testing.TB) *moment {
		m := her(t, on(5, "08:20"), periodOn(2), clearedOn(4), ordered("letrozole", 5, "08:00"))
		m.doses[0].Last = reminders.Taken
		return m
	},
	"trigger a few minutes ago": func(t testing.TB) *moment {
		return her(t, on(14, "21:36"), periodOn(2), clearedOn(4), triggerAt(14, "21:30"))
	},
	"trigger 40 minutes ago": func(t testing.TB) *moment {
		return her(t, on(14, "22:10"), periodOn(2), clearedOn(4), triggerAt(14, "21:30"))
	},
	"start to repeat": func(t testing.TB) *moment {
		return withBack(her(t, on(4, "12:00"), periodOn(2), clearedOn(4), ordered("letrozole", 5, "20:00")), 3)
	},
	"trigger to repeat": func(t testing.TB) *moment {
		return withBack(her(t, on(13, "12:00"), periodOn(2), clearedOn(4), triggerAt(14, "21:30")), 3)
	},
	"transferred": func(t testing.TB) *moment {
		return her(t, on(23, "09:00"), periodOn(2), clearedOn(4), triggerAt(14, "21:30"),
			plan.Fact{Kind: plan.TriggerGiven, At: on(14, "21:30")}, plan.Fact{Kind: plan.Transferred, On: civil.DateOf(on(21, "00:00")), EmbryoDay: 5})
	},
	"hushed": func(t testing.TB) *moment {
		m := her(t, on(5, "08:20"), periodOn(2), clearedOn(4))
		m.patient.Hushed = on(4, "09:00")
		return m
	},
	"cycle over": func(t testing.TB) *moment {
		m := her(t, on(5, "08:20"), periodOn(2))
		m.cycle.Closed, m.cycle.Outcome = on(4, "15:00"), "cancelled"
		return m
	},
	"opted out": func(t testing.TB) *moment {
		m := her(t, on(5, "08:20"), periodOn(2), clearedOn(4), ordered("letrozole", 5, "20:00"))
		m.patient.OptedOut = on(4, "09:00")
		return m
	},
}

// withBack has her repeat the fact with a number.
func withBack(m *moment, number int64) *moment {
	f := m.cycle.Facts[number-1]
	r := reminders.ReadBack{Fact: f, Timed: true, Asked: m.now.Add(-5 * time.Minute), Deadline: m.now.Add(55 * time.Minute), Subject: "readback.start"}
	if r.Right = f.At; f.Kind == plan.OrderGiven {
		r.Right = f.From.At(f.Times[0], m.policy.Location())
	}
	r.Wrong = r.Right.AddDate(0, 0, 1)
	m.backs = []reminders.ReadBack{r}
	return m
}

// told is what effects do, in a line each.
func told(effects []effect) []string {
	var lines []string
	for _, e := range effects {
		switch e := e.(type) {
		case say:
			line := "say " + e.Key
			if e.Then != "" {
				line += " + " + e.Then
			}
			for _, row := range e.Buttons {
				for _, b := range row {
					line += " [" + b.Action + "]"
				}
			}
			lines = append(lines, line)
		case caution:
			lines = append(lines, "caution "+e.Key)
		case openCase:
			line := fmt.Sprintf("case %s %s", e.Reason, e.Urgency)
			if e.PageNow {
				line += " now"
			}
			lines = append(lines, line)
		case record:
			line := fmt.Sprintf("record %s %s", e.Fact.Kind, e.Fact.At.Format("01-02 15:04"))
			if e.Fact.Replaces != "" {
				line += " for " + e.Fact.Replaces
			}
			lines = append(lines, line)
		case answerDose:
			lines = append(lines, fmt.Sprintf("dose %s %s", e.Dose, e.Answer))
		case answerBack:
			lines = append(lines, "repeated "+e.Said)
		case askBack:
			lines = append(lines, "ask back "+string(e.Back.Stage))
		case askNext:
			lines = append(lines, strings.TrimSpace(fmt.Sprintf("ask %s %s", e.Topic, e.About)))
		default:
			lines = append(lines, strings.TrimPrefix(fmt.Sprintf("%T%v", e, e), "dialog."))
		}
	}
	return lines
}

const (
	theMenu = "[menu/period] [menu/next] [menu/calendar] [menu/person]"
	tablet  = "f3@20260305T1400Z"
	shot    = "trigger@20260315T0230Z"
)

// TestStepButtons has every action of a button, in the moments that matter to it.
func TestStepButtons(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		scene, action string
		want          []string
	}{
		{"waiting", "", []string{"say button.unknown"}},
		{"waiting", "no/such/button", []string{"say button.unknown"}},
		{"waiting", "menu/person", []string{"case person_wanted routine", "say reply.person"}},
		{"waiting, night", "menu/person", []string{"case person_wanted routine", "say reply.person + reply.closed"}},
		{"waiting", "menu/calendar", []string{"sendCalendar{}"}},
		{"waiting", "menu/next", []string{"say calendar.empty " + theMenu}},
		{"waiting", "menu/period", []string{"say period.ask [period/yes/2026-03-02T09:00] [period/other] [period/spotting]", "ask period 2026-03-02T09:00"}},
		{"waiting, evening", "menu/period", []string{"say period.which_part [period/at/2026-03-02T16:00] [period/at/2026-03-02T17:00] [period/other] [period/spotting]", "ask period_day 2026-03-02"}},
		{"waiting", "period/other", []string{"say period.which_day [period/day/2026-03-02] [period/day/2026-03-01] [period/day/2026-02-28] [period/day/2026-02-27]", "ask period_day"}},
		{"waiting", "period/spotting", []string{"say period.spotting_noted", "ask"}},
		{"waiting", "period/keep", []string{"say button.unknown"}},
		{"waiting", "period/day/2026-03-01", []string{"say period.which_part [period/at/2026-03-01T16:00] [period/at/2026-03-01T17:00] [period/other] [period/spotting]", "ask period_day 2026-03-01"}},
		{"waiting", "period/day/2026-03-09", []string{"say period.which_day [period/day/2026-03-02] [period/day/2026-03-01] [period/day/2026-02-28] [period/day/2026-02-27]", "ask period_day"}},
		{"waiting", "period/day/soon", []string{"say button.unknown"}},
		{"waiting", "period/yes/2026-03-02T08:15", []string{"ask period_fix", "record period_start 03-02 08:15", "case period_reported same_day", "say period.recorded", "sendCalendar{}"}},
		{"waiting", "period/at/2026-03-01T17:00", []string{"ask period_fix", "record period_start 03-01 17:00", "case period_reported same_day", "say period.recorded", "sendCalendar{}"}},
		{"waiting", "period/yes/later", []string{"say button.unknown"}},
		{"waiting, unready", "period/yes/2026-03-02T08:15", []string{"ask period_fix", "record period_start 03-02 08:15", "case not_ready same_day", "say period.not_ready"}},
		{"day one known", "period/yes/2026-03-02T09:40", []string{"ask period_fix", "record period_start 03-02 09:40 for f1", "say period.unmoved"}},
		{"day one known", "period/yes/2026-03-01T08:00", []string{"ask period_fix", "record period_start 03-01 08:00 for f1", "case period_reported same_day", "say period.recorded", "sendCalendar{}"}},
		{"day one known", "period/keep", []string{"ask", "say period.kept"}},
		// The question was asked before things changed; the answer comes after.
		{"baseline done, two days too late for another day one", "period/yes/2026-03-07T08:00", []string{"ask", "case period_unclear same_day", "say reply.same_day"}},
		{"cycle over", "period/yes/2026-03-02T08:15", []string{"ask", "case after_cycle routine", "say reply.routine"}},
		{"cycle over", "menu/period", []string{"case after_cycle routine", "say reply.routine"}},
		{"cycle over", "menu/next", []string{"say next.nothing"}},
		{"transferred", "menu/period", []string{"case period_unclear routine", "say reply.routine"}},
		{"hushed", "menu/next", []string{"say calendar.hushed"}},
		{"hushed", "menu/person", []string{"case person_wanted routine", "say reply.person"}},

		{"invited", "consent/agree", []string{"agree{}", "say enrolled " + theMenu}},
		{"invited", "consent/decline", []string{"decline{}", "case opted_out none", "say consent.declined"}},
		{"invited", "consent/es", []string{"setLanguage{es}", "say consent [consent/agree] [consent/decline] [consent/es]"}},
		{"invited", "consent/en", []string{"setLanguage{en}", "say consent [consent/agree] [consent/decline] [consent/es]"}},
		{"invited", "menu/next", []string{"say button.unknown"}},
		{"invited", "dose/taken/" + tablet, []string{"say button.unknown"}},

		{"tablet at eight", "dose/taken/" + tablet, []string{"dose " + tablet + " taken", "say dose.thanks"}},
		{"tablet at eight", "dose/not_yet/" + tablet, []string{"dose " + tablet + " not_yet", "say dose.later"}},
		{"tablet an hour before its deadline", "dose/not_yet/" + tablet, []string{"dose " + tablet + " not_yet", "say dose.thanks"}},
		{"tablet at eight", "dose/missed/" + tablet, []string{"dose " + tablet + " missed", "case dose_missed routine", "say dose.missed_reply"}},
		{"tablet at eight", "dose/taken/f9@20260305T1400Z", []string{"say dose.answered"}},
		{"tablet at eight", "menu/next", []string{"say next.planned", "say next.dose"}},
		{"tablet taken", "dose/missed/" + tablet, []string{"say dose.answered"}},
		{"opted out", "dose/taken/f3@20260306T0200Z", []string{"dose f3@20260306T0200Z taken", "say dose.thanks"}},

		{"trigger a few minutes ago", "trigger/given/" + shot, []string{"ask", "record trigger 03-14 21:30", "say trigger.recorded", "tellMoved{false}"}},
		{"trigger a few minutes ago", "trigger/other/" + shot, []string{"say trigger.when", "ask given " + shot}},
		{"trigger a few minutes ago", "trigger/not_yet/" + shot, []string{"dose " + shot + " not_yet", "say dose.later"}},
		{"trigger 40 minutes ago", "trigger/not_yet/" + shot, []string{"dose " + shot + " not_yet", "case dose_missed same_day now", "say trigger.alarm"}},
		{"trigger a few minutes ago", "trigger/problem/" + shot, []string{"case dose_missed same_day now", "say trigger.alarm"}},
		{"trigger a few minutes ago", "dose/taken/" + shot, []string{"say trigger.when", "ask given " + shot}},
		{"tablet at eight", "trigger/given/" + shot, []string{"say dose.answered"}},

		{"start to repeat", "readback/show/f3", []string{"ask back "}},
		{"start to repeat", "readback/right/f3", []string{"repeated right", "say readback.thanks"}},
		{"start to repeat", "readback/wrong/f3", []string{"repeated wrong", "case read_back_wrong same_day", "say readback.misread", "ask back "}},
		{"start to repeat", "readback/right/f9", []string{"say dose.answered"}},
		{"trigger to repeat", "readback/right/f3", []string{"repeated right", "ask back repeated"}},
		{"trigger to repeat", "readback/wrong/f3", []string{"repeated wrong", "case read_back_wrong same_day now", "say readback.misread", "ask back "}},
		{"trigger to repeat", "readback/in_hand/f3", []string{"repeated in_hand", "ask back in_hand"}},
		{"trigger to repeat", "readback/not_in_hand/f3", []string{"repeated not_in_hand", "case read_back same_day now", "say readback.not_in_hand_reply"}},
		{"trigger to repeat", "readback/herself/f3", []string{"repeated herself", "say readback.thanks"}},
		{"trigger to repeat", "readback/somebody/f3", []string{"repeated somebody", "say readback.thanks"}},
	} {
		t.Run(k.scene+" presses "+k.action, func(t *testing.T) {
			t.Parallel()
			m := scenes[k.scene](t)
			m.in, m.pressed = Inbound{Kind: Press, Sent: m.now}, k.action
			same(t, k.want, told(step(m)))
		})
	}
}

func same(t *testing.T, want, got []string) {
	t.Helper()
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

func TestASpentButtonChangesNothing(t *testing.T) {
	t.Parallel()
	m := scenes["tablet at eight"](t)
	m.in, m.spent = Inbound{Kind: Press}, true
	same(t, []string{"say button.spent"}, told(step(m)))
}

// TestStepWords has what she writes in a few words, in the moments in which the
// same words mean different things.
func TestStepWords(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		scene, text string
		asking      Question // in front of it, five minutes ago
		want        []string
	}{
		{"waiting", "what is next", Question{}, []string{"say calendar.empty " + theMenu}},
		{"waiting", "MENU", Question{}, []string{"say menu " + theMenu}},
		{"waiting", "/help", Question{}, []string{"say menu " + theMenu}},
		{"waiting", "in Spanish please, en español", Question{}, []string{"case unclear routine", "say reply.unclear"}},
		{"waiting", "español", Question{}, []string{"setLanguage{es}", "say menu " + theMenu}},
		{"waiting", "neutral wording", Question{}, []string{"setNeutral{true}", "say neutral.on"}},
		{"waiting", "avisos claros", Question{}, []string{"setNeutral{false}", "say neutral.off"}},
		{"waiting", "stop", Question{}, []string{"optOut{true}", "case opted_out routine", "say optout.done"}},
		{"tablet at eight", "stop", Question{}, []string{"optOut{true}", "case opted_out same_day", "say optout.done"}},
		{"opted out", "start", Question{}, []string{"optOut{false}", "back{}", "say optout.back " + theMenu}},
		{"waiting", "start", Question{}, []string{"say menu " + theMenu}},
		{"waiting", "I need a person", Question{}, []string{"case person_wanted routine", "say reply.person"}},
		{"waiting, night", "qwertz uiop", Question{}, []string{"case unclear same_day", "say reply.unclear + reply.morning"}},
		{"waiting", "my period started this morning", Question{}, []string{"say period.ask [period/yes/2026-03-02T09:00] [period/other] [period/spotting]", "ask period 2026-03-02T09:00"}},
		{"waiting", "yes", Question{Topic: AskPeriod, About: "2026-03-02T08:15"}, []string{"ask period_fix", "record period_start 03-02 08:15", "case period_reported same_day", "say period.recorded", "sendCalendar{}"}},
		{"waiting", "no", Question{Topic: AskPeriod, About: "2026-03-02T08:15"}, []string{"say period.which_day [period/day/2026-03-02] [period/day/2026-03-01] [period/day/2026-02-28] [period/day/2026-02-27]", "ask period_day"}},
		{"day one known", "sorry, it was Sunday around 6 pm", Question{Topic: AskPeriodFix}, []string{"say period.again [period/yes/2026-03-01T18:00] [period/keep] [period/other]", "ask period 2026-03-01T18:00"}},
		{"invited", "yes", Question{}, []string{"agree{}", "say enrolled " + theMenu}},
		{"invited", "no", Question{}, []string{"decline{}", "case opted_out none", "say consent.declined"}},
		{"invited", "who is this?", Question{}, []string{"case unclear routine", "say consent.pending", "say consent [consent/agree] [consent/decline] [consent/es]"}},
		{"tablet at eight", "I took it", Question{}, []string{"dose " + tablet + " taken", "say dose.thanks"}},
		{"tablet taken", "I took it", Question{}, []string{"case dose_question routine", "say reply.routine"}},
		{"two medicines at eight", "I took it", Question{}, []string{"say dose.which [dose/taken/f4@20260305T1400Z] [dose/taken/" + tablet + "]", "ask dose"}},
		{"two medicines at eight", "I took the letrozole", Question{}, []string{"dose " + tablet + " taken", "say dose.thanks"}},
		{"trigger to repeat", "ok", Question{}, []string{"ask back "}},
		{"trigger to repeat", "on the 14th at 9:30 pm", Question{}, []string{"repeated right", "ask back repeated"}},
		{"trigger to repeat", "9:30 pm on the 15th", Question{}, []string{"repeated wrong", "case read_back_wrong same_day now", "say readback.misread", "ask back "}},
		{"hushed", "thank you for calling", Question{}, []string{"say reply.thanks"}},
	} {
		t.Run(k.scene+" writes "+k.text, func(t *testing.T) {
			t.Parallel()
			same(t, k.want, told(step(written(scenes[k.scene](t), k.text, k.asking))))
		})
	}
}

// While she may still correct day one, a long message is about something else, whatever
// day stands in it.
func TestOnlyAShortMessageCorrectsDayOne(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"sister in law is the one with the swollen leg not me, autocorrect ate half my sentence",
		"We've a caravan booked in Wales for the week of the 20th, shall I cancel it?"} {
		for _, e := range told(step(written(scenes["day one known"](t), text, Question{Topic: AskPeriodFix}))) {
			if strings.Contains(e, "period") {
				t.Errorf("%q: %s", text, e)
			}
		}
	}
}

// written is a moment at which she has written a text.
func written(m *moment, text string, asking Question) *moment {
	if asking.Topic != AskNothing {
		asking.At = m.now.Add(-5 * time.Minute)
		m.talk.Asking = asking
	}
	m.in = Inbound{Kind: Text, Text: text, Sent: m.now}
	m.read()
	return m
}

func TestStepOtherKinds(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		scene string
		in    Inbound
		want  []string
	}{
		{"waiting", Inbound{Kind: Left}, []string{"unreachable{true}", "case unreachable routine"}},
		{"tablet at eight", Inbound{Kind: Left}, []string{"unreachable{true}", "case unreachable same_day"}},
		{"waiting", Inbound{Kind: Returned}, []string{"unreachable{false}", "back{}"}},
		{"waiting", Inbound{Kind: Media, Attachment: "photo"}, []string{"case media routine", "say reply.media"}},
		{"waiting", Inbound{Kind: Edited, Text: "qwertz uiop"}, []string{"case unclear same_day", "say reply.changed_words"}},
		{"waiting", Inbound{Kind: Ignored}, nil},
		{"waiting", Inbound{Kind: "a kind of tomorrow"}, nil},
	} {
		t.Run(fmt.Sprintf("%s %s", k.scene, k.in.Kind), func(t *testing.T) {
			t.Parallel()
			m := scenes[k.scene](t)
			m.in = k.in
			if m.in.Text != "" {
				m.read()
			}
			same(t, k.want, told(step(m)))
		})
	}
}

// A question stays open for a day; then "yes" is read as anything else is.
func TestAQuestionDoesNotStayOpenForEver(t *testing.T) {
	t.Parallel()
	m := scenes["waiting"](t)
	m.talk.Asking = Question{Topic: AskPeriod, About: "2026-03-01T08:15", At: m.now.Add(-25 * time.Hour)}
	m.in = Inbound{Kind: Text, Text: "yes", Sent: m.now}
	m.read()
	for _, line := range told(step(m)) {
		if strings.HasPrefix(line, "record") {
			t.Errorf("yesterday's question was answered: %s", line)
		}
	}
}

// The same moment gives the same effects: step keeps nothing and changes nothing.
func TestStepIsPure(t *testing.T) {
	t.Parallel()
	for name, scene := range scenes {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := written(scene(t), "my period started this morning and I have a terrible pain", Question{})
			first, second := told(step(m)), told(step(m))
			same(t, first, second)
		})
	}
}

// Whatever is written, wherever she stands: there is no panic, every key that is
// said is in the phrasebook, and what the rules call an emergency gets a caution
// and a case, in this order, whatever the conversation was waiting for.
func FuzzStep(f *testing.F) {
	words := phrase.MustLoad()
	names := slices.Sorted(maps.Keys(scenes))
	for i, text := range []string{"yes", "I can't breathe and my chest hurts", "me bajó ayer a las 5", "tomé la pastilla", "I soaked two pads in an hour",
		"period/yes/2026-03-02T08:15", "dose/taken/" + tablet, "trigger/given/" + shot, "readback/right/f3", "consent/es", "", "🙂", "\xff\xfe"} {
		f.Add(i, text, byte(i))
	}
	topics := []Topic{AskNothing, AskConsent, AskPeriod, AskPeriodDay, AskPeriodFix, AskDose, AskGiven, AskReadBack}
	kinds := []Kind{Text, Press, Media, Edited, Left, Returned, Ignored}
	f.Fuzz(func(t *testing.T, scene int, text string, how byte) {
		m := scenes[names[uint(scene)%uint(len(names))]](t)
		m.in = Inbound{Kind: kinds[int(how)%len(kinds)], Text: text, Sent: m.now}
		m.talk.Asking = Question{Topic: topics[int(how/8)%len(topics)], About: text, At: m.now.Add(-time.Minute)}
		if m.in.Kind == Press {
			m.in.Text, m.pressed = "", text
		} else if text != "" {
			m.read()
		}
		effects := step(m)
		for _, e := range effects {
			if s, is := e.(say); is && !words.Has(s.Key) {
				t.Errorf("there is no sentence %q", s.Key)
			}
		}
		if m.verdict.Urgency < rules.Emergency || m.in.Kind == Left || m.in.Kind == Returned || m.in.Kind == Ignored {
			return
		}
		if lines := told(effects); len(lines) < 2 || !strings.HasPrefix(lines[0], "caution ") || !strings.HasPrefix(lines[1], "case symptom emergency") {
			t.Errorf("an emergency led to %q", lines)
		}
	})
}

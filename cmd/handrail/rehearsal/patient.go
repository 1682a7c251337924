package rehearsal

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"handrail.example/cmd/handrail/audit"
)

// Patient is one invented patient: her body, her habits, and what she knows.
type Patient struct {
	w    *World
	r    *rand.Rand
	Chat int64
	// Handle, Language, Neutral and Expects are how she is enrolled; Ready: her
	// checklist is complete.
	Handle, Language string
	Neutral, Ready   bool
	Expects          audit.Day

	diligent float64 // how likely she answers at once
	blocked  bool
	script   script
	nurse    *Nurse
	change   bool      // she means to change what she said of her period
	meant    time.Time // to this
	// claims are what she stated and has not been told is on record, by kind; busy
	// are the questions that she is about to answer.
	claims map[string][]*audit.Entry
	busy   map[string]bool
}

func (w *World) addPatient(i int) {
	chat := FirstPatient + int64(i)
	p := &Patient{w: w, r: w.luck(chat), Chat: chat, Handle: fmt.Sprintf("P-%d", 10001+i), Language: "en", Ready: true, busy: make(map[string]bool), claims: make(map[string][]*audit.Entry)}
	if p.r.IntN(5) < 2 {
		p.Language = "es"
	}
	p.Neutral, p.Ready = p.r.IntN(2) == 0, p.r.IntN(50) > 0
	p.diligent = 0.75 + 0.24*p.r.Float64()
	p.nurse = w.Nurses[i%len(w.Nurses)]
	p.script.p = p
	w.people[chat] = p
	w.Patients = append(w.Patients, p)
	p.live()
}

// live lays down what her body and her moods will do. Cycles of different patients
// begin on different days; one period in ten is a week or more late (plausible,
// no source).
func (p *Patient) live() {
	first := audit.DayOf(p.w.Start, p.w.Clinic.Zone)
	// So that some cycles run to their end, most begin early.
	spread := max(3, p.w.Days/4)
	p.Expects = first + audit.Day(1+p.r.IntN(spread))
	late := p.r.IntN(3) - 1
	if p.r.IntN(10) == 0 {
		late = 7 + p.r.IntN(6)
	}
	begins := p.Expects + audit.Day(max(late, 0))
	p.w.at(p.w.on(begins, 6*60+p.r.IntN(16*60)).Add(time.Duration(p.r.IntN(60))*time.Second), p.period)
	for d := first; d < first+audit.Day(p.w.Days); d++ {
		p.moods(d)
	}
	p.leaves(first)
}

// moods are what she writes unasked on a day: common practice, no source.
func (p *Patient) moods(d audit.Day) {
	at := p.w.on(d, 5*60+p.r.IntN(18*60)).Add(time.Duration(p.r.IntN(60)) * time.Second)
	switch n := p.r.IntN(1000); {
	case n < 25:
		t := p.text()
		p.w.at(at, func() { p.writes(t.Words, t.Urgent) })
	case n < 28:
		p.w.at(at, func() {
			if !p.blocked {
				p.w.deed(audit.Said{Chat: p.Chat, Deed: audit.SentMedia}, func() { p.w.Platform.Media(p.Chat) })
			}
		})
	case n < 36:
		p.w.at(at, func() { p.writes(p.in("my calendar", "mi calendario"), false) })
	}
}

// text is something that somebody who speaks as she does has written.
func (p *Patient) text() Text {
	for {
		if t := p.w.Texts[p.r.IntN(len(p.w.Texts))]; t.Language == p.Language || t.Language == "mix" {
			return t
		}
	}
}

// leaves: a few block the chat for some days, or want no more messages.
func (p *Patient) leaves(first audit.Day) {
	at := p.w.on(first+audit.Day(2+p.r.IntN(max(1, p.w.Days-4))), 9*60+p.r.IntN(10*60))
	back := at.Add(between(p.r, 60, 4*24*60))
	switch n := p.r.IntN(100); {
	case n < 3:
		p.w.at(at, func() { p.blocks(true) })
		p.w.at(back, func() { p.blocks(false) })
	case n < 6:
		p.w.at(at, func() { p.writes("STOP", false) })
		if n > 3 {
			p.w.at(back, func() { p.writes("START", false) })
		}
	}
}

func (p *Patient) blocks(is bool) {
	deed := audit.Unblocked
	if is {
		deed = audit.Blocked
	}
	p.blocked = is
	p.w.deed(audit.Said{Chat: p.Chat, Deed: deed}, func() { p.w.Platform.Block(p.Chat, is) })
}

func (p *Patient) in(english, spanish string) string {
	if p.Language == "es" {
		return spanish
	}
	return english
}

func (p *Patient) writes(text string, urgent bool) int64 {
	if p.blocked {
		return 0
	}
	return p.w.writes(p.Chat, text, urgent)
}

// later has her do something some minutes from now.
func (p *Patient) later(d time.Duration, do func()) { p.w.at(p.w.Now().Add(d), do) }

func (p *Patient) press(m Message, b Button, d time.Duration) {
	p.later(d, func() { p.pressNow(m, b) })
}

func (p *Patient) pressNow(m Message, b Button) int64 {
	if p.blocked {
		return 0
	}
	return p.w.presses(p.Chat, m.ID, b.Token)
}

// period: it has come. In the evening she may be asked on which side of the
// cut-off.
func (p *Patient) period() {
	if p.script.started {
		return
	}
	if p.blocked {
		p.later(24*time.Hour, p.period)
		return
	}
	p.script.began = p.w.Now()
	p.writes(p.in("my period started today", "me bajó la regla hoy"), false)
	if p.r.IntN(12) == 0 {
		p.later(between(p.r, 120, 600), func() {
			if p.script.dayOne == 0 {
				return
			}
			p.change, p.meant = true, p.w.on(p.w.today()-1, p.w.Clinic.CutOff-1)
			p.writes(p.in("my period started yesterday", "me bajó la regla ayer"), false)
		})
	}
	// Should nothing come of it, she says so again.
	p.later(26*time.Hour, func() {
		if p.script.dayOne == 0 {
			p.period()
		}
	})
}

// sees is what she makes of a message.
func (p *Patient) sees(m Message) {
	words := p.w.words[p.Language]
	switch {
	case p.isTold(words, m):
	case p.seesPeriod(words, m):
	case p.seesDose(words, m):
	case p.seesTrigger(words, m):
	default:
		p.seesInstruction(words, m)
	}
}

// isTold: what she said of her period or her trigger is written down.
func (p *Patient) isTold(words *wording, m Message) bool {
	switch {
	case words.is(m.Text, "period.recorded"), words.is(m.Text, "period.unmoved"), words.is(m.Text, "period.not_ready"):
		if e := p.settles("period_start"); e != nil {
			p.script.period(e.At)
			p.change = p.change && !e.At.Equal(p.meant)
		}
	case words.is(m.Text, "trigger.recorded"):
		if p.settles("trigger") != nil {
			p.script.given = true
		}
	default:
		return false
	}
	return true
}

// settles her claims of a kind, and gives the last. Where she made several, one
// upon the other, she cannot know which of them counts.
func (p *Patient) settles(kind string) *audit.Entry {
	all := p.claims[kind]
	delete(p.claims, kind)
	if len(all) == 0 {
		return nil
	}
	all[0].Sure = len(all) == 1
	return all[len(all)-1]
}

// seesPeriod answers a question about her period. To one that she did not bring up,
// since something else that she wrote was taken for it, she says nothing.
func (p *Patient) seesPeriod(words *wording, m Message) bool {
	settled := p.script.dayOne != 0 && !p.change
	if b, is := words.button(m, "period.yes"); is {
		if !p.script.began.IsZero() && !settled {
			p.confirms(m, b, p.script.began)
		}
		return true
	}
	if b, is := words.button(m, "period.again_yes"); is {
		if p.change {
			p.confirms(m, b, p.meant)
		}
		return true
	}
	before, is := words.like(m, "period.before")
	if !is || p.script.began.IsZero() || settled {
		return is
	}
	after, offered := words.like(m, "period.after")
	evening := p.w.on(audit.DayOf(p.script.began, p.w.Clinic.Zone), p.w.Clinic.CutOff)
	switch {
	case p.change:
		p.confirms(m, before, p.meant)
	case offered && !p.script.began.Before(evening):
		p.confirms(m, after, evening)
	default:
		p.confirms(m, before, evening.Add(-time.Minute))
	}
	return true
}

// confirms day one, by a button that she presses once though the question may come
// twice.
func (p *Patient) confirms(m Message, b Button, at time.Time) {
	p.states(m, b, &audit.Entry{Kind: "period_start", At: at}, between(p.r, 1, 4))
}

// states something by a button. She is sure that it is on record when she is told.
func (p *Patient) states(m Message, b Button, e *audit.Entry, d time.Duration) {
	mark := e.Kind + m.Text
	if p.busy[mark] {
		return
	}
	p.busy[mark] = true
	p.later(d, func() {
		delete(p.busy, mark)
		if update := p.pressNow(m, b); update != 0 {
			p.state(e, update)
		}
	})
}

// state notes something that should be on record from now on.
func (p *Patient) state(e *audit.Entry, update int64) {
	e.Patient, e.Chat, e.Update, e.Stated = p.Handle, p.Chat, update, p.w.Now()
	p.claims[e.Kind] = append(p.claims[e.Kind], e)
	p.w.Journal.Entries = append(p.w.Journal.Entries, e)
}

// seesDose: she has taken it, takes it later, has missed it, or says nothing.
func (p *Patient) seesDose(words *wording, m Message) bool {
	taken, is := words.button(m, "dose.taken")
	if !is {
		return false
	}
	notYet, _ := words.button(m, "dose.not_yet")
	missed, _ := words.button(m, "dose.missed")
	if p.r.Float64() < p.diligent {
		if p.r.IntN(15) == 0 {
			p.later(between(p.r, 1, 50), func() { p.writes(p.in("I took it", "ya la tomé"), false) })
		} else {
			p.press(m, taken, between(p.r, 1, 45))
		}
		return true
	}
	switch p.r.IntN(6) {
	case 0:
		p.press(m, notYet, between(p.r, 1, 20))
	case 1:
		p.press(m, missed, between(p.r, 5, 300))
	case 2, 3:
		p.press(m, taken, between(p.r, 60, 400))
	}
	return true
}

// seesTrigger: most give it at its minute.
func (p *Patient) seesTrigger(words *wording, m Message) bool {
	if words.is(m.Text, "trigger.when") {
		p.later(between(p.r, 1, 4), p.saysWhen)
		return true
	}
	given, is := words.like(m, "trigger.given")
	if !is {
		return false
	}
	other, _ := words.button(m, "trigger.given_other")
	notYet, _ := words.button(m, "trigger.not_given")
	switch n := p.r.IntN(100); {
	case p.script.given || p.script.trigger.IsZero():
	case n < 90:
		p.states(m, given, &audit.Entry{Kind: "trigger", At: p.script.trigger}, between(p.r, 1, 9))
	case n < 95:
		p.press(m, other, between(p.r, 1, 9))
	case n < 98:
		p.press(m, notYet, between(p.r, 1, 6))
	}
	return true
}

// saysWhen tells the minute at which she gave her trigger: just now.
func (p *Patient) saysWhen() {
	if p.script.given {
		return
	}
	at := p.w.Now().In(p.w.Clinic.Zone).Truncate(time.Minute)
	if update := p.writes(at.Format("15:04"), false); update != 0 {
		p.state(&audit.Entry{Kind: "trigger", At: at}, update)
	}
}

// seesInstruction: what must be repeated is read, and now and then misread.
func (p *Patient) seesInstruction(words *wording, m Message) {
	if len(m.Buttons) == 0 {
		return
	}
	if b, is := words.button(m, "show"); is {
		// What must be confirmed and what changed is looked at; a mere reminder less
		// often.
		if p.r.IntN(10) < 7 {
			p.press(m, b, between(p.r, 1, 25))
		}
		return
	}
	if yes, is := words.button(m, "readback.yes"); is {
		if no, _ := words.button(m, "readback.no"); p.r.IntN(25) == 0 {
			yes = no
		}
		p.press(m, yes, between(p.r, 0, 5))
		return
	}
	if b, is := words.button(m, "readback.herself"); is {
		p.press(m, b, between(p.r, 0, 5))
		return
	}
	repeat := strings.Join(words.parts["readback.repeat"], "")
	order, found := strings.CutSuffix(m.Text, repeat)
	if !found || len(m.Buttons) != 2 {
		if words.is(m.Text, "dose.which") {
			p.press(m, m.Buttons[0], between(p.r, 1, 10))
		}
		return
	}
	right, wrong := m.Buttons[0], m.Buttons[1]
	if strings.Contains(order, wrong.Label) {
		right, wrong = wrong, right
	}
	switch n := p.r.IntN(100); {
	case n < 92:
		p.press(m, right, between(p.r, 1, 25))
	case n < 95:
		p.press(m, wrong, between(p.r, 1, 25))
	}
}

// Package rehearsal is the people of an invented clinic: patients with invented
// bodies and habits, and coordinators who look after them, all through the chat as
// in life. What they do depends on a seed and on what they see, and on nothing else.
//
// It owns what they know and what they mean to do next. It moves no clock, knows no
// database and no network: a Platform carries what they do, and Deliver brings what
// they see. It refuses to judge what comes of it; it keeps the journal from which
// the auditor does.
package rehearsal

import (
	"cmp"
	"container/heap"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"handrail.example/cmd/handrail/audit"
)

// Platform carries what a person does in her chat, and reports each deed's number
// to World.Number before it returns; a person who has blocked the bot can do
// nothing else.
type Platform interface {
	Write(chat int64, text string)
	Press(chat int64, message int64, token string)
	Media(chat int64)
	Block(chat int64, blocked bool)
}

// Message is one message as its reader has it.
type Message struct {
	Chat    int64
	ID      int64
	At      time.Time
	Text    string
	Buttons []Button // all rows, one after the other
}

// Button is one choice under a message.
type Button struct{ Label, Token string }

// Text is something that patients write in their own words.
type Text struct {
	Words, Language string
	// Urgent: it states an emergency plainly.
	Urgent bool
}

// Phrases says what stands in the phrasebook.
type Phrases interface {
	// Parts are the fixed parts of a sentence around its gaps, in order.
	Parts(language, key string) []string
}

// Config is one rehearsal.
type Config struct {
	Patients, Days int
	Seed           uint64
	Start          time.Time // the morning of the first day
	Clinic         audit.Clinic
	Texts          []Text
	Phrases        Phrases
	Platform       Platform
	Journal        *audit.Journal
	Now            func() time.Time
	// Grain is the step of the clock at which people act; 0: they act at any second.
	Grain time.Duration
}

// World is the clinic's people and what they mean to do.
type World struct {
	Config
	Patients []*Patient
	Nurses   []*Nurse
	people   map[int64]person
	agenda   agenda
	seq      int
	words    map[string]*wording
	// Refused counts what coordinators entered and were refused, GivenUp what they
	// gave up after no answer came.
	Refused, GivenUp int

	mu    sync.Mutex
	mail  map[int64][]Message
	doing *audit.Said // the deed that is on its way
}

type person interface{ sees(m Message) }

// event is something that somebody means to do.
type event struct {
	at  time.Time
	seq int
	do  func()
}

type agenda []event

func (a agenda) Len() int { return len(a) }
func (a agenda) Less(i, j int) bool {
	if c := a[i].at.Compare(a[j].at); c != 0 {
		return c < 0
	}
	return a[i].seq < a[j].seq
}
func (a agenda) Swap(i, j int) { a[i], a[j] = a[j], a[i] }

// Push is for the heap.
func (a *agenda) Push(e any) { *a = append(*a, e.(event)) }

// Pop is for the heap.
func (a *agenda) Pop() any {
	last := len(*a) - 1
	e := (*a)[last]
	(*a)[last] = event{}
	*a = (*a)[:last]
	return e
}

// Chats of patients and of staff.
const (
	FirstPatient int64 = 1_000_000
	FirstNurse   int64 = 1_000
)

// New makes the people up.
func New(c Config) *World {
	w := &World{Config: c, people: make(map[int64]person), mail: make(map[int64][]Message), words: make(map[string]*wording)}
	for _, lang := range []string{"en", "es"} {
		w.words[lang] = newWording(c.Phrases, lang)
	}
	for i := range NursesFor(c.Patients) {
		w.addNurse(i)
	}
	for i := range c.Patients {
		w.addPatient(i)
	}
	return w
}

// NursesFor is how many coordinators look after so many patients.
func NursesFor(patients int) int { return 4 + patients/500 }

// luck is somebody's own source of chance.
func (w *World) luck(who int64) *rand.Rand { return rand.New(rand.NewPCG(w.Seed, uint64(who))) }

// at has something done at an instant, or now if that is past.
func (w *World) at(t time.Time, do func()) {
	if now := w.Now(); t.Before(now) {
		t = now
	}
	if w.Grain > 0 {
		t = w.Start.Add((t.Sub(w.Start) + w.Grain - 1).Truncate(w.Grain))
	}
	w.seq++
	heap.Push(&w.agenda, event{t, w.seq, do})
}

// Next is when somebody next does something; false when nobody will.
func (w *World) Next() (time.Time, bool) {
	if len(w.agenda) == 0 {
		return time.Time{}, false
	}
	return w.agenda[0].at, true
}

// Due reports whether somebody means to do something by now.
func (w *World) Due(now time.Time) bool {
	at, more := w.Next()
	return more && !at.After(now)
}

// Act has the next person do what she means to do.
func (w *World) Act() { heap.Pop(&w.agenda).(event).do() }

// Deliver brings somebody a message. It may be called from any goroutine.
func (w *World) Deliver(m Message) {
	w.Journal.Saw(m.Chat, m.ID, m.At, m.Text)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.mail[m.Chat] = append(w.mail[m.Chat], m)
}

// Look has everybody read what has come, in an order that does not depend on how
// it came.
func (w *World) Look() {
	w.mu.Lock()
	mail := w.mail
	if len(mail) > 0 {
		w.mail = make(map[int64][]Message)
	}
	w.mu.Unlock()
	chats := make([]int64, 0, len(mail))
	for chat := range mail {
		chats = append(chats, chat)
	}
	slices.SortFunc(chats, func(a, b int64) int { return cmp.Compare(a, b) })
	for _, chat := range chats {
		who := w.people[chat]
		if who == nil {
			continue
		}
		// Alerts of one instant may come in any order.
		slices.SortStableFunc(mail[chat], func(a, b Message) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Text, b.Text)) })
		for _, m := range mail[chat] {
			who.sees(m)
		}
	}
}

// Number is told the platform's number of the deed that is on its way.
func (w *World) Number(update int64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.doing == nil || update == 0 {
		return
	}
	w.doing.Update = update
	w.Journal.Did(*w.doing)
}

// deed carries something that somebody does and gives its number.
func (w *World) deed(s audit.Said, carry func()) int64 {
	s.At = w.Now()
	w.mu.Lock()
	w.doing = &s
	w.mu.Unlock()
	carry()
	w.mu.Lock()
	defer w.mu.Unlock()
	w.doing = nil
	return s.Update
}

func (w *World) writes(chat int64, text string, urgent bool) int64 {
	wish := map[string]audit.Wish{"STOP": audit.Stop, "START": audit.Start}[text]
	return w.deed(audit.Said{Chat: chat, Deed: audit.Wrote, Urgent: urgent, Wish: wish}, func() { w.Platform.Write(chat, text) })
}

func (w *World) presses(chat, message int64, token string) int64 {
	return w.deed(audit.Said{Chat: chat, Deed: audit.Pressed, Token: token}, func() { w.Platform.Press(chat, message, token) })
}

// between is a length of time of so many to so many minutes.
func between(r *rand.Rand, from, to int) time.Duration {
	return time.Duration(from*60+r.IntN((to-from)*60+1)) * time.Second
}

// today is the clinic's day.
func (w *World) today() audit.Day { return audit.DayOf(w.Now(), w.Clinic.Zone) }

func (w *World) on(d audit.Day, minute int) time.Time { return d.At(minute, w.Clinic.Zone) }

// Hours of the clinic, in minutes after midnight.
const opens, closes = 7 * 60, 16 * 60

// working is t, or the next time at which somebody is at her desk, some minutes
// into it.
func (w *World) working(t time.Time, r *rand.Rand) time.Time {
	d := audit.DayOf(t, w.Clinic.Zone)
	for {
		from, to := w.on(d, opens), w.on(d, closes-20)
		switch {
		case !w.Clinic.Works(d) || t.After(to):
		case t.Before(from):
			return from.Add(between(r, 5, 90))
		default:
			return t
		}
		d++
	}
}

func clock(minute int) string { return fmt.Sprintf("%02d:%02d", minute/60, minute%60) }

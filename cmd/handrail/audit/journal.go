// Package audit judges a rehearsal: it holds what each simulated person did and
// saw beside what the database says, and counts what does not agree.
//
// It trusts nothing that it audits. It imports none of the program's packages,
// reads the file by SQL of its own on a connection that cannot write, unseals with
// a few lines of its own, and restates the published rules of dating by itself. It
// refuses to explain: a finding names a row or an update, never a person's words.
package audit

import (
	"hash/fnv"
	"strings"
	"sync"
	"time"
)

// Deed says what somebody did in a chat.
type Deed byte

// The deeds.
const (
	Wrote Deed = iota
	Pressed
	SentMedia
	Blocked
	Unblocked
)

// Said is one thing that a person did.
type Said struct {
	Chat   int64
	Update int64 // the platform's number of it
	Deed   Deed
	At     time.Time
	Token  string // of the button that was pressed
	// Urgent: her words state an emergency plainly.
	Urgent bool
	// Wish is that she wants no more messages, or wants them again.
	Wish Wish
}

// DeedID tells one update from all others: the platform's numbers may come again.
type DeedID struct {
	Chat, Update int64
	At           time.Time // UTC
}

func (s Said) deed() DeedID { return DeedID{s.Chat, s.Update, s.At.UTC()} }

// Wish is what somebody wants of the messages.
type Wish byte

// The wishes.
const (
	NoWish Wish = iota
	Stop
	Start
)

// Seen is one message as its reader has it.
type Seen struct {
	ID   int64
	At   time.Time
	Text uint64 // its Mark
}

// Entry is one thing that was stated and must be on record: by a colleague who
// saved it, or by a patient about her period or her trigger. Which fields matter
// depends on Kind, which is one of the calendar's kinds of facts.
type Entry struct {
	Patient string // handle
	Kind    string
	Chat    int64 // in which chat, under which update and when it was stated
	Update  int64
	Stated  time.Time
	// Shown is when a coordinator was shown what she then saved; zero for a patient.
	Shown time.Time
	// Sure: its writer was told that it is on record.
	Sure bool

	On    Day       // of a baseline, a scan, a transfer, a stop order
	At    time.Time // of a period, a visit, a trigger, an hCG draw
	Step  string    // of a visit
	Drug  string
	Class string // "tablet" or "progesterone"
	Times []int  // minutes after midnight
	Days  int    // of an order; 0: until it is stopped
	// Value is of a blood test, Age of the embryo in days, Word the decision of a
	// baseline or what an ultrasound showed.
	Value float64
	Age   int
	Word  string
}

// shown is when the program weighed what was stated.
func (e *Entry) shown() time.Time {
	if e.Shown.IsZero() {
		return e.Stated
	}
	return e.Shown
}

// Row is one row of a calendar that the program has computed.
type Row struct {
	Step   string
	On     string // 2026-03-02, "" where no day was found
	Status string
}

// Look is a patient's calendar as the program had it at an instant.
type Look struct {
	Patient string
	At      time.Time
	DayOne  string
	Rows    []Row
}

// Journal is what all people did and saw. It may be written to from several
// goroutines at once.
type Journal struct {
	mu      sync.Mutex
	Said    []Said
	Seen    map[int64][]Seen // by chat, in order
	Entries []*Entry
	Looks   []Look
	// Gone are the updates that the platform itself dropped after their time.
	Gone map[DeedID]bool
	// Odd is how many updates were sent that no person can have meant.
	Odd int
}

// NewJournal is an empty one.
func NewJournal() *Journal {
	return &Journal{Seen: make(map[int64][]Seen), Gone: make(map[DeedID]bool)}
}

// Did notes a deed.
func (j *Journal) Did(s Said) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.Said = append(j.Said, s)
}

// Saw notes a message that somebody has got.
func (j *Journal) Saw(chat int64, id int64, at time.Time, text string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.Seen[chat] = append(j.Seen[chat], Seen{ID: id, At: at, Text: Mark(text)})
}

// Mark stands for a text.
func Mark(text string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(strings.TrimSpace(text)))
	return h.Sum64()
}

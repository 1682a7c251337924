package dialog

import (
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// verb is what an entry about a patient asks for.
type verb string

// The verbs.
const (
	doShow     verb = "show"
	doFacts    verb = "facts"
	doCalendar verb = "calendar"
	doChart    verb = "chart"
	doEnter    verb = "enter"   // a fact
	doCorrect  verb = "correct" // a fact in place of another
	doUndo     verb = "undo"
	doStop     verb = "stop" // the order of a drug
	doCheck    verb = "check"
	doUncheck  verb = "uncheck"
	doCode     verb = "code"
	doHush     verb = "hush"
	doLift     verb = "lift"
	doFinish   verb = "finish"
	doNext     verb = "next"
	doSheet    verb = "sheet" // what her values say
	doNote     verb = "note"  // her contacts, for her chart
	doBook     verb = "book"  // a place for a visit
	doPlaces   verb = "places"
)

// entry is what a line after a patient's handle says.
type entry struct {
	Verb verb
	Fact plan.Fact
	// ID is the fact to correct or undo.
	ID string
	// Word is the drug to stop, the item to check, the ending, the protocol of the
	// next cycle; Words the reason.
	Word, Words string
	On          civil.Date
	// Step and At are the visit that a place is looked for and the minute that is asked
	// for, negative for any.
	Step plan.StepName
	At   civil.TimeOfDay
}

// readEntry reads a line about a patient, without her handle. It is strict:
// every word must be understood, or nothing is. now is on the clinic's wall clock;
// where a day may be left out it is today.
func readEntry(text string, now time.Time) (entry, error) {
	s := newScanner(text, now)
	s.example = "patient"
	if s.done() {
		return entry{Verb: doShow}, nil
	}
	e, err := s.entry()
	if err != nil {
		return entry{}, err
	}
	return e, s.end()
}

func (s *scanner) entry() (entry, error) {
	switch first := s.word(); first {
	case "facts", "calendar", "chart", "code", "hush", "lift", "sheet", "note":
		s.at++
		return entry{Verb: verb(first)}, nil
	case "next":
		s.at++
		s.take("cycle")
		e := entry{Verb: doNext}
		if !s.done() {
			s.at++
			e.Word = protocolOf(s.raw[s.at-1])
		}
		return e, nil
	case "book", "places":
		return s.booking(verb(first))
	case "finish":
		return s.oneWord(doFinish)
	case "stop":
		return s.stop()
	case "check", "uncheck":
		return s.check(verb(first))
	case "undo", "correct":
		return s.mend(verb(first))
	}
	f, err := s.fact()
	return entry{Verb: doEnter, Fact: f}, err
}

// oneWord reads the verb and one word after it.
func (s *scanner) oneWord(v verb) (entry, error) {
	s.example = string(v)
	s.at++
	if s.done() {
		return entry{}, s.fail()
	}
	s.at++
	return entry{Verb: v, Word: strings.ToLower(s.raw[s.at-1])}, nil
}

func (s *scanner) check(v verb) (entry, error) {
	e, err := s.oneWord(v)
	if err != nil {
		return e, err
	}
	e.On, _ = s.date()
	return e, nil
}

func (s *scanner) stop() (entry, error) {
	e, err := s.oneWord(doStop)
	if err != nil {
		return e, err
	}
	e.On, _ = s.date()
	return e, nil
}

// mend reads "undo f12 why" or "correct f12 scan …".
func (s *scanner) mend(v verb) (entry, error) {
	e, err := s.oneWord(v)
	if err != nil {
		return e, err
	}
	e.ID, e.Word = e.Word, ""
	if v == doUndo {
		e.Words = s.text()
		if e.Words == "" {
			return e, s.fail()
		}
		return e, nil
	}
	e.Fact, err = s.fact()
	e.Fact.Replaces = e.ID
	return e, err
}

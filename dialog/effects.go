package dialog

import (
	"handrail.example/dialog/phrase"
	"handrail.example/dialog/reading"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// effect is one thing that follows from a message. Effects are applied in order,
// all in the transaction of the message.
type effect interface{ effect() }

type (
	// say answers her, with one sentence or with two.
	say struct {
		Key     string
		Args    phrase.Args
		Then    string // the key of a second sentence, filled by the same Args
		Buttons [][]choice
	}
	// caution is the text that an urgent message gets at once.
	caution struct{ Key string }
	// openCase puts her message, or something about her, before a human.
	openCase struct {
		Reason  string
		Urgency rules.Urgency
		PageNow bool
		Rules   []string
		Why     string
		Spans   []reading.Span
		// Notes tell staff what she did not write.
		Notes []triage.Line
		// Dose is the dose that it is about, by its ID: a case that asks after
		// that dose already takes it in.
		Dose string
	}
	// record writes a fact down, and tellMoved tells her what it moved: with
	// Unsure, that a person has yet to confirm it.
	record    struct{ Fact plan.Fact }
	tellMoved struct{ Unsure bool }
	// answerDose writes down what she says about a dose.
	answerDose struct {
		Dose   string
		Answer reminders.Answer
	}
	// answerBack writes down what she says to a read-back, and askBack asks the
	// question of the stage that it has come to.
	answerBack struct {
		Back reminders.ReadBack
		Said string
	}
	askBack struct{ Back reminders.ReadBack }
	// askNext makes the conversation wait for an answer; the zero Question for
	// none.
	askNext struct{ Question }
	// awaitPlace puts a visit before a human if she does not choose a place for it in
	// time, and placeSettled lets that rest.
	awaitPlace   struct{ Step plan.Step }
	placeSettled struct{}
	// sendCalendar sends the calendar as text and as a file.
	sendCalendar struct{}
	// sendPicture sends her month as a picture.
	sendPicture struct{}
	agree       struct{}
	decline     struct{}
	// endLinks takes back at once what others may be told of her.
	endLinks    struct{ Links []reminders.Link }
	optOut      struct{ Out bool }
	flood       struct{} // one answer, and a person, for much that came at once
	unreachable struct{ Gone bool }
	back        struct{} // whoever is to phone her learns that she can be written to again
	setNeutral  struct{ Neutral bool }
	setLanguage struct{ Language string }
)

func (say) effect()          {}
func (flood) effect()        {}
func (caution) effect()      {}
func (openCase) effect()     {}
func (record) effect()       {}
func (tellMoved) effect()    {}
func (answerDose) effect()   {}
func (answerBack) effect()   {}
func (askBack) effect()      {}
func (askNext) effect()      {}
func (awaitPlace) effect()   {}
func (placeSettled) effect() {}
func (sendCalendar) effect() {}
func (sendPicture) effect()  {}
func (agree) effect()        {}
func (decline) effect()      {}
func (endLinks) effect()     {}
func (optOut) effect()       {}
func (unreachable) effect()  {}
func (back) effect()         {}
func (setNeutral) effect()   {}
func (setLanguage) effect()  {}

// choice is a button: the phrase on it, and what pressing it stands for.
type choice struct {
	Key    string
	Args   phrase.Args
	Action string
	// Label is used instead of Key where it is no phrase: a date.
	Label string
}

// menu is the row of choices that closes many answers.
func menu() [][]choice {
	return [][]choice{
		{{Key: "menu.period", Action: "menu/period"}, {Key: "menu.next", Action: "menu/next"}},
		{{Key: "menu.calendar", Action: "menu/calendar"}, {Key: "menu.person", Action: "menu/person"}},
	}
}

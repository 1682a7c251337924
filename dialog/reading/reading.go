// Package reading turns a message that a patient wrote into what it says: what
// it is for, what is so with her body now, which medicine it is about, on
// which day her period began.
//
// It owns the words: lexicon/*.txt are data files that a clinician can read
// and extend, English and Spanish, one concept a block. It reads both
// languages at once, since many people write both at once. It is pure: no
// clock (the caller says when the message was sent), nothing kept between
// messages, the same answer for the same input, and time that grows with the
// length of the text and with nothing else. It takes any bytes.
//
// It refuses to judge: how urgent a reading is, rules.Assess says. It refuses
// to guess: a date with two meanings is handed back as candidates, a message
// that it does not understand is rules.Unclear.
//
// The method is that of NegEx (Chapman et al., J Biomed Inform 2001;34:301-10)
// and ConText (Harkema et al., J Biomed Inform 2009;42:839-51), with the
// Spanish triggers in the manner of their adaptations (Costumero et al. 2014;
// Santamaria, NegEx-MES, 2019): find concepts by a lexicon, find cues, and let each cue
// govern what lies in its scope.
package reading

import (
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/triage/rules"
)

// Context is what is known before the message is read.
type Context struct {
	// Sent is when she sent it, as her wall clock and the clinic's showed it;
	// its location is not looked at.
	Sent time.Time
	// Phase is "" where it is not known.
	Phase rules.Phase
	// Medications is her current list; vague words ("the blue pill") are
	// resolved against it.
	Medications []Medication
	// Language is "en", "es" or "" and decides only where the text does not.
	Language string
	// Expecting is what the last question asked for.
	Expecting Expecting
}

// Medication is one medicine of a patient's current list.
type Medication struct {
	Drug rules.Drug
	// Product is the name on the box.
	Product string
	// Words are further words for it ("blue", "patch").
	Words []string
}

// Expecting is the kind of answer that a question of ours is waiting for.
type Expecting string

// What can be awaited.
const (
	ExpectNothing Expecting = ""
	// ExpectDose: "did you take it?" A bare "yes" is then a dose taken.
	ExpectDose Expecting = "dose"
	// ExpectDate: "on which day did it start?" A bare date is then day one.
	ExpectDate Expecting = "date"
)

// State is how a finding stands in a message.
type State string

// The states. Only Present counts as a finding.
const (
	Present      State = "present"
	Negated      State = "negated"
	Hypothetical State = "hypothetical"
	Past         State = "past"
	OtherPerson  State = "other_person"
	Quoted       State = "quoted"
	Figurative   State = "figurative"
)

// Span marks the words of the text that led to a finding.
type Span struct {
	// From and To are byte offsets into the text, To exclusive.
	From    int           `json:"from"`
	To      int           `json:"to"`
	Finding rules.Finding `json:"finding"`
	State   State         `json:"state"`
}

// Reading is what a message says.
type Reading struct {
	// Intent is what rules the answer; Also has what else the message is for.
	Intent rules.Intent
	Also   []rules.Intent
	// Findings are those present now, Signs the finer things they come from.
	Findings []rules.Finding
	Signs    []rules.Sign
	// Drug is the medicine that the message is about, or "".
	Drug rules.Drug
	// Doses says what happened to a dose.
	Doses []rules.Dose
	// Date is day one of a period that she reports, or zero; it is her
	// calendar day, before any cut-off rule of the clinic.
	Date civil.Date
	// Time is the wall-clock time that she gave with it; HasTime says whether.
	Time    civil.TimeOfDay
	HasTime bool
	// Ambiguous: the date has more than one meaning. Date is then zero and
	// Candidates has the days to offer as buttons, the latest first (none
	// where the words leave it quite open).
	Ambiguous  bool
	Candidates []civil.Date
	// Spans has the words behind every finding, in the order of the text,
	// those that do not count (denied, supposed) included.
	Spans []Span
	// Language is "en" or "es", by the words of the text.
	Language string
	// PhaseTold is where she says she is in her cycle, or "".
	PhaseTold rules.Phase
	// Flags are circumstances that she tells ("I had an ectopic before").
	Flags []rules.Flag

	// phase is the one that the reading went by.
	phase rules.Phase
	// steps counts the work done, for the test of linear growth.
	steps int
}

// Input is what rules.Assess needs, with what the chart knows: phase (where it
// is "", what the message told is taken) and flags.
func (r Reading) Input(phase rules.Phase, flags ...rules.Flag) rules.Input {
	if phase == "" {
		phase = r.PhaseTold
	}
	return rules.Input{
		Phase: phase, Intents: append([]rules.Intent{r.Intent}, r.Also...), Signs: r.Signs,
		Drug: r.Drug, Doses: r.Doses, Flags: append(flags, r.Flags...),
	}
}

// Parse reads a message. It never fails: a text in which nothing is understood
// is rules.Unclear, which is for a human.
func Parse(text string, c Context) Reading {
	lex := theLexicon()
	s := scan(lex, text)
	run := runners.Get().(*runner)
	run.toks, run.total = s.toks, 0
	m := newMessage(s, lex.find(run), c)
	r := m.read()
	r.Spans = merged(r.Spans)
	r.steps = run.total + len(text)
	run.toks = nil
	runners.Put(run)
	return r
}

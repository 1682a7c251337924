package triage

import "slices"

// Reason is why a case was opened, in a fixed word. Its title stands in the
// phrasebook as "reason.<Reason>".
type Reason string

// The reasons that begin with something she wrote, pressed or sent.
const (
	Symptom       Reason = "symptom"
	Unclear       Reason = "unclear"       // the program did not understand
	PersonWanted  Reason = "person_wanted" // she asks for a human
	Question      Reason = "question"      // about a visit, a result, her plans
	DoseMissed    Reason = "dose_missed"   // she says so
	DoseQuestion  Reason = "dose_question"
	Emotional     Reason = "emotional"
	Media         Reason = "media" // a photo, a voice message
	HomeTest      Reason = "home_test"
	LHSurge       Reason = "lh_surge"
	PeriodUnclear Reason = "period_unclear" // a call that she did not confirm, or doubts
	OptedOut      Reason = "opted_out"
	OtherPerson   Reason = "other_person" // somebody else writes from her chat
	LinkedPerson  Reason = "linked"       // somebody writes who is linked to her
	Minor         Reason = "minor"        // whoever writes says that she is under eighteen
	AfterCycle    Reason = "after_cycle"  // text after the last cycle ended
	Unread        Reason = "unread"       // a message that could not be handled
	Flood         Reason = "flood"        // more at once than is answered one by one
)

// The reasons that the calendar or the program finds by itself.
const (
	PeriodReported Reason = "period_reported" // day one is on record: a first visit is to book
	PeriodMissing  Reason = "period_missing"
	NotReady       Reason = "not_ready"   // a period call with an incomplete checklist
	DoseSilent     Reason = "dose_silent" // a dose question that nobody answered
	ReadBack       Reason = "read_back"   // she has not repeated it back
	ReadBackWrong  Reason = "read_back_wrong"
	Conflict       Reason = "conflict"     // a step that does not fit
	OrderDue       Reason = "order_due"    // an end or a start is due and no order has come
	DecisionDue    Reason = "decision_due" // a visit without what it decided
	ResultToTell   Reason = "result_to_tell"
	TriggerCheck   Reason = "trigger_check"   // an order that a second person must check
	Unreachable    Reason = "unreachable"     // she cannot be written to
	TooLate        Reason = "too_late"        // a message missed its time
	Doubtful       Reason = "doubtful"        // a message that may not have arrived
	Stuck          Reason = "stuck"           // work of the program that fails
	ResultLate     Reason = "result_late"     // blood was drawn and no result has come
	CautionRaised  Reason = "caution_raised"  // an entry that somebody else must weigh too
	NewNumber      Reason = "new_number"      // a stranger says that she writes from a new phone
	WhoseIsIt      Reason = "whose"           // a message from a shared chat, and nobody says whose it is
	PlaceOpen      Reason = "place_open"      // she cannot come and has chosen no other place
	DayClosed      Reason = "day_closed"      // a day closed, and she could not simply be moved
	Codes          Reason = "codes"           // somebody tries codes
	StaffUnreached Reason = "staff_unreached" // a colleague cannot be written to
	Running        Reason = "running"         // something about the server, and no administrator to tell
	Restored       Reason = "restored"        // a backup took the place of what was there
	ToMatch        Reason = "to_match"        // something from another system waits for whose it is
	SupplyShort    Reason = "supply"          // what she has at home will not last
	DayOpen        Reason = "day_open"        // some who were seen are not done with
)

// written are the reasons that begin with her own words: they join the case
// that she already has of that sort, so that one person answers her.
var written = []Reason{
	Symptom, Unclear, PersonWanted, Question, DoseMissed, DoseQuestion, Emotional, Media, HomeTest, LHSurge,
	PeriodUnclear, OptedOut, OtherPerson, LinkedPerson, Minor, AfterCycle, Unread, Flood,
}

// found are all others.
var found = []Reason{
	PeriodReported, PeriodMissing, NotReady, DoseSilent, ReadBack, ReadBackWrong, Conflict, OrderDue, DecisionDue, ResultToTell, TriggerCheck, ResultLate, CautionRaised, DayClosed, PlaceOpen,
	Unreachable, TooLate, Doubtful, Stuck, NewNumber, WhoseIsIt, Codes, StaffUnreached, Running, Restored, ToMatch, SupplyShort, DayOpen,
}

// Reasons has every reason.
var Reasons = slices.Concat(written, found)

// Hers reports whether it begins with something that she wrote, pressed or sent.
func (r Reason) Hers() bool { return slices.Contains(written, r) }

// joins reports whether something new for reason r belongs to a live case that
// was opened for reason of.
func (r Reason) joins(of Reason) bool {
	switch r {
	case Unreachable, TooLate, Doubtful, PeriodReported, DoseSilent:
		return r == of
	case SupplyShort:
		// She has said herself that none is left.
		return r == of || of == DoseQuestion
	case DoseQuestion:
		if of == SupplyShort {
			return true
		}
	}
	if r == LinkedPerson || of == LinkedPerson {
		return r == of // what others write is answered apart from what she writes
	}
	return slices.Contains(written, r) && slices.Contains(written, of)
}

// Outcome is how a case ended, in a fixed word; "outcome.<Outcome>" in the
// phrasebook.
type Outcome string

// The outcomes.
const (
	Answered      Outcome = "answered"
	Phoned        Outcome = "phoned"
	Seen          Outcome = "seen" // at the clinic
	EmergencyCare Outcome = "emergency_care"
	Booked        Outcome = "booked"
	OrderChanged  Outcome = "order_changed"
	Checked       Outcome = "checked"
	PassedOn      Outcome = "passed_on" // to somebody outside of this queue
	NothingToDo   Outcome = "nothing_to_do"
)

// Outcomes has every outcome, in the order in which they are offered.
var Outcomes = []Outcome{Answered, Phoned, Seen, EmergencyCare, Booked, OrderChanged, Checked, PassedOn, NothingToDo}

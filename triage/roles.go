package triage

import "slices"

// Role is what somebody is at the clinic.
type Role string

// The roles.
const (
	Coordinator   Role = "coordinator"
	Lead          Role = "lead" // a coordinator to whom the queue climbs
	Physician     Role = "physician"
	Administrator Role = "administrator" // staff and rota; sees no patient
	Reader        Role = "reader"        // sees everything, changes nothing
)

// Roles has every role.
var Roles = []Role{Coordinator, Lead, Physician, Administrator, Reader}

// Action is something that staff can do. Every command, button and page asks
// Allowed before it does one.
type Action string

// The actions.
const (
	SeeCases     Action = "see_cases"
	TakeCase     Action = "take_case"
	AnswerCase   Action = "answer_case"
	HandOverCase Action = "hand_over_case"
	CloseCase    Action = "close_case"
	MarkReading  Action = "mark_reading" // say that her words were read wrongly

	SeePatients  Action = "see_patients"
	AddPatient   Action = "add_patient"
	SetChecklist Action = "set_checklist"
	EnterFact    Action = "enter_fact"
	Correct      Action = "correct"
	Order        Action = "order" // medication and its stop
	OrderTrigger Action = "order_trigger"
	CheckTrigger Action = "check_trigger" // the second person's check
	Cancel       Action = "cancel"
	TellResult   Action = "tell_result"
	HushPatient  Action = "hush"
	BeginCycle   Action = "begin_cycle"
	ChangeLinks  Action = "change_links" // who else may be told what of a patient
	GiveRecords  Action = "give_records" // everything held about a patient, for herself
	Erase        Action = "erase"        // a patient, after the time for which the law wants her records

	Export      Action = "export"    // take something out as a file or a note
	Import      Action = "import"    // hand something in from another system, and say whose it is
	CloseDay    Action = "close_day" // and open it again
	AssignOwner Action = "assign_owner"
	WriteNote   Action = "write_note" // for whoever takes the patient over

	SeeRota     Action = "see_rota"
	ChangeRota  Action = "change_rota"
	CheckIn     Action = "check_in"
	SeeStaff    Action = "see_staff"
	ChangeStaff Action = "change_staff"
	UsePages    Action = "use_pages" // sign in and out of the desk's pages
	SignUp      Action = "sign_up"   // use up a sign-up code, for a chat or for the desk

	SeeRecord   Action = "see_record"   // what staff have seen and done
	BackUp      Action = "back_up"      // take a copy of everything
	RestoreData Action = "restore_data" // go back to such a copy
	RotateKey   Action = "rotate_key"   // put another master key in the place of the one in use
)

// clinical are the roles that look after patients.
var clinical = []Role{Coordinator, Lead, Physician}

// readers are the roles that may look at patients.
var readers = append(slices.Clone(clinical), Reader)

// allowed is the one table of who may do what.
var allowed = map[Action][]Role{
	SeeCases:     readers,
	TakeCase:     clinical,
	AnswerCase:   clinical,
	HandOverCase: clinical,
	CloseCase:    clinical,
	MarkReading:  clinical,

	SeePatients:  readers,
	AddPatient:   clinical,
	SetChecklist: clinical,
	EnterFact:    clinical,
	Correct:      clinical,
	Order:        clinical,
	OrderTrigger: clinical,
	CheckTrigger: clinical,
	Cancel:       clinical,
	TellResult:   clinical,
	HushPatient:  clinical,
	BeginCycle:   clinical,
	ChangeLinks:  clinical,
	GiveRecords:  {Lead, Administrator},
	Erase:        {Administrator},

	Export:      clinical,
	Import:      clinical,
	CloseDay:    clinical,
	AssignOwner: clinical,
	WriteNote:   clinical,

	SeeRota:     Roles,
	ChangeRota:  {Lead, Administrator},
	CheckIn:     clinical,
	SeeStaff:    Roles,
	ChangeStaff: {Administrator},
	UsePages:    Roles,
	SignUp:      Roles,

	SeeRecord:   {Administrator},
	BackUp:      {Administrator},
	RestoreData: {Administrator},
	RotateKey:   {Administrator},
}

// Actions has every action, in the order of their names.
func Actions() []Action {
	var all []Action
	for a := range allowed {
		all = append(all, a)
	}
	slices.Sort(all)
	return all
}

// Allowed reports whether a role may do something. What is not in the table
// nobody may.
func Allowed(r Role, a Action) bool { return slices.Contains(allowed[a], r) }

// May is nil when s may do a, and a *Refused otherwise. Who has left may nothing.
func (s Staff) May(a Action) error {
	if s.ID == 0 || !s.Left.IsZero() || !Allowed(s.Role, a) {
		return Refuse("role", map[string]string{"role": string(s.Role)})
	}
	return nil
}

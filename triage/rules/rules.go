// Package rules says how urgent a message is.
//
// It owns the vocabulary that readings, cases and pages share (findings,
// drugs, intents, phases, urgencies) and the table that turns what a message
// says, with where the patient is in her cycle, into an urgency, into whether
// someone must be woken, and into the caution that she is shown. The table is
// data (rules.txt, cautions.txt), made for a clinician to read and to change.
//
// It refuses to diagnose, to advise on a dose and to reassure: a caution says
// whom to call, never what is wrong. When two urgencies are possible it takes
// the higher.
package rules

import "fmt"

// Urgency orders how soon a human must act.
type Urgency int

// The urgencies, from the mildest to the gravest.
const (
	// None: the bot may answer alone.
	None Urgency = iota
	// Routine: a human answers in clinic hours.
	Routine
	// SameDay: a human answers today.
	SameDay
	// Emergency: caution at once, someone on call is alerted at once.
	Emergency
)

var urgencyNames = [...]string{"none", "routine", "same_day", "emergency"}

// String is the name used in files, in JSON and in the case queue.
func (u Urgency) String() string {
	if u < None || u > Emergency {
		return fmt.Sprintf("urgency(%d)", int(u))
	}
	return urgencyNames[u]
}

// ParseUrgency reads a name that String wrote.
func ParseUrgency(s string) (Urgency, error) {
	for u, name := range urgencyNames {
		if name == s {
			return Urgency(u), nil
		}
	}
	return None, fmt.Errorf("%q is no urgency: use none, routine, same_day or emergency", s)
}

// MarshalText writes the name.
func (u Urgency) MarshalText() ([]byte, error) { return []byte(u.String()), nil }

// UnmarshalText reads a name.
func (u *Urgency) UnmarshalText(b []byte) (err error) {
	*u, err = ParseUrgency(string(b))
	return err
}

// Phase is where a patient is in her cycle; "" when that is not known.
type Phase string

// The phases, in the order of a cycle.
const (
	BeforeCycle    Phase = "before_cycle"
	Stimulation    Phase = "stimulation"
	AfterTrigger   Phase = "after_trigger"
	AfterTransfer  Phase = "after_transfer"
	EarlyPregnancy Phase = "early_pregnancy"
)

// Phases has every phase in the order of a cycle.
var Phases = []Phase{BeforeCycle, Stimulation, AfterTrigger, AfterTransfer, EarlyPregnancy}

// Finding is something about her body that a message says is so now.
type Finding string

// The findings. Other is what matters but has no name of its own here (a
// seizure, one-sided weakness, palpitations, a fall).
const (
	HeavyBleeding    Finding = "heavy_bleeding"
	LightBleeding    Finding = "light_bleeding"
	SeverePain       Finding = "severe_pain"
	MildPain         Finding = "mild_pain"
	ShoulderPain     Finding = "shoulder_pain"
	Fainting         Finding = "fainting"
	Dizziness        Finding = "dizziness"
	Breathless       Finding = "breathless"
	ChestPain        Finding = "chest_pain"
	LegSwelling      Finding = "leg_swelling"
	SevereHeadache   Finding = "severe_headache"
	MildHeadache     Finding = "mild_headache"
	VisionChange     Finding = "vision_change"
	Fever            Finding = "fever"
	Vomiting         Finding = "vomiting"
	Nausea           Finding = "nausea"
	LowUrine         Finding = "low_urine"
	FastWeightGain   Finding = "fast_weight_gain"
	Bloating         Finding = "bloating"
	AllergicReaction Finding = "allergic_reaction"
	InjectionSite    Finding = "injection_site"
	Discharge        Finding = "discharge"
	SelfHarm         Finding = "self_harm"
	Other            Finding = "other"
)

// Findings has every finding.
var Findings = []Finding{
	HeavyBleeding, LightBleeding, SeverePain, MildPain, ShoulderPain, Fainting,
	Dizziness, Breathless, ChestPain, LegSwelling, SevereHeadache, MildHeadache,
	VisionChange, Fever, Vomiting, Nausea, LowUrine, FastWeightGain, Bloating,
	AllergicReaction, InjectionSite, Discharge, SelfHarm, Other,
}

// Drug is a class of medicine; "" when the message names none.
type Drug string

// The drugs. OtherDrug is any medicine that is none of the others, or one that
// the message does not name.
const (
	Letrozole    Drug = "letrozole"
	Clomiphene   Drug = "clomiphene"
	Gonadotropin Drug = "gonadotropin"
	Trigger      Drug = "trigger"
	Progesterone Drug = "progesterone"
	Estrogen     Drug = "estrogen"
	OtherDrug    Drug = "other"
)

// Drugs has every drug.
var Drugs = []Drug{Letrozole, Clomiphene, Gonadotropin, Trigger, Progesterone, Estrogen, OtherDrug}

// Intent is what a message is for.
type Intent string

// The intents.
const (
	PeriodStart    Intent = "period_start"
	PeriodSpotting Intent = "period_spotting"
	DoseMissed     Intent = "dose_missed"
	DoseQuestion   Intent = "dose_question"
	DoseTaken      Intent = "dose_taken"
	Symptom        Intent = "symptom"
	VisitQuestion  Intent = "visit_question"
	Reschedule     Intent = "reschedule"
	ResultQuestion Intent = "result_question"
	TravelOrLife   Intent = "travel_or_life"
	Emotional      Intent = "emotional"
	Thanks         Intent = "thanks_or_smalltalk"
	StopMessages   Intent = "stop_messages"
	HumanPlease    Intent = "human_please"
	Unclear        Intent = "unclear"
	HomeTest       Intent = "home_test"
	LHPositive     Intent = "lh_positive"
	OtherPerson    Intent = "other_person"
)

// Intents has every intent.
var Intents = []Intent{
	PeriodStart, PeriodSpotting, DoseMissed, DoseQuestion, DoseTaken, Symptom,
	VisitQuestion, Reschedule, ResultQuestion, TravelOrLife, Emotional, Thanks,
	StopMessages, HumanPlease, Unclear, HomeTest, LHPositive, OtherPerson,
}

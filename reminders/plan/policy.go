package plan

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// Policy is how one clinic works: its days and hours, its choices of timing,
// and what it promises about messages and escalation. Times of day are wall
// clock in Clinic.Zone.
type Policy struct {
	Clinic   Clinic            `yaml:"clinic"`
	Opening  Opening           `yaml:"opening"`
	Lab      Lab               `yaml:"lab"`
	Calendar Calendar          `yaml:"calendar"`
	Windows  map[string]Window `yaml:"windows"`
	// Protocols are the clinic's own tables; one with the name of an embedded
	// table takes its place.
	Protocols []Protocol    `yaml:"protocols"`
	Trigger   TriggerPolicy `yaml:"readiness_for_trigger"`
	HCG       HCGPolicy     `yaml:"hcg"`
	Messages  Messages      `yaml:"messages"`
	Triage    Triage        `yaml:"triage"`
	// Supply is how much of her medication she should have at home.
	Supply    SupplyPolicy       `yaml:"supply"`
	Readiness map[string]Readied `yaml:"readiness"`
	// Handover is what goes to obstetrics when care is handed over.
	Handover  map[string]HandedItem `yaml:"handover"`
	Enrolment Enrolment             `yaml:"enrolment"`
	Records   Records               `yaml:"records"`
	// Room is how many patients a day takes. Closed are days that were closed since the
	// policy was written; no file has them, whoever keeps them adds them.
	Room   Room `yaml:"room"`
	Closed []ClosedDay
}

// Clinic is who the patient is dealing with.
type Clinic struct {
	Name            string   `yaml:"name"`
	Zone            Zone     `yaml:"zone"`
	EmergencyNumber string   `yaml:"emergency_number"`
	FrontDesk       string   `yaml:"front_desk"`
	OnCallPhone     string   `yaml:"on_call_phone"`
	Languages       []string `yaml:"languages"`
	// ChatHours is when a person reads the chat.
	ChatHours Hours `yaml:"chat_hours"`
}

// Hours is a span of the wall clock on some days of the week, To exclusive.
type Hours struct {
	Days []Weekday       `yaml:"days"`
	From civil.TimeOfDay `yaml:"from"`
	To   civil.TimeOfDay `yaml:"to"`
}

// Opening is when the clinic sees patients.
type Opening struct {
	Days []Weekday       `yaml:"days"`
	From civil.TimeOfDay `yaml:"from"`
	To   civil.TimeOfDay `yaml:"to"`
	// Calendar are the holidays of a country, Holidays the clinic's own.
	Calendar HolidayCalendar `yaml:"calendar"`
	Holidays []Holiday       `yaml:"holidays"`
}

// Holiday is a day on which nobody works.
type Holiday struct {
	On   civil.Date `yaml:"on"`
	Name string     `yaml:"name"`
}

// Lab is when the embryology laboratory thaws and transfers.
type Lab struct {
	Days     []Weekday `yaml:"days"`
	Holidays []Holiday `yaml:"holidays"`
	// TransfersPerDay is the room of a day; who counts the bookings adds the
	// days that are taken to Full.
	TransfersPerDay int          `yaml:"transfers_per_day"`
	Full            []civil.Date `yaml:"full"`
}

// Calendar has the dating rules that are not windows.
type Calendar struct {
	// Protocol names the table of steps, one of Protocols.
	Protocol string `yaml:"protocol"`
	// PeriodCutOff: a full flow that starts before it makes that day day one.
	PeriodCutOff civil.TimeOfDay `yaml:"period_cut_off"`
	// InjectionDoses is after how many doses of injections she is monitored.
	InjectionDoses int `yaml:"injection_doses"`
	// EveningsEitherSide is how far from the intended evening of the trigger
	// other evenings are looked for, in days.
	EveningsEitherSide int `yaml:"evenings_either_side"`
	// AfterMidnightUntil: a trigger from midnight until then may belong to the
	// night before, so a person is asked which night counts.
	AfterMidnightUntil civil.TimeOfDay `yaml:"after_midnight_until"`
	// PeriodLateDays after the expected day, a period that did not come is a case.
	PeriodLateDays int `yaml:"period_late_days"`
	// BleedWithinDays after the last progestin day, a bleed that did not come
	// is a case.
	BleedWithinDays int `yaml:"bleed_within_days"`
	// DoseHorizonDays bounds the doses of an order without an end, from now.
	DoseHorizonDays int `yaml:"dose_horizon_days"`
}

// HCGPolicy has the cut-offs of the blood test. The minimal rises by starting
// value are published figures and not a clinic's choice; see Rise.
type HCGPolicy struct {
	// NegativeBelow and PositiveAbove, IU/L; what lies between is equivocal.
	NegativeBelow float64 `yaml:"negative_below"`
	PositiveAbove float64 `yaml:"positive_above"`
	// IntervalFrom and IntervalTo bound the intervals that may be normalised
	// without a flag.
	IntervalFrom time.Duration `yaml:"interval_from"`
	IntervalTo   time.Duration `yaml:"interval_to"`
	// TriggerClearedDays after an hCG trigger its hCG is gone from the blood.
	TriggerClearedDays int `yaml:"trigger_cleared_days"`
	// DrawnBefore: blood that is drawn before it has its result by ResultBy of the
	// same day, later blood by ResultBy of the next open day.
	DrawnBefore civil.TimeOfDay `yaml:"drawn_before"`
	ResultBy    civil.TimeOfDay `yaml:"result_by"`
}

// TriggerPolicy is what the clinic looks for before the trigger, and what is
// known beforehand about growth.
//
// Sources: trigger from a leading follicle of 18 mm, Andersen 1995, Hum Reprod
// 10:3202 (17 mm is conventional and 13 to 22 mm did as well, PMID 38609793, 3,087
// modified natural cycles, with a lining from 7 mm and progesterone under 1.5
// ng/mL); lining, Liu 2018, Hum Reprod 33:1883; LH, PMC7822991. Growth: natural 1
// to 1.5 mm a day, PMID 38609793; stimulated 1.69, Baerwald 2009, Fertil Steril
// 91:440, from memory, beside 1.5 to 2, common practice; the lining 0.5 before the
// trigger, Rabinowitz 1986, Fertil Steril 45:824. The spread of a measurement: of a
// follicle 1.0 mm between one and three directions, Duijkers 2004, Eur J Obstet
// Gynecol Reprod Biol 117:60; of a lining 0.7 mm, from a repeatability of up to 1.9
// mm, Ultrasound Obstet Gynecol 2002;20:486 (after the menopause). The spread of the
// rates, and how many follicles are too many: common practice, no source.
type TriggerPolicy struct {
	LeadMM   float64 `yaml:"lead_mm"`
	LiningMM float64 `yaml:"lining_mm"`
	// ProgesteroneBelow in ng/mL, LHSurge in IU/L.
	ProgesteroneBelow float64 `yaml:"progesterone_below"`
	LHSurge           float64 `yaml:"lh_surge"`
	Many              Many    `yaml:"many"`
	// Likely is how often the range of days is to hold the day, 0.5 to 0.99.
	Likely    float64   `yaml:"likely"`
	Growth    Growths   `yaml:"growth"`
	Measuring Measuring `yaml:"measuring"`
}

// Many is how many follicles, of what size or more in mm, are a caution.
type Many struct {
	Follicles int     `yaml:"follicles"`
	FromMM    float64 `yaml:"from_mm"`
}

// Growths are the rates of growth that are expected before any scan.
type Growths struct {
	Stimulated Rate `yaml:"stimulated"`
	Natural    Rate `yaml:"natural"`
	Lining     Rate `yaml:"lining"`
}

// Rate is a rate of growth in mm a day, as mean and standard deviation.
type Rate struct {
	Mean float64 `yaml:"mean"`
	SD   float64 `yaml:"sd"`
}

// Measuring is the standard deviation of one measurement, mm.
type Measuring struct {
	Follicle float64 `yaml:"follicle"`
	Lining   float64 `yaml:"lining"`
}

// Messages is what patients are promised about reminders.
type Messages struct {
	QuietHours Quiet `yaml:"quiet_hours"`
	// VisitEvening is when the evening before a visit is reminded; VisitBefore
	// how long before it, once more.
	VisitEvening civil.TimeOfDay `yaml:"visit_evening"`
	VisitBefore  time.Duration   `yaml:"visit_before"`
	// CallTimes are the times of day that she may choose from for the call with the
	// result of her first test; none: she is not asked.
	CallTimes []civil.TimeOfDay `yaml:"call_times"`
	// TriggerBefore is how long before the trigger she is reminded.
	TriggerBefore time.Duration `yaml:"trigger_before"`
	// PeriodConfirm is how long a reported day one waits for its confirmation
	// before a person looks.
	PeriodConfirm time.Duration `yaml:"period_confirm"`
	// DoseRepeat is after how long an unanswered dose question is asked again.
	DoseRepeat time.Duration `yaml:"dose_repeat"`
	// DoseDeadlines, by drug class: when an unanswered dose becomes a case.
	DoseDeadlines map[DrugClass]Deadline `yaml:"dose_deadlines"`
	// ReadBackAgain asks once more; ReadBackWithin makes it "phone her".
	ReadBackAgain  time.Duration `yaml:"read_back_again"`
	ReadBackWithin time.Duration `yaml:"read_back_within"`
	Transfer       TransferDay   `yaml:"transfer_day"`
	// RetentionDays is how long the raw text of a message is kept.
	RetentionDays int `yaml:"retention_days"`
}

// TransferDay is what is counted back from the arrival on that day.
type TransferDay struct {
	// ArriveBefore the transfer's minute; DrinkBefore the arrival.
	ArriveBefore time.Duration `yaml:"arrive_before"`
	DrinkBefore  time.Duration `yaml:"drink_before"`
}

// Quiet is the patient's night, From inclusive, To exclusive, over midnight.
type Quiet struct {
	From civil.TimeOfDay `yaml:"from"`
	To   civil.TimeOfDay `yaml:"to"`
}

// Deadline is when an unanswered dose becomes a case: the earliest of those
// that are set.
type Deadline struct {
	// Repeat, when set, replaces Messages.DoseRepeat for this class.
	Repeat time.Duration `yaml:"repeat"`
	// After the dose's minute.
	After time.Duration `yaml:"after"`
	// SameDay at this time; "00:00" means not set.
	SameDay civil.TimeOfDay `yaml:"same_day"`
	// BeforeNext: no later than the next dose of the same order.
	BeforeNext bool `yaml:"before_next"`
}

// Triage is how fast a case must be in a person's hands.
type Triage struct {
	EscalateAfter Escalation `yaml:"escalate_after"`
	// RepeatLastRung is how often the last rung of the ladder is rung again.
	RepeatLastRung time.Duration `yaml:"repeat_last_rung"`
	// ShiftStart is when the person on call checks in.
	ShiftStart civil.TimeOfDay `yaml:"shift_start"`
	// Morning is when what could wait for the night is put before a person.
	Morning civil.TimeOfDay `yaml:"morning"`
	// CloseWithin is how long a taken case may stay without a word before it comes
	// back to its holder, RemindAgain how it goes on from there.
	CloseWithin Escalation `yaml:"close_within"`
	// DayCloses is when somebody hears of those who were seen and are not done with.
	DayCloses   civil.TimeOfDay `yaml:"day_closes"`
	RemindAgain Reminding       `yaml:"remind_again"`
}

// Reminding is how a taken case that stays comes back to its holder again.
type Reminding struct {
	// Slower is how many times longer each wait is than the one before; AtMost, in
	// opening hours, is where it grows no more.
	Slower int           `yaml:"slower"`
	AtMost time.Duration `yaml:"at_most"`
	// LeadFrom is the reminder (1, 2, …) from which the leads hear of it too,
	// LeadFromAnswered the same once the patient has been answered.
	LeadFrom         int `yaml:"lead_from"`
	LeadFromAnswered int `yaml:"lead_from_answered"`
}

// Escalation is how long a case may stay where it is, by urgency. Routine counts
// the clinic's opening hours only.
type Escalation struct {
	Emergency time.Duration `yaml:"emergency"`
	SameDay   time.Duration `yaml:"same_day"`
	Routine   time.Duration `yaml:"routine"`
}

// Readied is one item of the checklist before a cycle.
type Readied struct {
	// Required: without it the cycle does not start on its own.
	Required bool `yaml:"required"`
	// ValidDays is how long it holds; 0 means for good.
	ValidDays int `yaml:"valid_days"`
}

// HandedItem is one item of the checklist for the hand-over to obstetrics.
type HandedItem struct {
	// Required: without it the hand-over is not complete.
	Required bool `yaml:"required"`
}

// Enrolment is how a patient joins.
type Enrolment struct {
	CodeValid time.Duration `yaml:"code_valid"`
	// Attempts of wrong codes in AttemptsWithin before a chat is no longer
	// listened to.
	Attempts       int           `yaml:"attempts"`
	AttemptsWithin time.Duration `yaml:"attempts_within"`
}

//go:embed policy.yaml
var defaultPolicy []byte

// DefaultPolicyYAML is the policy of the invented clinic of the examples, with
// a comment at every key.
func DefaultPolicyYAML() []byte { return slices.Clone(defaultPolicy) }

// DefaultPolicy is DefaultPolicyYAML, read.
func DefaultPolicy() Policy {
	var p Policy
	if err := Strict(defaultPolicy, &p); err != nil {
		panic("the embedded policy: " + err.Error())
	}
	return p
}

// ParsePolicy reads a policy file. A key that it leaves out keeps the default's
// value. Its error is Faults, all of them at once.
func ParsePolicy(b []byte) (Policy, error) {
	p := DefaultPolicy()
	fs := strict(b, &p)
	for i := range p.Protocols {
		p.Protocols[i].expand(fmt.Sprintf("protocols[%d].", i), &fs)
	}
	// A field of a wrong type has kept the default, which is sound, so the
	// other rules can be checked all the same.
	p.check(&fs)
	if err := fs.Or(); err != nil {
		return Policy{}, err
	}
	return p, nil
}

// Zone is an IANA time zone.
type Zone struct{ *time.Location }

// UnmarshalText reads a zone's name, such as America/Chicago.
func (z *Zone) UnmarshalText(b []byte) error {
	name := strings.TrimSpace(string(b))
	loc, err := time.LoadLocation(name)
	if err != nil || name == "" || name == "Local" {
		return fmt.Errorf("must be the name of a time zone such as America/Chicago")
	}
	z.Location = loc
	return nil
}

// Weekday is a day of the week, written mon to sun.
type Weekday time.Weekday

var weekdayNames = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// UnmarshalText reads mon to sun.
func (w *Weekday) UnmarshalText(b []byte) error {
	i := slices.Index(weekdayNames, strings.ToLower(string(b)))
	if i < 0 {
		return fmt.Errorf("must be one of mon, tue, wed, thu, fri, sat, sun")
	}
	*w = Weekday(i)
	return nil
}

// MarshalText writes mon to sun.
func (w Weekday) MarshalText() ([]byte, error) { return []byte(weekdayNames[w]), nil }

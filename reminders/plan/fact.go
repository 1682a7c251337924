package plan

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"

	"handrail.example/reminders/civil"
)

// FactKind names what a fact is about.
type FactKind string

// The kinds of facts.
const (
	ProtocolChosen FactKind = "protocol"
	PeriodStart    FactKind = "period_start"
	Spotting       FactKind = "spotting"
	PeriodDue      FactKind = "period_expected"
	ProgestinEnd   FactKind = "progestin_end"
	Ready          FactKind = "ready"
	BaselineFound  FactKind = "baseline"
	OrderGiven     FactKind = "order"
	StopOrder      FactKind = "stop_order"
	DoseAnswered   FactKind = "dose"
	Visit          FactKind = "visit"
	Embryos        FactKind = "embryos"
	Scan           FactKind = "scan"
	LHSurge        FactKind = "lh_surge"
	TriggerOrder   FactKind = "trigger_order"
	TriggerGiven   FactKind = "trigger"
	Transferred    FactKind = "transfer"
	HCG            FactKind = "hcg"
	Concluded      FactKind = "conclusion"
	Methotrexate   FactKind = "methotrexate"
	HandoverItem   FactKind = "handover"
	HandedOver     FactKind = "handed_over"
	Called         FactKind = "called"
	OBScan         FactKind = "ob_ultrasound"
	Cancelled      FactKind = "cancelled"
	Retracted      FactKind = "retracted"

	// Bloods is a blood test of the days before the trigger, HomeLH a positive
	// ovulation test at home, HCGDrawn blood that was taken and has no result yet,
	// Thawed what the laboratory saw. Rhesus and Allergy are about the patient and
	// hold beyond the cycle.
	Bloods   FactKind = "bloods"
	HomeLH   FactKind = "home_lh"
	HCGDrawn FactKind = "hcg_drawn"
	Thawed   FactKind = "thaw"
	// AntiD is Rh immune globulin that was given.
	AntiD   FactKind = "anti_d"
	Rhesus  FactKind = "rhesus"
	Allergy FactKind = "allergy"
)

// factKinds has every kind; its order breaks ties between facts of one instant.
var factKinds = []FactKind{ProtocolChosen, PeriodDue, ProgestinEnd, Ready, Spotting, PeriodStart, BaselineFound, OrderGiven, StopOrder,
	DoseAnswered, Visit, Embryos, Scan, LHSurge, TriggerOrder, TriggerGiven, Transferred, HCG, Called, OBScan, Concluded,
	Methotrexate, HandoverItem, HandedOver, Cancelled, Retracted,
	Rhesus, Allergy, Bloods, HomeLH, HCGDrawn, Thawed,
	OnHand, Dispensed, Authorised, AntiD}

// Decision is what a baseline led to.
type Decision string

// The decisions at a baseline.
const (
	Start  Decision = "start"
	Rescan Decision = "rescan"
	Cancel Decision = "cancel"
)

// Pattern is how the lining looks in a scan.
type Pattern string

// The patterns of the lining.
const (
	Trilaminar   Pattern = "trilaminar"
	Intermediate Pattern = "intermediate"
	Homogeneous  Pattern = "homogeneous"
)

// Backup is what was agreed for the case that no embryo survives the thaw.
type Backup string

// The backups.
const (
	ThawNext   Backup = "thaw_next"
	CallOff    Backup = "cancel"
	AskHerThen Backup = "ask"
)

// Bound says on which side of the printed number a value lies.
type Bound string

// The bounds: "<5" and ">200000".
const (
	BelowNumber Bound = "below"
	AboveNumber Bound = "above"
)

// Rh is a rhesus factor.
type Rh string

// The rhesus factors.
const (
	RhNegative Rh = "negative"
	RhPositive Rh = "positive"
)

// Stop is the rule by which an order ends: exactly one of its fields is set.
type Stop struct {
	// AfterDoses is a count of doses, AfterDays of days from the first.
	AfterDoses, AfterDays int
	// AtTrigger ends it with the last dose before the trigger.
	AtTrigger bool
	// UntilOrder leaves it running until a stop order.
	UntilOrder bool
}

// Fact is one thing that was said or decided about a cycle. Which fields matter
// depends on Kind; the others are zero. A correction is a new fact that names
// in Replaces the ID of the one that it takes the place of.
type Fact struct {
	Kind     FactKind
	ID       string
	Replaces string

	// At is an instant, in the clinic's zone (period_start, spotting, visit,
	// dose, trigger_order, trigger, hcg).
	At time.Time
	// On is a day (all other kinds that have one).
	On civil.Date

	// What a baseline found; nil where it was not measured.
	Decision                Decision
	CystMM, Estradiol       *float64 // mm, pg/mL
	BloodProgesterone, Beta *float64 // ng/mL, IU/L

	// An order (order, trigger_order), and a person's check of it.
	Drug, Product, Route  string
	Dose                  float64
	Unit                  string
	Times                 []civil.TimeOfDay
	From                  civil.Date
	Stop                  Stop
	Prescriber, CheckedBy string

	// Order is the ID of the order that a stop_order ends or a dose belongs to.
	Order string
	// Taken is the answer to a dose question; At is the minute it was due.
	Taken *bool
	// Step is what a visit is for.
	Step StepName
	// Item is the item of a checklist that a ready or a handover fact is about.
	Item string
	// Protocol names the table that the cycle is planned by.
	Protocol string

	// EmbryoDay is the embryo's age in days at transfer: 3, 5 or 6; 0 where not
	// said. Count is how many embryos were transferred; 0 where not said.
	EmbryoDay, Count int

	// What a scan saw: follicles and lining in mm.
	RightMM, LeftMM []float64
	LiningMM        *float64
	Pattern         Pattern

	// LH in the blood, IU/L (scan, bloods).
	LH *float64
	// Counts is false when a person has judged that an LH of these days is no
	// surge (lh_surge).
	Counts *bool

	// What is known of the embryos: the age of whoever gave the egg when it was
	// retrieved, in years; tested euploid; favourable prognosis; how many more
	// are stored; what was agreed in case none survives the thaw.
	EggAge              int
	Euploid, Favourable *bool
	Stored, Survived    *int
	Backup              Backup

	// Laboratory is who measured a blood test. Reported is set where the
	// laboratory gave no number but a bound.
	Laboratory string
	Reported   Bound

	// Rh is her rhesus factor, Allergen what she is allergic to.
	Rh       Rh
	Allergen string

	// NightOf is the day that counts as the trigger's, where it differs from
	// the date of At because it was given after midnight.
	NightOf civil.Date
	// IUPerL is the value of a blood test for hCG.
	IUPerL float64
	// Viable is what an early pregnancy ultrasound showed; nil when uncertain.
	Viable *bool
	// What that ultrasound found: where, how many, the crown-rump length and the mean
	// diameter of an empty sac in mm; nil or empty where it was not said.
	Site         Site
	Sacs         int
	CRLMM, SacMM *float64
	Heartbeat    *bool
	// Path is what a clinician has concluded.
	Path Path
	// Reason is why the cycle was cancelled, a fact retracted, or something saved
	// that a caution stands against.
	Reason string

	// Units are pieces of a drug (tablets, patches, ampoules), PerDose how many of them
	// make one dose; Pharmacy is who gave them out, Until the last day of an
	// authorisation.
	Units    *float64
	PerDose  float64
	Pharmacy string
	Until    civil.Date

	pos int // place in the list that was read, from 1; 0 when it was not
}

// justAdded is the pos of a fact that is being entered beside others.
const justAdded = -1

// String names the fact for an error: "fact 3 (hcg, id h1)".
func (f Fact) String() string {
	name := oneLine(string(f.Kind))
	if f.Kind == "" {
		name = "no kind"
	}
	if f.ID != "" {
		name += ", id " + oneLine(f.ID)
	}
	if f.pos <= 0 {
		return "the " + name
	}
	return fmt.Sprintf("fact %d (%s)", f.pos, name)
}

// oneLine quotes what would break an error's line.
func oneLine(s string) string {
	if strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return strconv.Quote(s)
	}
	return s
}

// day is the calendar day that the fact is about.
func (f Fact) day() civil.Date {
	if !f.On.IsZero() {
		return f.On
	}
	if !f.At.IsZero() {
		return civil.DateOf(f.At)
	}
	return f.From
}

// Refusal says why a fact cannot be true beside the others. It is one sentence
// in three parts.
type Refusal struct {
	// Fact names the fact, Why says what is wrong, Do what to do next.
	Fact, Why, Do string
	// Kind is the kind of the refused fact.
	Kind FactKind
}

// Error is the whole sentence.
func (r *Refusal) Error() string { return fmt.Sprintf("%s: %s; %s", r.Fact, r.Why, r.Do) }

func refuse(f Fact, why, do string) *Refusal {
	return &Refusal{Fact: f.String(), Why: why, Do: do, Kind: f.Kind}
}

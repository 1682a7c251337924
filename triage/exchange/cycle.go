package exchange

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"time"

	"handrail.example/reminders/plan"
)

// Cycle is one cycle of one patient with everything that is written of it.
type Cycle struct {
	Clinic string
	Zone   *time.Location // the clinic's
	// Handle, Name and Language (ISO 639-1) are hers.
	Handle, Name, Language string
	Number                 int64
	Opened, Closed         time.Time // Closed is zero while it is open
	Outcome                string
	Plan                   plan.Plan
	// Facts are all of the cycle in the order in which they were recorded.
	Facts   []Fact
	Letters []Letter
	Tasks   []Task
	// Untold: a result of hers waits to be told by a person.
	Untold bool
}

// Fact is a fact of the cycle and when it was recorded.
type Fact struct {
	plan.Fact
	Entered time.Time
}

// Letter is a message that she wrote or that reached her.
type Letter struct {
	// ID names it for ever: letters, digits, - and dots.
	ID   string
	Hers bool
	At   time.Time
	Text string
}

// Task is something that a person had, or has, to do about her.
type Task struct {
	Number int64
	// What says what for, Urgency one of emergency, same_day and routine, State one of
	// open, taken and closed, Outcome how it ended.
	What, Urgency, State, Outcome, Holder string
	Opened, Changed                       time.Time
}

// base is where the addresses of our resources begin. Nothing answers there.
const base = "https://handrail.example/fhir/"

// writer gathers the resources of a Bundle.
type writer struct {
	Cycle
	patient reference
	tips    []tip
	entries []entry
	err     error
}

// FHIR writes a cycle as an HL7 FHIR R4 Bundle of type collection. The same cycle gives
// the same bytes: identities come from what is on record, and the Bundle's instant is
// that of the latest thing in it.
func FHIR(c Cycle) ([]byte, error) {
	c = c.plain()
	w := &writer{Cycle: c, tips: tips(c.Facts)}
	id := idOf("patient-" + c.Handle)
	w.patient = reference{Reference: "Patient/" + id, Display: c.Handle}
	w.add("Patient", id, patient{head: w.head("Patient", id, HandleSystem, c.Handle), Active: true, Name: []humanName{{Text: c.Name}},
		Communication: []communication{{Language: concept{Coding: []coding{{System: languageSystem, Code: c.Language}}}, Preferred: true}}})
	w.carePlan()
	for _, t := range w.tips {
		switch t.Kind {
		case plan.Visit:
			w.appointment(t)
		case plan.OrderGiven, plan.TriggerOrder:
			w.medication(t)
		default:
			w.observations(t)
		}
	}
	w.due()
	for _, l := range c.Letters {
		w.letter(l)
	}
	for _, t := range c.Tasks {
		w.task(t)
	}
	if w.err != nil {
		return nil, w.err
	}
	return indented(bundle{ResourceType: "Bundle", ID: idOf(fmt.Sprintf("cycle-%d", c.Number)), Type: "collection", Timestamp: w.when(c.latest()), Entry: w.entries})
}

// plain is the cycle with texts as FHIR wants a string (R4, datatypes): nothing below
// U+0020 but tabs and line breaks, and never empty.
func (c Cycle) plain() Cycle {
	c.Name, c.Clinic = plain(c.Name), plain(c.Clinic)
	facts := make([]Fact, len(c.Facts))
	for i, f := range c.Facts {
		for _, s := range []*string{&f.Drug, &f.Product, &f.Route, &f.Unit, &f.Prescriber, &f.Laboratory} {
			*s = plain(*s)
		}
		facts[i] = f
	}
	var letters []Letter
	for _, l := range c.Letters {
		if l.Text = plain(l.Text); l.Text != "" {
			letters = append(letters, l)
		}
	}
	tasks := make([]Task, len(c.Tasks))
	for i, t := range c.Tasks {
		t.What, t.Holder, t.Outcome = plain(t.What), plain(t.Holder), plain(t.Outcome)
		tasks[i] = t
	}
	c.Facts, c.Letters, c.Tasks = facts, letters, tasks
	return c
}

func plain(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD")))
}

func indented(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	err := enc.Encode(v)
	return b.Bytes(), err
}

// latest is the last instant at which anything of the cycle changed.
func (c Cycle) latest() time.Time {
	last := c.Opened
	later := func(t time.Time) {
		if t.After(last) {
			last = t
		}
	}
	later(c.Closed)
	for _, f := range c.Facts {
		later(f.Entered)
	}
	for _, l := range c.Letters {
		later(l.At)
	}
	for _, t := range c.Tasks {
		later(t.Changed)
	}
	return last
}

var notInID = regexp.MustCompile(`[^A-Za-z0-9.-]+`)

// idOf makes a text fit for a resource's id: at most 64 letters, digits, - and dots.
func idOf(s string) string {
	s = notInID.ReplaceAllString(s, "-")
	return s[:min(len(s), 64)]
}

func (w *writer) head(kind, id, system, value string) head {
	return head{ResourceType: kind, ID: id, Identifier: []identifier{{System: system, Value: value, Assigner: w.clinic()}}}
}

func (w *writer) clinic() *reference {
	if w.Clinic == "" {
		return nil
	}
	return &reference{Display: w.Clinic}
}

func (w *writer) add(kind, id string, resource any) {
	b, err := indented(resource)
	if err != nil && w.err == nil {
		w.err = fmt.Errorf("write a %s: %w", kind, err)
	}
	w.entries = append(w.entries, entry{FullURL: base + kind + "/" + id, Resource: bytes.TrimSpace(b)})
}

// when is an instant on the clinic's clock, with its offset.
func (w *writer) when(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(w.Zone).Format(time.RFC3339)
}

// tip is what stands at the end of a chain of corrections.
type tip struct {
	Fact
	// Root is the first of the chain, by which it is known for ever.
	Root string
	// Back: it was taken back. Mended: it is a correction.
	Back, Mended bool
}

// tips are the ends of all chains of corrections, in the order of their first facts.
func tips(facts []Fact) []tip {
	place := make(map[string]int) // fact -> its chain
	var all []tip
	for _, f := range facts {
		i, known := place[f.Replaces]
		if f.Replaces == "" || !known {
			if f.Kind == plan.Retracted {
				continue // of something that is not among these facts
			}
			i = len(all)
			all = append(all, tip{Fact: f, Root: f.ID})
			place[f.ID] = i
			continue
		}
		place[f.ID] = i
		t := &all[i]
		if f.Kind == plan.Retracted {
			t.Back = true
			continue
		}
		t.Fact, t.Mended, t.Back = f, true, false
	}
	return all
}

// carePlan is her calendar: what is booked or ordered by reference, all else in words.
func (w *writer) carePlan() {
	id := idOf(fmt.Sprintf("cycle-%d", w.Number))
	p := carePlan{head: w.head("CarePlan", id, cycleSystem, fmt.Sprint(w.Number)), Status: w.planStatus(), Intent: "plan", Title: "transfer cycle, " + w.Plan.Protocol,
		Subject: w.patient, Created: w.when(w.Opened), Period: &period{Start: w.when(w.Opened), End: w.when(w.Closed)}}
	referred := make(map[string]bool)
	for _, s := range w.Plan.Steps {
		to := w.behind(s)
		switch {
		case to == "":
			p.Activity = append(p.Activity, activity{Detail: w.detail(s)})
		case !referred[to]:
			p.Activity = append(p.Activity, activity{Reference: &reference{Reference: to, Display: spaced(s.Name)}})
		}
		referred[to] = true
	}
	w.add("CarePlan", id, p)
}

// behind is the resource of the visit or the order that a step of the calendar shows;
// "" where there is none.
func (w *writer) behind(s plan.Step) string {
	for _, t := range w.tips {
		switch {
		case t.Back:
		case t.Kind == plan.Visit && t.Step == s.Name && !s.At.IsZero() && t.Fact.At.Equal(s.At):
			return "Appointment/" + w.factID("appointment", t)
		case t.Kind == plan.OrderGiven && s.Order != "" && s.Order == t.Fact.ID, t.Kind == plan.TriggerOrder && s.Name == plan.Trigger && t.Fact.At.Equal(s.At):
			return "MedicationRequest/" + w.factID("order", t)
		}
	}
	return ""
}

func (w *writer) planStatus() string {
	switch {
	case !w.Plan.Cancelled.IsZero(), w.Outcome == "cancelled":
		return "revoked"
	case !w.Closed.IsZero():
		return "completed"
	}
	return "active"
}

// activityStatus is FHIR's word for where a step stands.
var activityStatus = map[plan.Status]string{plan.Projected: "not-started", plan.Due: "scheduled", plan.Done: "completed", plan.Missed: "unknown", plan.Dropped: "cancelled"}

func (w *writer) detail(s plan.Step) *detail {
	d := &detail{Code: &concept{Coding: []coding{{StepSystem, string(s.Name), ""}}, Text: spaced(s.Name)}, Status: activityStatus[s.Status]}
	switch {
	case !s.At.IsZero():
		d.ScheduledPeriod = &period{Start: w.when(s.At), End: w.when(s.At)}
	case s.Status == plan.Done && !s.On.IsZero():
		d.ScheduledPeriod = &period{Start: s.On.String(), End: s.On.String()}
	case !s.From.IsZero() && !s.To.IsZero():
		d.ScheduledPeriod = &period{Start: s.From.String(), End: s.To.String()}
	}
	var why []string
	for _, r := range s.Reasons {
		why = append(why, r.Words())
	}
	d.Description = strings.Join(why, "; ")
	return d
}

// spaced is a word of the calendar as people write it.
func spaced[S ~string](word S) string { return strings.ReplaceAll(string(word), "_", " ") }

func (w *writer) factID(kind string, t tip) string { return idOf(kind + "-" + t.Root) }

// appointment is a visit. We know when it begins and not how long it takes, and FHIR
// wants both ends or neither (app-2, app-3): it ends when it begins.
func (w *writer) appointment(t tip) {
	id := w.factID("appointment", t)
	a := appointment{head: w.head("Appointment", id, FactSystem, t.Root), Status: w.visitStatus(t),
		ServiceType: []concept{{Coding: []coding{{StepSystem, string(t.Step), ""}}, Text: spaced(t.Step)}},
		Description: spaced(t.Step), Start: w.when(t.Fact.At), End: w.when(t.Fact.At), Created: w.when(t.Entered),
		Participant: []participant{{Actor: &w.patient, Status: "accepted"}}}
	w.add("Appointment", id, a)
}

func (w *writer) visitStatus(t tip) string {
	if t.Back {
		return "cancelled"
	}
	for _, s := range w.Plan.Steps {
		if s.Name != t.Step || !s.At.Equal(t.Fact.At) {
			continue
		}
		switch s.Status {
		case plan.Done:
			return "fulfilled"
		case plan.Dropped:
			return "cancelled"
		}
	}
	if c := w.Plan.Cancelled; !c.IsZero() && t.Fact.At.After(c.AddDays(1).At(0, w.Zone)) {
		return "cancelled"
	}
	return "booked"
}

// letter is a message. What she wrote has been received; what was written to her has
// reached her.
func (w *writer) letter(l Letter) {
	id := idOf("message-" + l.ID)
	m := letter{head: w.head("Communication", id, letterSystem, l.ID), Status: "completed", Medium: []concept{*words("chat")}, Subject: &w.patient,
		Payload: []payload{{l.Text}}}
	us := reference{Display: w.Clinic}
	if l.Hers {
		m.Received, m.Sender, m.Recipient = w.when(l.At), &w.patient, []reference{us}
	} else {
		m.Sent, m.Sender, m.Recipient = w.when(l.At), &us, []reference{w.patient}
	}
	w.add("Communication", id, m)
}

// The words of FHIR for where a task stands and how soon it must be done.
var (
	taskStatus   = map[string]string{"open": "requested", "taken": "in-progress", "closed": "completed"}
	taskPriority = map[string]string{"emergency": "stat", "same_day": "urgent", "routine": "routine"}
)

func (w *writer) task(t Task) {
	id := idOf(fmt.Sprintf("case-%d", t.Number))
	r := task{head: w.head("Task", id, caseSystem, fmt.Sprint(t.Number)), Status: taskStatus[t.State], Intent: "order", Priority: taskPriority[t.Urgency],
		Description: t.What, For: &w.patient, AuthoredOn: w.when(t.Opened), LastModified: w.when(t.Changed)}
	if t.Holder != "" {
		r.Owner = &reference{Display: t.Holder}
	}
	if t.Outcome != "" {
		r.Outcome = words(t.Outcome)
	}
	w.add("Task", id, r)
}

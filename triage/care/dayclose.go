package care

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// Pending is a patient who was seen or drawn on a day and is not done with: orders are
// missing, or she has not acknowledged them.
type Pending struct {
	Patient reminders.Patient
	// Case waits for the telling of a result; 0 for none.
	Case int64
	Why  []triage.Line
	// Later is when she chose to be called with her result, if that is still to come
	// and nothing else is left; zero otherwise.
	Later time.Time
}

// seenKinds are the facts of which each says that she was seen or drawn.
var seenKinds = []plan.FactKind{plan.BaselineFound, plan.Scan, plan.Bloods, plan.HCGDrawn, plan.HCG, plan.OBScan}

// decides are the facts with which somebody says what follows.
var decides = []plan.FactKind{plan.OrderGiven, plan.StopOrder, plan.TriggerOrder, plan.Visit, plan.LHSurge, plan.Concluded, plan.Methotrexate, plan.Cancelled, plan.HandedOver}

// NotDone are those who were seen or drawn on a day and are not done with, by handle.
// The caller puts the look on record.
func (c *Care) NotDone(ctx context.Context, tx *store.Tx, actor triage.Staff, d civil.Date) ([]Pending, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return nil, err
	}
	return c.notDone(ctx, tx, d)
}

func (c *Care) notDone(ctx context.Context, tx *store.Tx, d civil.Date) (list []Pending, err error) {
	live, err := c.Desk.Live(ctx, tx)
	if err != nil {
		return nil, err
	}
	err = c.eachOpen(ctx, tx, func(p reminders.Patient, cycle reminders.Cycle, pl plan.Plan) error {
		some, err := c.pending(ctx, tx, charted{p, cycle, pl}, d, live)
		if err == nil && len(some.Why) > 0 {
			list = append(list, some)
		}
		return err
	})
	slices.SortStableFunc(list, func(a, b Pending) int { return strings.Compare(a.Patient.Handle, b.Patient.Handle) })
	return list, err
}

// charted is a patient with her cycle and its plan.
type charted struct {
	patient reminders.Patient
	cycle   reminders.Cycle
	plan    plan.Plan
}

// pending is what of the day is left to do for one patient.
func (c *Care) pending(ctx context.Context, tx *store.Tx, ch charted, d civil.Date, live []triage.Case) (Pending, error) {
	p, cycle := ch.patient, ch.cycle
	out := Pending{Patient: p}
	seen := c.seenOn(cycle, d)
	if len(seen) == 0 {
		return out, nil
	}
	checking := false
	for _, cs := range live {
		switch {
		case cs.Person != p.Person:
		case cs.Reason == triage.ResultToTell:
			out.Case = cs.ID
			out.Why = append(out.Why, triage.Line{Key: "day.not_told", Args: phrase.Args{"case": fmt.Sprint(cs.ID)}})
		case cs.Reason == triage.TriggerCheck:
			checking = true
			out.Why = append(out.Why, triage.Line{Key: "day.unchecked", Args: phrase.Args{"case": fmt.Sprint(cs.ID)}})
		}
	}
	for _, f := range seen {
		if key := c.undecided(ch, f, d); key != "" && !checking && !slices.ContainsFunc(out.Why, func(l triage.Line) bool { return l.Key == key }) {
			out.Why = append(out.Why, triage.Line{Key: key})
		}
	}
	unheard, err := c.unrepeated(ctx, tx, p, cycle, d)
	out.Why = append(out.Why, unheard...)
	for _, s := range ch.plan.StepsOf(plan.Call) {
		if s.Status != plan.Done && s.Status != plan.Dropped && s.At.After(tx.Now) && len(out.Why) == 1 && out.Case != 0 {
			out.Later = s.At
		}
	}
	return out, err
}

// seenOn are the facts that stand and say that she was seen or drawn on a day.
func (c *Care) seenOn(cycle reminders.Cycle, d civil.Date) []reminders.Recorded {
	return slices.DeleteFunc(standing(cycle), func(f reminders.Recorded) bool {
		return !slices.Contains(seenKinds, f.Kind) || c.dayOf(f) != d
	})
}

func (c *Care) dayOf(f reminders.Recorded) civil.Date {
	if !f.On.IsZero() {
		return f.On
	}
	return civil.DateOf(f.Fact.At.In(c.Book.Policy.Location()))
}

// undecided is what of a finding nobody has settled yet, as a key; "" for nothing.
func (c *Care) undecided(ch charted, f reminders.Recorded, d civil.Date) string {
	facts := standing(ch.cycle)
	open := func(begins string, codes ...string) string {
		if slices.ContainsFunc(ch.plan.Open, func(o plan.OpenEnd) bool {
			return strings.HasPrefix(o.Key, begins) && (len(codes) == 0 || slices.Contains(codes, o.Why.Code))
		}) {
			return "day.no_orders"
		}
		return ""
	}
	decided := slices.ContainsFunc(facts, func(r reminders.Recorded) bool {
		ahead := r.Kind == plan.Visit && c.dayOf(r).After(d)
		return ahead || slices.Contains(decides, r.Kind) && !r.Entered.Before(f.Entered)
	})
	switch f.Kind {
	case plan.BaselineFound:
		return open("", "open_no_start_order", "open_held")
	case plan.Scan:
		if !decided {
			return open("decision/" + d.String())
		}
	case plan.HCGDrawn:
		if !slices.ContainsFunc(facts, func(r reminders.Recorded) bool { return r.Kind == plan.HCG && !r.Fact.At.Before(f.Fact.At) }) {
			return "day.no_result"
		}
	case plan.Bloods:
		if !decided && ch.plan.Phase() == plan.InStimulation {
			return "day.no_orders"
		}
	}
	return "" // a result is a case until it is told, and what follows stands in the calendar
}

// unrepeated are the instructions of the day that she has not acknowledged.
func (c *Care) unrepeated(ctx context.Context, tx *store.Tx, p reminders.Patient, cycle reminders.Cycle, d civil.Date) (lines []triage.Line, err error) {
	backs, err := c.Book.ReadBacks(ctx, tx, p, cycle)
	for _, r := range backs {
		if r.Stage == reminders.Unanswered && civil.DateOf(r.Fact.Entered.In(c.Book.Policy.Location())) == d {
			lines = append(lines, triage.Line{Key: "day.unrepeated", Args: phrase.Args{"what": string(r.Fact.Kind)}})
		}
	}
	return lines, err
}

// The tasks of this package.
const taskDayCloses = "care.day_closes"

// Tasks are the functions behind the tasks that this package promises.
func (c *Care) Tasks() map[string]outbox.TaskFunc {
	return map[string]outbox.TaskFunc{taskDayCloses: c.dayCloses}
}

// lookAgain is after how long it is looked again whether a day is done, and how long
// somebody who is entered after its close has: common practice, no source.
const lookAgain = 30 * time.Minute

// closing is the payload of the day's close.
type closing struct {
	Day string `json:"day"`
}

// watchDay promises, with the first who is seen on a day, that at the policy's hour
// somebody hears of those who are not done with. Who is entered after it has some time
// of her own.
func (c *Care) watchDay(ctx context.Context, tx *store.Tx, f plan.Fact) error {
	d := c.today(tx)
	if !slices.Contains(seenKinds, f.Kind) || c.dayOf(reminders.Recorded{Fact: f}) != d {
		return nil
	}
	at := d.At(c.Book.Policy.Triage.DayCloses, c.Book.Policy.Location())
	key := "day/" + d.String() + "/closes"
	if at.Before(tx.Now.Add(lookAgain)) {
		at = tx.Now.Truncate(lookAgain).Add(2 * lookAgain)
		key += "/" + at.UTC().Format("1504Z")
	}
	return c.promiseClose(ctx, tx, key, closing{Day: d.String()}, at)
}

func (c *Care) promiseClose(ctx context.Context, tx *store.Tx, key string, p closing, at time.Time) error {
	return c.Desk.Outbox.Put(ctx, tx, outbox.Want{Key: key, Topic: "day/" + p.Day, Kind: outbox.Task, Due: at, Run: taskDayCloses, Payload: p})
}

// dayCloses puts those who are not done with before whoever is on call, in one case a
// day, and looks again until nobody is left.
func (c *Care) dayCloses(ctx context.Context, tx *store.Tx, payload []byte) error {
	var p closing
	if json.Unmarshal(payload, &p) != nil {
		return fmt.Errorf("the payload of a day's close is none")
	}
	d, err := civil.ParseDate(p.Day)
	if err != nil {
		return fmt.Errorf("the payload of a day's close has no day")
	}
	left, err := c.notDone(ctx, tx, d)
	if err != nil {
		return err
	}
	key := "day/" + p.Day + "/not_done"
	later := time.Time{}
	left = slices.DeleteFunc(left, func(l Pending) bool {
		if l.Later.After(later) {
			later = l.Later
		}
		return !l.Later.IsZero()
	})
	if !later.IsZero() {
		// Whoever is called at an hour of her own has that hour, and then counts too.
		if err := c.promiseClose(ctx, tx, fmt.Sprintf("day/%s/later/%s", p.Day, later.UTC().Format("1504Z")), p, later.Add(lookAgain)); err != nil {
			return err
		}
	}
	if len(left) == 0 {
		return c.dayDone(ctx, tx, key)
	}
	cs, err := c.Desk.Open(ctx, tx, triage.Opening{Key: key, Person: seal.House, Reason: triage.DayOpen, Urgency: rules.SameDay,
		Notes: notDoneLines(left)})
	if err != nil || cs.State == triage.Closed {
		return err
	}
	return c.promiseClose(ctx, tx, fmt.Sprintf("day/%s/again/%s", p.Day, tx.Now.UTC().Format("20060102T1504Z")), p, tx.Now.Add(lookAgain))
}

// notDoneLines list who is left, by handle, and why.
func notDoneLines(left []Pending) (lines []triage.Line) {
	for _, p := range left {
		for _, l := range p.Why {
			args := phrase.Args{"who": p.Patient.Handle}
			for k, v := range l.Args {
				args[k] = v
			}
			lines = append(lines, triage.Line{Key: l.Key + ".of", Args: args})
		}
	}
	return lines
}

// dayDone ends the case of a day once nobody is left.
func (c *Care) dayDone(ctx context.Context, tx *store.Tx, key string) error {
	live, err := c.Desk.LiveFor(ctx, tx, triage.DayOpen)
	for _, cs := range live {
		if cs.Key == key {
			return c.Desk.Moot(ctx, tx, cs.ID, triage.Opening{Key: key + "/done", Person: seal.House, Reason: triage.DayOpen, Notes: []triage.Line{{Key: "day.all_done"}}})
		}
	}
	return err
}

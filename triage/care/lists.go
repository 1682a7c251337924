package care

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// Chart is one patient as staff see her.
type Chart struct {
	Patient reminders.Patient
	Cycle   reminders.Cycle
	Plan    plan.Plan
	Facts   []reminders.Recorded // those that stand
	Checks  []reminders.Check
	Cases   []triage.Case // live
	Today   civil.Date
	About   reminders.About
	// Lapses are checks that will not hold on the day of the transfer.
	Lapses []reckon.Caution
}

// Chart is everything about one patient on a page. Looking is on record.
func (c *Care) Chart(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64) (Chart, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return Chart{}, err
	}
	ch := Chart{Today: c.today(tx)}
	var err error
	if ch.Patient, err = c.Book.Patient(ctx, tx, patient); err != nil {
		return ch, err
	}
	if ch.Plan, ch.Cycle, err = c.Book.Plan(ctx, tx, patient); err != nil {
		return ch, err
	}
	ch.Facts, ch.About = standing(ch.Cycle), ch.Cycle.About()
	if ch.Checks, err = c.Book.Checklist(ctx, tx, patient); err != nil {
		return ch, err
	}
	ch.Lapses = reckon.Lapses(Checked(ch.Checks), ch.Today, TransferDay(ch.Plan))
	if ch.Cases, err = c.Desk.ForPerson(ctx, tx, ch.Patient.Person); err != nil {
		return ch, err
	}
	return ch, c.did(ctx, tx, actor, triage.SeePatients, ch.Patient, 0, "")
}

// Entry is one line of a day's list.
type Entry struct {
	Patient  reminders.Patient
	Step     plan.Step
	CycleDay int
}

// Day lists the steps of every patient that are planned for a day: those with a
// minute first, by it, then the others by handle.
func (c *Care) Day(ctx context.Context, tx *store.Tx, actor triage.Staff, d civil.Date) ([]Entry, error) {
	var list []Entry
	err := c.each(ctx, tx, actor, func(p reminders.Patient, _ reminders.Cycle, pl plan.Plan) error {
		for _, s := range pl.Steps {
			if s.On == d && s.Status != plan.Dropped && !course(s) {
				list = append(list, Entry{p, s, pl.CycleDay(d)})
			}
		}
		return nil
	})
	slices.SortStableFunc(list, func(a, b Entry) int {
		return cmp.Or(compareMinutes(a.Step.At, b.Step.At), cmp.Compare(a.Patient.Handle, b.Patient.Handle))
	})
	return list, err
}

// course reports whether a step is medication that runs for days, which is no
// appointment.
func course(s plan.Step) bool {
	return s.Name == plan.Stimulation || s.Name == plan.LiningEstrogen || s.Name == plan.Surge || s.Name == plan.LutealEstrogen || s.Name == plan.LutealProgesterone
}

func compareMinutes(a, b time.Time) int {
	switch {
	case a.IsZero() && b.IsZero():
		return 0
	case a.IsZero():
		return 1
	case b.IsZero():
		return -1
	}
	return a.Compare(b)
}

// Late is something that should have been settled by now.
type Late struct {
	Patient reminders.Patient
	End     plan.OpenEnd
}

// Overdue lists what should have been settled by now, the longest wait first.
func (c *Care) Overdue(ctx context.Context, tx *store.Tx, actor triage.Staff) ([]Late, error) {
	var list []Late
	err := c.each(ctx, tx, actor, func(p reminders.Patient, cycle reminders.Cycle, pl plan.Plan) error {
		return c.addLate(ctx, tx, &list, p, cycle, pl)
	})
	return longestFirst(list), err
}

func longestFirst(list []Late) []Late {
	slices.SortStableFunc(list, func(a, b Late) int { return a.End.Due.Compare(b.End.Due) })
	return list
}

// addLate adds what should have been settled by now in one cycle.
func (c *Care) addLate(ctx context.Context, tx *store.Tx, list *[]Late, p reminders.Patient, cycle reminders.Cycle, pl plan.Plan) error {
	for _, o := range pl.Open {
		if o.Due.After(tx.Now) {
			continue
		}
		// A result is settled when a person has told it; the plan cannot know.
		told, err := c.Desk.Ended(ctx, tx, reminders.OpenEndConcern(cycle.ID, o))
		if err != nil {
			return err
		}
		if !told || !strings.HasPrefix(o.Key, "result/") {
			*list = append(*list, Late{p, o})
		}
	}
	return nil
}

// each goes through the patients with an open cycle.
func (c *Care) each(ctx context.Context, tx *store.Tx, actor triage.Staff, f func(reminders.Patient, reminders.Cycle, plan.Plan) error) error {
	if err := actor.May(triage.SeePatients); err != nil {
		return err
	}
	return c.eachOpen(ctx, tx, f)
}

// eachOpen is each for the program itself.
func (c *Care) eachOpen(ctx context.Context, tx *store.Tx, f func(reminders.Patient, reminders.Cycle, plan.Plan) error) error {
	patients, err := c.Book.Patients(ctx, tx)
	if err != nil {
		return err
	}
	for _, p := range patients {
		pl, cycle, err := c.Book.Plan(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		if cycle.ID == 0 || !cycle.Closed.IsZero() {
			continue
		}
		if err := f(p, cycle, pl); err != nil {
			return err
		}
	}
	return nil
}

// Search lists the first n patients whose handle or name has the words, with their
// plans, by handle, and reports how many patients there are.
func (c *Care) Search(ctx context.Context, tx *store.Tx, actor triage.Staff, words string, n int) (found []Chart, all int, err error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return nil, 0, err
	}
	patients, err := c.Book.Patients(ctx, tx)
	if err != nil {
		return nil, 0, err
	}
	for _, p := range patients {
		if len(found) == n || p.Erased && words == "" || !strings.Contains(strings.ToLower(Label(p)), strings.ToLower(words)) {
			continue
		}
		pl, cycle, err := c.Book.Plan(ctx, tx, p.ID)
		if err != nil {
			return nil, 0, err
		}
		found = append(found, Chart{Patient: p, Cycle: cycle, Plan: pl, Today: c.today(tx)})
	}
	return found, len(patients), nil
}

// Everybody lists every patient with her plan, by handle.
func (c *Care) Everybody(ctx context.Context, tx *store.Tx, actor triage.Staff) ([]Chart, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return nil, err
	}
	patients, err := c.Book.Patients(ctx, tx)
	if err != nil {
		return nil, err
	}
	var list []Chart
	for _, p := range patients {
		if p.Erased {
			continue
		}
		pl, cycle, err := c.Book.Plan(ctx, tx, p.ID)
		if err != nil {
			return nil, err
		}
		list = append(list, Chart{Patient: p, Cycle: cycle, Plan: pl, Today: c.today(tx)})
	}
	return list, nil
}

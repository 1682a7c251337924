package main

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"handrail.example/dialog"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

//go:embed scenario.yaml
var scenarioFile []byte

// scenario is an invented clinic at one moment.
type scenario struct {
	Now      string           `yaml:"now"`
	Staff    []scenarioStaff  `yaml:"staff"`
	Rota     scenarioRota     `yaml:"rota"`
	Patients []scenarioPerson `yaml:"patients"`
}

type scenarioStaff struct {
	Handle    string   `yaml:"handle"`
	Name      string   `yaml:"name"`
	Role      string   `yaml:"role"`
	Languages []string `yaml:"languages"`
	Chat      int64    `yaml:"chat"`
}

// scenarioRota gives days and nights to handles in turn.
type scenarioRota struct {
	Days  int      `yaml:"days"`
	Day   []string `yaml:"day"`
	Night []string `yaml:"night"`
}

type scenarioPerson struct {
	Handle   string           `yaml:"handle"`
	Name     string           `yaml:"name"`
	Language string           `yaml:"language"`
	Chat     int64            `yaml:"chat"`
	Note     string           `yaml:"note"`
	Plain    bool             `yaml:"plain"`
	Ready    bool             `yaml:"ready"`
	Missing  []string         `yaml:"missing"`
	Facts    []map[string]any `yaml:"facts"`
}

// shift changes of the invented clinic.
var dayShift, nightShift = civil.MustTime("07:00"), civil.MustTime("19:00")

func readScenario() (scenario, error) {
	var s scenario
	err := yaml.UnmarshalWithOptions(scenarioFile, &s, yaml.Strict())
	return s, err
}

// at is the moment at which the scenario begins.
func (s scenario) at(zone *time.Location) (time.Time, error) {
	return time.ParseInLocation("2006-01-02T15:04", s.Now, zone)
}

// people fills an empty store with the scenario, through the same functions that
// staff use.
func (s scenario) fill(ctx context.Context, a *app) error {
	return a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		team := make(map[string]triage.Staff)
		for _, m := range s.Staff {
			who, code, err := a.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: m.Handle, Name: m.Name, Role: triage.Role(m.Role), Languages: m.Languages})
			if err != nil {
				return fmt.Errorf("%s: %w", m.Handle, err)
			}
			if _, ok, err := a.desk.Join(ctx, tx, code, strconv.FormatInt(m.Chat, 10)); err != nil || !ok {
				return fmt.Errorf("%s does not join: %w", m.Handle, err)
			}
			team[m.Handle] = who
		}
		if err := s.shifts(ctx, tx, a, team); err != nil {
			return err
		}
		for _, p := range s.Patients {
			if err := p.enrol(ctx, tx, a, team[s.Staff[0].Handle]); err != nil {
				return fmt.Errorf("%s: %w", p.Handle, err)
			}
		}
		return nil
	})
}

func (s scenario) shifts(ctx context.Context, tx *store.Tx, a *app, team map[string]triage.Staff) error {
	zone := a.policy.Location()
	today := civil.DateOf(tx.Now.In(zone))
	for n := range s.Rota.Days {
		d := today.AddDays(n)
		day, night := team[s.Rota.Day[n%len(s.Rota.Day)]], team[s.Rota.Night[n%len(s.Rota.Night)]]
		shift, err := a.desk.AddShift(ctx, tx, day, d.At(dayShift, zone), d.At(nightShift, zone))
		if err != nil {
			return err
		}
		if n == 0 && shift.From.Before(tx.Now) {
			if _, err := a.desk.CheckInNow(ctx, tx, day); err != nil {
				return err
			}
		}
		if _, err := a.desk.AddShift(ctx, tx, night, d.At(nightShift, zone), d.AddDays(1).At(dayShift, zone)); err != nil {
			return err
		}
	}
	return nil
}

// enrol takes a patient in who has written her code to the bot and agreed.
func (a *app) enrol(ctx context.Context, tx *store.Tx, who reminders.NewPatient, chat int64) (reminders.Patient, error) {
	patient, err := a.book.AddPatient(ctx, tx, who)
	if err != nil {
		return reminders.Patient{}, err
	}
	code, _, err := a.book.Invite(ctx, tx, patient.ID)
	if err != nil {
		return reminders.Patient{}, err
	}
	if _, err := a.book.Redeem(ctx, tx, code, strconv.FormatInt(chat, 10)); err != nil {
		return reminders.Patient{}, err
	}
	return patient, a.book.Agree(ctx, tx, patient.ID, dialog.ConsentVersion)
}

func (p scenarioPerson) enrol(ctx context.Context, tx *store.Tx, a *app, by triage.Staff) error {
	patient, err := a.enrol(ctx, tx, reminders.NewPatient{Handle: p.Handle, Name: p.Name, Language: p.Language, Neutral: !p.Plain}, p.Chat)
	if err != nil {
		return err
	}
	if err := p.check(ctx, tx, a, patient, by); err != nil {
		return err
	}
	if err := p.record(ctx, tx, a, patient, by); err != nil {
		return err
	}
	// What she was told of all this before the scenario begins is not told again.
	if _, err := a.outbox.WithdrawMessages(ctx, tx, patient.Person, outbox.Reply, outbox.Reminder); err != nil {
		return err
	}
	if _, err := a.book.Replan(ctx, tx, patient.ID); err != nil {
		return err
	}
	return p.tell(ctx, tx, a, patient, by)
}

// tell closes what asks for a result to be told: those of the scenario have been.
func (p scenarioPerson) tell(ctx context.Context, tx *store.Tx, a *app, patient reminders.Patient, by triage.Staff) error {
	current, cycle, err := a.book.Plan(ctx, tx, patient.ID)
	if err != nil {
		return err
	}
	for _, o := range current.Open {
		if !strings.HasPrefix(o.Key, "result/") {
			continue
		}
		c, err := a.desk.Open(ctx, tx, triage.Opening{Key: fmt.Sprintf("cycle/%d/open/%s", cycle.ID, o.Key), Patient: patient.ID, Person: patient.Person,
			Reason: triage.ResultToTell, Urgency: rules.SameDay, Holder: by})
		if err != nil {
			return err
		}
		if _, err := a.desk.Close(ctx, tx, by, c.ID, triage.Phoned); err != nil {
			return err
		}
	}
	return nil
}

func (p scenarioPerson) check(ctx context.Context, tx *store.Tx, a *app, patient reminders.Patient, by triage.Staff) error {
	lacks := make(map[string]bool)
	for _, item := range p.Missing {
		lacks[item] = true
	}
	done := civil.DateOf(tx.Now.In(a.policy.Location())).AddDays(-60)
	for item := range a.policy.Readiness {
		if lacks[item] {
			continue
		}
		if err := a.book.SetCheck(ctx, tx, patient.ID, item, done, by.Person); err != nil {
			return err
		}
	}
	return nil
}

// record writes the facts down in their order, and every dose that came due
// before now as taken. An id in the scenario stands for the one that the fact is
// given.
func (p scenarioPerson) record(ctx context.Context, tx *store.Tx, a *app, patient reminders.Patient, by triage.Staff) error {
	ids := make(map[string]string)
	said := reminders.Said{By: by.Person}
	for _, raw := range p.Facts {
		b, err := json.Marshal(raw)
		if err != nil {
			return err
		}
		f, err := plan.ParseFact(b, a.policy.Location())
		if err != nil {
			return err
		}
		name := f.ID
		if f.ID = ""; f.Order != "" {
			f.Order = ids[f.Order]
		}
		moved, err := a.book.Record(ctx, tx, patient.ID, f, said)
		if err != nil {
			return err
		}
		if name != "" {
			ids[name] = moved.Fact.ID
		}
	}
	current, cycle, err := a.book.Plan(ctx, tx, patient.ID)
	if err != nil {
		return err
	}
	doses, err := a.book.Doses(ctx, tx, cycle, current)
	if err != nil {
		return err
	}
	for _, d := range doses {
		if d.Dose.At.Before(tx.Now) && !d.Trigger() {
			if err := a.book.AnswerDose(ctx, tx, patient.ID, d.ID, reminders.Taken, reminders.Said{By: patient.Person}); err != nil {
				return err
			}
		}
	}
	return nil
}

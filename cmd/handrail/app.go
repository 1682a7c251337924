package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"handrail.example/bot"
	"handrail.example/dialog"
	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/picture"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/reminders/wake"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/rules"
)

// source names the chat platform in the inbox.
const source = "telegram"

// setting is what a running program is made from; live and demo differ in
// nothing else.
type setting struct {
	database   string
	durability store.Durability
	master     []byte
	policy     plan.Policy
	clock      clock.Clock
	log        *slog.Logger
	sender     outbox.Sender
	backup     backupConfig
}

// app is the whole program but for its transport: everything between what comes
// in and what goes out.
type app struct {
	setting
	db         *store.DB
	vault      *seal.Vault
	outbox     *outbox.Outbox
	book       *reminders.Book
	desk       *triage.Desk
	care       *care.Care
	intake     *dialog.Intake
	talk       *dialog.Service
	worker     *dialog.Worker
	dispatcher *outbox.Dispatcher
	chores     *wake.Loop
	// beat is the clock of a loop that may be at work for most at a time; nil where
	// nobody watches.
	beat func(name string, most time.Duration) clock.Clock
	// nudge has the dispatcher look whether another process has promised something.
	nudge func()
	// beside runs for as long as the loops do. What is in awake does too, and waits on
	// the clock, which it holds from the first.
	beside, awake []func(ctx context.Context)
}

// newApp opens the store and wires the parts. Close its db after use.
func newApp(ctx context.Context, s setting) (*app, error) {
	a := &app{setting: s}
	var err error
	if a.vault, err = seal.NewVault(s.master); err != nil {
		return nil, err
	}
	if a.db, err = store.Open(ctx, s.database, s.durability, s.clock); err != nil {
		return nil, err
	}
	if err := a.db.Within(ctx, a.vault.Ready); err != nil {
		return nil, errors.Join(err, a.db.Close())
	}
	phrases, err := phrase.Load()
	if err != nil {
		return nil, errors.Join(err, a.db.Close())
	}
	a.wire(phrases)
	if err := a.beginRecord(ctx); err != nil {
		return nil, errors.Join(err, a.db.Close())
	}
	// A database from before places were counted has none yet.
	if err := a.db.Within(ctx, a.book.ReadyPlaces); err != nil {
		return nil, errors.Join(err, a.db.Close())
	}
	return a, nil
}

func (a *app) wire(phrases *phrase.Book) {
	var inbound, outbound clock.Bell
	report := func(err error) { a.log.Error("needs a look", "err", err) }
	a.nudge = outbound.Ring
	a.outbox = outbox.New(a.vault, &outbound)
	a.desk = &triage.Desk{Vault: a.vault, Outbox: a.outbox, Phrases: phrases, Policy: triagePolicy(a.policy)}
	a.book = &reminders.Book{Vault: a.vault, Outbox: a.outbox, Policy: a.policy, Concern: a.concern, Untold: a.untold,
		Say:   sayWith(phrases),
		Day:   func(lang string, d civil.Date) string { return phrase.Day(lang, d.Year, d.Month, d.Day) },
		Clock: func(lang string, t civil.TimeOfDay) string { return phrase.Clock(lang, int(t)/60, int(t)%60) },
	}
	a.book.Picture = func(p reminders.Patient, pl plan.Plan, now time.Time) *outbox.File {
		return dialog.MonthFile(phrases, p, pl, now)
	}
	a.book.Consent = dialog.ConsentAgain(phrases, a.policy)
	a.desk.Who = care.Who(a.book)
	a.care = &care.Care{Book: a.book, Desk: a.desk}
	talk := &dialog.Service{Vault: a.vault, Outbox: a.outbox, Book: a.book, Desk: a.desk, Phrases: phrases, Policy: a.policy,
		Decode: func(_ dialog.Item, raw []byte) (dialog.Inbound, error) { return bot.Decode(raw) }}
	a.talk, a.care.Wrote = talk, talk.Wrote
	talk.Staff = (&dialog.Staffroom{Service: talk, Care: a.care}).Receive
	a.intake = &dialog.Intake{DB: a.db, Vault: a.vault, Source: source, Bell: &inbound}
	a.worker = &dialog.Worker{DB: a.db, Bell: &inbound, Handle: talk.Handle, Park: talk.Park, Report: report}
	a.dispatcher = &outbox.Dispatcher{DB: a.db, Vault: a.vault, Outbox: a.outbox, Sender: a.sender, OnTrouble: a.trouble, Report: report, Draw: picture.Draw, Reach: a.reach,
		Tasks: merge(a.book.Tasks(), a.desk.Tasks(), talk.Tasks(), a.care.Tasks())}
	a.chores = &wake.Loop{DB: a.db, Zone: a.policy.Location(), Report: report, Jobs: []wake.Job{
		{Name: "purge raw texts", Schedule: "17 3 * * *", Run: a.purge},
	}}
	a.chores.Jobs = append(a.chores.Jobs, a.backupJobs()...)
}

func (a *app) doChores(ctx context.Context, clk clock.Clock) {
	if err := a.chores.Run(ctx, clk); err != nil && ctx.Err() == nil {
		a.log.Error("the chores ended", "err", err)
	}
}

func merge(all ...map[string]outbox.TaskFunc) map[string]outbox.TaskFunc {
	tasks := make(map[string]outbox.TaskFunc)
	for _, some := range all {
		for name, f := range some {
			tasks[name] = f
		}
	}
	return tasks
}

// run keeps every loop going until ctx ends, and returns when all have ended.
// feed brings updates in.
func (a *app) run(ctx context.Context, feed func(ctx context.Context)) error {
	wait, err := a.start(ctx, feed)
	if err != nil {
		return err
	}
	wait()
	return nil
}

// start begins to run. When it returns, every loop holds the clock, so that a
// virtual one cannot move before they have looked around.
func (a *app) start(ctx context.Context, feed func(ctx context.Context)) (wait func(), err error) {
	if err := a.settleRestored(ctx); err != nil {
		return nil, fmt.Errorf("settle what a backup left open: %w", err)
	}
	if err := a.dispatcher.Resume(ctx); err != nil {
		return nil, fmt.Errorf("take up what was being sent: %w", err)
	}
	var loops sync.WaitGroup
	for _, l := range a.loops() {
		release, clk := a.clock.Hold(), a.clock
		if a.beat != nil {
			clk = a.beat(l.name, l.most)
		}
		loops.Go(func() {
			defer release()
			l.run(ctx, clk)
		})
	}
	loops.Go(func() { feed(ctx) })
	for _, run := range a.awake {
		release := a.clock.Hold()
		loops.Go(func() {
			defer release()
			run(ctx)
		})
	}
	for _, more := range a.beside {
		loops.Go(func() { more(ctx) })
	}
	return loops.Wait, nil
}

// loop is one of the loops of the program. It may be at work for most at a time
// before it counts as hanging.
type loop struct {
	name string
	most time.Duration
	run  func(context.Context, clock.Clock)
}

// loops are all of them. What most is: common practice, no source. The worker does
// not rest before all that waits is handled, which may take it a while after an
// outage.
func (a *app) loops() []loop {
	return []loop{{"worker", 10 * time.Minute, a.worker.Run}, {"dispatcher", 2 * time.Minute, a.dispatcher.Run}, {"chores", 30 * time.Minute, a.doChores}}
}

// sayWith is the phrasebook as the reminders use it: a key may have a neutral
// form beside its plain one.
func sayWith(phrases *phrase.Book) func(lang string, neutral bool, key string, args map[string]string) string {
	return func(lang string, neutral bool, key string, args map[string]string) string {
		if neutral && phrases.Has(key+".neutral") {
			key += ".neutral"
		}
		return phrases.Say(lang, key, args)
	}
}

// untold reports whether a result of hers waits to be told by a person.
func (a *app) untold(ctx context.Context, tx *store.Tx, p reminders.Patient) (bool, error) {
	live, err := a.desk.ForPerson(ctx, tx, p.Person)
	return slices.ContainsFunc(live, func(c triage.Case) bool { return c.Reason == triage.ResultToTell }), err
}

// concern puts what the plan found in front of a human.
func (a *app) concern(ctx context.Context, tx *store.Tx, c reminders.Concern) error {
	o := triage.Opening{Key: c.Key, Patient: c.Patient.ID, Person: c.Patient.Person, Reason: triage.Reason(c.Reason), PageNow: c.PageNow,
		Urgency: rules.Routine, Language: c.Patient.Language}
	if c.Grave {
		o.Urgency = rules.SameDay
	}
	for _, n := range c.Notes {
		o.Notes = append(o.Notes, triage.Line{Key: n.Key, Args: n.Args})
	}
	_, err := a.desk.Open(ctx, tx, o)
	return err
}

// trouble is what cannot be kept as it was promised. Somebody who has blocked the
// bot is written to no more until she comes back; a human knows.
func (a *app) trouble(ctx context.Context, tx *store.Tx, t outbox.Trouble) error {
	p, isPatient, err := a.book.ByPerson(ctx, tx, t.To)
	if err != nil {
		return err
	}
	if isPatient && t.Why == outbox.Undelivered && p.Unreachable.IsZero() {
		if err := a.book.SetUnreachable(ctx, tx, p.ID, true); err != nil {
			return err
		}
	}
	if !isPatient {
		if t, isPatient, err = a.besides(ctx, tx, t); err != nil || isPatient {
			return err
		}
	}
	return a.desk.Trouble(ctx, tx, t)
}

// triagePolicy is the part of the policy that the queue works by.
func triagePolicy(p plan.Policy) triage.Policy {
	t := p.Triage
	return triage.Policy{
		Zone: p.Location(), Holidays: p.DaysOff(),
		Chat:    hoursOf(p.Clinic.ChatHours.Days, p.Clinic.ChatHours.From, p.Clinic.ChatHours.To),
		Clinic:  hoursOf(p.Opening.Days, p.Opening.From, p.Opening.To),
		Climb:   triage.Waits{Emergency: t.EscalateAfter.Emergency, SameDay: t.EscalateAfter.SameDay, Routine: t.EscalateAfter.Routine},
		Close:   triage.Waits{Emergency: t.CloseWithin.Emergency, SameDay: t.CloseWithin.SameDay, Routine: t.CloseWithin.Routine},
		Remind:  triage.Reminding(t.RemindAgain),
		Again:   t.RepeatLastRung,
		Morning: t.Morning, CodeValid: p.Enrolment.CodeValid,
	}
}

func hoursOf(days []plan.Weekday, from, to civil.TimeOfDay) triage.Hours {
	h := triage.Hours{From: from, To: to}
	for _, d := range days {
		h.Days[d] = true
	}
	return h
}

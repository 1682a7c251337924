package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"io"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"handrail.example/bot"
	"handrail.example/cmd/handrail/audit"
	"handrail.example/cmd/handrail/rehearsal"
	"handrail.example/dialog"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// small is a rehearsal in which patients come as far as their trigger.
var small = rehearsalSet{patients: 4, days: 18, seed: 3, transport: "direct"}

// TestRehearsal has some patients cared for over HTTP under heavy faults, twice with
// the same seed.
func TestRehearsal(t *testing.T) {
	t.Parallel()
	set := rehearsalSet{patients: 12, days: 7, seed: 5, faults: "heavy", transport: "http"}
	first, findings, err := rehearse(t.Context(), set, rehearsalHooks{})
	if err != nil {
		t.Fatal(err)
	}
	if first.Faulty() {
		t.Errorf("%+v\n%s", first, strings.Join(findings, "\n"))
	}
	if first.Expected < 20 || first.Dated < 100 || first.Struck < 20 || first.MessagesOut < 200 {
		t.Errorf("so little happened that nothing is proved: %+v", first)
	}
	again, _, err := rehearse(t.Context(), set, rehearsalHooks{})
	if err != nil {
		t.Fatal(err)
	}
	if again.Verdict != first.Verdict {
		t.Errorf("the same seed gave\n%+v and\n%+v", first.Verdict, again.Verdict)
	}
}

// TestRehearsalCommand reads the report as a program does.
func TestRehearsalCommand(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	rehearse := func(args ...string) error {
		return run(t.Context(), append([]string{"rehearse"}, args...), func(string) string { return "" }, strings.NewReader(""), &out, io.Discard)
	}
	if err := rehearse("--patients", "2", "--days", "4", "--seed", "1", "--transport", "direct", "--json"); err != nil {
		t.Fatal(err)
	}
	var report map[string]any
	if err := json.Unmarshal(out.Bytes(), &report); err != nil {
		t.Fatal(err)
	}
	for _, field := range strings.Fields("patients cycles_completed messages_in messages_out lost_in doubled_effects reminders_lost reminders_late reminders_doubled " +
		"alerts alert_p99_ms cases_opened cases_unanswered plan_mismatches wall_s peak_rss_mb expired_upstream audit_digest") {
		if _, has := report[field]; !has {
			t.Errorf("the report has no %s", field)
		}
	}
	for _, args := range [][]string{{"--patients", "0"}, {"--days", "1"}, {"--faults", "some"}, {"--transport", "pigeon"}} {
		if err := rehearse(args...); exitCode(err, io.Discard) != 2 {
			t.Errorf("%q: %v", args, err)
		}
	}
}

// once runs f the first time that it is asked to and f agrees.
type once struct{ done atomic.Bool }

func (o *once) try(f func() bool) bool {
	if o.done.Load() || !f() {
		return false
	}
	o.done.Store(true)
	return true
}

// wrong is a Sender with something wrong in it.
type wrong struct {
	outbox.Sender
	send func(ctx context.Context, e outbox.Envelope) outbox.Outcome
}

func (w wrong) Send(ctx context.Context, e outbox.Envelope) outbox.Outcome { return w.send(ctx, e) }

// onSend replaces the way to the platform.
func onSend(r *rehearsalRun, send func(next outbox.Sender, ctx context.Context, e outbox.Envelope) outbox.Outcome) {
	next := r.app.dispatcher.Sender
	r.app.dispatcher.Sender = wrong{send: func(ctx context.Context, e outbox.Envelope) outbox.Outcome { return send(next, ctx, e) }}
}

// onHandle replaces what handles a message.
func onHandle(r *rehearsalRun, handle func(next handler, ctx context.Context, tx *store.Tx, item dialog.Item) error) {
	next := r.app.worker.Handle
	r.app.worker.Handle = func(ctx context.Context, tx *store.Tx, item dialog.Item) error { return handle(next, ctx, tx, item) }
}

type handler = func(context.Context, *store.Tx, dialog.Item) error

// asksDose reports whether an envelope asks a patient after a dose.
func asksDose(e outbox.Envelope) bool {
	return len(e.Message.Buttons) > 0 && len(e.Message.Buttons[0]) == 3 && strings.HasPrefix(e.Message.Buttons[0][0].Action, "dose/taken/")
}

// later reports whether the clinic has been at work for some days.
func (r *rehearsalRun) later(days int) bool {
	return r.clock.Now().After(r.world.Start.AddDate(0, 0, days))
}

// holdOne is an Intake that takes one update for taken which it is not.
type holdOne struct {
	bot.Intake
	lose func(dialog.Arrival) bool
}

func (h holdOne) Take(ctx context.Context, all []dialog.Arrival) error {
	return h.Intake.Take(ctx, slices.DeleteFunc(slices.Clone(all), h.lose))
}

// TestAuditorCatchesPlantedBugs breaks the program in one place after the other,
// each through a seam that it has, and finds each in the report under what it is.
// With nothing broken the same people report nothing.
func TestAuditorCatchesPlantedBugs(t *testing.T) {
	t.Parallel()
	type counts = audit.Verdict
	bugs := map[string]struct {
		plant func(r *rehearsalRun)
		after func(r *rehearsalRun) error
		shows func(v counts) int
	}{
		"a dose question counts as sent and is not": {plant: func(r *rehearsalRun) {
			var o once
			onSend(r, func(next outbox.Sender, ctx context.Context, e outbox.Envelope) outbox.Outcome {
				if o.try(func() bool { return asksDose(e) }) {
					return outbox.Outcome{Fate: outbox.Sent, External: "4711"}
				}
				return next.Send(ctx, e)
			})
		}, shows: func(v counts) int { return v.RemindersLost }},
		"a reminder is given up and nobody is told": {plant: func(r *rehearsalRun) {
			var o once
			onHandle(r, func(next handler, ctx context.Context, tx *store.Tx, item dialog.Item) error {
				err := next(ctx, tx, item)
				var gone int64
				if o.try(func() bool {
					gone, err = tx.Exec(ctx, `UPDATE outbox SET state = 'expired', settled_at = ? WHERE id = (SELECT id FROM outbox WHERE state = 'queued' AND kind = 'dose' ORDER BY due_at LIMIT 1)`, store.At(tx.Now))
					return gone > 0
				}) {
					return err
				}
				return err
			})
		}, shows: func(v counts) int { return v.RemindersLost }},
		"a dose question is sent twice": {plant: func(r *rehearsalRun) {
			var o once
			onSend(r, func(next outbox.Sender, ctx context.Context, e outbox.Envelope) outbox.Outcome {
				if o.try(func() bool { return asksDose(e) }) {
					next.Send(ctx, e)
				}
				return next.Send(ctx, e)
			})
		}, shows: func(v counts) int { return v.RemindersDouble }},
		"a dose question comes after its time": {plant: func(r *rehearsalRun) {
			var o once
			onSend(r, func(next outbox.Sender, ctx context.Context, e outbox.Envelope) outbox.Outcome {
				if o.try(func() bool { return asksDose(e) }) {
					_ = r.clock.Sleep(ctx, 14*time.Hour)
				}
				return next.Send(ctx, e)
			})
		}, shows: func(v counts) int { return v.RemindersLate }},
		"two chats are mixed up": {plant: func(r *rehearsalRun) {
			var o once
			onSend(r, func(next outbox.Sender, ctx context.Context, e outbox.Envelope) outbox.Outcome {
				if o.try(func() bool { return asksDose(e) && e.Chat != "1000001" }) {
					e.Chat = "1000001"
				}
				return next.Send(ctx, e)
			})
		}, shows: func(v counts) int { return v.RemindersLost }},
		"a reply goes to somebody else": {plant: func(r *rehearsalRun) {
			var o once
			onSend(r, func(next outbox.Sender, ctx context.Context, e outbox.Envelope) outbox.Outcome {
				if o.try(func() bool { return strings.HasPrefix(e.Message.Text, "Saved:") }) {
					e.Chat = "1000001"
				}
				return next.Send(ctx, e)
			})
		}, shows: func(v counts) int { return min(v.LostIn, v.DoubledEffects) }},
		"an update is not taken in": {plant: func(r *rehearsalRun) {
			var o once
			g := r.ground.(*directGround)
			g.intake = holdOne{g.intake, func(u dialog.Arrival) bool { return o.try(func() bool { return r.later(5) }) }}
		}, shows: func(v counts) int { return v.LostIn }},
		"a message is marked handled and undone": {plant: func(r *rehearsalRun) {
			var o once
			undone := errors.New("planted")
			onHandle(r, func(next handler, ctx context.Context, tx *store.Tx, item dialog.Item) error {
				if !o.try(func() bool { return r.later(5) }) {
					return next(ctx, tx, item)
				}
				if err := tx.Try(ctx, func() error { return errors.Join(next(ctx, tx, item), undone) }); !errors.Is(err, undone) {
					return err
				}
				return nil
			})
		}, shows: func(v counts) int { return v.LostIn }},
		"a message is handled twice": {plant: func(r *rehearsalRun) {
			onHandle(r, func(next handler, ctx context.Context, tx *store.Tx, item dialog.Item) error {
				if err := next(ctx, tx, item); err != nil {
					return err
				}
				var doses int
				if err := tx.Get(ctx, &doses, `SELECT count(*) FROM dose_answers WHERE inbox_id = ?`, item.ID); err != nil || doses == 0 {
					return err
				}
				_, err := tx.Exec(ctx, `INSERT INTO dose_answers (cycle_id, dose, answer, said_by, inbox_id, recorded_at)
					SELECT cycle_id, dose, answer, said_by, inbox_id, recorded_at FROM dose_answers WHERE inbox_id = ?`, item.ID)
				return err
			})
		}, shows: func(v counts) int { return v.DoubledEffects }},
		"a fact is lost": {after: func(r *rehearsalRun) error {
			return r.change(`DROP TRIGGER facts_stay`, `DELETE FROM facts WHERE id = (SELECT max(id) FROM facts WHERE kind = 'scan')`)
		}, shows: func(v counts) int { return v.LostIn }},
		"a case is closed by nobody": {plant: func(r *rehearsalRun) {
			var o once
			onHandle(r, func(next handler, ctx context.Context, tx *store.Tx, item dialog.Item) error {
				if err := next(ctx, tx, item); err != nil {
					return err
				}
				var n int64
				var err error
				o.try(func() bool {
					n, err = tx.Exec(ctx, `UPDATE cases SET state = 'closed', closed_at = ?, outcome = 'phoned', holder_id = NULL WHERE id = (SELECT min(id) FROM cases WHERE state = 'open')`, store.At(tx.Now))
					return n > 0
				})
				return err
			})
		}, shows: func(v counts) int { return v.CasesUnanswered }},
		"the ladder of a case goes silent": {plant: func(r *rehearsalRun) {
			for name, run := range r.app.dispatcher.Tasks {
				if strings.HasPrefix(name, "case.") {
					r.app.dispatcher.Tasks[name] = func(ctx context.Context, tx *store.Tx, payload []byte) error {
						var turn struct{ Case int64 }
						if json.Unmarshal(payload, &turn) == nil && turn.Case == 2 {
							return nil
						}
						return run(ctx, tx, payload)
					}
				}
			}
			// Nobody sees to it of her own accord.
			onSend(r, func(next outbox.Sender, ctx context.Context, e outbox.Envelope) outbox.Outcome {
				if strings.Contains(e.Message.Text, "case 2 ·") {
					e.Message.Buttons = nil
				}
				return next.Send(ctx, e)
			})
		}, shows: func(v counts) int { return v.CasesUnanswered }},
		"visits are not reminded of": {plant: func(r *rehearsalRun) { r.swallow(t, `cycle/%/visit/%`) },
			shows: func(v counts) int { return v.RemindersLost }},
		"doses are neither asked about nor looked after": {plant: func(r *rehearsalRun) { r.swallow(t, `cycle/%/dose/f%`) },
			shows: func(v counts) int { return v.RemindersLost }},
		"instructions are neither repeated nor looked after": {plant: func(r *rehearsalRun) { r.swallow(t, `cycle/%/readback/%`) },
			shows: func(v counts) int { return v.RemindersLost }},
		"a chat that cannot be reached is kept quiet": {plant: func(r *rehearsalRun) {
			var o once
			onSend(r, func(next outbox.Sender, ctx context.Context, e outbox.Envelope) outbox.Outcome {
				if o.try(func() bool { return asksDose(e) }) {
					return outbox.Outcome{Fate: outbox.Never, Class: "blocked"}
				}
				return next.Send(ctx, e)
			})
			r.app.dispatcher.OnTrouble = func(context.Context, *store.Tx, outbox.Trouble) error { return nil }
		}, shows: func(v counts) int { return v.RemindersLost }},
		"the test is dated days late": {plant: func(r *rehearsalRun) {
			windows := make(map[string]plan.Window)
			for name, w := range r.app.book.Policy.Windows {
				windows[name] = w
			}
			windows["hcg_first"] = plan.Window{From: 12, Preferred: 12, To: 14}
			r.app.book.Policy.Windows = windows
		}, shows: func(v counts) int { return v.PlanMismatches }},
		"day one is counted from the wrong hour": {plant: func(r *rehearsalRun) { r.app.book.Policy.Calendar.PeriodCutOff = 6 * 60 },
			shows: func(v counts) int { return v.PlanMismatches }},
		"nothing": {shows: func(v counts) int {
			if v.Faulty() {
				return 0
			}
			return 1
		}},
	}
	for name, bug := range bugs {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			report, findings, err := rehearse(t.Context(), small, rehearsalHooks{meddle: bug.plant, after: bug.after})
			if err != nil {
				t.Fatal(err)
			}
			if bug.shows(report.Verdict) == 0 {
				t.Errorf("the audit says %+v\n%s", report.Verdict, strings.Join(findings, "\n"))
			}
		})
	}
}

// swallow has every promise with such a key done without anything being done.
func (r *rehearsalRun) swallow(t *testing.T, key string) {
	t.Helper()
	if err := r.app.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Exec(ctx, `CREATE TRIGGER planted AFTER INSERT ON outbox WHEN NEW.key LIKE '`+key+`' BEGIN
			UPDATE outbox SET state = 'done', settled_at = NEW.created_at WHERE id = NEW.id; END`)
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// change writes to the file of a rehearsal whose program has stopped.
func (r *rehearsalRun) change(statements ...string) error {
	db, err := sql.Open("sqlite3", "file:"+r.file+"?_foreign_keys=off")
	if err != nil {
		return err
	}
	defer db.Close()
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			return err
		}
	}
	return nil
}

// TestRehearsalsPeopleAreTheirOwn: whom a seed makes up depends on nobody's number
// but her own, so that a patient can be followed through rehearsals of other sizes.
func TestRehearsalsPeopleAreTheirOwn(t *testing.T) {
	t.Parallel()
	people := func(n int) []*rehearsal.Patient {
		r, err := newRehearsalRun(t.Context(), rehearsalSet{patients: n, days: 5, seed: 9, transport: "direct"}, t.TempDir()+"/x.sqlite")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = r.close() })
		return r.world.Patients
	}
	few, many := people(3), people(5)
	for i, p := range few {
		if q := many[i]; p.Handle != q.Handle || p.Language != q.Language || p.Neutral != q.Neutral || p.Expects != q.Expects {
			t.Errorf("%s is somebody else among more people", p.Handle)
		}
	}
}

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"handrail.example/dialog"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// failer is a test, or one run of a property.
type failer interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
	Logf(format string, args ...any)
}

// drill is the whole program, loops and all, on a virtual clock and without a
// network: updates come in as the platform words them, envelopes go out.
type drill struct {
	*app
	t       failer
	time    *clock.Virtual
	log     lockedBuffer
	ctx     context.Context
	end     func()
	updates int64

	mu       sync.Mutex
	got      map[string][]delivered // by chat
	patients []reminders.Patient
	staff    []triage.Staff
}

// delivered is a message as its person has it.
type delivered struct {
	outbox.Envelope
	at    time.Time
	first bool // the row had not been delivered before
}

// theFirst is a Monday two weeks before a clock change.
var theFirst = civil.MustDate("2026-02-23")

// newDrill opens a clinic with two coordinators and some patients who are
// enrolled and ready.
func newDrill(t failer, folder string, patients int) *drill {
	t.Helper()
	policy := plan.DefaultPolicy()
	r := &drill{t: t, time: clock.NewVirtual(theFirst.At(civil.MustTime("07:30"), policy.Location())), got: make(map[string][]delivered)}
	master, err := seal.ParseMasterKey(seal.NewMasterKey())
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	r.ctx = ctx
	if r.app, err = newApp(ctx, setting{database: filepath.Join(folder, "clinic.sqlite"), durability: store.Relaxed, master: master, policy: policy,
		clock: r.time, sender: r, log: slog.New(slog.NewTextHandler(&r.log, nil))}); err != nil {
		t.Fatal(err)
	}
	r.within(func(ctx context.Context, tx *store.Tx) error { return r.people(ctx, tx, patients) })
	wait, err := r.app.start(ctx, func(context.Context) {})
	if err != nil {
		t.Fatal(err)
	}
	r.end = func() {
		stop()
		wait()
		if err := r.db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return r
}

func (r *drill) people(ctx context.Context, tx *store.Tx, patients int) error {
	for i, role := range []triage.Role{triage.Lead, triage.Coordinator} {
		s, code, err := r.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: fmt.Sprintf("staff%d", i), Name: "Invented", Role: role, Languages: []string{"en", "es"}})
		if err != nil {
			return err
		}
		if _, joined, err := r.desk.Join(ctx, tx, code, fmt.Sprint(10+i)); err != nil || !joined {
			return fmt.Errorf("joined %v: %w", joined, err)
		}
		r.staff = append(r.staff, s)
	}
	for i := range patients {
		p, err := r.enrol(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("P-%d", 201+i), Name: "Invented",
			Language: []string{"en", "es"}[i%2], Neutral: i%3 == 0}, firstChat+int64(i))
		if err != nil {
			return err
		}
		for item := range r.policy.Readiness {
			if err := r.book.SetCheck(ctx, tx, p.ID, item, theFirst.AddDays(-30), p.Person); err != nil {
				return err
			}
		}
		r.patients = append(r.patients, p)
	}
	return nil
}

const firstChat int64 = 100

// chatOf is the chat of the i-th patient.
func chatOf(i int) string { return fmt.Sprint(firstChat + int64(i)) }

// Send delivers.
func (r *drill) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got[e.Chat] = append(r.got[e.Chat], delivered{Envelope: e, at: r.time.Now()})
	return outbox.Outcome{Fate: outbox.Sent, External: fmt.Sprint(len(r.got[e.Chat]))}
}

func (r *drill) within(fn func(ctx context.Context, tx *store.Tx) error) {
	r.t.Helper()
	if err := r.db.Within(r.ctx, fn); err != nil {
		r.t.Fatal(err)
	}
}

func (r *drill) read(fn func(ctx context.Context, tx *store.Tx) error) {
	r.t.Helper()
	if err := r.db.Read(r.ctx, fn); err != nil {
		r.t.Fatal(err)
	}
}

// update brings something in, as the platform words it.
func (r *drill) update(chat, what, format string, args ...any) {
	r.t.Helper()
	r.updates++
	raw := fmt.Sprintf(`{"update_id":%d,%q:%s}`, r.updates, what, fmt.Sprintf(format, args...))
	if !json.Valid([]byte(raw)) {
		r.t.Fatalf("not an update: %s", raw)
	}
	if err := r.intake.Take(r.ctx, []dialog.Arrival{{ID: r.updates, Raw: []byte(raw), Chat: chat, Next: r.updates + 1}}); err != nil {
		r.t.Fatal(err)
	}
	r.settle()
}

func (r *drill) writes(chat, text string) {
	r.t.Helper()
	quoted, err := json.Marshal(text)
	if err != nil {
		r.t.Fatal(err)
	}
	r.update(chat, "message", `{"message_id":%d,"date":%d,"chat":{"id":%s,"type":"private"},"from":{"id":%s,"is_bot":false,"first_name":"I"},"text":%s}`,
		r.updates, r.time.Now().Unix(), chat, chat, quoted)
}

func (r *drill) presses(chat, token string) {
	r.t.Helper()
	r.update(chat, "callback_query", `{"id":"%d","data":%q,"from":{"id":%s,"is_bot":false,"first_name":"I"},"message":{"message_id":1,"date":1,"chat":{"id":%s,"type":"private"}}}`,
		r.updates, token, chat, chat)
}

// blocks has a person block the bot, or with false unblock it.
func (r *drill) blocks(chat string, blocked bool) {
	r.t.Helper()
	was, is := "member", "kicked"
	if !blocked {
		was, is = is, was
	}
	user := `{"id":1,"is_bot":true,"first_name":"B"}`
	r.update(chat, "my_chat_member", `{"date":%d,"chat":{"id":%s,"type":"private"},"from":{"id":%s,"is_bot":false,"first_name":"I"},"old_chat_member":{"status":%q,"user":%s},"new_chat_member":{"status":%q,"user":%s}}`,
		r.time.Now().Unix(), chat, chat, was, user, is, user)
}

// settle lets everything that was set off come to rest, and what the platform's
// limits hold back for seconds go out.
func (r *drill) settle() {
	r.t.Helper()
	for range 200 {
		if err := r.time.Rest(r.ctx); err != nil {
			r.t.Fatal(err)
		}
		next, ok := r.time.Next()
		if !ok || next.After(r.time.Now().Add(5*time.Second)) {
			return
		}
		if err := r.time.Advance(r.ctx, next); err != nil {
			r.t.Fatal(err)
		}
	}
	r.t.Fatal("it does not come to rest")
}

func (r *drill) pass(d time.Duration) {
	r.t.Helper()
	if err := r.time.Advance(r.ctx, r.time.Now().Add(d)); err != nil {
		r.t.Fatal(err)
	}
	r.settle()
}

// today is the clinic's day.
func (r *drill) today() civil.Date { return civil.DateOf(r.time.Now().In(r.policy.Location())) }

func (r *drill) on(d civil.Date, clock string) time.Time {
	return d.At(civil.MustTime(clock), r.policy.Location())
}

// tokens are those of the latest messages of a chat that have buttons, with what
// they stand for.
func (r *drill) tokens(chat string, last int) (all []outbox.Button) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, d := range slices.Backward(r.got[chat]) {
		for _, row := range d.Message.Buttons {
			all = append(all, row...)
		}
		if len(d.Message.Buttons) > 0 {
			if last--; last == 0 {
				break
			}
		}
	}
	return all
}

// enter is a fact as a colleague enters it; what is refused is refused.
func (r *drill) enter(who triage.Staff, p reminders.Patient, f plan.Fact) (refused bool) {
	r.t.Helper()
	r.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := r.care.Enter(ctx, tx, who, p.ID, f, r.updates+1)
		if isRefusal(err) {
			refused = true
			return nil
		}
		return err
	})
	r.settle()
	return refused
}

// isRefusal tells what a person is told from what went wrong.
func isRefusal(err error) bool {
	var no *plan.Refusal
	var denied *triage.Refused
	var taken *triage.ErrTaken
	return errors.As(err, &no) || errors.As(err, &denied) || errors.As(err, &taken) || errors.Is(err, reminders.ErrNoCycle)
}

// TestEveryPromiseIsKeptOrHeld lets patients and coordinators do anything that
// they can do, for some weeks, and looks after each thing whether all that was
// promised is still before somebody.
func TestEveryPromiseIsKeptOrHeld(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		r := newDrill(rt, t.TempDir(), 3)
		defer r.end()
		r.onTheWay()
		things := rapid.IntRange(4, 20).Draw(rt, "things")
		for n := range things {
			did := r.something(rt)
			why := r.broken()
			if why == "" && (n%6 == 5 || n == things-1) {
				why = r.outOfStep()
			}
			if why != "" {
				rt.Fatalf("after %s at %s: %s\nlog: %s", did, r.time.Now().In(r.policy.Location()).Format("Mon 2006-01-02 15:04"), why, r.log.String())
			}
		}
		if log := r.log.String(); strings.Contains(log, "level=ERROR") {
			rt.Fatalf("the program reported trouble:\n%s", log)
		}
	})
}

// onTheWay brings the second patient to cycle day 11 and the third to some days
// after her transfer; the first one waits for her period.
func (r *drill) onTheWay() {
	r.t.Helper()
	ago := func(n int) civil.Date { return theFirst.AddDays(-n) }
	course := func(drug string, from civil.Date, stop plan.Stop, times ...civil.TimeOfDay) plan.Fact {
		return plan.Fact{Kind: plan.OrderGiven, Drug: drug, Product: "a box", Route: "oral", Dose: 5, Unit: "mg", Times: times, From: from, Stop: stop, Prescriber: "Dr. Ashgrove"}
	}
	for i, facts := range [][]plan.Fact{
		1: {{Kind: plan.PeriodStart, At: r.on(ago(10), "08:15")}, {Kind: plan.BaselineFound, On: ago(8), Decision: plan.Start}, course("letrozole", ago(7), plan.Stop{AfterDays: 5}, 480)},
		2: {{Kind: plan.PeriodStart, At: r.on(ago(24), "08:15")}, {Kind: plan.BaselineFound, On: ago(22), Decision: plan.Start}, {Kind: plan.TriggerGiven, At: r.on(ago(12), "21:30")},
			course("progesterone", ago(10), plan.Stop{UntilOrder: true}, 480, 1200), {Kind: plan.Transferred, On: ago(5), EmbryoDay: 5}},
	} {
		for _, f := range facts {
			if r.enter(r.staff[0], r.patients[i], f) {
				r.t.Fatalf("the %s of a patient on her way was refused", f.Kind)
			}
		}
	}
}

// something is one thing that somebody does, or time that passes.
func (r *drill) something(t *rapid.T) (did string) {
	i := rapid.IntRange(0, len(r.patients)-1).Draw(t, "patient")
	p, chat := r.patients[i], chatOf(i)
	n := rapid.IntRange(0, len(r.staff)-1).Draw(t, "staff")
	who := r.staff[n]
	did = rapid.SampledFrom([]string{"time", "time", "time", "writes", "writes", "presses", "presses", "presses", "fact", "fact", "fact", "fact",
		"case", "case", "correction", "hush", "block", "staff presses", "told", "finish"}).Draw(t, "thing")
	switch did {
	case "time":
		r.pass(time.Duration(rapid.SampledFrom([]int{1, 20, 60, 300, 600, 1440, 3000}).Draw(t, "minutes")) * time.Minute)
	case "writes":
		r.writes(chat, rapid.SampledFrom([]string{"my period started this morning", "yes", "no", "I took it", "I forgot my pill", "stop", "start", "español", "english",
			"what is next", "my calendar", "I can't breathe and my chest hurts", "qwertz", "thank you", "me bajó ayer", "9:30 pm", "neutral wording", "I need a person"}).Draw(t, "text"))
	case "presses":
		if all := r.tokens(chat, 3); len(all) > 0 {
			b := rapid.SampledFrom(all).Draw(t, "button")
			r.presses(chat, b.Token)
			return did + " " + b.Action
		}
	case "staff presses":
		of := fmt.Sprint(10 + n)
		if all := r.tokens(of, 3); len(all) > 0 {
			b := rapid.SampledFrom(all).Draw(t, "button")
			r.presses(of, b.Token)
			return did + " " + b.Action
		}
	case "fact":
		f := r.fact(t)
		return fmt.Sprintf("fact %s, refused %v", f.Kind, r.enter(who, p, f))
	case "correction":
		r.correct(t, who, p)
	case "case":
		r.work(t, who)
	case "told":
		r.tell(t, who)
	case "hush":
		r.within(func(ctx context.Context, tx *store.Tx) error {
			_, err := r.care.Hush(ctx, tx, who, p.ID, rapid.Bool().Draw(t, "hushed"))
			return unlessRefused(err)
		})
	case "block":
		r.blocks(chat, rapid.Bool().Draw(t, "blocked"))
	case "finish":
		r.within(func(ctx context.Context, tx *store.Tx) error {
			if rapid.Bool().Draw(t, "next") {
				return unlessRefused(r.care.NextCycle(ctx, tx, who, p.ID, "", 0))
			}
			return unlessRefused(r.care.Finish(ctx, tx, who, p.ID, "cancelled"))
		})
	}
	r.settle()
	return did
}

func unlessRefused(err error) error {
	if isRefusal(err) {
		return nil
	}
	return err
}

// fact is something that a coordinator could enter today; much of it is refused,
// as it is when she mixes two patients up.
func (r *drill) fact(t *rapid.T) plan.Fact {
	today := r.today()
	on := func(what string, from, to int) civil.Date {
		return today.AddDays(rapid.IntRange(from, to).Draw(t, what))
	}
	at := func(what string, from, to int) time.Time {
		return on(what, from, to).At(civil.TimeOfDay(30*rapid.IntRange(0, 47).Draw(t, "half hour")), r.policy.Location())
	}
	switch kind := rapid.SampledFrom([]plan.FactKind{plan.PeriodStart, plan.BaselineFound, plan.OrderGiven, plan.OrderGiven, plan.Visit, plan.Visit, plan.Scan, plan.TriggerOrder,
		plan.TriggerGiven, plan.Transferred, plan.HCG, plan.HCG, plan.OBScan, plan.Cancelled, plan.PeriodDue}).Draw(t, "kind"); kind {
	case plan.BaselineFound:
		return plan.Fact{Kind: kind, On: on("baseline", -1, 0), Decision: rapid.SampledFrom([]plan.Decision{plan.Start, plan.Start, plan.Rescan, plan.Cancel}).Draw(t, "decision")}
	case plan.OrderGiven:
		return plan.Fact{Kind: kind, Drug: rapid.SampledFrom([]string{"letrozole", "menotropin", "progesterone", "estradiol"}).Draw(t, "drug"), Product: "a box", Route: "oral", Dose: 5, Unit: "mg",
			Times: []civil.TimeOfDay{civil.TimeOfDay(30 * rapid.IntRange(0, 47).Draw(t, "hour"))}, From: on("from", 0, 3), Prescriber: "Dr. Ashgrove",
			Stop: rapid.SampledFrom([]plan.Stop{{AfterDoses: 5}, {AfterDays: 3}, {UntilOrder: true}}).Draw(t, "stop")}
	case plan.Visit:
		return plan.Fact{Kind: kind, Step: rapid.SampledFrom([]plan.StepName{plan.Baseline, plan.Monitoring, plan.Transfer, plan.HCGFirst, plan.FollowUp}).Draw(t, "step"), At: at("visit", 0, 8)}
	case plan.Scan:
		return plan.Fact{Kind: kind, On: today}
	case plan.TriggerOrder:
		return plan.Fact{Kind: kind, At: at("trigger", 0, 2), Drug: "hCG", Product: "a box", Route: "sc", Dose: 10000, Unit: "IU", Prescriber: "Dr. Ashgrove"}
	case plan.TriggerGiven, plan.HCG, plan.PeriodStart:
		return plan.Fact{Kind: kind, At: at("at", -2, 0), IUPerL: rapid.SampledFrom([]float64{1, 12, 80, 400}).Draw(t, "value")}
	case plan.Cancelled:
		return plan.Fact{Kind: kind, On: today, Reason: "thin lining"}
	default:
		return plan.Fact{Kind: kind, On: on("day", -2, 3)}
	}
}

// correct moves or takes back something that is on record.
func (r *drill) correct(t *rapid.T, who triage.Staff, p reminders.Patient) {
	var facts []reminders.Recorded
	r.read(func(ctx context.Context, tx *store.Tx) error {
		c, err := r.book.Cycle(ctx, tx, p.ID)
		facts = c.Facts
		return err
	})
	if len(facts) == 0 {
		return
	}
	f := rapid.SampledFrom(facts).Draw(t, "corrected").Fact
	if rapid.Bool().Draw(t, "undone") {
		r.within(func(ctx context.Context, tx *store.Tx) error {
			_, err := r.care.Undo(ctx, tx, who, p.ID, f.ID, "entered by mistake", r.updates+1)
			return unlessRefused(err)
		})
		return
	}
	f.Replaces, f.ID = f.ID, ""
	switch {
	case !f.At.IsZero():
		f.At = f.At.AddDate(0, 0, 1)
	case !f.On.IsZero():
		f.On = f.On.AddDays(-1)
	case !f.From.IsZero():
		f.From = f.From.AddDays(1)
	}
	r.enter(who, p, f)
}

// aCase is one of the live cases.
func (r *drill) aCase(t *rapid.T, which func(triage.Case) bool) (triage.Case, bool) {
	var live []triage.Case
	r.read(func(ctx context.Context, tx *store.Tx) (err error) {
		live, err = r.desk.Live(ctx, tx)
		return err
	})
	live = slices.DeleteFunc(live, func(c triage.Case) bool { return !which(c) })
	if len(live) == 0 {
		return triage.Case{}, false
	}
	return rapid.SampledFrom(live).Draw(t, "case"), true
}

func (r *drill) work(t *rapid.T, who triage.Staff) {
	c, some := r.aCase(t, func(triage.Case) bool { return true })
	if !some {
		return
	}
	r.within(func(ctx context.Context, tx *store.Tx) error {
		var err error
		switch rapid.SampledFrom([]string{"take", "take", "answer", "close", "hand over"}).Draw(t, "work") {
		case "take":
			_, err = r.desk.Take(ctx, tx, who, c.ID)
		case "answer":
			_, err = r.desk.Answer(ctx, tx, who, c.ID, "words of a person", fmt.Sprintf("test/%d", rapid.Uint64().Draw(t, "cause")))
		case "close":
			_, err = r.desk.Close(ctx, tx, who, c.ID, triage.Phoned)
		case "hand over":
			_, err = r.desk.HandOver(ctx, tx, who, c.ID, r.staff[0])
		}
		return unlessRefused(err)
	})
}

func (r *drill) tell(t *rapid.T, who triage.Staff) {
	c, some := r.aCase(t, func(c triage.Case) bool { return c.Reason == triage.ResultToTell || c.Reason == triage.TriggerCheck })
	if !some {
		return
	}
	r.within(func(ctx context.Context, tx *store.Tx) error {
		if c.Reason == triage.TriggerCheck {
			_, err := r.care.CheckTrigger(ctx, tx, who, c.ID, r.updates+1)
			return unlessRefused(err)
		}
		return unlessRefused(r.care.Told(ctx, tx, who, c.ID, triage.Phoned))
	})
}

// broken looks for a promise that nobody holds; "" when there is none.
func (r *drill) broken() (why string) {
	r.read(func(ctx context.Context, tx *store.Tx) error {
		for _, look := range []func(context.Context, *store.Tx) (string, error){r.brokenRows, r.brokenDelivery} {
			var err error
			if why, err = look(ctx, tx); err != nil || why != "" {
				return err
			}
		}
		for _, p := range r.patients {
			var err error
			if why, err = r.brokenFor(ctx, tx, p); err != nil || why != "" {
				return err
			}
		}
		return nil
	})
	return why
}

// brokenRows are what a glance at the tables shows.
func (r *drill) brokenRows(ctx context.Context, tx *store.Tx) (string, error) {
	now := store.At(tx.Now)
	for _, k := range []struct {
		what, query string
		args        []any
	}{
		{"a message is not handled", `SELECT external_id FROM inbox WHERE state <> 'handled' LIMIT 1`, nil},
		{"a promise is overdue", `SELECT key FROM outbox WHERE state = 'queued' AND not_before < ? LIMIT 1`, []any{now}},
		{"a promise has been given up by a failing task", `SELECT key FROM outbox WHERE state = 'failed' AND kind = 'task' LIMIT 1`, nil},
		{"trouble has not been told", `SELECT key FROM outbox WHERE untold IS NOT NULL LIMIT 1`, nil},
		{"a case waits, and nothing will bring it before anybody", `SELECT key FROM cases c WHERE state <> 'closed' AND NOT EXISTS
			(SELECT 1 FROM outbox o WHERE o.topic = 'case/' || c.id || '/tasks' AND o.state = 'queued') LIMIT 1`, nil},
		{"a closed case still rings", `SELECT c.key FROM cases c WHERE state = 'closed' AND EXISTS
			(SELECT 1 FROM outbox o WHERE o.topic = 'case/' || c.id || '/tasks' AND o.state = 'queued') LIMIT 1`, nil},
		{"a plan's message is queued for somebody who gets none", `SELECT o.key FROM outbox o JOIN patients p ON p.person_id = o.person_id
			WHERE o.state = 'queued' AND o.topic LIKE 'cycle/%' AND (p.hushed_at IS NOT NULL OR p.opted_out_at IS NOT NULL OR p.unreachable_at IS NOT NULL) LIMIT 1`, nil},
		{"something of the bot's is queued for somebody who is hushed", `SELECT o.key FROM outbox o JOIN patients p ON p.person_id = o.person_id
			WHERE o.state = 'queued' AND o.kind IN ('dose', 'reminder') AND p.hushed_at IS NOT NULL LIMIT 1`, nil},
		{"a plan's promise of a cycle that is over", `SELECT o.key FROM outbox o JOIN cycles c ON o.topic = 'cycle/' || c.id || '/plan' WHERE o.state = 'queued' AND c.closed_at IS NOT NULL LIMIT 1`, nil},
	} {
		var key string
		found, err := tx.Find(ctx, &key, k.query, k.args...)
		if err != nil || found {
			return fmt.Sprintf("%s: %s", k.what, key), err
		}
	}
	return "", nil
}

// brokenDelivery: everything that anybody got is a row of the outbox, meant for
// that chat, and was delivered once.
func (r *drill) brokenDelivery(ctx context.Context, tx *store.Tx) (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for chat, all := range r.got {
		who, _, err := r.vault.Find(ctx, tx, chat)
		if err != nil {
			return "", err
		}
		seen := make(map[int64]bool)
		for i, d := range all {
			if seen[d.Row] {
				return fmt.Sprintf("chat %s got row %d twice", chat, d.Row), nil
			}
			if seen[d.Row] = true; d.first {
				continue
			}
			var row struct {
				To    seal.Person `db:"person_id"`
				State string      `db:"state"`
			}
			if err := tx.Get(ctx, &row, `SELECT person_id, state FROM outbox WHERE id = ?`, d.Row); err != nil || row.To != who || row.State != "sent" {
				return fmt.Sprintf("chat %s got row %d, which is %s and for person %d", chat, d.Row, row.State, row.To), err
			}
			all[i].first = true
		}
	}
	return "", nil
}

// promised reports whether a row is queued whose key begins so.
func promised(ctx context.Context, tx *store.Tx, key string) (yes bool, err error) {
	err = tx.Get(ctx, &yes, `SELECT EXISTS (SELECT 1 FROM outbox WHERE state = 'queued' AND key >= ? AND key < ?)`, key, key+"\x7f")
	return yes, err
}

// brokenFor looks at the promises to one patient, as her plan, her doses and her
// read-backs state them.
func (r *drill) brokenFor(ctx context.Context, tx *store.Tx, p reminders.Patient) (string, error) {
	p, err := r.book.Patient(ctx, tx, p.ID)
	if err != nil {
		return "", err
	}
	pl, c, err := r.book.Plan(ctx, tx, p.ID)
	if err != nil || !c.Closed.IsZero() {
		return "", err
	}
	type promise struct {
		what, key, cause string
		due              time.Time
	}
	var all []promise
	doses, err := r.book.Doses(ctx, tx, c, pl)
	if err != nil {
		return "", err
	}
	for _, a := range doses {
		if !a.Settled() {
			all = append(all, promise{"dose " + a.ID, fmt.Sprintf("cycle/%d/dose/%s/deadline", c.ID, a.ID), fmt.Sprintf("patient/%d/dose/%s", p.ID, a.ID), a.Deadline})
		}
	}
	backs, err := r.book.ReadBacks(ctx, tx, p, c)
	if err != nil {
		return "", err
	}
	for _, b := range backs {
		if b.Open() {
			all = append(all, promise{"read-back " + b.ID(), fmt.Sprintf("cycle/%d/readback/%s/deadline", c.ID, b.ID()), fmt.Sprintf("fact/%d/readback", b.Fact.Number), b.Deadline})
		}
	}
	for _, o := range pl.Open {
		if o.Step != plan.Trigger {
			key := fmt.Sprintf("cycle/%d/open/%s", c.ID, o.Key)
			all = append(all, promise{"open end " + o.Key, key, key, o.Due})
		}
	}
	for _, k := range all {
		held, err := promised(ctx, tx, k.key)
		if err == nil && !held && !k.due.After(tx.Now) {
			held, err = someCase(ctx, tx, k.cause)
		}
		if err != nil || !held {
			return fmt.Sprintf("%s of %s, due %s, is held by nobody", k.what, p.Handle, k.due.In(r.policy.Location()).Format("01-02 15:04")), err
		}
	}
	return r.untoldResult(ctx, tx, p, c)
}

// someCase reports whether a case was opened for a cause that begins so.
func someCase(ctx context.Context, tx *store.Tx, cause string) (yes bool, err error) {
	err = tx.Get(ctx, &yes, `SELECT EXISTS (SELECT 1 FROM cases WHERE key >= ? AND key < ?) OR EXISTS (SELECT 1 FROM case_events WHERE cause >= ? AND cause < ?)`,
		cause, cause+"\x7f", cause, cause+"\x7f")
	return yes, err
}

// untoldResult: a result is with a person from the moment it is entered.
func (r *drill) untoldResult(ctx context.Context, tx *store.Tx, p reminders.Patient, c reminders.Cycle) (string, error) {
	f, known := c.Live(plan.HCG)
	if !known {
		return "", nil
	}
	var cases int
	err := tx.Get(ctx, &cases, `SELECT count(*) FROM cases WHERE patient_id = ? AND reason = 'result_to_tell'`, p.ID)
	if err == nil && cases == 0 {
		return fmt.Sprintf("the result %s of %s is with nobody", f.ID, p.Handle), nil
	}
	return "", err
}

// outOfStep finds a promise that another look at the plan would change: some
// change was made without one.
func (r *drill) outOfStep() string {
	before := r.planned()
	r.within(func(ctx context.Context, tx *store.Tx) error {
		for _, p := range r.patients {
			if _, err := r.book.Replan(ctx, tx, p.ID); err != nil {
				return err
			}
		}
		return nil
	})
	if d := cmp.Diff(before, r.planned()); d != "" {
		return "the outbox was not in step with the plan (-was +should be):\n" + d
	}
	return ""
}

// planned is what plans promise, by key.
func (r *drill) planned() map[string]string {
	rows := make(map[string]string)
	r.read(func(ctx context.Context, tx *store.Tx) error {
		var list []struct {
			Key  string `db:"key"`
			Says string `db:"says"`
		}
		err := tx.Select(ctx, &list, `SELECT key, due_at || ' ' || coalesce(expires_at, '') || ' ' || hex(digest) AS says FROM outbox WHERE state = 'queued' AND topic LIKE 'cycle/%/plan'`)
		for _, l := range list {
			rows[l.Key] = l.Says
		}
		return err
	})
	return rows
}

// TestSixtyDaysOfOnePatient walks one patient from her period to her discharge,
// answering every question. How long that takes is told, and not tested.
func TestSixtyDaysOfOnePatient(t *testing.T) {
	t.Parallel()
	r := newDrill(t, t.TempDir(), 1)
	defer r.end()
	began := clock.System{}.Now()
	p, lead := r.patients[0], r.staff[0]
	day := func(n int) civil.Date { return theFirst.AddDays(n) }
	course := func(drug string, from int, stop plan.Stop, times ...string) plan.Fact {
		f := plan.Fact{Kind: plan.OrderGiven, Drug: drug, Product: "a box", Route: "oral", Dose: 5, Unit: "mg", From: day(from), Stop: stop, Prescriber: "Dr. Ashgrove"}
		for _, c := range times {
			f.Times = append(f.Times, civil.MustTime(c))
		}
		return f
	}
	yes := true
	script := map[int][]plan.Fact{
		2:  {{Kind: plan.BaselineFound, On: day(2), Decision: plan.Start}, course("letrozole", 3, plan.Stop{AfterDays: 5}, "08:00")},
		9:  {{Kind: plan.Visit, Step: plan.Monitoring, At: r.on(day(10), "07:20")}},
		10: {{Kind: plan.Scan, On: day(10)}, {Kind: plan.TriggerOrder, At: r.on(day(11), "21:30"), Drug: "hCG", Product: "a box", Route: "sc", Dose: 10000, Unit: "IU", Prescriber: "Dr. Ashgrove"}},
		12: {course("progesterone", 14, plan.Stop{UntilOrder: true}, "08:00", "20:00"), {Kind: plan.Visit, Step: plan.Transfer, At: r.on(day(18), "11:00")}},
		18: {{Kind: plan.Transferred, On: day(18), EmbryoDay: 5}},
		28: {{Kind: plan.HCG, At: r.on(day(28), "07:40"), IUPerL: 96}, {Kind: plan.Visit, Step: plan.HCGRepeat, At: r.on(day(30), "07:40")}},
		30: {{Kind: plan.HCG, At: r.on(day(30), "07:40"), IUPerL: 214}, {Kind: plan.Visit, Step: plan.OBUltrasound, At: r.on(day(42), "09:00")}},
		42: {{Kind: plan.OBScan, On: day(42), Viable: &yes}},
		56: {{Kind: plan.StopOrder, On: day(57)}},
	}
	r.writes(chatOf(0), "my period started this morning")
	r.writes(chatOf(0), "yes")
	for n := range 60 {
		for _, f := range script[n] {
			r.passTo(r.on(day(n), "09:30"))
			if f.Kind == plan.StopOrder {
				f.Order = r.live(p, plan.OrderGiven)
			}
			if r.enter(lead, p, f) {
				t.Fatalf("day %d: %s refused", n, f.Kind)
			}
			if f.Kind == plan.TriggerOrder {
				r.check(r.staff[1])
			}
		}
		r.closeAll(lead)
		for _, c := range []string{"08:05", "09:50", "11:00", "20:10", "21:32", "23:50"} {
			r.passTo(r.on(day(n), c))
			r.answerAll(chatOf(0))
		}
		if why := r.broken(); why != "" {
			t.Fatalf("day %d: %s", n, why)
		}
	}
	took := clock.System{}.Now().Sub(began)
	t.Logf("60 days, %d messages to her and %d to the staff, in %v", len(r.got[chatOf(0)]), len(r.got["10"])+len(r.got["11"]), took)
	if log := r.log.String(); strings.Contains(log, "level=ERROR") {
		t.Errorf("trouble: %s", log)
	}
	if n := len(r.got[chatOf(0)]); n < 90 {
		t.Errorf("she got %d messages in 60 days of medication twice a day", n)
	}
	var silent []string
	r.read(func(ctx context.Context, tx *store.Tx) error {
		return tx.Select(ctx, &silent, `SELECT opened_at || ' ' || key FROM cases WHERE reason IN ('dose_silent', 'read_back', 'too_late', 'doubtful', 'stuck')`)
	})
	if len(silent) > 0 {
		t.Errorf("cases about a patient who answered everything: %q", silent)
	}
}

func (r *drill) passTo(at time.Time) {
	r.t.Helper()
	if by := at.Sub(r.time.Now()); by > 0 {
		r.pass(by)
	}
}

// live is the ID of the latest fact of a kind that stands.
func (r *drill) live(p reminders.Patient, kind plan.FactKind) (id string) {
	r.read(func(ctx context.Context, tx *store.Tx) error {
		c, err := r.book.Cycle(ctx, tx, p.ID)
		f, _ := c.Live(kind)
		id = f.ID
		return err
	})
	return id
}

// check has a second person check the trigger that waits.
func (r *drill) check(who triage.Staff) {
	r.t.Helper()
	r.within(func(ctx context.Context, tx *store.Tx) error {
		live, err := r.desk.Live(ctx, tx)
		if err != nil {
			return err
		}
		for _, c := range live {
			if c.Reason == triage.TriggerCheck {
				_, err := r.care.CheckTrigger(ctx, tx, who, c.ID, r.updates+1)
				return err
			}
		}
		return errors.New("no trigger waits to be checked")
	})
	r.settle()
}

// closeAll ends every case, and tells what waits to be told.
func (r *drill) closeAll(who triage.Staff) {
	r.t.Helper()
	r.within(func(ctx context.Context, tx *store.Tx) error {
		live, err := r.desk.Live(ctx, tx)
		if err != nil {
			return err
		}
		for _, c := range live {
			if c.Reason == triage.ResultToTell {
				err = r.care.Told(ctx, tx, who, c.ID, triage.Phoned)
			} else if c.Reason != triage.TriggerCheck {
				_, err = r.desk.Close(ctx, tx, who, c.ID, triage.Phoned)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	r.settle()
}

// answerAll presses what a careful patient would press under the questions that
// are still open.
func (r *drill) answerAll(chat string) {
	r.t.Helper()
	good := []string{reminders.ActRead, reminders.ActTaken, reminders.ActGiven, reminders.ActRight, reminders.ActInHand, reminders.ActHerself}
	for range 4 { // one answer may bring the next question
		pressed := false
		for _, b := range r.tokens(chat, 6) {
			action := b.Action
			if slices.ContainsFunc(good, func(g string) bool { return strings.HasPrefix(action, g) }) && !r.used(b.Token) {
				r.presses(chat, b.Token)
				pressed = true
			}
		}
		if !pressed {
			return
		}
	}
}

// used reports whether a button, or one beside it, has been pressed.
func (r *drill) used(token string) (yes bool) {
	r.read(func(ctx context.Context, tx *store.Tx) error {
		return tx.Get(ctx, &yes, `SELECT EXISTS (SELECT 1 FROM buttons b JOIN buttons s ON s.outbox_id = b.outbox_id WHERE b.token = ? AND s.used_at IS NOT NULL)`, token)
	})
	return yes
}

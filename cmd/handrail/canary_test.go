package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/dialog"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/desk"
)

// canaries are planted wherever people write something: names, sentences, results, an
// allergy, chats. None of them may sing in a log, an error, a crash or the file.
var canaries = []string{
	"Quillan", "Vesperine", "Tormalong", "Ossifrage", "quillwort", "marchpane", "lighthouse keeper", "faro de piedra", "8642.13", "7.77", "trelliswork", "gloaming", "sprocket",
	"990001", "990002", "990003",
}

// heard are the canaries that stand in what was captured, with what is around them.
func heard(captured []byte) (all []string) {
	for _, c := range canaries {
		if i := bytes.Index(bytes.ToLower(captured), bytes.ToLower([]byte(c))); i >= 0 {
			all = append(all, fmt.Sprintf("%q: …%s…", c, captured[max(0, i-120):min(len(captured), i+120)]))
		}
	}
	return all
}

func silent(t *testing.T, where string, captured []byte) {
	t.Helper()
	for _, c := range heard(captured) {
		t.Errorf("%s holds %s", where, c)
	}
}

func TestCanariesCanSing(t *testing.T) {
	t.Parallel()
	for _, c := range canaries {
		if len(heard([]byte("before "+strings.ToUpper(c)+" after"))) != 1 {
			t.Errorf("%q is not heard", c)
		}
	}
}

// aviary is a clinic full of canaries with everything that it logs.
type aviary struct{ *play }

const birds = `patient P-901 en ready plain "Quillan Vesperine"
patient P-902 es ready plain "Tormalong Ossifrage"
patient wim joins
earlier P-901 [{"fact":"period_start","at":"2026-03-05T08:00"},{"fact":"baseline","on":"2026-03-07","decision":"start"},{"fact":"allergy","on":"2026-03-07","allergen":"quillwort"},{"fact":"visit","step":"monitoring","at":"2026-03-16T07:20"}]
P-901: I am the lighthouse keeper and I feel faint, soaking a pad an hour
P-902: soy del faro de piedra, me bajó la regla esta mañana
P-901 sends photo
P-901 edits: the lighthouse keeper has marchpane
orrel: P-901 scan right 16 lining 7.77
orrel: save
orrel: P-901 order marchpane 5 mg oral at 11:00 from 2026-03-10 for 5 days product marchpane 2.5 mg tablets by Sprocket
orrel: save
orrel: P-901 order marchpane gloaming
orrel: P-901 hcg 8642.13 trelliswork
orrel: P-901 link partner en calendar Wim Sprocket
wim writes her code
wim: my partner Quillan is in the gloaming
orrel: answer 1 Dear Quillan, trelliswork.
orrel: send
orrel: add P-903 xx Gloaming Sprocket
orrel: add P-901 en Gloaming Sprocket
orrel: staff add x
fault bad_gateway
P-901: trelliswork again
fault server_error
P-902: gloaming
fault malformed
fault unknown_kind
P-901 blocks
== +30m
P-901 unblocks
== +26h
`

func (a *aviary) set(t *testing.T) {
	a.play = newPlay(t)
	a.play.level = slog.LevelDebug
	a.run("begin 2026-03-10 10:00\nstaff orrel lead en,es \"Tamsin Orrel\"\nstaff ash administrator en \"Petronel Ash\"\non-call orrel 2026-03-10 07:00 2026-03-11 07:00\n")
	a.first = 990001 // the chats of patients are canaries too
	a.run(birds)
}

// corrupt puts what cannot be read where things are sealed, so that whoever reads it
// fails on a text of a patient's.
func (a *aviary) corrupt(t *testing.T) {
	t.Helper()
	for i, raw := range []string{
		`{"update_id": 70001, "message": {"text": ["gloaming of Tormalong"], "chat": {"id": 990002, "type": "private"}}}`,
		`{"update_id": 70002, "message": {"date": "8642.13", "text": "trelliswork", "chat": {"id": "990002"}}}`,
		`{"update_id": 70003, "message": gloaming`, `Quillan`,
	} {
		if err := a.stage.intake.Take(t.Context(), []dialog.Arrival{{ID: int64(70001 + i), Raw: []byte(raw), Chat: "990002"}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.stage.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		p, err := a.stage.book.ByHandle(ctx, tx, "P-902")
		if err != nil {
			return err
		}
		for label, q := range map[string]string{
			"conversation": `INSERT INTO conversations (person_id, body, updated_at) VALUES (?2, ?1, '2026-03-10T00:00:00.000Z') ON CONFLICT (person_id) DO UPDATE SET body = excluded.body`,
			"outbox":       `INSERT INTO outbox (key, topic, kind, priority, person_id, sealed_for, body, digest, due_at, not_before, created_at) VALUES ('bad', 'bad', 'reply', 1, ?2, ?2, ?1, x'00', '2026-03-10T00:00:00.000Z', '2026-03-10T00:00:00.000Z', '2026-03-10T00:00:00.000Z')`,
		} {
			sealed, err := a.stage.vault.Seal(ctx, tx, p.Person, label, []byte(`{"text": gloaming of Tormalong`))
			if err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, q, sealed, p.Person); err != nil {
				return err
			}
		}
		return a.stage.outbox.Put(ctx, tx, outbox.Want{Key: "task", Topic: "bad", Kind: outbox.Task, About: p.Person, Run: "canary", Payload: "marchpane"})
	}); err != nil {
		t.Fatal(err)
	}
}

// Names, texts and results reach no log and no error, whatever fails: a program that
// panics with a patient's words in its hands, rows that cannot be read, a platform that
// answers with a page, a colleague who mistypes.
func TestCanariesInTheProcess(t *testing.T) {
	t.Parallel()
	var a aviary
	a.set(t)
	a.stage.dispatcher.Tasks["canary"] = func(context.Context, *store.Tx, []byte) error { panic("marchpane for Quillan Vesperine") }
	handle := a.stage.worker.Handle
	a.stage.worker.Handle = func(ctx context.Context, tx *store.Tx, item dialog.Item) error {
		raw, err := a.stage.vault.Open(ctx, tx, item.Sealed, "update", item.Raw)
		if err == nil && bytes.Contains(raw, []byte("panic now")) {
			panic(string(raw))
		}
		return handle(ctx, tx, item)
	}
	a.corrupt(t)
	a.run("P-902: gloaming, says Tormalong\nP-901: panic now, lighthouse keeper\n== +10m\nP-901: what is next\n== +10m\n")
	log := []byte(a.log.String())
	for _, must := range []string{"panic of type string", "does not hold what it should"} {
		if !bytes.Contains(log, []byte(must)) {
			t.Errorf("the log does not say %q, so nothing was tried:\n%s", must, log)
		}
	}
	silent(t, "the log", log)
	a.errors(t)
}

// errors are those that a command line prints.
func (a *aviary) errors(t *testing.T) {
	t.Helper()
	var said bytes.Buffer
	note := func(err error) { exitCode(a.stage.explained(err), &said) }
	note(a.stage.eraseOf(t.Context(), erasure{of: "P-901", by: "ash", file: "/nowhere", confirm: "P-901"}, env{stdout: io.Discard, stderr: &said}))
	_, err := a.stage.recordsOf(t.Context(), "P-999", "ash", "", false)
	note(err)
	for _, n := range []reminders.NewPatient{{Handle: "P-901", Name: "Quillan Vesperine", Language: "en"}, {Handle: "marchpane gloaming", Name: "Quillan", Language: "en"}, {Handle: "P-904", Name: strings.Repeat("Quillan", 100), Language: "en"}} {
		note(a.stage.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			_, err := a.stage.book.AddPatient(ctx, tx, n)
			return err
		}))
	}
	note(a.stage.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		p, err := a.stage.book.ByHandle(ctx, tx, "P-901")
		if err != nil {
			return err
		}
		value := 8642.13
		_, err = a.stage.book.Record(ctx, tx, p.ID, plan.Fact{Kind: plan.HCG, Beta: &value, Drug: "marchpane"}, reminders.Said{By: seal.House})
		return err
	}))
	note(a.stage.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, _, err := a.stage.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: "x", Name: "Gloaming Sprocket", Role: "visitor", Languages: []string{"en"}})
		return err
	}))
	_, err = plan.ParseFacts([]byte(`[{"fact":"allergy","on":"gloaming","allergen":"quillwort"}]`), a.stage.policy.Location())
	_ = err // what a person on the command line handed in herself is told to her, and to nobody else
	silent(t, "what the command line says", said.Bytes())
	if said.Len() == 0 {
		t.Error("nothing was refused")
	}
}

// A page that panics with a patient's words in its hands shows a number, and the log a
// place.
func TestCanariesOnThePages(t *testing.T) {
	t.Parallel()
	var a aviary
	a.set(t)
	listener, err := listenForDesk(deskConfig{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.stage.addDesk(t.Context(), listener, desk.Parts{URL: "http://" + listener.Addr().String(), Guests: []string{"orrel"}, PolicyText: plan.DefaultPolicyYAML(),
		Wait: func(ctx context.Context, by time.Duration) error { return ctx.Err() }}); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	go a.stage.beside[len(a.stage.beside)-1](ctx)
	a.stage.care.Wrote = func(context.Context, *store.Tx, seal.Person, int) ([]care.Wrote, error) {
		panic("the lighthouse keeper Quillan has 8642.13")
	}
	jar := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	get := func(path string, cookies []*http.Cookie) (*http.Response, []byte) {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+listener.Addr().String()+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range cookies {
			req.AddCookie(c)
		}
		res, err := jar.Do(req)
		if err != nil {
			return nil, nil
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		return res, b
	}
	in, _ := get("/guest/orrel", nil)
	res, body := get("/patients/P-901", in.Cookies())
	if res == nil || res.StatusCode != http.StatusInternalServerError {
		t.Fatalf("a page that panics is answered %v", res)
	}
	silent(t, "the answer", body)
	log := []byte(a.log.String())
	if !bytes.Contains(log, []byte("panic of type string")) || !bytes.Contains(log, []byte("incident")) {
		t.Errorf("the log does not say what happened: %s", log)
	}
	silent(t, "the log", log)
}

// The real program: its standard error while it serves, sends, fails to send, and is made
// to crash with all of its stacks; and its file and journal while it runs.
func TestCanariesOutside(t *testing.T) {
	t.Parallel()
	v := newVictim(t)
	chats := []int64{990001, 990002}
	v.open(t, func(ctx context.Context, a *app, tx *store.Tx) error {
		for i, name := range []string{"Quillan Vesperine", "Tormalong Ossifrage"} {
			v.server.Introduce(loopback.Person{Chat: chats[i], Name: name, Language: "en", Started: true})
			p, err := a.enrol(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("P-90%d", i), Name: name, Language: "en"}, chats[i])
			if err != nil {
				return err
			}
			if _, err := a.book.Record(ctx, tx, p.ID, plan.Fact{Kind: plan.Allergy, On: civil.DateOf(tx.Now), Allergen: "quillwort"}, reminders.Said{By: p.Person}); err != nil {
				return err
			}
		}
		return nil
	})
	var stderr bytes.Buffer
	cmd := exec.CommandContext(t.Context(), v.binary, "serve", "--config", v.config)
	cmd.Env = append(v.env, "GOTRACEBACK=all")
	cmd.Stdout, cmd.Stderr = &stderr, &stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for i, text := range []string{"I am the lighthouse keeper, soaking a pad an hour", "marchpane at the gloaming", "hCG was 8642.13, trelliswork", "/start 990003", "sprocket"} {
		v.chats = append(v.chats, chats[i%2])
		if _, err := v.server.Write(chats[i%2], text); err != nil {
			t.Fatal(err)
		}
		if err := v.server.Misbehave(loopback.Fault{Kind: []loopback.FaultKind{loopback.BadGateway, loopback.ServerError, loopback.DropAfter}[i%3], Method: "sendMessage", Times: 1}); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.server.Misbehave(loopback.Fault{Kind: loopback.Malformed, Times: 1}); err != nil {
		t.Fatal(err)
	}
	v.waitForRest(t)
	for _, name := range []string{v.setting.database, v.setting.database + "-wal"} {
		b, err := os.ReadFile(name)
		if err != nil || len(b) == 0 {
			t.Fatalf("%s: %d bytes, %v", filepath.Base(name), len(b), err)
		}
		silent(t, filepath.Base(name), b)
	}
	if err := cmd.Process.Signal(syscall.SIGQUIT); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if !strings.Contains(stderr.String(), "goroutine ") {
		t.Errorf("it did not crash with its stacks: %s", stderr.String())
	}
	silent(t, "standard error", stderr.Bytes())
	if key := keyOf(v); strings.Contains(stderr.String(), key) || strings.Contains(stderr.String(), v.server.Token()) {
		t.Error("a secret stands in standard error")
	}
}

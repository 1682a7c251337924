package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	diff "github.com/google/go-cmp/cmp"

	"handrail.example/bot/loopback"
	"handrail.example/dialog"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

var update = flag.Bool("update", false, "write the conversations as they are now; review the difference")

// TestConversations plays every file of testdata/conversations through the real
// bot library over HTTP, on a virtual clock, and compares what everybody saw with
// what the file says. A file is meant to be read by a clinician; its first lines
// say how it is written.
func TestConversations(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/conversations/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no conversations: %v", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			t.Parallel()
			playFile(t, file)
		})
	}
}

func playFile(t *testing.T, file string) {
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p := &play{t: t, chats: make(map[string]int64), codes: make(map[string]string), seen: make(map[int64]int), quiet: make(map[int]bool), level: slog.LevelWarn}
	got := p.run(string(want))
	p.invariants()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if d := diff.Diff(string(want), got); d != "" {
		t.Errorf("the conversation went otherwise (-file +now; after review, -update):\n%s", d)
	}
}

// play is one conversation being played.
type play struct {
	t     *testing.T
	stage *stage
	ctx   context.Context
	out   bytes.Buffer
	chats map[string]int64  // by handle
	codes map[string]string // enrolment codes, by handle
	order []string          // handles, as they were introduced
	seen  map[int64]int     // messages of a chat that are in the output already
	quiet map[int]bool      // messages that are counted and not repeated
	log   lockedBuffer
	level slog.Level // what is logged at all, Warn from the first
	first int64      // number of the first chat from here on, 0 for 100
}

// run plays the file's own lines and puts what followed under each.
func (p *play) run(script string) string {
	for line := range strings.Lines(script) {
		line = strings.TrimRight(line, "\n")
		switch {
		case strings.HasPrefix(line, "    "):
			continue // what followed, the last time
		case strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#"):
			p.out.WriteString(line + "\n")
			continue
		}
		p.out.WriteString(line + "\n")
		if err := p.perform(line); err != nil {
			p.t.Fatalf("%s: %v\nso far:\n%s%s", line, err, p.out.String(), p.log.String())
		}
		if p.stage != nil {
			p.settle()
			p.report()
		}
	}
	return p.out.String()
}

// perform does what a line says.
func (p *play) perform(line string) error {
	word, rest, _ := strings.Cut(line, " ")
	switch word {
	case "begin":
		return p.begin(rest)
	case "staff":
		return p.addStaff(rest)
	case "on-call":
		return p.addShift(rest)
	case "patient":
		return p.addPatient(rest)
	case "fact":
		return p.addFact(rest)
	case "earlier":
		return p.addEarlier(rest)
	case "agreed":
		return p.agreed(rest)
	case "==":
		return p.advance(rest)
	case "fault":
		return p.stage.server.Misbehave(loopback.Fault{Kind: loopback.FaultKind(rest), Times: 1})
	}
	return p.speak(line)
}

// begin sets the stage: "begin 2026-03-02 07:00".
func (p *play) begin(at string) error {
	policy := plan.DefaultPolicy()
	start, err := time.ParseInLocation("2006-01-02 15:04", at, policy.Location())
	if err != nil {
		return err
	}
	master, err := seal.ParseMasterKey(seal.NewMasterKey())
	if err != nil {
		return err
	}
	if p.stage, err = newStage(p.t.Context(), clock.NewVirtual(start), loopback.Config{}, setting{
		database: filepath.Join(p.t.TempDir(), "clinic.sqlite"), durability: store.Relaxed, master: master, policy: policy,
		log: slog.New(slog.NewTextHandler(&p.log, &slog.HandlerOptions{Level: p.level})),
	}); err != nil {
		return err
	}
	ctx, stop := context.WithCancel(p.t.Context())
	p.ctx = ctx
	wait, err := p.stage.start(ctx, p.stage.poller.Run)
	p.t.Cleanup(func() {
		stop()
		if err == nil {
			wait()
		}
		if err := p.stage.close(); err != nil {
			p.t.Error(err)
		}
	})
	// Before the first poll is open nobody would notice what is written.
	for err == nil && !p.stage.server.Polling() {
		if err = ctx.Err(); err == nil {
			time.Sleep(time.Millisecond)
		}
	}
	return err
}

// quoted splits `a b "some name"` into its words and the quoted part.
func quoted(s string) (words []string, name string) {
	head, tail, _ := strings.Cut(s, `"`)
	return strings.Fields(head), strings.TrimSuffix(strings.TrimSpace(tail), `"`)
}

func (p *play) introduce(handle, name string, lang string, started bool) string {
	chat := cmp.Or(p.first, 100) + int64(len(p.order))
	p.chats[handle] = chat
	p.order = append(p.order, handle)
	p.stage.server.Introduce(loopback.Person{Chat: chat, Name: name, Language: lang, Started: started})
	return strconv.FormatInt(chat, 10)
}

// addStaff: `staff orrel lead en,es "Tamsin Orrel"`.
func (p *play) addStaff(rest string) error {
	words, name := quoted(rest)
	chat := p.introduce(words[0], name, "en", true)
	return p.stage.db.Within(p.ctx, func(ctx context.Context, tx *store.Tx) error {
		_, code, err := p.stage.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: words[0], Name: name, Role: triage.Role(words[1]), Languages: strings.Split(words[2], ",")})
		if err != nil {
			return err
		}
		if _, joined, err := p.stage.desk.Join(ctx, tx, code, chat); err != nil || !joined {
			return fmt.Errorf("joined %v: %w", joined, err)
		}
		return nil
	})
}

// addShift: "on-call orrel 2026-03-02 07:00 2026-03-03 07:00", checked in.
func (p *play) addShift(rest string) error {
	w := strings.Fields(rest)
	zone := p.stage.policy.Location()
	from, err := time.ParseInLocation("2006-01-02 15:04", w[1]+" "+w[2], zone)
	if err != nil {
		return err
	}
	to, err := time.ParseInLocation("2006-01-02 15:04", w[3]+" "+w[4], zone)
	if err != nil {
		return err
	}
	return p.stage.db.Within(p.ctx, func(ctx context.Context, tx *store.Tx) error {
		who, err := p.stage.desk.StaffByHandle(ctx, tx, w[0])
		if err != nil {
			return err
		}
		if _, err := p.stage.desk.AddShift(ctx, tx, who, from, to); err != nil {
			return err
		}
		if !from.After(tx.Now) {
			_, err = p.stage.desk.CheckInNow(ctx, tx, who)
		}
		return err
	})
}

// addPatient: `patient P-201 en ready "Ina Wexford"`; instead of ready also
// unready (nothing on the checklist) or invited (a code is printed, and she has
// not written yet); plain after it for plain wording.
func (p *play) addPatient(rest string) error {
	words, name := quoted(rest)
	if words[1] == "joins" {
		p.introduce(words[0], words[0], cmp.Or(strings.Join(words[2:], ""), "en"), false)
		return nil
	}
	handle, lang, how := words[0], words[1], words[2]
	chat := p.introduce(handle, name, lang, how != "invited")
	book := p.stage.book
	return p.stage.db.Within(p.ctx, func(ctx context.Context, tx *store.Tx) error {
		patient, err := book.AddPatient(ctx, tx, reminders.NewPatient{Handle: handle, Name: name, Language: lang, Neutral: len(words) < 4})
		if err != nil {
			return err
		}
		code, _, err := book.Invite(ctx, tx, patient.ID)
		if err != nil {
			return err
		}
		if how == "invited" {
			p.codes[handle] = code
		} else if err := p.enrol(ctx, tx, code, chat, patient); err != nil {
			return err
		}
		if how != "ready" {
			return nil
		}
		for item := range p.stage.policy.Readiness {
			if err := book.SetCheck(ctx, tx, patient.ID, item, civil.DateOf(tx.Now.In(p.stage.policy.Location())).AddDays(-30), patient.Person); err != nil {
				return err
			}
		}
		return nil
	})
}

// agreed: "agreed P-201 2026-11", to another wording of the consent than today's.
func (p *play) agreed(rest string) error {
	handle, version, _ := strings.Cut(rest, " ")
	return p.stage.db.Within(p.ctx, func(ctx context.Context, tx *store.Tx) error {
		patient, err := p.stage.book.ByHandle(ctx, tx, handle)
		if err != nil {
			return err
		}
		return p.stage.book.Agree(ctx, tx, patient.ID, version)
	})
}

func (p *play) enrol(ctx context.Context, tx *store.Tx, code, chat string, patient reminders.Patient) error {
	if _, err := p.stage.book.Redeem(ctx, tx, code, chat); err != nil {
		return err
	}
	return p.stage.book.Agree(ctx, tx, patient.ID, dialog.ConsentVersion)
}

// addFact records a fact as staff would have, or at one go what has happened so
// far: `fact P-201 {"fact":…}`, `fact P-201 [{"fact":…}, {"fact":…}]`.
func (p *play) addFact(rest string) error {
	handle, raw, _ := strings.Cut(rest, " ")
	facts, err := p.parseFacts(raw)
	if err != nil {
		return err
	}
	return p.stage.db.Within(p.ctx, func(ctx context.Context, tx *store.Tx) error {
		patient, err := p.stage.book.ByHandle(ctx, tx, handle)
		if err != nil {
			return err
		}
		for _, f := range facts {
			if _, err = p.stage.book.Record(ctx, tx, patient.ID, f, reminders.Said{By: seal.House}); err != nil {
				return err
			}
		}
		return nil
	})
}

func (p *play) parseFacts(raw string) ([]plan.Fact, error) {
	if strings.HasPrefix(raw, "[") {
		return plan.ParseFacts([]byte(raw), p.stage.policy.Location())
	}
	f, err := plan.ParseFact([]byte(raw), p.stage.policy.Location())
	return []plan.Fact{f}, err
}

// addEarlier records everything that had happened before the conversation begins,
// in one go, so that nothing is found missing in between: `earlier P-201 [{…},{…}]`.
func (p *play) addEarlier(rest string) error {
	handle, raw, _ := strings.Cut(rest, " ")
	facts, err := plan.ParseFacts([]byte(raw), p.stage.policy.Location())
	if err != nil {
		return err
	}
	return p.stage.db.Within(p.ctx, func(ctx context.Context, tx *store.Tx) error {
		patient, err := p.stage.book.ByHandle(ctx, tx, handle)
		if err != nil {
			return err
		}
		for _, f := range facts {
			f.ID = ""
			if _, err := p.stage.book.Record(ctx, tx, patient.ID, f, reminders.Said{By: seal.House}); err != nil {
				return err
			}
		}
		return nil
	})
}

// advance moves the clock: "== 2026-03-03 18:00", "== 18:00" for the next time
// the clock shows it, "== +1h".
func (p *play) advance(to string) error {
	now := p.stage.time.Now().In(p.stage.policy.Location())
	if by, ok := strings.CutPrefix(to, "+"); ok {
		d, err := time.ParseDuration(by)
		if err != nil {
			return err
		}
		return p.stage.time.Advance(p.ctx, now.Add(d))
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", to, now.Location())
	if err != nil {
		clock, err := civil.ParseTimeOfDay(to)
		if err != nil {
			return err
		}
		if at = civil.DateOf(now).At(clock, now.Location()); !at.After(now) {
			at = civil.DateOf(now).AddDays(1).At(clock, now.Location())
		}
	}
	return p.stage.time.Advance(p.ctx, at)
}

// speak: `P-201: words`, `P-201 presses "Taken"`, `P-201 presses "Taken" at each
// question until 2026-03-29 06:00`, `P-201 sends photo`,
// `P-201 blocks`, `P-201 unblocks`, `P-201 writes the code of P-201`, `P-201 edits: words`,
// `P-201 writes at length: words` (over and over), `P-201 presses "Taken" of P-202`.
func (p *play) speak(line string) error {
	if who, words, ok := strings.Cut(line, ": "); ok && p.chats[who] != 0 {
		_, err := p.stage.server.Write(p.chats[who], strings.ReplaceAll(words, `\n`, "\n"))
		return err
	}
	who, what, _ := strings.Cut(line, " ")
	chat, known := p.chats[who]
	if !known {
		return errors.New("nobody of that handle was introduced")
	}
	what, rest, _ := strings.Cut(what, " ")
	switch what {
	case "presses":
		if label, until, each := strings.Cut(rest, " at each question until "); each {
			return p.pressEach(who, strings.Trim(label, `"`), until)
		}
		if label, whose, foreign := strings.Cut(rest, `" of `); foreign {
			return p.pressForeign(chat, strings.Trim(label, `"`), p.chats[whose])
		}
		return p.press(chat, strings.Trim(rest, `"`))
	case "sends":
		_, err := p.stage.server.SendMedia(chat, rest, "")
		return err
	case "blocks":
		p.stage.server.Block(chat)
		return nil
	case "unblocks":
		p.stage.server.Unblock(chat)
		return nil
	case "edits:":
		messages := p.stage.server.Messages(chat)
		for i := len(messages) - 1; i >= 0; i-- {
			if messages[i].From == loopback.FromPerson {
				_, err := p.stage.server.Edit(chat, messages[i].ID, rest)
				return err
			}
		}
		return errors.New("there is nothing to edit")
	case "writes":
		if words, long := strings.CutPrefix(rest, "at length: "); long {
			_, err := p.stage.server.Write(chat, string([]rune(strings.Repeat(words+" ", longest))[:longest]))
			return err
		}
		_, err := p.stage.server.Write(chat, p.codes[strings.TrimPrefix(strings.TrimPrefix(rest, "her code"), "the code of ")])
		return err
	}
	return fmt.Errorf("%q is not a thing to do", what)
}

// longest is the longest text that the platform lets anybody send at once.
const longest = 4096

// pressForeign has somebody send what a button in another person's chat carries,
// as a program that lies could.
func (p *play) pressForeign(chat int64, label string, whose int64) error {
	messages := p.stage.server.Messages(whose)
	for i := len(messages) - 1; i >= 0; i-- {
		if row, column, offered := offers(messages[i], label); offered {
			_, err := p.stage.server.PressToken(chat, messages[i].ID, messages[i].Buttons[row][column].Token)
			return err
		}
	}
	return fmt.Errorf("there is no button %q", label)
}

// press presses the latest button with this label.
func (p *play) press(chat int64, label string) error {
	messages := p.stage.server.Messages(chat)
	for i := len(messages) - 1; i >= 0; i-- {
		for r, row := range messages[i].Buttons {
			for c, b := range row {
				if b.Label == label {
					_, err := p.stage.server.Press(chat, messages[i].ID, r, c)
					return err
				}
			}
		}
	}
	return fmt.Errorf("there is no button %q", label)
}

// pressEach moves the clock and presses a button at once whenever a message brings
// it. Those messages, and what the presses are answered with, are counted in the
// output and not repeated there; everything else is.
func (p *play) pressEach(who, label, until string) error {
	end, err := time.ParseInLocation("2006-01-02 15:04", until, p.stage.policy.Location())
	if err != nil {
		return err
	}
	answers := make(map[string]int)
	for p.stage.time.Now().Before(end) {
		next, ok := p.stage.time.Next()
		if !ok || next.After(end) {
			next = end
		}
		if err := p.stage.time.Advance(p.ctx, next); err != nil {
			return err
		}
		p.settle()
		for _, m := range p.stage.server.Messages(p.chats[who])[p.seen[p.chats[who]]:] {
			if row, column, offered := offers(m, label); offered {
				if err := p.pressQuietly(p.chats[who], m.ID, row, column, answers); err != nil {
					return err
				}
			}
		}
		p.report()
	}
	for _, text := range slices.Sorted(maps.Keys(answers)) {
		fmt.Fprintf(&p.out, "    (%d times asked and pressed; %s was told: %s)\n", answers[text], who, text)
	}
	return nil
}

// pressQuietly presses a button and keeps the question and its answers out of the
// output.
func (p *play) pressQuietly(chat int64, message, row, column int, answers map[string]int) error {
	before := len(p.stage.server.Messages(chat))
	if _, err := p.stage.server.Press(chat, message, row, column); err != nil {
		return err
	}
	p.settle()
	p.quiet[message] = true
	for _, m := range p.stage.server.Messages(chat)[before:] {
		p.quiet[m.ID] = true
		answers[m.Text]++
	}
	return nil
}

func offers(m loopback.Message, label string) (row, column int, offered bool) {
	for r, buttons := range m.Buttons {
		for c, b := range buttons {
			if m.From == loopback.FromBot && b.Label == label {
				return r, c, true
			}
		}
	}
	return 0, 0, false
}

// settle lets everything that was set off come to rest, and what the platform's
// limits hold back for seconds go out.
func (p *play) settle() {
	for range 50 {
		if err := p.stage.time.Rest(p.ctx); err != nil {
			p.t.Fatal(err)
		}
		next, ok := p.stage.time.Next()
		if !ok || next.After(p.stage.time.Now().Add(5*time.Second)) {
			return
		}
		if err := p.stage.time.Advance(p.ctx, next); err != nil {
			p.t.Fatal(err)
		}
	}
}

// report writes what everybody has seen since the last line, in the order of
// introduction.
func (p *play) report() {
	zone := p.stage.policy.Location()
	for _, handle := range p.order {
		chat := p.chats[handle]
		messages := p.stage.server.Messages(chat)
		for _, m := range messages[p.seen[chat]:] {
			if m.From != loopback.FromBot || p.quiet[m.ID] {
				continue
			}
			fmt.Fprintf(&p.out, "    %s -> %s: %s\n", m.At.In(zone).Format("Mon 01-02 15:04"), handle, strings.ReplaceAll(p.tidy(m.Text), "\n", "\n        "))
			if m.File != nil {
				fmt.Fprintf(&p.out, "        (file %s)\n", m.File.Name)
			}
			for _, row := range m.Buttons {
				labels := make([]string, len(row))
				for i, b := range row {
					labels[i] = "[" + b.Label + "]"
				}
				fmt.Fprintf(&p.out, "        %s\n", strings.Join(labels, " "))
			}
		}
		p.seen[chat] = len(messages)
	}
}

// widest is the longest line that is repeated in full.
const widest = 400

// tidy keeps a code for whoever writes it later, and puts a word in its place,
// since codes are drawn anew each time. The middle of a very long line is counted
// and left out.
func (p *play) tidy(text string) string {
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		if r := []rune(line); len(r) > widest {
			lines[i] = fmt.Sprintf("%s (… %d characters in all …) %s", string(r[:80]), len(r), string(r[len(r)-20:]))
		}
	}
	text = strings.Join(lines, "\n")
	return codeShape.ReplaceAllStringFunc(text, func(code string) string {
		p.codes[""] = code
		return "(a code)"
	})
}

var codeShape = regexp.MustCompile(`\b[0-9A-Z]{4}-[0-9A-Z]{4}\b`)

// invariants hold for every conversation, whatever it says.
func (p *play) invariants() {
	if log := p.log.String(); log != "" {
		p.t.Errorf("the program reported trouble:\n%s", log)
	}
	err := p.stage.db.Read(p.ctx, func(ctx context.Context, tx *store.Tx) error {
		for what, query := range map[string]string{
			"a message that was taken in and not handled":             `SELECT count(*) FROM inbox WHERE state <> 'handled'`,
			"a promise that is overdue":                               `SELECT count(*) FROM outbox WHERE state = 'queued' AND not_before < ?`,
			"an open case that nothing will bring before anybody":     `SELECT count(*) FROM cases c WHERE c.state = 'open' AND NOT EXISTS (SELECT 1 FROM outbox o WHERE o.topic LIKE 'case/' || c.id || '%' AND o.state = 'queued')`,
			"a queued message to somebody who must not be written to": `SELECT count(*) FROM outbox o JOIN patients p ON p.person_id = o.person_id WHERE o.state = 'queued' AND (p.hushed_at IS NOT NULL OR p.opted_out_at IS NOT NULL)`,
		} {
			var n int
			var args []any
			if strings.Contains(query, "?") {
				args = append(args, store.At(tx.Now))
			}
			if err := tx.Get(ctx, &n, query, args...); err != nil {
				return err
			}
			if n > 0 {
				p.t.Errorf("%d times: %s", n, what)
			}
		}
		return nil
	})
	if err != nil {
		p.t.Error(err)
	}
}

// lockedBuffer is written by every goroutine of a stage.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

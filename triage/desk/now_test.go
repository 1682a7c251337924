package desk_test

import (
	"bufio"
	"context"
	"encoding/json"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

func TestTheQueueInItsOrder(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.opens("inbox/1", rules.Routine, "may I swim?")
	c.later(40 * time.Minute)
	c.opens("inbox/2", rules.SameDay, "I feel a bit off")
	c.later(2 * time.Minute)
	c.opens("inbox/3", rules.Emergency, "soaking a pad an hour")
	b := c.as(triage.Coordinator)
	p := b.get("/now")
	p.says(t, "EMERGENCY", "5 min left to take it", "P-105 Citlali Vern", "soaking a pad an hour", "needs English")
	order := regexp.MustCompile(`<li class="(\w+)`).FindAllStringSubmatch(p.body, -1)
	// What she wrote second joined her first case and raised it.
	if len(order) != 2 || order[0][1] != "emergency" || order[1][1] != "same_day" {
		t.Errorf("the order is %v", order)
	}
	c.later(7 * time.Minute)
	b.get("/now/list").says(t, "late by 2 min")
	if n := c.deeds(triage.SeeCases); n != 0 {
		t.Errorf("%d looks at this patient are on record, want none for the list", n)
	}
}

// deeds counts the actions of one sort on the patient.
func (c *clinic) deeds(a triage.Action) (n int) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		all, err := c.care.Desk.Deeds(ctx, tx, c.patient.ID)
		for _, d := range all {
			if d.Action == a {
				n++
			}
		}
		return err
	})
	return n
}

func TestACaseShowsHerWordsWithWhatWasRead(t *testing.T) {
	t.Parallel()
	c := open(t)
	words := "I am <b>soaking</b> a pad, no fever"
	c.opens("inbox/1", rules.Emergency, words, triage.Span{From: strings.Index(words, "<b>"), To: strings.Index(words, ","), Finding: "heavy_bleeding", State: "present"},
		triage.Span{From: len(words) - 5, To: len(words), Finding: "fever", State: "negated"}, triage.Span{From: 3, To: 900, Finding: "other"})
	p := c.as(triage.Reader).get("/cases/1")
	p.says(t, "&lt;b&gt;soaking&lt;/b&gt; a pad", "heavy bleeding", "fever, denied", "cycle day 11")
	if strings.Contains(p.body, "/take") || strings.Contains(p.body, "<textarea") {
		t.Error("a reader is offered to do something")
	}
	if n := c.deeds(triage.SeeCases); n != 1 {
		t.Errorf("%d looks on record, want 1", n)
	}
	// What the open page fetches stands under that look; nobody looks without one.
	c.as(triage.Reader).get("/cases/1/state")
	c.as(triage.Lead).get("/cases/1/state").says(t, "heavy bleeding")
	if n := c.deeds(triage.SeeCases); n != 2 {
		t.Errorf("%d looks on record, want 2", n)
	}
}

var formMark = regexp.MustCompile(`name="form" value="(\w+)"`)

// mark is that of the form on a page.
func (p page) mark(t testing.TB) string {
	t.Helper()
	m := formMark.FindStringSubmatch(p.body)
	if m == nil {
		t.Fatalf("there is no form on the page (%d):\n%s", p.status, p.body)
	}
	return m[1]
}

// Of two who take a case the first has it, and the words of the second stay.
func TestNothingTypedIsLostWhenAnotherTookIt(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.opens("inbox/1", rules.SameDay, "what now?")
	mine, hers := c.as(triage.Coordinator), c.as(triage.Physician)
	form := mine.get("/cases/1").mark(t)
	if p := hers.post("/cases/1/take", "from", "now"); p.status != http.StatusSeeOther || p.to != "/now" {
		t.Fatalf("taken: %d %s", p.status, p.to)
	}
	p := mine.post("/cases/1/answer", "words", "Please come <in> at eleven.", "form", form)
	if p.status != http.StatusConflict {
		t.Errorf("answered in another's case: %d", p.status)
	}
	p.says(t, "Physician Invented has case 1", "Please come &lt;in&gt; at eleven.</textarea>")
	if got := mine.post("/cases/1/take"); got.status != http.StatusConflict {
		t.Errorf("taken twice: %d", got.status)
	}
	if p := c.as(triage.Lead).post("/cases/1/take"); p.status != http.StatusSeeOther {
		t.Errorf("a lead cannot take it over: %d", p.status)
	}
}

func TestAnAnswerGoesOnce(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.opens("inbox/1", rules.SameDay, "what now?")
	b := c.as(triage.Coordinator)
	form := b.get("/cases/1").mark(t)
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			if p := b.post("/cases/1/answer", "words", "Please come in at eleven.", "form", form); p.status != http.StatusSeeOther {
				t.Errorf("%d", p.status)
			}
		})
	}
	all.Wait()
	p := b.get("/cases/1")
	if n := strings.Count(p.body, `answered: “Please come`); n != 1 {
		t.Errorf("answered %d times:\n%s", n, p.body)
	}
	p.says(t, "yours")
}

func TestBadAnswers(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.opens("inbox/1", rules.SameDay, "what now?")
	b := c.as(triage.Coordinator)
	form := b.get("/cases/1").mark(t)
	for name, k := range map[string]struct {
		status int
		form   []string
		says   string
	}{
		"nothing":            {422, []string{"form", form}, "no words"},
		"blanks":             {422, []string{"form", form, "words", " \n "}, "no words"},
		"words twice":        {422, []string{"form", form, "words", "a", "words", "b"}, "no words"},
		"too long":           {422, []string{"form", form, "words", strings.Repeat("a", 3600)}, "at most 3500"},
		"without its mark":   {422, []string{"words", "Hello."}, "Hello.</textarea>"},
		"a result":           {422, []string{"form", form, "words", "Your hCG is positive."}, "told a result"},
		"as large as a book": {400, []string{"form", form, "words", strings.Repeat("a", 70<<10)}, "did not arrive whole"},
	} {
		if p := b.post("/cases/1/answer", k.form...); p.status != k.status || !strings.Contains(p.body, k.says) {
			t.Errorf("%s: %d, want %d and %q:\n%.400s", name, p.status, k.status, k.says, p.body)
		}
	}
	for path, status := range map[string]int{"/cases/99": 404, "/cases/x": 404, "/cases/-1": 404, "/nothing": 404} {
		if p := b.get(path); p.status != status {
			t.Errorf("%s: %d, want %d", path, p.status, status)
		}
	}
	if p := b.post("/cases/1/answer", "form", form, "words", "No beta test is needed.", "sure", "yes"); p.status != 303 {
		t.Errorf("what is sure: %d", p.status)
	}
	for name, p := range map[string]page{
		"an outcome that is none": b.post("/cases/1/close", "outcome", "healed"),
		"no outcome":              b.post("/cases/1/close"),
		"to nobody":               b.post("/cases/1/hand"),
		"to an administrator":     b.post("/cases/1/hand", "to", "administrator"),
		"to herself":              b.post("/cases/1/hand", "to", "coordinator"),
		"told without a result":   b.post("/cases/1/told", "how", "phoned"),
	} {
		if p.status < 400 || p.status >= 500 {
			t.Errorf("%s: %d", name, p.status)
		}
	}
	if p := b.post("/cases/1/hand", "to", "physician"); p.status != 303 {
		t.Errorf("handed over: %d", p.status)
	}
	if p := c.as(triage.Physician).post("/cases/1/close", "outcome", "phoned"); p.status != 303 {
		t.Errorf("closed: %d", p.status)
	}
	if p := b.post("/cases/1/close", "outcome", "phoned"); p.status != 422 {
		t.Errorf("closed twice: %d", p.status)
	}
}

// listen reads the stream of live updates.
func (b *browser) listen() (updates <-chan map[string]int64) {
	b.c.t.Helper()
	res, err := b.http.Get(b.c.server.URL + "/live")
	if err != nil {
		b.c.t.Fatal(err)
	}
	all := make(chan map[string]int64, 9)
	go func() {
		defer close(all)
		defer res.Body.Close()
		for lines := bufio.NewScanner(res.Body); lines.Scan(); {
			data, found := strings.CutPrefix(lines.Text(), "data: ")
			var u map[string]int64
			if found && json.Unmarshal([]byte(data), &u) == nil {
				all <- u
			}
		}
	}()
	return all
}

func heard(t *testing.T, updates <-chan map[string]int64, what string, fits func(map[string]int64) bool) {
	t.Helper()
	for {
		select {
		case u, more := <-updates:
			if !more {
				t.Fatalf("%s: the stream has ended", what)
			}
			if fits(u) {
				return
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("%s: nothing is heard", what)
		}
	}
}

func TestNewCasesAreHeardOfAtOnce(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Coordinator)
	updates := b.listen()
	heard(t, updates, "at first", func(u map[string]int64) bool { return u["all"] == 0 })
	c.opens("inbox/1", rules.Emergency, "soaking a pad an hour")
	heard(t, updates, "an emergency", func(u map[string]int64) bool { return u["emergencies"] == 1 && u["newest"] == 1 })
	c.as(triage.Physician).post("/cases/1/take")
	heard(t, updates, "it is taken", func(u map[string]int64) bool { return u["last"] > 2 })
	// A beat keeps the line up, and the stream ends with the session.
	c.later(16 * time.Second)
	heard(t, updates, "a beat", func(u map[string]int64) bool { return u["all"] == 1 })
	b.post("/me/leave")
	c.later(time.Hour)
	for {
		select {
		case _, more := <-updates:
			if !more {
				return
			}
		case <-time.After(10 * time.Second):
			t.Fatal("the stream goes on after she has signed out")
		}
	}
}

package rehearsal

import (
	"fmt"
	"math/rand/v2"
	"regexp"
	"strings"
	"time"

	"handrail.example/cmd/handrail/audit"
)

// Nurse is a coordinator. She does one thing at a time: writes, reads the answer,
// goes on.
type Nurse struct {
	w            *World
	r            *rand.Rand
	Chat         int64
	Handle, Name string
	Lead         bool
	queue        []*job
	at           *job
	step         int             // grows with each thing that she waits for an answer to
	waiting      bool            // for an answer
	cases        map[string]bool // that she or a colleague has
	told         map[*Patient]func()
}

// job is something that a coordinator does in the chat.
type job struct {
	patient *Patient
	line    string
	entry   *audit.Entry // what it puts on record, if it does
	with    *audit.Entry // what is saved with it
	shown   time.Time    // when it was put to her to be saved
	then    func()
	urgent  bool
	tries   int
	// token is pressed instead of a line that is written.
	message int64
	token   string
	// saving: she has seen what it would do, and said yes.
	saving  bool
	preview string // the line that says what it puts on record
	// answered is what she does with the answer, where it is no entry.
	answered func(m Message)
}

func (w *World) addNurse(i int) {
	chat := FirstNurse + int64(i)
	n := &Nurse{w: w, r: w.luck(chat), Chat: chat, Handle: fmt.Sprintf("nurse%d", i+1), Name: fmt.Sprintf("Nurse %d Invented", i+1), Lead: i == 0,
		cases: make(map[string]bool), told: make(map[*Patient]func())}
	w.people[chat] = n
	w.Nurses = append(w.Nurses, n)
}

// todo lines a job up; what is urgent goes first.
func (n *Nurse) todo(j *job) {
	at := 0
	for at < len(n.queue) && (!j.urgent || n.queue[at].urgent) {
		at++
	}
	n.queue = append(n.queue[:at], append([]*job{j}, n.queue[at:]...)...)
	n.next()
}

// next takes up the next job, if she is free.
func (n *Nurse) next() {
	if n.at != nil || len(n.queue) == 0 {
		return
	}
	n.at, n.queue = n.queue[0], n.queue[1:]
	j := n.at
	n.later(time.Duration(3+n.r.IntN(20))*time.Second, func() {
		if n.at == j {
			n.begin(j)
		}
	})
}

func (n *Nurse) later(d time.Duration, do func()) { n.w.at(n.w.Now().Add(d), do) }

func (n *Nurse) begin(j *job) {
	j.saving = false
	if j.token != "" {
		n.press(j.message, j.token)
		return
	}
	n.w.writes(n.Chat, j.line, false)
	n.await()
}

func (n *Nurse) press(message int64, token string) int64 {
	update := n.w.presses(n.Chat, message, token)
	n.await()
	return update
}

// patience is how long she waits for an answer before she tries again later.
const patience = 4 * time.Minute

// await gives an answer some time to come.
func (n *Nurse) await() {
	n.step++
	n.waiting = true
	step := n.step
	n.later(patience, func() {
		if n.step == step && n.at != nil {
			n.again()
		}
	})
}

// again puts off what was not answered; after some tries somebody else will have
// to look.
func (n *Nurse) again() {
	j := n.at
	n.at, n.waiting = nil, false
	n.step++
	if j.tries++; j.tries < 6 && !j.saving {
		n.later(between(n.r, 20, 60), func() { n.todo(j) })
	} else {
		n.w.GivenUp++
		n.goOn(j)
	}
	n.next()
}

// done ends the job that she is at.
func (n *Nurse) done() {
	j := n.at
	n.at, n.waiting = nil, false
	n.step++
	n.goOn(j)
	n.next()
}

func (n *Nurse) goOn(j *job) {
	if j.then != nil {
		j.then()
	}
}

// sees sorts what comes: alerts and reminders of cases, or the answer that she
// waits for.
func (n *Nurse) sees(m Message) {
	words := n.w.words["en"]
	switch {
	case words.is(m.Text, "staff.shift_start"):
		if b, is := words.button(m, "button.shift.in"); is && n.r.IntN(20) > 0 {
			n.later(between(n.r, 0, 10), func() {
				n.todo(&job{message: m.ID, token: b.Token, urgent: true, answered: func(Message) { n.done() }})
			})
		}
	case words.is(m.Text, "staff.alert") || words.is(m.Text, "staff.alert_again"):
		n.alerted(words, m)
	case words.is(m.Text, "staff.still_yours"), words.is(m.Text, "staff.news"):
		if number := caseNumber(m.Text); number != "" {
			n.later(n.haste(m.Text), func() { n.close(number, m.Text) })
		}
	case words.is(m.Text, "staff.has_it"):
		if got := hasShape.FindStringSubmatch(m.Text); got != nil {
			n.cases[got[1]] = true // a colleague sees to it
		}
	case words.unasked(m.Text) || n.at == nil || !n.waiting:
	default:
		n.reads(words, m)
	}
}

// reads the answer to what she did.
func (n *Nurse) reads(words *wording, m Message) {
	j := n.at
	if j.answered != nil {
		n.step++
		n.waiting = false
		j.answered(m)
		return
	}
	save, is := words.button(m, "button.save")
	if is && !j.saving && (j.patient == nil || strings.HasPrefix(m.Text, j.patient.Handle+" ")) {
		j.preview, _, _ = strings.Cut(m.Text, "\n")
		j.shown = n.w.Now()
		j.with = n.goesWith(j, m.Text)
		n.step++
		n.waiting = false
		n.later(time.Duration(4+n.r.IntN(25))*time.Second, func() { n.save(j, m, save) })
		return
	}
	if is || words.is(m.Text, "staff.saved") && !strings.Contains(m.Text, j.preview) {
		return // an answer to something before, late or once more
	}
	n.result(words, j, m)
}

// withShape is the repeat that is booked with a first test.
var withShape = regexp.MustCompile(`(?m)^With it: visit, (\d{4}-\d\d-\d\d \d\d:\d\d), repeat`)

// goesWith is the visit that will be saved with the one that she entered.
func (n *Nurse) goesWith(j *job, text string) *audit.Entry {
	got := withShape.FindStringSubmatch(text)
	if got == nil || j.entry == nil {
		return nil
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", got[1], n.w.Clinic.Zone)
	if err != nil {
		return nil
	}
	return &audit.Entry{Patient: j.entry.Patient, Kind: "visit", Step: "hcg_repeat", At: at}
}

// save says yes, by the button or in a word.
func (n *Nurse) save(j *job, m Message, b Button) {
	if n.at != j {
		return
	}
	j.saving = true
	var update int64
	if n.r.IntN(3) == 0 {
		update = n.w.writes(n.Chat, "save", false)
		n.await()
	} else {
		update = n.press(m.ID, b.Token)
	}
	if j.entry != nil {
		// Each time that she saves it is a statement of its own.
		e := new(*j.entry)
		e.Chat, e.Update, e.Stated, e.Shown, j.entry = n.Chat, update, n.w.Now(), j.shown, e
		if e.Kind != "trigger_order" { // that one counts when it has been checked
			n.w.Journal.Entries = append(n.w.Journal.Entries, e)
		}
		if j.with != nil {
			w := new(*j.with)
			w.Chat, w.Update, w.Stated, w.Shown, j.with = n.Chat, update, n.w.Now(), j.shown, w
			n.w.Journal.Entries = append(n.w.Journal.Entries, w)
		}
	}
}

// result reads whether it was saved.
func (n *Nurse) result(words *wording, j *job, m Message) {
	switch {
	case words.is(m.Text, "staff.to_be_checked"):
		if j.entry != nil {
			j.patient.script.ordered = j.entry
		}
	case words.is(m.Text, "staff.saved"):
		for _, e := range []*audit.Entry{j.entry, j.with} {
			if e != nil {
				e.Sure = true
			}
		}
		if b, is := words.button(m, "button.told_phone"); is {
			p := j.patient
			n.later(between(n.r, 5, 50), func() { n.tell(p, m, b) })
		}
	case !j.saving && j.entry != nil || j.saving && !strings.HasPrefix(m.Text, "Saved"):
		n.w.Refused++
		n.refused(j)
		return
	}
	n.done()
}

// refused tries again a little later: a result may have to be told first.
func (n *Nurse) refused(j *job) {
	n.at, n.waiting = nil, false
	n.step++
	if j.tries++; j.tries < 3 {
		n.later(between(n.r, 60, 90), func() {
			if j.patient != nil {
				j.patient.desk(0, 10, func() { n.todo(j) })
			}
		})
	}
	n.next()
}

// tell: she has told a result by phone.
func (n *Nurse) tell(p *Patient, m Message, b Button) {
	n.todo(&job{patient: p, message: m.ID, token: b.Token, answered: func(Message) {
		n.done()
		if do := n.told[p]; do != nil {
			delete(n.told, p)
			p.desk(5, 60, do)
		}
	}})
}

func (n *Nurse) whenTold(p *Patient, do func()) { n.told[p] = do }

var hasShape = regexp.MustCompile(`has case (\d+)\.$`)

var caseShape = regexp.MustCompile(`\bcase (\d+) ·`)

func caseNumber(text string) string {
	if m := caseShape.FindStringSubmatch(text); m != nil {
		return m[1]
	}
	return ""
}

// haste is how soon she sees to a case, by what stands on it.
func (n *Nurse) haste(text string) time.Duration {
	switch {
	case strings.Contains(text, "EMERGENCY"):
		return between(n.r, 0, 3)
	case strings.Contains(text, "SAME DAY"):
		return between(n.r, 1, 25)
	}
	return between(n.r, 5, 120)
}

// alerted: most of the time she sees to it; else the ladder goes on.
func (n *Nurse) alerted(words *wording, m Message) {
	take, is := words.button(m, "button.case.take")
	number := caseNumber(m.Text)
	if !is || number == "" || n.r.IntN(10) == 0 {
		return
	}
	if strings.Contains(m.Text, "trigger order to be checked") {
		n.later(between(n.r, 1, 15), func() { n.verify(number, m.Text) })
		return
	}
	urgent := strings.Contains(m.Text, "EMERGENCY")
	n.later(n.haste(m.Text), func() {
		if n.cases[number] {
			return
		}
		n.todo(&job{message: m.ID, token: take.Token, urgent: urgent, answered: func(got Message) { n.took(number, got) }})
	})
}

// took reads the card: it is hers, or somebody else's by now.
func (n *Nurse) took(number string, m Message) {
	n.done()
	if caseNumber(m.Text) != number {
		return
	}
	n.cases[number] = true
	if strings.Contains(m.Text, "“") && n.r.IntN(3) == 0 {
		n.later(between(n.r, 1, 15), func() { n.answer(number, m.Text) })
		return
	}
	n.later(between(n.r, 2, 30), func() { n.close(number, m.Text) })
}

// answer writes to the patient, and closes some time later.
func (n *Nurse) answer(number, card string) {
	line := fmt.Sprintf("answer %s Thank you for writing. I have read it and will call you this afternoon about it (%d).", number, n.r.IntN(1000))
	n.todo(&job{line: line, answered: func(m Message) {
		send, is := n.w.words["en"].button(m, "button.send")
		if !is {
			n.done()
			n.later(between(n.r, 2, 20), func() { n.close(number, card) })
			return
		}
		n.at.answered = func(Message) {
			n.done()
			n.later(between(n.r, 10, 90), func() { n.close(number, card) })
		}
		j := n.at
		n.later(time.Duration(5+n.r.IntN(20))*time.Second, func() {
			if n.at == j {
				n.press(m.ID, send.Token)
			}
		})
	}})
}

func (n *Nurse) close(number, card string) {
	line := "close " + number + " phoned"
	if strings.Contains(card, "result to tell") {
		line = "told " + number + " phoned"
	}
	n.todo(&job{line: line, answered: func(Message) { n.done() }})
}

// verify checks another's order of a trigger.
func (n *Nurse) verify(number, card string) {
	handle := handleShape.FindString(card)
	n.todo(&job{line: "verify " + number, urgent: true, answered: func(m Message) {
		save, is := n.w.words["en"].button(m, "button.save")
		if !is {
			n.done()
			return
		}
		j := n.at
		n.later(time.Duration(10+n.r.IntN(60))*time.Second, func() { n.checked(j, handle, m, save) })
	}})
}

var handleShape = regexp.MustCompile(`P-\d+`)

// checked: from now on the order is in force.
func (n *Nurse) checked(j *job, handle string, m Message, b Button) {
	p := n.w.byHandle(handle)
	if n.at != j || p == nil {
		return
	}
	update := n.press(m.ID, b.Token)
	e := p.script.ordered
	if e != nil {
		e.Chat, e.Update, e.Stated = n.Chat, update, n.w.Now()
		n.w.Journal.Entries = append(n.w.Journal.Entries, e)
		p.script.ordered = nil
	}
	j.saving = true
	j.answered = func(got Message) {
		if e != nil && n.w.words["en"].is(got.Text, "staff.saved") {
			e.Sure = true
		}
		n.done()
	}
}

func (w *World) byHandle(handle string) *Patient {
	var i int
	if _, err := fmt.Sscanf(handle, "P-%d", &i); err != nil || i-10001 < 0 || i-10001 >= len(w.Patients) {
		return nil
	}
	return w.Patients[i-10001]
}

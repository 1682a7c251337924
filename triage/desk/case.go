package desk

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// casePage is one case and what can be done with it.
type casePage struct {
	Case     waiting
	State    triage.State
	Outcome  triage.Outcome
	Handle   string // the patient's, "" for none
	Language string
	Place    string
	Hands    string   // who looks after her
	Note     *noteRow // the latest hand-over note
	Next     []plan.Step
	Told     []told
	Events   []string
	Ahead    []triage.Rung
	Letters  []care.Letter
	// What she may do.
	May, Answer, HandOn, Check, ToTell, Misread bool
	Takes                                       bool // the note for her chart
	Team                                        []triage.Staff
	Outcomes                                    []triage.Outcome
	// Able are the colleagues who may answer in her language; Speaks, that she is one.
	Able     []triage.Staff
	Speaks   bool
	Approved []approvedText
	// Form is the mark of the answer's form; Wrong is why the last one was not
	// taken, Words what was written in it, Sure that it may tell a result.
	Form, Wrong, Words string
	Sure               bool
}

// approvedText is one that anybody may send, in the language of whoever looks.
type approvedText struct{ Name, Says string }

// told is something that a case was told: her words with what was read in them, the
// rules that held, what the program knows.
type told struct {
	At      time.Time
	Words   []marked
	Notes   []string
	Rules   []string
	Caution string
}

func (v *visit) id() int64 {
	id, _ := strconv.ParseInt(v.r.PathValue("id"), 10, 64)
	return id
}

// showCase is the page of a case.
func (v *visit) showCase(ctx context.Context) (answer, error) {
	p, err := v.casePage(ctx)
	if err != nil {
		return answer{}, err
	}
	return show("case", p)
}

// caseState is the part of the page that tells how the case stands, which the page
// fetches anew while somebody writes in another part.
func (v *visit) caseState(ctx context.Context) (answer, error) {
	v.quiet = true
	p, err := v.casePage(ctx)
	return answer{sheet: "case", part: "state", data: p}, err
}

// lettersShown is how many of the last messages are on a case's page.
const lettersShown = 8

func (v *visit) casePage(ctx context.Context) (casePage, error) {
	look := v.site.Care.File
	if v.quiet {
		if seen, err := v.looked(ctx, v.id()); err != nil {
			return casePage{}, err
		} else if seen {
			look = v.site.Care.Glance
		}
	}
	f, err := look(ctx, v.tx, v.who, v.id())
	if err != nil {
		return casePage{}, err
	}
	q := v.site.queue()
	names, err := q.Names(ctx, v.tx)
	if err != nil {
		return casePage{}, err
	}
	k := triage.Known{Language: f.Patient.Language}
	if f.Known {
		k.Label = care.Label(f.Patient)
	}
	p := casePage{Case: v.waiting(f.Case, k, names), State: f.Case.State, Outcome: f.Case.Outcome, Language: k.Language, Handle: f.Patient.Handle,
		Ahead: f.Ahead, Told: v.tellings(f.Case), Form: rand.Text(), Takes: v.who.May(triage.Export) == nil}
	p.Events = v.events(f.Case, names)
	if f.Known {
		p.Place, p.Next = v.place(f.Plan, f.Patient), ahead(f.Plan, 4)
		if err := v.handsOf(ctx, &p, f.Patient); err != nil {
			return p, err
		}
		if p.Letters, err = v.site.Care.Letters(ctx, v.tx, v.who, f.Patient, lettersShown); err != nil {
			return p, err
		}
	}
	return p, v.offer(ctx, &p, f)
}

// offer fills in what she may do with a case.
func (v *visit) offer(ctx context.Context, p *casePage, f care.File) error {
	cs := f.Case
	p.May = v.who.May(triage.TakeCase) == nil && cs.State != triage.Closed
	if !p.May {
		return nil
	}
	mine := cs.State == triage.Open || cs.Holder == v.who.ID
	own := cs.Reason == triage.TriggerCheck && cs.Body.By == v.who.ID
	p.Answer = f.Known && mine && !own
	p.Speaks = v.who.Speaks(p.Language)
	if p.Answer && !p.Speaks {
		able, err := v.site.queue().Qualified(ctx, v.tx, p.Language)
		if err != nil {
			return err
		}
		p.Able = able
		for _, name := range triage.Approved {
			p.Approved = append(p.Approved, approvedText{name, v.say("approved."+name, v.site.Care.Numbers())})
		}
	}
	p.HandOn = mine || v.who.Role == triage.Lead
	p.Check = cs.Reason == triage.TriggerCheck && !own
	p.ToTell = cs.Reason == triage.ResultToTell && mine
	p.Misread = slices.ContainsFunc(p.Told, func(t told) bool { return len(t.Words) > 0 })
	for _, o := range triage.Outcomes {
		telling := o == triage.Phoned || o == triage.Seen
		if cs.Reason == triage.ResultToTell || cs.Reason == triage.TriggerCheck && o == triage.Checked || telling && cs.Reason == triage.ResultToTell {
			continue
		}
		p.Outcomes = append(p.Outcomes, o)
	}
	team, err := v.site.queue().Team(ctx, v.tx)
	p.Team = slices.DeleteFunc(team, func(s triage.Staff) bool { return s.ID == v.who.ID || s.May(triage.TakeCase) != nil })
	return err
}

// tellings are what a case was told, the latest first.
func (v *visit) tellings(cs triage.Case) (all []told) {
	add := func(at time.Time, b triage.Body) {
		t := told{At: at, Words: mark(b.Words, b.Spans)}
		for _, n := range b.Notes {
			t.Notes = append(t.Notes, v.site.queue().Say(v.lang, n))
		}
		for _, id := range b.Rules {
			said := id
			if key := "rule." + id; v.site.phrases().Has(key) {
				said = v.say(key, nil)
			}
			t.Rules = append(t.Rules, said)
		}
		if b.Caution != "" {
			t.Caution = v.cautionText(b.Caution)
		}
		all = append(all, t)
	}
	add(cs.Opened, cs.Body)
	for _, e := range cs.Events {
		if e.What == triage.Wrote {
			add(e.At, e.Body)
		}
	}
	slices.Reverse(all)
	return all
}

// events are what happened to a case, in the words of the chat.
func (v *visit) events(cs triage.Case, names triage.Names) (all []string) {
	for _, e := range cs.Events {
		key, by := "event."+string(e.What), names.ByPerson[e.By]
		if e.By == cs.Person && e.By != seal.House {
			by = v.say("staff.she", nil)
		}
		if e.What == triage.AlertFailed && e.To == 0 {
			key = "event.alert_nobody"
		} else if e.What == triage.Wrote {
			key = "desk.event_wrote"
		}
		line := v.say(key, phrase.Args{"at": e.At.In(v.zone()).Format("02 Jan 15:04"), "by": by, "to": names.ByID[e.To]})
		if e.What == triage.Replied || e.What == triage.Proposed {
			line += " “" + e.Body.Words + "”"
		}
		all = append(all, line)
	}
	return all
}

// place says where somebody is in her cycle.
func (v *visit) place(p plan.Plan, who reminders.Patient) string {
	return v.words(nil).Place(p, who, v.today())
}

// ahead are the next n steps of a plan.
func ahead(p plan.Plan, n int) (all []plan.Step) {
	for _, s := range p.Steps {
		if (s.Status == plan.Due || s.Status == plan.Projected) && !s.On.IsZero() && len(all) < n {
			all = append(all, s)
		}
	}
	return all
}

// caseForm does something with a case; what was refused is shown on its page, with
// everything that was written there.
func (v *visit) caseForm(ctx context.Context, do func() error) (answer, error) {
	err := v.tx.Try(ctx, do)
	if err == nil {
		return goTo(v.back())
	}
	return v.caseAgain(ctx, err, false)
}

// caseAgain shows the page of a case with why its form was not taken.
func (v *visit) caseAgain(ctx context.Context, why error, sure bool) (answer, error) {
	said, known := v.explain(why)
	if !known || errors.As(why, new(*triage.Refused)) && statusOf(why) != http.StatusUnprocessableEntity {
		return answer{}, why
	}
	p, err := v.casePage(ctx)
	p.Wrong, p.Words, p.Sure = said, v.r.PostForm.Get("words"), sure
	return answer{sheet: "case", data: p, status: statusOf(why)}, err
}

// back is where a form about a case leads: to the queue when it was sent from there.
func (v *visit) back() string {
	if v.r.PostForm.Get("from") == "now" {
		return "/now"
	}
	return fmt.Sprintf("/cases/%d", v.id())
}

func (v *visit) takeCase(ctx context.Context) (answer, error) {
	return v.caseForm(ctx, func() error {
		_, err := v.site.queue().Take(ctx, v.tx, v.who, v.id())
		return err
	})
}

// answerCase sends her words to the patient. What looks as if it told a result is
// shown once more first.
func (v *visit) answerCase(ctx context.Context) (answer, error) {
	words := once(v.r, "words")
	if care.TellsResult(words) && once(v.r, "sure") == "" {
		return v.caseAgain(ctx, triage.Refuse("tells_result", nil), true)
	}
	return v.caseForm(ctx, func() error {
		fresh, err := v.fresh(ctx)
		if err != nil || !fresh {
			return err
		}
		_, err = v.site.queue().Answer(ctx, v.tx, v.who, v.id(), words, "desk/"+once(v.r, "form"))
		return err
	})
}

// fresh reports whether a form is sent for the first time. One without its mark is
// none of ours.
func (v *visit) fresh(ctx context.Context) (bool, error) {
	form := once(v.r, "form")
	if len(form) < 20 || len(form) > 64 {
		return false, triage.Refuse("form", nil)
	}
	if _, err := v.tx.Exec(ctx, `DELETE FROM sent_forms WHERE sent_at < ?`, store.At(v.tx.Now.AddDate(0, 0, -2))); err != nil {
		return false, err
	}
	n, err := v.tx.Exec(ctx, `INSERT INTO sent_forms (form, staff_id, sent_at) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`, form, v.who.ID, store.At(v.tx.Now))
	return n == 1, err
}

// approveCase sends an approved text in her language.
func (v *visit) approveCase(ctx context.Context) (answer, error) {
	return v.caseForm(ctx, func() error {
		fresh, err := v.fresh(ctx)
		if err != nil || !fresh {
			return err
		}
		_, err = v.site.Care.AnswerApproved(ctx, v.tx, v.who, v.id(), once(v.r, "text"), "desk/"+once(v.r, "form"))
		return err
	})
}

// proposeCase puts what should be said before a colleague who may say it.
func (v *visit) proposeCase(ctx context.Context) (answer, error) {
	return v.caseForm(ctx, func() error {
		to, err := v.site.queue().StaffByHandle(ctx, v.tx, once(v.r, "to"))
		if err != nil {
			return err
		}
		_, err = v.site.queue().Propose(ctx, v.tx, v.who, v.id(), to, once(v.r, "words"))
		return err
	})
}

func (v *visit) handCase(ctx context.Context) (answer, error) {
	return v.caseForm(ctx, func() error {
		to, err := v.site.queue().StaffByHandle(ctx, v.tx, once(v.r, "to"))
		if err == nil {
			_, err = v.site.queue().HandOver(ctx, v.tx, v.who, v.id(), to)
		}
		return err
	})
}

func (v *visit) closeCase(ctx context.Context) (answer, error) {
	return v.caseForm(ctx, func() error {
		_, err := v.site.queue().Close(ctx, v.tx, v.who, v.id(), triage.Outcome(once(v.r, "outcome")))
		return err
	})
}

// toldCase records that a person has told her a result.
func (v *visit) toldCase(ctx context.Context) (answer, error) {
	return v.caseForm(ctx, func() error { return v.site.Care.Told(ctx, v.tx, v.who, v.id(), triage.Outcome(once(v.r, "how"))) })
}

func (v *visit) misreadCase(ctx context.Context) (answer, error) {
	return v.caseForm(ctx, func() error { return v.site.queue().MarkMisread(ctx, v.tx, v.who, v.id()) })
}

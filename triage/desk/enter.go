package desk

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// entryPage is the form of one fact, and what it would move once it is filled in.
type entryPage struct {
	Patient  reminders.Patient
	Kind     plan.FactKind
	Replaces string
	Old      string // what is corrected or taken back
	Inputs   []input
	Wrong    string
	// Mend leads to the correction of an entry that stands in the way.
	Mend, MendSays string
	// Preview is what saving would do; nil before it is known.
	Preview *previewed
	// Form marks the preview, Seen is how many entries there were when it was made.
	Form string
	Seen int
	// Case is that of an order that is checked by a second person; 0 for an entry.
	Case int64
}

// previewed is what an entry would do, in words.
type previewed struct {
	Fact, Beside       string
	Also               []string // what is saved with it
	Changes, Conflicts []string
	Missing, Cautions  []string
	Second             bool
	Asks               bool // for a reason before it is saved
}

func (v *visit) previewed(p care.Preview, facts []reminders.Recorded) *previewed {
	w := v.words(facts)
	out := &previewed{Fact: w.Fact(p.Fact), Second: p.Second, Asks: p.Asks()}
	for _, f := range p.Also {
		out.Also = append(out.Also, w.Fact(f))
	}
	for _, c := range p.Changes {
		out.Changes = append(out.Changes, w.Change(c))
	}
	for _, k := range p.Conflicts {
		out.Conflicts = append(out.Conflicts, w.Conflict(k))
	}
	for _, k := range p.Cautions {
		out.Cautions = append(out.Cautions, w.Caution(k))
	}
	for _, item := range p.Missing {
		out.Missing = append(out.Missing, v.item(item))
	}
	if f, some := p.Beside(facts, v.tx.Now); some {
		out.Beside = w.Fact(f.Fact)
	}
	return out
}

// item is an item of the checklist in her language.
func (v *visit) item(word string) string {
	if key := "word." + word; v.site.phrases().Has(key) {
		return v.say(key, nil)
	}
	return word
}

// entry is what a request about a fact is about.
type entry struct {
	page   entryPage
	fields []field
	facts  []reminders.Recorded
	orders []reminders.Recorded
	old    *plan.Fact
}

func (v *visit) patient(ctx context.Context) (reminders.Patient, error) {
	return v.site.Care.Find(ctx, v.tx, v.who, v.r.PathValue("handle"))
}

// sees puts on record that somebody has looked at a patient.
func (v *visit) sees(ctx context.Context, p reminders.Patient) error {
	return v.site.queue().Did(ctx, v.tx, v.who, triage.SeePatients, triage.Ref{Patient: p.ID, Person: p.Person}, "")
}

// entry finds the patient, the form and what is corrected.
func (v *visit) entry(ctx context.Context) (e entry, err error) {
	kind := plan.FactKind(v.r.PathValue("kind"))
	var known bool
	if e.fields, known = fieldsFor(kind); !known {
		return e, triage.Refuse("no_form", nil)
	}
	p, err := v.patient(ctx)
	if err != nil {
		return e, err
	}
	if err := v.sees(ctx, p); err != nil {
		return e, err
	}
	cycle, err := v.site.Care.Book.Cycle(ctx, v.tx, p.ID)
	if err != nil {
		return e, err
	}
	if e.facts, err = v.site.Care.Facts(ctx, v.tx, v.who, p.ID); err != nil {
		return e, err
	}
	if e.orders, err = v.site.Care.Orders(ctx, v.tx, v.who, p.ID); err != nil {
		return e, err
	}
	e.page = entryPage{Patient: p, Kind: kind, Form: rand.Text(), Seen: len(cycle.Facts), Replaces: v.r.Form.Get("replaces")}
	if e.page.Replaces == "" {
		if kind == plan.Retracted {
			err = triage.Refuse("no_entry", nil)
		}
		return e, err
	}
	i := slices.IndexFunc(e.facts, func(f reminders.Recorded) bool {
		return f.ID == e.page.Replaces && (f.Kind == kind || kind == plan.Retracted)
	})
	if i < 0 {
		return e, triage.Refuse("no_entry", nil)
	}
	e.old, e.page.Old = &e.facts[i].Fact, v.words(e.facts).Fact(e.facts[i].Fact)
	return e, nil
}

// askEntry shows the empty form of a fact, or that of a correction.
func (v *visit) askEntry(ctx context.Context) (answer, error) {
	e, err := v.entry(ctx)
	if err != nil {
		return answer{}, err
	}
	old := e.old
	if e.page.Kind == plan.Retracted {
		old = nil
	}
	e.page.Inputs = v.inputs(e.fields, v.start(e.fields, old), e.orders)
	return show("entry", e.page)
}

// sendEntry shows what a filled form would move, and saves what has been shown.
func (v *visit) sendEntry(ctx context.Context) (answer, error) {
	e, err := v.entry(ctx)
	if err != nil {
		return answer{}, err
	}
	e.page.Inputs = v.inputs(e.fields, v.r.PostForm, e.orders)
	f, err := factOf(e.page.Kind, e.fields, v.r.PostForm, v.zone())
	if err != nil {
		return v.entryAgain(e, err)
	}
	f.ID = ""
	before, err := v.site.Care.Preview(ctx, v.tx, v.who, e.page.Patient.ID, f)
	if err != nil {
		return v.entryAgain(e, err)
	}
	e.page.Preview = v.previewed(before, e.facts)
	if once(v.r, "save") == "" {
		return show("entry", e.page)
	}
	if once(v.r, "seen") != strconv.Itoa(e.page.Seen) {
		sent, err := v.sentBefore(ctx)
		if err != nil || sent {
			return answer{to: "/patients/" + e.page.Patient.Handle}, err
		}
		e.page.Wrong = v.say("refused.changed_meanwhile", nil)
		return answer{sheet: "entry", data: e.page, status: http.StatusConflict}, nil
	}
	return v.save(ctx, e, f)
}

// save saves what has been previewed, once.
func (v *visit) save(ctx context.Context, e entry, f plan.Fact) (answer, error) {
	var saved care.Preview
	to := "/patients/" + e.page.Patient.Handle
	err := v.tx.Try(ctx, func() error {
		fresh, err := v.fresh(ctx)
		if err != nil || !fresh {
			return err
		}
		if saved, err = v.site.Care.Enter(ctx, v.tx, v.who, e.page.Patient.ID, f, 0); err != nil {
			return err
		}
		to += "?saved=" + url.QueryEscape(string(saved.Fact.Kind))
		if saved.Second {
			to += "&second=yes"
		}
		return nil
	})
	switch {
	case err != nil:
		return v.entryAgain(e, err)
	case saved.ToTell != 0:
		to = fmt.Sprintf("/cases/%d", saved.ToTell)
	}
	return goTo(to)
}

// entryAgain shows a form with why it was not taken, and everything that was written
// in it.
func (v *visit) entryAgain(e entry, why error) (answer, error) {
	said, known := v.explain(why)
	if !known || statusOf(why) == http.StatusForbidden {
		return answer{}, why
	}
	var refused *triage.Refused
	if errors.As(why, &refused) && strings.HasPrefix(refused.Key, "field_") {
		said = v.say("refused."+refused.Key, phrase.Args{"field": v.say("desk.field."+refused.Args["field"], nil), "value": refused.Args["value"]})
	}
	e.page.Wrong, e.page.Preview = said, nil
	var untrue *plan.Refusal
	if errors.As(why, &untrue) && e.page.Replaces == "" {
		for _, f := range e.facts {
			if f.Kind == e.page.Kind {
				e.page.MendSays = v.words(e.facts).Fact(f.Fact)
				e.page.Mend = fmt.Sprintf("/patients/%s/enter/%s?replaces=%s", e.page.Patient.Handle, f.Kind, f.ID)
			}
		}
	}
	return answer{sheet: "entry", data: e.page, status: statusOf(why)}, nil
}

// sentBefore reports whether a form has done its work already.
func (v *visit) sentBefore(ctx context.Context) (bool, error) {
	var n int
	err := v.tx.Get(ctx, &n, `SELECT count(*) FROM sent_forms WHERE form = ? AND staff_id = ?`, once(v.r, "form"), v.who.ID)
	return n > 0, err
}

// askCheck shows the order that a case holds for the second person's check.
func (v *visit) askCheck(ctx context.Context) (answer, error) {
	p, err := v.site.Care.Waiting(ctx, v.tx, v.who, v.id())
	if err != nil {
		return answer{}, err
	}
	facts, err := v.site.Care.Facts(ctx, v.tx, v.who, p.Patient.ID)
	if err == nil {
		err = v.sees(ctx, p.Patient)
	}
	if err != nil {
		return answer{}, err
	}
	said := v.previewed(p, facts)
	said.Second = false // she is the second
	return show("entry", entryPage{Patient: p.Patient, Kind: plan.TriggerOrder, Case: v.id(), Preview: said})
}

// sendCheck is the second person's check.
func (v *visit) sendCheck(ctx context.Context) (answer, error) {
	var p care.Preview
	err := v.tx.Try(ctx, func() (err error) {
		p, err = v.site.Care.CheckTrigger(ctx, v.tx, v.who, v.id(), 0)
		return err
	})
	if err != nil {
		return answer{}, err
	}
	return goTo("/patients/" + p.Patient.Handle + "?saved=" + string(plan.TriggerOrder))
}

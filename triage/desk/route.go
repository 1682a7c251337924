package desk

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"runtime/debug"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/picture"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// route is one page or form.
type route struct {
	pattern string // as http.ServeMux reads it
	// needs is what somebody must be allowed to do; "" where anybody may come.
	needs triage.Action
	// changes: it writes, if only that she looked at a patient.
	changes bool
	// do answers it; nil for the stream of live updates.
	do func(v *visit, ctx context.Context) (answer, error)
}

// visit is one request being answered, inside its transaction.
type visit struct {
	site    *Site
	tx      *store.Tx
	r       *http.Request
	who     triage.Staff // zero when nobody is signed in
	session int64
	lang    string
	// quiet: the browser asks by itself, and nobody need be there.
	quiet bool
}

// answer is what is sent once the transaction is on disk: a page, or where to go.
type answer struct {
	sheet  string // name of the page
	part   string // of the page alone; "" for the whole of it
	data   any
	drawn  *picture.Spec // a picture instead of a page, drawn after the transaction
	file   *attached     // a file instead of a page
	status int           // 0 for 200
	to     string
	// looked is what she has looked through, which is put on record before it is sent;
	// "" for a page that has done so itself.
	looked string
	// cookie is set; nil leaves it as it is.
	cookie *http.Cookie
}

func show(sheet string, data any) (answer, error) { return answer{sheet: sheet, data: data}, nil }

// goTo sends the browser on after a form has done its work.
func goTo(to string) (answer, error) { return answer{to: to}, nil }

func (s *Site) routes() []route {
	return []route{
		{"GET /{$}", triage.UsePages, false, (*visit).home},
		{"GET /me", triage.UsePages, false, (*visit).me},
		{"POST /me/leave", triage.UsePages, true, (*visit).signOut},
		{"POST /me/end", triage.UsePages, true, (*visit).endSession},

		{"GET /now", triage.SeeCases, false, (*visit).now},
		{"GET /now/list", triage.SeeCases, false, (*visit).nowList},
		{"GET /live", triage.SeeCases, false, nil},
		{"GET /cases/{id}", triage.SeeCases, true, (*visit).showCase},
		{"GET /cases/{id}/state", triage.SeeCases, true, (*visit).caseState},
		{"POST /cases/{id}/take", triage.TakeCase, true, (*visit).takeCase},
		{"POST /cases/{id}/answer", triage.AnswerCase, true, (*visit).answerCase},
		{"POST /cases/{id}/approved", triage.AnswerCase, true, (*visit).approveCase},
		{"POST /cases/{id}/propose", triage.AnswerCase, true, (*visit).proposeCase},
		{"POST /cases/{id}/hand", triage.HandOverCase, true, (*visit).handCase},
		{"POST /cases/{id}/close", triage.CloseCase, true, (*visit).closeCase},
		{"POST /cases/{id}/told", triage.TellResult, true, (*visit).toldCase},
		{"POST /cases/{id}/misread", triage.MarkReading, true, (*visit).misreadCase},
		{"GET /cases/{id}/check", triage.CheckTrigger, true, (*visit).askCheck},
		{"POST /cases/{id}/check", triage.CheckTrigger, true, (*visit).sendCheck},

		{"GET /tonight", triage.SeePatients, false, (*visit).tonight},
		{"GET /day", triage.SeePatients, false, (*visit).day},

		{"GET /clinic", triage.SeePatients, false, (*visit).load},
		{"GET /clinic/closed", triage.SeePatients, false, (*visit).closedDays},
		{"POST /clinic/closed", triage.CloseDay, true, (*visit).closeDays},
		{"POST /clinic/closed/look", triage.CloseDay, true, (*visit).lookAtClosing},
		{"POST /clinic/closed/open", triage.CloseDay, true, (*visit).reopenDay},
		{"GET /clinic/charts/{name}", triage.SeePatients, false, (*visit).clinicChart},
		{"GET /clinic/owners", triage.SeeRota, false, (*visit).owners},
		{"POST /clinic/owners/away", triage.SeeRota, true, (*visit).addAbsence},
		{"POST /clinic/owners/back", triage.SeeRota, true, (*visit).endAbsence},
		{"GET /clinic/rota", triage.SeeRota, false, (*visit).rota},
		{"POST /clinic/rota/add", triage.ChangeRota, true, (*visit).addShift},
		{"POST /clinic/rota/drop", triage.ChangeRota, true, (*visit).dropShift},
		{"POST /clinic/rota/here", triage.CheckIn, true, (*visit).checkIn},
		{"GET /clinic/staff", triage.SeeStaff, false, (*visit).staff},
		{"POST /clinic/staff/add", triage.ChangeStaff, true, (*visit).addStaff},
		{"POST /clinic/staff/code", triage.ChangeStaff, true, (*visit).staffCode},
		{"POST /clinic/staff/leave", triage.ChangeStaff, true, (*visit).staffLeaves},
		{"POST /clinic/staff/end", triage.ChangeStaff, true, (*visit).endTheirs},
		{"GET /clinic/policy", triage.SeeStaff, false, (*visit).policyPage},
		{"POST /clinic/policy/try", triage.SeePatients, false, (*visit).tryPolicy},

		{"GET /patients", triage.SeePatients, false, (*visit).patients},
		{"GET /patients/new", triage.AddPatient, false, (*visit).askPatient},
		{"POST /patients/new", triage.AddPatient, true, (*visit).addPatient},
		{"GET /patients/{handle}", triage.SeePatients, true, (*visit).showPatient},
		{"GET /patients/{handle}/charts/{name}", triage.SeePatients, true, (*visit).showChart},
		{"GET /patients/{handle}/sheet", triage.SeePatients, true, (*visit).weigh},
		{"GET /patients/{handle}/places", triage.EnterFact, true, (*visit).places},
		{"GET /patients/{handle}/enter/{kind}", triage.EnterFact, true, (*visit).askEntry},
		{"POST /patients/{handle}/enter/{kind}", triage.EnterFact, true, (*visit).sendEntry},
		{"POST /patients/{handle}/check", triage.SetChecklist, true, (*visit).setCheck},
		{"POST /patients/{handle}/hush", triage.HushPatient, true, (*visit).hush},
		{"POST /patients/{handle}/invite", triage.AddPatient, true, (*visit).invite},
		{"POST /patients/{handle}/finish", triage.BeginCycle, true, (*visit).finish},
		{"POST /patients/{handle}/next", triage.BeginCycle, true, (*visit).nextCycle},

		{"GET /lists/{file}", triage.Export, false, (*visit).takeList},
		{"GET /clinic/arrived", triage.Import, false, (*visit).arrived},
		{"GET /clinic/arrived/{id}", triage.Import, true, (*visit).showArrival},
		{"POST /clinic/arrived/{id}/confirm", triage.Import, true, (*visit).confirmArrival},
		{"POST /clinic/arrived/{id}/aside", triage.Import, true, (*visit).asideArrival},
		{"GET /cases/{id}/note", triage.Export, true, (*visit).noteOfCase},
		{"GET /patients/{handle}/note", triage.Export, true, (*visit).notesOfPatient},
		{"POST /patients/{handle}/owner", triage.AssignOwner, true, (*visit).setOwner},
		{"POST /patients/{handle}/handnote", triage.WriteNote, true, (*visit).writeNote},
		{"POST /patients/{handle}/link", triage.ChangeLinks, true, (*visit).addLink},
		{"POST /patients/{handle}/relink", triage.ChangeLinks, true, (*visit).renewLink},
		{"POST /patients/{handle}/unlink", triage.ChangeLinks, true, (*visit).endLink},
	}
}

// mux has every address: the table's, the door's and the files.
func (s *Site) mux() *http.ServeMux {
	mux := http.NewServeMux()
	for _, r := range s.routes() {
		mux.Handle(r.pattern, s.serve(r))
	}
	for pattern, h := range s.door() {
		mux.HandleFunc(pattern, s.held(h))
	}
	for pattern, h := range s.storybook() {
		mux.HandleFunc(pattern, h)
	}
	mux.HandleFunc("GET /file/{name}", file)
	mux.HandleFunc("/", s.held(func(w http.ResponseWriter, r *http.Request) {
		s.write(w, r, langOf(r), answer{sheet: "trouble", status: http.StatusNotFound, data: trouble{Key: "desk.not_found"}}, triage.Staff{})
	}))
	return mux
}

// held keeps the clock where it is while a request is at work.
func (s *Site) held(h http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		release := s.Hold()
		defer release()
		h(w, r)
	}
}

// serve answers a route: who is it, may she, do it, and only then write.
func (s *Site) serve(rt route) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		release := s.Hold()
		defer release()
		v := &visit{site: s, r: r, lang: langOf(r)}
		if err := r.ParseForm(); err != nil {
			s.write(w, r, v.lang, answer{sheet: "trouble", status: http.StatusBadRequest, data: trouble{Key: "desk.bad_form"}}, v.who)
			return
		}
		var a answer
		within := s.DB.Read
		if rt.changes {
			within = s.DB.Within
		}
		err := within(r.Context(), func(ctx context.Context, tx *store.Tx) (err error) {
			defer func() {
				if p := recover(); p != nil {
					// The value may quote a patient; the stack holds places only.
					err = fmt.Errorf("panic of type %T\n%s", p, debug.Stack())
				}
			}()
			v.tx = tx
			if err := v.identify(ctx); err != nil {
				return err
			}
			if err := v.who.May(rt.needs); err != nil {
				return err
			}
			if rt.do != nil {
				a, err = rt.do(v, ctx)
			}
			return err
		})
		if err == nil && a.looked != "" {
			// Apart from the reading, which may take its time with a thousand cycles.
			err = s.DB.Within(r.Context(), func(ctx context.Context, tx *store.Tx) error {
				return s.queue().Did(ctx, tx, v.who, rt.needs, triage.Ref{}, a.looked)
			})
		}
		if err != nil {
			a = v.refused(err)
		} else {
			s.touch(r.Context(), v)
		}
		if rt.do == nil && err == nil {
			release()
			s.live(w, r)
			return
		}
		s.write(w, r, v.lang, a, v.who)
	}
}

// trouble is a page that says what went wrong.
type trouble struct {
	Key  string
	Text string // where no key says it
	Args phrase.Args
}

var errNobody = errors.New("nobody is signed in")

// refused is the answer to what could not be done.
func (v *visit) refused(err error) answer {
	if errors.Is(err, errNobody) {
		return answer{to: "/enter"}
	}
	if said, known := v.explain(err); known {
		return answer{sheet: "trouble", status: statusOf(err), data: trouble{Key: "desk.refused", Text: said}}
	}
	// The incident's number stands in the log beside what happened.
	incident := rand.Text()[:8]
	v.site.Report(fmt.Errorf("desk incident %s at %s: %w", incident, v.r.Pattern, err))
	return answer{sheet: "trouble", status: http.StatusInternalServerError, data: trouble{Key: "desk.failed", Args: phrase.Args{"incident": incident}}}
}

// explain puts what was refused into words for her; false for a failure, which is
// not hers to mend.
func (v *visit) explain(err error) (string, bool) {
	var refused *triage.Refused
	var taken *triage.ErrTaken
	var untrue *plan.Refusal
	switch {
	case errors.As(err, &refused):
		return refused.Say(v.site.phrases(), v.lang), true
	case errors.As(err, &taken):
		return v.say("refused.case_taken", phrase.Args{"who": taken.By.Name, "case": fmt.Sprint(taken.Case)}), true
	case errors.As(err, &untrue):
		return v.say("refused.fact", phrase.Args{"why": untrue.Why, "do": untrue.Do}), true
	}
	return "", false
}

func statusOf(err error) int {
	var refused *triage.Refused
	var taken *triage.ErrTaken
	switch {
	case errors.As(err, &taken):
		return http.StatusConflict
	case !errors.As(err, &refused):
	case refused.Key == "role":
		return http.StatusForbidden
	case refused.Key == "no_case" || refused.Key == "no_patient" || refused.Key == "no_staff" || refused.Key == "no_chart" || refused.Key == "no_list" || refused.Key == "no_arrival":
		return http.StatusNotFound
	}
	return http.StatusUnprocessableEntity
}

func (v *visit) say(key string, args phrase.Args) string {
	return v.site.phrases().Say(v.lang, key, args)
}

func (v *visit) zone() *time.Location { return v.site.policy().Location() }

// today is the day of the transaction at the clinic.
func (v *visit) today() civil.Date { return civil.DateOf(v.tx.Now.In(v.zone())) }

// words are how calendars and facts are put to her.
func (v *visit) words(facts []reminders.Recorded) care.Words {
	return care.Words{Desk: v.site.queue(), Lang: v.lang, Zone: v.zone(), Drugs: care.DrugsOf(facts)}
}

// home sends her to what her role works with.
func (v *visit) home(context.Context) (answer, error) {
	if all := tabsFor(v.who, ""); len(all) > 0 {
		return goTo(all[0].To)
	}
	return goTo("/me")
}

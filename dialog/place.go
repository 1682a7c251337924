package dialog

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/rules"
)

// A patient who cannot come: for a baseline or a first scan she is offered what is left
// in her window, and what she chooses is booked. Everything else goes to a human, with
// what would follow from leaving the visit out.

// actPlace is the button of a place: the step and the minute follow.
const actPlace = "place/at/"

// mostPlaces is how many places are offered at once, perDay how many of one day: common
// practice, no source.
const mostPlaces, perDay = 6, 2

// visitMeant is the visit that she speaks of: one on a day that she names, else the next
// one that she is shown.
func (m *moment) visitMeant() (found plan.Step, ok bool) {
	said := spokenIn(m.in.Text)
	for _, s := range reminders.Visible(m.shown) {
		ahead := s.Status == plan.Projected || s.Status == plan.Due
		if room.SortOf(s.Name) == room.Nowhere || !ahead || s.On.IsZero() || !s.At.IsZero() && s.At.Before(m.now) {
			continue
		}
		if len(said.days) > 0 && said.on(s.On, m.today()) {
			return s, true
		}
		if !ok {
			found, ok = s, true
		}
	}
	return found, ok
}

// movable reports whether she may move a visit by herself: a baseline or a first scan
// that has a window, and not one that begins so soon that she is on her way.
func (m *moment) movable(s plan.Step) bool {
	soon := !s.At.IsZero() && s.At.Before(m.now.Add(m.policy.Messages.VisitBefore))
	if s.From == s.To || soon || m.silent() || m.held() {
		return false
	}
	switch s.Name {
	case plan.Baseline:
		_, looked := m.cycle.Live(plan.BaselineFound)
		return !looked
	case plan.Monitoring:
		_, scanned := m.cycle.Live(plan.Scan)
		return !scanned
	}
	return false
}

// needsPlaces is the step for whose visit places must be looked for; "" for none.
func (m *moment) needsPlaces() plan.StepName {
	if rest, is := strings.CutPrefix(m.pressed, actPlace); is {
		step, _, _ := strings.Cut(rest, "/")
		return plan.StepName(step)
	}
	if m.asksPlace() {
		step, _, _ := strings.Cut(m.talk.Asking.About, "/")
		return plan.StepName(step)
	}
	if m.reading.Intent != rules.Reschedule && !slices.Contains(m.reading.Also, rules.Reschedule) {
		return ""
	}
	if s, ok := m.visitMeant(); ok && m.movable(s) {
		return s.Name
	}
	return ""
}

// asksPlace reports whether she has been offered places and may answer in words.
func (m *moment) asksPlace() bool {
	q := m.talk.Asking
	return q.Topic == AskPlace && m.now.Sub(q.At) <= answerable && m.in.Kind == Text
}

// lookForPlaces finds what is free where her message may be about it. She is offered
// nothing that begins before she could be reminded of it.
func (s *Service) lookForPlaces(ctx context.Context, tx *store.Tx, m *moment) error {
	step := m.needsPlaces()
	if step == "" {
		return nil
	}
	o, err := s.Book.Offer(ctx, tx, m.plan, m.cycle, step)
	if errors.Is(err, reminders.ErrNoVisit) {
		return nil
	}
	if err != nil {
		return err
	}
	o.Wish.After = room.PlaceOf(m.now.Add(m.policy.Messages.VisitBefore), m.now.Location())
	if err := s.Book.Look(ctx, tx, m.cycle, &o); err != nil {
		return err
	}
	m.offer = o
	return nil
}

// cannotCome: she cannot come to a visit.
func (m *moment) cannotCome() []effect {
	s, ok := m.visitMeant()
	if !ok {
		return m.humanReads(triage.Question, "")
	}
	alone := m.onlyCannotCome() && m.verdict.Urgency <= rules.Routine && !m.talking
	calledOff := strings.Contains(strings.ToLower(m.in.Text), "cancel")
	if !alone || calledOff || m.asksPlace() || !m.movable(s) || m.offer.Step.Key != s.Key {
		return m.personMoves(s)
	}
	places := m.pick(m.offer.Free)
	if len(places) == 0 {
		return m.personMoves(s)
	}
	return m.offerPlaces("place.offer", places)
}

// onlyCannotCome reports whether her message is about nothing but a visit that she cannot
// come to, and perhaps why: an offer that she does not take goes to a human either way.
func (m *moment) onlyCannotCome() bool {
	intents := append([]rules.Intent{m.reading.Intent}, m.reading.Also...)
	about := func(i rules.Intent) bool {
		return i == rules.Reschedule || i == rules.VisitQuestion || i == rules.TravelOrLife || i == rules.Thanks
	}
	return slices.Contains(intents, rules.Reschedule) && !slices.ContainsFunc(intents, func(i rules.Intent) bool { return !about(i) })
}

// pick are the places that are offered: of each day those nearest to hers, another day
// before another time of the same day, which she may have meant as well.
func (m *moment) pick(free []room.Place) (places []room.Place) {
	days := make(map[string]int)
	take := func(sameDay bool) {
		for _, p := range free {
			if same := p.On == m.offer.Step.On; same != sameDay || len(places) == mostPlaces || days[p.On.String()] == perDay || m.isHers(p) {
				continue
			}
			days[p.On.String()]++
			places = append(places, p)
		}
	}
	take(false)
	if said := spokenIn(m.in.Text); m.in.Kind != Text || len(said.days) == 0 || !said.on(m.offer.Step.On, m.today()) {
		take(true) // she has not said that it is the day which does not suit her
	}
	return room.InOrder(places)
}

// isHers reports whether a place is the one that she has.
func (m *moment) isHers(p room.Place) bool {
	return !m.offer.Step.At.IsZero() && room.PlaceOf(m.offer.Step.At, m.now.Location()) == p
}

// offerPlaces shows places as buttons, numbered for who types, and waits for a choice.
func (m *moment) offerPlaces(key string, places []room.Place) []effect {
	s := m.offer.Step
	var buttons [][]choice
	var list, about []string
	for i, p := range places {
		label := m.day(p.On) + ", " + m.clock(p.At)
		list = append(list, fmt.Sprintf("%d. %s", i+1, label))
		about = append(about, p.Time(m.now.Location()).Format(minute))
		buttons = append(buttons, []choice{{Label: label, Action: actPlace + string(s.Name) + "/" + about[i]}})
	}
	buttons = append(buttons, []choice{{Key: "place.none", Action: "place/none"}})
	args := phrase.Args{"what": m.phraseOf(s), "date": m.stepWhen(s), "places": strings.Join(list, "\n")}
	return []effect{say{Key: key, Args: args, Buttons: buttons}, awaitPlace{Step: s},
		askNext{Question{Topic: AskPlace, About: string(s.Name) + "/" + strings.Join(about, " "), At: m.now}}}
}

// stepWhen is when a step is, in her words.
func (m *moment) stepWhen(s plan.Step) string {
	if s.At.IsZero() {
		return m.day(s.On)
	}
	return m.day(s.On) + ", " + m.clockOf(s.At)
}

// pressedPlace is the button of a place: "baseline/2026-03-10T08:20".
func (m *moment) pressedPlace(about string) []effect {
	_, when, _ := strings.Cut(about, "/")
	at, err := time.ParseInLocation(minute, when, m.now.Location())
	if err != nil {
		return []effect{say{Key: "button.unknown"}}
	}
	return m.choosePlace(room.PlaceOf(at, m.now.Location()))
}

// answeredPlace: she answers the offer in words: a number, a day and a time, or no.
func (m *moment) answeredPlace(q Question) ([]effect, bool) {
	_, list, _ := strings.Cut(q.About, "/")
	var offered []room.Place
	for _, word := range strings.Fields(list) {
		if at, err := time.ParseInLocation(minute, word, m.now.Location()); err == nil {
			offered = append(offered, room.PlaceOf(at, m.now.Location()))
		}
	}
	switch n, err := strconv.Atoi(tidy(m.in.Text)); {
	case err != nil:
	case n >= 1 && n <= len(offered):
		return m.choosePlace(offered[n-1]), true
	case len(offered) > 0 && m.offer.Step.Key != "":
		return m.offerPlaces("place.which", offered), true
	}
	if yes, known := answerOf(m.in.Text); known && !yes || noneOf[tidy(m.in.Text)] {
		return m.noPlace(), true
	}
	said := spokenIn(m.in.Text)
	if len(said.days) == 0 && !said.timed || m.verdict.Urgency > rules.Routine {
		return nil, false
	}
	fits := func(p room.Place) bool {
		return said.on(p.On, m.today()) && (!said.timed || slices.Contains(said.clocks(), p.At))
	}
	var meant []room.Place
	for _, p := range offered {
		if fits(p) {
			meant = append(meant, p)
		}
	}
	if len(meant) == 0 { // not one of those that were named, but perhaps free
		for _, p := range m.offer.Free {
			if fits(p) {
				meant = append(meant, p)
			}
		}
	}
	switch {
	case len(meant) == 0:
		return nil, false
	case len(meant) > 1:
		return m.offerPlaces("place.which", room.InOrder(meant[:min(mostPlaces, len(meant))])), true
	}
	return m.choosePlace(meant[0]), true
}

// noneOf are the words for none of what was offered.
var noneOf = map[string]bool{"none": true, "none of these": true, "none of them": true, "neither": true, "ninguno": true, "ninguna": true, "ninguno de estos": true, "ninguna de estas": true}

// choosePlace books a place if it is still free, and offers the others if it is not.
func (m *moment) choosePlace(p room.Place) []effect {
	s := m.offer.Step
	if s.Key == "" || !m.movable(s) {
		return append([]effect{askNext{}}, m.humanReads(triage.Question, "")...)
	}
	if m.isHers(p) {
		return []effect{askNext{}, placeSettled{}, say{Key: "place.booked", Args: phrase.Args{"what": m.phraseOf(s), "date": m.stepWhen(s)}}}
	}
	if !slices.Contains(m.offer.Free, p) {
		if others := m.pick(m.offer.Free); len(others) > 0 {
			return m.offerPlaces("place.gone", others)
		}
		return append([]effect{askNext{}}, m.personMoves(s)...)
	}
	f := plan.Fact{Kind: plan.Visit, Step: s.Name, At: p.Time(m.now.Location()), Replaces: m.offer.Old.ID}
	if m.impossible(f) != "" {
		return append([]effect{askNext{}}, m.personMoves(s)...)
	}
	s.On, s.At = p.On, f.At
	return []effect{askNext{}, record{Fact: f}, placeSettled{}, say{Key: "place.booked", Args: phrase.Args{"what": m.phraseOf(s), "date": m.stepWhen(s)}}}
}

// noPlace: none of what was offered suits her.
func (m *moment) noPlace() []effect {
	if m.offer.Step.Key != "" {
		return append([]effect{askNext{}, placeSettled{}}, m.personMoves(m.offer.Step)...)
	}
	return append([]effect{askNext{}, placeSettled{}}, m.humanReads(triage.Question, "")...)
}

// personMoves puts a visit that she cannot come to before a human, with what would follow
// if it were left out: today, unless it lies some days ahead.
func (m *moment) personMoves(s plan.Step) []effect {
	c := m.caseOf(triage.Question)
	c.Notes = append([]triage.Line{{Key: "note.cannot_come", Args: phrase.Args{"at": cmp.Or(atOf(s, m.now.Location()), s.On.String())}}, {Key: s.Phrase}}, care.Consequence(s.Name)...)
	if m.offer.Step.Key == s.Key && len(m.pick(m.offer.Free)) == 0 {
		why := m.offer.Why
		if why.Code != room.CodeNone {
			why = plan.Reason{Code: room.CodeNone, Args: map[string]string{"from": s.From.String(), "to": s.To.String()}}
		}
		c.Notes = append(c.Notes, triage.Line{Key: "why." + why.Code, Args: why.Args})
	}
	if s.On.DaysSince(m.today()) <= 3 || s.Name == plan.Transfer || s.Name == plan.HCGRepeat {
		c.Urgency = max(c.Urgency, rules.SameDay)
	}
	return append([]effect{placeSettled{}}, m.putBefore(c, "")...)
}

func atOf(s plan.Step, zone *time.Location) string {
	if s.At.IsZero() {
		return ""
	}
	return s.At.In(zone).Format("2006-01-02 15:04")
}

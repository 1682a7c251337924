package dialog

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// party is one of those whom a chat may speak for: a patient whose chat it is, or one
// of whom its person may be told something by a link.
type party struct {
	patient reminders.Patient
	link    reminders.Link // zero for a patient's own chat
}

func (p party) own() bool { return p.link.ID == 0 }

// parties are whom a chat speaks for: its patients; only where there are none, those to
// whom its person is linked.
func (s *Service) parties(ctx context.Context, tx *store.Tx, who seal.Person) ([]party, error) {
	patients, err := s.Book.Sharing(ctx, tx, who)
	var all []party
	for _, p := range patients {
		all = append(all, party{patient: p})
	}
	if err != nil || len(all) > 0 {
		return all, err
	}
	links, err := s.Book.LinksTo(ctx, tx, who)
	for _, l := range links {
		if err == nil {
			var p reminders.Patient
			p, err = s.Book.Patient(ctx, tx, l.Patient)
			all = append(all, party{p, l})
		}
	}
	return all, err
}

// fromKnown takes what somebody wrote who is no colleague. Whoever speaks for nobody,
// no longer or not yet, is a stranger.
func (s *Service) fromKnown(ctx context.Context, tx *store.Tx, item Item, in Inbound, who seal.Person, raw []byte) error {
	all, err := s.parties(ctx, tx, who)
	if err != nil {
		return err
	}
	if len(all) == 0 {
		return s.stranger(ctx, tx, item, in)
	}
	if err := s.sealFor(ctx, tx, item, who, raw); err != nil {
		return err
	}
	if code := codeIn(in.Text); code != "" && in.Kind == Text {
		if done, err := s.redeemLink(ctx, tx, item, in, code); err != nil || done {
			return err
		}
	}
	if len(all) == 1 {
		return s.fromParty(ctx, tx, item, in, who, all[0])
	}
	return s.fromSeveral(ctx, tx, item, in, who, all)
}

func (s *Service) fromParty(ctx context.Context, tx *store.Tx, item Item, in Inbound, who seal.Person, p party) error {
	if p.own() {
		return s.fromPatient(ctx, tx, item, in, p.patient)
	}
	return s.fromContact(ctx, tx, item, in, p)
}

// redeemLink tries a code of a link: it proves that whoever writes may be told of
// somebody, or that a second patient is reached in this chat.
func (s *Service) redeemLink(ctx context.Context, tx *store.Tx, item Item, in Inbound, code string) (bool, error) {
	l, err := s.Book.RedeemLink(ctx, tx, code, in.Chat)
	if errors.Is(err, reminders.ErrCode) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	p, err := s.Book.Patient(ctx, tx, l.Patient)
	if err != nil {
		return true, err
	}
	if l.Relation == reminders.Account {
		return true, s.welcome(ctx, tx, item, in, p)
	}
	w := s.writerTo(l, p, item.ID)
	args := clinicArgs(s.Policy, l.Language)
	args["name"], args["who"] = l.Name, p.Name
	text := w.say("link.welcome", args) + "\n\n" + s.sharedWords(w, l)
	return true, s.Outbox.Put(ctx, tx, w.message(outbox.Reply, "linked", outbox.Message{Text: text}))
}

// sharedWords say what somebody may be told.
func (s *Service) sharedWords(w *writer, l reminders.Link) string {
	text := w.say("link.none", nil)
	if len(l.What) > 0 {
		text = w.say("link.shares", nil)
		for _, what := range l.What {
			text += "\n- " + w.say("share."+what, nil)
		}
	}
	return text
}

// writerTo puts sentences into the language of somebody who is told of a patient. What
// is said is the patient's, and goes out only while the link lives.
func (s *Service) writerTo(l reminders.Link, p reminders.Patient, item int64) *writer {
	return &writer{phrases: s.Phrases, lang: l.Language, to: l.Person, about: p.Person, item: item}
}

// fromContact takes what somebody wrote who is linked to a patient. An emergency of
// hers is one, whoever tells it. She is told no result, and nothing else beyond the
// link; the rest is for a human.
func (s *Service) fromContact(ctx context.Context, tx *store.Tx, item Item, in Inbound, p party) error {
	if in.Kind != Text && in.Kind != Edited && in.Kind != Media {
		return nil // she left or came back: the patient is reached all the same
	}
	words := in.Text
	in.Text = asHers(in.Text)
	m, err := s.moment(ctx, tx, in, p.patient)
	if err != nil {
		return err
	}
	m.in.Text = words
	c := &contact{applying{service: s, tx: tx, item: item.ID, m: m, writer: s.writerTo(p.link, p.patient, item.ID)}, p.link}
	if m.verdict.Urgency >= rules.Emergency {
		return c.emergency(ctx)
	}
	if done, err := c.command(ctx); err != nil || done {
		return err
	}
	if err := c.toHuman(ctx, triage.LinkedPerson); err != nil {
		return err
	}
	key := "link.passed_on"
	if in.Kind == Media {
		key = "reply.media"
	}
	return c.reply(ctx, outbox.Reply, outbox.Message{Text: c.say(key, c.args())})
}

// hers are words for the patient by which the reading would take her for somebody else.
var hers = regexp.MustCompile(`(?i)\b(?:my (?:partner|spouse)|mi (?:pareja|cónyuge|conyuge))\b`)

// asHers puts words in their place that it takes for the patient, byte for byte, so that
// what was read in a message stands where it stood.
func asHers(text string) string {
	return hers.ReplaceAllStringFunc(text, func(w string) string {
		put := "my wife"
		if strings.EqualFold(w[:2], "mi") {
			put = "mi esposa"
		}
		return put + strings.Repeat(" ", len(w)-len(put))
	})
}

// contact is one message of somebody who is linked to a patient.
type contact struct {
	applying
	link reminders.Link
}

func (c *contact) args() phrase.Args {
	args := clinicArgs(c.service.Policy, c.lang)
	args["who"] = c.m.patient.Name
	return args
}

// emergency gives the caution to whoever wrote, and alerts whoever is on call.
func (c *contact) emergency(ctx context.Context) error {
	key := c.m.verdict.Caution
	if key == "" {
		key = "emergency"
	}
	if err := c.caution(ctx, caution{Key: key}); err != nil {
		return err
	}
	return c.toHuman(ctx, triage.Symptom)
}

// toHuman puts the words before a human, in a case about the patient, and says whose
// they are.
func (c *contact) toHuman(ctx context.Context, reason triage.Reason) error {
	e := c.m.caseOf(reason)
	if minor(c.m.in.Text) {
		e.Reason, e.Urgency = string(triage.Minor), max(e.Urgency, rules.SameDay)
	}
	e.Notes = append(e.Notes, triage.Line{Key: "note.from_link", Args: phrase.Args{"name": c.link.Name, "relation": c.link.Relation}})
	return c.open(ctx, e)
}

// command does what a fixed word asks for, as far as the link allows.
func (c *contact) command(ctx context.Context) (bool, error) {
	if c.m.in.Kind != Text || minor(c.m.in.Text) {
		return false, nil
	}
	if thanks[tidy(c.m.in.Text)] {
		return true, c.reply(ctx, outbox.Reply, outbox.Message{Text: c.say("reply.thanks", nil)})
	}
	switch commandOf(c.m.in.Text) {
	case cmdNext, cmdCalendar, cmdPicture:
		return true, c.calendarFor(ctx)
	case cmdMenu, cmdStart:
		return true, c.reply(ctx, outbox.Reply, outbox.Message{Text: c.service.sharedWords(c.writer, c.link) + "\n\n" + c.say("link.foot", c.args())})
	case cmdStop:
		return true, c.leave(ctx)
	}
	return false, nil
}

// calendarFor is the part of her calendar that the link shows.
func (c *contact) calendarFor(ctx context.Context) error {
	shown, may := reminders.SeenBy(c.m.shown, c.link)
	switch {
	case !may:
		return c.reply(ctx, outbox.Reply, outbox.Message{Text: c.say("link.may_not", c.args())})
	case c.m.silent() || c.m.held() || c.m.patient.Quiet():
		shown.Steps = nil
	}
	c.scope = reminders.ShareCalendar
	lines := c.service.Book.CalendarLines(c.lang, shown)
	if len(lines) == 0 {
		return c.reply(ctx, outbox.Reply, outbox.Message{Text: c.say("link.calendar_empty", c.args())})
	}
	text := c.say("link.calendar", c.args()) + "\n\n"
	for _, l := range lines {
		text += l + "\n"
	}
	return c.reply(ctx, outbox.Reply, outbox.Message{Text: text + "\n" + c.say("calendar.foot", nil)})
}

// leave ends the link at the word of the one who was told. That it has is said to the
// chat alone, since nothing about the patient goes there any more.
func (c *contact) leave(ctx context.Context) error {
	if err := c.service.Book.EndLink(ctx, c.tx, c.link); err != nil {
		return err
	}
	key := inboxKey(c.item)
	return c.service.Outbox.Put(ctx, c.tx, outbox.Want{Key: key + "/left", Topic: key, Kind: outbox.Reply, Chat: c.m.in.Chat, About: seal.House,
		Message: outbox.Message{Text: c.say("link.left", c.args())}})
}

// withdrawn: she says that somebody may no longer be told. It is done at once, the safe
// way round, and a human is told.
func (m *moment) withdrawn() ([]effect, bool) {
	if len(m.linked) == 0 {
		return nil, false
	}
	names := ""
	for i, l := range m.linked {
		if i > 0 {
			names += ", "
		}
		names += l.Name
	}
	c := m.caseOf(triage.Question)
	c.Notes = append(c.Notes, triage.Line{Key: "note.links_ended", Args: phrase.Args{"names": names}})
	return []effect{endLinks{m.linked}, c, say{Key: "link.ended", Args: m.phones(phrase.Args{"names": names})}}, true
}

// linksIn are the live links that a message withdraws: those of the relation that it
// names, or all of them.
func (s *Service) linksIn(ctx context.Context, tx *store.Tx, p reminders.Patient, text string) ([]reminders.Link, error) {
	relations, found := revokes(text)
	if !found {
		return nil, nil
	}
	all, err := s.Book.Links(ctx, tx, p.ID)
	if err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(l reminders.Link) bool { return !l.Until.IsZero() || l.Relation == reminders.Account })
	named := slices.DeleteFunc(slices.Clone(all), func(l reminders.Link) bool { return !slices.Contains(relations, l.Relation) })
	if len(named) > 0 {
		return named, nil
	}
	return all, nil // better one too many than one too few
}

func (a *applying) endLinks(ctx context.Context, links []reminders.Link) error {
	for _, l := range links {
		if err := a.service.Book.EndLink(ctx, a.tx, l); err != nil {
			return fmt.Errorf("end link %d: %w", l.ID, err)
		}
	}
	return nil
}

package triage

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage/rules"
)

// working are the buttons for the one who has a case.
var working = []string{PressAnswer, PressShow, PressHand, PressClose}

// card is a message about a case to one of the staff.
type card struct {
	key     string
	title   string // key in the phrasebook
	kind    outbox.Kind
	due     time.Time
	holder  string // name, where the title wants one
	buttons []string
}

// send promises a card.
func (d *Desk) send(ctx context.Context, tx *store.Tx, c Case, to Staff, m card) error {
	text, err := d.text(ctx, tx, c, to.Language())
	if err != nil {
		return err
	}
	known, err := d.Who(ctx, tx, c.Person)
	if err != nil {
		return err
	}
	about := c.Person
	if known.ID == 0 {
		// A stranger, or somebody whose key has been destroyed: the case must
		// still be heard of.
		about = seal.House
	}
	title := d.Phrases.Say(to.Language(), m.title, phrase.Args{"case": fmt.Sprint(c.ID), "holder": m.holder})
	return d.Outbox.Put(ctx, tx, outbox.Want{Key: m.key, Topic: cardTopic(c.ID), Kind: m.kind, To: to.Person, About: about, Due: m.due,
		Message: outbox.Message{Text: title + "\n" + text, Buttons: d.Buttons(to.Language(), c.ID, m.buttons...)}})
}

// Buttons are buttons about a case, two in a row.
func (d *Desk) Buttons(lang string, id int64, what ...string) [][]outbox.Button {
	var lines [][]outbox.Button
	for i, w := range what {
		if i%2 == 0 {
			lines = append(lines, nil)
		}
		b := outbox.Button{Label: d.Phrases.Say(lang, "button."+w, nil), Action: Press(w, id)}
		lines[len(lines)-1] = append(lines[len(lines)-1], b)
	}
	return lines
}

// longestQuote bounds her words on a card; all of them are under Show.
const longestQuote = 1200

// text says what a case is about: how urgent, who, why, her words, the latest of
// them too.
func (d *Desk) text(ctx context.Context, tx *store.Tx, c Case, lang string) (string, error) {
	head, err := d.Heading(ctx, tx, c, lang)
	if err != nil {
		return "", err
	}
	lines := append([]string{head}, d.about(c.Body, lang)...)
	latest, err := d.latest(ctx, tx, c)
	if err != nil {
		return "", err
	}
	if latest != nil {
		lines = append(lines, d.Phrases.Say(lang, "staff.latest", phrase.Args{"at": d.when(latest.At)}))
		lines = append(lines, d.about(latest.Body, lang)...)
	}
	return strings.Join(lines, "\n"), nil
}

// Heading is the one line by which a case is known: urgency, number, who, why.
func (d *Desk) Heading(ctx context.Context, tx *store.Tx, c Case, lang string) (string, error) {
	known, err := d.Who(ctx, tx, c.Person)
	if err != nil {
		return "", err
	}
	who := known.Label
	if who == "" {
		who = d.Phrases.Say(lang, "staff.no_patient", nil)
	}
	return d.Phrases.Say(lang, "staff.heading", phrase.Args{
		"urgency": d.Phrases.Say(lang, "urgency."+c.Urgency.String(), nil), "case": fmt.Sprint(c.ID), "who": who,
		"reason": d.Phrases.Say(lang, "reason."+string(c.Reason), c.Body.Title),
	}), nil
}

// about is the rest of a card: her words, what the rules said, what is known.
func (d *Desk) about(b Body, lang string) []string {
	var lines []string
	switch {
	case b.Words == "":
	case b.Language == "":
		lines = append(lines, d.Phrases.Say(lang, "staff.own_words", phrase.Args{"words": clip(b.Words)}))
	default:
		lines = append(lines, d.Phrases.Say(lang, "staff.words", phrase.Args{"words": clip(b.Words), "language": b.Language}))
	}
	if read := d.readAs(b, lang); read != "" {
		lines = append(lines, read)
	}
	said := ruleWords(b.Rules)
	for _, n := range b.Notes {
		if n.Key != "note.why" || !slices.Contains(said, n.Args["why"]) {
			lines = append(lines, d.Say(lang, n))
		}
	}
	for _, id := range b.Rules {
		if key := "rule." + id; d.Phrases.Has(key) {
			lines = append(lines, d.Phrases.Say(lang, "staff.rule", phrase.Args{"why": d.Phrases.Say(lang, key, nil), "rule": id}))
		} else {
			lines = append(lines, d.Phrases.Say(lang, "staff.rule", phrase.Args{"why": id, "rule": id}))
		}
	}
	if b.Caution != "" {
		lines = append(lines, d.Phrases.Say(lang, "staff.cautioned", phrase.Args{"caution": b.Caution}))
	}
	return lines
}

// Say is a line in a language. An argument that is one of the calendar's own words
// ("Sunday", "the transfer") is put into that language too.
func (d *Desk) Say(lang string, l Line) string {
	args := make(phrase.Args, len(l.Args))
	for name, value := range l.Args {
		args[name] = d.words(lang, value)
	}
	said := d.Phrases.Say(lang, l.Key, args)
	if lang == "es" && strings.HasPrefix(l.Key, "why.") {
		said = contractions.Replace(said)
	}
	return said
}

// contractions are those that Spanish writes when an article follows.
var contractions = strings.NewReplacer(" de el ", " del ", " a el ", " al ")

// words puts a word of our own, or a list of them, into a language; anything else
// stays as it is.
func (d *Desk) words(lang, value string) string {
	list := strings.Split(value, ", ")
	for i, word := range list {
		if d.Phrases.Has("word." + word) {
			list[i] = d.Phrases.Say(lang, "word."+word, nil)
		}
	}
	return strings.Join(list, ", ")
}

// ruleWords are the table's own words for its rules, which a card says in each
// one's language anyway.
func ruleWords(ids []string) []string {
	var words []string
	for _, r := range rules.Rules() {
		if slices.Contains(ids, r.ID) {
			words = append(words, r.Why)
		}
	}
	return words
}

func clip(words string) string {
	if r := []rune(words); len(r) > longestQuote {
		return string(r[:longestQuote]) + " […]"
	}
	return words
}

// latest is the last thing that she added to a case; nil when there is none.
func (d *Desk) latest(ctx context.Context, tx *store.Tx, c Case) (*Event, error) {
	var r struct {
		At   store.Time `db:"at"`
		Body []byte     `db:"body"`
	}
	found, err := tx.Find(ctx, &r, `SELECT at, body FROM case_events WHERE case_id = ? AND what = 'wrote' ORDER BY id DESC LIMIT 1`, c.ID)
	if err != nil || !found {
		return nil, err
	}
	b, err := d.body(ctx, tx, c.Person, r.Body)
	return &Event{At: r.At.Time, What: Wrote, Body: b}, err
}

// Story is a case in full: what it is about, whose it is, and everything that
// happened to it. c comes from Show.
func (d *Desk) Story(ctx context.Context, tx *store.Tx, c Case, lang string) (string, error) {
	head, err := d.Heading(ctx, tx, c, lang)
	if err != nil {
		return "", err
	}
	lines := append([]string{head}, d.about(c.Body, lang)...)
	team, err := d.Names(ctx, tx)
	if err != nil {
		return "", err
	}
	events := c.Events
	if len(events) > longestStory {
		events = events[len(events)-longestStory:]
		lines = append(lines, "…")
	}
	for i := 0; i < len(events); i++ {
		e := events[i]
		to := team.ByID[e.To]
		for e.What == Alerted && i+1 < len(events) && events[i+1].What == Alerted && events[i+1].At.Equal(e.At) {
			i++
			to += ", " + team.ByID[events[i].To]
		}
		who := team.ByPerson[e.By]
		if who == "" && e.By == c.Person && e.By != seal.House {
			who = d.Phrases.Say(lang, "staff.she", nil)
		}
		key := "event." + string(e.What)
		if e.What == AlertFailed && e.To == 0 {
			key = "event.alert_nobody"
		}
		line := d.Phrases.Say(lang, key, phrase.Args{"at": d.when(e.At), "by": who, "to": to})
		lines = append(lines, line)
		if e.What == Wrote || e.What == Replied || e.What == Proposed {
			lines = append(lines, d.about(e.Body, lang)...)
		}
	}
	if c.State == Closed {
		lines = append(lines, d.Phrases.Say(lang, "outcome."+string(c.Outcome), nil))
	}
	return strings.Join(lines, "\n"), nil
}

// longestStory bounds the events under a case; all of them are on record.
const longestStory = 30

// Names are the names of everybody who ever worked here.
type Names struct {
	ByID     map[int64]string
	ByPerson map[seal.Person]string
}

// Names reads them.
func (d *Desk) Names(ctx context.Context, tx *store.Tx) (Names, error) {
	n := Names{ByID: make(map[int64]string), ByPerson: make(map[seal.Person]string)}
	var rows []staffRow
	if err := tx.Select(ctx, &rows, staffColumns+`1 = 1`); err != nil {
		return n, err
	}
	for _, r := range rows {
		s, err := d.open(ctx, tx, r)
		if err != nil {
			return n, err
		}
		n.ByID[s.ID], n.ByPerson[s.Person] = s.Name, s.Name
	}
	return n, nil
}

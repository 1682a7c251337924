package dialog

import (
	"context"
	"fmt"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// Room in the coordinators' chat: places for a visit, and days that are closed.

// closingDraft is a closing that has been shown and not been carried out.
type closingDraft struct {
	Number int64        `json:"number"` // of the message that it came in
	What   care.Closing `json:"what"`
	Digest string       `json:"digest"`
}

// booking reads "book scan 2026-03-12 07:20" and "places scan"; day and time may be left
// out.
func (s *scanner) booking(v verb) (entry, error) {
	s.example = string(v)
	s.at++
	step, known := visitWords[s.word()]
	if !known || room.SortOf(step) == room.Nowhere {
		return entry{}, s.fail()
	}
	s.at++
	e := entry{Verb: v, Step: step, At: room.AnyMinute}
	if d, given := s.date(); given {
		e.On = d
	}
	if t, timed := s.clock(); timed {
		e.At = t
		if e.On.IsZero() {
			return e, s.fail()
		}
	}
	return e, nil
}

// book shows the visit that would be booked, to be saved.
func (c *colleague) book(ctx context.Context, p reminders.Patient, e entry) error {
	f, err := c.room.Care.Propose(ctx, c.tx, c.in.Who, p.ID, e.Step, e.On, e.At)
	if err != nil {
		return err
	}
	return c.propose(ctx, p, f)
}

// places lists where a visit of hers could be, day by day.
func (c *colleague) places(ctx context.Context, p reminders.Patient, e entry) error {
	o, err := c.room.Care.Offer(ctx, c.tx, c.in.Who, p.ID, e.Step)
	if err != nil {
		return err
	}
	rows := []string{c.phrase("staff.places", phrase.Args{"who": who(p), "what": c.words().StepName(e.Step), "from": o.Wish.From.String(), "to": o.Wish.To.String()}),
		c.why(o.Why)}
	for _, day := range byDay(o.Free) {
		if e.On.IsZero() || day[0].On == e.On {
			rows = append(rows, c.phrase("staff.places_day", phrase.Args{"day": c.shortDay(day[0].On), "times": timesOf(day)}))
		}
	}
	return c.about(ctx, p, strings.Join(rows, "\n"), nil)
}

func (c *colleague) shortDay(d civil.Date) string {
	return phrase.ShortWeekday(c.lang, d.Weekday()) + " " + d.String()
}

// byDay gathers places by their day, in the order of time.
func byDay(free []room.Place) (days [][]room.Place) {
	for _, p := range room.InOrder(free) {
		if n := len(days); n > 0 && days[n-1][0].On == p.On {
			days[n-1] = append(days[n-1], p)
			continue
		}
		days = append(days, []room.Place{p})
	}
	return days
}

func timesOf(day []room.Place) string {
	var all []string
	for _, p := range day {
		all = append(all, p.At.String())
	}
	return strings.Join(all, " ")
}

// closureLine lists the closed days, or shows whom a closing would hit.
func (c *colleague) closureLine(ctx context.Context, rest string) error {
	if rest == "" {
		return c.listClosed(ctx)
	}
	k, err := readClosing(rest, c.now)
	if err != nil {
		return err
	}
	return c.showClosing(ctx, k)
}

// readClosing reads "2026-03-12 to 2026-03-13 clinic storm".
func readClosing(text string, now time.Time) (care.Closing, error) {
	s := newScanner(text, now)
	s.example = "closure"
	var k care.Closing
	var given bool
	if k.From, given = s.date(); !given {
		return k, s.fail()
	}
	k.To = k.From
	if s.take("to", "at", "until") != "" {
		if k.To, given = s.date(); !given {
			return k, s.fail()
		}
	}
	switch s.take("clinic", "clinica", "lab") {
	case "clinic", "clinica":
		k.Part = plan.WholeClinic
	case "lab":
		k.Part = plan.LabOnly
	default:
		return k, s.fail()
	}
	if k.Why = s.text(); k.Why == "" {
		return k, s.fail()
	}
	return k, nil
}

func (c *colleague) showClosing(ctx context.Context, what care.Closing) error {
	k, err := c.room.Care.PreviewClosing(ctx, c.tx, c.in.Who, what)
	if err != nil {
		return err
	}
	if err := c.room.Service.Desk.Did(ctx, c.tx, c.in.Who, triage.CloseDay, triage.Ref{}, "looked at "+k.From.String()); err != nil {
		return err
	}
	c.form.Draft, c.form.Closing = nil, &closingDraft{Number: c.in.Item, What: k.Closing, Digest: k.Digest}
	text := lines(c.closure(k), c.phrase("staff.closing_ask", nil))
	return c.say(ctx, text, [][]outbox.Button{{c.button("button.close_day", fmt.Sprintf("closing/%d/do", c.in.Item)), c.button("button.discard", fmt.Sprintf("draft/%d/discard", c.in.Item))}})
}

// closure says whom a closing hits and what becomes of them. It goes to staff only.
func (c *colleague) closure(k care.Closure) string {
	return strings.Join(c.words().Closure(k), "\n")
}

// closeDays carries out the closing that was shown last; number is the message that a
// button belongs to, 0 for the typed word. What has changed since is shown anew.
func (c *colleague) closeDays(ctx context.Context, number int64) error {
	d := c.form.Closing
	if d == nil || number != 0 && d.Number != number {
		return triage.Refuse("no_draft", nil)
	}
	var k care.Closure
	err := c.tx.Try(ctx, func() (err error) {
		k, err = c.room.Care.CloseDays(ctx, c.tx, c.in.Who, d.What, d.Digest, c.in.Item)
		return err
	})
	if said, refused := c.explain(err); refused && k.Digest != "" && k.Digest != d.Digest {
		d.Number, d.Digest = c.in.Item, k.Digest
		if err := c.sees(ctx, triage.CloseDay, triage.Ref{}, "looked at "+k.From.String()); err != nil {
			return err
		}
		return c.say(ctx, lines(said, c.closure(k), c.phrase("staff.closing_ask", nil)),
			[][]outbox.Button{{c.button("button.close_day", fmt.Sprintf("closing/%d/do", c.in.Item)), c.button("button.discard", fmt.Sprintf("draft/%d/discard", c.in.Item))}})
	}
	if err != nil {
		return err
	}
	c.form.Closing = nil
	return c.say(ctx, c.phrase("staff.closing_done", phrase.Args{"from": k.From.String(), "to": k.To.String(), "moved": fmt.Sprint(len(k.Moves)),
		"cases": fmt.Sprint(len(k.Physician) + len(k.Left))}), nil)
}

func (c *colleague) listClosed(ctx context.Context) error {
	days, err := c.room.Care.ClosedDays(ctx, c.tx, c.in.Who)
	if err == nil {
		err = c.sees(ctx, triage.SeePatients, triage.Ref{}, "the closed days")
	}
	if err != nil {
		return err
	}
	if len(days) == 0 {
		return c.say(ctx, c.phrase("staff.closed_none", nil), nil)
	}
	rows := []string{c.phrase("staff.closed_days", nil)}
	for _, d := range days {
		rows = append(rows, c.phrase("staff.closed_day", phrase.Args{"day": c.shortDay(d.On), "part": c.phrase("word.part_"+string(d.Part), nil), "why": d.Why, "by": d.By, "at": c.when(d.At)}))
	}
	return c.say(ctx, strings.Join(rows, "\n"), nil)
}

// reopenLine reads "reopen 2026-03-12 clinic".
func (c *colleague) reopenLine(ctx context.Context, rest string) error {
	s := newScanner(rest, c.now)
	s.example = "reopen"
	d, given := s.date()
	if !given {
		return s.fail()
	}
	part := plan.WholeClinic
	if s.take("clinic", "clinica", "lab") == "lab" {
		part = plan.LabOnly
	}
	if err := s.end(); err != nil {
		return err
	}
	if err := c.room.Care.Reopen(ctx, c.tx, c.in.Who, d, part); err != nil {
		return err
	}
	return c.say(ctx, c.phrase("staff.reopened", phrase.Args{"day": c.shortDay(d)}), nil)
}

package dialog

import (
	"fmt"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/picture"
	"handrail.example/reminders/plan"
)

// Reader is whom a picture is for.
type Reader struct {
	Phrases  *phrase.Book
	Language string
	// Neutral: the picture gives nothing away.
	Neutral bool
	Zone    *time.Location
}

func (r Reader) say(key string, args phrase.Args) string { return r.Phrases.Say(r.Language, key, args) }

func (r Reader) day(d civil.Date) string { return phrase.ShortDay(r.Language, d.Year, d.Month, d.Day) }

// monthWeeks is how many weeks a patient's month shows.
const monthWeeks = 5

// Month is the picture of the weeks around today, from the one in which today lies;
// false when nothing that she is shown falls into them.
func (r Reader) Month(p plan.Plan, today civil.Date) (picture.Spec, bool) {
	first := r.weekStart(today)
	last := first.AddDays(7*monthWeeks - 1)
	m := &picture.Month{Title: r.months(first, last), Weekdays: r.weekdays(first), First: first.String(), Weeks: monthWeeks, Today: today.String()}
	for _, s := range reminders.Visible(p) {
		if e, ok := r.entry(s); ok && !s.On.After(last) && e.To >= first.String() {
			m.Entries = append(m.Entries, e)
		}
	}
	course := "month.course"
	if r.Neutral {
		course = "event.reminder"
	} else {
		m.Foot = r.say("calendar.foot", nil)
	}
	m.Key = []picture.KeyLine{{Kind: picture.Booked, Says: r.say("month.booked", nil)}, {Kind: picture.Planned, Says: r.say("month.planned", nil)},
		{Kind: picture.Course, Says: r.say(course, nil)}}
	return picture.Spec{Month: m}, len(m.Entries) > 0
}

// weekStart is the first day of the week as her language has it: Sunday in the
// English of the United States, Monday in Spanish.
func (r Reader) weekStart(d civil.Date) civil.Date {
	first := time.Sunday
	if r.Language == "es" {
		first = time.Monday
	}
	return d.AddDays(-(int(d.Weekday()) - int(first) + 7) % 7)
}

func (r Reader) weekdays(first civil.Date) (names [7]string) {
	for i := range names {
		names[i] = phrase.ShortWeekday(r.Language, first.AddDays(i).Weekday())
	}
	return names
}

func (r Reader) months(first, last civil.Date) string {
	if first.Month == last.Month {
		return fmt.Sprintf("%s %d", phrase.Month(r.Language, first.Month), first.Year)
	}
	return fmt.Sprintf("%s – %s %d", phrase.Month(r.Language, first.Month), phrase.Month(r.Language, last.Month), last.Year)
}

// entry is a step as the picture has it; false where it has no day.
func (r Reader) entry(s plan.Step) (picture.Entry, bool) {
	if s.On.IsZero() {
		return picture.Entry{}, false
	}
	e := picture.Entry{On: s.On.String(), To: s.On.String(), Kind: picture.Planned, When: r.day(s.On), What: r.say(s.Phrase, nil)}
	if s.Order == "" && !s.At.IsZero() {
		at := s.At.In(r.Zone)
		e.When += ", " + phrase.Clock(r.Language, at.Hour(), at.Minute())
	}
	event := "event.neutral"
	switch {
	case s.Order != "":
		event = "event.reminder"
		e.Kind, e.To = picture.Course, s.To.String()
		if s.To.After(s.On) {
			e.When += " – " + r.day(s.To)
		}
	case s.Status == plan.Done:
		e.Kind = picture.Done
	case s.Booked:
		e.Kind = picture.Booked
	}
	if s.Order == "" && (s.Name == plan.Trigger || s.Name == plan.Stimulation || s.Name == plan.LiningEstrogen || s.Name == plan.LutealEstrogen || s.Name == plan.LutealProgesterone || s.Name == plan.Surge) {
		event = "event.reminder"
	}
	if r.Neutral {
		e.What = r.say(event, nil)
	}
	return e, true
}

// File is a picture as it is put into the outbox: what to draw, and not the picture.
func (r Reader) File(name string, s picture.Spec) (*outbox.File, error) {
	body, err := s.JSON()
	if err != nil {
		return nil, err
	}
	return &outbox.File{Name: name, Media: picture.Media, Draw: body}, nil
}

// MonthFile is a patient's month as an attachment, nil where there is nothing to show.
func MonthFile(b *phrase.Book, p reminders.Patient, pl plan.Plan, now time.Time) *outbox.File {
	r := Reader{Phrases: b, Language: p.Language, Neutral: p.Neutral, Zone: now.Location()}
	spec, some := r.Month(pl, civil.DateOf(now))
	if !some {
		return nil
	}
	file, err := r.File("month.png", spec)
	if err != nil {
		return nil
	}
	return file
}

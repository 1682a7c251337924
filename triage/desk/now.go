package desk

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// queuePage is what needs somebody now.
type queuePage struct {
	Tally triage.Tally
	Rows  []waiting
	// Page counts from 1; Before and After are its neighbours, 0 for none.
	Page, Before, After int
	May                 bool // take cases
	Takes               bool // the list as a file
	OnCall              []string
}

// waiting is one case of the queue.
type waiting struct {
	ID       int64
	Urgency  string
	Reason   string
	Who      string
	Language string // that she is answered in, "" where there is nobody to answer
	Words    string
	Waits    time.Duration
	left
	Holder string
	Open   bool
	Mine   bool
}

// left is how much is left of a case's target.
type left struct {
	Target time.Time
	Left   time.Duration // how long until then; since then, when Late
	Late   bool
	// Spent is how much of it is gone, in percent, 100 at most.
	Spent int
}

func leftOf(from, target, now time.Time) left {
	l := left{Target: target, Left: target.Sub(now), Spent: 100}
	if l.Left < 0 {
		l.Late, l.Left = true, -l.Left
		return l
	}
	if whole := target.Sub(from); whole > 0 {
		l.Spent = int(100 * now.Sub(from) / whole)
	}
	return l
}

// queueLength is how many cases are on one page, which keeps it small: common
// practice, no source.
const queueLength = 50

// longestGlance bounds her words in the queue; all of them are on the case's page.
const longestGlance = 110

func (v *visit) queue(ctx context.Context) (queuePage, error) {
	p := queuePage{Page: 1, May: v.who.May(triage.TakeCase) == nil, Takes: v.who.May(triage.Export) == nil}
	if n, err := strconv.Atoi(v.r.Form.Get("page")); err == nil && n > 1 && n < 1000 {
		p.Page, p.Before = n, n-1
	}
	q := v.site.queue()
	var err error
	if p.Tally, err = q.Tally(ctx, v.tx); err != nil {
		return p, err
	}
	cases, err := q.Queue(ctx, v.tx, (p.Page-1)*queueLength, queueLength)
	if err != nil {
		return p, err
	}
	if p.Page*queueLength < p.Tally.All {
		p.After = p.Page + 1
	}
	names, err := q.Names(ctx, v.tx)
	if err != nil {
		return p, err
	}
	known := make(map[seal.Person]triage.Known)
	for _, c := range cases {
		if _, asked := known[c.Person]; !asked {
			if known[c.Person], err = q.Who(ctx, v.tx, c.Person); err != nil {
				return p, err
			}
		}
		p.Rows = append(p.Rows, v.waiting(c, known[c.Person], names))
	}
	on, err := q.OnCall(ctx, v.tx, v.tx.Now)
	for _, s := range on {
		p.OnCall = append(p.OnCall, s.Staff.Name)
	}
	return p, err
}

func (v *visit) waiting(c triage.Case, k triage.Known, names triage.Names) waiting {
	w := waiting{ID: c.ID, Urgency: c.Urgency.String(), Reason: v.say("reason."+string(c.Reason), c.Body.Title), Who: k.Label, Language: k.Language,
		Words: glance(c.Body.Words), Waits: v.tx.Now.Sub(c.Opened), Open: c.State == triage.Open, Mine: c.Holder == v.who.ID && c.State == triage.Taken}
	from := c.Opened
	if c.State == triage.Taken {
		w.Holder, from = names.ByID[c.Holder], c.TakenAt
	}
	if k.Label == "" {
		w.Who = v.say("staff.no_patient", nil)
	}
	w.left = leftOf(from, v.site.queue().Target(c), v.tx.Now)
	return w
}

func glance(words string) string {
	if r := []rune(words); len(r) > longestGlance {
		return string(r[:longestGlance]) + " …"
	}
	return words
}

// now is the queue. That she has looked through it is on record once for each look
// of her own.
func (v *visit) now(ctx context.Context) (answer, error) {
	p, err := v.queue(ctx)
	if err != nil {
		return answer{}, err
	}
	return answer{sheet: "now", data: p, looked: "the queue"}, nil
}

// nowList is the queue alone, which the page fetches anew when something happens.
func (v *visit) nowList(ctx context.Context) (answer, error) {
	v.quiet = true
	p, err := v.queue(ctx)
	if err != nil {
		return answer{}, err
	}
	a := answer{sheet: "now", part: "list", data: p}
	if seen, err := v.looked(ctx, 0); err != nil || !seen {
		a.looked = "the queue"
		return a, err
	}
	return a, nil
}

// freshLook is for how long a look that is on record stands for what a page that is
// open fetches by itself. Common practice, no source.
const freshLook = 12 * time.Hour

// looked reports whether her look at a case, or with 0 at the queue, is on record: what
// a page fetches by itself must not be a way to look without one.
func (v *visit) looked(ctx context.Context, caseID int64) (bool, error) {
	return v.site.queue().Looked(ctx, v.tx, v.who, caseID, v.tx.Now.Add(-freshLook))
}

// span is a length of time in the two largest of its units.
func span(d time.Duration) string {
	m := int(d.Minutes())
	switch {
	case m < 60:
		return fmt.Sprintf("%d min", m)
	case m < 48*60:
		return fmt.Sprintf("%d h %02d min", m/60, m%60)
	}
	return fmt.Sprintf("%d d %d h", m/(24*60), m/60%24)
}

// marked is a part of her words, with what was read in it.
type marked struct {
	Text    string
	Finding string // "" for words in which nothing was read
	State   string // "present", or why it does not count
}

// mark cuts her words where findings begin and end.
func mark(words string, spans []triage.Span) (all []marked) {
	spans = slices.Clone(spans)
	slices.SortStableFunc(spans, func(a, b triage.Span) int { return a.From - b.From })
	at := 0
	for _, s := range spans {
		if s.From < at || s.To > len(words) || s.From >= s.To {
			continue // within one that is marked already
		}
		if s.From > at {
			all = append(all, marked{Text: words[at:s.From]})
		}
		all = append(all, marked{words[s.From:s.To], s.Finding, s.State})
		at = s.To
	}
	if at < len(words) {
		all = append(all, marked{Text: words[at:]})
	}
	return all
}

// cautionText is what she was shown, in the language of whoever looks.
func (v *visit) cautionText(key string) string {
	c := v.site.policy().Clinic
	return rules.Fill(rules.Caution(key, v.lang), rules.Numbers{Emergency: c.EmergencyNumber, OnCall: c.OnCallPhone, Desk: c.FrontDesk})
}

package dialog

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// arrived is "arrived", the list of what other systems have handed in, "arrived 3", one
// of it, and "arrived 3 P-105 monitoring", one of it beside a patient.
func (c *colleague) arrived(ctx context.Context, rest string) error {
	words := strings.Fields(rest)
	if len(words) == 0 {
		return c.listArrived(ctx)
	}
	id, err := strconv.ParseInt(words[0], 10, 64)
	if err != nil || id <= 0 || len(words) > 3 {
		return &misread{Example: "arrived", Word: words[0]}
	}
	a, err := c.room.Care.Arrival(ctx, c.tx, c.in.Who, id)
	if err != nil {
		return err
	}
	if len(words) == 1 {
		return c.showArrival(ctx, a)
	}
	p, err := c.room.Care.Find(ctx, c.tx, c.in.Who, words[1])
	if err != nil {
		return err
	}
	step := ""
	if len(words) == 3 {
		step = strings.ToLower(words[2])
	}
	return c.meetArrival(ctx, a, p, plan.StepName(step))
}

func (c *colleague) listArrived(ctx context.Context) error {
	list, all, err := c.room.Care.Arrivals(ctx, c.tx, c.in.Who)
	if err != nil {
		return err
	}
	if err := c.room.Service.Desk.Did(ctx, c.tx, c.in.Who, triage.Import, triage.Ref{}, "the list of what arrived"); err != nil {
		return err
	}
	if all == 0 {
		return c.say(ctx, c.phrase("staff.arrived_none", nil), nil)
	}
	rows := []string{c.phrase("staff.arrived", phrase.Args{"count": fmt.Sprint(all)})}
	for i, a := range list {
		if i == longestList {
			rows = append(rows, c.phrase("staff.more", phrase.Args{"count": fmt.Sprint(all - i)}))
			break
		}
		rows = append(rows, c.phrase("staff.arrived_line", phrase.Args{"number": fmt.Sprint(a.ID), "says": a.Says, "who": a.Claim.String()}))
	}
	return c.say(ctx, strings.Join(rows, "\n"), nil)
}

// whyLooked are the reasons for which somebody must look at an arrival.
func (c *colleague) whyLooked(a care.Arrival) (rows []string) {
	for _, d := range a.Doubts {
		rows = append(rows, "· "+c.room.Service.Desk.Say(c.lang, d))
	}
	return rows
}

// showArrival is one arrival with the patients whose it may be.
func (c *colleague) showArrival(ctx context.Context, a care.Arrival) error {
	may, err := c.room.Care.Candidates(ctx, c.tx, c.in.Who, a)
	if err != nil {
		return err
	}
	var names []string
	for _, p := range may {
		names = append(names, who(p))
	}
	rows := append([]string{c.phrase("staff.arrival", phrase.Args{"number": fmt.Sprint(a.ID), "says": a.Says, "who": a.Claim.String(), "ours": "?"})}, c.whyLooked(a)...)
	if len(names) > 0 {
		rows = append(rows, c.phrase("staff.arrival_candidates", phrase.Args{"who": strings.Join(names, ", "), "number": fmt.Sprint(a.ID)}))
	}
	return c.say(ctx, strings.Join(rows, "\n"), [][]outbox.Button{{c.button("button.aside", fmt.Sprintf("aside/%d", a.ID))}})
}

// meetArrival sets an arrival beside a patient, with what it would move if it were hers.
func (c *colleague) meetArrival(ctx context.Context, a care.Arrival, p reminders.Patient, step plan.StepName) error {
	v, err := c.room.Care.PreviewArrival(ctx, c.tx, c.in.Who, a, p.ID, step)
	if err != nil {
		return err
	}
	rows := append([]string{c.phrase("staff.arrival", phrase.Args{"number": fmt.Sprint(a.ID), "says": a.Says, "who": a.Claim.String(), "ours": who(p)})}, c.whyLooked(a)...)
	rows = append(rows, c.fact(v.Fact))
	if len(v.Changes) > 0 {
		rows = append(rows, c.phrase("staff.moves", nil))
	}
	w := c.words()
	for _, ch := range v.Changes {
		rows = append(rows, "· "+w.Change(ch))
	}
	for _, k := range v.Conflicts {
		rows = append(rows, w.Conflict(k))
	}
	for _, k := range v.Cautions {
		rows = append(rows, w.Caution(k))
	}
	press := fmt.Sprintf("hers/%d/%d/%s", a.ID, p.ID, step)
	return c.about(ctx, p, strings.Join(rows, "\n"), [][]outbox.Button{{c.button("button.hers", press), c.button("button.aside", fmt.Sprintf("aside/%d", a.ID))}})
}

// confirmArrival saves an arrival for the patient beside whom it was shown.
func (c *colleague) confirmArrival(ctx context.Context, id int64, rest string) error {
	number, step, _ := strings.Cut(rest, "/")
	patient, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return fmt.Errorf("a button names no patient for arrival %d", id)
	}
	var v care.Preview
	if err := c.tx.Try(ctx, func() (err error) {
		v, err = c.room.Care.Confirm(ctx, c.tx, c.in.Who, id, patient, plan.StepName(step))
		return err
	}); err != nil {
		return err
	}
	p, err := c.room.Service.Book.Patient(ctx, c.tx, patient)
	if err != nil {
		return err
	}
	var buttons [][]outbox.Button
	if v.ToTell != 0 {
		buttons = c.toldButtons(v.ToTell)
	}
	return c.about(ctx, p, c.phrase("staff.arrival_saved", phrase.Args{"number": fmt.Sprint(id), "who": who(p), "what": c.fact(v.Fact)}), buttons)
}

func (c *colleague) setAside(ctx context.Context, id int64) error {
	if err := c.room.Care.SetAside(ctx, c.tx, c.in.Who, id); err != nil {
		return err
	}
	return c.say(ctx, c.phrase("staff.arrival_aside", phrase.Args{"number": fmt.Sprint(id)}), nil)
}

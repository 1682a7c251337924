package audit

import (
	"fmt"
	"slices"
	"time"
)

// judgeCases: an untaken case rang until somebody took it, an open one will ring
// again, and none was closed but by somebody who was there.
func (j *judge) judgeCases() error {
	acted := make(map[int64]map[time.Time]bool) // by person: when something of hers was handled
	for _, it := range j.inbox {
		if it == nil {
			continue
		}
		if acted[it.chat] == nil {
			acted[it.chat] = make(map[time.Time]bool)
		}
		acted[it.chat][it.settled] = true
	}
	for _, c := range j.cases {
		j.judgeLadder(c)
		if c.state == "closed" {
			j.judgeEnd(c, acted)
		}
	}
	return j.judgeUrgent()
}

// judgeLadder looks for a silence that is longer than the ladder allows, while
// nobody had the case.
func (j *judge) judgeLadder(c *aCase) {
	if c.state != "closed" && !c.promised {
		j.find(&j.v.CasesUnanswered, "case %d is %s, and nothing will bring it before anybody", c.id, c.state)
	}
	open, last, rung := true, c.opened, false
	// What has become graver by something that came in later had more time before. An
	// emergency is one from the first.
	longest := j.Clinic.Rings[c.urgency]
	if c.urgency == "same_day" && slices.ContainsFunc(c.events, func(e caseEvent) bool { return e.what == "raised" || e.what == "wrote" }) {
		longest = j.Clinic.Rings["routine"]
	}
	late := func(at time.Time) {
		if open && at.Sub(last) > longest {
			j.find(&j.v.CasesUnanswered, "case %d (%s) was silent from %s to %s", c.id, c.urgency, last.Format(instantForm), at.Format(instantForm))
		}
		last = at
	}
	for _, e := range c.events {
		switch e.what {
		case "alerted", "alert_failed":
			late(e.at)
			rung = true
		case "taken", "closed", "mooted":
			late(e.at)
			open = false
		case "raised", "released", "handed_over":
			open, last, longest = true, e.at, j.Clinic.Rings[c.urgency]
		}
	}
	if open && c.state == "open" {
		late(j.End)
		if !rung && j.End.Sub(c.opened) > longest {
			j.find(&j.v.CasesUnanswered, "case %d (%s) never rang", c.id, c.urgency)
		}
	}
}

// judgeEnd: a case is closed by a colleague in a message of hers, or by what a patient
// did that it asked for.
func (j *judge) judgeEnd(c *aCase, acted map[int64]map[time.Time]bool) {
	for _, e := range c.events {
		if e.what != "closed" && e.what != "mooted" || !e.at.Equal(c.closed) {
			continue
		}
		if c.reason == "day_open" && e.what == "mooted" {
			return // nobody is left of those whom it listed
		}
		by := j.chatOf[e.by]
		if e.what == "mooted" {
			by = j.chatOf[c.person]
		}
		if acted[by][e.at] {
			return
		}
	}
	j.find(&j.v.CasesUnanswered, "case %d (%s) was closed at %s by nobody", c.id, c.reason, c.closed.Format(instantForm))
}

// judgeUrgent: what states an emergency plainly is before a human as one.
func (j *judge) judgeUrgent() error {
	grave := make(map[int64]bool) // by message
	for _, c := range j.cases {
		if c.urgency != "emergency" {
			continue
		}
		for _, e := range append(c.events, caseEvent{cause: c.key}) {
			var id int64
			if n, _ := fmt.Sscanf(e.cause, "inbox/%d/", &id); n == 1 {
				grave[id] = true
			}
		}
	}
	for _, s := range j.Journal.Said {
		it := j.itemOf(s.Chat, s.Update, s.At)
		if s.Urgent && it != nil && !grave[it.id] {
			j.find(&j.v.CasesUnanswered, "update %d of chat %d states an emergency, and there is no case of one", s.Update, s.Chat)
		}
	}
	return nil
}

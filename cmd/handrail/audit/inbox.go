package audit

import (
	"database/sql"
	"strings"
)

// judgeInbox: each thing that somebody did is there once, was handled, and had an
// effect.
func (j *judge) judgeInbox() error {
	if err := j.readEffects(); err != nil {
		return err
	}
	times := make(map[[2]int64]int)
	for _, s := range j.Journal.Said {
		if !j.Journal.Gone[s.deed()] {
			times[[2]int64{s.Chat, s.Update}]++
		}
	}
	j.v.MessagesIn = len(j.Journal.Said)
	for _, s := range j.Journal.Said {
		at := [2]int64{s.Chat, s.Update}
		if j.Journal.Gone[s.deed()] {
			j.v.ExpiredUpstream++
			continue
		}
		got := 0
		for it := j.items[at]; it != nil; it = it.next {
			got++
		}
		j.note("in %d %d %d", s.Chat, s.Update, got)
		switch {
		case got < times[at]:
			j.find(&j.v.LostIn, "update %d of chat %d, of %s, was not taken in", s.Update, s.Chat, s.At.Format(instantForm))
		case got > times[at]:
			j.find(&j.v.DoubledEffects, "update %d of chat %d was taken in %d times", s.Update, s.Chat, got)
		default:
			j.judgeItem(s, j.itemOf(s.Chat, s.Update, s.At))
		}
	}
	return nil
}

// readEffects counts what each message set off.
func (j *judge) readEffects() error {
	if err := j.each(`SELECT topic FROM outbox WHERE topic >= 'inbox/' AND topic < 'inbox0'`, func(r *sql.Rows) error {
		var topic string
		err := r.Scan(&topic)
		j.effect(topic)
		return err
	}); err != nil {
		return err
	}
	for _, q := range []struct {
		query string
		add   func(*item)
	}{
		{`SELECT inbox_id FROM dose_answers WHERE inbox_id IS NOT NULL`, func(i *item) { i.answers++ }},
		{`SELECT inbox_id FROM facts WHERE inbox_id IS NOT NULL`, func(i *item) { i.facts++ }},
	} {
		if err := j.each(q.query, func(r *sql.Rows) error {
			var id int64
			if err := r.Scan(&id); err != nil {
				return err
			}
			if it := j.item(id); it != nil {
				q.add(it)
			} else {
				j.find(&j.v.DoubledEffects, "something is on record from message %d, which is no person's", id)
			}
			return nil
		}); err != nil {
			return err
		}
	}
	return nil
}

func (j *judge) judgeItem(s Said, it *item) {
	switch {
	case it == nil:
		j.find(&j.v.LostIn, "update %d of chat %d, of %s, was not taken in", s.Update, s.Chat, s.At.Format(instantForm))
	case it.state != "handled":
		j.find(&j.v.LostIn, "message %d is %s", it.id, it.state)
	case s.Deed == Unblocked:
	case it.effects == 0:
		j.find(&j.v.LostIn, "message %d of chat %d had no effect", it.id, s.Chat)
	case it.answers > 1:
		j.find(&j.v.DoubledEffects, "message %d answers %d doses", it.id, it.answers)
	case it.facts > 1 && int(it.facts) > j.statements(s):
		j.find(&j.v.DoubledEffects, "message %d states %d facts", it.id, it.facts)
	}
}

// statements is how many facts somebody stated by one deed.
func (j *judge) statements(s Said) (n int) {
	for _, e := range j.Journal.Entries {
		if e.Chat == s.Chat && e.Update == s.Update {
			n++
		}
	}
	return n
}

// judgePresses: a dose that she answered by a button is on record as she answered
// it. Only the first press on a question counts.
func (p *patient) judgePresses(said []Said) error {
	j := p.j
	actions := make(map[string]string)
	rows := make(map[string]int64)
	if err := j.each(`SELECT b.token, b.action, b.outbox_id FROM outbox o JOIN buttons b ON b.outbox_id = o.id WHERE o.person_id = ?`, func(r *sql.Rows) error {
		var token, action string
		var row int64
		err := r.Scan(&token, &action, &row)
		actions[token], rows[token] = action, row
		return err
	}, p.person); err != nil {
		return err
	}
	pressed := make(map[int64]bool)
	for _, s := range said {
		row, known := rows[s.Token]
		if s.Deed != Pressed || !known || pressed[row] {
			continue
		}
		got := j.itemOf(s.Chat, s.Update, s.At)
		if got == nil {
			continue
		}
		pressed[row] = true
		rest, is := strings.CutPrefix(actions[s.Token], "dose/")
		answer, dose, _ := strings.Cut(rest, "/")
		if !is {
			continue
		}
		if a := p.answered(dose, got.id); a != answer && !p.settledBefore(dose, got) {
			j.find(&j.v.LostIn, "message %d of %s says %s of dose %s, on record is %q", got.id, p.handle, answer, dose, a)
		}
	}
	return nil
}

package audit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// settleTime is how near the end something may be due and still wait.
const settleTime = 10 * time.Minute

// judgeMessages compares what was to be sent to somebody with what she has: each
// message that went out is in her chat, and nothing more but what may have been
// repeated because an answer was lost.
func (p *patient) judgeMessages(chat int64) {
	j := p.j
	has := make(map[uint64]int)
	for _, s := range j.Journal.Seen[chat] {
		has[s.Text]++
	}
	j.noteSeen(chat)
	j.v.MessagesOut += len(j.Journal.Seen[chat])
	gone := 0 // messages whose text has been removed since: they cannot be told apart
	unknown, kinds := 0, make(map[uint64]string)
	for _, w := range p.rows {
		unknown += w.unknown
		if w.kind == "alert" && w.state == "sent" {
			j.v.Alerts++
		}
		p.judgeRow(w)
		if w.gone {
			gone++
			continue
		}
		if w.empty {
			continue
		}
		kinds[w.text] = w.kind
		if w.state != "sent" {
			continue
		}
		if has[w.text]--; has[w.text] < 0 {
			j.find(lost(&j.v, w.kind), "row %d (%s) counts as sent to chat %d, which has not got it", w.id, w.kind, chat)
		}
	}
	surplus := 0
	for text, n := range has {
		if n > 0 {
			surplus += n
			if surplus > unknown+gone {
				j.find(doubled(&j.v, kinds[text]), "chat %d has %d messages that were not sent to it, or not as often", chat, n)
			}
		}
	}
	j.v.Repeated += min(surplus, unknown)
}

// noteSeen puts what somebody saw into the digest; alerts of one instant may come in
// any order.
func (j *judge) noteSeen(chat int64) {
	seen := slices.Clone(j.Journal.Seen[chat])
	slices.SortFunc(seen, func(a, b Seen) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Text, b.Text)) })
	for _, s := range seen {
		j.note("saw %d %s %x", chat, s.At.UTC().Format(instantForm), s.Text)
	}
}

func isReminder(kind string) bool { return kind == "dose" || kind == "reminder" }

// lost and doubled are the counts that a message of a kind belongs to.
func lost(v *Verdict, kind string) *int {
	switch {
	case isReminder(kind):
		return &v.RemindersLost
	case kind == "alert" || kind == "escalation":
		return &v.CasesUnanswered
	}
	return &v.LostIn
}

func doubled(v *Verdict, kind string) *int {
	if isReminder(kind) {
		return &v.RemindersDouble
	}
	return &v.DoubledEffects
}

// judgeRow: what was promised has been kept in its time, or has been put before a
// human, or was taken back.
func (p *patient) judgeRow(w *row) {
	j := p.j
	switch w.state {
	case "queued", "sending":
		if w.due.Before(j.End.Add(-settleTime)) {
			j.find(lost(&j.v, w.kind), "row %d (%s) was due %s and is still %s", w.id, w.kind, w.due.Format(instantForm), w.state)
		}
	case "expired", "failed":
		if !p.told(w) {
			j.find(lost(&j.v, w.kind), "row %d (%s) is %s and nobody was told", w.id, w.kind, w.state)
		}
	case "sent":
		if isReminder(w.kind) && !w.expires.IsZero() && !w.sent.Before(w.expires.Add(time.Second)) {
			j.find(&j.v.RemindersLate, "row %d was of use until %s and went out at %s", w.id, w.expires.Format(instantForm), w.sent.Format(instantForm))
		}
	}
}

// told reports whether a human has heard that a row was not kept. What was to reach
// a colleague makes its case climb.
func (p *patient) told(w *row) bool {
	for _, why := range []string{"late", "undelivered", "doubtful", "stuck"} {
		if p.j.caused(fmt.Sprintf("outbox/%d/%s", w.id, why)) {
			return true
		}
	}
	return strings.HasPrefix(w.key, "case/") || strings.HasPrefix(w.key, "shift/")
}

// seen is when she got the message of a row; false when she has not.
func (p *patient) seen(w *row) (time.Time, bool) {
	for _, s := range p.j.Journal.Seen[p.chat] {
		if s.ID == w.external && w.external != 0 {
			return s.At, true
		}
	}
	return time.Time{}, false
}

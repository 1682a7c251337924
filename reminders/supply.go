package reminders

import (
	"context"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// suppliedKinds are the facts from which a supply is reckoned.
var suppliedKinds = []plan.FactKind{plan.OnHand, plan.Dispensed}

// supplied reports whether anything is known of what she has at home.
func (c Cycle) supplied() bool {
	return slices.ContainsFunc(c.Facts, func(f Recorded) bool { return slices.Contains(suppliedKinds, f.Kind) })
}

// doseFacts are what she said about her doses, as the plan wants them: the last word on
// each. They are read only where a supply is reckoned from them.
func (b *Book) doseFacts(ctx context.Context, tx *store.Tx, c Cycle) ([]plan.Fact, error) {
	if !c.supplied() {
		return nil, nil
	}
	var rows []doseAnswer
	if err := tx.Select(ctx, &rows, `SELECT id, dose, answer, recorded_at FROM dose_answers WHERE cycle_id = ? ORDER BY id`, c.ID); err != nil {
		return nil, err
	}
	last := make(map[string]doseAnswer, len(rows))
	for _, r := range rows {
		last[r.Dose] = r
	}
	var facts []plan.Fact
	for _, r := range rows {
		order, at, ok := doseOf(r.Dose)
		if last[r.Dose].ID != r.ID || !ok || r.Answer == NotYet || !c.ordered(order) {
			continue
		}
		taken := r.Answer == Taken
		facts = append(facts, plan.Fact{Kind: plan.DoseAnswered, Order: order, At: at.In(b.zone()), Taken: &taken})
	}
	return facts, nil
}

// doseOf takes the ID of a dose apart; false for the trigger, which is a fact of its own.
func doseOf(id string) (order string, at time.Time, ok bool) {
	order, minute, ok := strings.Cut(id, "@")
	at, err := time.Parse("20060102T1504Z", minute)
	return order, at, ok && err == nil && order != triggerOrder
}

func (c Cycle) ordered(id string) bool {
	return slices.ContainsFunc(c.Facts, func(f Recorded) bool { return f.ID == id && f.Kind == plan.OrderGiven })
}

// supply asks what she has left some days before somebody must see to it, unless she,
// or somebody at the clinic, has just said so.
func (w *wants) supply(s plan.Supply) {
	if s.Out.IsZero() || w.untold {
		return
	}
	rule := w.book.Policy.Supply
	at := s.Warn.AddDays(-rule.AskDays).At(rule.AskAt, w.book.zone())
	if at.Sub(s.Counted) < justCounted || at.Before(s.Counted) {
		return
	}
	w.message("supply/"+strings.ToLower(s.Drug)+"/"+s.Out.UTC().Format("20060102T1504Z"), outbox.Reminder, at, s.Last.At(w.book.Policy.Opening.To, w.book.zone()),
		outbox.Message{Text: w.say("supply.ask", map[string]string{"drug": s.Drug})})
}

// justCounted is how long a count is not asked for again: common practice, no source.
const justCounted = 48 * time.Hour

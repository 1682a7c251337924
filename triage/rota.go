package triage

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

// Shift is somebody's time on call, To exclusive.
type Shift struct {
	ID        int64
	Staff     Staff
	From, To  time.Time
	CheckedIn time.Time // zero until she has said that she is there
}

// longestShift guards against a year that was mistyped.
const longestShift = 31 * 24 * time.Hour

// AddShift puts somebody on the rota. At its start she is asked to check in.
func (d *Desk) AddShift(ctx context.Context, tx *store.Tx, s Staff, from, to time.Time) (Shift, error) {
	switch {
	case s.May(CheckIn) != nil:
		return Shift{}, Refuse("not_on_call", phrase.Args{"role": string(s.Role)})
	case !from.Before(to) || !to.After(tx.Now) || to.Sub(from) > longestShift:
		return Shift{}, Refuse("shift_times", nil)
	}
	sh := Shift{Staff: s, From: from, To: to}
	if err := tx.Get(ctx, &sh.ID, `INSERT INTO on_call (staff_id, from_at, to_at) VALUES (?, ?, ?) RETURNING id`,
		s.ID, store.At(from), store.At(to)); err != nil {
		return Shift{}, err
	}
	return sh, d.Outbox.Put(ctx, tx, outbox.Want{Key: shiftKey(sh.ID, "start"), Topic: shiftTopic(sh.ID), Kind: outbox.Task,
		Due: from, Run: taskShiftStart, Payload: sh.ID})
}

func shiftTopic(id int64) string            { return fmt.Sprintf("shift/%d", id) }
func shiftKey(id int64, what string) string { return fmt.Sprintf("shift/%d/%s", id, what) }

// DropShift takes a shift off the rota.
func (d *Desk) DropShift(ctx context.Context, tx *store.Tx, id int64) error {
	if _, err := tx.Exec(ctx, `DELETE FROM on_call WHERE id = ?`, id); err != nil {
		return err
	}
	return d.Outbox.Withdraw(ctx, tx, shiftTopic(id))
}

// endShifts drops every shift of somebody that is not over.
func (d *Desk) endShifts(ctx context.Context, tx *store.Tx, s Staff) error {
	var ids []int64
	if err := tx.Select(ctx, &ids, `SELECT id FROM on_call WHERE staff_id = ? AND to_at > ?`, s.ID, store.At(tx.Now)); err != nil {
		return err
	}
	for _, id := range ids {
		if err := d.DropShift(ctx, tx, id); err != nil {
			return err
		}
	}
	return nil
}

type shiftRow struct {
	ID        int64      `db:"id"`
	Staff     int64      `db:"staff_id"`
	From      store.Time `db:"from_at"`
	To        store.Time `db:"to_at"`
	CheckedIn store.Time `db:"checked_in_at"`
}

const shiftColumns = `SELECT id, staff_id, from_at, to_at, checked_in_at FROM on_call WHERE `

// OnCall are the shifts that are on at t.
func (d *Desk) OnCall(ctx context.Context, tx *store.Tx, t time.Time) ([]Shift, error) {
	return d.shifts(ctx, tx, `from_at <= ? AND to_at > ? ORDER BY from_at, id`, store.At(t), store.At(t))
}

// Rota are the shifts that are not over before from and begin before to.
func (d *Desk) Rota(ctx context.Context, tx *store.Tx, from, to time.Time) ([]Shift, error) {
	return d.shifts(ctx, tx, `to_at > ? AND from_at < ? ORDER BY from_at, id`, store.At(from), store.At(to))
}

func (d *Desk) shifts(ctx context.Context, tx *store.Tx, where string, args ...any) ([]Shift, error) {
	var rows []shiftRow
	if err := tx.Select(ctx, &rows, shiftColumns+where, args...); err != nil {
		return nil, err
	}
	var all []Shift
	for _, r := range rows {
		s, err := d.StaffMember(ctx, tx, r.Staff)
		if err != nil {
			return nil, err
		}
		all = append(all, Shift{ID: r.ID, Staff: s, From: r.From.Time, To: r.To.Time, CheckedIn: r.CheckedIn.Time})
	}
	return all, nil
}

// shift is a shift by number; false when it was dropped.
func (d *Desk) shift(ctx context.Context, tx *store.Tx, id int64) (Shift, bool, error) {
	all, err := d.shifts(ctx, tx, `id = ?`, id)
	if err != nil || len(all) == 0 {
		return Shift{}, false, err
	}
	return all[0], true, nil
}

// CheckInNow notes that somebody on call is there. It reports how many of her
// shifts that is; 0 when she is not on call.
func (d *Desk) CheckInNow(ctx context.Context, tx *store.Tx, s Staff) (int64, error) {
	if err := s.May(CheckIn); err != nil {
		return 0, err
	}
	on, err := d.OnCall(ctx, tx, tx.Now)
	if err != nil {
		return 0, err
	}
	var n int64
	for _, sh := range on {
		if sh.Staff.ID != s.ID {
			continue
		}
		n++
		if _, err := tx.Exec(ctx, `UPDATE on_call SET checked_in_at = ? WHERE id = ? AND checked_in_at IS NULL`, store.At(tx.Now), sh.ID); err != nil {
			return n, err
		}
		if err := d.Outbox.Withdraw(ctx, tx, shiftTopic(sh.ID)); err != nil {
			return n, err
		}
	}
	if n == 0 {
		return 0, nil
	}
	return n, d.Did(ctx, tx, s, CheckIn, Ref{}, "")
}

func (d *Desk) shiftStart(ctx context.Context, tx *store.Tx, payload []byte) error {
	sh, there, err := d.shiftOf(ctx, tx, payload)
	if err != nil || !there || !sh.CheckedIn.IsZero() {
		return err
	}
	lang := sh.Staff.Language()
	if err := d.Outbox.Put(ctx, tx, outbox.Want{Key: shiftKey(sh.ID, "ask"), Topic: shiftTopic(sh.ID), Kind: outbox.Escalation, To: sh.Staff.Person,
		Message: outbox.Message{
			Text:    d.Phrases.Say(lang, "staff.shift_start", phrase.Args{"until": d.when(sh.To)}),
			Buttons: [][]outbox.Button{{{Label: d.Phrases.Say(lang, "button."+PressCheckIn, nil), Action: Press(PressCheckIn, sh.ID)}}},
		}}); err != nil {
		return err
	}
	return d.Outbox.Put(ctx, tx, outbox.Want{Key: shiftKey(sh.ID, "missed"), Topic: shiftTopic(sh.ID), Kind: outbox.Task,
		Due: tx.Now.Add(d.Policy.checkIn()), Run: taskShiftMissed, Payload: sh.ID})
}

// shiftMissed tells the leads, or where there is none everybody, that somebody
// has not checked in.
func (d *Desk) shiftMissed(ctx context.Context, tx *store.Tx, payload []byte) error {
	sh, there, err := d.shiftOf(ctx, tx, payload)
	if err != nil || !there || !sh.CheckedIn.IsZero() {
		return err
	}
	c, err := d.crew(ctx, tx)
	if err != nil {
		return err
	}
	for _, s := range c.but(sh.Staff.ID).leads() {
		if err := d.Outbox.Put(ctx, tx, outbox.Want{Key: shiftKey(sh.ID, fmt.Sprintf("missed/%d", s.ID)), Topic: shiftTopic(sh.ID),
			Kind: outbox.Escalation, To: s.Person, Message: outbox.Message{
				Text: d.Phrases.Say(s.Language(), "staff.shift_missed", phrase.Args{"who": sh.Staff.Name, "since": d.when(sh.From)}),
			}}); err != nil {
			return err
		}
	}
	return nil
}

func (d *Desk) shiftOf(ctx context.Context, tx *store.Tx, payload []byte) (Shift, bool, error) {
	var id int64
	if err := json.Unmarshal(payload, &id); err != nil {
		return Shift{}, false, fmt.Errorf("the payload of a shift's task is no number")
	}
	return d.shift(ctx, tx, id)
}

package care

import (
	"context"
	"fmt"
	"time"

	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// AddShift puts somebody on the rota.
func (c *Care) AddShift(ctx context.Context, tx *store.Tx, actor, who triage.Staff, from, to time.Time) (triage.Shift, error) {
	if err := actor.May(triage.ChangeRota); err != nil {
		return triage.Shift{}, err
	}
	s, err := c.Desk.AddShift(ctx, tx, who, from, to)
	if err != nil {
		return s, err
	}
	return s, c.Desk.Did(ctx, tx, actor, triage.ChangeRota, triage.Ref{}, fmt.Sprintf("added shift %d of %s", s.ID, who.Handle))
}

// DropShift takes a shift off the rota.
func (c *Care) DropShift(ctx context.Context, tx *store.Tx, actor triage.Staff, shift int64) error {
	if err := actor.May(triage.ChangeRota); err != nil {
		return err
	}
	if err := c.Desk.DropShift(ctx, tx, shift); err != nil {
		return err
	}
	return c.Desk.Did(ctx, tx, actor, triage.ChangeRota, triage.Ref{}, fmt.Sprintf("dropped shift %d", shift))
}

// AddStaff takes somebody on and draws the code with which she links her chat. The
// code is shown once.
func (c *Care) AddStaff(ctx context.Context, tx *store.Tx, actor triage.Staff, n triage.Newcomer) (triage.Staff, string, error) {
	if err := actor.May(triage.ChangeStaff); err != nil {
		return triage.Staff{}, "", err
	}
	s, code, err := c.Desk.AddStaff(ctx, tx, n)
	if err != nil {
		return s, "", err
	}
	return s, code, c.Desk.Did(ctx, tx, actor, triage.ChangeStaff, triage.Ref{}, "added "+s.Handle)
}

// StaffCode draws a new code for a colleague; the one before is void.
func (c *Care) StaffCode(ctx context.Context, tx *store.Tx, actor triage.Staff, handle string) (triage.Staff, string, error) {
	if err := actor.May(triage.ChangeStaff); err != nil {
		return triage.Staff{}, "", err
	}
	s, err := c.Desk.StaffByHandle(ctx, tx, handle)
	if err != nil {
		return s, "", err
	}
	code, err := c.Desk.NewStaffCode(ctx, tx, s)
	if err != nil {
		return s, "", err
	}
	return s, code, c.Desk.Did(ctx, tx, actor, triage.ChangeStaff, triage.Ref{}, "code for "+s.Handle)
}

// StaffLeaves ends a colleague's work here. Nobody can do that to herself, so that
// an administrator remains.
func (c *Care) StaffLeaves(ctx context.Context, tx *store.Tx, actor triage.Staff, handle string) (triage.Staff, error) {
	if err := actor.May(triage.ChangeStaff); err != nil {
		return triage.Staff{}, err
	}
	s, err := c.Desk.StaffByHandle(ctx, tx, handle)
	if err != nil {
		return s, err
	}
	if s.ID == actor.ID {
		return s, triage.Refuse("not_yourself", nil)
	}
	if err := c.Desk.Leave(ctx, tx, s); err != nil {
		return s, err
	}
	return s, c.Desk.Did(ctx, tx, actor, triage.ChangeStaff, triage.Ref{}, "left "+s.Handle)
}

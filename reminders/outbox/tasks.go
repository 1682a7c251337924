package outbox

import (
	"context"
	"fmt"

	"handrail.example/reminders/store"
)

// runTasks runs some of what is due, several in one commit, each so that it fails by
// itself and delays no other. It leaves the rest to the next pass: messages come
// first.
func (d *Dispatcher) runTasks(ctx context.Context) error {
	return d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		for range taskBatch {
			// Looked for anew each time: one may have made the next needless.
			r, err := dueTask(ctx, tx)
			if err != nil || r == nil {
				return err
			}
			if err := d.runTask(ctx, tx, r); err != nil {
				return err
			}
		}
		return nil
	})
}

// runTask runs one task. An error is one of the database, for which no task is to
// blame.
func (d *Dispatcher) runTask(ctx context.Context, tx *store.Tx, r *row) error {
	cause := tx.Try(ctx, func() error {
		if err := d.runRow(ctx, tx, r); err != nil {
			return err
		}
		return settleRow(ctx, tx, r.ID, "done")
	})
	switch {
	case cause == nil:
		return nil
	case tx.Broken() != nil || store.Busy(cause):
		return cause
	}
	d.Report(fmt.Errorf("task %d: %w", r.ID, cause))
	return d.failTask(ctx, tx, r)
}

func dueTask(ctx context.Context, tx *store.Tx) (*row, error) {
	due, err := dueRows(ctx, tx, background, nil, 1)
	if err != nil || len(due) == 0 {
		return nil, err
	}
	return due[0], nil
}

func (d *Dispatcher) runRow(ctx context.Context, tx *store.Tx, r *row) error {
	if ok, err := d.read(ctx, tx, r); err != nil || !ok {
		return fmt.Errorf("its row cannot be read: %w", orNonsense(err))
	}
	run := d.Tasks[r.content.Run]
	if run == nil {
		return fmt.Errorf("no function %q is registered", r.content.Run)
	}
	return run(ctx, tx, r.content.Payload)
}

func orNonsense(err error) error {
	if err == nil {
		return errNonsense
	}
	return err
}

// failTask puts a task off, and after some tries hands it to a person.
func (d *Dispatcher) failTask(ctx context.Context, tx *store.Tx, r *row) error {
	if r.Tries+1 < taskTries && !r.erased {
		_, err := tx.Exec(ctx, `UPDATE outbox SET tries = tries + 1, not_before = ? WHERE id = ?`,
			store.At(tx.Now.Add(backOff(r.Tries, lastRetry))), r.ID)
		return err
	}
	return d.giveUp(ctx, tx, r, "failed", Stuck, r.content.Run)
}

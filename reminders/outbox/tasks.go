package outbox

import (
	"context"
	"fmt"
	"runtime/debug"

	"handrail.example/reminders/store"
)

// runTasks runs some of what is due, each task in a transaction of its own, so
// that one that fails undoes and delays no other. It leaves the rest to the next
// pass: messages come first.
func (d *Dispatcher) runTasks(ctx context.Context) error {
	for range taskBatch {
		ran, err := d.runTask(ctx)
		if err != nil || !ran {
			return err
		}
	}
	return nil
}

func (d *Dispatcher) runTask(ctx context.Context) (ran bool, err error) {
	var failed *row
	var cause error
	err = d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		r, err := dueTask(ctx, tx)
		if err != nil || r == nil {
			return err
		}
		ran = true
		if cause = d.runRow(ctx, tx, r); cause != nil {
			failed = r
			return cause
		}
		return settleRow(ctx, tx, r.ID, "done")
	})
	if failed == nil || store.Busy(cause) {
		return ran, err
	}
	d.Report(fmt.Errorf("task %d: %w", failed.ID, cause))
	return ran, d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error { return d.failTask(ctx, tx, failed) })
}

func dueTask(ctx context.Context, tx *store.Tx) (*row, error) {
	due, err := dueRows(ctx, tx, background, nil, 1)
	if err != nil || len(due) == 0 {
		return nil, err
	}
	return due[0], nil
}

func (d *Dispatcher) runRow(ctx context.Context, tx *store.Tx, r *row) (err error) {
	defer func() {
		if p := recover(); p != nil {
			// The value may quote a patient; the stack holds places only.
			err = fmt.Errorf("panic of type %T\n%s", p, debug.Stack())
		}
	}()
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

package outbox

import (
	"context"
	"fmt"
	"runtime/debug"

	"handrail.example/reminders/store"
)

// runTasks runs what is due, each task in a transaction of its own, so that one
// that fails undoes and delays no other.
func (d *Dispatcher) runTasks(ctx context.Context) error {
	for {
		ran, err := d.runTask(ctx)
		if err != nil || !ran {
			return err
		}
	}
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
		if err := d.runRow(ctx, tx, r); err != nil {
			failed, cause = r, err
			return err
		}
		return settleRow(ctx, tx, r.ID, "done")
	})
	if failed == nil {
		return ran, err
	}
	d.Report(fmt.Errorf("task %d: %w", failed.ID, cause))
	return ran, d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error { return d.failTask(ctx, tx, failed) })
}

func dueTask(ctx context.Context, tx *store.Tx) (*row, error) {
	var r row
	found, err := tx.Find(ctx, &r, `SELECT `+rowColumns+` FROM outbox
		WHERE state = 'queued' AND priority = ? AND not_before <= ? ORDER BY not_before, id LIMIT 1`,
		kinds[Task].priority, store.At(tx.Now))
	if err != nil || !found {
		return nil, err
	}
	return &r, nil
}

func (d *Dispatcher) runRow(ctx context.Context, tx *store.Tx, r *row) (err error) {
	defer func() {
		if p := recover(); p != nil {
			// The value may quote a patient; the stack holds places only.
			err = fmt.Errorf("panic of type %T\n%s", p, debug.Stack())
		}
	}()
	if err := d.read(ctx, tx, r); err != nil {
		return err
	}
	run := d.Tasks[r.content.Run]
	if run == nil {
		return fmt.Errorf("no function %q is registered", r.content.Run)
	}
	return run(ctx, tx, r.content.Payload)
}

// failTask puts a task off, and after some tries hands it to a person.
func (d *Dispatcher) failTask(ctx context.Context, tx *store.Tx, r *row) error {
	if r.Tries+1 < taskTries {
		_, err := tx.Exec(ctx, `UPDATE outbox SET tries = tries + 1, not_before = ? WHERE id = ?`,
			store.At(tx.Now.Add(backOff(r.Tries, lastRetry))), r.ID)
		return err
	}
	if err := settleRow(ctx, tx, r.ID, "failed"); err != nil {
		return err
	}
	return d.trouble(ctx, tx, r, Stuck, r.content.Run)
}

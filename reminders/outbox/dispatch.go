package outbox

import (
	"context"
	"fmt"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Sizes and waits of the dispatcher: common practice, no source.
const (
	batch      = 10               // rows claimed and not yet sent, at most
	lookahead  = 64               // due rows looked at to fill a batch
	lease      = 2 * time.Minute  // after which a claimed row counts as lost
	firstRetry = 2 * time.Second  // doubled with every try
	lastRetry  = 2 * time.Minute  // and never more than this
	alertRetry = 15 * time.Second // nor than this for an alert
	taskTries  = 3                // failures of a task before a person must look
	doubtTries = 5                // lost answers to one message before a person must look
)

// TaskFunc does the work of a task. It runs in the transaction that settles its
// row, so both happen or neither.
type TaskFunc func(ctx context.Context, tx *store.Tx, payload []byte) error

// Trouble is a row that cannot be kept as it was promised. Somebody must look.
type Trouble struct {
	Row   int64
	Key   string
	Topic string
	Kind  Kind
	To    seal.Person // 0 for a stranger or a task
	About seal.Person
	Why   Why
	Class string // of a failed attempt
	Text  string // what was to be said
}

// Why says what is wrong with a row.
type Why string

// The troubles.
const (
	Late        Why = "late"        // it expired before it could go out
	Undelivered Why = "undelivered" // it can never be delivered
	Doubtful    Why = "doubtful"    // it may or may not have been delivered
	Stuck       Why = "stuck"       // a task failed again and again
)

// Dispatcher sends what is due and runs what is due.
type Dispatcher struct {
	DB     *store.DB
	Vault  *seal.Vault
	Outbox *Outbox
	Sender Sender
	Tasks  map[string]TaskFunc
	// OnTrouble is called in the transaction that settles the row.
	OnTrouble func(ctx context.Context, tx *store.Tx, t Trouble) error
	// Report hears of failures for the log; they hold no text.
	Report func(err error)

	limits *limiter
}

// Run passes for ever: a pass, then a wait until the next is due or the bell
// rings. It returns when ctx ends. The caller holds clk.
func (d *Dispatcher) Run(ctx context.Context, clk clock.Clock) {
	for fails := 0; ctx.Err() == nil; {
		next, err := d.Tick(ctx)
		if err == nil {
			fails = 0
		} else if ctx.Err() == nil {
			d.Report(fmt.Errorf("dispatch: %w", err))
			next = clk.Now().Add(backOff(fails, lastRetry))
			fails++
		}
		if clk.Until(ctx, next, d.Outbox.bell) != nil {
			return
		}
	}
}

// Tick makes one pass: it takes back rows whose sending was interrupted, turns
// late rows over to people, runs due tasks, and claims, sends and settles one
// batch of due messages. It reports when the next pass is due: an instant not
// after now when there may be more to do already, the zero time when only the
// bell can bring more.
func (d *Dispatcher) Tick(ctx context.Context) (time.Time, error) {
	if d.limits == nil {
		d.limits = newLimiter()
	}
	now, next, err := d.next(ctx)
	if err != nil || next.IsZero() || next.After(now) {
		return next, err
	}
	if err := d.DB.Within(ctx, d.recover); err != nil {
		return next, fmt.Errorf("take back interrupted rows: %w", err)
	}
	if err := d.DB.Within(ctx, d.expire); err != nil {
		return next, fmt.Errorf("turn over late rows: %w", err)
	}
	if err := d.runTasks(ctx); err != nil {
		return next, err
	}
	wait, err := d.deliver(ctx)
	if err != nil || wait.IsZero() {
		return next, err
	}
	_, next, err = d.next(ctx)
	if !next.IsZero() && next.Before(wait) {
		// Everything due is held back by the limits of the platform.
		next = wait
	}
	return next, err
}

// next is the earliest instant at which there is something to do.
func (d *Dispatcher) next(ctx context.Context) (now, next time.Time, err error) {
	err = d.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		now = tx.Now
		for _, q := range nextQueries {
			var at store.Time
			if err := tx.Get(ctx, &at, q.query, q.args...); err != nil {
				return err
			}
			if !at.IsZero() {
				next = earlier(next, at.Time)
			}
		}
		return nil
	})
	return now, next, err
}

type query struct {
	query string
	args  []any
}

var nextQueries = func() []query {
	qs := []query{
		{`SELECT min(lease_until) FROM outbox WHERE state = 'sending'`, nil},
		{`SELECT min(expires_at) FROM outbox WHERE state = 'queued' AND expires_at IS NOT NULL`, nil},
	}
	for _, p := range priorities() {
		qs = append(qs, query{`SELECT min(not_before) FROM outbox WHERE state = 'queued' AND priority = ?`, []any{p}})
	}
	return qs
}()

// NextDue is the instant at which the outbox next has something to do; the zero
// time when it has nothing.
func (d *Dispatcher) NextDue(ctx context.Context) (time.Time, error) {
	_, next, err := d.next(ctx)
	return next, err
}

// row is a row as the dispatcher handles it.
type row struct {
	ID       int64       `db:"id"`
	Key      string      `db:"key"`
	Topic    string      `db:"topic"`
	Kind     Kind        `db:"kind"`
	To       *int64      `db:"person_id"`
	Address  []byte      `db:"address"`
	About    seal.Person `db:"sealed_for"`
	Body     []byte      `db:"body"`
	Tries    int         `db:"tries"`
	Revised  []byte      `db:"revised"`
	External *string     `db:"external_id"`

	content  content
	envelope Envelope
	outcome  Outcome
}

const rowColumns = `id, key, topic, kind, person_id, address, sealed_for, body, tries, revised, external_id`

func (r *row) to() seal.Person {
	if r.To == nil {
		return 0
	}
	return seal.Person(*r.To)
}

func (d *Dispatcher) read(ctx context.Context, tx *store.Tx, r *row) error {
	plain, err := d.Vault.Open(ctx, tx, r.About, "outbox", r.Body)
	if err != nil {
		return err
	}
	return decode(plain, &r.content)
}

func (d *Dispatcher) trouble(ctx context.Context, tx *store.Tx, r *row, why Why, class string) error {
	return d.OnTrouble(ctx, tx, Trouble{Row: r.ID, Key: r.Key, Topic: r.Topic, Kind: r.Kind, To: r.to(),
		About: r.About, Why: why, Class: class, Text: r.content.Message.Text})
}

// expire turns rows that are too late to be of use over to people.
func (d *Dispatcher) expire(ctx context.Context, tx *store.Tx) error {
	var rows []*row
	if err := tx.Select(ctx, &rows, `SELECT `+rowColumns+` FROM outbox
		WHERE state = 'queued' AND expires_at <= ? ORDER BY expires_at, id LIMIT 100`, store.At(tx.Now)); err != nil {
		return err
	}
	for _, r := range rows {
		if err := d.read(ctx, tx, r); err != nil {
			d.Report(fmt.Errorf("row %d: %w", r.ID, err))
		}
		if err := settleRow(ctx, tx, r.ID, "expired"); err != nil {
			return err
		}
		if err := d.trouble(ctx, tx, r, Late, ""); err != nil {
			return err
		}
	}
	return nil
}

func settleRow(ctx context.Context, tx *store.Tx, id int64, state string) error {
	_, err := tx.Exec(ctx, `UPDATE outbox SET state = ?, settled_at = ?, lease_until = NULL, revised = NULL WHERE id = ?`,
		state, store.At(tx.Now), id)
	return err
}

func backOff(tries int, most time.Duration) time.Duration {
	return min(firstRetry<<min(tries, 10), most)
}

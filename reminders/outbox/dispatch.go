package outbox

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Sizes and waits of the dispatcher: common practice, no source.
const (
	batch      = 10               // rows claimed and not yet sent, at most
	lateBatch  = 20               // late or untold rows handed over in one pass
	taskBatch  = 5                // tasks run between two looks at the messages
	lease      = 2 * time.Minute  // after which a claimed row counts as lost
	firstRetry = 2 * time.Second  // doubled with every try
	lastRetry  = 2 * time.Minute  // and never more than this
	alertRetry = 15 * time.Second // nor than this for an alert
	longestAsk = time.Hour        // nor than this if the platform asks for more
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
	Class string // of a failed attempt; a task's function
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

// Dispatcher sends what is due and runs what is due. Run, Tick and Resume belong
// to one goroutine; NextDue may be asked from any.
type Dispatcher struct {
	DB     *store.DB
	Vault  *seal.Vault
	Outbox *Outbox
	Sender Sender
	Tasks  map[string]TaskFunc
	// OnTrouble is called in the transaction that settles the row. If it fails,
	// what it did is undone and it is called again later.
	OnTrouble func(ctx context.Context, tx *store.Tx, t Trouble) error
	// Report hears of failures for the log; they hold no text.
	Report func(err error)

	limits  *limiter
	flights flights
	// aloft holds the clock while something is on the wire.
	aloft func() (release func())
	// setBack: the clock was set back, and the rows do not know yet.
	setBack bool
}

// Run passes for ever: a pass, then a wait until the next is due or the bell
// rings, as it does when something comes back from the wire. When ctx ends it
// waits for what is on the wire, settles it and returns. The caller holds clk.
func (d *Dispatcher) Run(ctx context.Context, clk clock.Clock) {
	d.aloft = clk.Hold
	defer d.land(ctx)
	for fails := 0; ctx.Err() == nil; {
		next, _, err := d.pass(ctx, true)
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

func (d *Dispatcher) land(ctx context.Context) {
	d.flights.wait()
	if _, _, err := d.pass(context.WithoutCancel(ctx), false); err != nil {
		d.Report(fmt.Errorf("settle the last messages: %w", err))
	}
}

// Tick makes one pass, waits for what it put on the wire and settles it. It
// reports when the next pass is due: an instant not after now when there may be
// more to do already, the zero time when only the bell can bring more.
func (d *Dispatcher) Tick(ctx context.Context) (time.Time, error) {
	next, now, err := d.pass(ctx, true)
	if err != nil || d.flights.count() == 0 {
		return next, err
	}
	d.flights.wait()
	_, _, err = d.pass(context.WithoutCancel(ctx), false)
	return now, err
}

// pass settles what has come back from the wire, takes back rows whose sending
// was interrupted, turns late rows over to people, puts due messages on the wire
// if it may, and runs some due tasks. It does not wait for the wire. It reports
// when the next pass is due and when it began.
func (d *Dispatcher) pass(ctx context.Context, mayClaim bool) (next, now time.Time, err error) {
	d.start()
	landed := d.flights.back()
	now, next, err = d.next(ctx, time.Time{})
	if err != nil {
		return next, now, err
	}
	d.setBack = d.limits.at(now) || d.setBack
	if len(landed) == 0 && !d.setBack && (next.IsZero() || next.After(now)) {
		return next, now, nil
	}
	var claimed []*row
	var wait time.Time
	if err := d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		if err := d.clear(ctx, tx, landed); err != nil || !mayClaim {
			return err
		}
		claimed, wait, err = d.claim(ctx, tx)
		return err
	}); err != nil {
		return next, now, err
	}
	d.setBack = false
	d.flights.settled(landed)
	d.launch(ctx, claimed)
	if err := d.runTasks(ctx); err != nil {
		return next, now, err
	}
	// Messages that are due by now are on the wire, or held back until wait.
	_, next, err = d.next(ctx, now)
	return earlier(next, wait), now, err
}

func (d *Dispatcher) start() {
	if d.limits == nil {
		d.limits = newLimiter()
	}
	if d.aloft == nil {
		d.aloft = clock.System{}.Hold
	}
}

// clear does what comes before new messages are put on the wire.
func (d *Dispatcher) clear(ctx context.Context, tx *store.Tx, landed []*row) error {
	for _, r := range landed {
		if err := d.settle(ctx, tx, r); err != nil {
			return fmt.Errorf("settle row %d: %w", r.ID, err)
		}
	}
	if d.setBack {
		if err := rewind(ctx, tx); err != nil {
			return err
		}
	}
	for _, step := range []func(context.Context, *store.Tx) error{d.recover, d.expire, d.retell} {
		if err := step(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

// rewind makes due what was due already by a clock that has been set back since.
func rewind(ctx context.Context, tx *store.Tx) error {
	_, err := tx.Exec(ctx, `UPDATE outbox SET not_before = ? WHERE state = 'queued' AND not_before > ? AND (due_at <= created_at OR due_at <= ?)`,
		store.At(tx.Now), store.At(tx.Now), store.At(tx.Now))
	return err
}

// nextQuery finds the earliest instant at which there is something to do. Its
// arguments, one for each priority of messages, leave out what is due by then.
var nextQuery = func() string {
	parts := []string{
		`SELECT min(lease_until) AS t FROM outbox WHERE state = 'sending'`,
		`SELECT min(expires_at) FROM outbox WHERE state = 'queued' AND expires_at IS NOT NULL`,
		`SELECT min(not_before) FROM outbox WHERE untold IS NOT NULL`,
		fmt.Sprintf(`SELECT min(not_before) FROM outbox WHERE state = 'queued' AND priority = %d`, background),
	}
	for p := urgent; p < background; p++ {
		parts = append(parts, fmt.Sprintf(`SELECT min(not_before) FROM outbox WHERE state = 'queued' AND priority = %d AND not_before > ?`, p))
	}
	return `SELECT min(t) FROM (` + strings.Join(parts, " UNION ALL ") + `)`
}()

// next is the earliest instant at which there is something to do, messages that
// are due by then left out; the zero time when there is nothing.
func (d *Dispatcher) next(ctx context.Context, then time.Time) (now, next time.Time, err error) {
	after := any("") // sorts before every instant
	if !then.IsZero() {
		after = store.At(then)
	}
	err = d.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		var at store.Time
		now = tx.Now
		err := tx.Get(ctx, &at, nextQuery, after, after, after, after, after)
		next = at.Time
		return err
	})
	return now, next, err
}

// NextDue is the instant at which the outbox next has something to do; the zero
// time when it has nothing. It is past while the platform's limits hold back what
// is due.
func (d *Dispatcher) NextDue(ctx context.Context) (time.Time, error) {
	_, next, err := d.next(ctx, time.Time{})
	return next, err
}

// row is a row as the dispatcher handles it.
type row struct {
	ID       int64       `db:"id"`
	Key      string      `db:"key"`
	Topic    string      `db:"topic"`
	Kind     Kind        `db:"kind"`
	To       seal.Person `db:"person"`
	Address  []byte      `db:"address"`
	About    seal.Person `db:"sealed_for"`
	Body     []byte      `db:"body"`
	Tries    int         `db:"tries"`
	External *string     `db:"external_id"`
	Untold   *string     `db:"untold"`

	content  content
	envelope Envelope
	outcome  Outcome
	unsent   bool // it never came to an attempt
	erased   bool // whoever it speaks of or to has been erased
}

const rowColumns = `id, key, topic, kind, coalesce(person_id, 0) AS person, address, sealed_for, body, tries, external_id, untold`

func (r *row) chat() chat { return chatOf(r.To, r.ID) }

func (r *row) priority() int { return kinds[r.Kind].priority }

// read unseals what a row says. What cannot be read is reported and leaves the
// content empty; only a failure of the database is an error.
func (d *Dispatcher) read(ctx context.Context, tx *store.Tx, r *row) (readable bool, err error) {
	plain, err := d.Vault.Open(ctx, tx, r.About, "outbox", r.Body)
	if err == nil {
		err = decode(plain, &r.content)
	}
	return d.couldRead(r, err)
}

func (d *Dispatcher) couldRead(r *row, err error) (bool, error) {
	if err == nil {
		return true, nil
	}
	if !unreadable(err) {
		return false, err
	}
	r.erased = errors.Is(err, seal.ErrErased)
	d.Report(fmt.Errorf("row %d: %w", r.ID, err))
	return false, nil
}

var errNonsense = errors.New("a row of the outbox does not hold what it should")

func decode(plain []byte, into any) error {
	if json.Unmarshal(plain, into) != nil {
		// Its error would quote what it could not read.
		return errNonsense
	}
	return nil
}

// unreadable tells a row that can never be read from a database that cannot be
// read now.
func unreadable(err error) bool { return errors.Is(err, seal.ErrSealed) || errors.Is(err, errNonsense) }

func backOff(tries int, most time.Duration) time.Duration {
	return min(firstRetry<<min(tries, 10), most)
}

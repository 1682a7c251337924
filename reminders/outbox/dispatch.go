package outbox

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
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
	doubtTries = 5                // lost answers to one message, others getting through, before a person must look
	hopeless   = 20               // the same while nothing gets through to anybody, about half an hour
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

// Way is how somebody is reached at the instant at which a message is sent.
type Way struct {
	Chat string // "" for none
	// Revoked: nobody may tell her this, or no longer. The message is withdrawn, and
	// nobody is troubled with it.
	Revoked bool
	// Head is put above the text, where one chat is more than one person's.
	Head string
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
	// Reach says how somebody is reached, and whether she may be told what a message
	// tells, in the transaction that puts it on the wire. Without it everybody is
	// reached in her own chat.
	Reach func(ctx context.Context, tx *store.Tx, to, about seal.Person, scope string) (Way, error)
	// Draw draws what a File's Draw says. It runs with no transaction open.
	Draw func(what []byte) ([]byte, error)
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
	defer func() {
		if err := d.land(ctx); err != nil {
			d.Report(fmt.Errorf("settle the last messages: %w", err))
		}
	}()
	for fails := 0; ctx.Err() == nil; {
		next, _, err := d.pass(ctx)
		if err == nil {
			fails = 0
		} else if ctx.Err() == nil {
			d.Report(fmt.Errorf("dispatch: %w", err))
			next = clk.Now().Add(backOff(fails, alertRetry))
			fails++
		}
		if clk.Until(ctx, next, d.Outbox.bell) != nil {
			return
		}
	}
}

// land waits for what is on the wire and settles it, whether or not ctx has ended.
func (d *Dispatcher) land(ctx context.Context) error {
	d.flights.wait()
	landed := d.flights.back()
	if len(landed) == 0 {
		return nil
	}
	err := d.DB.Within(context.WithoutCancel(ctx), func(ctx context.Context, tx *store.Tx) error {
		d.limits.at(tx.Now)
		return d.settleAll(ctx, tx, landed)
	})
	if err == nil {
		d.flights.settled(landed)
	}
	return err
}

// Tick makes one pass, waits for what it put on the wire and settles it. It
// reports when the next pass is due: an instant not after now when there may be
// more to do already, the zero time when only the bell can bring more.
func (d *Dispatcher) Tick(ctx context.Context) (time.Time, error) {
	next, now, err := d.pass(ctx)
	if err != nil || d.flights.count() == 0 {
		return next, err
	}
	return now, d.land(ctx)
}

// pass settles what has come back from the wire, takes back rows whose sending
// was interrupted, turns late rows over to people, puts due messages on the wire
// and runs some due tasks. It does not wait for the wire. It reports when the
// next pass is due and when it began.
func (d *Dispatcher) pass(ctx context.Context) (next, now time.Time, err error) {
	d.start()
	landed := d.flights.back()
	var todo agenda
	if len(landed) == 0 {
		if now, todo, err = d.look(ctx); err != nil {
			return next, now, err
		}
		d.setBack = d.limits.at(now) || d.setBack
		if next = todo.first(); !d.setBack && !due(next, now) {
			return next, now, nil
		}
	}
	var claimed []*row
	var wait time.Time
	var later agenda
	if err := d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		now = tx.Now
		d.setBack = d.limits.at(now) || d.setBack
		if todo, err = d.tidy(ctx, tx, landed, todo); err != nil {
			return err
		}
		if claimed, wait, err = d.claim(ctx, tx, todo, batch-d.flights.count()+len(landed)); err != nil {
			return err
		}
		// Messages that are due by now are on the wire, or held back until wait.
		later, err = readAgenda(ctx, tx, tx.Now)
		return err
	}); err != nil {
		return next, now, err
	}
	d.setBack = false
	d.flights.settled(landed)
	d.launch(ctx, claimed)
	if due(todo.Task.Time, now) {
		// What the tasks put into the outbox is for the next pass.
		return now, now, d.runTasks(ctx)
	}
	return earlier(later.first(), wait), now, nil
}

func (d *Dispatcher) start() {
	if d.limits == nil {
		d.limits = newLimiter()
	}
	if d.aloft == nil {
		d.aloft = clock.System{}.Hold
	}
}

// tidy settles what has landed and does what comes before new messages are put on the
// wire. It gives the agenda as it is then.
func (d *Dispatcher) tidy(ctx context.Context, tx *store.Tx, landed []*row, todo agenda) (agenda, error) {
	if len(landed) > 0 {
		err := d.settleAll(ctx, tx, landed)
		if err == nil {
			todo, err = readAgenda(ctx, tx, time.Time{})
		}
		if err != nil {
			return todo, err
		}
	}
	cleared, err := d.clear(ctx, tx, todo)
	if err != nil || !cleared {
		return todo, err
	}
	return readAgenda(ctx, tx, time.Time{}) // rows may have been put back
}

func (d *Dispatcher) settleAll(ctx context.Context, tx *store.Tx, landed []*row) error {
	for _, r := range landed {
		if err := d.settle(ctx, tx, r); err != nil {
			return fmt.Errorf("settle row %d: %w", r.ID, err)
		}
	}
	return nil
}

// clear takes back and gives up what is due for it, and reports whether anything was.
func (d *Dispatcher) clear(ctx context.Context, tx *store.Tx, todo agenda) (any bool, err error) {
	if d.setBack {
		if err := rewind(ctx, tx); err != nil {
			return false, err
		}
	}
	for _, step := range []struct {
		at time.Time
		do func(context.Context, *store.Tx) error
	}{
		{todo.Lease.Time, d.recover}, {todo.Expiry.Time, d.expire}, {todo.Untold.Time, d.retell},
	} {
		if d.setBack || due(step.at, tx.Now) {
			any = true
			if err := step.do(ctx, tx); err != nil {
				return any, err
			}
		}
	}
	return any, nil
}

// rewind makes due what was due already by a clock that has been set back since.
func rewind(ctx context.Context, tx *store.Tx) error {
	const rows = `UPDATE outbox SET not_before = ? WHERE not_before > ? AND (due_at <= created_at OR due_at <= ?) AND `
	for _, state := range []string{`state = 'queued'`, `state = 'sending'`} {
		if _, err := tx.Exec(ctx, rows+state, store.At(tx.Now), store.At(tx.Now), store.At(tx.Now)); err != nil {
			return err
		}
	}
	return nil
}

// agenda says when each part of a pass next has something to do; the zero time
// for never.
type agenda struct {
	Lease  store.Time `db:"lease"`
	Expiry store.Time `db:"expiry"`
	Untold store.Time `db:"untold"`
	Task   store.Time `db:"task"`
	// Messages by priority.
	P0 store.Time `db:"p0"`
	P1 store.Time `db:"p1"`
	P2 store.Time `db:"p2"`
	P3 store.Time `db:"p3"`
	P4 store.Time `db:"p4"`
}

func (a agenda) messages() [background]store.Time {
	return [...]store.Time{a.P0, a.P1, a.P2, a.P3, a.P4}
}

func (a agenda) first() time.Time {
	first := earlier(earlier(a.Lease.Time, a.Expiry.Time), earlier(a.Untold.Time, a.Task.Time))
	for _, at := range a.messages() {
		first = earlier(first, at.Time)
	}
	return first
}

func due(at, now time.Time) bool { return !at.IsZero() && !at.After(now) }

// agendaQuery reads an agenda, each part from the end of an index. Its arguments,
// one for each priority of messages, leave out what is due by then.
var agendaQuery = func() string {
	q := fmt.Sprintf(`SELECT
		(SELECT min(lease_until) FROM outbox WHERE state = 'sending') AS lease,
		(SELECT min(expires_at) FROM outbox WHERE state = 'queued' AND expires_at IS NOT NULL) AS expiry,
		(SELECT min(not_before) FROM outbox WHERE untold IS NOT NULL) AS untold,
		(SELECT min(not_before) FROM outbox WHERE state = 'queued' AND priority = %d) AS task`, background)
	for p := urgent; p < background; p++ {
		q += fmt.Sprintf(`,
		(SELECT min(not_before) FROM outbox WHERE state = 'queued' AND priority = %d AND not_before > ?) AS p%d`, p, p)
	}
	return q
}()

// readAgenda reads the agenda, messages that are due by then left out.
func readAgenda(ctx context.Context, tx *store.Tx, then time.Time) (a agenda, err error) {
	after := any("") // sorts before every instant
	if !then.IsZero() {
		after = store.At(then)
	}
	err = tx.Get(ctx, &a, agendaQuery, after, after, after, after, after)
	return a, err
}

// look reads the whole agenda, in a view of its own.
func (d *Dispatcher) look(ctx context.Context) (now time.Time, a agenda, err error) {
	err = d.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		now = tx.Now
		a, err = readAgenda(ctx, tx, time.Time{})
		return err
	})
	return now, a, err
}

// NextDue is the instant at which the outbox next has something to do; the zero
// time when it has nothing. It is past while the platform's limits hold back what
// is due.
func (d *Dispatcher) NextDue(ctx context.Context) (time.Time, error) {
	_, a, err := d.look(ctx)
	return a.first(), err
}

// row is a row as the dispatcher handles it.
type row struct {
	ID      int64       `db:"id"`
	Key     string      `db:"key"`
	Topic   string      `db:"topic"`
	Kind    Kind        `db:"kind"`
	To      seal.Person `db:"person"`
	Address []byte      `db:"address"`
	About   seal.Person `db:"sealed_for"`
	Scope   string      `db:"scope"`
	Body    []byte      `db:"body"`
	Tries   int         `db:"tries"`
	Untold  *string     `db:"untold"`

	content  content
	envelope Envelope
	outcome  Outcome
	unsent   bool // it never came to an attempt
	erased   bool // whoever it speaks of or to has been erased
}

const rowColumns = `id, key, topic, kind, coalesce(person_id, 0) AS person, address, sealed_for, scope, body, tries, untold`

func (r *row) chat() chat { return chatOf(r.To, r.ID) }

func (r *row) priority() int { return kinds[r.Kind].priority }

// read unseals what a row says. What cannot be read is reported and leaves the
// content empty; only a failure of the database is an error.
func (d *Dispatcher) read(ctx context.Context, tx *store.Tx, r *row) (readable bool, err error) {
	ring, err := d.Vault.Ring(ctx, tx, r.About)
	if err == nil {
		err = r.unseal(ring)
	}
	return d.couldRead(r, err)
}

func (r *row) unseal(ring seal.Ring) error {
	plain, err := ring.Open("outbox", r.Body)
	if err != nil {
		return err
	}
	return decode(plain, &r.content)
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

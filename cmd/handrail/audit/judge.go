package audit

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"fmt"
	"hash"
	"net/url"
	"slices"
	"time"

	_ "github.com/mattn/go-sqlite3" // the file is a SQLite database
)

// Input is what is judged.
type Input struct {
	File    string // the database, closed by the program
	Master  []byte // the master key
	Clinic  Clinic
	Journal *Journal
	// Start and End are when the rehearsal began and ended on its clock.
	Start, End time.Time
}

// Verdict counts what agrees and what does not.
type Verdict struct {
	MessagesIn      int `json:"messages_in"`
	MessagesOut     int `json:"messages_out"`
	ExpiredUpstream int `json:"expired_upstream"`
	// LostIn: not taken in, or without the effect that it must have.
	LostIn          int `json:"lost_in"`
	DoubledEffects  int `json:"doubled_effects"`
	RemindersLost   int `json:"reminders_lost"`
	RemindersLate   int `json:"reminders_late"`
	RemindersDouble int `json:"reminders_doubled"`
	Alerts          int `json:"alerts"`
	CasesOpened     int `json:"cases_opened"`
	CasesUnanswered int `json:"cases_unanswered"`
	PlanMismatches  int `json:"plan_mismatches"`
	// Expected is how many reminders the auditor looked for by itself, Dated how many
	// rows of calendars it worked out: a check that finds nothing must have looked.
	Expected int `json:"reminders_expected"`
	Dated    int `json:"plan_rows_checked"`
	// Repeated is how many messages somebody got again because the answer to the first
	// was lost.
	Repeated int    `json:"repeated_after_lost_answers"`
	Digest   string `json:"audit_digest"`

	Completed int `json:"-"` // cycles that were closed
}

// Faulty reports whether anything does not agree.
func (v Verdict) Faulty() bool {
	return v.LostIn+v.DoubledEffects+v.RemindersLost+v.RemindersLate+v.RemindersDouble+v.CasesUnanswered+v.PlanMismatches > 0
}

// mostFindings is how many findings are named; the counts have all.
const mostFindings = 60

// judge is one audit.
type judge struct {
	Input
	ctx      context.Context
	db       *sql.DB
	v        Verdict
	findings []string
	digest   hash.Hash

	index    []byte           // key of the hashes by which chats are found
	keys     map[int64][]byte // of persons
	chatOf   map[int64]int64  // by person
	chats    map[string]int64 // by hash
	patients []*patient
	byHandle map[string]*patient
	items    map[[2]int64]*item // the first of each chat and number
	inbox    []*item            // by id; nil for what is no person's
	staff    map[int64]int64    // staff's person, by staff id
	causes   map[string][]time.Time
	cases    []*aCase
	casesOf  map[int64][]*aCase // by patient
}

// Judge audits the database of a rehearsal that has ended. Findings name rows and
// numbers, never words.
func Judge(ctx context.Context, in Input) (Verdict, []string, error) {
	j := &judge{Input: in, ctx: ctx, digest: sha256.New(), keys: make(map[int64][]byte), chatOf: make(map[int64]int64), chats: make(map[string]int64),
		byHandle: make(map[string]*patient), items: make(map[[2]int64]*item), staff: make(map[int64]int64), causes: make(map[string][]time.Time), casesOf: make(map[int64][]*aCase)}
	dsn := (&url.URL{Scheme: "file", Opaque: url.PathEscape(in.File), RawQuery: "mode=ro&_query_only=on"}).String()
	var err error
	if j.db, err = sql.Open("sqlite3", dsn); err != nil {
		return j.v, nil, err
	}
	defer func() { _ = j.db.Close() }() // it was only read
	for _, step := range []func() error{j.readPeople, j.readPatients, j.readInbox, j.readCases, j.judgeInbox, j.judgePatients, j.judgeStaff, j.judgeCases, j.judgeLooks} {
		if err := step(); err != nil {
			return j.v, nil, err
		}
	}
	j.v.Digest = hex.EncodeToString(j.digest.Sum(nil))
	return j.v, j.findings, nil
}

// find counts what does not agree under one of the verdict's fields.
func (j *judge) find(count *int, format string, args ...any) {
	*count++
	if len(j.findings) < mostFindings {
		j.findings = append(j.findings, fmt.Sprintf(format, args...))
	}
}

// note puts something into the digest.
func (j *judge) note(format string, args ...any) { fmt.Fprintf(j.digest, format+"\n", args...) }

// each runs a query and calls scan for every row.
func (j *judge) each(query string, scan func(*sql.Rows) error, args ...any) error {
	rows, err := j.db.QueryContext(j.ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }() // rows.Err has told
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// instantForm is how the file writes instants.
const instantForm = "2006-01-02T15:04:05.000Z"

func instant(s sql.NullString) time.Time {
	t, _ := time.Parse(instantForm, s.String)
	return t
}

// readPeople unwraps everybody's key and chat.
func (j *judge) readPeople() error {
	wrap, err := derive(j.Master, "wrap")
	if err != nil {
		return err
	}
	sealed := make(map[int64][]byte)
	if err := j.each(`SELECT id, wrapped, chat FROM people`, func(r *sql.Rows) error {
		var id int64
		var wrapped, chat []byte
		if err := r.Scan(&id, &wrapped, &chat); err != nil || wrapped == nil {
			return err
		}
		if chat != nil {
			sealed[id] = chat
		}
		j.keys[id], err = unseal(wrap, "person key", wrapped)
		return err
	}); err != nil {
		return err
	}
	if j.index, err = derive(j.keys[1], "index"); err != nil {
		return err
	}
	for id, chat := range sealed {
		plain, err := unseal(j.keys[id], "chat", chat)
		if err != nil {
			return err
		}
		var number int64
		if _, err := fmt.Sscan(string(plain), &number); err != nil {
			return err
		}
		j.chatOf[id] = number
		j.chats[string(keyed(j.index, "chat", string(plain)))] = number
	}
	return j.each(`SELECT id, person_id FROM staff`, func(r *sql.Rows) error {
		var id, person int64
		err := r.Scan(&id, &person)
		j.staff[id] = person
		return err
	})
}

// readPatients reads who is a patient, and her cycles.
func (j *judge) readPatients() error {
	byID := make(map[int64]*patient)
	if err := j.each(`SELECT id, person_id, handle FROM patients ORDER BY id`, func(r *sql.Rows) error {
		p := &patient{j: j}
		if err := r.Scan(&p.id, &p.person, &p.handle); err != nil {
			return err
		}
		p.chat = j.chatOf[p.person]
		j.patients = append(j.patients, p)
		j.byHandle[p.handle], byID[p.id] = p, p
		return nil
	}); err != nil {
		return err
	}
	return j.each(`SELECT id, patient_id, closed_at, coalesce(outcome, '') FROM cycles ORDER BY id`, func(r *sql.Rows) error {
		var id, of int64
		var closed sql.NullString
		var outcome string
		if err := r.Scan(&id, &of, &closed, &outcome); err != nil {
			return err
		}
		if closed.Valid {
			j.v.Completed++
		}
		p := byID[of]
		p.cycle, p.closed = id, instant(closed)
		j.note("cycle %s %s %s", p.handle, closed.String, outcome)
		return nil
	})
}

// item is one row of the inbox.
type item struct {
	id, chat, external int64
	state              string
	settled            time.Time
	// effects are replies and cases that name it, answers the doses that it answered,
	// facts what it stated.
	effects, answers, facts int32
	next                    *item // of the same chat and number
}

func (j *judge) readInbox() error {
	odd := 0
	if err := j.each(`SELECT id, external_id, chat_hash, state, settled_at FROM inbox ORDER BY id`, func(r *sql.Rows) error {
		it := &item{}
		var hashed []byte
		var settled sql.NullString
		if err := r.Scan(&it.id, &it.external, &hashed, &it.state, &settled); err != nil {
			return err
		}
		it.settled, it.chat = instant(settled), j.chats[string(hashed)]
		if hashed == nil || it.chat == 0 {
			odd++
			return nil
		}
		for int64(len(j.inbox)) <= it.id {
			j.inbox = append(j.inbox, nil)
		}
		j.inbox[it.id] = it
		at := [2]int64{it.chat, it.external}
		last := j.items[at]
		if last == nil {
			j.items[at] = it
			return nil
		}
		for last.next != nil {
			last = last.next
		}
		last.next = it
		return nil
	}); err != nil {
		return err
	}
	switch {
	case odd < j.Journal.Odd:
		j.find(&j.v.LostIn, "%d of %d updates that nobody can read are not kept", j.Journal.Odd-odd, j.Journal.Odd)
	case odd > j.Journal.Odd:
		j.find(&j.v.DoubledEffects, "%d updates are kept that nobody sent", odd-j.Journal.Odd)
	}
	return nil
}

// item is a row of the inbox by its id; nil when it is no person's.
func (j *judge) item(id int64) *item {
	if id < 0 || id >= int64(len(j.inbox)) {
		return nil
	}
	return j.inbox[id]
}

// itemOf is the row of what somebody did at an instant; nil when there is none. A
// number that came again belongs to the first row that was handled after it.
func (j *judge) itemOf(chat, update int64, at time.Time) *item {
	for it := j.items[[2]int64{chat, update}]; it != nil; it = it.next {
		if it.settled.IsZero() || !it.settled.Before(at.Truncate(time.Millisecond)) {
			return it
		}
	}
	return nil
}

// aCase is one case with what happened to it.
type aCase struct {
	id, patient, person         int64
	key, reason, urgency, state string
	outcome                     string
	opened, closed              time.Time
	events                      []caseEvent
	promised                    bool // something will bring it before somebody
}

type caseEvent struct {
	at     time.Time
	what   string
	by, to int64
	cause  string
}

func (j *judge) readCases() error {
	byID := make(map[int64]*aCase)
	if err := j.each(`SELECT id, coalesce(patient_id, 0), person_id, key, reason, urgency, state, coalesce(outcome, ''), opened_at, closed_at FROM cases ORDER BY id`, func(r *sql.Rows) error {
		c := &aCase{}
		var opened, closed sql.NullString
		if err := r.Scan(&c.id, &c.patient, &c.person, &c.key, &c.reason, &c.urgency, &c.state, &c.outcome, &opened, &closed); err != nil {
			return err
		}
		c.opened, c.closed = instant(opened), instant(closed)
		byID[c.id] = c
		j.cases = append(j.cases, c)
		j.casesOf[c.patient] = append(j.casesOf[c.patient], c)
		j.causes[c.key] = append(j.causes[c.key], c.opened)
		j.note("case %d %s %s %s %s %s %s", c.patient, c.reason, c.urgency, c.state, c.outcome, opened.String, closed.String)
		return nil
	}); err != nil {
		return err
	}
	j.v.CasesOpened = len(j.cases)
	if err := j.each(`SELECT case_id, at, what, by, coalesce(to_staff, 0), coalesce(cause, '') FROM case_events ORDER BY id`, func(r *sql.Rows) error {
		var of int64
		var e caseEvent
		var at sql.NullString
		if err := r.Scan(&of, &at, &e.what, &e.by, &e.to, &e.cause); err != nil {
			return err
		}
		e.at = instant(at)
		byID[of].events = append(byID[of].events, e)
		if e.cause != "" {
			j.causes[e.cause] = append(j.causes[e.cause], e.at)
		}
		return nil
	}); err != nil {
		return err
	}
	for cause := range j.causes {
		j.effect(cause)
	}
	return j.each(`SELECT topic FROM outbox WHERE topic >= 'case/' AND topic < 'case0' AND state = 'queued' AND kind = 'task'`, func(r *sql.Rows) error {
		var topic string
		var id int64
		if err := r.Scan(&topic); err != nil {
			return err
		}
		if n, _ := fmt.Sscanf(topic, "case/%d/tasks", &id); n == 1 && byID[id] != nil {
			byID[id].promised = true
		}
		return nil
	})
}

// effect counts what a message has set off, by a key or a cause that names it.
func (j *judge) effect(name string) {
	var id int64
	if n, _ := fmt.Sscanf(name, "inbox/%d", &id); n == 1 && j.item(id) != nil {
		j.item(id).effects++
	}
}

// caused reports whether something was put before a human for a cause that begins
// so.
func (j *judge) caused(cause string) bool { return len(j.causes[cause]) > 0 }

func sorted[K ~int64, V any](m map[K]V) []K {
	keys := make([]K, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

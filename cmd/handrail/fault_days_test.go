package main

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/store"
)

// mishap is a fault around the program, not of the platform: begin brings it
// about and end ends it; says is what the log must hold then.
type mishap struct {
	begin, end func(d *badDay)
	says       string
}

// TestBadDaysAtHome has the machine misbehave, again and again through a day on
// which people write: its disk fills up, another process holds the file or cuts it
// short, its clock is set back. As under the platform's faults nothing is lost, nothing is done
// twice, and the order of each chat is kept.
func TestBadDaysAtHome(t *testing.T) {
	t.Parallel()
	for name, x := range map[string]mishap{
		"the disk is full":           {fillDisk, emptyDisk, "disk is full"},
		"the file is held by others": {holdFile, func(d *badDay) { d.release() }, "database is locked"},
		"the file is cut short":      {cutFile, func(d *badDay) { d.release() }, "cut short"},
		"the file is moved away":     {moveFile, func(d *badDay) { d.release() }, "cut short, replaced or removed"},
		"the clock is set back":      {func(d *badDay) { d.stepped.back.Add(int64(40 * time.Minute)) }, func(*badDay) {}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := newBadDay(t, 1, loopback.Config{})
			for range 12 {
				d.sends()
				d.writes()
				d.pass(time.Duration(1+d.rnd.IntN(90)) * time.Second)
				x.begin(d)
				for range 3 {
					d.writes()
					d.pass(time.Duration(1+d.rnd.IntN(20)) * time.Second)
				}
				x.end(d)
				d.pass(time.Minute)
			}
			d.rest()
			d.audit(false)
			if !strings.Contains(d.log.String(), x.says) {
				t.Errorf("nothing of it stands in the log, so that it cannot have happened:\n%s", d.log.String())
			}
		})
	}
}

// TestSlowAnswers has the platform answer after the program has lost patience, or
// never.
func TestSlowAnswers(t *testing.T) {
	t.Parallel()
	slow := loopback.Duration(120 * time.Millisecond)
	d := newBadDay(t, 2, loopback.Config{})
	d.poller.Client.Timeout = 40 * time.Millisecond
	d.live([]loopback.Fault{{Kind: loopback.Late, Method: "sendMessage", Times: 1, Delay: slow}, {Kind: loopback.Hang, Method: "sendMessage", Times: 1, Delay: slow},
		{Kind: loopback.Late, Method: "getUpdates", Times: 1, Delay: slow}, {Kind: loopback.Hang, Method: "getUpdates", Times: 1, Delay: slow}})
	d.audit(false)
}

// TestADayWithoutThePlatform has the platform out of reach for almost as long as it
// keeps what people write. All of that is handled afterwards; what was to be said
// meanwhile is said then, or a person has been told that it was not.
func TestADayWithoutThePlatform(t *testing.T) {
	t.Parallel()
	d := newBadDay(t, 3, loopback.Config{})
	d.misbehave(loopback.Fault{Kind: loopback.Outage, Delay: loopback.Duration(23 * time.Hour)})
	for range 40 {
		d.writes()
		d.sends()
		d.pass(30 * time.Minute)
	}
	d.pass(3 * time.Hour)
	d.rest()
	if n := d.server.Waiting(); n > 0 || len(d.server.Expired()) > 0 {
		t.Errorf("%d updates wait, %d were dropped", n, len(d.server.Expired()))
	}
	d.within(func(ctx context.Context, tx *store.Tx) error {
		var untold int
		if err := tx.Get(ctx, &untold, `SELECT count(*) FROM outbox o WHERE topic = 'test' AND state <> 'sent'
			AND NOT (state = 'failed' AND untold IS NULL AND EXISTS (SELECT 1 FROM cases c WHERE c.person_id = o.person_id AND c.reason = 'doubtful'))`); err != nil {
			return err
		}
		if untold > 0 {
			t.Errorf("%d notes were neither sent nor told to a person", untold)
		}
		return d.auditInbox(ctx, tx, false)
	})
}

// rest waits for longer than the longest pause, so that nothing is left to wait for.
func (d *badDay) rest() {
	d.t.Helper()
	for range 12 {
		d.pass(20 * time.Minute)
	}
}

// stepped is a virtual clock that can be set back.
type stepped struct {
	*clock.Virtual
	back atomic.Int64
}

func (s *stepped) Now() time.Time { return s.Virtual.Now().Add(-time.Duration(s.back.Load())) }

func (s *stepped) Until(ctx context.Context, t time.Time, bell *clock.Bell) error {
	if !t.IsZero() {
		t = t.Add(time.Duration(s.back.Load()))
	}
	return s.Virtual.Until(ctx, t, bell)
}

// fillDisk lets the database have no page more than it has.
func fillDisk(d *badDay) { d.pragma("PRAGMA max_page_count = 1") }

func emptyDisk(d *badDay) { d.pragma("PRAGMA max_page_count = 1000000") }

func (d *badDay) pragma(query string) {
	d.t.Helper()
	d.within(func(ctx context.Context, tx *store.Tx) error {
		var got int
		return tx.Get(ctx, &got, query)
	})
}

// holdFile has somebody else begin to write to the file, and not end. The program
// waits for it no longer than a moment, so that the day does not take one.
func holdFile(d *badDay) {
	d.pragma("PRAGMA busy_timeout = 20")
	other, err := sql.Open("sqlite3", "file:"+d.database+"?_txlock=immediate&_busy_timeout=5000")
	if err != nil {
		d.t.Fatal(err)
	}
	held, err := other.Begin()
	if err != nil {
		d.t.Fatal(err)
	}
	d.release = func() {
		if err := errors.Join(held.Rollback(), other.Close()); err != nil {
			d.t.Fatal(err)
		}
	}
}

// cutFile has somebody truncate the file, until what was there is put back.
func cutFile(d *badDay) {
	whole, err := os.ReadFile(d.database)
	if err != nil {
		d.t.Fatal(err)
	}
	if err := os.Truncate(d.database, int64(d.rnd.IntN(len(whole)))); err != nil {
		d.t.Fatal(err)
	}
	d.release = func() {
		f, err := os.OpenFile(d.database, os.O_WRONLY, 0)
		if err != nil {
			d.t.Fatal(err)
		}
		_, err = f.WriteAt(whole, 0)
		if err := errors.Join(err, f.Close()); err != nil {
			d.t.Fatal(err)
		}
	}
}

// moveFile has somebody put the file elsewhere, and bring it back.
func moveFile(d *badDay) {
	away := d.database + ".away"
	if err := os.Rename(d.database, away); err != nil {
		d.t.Fatal(err)
	}
	d.release = func() {
		if err := os.Rename(away, d.database); err != nil {
			d.t.Fatal(err)
		}
	}
}

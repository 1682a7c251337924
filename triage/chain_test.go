package triage_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// begun is a clinic whose record has begun and holds some rows, from and to numbers
// of rows.
func begun(t *testing.T, rows int) *clinic {
	t.Helper()
	c := open(t, local(2, 9, 0))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if ok, err := c.desk.BeginRecord(ctx, tx); err != nil || !ok {
			t.Fatalf("begun %v: %v", ok, err)
		}
		return nil
	})
	for n := range rows {
		c.within(func(ctx context.Context, tx *store.Tx) error {
			return c.desk.Did(ctx, tx, c.tamsin, triage.SeePatients, triage.Ref{}, fmt.Sprintf("look %d", n))
		})
	}
	return c
}

func (c *clinic) check(published ...triage.Head) (h triage.Head, said []string) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		got, faults, err := c.desk.CheckRecord(ctx, tx, published...)
		for _, f := range faults {
			said = append(said, fmt.Sprintf("%d %s", f.Row, f.What))
		}
		h = got
		return err
	})
	return h, said
}

// tamper is somebody who has the file and not the key.
func (c *clinic) tamper(queries ...string) {
	c.t.Helper()
	var path string
	c.within(func(ctx context.Context, tx *store.Tx) error {
		return tx.Get(ctx, &path, `SELECT file FROM pragma_database_list WHERE name = 'main'`)
	})
	db, err := sql.Open("sqlite3", filepath.Clean(path))
	if err != nil {
		c.t.Fatal(err)
	}
	defer db.Close()
	for _, q := range append([]string{`DROP TRIGGER staff_actions_kept`, `DROP TRIGGER staff_actions_stay`}, queries...) {
		if _, err := db.Exec(q); err != nil {
			c.t.Fatalf("%s: %v", q, err)
		}
	}
}

func TestRecordIsWhole(t *testing.T) {
	t.Parallel()
	c := begun(t, 30)
	h, said := c.check()
	if len(said) > 0 || h.Row != 30 {
		t.Errorf("ends at %d: %q", h.Row, said)
	}
	// A head that was published then is on the way of the chain later.
	c.within(func(ctx context.Context, tx *store.Tx) error {
		return c.desk.Did(ctx, tx, c.yevka, triage.SeeCases, triage.Ref{}, "")
	})
	noted, err := triage.ParseHead(h.String())
	if err != nil {
		t.Fatal(err)
	}
	if _, said := c.check(noted, triage.Head{}); len(said) > 0 {
		t.Errorf("%q", said)
	}
}

// What somebody with the file alone can do to the record, and that each shows.
func TestTamperedRecordShows(t *testing.T) {
	t.Parallel()
	const copied = `(at, staff_id, action, place, link) SELECT at, staff_id, action, place, link FROM staff_actions WHERE id = 4`
	for name, c := range map[string]struct {
		do   []string
		want string
	}{
		"another action":     {[]string{`UPDATE staff_actions SET action = 'see_rota' WHERE id = 5`}, "5 was changed"},
		"another colleague":  {[]string{`UPDATE staff_actions SET staff_id = 2 WHERE id = 5`}, "5 was changed"},
		"another time":       {[]string{`UPDATE staff_actions SET at = '2026-03-01T00:00:00.000Z' WHERE id = 5`}, "5 was changed"},
		"another place":      {[]string{`UPDATE staff_actions SET place = 'command' WHERE id = 5`}, "5 was changed"},
		"another note":       {[]string{`UPDATE staff_actions SET note = (SELECT note FROM staff_actions WHERE id = 6) WHERE id = 5`}, "5 was changed"},
		"another link":       {[]string{`UPDATE staff_actions SET link = zeroblob(32) WHERE id = 5`}, "5 was changed"},
		"the first is gone":  {[]string{`DELETE FROM staff_actions WHERE id = 1`}, "between row 0 and this one is missing"},
		"one is gone":        {[]string{`DELETE FROM staff_actions WHERE id = 5`}, "6 what stood between row 4 and this one is missing"},
		"two change places":  {[]string{`UPDATE staff_actions SET id = -1 WHERE id = 5`, `UPDATE staff_actions SET id = 5 WHERE id = 6`, `UPDATE staff_actions SET id = 6 WHERE id = -1`}, "5 was changed"},
		"one is put in":      {[]string{`INSERT INTO staff_actions ` + copied}, "11 was changed"},
		"one without a link": {[]string{`INSERT INTO staff_actions (at, staff_id, action) VALUES ('2026-03-02T15:00:00.000Z', 1, 'see_cases')`}, "11 was put in"},
		"the end is cut off": {[]string{`DELETE FROM staff_actions WHERE id > 7`}, "10 the record ends at row 7"},
		"cut off, with the head put back": {[]string{`DELETE FROM staff_actions WHERE id > 7`,
			`UPDATE record_head SET last = 7, link = (SELECT link FROM staff_actions WHERE id = 7)`}, "0 the head of the record was changed"},
		"cut off, without a head": {[]string{`DELETE FROM staff_actions WHERE id > 7`, `DELETE FROM record_head`}, "0 the record has no head"},
		"all of it":               {[]string{`DELETE FROM staff_actions`}, "10 the record ends at row 0"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := begun(t, 10)
			w.tamper(c.do...)
			_, said := w.check()
			if !strings.Contains(strings.Join(said, "\n"), c.want) {
				t.Errorf("got %q, want %q", said, c.want)
			}
			// And it still shows when work has gone on, which it must.
			w.within(func(ctx context.Context, tx *store.Tx) error {
				if begun, err := w.desk.BeginRecord(ctx, tx); begun && name != "all of it" || err != nil {
					t.Errorf("begun anew %v: %v", begun, err)
				}
				return w.desk.Did(ctx, tx, w.tamsin, triage.SeeCases, triage.Ref{}, "")
			})
			if _, said := w.check(); len(said) == 0 {
				t.Error("it shows no more once another row was written")
			}
		})
	}
}

// Whoever puts back a whole older file, or has the key, is found out by a head that
// was published.
func TestPublishedHeadShows(t *testing.T) {
	t.Parallel()
	c, other := begun(t, 10), begun(t, 10)
	h, _ := c.check()
	short := begun(t, 7)
	if _, said := short.check(h); len(said) != 1 || !strings.Contains(said[0], "10 a head that was published is not in the record") {
		t.Errorf("an older file: %q", said)
	}
	// The same master key made other house keys: the chain of another file is as one
	// that was written anew.
	if _, said := other.check(h); len(said) != 1 || !strings.Contains(said[0], "10 is not the row whose head was published") {
		t.Errorf("written anew: %q", said)
	}
	for _, bad := range []string{"", "5", "5:", "x:00", "5:zz", "-1:" + strings.Repeat("0", 32), "5:0000"} {
		if _, err := triage.ParseHead(bad); err == nil {
			t.Errorf("%q was read as a head", bad)
		}
	}
}

// Rows from before the chain are put under its head at the first start.
func TestRecordFromBeforeTheChain(t *testing.T) {
	t.Parallel()
	old := func() *clinic {
		c := open(t, local(2, 9, 0))
		c.within(func(ctx context.Context, tx *store.Tx) error {
			for n := range 5 {
				if _, err := tx.Exec(ctx, `INSERT INTO staff_actions (at, staff_id, action) VALUES (?, 1, 'see_cases')`, store.At(local(1, 9, n))); err != nil {
					return err
				}
			}
			_, err := c.desk.BeginRecord(ctx, tx)
			return err
		})
		return c
	}
	whole := old()
	if h, said := whole.check(); len(said) > 0 || h.Row != 5 {
		t.Errorf("%d: %q", h.Row, said)
	}
	whole.within(func(ctx context.Context, tx *store.Tx) error {
		return whole.desk.Did(ctx, tx, whole.tamsin, triage.SeeCases, triage.Ref{}, "")
	})
	if h, said := whole.check(); len(said) > 0 || h.Row != 6 {
		t.Errorf("%d: %q", h.Row, said)
	}
	whole.tamper(`UPDATE staff_actions SET staff_id = 2 WHERE id = 3`)
	if _, said := whole.check(); len(said) != 1 || !strings.Contains(said[0], "6 this row, or one of those before") {
		t.Errorf("%q", said)
	}
	quiet := old()
	quiet.tamper(`DELETE FROM staff_actions WHERE id = 3`)
	if _, said := quiet.check(); len(said) != 1 {
		t.Errorf("before anything was linked: %q", said)
	}
}

// What undoes a part of a transaction undoes where its record was thought to end.
func TestRecordAfterSomethingWasUndone(t *testing.T) {
	t.Parallel()
	c := begun(t, 3)
	c.within(func(ctx context.Context, tx *store.Tx) error {
		look := func() error { return c.desk.Did(ctx, tx, c.tamsin, triage.SeeCases, triage.Ref{}, "a note") }
		if err := look(); err != nil {
			return err
		}
		_ = tx.Try(ctx, func() error { return errors.Join(look(), look(), errors.New("undone")) })
		_ = tx.Try(ctx, func() error {
			_ = tx.Try(ctx, look)
			_ = look()
			panic("undone")
		})
		return look()
	})
	if h, said := c.check(); len(said) > 0 || h.Row != 5 {
		t.Errorf("ends at %d: %q", h.Row, said)
	}
}

// Erasing a person leaves the chain whole: her notes are hashed as they are sealed.
func TestRecordAfterErasure(t *testing.T) {
	t.Parallel()
	c := begun(t, 0)
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if err := c.desk.Did(ctx, tx, c.tamsin, triage.AnswerCase, triage.Ref{Person: c.patient}, "words about her"); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `UPDATE people SET wrapped = NULL, chat = NULL, chat_hash = NULL, erased_at = ? WHERE id = ?`, store.At(tx.Now), c.patient)
		return err
	})
	if _, said := c.check(); len(said) > 0 {
		t.Errorf("%q", said)
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		all, err := c.desk.DeedsBetween(ctx, tx, local(1, 0, 0), local(3, 0, 0))
		if err != nil || len(all) != 1 || all[0].Note != "" {
			t.Errorf("%+v: %v", all, err)
		}
		return nil
	})
}

func FuzzParseHead(f *testing.F) {
	for _, seed := range []string{"0:", "1234:9f86d081884c7d659a2feaa0c55ad015", "-1:", ":", "1:zz", " 1:9f86d081884c7d659a2feaa0c55ad015\n"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, s string) {
		h, err := triage.ParseHead(s)
		if err != nil {
			return
		}
		if again, err := triage.ParseHead(h.String()); err != nil || again.String() != h.String() {
			t.Errorf("%q is read as %s, and that as %s (%v)", s, h, again, err)
		}
	})
}

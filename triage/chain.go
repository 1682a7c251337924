package triage

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"handrail.example/reminders/store"
)

// The record of what staff did is a chain: each row carries a keyed hash of what it
// holds, as it is stored, and of the row before. The key hangs on the house's, which
// is wrapped under the master key:
//
//   - whoever has the file alone, or a backup, can neither change a row, take one
//     away, put one in, nor put the order of two about, without CheckRecord finding it;
//     nor can he cut off the end, unless he puts back a whole older file;
//   - whoever has the master key too can write the chain anew. Against him, and
//     against an older file in the place of the newer, a Head that was noted elsewhere
//     helps: it is in every backup's line of the log, and the chain must still pass
//     through it.
//
// Notes are hashed as they are sealed, so that erasing a person breaks nothing.

// recordRow is a row of the record as it is stored.
type recordRow struct {
	ID        int64  `db:"id"`
	At        string `db:"at"`
	Staff     int64  `db:"staff_id"`
	Action    string `db:"action"`
	Patient   *int64 `db:"patient_id"`
	Case      *int64 `db:"case_id"`
	Fact      *int64 `db:"fact_id"`
	SealedFor *int64 `db:"sealed_for"`
	Note      []byte `db:"note"`
	Place     string `db:"place"`
	PlaceRef  *int64 `db:"place_ref"`
	Address   []byte `db:"address"`
	Link      []byte `db:"link"`
}

const recordColumns = `SELECT id, at, staff_id, action, patient_id, case_id, fact_id, sealed_for, note, place, place_ref, address, link FROM staff_actions `

// linkAfter is the link of a row that follows the link before.
func (d *Desk) linkAfter(before []byte, r recordRow) ([]byte, error) {
	content, err := json.Marshal([]any{hex.EncodeToString(before), r.ID, r.At, r.Staff, r.Action, r.Patient, r.Case, r.Fact, r.SealedFor, r.Note,
		r.Place, r.PlaceRef, r.Address})
	if err != nil {
		return nil, fmt.Errorf("link row %d of the record: %w", r.ID, err)
	}
	return d.Vault.Hash("record", string(content)), nil
}

// Head is a row of the record with its link: what has been published of it cannot be
// taken back unnoticed.
type Head struct {
	Row  int64
	Link []byte
}

// String is the form in which a head is noted, as "1234:9f86d081884c7d659a2feaa0c55ad015".
func (h Head) String() string {
	return fmt.Sprintf("%d:%s", h.Row, hex.EncodeToString(h.Link[:min(len(h.Link), 16)]))
}

// ParseHead reads what String wrote.
func ParseHead(s string) (Head, error) {
	row, link, found := strings.Cut(strings.TrimSpace(s), ":")
	n, err := strconv.ParseInt(row, 10, 64)
	b, bad := hex.DecodeString(link)
	if !found || err != nil || bad != nil || n < 0 || n > 0 && len(b) != 16 {
		return Head{}, fmt.Errorf("%q is no head of the record: copy it from the line of a backup, as 1234:9f86d081884c7d659a2feaa0c55ad015", s)
	}
	return Head{n, b}, nil
}

func (d *Desk) mark(h Head) []byte {
	return d.Vault.Hash("record head", fmt.Sprintf("%d:%x", h.Row, h.Link))
}

// tail is where the record ends.
type tail struct {
	Head
	// sound: its mark is that of whoever has the key. One that is not is never put
	// right, or what was done would show no more.
	sound bool
}

// keptTail is where the end of the record is kept in a transaction.
type keptTail struct{}

// end is where the record ends: the row after which, and the link to which, the next
// is chained. It is looked up once in a transaction.
func (d *Desk) end(ctx context.Context, tx *store.Tx) (tail, error) {
	if t, known := tx.Kept()[keptTail{}].(tail); known {
		return t, nil
	}
	var r struct {
		Head
		Mark   []byte `db:"mark"`
		Newest int64  `db:"newest"`
	}
	found, err := tx.Find(ctx, &r, `SELECT last AS row, link, mark, coalesce((SELECT max(id) FROM staff_actions), 0) AS newest FROM record_head`)
	if err != nil {
		return tail{}, err
	}
	if !found {
		// Not begun, or its head was taken away: it goes on from its last row, and
		// CheckRecord says that there is no head.
		_, err = tx.Find(ctx, &r.Head, `SELECT id AS row, coalesce(link, x'') AS link FROM staff_actions ORDER BY id DESC LIMIT 1`)
		return tail{Head: r.Head}, err
	}
	t := tail{r.Head, bytes.Equal(r.Mark, d.mark(r.Head))}
	// A row that somebody has put in must not keep the next from being written.
	t.Row = max(t.Row, r.Newest)
	return t, nil
}

// extend adds a row to the record.
func (d *Desk) extend(ctx context.Context, tx *store.Tx, r recordRow) error {
	t, err := d.end(ctx, tx)
	if err != nil {
		return err
	}
	r.ID = t.Row + 1
	if r.Link, err = d.linkAfter(t.Link, r); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `INSERT INTO staff_actions (id, at, staff_id, action, patient_id, case_id, fact_id, sealed_for, note, place, place_ref, address, link)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, r.ID, r.At, r.Staff, r.Action, r.Patient, r.Case, r.Fact, r.SealedFor, r.Note,
		r.Place, r.PlaceRef, r.Address, r.Link); err != nil {
		return err
	}
	t.Head = Head{r.ID, r.Link}
	tx.Kept()[keptTail{}] = t
	var mark []byte
	if t.sound {
		mark = d.mark(t.Head)
	}
	_, err = tx.Exec(ctx, `UPDATE record_head SET last = ?, link = ?, mark = coalesce(?, mark)`, t.Row, t.Link, mark)
	return err
}

// RecordEnd is where the record ends, to be noted elsewhere.
func (d *Desk) RecordEnd(ctx context.Context, tx *store.Tx) (Head, error) {
	t, err := d.end(ctx, tx)
	return t.Head, err
}

// BeginRecord puts whatever was recorded before there was a chain under its head. It
// does so once for a file, at the first start, and reports whether it has. Where rows
// are linked already and the head is gone it does nothing: that is for CheckRecord.
func (d *Desk) BeginRecord(ctx context.Context, tx *store.Tx) (bool, error) {
	var begun bool
	if err := tx.Get(ctx, &begun, `SELECT EXISTS (SELECT 1 FROM record_head) OR EXISTS (SELECT 1 FROM staff_actions WHERE link IS NOT NULL)`); err != nil || begun {
		return false, err
	}
	var h Head
	if err := d.eachRow(ctx, tx, func(r recordRow) (err error) {
		h.Row = r.ID
		h.Link, err = d.linkAfter(h.Link, r)
		return err
	}); err != nil {
		return false, err
	}
	if h.Link == nil {
		h.Link = []byte{}
	}
	_, err := tx.Exec(ctx, `INSERT INTO record_head (one, last, link, mark) VALUES (1, ?, ?, ?)`, h.Row, h.Link, d.mark(h))
	delete(tx.Kept(), keptTail{})
	return err == nil, err
}

// recordBatch is how many rows of the record are in memory at once.
const recordBatch = 1000

func (d *Desk) eachRow(ctx context.Context, tx *store.Tx, each func(recordRow) error) error {
	for after := int64(-1 << 62); ; {
		var rows []recordRow
		if err := tx.Select(ctx, &rows, recordColumns+`WHERE id > ? ORDER BY id LIMIT ?`, after, recordBatch); err != nil {
			return err
		}
		for _, r := range rows {
			if err := each(r); err != nil {
				return err
			}
			after = r.ID
		}
		if len(rows) < recordBatch {
			return nil
		}
	}
}

// RecordFault is something about the record that is not as it was written.
type RecordFault struct {
	Row  int64 // 0 for the record as a whole
	What string
}

// CheckRecord walks along the record and says what in it was changed, is missing, or
// was put in, and where it ends. published are heads that were noted elsewhere.
func (d *Desk) CheckRecord(ctx context.Context, tx *store.Tx, published ...Head) (Head, []RecordFault, error) {
	w := walk{desk: d, published: published}
	if err := d.eachRow(ctx, tx, w.step); err != nil {
		return Head{}, nil, err
	}
	var stored struct {
		Head
		Mark []byte `db:"mark"`
	}
	found, err := tx.Find(ctx, &stored, `SELECT last AS row, link, mark FROM record_head`)
	if err != nil {
		return Head{}, nil, err
	}
	switch {
	case !found:
		w.fault(0, "the record has no head: it was taken away, or the program has not been started since the upgrade")
	case !bytes.Equal(stored.Mark, d.mark(stored.Head)):
		w.fault(0, "the head of the record was changed by somebody who has not the key")
	case stored.Row > w.last.Row:
		w.fault(stored.Row, fmt.Sprintf("the record ends at row %d and should end here: what came after is missing", w.last.Row))
	case stored.Row != w.last.Row || !bytes.Equal(stored.Link, w.last.Link):
		w.fault(w.last.Row, "the end of the record is not the one that was written last")
	}
	for _, h := range w.published {
		if h.Row > 0 {
			w.fault(h.Row, "a head that was published is not in the record: the record was cut off before it, or an older file stands in the place of the newer")
		}
	}
	return w.last, w.faults, nil
}

// walk goes along the record.
type walk struct {
	desk      *Desk
	last      Head
	linked    bool // a row with a link has come by
	published []Head
	faults    []RecordFault
}

func (w *walk) fault(row int64, what string) { w.faults = append(w.faults, RecordFault{row, what}) }

func (w *walk) step(r recordRow) error {
	link, err := w.desk.linkAfter(w.last.Link, r)
	if err != nil {
		return err
	}
	switch {
	case r.Link == nil && w.linked:
		w.fault(r.ID, "was put in by something else than the program")
		link = w.last.Link // the next is chained to the one before
	case r.Link == nil:
		// From before the chain: what comes after vouches for it.
	case bytes.Equal(r.Link, link):
	case !w.linked && w.last.Row > 0:
		w.fault(r.ID, "this row, or one of those before, from before the chain, was changed or is missing")
		link = r.Link
	case r.ID != w.last.Row+1:
		w.fault(r.ID, fmt.Sprintf("what stood between row %d and this one is missing, or this one was changed", w.last.Row))
		link = r.Link
	default:
		w.fault(r.ID, "was changed, or is not in its place")
		link = r.Link
	}
	w.linked = w.linked || r.Link != nil
	w.last = Head{r.ID, link}
	w.published = without(w.published, w.last, w.fault)
	return nil
}

// without drops the heads that a walk has come to, and finds fault with one that is
// another there.
func without(published []Head, at Head, fault func(int64, string)) (left []Head) {
	for _, h := range published {
		switch {
		case h.Row != at.Row:
			left = append(left, h)
		case !bytes.HasPrefix(at.Link, h.Link):
			fault(h.Row, "is not the row whose head was published: the record was written anew, up to here at least")
		}
	}
	return left
}

// Package records gathers everything that is held about one patient, for herself: as
// text that can be read, and as JSON for another program.
//
// It owns no table and reads all of them, in a view that cannot write: which rows are
// hers, and how each column is read, is the one table in tables.go. It refuses nobody;
// whoever calls it asks the roles, and puts on record that it was done.
package records

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Reader reads what is held.
type Reader struct {
	Vault *seal.Vault
	Zone  *time.Location
	// Update reads an update of the chat platform: what is in it that a person said.
	Update func(source string, raw []byte) (any, error)
	// Names are those of people, by the numbers of their keys, and of staff by theirs.
	People map[seal.Person]string
	Staff  map[int64]string
}

// Section is what one table holds.
type Section struct {
	Table string  `json:"table"`
	Rows  []Entry `json:"rows"`
}

// Entry is one row, its columns in order.
type Entry []Value

// Value is one column of a row.
type Value struct {
	Column string
	Is     any
}

// MarshalJSON writes an entry as an object.
func (e Entry) MarshalJSON() ([]byte, error) {
	var b strings.Builder
	b.WriteByte('{')
	for i, v := range e {
		key, err := json.Marshal(v.Column)
		if err != nil {
			return nil, err
		}
		is, err := json.Marshal(v.Is)
		if err != nil {
			return nil, err
		}
		if i > 0 {
			b.WriteByte(',')
		}
		b.Write(key)
		b.WriteByte(':')
		b.Write(is)
	}
	b.WriteByte('}')
	return []byte(b.String()), nil
}

// Of is everything held about a patient, table by table. What cannot be read any more,
// of somebody who has been erased, is left out.
func (r *Reader) Of(ctx context.Context, tx *store.Tx, patient int64, person seal.Person) ([]Section, error) {
	var all []Section
	for _, t := range tables {
		s, err := r.section(ctx, tx, t, patient, person)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", t.name, err)
		}
		if len(s.Rows) > 0 {
			all = append(all, s)
		}
	}
	return all, nil
}

// section reads her rows of a table, by number.
func (r *Reader) section(ctx context.Context, tx *store.Tx, t table, patient int64, person seal.Person) (Section, error) {
	s := Section{Table: t.name}
	where := strings.NewReplacer("$patient", strconv.FormatInt(patient, 10), "$person", strconv.FormatInt(int64(person), 10)).Replace(t.of)
	var ids []string
	if err := tx.Select(ctx, &ids, `SELECT CAST(`+t.key()+` AS TEXT) FROM `+t.name+` WHERE `+where+` ORDER BY `+t.key()); err != nil {
		return s, err
	}
	for _, id := range ids {
		e, err := r.entry(ctx, tx, t, id, person)
		if err != nil {
			return s, fmt.Errorf("row %s: %w", id, err)
		}
		s.Rows = append(s.Rows, e)
	}
	return s, nil
}

// key is what the rows of a table are told apart by.
func (t table) key() string {
	switch t.name {
	case "enrolment_codes":
		return `hex(code_hash)`
	case "buttons":
		return `token`
	case "conversations":
		return `person_id`
	case "owners":
		return `patient_id`
	}
	return `id`
}

func (r *Reader) entry(ctx context.Context, tx *store.Tx, t table, id string, person seal.Person) (Entry, error) {
	var e Entry
	for _, c := range t.columns {
		var raw []byte
		if err := tx.Get(ctx, &raw, `SELECT CAST("`+c.name+`" AS BLOB) FROM `+t.name+` WHERE `+t.key()+` = ?`, id); err != nil {
			return nil, fmt.Errorf("%s: %w", c.name, err)
		}
		if raw == nil {
			continue
		}
		is, err := r.value(ctx, tx, t, c, id, raw, person)
		if errors.Is(err, seal.ErrSealed) {
			continue // of somebody who has been erased, or emptied when its time was over
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.name, err)
		}
		e = append(e, Value{c.name, is})
	}
	return e, nil
}

func (r *Reader) value(ctx context.Context, tx *store.Tx, t table, c column, id string, raw []byte, person seal.Person) (any, error) {
	if c.label == "" {
		return r.readable(c, string(raw)), nil
	}
	under := person
	if c.under != "" {
		if err := tx.Get(ctx, &under, `SELECT "`+c.under+`" FROM `+t.name+` WHERE `+t.key()+` = ?`, id); err != nil {
			return nil, err
		}
	}
	opened, err := r.Vault.Open(ctx, tx, under, c.label, raw)
	if err != nil {
		return nil, err
	}
	if c.refers == update {
		var source string
		if err := tx.Get(ctx, &source, `SELECT source FROM `+t.name+` WHERE `+t.key()+` = ?`, id); err != nil {
			return nil, err
		}
		return r.Update(source, opened)
	}
	var is any
	if len(opened) > 0 && (opened[0] == '{' || opened[0] == '[') && json.Unmarshal(opened, &is) == nil {
		return withoutFiles(is), nil
	}
	return string(opened), nil
}

// readable puts names in the place of numbers, and the clinic's wall clock in that of
// instants.
func (r *Reader) readable(c column, text string) any {
	n, err := strconv.ParseInt(text, 10, 64)
	switch {
	case err == nil && c.refers == toPerson && r.People[seal.Person(n)] != "":
		return r.People[seal.Person(n)]
	case err == nil && c.refers == toStaff && r.Staff[n] != "":
		return r.Staff[n]
	case err == nil:
		return n
	}
	if at, err := time.Parse("2006-01-02T15:04:05.000Z", text); err == nil {
		return at.In(r.Zone).Format("2006-01-02 15:04")
	}
	return text
}

// withoutFiles puts the size of an attachment in the place of what it holds: what it
// was drawn from stands beside it.
func withoutFiles(is any) any {
	switch v := is.(type) {
	case map[string]any:
		for key, inner := range v {
			if text, isText := inner.(string); isText && key == "data" {
				v[key] = fmt.Sprintf("(%d bytes)", base64.StdEncoding.DecodedLen(len(text)))
				continue
			}
			v[key] = withoutFiles(inner)
		}
	case []any:
		for i := range v {
			v[i] = withoutFiles(v[i])
		}
	}
	return is
}

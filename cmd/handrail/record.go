package main

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"strings"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// beginRecord puts what was recorded before there was a chain under its head, once
// for a file.
func (a *app) beginRecord(ctx context.Context) error {
	return a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		_, err := a.desk.BeginRecord(ctx, tx)
		return err
	})
}

// didOnServer puts on record what somebody has done on the command line, with the
// account of the machine that it ran under.
func (a *app) didOnServer(ctx context.Context, tx *store.Tx, do triage.Action, r triage.Ref, note string) error {
	who, err := a.desk.Server(ctx, tx, triage.OnServer)
	if err != nil {
		return err
	}
	return a.desk.Did(ctx, tx, who, do, r, note+"; by the account "+account())
}

// seenOnServer is didOnServer for a look, before anything is shown.
func (a *app) seenOnServer(ctx context.Context, do triage.Action, note string) error {
	return a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error { return a.didOnServer(ctx, tx, do, triage.Ref{}, note) })
}

// atServer is one of the staff who works on the command line, by her handle.
func (a *app) atServer(ctx context.Context, tx *store.Tx, handle string) (triage.Staff, error) {
	who, err := a.desk.StaffByHandle(ctx, tx, handle)
	who.From = triage.Origin{Place: triage.OnServer}
	return who, err
}

func account() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return fmt.Sprint(os.Getuid())
}

const auditArgs = "--config F (--of HANDLE | --from DAY --to DAY) [--as csv]"

// recordQuery is what of the record is asked for.
type recordQuery struct {
	of       string
	from, to string
	days     [2]civil.Date
	csv      bool
	patient  int64
}

func (q *recordQuery) check(as string) (err error) {
	switch {
	case as != "" && as != "csv":
		return refusedf("audit: --as %q is not known; leave it out for lines, or write --as csv", as)
	case (q.of == "") == (q.from == "" && q.to == ""):
		return refusedf("audit: name a patient with --of, or a span of days with --from and --to")
	case q.of != "":
		return nil
	}
	for i, day := range []string{q.from, q.to} {
		if q.days[i], err = civil.ParseDate(day); err != nil {
			return refusedf("audit: --from and --to want days as 2026-03-01, both of them")
		}
	}
	if q.days[1].Before(q.days[0]) {
		return refusedf("audit: --to lies before --from")
	}
	return nil
}

func (q recordQuery) String() string {
	if q.of != "" {
		return "exported the record of " + strings.ToUpper(q.of)
	}
	return "exported the record from " + q.from + " to " + q.to
}

// runAudit prints the record, by patient or by days on the clinic's calendar, both of
// them included. That somebody has looked is on record itself.
func runAudit(ctx context.Context, args []string, e env) error {
	var path, as string
	var q recordQuery
	flags := newFlags("audit")
	flags.StringVar(&path, "config", "", "")
	flags.StringVar(&q.of, "of", "", "")
	flags.StringVar(&q.from, "from", "", "")
	flags.StringVar(&q.to, "to", "", "")
	flags.StringVar(&as, "as", "", "")
	if err := parse(flags, args, auditArgs); err != nil {
		return err
	}
	if err := q.check(as); err != nil {
		return err
	}
	q.csv = as == "csv"
	a, err := openQuiet(ctx, path, e)
	if err != nil {
		return err
	}
	defer a.db.Close()
	var rows [][]string
	if err := a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		if q.of != "" {
			if q.patient, err = a.book.NumberOf(ctx, tx, q.of); errors.Is(err, reminders.ErrNoPatient) {
				return refusedf("audit: nobody has the handle %s", strings.ToUpper(q.of))
			} else if err != nil {
				return err
			}
		}
		if rows, err = a.record(ctx, tx, q); err != nil {
			return err
		}
		return a.didOnServer(ctx, tx, triage.SeeRecord, triage.Ref{Patient: q.patient}, q.String())
	}); err != nil {
		return a.explained(err)
	}
	return writeRecord(e.stdout, rows, q.csv)
}

// recordHead names the columns of the record.
var recordHead = []string{"row", "at", "who", "what", "patient", "case", "fact", "from", "address", "note"}

// record is the part of the record that is asked for, a row each.
func (a *app) record(ctx context.Context, tx *store.Tx, q recordQuery) ([][]string, error) {
	deeds, err := a.deeds(ctx, tx, q)
	if err != nil {
		return nil, err
	}
	names := recordNames{app: a, staff: make(map[int64]string), patients: make(map[int64]string)}
	rows := [][]string{recordHead}
	for _, d := range deeds {
		row, err := names.row(ctx, tx, d)
		if err != nil {
			return nil, err
		}
		rows = append(rows, row)
	}
	return rows, nil
}

func (a *app) deeds(ctx context.Context, tx *store.Tx, q recordQuery) ([]triage.Deed, error) {
	if q.patient != 0 {
		return a.desk.Deeds(ctx, tx, q.patient)
	}
	zone := a.policy.Location()
	return a.desk.DeedsBetween(ctx, tx, q.days[0].At(0, zone), q.days[1].AddDays(1).At(0, zone))
}

// recordNames puts handles to numbers. Names of people are not in the export, but in
// what staff wrote to patients they may be.
type recordNames struct {
	app             *app
	staff, patients map[int64]string
}

func (n recordNames) row(ctx context.Context, tx *store.Tx, d triage.Deed) ([]string, error) {
	who, known := n.staff[d.Staff]
	if !known {
		var err error
		if who, err = n.app.desk.StaffHandle(ctx, tx, d.Staff); err != nil {
			return nil, err
		}
		n.staff[d.Staff] = who
	}
	of, known := n.patients[d.Ref.Patient]
	if !known && d.Ref.Patient != 0 {
		var err error
		if of, err = n.app.book.HandleOf(ctx, tx, d.Ref.Patient); err != nil {
			return nil, err
		}
		n.patients[d.Ref.Patient] = of
	}
	return []string{fmt.Sprint(d.Row), d.At.In(n.app.policy.Location()).Format(time.RFC3339), who, string(d.Action), of,
		numberOr(d.Ref.Case), numberOr(d.Ref.Fact), whence(d.From), shortHash(d.From.Address), d.Note}, nil
}

func numberOr(n int64) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprint(n)
}

// whence says from where: "chat 46" is the message, "desk 3" the session.
func whence(o triage.Origin) string {
	return strings.TrimSpace(string(o.Place) + " " + numberOr(o.Ref))
}

// shortHash tells two addresses apart, and says no more of either.
func shortHash(b []byte) string { return fmt.Sprintf("%x", b[:min(len(b), 4)]) }

// writeRecord prints rows as lines, or as comma-separated values (RFC 4180).
func writeRecord(w io.Writer, rows [][]string, asCSV bool) error {
	if asCSV {
		out := csv.NewWriter(w)
		for _, row := range rows {
			if err := out.Write(plainCells(row)); err != nil {
				return err
			}
		}
		out.Flush()
		return out.Error()
	}
	for _, row := range rows {
		if _, err := fmt.Fprintln(w, strings.Join(oneLine(row), " · ")); err != nil {
			return err
		}
	}
	return nil
}

// plainCells keeps a spreadsheet from reading a cell as a formula: what begins like
// one gets an apostrophe in front, which shows it as text.
func plainCells(row []string) []string {
	cells := make([]string, len(row))
	for i, c := range row {
		if strings.IndexAny(c, "=+-@\t\r\n") == 0 {
			c = "'" + c
		}
		cells[i] = c
	}
	return cells
}

// oneLine keeps a note with breaks in it, or with what moves a terminal's cursor, on
// its line.
func oneLine(row []string) []string {
	cells := make([]string, len(row))
	for i, c := range row {
		cells[i] = strings.Map(func(r rune) rune {
			if r < ' ' || r == 0x7f {
				return ' '
			}
			return r
		}, c)
		if c == "" {
			cells[i] = "-"
		}
	}
	return cells
}

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/exchange"
)

const exportArgs = "--config F --by HANDLE --as fhir|csv|note [--of HANDLE] [--list day|tonight|late|cases|patients|load] [--on DATE] [--out FILE]"

// takeOut is what one export was asked for.
type takeOut struct {
	config, by, as, of, list, on, out string
}

// runExport takes a patient's cycle, the notes of her contacts or a worklist out, in
// the name of a member of the staff, on whose record it stands.
func runExport(ctx context.Context, args []string, e env) error {
	var o takeOut
	flags := newFlags("export")
	flags.StringVar(&o.config, "config", "", "")
	flags.StringVar(&o.by, "by", "", "")
	flags.StringVar(&o.as, "as", "", "")
	flags.StringVar(&o.of, "of", "", "")
	flags.StringVar(&o.list, "list", "", "")
	flags.StringVar(&o.on, "on", "", "")
	flags.StringVar(&o.out, "out", "", "")
	if err := parse(flags, args, exportArgs); err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	a, err := openQuiet(ctx, o.config, e)
	if err != nil {
		return err
	}
	defer a.db.Close()
	b, err := a.export(ctx, o)
	if err != nil {
		return a.explained(err)
	}
	return writeOut(e.stdout, o.out, b)
}

func (o takeOut) check() error {
	one := (o.as == "fhir" || o.as == "note") && o.of != "" && o.list == "" && o.on == ""
	list := o.as == "csv" && o.list != "" && o.of == ""
	if o.by == "" || !one && !list {
		return refusedf("say who takes it out with --by, and what: --as fhir or --as note with --of, or --as csv with --list; use handrail export %s", exportArgs)
	}
	return nil
}

// writeOut writes to a file that its owner alone may read, or prints.
func writeOut(stdout io.Writer, file string, b []byte) error {
	if file == "" {
		_, err := stdout.Write(b)
		return err
	}
	if err := os.WriteFile(file, b, 0o600); err != nil {
		return refusedf("%s cannot be written (%v); name a file in a folder that can", file, cause(err))
	}
	return nil
}

// export makes what was asked for and puts it on record.
func (a *app) export(ctx context.Context, o takeOut) (b []byte, err error) {
	if o.as == "csv" {
		return a.exportList(ctx, o)
	}
	return b, a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		who, err := a.atServer(ctx, tx, o.by)
		if err != nil {
			return err
		}
		p, err := a.care.Find(ctx, tx, who, o.of)
		if err != nil {
			return err
		}
		if o.as == "fhir" {
			b, err = a.care.Exports(ctx, tx, who, p.ID)
			return err
		}
		notes, err := a.care.Notes(ctx, tx, who, a.wordsFor(who), p.ID)
		if err == nil && len(notes) == 0 {
			return refusedf("there has been no contact with %s in this cycle, and so there is no note to take out", p.Handle)
		}
		b = []byte(strings.Join(notes, "\n"))
		return err
	})
}

// wordsFor puts things to somebody in her own language.
func (a *app) wordsFor(who triage.Staff) care.Words {
	return care.Words{Desk: a.desk, Lang: who.Language(), Zone: a.policy.Location()}
}

// exportList makes a worklist apart from its record: with a thousand cycles it takes its
// time, in which a running program must be able to write.
func (a *app) exportList(ctx context.Context, o takeOut) ([]byte, error) {
	var who triage.Staff
	var on civil.Date
	var t exchange.Table
	err := a.db.Read(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		if who, err = a.atServer(ctx, tx, o.by); err != nil {
			return err
		}
		if on, err = dayOr(o.on, civil.DateOf(tx.Now.In(a.policy.Location()))); err != nil {
			return err
		}
		t, err = a.care.Worklist(ctx, tx, who, a.wordsFor(who), o.list, on)
		return err
	})
	if err != nil {
		return nil, err
	}
	b, err := exchange.CSV(t)
	if err != nil {
		return nil, fmt.Errorf("write the list: %w", err)
	}
	return b, a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		return a.desk.Did(ctx, tx, who, triage.Export, triage.Ref{}, "list: "+care.ListFile(o.list, on))
	})
}

// dayOr reads a day that was asked for; other where none was.
func dayOr(s string, other civil.Date) (civil.Date, error) {
	if s == "" {
		return other, nil
	}
	d, err := civil.ParseDate(s)
	if err != nil {
		return d, refusedf("--on %q is no date; write it as 2026-03-02", s)
	}
	return d, nil
}

const importArgs = "--config F --by HANDLE --as fhir FILE|-"

// runImport takes appointments and laboratory results in from an HL7 FHIR R4 Bundle, in
// the name of a member of the staff. What is not certain waits for a person.
func runImport(ctx context.Context, args []string, e env) error {
	var path, by, as string
	flags := newFlags("import")
	flags.StringVar(&path, "config", "", "")
	flags.StringVar(&by, "by", "", "")
	flags.StringVar(&as, "as", "", "")
	// The file stands behind the flags; parse takes no other arguments.
	file := ""
	if n := len(args); n > 0 && (args[n-1] == "-" || !strings.HasPrefix(args[n-1], "-")) {
		file, args = args[n-1], args[:n-1]
	}
	if err := parse(flags, args, importArgs); err != nil {
		return err
	}
	if by == "" || as != "fhir" || file == "" {
		return refusedf("say who hands it in, in which form, and which file; use handrail import %s", importArgs)
	}
	b, err := readBundle(file, e.stdin)
	if err != nil {
		return err
	}
	a, err := openQuiet(ctx, path, e)
	if err != nil {
		return err
	}
	defer a.db.Close()
	in, err := exchange.Read(b, a.policy.Location())
	if err != nil {
		return refusedf("%s: %v; nothing of it was taken in", file, err)
	}
	sum, err := a.takeIn(ctx, by, in)
	if err != nil {
		return a.explained(err)
	}
	_, err = fmt.Fprint(e.stdout, sum)
	return err
}

// readBundle reads a file up to the most that is taken, and one byte to know of more.
func readBundle(file string, stdin io.Reader) ([]byte, error) {
	from := stdin
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return nil, refusedf("%s cannot be read (%v); name a readable file, or - for standard input", file, cause(err))
		}
		defer func() { _ = f.Close() }()
		from = f
	}
	b, err := io.ReadAll(io.LimitReader(from, exchange.MostBytes+1))
	if err != nil {
		return nil, refusedf("%s cannot be read (%v); name a readable file, or - for standard input", file, cause(err))
	}
	return b, nil
}

// takenIn counts what became of a Bundle.
type takenIn struct {
	fates map[care.Fate]int
	other int
}

func (t takenIn) String() string {
	return fmt.Sprintf("%d saved, %d to be matched by a person (the desk's page Arrived, or write to the bot: arrived), %d known already, %d called off and never known, %d resources of other kinds left out\n",
		t.fates[care.SavedNow], t.fates[care.Waits], t.fates[care.Unchanged], t.fates[care.Nothing], t.other)
}

// takeIn takes in one thing after the other, each in a transaction of its own, so that a
// running program is never held up. Cut short, it is simply run again: what has been
// taken in is known.
func (a *app) takeIn(ctx context.Context, by string, in exchange.Incoming) (takenIn, error) {
	t := takenIn{fates: make(map[care.Fate]int), other: in.Other}
	var who triage.Staff
	err := a.db.Read(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		if who, err = a.atServer(ctx, tx, by); err == nil {
			err = who.May(triage.Import)
		}
		return err
	})
	if err != nil {
		return t, err
	}
	for n, it := range in.Items {
		var fate care.Fate
		err := a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
			fate, err = a.care.TakeIn(ctx, tx, who, it)
			return err
		})
		if refused := (*triage.Refused)(nil); errors.As(err, &refused) {
			return t, err
		}
		if err != nil {
			return t, fmt.Errorf("take in number %d of %d (those before it are in; run it again): %w", n+1, len(in.Items), err)
		}
		t.fates[fate]++
	}
	return t, nil
}

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"handrail.example/bot"
	"handrail.example/cmd/handrail/records"
	"handrail.example/reminders"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

const recordsArgs = "--config F --of HANDLE --by STAFF [--json] [--language L] [--to FILE [--sealed]] | --config F --open FILE"

// runRecords gives a patient everything that is held about her, readable. It may run
// while the program serves.
func runRecords(ctx context.Context, args []string, e env) error {
	var path, of, by, lang, to, open string
	var asJSON, sealed bool
	flags := newFlags("records")
	flags.StringVar(&path, "config", "", "")
	flags.StringVar(&of, "of", "", "")
	flags.StringVar(&by, "by", "", "")
	flags.StringVar(&lang, "language", "", "")
	flags.StringVar(&to, "to", "", "")
	flags.StringVar(&open, "open", "", "")
	flags.BoolVar(&asJSON, "json", false, "")
	flags.BoolVar(&sealed, "sealed", false, "")
	if err := parse(flags, args, recordsArgs); err != nil {
		return err
	}
	a, err := openQuiet(ctx, path, e)
	if err != nil {
		return err
	}
	defer a.db.Close()
	if open != "" {
		return a.openRecords(open, e.stdout)
	}
	if sealed && to == "" {
		return refusedf("records: --sealed writes a file; name it with --to")
	}
	text, err := a.recordsOf(ctx, of, by, lang, asJSON)
	if err != nil {
		return a.explained(err)
	}
	if to == "" {
		_, err = e.stdout.Write(text)
		return err
	}
	return a.writeRecords(to, text, sealed, e.stdout)
}

// recordsOf is everything held about a patient, and puts it on record that somebody
// asked for it.
func (a *app) recordsOf(ctx context.Context, of, by, lang string, asJSON bool) (text []byte, err error) {
	err = a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		actor, p, err := a.actorAnd(ctx, tx, by, of, triage.GiveRecords)
		if err != nil {
			return err
		}
		if text, err = a.records(ctx, tx, p, lang, asJSON); err != nil {
			return err
		}
		return a.desk.Did(ctx, tx, actor, triage.GiveRecords, triage.Ref{Patient: p.ID}, "")
	})
	return text, err
}

// actorAnd are a colleague who may do something, and the patient with a handle.
func (a *app) actorAnd(ctx context.Context, tx *store.Tx, by, of string, action triage.Action) (triage.Staff, reminders.Patient, error) {
	if by == "" || of == "" {
		return triage.Staff{}, reminders.Patient{}, refusedf("name the patient with --of and yourself, by your handle among the staff, with --by")
	}
	actor, err := a.atServer(ctx, tx, by)
	if err == nil {
		err = actor.May(action)
	}
	if err != nil {
		return actor, reminders.Patient{}, err
	}
	p, err := a.book.ByHandle(ctx, tx, of)
	if errors.Is(err, reminders.ErrNoPatient) {
		err = refused(err)
	}
	return actor, p, err
}

// records lays out everything held about a patient.
func (a *app) records(ctx context.Context, tx *store.Tx, p reminders.Patient, lang string, asJSON bool) ([]byte, error) {
	if lang == "" {
		lang = p.Language
	}
	say := func(key string) string { return a.desk.Phrases.Say(lang, key, nil) }
	names, err := a.desk.Names(ctx, tx)
	if err != nil {
		return nil, err
	}
	r := &records.Reader{Vault: a.vault, Zone: a.policy.Location(), Staff: names.ByID, People: names.ByPerson, Update: readUpdate}
	r.People[seal.House], r.People[p.Person] = say("records.house"), say("records.herself")
	links, err := a.book.Links(ctx, tx, p.ID)
	if err != nil {
		return nil, err
	}
	for _, l := range links {
		r.People[l.Person] = l.Name
	}
	sections, err := r.Of(ctx, tx, p.ID, p.Person)
	if err != nil {
		return nil, err
	}
	if asJSON {
		return json.MarshalIndent(map[string]any{"patient": p.Handle, "clinic": a.policy.Clinic.Name, "at": tx.Now.Format(time.RFC3339), "zone": a.policy.Location().String(), "held": sections}, "", "  ")
	}
	head := a.desk.Phrases.Say(lang, "records.head", map[string]string{"clinic": a.policy.Clinic.Name, "who": p.Handle + " " + p.Name,
		"at": tx.Now.In(a.policy.Location()).Format("2006-01-02 15:04")})
	return []byte(head + "\n" + records.Text(sections, say)), nil
}

// readUpdate is what an update of the chat platform says, without the platform's own
// numbers.
func readUpdate(_ string, raw []byte) (any, error) {
	in, err := bot.Decode(raw)
	if err != nil {
		return "(?)", nil // it could not be read when it came either
	}
	said := map[string]any{"kind": string(in.Kind)}
	for key, is := range map[string]string{"text": in.Text, "attachment": in.Attachment, "language": in.Language} {
		if is != "" {
			said[key] = is
		}
	}
	if !in.Sent.IsZero() {
		said["sent"] = in.Sent.UTC().Format(time.RFC3339)
	}
	return said, nil
}

// writeRecords writes a file that nobody but its owner may read, and says what it is.
func (a *app) writeRecords(path string, text []byte, sealed bool, stdout io.Writer) error {
	if sealed {
		text = a.vault.SealFile(text)
	}
	if err := writeNew(path, text); err != nil {
		return err
	}
	how := "as plain text: whoever can open the file can read it. Hand it over, and keep no copy that you need not keep"
	if sealed {
		how = "sealed under the master key: handrail records --config F --open FILE shows it. After the key is changed the old one is needed"
	}
	_, err := fmt.Fprintf(stdout, "Written to %s, %s.\n", path, how)
	return err
}

// writeNew writes a file that is not there yet, whole or not at all, and has it on the
// disk when it returns.
func writeNew(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return refusedf("%s cannot be written (%v): name a file that is not there yet, in a folder that is", path, cause(err))
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(fmt.Errorf("write the records: %w", cause(err)), os.Remove(path))
	}
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return fmt.Errorf("write the records: %w", cause(err))
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// openRecords shows a file that was written sealed.
func (a *app) openRecords(path string, stdout io.Writer) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return refusedf("%s cannot be read (%v)", path, cause(err))
	}
	text, err := a.vault.OpenFile(b)
	if err != nil {
		return refusedf("%s cannot be opened: it was not sealed under this master key, or was changed", path)
	}
	_, err = stdout.Write(text)
	return err
}

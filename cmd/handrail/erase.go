package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"handrail.example/reminders"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

const eraseArgs = "--config F --of HANDLE --by ADMINISTRATOR --records FILE --as sealed|plain --confirm HANDLE"

// runErase erases a patient for good: her records are written to a file first, then her
// key is destroyed. It works on a clinic that is not being served.
func runErase(ctx context.Context, args []string, e env) error {
	var path, of, by, file, as, confirm string
	flags := newFlags("erase")
	flags.StringVar(&path, "config", "", "")
	flags.StringVar(&of, "of", "", "")
	flags.StringVar(&by, "by", "", "")
	flags.StringVar(&file, "records", "", "")
	flags.StringVar(&as, "as", "", "")
	flags.StringVar(&confirm, "confirm", "", "")
	if err := parse(flags, args, eraseArgs); err != nil {
		return err
	}
	switch {
	case as != "sealed" && as != "plain":
		return refusedf("erase: say with --as whether her records are written sealed (under the master key) or plain")
	case file == "":
		return refusedf("erase: name with --records the file that her records are written to first")
	}
	c, _, err := readConfig(path, e.getenv)
	if err != nil {
		return err
	}
	if _, err := os.Stat(c.Database); err != nil {
		return refusedf("the database %s is not there (%v)", c.Database, cause(err))
	}
	unlock, err := lock(c.Database + ".lock")
	if err != nil {
		return err
	}
	defer unlock()
	a, err := openQuiet(ctx, path, e)
	if err != nil {
		return err
	}
	defer a.db.Close()
	return a.explained(a.eraseOf(ctx, erasure{of, by, file, confirm, as == "sealed"}, e))
}

// erasure is what was asked for.
type erasure struct {
	of, by, file, confirm string
	sealed                bool
}

func (a *app) eraseOf(ctx context.Context, x erasure, e env) error {
	var text []byte
	var p reminders.Patient
	if err := a.db.Read(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		if _, p, err = a.erasable(ctx, tx, x); err != nil {
			return err
		}
		text, err = a.records(ctx, tx, p, "", false)
		return err
	}); err != nil {
		return err
	}
	if x.confirm != p.Handle {
		return refusedf("this destroys everything about %s for good, here and for every backup whose keys are wiped too; to do it add --confirm %s", p.Handle, p.Handle)
	}
	if err := a.writeRecords(x.file, text, x.sealed, e.stdout); err != nil {
		return err
	}
	if err := a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		actor, p, err := a.erasable(ctx, tx, x)
		if err != nil {
			return err
		}
		return a.erase(ctx, tx, actor, p)
	}); err != nil {
		return err
	}
	_, err := fmt.Fprintf(e.stdout, "%s has been erased: her key is destroyed, her chat is a stranger's, and what is left is the shape of what happened.\n"+
		"A backup made before still holds her key: delete it when its own time is over.\n", p.Handle)
	return err
}

// erasable is a patient who may be erased, and the administrator who asks for it.
func (a *app) erasable(ctx context.Context, tx *store.Tx, x erasure) (triage.Staff, reminders.Patient, error) {
	actor, p, err := a.actorAnd(ctx, tx, x.by, x.of, triage.Erase)
	if err != nil {
		return actor, p, err
	}
	if p.Erased {
		return actor, p, triage.Refuse("erased", nil)
	}
	until, err := a.book.KeptUntil(ctx, tx, p.ID)
	if err == nil && until.After(tx.Now) {
		err = refused(&reminders.Kept{Until: until})
	}
	return actor, p, err
}

// erase does all of it in one transaction, and puts it on record.
func (a *app) erase(ctx context.Context, tx *store.Tx, actor triage.Staff, p reminders.Patient) error {
	if err := a.desk.Forget(ctx, tx, actor, p.Person); err != nil {
		return err
	}
	staff, err := a.desk.Everyone(ctx, tx)
	if err != nil {
		return err
	}
	chats, err := a.chatsAround(ctx, tx, p)
	if err != nil {
		return err
	}
	if _, err := a.outbox.Empty(ctx, tx, staff, tx.Now.AddDate(0, 0, 1)); err != nil {
		return err
	}
	if err := a.book.Erase(ctx, tx, p); err != nil {
		if kept := (*reminders.Kept)(nil); errors.As(err, &kept) {
			return refused(kept)
		}
		return err
	}
	for who, chat := range chats {
		// She, and those who went with her; whoever is linked to others stays.
		at, err := a.vault.ErasedAt(ctx, tx, who)
		if err == nil && !at.IsZero() {
			err = a.talk.Forget(ctx, tx, who, chat, staff)
		}
		if err != nil {
			return err
		}
	}
	return a.desk.Did(ctx, tx, actor, triage.Erase, triage.Ref{Patient: p.ID}, "")
}

// chatsAround are the chats of a patient and of those who are or were linked to her.
func (a *app) chatsAround(ctx context.Context, tx *store.Tx, p reminders.Patient) (map[seal.Person]string, error) {
	links, err := a.book.Links(ctx, tx, p.ID)
	if err != nil {
		return nil, err
	}
	chats := map[seal.Person]string{p.Person: ""}
	for _, l := range links {
		chats[l.Person] = ""
	}
	for who := range chats {
		if chats[who], _, err = a.vault.Chat(ctx, tx, who); err != nil {
			return nil, err
		}
	}
	return chats, nil
}

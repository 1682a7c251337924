package main

import (
	"context"
	"fmt"
	"strings"

	"handrail.example/reminders/store"
	"handrail.example/triage"
)

const staffArgs = "add --config F --handle H --name N --role R [--languages en,es]"

// runStaff takes somebody on from the server itself: that is how the first of the
// staff gets in. She writes the printed code to the bot.
func runStaff(ctx context.Context, args []string, e env) error {
	if len(args) == 0 || args[0] != "add" {
		return refusedf("staff: use handrail staff %s", staffArgs)
	}
	var path, handle, name, role, languages string
	flags := newFlags("staff add")
	flags.StringVar(&path, "config", "", "")
	flags.StringVar(&handle, "handle", "", "")
	flags.StringVar(&name, "name", "", "")
	flags.StringVar(&role, "role", "", "")
	flags.StringVar(&languages, "languages", "en", "")
	if err := parse(flags, args[1:], staffArgs); err != nil {
		return err
	}
	a, err := openQuiet(ctx, path, e)
	if err != nil {
		return err
	}
	defer a.db.Close()
	var code string
	err = a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		var s triage.Staff
		s, code, err = a.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: handle, Name: name, Role: triage.Role(role), Languages: strings.Split(languages, ",")})
		if err != nil {
			return err
		}
		return a.didOnServer(ctx, tx, triage.ChangeStaff, triage.Ref{}, "added "+s.Handle)
	})
	if err != nil {
		return a.explained(err)
	}
	_, err = fmt.Fprintf(e.stdout, "%s\nShe writes this code to the bot, or enters it at the desk under “I have a sign-up code”, within %s; it works once.\n", code, a.policy.Enrolment.CodeValid)
	return err
}

// explained puts a refusal into words for the command line.
func (a *app) explained(err error) error {
	if r, ok := err.(*triage.Refused); ok {
		return refusedf("%s", r.Say(a.desk.Phrases, "en"))
	}
	return err
}

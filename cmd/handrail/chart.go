package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"time"

	"handrail.example/dialog"
	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/picture"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

const chartArgs = "[--policy F] [--facts F|-] [--as-of DATE] [--follicles FILE] [--hcg FILE]"

// runChart draws the charts that staff are shown, and prints the same in words.
func runChart(_ context.Context, args []string, e env) error {
	var policyFile, factsFile, asOfText, folliclesFile, hcgFile string
	flags := newFlags("chart")
	flags.StringVar(&policyFile, "policy", "", "")
	flags.StringVar(&factsFile, "facts", "-", "")
	flags.StringVar(&asOfText, "as-of", "", "")
	flags.StringVar(&folliclesFile, "follicles", "", "")
	flags.StringVar(&hcgFile, "hcg", "", "")
	if err := parse(flags, args, chartArgs); err != nil {
		return err
	}
	if folliclesFile == "" && hcgFile == "" {
		return refusedf("nothing to draw is named; give --follicles FILE, --hcg FILE or both")
	}
	p, err := readPolicy(policyFile)
	if err != nil {
		return err
	}
	asOf, err := parseAsOf(asOfText, p.Location())
	if err != nil {
		return refused(err)
	}
	built, facts, err := planFrom(p, factsFile, asOf, e.stdin)
	if err != nil {
		return err
	}
	w := care.Words{Desk: &triage.Desk{Phrases: phrase.MustLoad()}, Lang: "en", Zone: p.Location()}
	if folliclesFile != "" {
		spec, some := w.Scans(built, facts)
		if err := drawTo(e.stdout, folliclesFile, spec, some, "scan in a cycle with a day one"); err != nil {
			return err
		}
	}
	if hcgFile == "" {
		return nil
	}
	spec, some := w.HCG(facts)
	return drawTo(e.stdout, hcgFile, spec, some, "hCG")
}

// reader reads English on the clinic's clock.
func reader(p plan.Policy) dialog.Reader {
	return dialog.Reader{Phrases: phrase.MustLoad(), Language: "en", Zone: p.Location()}
}

// drawMonth draws the month that a patient is shown.
func drawMonth(w io.Writer, file string, p plan.Policy, built plan.Plan) error {
	spec, some := reader(p).Month(built, civil.DateOf(built.AsOf))
	return drawTo(w, file, spec, some, "day of the five weeks from "+built.AsOf.Format(time.DateOnly)+" with anything on it")
}

// drawTo writes a picture to a file and says in words what it shows.
func drawTo(w io.Writer, file string, spec picture.Spec, some bool, what string) error {
	if !some {
		return refusedf("there is no %s to draw; add the facts or choose another --as-of", what)
	}
	b, err := spec.PNG()
	if err != nil {
		return err
	}
	if err := os.WriteFile(file, b, 0o600); err != nil {
		return refusedf("%s cannot be written (%v); name a file in a folder that can", file, cause(err))
	}
	_, err = fmt.Fprintf(w, "%s\n", spec.Alt())
	return err
}

package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
)

const planArgs = "[--policy F] [--protocol NAME] [--facts F|-] [--as-of DATE] [--json|--ics|--png FILE]"

// newFlags is a flag set that prints nothing by itself.
func newFlags(name string) *flag.FlagSet {
	f := flag.NewFlagSet(name, flag.ContinueOnError)
	f.SetOutput(io.Discard)
	return f
}

// parse reads the flags of a command that takes no other arguments; usage is
// its line in the list of commands.
func parse(f *flag.FlagSet, args []string, usage string) error {
	hint := fmt.Sprintf("use handrail %s %s", f.Name(), usage)
	if err := f.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return refusedf("%s", hint)
		}
		return refusedf("%v; %s", err, hint)
	}
	if f.NArg() > 0 {
		return refusedf("%q is not understood; %s", f.Arg(0), hint)
	}
	return nil
}

func runPlan(_ context.Context, args []string, e env) error {
	var policyFile, protocol, factsFile, asOfText, pngFile string
	var asJSON, asICS bool
	flags := newFlags("plan")
	flags.StringVar(&policyFile, "policy", "", "")
	flags.StringVar(&protocol, "protocol", "", "")
	flags.StringVar(&factsFile, "facts", "-", "")
	flags.StringVar(&asOfText, "as-of", "", "")
	flags.BoolVar(&asJSON, "json", false, "")
	flags.BoolVar(&asICS, "ics", false, "")
	flags.StringVar(&pngFile, "png", "", "")
	if err := parse(flags, args, planArgs); err != nil {
		return err
	}
	if asJSON && asICS || pngFile != "" && (asJSON || asICS) {
		return refusedf("--json, --ics and --png exclude each other; choose one")
	}
	p, err := readPolicy(policyFile)
	if err != nil {
		return err
	}
	if p, err = planBy(p, protocol); err != nil {
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
	switch {
	case asJSON:
		return printJSON(e.stdout, built)
	case pngFile != "":
		return drawMonth(e.stdout, pngFile, p, built)
	case asICS:
		gone := plan.GoneEvents(p, facts, asOf, func(p plan.Plan) []plan.Step { return p.Steps })
		b, err := plan.ICS(built, plan.ICSOptions{Clinic: p.Clinic.Name, Gone: gone})
		if err != nil {
			return err
		}
		_, err = e.stdout.Write(b)
		return err
	}
	return printPlan(e.stdout, built)
}

// planBy is the policy with another protocol than its own, where one is named. A fact
// that chooses a protocol goes before both.
func planBy(p plan.Policy, protocol string) (plan.Policy, error) {
	if protocol == "" {
		return p, nil
	}
	if _, known := p.ProtocolNamed(protocol); !known {
		return p, refusedf("there is no protocol %q; use one of %s (handrail protocols explains them)", protocol, strings.Join(p.ProtocolNames(), ", "))
	}
	p.Calendar.Protocol = protocol
	return p, nil
}

func planFrom(p plan.Policy, factsFile string, asOf time.Time, stdin io.Reader) (plan.Plan, []plan.Fact, error) {
	b, err := readFacts(factsFile, stdin)
	if err != nil {
		return plan.Plan{}, nil, err
	}
	facts, err := plan.ParseFacts(b, p.Location())
	if err != nil {
		return plan.Plan{}, nil, refused(err)
	}
	built, err := plan.Build(p, facts, asOf)
	if err != nil {
		return plan.Plan{}, nil, refused(err)
	}
	return built, facts, nil
}

func readFacts(path string, stdin io.Reader) ([]byte, error) {
	if path == "-" {
		b, err := io.ReadAll(stdin)
		if err != nil {
			return nil, refusedf("facts cannot be read from standard input (%v); hand them in as a JSON list", err)
		}
		return b, nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, refusedf("facts %s cannot be read (%v); name a readable file or - for standard input", path, cause(err))
	}
	return b, nil
}

// endOfDay is what a bare date means as now.
var endOfDay = civil.MustTime("23:59")

// parseAsOf reads a date, which means 23:59 on it in zone, or a minute; without
// an offset it is in zone. Empty means the present.
func parseAsOf(s string, zone *time.Location) (time.Time, error) {
	if s == "" {
		return clock.System{}.Now().In(zone), nil
	}
	if d, err := civil.ParseDate(s); err == nil {
		return d.At(endOfDay, zone), nil
	}
	t, err := plan.ParseInstant(s, zone)
	if err != nil {
		return time.Time{}, fmt.Errorf("--as-of %q is neither a date nor a minute; write it as 2026-03-02 or 2026-03-02T08:15", s)
	}
	return t, nil
}

func printJSON(w io.Writer, p plan.Plan) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(p)
}

// printPlan writes the calendar for a person to read.
func printPlan(w io.Writer, p plan.Plan) error {
	var b strings.Builder
	if p.CycleDayOne.IsZero() {
		b.WriteString("no period on record\n")
	} else {
		fmt.Fprintf(&b, "cycle day one  %s\n", dayText(p.CycleDayOne))
	}
	for _, s := range p.Steps {
		fmt.Fprintf(&b, "\n%-20s %-28s %s\n", s.Name, whenText(s), s.Status)
		for _, r := range s.Reasons {
			fmt.Fprintf(&b, "    %s\n", r.Words())
		}
	}
	for _, c := range p.Conflicts {
		fmt.Fprintf(&b, "\nconflict: %s: %s\n", c.Step, c.Why.Words())
		if len(c.Alternatives) > 0 {
			fmt.Fprintf(&b, "    would work: %s\n", datesText(c.Alternatives))
		}
	}
	for _, o := range p.Open {
		if !o.Due.After(p.AsOf) {
			fmt.Fprintf(&b, "\nto settle, since %s: %s%s\n", o.Due.Format("Mon 2006-01-02 15:04"), stepPrefix(o), o.Why.Words())
		}
	}
	printPregnancy(&b, p)
	_, err := io.WriteString(w, b.String())
	return err
}

func stepPrefix(o plan.OpenEnd) string {
	if o.Step == "" {
		return ""
	}
	return string(o.Step) + ": "
}

func printPregnancy(b *strings.Builder, p plan.Plan) {
	if h := p.HCG; h != nil {
		fmt.Fprintf(b, "\nhCG (for staff): %s", h.Words())
		b.WriteString("\n")
	}
	if p.Path != "" {
		fmt.Fprintf(b, "\npath (for staff): %s\n", p.PathWhy.Words())
	}
	if g := p.Gestation; g != nil {
		told := "not to be told before a viable scan"
		if g.Tellable {
			told = "may be told"
		}
		fmt.Fprintf(b, "\ngestation %dw%dd, due date %s (%s)\n", g.Weeks, g.Days, dayText(g.DueDate), told)
	}
}

func dayText(d civil.Date) string {
	return d.Weekday().String()[:3] + " " + d.String()
}

func datesText(days []civil.Date) string {
	out := make([]string, len(days))
	for i, d := range days {
		out[i] = dayText(d)
	}
	return strings.Join(out, ", ")
}

// whenText is the planned day or minute and, where it is wider, the window.
func whenText(s plan.Step) string {
	text := "no day"
	if !s.On.IsZero() {
		text = dayText(s.On)
	}
	if !s.At.IsZero() {
		text = s.At.Format("Mon 2006-01-02 15:04")
	}
	if s.From != s.To {
		text += fmt.Sprintf(" (%s to %s)", s.From, s.To)
	}
	return text
}

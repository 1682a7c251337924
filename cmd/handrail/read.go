package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"handrail.example/dialog/reading"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/triage/rules"
)

const readArgs = "[--policy F] < messages, or --export-corrections --config F"

// readIn is one message to read. Sent is a wall clock without an offset, both
// hers and the clinic's; without it the message counts as sent now.
type readIn struct {
	ID          json.RawMessage `json:"id"`
	Text        string          `json:"text"`
	Sent        string          `json:"sent"`
	Phase       rules.Phase     `json:"phase"`
	Medications []string        `json:"medications"`
}

// readOut is what was read in it.
type readOut struct {
	ID        json.RawMessage `json:"id"`
	Intent    rules.Intent    `json:"intent"`
	Also      []rules.Intent  `json:"also"`
	Urgency   rules.Urgency   `json:"urgency"`
	Findings  []rules.Finding `json:"findings"`
	Drug      *rules.Drug     `json:"drug"`
	Date      *civil.Date     `json:"date"`
	Ambiguous bool            `json:"ambiguous"`
	PageNow   bool            `json:"page_now"`
	Rules     []string        `json:"rules"`
	Spans     []reading.Span  `json:"spans"`
}

// runRead answers each line of standard input with one line of JSON, in order
// and as soon as it can: what the message says and how urgent it is. A line
// that is no JSON object is a message itself.
func runRead(ctx context.Context, args []string, e env) error {
	var policyFile, config string
	var export bool
	flags := newFlags("read")
	flags.StringVar(&policyFile, "policy", "", "")
	flags.BoolVar(&export, "export-corrections", false, "")
	flags.StringVar(&config, "config", "", "")
	if err := parse(flags, args, readArgs); err != nil {
		return err
	}
	if export {
		return exportCorrections(ctx, config, e)
	}
	policy, err := readPolicy(policyFile)
	if err != nil {
		return err
	}
	now := func() time.Time { return clock.System{}.Now().In(policy.Location()) }
	in, out := bufio.NewReaderSize(e.stdin, 1<<16), bufio.NewWriter(e.stdout)
	defer out.Flush()
	for n := 1; ctx.Err() == nil; n++ {
		line, err := in.ReadBytes('\n')
		if line = bytes.TrimRight(line, "\r\n"); len(line) > 0 {
			if err := readLine(out, line, n, policy, now); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return out.Flush()
		}
		if err != nil {
			return fmt.Errorf("reading messages: %w", err)
		}
		if in.Buffered() == 0 {
			if err := out.Flush(); err != nil {
				return err
			}
		}
	}
	return ctx.Err()
}

func readLine(out *bufio.Writer, line []byte, n int, p plan.Policy, now func() time.Time) error {
	msg, err := parseLine(line, n)
	if err != nil {
		return err
	}
	sent, err := sentAt(msg.Sent, now)
	if err != nil {
		return refusedf("line %d: %v", n, err)
	}
	b, err := json.Marshal(answer(msg, sent, p))
	if err != nil {
		return fmt.Errorf("answering line %d: %w", n, err)
	}
	_, err = out.Write(append(b, '\n'))
	return err
}

func parseLine(line []byte, n int) (readIn, error) {
	var msg readIn
	if json.Unmarshal(line, &msg) != nil {
		return readIn{ID: json.RawMessage(fmt.Sprint(n)), Text: string(line)}, nil
	}
	if msg.ID == nil {
		msg.ID = json.RawMessage(fmt.Sprint(n))
	}
	if msg.Phase != "" && !knownPhase(msg.Phase) {
		return msg, refusedf("line %d: %q is no phase; use one of %v, or leave it out", n, msg.Phase, rules.Phases)
	}
	return msg, nil
}

func knownPhase(p rules.Phase) bool {
	for _, q := range rules.Phases {
		if p == q {
			return true
		}
	}
	return false
}

// sentAt reads a wall clock; an offset, where there is one, is not looked at.
func sentAt(s string, now func() time.Time) (time.Time, error) {
	if s == "" {
		return now(), nil
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", time.RFC3339, "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("sent %q is no time; write it as 2026-03-10T08:15", s)
}

func answer(msg readIn, sent time.Time, p plan.Policy) readOut {
	c := reading.Context{Sent: sent, Phase: msg.Phase}
	for _, m := range msg.Medications {
		c.Medications = append(c.Medications, reading.ParseMedication(m))
	}
	r := reading.Parse(msg.Text, c)
	v := rules.Assess(r.Input(msg.Phase, closedFlags(sent, p)...))
	out := readOut{
		ID: msg.ID, Intent: r.Intent, Also: list(r.Also), Urgency: v.Urgency, Findings: list(r.Findings),
		Ambiguous: r.Ambiguous, PageNow: v.PageNow, Rules: list(v.Rules), Spans: list(r.Spans),
	}
	if r.Drug != "" {
		out.Drug = &r.Drug
	}
	if !r.Date.IsZero() {
		out.Date = &r.Date
	}
	return out
}

// list is never null in JSON.
func list[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

// closedFlags: with no calendar at hand, a dose told of while the clinic is
// closed counts as one whose next comes before it opens.
func closedFlags(sent time.Time, p plan.Policy) []rules.Flag {
	hours, at := p.Clinic.ChatHours, civil.TimeOfDayOf(sent)
	if p.OpenClinic(civil.DateOf(sent)) && hours.From <= at && at < hours.To {
		return nil
	}
	return []rules.Flag{rules.DoseBeforeOpening}
}

package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"handrail.example/reminders/plan"
)

const protocolsArgs = "[--policy F]"

// runProtocols lists the tables that a cycle may be planned by.
func runProtocols(_ context.Context, args []string, e env) error {
	var policyFile string
	flags := newFlags("protocols")
	flags.StringVar(&policyFile, "policy", "", "")
	if err := parse(flags, args, protocolsArgs); err != nil {
		return err
	}
	p, err := readPolicy(policyFile)
	if err != nil {
		return err
	}
	var b strings.Builder
	for _, name := range p.ProtocolNames() {
		table, _ := p.ProtocolNamed(name)
		explain(&b, p, table)
	}
	_, err = io.WriteString(e.stdout, b.String())
	return err
}

func explain(b *strings.Builder, p plan.Policy, table plan.Protocol) {
	head := table.Name
	if table.Name == p.Calendar.Protocol {
		head += "  (the policy's own, where nobody chooses another)"
	}
	fmt.Fprintf(b, "%s\n", head)
	for _, line := range wrapped(table.Explains, 86) {
		fmt.Fprintf(b, "  %s\n", line)
	}
	for _, r := range table.Rows {
		fmt.Fprintf(b, "    %-20s %s\n", r.Step, r.Words(p))
	}
	b.WriteString("\n")
}

// wrapped breaks a text into lines of at most so many characters.
func wrapped(text string, width int) []string {
	var lines []string
	line := ""
	for _, w := range strings.Fields(text) {
		if line != "" && len(line)+1+len(w) > width {
			lines = append(lines, line)
			line = ""
		}
		line = strings.TrimSpace(line + " " + w)
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

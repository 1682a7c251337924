package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"handrail.example/reminders/plan"
)

func runPolicy(_ context.Context, args []string, e env) error {
	if len(args) > 0 {
		return refusedf("policy takes no arguments, not %q; redirect its output into a file", args[0])
	}
	_, err := e.stdout.Write(plan.DefaultPolicyYAML())
	return err
}

// readPolicy reads the policy file at path; "" stands for the default policy.
func readPolicy(path string) (plan.Policy, error) {
	if path == "" {
		return plan.DefaultPolicy(), nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return plan.Policy{}, refusedf("policy %s cannot be read (%v); name a readable file", path, cause(err))
	}
	p, err := plan.ParsePolicy(b)
	if err != nil {
		return plan.Policy{}, refused(firstFault(path, err))
	}
	return p, nil
}

// firstFault is a policy's first fault in one line, and how to see the others.
func firstFault(path string, err error) error {
	var fs plan.Faults
	if !errors.As(err, &fs) || len(fs) < 2 {
		return faulty{"policy " + path, err}
	}
	return fmt.Errorf("policy %s: %s; %d more are named by handrail check --policy %s", path, fs[0], len(fs)-1, path)
}

// policyText is a policy as its file has it, for people to look at; the file has been
// read as a sound one before.
func policyText(path string) []byte {
	if b, err := os.ReadFile(path); err == nil {
		return b
	}
	return plan.DefaultPolicyYAML()
}

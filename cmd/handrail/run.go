package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
)

// env is what a command works with, so that tests can run it in the process.
type env struct {
	getenv         func(string) string
	stdin          io.Reader
	stdout, stderr io.Writer
}

// command is one word after the program's name.
type command struct {
	name string
	// args and does are its line in the usage.
	args, does string
	run        func(ctx context.Context, args []string, e env) error
}

// commands has every command, in the order of the usage.
var commands = []command{
	{"demo", demoArgs, "run an invented clinic on this machine and print the address of its page", runDemo},
	{"serve", serveArgs, "run the clinic's bot until it is told to stop", runServe},
	{"rehearse", rehearseArgs, "have an invented clinic work for weeks in minutes, and audit what came of it", runRehearse},
	{"staff", staffArgs, "take a member of the staff on and print her sign-up code", runStaff},
	{"records", recordsArgs, "give a patient everything that is held about her, readable", runRecords},
	{"erase", eraseArgs, "write a patient's records to a file, and destroy her key for good", runErase},
	{"key", keyArgs, "print a new master key, or put one in the place of the one in use", runKey},
	{"backup", backupArgs, "make a sealed copy of the database, also while it is served, and read it back", runBackup},
	{"restore", restoreArgs, "make a database of a backup that can be proved to be whole", runRestore},
	{"verify", verifyArgs, "look at everything in the database and say what is wrong and what to do", runVerify},
	{"audit", auditArgs, "print who of the staff saw and changed what, when and from where", runAudit},
	{"export", exportArgs, "take out a cycle (HL7 FHIR R4), the notes of her contacts, or a worklist (CSV)", runExport},
	{"import", importArgs, "take appointments and laboratory results in (HL7 FHIR R4)", runImport},
	{"plan", planArgs, "print the calendar of one cycle with its reasons, from a list of facts", runPlan},
	{"chart", chartArgs, "draw follicles and lining, or hCG, of one cycle as pictures", runChart},
	{"protocols", protocolsArgs, "list the protocols that a cycle may be planned by, with their steps", runProtocols},
	{"read", readArgs, "read patients' messages and say what they say and how urgent they are", runRead},
	{"policy", "", "print the default policy, with comments, as a file to edit", runPolicy},
	{"unit", "", "print a systemd unit to serve under, tightly boxed in", runUnit},
	{"check", checkArgs, "name every fault of a policy or a configuration file at once", runCheck},
}

// run executes one command line, args without the program's name.
func run(ctx context.Context, args []string, getenv func(string) string, stdin io.Reader, stdout, stderr io.Writer) error {
	e := env{getenv, stdin, stdout, stderr}
	if len(args) == 0 {
		fmt.Fprint(stderr, usage())
		return errUsage
	}
	if word := args[0]; word == "help" || word == "-h" || word == "--help" {
		_, err := fmt.Fprint(stdout, usage())
		return err
	}
	for _, c := range commands {
		if c.name == args[0] {
			return c.run(ctx, args[1:], e)
		}
	}
	return refusedf("%q is not a command; handrail alone lists them", args[0])
}

func usage() string {
	var b strings.Builder
	b.WriteString("usage:\n")
	for _, c := range commands {
		fmt.Fprintf(&b, "  handrail %s %s\n        %s\n", c.name, c.args, c.does)
	}
	return b.String()
}

// errUsage ends a run whose usage has been printed.
var errUsage = errors.New("no command")

// refusal is an error about what was handed in: arguments, facts, a policy, a
// configuration. Its text says what to do.
type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

func refused(err error) error { return refusal{err} }

func refusedf(format string, args ...any) error { return refusal{fmt.Errorf(format, args...)} }

// exitCode tells the person on the command line what went wrong and gives the
// code to exit with: 0 for success, 2 for refused input, 1 for the rest.
func exitCode(err error, stderr io.Writer) int {
	var r refusal
	switch {
	case err == nil, errors.Is(err, context.Canceled):
		return 0
	case errors.Is(err, errUsage):
		return 2
	case errors.As(err, &r):
		fmt.Fprintf(stderr, "handrail: %v\n", err)
		return 2
	}
	fmt.Fprintf(stderr, "handrail: %v\n", err)
	return 1
}

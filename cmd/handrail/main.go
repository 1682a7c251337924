// Command handrail walks patients through a stimulated frozen embryo transfer
// cycle by chat. This package reads arguments and wires the parts together by
// hand; it decides nothing about patients. One file holds one command.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // the clinic's zone must not depend on the machine
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// After the first signal the default handling is back: a second one quits.
	context.AfterFunc(ctx, stop)
	err := run(ctx, os.Args[1:], os.Getenv, os.Stdin, os.Stdout, os.Stderr)
	os.Exit(exitCode(err, os.Stderr))
}

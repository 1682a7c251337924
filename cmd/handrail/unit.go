package main

import (
	"context"
	_ "embed"
	"io"
)

//go:embed handrail.service
var unit string

// runUnit prints the unit to serve under.
func runUnit(_ context.Context, args []string, e env) error {
	if err := parse(newFlags("unit"), args, ""); err != nil {
		return err
	}
	_, err := io.WriteString(e.stdout, unit)
	return err
}

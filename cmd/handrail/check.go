package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"

	"handrail.example/reminders/plan"
)

const checkArgs = "[--policy F] [--config F]"

func runCheck(_ context.Context, args []string, e env) error {
	var policy, config string
	flags := newFlags("check")
	flags.StringVar(&policy, "policy", "", "")
	flags.StringVar(&config, "config", "", "")
	if err := parse(flags, args, checkArgs); err != nil {
		return err
	}
	if policy == "" && config == "" {
		return refusedf("check needs --policy or --config with a file")
	}
	var faults []error
	if policy != "" {
		faults = append(faults, checkFile("policy", policy, e.stdout, func(b []byte) error {
			_, err := plan.ParsePolicy(b)
			return err
		}))
	}
	if config != "" {
		faults = append(faults, checkFile("config", config, e.stdout, func(b []byte) error {
			_, _, err := parseConfig(b, e.getenv)
			return err
		}))
	}
	if err := errors.Join(faults...); err != nil {
		return refused(err)
	}
	return nil
}

// checkFile checks one file and says so when it is sound.
func checkFile(what, path string, stdout io.Writer, check func([]byte) error) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("%s %s cannot be read (%w); name a readable file", what, path, cause(err))
	}
	if err := check(b); err != nil {
		return faulty{what + " " + path, err}
	}
	_, err = fmt.Fprintf(stdout, "%s %s: sound\n", what, path)
	return err
}

// faulty is a file with its faults: on one line when there is one, else one on
// each line.
type faulty struct {
	file string
	err  error
}

func (f faulty) Error() string {
	lines := strings.Split(f.err.Error(), "\n")
	if len(lines) == 1 {
		return f.file + ": " + lines[0]
	}
	return fmt.Sprintf("%s: %d faults\n  %s", f.file, len(lines), strings.Join(lines, "\n  "))
}

func (f faulty) Unwrap() error { return f.err }

// cause is why a file could not be read, without its path.
func cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

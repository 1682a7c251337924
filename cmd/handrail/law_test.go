package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"handrail.example/reminders"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// The commands as an administrator types them, in a clean directory.
func TestRecordsAndEraseOnTheCommandLine(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	in := func(name string) string { return filepath.Join(folder, name) }
	key := seal.NewMasterKey()
	master, err := seal.ParseMasterKey(key)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(in("config.yaml"), fmt.Appendf(nil, "database: %s\n", in("clinic.sqlite")), 0o600); err != nil {
		t.Fatal(err)
	}
	do := func(args ...string) (string, int) {
		var out bytes.Buffer
		err := run(t.Context(), append(args, "--config", in("config.yaml")), func(name string) string {
			return map[string]string{envToken: "1:x", envKey: key}[name]
		}, nil, &out, &out)
		code := exitCode(err, &out)
		return out.String(), code
	}
	expect := func(code int, want string, args ...string) {
		t.Helper()
		if said, got := do(args...); got != code || !strings.Contains(said, want) {
			t.Errorf("%s: exit %d, want %d with %q: %s", strings.Join(args, " "), got, code, want, said)
		}
	}
	expect(2, "is not there", "erase", "--of", "P-1", "--by", "ash", "--records", in("r"), "--as", "plain")
	a, err := newApp(t.Context(), setting{database: in("clinic.sqlite"), durability: store.Full, master: master, policy: plan.DefaultPolicy(), clock: clock.System{}, log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		for handle, role := range map[string]triage.Role{"ash": triage.Administrator, "quoy": triage.Coordinator} {
			if _, _, err := a.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: handle, Name: "Invented", Role: role, Languages: []string{"en"}}); err != nil {
				return err
			}
		}
		_, err := a.book.AddPatient(ctx, tx, reminders.NewPatient{Handle: "P-1", Name: "Greta Solvay-Finch", Language: "en"})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if err := a.db.Close(); err != nil {
		t.Fatal(err)
	}

	expect(2, "--by", "records", "--of", "P-1")
	expect(2, "may not", "records", "--of", "P-1", "--by", "quoy")
	expect(0, "Greta Solvay-Finch", "records", "--of", "P-1", "--by", "ash")
	expect(0, `"table": "patients"`, "records", "--of", "P-1", "--by", "ash", "--json")
	expect(0, "sealed under the master key", "records", "--of", "P-1", "--by", "ash", "--to", in("sealed"), "--sealed")
	expect(0, "Greta Solvay-Finch", "records", "--open", in("sealed"))
	expect(2, "cannot be opened", "records", "--open", in("config.yaml"))
	expect(2, "not there yet", "records", "--of", "P-1", "--by", "ash", "--to", in("sealed"))

	expect(2, "--as", "erase", "--of", "P-1", "--by", "ash", "--records", in("last"))
	expect(2, "--records", "erase", "--of", "P-1", "--by", "ash", "--as", "plain")
	expect(2, "may not", "erase", "--of", "P-1", "--by", "quoy", "--records", in("last"), "--as", "plain", "--confirm", "P-1")
	expect(2, "--confirm P-1", "erase", "--of", "P-1", "--by", "ash", "--records", in("last"), "--as", "plain")
	unlock, err := lock(in("clinic.sqlite.lock"))
	if err != nil {
		t.Fatal(err)
	}
	expect(2, "stop it first", "erase", "--of", "P-1", "--by", "ash", "--records", in("last"), "--as", "plain", "--confirm", "P-1")
	unlock()
	expect(0, "has been erased", "erase", "--of", "P-1", "--by", "ash", "--records", in("last"), "--as", "sealed", "--confirm", "P-1")
	expect(0, "Greta Solvay-Finch", "records", "--open", in("last"))
	expect(2, "has been erased", "erase", "--of", "P-1", "--by", "ash", "--records", in("once more"), "--as", "plain", "--confirm", "P-1")
	if said, code := do("records", "--of", "P-1", "--by", "ash"); code != 0 || strings.Contains(said, "Greta") {
		t.Errorf("after it her records read, exit %d: %s", code, said)
	}
}

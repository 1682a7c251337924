package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"handrail.example/bot/loopback"
	"handrail.example/reminders/clock"
)

// TestRunbook types the runbook's commands as they stand in the README, in an empty
// folder, with the real program and a chat platform on this machine.
func TestRunbook(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("curl"); err != nil {
		t.Skip("curl is not installed, which the runbook asks with")
	}
	page, err := os.ReadFile(filepath.Join(root, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(page), "## Runbook\n")
	_, rest, fenced := strings.Cut(rest, "```sh\n")
	script, _, closed := strings.Cut(rest, "```\n")
	if !found || !fenced || !closed {
		t.Fatal("the README has no runbook")
	}
	folder := t.TempDir()
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", filepath.Join(folder, "bin", "handrail"), ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	token := "987654:a-token-that-nobody-may-see"
	platform, err := loopback.Start(loopback.Config{Now: clock.System{}.Now, Token: token})
	if err != nil {
		t.Fatal(err)
	}
	defer platform.Close()
	// Where the machine differs from the clinic's: addresses that are free here.
	script = strings.NewReplacer("telegram: {mode: polling}", "telegram: {mode: polling, api_url: \""+platform.URL()+"\"}",
		"127.0.0.1:8080", freeAddress(t), "127.0.0.1:9180", freeAddress(t)).Replace(script)
	run := exec.CommandContext(t.Context(), "bash", "-euxm", "-o", "pipefail", "-c", script)
	run.Dir = folder
	run.Env = append(os.Environ(), "PATH="+filepath.Join(folder, "bin")+":"+os.Getenv("PATH"), envToken+"="+token)
	out, err := run.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	said := string(out)
	for _, want := range []string{"\nok\n", "handrail verify --config", "serving"} {
		if !strings.Contains(said, want) {
			t.Errorf("it never came to %q:\n%s", want, said)
		}
	}
	if strings.Contains(said, token) || strings.Contains(said, "level=ERROR") {
		t.Errorf("a secret or trouble in what was said:\n%s", said)
	}
}

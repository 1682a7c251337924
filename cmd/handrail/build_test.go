package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Without a C compiler Go builds the program without SQLite. It must say so in
// one sentence, and still compute calendars.
func TestABuildWithoutACCompiler(t *testing.T) {
	t.Parallel()
	binary := filepath.Join(t.TempDir(), "handrail")
	build := exec.CommandContext(t.Context(), "go", "build", "-o", binary, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	out, err := exec.CommandContext(t.Context(), binary, "demo").CombinedOutput()
	if err == nil || strings.Count(string(out), "\n") != 1 || !strings.Contains(string(out), "install a C compiler") {
		t.Errorf("the demo ended with %v and said:\n%s", err, out)
	}
	plan := exec.CommandContext(t.Context(), binary, "plan", "--facts", "-", "--as-of", "2026-03-02")
	plan.Stdin = strings.NewReader(`[{"fact":"period_start","at":"2026-03-02T08:15"}]`)
	if out, err := plan.CombinedOutput(); err != nil || !strings.Contains(string(out), "2026-03-04") {
		t.Errorf("plan: %v\n%s", err, out)
	}
}

package main

import (
	"context"
	"encoding/base64"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// BenchmarkServe is the program as it is installed, with 100,000 patients who wait
// for their periods: how long from its start to its first poll, and how much memory
// it holds some seconds later.
func BenchmarkServe(b *testing.B) {
	folder := b.TempDir()
	binary := filepath.Join(folder, "handrail")
	if out, err := exec.CommandContext(b.Context(), "go", "build", "-o", binary, ".").CombinedOutput(); err != nil {
		b.Fatalf("build: %v\n%s", err, out)
	}
	server, err := loopback.Start(loopback.Config{Now: time.Now})
	if err != nil {
		b.Fatal(err)
	}
	defer server.Close()
	c := restingClinic(b, 100_000)
	config := filepath.Join(folder, "config.yaml")
	text := fmt.Sprintf("database: %s\ntelegram: {api_url: %q}\n", c.file, server.URL())
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	var started time.Duration
	var memory float64
	for b.Loop() {
		cmd := exec.CommandContext(b.Context(), binary, "serve", "--config", config)
		cmd.Env = append(os.Environ(), envToken+"="+server.Token(), envKey+"="+base64.StdEncoding.EncodeToString(c.master))
		start := time.Now()
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		for !server.Polling() {
			if time.Since(start) > time.Minute {
				b.Fatal("it does not poll")
			}
			time.Sleep(time.Millisecond)
		}
		started += time.Since(start)
		time.Sleep(5 * time.Second)
		memory = max(memory, resident(b, cmd.Process.Pid))
		_ = cmd.Process.Signal(os.Interrupt)
		_ = cmd.Wait()
		for server.Polling() {
			time.Sleep(time.Millisecond)
		}
	}
	b.ReportMetric(float64(started.Milliseconds())/float64(b.N), "first-poll-ms")
	b.ReportMetric(memory, "resident-MB")
	b.ReportMetric(0, "ns/op") // of no meaning here
}

// restingClinic has patients who have agreed, are ready, and wait.
func restingClinic(b *testing.B, patients int) *benchClinic {
	b.Helper()
	c := newClinicFile(b, time.Now())
	a := c.open(b, c.file, store.Relaxed, nil)
	defer a.db.Close()
	s, err := readScenario()
	if err != nil {
		b.Fatal(err)
	}
	s.Patients = nil
	if err := s.fill(b.Context(), a); err != nil {
		b.Fatal(err)
	}
	if err := a.db.Within(b.Context(), func(ctx context.Context, tx *store.Tx) error {
		by, _, err := a.desk.StaffByPerson(ctx, tx, seal.House+1)
		if err != nil {
			return err
		}
		models, err := enrolModels(ctx, tx, a, by, []scenarioPerson{{Name: "Invented", Language: "en", Ready: true}})
		if err != nil {
			return err
		}
		for range patients - 1 {
			if err := models[0].copy(ctx, tx); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		b.Fatal(err)
	}
	return c
}

// resident is how much memory a process holds, in MB.
func resident(b *testing.B, pid int) float64 {
	b.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Skip("this machine does not say how much memory a process holds")
	}
	for line := range strings.Lines(string(status)) {
		var kb float64
		if n, _ := fmt.Sscanf(line, "VmRSS: %f kB", &kb); n == 1 {
			return kb / 1024
		}
	}
	b.Fatal("no VmRSS")
	return 0
}

package main

import (
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/bot"
	"handrail.example/bot/loopback"
	"handrail.example/cmd/handrail/vigil"
	"handrail.example/dialog/phrase"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// administrator is the chat of somebody who looks after the program.
const administrator = 901

// TestTheAdministratorIsTold has updates stop coming in, and later nothing get
// through to anybody, on the clinic of the demo.
func TestTheAdministratorIsTold(t *testing.T) {
	t.Parallel()
	s, w := watchedStage(t)
	step := func(d time.Duration) {
		t.Helper()
		// A request for updates that is kept open ends only when the clock rests.
		for end := s.time.Now().Add(d); s.time.Now().Before(end); {
			if err := s.time.Advance(t.Context(), s.time.Now().Add(20*time.Second)); err != nil {
				t.Fatal(err)
			}
		}
	}
	misbehave := func(f loopback.Fault) {
		t.Helper()
		if err := s.server.Misbehave(f); err != nil {
			t.Fatal(err)
		}
	}
	step(10 * time.Minute)
	wasTold(t, s, nil)
	misbehave(loopback.Fault{Kind: loopback.ServerError, Method: "getUpdates"})
	step(10 * time.Minute)
	wasTold(t, s, []string{"no updates have come in"})
	s.server.Behave()
	step(2 * time.Minute)
	wasTold(t, s, []string{"no updates have come in", "come in from the chat platform again"})

	misbehave(loopback.Fault{Kind: loopback.Outage, Delay: loopback.Duration(12 * time.Minute)})
	step(5 * time.Minute)
	if _, alarms, _ := w.State(); !slices.ContainsFunc(alarms, func(a vigil.Alarm) bool { return a.Name == "updates" }) {
		t.Errorf("alarms: %v", alarms)
	}
	step(30 * time.Minute)
	if _, alarms, ok := w.State(); !ok || len(alarms) > 0 {
		t.Errorf("all is well again, but %v", alarms)
	}
	// While the platform was away nobody could be told; what was over by then is not said.
	for _, m := range s.server.Messages(administrator) {
		if strings.Contains(m.Text, "P-1") || strings.Contains(m.Text, "Tosk") {
			t.Errorf("an alarm names a patient: %s", m.Text)
		}
	}
}

// wasTold compares what the administrator has been told, by a few words of each.
func wasTold(t *testing.T, s *stage, want []string) {
	t.Helper()
	var got []string
	for _, m := range s.server.Messages(administrator) {
		if m.From == loopback.FromBot {
			got = append(got, m.Text)
		}
	}
	if len(got) != len(want) {
		t.Fatalf("told %q, want %q", got, want)
	}
	for i := range got {
		if !strings.Contains(got[i], want[i]) {
			t.Errorf("told %q, want %q", got[i], want[i])
		}
	}
}

// watchedStage is the demo's clinic with an administrator, watched, and running.
func watchedStage(t *testing.T) (*stage, *vigil.Watch) {
	t.Helper()
	play, err := readScenario()
	if err != nil {
		t.Fatal(err)
	}
	policy := plan.DefaultPolicy()
	from, err := play.at(policy.Location())
	if err != nil {
		t.Fatal(err)
	}
	master, err := seal.ParseMasterKey(seal.NewMasterKey())
	if err != nil {
		t.Fatal(err)
	}
	s, err := newStage(t.Context(), clock.NewVirtual(from), loopback.Config{}, setting{database: filepath.Join(t.TempDir(), "clinic.sqlite"), durability: store.Relaxed,
		master: master, policy: policy, log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if err := play.fill(t.Context(), s.app); err != nil {
		t.Fatal(err)
	}
	s.server.Introduce(loopback.Person{Chat: administrator, Name: "Invented", Language: "en", Started: true})
	if err := s.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, code, err := s.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: "keeper", Name: "Invented", Role: triage.Administrator, Languages: []string{"en"}})
		if err != nil {
			return err
		}
		_, _, err = s.desk.Join(ctx, tx, code, "901")
		return err
	}); err != nil {
		t.Fatal(err)
	}
	direct, err := bot.NewClient(s.server.URL(), s.server.Token())
	if err != nil {
		t.Fatal(err)
	}
	w, err := s.watched(direct, "")
	if err != nil {
		t.Fatal(err)
	}
	s.poller.Polled = w.Traffic.Polled
	ctx, stop := context.WithCancel(t.Context())
	wait, err := s.start(ctx, s.poller.Run)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		stop()
		wait()
		if err := s.close(); err != nil {
			t.Error(err)
		}
	})
	// Before the first request is out, time would pass for which nobody has asked.
	eventually(t, "it polls", s.server.Polling)
	return s, w
}

// TestServeAnswersForItself asks a serving program how it is, as a supervisor and a
// collector of metrics do. It changes the environment, so it runs alone.
func TestServeAnswersForItself(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "notify")
	supervisor, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer supervisor.Close()
	t.Setenv("NOTIFY_SOCKET", socket)
	t.Setenv("WATCHDOG_USEC", "60000000")
	p := newPremises(t, polling)
	at := freeAddress(t)
	config, err := os.ReadFile(p.config)
	if err != nil {
		t.Fatal(err)
	}
	p.write(p.config, string(config)+"watch: {listen: "+at+"}\n")
	s := p.serve()
	for _, want := range []string{"READY=1", "WATCHDOG=1"} {
		hears(t, supervisor, want)
	}
	code, body := asks(t, "http://"+at+"/health")
	if code != http.StatusOK || body != "ok\n" {
		t.Errorf("health: %d %q", code, body)
	}
	code, body = asks(t, "http://"+at+"/metrics")
	for _, want := range []string{"handrail_database_readable 1", "handrail_poll_age_seconds", `handrail_alarm{name="updates"} 0`, `handrail_loop_busy_seconds{loop="dispatcher"}`,
		`handrail_loop_busy_seconds{loop="poller"}`, "go_goroutines", "process_resident_memory_bytes"} {
		if code != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%d: %s is not among the numbers", code, want)
		}
	}
	if strings.Contains(body, "a-token-that-nobody-may-see") {
		t.Error("a secret among the numbers")
	}
	s.end()
	hears(t, supervisor, "STOPPING=1")
}

func hears(t *testing.T, supervisor *net.UnixConn, want string) {
	t.Helper()
	if err := supervisor.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 100)
	n, err := supervisor.Read(b)
	if err != nil || string(b[:n]) != want {
		t.Fatalf("the supervisor heard %q (%v), want %q", b[:n], err, want)
	}
}

func asks(t *testing.T, url string) (int, string) {
	t.Helper()
	res, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(body)
}

// TestTheUnit has systemd judge the unit that the program prints.
func TestTheUnit(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	out := p.run(t.Context(), "unit")
	if out.code != 0 || !strings.Contains(out.stdout, "WatchdogSec=") {
		t.Fatalf("%+v", out)
	}
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed: nothing judges the unit")
	}
	file := filepath.Join(t.TempDir(), "handrail.service")
	// A program that is there stands in for ours, which is not installed here.
	p.write(file, strings.Replace(out.stdout, "/usr/local/bin/handrail serve", "/bin/true serve", 1))
	if said, err := exec.Command(analyze, "verify", file).CombinedOutput(); err != nil || len(said) > 0 {
		t.Errorf("%v: %s", err, said)
	}
	// "ok" is its word for an exposure under 5 of 10; we ask for 2.
	if said, err := exec.Command(analyze, "security", "--offline=true", "--threshold=20", file).CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, said)
	}
}

// Every alarm has its words in every language, when it begins and when it is over.
func TestAlarmsHaveWords(t *testing.T) {
	t.Parallel()
	phrases, err := phrase.Load()
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range vigil.Names() {
		for _, key := range []string{"watch." + name, "watch." + name + "_over"} {
			if !phrases.Has(key) {
				t.Errorf("no words for %s", key)
			}
		}
	}
}

package vigil_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"handrail.example/cmd/handrail/vigil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// scene is a watch over a program of which the test says how it does.
type scene struct {
	*vigil.Watch
	clock *clock.Virtual
	sight vigil.Sight
	err   error
	fate  outbox.Fate // of what is told directly
	said  []string
	fed   int
	log   strings.Builder
}

func newScene(t *testing.T) *scene {
	t.Helper()
	s := &scene{clock: clock.NewVirtual(start), fate: outbox.Sent, sight: vigil.Sight{Told: []vigil.Colleague{{Chat: "7", Language: "en"}}}}
	s.Watch = &vigil.Watch{Clock: s.clock, Pulse: new(vigil.Pulse), Traffic: vigil.NewTraffic(s.clock), Polls: true,
		Look:   func(context.Context) (vigil.Sight, error) { return s.sight, s.err },
		Direct: s, Log: slog.New(slog.NewTextHandler(&s.log, nil)), Feed: func() { s.fed++ },
		Say: func(_, key string, args map[string]string) string {
			return strings.TrimSpace(fmt.Sprint(key, " ", strings.Join(slices.Sorted(maps.Values(args)), " ")))
		}}
	return s
}

// Send is the way past the outbox.
func (s *scene) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	if s.fate == outbox.Sent {
		s.said = append(s.said, e.Chat+": "+e.Message.Text)
	}
	return outbox.Outcome{Fate: s.fate}
}

// after lets d pass in looks of twenty seconds, while polls are answered or not.
func (s *scene) after(t *testing.T, d time.Duration, polls bool) {
	t.Helper()
	for end := s.clock.Now().Add(d); s.clock.Now().Before(end); {
		if err := s.clock.Advance(t.Context(), s.clock.Now().Add(20*time.Second)); err != nil {
			t.Fatal(err)
		}
		if polls {
			s.Traffic.Polled()
		}
		s.Pass(t.Context())
	}
}

func (s *scene) heard(t *testing.T, want ...string) {
	t.Helper()
	if !slices.Equal(s.said, want) {
		t.Errorf("said %q, want %q", s.said, want)
	}
	s.said = nil
}

func TestPollingStalls(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	s.after(t, time.Hour, true)
	s.heard(t)
	s.after(t, 4*time.Minute, false)
	s.heard(t, "7: watch.updates 3")
	s.after(t, 70*time.Minute, false)
	s.heard(t, "7: watch.updates 63") // once more, while it lasts
	s.after(t, time.Minute, true)
	s.heard(t, "7: watch.updates_over")
	if got := s.log.String(); strings.Count(got, "msg=alarm ") != 1 || strings.Count(got, `msg="alarm over"`) != 1 {
		t.Errorf("the log says %s", got)
	}
}

// What cannot be said now is said when it can be, and is over only once it was said.
func TestNothingGetsThrough(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	over := s.Traffic.Over(sender(func() outbox.Outcome { return outbox.Outcome{Fate: s.fate, Class: "server unreachable"} }))
	s.fate = outbox.Later
	over.Send(t.Context(), outbox.Envelope{})
	s.after(t, 10*time.Minute, true)
	s.heard(t)
	if code, body := s.get(t, "/health"); code != http.StatusServiceUnavailable || !strings.Contains(body, "watch.sending 10") {
		t.Errorf("health: %d %q", code, body)
	}
	s.fate = outbox.Sent
	s.after(t, 20*time.Second, true)
	s.heard(t, "7: watch.sending 10")
	over.Send(t.Context(), outbox.Envelope{})
	s.after(t, 20*time.Second, true)
	s.heard(t, "7: watch.sending_over")
	if code, body := s.get(t, "/health"); code != http.StatusOK || body != "ok\n" {
		t.Errorf("health: %d %q", code, body)
	}
}

type sender func() outbox.Outcome

func (f sender) Send(context.Context, outbox.Envelope) outbox.Outcome { return f() }

// The watch does not need the database to tell somebody of it.
func TestDatabaseGone(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	s.after(t, time.Minute, true)
	s.err = errors.New("disk")
	s.sight = vigil.Sight{}
	s.after(t, time.Minute, true)
	s.heard(t, "7: watch.database")
	if _, body := s.get(t, "/metrics"); !strings.Contains(body, "handrail_database_readable 0") || strings.Contains(body, "handrail_inbox_waiting") {
		t.Errorf("numbers that nobody knows: %s", body)
	}
}

func TestWhatWaits(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	s.sight.Due = []vigil.Due{{Kind: "dose", N: 2, Oldest: start.Add(-time.Minute)}, {Kind: "task", N: 1, Oldest: start}}
	s.sight.Unhandled, s.sight.Oldest = 4, start.Add(time.Minute)
	s.after(t, 2*time.Minute, true)
	s.heard(t)
	s.after(t, 3*time.Minute, true)
	s.heard(t, "7: watch.unread 2 4", "7: watch.waiting 3 5")
}

// A loop that waits is well however long; one that works for too long hangs, and
// whoever supervises the process is not fed.
func TestLoopHangs(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	clk := s.Pulse.Beat("worker", 2*time.Minute, s.clock)
	var bell clock.Bell
	back, release := make(chan struct{}), s.clock.Hold()
	go func() { // waits for a bell, then works for ever
		_ = clk.Until(context.Background(), time.Time{}, &bell)
		release()
		close(back)
	}()
	s.after(t, 30*time.Minute, true)
	if s.heard(t); s.fed != 90 {
		t.Errorf("fed %d times in 90 looks", s.fed)
	}
	bell.Ring()
	<-back
	s.after(t, 4*time.Minute, true)
	s.heard(t, "7: watch.hangs worker")
	if s.fed != 96 {
		t.Errorf("fed %d times; it hangs", s.fed-90)
	}
	if _, body := s.get(t, "/metrics"); !strings.Contains(body, `handrail_alarm{name="hangs"} 1`) {
		t.Error("no alarm among the numbers")
	}
}

func (s *scene) get(t *testing.T, path string) (int, string) {
	t.Helper()
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, httptest.NewRequest(http.MethodGet, path, nil))
	body, err := io.ReadAll(rec.Body)
	if err != nil {
		t.Fatal(err)
	}
	return rec.Code, string(body)
}

// The format is read back by Prometheus's own parser.
func TestMetrics(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	s.sight.Cases = []vigil.Cases{{Urgency: "emergency", State: "open", N: 1, Unanswered: start}, {Urgency: "emergency", State: "taken", N: 2, Unanswered: start.Add(-time.Minute)},
		{Urgency: "routine", State: "taken", N: 3}}
	s.sight.Due = []vigil.Due{{Kind: "dose", N: 2, Oldest: start}}
	s.sight.Stuck = 1
	s.Pulse.Beat("worker", time.Minute, s.clock)
	over := s.Traffic.Over(s)
	over.Send(t.Context(), outbox.Envelope{Chat: "9", Message: outbox.Message{Text: "words of hers"}})
	s.after(t, time.Minute, true)
	code, body := s.get(t, "/metrics")
	families, err := expfmtParse(body)
	if code != http.StatusOK || err != nil {
		t.Fatal(code, err)
	}
	for name, want := range map[string]float64{
		"handrail_cases|open|emergency": 1, "handrail_cases|taken|emergency": 2, "handrail_cases|taken|routine": 3,
		"handrail_case_oldest_unanswered_seconds|emergency": 120,
		"handrail_outbox_due|dose":                          2, "handrail_outbox_oldest_due_seconds|dose": 60,
		"handrail_inbox_stuck": 1, "handrail_inbox_waiting": 0, "handrail_poll_age_seconds": 0, "handrail_sends_total||sent": 1,
		"handrail_loop_busy_seconds|worker": 60, "handrail_database_readable": 1, "handrail_alarm|sending": 0,
	} {
		if got, found := families[name]; !found || got != want {
			t.Errorf("%s is %v, want %v", name, got, want)
		}
	}
	if _, found := families["handrail_case_oldest_unanswered_seconds|routine"]; found {
		t.Error("an age of a case that was answered")
	}
	if strings.Contains(body, "words") || strings.Contains(body, `"9"`) {
		t.Error("the numbers hold a text or a chat")
	}
}

// expfmtParse is every sample by its name and the values of its labels.
func expfmtParse(text string) (map[string]float64, error) {
	p := expfmt.NewTextParser(model.UTF8Validation)
	families, err := p.TextToMetricFamilies(strings.NewReader(text))
	all := make(map[string]float64)
	for name, f := range families {
		for _, m := range f.Metric {
			key := name
			for _, l := range m.Label {
				key += "|" + l.GetValue()
			}
			all[key] = value(f.GetType(), m)
		}
	}
	return all, err
}

func value(kind dto.MetricType, m *dto.Metric) float64 {
	if kind == dto.MetricType_COUNTER {
		return m.GetCounter().GetValue()
	}
	return m.GetGauge().GetValue()
}

// What goes on side by side is counted right.
func TestTrafficCounts(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	over := s.Traffic.Over(s)
	s.fate = outbox.Never
	var all sync.WaitGroup
	for range 50 {
		all.Go(func() { over.Send(context.Background(), outbox.Envelope{}); s.Traffic.Polled() })
	}
	all.Wait()
	if _, body := s.get(t, "/metrics"); !strings.Contains(body, `handrail_sends_total{class="",fate="never"} 50`) {
		t.Error("not 50 attempts")
	}
}

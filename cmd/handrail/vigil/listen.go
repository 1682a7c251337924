package vigil

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Handler answers /health, 200 when nothing is wrong and 503 with what is, and
// /metrics in Prometheus's text format.
func (w *Watch) Handler() http.Handler {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), gauges{w})
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(r, promhttp.HandlerOpts{}))
	mux.HandleFunc("GET /health", w.health)
	return mux
}

func (w *Watch) health(rw http.ResponseWriter, _ *http.Request) {
	rw.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, alarms, _ := w.State()
	if len(alarms) == 0 {
		fmt.Fprintln(rw, "ok")
		return
	}
	rw.WriteHeader(http.StatusServiceUnavailable)
	for _, a := range alarms {
		fmt.Fprintln(rw, strings.TrimSpace(w.Say("en", "watch."+a.Name, a.Args)))
	}
}

// gauges puts what the watch knows into numbers, at the moment that it is asked.
type gauges struct{ w *Watch }

var (
	casesNow   = desc("cases", "Cases that are not closed.", "urgency", "state")
	unanswered = desc("case_oldest_unanswered_seconds", "Age of the oldest case that is not closed and in which nobody has written to her.", "urgency")
	dueNow     = desc("outbox_due", "Messages and tasks that are due and have not gone out.", "kind")
	oldestDue  = desc("outbox_oldest_due_seconds", "For how long the oldest of them has been due.", "kind")
	unhandled  = desc("inbox_waiting", "Updates that came in and that have not been handled.")
	oldestIn   = desc("inbox_oldest_seconds", "Age of the oldest of them.")
	stuck      = desc("inbox_stuck", "Updates that could not be handled and lie before a person.")
	pollAge    = desc("poll_age_seconds", "Time since a request for updates was last answered; only where updates are polled.")
	sendsTotal = desc("sends_total", "Attempts to send, by what became of them.", "fate", "class")
	busy       = desc("loop_busy_seconds", "For how long a loop has been at work without a wait; 0 while it waits.", "loop")
	readable   = desc("database_readable", "1 when the last look at the database succeeded.")
	alarmed    = desc("alarm", "1 while the administrators are told of it.", "name")
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("handrail_"+name, help, labels, nil)
}

// Describe names nothing ahead: what there is depends on what is seen.
func (gauges) Describe(chan<- *prometheus.Desc) {}

// Collect sends every number that is known.
func (g gauges) Collect(to chan<- prometheus.Metric) {
	now := g.w.Clock.Now()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	sight, alarms, ok := g.w.State()
	gauge(readable, oneIf(ok))
	if ok {
		sight.collect(now, gauge)
	}
	if g.w.Polls {
		gauge(pollAge, g.w.Traffic.PollAge().Seconds())
	}
	for s, n := range g.w.Traffic.counts() {
		to <- prometheus.MustNewConstMetric(sendsTotal, prometheus.CounterValue, float64(n), s.fate, s.class)
	}
	for name, d := range g.w.Pulse.Busy(now) {
		gauge(busy, d.Seconds(), name)
	}
	for _, name := range names {
		gauge(alarmed, oneIf(has(alarms, name)), name)
	}
}

func (s Sight) collect(now time.Time, gauge func(d *prometheus.Desc, v float64, labels ...string)) {
	oldest := make(map[string]time.Time)
	for _, c := range s.Cases {
		gauge(casesNow, float64(c.N), c.Urgency, c.State)
		if first := oldest[c.Urgency]; !c.Unanswered.IsZero() && (first.IsZero() || c.Unanswered.Before(first)) {
			oldest[c.Urgency] = c.Unanswered
		}
	}
	for urgency, at := range oldest {
		gauge(unanswered, now.Sub(at).Seconds(), urgency)
	}
	for _, d := range s.Due {
		gauge(dueNow, float64(d.N), d.Kind)
		gauge(oldestDue, now.Sub(d.Oldest).Seconds(), d.Kind)
	}
	gauge(unhandled, float64(s.Unhandled))
	gauge(stuck, float64(s.Stuck))
	if !s.Oldest.IsZero() {
		gauge(oldestIn, now.Sub(s.Oldest).Seconds())
	}
}

func has(alarms []Alarm, name string) bool {
	for _, a := range alarms {
		if a.Name == name {
			return true
		}
	}
	return false
}

func oneIf(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

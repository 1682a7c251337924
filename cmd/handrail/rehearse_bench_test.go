package main

import (
	"flag"
	"testing"
)

var (
	rehearsed    = flag.Int("rehearsed", 100, "patients in the benchmark of a rehearsal")
	rehearsedFor = flag.Int("rehearsed-for", 60, "its days")
)

// BenchmarkRehearse is a whole clinic for sixty days in memory: what a message costs
// there, with its people, their clock and the audit, and what to look at in a profile
// before a rehearsal of very many.
func BenchmarkRehearse(b *testing.B) {
	for b.Loop() {
		start := cpuTime()
		report, _, err := rehearse(b.Context(), rehearsalSet{patients: *rehearsed, days: *rehearsedFor, seed: 1, transport: "direct"}, rehearsalHooks{})
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(cpuTime()-start)/float64(report.MessagesIn+report.MessagesOut), "cpu-ns/message")
		b.ReportMetric(float64(report.MessagesIn+report.MessagesOut)/float64(report.Patients), "messages/patient")
	}
}

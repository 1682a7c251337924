package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/cmd/handrail/audit"
)

// rehearsalReport is what is told of a rehearsal.
type rehearsalReport struct {
	Patients        int `json:"patients"`
	CyclesCompleted int `json:"cycles_completed"`
	audit.Verdict
	AlertP99MS float64 `json:"alert_p99_ms"`
	WallS      float64 `json:"wall_s"`
	PeakRSSMB  float64 `json:"peak_rss_mb"`

	Days   int    `json:"days"`
	Seed   uint64 `json:"seed"`
	Faults string `json:"faults"`
	Struck int    `json:"faults_struck"`
	// Refused is how often a coordinator was refused what she entered, GivenUp how often
	// she got no answer for too long.
	Refused    int    `json:"entries_refused"`
	GivenUp    int    `json:"entries_given_up"`
	Transport  string `json:"transport"`
	Durability string `json:"durability"`
	Pictures   string `json:"pictures"`
}

func (r *rehearsalRun) report(v audit.Verdict, took time.Duration) rehearsalReport {
	durability, pictures := "full: every commit is forced to the disk", "drawn"
	if r.set.transport == "direct" {
		durability, pictures = "relaxed: commits are not forced to the disk", "not drawn: only looked at whether they could be"
	}
	return rehearsalReport{Patients: r.set.patients, CyclesCompleted: v.Completed, Verdict: v, AlertP99MS: r.alarm.p99(), WallS: seconds(took), PeakRSSMB: peakMB(),
		Days: r.set.days, Seed: r.set.seed, Faults: r.set.faults, Struck: r.weather.struck, Refused: r.world.Refused, GivenUp: r.world.GivenUp, Transport: r.set.transport, Durability: durability, Pictures: pictures}
}

func seconds(d time.Duration) float64 {
	return float64(d.Round(10*time.Millisecond)) / float64(time.Second)
}

// print writes a report for people, a figure a line.
func (r rehearsalReport) print(w interface{ Write([]byte) (int, error) }) error {
	b, err := json.Marshal(r)
	if err != nil {
		return err
	}
	var lines []string
	dec := json.NewDecoder(strings.NewReader(string(b)))
	dec.UseNumber()
	for {
		t, err := dec.Token()
		if err != nil {
			break
		}
		if _, is := t.(json.Delim); is {
			continue
		}
		value, err := dec.Token()
		if err != nil {
			break
		}
		lines = append(lines, fmt.Sprintf("%-18s %v", strings.ReplaceAll(fmt.Sprint(t), "_", " "), value))
	}
	_, err = fmt.Fprintln(w, strings.Join(slices.Clip(lines), "\n"))
	return err
}

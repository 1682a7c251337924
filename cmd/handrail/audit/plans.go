package audit

import (
	"slices"
)

// judgeLooks compares each calendar that was looked at with what the rules give for
// what had been stated by then.
func (j *judge) judgeLooks() error {
	for _, l := range j.Journal.Looks {
		p := j.byHandle[l.Patient]
		if p == nil {
			j.find(&j.v.PlanMismatches, "there is a calendar of %s, who is nobody", l.Patient)
			continue
		}
		j.judgeLook(p, l)
	}
	return nil
}

func (j *judge) judgeLook(p *patient, l Look) {
	known := p.known(l.At)
	want := datesOf(j.Clinic, known)
	one := ""
	for _, e := range known {
		if e.Kind == "period_start" {
			one = j.Clinic.DayOne(e.At).String()
		}
	}
	j.v.Dated++
	if l.DayOne != one {
		j.find(&j.v.PlanMismatches, "%s at %s: day one is %q, should be %q", l.Patient, l.At.Format(instantForm), l.DayOne, one)
		return
	}
	got := make(map[string][]string)
	for _, r := range l.Rows {
		if r.Status != "dropped" {
			got[r.Step] = append(got[r.Step], r.On)
		}
	}
	for _, step := range []string{"baseline", "monitoring", "trigger", "transfer", "luteal_progesterone", "hcg_first", "hcg_repeat", "ob_ultrasound"} {
		var days []string
		for _, d := range want[step] {
			if d == 0 {
				days = append(days, "")
			} else {
				days = append(days, d.String())
			}
		}
		j.v.Dated += len(days)
		if !slices.Equal(got[step], days) && len(got[step])+len(days) > 0 {
			j.find(&j.v.PlanMismatches, "%s at %s: %s is on %q, should be on %q", l.Patient, l.At.Format(instantForm), step, got[step], days)
		}
	}
}

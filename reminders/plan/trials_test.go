package plan

import (
	"testing"

	"handrail.example/reminders/civil"
)

// Blood drawn early has its result on the same day, later blood on the next day on
// which the clinic is open.
func TestResultDue(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for drawn, want := range map[string]string{
		"2026-03-30T07:25": "2026-03-30 14:00",
		"2026-03-30T09:59": "2026-03-30 14:00",
		"2026-03-30T10:00": "2026-03-31 14:00",
		"2026-03-28T11:00": "2026-03-30 14:00", // Saturday to Monday
		"2026-11-25T15:00": "2026-11-27 14:00", // over a holiday
		"2026-10-31T08:00": "2026-10-31 14:00",
	} {
		at, err := ParseInstant(drawn, p.Location())
		if err != nil {
			t.Fatal(err)
		}
		if got := p.ResultDue(at).Format("2006-01-02 15:04"); got != want {
			t.Errorf("drawn %s: due %s, want %s", drawn, got, want)
		}
	}
}

func TestDrawnBloodIsAskedAfterUntilItsResult(t *testing.T) {
	t.Parallel()
	const drawn = `[{"fact":"transfer","on":"2026-03-20"},{"fact":"hcg_drawn","at":"2026-03-30T07:25"}`
	for name, c := range map[string]struct {
		more string
		want bool
	}{
		"no result":           {"", true},
		"its result":          {`,{"fact":"hcg","at":"2026-03-30T07:20","iu_per_l":84}`, false},
		"another day's value": {`,{"fact":"hcg","at":"2026-03-29T07:20","iu_per_l":84}`, true},
		"even when cancelled": {`,{"fact":"cancelled","on":"2026-03-30","reason":"her wish"}`, true},
	} {
		found := false
		for _, o := range built(t, DefaultPolicy(), "2026-03-30", drawn+c.more+"]").Open {
			if o.Why.Code == "open_drawn" {
				found = true
				if got := o.Due.Format("15:04"); got != "14:00" {
					t.Errorf("%s: due at %s", name, got)
				}
			}
		}
		if found != c.want {
			t.Errorf("%s: asked after: %v, want %v", name, found, c.want)
		}
	}
}

// A test at home on a Sunday is seen to on Monday, an hour before closing.
func TestHomeTestIsSeenToOnAnOpenDay(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for on, want := range map[string]string{"2026-03-11": "2026-03-11 15:00", "2026-03-15": "2026-03-16 15:00"} {
		facts := `[{"fact":"period_start","at":"2026-03-02T08:15"},{"fact":"home_lh","on":"` + on + `"}]`
		got := ""
		for _, o := range built(t, p, on, facts).Open {
			if o.Why.Code == "open_home_lh" {
				got = o.Due.Format("2006-01-02 15:04")
			}
		}
		if got != want {
			t.Errorf("%s: due %s, want %s", on, got, want)
		}
	}
}

// When none survives, the transfer and what counts from it fall away, until another
// embryo survives.
func TestNoEmbryoLeft(t *testing.T) {
	t.Parallel()
	const facts = `[{"fact":"period_start","at":"2026-03-01T08:15"},{"fact":"embryos","embryo_day":5,"stored":2,"backup":"thaw_next"},
		{"fact":"trigger","at":"2026-03-13T21:30"},{"fact":"thaw","id":"f9","on":"2026-03-20","embryos":1,"survived":0}`
	failed := built(t, DefaultPolicy(), "2026-03-20", facts+"]")
	for _, name := range []StepName{Transfer, HCGFirst, HCGRepeat, OBUltrasound} {
		if s := onlyStep(t, failed, name); s.Status != Dropped {
			t.Errorf("%s is %s", name, s.Status)
		}
	}
	open := Reason{}
	for _, o := range failed.Open {
		if o.Why.Code == "open_none_survived" {
			open = o.Why
		}
	}
	if open.Args["backup"] != "thaw_next" || open.Args["stored"] != "2" {
		t.Errorf("open: %v", open)
	}
	for id, more := range map[string]string{
		"another survives": `,{"fact":"thaw","id":"f10","on":"2026-03-20","embryos":1,"survived":1}`,
		"transferred":      `,{"fact":"transfer","on":"2026-03-20"}`,
	} {
		p := built(t, DefaultPolicy(), "2026-03-20", facts+more+"]")
		if s := onlyStep(t, p, Transfer); s.Status == Dropped || hasWhy(p, "none_survived") {
			t.Errorf("%s: the transfer is %s", id, s.Status)
		}
	}
	if got := onlyStep(t, failed, LutealProgesterone); got.Status == Dropped {
		t.Error("an order of progesterone is a person's to end")
	}
}

// An LH in the blood that is a surge says what it counts from and asks a person,
// once; a value that was taken back no longer counts.
func TestMeasuredSurge(t *testing.T) {
	t.Parallel()
	const begin = `[{"fact":"period_start","at":"2026-03-01T08:15"},{"fact":"scan","id":"s","on":"2026-03-12","right_mm":[17],"left_mm":[],"lh_iu_per_l":31}`
	p := built(t, DefaultPolicy(), "2026-03-12", begin+"]")
	if p.Surge != civil.MustDate("2026-03-12") || !hasWhy(p, "surge_measured") || hasWhy(p, "surge_before_trigger") {
		t.Errorf("surge %s, conflicts %v", p.Surge, p.Conflicts)
	}
	if got := onlyStep(t, p, Transfer).On.String(); got != "2026-03-18" {
		t.Errorf("transfer on %s", got)
	}
	undone := built(t, DefaultPolicy(), "2026-03-12", begin+`,{"fact":"scan","replaces":"s","on":"2026-03-12","right_mm":[17],"left_mm":[],"lh_iu_per_l":3.1}]`)
	if !undone.Surge.IsZero() || hasWhy(undone, "surge_measured") {
		t.Errorf("after the correction: %s, %v", undone.Surge, undone.Conflicts)
	}
}

package desk_test

import (
	"context"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

func TestAnEntryIsShownBeforeItIsSaved(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Coordinator)
	scan := []string{"on", "2026-03-11", "right_mm", "16 12,5", "left_mm", "11", "lining_mm", "6,6", "pattern", "trilaminar"}
	p := b.post("/patients/P-105/enter/scan", scan...)
	p.says(t, "Not saved yet", "right 16 12.5 mm", "lining 6.6 mm", "This moves", `value="6,6"`)
	if n := c.entries(); n != 2 {
		t.Fatalf("%d entries after a preview, want the 2 of before", n)
	}
	save := append(scan, "save", "yes", "form", p.mark(t), "seen", seen(t, p))
	for range 2 { // pressed twice
		if s := b.post("/patients/P-105/enter/scan", save...); s.status != http.StatusSeeOther || !strings.HasPrefix(s.to, "/patients/P-105") {
			t.Fatalf("saved: %d %s\n%s", s.status, s.to, s.body)
		}
	}
	if n := c.entries(); n != 3 {
		t.Errorf("%d entries, want 3", n)
	}
	b.get("/patients/P-105?saved=scan").says(t, "Saved: scan", "right 16 12.5 mm", "Coordinator Invented", "/enter/scan?replaces=f3", "cycle day 11")
	if n := c.deeds(triage.SeePatients); n < 3 {
		t.Errorf("%d looks are on record", n)
	}
}

var seenMark = regexp.MustCompile(`name="seen" value="(\d+)"`)

func seen(t *testing.T, p page) string {
	t.Helper()
	m := seenMark.FindStringSubmatch(p.body)
	if m == nil {
		t.Fatal("the preview does not say what it was made from")
	}
	return m[1]
}

// entries counts what is on record of the patient's cycle.
func (c *clinic) entries() (n int) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		cycle, err := c.care.Book.Cycle(ctx, tx, c.patient.ID)
		n = len(cycle.Facts)
		return err
	})
	return n
}

func TestWhatWasShownIsWhatIsSaved(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Coordinator)
	visit := []string{"step", "monitoring", "at", "2026-03-12T07:20"}
	p := b.post("/patients/P-105/enter/visit", visit...)
	c.enters(plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(13, 7, 20)})
	s := b.post("/patients/P-105/enter/visit", append(visit, "save", "yes", "form", p.mark(t), "seen", seen(t, p))...)
	if s.status != http.StatusConflict || c.entries() != 3 {
		t.Fatalf("%d with %d entries", s.status, c.entries())
	}
	s.says(t, "Something was entered for her since", "Beside it stays")
	if s := b.post("/patients/P-105/enter/visit", append(visit, "save", "yes", "form", s.mark(t), "seen", seen(t, s))...); s.status != http.StatusSeeOther || c.entries() != 4 {
		t.Errorf("%d with %d entries", s.status, c.entries())
	}
}

func TestBadEntries(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Coordinator)
	order := []string{"drug", "letrozole", "dose", "5", "unit", "mg", "route", "oral", "product", "tablets", "times", "8:00", "from", "2026-03-12", "stop", "after_doses", "prescriber", "Ashgrove"}
	for name, k := range map[string]struct {
		kind string
		form []string
		says string
	}{
		"nothing":                {"scan", nil, "Day is missing"},
		"no number":              {"scan", []string{"on", "2026-03-11", "lining_mm", "thick"}, "“thick” was not understood"},
		"a negative one":         {"scan", []string{"on", "2026-03-11", "lining_mm", "-6"}, "was not understood"},
		"infinity":               {"scan", []string{"on", "2026-03-11", "lining_mm", "Inf"}, "was not understood"},
		"none of a number":       {"scan", []string{"on", "2026-03-11", "lining_mm", "NaN"}, "was not understood"},
		"a slip":                 {"scan", []string{"on", "2026-03-11", "lining_mm", "66"}, "This cannot be right"},
		"tomorrow":               {"scan", []string{"on", "2026-03-12", "lining_mm", "6.6"}, "This cannot be right"},
		"no date":                {"scan", []string{"on", "yesterday", "lining_mm", "6.6"}, "This cannot be right"},
		"a field twice":          {"scan", []string{"on", "2026-03-11", "lining_mm", "6.6", "lining_mm", "7.7"}, "“7.7” was not understood"},
		"too many follicles":     {"scan", []string{"on", "2026-03-11", "right_mm", strings.Repeat("9 ", 60)}, "was not understood"},
		"a choice that is none":  {"visit", []string{"step", "lunch", "at", "2026-03-12T07:20"}, "“lunch” was not understood"},
		"a year by a slip":       {"visit", []string{"step", "monitoring", "at", "2036-03-12T07:20"}, "Check the year"},
		"markup":                 {"cancelled", []string{"on", "2026-03-11", "reason", "</textarea><script>alert(1)</script>", "reason", "x"}, "was not understood"},
		"a long one":             {"allergy", []string{"on", "2026-03-11", "allergen", strings.Repeat("a", 400)}, "was not understood"},
		"no count":               {"order", order, "Ends"},
		"a clock that is none":   {"order", append(slicesOf(order), "times", "25:00"), "Times of day"},
		"a period again":         {"period_start", []string{"at", "2026-03-02T08:00"}, "Correct the entry that stands"},
		"no entry to correct":    {"scan", []string{"replaces", "f99", "on", "2026-03-11", "lining_mm", "6"}, "is not there"},
		"another kind corrected": {"scan", []string{"replaces", "f1", "on", "2026-03-11", "lining_mm", "6"}, "is not there"},
		"nothing taken back":     {"retracted", []string{"reason", "x"}, "is not there"},
		"a kind that is none":    {"lottery", []string{"on", "2026-03-11"}, "no form"},
		"a kind without a form":  {"dose", []string{"on", "2026-03-11"}, "no form"},
		"an empty answer":        {"ob_ultrasound", []string{"on", "2026-03-11"}, "Viable is missing"},
	} {
		p := b.post("/patients/P-105/enter/"+k.kind, k.form...)
		if p.status != 422 || !strings.Contains(p.body, k.says) {
			t.Errorf("%s: %d, want 422 and %q:\n%.1500s", name, p.status, k.says, p.body)
		}
		if strings.Contains(p.body, "<script>alert") {
			t.Errorf("%s: the markup stands in the page", name)
		}
	}
	if n := c.entries(); n != 2 {
		t.Errorf("%d entries, want 2", n)
	}
	if p := b.post("/patients/P-105/enter/scan", "on", "2026-03-11", "lining_mm", "6.6", "save", "yes", "seen", "2"); p.status != 422 || c.entries() != 2 {
		t.Errorf("saved without its mark: %d", p.status)
	}
	for _, path := range []string{"/patients/P-999", "/patients/%00", "/patients/P-105' OR 1=1"} {
		if p := b.get(strings.ReplaceAll(path, " ", "%20")); p.status != 404 {
			t.Errorf("%s: %d", path, p.status)
		}
	}
}

func slicesOf(all []string) []string { return append([]string(nil), all...) }

// Every form, with what a clinic writes in it, comes to a preview.
func TestEveryFormWithGoodInput(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.enters(plan.Fact{Kind: plan.OrderGiven, Drug: "estradiol", Product: "tablets", Route: "oral", Dose: 2, Unit: "mg",
		Times: []civil.TimeOfDay{civil.MustTime("08:00")}, From: civil.MustDate("2026-03-10"), Stop: plan.Stop{UntilOrder: true}, Prescriber: "Ashgrove"})
	b := c.as(triage.Physician)
	medicine := []string{"drug", "choriogonadotropin", "dose", "250", "unit", "mcg", "route", "sc", "product", "pen", "prescriber", "Ashgrove"}
	for kind, form := range map[string][]string{
		"period_expected": {"on", "2026-04-12"}, "progestin_end": {"on", "2026-03-01"}, "spotting": {"at", "2026-03-10T08:00"},
		"period_start": {"replaces", "f1", "at", "2026-03-02T08:15"}, "visit": {"step", "monitoring", "at", "2026-03-12T07:20"},
		"baseline":   {"replaces", "f2", "on", "2026-03-03", "decision", "start", "cyst_mm", "9", "estradiol_pg_ml", "38", "progesterone_ng_ml", "0.4", "hcg_iu_per_l", "0"},
		"order":      append(slicesOf(medicine), "times", "08:00, 20:00", "from", "2026-03-12", "stop", "after_days", "stop_count", "5"),
		"stop_order": {"order", "f3", "on", "2026-03-12"}, "scan": {"on", "2026-03-11", "right_mm", "16; 12", "lining_mm", "6.6"},
		"bloods": {"on", "2026-03-11", "estradiol_pg_ml", "200", "lh_iu_per_l", "7"}, "lh_surge": {"on", "2026-03-11"}, "home_lh": {"on", "2026-03-11"},
		"trigger_order": append(slicesOf(medicine), "at", "2026-03-13T21:30"), "trigger": {"at", "2026-03-10T21:30"},
		"embryos": {"embryo_day", "5", "embryos", "1", "stored", "2", "egg_age", "34", "euploid", "yes", "favourable", "unknown", "backup", "ask"},
		"thaw":    {"on", "2026-03-11", "embryos", "1", "survived", "1"}, "transfer": {"on", "2026-03-11", "embryo_day", "5", "embryos", "1"},
		"hcg_drawn": {"at", "2026-03-11T08:00"}, "hcg": {"at", "2026-03-11T08:00", "iu_per_l", "86"}, "ob_ultrasound": {"on", "2026-03-11", "viable", "unknown"},
		"rhesus": {"on", "2026-03-11", "rh", "negative"}, "allergy": {"on", "2026-03-11", "allergen", "peanut"},
		"on_hand":       {"at", "2026-03-11T08:00", "drug", "estradiol", "units", "8", "per_dose", "2"},
		"dispensed":     {"at", "2026-03-11T08:00", "drug", "estradiol", "units", "30", "pharmacy", "Tarn Vale", "product", "tablets"},
		"authorisation": {"on", "2026-03-11", "drug", "estradiol", "until", "2026-06-30", "pharmacy", "Tarn Vale"}, "anti_d": {"on", "2026-03-11", "prescriber", "Ashgrove"},
		"cancelled": {"on", "2026-03-11", "reason", "thin lining"}, "retracted": {"replaces", "f2", "reason", "another patient's"},
	} {
		p := b.post("/patients/P-105/enter/"+kind, form...)
		if p.status != http.StatusOK || !strings.Contains(p.body, "Not saved yet") {
			t.Errorf("%s: %d\n%s", kind, p.status, regexp.MustCompile(`(?s)role="alert">.*?</p>`).FindString(p.body))
		}
		if q := b.get("/patients/P-105/enter/" + kind + "?replaces=" + replacesOf(form)); q.status != http.StatusOK {
			t.Errorf("the form of %s: %d", kind, q.status)
		}
	}
	if c.entries() != 3 {
		t.Errorf("%d entries after previews", c.entries())
	}
}

func replacesOf(form []string) string {
	if form[0] == "replaces" {
		return form[1]
	}
	return ""
}

// One person orders the trigger on a page, another checks it on another.
func TestATriggerIsCheckedBySomebodyElse(t *testing.T) {
	t.Parallel()
	c := open(t)
	b, other := c.as(triage.Coordinator), c.as(triage.Physician)
	form := []string{"at", "2026-03-13T21:30", "drug", "choriogonadotropin", "dose", "250", "unit", "mcg", "route", "sc", "product", "pen", "prescriber", "Ashgrove"}
	p := b.post("/patients/P-105/enter/trigger_order", form...)
	p.says(t, "It counts once a second person has checked it")
	if s := b.post("/patients/P-105/enter/trigger_order", append(form, "save", "yes", "form", p.mark(t), "seen", seen(t, p))...); !strings.Contains(s.to, "second") {
		t.Fatalf("%d %s", s.status, s.to)
	}
	if n := c.entries(); n != 2 {
		t.Errorf("it is in force before the check: %d entries", n)
	}
	if p := b.get("/cases/1/check"); p.status != 422 {
		t.Errorf("she may check her own: %d", p.status)
	}
	other.get("/cases/1").says(t, "/cases/1/check")
	other.get("/cases/1/check").says(t, "Compare with the chart", "choriogonadotropin 250 mcg")
	if p := other.post("/cases/1/check"); p.status != http.StatusSeeOther {
		t.Fatalf("checked: %d", p.status)
	}
	if p := other.post("/cases/1/check"); p.status != 422 {
		t.Errorf("checked twice: %d", p.status)
	}
	if n := c.entries(); n != 3 {
		t.Errorf("%d entries after the check", n)
	}
}

func TestAResultLeadsToItsTelling(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Coordinator)
	form := []string{"on", "2026-03-11", "reason", "thin lining"}
	p := b.post("/patients/P-105/enter/cancelled", form...)
	s := b.post("/patients/P-105/enter/cancelled", append(form, "save", "yes", "form", p.mark(t), "seen", seen(t, p))...)
	if !strings.HasPrefix(s.to, "/cases/") {
		t.Fatalf("saved: %d %s", s.status, s.to)
	}
	b.get(s.to).says(t, "Told by phone", "Told at the clinic")
	if p := b.post(s.to+"/told", "how", "booked"); p.status != 422 {
		t.Errorf("told by a booking: %d", p.status)
	}
	if p := b.post(s.to+"/told", "how", "phoned"); p.status != http.StatusSeeOther {
		t.Errorf("told: %d", p.status)
	}
}

func TestAPatientsOtherForms(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Coordinator)
	for name, k := range map[string]struct {
		path   string
		form   []string
		status int
	}{
		"an item that is none":    {"check", []string{"item", "breakfast", "on", "2026-03-01"}, 422},
		"an item tomorrow":        {"check", []string{"item", "consents", "on", "2026-03-12"}, 422},
		"an item on no day":       {"check", []string{"item", "consents", "on", "soon"}, 422},
		"an ending that is none":  {"finish", []string{"ending", "happy"}, 422},
		"a cycle beside an open":  {"next", nil, 422},
		"an item":                 {"check", []string{"item", "consents", "on", "2026-03-01"}, 303},
		"an item open again":      {"check", []string{"item", "consents", "open", "yes"}, 303},
		"hushed":                  {"hush", nil, 303},
		"hushed again, or lifted": {"hush", []string{"lift", "yes"}, 303},
	} {
		if p := b.post("/patients/P-105/"+k.path, k.form...); p.status != k.status {
			t.Errorf("%s: %d, want %d", name, p.status, k.status)
		}
	}
	b.post("/patients/P-105/invite").says(t, "good once")
	for name, form := range map[string][]string{
		"nothing": {}, "a handle that is none": {"handle", "<b>", "name", "X", "language", "en"}, "a language that is none": {"handle", "P-901", "name", "X", "language", "tlh"},
		"a handle that is taken": {"handle", "p-105", "name", "X", "language", "en"}, "no name": {"handle", "P-901", "name", " ", "language", "en"},
	} {
		if p := b.post("/patients/new", form...); p.status != 422 {
			t.Errorf("new, %s: %d", name, p.status)
		}
	}
	b.post("/patients/new", "handle", "P-901", "name", `Ana "<i>" O'Hara`, "language", "es").says(t, "P-901", "Ana &#34;&lt;i&gt;&#34; O&#39;Hara", "good once")
	if p := b.post("/patients/P-105/finish", "ending", "discharged"); p.status != 303 {
		t.Errorf("finished: %d", p.status)
	}
	b.get("/patients/P-105").says(t, "last cycle closed: discharged", "Begin the next cycle")
	if p := b.post("/patients/P-105/next"); p.status != 303 {
		t.Errorf("next: %d", p.status)
	}
}

package desk

import (
	"maps"
	"net/http"
	"slices"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/exchange"
)

// The storybook shows each page from sample values, without a database and to nobody
// in particular. It is there in development only, for whoever works on a page.

// sample is one page with what it is made from.
type sample struct {
	sheet string
	data  any
}

func (s *Site) storybook() map[string]http.HandlerFunc {
	if !s.Storybook {
		return nil
	}
	all := samples()
	return map[string]http.HandlerFunc{
		"GET /storybook": func(w http.ResponseWriter, r *http.Request) {
			s.write(w, r, langOf(r), answer{sheet: "storybook", data: slices.Sorted(maps.Keys(all))}, triage.Staff{})
		},
		"GET /storybook/{name}": func(w http.ResponseWriter, r *http.Request) {
			x, known := all[r.PathValue("name")]
			if !known {
				http.NotFound(w, r)
				return
			}
			lang := langOf(r)
			if asked := r.URL.Query().Get("lang"); asked != "" {
				lang = asked
			}
			s.write(w, r, lang, answer{sheet: x.sheet, data: x.data}, triage.Staff{})
		},
	}
}

// samplePatient and the others stand for what a clinic has.
var (
	sampleAt      = time.Date(2026, 3, 11, 14, 20, 0, 0, time.UTC)
	sampleDay     = civil.Date{Year: 2026, Month: 3, Day: 11}
	samplePatient = reminders.Patient{ID: 1, Handle: "P-105", Name: "Citlali Vern", Language: "es", Enrolled: true, Neutral: true}
	sampleStaff   = []triage.Staff{{ID: 1, Handle: "orrel", Name: "Tamsin Orrel", Role: triage.Lead, Languages: []string{"en", "es"}},
		{ID: 2, Handle: "quoy", Name: "Bastian Quoy", Role: triage.Coordinator, Languages: []string{"en"}}}
	sampleStep  = plan.Step{Name: plan.Monitoring, On: sampleDay, From: sampleDay, To: sampleDay.AddDays(2), At: sampleAt, Status: plan.Due, Booked: true}
	sampleGrave = waiting{ID: 12, Urgency: "emergency", Reason: "symptom", Who: "P-105 Citlali Vern", Language: "es", Words: "me mareo mucho",
		Waits: 7 * time.Minute, left: leftOf(sampleAt, sampleAt.Add(5*time.Minute), sampleAt.Add(7*time.Minute)), Open: true}
	sampleMine = waiting{ID: 11, Urgency: "routine", Reason: "question", Who: "P-104 Zofia Arkell", Language: "en", Words: "may I swim?",
		Waits: 3 * time.Hour, left: leftOf(sampleAt, sampleAt.Add(4*time.Hour), sampleAt.Add(3*time.Hour)), Holder: "Bastian Quoy", Mine: true}
)

// samples has every page at least once.
func samples() map[string]sample {
	return map[string]sample{
		"trouble":             {"trouble", trouble{Key: "desk.failed", Args: map[string]string{"incident": "ABCDEFGH"}}},
		"enter":               {"enter", enterPage{Handle: "quoy", Key: "desk.throttled", Args: map[string]string{"minutes": "15"}, Guests: sampleStaff}},
		"begin":               {"begin", beginPage{}},
		"begin with a secret": {"begin", beginPage{Code: "ABCD-EFGH", Handle: "quoy", Secret: "JBSWY3DPEHPK3PXP", Picture: "data:image/png;base64,iVBORw0KGgo="}},
		"me":                  {"me", mePage{Who: sampleStaff[0], Here: 2, Sessions: []session{{ID: 2, Begun: store.At(sampleAt), Seen: store.At(sampleAt)}, {ID: 1, Begun: store.At(sampleAt), Seen: store.At(sampleAt)}}}},
		"now":                 {"now", queuePage{Page: 2, Before: 1, After: 3, May: true, Takes: true, OnCall: []string{"Bastian Quoy"}, Tally: triage.Tally{All: 120, Open: 90, Emergencies: 1}, Rows: []waiting{sampleGrave, sampleMine}}},
		"now, empty":          {"now", queuePage{Page: 1}},
		"case":                {"case", sampleCase()},
		"patients":            {"patients", patientsPage{Query: "vern", All: 12, May: true, Rows: []patientRow{{Patient: samplePatient, Place: "cycle day 11 (stimulation)", Next: "trigger injection", Quiet: true}}}},
		"patient":             {"patient", samplePage()},
		"weigh":               {"weigh", sampleWeigh()},
		"weigh, settled":      {"weigh", weighPage{Patient: samplePatient, Laid: care.Laid{Head: "…", Scans: care.LaidScans{Settled: []string{"…"}, Steps: []string{"…"}, Sources: "…"}}}},
		"new patient":         {"newpatient", newPatientPage{Handle: "P-1 13", Wrong: "…", Languages: []string{"en", "es"}}},
		"entry":               {"entry", entryPage{Patient: samplePatient, Kind: plan.Scan, Form: "x", Inputs: sampleInputs(), Wrong: "…", Mend: "#", MendSays: "scan, 2026-03-11"}},
		"entry with preview": {"entry", entryPage{Patient: samplePatient, Kind: plan.Scan, Form: "x", Inputs: sampleInputs(),
			Preview: &previewed{Fact: "scan, 2026-03-11, lining 6.6 mm", Changes: []string{"trigger injection: 2026-03-13 → 2026-03-14"}, Conflicts: []string{"…"}, Missing: []string{"consents"}, Beside: "…", Second: true}}},
		"tonight": {"tonight", tonightPage{Day: sampleDay, Before: sampleDay.AddDays(-1), After: sampleDay.AddDays(1), Rows: sampleEvening()}},
		"day": {"day", dayPage{Takes: true, Day: sampleDay, Before: sampleDay.AddDays(-1), After: sampleDay.AddDays(1), Closed: "…", Groups: []dayGroup{{"desk.group_scans", sampleEntries()}},
			Unbooked: sampleEntries(), Missed: sampleEntries(), Unrepeated: sampleEntries(), Triggers: sampleEvening(),
			NotDone: []shortRow{{"P-105", "Citlali Vern", "no orders"}},
			Short:   []shortRow{{"P-105", "Citlali Vern", "estradiol: 4 doses"}},
			ToTell:  []tellRow{{care.Telling{Patient: samplePatient, Case: triage.Case{ID: 3}}, []string{"hCG 86 IU/L: positive, one value only."}}}}},
		"load": {"load", loadPage{Takes: true, Most: 4, AllClashes: 1, AllOverdue: 1, Days: []care.DayLoad{{Day: sampleDay, Clinic: true, Lab: true, Scans: 7, Transfers: 5, Booked: 9}, {Day: sampleDay.AddDays(4)}},
			Clashes: []clashRow{{"P-105", "Citlali Vern", "…"}}, Overdue: []lateRow{{"P-101", "Maribel Tosk", "baseline", "…", sampleAt}}, expectedPage: sampleExpected()}},
		"closed": {"closed", closedPage{May: true, Done: true, Wrong: "…", From: "2026-03-12", Part: "clinic", Why: "storm", Digest: "x", Form: "x", Shown: []string{"…", "…"},
			Days: []care.Closed{{ClosedDay: reminders.ClosedDay{ClosedDay: plan.ClosedDay{On: sampleDay, Part: plan.WholeClinic}, Why: "storm", At: sampleAt}, By: "Bastian Quoy"}}}},
		"places": {"places", placesPage{Handle: "P-105", Name: "Citlali Vern", Step: plan.Monitoring, What: "…", Why: "…", From: sampleDay, To: sampleDay.AddDays(2),
			Days: []placeDay{{Day: sampleDay, Best: true, Places: []placeRow{{"2026-03-11T07:00", "07:00", true}, {"2026-03-11T07:10", "07:10", false}}}}}},
		"owners": {"owners", ownersPage{Wrong: "…", May: true, Team: sampleStaff, Absences: []absenceRow{{triage.Absence{ID: 1, Staff: sampleStaff[0], Cover: sampleStaff[1], From: sampleAt, To: sampleAt.Add(48 * time.Hour)}, true, true}},
			Groups: []ownerGroup{{Rows: []patientRow{{Patient: samplePatient, Place: "cycle day 11"}}}, {Name: "Tamsin Orrel"}}}},
		"rota": {"rota", rotaPage{Now: sampleAt, May: true, Here: true, Team: sampleStaff, Wrong: "…",
			Shifts: []triage.Shift{{ID: 1, Staff: sampleStaff[1], From: sampleAt, To: sampleAt.Add(12 * time.Hour)}, {ID: 2, Staff: sampleStaff[0], From: sampleAt.Add(12 * time.Hour), To: sampleAt.Add(24 * time.Hour)}}}},
		"staff": {"staff", staffPage{May: true, Roles: triage.Roles, Languages: []string{"en", "es"}, New: "ABCD-EFGH", For: "Bastian Quoy", Team: []colleague{{sampleStaff[0], 1, true}, {sampleStaff[1], 2, false}}}},
		"policy": {"policy", policyPage{Body: "clinic:\n  name: Larkmoor", Since: sampleAt, Changed: []lineChange{{false, "a: 1"}, {true, "a: 2"}}, May: true, Tried: "a: 3", Sound: true,
			Shifted: []shiftRow{{"P-105", "Citlali Vern", []string{"trigger injection: 2026-03-13 → 2026-03-14"}}}}},
		"storybook":     {"storybook", []string{"now"}},
		"note":          {"note", notePage{"P-105 Citlali Vern", "/patients/P-105", notes("…", "…")}},
		"arrived":       {"arrived", arrivedPage{All: 120, Rows: []arrivalRow{{care.Arrival{ID: 3, Received: sampleAt, Number: "L-1", Says: "…"}, []string{"…"}, "P-105 · Citlali Vern"}}}},
		"arrived, none": {"arrived", arrivedPage{}},
		"arrival":       {"arrival", sampleArrival()},
		"note, no one":  {"note", notePage{"P-105 Citlali Vern", "/patients/P-105", nil}},
	}
}

func sampleEntries() []care.Entry {
	return []care.Entry{{Patient: samplePatient, Step: sampleStep, CycleDay: 11}}
}

func sampleEvening() []eveningRow {
	return []eveningRow{{Evening: care.Evening{Patient: samplePatient, At: sampleAt}, Minute: "21:30", Order: "choriogonadotropin 250 mcg", Late: true,
		Marks: []evenMark{{"desk.ordered", "03-11 09:00", true}, {"desk.read_back", "", true}, {"desk.in_hand", "", false}, {"desk.given", "", false}}}}
}

func sampleInputs() (all []input) {
	for _, f := range forms {
		for _, x := range f.fields {
			if !slices.ContainsFunc(all, func(i input) bool { return i.Name == x.name }) {
				all = append(all, input{Name: x.name, Sort: string(x.sort), Unit: x.unit, Must: x.must, Choices: []choice{{"a", "A", true}}})
			}
		}
	}
	return all
}

func sampleWeigh() weighPage {
	evening := care.LaidEvening{On: "Fri 2026-03-13", Chance: "62", Luteal: "Sun 2026-03-15", Transfer: "Fri 2026-03-20", First: "Mon 2026-03-30", Repeat: "Wed 2026-04-01", Booked: "2", Room: "4"}
	shut := evening
	shut.Closed = "…"
	return weighPage{Patient: samplePatient, May: true, Laid: care.Laid{Head: "…", About: []string{"…"}, Lapses: []string{"…"}, Empty: "…",
		Scans: care.LaidScans{Looks: []string{"…"}, Growth: []string{"…"}, Forecast: []string{"…"}, Cautions: []string{"…"}, Rescan: "…", Sources: "…", Evenings: []care.LaidEvening{evening, shut},
			Criteria: []care.LaidCriterion{{What: "lining", Want: "≥ 7 mm", Got: "6.6 mm", Says: "not met", Source: "…", State: "not_met"}, {What: "leading follicle", Want: "≥ 18 mm", Got: "18 mm", Says: "met", State: "met"}, {What: "LH", State: "unknown"}}},
		HCG: care.LaidHCG{Values: []string{"…"}, Course: []string{"…"}, Sources: "…"}}}
}

func sampleArrival() arrivalPage {
	p := previewed{Fact: "hCG, 2026-03-11 08:00, 86 IU/L", Changes: []string{"…"}, Conflicts: []string{"…"}}
	return arrivalPage{Row: arrivalRow{care.Arrival{ID: 3, Received: sampleAt, Number: "L-1", Says: "…", Gone: true, Claim: exchange.Claim{Handles: []string{"P-105"}, Names: []string{"Citlali Vern"}, Born: "1990-01-01", Others: []string{"…"}}}, []string{"…"}, "…"},
		Fact: "…", Was: "…", Candidates: []reminders.Patient{samplePatient}, Of: "P-105", Ours: &samplePatient, Place: "…", Beside: []string{"…"}, Steps: []choice{{"monitoring", "…", true}}, Preview: &p, Wrong: "…"}
}

func sampleCase() casePage {
	return casePage{Case: sampleGrave, State: triage.Open, Handle: "P-105", Language: "es", Place: "cycle day 11 (stimulation)", Next: []plan.Step{sampleStep},
		Told: []told{{At: sampleAt, Words: []marked{{Text: "me "}, {"mareo mucho", "dizziness", "present"}, {Text: ", no "}, {"fiebre", "fever", "negated"}},
			Rules: []string{"a rule"}, Notes: []string{"a note"}, Caution: "Call 911."}},
		Events: []string{"11 Mar 09:00 opened"}, Ahead: []triage.Rung{{At: sampleAt, Who: sampleStaff}, {At: sampleAt}}, Letters: sampleLetters(),
		May: true, Takes: true, Answer: true, HandOn: true, Check: true, ToTell: true, Misread: true, Team: sampleStaff, Outcomes: triage.Outcomes,
		Able: sampleStaff, Approved: []approvedText{{"read", "Your message has been read."}}, Form: "x", Wrong: "…", Words: "Please come in."}
}

func sampleLetters() []care.Letter {
	return []care.Letter{{At: sampleAt, Hers: &care.Wrote{At: sampleAt, Text: "me mareo mucho", Attachment: "photo", Edited: true}}}
}

func samplePage() patientPage {
	row := pictureRow{Name: "trigger injection", When: "2026-03-13", Window: "[03-11 – 03-18]", Status: "projected", Moved: true, WindowX: 70, WindowWidth: 50, X: 80, Today: 74, Width: 200, Reasons: []string{"…"}, Conflict: true}
	rows := []pictureRow{row}
	for _, s := range []plan.Status{plan.Done, plan.Due, plan.Missed, plan.Dropped} {
		r := row
		r.Status, r.Booked = string(s), true
		rows = append(rows, r)
	}
	return patientPage{Patient: samplePatient, Place: "cycle day 11 (stimulation)", Closed: "discharged", Marks: []string{"…"}, Saved: "scan", Second: true,
		Invited: &care.Invitation{Patient: samplePatient, Code: "ABCD-EFGH", Until: sampleAt}, Wrong: "…", Conflict: []string{"…"}, Born: &plan.Gestation{DueDate: sampleDay, Weeks: 6, Days: 2},
		Picture: cyclePicture{Days: 28, Width: 200, Today: 74, Weeks: []week{{10, "03-02"}}, Rows: rows},
		Facts:   []factRow{{ID: "f1", Kind: "scan", Says: "scan", By: "Bastian Quoy", Entered: sampleAt, Stands: true, Form: true}, {ID: "f2", Kind: "scan", Says: "scan", By: "she", Entered: sampleAt, Instead: "f3", Why: "…"}},
		Values:  []factRow{{Says: "scan"}}, Charts: []chartRow{{"/file/mark.svg", "…"}}, Sheet: true, Letters: sampleLetters(), Checks: []checkRow{{reminders.Check{Item: "consents", On: sampleDay, Until: sampleDay}, "consents", true}, {reminders.Check{Item: "x"}, "x", false}},
		Orders: []string{"letrozole 5 mg"}, Supplies: []supplyRow{{"estradiol", "estradiol: 4 doses", true, []plan.SupplyDay{{On: sampleDay, Due: 1, Left: 3}}}}, Doses: []doseRow{{sampleAt, "letrozole 5 mg", "taken", sampleAt}, {At: sampleAt, Words: "letrozole 5 mg"}}, Cases: []waiting{sampleGrave},
		Owned: ownerPart{Handle: "P-105", Says: "Looked after by Bastian Quoy", May: true, Owner: "quoy", Team: sampleStaff,
			Notes: []noteRow{{sampleAt, "Bastian Quoy", "Speaks softly; ask twice."}, {sampleAt, "Tamsin Orrel", "New here."}}},
		Linked: linksPart{Handle: "P-105", May: true, Relations: reminders.Relations, Shares: reminders.Shares, Languages: []string{"en", "es"},
			Code: &care.LinkCode{Patient: samplePatient, Link: reminders.Link{Relation: reminders.Partner, Name: "Wim Onslake"}, Code: "ABCD-EFGH", Until: sampleAt},
			Rows: []linkRow{{ID: 1, Name: "Wim Onslake", Relation: reminders.Partner, What: reminders.Shares, Since: sampleAt, Proven: true}, {ID: 2, Name: "Ada Fenn", Relation: reminders.Family, Since: sampleAt},
				{ID: 3, Name: "Bea Finch", Relation: reminders.EggSource, Since: sampleAt, Until: sampleAt, Over: true}}},
		Kinds: []plan.FactKind{plan.Scan}, May: true, Takes: true, Today: sampleDay, Endings: care.Endings}
}

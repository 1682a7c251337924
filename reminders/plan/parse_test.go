package plan

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"handrail.example/reminders/civil"
)

// everyKind has one fact of each kind with all its fields.
const everyKind = `[
{"fact":"period_expected","id":"a","on":"2026-03-01"},
{"fact":"progestin_end","id":"b","on":"2026-02-20"},
{"fact":"protocol","id":"z","on":"2026-02-20","protocol":"stimulated"},
{"fact":"ready","id":"c","item":"consents","on":"2026-02-21"},
{"fact":"spotting","id":"d","at":"2026-03-01T21:00"},
{"fact":"period_start","id":"e","at":"2026-03-02T08:15"},
{"fact":"baseline","id":"f","on":"2026-03-04","decision":"start","cyst_mm":0,"estradiol_pg_ml":42,"progesterone_ng_ml":0.4,"hcg_iu_per_l":1},
{"fact":"order","id":"g","drug":"letrozole","product":"letrozole 2.5 mg tablets","route":"by mouth","dose":5,"unit":"mg","times":["20:00","08:00"],"from":"2026-03-04","stop":{"after_doses":5},"prescriber":"Dr. Petronel Ashgrove","checked_by":"Tamsin Orrel"},
{"fact":"order","id":"h","drug":"progesterone","dose":200,"unit":"mg","times":["08:00"],"from":"2026-03-18","stop":"order"},
{"fact":"order","id":"i","drug":"estradiol","dose":2,"unit":"mg","times":["08:00"],"from":"2026-03-18","stop":{"after_days":10}},
{"fact":"order","id":"j","drug":"menotropin","dose":75,"unit":"IU","times":["19:00"],"from":"2026-03-09","stop":"trigger"},
{"fact":"stop_order","id":"k","order":"h","on":"2026-04-29","prescriber":"Dr. Petronel Ashgrove","reason":"eight weeks"},
{"fact":"dose","id":"l","order":"g","at":"2026-03-04T20:00","taken":true},
{"fact":"visit","id":"m","step":"transfer","at":"2026-03-23T11:30"},
{"fact":"embryos","id":"n","embryo_day":5,"embryos":2},
{"fact":"scan","id":"o","on":"2026-03-12","right_mm":[17,11.5],"left_mm":[],"lining_mm":7.8,"pattern":"trilaminar"},
{"fact":"lh_surge","id":"p","on":"2026-03-16"},
{"fact":"trigger_order","id":"q","at":"2026-03-16T22:00","drug":"hCG","product":"hCG 10000","route":"in the muscle","dose":10000,"unit":"IU","prescriber":"Dr. Petronel Ashgrove","checked_by":"Tamsin Orrel"},
{"fact":"trigger","id":"r","at":"2026-03-17T00:10","night_of":"2026-03-16","drug":"hCG","dose":10000,"unit":"IU"},
{"fact":"transfer","id":"s","on":"2026-03-22","embryo_day":5,"embryos":1},
{"fact":"hcg","id":"t","at":"2026-04-01T08:10","iu_per_l":0},
{"fact":"ob_ultrasound","id":"u","on":"2026-04-15","viable":false},
{"fact":"rhesus","id":"y1","on":"2026-02-21","rh":"negative"},
{"fact":"allergy","id":"y2","on":"2026-02-21","allergen":"peanut"},
{"fact":"bloods","id":"y3","on":"2026-03-13","estradiol_pg_ml":210,"lh_iu_per_l":6.5,"progesterone_ng_ml":0.6,"laboratory":"Tarn Vale"},
{"fact":"home_lh","id":"y4","on":"2026-03-15"},
{"fact":"hcg_drawn","id":"y5","at":"2026-04-01T08:10","laboratory":"Tarn Vale"},
{"fact":"thaw","id":"y6","on":"2026-03-22","embryos":1,"survived":1,"stored":2},
{"fact":"lh_surge","id":"y7","replaces":"p","on":"2026-03-16","counts":true},
{"fact":"hcg","id":"y8","replaces":"t","at":"2026-04-01T08:10","iu_per_l":5,"reported":"below","laboratory":"Tarn Vale"},
{"fact":"ob_ultrasound","id":"u2","on":"2026-04-08","site":"intrauterine","sacs":2,"crl_mm":4.2,"heartbeat":true},
{"fact":"ob_ultrasound","id":"u3","on":"2026-04-06","site":"intrauterine","sac_mm":11},
{"fact":"conclusion","id":"u4","on":"2026-04-15","path":"loss","prescriber":"Dr. Petronel Ashgrove","reason":"second scan"},
{"fact":"methotrexate","id":"u5","on":"2026-04-15","dose":90,"unit":"mg","prescriber":"Dr. Petronel Ashgrove"},
{"fact":"handover","id":"u6","item":"medication","on":"2026-04-15"},
{"fact":"handed_over","id":"u7","on":"2026-04-15"},
{"fact":"called","id":"u8","at":"2026-04-15T17:30"},
{"fact":"on_hand","id":"u9","at":"2026-04-15T17:30","drug":"progesterone","units":0,"per_dose":2},
{"fact":"dispensed","id":"u10","at":"2026-04-15T18:30","drug":"progesterone","units":30,"per_dose":2,"pharmacy":"Tarn Vale","product":"progesterone 100 mg"},
{"fact":"authorisation","id":"u11","on":"2026-04-15","drug":"progesterone","until":"2026-06-30","pharmacy":"Tarn Vale"},
{"fact":"anti_d","id":"u12","on":"2026-04-15","prescriber":"Dr. Petronel Ashgrove"},
{"fact":"cancelled","id":"v","on":"2026-04-16","reason":"loss"},
{"fact":"embryos","id":"w","replaces":"n","embryo_day":6,"embryos":2,"egg_age":36,"euploid":false,"favourable":true,"stored":0,"backup":"cancel","reason":"counselled"},
{"fact":"retracted","id":"x","replaces":"v","reason":"entered for another patient"}
]`

func TestEveryKindSurvivesWritingAndReading(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	facts := mustFacts(t, p, everyKind)
	kinds := map[FactKind]bool{}
	for _, f := range facts {
		kinds[f.Kind] = true
		b, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		again, err := ParseFact(b, p.Location())
		if err != nil {
			t.Errorf("%s: %v", b, err)
			continue
		}
		if d := cmp.Diff(f, again, cmpopts.IgnoreUnexported(Fact{})); d != "" {
			t.Errorf("%s changed:\n%s", f, d)
		}
	}
	if len(kinds) != len(factKinds) || len(fields) != len(factKinds) {
		t.Errorf("got %d kinds of %d with %d field lists", len(kinds), len(factKinds), len(fields))
	}
	if _, err := Build(p, facts, asOf(p, "2026-05-01")); err != nil {
		t.Errorf("a cycle with every kind: %v", err)
	}
}

func TestInstantsAndDays(t *testing.T) {
	t.Parallel()
	chicago := DefaultPolicy().Location()
	for _, c := range []struct{ text, want string }{
		{"2026-03-02T08:15", "2026-03-02T08:15:00-06:00"},
		{"2026-03-02T08:15:30", "2026-03-02T08:15:30-06:00"},
		{"2026-03-02T08:15Z", "2026-03-02T02:15:00-06:00"},
		{"2026-03-02T08:15:00+01:00", "2026-03-02T01:15:00-06:00"},
		{"2026-03-08T02:30", "2026-03-08T03:30:00-05:00"},
		{"2026-11-01T01:30", "2026-11-01T01:30:00-05:00"},
		{"2026-03-02", ""}, {"2026-03-02 08:15", ""}, {"08:15", ""}, {"2026-02-30T08:15", ""}, {"2026-03-02T8:15", ""},
	} {
		got, err := ParseInstant(c.text, chicago)
		if c.want == "" {
			if err == nil {
				t.Errorf("%q: got %s, want an error", c.text, got)
			}
			continue
		}
		if err != nil || got.Format(time.RFC3339) != c.want {
			t.Errorf("%q: got %s, %v, want %s", c.text, got.Format(time.RFC3339), err, c.want)
		}
	}
}

func TestDefaultPolicyIsSound(t *testing.T) {
	t.Parallel()
	got, err := ParsePolicy(DefaultPolicyYAML())
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, DefaultPolicy()) {
		t.Error("the printed policy does not read as the default")
	}
	for _, table := range protocols {
		for _, row := range table.Rows {
			w, set := got.Windows[row.Rule]
			if !set || !reflect.DeepEqual(w, row.window()) {
				t.Errorf("%s, %s: the policy prints %+v, the table has %+v", table.Name, row.Rule, w, row.window())
			}
		}
	}
}

// TestEveryPolicyKeyIsExplained: each key that the structs know is in the
// default file, so that a clinic finds it there.
func TestEveryPolicyKeyIsExplained(t *testing.T) {
	t.Parallel()
	text := string(DefaultPolicyYAML())
	var walk func(reflect.Type)
	walk = func(typ reflect.Type) {
		for i := range typ.NumField() {
			f := typ.Field(i)
			if name := f.Tag.Get("yaml"); !strings.Contains(text, name+":") {
				t.Errorf("%s.%s: no key %s in the default policy", typ.Name(), f.Name, name)
			}
			if f.Type.Kind() == reflect.Struct && f.Type.PkgPath() == typ.PkgPath() && f.Type != reflect.TypeFor[Zone]() {
				walk(f.Type)
			}
		}
	}
	walk(reflect.TypeFor[Policy]())
}

func TestPolicyFaultsAllAtOnce(t *testing.T) {
	t.Parallel()
	_, err := ParsePolicy([]byte(`
clinic: {zone: Mars/Olympus, emergency_number: "", colour: red}
opening: {from: "16:00", to: "07:00", days: [mon, funday]}
lab: {transfers_per_day: 0, full: [tomorrow]}
calendar: {protocol: lunar, period_cut_off: 5pm}
windows: {baseline: {from: 4, preferred: 3, to: 2}, transfer: {by_embryo_day: {3: 50}}, nonsense: {from: 1}}
hcg: {negative_below: -1, interval_from: two days, result_by: "09:00"}
readiness_for_trigger: {lead_mm: 3, lh_surge: high, likely: 1, many: {follicles: 1}, growth: {natural: {mean: -1, sd: 0}}, measuring: {lining: 0}}
messages: {dose_deadlines: {trigger: {after: 3h}, candy: {after: 1h}}, retention_days: 0}
triage: {escalate_after: {emergency: 2h}}
readiness: {consents: {valid_days: -5}}
enrolment: {attempts: many}
extra: 1
`))
	fs, ok := err.(Faults)
	if !ok {
		t.Fatalf("got %v, want faults", err)
	}
	for _, want := range []string{
		"clinic.zone", "clinic.emergency_number", "clinic.colour", "opening.to", "opening.days[1]", "lab.transfers_per_day",
		"lab.full[0]", "calendar.protocol", "calendar.period_cut_off", "hcg.negative_below", "hcg.interval_from",
		"hcg.result_by", "readiness_for_trigger.lead_mm", "readiness_for_trigger.lh_surge", "readiness_for_trigger.likely", "readiness_for_trigger.many.follicles",
		"readiness_for_trigger.growth.natural.mean", "readiness_for_trigger.growth.natural.sd", "readiness_for_trigger.measuring.lining",
		"messages.dose_deadlines.trigger.after", "messages.dose_deadlines.candy", "messages.retention_days",
		"triage.escalate_after.emergency", "readiness.consents.valid_days", "enrolment.attempts", "extra",
	} {
		if n := count(fs, want); n != 1 {
			t.Errorf("%s: got %d faults, want 1 in\n%v", want, n, err)
		}
	}
	for _, f := range fs {
		if f.Allowed == "" || strings.Contains(f.String(), "reflect") {
			t.Errorf("%s does not say what is allowed", f)
		}
	}
}

func count(fs Faults, field string) int {
	n := 0
	for _, f := range fs {
		if f.Field == field {
			n++
		}
	}
	return n
}

func TestWindowFaults(t *testing.T) {
	t.Parallel()
	_, err := ParsePolicy([]byte(`windows: {baseline: {from: 4, preferred: 3, to: 2}, transfer: {by_embryo_day: {3: 50}}, nonsense: {from: 1}, hcg_first: {by_embryo_day: {5: 9}}}`))
	fs, _ := err.(Faults)
	for _, want := range []string{"windows.baseline", "windows.transfer.by_embryo_day.3", "windows.nonsense", "windows.hcg_first.by_embryo_day"} {
		if count(fs, want) != 1 {
			t.Errorf("%s is not among\n%v", want, err)
		}
	}
}

func TestPolicyThatIsNoPolicy(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"", "# nothing\n", "[1, 2]", "clinic: [", "a: 1\na: 2\n", "\x00\x01", "clinic: 7"} {
		if _, err := ParsePolicy([]byte(text)); err == nil {
			t.Errorf("%q was taken for a policy", text)
		}
	}
}

func TestPolicyKeepsWhatIsLeftOut(t *testing.T) {
	t.Parallel()
	p := policyWith(t, `
windows: {baseline: {preferred: 2}}
messages: {dose_deadlines: {tablet: {same_day: "20:30"}}}
`)
	if got := p.Windows["baseline"]; got.From != 2 || got.Preferred != 2 || got.To != 4 {
		t.Errorf("baseline: got %+v, want 2, 2, 4", got)
	}
	if got := p.Messages.DoseDeadlines; got[Tablet].SameDay != civil.MustTime("20:30") || got[TriggerDrug].After != time.Hour {
		t.Errorf("deadlines: got %+v", got)
	}
	if p.Clinic.Name != "Larkmoor Reproductive Care" || len(p.Opening.Calendar.Days) == 0 {
		t.Errorf("got %+v", p.Clinic)
	}
}

// TestOwnProtocol: a clinic's own table takes the place of the embedded one, its
// faults are named with the policy's.
func TestOwnProtocol(t *testing.T) {
	t.Parallel()
	table := "{protocol: mine, rows: [{rule: look, step: baseline, anchor: cycle_day_one, count: cycle_day, from: 1, preferred: 5, to: 6, fit: clinic, fact: baseline, phrase: step.baseline}]}"
	p := policyWith(t, "calendar: {protocol: mine}\nprotocols: ["+table+"]")
	got := built(t, p, "2026-03-02", `[{"fact":"period_start","at":"2026-03-02T08:15"}]`)
	if s := onlyStep(t, got, Baseline); s.On.String() != "2026-03-06" || len(got.Steps) != 1 || got.Protocol != "mine" {
		t.Errorf("got %s", show(got.Steps))
	}
	_, err := ParsePolicy([]byte("protocols: [" + strings.Replace(table, "cycle_day_one", "moonrise", 1) + "]"))
	if fs, _ := err.(Faults); count(fs, "protocols[0].rows[0].anchor") != 1 {
		t.Errorf("got %v", err)
	}
}

func TestProtocolFaults(t *testing.T) {
	t.Parallel()
	row := "{rule: a, step: baseline, anchor: cycle_day_one, count: cycle_day, from: 2, preferred: 3, to: 4, fit: clinic, phrase: x}"
	for _, c := range []struct{ name, text, field string }{
		{"no name", "rows: [" + row + "]", "protocol"},
		{"no rows", "protocol: x", "rows"},
		{"no anchor", "protocol: x\nrows: [{rule: a, step: baseline, count: days, fit: clinic, phrase: x}]", "rows[0].anchor"},
		{"anchor that comes later", "protocol: x\nrows: [{rule: a, step: hcg_first, anchor: transfer, count: days, fit: clinic, phrase: x}]", "rows[0].anchor"},
		{"unknown step", "protocol: x\nrows: [" + strings.Replace(row, "baseline", "brunch", 1) + "]", "rows[0].step"},
		{"unknown fit", "protocol: x\nrows: [" + strings.Replace(row, "fit: clinic", "fit: loose", 1) + "]", "rows[0].fit"},
		{"unknown count", "protocol: x\nrows: [" + strings.Replace(row, "count: cycle_day", "count: moons", 1) + "]", "rows[0].count"},
		{"unknown condition", "protocol: x\nrows: [" + strings.Replace(row, "phrase", "when: sunny, phrase", 1) + "]", "rows[0].when"},
		{"a name twice", "protocol: x\nrows: [" + row + ", " + row + "]", "rows[1].rule"},
		{"no phrase", "protocol: x\nrows: [" + strings.Replace(row, "phrase: x", "phrase: ''", 1) + "]", "rows[0].phrase"},
		{"window upside down", "protocol: x\nrows: [" + strings.Replace(row, "to: 4", "to: 1", 1) + "]", "rows[0]"},
		{"cycle day 0", "protocol: x\nrows: [" + strings.Replace(row, "from: 2", "from: 0", 1) + "]", "rows[0]"},
		{"course without drugs", "protocol: x\nrows: [" + strings.Replace(row, "fit: clinic", "fit: course", 1) + "]", "rows[0].drugs"},
		{"pair without partner", "protocol: x\nrows: [" + strings.Replace(row, "fit: clinic", "fit: pair", 1) + "]", "rows[0].with"},
		{"embryo without stages", "protocol: x\nrows: [" + strings.Replace(row, "count: cycle_day", "count: embryo", 1) + "]", "rows[0].by_embryo_day.3"},
		{"unknown column", "protocol: x\nrows: [" + strings.Replace(row, "phrase", "mood: good, phrase", 1) + "]", "rows[0].mood"},
	} {
		_, err := ParseProtocol([]byte(c.text))
		fs, _ := err.(Faults)
		if count(fs, c.field) != 1 {
			t.Errorf("%s: got %v, want a fault at %s", c.name, err, c.field)
		}
	}
}

func TestDrugClasses(t *testing.T) {
	t.Parallel()
	for drug, want := range map[string]DrugClass{
		"letrozole": Tablet, "Letrozol 2,5": Tablet, "clomiphene citrate": Tablet, "Clomifeno": Tablet,
		"FSH": Injection, "follitropin alfa": Injection, "hMG (menotropin)": Injection, "gonadotropin": Injection,
		"hCG": TriggerDrug, "choriogonadotropin alfa": TriggerDrug, "human chorionic gonadotropin": TriggerDrug,
		"Gonadotropina coriónica": TriggerDrug, "triptorelin": TriggerDrug, "leuprolide acetate": TriggerDrug,
		"progesterone": Progesterone, "micronized progesterone": Progesterone, "Progesterona": Progesterone,
		"estradiol valerate": Estrogen, "oestradiol": Estrogen, "estrógeno": Estrogen,
		"medroxyprogesterone": OtherDrug, "folic acid": OtherDrug, "prednisone": OtherDrug, "": OtherDrug,
	} {
		if got := ClassOf(drug); got != want {
			t.Errorf("%q: got %s, want %s", drug, got, want)
		}
	}
}

func FuzzParseFacts(f *testing.F) {
	f.Add([]byte("[{\"fact\":\"\\n\"}]"))
	f.Add([]byte(everyKind))
	f.Add([]byte(`[` + cycle + `]`))
	f.Add([]byte(`[{"fact":"hcg","at":"2026-04-01T08:10","iu_per_l":1e300}]`))
	f.Add([]byte(`[{"fact":"period_start","at":"9999-12-31T23:59"}]`))
	p := DefaultPolicy()
	now := asOf(p, "2026-05-01")
	f.Fuzz(func(t *testing.T, b []byte) {
		facts, err := ParseFacts(b, p.Location())
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("an error of several lines: %q", err)
			}
			return
		}
		got, err := Build(p, facts, now)
		if err != nil {
			return
		}
		if why := flaw(p, got); why != "" {
			t.Errorf("%s", why)
		}
		if _, err := json.Marshal(got); err != nil {
			t.Error(err)
		}
	})
}

func FuzzParsePolicy(f *testing.F) {
	f.Add(DefaultPolicyYAML())
	f.Add([]byte("clinic: {zone: Europe/Madrid}\nopening: {days: [mon]}\n"))
	f.Add([]byte("windows: {hcg_first: {from: 300, preferred: 300, to: 366}}"))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := ParsePolicy(b)
		if err != nil {
			if fs, ok := err.(Faults); !ok || len(fs) == 0 {
				t.Errorf("got %T %v, want faults", err, err)
			}
			return
		}
		facts := mustFacts(t, p, "["+cycle+"]")
		got, err := Build(p, facts, asOf(p, "2026-03-20"))
		if err == nil {
			if why := flaw(p, got); why != "" {
				t.Error(why)
			}
		}
	})
}

func FuzzParseProtocol(f *testing.F) {
	for _, name := range []string{"stimulated.yaml", "natural.yaml", "programmed.yaml"} {
		f.Add(mustRead(name))
	}
	f.Add([]byte("protocol: x\nrows: [{rule: a, step: trigger, anchor: cycle_day_one, count: cycle_day, from: 2, preferred: 3, to: 4, fit: evening, with: transfer, phrase: x}]"))
	p := DefaultPolicy()
	p.Windows = nil
	facts, err := ParseFacts([]byte("["+cycle+"]"), p.Location())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		proto, err := ParseProtocol(b)
		if err != nil {
			return
		}
		l, err := newLedger(facts, p.Calendar.PeriodCutOff, asOf(p, "2026-03-20"))
		if err != nil {
			t.Fatal(err)
		}
		run := newBuilder(p, proto, l, asOf(p, "2026-03-20"))
		run.steps()
		run.cancel()
		run.finish()
	})
}

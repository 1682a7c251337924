package reading

import (
	"slices"
	"testing"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/triage/rules"
)

func at(s string) time.Time {
	t, err := time.Parse("2006-01-02T15:04", s)
	if err != nil {
		panic(err)
	}
	return t
}

// Tuesday 10 March 2026.
const tuesday = "2026-03-10T08:15"

func TestDayOne(t *testing.T) {
	t.Parallel()
	cases := []struct {
		name, sent, text, want string
		asks                   bool
	}{
		{"no day told", tuesday, "my period started", "2026-03-10", false},
		{"yesterday", tuesday, "got my period yesterday", "2026-03-09", false},
		{"anteayer", tuesday, "me bajó la regla anteayer", "2026-03-08", false},
		{"weekday", tuesday, "my period started on Sunday", "2026-03-08", false},
		{"domingo en la noche", tuesday, "me bajó el domingo en la noche", "2026-03-08", false},
		{"two days ago", tuesday, "period started two days ago", "2026-03-08", false},
		{"hace tres dias", tuesday, "me vino la regla hace 3 días", "2026-03-07", false},
		{"day 2 today", tuesday, "day 2 of my period today", "2026-03-09", false},
		{"cycle day 3", tuesday, "cd3 today, forgot to tell you about my period", "2026-03-08", false},
		{"last night, in the morning", tuesday, "my period came last night around 11", "2026-03-09", false},
		{"last night at one", tuesday, "my period came last night at 1 am", "2026-03-10", false},
		{"tonight at ten, after midnight", "2026-03-11T00:30", "my period started tonight at 10", "2026-03-10", false},
		{"an hour ago, after midnight", "2026-03-11T00:30", "my period started an hour ago", "2026-03-10", false},
		{"the 3rd", tuesday, "my period started on the 3rd", "2026-03-03", false},
		{"month name", tuesday, "mi regla empezó el 2 de marzo", "2026-03-02", false},
		{"one reading lies ahead", tuesday, "my period started 03/04", "2026-03-04", false},
		{"two readings", "2026-04-10T08:15", "my period started 03/04", "", true},
		{"only one is a date", "2026-04-10T08:15", "my period started 3/28", "2026-03-28", false},
		{"a few days ago", tuesday, "my period started a few days ago", "", true},
		{"either day", tuesday, "my period started Sunday or Monday", "", true},
		{"the weekend", tuesday, "me bajó el fin de semana", "", true},
		{"around midnight", tuesday, "my period started around midnight", "", true},
		{"correction", tuesday, "my period started yesterday, no wait, it was Sunday", "2026-03-08", false},
		{"another day belongs to the visit", tuesday, "my period started yesterday, is my scan still on Friday?", "2026-03-09", false},
		{"year's end", "2026-01-02T09:00", "my period started on December 31", "2025-12-31", false},
		{"leap day", "2028-03-01T09:00", "me bajó la regla ayer", "2028-02-29", false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := Parse(c.text, Context{Sent: at(c.sent), Phase: rules.BeforeCycle})
			if r.Date.String() != c.want || r.Ambiguous != c.asks {
				t.Errorf("%q: got %v, ambiguous %v %v; want %q, ambiguous %v", c.text, r.Date, r.Ambiguous, r.Candidates, c.want, c.asks)
			}
		})
	}
}

func TestStates(t *testing.T) {
	t.Parallel()
	cases := []struct {
		name, text string
		finding    rules.Finding
		want       State
	}{
		{"present", "I have a fever", rules.Fever, Present},
		{"denied", "I have no fever", rules.Fever, Negated},
		{"denied in a list", "no pain, fever or chills", rules.Fever, Negated},
		{"list ends", "no pain but I have a fever", rules.Fever, Present},
		{"no comma", "no pain my temp is 101.5", rules.Fever, Present},
		{"negado", "no tengo dolor ni fiebre", rules.Fever, Negated},
		{"no, ...", "No, tengo fiebre", rules.Fever, Present},
		{"supposed", "should I call if I get a fever", rules.Fever, Hypothetical},
		{"supuesto", "¿llamo si me da fiebre?", rules.Fever, Hypothetical},
		{"long ago", "I had a fever last month", rules.Fever, Past},
		{"hace un mes", "tuve fiebre hace un mes", rules.Fever, Past},
		{"somebody else", "my husband has a fever", rules.Fever, OtherPerson},
		{"otra persona", "mi hermana tiene fiebre", rules.Fever, OtherPerson},
		{"quoted", "the leaflet says fever is possible", rules.Fever, Quoted},
		{"measured below the limit", "I thought I had a fever but it is 37.4", rules.Fever, Negated},
		{"a faint counts for its day", "I fainted this morning but it is gone now", rules.Fainting, Present},
		{"her own, told by him", "my wife fainted", rules.Fainting, Present},
		{"cannot is no denial", "I can't breathe", rules.Breathless, Present},
		{"does not stop", "the bleeding does not stop", rules.HeavyBleeding, Present},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := Parse(c.text, Context{Sent: at(tuesday)})
			i := slices.IndexFunc(r.Spans, func(s Span) bool { return s.Finding == c.finding })
			if i < 0 {
				t.Fatalf("%q: %s is not found in %v", c.text, c.finding, r.Spans)
			}
			if got := r.Spans[i].State; got != c.want {
				t.Errorf("%q: %s is %s, want %s", c.text, c.finding, got, c.want)
			}
			if present := slices.Contains(r.Findings, c.finding); present != (c.want == Present) {
				t.Errorf("%q: findings %v", c.text, r.Findings)
			}
		})
	}
}

// Limits: 38.0 C and 100.4 F; more than 1 kg or 2 lb a day (Navot criteria,
// RBEJ 2012;10:32); a pad an hour (ACOG Practice Bulletin 200, from memory).
func TestMeasures(t *testing.T) {
	t.Parallel()
	cases := []struct {
		text string
		sign rules.Sign
		want bool
	}{
		{"fever 101.2", "high_temperature", true},
		{"temp 37.4 C", "high_temperature", false},
		{"temp was 100.4", "high_temperature", true},
		{"temperature 100.3", "high_temperature", false},
		{"tengo 38,0 de temperatura", "high_temperature", true},
		{"tengo 37,9 de temperatura", "high_temperature", false},
		{"treinta y nueve de fiebre", "high_temperature", true},
		{"I am 39 weeks", "high_temperature", false},
		{"gained 3 lb since yesterday", "weight_gain", true},
		{"gained 1 lb since yesterday", "weight_gain", false},
		{"subí 2 kilos desde ayer", "weight_gain", true},
		{"gained 5 kg in two months", "weight_gain", false},
		{"scale said 61.0 yesterday and 62.4 today", "weight_gain", true},
		{"changing my pad every 40 minutes", "soaking", true},
		{"changing my pad every 4 hours", "soaking", false},
		{"llené dos toallas en una hora", "soaking", true},
		{"belly pain 8/10", "severe_belly_pain", true},
		{"belly pain 2/10", "severe_belly_pain", false},
	}
	for _, c := range cases {
		t.Run(c.text, func(t *testing.T) {
			t.Parallel()
			r := Parse(c.text, Context{Sent: at(tuesday)})
			if got := slices.Contains(r.Signs, c.sign); got != c.want {
				t.Errorf("%s: got %v (%v), want %v", c.sign, got, r.Signs, c.want)
			}
		})
	}
}

func TestDrugs(t *testing.T) {
	t.Parallel()
	list := []Medication{ParseMedication("letrozole 2.5 mg tablets, blue"), ParseMedication("progesterone in oil injection"), ParseMedication("estradiol 2 mg tablet")}
	cases := []struct {
		name, text string
		meds       []Medication
		want       rules.Drug
	}{
		{"generic", "I forgot my letrozole", nil, rules.Letrozole},
		{"brand", "missed my Femara", nil, rules.Letrozole},
		{"class in Spanish", "olvidé los óvulos anoche", nil, rules.Progesterone},
		{"form with one usual drug", "se me despegó el parche", nil, rules.Estrogen},
		{"colour on her list", "I forgot the blue pill", list, rules.Letrozole},
		{"the only injection on her list", "I forgot my shot", list, rules.Progesterone},
		{"two tablets on her list", "I forgot my pill", list, rules.OtherDrug},
		{"nothing told", "I forgot my pill", nil, rules.OtherDrug},
		{"the missed one of two", "took my letrozole but I forgot my progesterone", nil, rules.Progesterone},
		{"a time is no drug", "I feel bloated since the trigger", nil, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if got := Parse(c.text, Context{Sent: at(tuesday), Medications: c.meds}).Drug; got != c.want {
				t.Errorf("%q: got %q, want %q", c.text, got, c.want)
			}
		})
	}
}

// The time of an injection is no score of pain.
func TestTimeIsNoPain(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"gave it at 9:38", "sorry it was 9:35", "took it already at 8 pm", "it was about 10 at night", "I did it at 9"} {
		if r := Parse(text, Context{Sent: at(tuesday), Phase: rules.AfterTrigger}); len(r.Findings) > 0 {
			t.Errorf("%q: got %v, want no finding", text, r.Findings)
		}
	}
}

// A bare answer counts only where it was asked for.
func TestBareAnswers(t *testing.T) {
	t.Parallel()
	cases := []struct {
		text string
		want rules.Intent
	}{
		{"yes", rules.DoseTaken}, {"sí", rules.DoseTaken}, {"ya", rules.DoseTaken}, {"done 👍", rules.DoseTaken},
		{"no", rules.DoseMissed}, {"not yet", rules.DoseMissed}, {"todavía no", rules.DoseMissed}, {"aún no", rules.DoseMissed},
	}
	for _, c := range cases {
		if got := Parse(c.text, Context{Sent: at(tuesday), Expecting: ExpectDose}).Intent; got != c.want {
			t.Errorf("%q awaited: got %s, want %s", c.text, got, c.want)
		}
		if got := Parse(c.text, Context{Sent: at(tuesday)}).Intent; got == rules.DoseMissed {
			t.Errorf("%q not awaited: got %s", c.text, got)
		}
	}
	r := Parse("yesterday", Context{Sent: at(tuesday), Expecting: ExpectDate})
	if r.Intent != rules.PeriodStart || r.Date != civil.MustDate("2026-03-09") {
		t.Errorf("a bare day: got %s %v", r.Intent, r.Date)
	}
}

// Many things in one message: the most urgent rules the answer, the others
// still happen.
func TestSeveralThings(t *testing.T) {
	t.Parallel()
	r := Parse("My period started this morning and I have unbearable pain on my right side", Context{Sent: at(tuesday), Phase: rules.BeforeCycle})
	if r.Intent != rules.Symptom || !slices.Contains(r.Also, rules.PeriodStart) {
		t.Errorf("got %s, also %v; want symptom, also period_start", r.Intent, r.Also)
	}
	if want := civil.MustDate("2026-03-10"); r.Date != want {
		t.Errorf("day one: got %v, want %v", r.Date, want)
	}
	if v := rules.Assess(r.Input(rules.BeforeCycle)); v.Urgency != rules.Emergency {
		t.Errorf("got %v, want an emergency", v.Urgency)
	}
}

// The same words weigh differently by phase.
func TestPhaseWeighs(t *testing.T) {
	t.Parallel()
	cases := []struct {
		phase rules.Phase
		want  rules.Urgency
	}{
		{"", rules.None}, {rules.BeforeCycle, rules.None}, {rules.AfterTransfer, rules.SameDay}, {rules.EarlyPregnancy, rules.SameDay},
	}
	for _, c := range cases {
		r := Parse("my period started", Context{Sent: at(tuesday), Phase: c.phase})
		if v := rules.Assess(r.Input(c.phase)); v.Urgency != c.want {
			t.Errorf("%q: got %v by %v, want %v", c.phase, v.Urgency, v.Rules, c.want)
		}
	}
}

// Every sign has words, and every sign that the lexicon names is one.
func TestSignsAndLexiconAgree(t *testing.T) {
	t.Parallel()
	made := map[rules.Sign]bool{ // by heads.go, measure.go and intent.go
		"period_bleeding": true, "severe_belly_pain": true, "pain_elsewhere": true, "moderate_pain": true, "one_sided_pain": true,
		"cramps": true, "headache_severe": true, "mild_headache": true, "unread": true, "sudden_pain": true, "shoulder_pain": true,
		"leg_swelling": true,
	}
	named := map[rules.Sign]bool{}
	for _, c := range theLexicon().concepts {
		if c.kind == "sign" || c.kind == "with_fever" {
			named[rules.Sign(c.name)] = true
			if rules.FindingOf(rules.Sign(c.name)) == "" {
				t.Errorf("the lexicon has words for %q, which is no sign", c.name)
			}
		}
	}
	for _, f := range theLexicon().frames {
		named[rules.Sign(f.concept.name)] = true
		if rules.FindingOf(rules.Sign(f.concept.name)) == "" {
			t.Errorf("a frame makes %q, which is no sign", f.concept.name)
		}
	}
	for _, s := range rules.Signs() {
		if !named[s] && !made[s] {
			t.Errorf("sign %q has no words", s)
		}
	}
}

// A pattern of a sign must not be met by small words alone.
func TestNoSignIsMadeOfSmallWords(t *testing.T) {
	t.Parallel()
	for _, word := range []string{"no", "not", "i", "me", "my", "mi", "the", "la", "el", "and", "y", "it", "is", "es", "in", "en", "so", "now", "hoy", "today", "que", "a", "de", "to", "do", "se", "ya"} {
		for _, other := range []string{"", " no", " not", " me", " my", " the", " el", " it", " is", " es", " que", " de", " do", " se"} {
			r := Parse(word+other, Context{Sent: at(tuesday)})
			if len(r.Signs) > 0 {
				t.Errorf("%q: got %v", word+other, r.Signs)
			}
		}
	}
}

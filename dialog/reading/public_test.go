package reading

import (
	"bufio"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/civil"
)

// publicData opens a file of the folder that HANDRAIL_PUBLIC_DATA names. The
// public sets are not part of this repository.
func publicData(t *testing.T, name string) *bufio.Scanner {
	t.Helper()
	dir := os.Getenv("HANDRAIL_PUBLIC_DATA")
	if dir == "" {
		t.Skip("HANDRAIL_PUBLIC_DATA does not name the folder with the public sets")
	}
	f, err := os.Open(filepath.Join(dir, name))
	if err != nil {
		t.Skipf("the public set is not there: %v", err)
	}
	t.Cleanup(func() { f.Close() })
	in := bufio.NewScanner(f)
	in.Buffer(nil, 1<<20)
	return in
}

// The negation part, on the sentences that were published with NegEx (Chapman
// et al. 2001; chapmanbe/negex, rsAnnotations-1-120-random). They are
// clinicians' notes, so the figures speak of scope, not of patients' words.
func TestNegationOnPublicSentences(t *testing.T) {
	in := publicData(t, "negex.jsonl")
	var right share
	hit, missed, wrong := 0, 0, 0
	for in.Scan() {
		var l struct{ Concept, Sentence, Negation string }
		if err := json.Unmarshal(in.Bytes(), &l); err != nil {
			t.Fatal(err)
		}
		got, ok := negatedIn(l.Sentence, l.Concept)
		if !ok {
			continue
		}
		want := l.Negation == "Negated"
		right.add(got == want)
		switch {
		case got && want:
			hit++
		case want:
			missed++
			if os.Getenv("HANDRAIL_MISSES") != "" {
				t.Logf("missed: %s | %s", l.Concept, l.Sentence)
			}
		case got:
			wrong++
			if os.Getenv("HANDRAIL_MISSES") != "" {
				t.Logf("wrong: %s | %s", l.Concept, l.Sentence)
			}
		}
	}
	precision, recall := share{hit, hit + wrong}, share{hit, hit + missed}
	t.Logf("negation: right %v, precision %v, recall %v", right, precision, recall)
	if precision.percent() < 90 || recall.percent() < 85 {
		t.Errorf("precision %v, recall %v: want at least 90 %% and 85 %%", precision, recall)
	}
}

// negatedIn asks the cues about the words of concept in a sentence; ok is false
// where the sentence does not have them.
func negatedIn(sentence, concept string) (negated, ok bool) {
	flat := strings.Join(strings.Fields(sentence), " ")
	at := strings.Index(strings.ToLower(flat), strings.ToLower(strings.Join(strings.Fields(concept), " ")))
	if at < 0 {
		return false, false
	}
	lex := theLexicon()
	s := scan(lex, flat)
	m := newMessage(s, cuesOnly(lex.find(&runner{toks: s.toks})), Context{})
	from, to := -1, -1
	for i, tok := range s.toks {
		if tok.to > at && tok.from < at+len(concept) {
			if from < 0 {
				from = i
			}
			to = i + 1
		}
	}
	if from < 0 {
		return false, false
	}
	state := m.plainState(match{concept: &concept0, from: from, to: to})
	return state == Negated, true
}

var concept0 = concept{kind: "sign", name: "any"}

func cuesOnly(in []match) []match {
	var out []match
	for _, x := range in {
		if x.concept.kind == "cue" {
			out = append(out, x)
		}
	}
	return out
}

// The grammar of dates, on the specification of another program (Microsoft
// Recognizers-Text, DateTime, English and Spanish). For a period the past
// reading of an open date counts.
func TestDatesOnPublicExpressions(t *testing.T) {
	in := publicData(t, "date_single.jsonl")
	right := map[string]*share{}
	for in.Scan() {
		var l struct{ Lang, Input, Reference, Text, Past string }
		if err := json.Unmarshal(in.Bytes(), &l); err != nil {
			t.Fatal(err)
		}
		sent, err := time.Parse("2006-01-02T15:04:05", l.Reference)
		if err != nil {
			t.Fatal(err)
		}
		s := scan(theLexicon(), l.Input)
		d := &dater{toks: s.toks, sent: sent, today: civil.DateOf(sent), spanish: l.Lang == "es"}
		got := ""
		if all := d.all(); len(all) > 0 && len(all[0].days) > 0 {
			got = all[0].days[0].String()
		}
		want := l.Past
		if want == "0001-01-01" {
			want = ""
		}
		addTo(right, l.Lang, got == want)
		if got != want && os.Getenv("HANDRAIL_MISSES") != "" {
			t.Logf("%s %q: got %s, want %s", l.Lang, l.Input, got, want)
		}
	}
	for lang, s := range right {
		t.Logf("dates, %s: %v", lang, s)
		if s.percent() < 75 {
			t.Errorf("dates, %s: got %v, want at least 75 %%", lang, s)
		}
	}
}

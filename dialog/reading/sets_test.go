package reading

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/triage/rules"
)

// labelled is one line of testdata/reading; its README has the rules by which
// the lines were labelled.
type labelled struct {
	ID          string      `json:"id"`
	Text        string      `json:"text"`
	Sent        string      `json:"sent"`
	Phase       rules.Phase `json:"phase"`
	Medications []string    `json:"medications"`
	Lang        string      `json:"lang"`
	Kind        string      `json:"kind"`
	Want        struct {
		Intent    rules.Intent    `json:"intent"`
		Also      []rules.Intent  `json:"also"`
		Urgency   rules.Urgency   `json:"urgency"`
		Findings  []rules.Finding `json:"findings"`
		Drug      rules.Drug      `json:"drug"`
		Date      string          `json:"date"`
		Ambiguous bool            `json:"ambiguous"`
		PageNow   bool            `json:"page_now"`
	} `json:"want"`
}

// read gives what the program answers for a line.
func (l labelled) read(tb testing.TB) (Reading, rules.Verdict) {
	tb.Helper()
	sent, err := time.Parse("2006-01-02T15:04", l.Sent)
	if err != nil {
		tb.Fatalf("%s: %v", l.ID, err)
	}
	c := Context{Sent: sent, Phase: l.Phase}
	for _, m := range l.Medications {
		c.Medications = append(c.Medications, ParseMedication(m))
	}
	r := Parse(l.Text, c)
	return r, rules.Assess(r.Input(l.Phase, outOfHours(sent)...))
}

// outOfHours is what the clinic of the sets' README does with a missed dose
// that is reported while it is closed: Monday to Saturday 07:00 to 16:00.
func outOfHours(t time.Time) []rules.Flag {
	if t.Weekday() == time.Sunday || t.Hour() < 7 || t.Hour() >= 16 {
		return []rules.Flag{rules.DoseBeforeOpening}
	}
	return nil
}

func loadSet(tb testing.TB, name string) []labelled {
	tb.Helper()
	if !filepath.IsAbs(name) {
		name = filepath.Join("../../testdata/reading", name)
	}
	f, err := os.Open(name)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	var out []labelled
	in := bufio.NewScanner(f)
	in.Buffer(nil, 1<<20)
	for in.Scan() {
		var l labelled
		if err := json.Unmarshal(in.Bytes(), &l); err != nil {
			tb.Fatalf("%s line %d: %v", name, len(out)+1, err)
		}
		out = append(out, l)
	}
	return out
}

// share is how many of how many.
type share struct{ n, of int }

func (s *share) add(ok bool) {
	s.of++
	if ok {
		s.n++
	}
}

func (s share) percent() float64 {
	if s.of == 0 {
		return 100
	}
	return 100 * float64(s.n) / float64(s.of)
}

func (s share) String() string { return fmt.Sprintf("%5.1f %% (%d of %d)", s.percent(), s.n, s.of) }

// figures are what the reader is measured by.
type figures struct {
	plain, emergency, sameDay, decoysRaised, consumerEmergency share
	intent, date, asked, drug, page, falsePage, findings       share
	byLang                                                     map[string]*share
	urgencies                                                  [4][4]int
	intents                                                    map[rules.Intent]map[rules.Intent]int
	byFinding                                                  map[rules.Finding]*share
	byKind                                                     map[string]*share
	misses                                                     []string
}

func measure(tb testing.TB, set []labelled) *figures {
	f := &figures{byLang: map[string]*share{}, byFinding: map[rules.Finding]*share{}, byKind: map[string]*share{}, intents: map[rules.Intent]map[rules.Intent]int{}}
	for _, l := range set {
		r, v := l.read(tb)
		f.count(l, r, v)
	}
	return f
}

func (f *figures) count(l labelled, r Reading, v rules.Verdict) {
	w := l.Want
	f.urgencies[w.Urgency][v.Urgency]++
	switch {
	case w.Urgency == rules.Emergency:
		if l.Kind == "plain" {
			f.check(&f.plain, l, "plain emergency", v.Urgency == w.Urgency, v.Urgency, w.Urgency)
		}
		f.check(&f.emergency, l, "emergency", v.Urgency == w.Urgency, v.Urgency, w.Urgency)
		fallthrough
	case w.Urgency == rules.SameDay:
		f.check(&f.sameDay, l, "same day", v.Urgency >= rules.SameDay, v.Urgency, w.Urgency)
	case l.Kind == "decoy":
		f.check(&f.decoysRaised, l, "decoy", v.Urgency < rules.SameDay, v.Urgency, v.Rules)
	}
	if l.Kind == "consumer" {
		f.check(&f.consumerEmergency, l, "consumer", v.Urgency < rules.Emergency, v.Urgency, v.Rules)
	}
	if f.intents[w.Intent] == nil {
		f.intents[w.Intent] = map[rules.Intent]int{}
	}
	f.intents[w.Intent][r.Intent]++
	addTo(f.byLang, l.Lang, r.Intent == w.Intent)
	f.check(&f.intent, l, "intent", r.Intent == w.Intent, r.Intent, w.Intent)
	f.check(&f.drug, l, "drug", r.Drug == w.Drug, r.Drug, w.Drug)
	f.countDate(l, r)
	if w.PageNow {
		f.check(&f.page, l, "page", v.PageNow, v.PageNow, w.PageNow)
	} else {
		f.check(&f.falsePage, l, "false page", !v.PageNow, v.PageNow, v.Rules)
	}
	for _, x := range w.Findings {
		addTo(f.byFinding, x, slices.Contains(r.Findings, x))
	}
	addTo(f.byKind, l.Kind, r.Intent == w.Intent)
	got, want := slices.Sorted(slices.Values(r.Findings)), slices.Sorted(slices.Values(w.Findings))
	f.check(&f.findings, l, "findings", slices.Equal(got, want), got, want)
}

func addTo[K comparable](m map[K]*share, k K, ok bool) {
	if m[k] == nil {
		m[k] = &share{}
	}
	m[k].add(ok)
}

func (f *figures) countDate(l labelled, r Reading) {
	w := l.Want
	switch {
	case w.Ambiguous:
		f.check(&f.asked, l, "asked back", r.Ambiguous, fmt.Sprint(r.Date, " ", r.Ambiguous), w.Ambiguous)
	case w.Date != "" || r.Date.String() != "" || r.Ambiguous:
		f.check(&f.date, l, "date", r.Date.String() == w.Date && !r.Ambiguous, fmt.Sprint(r.Date, " ", r.Ambiguous, " ", r.Candidates), w.Date)
	}
}

func (f *figures) check(s *share, l labelled, what string, ok bool, got, want any) {
	s.add(ok)
	if !ok {
		f.misses = append(f.misses, fmt.Sprintf("%s %s: got %v want %v [%s %s %s] %q", what, l.ID, got, want, l.Sent, l.Phase, l.Kind, l.Text))
	}
}

func (f *figures) String() string {
	var b strings.Builder
	row := func(name string, s share) { fmt.Fprintf(&b, "%-38s %v\n", name, s) }
	row("emergencies found, plainly worded", f.plain)
	row("emergencies found, all", f.emergency)
	row("same day or emergency found", f.sameDay)
	row("decoys left alone", f.decoysRaised)
	row("health questions no emergency", f.consumerEmergency)
	row("intent", f.intent)
	for _, lang := range []string{"en", "es", "mix"} {
		if s := f.byLang[lang]; s != nil {
			row("  intent, "+lang, *s)
		}
	}
	row("day one, unambiguous", f.date)
	row("day one, ambiguous asked back", f.asked)
	row("drug", f.drug)
	row("to be woken for, found", f.page)
	row("not to be woken for, left", f.falsePage)
	row("findings, the whole set right", f.findings)
	for _, kind := range []string{"plain", "hard", "decoy", "consumer"} {
		if s := f.byKind[kind]; s != nil {
			row("  intent, "+kind, *s)
		}
	}
	b.WriteString("\nfindings found\n")
	for _, x := range rules.Findings {
		if s := f.byFinding[x]; s != nil {
			row("  "+string(x), *s)
		}
	}
	f.confusion(&b)
	return b.String()
}

func (f *figures) confusion(b *strings.Builder) {
	fmt.Fprintf(b, "\nurgency: rows as labelled, columns as read\n%-12s", "")
	for u := rules.None; u <= rules.Emergency; u++ {
		fmt.Fprintf(b, "%10v", u)
	}
	for u := rules.None; u <= rules.Emergency; u++ {
		fmt.Fprintf(b, "\n%-12v", u)
		for v := rules.None; v <= rules.Emergency; v++ {
			fmt.Fprintf(b, "%10d", f.urgencies[u][v])
		}
	}
	b.WriteString("\n\nintent: as labelled, then as read\n")
	for _, i := range rules.Intents {
		if len(f.intents[i]) == 0 {
			continue
		}
		fmt.Fprintf(b, "%-20s", i)
		for _, j := range rules.Intents {
			if n := f.intents[i][j]; n > 0 {
				fmt.Fprintf(b, " %s %d", j, n)
			}
		}
		b.WriteString("\n")
	}
}

// The figures on our own sets, written by hand and made hard on purpose.
// look.jsonl was looked at meanwhile (it grows by batches that were measured blind
// first), held.jsonl was not (it grew by one that nobody opened).
//
// goal is what the reader is meant to reach on messages as patients write them;
// kept is what it has reached on these sets, and no change may fall below it.
// A goal that is still ahead is printed with the figures.
var bars = []struct {
	name       string
	of         func(*figures) share
	goal       float64
	look, held float64 // kept, in percent
}{
	{"emergencies, plainly worded", func(f *figures) share { return f.plain }, 100, 100, 100},
	{"emergencies, all", func(f *figures) share { return f.emergency }, 98, 98, 92},
	{"same day or emergency", func(f *figures) share { return f.sameDay }, 97, 98, 93},
	{"decoys left alone", func(f *figures) share { return f.decoysRaised }, 97, 95, 80},
	{"health questions no emergency", func(f *figures) share { return f.consumerEmergency }, 98, 99, 100},
	{"intent", func(f *figures) share { return f.intent }, 92, 90, 84},
	{"day one, unambiguous", func(f *figures) share { return f.date }, 97, 94, 84},
	{"day one, ambiguous asked back", func(f *figures) share { return f.asked }, 90, 95, 86},
	{"drug", func(f *figures) share { return f.drug }, 95, 97, 97},
}

// maxLanguageGap is how many points of intent one language may lie behind the
// other.
const maxLanguageGap = 5

func TestFigures(t *testing.T) {
	for _, name := range []string{"look.jsonl", "held.jsonl"} {
		t.Run(name, func(t *testing.T) {
			f := measure(t, loadSet(t, name))
			fmt.Printf("%s\n%v\n", name, f)
			if name == "look.jsonl" {
				printMisses(f)
			}
			for _, b := range bars {
				kept, got := b.look, b.of(f)
				if name == "held.jsonl" {
					kept = b.held
				}
				if got.percent() < kept {
					t.Errorf("%s: got %v, and %v %% had been reached", b.name, got, kept)
				}
				if got.percent() < b.goal {
					fmt.Printf("goal ahead: %s, %v of %v %%\n", b.name, got, b.goal)
				}
			}
			if d := f.byLang["en"].percent() - f.byLang["es"].percent(); d > maxLanguageGap || d < -maxLanguageGap {
				t.Errorf("intent: English and Spanish are %.1f points apart, want at most %d", d, maxLanguageGap)
			}
		})
	}
}

// printMisses lists what was read otherwise than labelled, if it was asked for.
func printMisses(f *figures) {
	if os.Getenv("HANDRAIL_MISSES") != "" {
		fmt.Println(strings.Join(f.misses, "\n"))
	}
}

// TestOwnSet measures on a labelled file that HANDRAIL_READING_SET names: a new
// batch, before anybody has looked at what the reader makes of it.
func TestOwnSet(t *testing.T) {
	name := os.Getenv("HANDRAIL_READING_SET")
	if name == "" {
		t.Skip("HANDRAIL_READING_SET does not name a labelled file")
	}
	f := measure(t, loadSet(t, name))
	fmt.Println(f)
	printMisses(f)
}

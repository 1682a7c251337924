package rules

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"sync"
)

//go:embed signs.txt
var signsText string

//go:embed rules.txt
var rulesText string

//go:embed cautions.txt
var cautionsText string

type table struct {
	signs    map[Sign]Finding
	order    []Sign
	rules    []rule
	cautions map[string]caution
}

type rule struct {
	id, caution, why, source string
	urgency                  Urgency
	wake                     bool
	// bleeding: read as before the cycle where the phase is not known.
	bleeding bool
	phases   []Phase
	ifs      []line
	unless   []line
}

type (
	line    []term
	term    struct{ kind, name string }
	caution struct{ en, es string }
)

// theTable reads the embedded files once. They are checked by a test, so a
// fault in them is a fault of the build.
var theTable = sync.OnceValue(func() *table {
	t, err := parseTable(signsText, rulesText, cautionsText)
	if err != nil {
		panic("rules: " + err.Error())
	}
	return t
})

func parseTable(signs, rules, cautions string) (*table, error) {
	t := &table{signs: map[Sign]Finding{}, cautions: map[string]caution{}}
	if err := t.readSigns(signs); err != nil {
		return nil, err
	}
	if err := t.checkSigns(); err != nil {
		return nil, err
	}
	if err := t.readCautions(cautions); err != nil {
		return nil, err
	}
	if err := t.readRules(rules); err != nil {
		return nil, err
	}
	return t, nil
}

// eachLine calls f with the first word and the rest of every line that is
// neither empty nor a comment, and puts the line's number before f's error.
func eachLine(file, text string, f func(word, rest string) error) error {
	n := 0
	for l := range strings.Lines(text) {
		n++
		l = strings.TrimSpace(l)
		if l == "" || strings.HasPrefix(l, "#") {
			continue
		}
		word, rest, _ := strings.Cut(l, " ")
		if err := f(word, strings.TrimSpace(rest)); err != nil {
			return fmt.Errorf("%s line %d: %w", file, n, err)
		}
	}
	return nil
}

func (t *table) readSigns(text string) error {
	return eachLine("signs.txt", text, func(sign, rest string) error {
		finding, _, _ := strings.Cut(rest, " ")
		if !slices.Contains(Findings, Finding(finding)) {
			return fmt.Errorf("%q is no finding", finding)
		}
		if _, twice := t.signs[Sign(sign)]; twice {
			return fmt.Errorf("sign %q stands here twice", sign)
		}
		t.signs[Sign(sign)] = Finding(finding)
		t.order = append(t.order, Sign(sign))
		return nil
	})
}

// checkSigns refuses a sign that bears a finding's name beside other signs of
// that finding: a rule that named it would mean all of them.
func (t *table) checkSigns() error {
	count := map[Finding]int{}
	for _, f := range t.signs {
		count[f]++
	}
	for s := range t.signs {
		if f := Finding(s); count[f] > 1 || count[f] == 1 && t.signs[s] != f {
			return fmt.Errorf("signs.txt: sign %q bears the name of a finding with other signs", s)
		}
	}
	return nil
}

func (t *table) readCautions(text string) error {
	key := ""
	return eachLine("cautions.txt", text, func(word, rest string) error {
		c := t.cautions[key]
		switch word {
		case "caution":
			key = rest
			return nil
		case "en":
			c.en = rest
		case "es":
			c.es = rest
		default:
			return fmt.Errorf("%q: a line begins with caution, en or es", word)
		}
		t.cautions[key] = c
		return nil
	})
}

func (t *table) readRules(text string) error {
	err := eachLine("rules.txt", text, func(word, rest string) error {
		if word == "rule" {
			t.rules = append(t.rules, rule{id: rest})
			return nil
		}
		if len(t.rules) == 0 {
			return fmt.Errorf("%q stands before the first rule", word)
		}
		return t.rules[len(t.rules)-1].set(word, rest, t)
	})
	if err != nil {
		return err
	}
	return t.checkRules()
}

func (r *rule) set(word, rest string, t *table) (err error) {
	switch word {
	case "if", "unless":
		var l line
		if l, err = t.parseTerms(rest); err != nil {
			return err
		}
		if word == "unless" {
			r.unless = append(r.unless, l)
			return nil
		}
		r.ifs = append(r.ifs, l)
		r.bleeding = r.bleeding || t.bleeds(l)
	case "phase":
		for _, p := range strings.Fields(rest) {
			if !slices.Contains(Phases, Phase(p)) {
				return fmt.Errorf("%q is no phase", p)
			}
			r.phases = append(r.phases, Phase(p))
		}
	case "urgency":
		r.urgency, err = ParseUrgency(rest)
		return err
	case "wake":
		r.wake = rest == "yes"
	case "caution":
		r.caution = rest
	case "why":
		r.why = rest
	case "source":
		r.source = rest
	default:
		return fmt.Errorf("%q is no line of a rule", word)
	}
	return nil
}

// bleeds reports whether a line can hold for bleeding alone.
func (t *table) bleeds(l line) bool {
	for _, x := range l {
		f := Finding(x.name)
		if s, ok := t.signs[Sign(x.name)]; ok {
			f = s
		}
		if x.kind == "" && (f == HeavyBleeding || f == LightBleeding) {
			return true
		}
	}
	return false
}

func (t *table) parseTerms(s string) (line, error) {
	var l line
	for _, word := range strings.Split(s, "|") {
		word = strings.TrimSpace(word)
		kind, name, ok := strings.Cut(word, ":")
		if !ok {
			kind, name = "", word
		}
		if !t.known(kind, name) {
			return nil, fmt.Errorf("%q is no term: use a sign, a finding, or intent: drug: dose: flag: phase: with a name", word)
		}
		l = append(l, term{kind, name})
	}
	return l, nil
}

func (t *table) known(kind, name string) bool {
	switch kind {
	case "":
		_, sign := t.signs[Sign(name)]
		return sign || slices.Contains(Findings, Finding(name))
	case "intent":
		return slices.Contains(Intents, Intent(name))
	case "drug":
		return slices.Contains(Drugs, Drug(name))
	case "dose":
		return slices.Contains(doses, Dose(name))
	case "flag":
		return slices.Contains(flags, Flag(name))
	case "phase":
		return slices.Contains(Phases, Phase(name))
	}
	return false
}

var doses = []Dose{
	Missed, Late, Partial, Wrong, NoneLeft, Stopped,
	Allergy, TimeQuestion, EarlierDay, Several, Injection,
}

var flags = []Flag{
	EarlierEctopic, PoorRise, SeenInWomb, Triggered, DoseBeforeOpening,
	Preparation, AsksForHer, Unreadable,
}

func (t *table) checkRules() error {
	seen := map[string]bool{}
	for _, r := range t.rules {
		_, hasCaution := t.cautions[r.caution]
		switch {
		case seen[r.id]:
			return fmt.Errorf("rules.txt: rule %q stands here twice", r.id)
		case len(r.ifs) == 0:
			return fmt.Errorf("rules.txt: rule %q has no if", r.id)
		case r.why == "" || r.source == "":
			return fmt.Errorf("rules.txt: rule %q lacks why or source", r.id)
		case r.caution != "" && !hasCaution:
			return fmt.Errorf("rules.txt: rule %q names the caution %q, which cautions.txt lacks", r.id, r.caution)
		case r.urgency == Emergency && (r.caution == "" || !r.wake):
			return fmt.Errorf("rules.txt: the emergency %q needs a caution and wake yes", r.id)
		}
		seen[r.id] = true
	}
	return nil
}

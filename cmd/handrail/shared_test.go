package main

import (
	"strings"
	"testing"
)

// An emergency in a chat that speaks for several waits for no answer: the caution comes
// first, each of them has a case that names all, and whose it was is asked after that.
// Here and not among the conversations, since the two cards may come in either order.
func TestEmergencyInASharedChat(t *testing.T) {
	t.Parallel()
	const people = `begin 2026-03-10 10:00
staff orrel lead en,es "Tamsin Orrel"
on-call orrel 2026-03-10 07:00 2026-03-11 07:00
patient P-361 es ready plain "Amparo Dunmire"
patient P-362 es ready plain "Citlali Vern"
patient P-363 es invited "Noor Castellane"
patient bea joins
orrel: P-361 link donor en Bea Finch
bea writes her code
orrel: P-362 link donor en Bea Finch
bea writes her code
orrel: P-363 link account P-361
P-361 writes her code
P-361 presses "Acepto"
`
	for line, c := range map[string]struct{ first, then, one, other string }{
		"P-361: me desmayé, estoy empapando una toalla cada hora": {"-> P-361: Lo que describe puede ser una emergencia", "-> P-361: Este chat lo usa más de una persona", "P-361 Amparo Dunmire · symptom", "P-363 Noor Castellane · symptom"},
		"bea: my partner can't breathe and has chest pain":        {"-> bea: What you describe can be an emergency", "-> bea: This chat is used by more than one person", "P-361 Amparo Dunmire · symptom", "P-362 Citlali Vern · symptom"},
	} {
		p := newPlay(t)
		p.run(people)
		p.out.Reset()
		p.run(line + "\n== +1m\n")
		got := p.out.String()
		first, then := strings.Index(got, c.first), strings.Index(got, c.then)
		if first < 0 || then < first {
			t.Errorf("%s: the caution stands at %d, the question at %d:\n%s", line, first, then, got)
		}
		for _, want := range []string{c.one, c.other, "the chat is used by more than one patient"} {
			if !strings.Contains(got, want) {
				t.Errorf("%s: %q is missing:\n%s", line, want, got)
			}
		}
	}
}

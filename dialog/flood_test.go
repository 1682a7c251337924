package dialog

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
)

// A flood from one chat is kept whole, answered once, and read by a person; what is
// urgent in it is answered all the same, and others wait for nothing.
func TestAFloodFromOneChat(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.enrol("P-201", "1")
	p.enrol("P-202", "2")
	before := len(p.got["1"])
	for n := range 90 {
		p.arrives("1", fmt.Sprintf("note %d about something", n))
	}
	p.arrives("1", "I fainted in the bathroom")
	p.arrives("2", "when is my next visit?")

	// The one of somebody else is among the first that are handled.
	if _, _, err := p.worker.round(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := p.count(`SELECT count(*) FROM inbox i JOIN people x ON x.chat_hash = i.chat_hash WHERE state = 'new' AND x.id = (SELECT person_id FROM patients WHERE handle = 'P-202')`); n != 0 {
		t.Error("somebody else waits behind the flood")
	}
	p.work(t)
	for range 5 {
		p.deliver()
	}
	if n := p.count(`SELECT count(*) FROM inbox WHERE state = 'handled' AND raw IS NOT NULL`); n < 92 {
		t.Errorf("only %d are kept", n)
	}
	if got := len(p.got["1"]) - before; got > floodOf+4 {
		t.Errorf("%d answers", got)
	}
	floods, cautions := 0, 0
	for _, e := range p.got["1"][before:] {
		switch {
		case strings.HasPrefix(e.Message.Text, said("reply.flood")):
			floods++
		case strings.Contains(e.Message.Text, "Someone who has fainted must be seen"):
			cautions++
		}
	}
	if floods != 1 || cautions == 0 {
		t.Errorf("%d answers to the flood, %d cautions", floods, cautions)
	}
	if n := p.count(`SELECT count(*) FROM cases WHERE urgency = 'emergency'`); n != 1 {
		t.Errorf("%d emergencies", n)
	}
	// A minute later she is answered as ever.
	if err := p.clock.Advance(t.Context(), p.clock.Now().Add(2*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if got := p.says("1", "when is my next visit?"); len(got) != 1 || strings.HasPrefix(got[0].Message.Text, said("reply.flood")) {
		t.Errorf("got %v", got)
	}
}

func TestGuessedCodesRaiseAnAlarm(t *testing.T) {
	t.Parallel()
	for name, tries := range map[string]func(p *practice){
		"one chat that goes on": func(p *practice) {
			for range p.service.Policy.Enrolment.Attempts {
				p.says("1", "7K3M-Q9ZT")
			}
		},
		"many chats that try a little": func(p *practice) {
			for n := range manyTries * p.service.Policy.Enrolment.Attempts {
				p.says(fmt.Sprint(n+1), "7K3M-Q9ZT")
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := newPractice(t)
			p.invite("P-201")
			p.says("900", "7K3M-Q9ZT")
			if n := p.count(`SELECT count(*) FROM cases`); n != 0 {
				t.Fatal("an alarm at a slip of the pen")
			}
			tries(p)
			tries(p)
			if n := p.count(`SELECT count(*) FROM cases WHERE reason = 'codes' AND patient_id IS NULL`); n != 1 {
				t.Errorf("%d alarms", n)
			}
			// Whoever has a good code still gets in, from a chat that has not guessed.
			expect(t, p.says("901", p.codes["P-201"]), "consent")
		})
	}
}

// arrives has something come in that nobody handles yet.
func (p *practice) arrives(chat, text string) {
	p.t.Helper()
	p.ids++
	raw, err := json.Marshal(Inbound{Kind: Text, Chat: chat, Text: text, Language: "en", Sent: p.clock.Now()})
	if err != nil {
		p.t.Fatal(err)
	}
	p.take(p.t, Arrival{ID: p.ids, Raw: raw, Chat: chat, Next: p.ids + 1})
}

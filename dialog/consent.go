package dialog

import (
	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// ConsentVersion names the wording under "consent" in the phrasebook. Change it with
// the wording: a test holds the two together. Whoever agreed to another one is asked
// again, and is looked after meanwhile as before.
const ConsentVersion = "2026-12"

// ConsentAgain is what somebody is asked who agreed to an earlier wording. It is the
// Book's Consent.
func ConsentAgain(phrases *phrase.Book, policy plan.Policy) func(p reminders.Patient) (string, outbox.Message) {
	return func(p reminders.Patient) (string, outbox.Message) {
		args := clinicArgs(policy, p.Language)
		args["name"] = p.Name
		w := &writer{phrases: phrases, lang: p.Language}
		return ConsentVersion, outbox.Message{Text: w.say("consent.again", args) + "\n\n" + w.say("consent", args), Buttons: w.buttons(consentButtons(p.Language))}
	}
}

func consentButtons(lang string) [][]choice {
	other := map[string]string{"en": "es", "es": "en"}
	return [][]choice{
		{{Key: "consent.agree", Action: "consent/agree"}, {Key: "consent.decline", Action: "consent/decline"}},
		{{Key: "consent.other_language", Action: "consent/" + other[lang]}},
	}
}

// consent asks whether she agrees to be written to.
func (m *moment) consent() effect {
	return say{Key: "consent", Args: m.phones(phrase.Args{"name": m.patient.Name}), Buttons: consentButtons(m.lang())}
}

func (m *moment) agreed() []effect {
	return []effect{agree{}, say{Key: "enrolled", Args: m.phones(phrase.Args{"name": m.patient.Name}), Buttons: menu()}}
}

func (m *moment) declined() []effect {
	return []effect{decline{}, openCase{Reason: string(triage.OptedOut), Notes: []triage.Line{{Key: "note.declined"}}}, say{Key: "consent.declined", Args: m.phones(nil)}}
}

// stale reports whether she agreed to another wording than today's.
func (m *moment) stale() bool { return m.patient.Enrolled && m.patient.Consent != ConsentVersion }

// saysAgain: she answers in words the question about a wording that has changed.
func (m *moment) saysAgain() ([]effect, bool) {
	if !m.stale() {
		return nil, false
	}
	switch tidy(m.in.Text) {
	case "i agree", "agree", "agreed", "acepto", "si acepto", "de acuerdo":
		return m.agreedAgain(), true
	case "i do not agree", "i dont agree", "no acepto":
		return m.declinedAgain(), true
	}
	return nil, false
}

func (m *moment) agreedAgain() []effect {
	if !m.stale() {
		return []effect{say{Key: "button.spent"}}
	}
	return []effect{agree{}, say{Key: "consent.again_thanks", Args: m.phones(nil), Buttons: menu()}}
}

// declinedAgain: she is written to no more, and a human looks after her.
func (m *moment) declinedAgain() []effect {
	if !m.stale() {
		return []effect{say{Key: "button.spent"}}
	}
	return []effect{decline{}, optOut{true}, openCase{Reason: string(triage.OptedOut), Urgency: m.unheard(), Notes: []triage.Line{{Key: "note.declined"}}},
		say{Key: "consent.declined", Args: m.phones(nil)}}
}

// underage: whoever writes says that she is under eighteen. A human must look, today.
func (m *moment) underage(alarmed bool) []effect {
	c := m.caseOf(triage.Minor)
	c.Urgency = max(c.Urgency, rules.SameDay)
	if alarmed {
		return []effect{c}
	}
	return []effect{c, say{Key: "reply.minor", Args: m.phones(nil)}}
}

package rehearsal

import "strings"

// wording is what people recognize in the messages that they get, in one language.
type wording struct {
	labels map[string]string // by key of the phrasebook
	parts  map[string][]string
}

// labels are the buttons that are recognized by their whole label.
var labels = []string{"dose.taken", "dose.not_yet", "dose.missed", "show", "readback.yes", "readback.no", "readback.herself", "readback.somebody",
	"trigger.given_other", "trigger.not_given", "trigger.problem", "period.yes", "period.again_yes", "period.other_day", "button.save", "button.send",
	"button.told_phone", "button.told_here", "button.case.take", "button.shift.in", "button.case.close"}

// sentences are recognized by their fixed parts.
var sentences = []string{"trigger.given", "period.before", "period.after", "readback.repeat", "trigger.when", "trigger.recorded", "period.recorded", "period.unmoved", "period.not_ready", "dose.which",
	"staff.alert", "staff.alert_again", "staff.news", "staff.still_yours", "staff.still_with", "staff.has_it", "staff.mooted", "staff.handed_on", "staff.shift_start",
	"staff.shift_missed", "staff.order_dropped", "staff.saved", "staff.to_be_checked", "staff.told", "staff.closed", "staff.answered"}

func newWording(p Phrases, lang string) *wording {
	w := &wording{labels: make(map[string]string), parts: make(map[string][]string)}
	for _, key := range labels {
		w.labels[key] = strings.Join(p.Parts(lang, key), "")
	}
	for _, key := range sentences {
		w.parts[key] = p.Parts(lang, key)
	}
	return w
}

// button is the button with the label of a key; false when there is none.
func (w *wording) button(m Message, key string) (Button, bool) {
	for _, b := range m.Buttons {
		if b.Label == w.labels[key] {
			return b, true
		}
	}
	return Button{}, false
}

// like is the button whose label is made like a sentence; false when there is none.
func (w *wording) like(m Message, key string) (Button, bool) {
	for _, b := range m.Buttons {
		if w.is(b.Label, key) && b.Label != w.labels["trigger.given_other"] {
			return b, true
		}
	}
	return Button{}, false
}

// is reports whether a text begins like a sentence of the phrasebook.
func (w *wording) is(text, key string) bool {
	parts := w.parts[key]
	if len(parts) == 0 || !strings.HasPrefix(text, parts[0]) {
		return false
	}
	for _, part := range parts {
		i := strings.Index(text, part)
		if i < 0 {
			return false
		}
		text = text[i+len(part):]
	}
	return true
}

// unasked reports whether a message to a colleague is no answer to what she wrote.
func (w *wording) unasked(text string) bool {
	for _, key := range []string{"staff.alert", "staff.alert_again", "staff.news", "staff.still_yours", "staff.still_with", "staff.has_it", "staff.mooted",
		"staff.handed_on", "staff.shift_start", "staff.shift_missed", "staff.order_dropped"} {
		if w.is(text, key) {
			return true
		}
	}
	return false
}

package dialog

import (
	"context"
	"regexp"
	"strconv"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/triage"
)

// staffWords are the first words of what a colleague may write, besides a
// patient's handle, in both languages.
var staffWords = map[string]string{
	"help": "help", "ayuda": "help", "menu": "help", "start": "help", "hola": "help", "hello": "help",
	"cases": "cases", "casos": "cases", "today": "today", "hoy": "today", "tomorrow": "tomorrow", "manana": "tomorrow",
	"forecast": "forecast", "previsión": "forecast", "prevision": "forecast",
	"overdue": "overdue", "atrasados": "overdue", "pendientes": "overdue", "on": "oncall", "oncall": "oncall", "guardia": "oncall", "guardias": "oncall",
	"staff": "staff", "personal": "staff", "here": "here", "aqui": "here", "patients": "patients", "pacientes": "patients",
	"take": "take", "tomar": "take", "show": "show", "ver": "show", "answer": "answer", "contestar": "answer",
	"hand": "hand", "pasar": "hand", "close": "close", "cerrar": "close", "told": "told", "dicho": "told",
	"revise": "verify", "verify": "verify", "verificar": "verify",
	"send": "send", "enviar": "send", "save": "save", "guardar": "save", "discard": "discard", "descartar": "discard", "add": "add", "agregar": "add",
	"rota": "rota", "turno": "rota", "closure": "closure", "cierre": "closure", "reopen": "reopen", "reabrir": "reopen",
	"note": "note", "nota": "note", "arrived": "arrived", "llegado": "arrived", "llegados": "arrived",
	"untold": "untold", "avisar": "untold", "absent": "absent", "ausente": "absent",
}

var handleWord = regexp.MustCompile(`(?i)^[a-z]{1,4}-?\d{1,6}$`)

// text reads a message: an answer that she is writing, a line about a patient, or
// one of the fixed words.
func (c *colleague) text(ctx context.Context) error {
	text := strings.TrimSpace(c.in.In.Text)
	first, rest, _ := strings.Cut(strings.TrimPrefix(text, "/"), " ")
	rest = strings.TrimSpace(rest)
	if handleWord.MatchString(first) {
		// "CD10 is your scan" has no patient's handle in front.
		p, err := c.room.Care.Find(ctx, c.tx, c.in.Who, first)
		if err == nil {
			return c.instead(ctx, func() error { return c.aboutPatient(ctx, p, rest) })
		}
		if c.form.Answering == 0 {
			return err
		}
	}
	word, known := staffWords[tidy(first)]
	if c.form.Answering != 0 && !(known && c.fits(word, rest)) {
		return c.draftAnswer(ctx, c.form.Answering, text)
	}
	if !known {
		return c.say(ctx, c.phrase("staff.not_understood", nil), nil)
	}
	if word == "send" {
		return c.sendAnswer(ctx, c.form.Answering, c.form.Number)
	}
	if word == "answer" {
		return c.command(ctx, word, rest)
	}
	return c.instead(ctx, func() error { return c.command(ctx, word, rest) })
}

// fits reports whether a line that begins with a fixed word is nothing else:
// while an answer is being written, "take two of them…" is for the patient.
func (c *colleague) fits(word, rest string) bool {
	switch word {
	case "take", "show", "hand", "close", "told", "verify", "answer", "note":
		first, _, _ := strings.Cut(rest, " ")
		_, err := strconv.ParseInt(first, 10, 64)
		return err == nil && (rest == first || word != "take" && word != "show" && word != "verify" && word != "note")
	case "add", "rota", "staff", "closure", "reopen", "arrived", "absent":
		return false
	case "save":
		_, why := becauseOf(rest)
		return rest == "" || why && c.form.Draft != nil
	case "oncall":
		return rest == "" || tidy(rest) == "call"
	}
	return rest == ""
}

func (c *colleague) command(ctx context.Context, word, rest string) error {
	switch word {
	case "help":
		return c.help(ctx)
	case "cases":
		return c.listCases(ctx)
	case "today":
		return c.listDay(ctx, 0)
	case "tomorrow":
		return c.listDay(ctx, 1)
	case "forecast":
		return c.showForecast(ctx)
	case "overdue":
		return c.listOverdue(ctx)
	case "absent":
		return c.absentLine(ctx, rest)
	case "untold":
		return c.listNotDone(ctx)
	case "patients":
		return c.listPatients(ctx)
	case "oncall":
		return c.showRota(ctx)
	case "here":
		return c.checkIn(ctx)
	case "staff":
		return c.staffLine(ctx, rest)
	case "rota":
		return c.rotaLine(ctx, rest)
	case "add":
		return c.addPatient(ctx, rest)
	case "closure":
		return c.closureLine(ctx, rest)
	case "reopen":
		return c.reopenLine(ctx, rest)
	case "save":
		return c.saveFor(ctx, rest)
	case "discard":
		return c.discard(ctx)
	case "arrived":
		return c.arrived(ctx, rest)
	}
	return c.aboutCase(ctx, word, rest)
}

// aboutCase is a word about a case by its number: "take 12", "answer 12 words".
func (c *colleague) aboutCase(ctx context.Context, word, rest string) error {
	number, more, _ := strings.Cut(rest, " ")
	id, err := strconv.ParseInt(number, 10, 64)
	if err != nil || id <= 0 {
		return &misread{Example: word, Word: number}
	}
	more = strings.TrimSpace(more)
	switch word {
	case "take":
		return c.take(ctx, id)
	case "show":
		return c.showCase(ctx, id)
	case "note":
		return c.showNote(ctx, id)
	case "verify":
		return c.verify(ctx, id)
	case "answer":
		if more == "" {
			return c.askAnswer(ctx, id)
		}
		return c.draftAnswer(ctx, id, more)
	case "hand":
		return c.hand(ctx, id, more)
	case "told":
		return c.told(ctx, id, triage.Outcome(outcomeOf(more)))
	}
	if more == "" {
		return c.askOutcome(ctx, id)
	}
	return c.close(ctx, id, triage.Outcome(outcomeOf(more)))
}

// outcomeOf is an outcome by its fixed word or what a clinic says for it.
func outcomeOf(word string) string {
	word = strings.ReplaceAll(tidy(word), " ", "_")
	if known, ok := map[string]string{
		"phone": "phoned", "telefono": "phoned", "llamada": "phoned", "contestado": "answered", "vista": "seen", "urgencias": "emergency_care",
		"cita": "booked", "orden": "order_changed", "revisado": "checked", "pasado": "passed_on", "nada": "nothing_to_do", "nothing": "nothing_to_do",
	}[word]; ok {
		return known
	}
	return word
}

// help lists the words, as far as her role may use them.
func (c *colleague) help(ctx context.Context) error {
	parts := []string{c.phrase("staff.help", nil)}
	if c.in.Who.May(triage.EnterFact) == nil {
		parts = append(parts, c.phrase("staff.help_entries", nil))
		for _, k := range []string{"protocol", "period", "baseline", "visit", "book", "places", "scan", "order", "stop", "trigger_order", "trigger", "embryos", "transfer", "hcg", "ultrasound",
			"bloods", "ovulation", "surge", "drawn", "thaw", "conclude", "methotrexate", "handover", "rh", "allergy", "home", "dispensed", "authorised", "antid", "sheet", "expects", "progestin", "cancel", "correct", "undo", "check", "finish", "note", "owner", "absent", "closure", "reopen", "arrived"} {
			parts = append(parts, c.phrase("example."+k, nil))
		}
	}
	if c.in.Who.May(triage.ChangeStaff) == nil {
		parts = append(parts, c.phrase("staff.help_administrator", nil))
	}
	return c.say(ctx, strings.Join(parts, "\n"), [][]outbox.Button{{c.button("button.cases", "list/cases"), c.button("button.today", "list/today")},
		{c.button("button.overdue", "list/overdue"), c.button("button.on_call", "list/oncall")}})
}

// addPatient reads "add P-113 es Maribel Tosk".
func (c *colleague) addPatient(ctx context.Context, rest string) error {
	words := strings.Fields(rest)
	if len(words) < 3 {
		return &misread{Example: "add"}
	}
	inv, err := c.room.Care.AddPatient(ctx, c.tx, c.in.Who, reminders.NewPatient{Handle: words[0], Language: strings.ToLower(words[1]),
		Name: strings.Join(words[2:], " "), Neutral: true})
	if err != nil {
		return err
	}
	return c.about(ctx, inv.Patient, c.phrase("staff.invited", phrase.Args{"who": who(inv.Patient), "code": inv.Code, "until": c.when(inv.Until)}), nil)
}

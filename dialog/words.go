package dialog

import (
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"
)

// command is something the bot does when it is told so in exactly these words.
type command string

const (
	cmdNone     command = ""
	cmdPeriod   command = "period"
	cmdNext     command = "next"
	cmdCalendar command = "calendar"
	cmdPerson   command = "person"
	cmdMenu     command = "menu"
	cmdStop     command = "stop"
	cmdStart    command = "start"
	cmdNeutral  command = "neutral"
	cmdPlain    command = "plain"
	cmdEnglish  command = "english"
	cmdSpanish  command = "spanish"
)

// commands are whole messages, as tidy leaves them. Anything longer is read.
var commands = map[string]command{
	"what is next": cmdNext, "whats next": cmdNext, "next": cmdNext,
	"que sigue": cmdNext, "que toca": cmdNext, "que me toca": cmdNext, "siguiente": cmdNext,
	"my calendar": cmdCalendar, "calendar": cmdCalendar, "mi calendario": cmdCalendar, "calendario": cmdCalendar,
	"i need a person": cmdPerson, "person": cmdPerson, "necesito una persona": cmdPerson, "persona": cmdPerson,
	"help": cmdMenu, "menu": cmdMenu, "ayuda": cmdMenu, "hello": cmdMenu, "hi": cmdMenu, "hola": cmdMenu,
	"stop": cmdStop, "unsubscribe": cmdStop, "alto": cmdStop, "parar": cmdStop, "baja": cmdStop,
	"start": cmdStart, "empezar": cmdStart, "reanudar": cmdStart,
	"neutral wording": cmdNeutral, "avisos neutros": cmdNeutral, "plain wording": cmdPlain, "avisos claros": cmdPlain,
	"english": cmdEnglish, "in english": cmdEnglish, "ingles": cmdEnglish, "en ingles": cmdEnglish,
	"spanish": cmdSpanish, "espanol": cmdSpanish, "en espanol": cmdSpanish,
}

func commandOf(text string) command {
	text = tidy(text)
	text = strings.TrimSpace(strings.TrimPrefix(text, "/"))
	return commands[text]
}

// answers are whole messages that say yes or no.
var answers = map[string]bool{
	"yes": true, "yes it is": true, "yes that is right": true, "yes thats right": true, "right": true, "correct": true, "yep": true, "yeah": true,
	"ok": true, "okay": true, "y": true, "i agree": true, "agree": true, "agreed": true, "yes please": true,
	"si": true, "asi es": true, "si asi es": true, "correcto": true, "claro": true, "de acuerdo": true, "acepto": true, "si acepto": true,
	"si por favor": true, "vale": true, "dale": true,
	"no": false, "nope": false, "n": false, "not right": false, "wrong": false, "no it is not": false, "i do not agree": false, "i dont agree": false,
	"no acepto": false, "no es asi": false, "no esta bien": false, "incorrecto": false,
}

// answerOf reports whether the whole message is a yes or a no, and which.
func answerOf(text string) (yes, known bool) {
	yes, known = answers[tidy(text)]
	return yes, known
}

// later are whole messages that answer "have you taken it?" with not yet.
var later = map[string]bool{
	"no": true, "nope": true, "not yet": true, "no not yet": true, "later": true, "in a bit": true, "in a minute": true, "soon": true,
	"todavia no": true, "no todavia": true, "aun no": true, "no aun": true, "luego": true, "al rato": true, "en un rato": true, "mas tarde": true, "ahorita": true,
}

// whenWords ask for a day or an hour, which the calendar can tell. Any other
// question about a visit is for a human.
var whenWords = []string{"when", "what time", "what day", "which day", "what date", "next", "schedule", "calendar",
	"cuando", "a que hora", "que hora", "que dia", "que fecha", "sigue", "me toca", "proxima", "proximo", "calendario"}

func asksWhen(text string) bool {
	padded := " " + tidy(text) + " "
	return slices.ContainsFunc(whenWords, func(w string) bool { return strings.Contains(padded, " "+w+" ") })
}

// thanks are whole messages that want no answer.
var thanks = map[string]bool{
	"thanks": true, "thank you": true, "thank you so much": true, "thanks a lot": true, "many thanks": true, "ok thanks": true, "ok thank you": true,
	"gracias": true, "muchas gracias": true, "mil gracias": true, "ok gracias": true, "muchisimas gracias": true, "vale gracias": true,
}

// tidy brings a short message into the form of the tables here: lower case, no
// accents, no punctuation, single spaces.
func tidy(text string) string {
	if len(text) > 200 {
		return ""
	}
	plain := bare(strings.NewReplacer("'", "", "’", "").Replace(text))
	return strings.Join(strings.FieldsFunc(plain, func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsPunct(r) && r != '/' || unicode.IsSymbol(r)
	}), " ")
}

// bare is a text in lower case and without accents; "" if it cannot be had.
func bare(text string) string {
	plain, _, err := transform.String(transform.Chain(norm.NFD, runes.Remove(runes.In(unicode.Mn)), norm.NFC), strings.ToLower(text))
	if err != nil {
		return ""
	}
	return plain
}

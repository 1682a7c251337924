package dialog

import (
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

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
	cmdPicture  command = "picture"
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
	"que me toca hoy": cmdNext, "que me toca ahora": cmdNext, "oye que me toca ahora": cmdNext, "que hago ahora": cmdNext, "que hago hoy": cmdNext,
	"what now": cmdNext, "what do i do today": cmdNext, "what do i do now": cmdNext, "whats next for me": cmdNext,
	"my calendar": cmdCalendar, "calendar": cmdCalendar, "mi calendario": cmdCalendar, "calendario": cmdCalendar,
	"picture": cmdPicture, "as a picture": cmdPicture, "my month": cmdPicture, "month": cmdPicture, "imagen": cmdPicture, "como imagen": cmdPicture, "mi mes": cmdPicture, "mes": cmdPicture,
	"i need a person": cmdPerson, "person": cmdPerson, "necesito una persona": cmdPerson, "persona": cmdPerson,
	"help": cmdMenu, "menu": cmdMenu, "ayuda": cmdMenu, "hello": cmdMenu, "hi": cmdMenu, "hola": cmdMenu,
	"good morning": cmdMenu, "morning": cmdMenu, "good afternoon": cmdMenu, "good evening": cmdMenu, "hey": cmdMenu, "hi how are you": cmdMenu,
	"hola buenos dias": cmdMenu, "buenos dias": cmdMenu, "buenas": cmdMenu, "buenas tardes": cmdMenu, "buenas noches": cmdMenu, "hola buenas": cmdMenu,
	"stop": cmdStop, "unsubscribe": cmdStop, "alto": cmdStop, "parar": cmdStop, "baja": cmdStop,
	"start": cmdStart, "empezar": cmdStart, "reanudar": cmdStart,
	"neutral wording": cmdNeutral, "avisos neutros": cmdNeutral, "plain wording": cmdPlain, "avisos claros": cmdPlain,
	"english": cmdEnglish, "in english": cmdEnglish, "ingles": cmdEnglish, "en ingles": cmdEnglish,
	"spanish": cmdSpanish, "espanol": cmdSpanish, "en espanol": cmdSpanish,
}

func commandOf(text string) command {
	text = tidy(text)
	text = strings.TrimSpace(strings.TrimPrefix(text, "/"))
	if c, known := commands[text]; known {
		return c
	}
	words := strings.Fields(text)
	if len(words) <= shortest && (slices.Contains(words, "calendario") || slices.Contains(words, "calendar")) && !slices.ContainsFunc(words, questioning) {
		return cmdCalendar
	}
	return cmdNone
}

// questioning words make more of a sentence than a wish to see something.
func questioning(w string) bool {
	return slices.Contains([]string{"why", "wrong", "change", "changed", "not", "no", "por", "porque", "mal", "cambio", "cambiar", "cambiaron"}, w)
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

// doubtful are words of somebody who is not sure of what she says, or whose dose
// came up again.
var doubtful = []string{"threw it up", "threw up", "threw them up", "vomited", "puked", "came back up", "came up again", "spit it out",
	"la vomite", "lo vomite", "las vomite", "vomite", "la devolvi", "lo devolvi", "la escupi",
	"i think", "not sure", "dont remember", "do not remember", "cant remember", "maybe", "might have", "dont know",
	"creo que", "no me acuerdo", "no recuerdo", "no estoy segura", "tal vez", "quiza", "quizas", "a lo mejor", "no se si"}

func doubts(text string) bool {
	said := " " + tidy(text) + " "
	return slices.ContainsFunc(doubtful, func(w string) bool { return strings.Contains(said, " "+w+" ") })
}

// later are whole messages that answer "have you taken it?" with not yet.
var later = map[string]bool{
	"no": true, "nope": true, "not yet": true, "no not yet": true, "later": true, "in a bit": true, "in a minute": true, "soon": true,
	"todavia no": true, "no todavia": true, "aun no": true, "no aun": true, "luego": true, "al rato": true, "en un rato": true, "mas tarde": true, "ahorita": true,
}

// done and forgotten are whole messages that answer "have you taken it?": the
// words of the buttons, and what people write instead of pressing them.
var (
	done = map[string]bool{
		"taken": true, "done": true, "yes": true, "yep": true, "yeah": true, "yes done": true, "yes taken": true, "took it": true, "i took it": true, "all done": true,
		"just did": true, "i did": true, "yes i did": true,
		"hecho": true, "listo": true, "ya": true, "si": true, "si ya": true, "ya esta": true, "ya lo hice": true, "ya me la tome": true, "ya me la puse": true, "ya me lo puse": true,
	}
	forgotten = map[string]bool{
		"missed": true, "missed it": true, "i missed it": true, "forgot": true, "forgot it": true, "i forgot": true, "i forgot it": true,
		"se me paso": true, "se me olvido": true, "lo olvide": true, "la olvide": true, "me olvide": true, "no la tome": true, "no me la puse": true,
	}
)

// hours are what people ask when they want to know when somebody is there.
var hours = []string{"what time do you open", "what time do u open", "when do you open", "are you open", "opening hours", "office hours",
	"a que hora abren", "que horario", "horario", "cuando abren", "estan abiertos"}

// asksHours reports whether a short message asks when somebody is there.
func asksHours(text string) bool { return has(text, hours) }

// shortest is the most words that a message may have in which one word is taken for
// a command.
const shortest = 6

// has reports whether one of these phrases stands in a short message.
func has(text string, phrases []string) bool {
	padded := " " + tidy(text) + " "
	return strings.Count(padded, " ") <= shortest+4 && slices.ContainsFunc(phrases, func(w string) bool { return strings.Contains(padded, " "+w+" ") })
}

// whenWords ask for a day or an hour, which the calendar can tell. Any other
// question about a visit is for a human.
var whenWords = []string{"when", "what time", "what day", "which day", "what date", "next", "schedule", "calendar",
	"cuando", "a que hora", "que dia", "que fecha", "sigue", "me toca", "proxima", "proximo", "calendario"}

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
	plain := bare(noApostrophes.Replace(text))
	return strings.Join(strings.FieldsFunc(plain, func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsPunct(r) && r != '/' || unicode.IsSymbol(r)
	}), " ")
}

var noApostrophes = strings.NewReplacer("'", "", "’", "")

// bare is a text in lower case and without accents; "" if it cannot be had.
func bare(text string) string {
	lower := strings.ToLower(text)
	if !strings.ContainsFunc(lower, func(r rune) bool { return r >= utf8.RuneSelf }) {
		return lower // as most words of a clinic are
	}
	t := unaccenters.Get().(transform.Transformer)
	defer unaccenters.Put(t)
	plain, _, err := transform.String(t, lower)
	if err != nil {
		return ""
	}
	return plain
}

// unaccenters take accents away. Each has large buffers and serves one at a time.
var unaccenters = sync.Pool{New: func() any { return transform.Chain(norm.NFD, runes.Remove(runes.In(unicode.Mn)), norm.NFC) }}

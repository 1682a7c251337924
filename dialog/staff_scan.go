package dialog

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// trade has the words of an entry, English and Spanish, by the one that the
// reader knows them by. They are the words that a clinic uses; tidy has taken
// away case and accents.
var trade = map[string]string{
	"protocolo": "protocol",
	"regla":     "period", "periodo": "period", "manchado": "spotting", "espera": "expects", "basal": "baseline", "base": "baseline",
	"cita": "visit", "eco": "scan", "ecografia": "scan", "monitoreo": "scan", "orden": "order", "suspender": "stop", "disparo": "trigger",
	"puesto": "given", "embriones": "embryos", "embrion": "embryos", "embryo": "embryos", "transferencia": "transfer", "prueba": "test", "repeticion": "repeat",
	"ultrasonido": "ultrasound", "seguimiento": "followup", "follow-up": "followup", "pico": "surge", "cancelar": "cancel",
	"lista": "check", "quitar": "uncheck", "deshacer": "undo", "corregir": "correct", "codigo": "code", "callar": "hush", "silencio": "hush",
	"levantar": "lift", "terminar": "finish", "siguiente": "next", "ciclo": "cycle", "calendario": "calendar", "datos": "facts",
	"progestageno": "progestin", "progestin": "progestin", "fin": "end",
	"derecha": "right", "der": "right", "izquierda": "left", "izq": "left", "endometrio": "lining", "linea": "lining",
	"intermedio": "intermediate", "homogeneo": "homogeneous",
	"iniciar": "start", "inicia": "start", "repetir": "rescan", "quiste": "cyst", "estradiol": "e2", "progesterona": "p4", "progesterone": "p4",
	"viable": "viable", "no": "not", "incierto": "uncertain",
	"a": "at", "las": "at", "desde": "from", "por": "for", "durante": "for", "hasta": "until", "dias": "days", "dia": "day",
	"dosis": "doses", "dose": "doses", "suspenda": "stopped", "producto": "product", "indica": "by",
	"analisis": "bloods", "blood": "bloods", "sangre": "bloods", "laboratorio": "lab", "laboratory": "lab", "ovulacion": "ovulation", "casera": "home",
	"extraida": "drawn", "extraido": "drawn", "tomada": "drawn", "descongelacion": "thaw", "thawed": "thaw", "descongelados": "thaw",
	"sobrevivieron": "survived", "sobrevivio": "survived", "guardados": "stored", "guardado": "stored",
	"ovulo": "egg", "euploide": "euploid", "favorable": "favourable", "respaldo": "backup", "preguntar": "ask", "edad": "age", "anos": "years",
	"alergia": "allergy", "noche": "night", "negativo": "negative", "positivo": "positive", "hoja": "sheet", "nota": "note", "porque": "because",
	"reservar": "book", "lugares": "places",
	"hoy": "today", "ayer": "yesterday", "manana": "tomorrow", "y": "and",
}

// misread says which word of an entry was not understood, and which example to
// show.
type misread struct {
	Example string // key in the phrasebook, after "example."
	Word    string // "" when something is missing at the end
}

func (e *misread) Error() string { return "an entry for " + e.Example + " was not understood" }

// scanner reads an entry word by word.
type scanner struct {
	raw     []string
	at      int
	today   civil.Date
	now     time.Time
	zone    *time.Location
	example string
}

// mostWords bounds an entry; nobody types a longer line by hand.
const mostWords = 120

func newScanner(text string, now time.Time) *scanner {
	words := strings.Fields(strings.NewReplacer(";", " ", "\n", " ").Replace(text))
	if len(words) > mostWords {
		words = words[:mostWords]
	}
	return &scanner{raw: words, today: civil.DateOf(now), now: now, zone: now.Location()}
}

func (s *scanner) done() bool { return s.at >= len(s.raw) }

// word is the next word as the reader knows it, "" at the end.
func (s *scanner) word() string { return s.wordAt(s.at) }

func (s *scanner) wordAt(i int) string {
	if i >= len(s.raw) {
		return ""
	}
	w := tidyWord(s.raw[i])
	if known, ok := trade[w]; ok {
		return known
	}
	if known, ok := pathTrade[w]; ok {
		return known
	}
	if known, ok := supplyTrade[w]; ok {
		return known
	}
	return w
}

func tidyWord(w string) string {
	w = strings.Trim(w, ",.:")
	if t := tidy(w); t != "" && !strings.Contains(t, " ") {
		return t
	}
	return strings.ToLower(w)
}

// take goes past the next word if it is one of these, and reports which.
func (s *scanner) take(any ...string) string {
	w := s.word()
	if w == "" || !slices.Contains(any, w) {
		return ""
	}
	s.at++
	return w
}

// fail is the misreading of the next word.
func (s *scanner) fail() error {
	word := ""
	if !s.done() {
		word = s.raw[s.at]
	}
	return &misread{Example: s.example, Word: word}
}

// end fails when something is left.
func (s *scanner) end() error {
	if s.done() {
		return nil
	}
	return s.fail()
}

// date reads a day; where there is none it is today and false.
func (s *scanner) date() (civil.Date, bool) {
	if d, ok := s.dateAt(s.at); ok {
		s.at++
		return d, true
	}
	return s.today, false
}

func (s *scanner) dateAt(i int) (civil.Date, bool) {
	switch s.wordAt(i) {
	case "today":
		return s.today, true
	case "yesterday":
		return s.today.AddDays(-1), true
	case "tomorrow":
		return s.today.AddDays(1), true
	}
	if i >= len(s.raw) {
		return civil.Date{}, false
	}
	d, err := civil.ParseDate(strings.Trim(s.raw[i], ",."))
	return d, err == nil && d.Year >= 1900 && d.Year < 2200
}

var clockForm = regexp.MustCompile(`^([01]?\d|2[0-3]):([0-5]\d)$`)

// clock reads a time of day on the 24-hour clock.
func (s *scanner) clock() (civil.TimeOfDay, bool) {
	s.take("at")
	s.take("at") // "a las"
	if s.done() {
		return 0, false
	}
	w := strings.Trim(s.raw[s.at], ",.h")
	if !clockForm.MatchString(w) {
		return 0, false
	}
	if len(w) == len("8:00") {
		w = "0" + w
	}
	t, err := civil.ParseTimeOfDay(w)
	if err != nil {
		return 0, false
	}
	s.at++
	return t, true
}

// minute reads a day and a time of day; the time must be there.
func (s *scanner) minute() (time.Time, error) {
	d, _ := s.date()
	t, ok := s.clock()
	if !ok {
		return time.Time{}, s.fail()
	}
	return d.At(t, s.zone), nil
}

var numberForm = regexp.MustCompile(`^\d{1,7}([.,]\d{1,3})?$`)

// number reads a plain number, with a decimal point or comma, perhaps with its
// unit glued on.
func (s *scanner) number(units ...string) (float64, bool) {
	if s.done() {
		return 0, false
	}
	w := strings.ToLower(strings.TrimRight(s.raw[s.at], ",;"))
	for _, u := range units {
		w = strings.TrimSuffix(w, u)
	}
	if !numberForm.MatchString(w) {
		return 0, false
	}
	n, err := strconv.ParseFloat(strings.Replace(w, ",", ".", 1), 64)
	if err != nil {
		return 0, false
	}
	s.at++
	s.take(units...)
	return n, true
}

// count reads a whole number.
func (s *scanner) count() (int, bool) {
	at := s.at
	n, ok := s.number()
	if !ok || n != float64(int(n)) {
		s.at = at
		return 0, false
	}
	return int(n), true
}

// millimetres reads a run of diameters.
func (s *scanner) millimetres() ([]float64, error) {
	all := []float64{}
	for {
		s.take("and")
		n, ok := s.length()
		if !ok {
			break
		}
		all = append(all, n)
	}
	if len(all) == 0 && s.take("none", "not", "ninguno", "0") == "" {
		return nil, s.fail()
	}
	return all, nil
}

// text reads all that is left, as it was written.
func (s *scanner) text() string {
	from := s.at
	s.at = len(s.raw)
	return strings.Join(s.raw[from:], " ")
}

// textTo reads free words up to where the next part of an order begins.
func (s *scanner) textTo() string {
	from := s.at
	for !s.done() && !s.partBegins() {
		s.at++
	}
	return strings.Join(s.raw[from:s.at], " ")
}

// partBegins reports whether a part of an order begins here. Its word alone is
// not enough: "solution for injection" is the name of a product.
func (s *scanner) partBegins() bool {
	next := s.at + 1
	switch s.word() {
	case "product", "by":
		return true
	case "at":
		return s.wordAt(next) == "at" || next < len(s.raw) && clockForm.MatchString(strings.Trim(s.raw[next], ",.h"))
	case "from":
		_, day := s.dateAt(next)
		return day
	case "for":
		return next < len(s.raw) && numberForm.MatchString(s.raw[next])
	case "until":
		return true
	}
	return false
}

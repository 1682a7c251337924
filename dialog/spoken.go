package dialog

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// spoken is the time of day, and what there is of a day, in a short answer to a
// question of ours: what she repeats of an instruction, or at which minute she
// gave an injection. It is matched against what the question was about, so it
// never has to guess which Friday is meant.
type spoken struct {
	clock civil.TimeOfDay
	timed bool
	// half: the words leave open which half of the day is meant.
	half bool
	// days are what the words say of the day; each must hold.
	days []func(d, today civil.Date) bool
}

// on reports whether what was said of the day fits d; nothing said fits any day.
func (s spoken) on(d, today civil.Date) bool {
	for _, fits := range s.days {
		if !fits(d, today) {
			return false
		}
	}
	return true
}

// clocks are the times of day that the words can mean.
func (s spoken) clocks() []civil.TimeOfDay {
	switch {
	case !s.timed:
		return nil
	case s.half:
		return []civil.TimeOfDay{s.clock, (s.clock + 12*60) % (24 * 60)}
	}
	return []civil.TimeOfDay{s.clock}
}

var (
	longNumber = regexp.MustCompile(`\d{3,}`)
	halfPast   = regexp.MustCompile(`\b(half|quarter) past (\d{1,2})\b`)
	yMedia     = regexp.MustCompile(`\b(\d{1,2}) y (media|cuarto)\b`)
	// timeForm: the hour, its minutes, what marks it as a time, the part of the day.
	timeForm = regexp.MustCompile(`(\bat |\blas |\bla |\baround |\babout )?\b(\d{1,2})(?:\s?[:.h]\s?(\d{2}))?` +
		`(?:\s?(a\.?\s?m\b|p\.?\s?m\b|hrs\b|hs\b|h\b|o'?clock\b))?\.?` +
		`(?:\s(?:(?:in|at|de|por|en)\s)?(?:(?:the|la)\s)?(morning|afternoon|evening|night|manana|madrugada|tarde|noche)\b)?`)
	evening = regexp.MustCompile(`\b(tonight|evening|night|noche|anoche|afternoon|tarde)\b`)
)

// hourWords are hours written out; none of them is longer than one word.
var hourWords = map[string]string{
	"one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6", "seven": "7", "eight": "8", "nine": "9", "ten": "10", "eleven": "11", "twelve": "12",
	"una": "1", "dos": "2", "tres": "3", "cuatro": "4", "cinco": "5", "seis": "6", "siete": "7", "ocho": "8", "nueve": "9", "diez": "10", "once": "11", "doce": "12",
	"noon": "12:00 pm", "mediodia": "12:00 pm", "midnight": "0:00", "medianoche": "0:00",
}

var wordForm = regexp.MustCompile(`[a-z]+`)

// longestSpoken is the longest answer that is read for a time; a longer one is a
// message like any other. Common practice, no source.
const longestSpoken = 200

// spokenIn reads a short answer. Two times of day in it are none: she may be
// asking, or correcting herself.
func spokenIn(text string) spoken {
	if len(text) > longestSpoken {
		return spoken{}
	}
	t := wordForm.ReplaceAllStringFunc(longNumber.ReplaceAllString(bare(text), "-"), func(w string) string {
		if digits, ok := hourWords[w]; ok {
			return digits
		}
		return w
	})
	t = halfPast.ReplaceAllStringFunc(t, func(m string) string {
		f := strings.Fields(m)
		return "at " + f[2] + map[string]string{"half": ":30", "quarter": ":15"}[f[0]]
	})
	t = yMedia.ReplaceAllStringFunc(t, func(m string) string {
		f := strings.Fields(m)
		return f[0] + map[string]string{"media": ":30", "cuarto": ":15"}[f[2]]
	})
	var s spoken
	rest := timeForm.ReplaceAllStringFunc(t, func(m string) string {
		clock, half, ok := clockIn(timeForm.FindStringSubmatch(m))
		switch {
		case !ok:
			return m
		case s.timed && clock != s.clock:
			s.timed, s.clock = false, -1
			return " "
		case s.clock >= 0:
			s.clock, s.half, s.timed = clock, half, true
		}
		return " "
	})
	if s.half && evening.MatchString(t) && s.clock >= 5*60 && s.clock < 12*60 {
		s.clock, s.half = s.clock+12*60, false
	}
	s.days = daysIn(rest)
	return s
}

// clockIn makes a time of day of the parts of timeForm; a bare number is none.
func clockIn(part []string) (t civil.TimeOfDay, half, ok bool) {
	led, mark, of := part[1] != "", part[4], part[5]
	hour, _ := strconv.Atoi(part[2])
	minute, _ := strconv.Atoi(part[3])
	if !led && part[3] == "" && mark == "" && of == "" || hour > 24 || minute > 59 {
		return 0, false, false
	}
	switch {
	case strings.HasPrefix(mark, "a"), of == "morning", of == "manana", of == "madrugada":
		hour %= 12
	case strings.HasPrefix(mark, "p"), of != "" && hour < 12 && hour > 0:
		hour = hour%12 + 12
	case of == "":
		half = hour >= 1 && hour <= 12 && part[2][0] != '0' && !strings.HasPrefix(mark, "h")
	}
	return civil.TimeOfDay(hour%24*60 + minute), half, true
}

var weekdayWords = map[string]time.Weekday{
	"monday": 1, "mon": 1, "lunes": 1, "tuesday": 2, "tue": 2, "tues": 2, "martes": 2, "wednesday": 3, "wed": 3, "miercoles": 3,
	"thursday": 4, "thu": 4, "thur": 4, "thurs": 4, "jueves": 4, "friday": 5, "fri": 5, "viernes": 5, "saturday": 6, "sat": 6, "sabado": 6,
	"sunday": 0, "sun": 0, "domingo": 0,
}

// nearDays are days told from today.
var nearDays = []struct {
	form *regexp.Regexp
	off  int
}{
	{regexp.MustCompile(`\b(day after tomorrow|pasado manana)\b`), 2},
	{regexp.MustCompile(`\b(tomorrow|manana)\b`), 1},
	{regexp.MustCompile(`\b(yesterday|last night|ayer|anoche)\b`), -1},
	{regexp.MustCompile(`\b(today|tonight|this evening|hoy|esta noche|esta tarde)\b`), 0},
}

var (
	slashed = regexp.MustCompile(`\b(\d{1,2})/(\d{1,2})\b`)
	// ofMonth is a day of the month: "the 13th", "13 de marzo", "march 13", "el 13".
	ofMonth = regexp.MustCompile(`\b(\d{1,2})(?:st|nd|rd|th)?\b`)
)

// daysIn is what a text, from which the time of day was taken out, says of the day.
func daysIn(t string) []func(d, today civil.Date) bool {
	var days []func(d, today civil.Date) bool
	for _, w := range wordForm.FindAllString(t, -1) {
		if wd, ok := weekdayWords[w]; ok {
			days = append(days, func(d, _ civil.Date) bool { return d.Weekday() == wd })
		}
	}
	for _, n := range nearDays {
		if n.form.MatchString(t) {
			days = append(days, func(d, today civil.Date) bool { return d == today.AddDays(n.off) })
			break
		}
	}
	if m := slashed.FindStringSubmatch(t); m != nil {
		a, _ := strconv.Atoi(m[1])
		b, _ := strconv.Atoi(m[2])
		return append(days, func(d, _ civil.Date) bool {
			return int(d.Month) == a && d.Day == b || int(d.Month) == b && d.Day == a
		})
	}
	if m := ofMonth.FindAllStringSubmatch(t, 2); len(m) == 1 {
		n, _ := strconv.Atoi(m[0][1])
		days = append(days, func(d, _ civil.Date) bool { return d.Day == n })
	}
	return days
}

package phrase

import (
	"fmt"
	"time"
)

var weekdays = map[string][7]string{
	"en": {"Sunday", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday"},
	"es": {"domingo", "lunes", "martes", "miércoles", "jueves", "viernes", "sábado"},
}

var months = map[string][12]string{
	"en": {"January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"},
	"es": {"enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre", "octubre", "noviembre", "diciembre"},
}

// Day says a calendar day in words, with its day of the week, since that is what
// a wrong date is noticed by: "Monday, March 2", "lunes 2 de marzo".
func Day(lang string, year int, month time.Month, day int) string {
	weekday := time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Weekday()
	if lang == "es" {
		return fmt.Sprintf("%s %d de %s", weekdays["es"][weekday], day, months["es"][month-1])
	}
	return fmt.Sprintf("%s, %s %d", weekdays["en"][weekday], months["en"][month-1], day)
}

// ShortWeekday is the day of the week in three or so letters: "Mon", "lun".
func ShortWeekday(lang string, d time.Weekday) string {
	if lang == "es" {
		return string([]rune(weekdays["es"][d])[:3])
	}
	return weekdays["en"][d][:3]
}

// Clock says a time of day on the 12-hour clock with its half of the day, so that
// nobody has to translate the minute of a trigger: "9:30 pm", "9:30 p. m.".
func Clock(lang string, hour, minute int) string {
	half := "am"
	if hour >= 12 {
		half = "pm"
	}
	if lang == "es" {
		half = map[string]string{"am": "a. m.", "pm": "p. m."}[half]
	}
	return fmt.Sprintf("%d:%02d %s", (hour+11)%12+1, minute, half)
}

// ShortDay is a day where there is little room: "Mon, Mar 2", "lun 2 mar".
func ShortDay(lang string, year int, month time.Month, day int) string {
	weekday := ShortWeekday(lang, time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Weekday())
	if lang == "es" {
		return fmt.Sprintf("%s %s", weekday, ShortDate(lang, month, day))
	}
	return fmt.Sprintf("%s, %s", weekday, ShortDate(lang, month, day))
}

// ShortDate is a day without its weekday: "Mar 2", "2 mar".
func ShortDate(lang string, month time.Month, day int) string {
	if lang == "es" {
		return fmt.Sprintf("%d %s", day, months["es"][month-1][:3])
	}
	return fmt.Sprintf("%s %d", months["en"][month-1][:3], day)
}

// Month is the name of a month: "March", "marzo".
func Month(lang string, month time.Month) string { return months[lang][month-1] }

package exchange

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Cell is one field of a worklist. The zero Cell is empty.
type Cell struct{ written string }

// Text is a cell that stays text, whatever somebody has put into it.
func Text(s string) Cell { return Cell{guarded(tidy(s))} }

// Number is a cell that a spreadsheet reckons with.
func Number(n int) Cell { return Cell{strconv.Itoa(n)} }

// Measure is a cell that a spreadsheet reckons with, with a point as the decimal mark.
func Measure(v float64) Cell { return Cell{number(v).String()} }

// Table is a worklist: names of columns, and rows of as many cells.
type Table struct {
	Head []string
	Rows [][]Cell
}

// CSV writes a table as RFC 4180 has it: fields between commas, lines that end in CR
// LF, quotes where they are needed, the names of the columns first; in UTF-8.
func CSV(t Table) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	record := make([]string, len(t.Head))
	for i, h := range t.Head {
		record[i] = Text(h).written
	}
	// Errors stay with the writer until the end.
	_ = w.Write(record)
	for _, row := range t.Rows {
		record = record[:0]
		for _, c := range row {
			record = append(record, c.written)
		}
		_ = w.Write(record)
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

// formula are the characters by which a spreadsheet takes a field for a formula: those
// that OWASP's page on CSV injection and its Application Security Verification Standard
// (5.0, 1.2.10) name, with their full-width forms. Both ask for an apostrophe before
// them.
const formula = "=+-@\t\r\n\x00＝＋－＠"

// guarded puts an apostrophe before what could be taken for a formula, also behind
// blanks that a spreadsheet drops; and before an apostrophe, so that Plain gets every
// text back as it was.
func guarded(s string) string {
	first, _ := utf8.DecodeRuneInString(s)
	visible := strings.TrimLeftFunc(s, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || unicode.Is(unicode.Cf, r) })
	begins, _ := utf8.DecodeRuneInString(visible)
	if s != "" && (first == '\'' || strings.ContainsRune(formula, first) || visible != "" && strings.ContainsRune(formula, begins)) {
		return "'" + s
	}
	return s
}

// Plain is a text cell without its guard.
func Plain(cell string) string { return strings.TrimPrefix(cell, "'") }

// tidy makes a text fit for a field: sound UTF-8, one form of line break, and no NUL,
// which ends a field for some programs.
func tidy(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	return strings.NewReplacer("\r\n", "\n", "\r", "\n", "\x00", "\uFFFD").Replace(s)
}

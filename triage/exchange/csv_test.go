package exchange_test

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"
	"unicode/utf8"

	"handrail.example/triage/exchange"
)

// hostile are texts that a spreadsheet could take for a formula. The first ones are the
// examples of OWASP's page on CSV injection.
var hostile = []string{"=1+2\";=1+2", "=1+2'\" ;,=1+2", "=HYPERLINK(\"https://example.org\")", "+1-555-0100", "-2+3", "@SUM(1+9)", "\t=1+1", "\r=1+1", "\n=1+1", "  =1+1",
	"\u00a0=1", "\ufeff=1", "＝1+1", "＋1", "－1", "＠x", "\u200b=1", "'=1"}

func TestFormulasStayText(t *testing.T) {
	t.Parallel()
	for _, s := range hostile {
		cells := read(t, exchange.Table{Head: []string{"a", "b"}, Rows: [][]exchange.Cell{{exchange.Text(s), exchange.Number(-3)}}})[1]
		if !strings.HasPrefix(cells[0], "'") {
			t.Errorf("%q is a formula: %q", s, cells[0])
		}
		if cells[1] != "-3" {
			t.Errorf("a number is no number any more: %q", cells[1])
		}
	}
	for _, s := range []string{"", "P-105", "Citlali Vern", "a=b", "2026-03-11", "07:20", "½", "O'Hara"} {
		if got := read(t, exchange.Table{Head: []string{"a", "b"}, Rows: [][]exchange.Cell{{exchange.Text(s), exchange.Text("x")}}})[1][0]; got != s {
			t.Errorf("%q was changed to %q", s, got)
		}
	}
}

// The form of RFC 4180, section 2: CR LF after every record, a header, quotes around a
// field with a comma, a quote or a line break, a quote doubled.
func TestCSVAsRFC4180(t *testing.T) {
	t.Parallel()
	b, err := exchange.CSV(exchange.Table{Head: []string{"aaa", "b,b"}, Rows: [][]exchange.Cell{{exchange.Text(`a"a`), exchange.Text("b\nb")}, {exchange.Number(1), {}}}})
	if err != nil {
		t.Fatal(err)
	}
	if want := "aaa,\"b,b\"\r\n\"a\"\"a\",\"b\r\nb\"\r\n1,\r\n"; string(b) != want {
		t.Errorf("got %q, want %q", b, want)
	}
}

func read(t *testing.T, table exchange.Table) [][]string {
	t.Helper()
	b, err := exchange.CSV(table)
	if err != nil {
		t.Fatal(err)
	}
	all, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatalf("%v in %q", err, b)
	}
	return all
}

// Whatever somebody is called comes back as it was, and is never a formula.
func FuzzCSV(f *testing.F) {
	for _, s := range hostile {
		f.Add(s, "x")
	}
	f.Fuzz(func(t *testing.T, one, other string) {
		all := read(t, exchange.Table{Head: []string{"one", "other", "n"}, Rows: [][]exchange.Cell{{exchange.Text(one), exchange.Text(other), exchange.Number(7)}}})
		if len(all) != 2 || len(all[1]) != 3 || all[1][2] != "7" {
			t.Fatalf("%q and %q became %q", one, other, all)
		}
		for i, s := range []string{one, other} {
			got := all[1][i]
			if got != "" && strings.ContainsAny(got[:1], "=+-@\t\r\n\x00") {
				t.Errorf("%q became %q", s, got)
			}
			if strings.Contains(s, "\r") || strings.Contains(s, "\x00") || !utf8.ValidString(s) {
				continue
			}
			if exchange.Plain(got) != s {
				t.Errorf("%q came back as %q", s, exchange.Plain(got))
			}
		}
	})
}

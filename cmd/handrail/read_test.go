package main

import (
	"bytes"
	"encoding/json"
	"io"
	"strings"
	"testing"
)

func readLines(t *testing.T, stdin string, args ...string) []map[string]any {
	t.Helper()
	var out, errs bytes.Buffer
	err := run(t.Context(), append([]string{"read"}, args...), func(string) string { return "" }, strings.NewReader(stdin), &out, &errs)
	if err != nil {
		t.Fatalf("read: %v %s", err, &errs)
	}
	var got []map[string]any
	for line := range strings.Lines(out.String()) {
		var m map[string]any
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		got = append(got, m)
	}
	return got
}

func TestReadAnswersInOrder(t *testing.T) {
	t.Parallel()
	got := readLines(t, `{"id":"a","text":"my period started yesterday","sent":"2026-03-10T08:15","phase":"before_cycle"}
{"id":7,"text":"I am soaking a pad an hour","sent":"2026-03-10T08:15","phase":"after_transfer"}

gracias
{"id":"d","text":"","sent":"2026-03-10T08:15"}`)
	if len(got) != 4 {
		t.Fatalf("got %d answers, want 4: %v", len(got), got)
	}
	first := got[0]
	if first["id"] != "a" || first["intent"] != "period_start" || first["date"] != "2026-03-09" || first["urgency"] != "none" {
		t.Errorf("period: got %v", first)
	}
	if got[1]["id"] != 7.0 || got[1]["urgency"] != "emergency" || got[1]["page_now"] != true || got[1]["date"] != nil {
		t.Errorf("soaking: got %v", got[1])
	}
	if got[2]["intent"] != "thanks_or_smalltalk" || got[2]["drug"] != nil {
		t.Errorf("plain line: got %v", got[2])
	}
	if got[3]["intent"] != "unclear" || got[3]["urgency"] == "none" {
		t.Errorf("empty text: got %v, want a human", got[3])
	}
	for _, key := range []string{"also", "findings", "rules", "spans"} {
		if _, ok := first[key].([]any); !ok {
			t.Errorf("%s is %v, want a list", key, first[key])
		}
	}
}

func TestReadRefuses(t *testing.T) {
	t.Parallel()
	cases := []struct{ name, stdin, want string }{
		{"bad time", `{"text":"hi","sent":"yesterday"}`, "line 1: sent \"yesterday\" is no time"},
		{"bad phase", `{"text":"hi","phase":"later"}`, "line 1: \"later\" is no phase"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			err := run(t.Context(), []string{"read"}, func(string) string { return "" }, strings.NewReader(c.stdin), io.Discard, io.Discard)
			if err == nil || !strings.Contains(err.Error(), c.want) || exitCode(err, io.Discard) != 2 {
				t.Errorf("got %v, want %s and exit code 2", err, c.want)
			}
		})
	}
}

// An answer comes before the next message is asked for.
func TestReadStreams(t *testing.T) {
	t.Parallel()
	in, send := io.Pipe()
	receive, out := io.Pipe()
	done := make(chan error, 1)
	go func() {
		done <- run(t.Context(), []string{"read"}, func(string) string { return "" }, in, out, io.Discard)
		out.Close()
	}()
	answers := json.NewDecoder(receive)
	for _, text := range []string{"thank you", "tengo fiebre de 39"} {
		if _, err := io.WriteString(send, text+"\n"); err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		if err := answers.Decode(&m); err != nil {
			t.Fatal(err)
		}
	}
	send.Close()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"handrail.example/reminders/plan"
)

// Whatever stands in a configuration, its faults are named or it is taken, and no
// secret is repeated.
func FuzzConfig(f *testing.F) {
	f.Add("database: /tmp/x.sqlite\ntelegram: {mode: polling}\n", "1:a", "key")
	f.Add("database: [\n", "", "")
	f.Add("watch: {listen: 0.0.0.0:1}\ndesk: {listen: x, url: y}\ntelegram: {mode: webhook, webhook: {url: z}}", "1:abc", "zz")
	f.Fuzz(func(t *testing.T, text, token, key string) {
		env := map[string]string{envToken: token, envKey: key}
		_, _, err := parseConfig([]byte(text), func(name string) string { return env[name] })
		if err == nil {
			return
		}
		for _, s := range []string{token, key} {
			if len(s) > 8 && !strings.Contains(text, s) && strings.Contains(err.Error(), s) {
				t.Errorf("a secret stands in %q", err)
			}
		}
	})
}

// Whatever a line says, it is answered by one line of JSON whose spans lie within
// the text, or refused.
func FuzzReadLine(f *testing.F) {
	f.Add([]byte(`{"id":7,"text":"I fainted","sent":"2026-03-10T08:15","phase":"after_transfer","medications":["letrozole"]}`))
	f.Add([]byte(`my period started this morning`))
	f.Add([]byte(`{"id":{"a":[1]},"text":"\ud800"}`))
	f.Add([]byte(`{"text":7}`))
	f.Add([]byte("\xff{"))
	policy := plan.DefaultPolicy()
	now := func() time.Time { return time.Date(2026, 3, 10, 8, 15, 0, 0, time.UTC) }
	f.Fuzz(func(t *testing.T, line []byte) {
		var b bytes.Buffer
		out := bufio.NewWriter(&b)
		if err := readLine(out, line, 1, policy, now); err != nil {
			return
		}
		if err := out.Flush(); err != nil {
			t.Fatal(err)
		}
		var said readOut
		if err := json.Unmarshal(b.Bytes(), &said); err != nil || bytes.Count(b.Bytes(), []byte("\n")) != 1 {
			t.Fatalf("%q is answered by %q: %v", line, b.Bytes(), err)
		}
		msg, err := parseLine(line, 1)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range said.Spans {
			if s.From < 0 || s.To > len(msg.Text) || s.From >= s.To {
				t.Errorf("a span %d to %d in %d bytes", s.From, s.To, len(msg.Text))
			} else if utf8.ValidString(msg.Text) && !utf8.ValidString(msg.Text[s.From:s.To]) {
				t.Errorf("a span cuts a letter in %q", msg.Text)
			}
		}
	})
}

// fuzzed names, for each way into the program, the targets that try it; a command
// that reads nothing but its arguments has none.
var fuzzed = map[string]string{
	"updates, polled":    "FuzzDecode",
	"updates, delivered": "FuzzWebhook FuzzDecode",
	"a patient's words":  "FuzzParse FuzzStep FuzzSpoken",
	"a stranger's code":  "FuzzTidyCode",
	"a pressed button":   "FuzzPress",
	"staff in chat":      "FuzzStaffChat FuzzReadEntry",
	"the desk's pages":   "FuzzDesk",
	"sealed blobs":       "FuzzOpen",
	"the master key":     "FuzzParseMasterKey",
	"schedules":          "FuzzSchedule",
	"the demo's server":  "FuzzCall",

	"demo": "FuzzCall", "serve": "FuzzConfig", "rehearse": "", "staff": "FuzzConfig", "key": "", "plan": "FuzzParseFacts FuzzParsePolicy",
	"chart": "FuzzParseFacts FuzzReckon FuzzDraw", "protocols": "FuzzParseProtocol FuzzParsePolicy", "read": "FuzzReadLine", "policy": "", "unit": "",
	"check": "FuzzConfig FuzzParsePolicy", "audit": "FuzzConfig FuzzParseDate", "export": "FuzzConfig", "import": "FuzzRead", "backup": "FuzzConfig", "restore": "FuzzConfig", "verify": "FuzzConfig", "erase": "FuzzConfig", "records": "FuzzConfig",
}

// TestEveryWayInIsFuzzed walks the commands and the targets: a new command needs
// its row, and a target that is gone is missed.
func TestEveryWayInIsFuzzed(t *testing.T) {
	t.Parallel()
	for _, c := range commands {
		if _, known := fuzzed[c.name]; !known {
			t.Errorf("the command %s has no row: which fuzz target tries what it reads?", c.name)
		}
	}
	there := fuzzTargets(t)
	for way, targets := range fuzzed {
		for _, name := range strings.Fields(targets) {
			if !there[name] {
				t.Errorf("%s: there is no %s", way, name)
			}
		}
	}
}

// fuzzTargets are the names of all fuzz targets of the repository.
func fuzzTargets(t *testing.T) map[string]bool {
	t.Helper()
	all := make(map[string]bool)
	if err := fs.WalkDir(os.DirFS(root), ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(p, "_test.go") || strings.Contains(p, "node_modules") {
			return err
		}
		tree, err := parser.ParseFile(token.NewFileSet(), filepath.Join(root, filepath.FromSlash(p)), nil, 0)
		if err != nil {
			return err
		}
		for _, d := range tree.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && strings.HasPrefix(fn.Name.Name, "Fuzz") {
				all[fn.Name.Name] = true
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return all
}

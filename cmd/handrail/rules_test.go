package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// These tests keep the rules that hold for the whole repository. Each has a test
// of its own below that shows it can fail.

const module = "handrail.example/"

// arrows says which of our packages each may import outside its tests. All else is
// forbidden, a package without a row too, and a row that is not needed.
var arrows = map[string]string{
	"reminders/civil": "",
	"reminders/clock": "",
	"dialog/phrase":   "",
	"triage/rules":    "",
	"bot/loopback":    "",

	"reminders/plan":            "reminders/civil",
	"reminders/picture":         "",
	"reminders/reckon":          "reminders/civil reminders/plan",
	"reminders/room":            "reminders/civil reminders/plan",
	"reminders/forecast":        "reminders/civil reminders/plan reminders/reckon",
	"dialog/reading":            "reminders/civil triage/rules",
	"reminders/store":           "reminders/clock",
	"reminders/store/storetest": "reminders/clock reminders/store",
	"reminders/wake":            "reminders/clock reminders/store",
	"reminders/seal":            "reminders/store",
	"reminders/backup":          "reminders/store",
	"reminders/outbox":          "reminders/clock reminders/seal reminders/store",

	"reminders": "reminders/civil reminders/outbox reminders/plan reminders/room reminders/seal reminders/store",
	"triage":    "dialog/phrase reminders reminders/civil reminders/outbox reminders/seal reminders/store triage/rules",
	"triage/care": "dialog/phrase reminders reminders/civil reminders/forecast reminders/outbox reminders/picture reminders/plan reminders/reckon reminders/room reminders/seal reminders/store " +
		"triage triage/exchange triage/rules",
	"triage/exchange": "reminders/civil reminders/plan",
	"triage/desk":     "dialog/phrase reminders reminders/civil reminders/forecast reminders/picture reminders/plan reminders/room reminders/seal reminders/store triage triage/care triage/exchange triage/rules",
	"dialog": "dialog/phrase dialog/reading reminders reminders/civil reminders/clock reminders/outbox reminders/picture reminders/plan reminders/reckon reminders/room reminders/seal reminders/store " +
		"triage triage/care triage/rules",
	"bot":          "dialog reminders/clock reminders/outbox",
	"cmd/handrail": "*",

	"cmd/handrail/audit":     "", // nothing that it audits
	"cmd/handrail/records":   "reminders/seal reminders/store",
	"cmd/handrail/rehearsal": "cmd/handrail/audit",
	"cmd/handrail/vigil":     "reminders/clock reminders/outbox",
}

func TestArrows(t *testing.T) {
	t.Parallel()
	for _, fault := range arrowFaults(arrows, ourImports(t)) {
		t.Error(fault)
	}
}

// imports lists every package of ours with those of ours that it imports.
func ourImports(t *testing.T) map[string][]string {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", module+"...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	all := make(map[string][]string)
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		name := strings.TrimPrefix(p.ImportPath, module)
		all[name] = nil
		for _, i := range p.Imports {
			if ours, found := strings.CutPrefix(i, module); found {
				all[name] = append(all[name], ours)
			}
		}
	}
}

func arrowFaults(arrows map[string]string, imports map[string][]string) []string {
	var faults []string
	for name, got := range imports {
		row, known := arrows[name]
		if !known {
			faults = append(faults, fmt.Sprintf("%s has no row in the table of arrows", name))
			continue
		}
		allowed := strings.Fields(row)
		for _, i := range got {
			if row != "*" && !slices.Contains(allowed, i) {
				faults = append(faults, fmt.Sprintf("%s imports %s", name, i))
			}
		}
		for _, a := range allowed {
			if row != "*" && !slices.Contains(got, a) {
				faults = append(faults, fmt.Sprintf("%s may import %s but does not", name, a))
			}
		}
	}
	for name := range arrows {
		if _, exists := imports[name]; !exists {
			faults = append(faults, fmt.Sprintf("%s stands in the table of arrows but is no package", name))
		}
	}
	slices.Sort(faults)
	return faults
}

func TestArrowsCanFail(t *testing.T) {
	t.Parallel()
	table := map[string]string{"a": "b", "b": "", "gone": "", "all": "*"}
	tree := map[string][]string{"a": {"c"}, "b": nil, "c": nil, "all": {"a", "b"}}
	want := []string{"a imports c", "a may import b but does not", "c has no row in the table of arrows", "gone stands in the table of arrows but is no package"}
	if got := arrowFaults(table, tree); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// goFile is a parsed Go file of ours that is no test.
type goFile struct {
	dir  string // from the root, with slashes
	name string
	set  *token.FileSet
	tree *ast.File
}

const root = "../.."

func goFiles(t *testing.T) []goFile {
	t.Helper()
	var all []goFile
	if err := fs.WalkDir(os.DirFS(root), ".", func(p string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && p != "." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata" || d.Name() == "node_modules"):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(p, ".go") || strings.HasSuffix(p, "_test.go"):
			return nil
		}
		src, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(p)))
		if err != nil {
			return err
		}
		all = append(all, parseGo(t, p, string(src)))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if len(all) < 20 {
		t.Fatalf("only %d files found", len(all))
	}
	return all
}

func parseGo(t *testing.T, name, src string) goFile {
	t.Helper()
	set := token.NewFileSet()
	tree, err := parser.ParseFile(set, name, src, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	return goFile{path.Dir(name), name, set, tree}
}

// literals calls f with every string literal of a file and where it stands. Those
// that are added up count as one.
func (f goFile) literals(each func(at token.Position, text string)) {
	ast.Inspect(f.tree, func(n ast.Node) bool {
		e, ok := n.(ast.Expr)
		if !ok {
			return true
		}
		text, found := constant(e)
		if found {
			each(f.set.Position(n.Pos()), text)
		}
		return !found
	})
}

// constant is the text of a literal or of a sum with literals in it; what is no
// literal counts as a gap.
func constant(e ast.Expr) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		if e.Kind == token.STRING {
			s, err := strconv.Unquote(e.Value)
			return s, err == nil
		}
	case *ast.ParenExpr:
		return constant(e.X)
	case *ast.BinaryExpr:
		left, l := constant(e.X)
		right, r := constant(e.Y)
		return left + " " + right, e.Op == token.ADD && (l || r)
	}
	return "", false
}

// owners reads from the migrations which package owns which table: a comment names
// the owner of the tables that follow it.
func owners(migrations string) map[string]string {
	all := make(map[string]string)
	owner := ""
	for _, m := range regexp.MustCompile(`Owner(?: of all that follows)?:\s+([a-z]+(?:/[a-z]+)*)|CREATE TABLE (\w+)`).FindAllStringSubmatch(migrations, -1) {
		if m[1] != "" {
			owner = m[1]
		} else {
			all[m[2]] = owner
		}
	}
	return all
}

// lodgers may use another package's tables as their own.
var lodgers = map[string]string{"triage/care": "triage"}

func migrations(t *testing.T) string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(root, "reminders/store/migrations/*.sql"))
	if err != nil || len(names) == 0 {
		t.Fatal("no migrations found", err)
	}
	var all strings.Builder
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(b)
	}
	return all.String()
}

func TestTablesHaveOneOwner(t *testing.T) {
	t.Parallel()
	owner := owners(migrations(t))
	for table, who := range map[string]string{"people": "reminders/seal", "poll_state": "reminders/store", "buttons": "reminders/outbox", "facts": "reminders",
		"conversations": "dialog", "case_events": "triage", "job_runs": "reminders/wake"} {
		if owner[table] != who {
			t.Errorf("the migrations give %s to %q, want %s", table, owner[table], who)
		}
	}
	used := make(map[string]bool)
	for _, f := range goFiles(t) {
		switch f.dir {
		case "reminders/store/storetest":
			continue // it tests all the rules of the schema
		case "cmd/handrail/records":
			continue // it reads all that is held about somebody, in a view that cannot write
		case "cmd/handrail/audit":
			continue // it reads all that there is, on a connection that cannot write
		}
		for _, fault := range tableFaults(owner, f, used) {
			t.Error(fault)
		}
	}
	if len(used) < 10 {
		t.Errorf("SQL was found on %d tables only: the search is broken", len(used))
	}
}

var tableAfter = regexp.MustCompile(`\b(?:FROM|JOIN|INTO|UPDATE|TABLE)\s+([a-z_]+(?:(?:\s+(?:AS\s+)?[a-z_]+)?\s*,\s*[a-z_]+)*)`)

func tableFaults(owner map[string]string, f goFile, used map[string]bool) []string {
	var faults []string
	f.literals(func(at token.Position, text string) {
		for _, m := range tableAfter.FindAllStringSubmatch(text, -1) {
			for _, table := range regexp.MustCompile(`[a-z_]+`).FindAllString(m[1], -1) {
				who := owner[table]
				if who == "" {
					continue
				}
				used[table] = true
				if who != f.dir && lodgers[f.dir] != who {
					faults = append(faults, fmt.Sprintf("%s:%d: %s touches the table %s, which is %s's", f.name, at.Line, f.dir, table, who))
				}
			}
		}
	})
	return faults
}

func TestTableOwnersCanFail(t *testing.T) {
	t.Parallel()
	owner := owners("-- Owner: a.\nCREATE TABLE one (x);\nCREATE TABLE two (x);\n-- Something.\n-- Owner of all that follows: b/c\nCREATE TABLE three (x)")
	for src, want := range map[string]int{
		"`SELECT x FROM one`":                                          0,
		"`SELECT x FROM three`":                                        1,
		"`SELECT x FROM one JOIN three ON 1`":                          1,
		"`SELECT x FROM one o, three`":                                 1,
		"`INSERT INTO ` + \"three\" + ` VALUES (1)`":                   1,
		"`UPDATE three SET x = 1`":                                     1,
		"`DELETE FROM ` + table + ` WHERE x IN (SELECT x FROM three)`": 1,
		"`from three to four`":                                         0,
	} {
		if got := tableFaults(owner, parseGo(t, "a/x.go", "package a\nvar q = "+src), map[string]bool{}); len(got) != want {
			t.Errorf("%s: %q, want %d faults", src, got, want)
		}
	}
}

// waiting are the functions that ask the machine for the time or wait in real time.
var waiting = map[string][]string{
	"time":    {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick"},
	"context": {"WithTimeout", "WithTimeoutCause", "WithDeadline", "WithDeadlineCause"},
}

// onTheWire may bound what it does on the network in real time.
var onTheWire = []string{"bot", "bot/loopback", "cmd/handrail"}

func TestOneClock(t *testing.T) {
	t.Parallel()
	for _, f := range goFiles(t) {
		if f.dir == "reminders/clock" {
			continue
		}
		for _, fault := range clockFaults(f) {
			t.Error(fault)
		}
	}
	for _, found := range sqlClock.FindAllString(migrations(t), -1) {
		t.Errorf("a migration asks the database for the time: %s", found)
	}
}

var sqlClock = regexp.MustCompile(`(?i)\bCURRENT_(?:TIMESTAMP|DATE|TIME)\b|\b(?:datetime|strftime|julianday|unixepoch|timediff)\s*\(|\b(?:date|time)\s*\(\s*'now|\bnow\s*\(\s*\)`)

func clockFaults(f goFile) []string {
	var faults []string
	packages := make(map[string]string) // what it is called here -> what it is
	for _, i := range f.tree.Imports {
		name, _ := strconv.Unquote(i.Path.Value)
		switch {
		case waiting[name] == nil:
		case i.Name == nil:
			packages[name] = name
		case i.Name.Name == ".":
			faults = append(faults, fmt.Sprintf("%s imports %s without a name", f.name, name))
		default:
			packages[i.Name.Name] = name
		}
	}
	ast.Inspect(f.tree, func(n ast.Node) bool {
		s, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		x, ok := s.X.(*ast.Ident)
		if !ok || !slices.Contains(waiting[packages[x.Name]], s.Sel.Name) {
			return true
		}
		if packages[x.Name] == "context" && slices.Contains(onTheWire, f.dir) {
			return true
		}
		faults = append(faults, fmt.Sprintf("%s: %s.%s is for the package clock alone", f.set.Position(n.Pos()), packages[x.Name], s.Sel.Name))
		return true
	})
	f.literals(func(at token.Position, text string) {
		if found := sqlClock.FindString(text); found != "" {
			faults = append(faults, fmt.Sprintf("%s:%d: SQL asks the database for the time: %s", f.name, at.Line, found))
		}
	})
	return faults
}

func TestOneClockCanFail(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		file, src string
		want      int
	}{
		"a call":           {"a/x.go", `import "time"; var x = time.Now()`, 1},
		"as a value":       {"a/x.go", `import "time"; var x = time.Now`, 1},
		"renamed":          {"a/x.go", `import t "time"; var x = t.After(1)`, 1},
		"without a name":   {"a/x.go", `import . "time"; var x = Now()`, 1},
		"a time-out":       {"a/x.go", `import "context"; var x, _ = context.WithTimeout(nil, 1)`, 1},
		"on the wire":      {"bot/x.go", `import "context"; var x, _ = context.WithTimeout(nil, 1)`, 0},
		"in SQL":           {"a/x.go", "var q = `UPDATE t SET x = CURRENT_TIMESTAMP`", 1},
		"in SQL, added up": {"a/x.go", "var q = `UPDATE t SET x = ` + `datetime('now')`", 1},
		"a clock of ours":  {"a/x.go", `import "time"; var now = func(c interface{ Now() time.Time }) time.Time { return c.Now() }`, 0},
		"time's own types": {"a/x.go", `import "time"; var x = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Second)`, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := clockFaults(parseGo(t, c.file, "package a\n"+c.src)); len(got) != c.want {
				t.Errorf("got %q, want %d faults", got, c.want)
			}
		})
	}
}

// Every package says what it is, what it owns and what it refuses.
func TestPackageDocs(t *testing.T) {
	t.Parallel()
	docs := make(map[string]string)
	for _, f := range goFiles(t) {
		docs[f.dir] += f.tree.Doc.Text()
	}
	for dir, text := range docs {
		if fault := docFault(dir, text); fault != "" {
			t.Errorf("%s: %s", dir, fault)
		}
	}
}

var (
	sentenceEnd = regexp.MustCompile(`[.!?](?:\s|$)`)
	refusing    = regexp.MustCompile(`\b(?:refuses|knows\s+(?:no|nothing)|decides\s+nothing)\b`)
)

func docFault(dir, text string) string {
	name := path.Base(dir)
	switch first := "Package " + name + " "; {
	case text == "":
		return "it has no package comment"
	case !strings.HasPrefix(text, first) && !strings.HasPrefix(text, "Command "+name+" "):
		return "its comment does not begin with " + first
	case len(sentenceEnd.FindAllString(text, -1)) < 3:
		return "its comment is shorter than three sentences"
	case !refusing.MatchString(text):
		return "its comment does not say what it refuses"
	}
	return ""
}

func TestPackageDocsCanFail(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		text string
		ok   bool
	}{
		"none":            {"", false},
		"another's":       {"Package b is b.\n\nIt owns c. It refuses d.\n", false},
		"short":           {"Package a is a.\n\nIt refuses b.\n", false},
		"refuses nothing": {"Package a is a.\n\nIt owns b. It takes c.\n", false},
		"good":            {"Package a is a.\n\nIt owns b. It refuses c.\n", true},
		"in other words":  {"Package a is a. It owns b. It knows\nno c.\n", true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if fault := docFault("x/a", c.text); (fault == "") != c.ok {
				t.Errorf("got %q, want good %v", fault, c.ok)
			}
		})
	}
}

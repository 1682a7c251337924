package desk_test

import (
	"html"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"handrail.example/dialog/phrase"
	"handrail.example/triage/desk"
)

// largest is the most that a page may weigh.
const largest = 100 << 10

var (
	raw     = regexp.MustCompile(`[> ]((?:desk|staff|refused|button|role|urgency|reason|event|word|step|status|outcome|finding|state|sheet|criterion|growth|course|chart)\.[a-z_]+)`)
	away    = regexp.MustCompile(`(?:src|href|action)="(?:https?:)?//|@import|url\(`)
	inlined = regexp.MustCompile(` style="| on[a-z]+="|<style|<script>|javascript:`)
)

// Every page from sample values, in every language: whole, small, and alone.
func TestEveryPageFromSamples(t *testing.T) {
	t.Parallel()
	c := open(t)
	if p := c.browser().get("/storybook"); p.status != http.StatusNotFound {
		t.Errorf("the storybook is there without being asked for: %d", p.status)
	}
	c.serve(desk.Parts{Storybook: true})
	b := c.browser()
	names := regexp.MustCompile(`href="/storybook/([^"?]+)\?lang=en"`).FindAllStringSubmatch(b.get("/storybook").body, -1)
	shown := make(map[string]bool)
	for _, m := range names {
		for _, lang := range phrase.Languages {
			p := b.get("/storybook/" + strings.ReplaceAll(html.UnescapeString(m[1]), "%2c", ",") + "?lang=" + lang)
			if p.status != http.StatusOK || !strings.Contains(p.body, "</html>") || len(p.body) > largest {
				t.Errorf("%s in %s: %d, %d bytes", m[1], lang, p.status, len(p.body))
			}
			shown[regexp.MustCompile(`data-sheet="(\w+)"`).FindStringSubmatch(p.body)[1]] = true
			for what, form := range map[string]*regexp.Regexp{"a key of the phrasebook": raw, "something from elsewhere": away, "script or style in the page": inlined} {
				if found := form.FindString(p.body); found != "" {
					t.Errorf("%s in %s holds %s: %s", m[1], lang, what, found)
				}
			}
		}
	}
	files, err := filepath.Glob("page/*.html")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".html")
		if !shown[name] && name != "frame" && name != "parts" {
			t.Errorf("the page %s has no sample", name)
		}
	}
	if p := b.get("/storybook/" + url.PathEscape("../now")); p.status != http.StatusNotFound {
		t.Errorf("no page: %d", p.status)
	}
}

// What stands beside the pages asks for nothing from elsewhere either.
func TestTheFilesStandAlone(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.browser()
	for _, name := range []string{"desk.css", "desk.js", "mark.svg"} {
		p := b.get("/file/" + name)
		if p.status != http.StatusOK || away.MatchString(p.body) || len(p.body) > largest {
			t.Errorf("%s: %d", name, p.status)
		}
	}
	for _, name := range []string{"frame.html", "x.css", "..%2fdesk.go", ""} {
		if p := b.get("/file/" + name); p.status != http.StatusNotFound {
			t.Errorf("%q: %d", name, p.status)
		}
	}
	if _, err := os.Stat("page/desk.js"); err != nil {
		t.Fatal(err)
	}
}

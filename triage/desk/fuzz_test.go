package desk_test

import (
	"net/http"
	"strings"
	"testing"

	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// Whatever is asked of the desk, by somebody who has signed in or by nobody, it
// answers: nothing fails, and nothing that was typed comes back as markup.
func FuzzDesk(f *testing.F) {
	f.Add("GET", "/now", "", true)
	f.Add("GET", "/patients/P-105", "", true)
	f.Add("GET", "/patients?q=%3Cscript%3Ex", "", true)
	f.Add("POST", "/patients/P-105/enter/scan", "on=2026-03-11&lining_mm=6.6&note=<script>x", true)
	f.Add("POST", "/patients/new", "handle=<script>x&name=<script>x&language=en", true)
	f.Add("POST", "/cases/1/answer", "words=%00%ff&form=0123456789012345678901", true)
	f.Add("POST", "/enter", "handle=lead&password=<script>x&code=123456", false)
	f.Add("GET", "/file/../route.go", "", false)
	f.Add("GET", "/day?on=9999-99-99", "", true)
	f.Add("POST", "/clinic/policy/try", "policy=a: [", true)
	c := open(f)
	c.opens("inbox/1", rules.SameDay, "a lot of pain")
	in, out := c.as(triage.Lead), c.browser()
	f.Fuzz(func(t *testing.T, method, path, form string, signedIn bool) {
		if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "/live") || strings.HasPrefix(path, "/me/") {
			t.Skip("an address begins with a slash; the stream of updates has no end; leaving would end the session")
		}
		b := out
		if signedIn {
			b = in
		}
		r, err := http.NewRequest(method, c.server.URL+path, strings.NewReader(form))
		if err != nil {
			t.Skip("no request can be made of it")
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", c.server.URL)
		p := b.sends(t, r)
		if p.status >= 500 {
			t.Errorf("%s %s with %q: %d", method, path, form, p.status)
		}
		if strings.Contains(p.body, "<script>") {
			t.Errorf("%s %s with %q: markup of hers comes back", method, path, form)
		}
	})
}

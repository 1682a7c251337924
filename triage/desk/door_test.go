package desk_test

import (
	"context"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/pquerna/otp/totp"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/desk"
)

// newCode is a sign-up code, as the command on the server draws it.
func (c *clinic) newCode(role triage.Role) (code string) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) (err error) {
		code, err = c.care.Desk.NewStaffCode(ctx, tx, c.staff[role])
		return err
	})
	return code
}

func (c *clinic) onetime(secret string) string {
	c.t.Helper()
	code, err := totp.GenerateCode(secret, c.clk.Now())
	if err != nil {
		c.t.Fatal(err)
	}
	return code
}

var secretIn = regexp.MustCompile(`<code>([A-Z2-7]+)</code>`)

const password = "a heron on the weir"

// begins sets somebody's credentials and returns the secret of her codes.
func (c *clinic) begins(b *browser, code string) (secret string) {
	c.t.Helper()
	p := b.post("/begin", "code", code, "password", password, "again", password)
	m := secretIn.FindStringSubmatch(p.body)
	if p.status != http.StatusOK || m == nil {
		c.t.Fatalf("no secret is shown: %d\n%s", p.status, p.body)
	}
	if p := b.post("/begin/confirm", "code", code, "onetime", c.onetime(m[1])); p.status != http.StatusSeeOther || p.to != "/" {
		c.t.Fatalf("not let in: %d %s", p.status, p.body)
	}
	return m[1]
}

func (c *clinic) later(d time.Duration) {
	c.t.Helper()
	if err := c.clk.Advance(c.t.Context(), c.clk.Now().Add(d)); err != nil {
		c.t.Fatal(err)
	}
}

func TestTheFirstAdministratorComesIn(t *testing.T) {
	t.Parallel()
	c := open(t)
	code := c.newCode(triage.Administrator)
	b := c.browser()
	secret := c.begins(b, strings.ToLower(code))
	b.get("/me").says(t, "Administrator Invented", "this browser")
	if p := c.browser().post("/begin", "code", code, "password", password, "again", password); p.status != http.StatusUnauthorized {
		t.Errorf("the code worked twice: %d", p.status)
	}
	other := c.browser()
	used := c.onetime(secret)
	if p := other.post("/enter", "handle", "administrator", "password", password, "code", used); p.status != http.StatusUnauthorized {
		t.Errorf("a one-time code was good twice: %d", p.status)
	}
	c.later(time.Minute)
	if p := other.post("/enter", "handle", " Administrator ", "password", password, "code", c.onetime(secret)); p.status != http.StatusSeeOther {
		t.Fatalf("not let in: %d", p.status)
	}
	other.get("/me").says(t, "End")
}

func TestWhatDoesNotLetIn(t *testing.T) {
	t.Parallel()
	c := open(t)
	secret := c.begins(c.browser(), c.newCode(triage.Lead))
	c.later(time.Minute)
	good := c.onetime(secret)
	for name, form := range map[string][]string{
		"nothing":             {},
		"a wrong password":    {"handle", "lead", "password", password + "!", "code", good},
		"a wrong code":        {"handle", "lead", "password", password, "code", "000000"},
		"no code":             {"handle", "lead", "password", password},
		"somebody unknown":    {"handle", "nobody", "password", password, "code", good},
		"somebody else":       {"handle", "reader", "password", password, "code", good},
		"a password twice":    {"handle", "lead", "password", password, "password", password, "code", good},
		"a very long one":     {"handle", "lead", "password", strings.Repeat("x", 5000), "code", good},
		"SQL for a handle":    {"handle", "lead' OR '1'='1", "password", password, "code", good},
		"markup for a handle": {"handle", "<script>alert(1)</script>", "password", "x", "code", "1"},
	} {
		b := c.browser()
		p := b.post("/enter", form...)
		if p.status != http.StatusUnauthorized || p.header.Get("Set-Cookie") != "" {
			t.Errorf("%s: %d", name, p.status)
		}
		if strings.Contains(p.body, "<script>alert") {
			t.Errorf("%s: the markup stands in the page", name)
		}
		if got := b.get("/me"); got.status != http.StatusSeeOther || got.to != "/enter" {
			t.Errorf("%s: she is in", name)
		}
	}
	for name, form := range map[string][]string{
		"another again":  {"password", password, "again", "x"},
		"a short one":    {"password", "heron", "again", "heron"},
		"one character":  {"password", "aaaaaaaaaaaaaa", "again", "aaaaaaaaaaaaaa"},
		"her own handle": {"password", "Reader2026202620", "again", "Reader2026202620"},
		"no password":    {},
	} {
		if p := c.browser().post("/begin", append(form, "code", c.newCode(triage.Reader))...); p.status != http.StatusUnprocessableEntity || secretIn.MatchString(p.body) {
			t.Errorf("%s: %d", name, p.status)
		}
	}
}

// Many tries at once count as many.
func TestTriesAreThrottled(t *testing.T) {
	t.Parallel()
	c := open(t)
	secret := c.begins(c.browser(), c.newCode(triage.Coordinator))
	c.later(time.Minute)
	b := c.browser()
	statuses := make(chan int, 9)
	for range 9 {
		go func() {
			statuses <- c.browser().post("/enter", "handle", "coordinator", "password", "wrong", "code", "1").status
		}()
	}
	counts := make(map[int]int)
	for range 9 {
		counts[<-statuses]++
	}
	if counts[http.StatusUnauthorized] != 6 || counts[http.StatusTooManyRequests] != 3 {
		t.Errorf("of nine wrong tries at once: %v", counts)
	}
	right := func() int {
		return b.post("/enter", "handle", "coordinator", "password", password, "code", c.onetime(secret)).status
	}
	if got := right(); got != http.StatusTooManyRequests {
		t.Errorf("the right one just after: %d", got)
	}
	c.later(16 * time.Minute)
	if got := right(); got != http.StatusSeeOther {
		t.Errorf("the right one later: %d", got)
	}
}

func TestASessionEnds(t *testing.T) {
	t.Parallel()
	in := func(b *browser) bool { return b.get("/me").status == http.StatusOK }
	for name, end := range map[string]func(c *clinic, b *browser){
		"by signing out":     func(c *clinic, b *browser) { b.post("/me/leave") },
		"after a long pause": func(c *clinic, b *browser) { c.later(31 * time.Minute) },
		"after a shift": func(c *clinic, b *browser) {
			for range 37 {
				c.later(20 * time.Minute)
				b.get("/me")
			}
		},
		"with her work here": func(c *clinic, b *browser) {
			c.within(func(ctx context.Context, tx *store.Tx) error { return c.care.Desk.Leave(ctx, tx, c.staff[triage.Lead]) })
		},
		"with a new password":    func(c *clinic, b *browser) { c.begins(c.browser(), c.newCode(triage.Lead)) },
		"from another browser":   func(c *clinic, b *browser) { c.as(triage.Lead).post("/me/end", "session", "1") },
		"not by somebody else's": nil,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := open(t)
			b := c.as(triage.Lead)
			c.later(20 * time.Minute)
			if !in(b) {
				t.Fatal("the session has ended already")
			}
			if end == nil {
				c.as(triage.Reader).post("/me/end", "session", "1")
				if !in(b) {
					t.Error("somebody else has ended it")
				}
				return
			}
			if end(c, b); in(b) {
				t.Error("it goes on")
			}
		})
	}
}

func TestTheCookieIsStrict(t *testing.T) {
	t.Parallel()
	c := open(t)
	plain := c.browser().get("/guest/lead").header.Get("Set-Cookie")
	for _, want := range []string{"HttpOnly", "SameSite=Strict", "Path=/"} {
		if !strings.Contains(plain, want) {
			t.Errorf("the cookie %q lacks %s", plain, want)
		}
	}
	c.serve(desk.Parts{URL: "https://desk.clinic.example", Guests: []string{"lead"}})
	p := c.browser().get("/guest/lead")
	if got := p.header.Get("Set-Cookie"); !strings.HasPrefix(got, "__Host-desk=") || !strings.Contains(got, "Secure") || strings.Contains(got, "Domain") {
		t.Errorf("over https the cookie is %q", got)
	}
	if p.header.Get("Strict-Transport-Security") == "" {
		t.Error("https is not kept to")
	}
}

func TestAnotherSiteGetsNothingDone(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Lead)
	for name, header := range map[string][]string{
		"by its own word":    {"Sec-Fetch-Site", "cross-site"},
		"by its origin":      {"Origin", "https://elsewhere.example"},
		"by a sister domain": {"Sec-Fetch-Site", "same-site"},
		"by no origin":       {"Origin", "null"},
	} {
		if p := b.do(http.MethodPost, "/me/leave", "", header...); p.status != http.StatusForbidden {
			t.Errorf("%s: %d", name, p.status)
		}
	}
	p := b.get("/me")
	if p.status != http.StatusOK {
		t.Fatalf("she is out: %d", p.status)
	}
	policy := p.header.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "script-src 'self'", "frame-ancestors 'none'", "form-action 'self'"} {
		if !strings.Contains(policy, want) {
			t.Errorf("the content policy lacks %s", want)
		}
	}
	if strings.Contains(policy, "unsafe") || p.header.Get("X-Frame-Options") != "DENY" || p.header.Get("Cache-Control") != "no-store" {
		t.Errorf("headers: %v", p.header)
	}
}

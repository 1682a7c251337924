package main

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/pquerna/otp/totp"
)

// The first administrator comes in with the code that the server printed, at the
// address of the configuration.
func TestServeTheDesk(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	address := freeAddress(t)
	text, err := os.ReadFile(p.config)
	if err != nil {
		t.Fatal(err)
	}
	p.write(p.config, string(text)+"desk: {listen: "+address+", url: http://"+address+"}\n")
	out := p.run(t.Context(), "staff", "add", "--config", p.config, "--handle", "officer", "--name", "Odd Invented", "--role", "administrator")
	code, _, _ := strings.Cut(out.stdout, "\n")
	s := p.serve()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Jar: jar}
	said := func(res *http.Response, err error) string {
		if err != nil {
			return ""
		}
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil {
			return ""
		}
		return string(b)
	}
	eventually(t, "the desk listens", func() bool { return strings.Contains(said(client.Get("http://"+address+"/enter")), "Sign in") })
	const password = "a heron on the weir"
	page := said(client.PostForm("http://"+address+"/begin", url.Values{"code": {code}, "password": {password}, "again": {password}}))
	secret := regexp.MustCompile(`<code>([A-Z2-7]+)</code>`).FindStringSubmatch(page)
	if secret == nil {
		t.Fatalf("no secret is shown:\n%s", page)
	}
	onetime, err := totp.GenerateCode(secret[1], time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if page = said(client.PostForm("http://"+address+"/begin/confirm", url.Values{"code": {code}, "onetime": {onetime}})); !strings.Contains(page, "Odd Invented") {
		t.Errorf("she is not in:\n%s", page)
	}
	if out := s.end(); out.code != 0 || strings.Contains(out.stderr, "level=ERROR") {
		t.Errorf("it does not end well: %+v", out)
	}
}

func TestTheDeskListensOnThisMachineOnly(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	text, err := os.ReadFile(p.config)
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"{listen: '0.0.0.0:8080', url: 'https://desk.clinic.example'}", "{listen: ':8080', url: 'https://desk.clinic.example'}",
		"{listen: '127.0.0.1', url: 'https://desk.clinic.example'}", "{listen: '127.0.0.1:8080'}", "{listen: '127.0.0.1:8080', url: 'desk'}"} {
		p.write(p.config, string(text)+"desk: "+bad+"\n")
		if out := p.run(t.Context(), "check", "--config", p.config); out.code != 2 || !strings.Contains(out.stderr, "desk.") {
			t.Errorf("%s: %+v", bad, out)
		}
	}
}

// From the demo's page the desk is one press away, and what is written in a chat is
// there.
func TestTheDemosDesk(t *testing.T) {
	t.Parallel()
	d := startDemo(t, t.TempDir())
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Jar: jar}
	get := func(address string) string {
		t.Helper()
		res, err := client.Get(address)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	link := regexp.MustCompile(`class="desk" href="([^"]+)"`).FindStringSubmatch(get(d.server.URL() + "/"))
	if link == nil {
		t.Fatal("the demo's page does not lead to the desk")
	}
	if page := get(link[1]); !strings.Contains(page, "Tamsin Orrel") || !strings.Contains(page, `data-sheet="now"`) {
		t.Fatalf("nobody is signed in:\n%s", page)
	}
	if _, err := d.server.Write(108, "I'm soaking a pad an hour and I feel faint"); err != nil {
		t.Fatal(err)
	}
	desk, _, _ := strings.Cut(link[1], "/guest/")
	eventually(t, "the emergency is on the page", func() bool {
		page := get(desk + "/now")
		return strings.Contains(page, "EMERGENCY") && strings.Contains(page, "P-108 Petra Holloway-Sung") && strings.Contains(page, "soaking a pad an hour")
	})
	page := get(desk + "/patients/P-108")
	for _, want := range []string{"From her", "soaking a pad an hour", "embryo transfer", "Caution to her"} {
		if !strings.Contains(page, want) {
			t.Errorf("her page does not say %q", want)
		}
	}
	for _, path := range []string{"/day", "/tonight", "/clinic", "/clinic/rota", "/clinic/staff", "/clinic/policy", "/patients", "/me"} {
		if page := get(desk + path); !strings.Contains(page, "</html>") || strings.Contains(page, "incident") || len(page) > 100<<10 {
			t.Errorf("%s: %d bytes", path, len(page))
		}
	}
}

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// premises are a clinic's files, secrets and chat platform, for the program to
// run on as it does live.
type premises struct {
	t        testing.TB
	folder   string
	config   string
	database string
	env      map[string]string
	platform *loopback.Server
	listen   string // of the webhook
}

const webhookSecret = "webhook-secret-0123456789"

func newPremises(t testing.TB, mode string) *premises {
	t.Helper()
	p := &premises{t: t, folder: t.TempDir()}
	p.config, p.database = filepath.Join(p.folder, "config.yaml"), filepath.Join(p.folder, "clinic.sqlite")
	var err error
	if p.platform, err = loopback.Start(loopback.Config{Now: clock.System{}.Now, Token: "987654:a-token-that-nobody-may-see"}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.platform.Close)
	p.env = map[string]string{envToken: "987654:a-token-that-nobody-may-see", envKey: seal.NewMasterKey(), envSecret: webhookSecret}
	p.listen = freeAddress(t)
	p.write(p.config, fmt.Sprintf("database: %s\ntelegram:\n  api_url: %s\n  mode: %s\n  webhook: {url: http://%s/updates, listen: %s}\n",
		p.database, p.platform.URL(), mode, p.listen, p.listen))
	return p
}

func freeAddress(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func (p *premises) write(path, text string) {
	p.t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		p.t.Fatal(err)
	}
}

// outcome is how a run of the program ended.
type outcome struct {
	code           int
	stdout, stderr string
}

// run runs a command to its end.
func (p *premises) run(ctx context.Context, args ...string) outcome {
	p.t.Helper()
	var stdout, stderr lockedBuffer
	err := run(ctx, args, p.getenv, strings.NewReader(""), &stdout, &stderr)
	code := exitCode(err, &stderr)
	out := outcome{code, stdout.String(), stderr.String()}
	p.secretsKept(out)
	return out
}

func (p *premises) getenv(name string) string { return p.env[name] }

// secretsKept fails when anything that the program said holds a secret.
func (p *premises) secretsKept(out outcome) {
	p.t.Helper()
	for _, name := range []string{envToken, envKey, envSecret} {
		if s := p.env[name]; s != "" && strings.Contains(out.stdout+out.stderr, s) {
			p.t.Errorf("%s stands in what the program said:\n%s%s", name, out.stdout, out.stderr)
		}
	}
}

// serving is the program while it runs.
type serving struct {
	p     *premises
	stop  context.CancelFunc
	ended chan outcome
}

// serve starts the program; end stops it.
func (p *premises) serve() *serving {
	p.t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	s := &serving{p: p, stop: stop, ended: make(chan outcome, 1)}
	go func() { s.ended <- p.run(ctx, "serve", "--config", p.config) }()
	p.t.Cleanup(stop)
	return s
}

// end stops the program as a signal does, and returns how it ended.
func (s *serving) end() outcome {
	s.p.t.Helper()
	s.stop()
	select {
	case out := <-s.ended:
		return out
	case <-time.After(20 * time.Second):
		s.p.t.Fatal("the program does not stop")
	}
	return outcome{}
}

// eventually waits in real time for what real network and disk bring about.
func eventually(t testing.TB, what string, is func() bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !is(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("in vain: %s", what)
		}
	}
}

// refusedOutcome fails unless the program said one sentence that holds words, and
// ended with code.
func (p *premises) refusedOutcome(out outcome, code int, words ...string) {
	p.t.Helper()
	if out.code != code || out.stdout != "" {
		p.t.Errorf("exit code %d with output %q, want %d and none", out.code, out.stdout, code)
	}
	said := strings.TrimSuffix(out.stderr, "\n")
	if !strings.HasPrefix(said, "handrail: ") || strings.Contains(said, "\n") {
		p.t.Errorf("not one sentence: %q", said)
	}
	for _, w := range words {
		if !strings.Contains(said, w) {
			p.t.Errorf("%q does not say %q", said, w)
		}
	}
	p.secretsKept(out)
}

// replies counts what the bot has written to a chat.
func (p *premises) replies(chat int64) (n int) {
	for _, m := range p.platform.Messages(chat) {
		if m.From == loopback.FromBot {
			n++
		}
	}
	return n
}

// inbox counts the updates in some states; it looks from outside, as any reader
// may.
func (p *premises) inbox(states ...string) (n int) {
	p.t.Helper()
	db, err := store.Open(context.Background(), p.database, store.Full, clock.System{})
	if err != nil {
		p.t.Fatal(err)
	}
	defer db.Close()
	if err := db.Read(context.Background(), func(ctx context.Context, tx *store.Tx) error {
		var all []string
		err := tx.Select(ctx, &all, `SELECT state FROM inbox`)
		for _, s := range all {
			if slices.Contains(states, s) {
				n++
			}
		}
		return err
	}); err != nil {
		p.t.Fatal(err)
	}
	return n
}

func TestServeByPolling(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	s := p.serve()
	if _, err := p.platform.Write(7, "hello?"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "a stranger is answered", func() bool { return p.replies(7) == 1 })
	out := s.end()
	if out.code != 0 || !strings.Contains(out.stderr, "stopped") {
		t.Errorf("a stop on request is no fault: %+v", out)
	}
	if strings.Contains(out.stderr, "hello") || strings.Contains(out.stderr, "level=ERROR") {
		t.Errorf("the log holds a text or trouble: %s", out.stderr)
	}
	// It comes up again where it stopped.
	if _, err := p.platform.Write(8, "hello?"); err != nil {
		t.Fatal(err)
	}
	s = p.serve()
	eventually(t, "what came meanwhile is answered", func() bool { return p.replies(8) == 1 })
	s.end()
	if p.replies(7) != 1 || p.inbox("handled") != 2 {
		t.Errorf("%d answers, %d handled", p.replies(7), p.inbox("handled"))
	}
}

func TestServeByWebhook(t *testing.T) {
	t.Parallel()
	p := newPremises(t, webhook)
	s := p.serve()
	post := func(method, secret, body string) int {
		req, err := http.NewRequest(method, "http://"+p.listen+"/updates", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		if secret != "" {
			req.Header.Set("X-Telegram-Bot-Api-Secret-Token", secret)
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			return 0
		}
		_ = res.Body.Close()
		return res.StatusCode
	}
	eventually(t, "the webhook listens", func() bool { return post(http.MethodGet, "", "") == http.StatusMethodNotAllowed })
	p.platform.Introduce(loopback.Person{Chat: 9, Name: "Somebody", Language: "en", Started: true})
	body := `{"update_id":77,"message":{"message_id":1,"date":1772460000,"chat":{"id":9,"type":"private"},"from":{"id":9,"is_bot":false,"first_name":"Somebody"},"text":"hello?"}}`
	for secret, want := range map[string]int{"": 401, "wrong-secret-0123456789": 401, webhookSecret + "x": 401} {
		if got := post(http.MethodPost, secret, body); got != want {
			t.Errorf("secret %q: %d, want %d", secret, got, want)
		}
	}
	if n := p.inbox("new", "handled"); n != 0 {
		t.Fatalf("%d updates were taken with a wrong secret", n)
	}
	if got := post(http.MethodPost, webhookSecret, "not an update"); got != http.StatusBadRequest {
		t.Errorf("nonsense: %d", got)
	}
	if got := post(http.MethodPost, webhookSecret, body); got != http.StatusOK {
		t.Fatalf("right secret: %d", got)
	}
	if n := p.inbox("new", "handled"); n != 1 {
		t.Errorf("200 was answered with %d updates on disk", n)
	}
	eventually(t, "it is answered", func() bool { return p.replies(9) == 1 })
	if got := post(http.MethodPost, webhookSecret, body); got != http.StatusOK {
		t.Errorf("sent again: %d", got)
	}
	// And by the platform itself, which was told the address and the secret.
	if _, err := p.platform.Write(10, "hello?"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "what the platform delivers is answered", func() bool { return p.replies(10) == 1 })
	out := s.end()
	if out.code != 0 || p.replies(9) != 1 {
		t.Errorf("code %d, %d answers to one message\n%s", out.code, p.replies(9), out.stderr)
	}
	if post(http.MethodPost, webhookSecret, body) != 0 {
		t.Error("it still listens")
	}
}

// The program starts, works on and stops without the platform.
func TestServeWithoutThePlatform(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	p.platform.Close()
	s := p.serve()
	eventually(t, "the database is there", func() bool { _, err := os.Stat(p.database); return err == nil })
	time.Sleep(200 * time.Millisecond) // some calls fail meanwhile
	if out := s.end(); out.code != 0 {
		t.Errorf("code %d\n%s", out.code, out.stderr)
	}
}

func TestASecondInstanceIsRefused(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	s := p.serve()
	if _, err := p.platform.Write(7, "hello?"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the first one works", func() bool { return p.replies(7) == 1 })
	p.refusedOutcome(p.run(t.Context(), "serve", "--config", p.config), 2, "another handrail", "stop it first")
	s.end()
}

func TestServeRefuses(t *testing.T) {
	t.Parallel()
	for name, k := range map[string]struct {
		mode    string
		prepare func(p *premises)
		code    int
		words   []string
	}{
		"no configuration": {polling, func(p *premises) { p.config = "" }, 2, []string{"--config"}},
		"a configuration that is not there": {polling, func(p *premises) { p.config = filepath.Join(p.folder, "other.yaml") }, 2,
			[]string{"other.yaml", "readable file"}},
		"a folder that is not there": {polling, func(p *premises) { p.write(p.config, "database: /no/such/folder/clinic.sqlite") }, 2, []string{"database", "folder"}},
		"a database that is a folder": {polling, func(p *premises) {
			if err := os.Mkdir(p.database, 0o700); err != nil {
				p.t.Fatal(err)
			}
		}, 1, []string{"clinic.sqlite"}},
		"a damaged database": {polling, func(p *premises) { p.write(p.database, strings.Repeat("no database ", 1000)) }, 1,
			[]string{"damaged", "restore the latest backup"}},
		"another program's database": {polling, func(p *premises) { p.foreign() }, 1, []string{"another program", "name another file"}},
		"a policy that is not there": {polling, func(p *premises) { p.add("policy: " + p.folder + "/none.yaml\n") }, 2, []string{"policy", "none.yaml"}},
		"a policy with a fault": {polling, func(p *premises) {
			p.write(filepath.Join(p.folder, "policy.yaml"), "clinic: {zone: Nowhere/Land}")
			p.add("policy: " + p.folder + "/policy.yaml\n")
		}, 2, []string{"policy", "handrail check --policy"}},
		"another master key": {polling, func(p *premises) {
			p.run(p.t.Context(), "staff", "add", "--config", p.config, "--handle", "orrel", "--name", "Tamsin Orrel", "--role", "lead")
			p.env[envKey] = seal.NewMasterKey()
		}, 1, []string{"master key does not fit"}},
		"a taken port": {webhook, func(p *premises) {
			l, err := net.Listen("tcp", p.listen)
			if err != nil {
				p.t.Fatal(err)
			}
			p.t.Cleanup(func() { _ = l.Close() })
		}, 2, []string{"telegram.webhook.listen", "free address"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := newPremises(t, k.mode)
			k.prepare(p)
			ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
			defer cancel()
			args := []string{"serve"}
			if p.config != "" {
				args = append(args, "--config", p.config)
			}
			out := p.run(ctx, args...)
			if i := strings.LastIndex(out.stderr, "handrail: "); i > 0 && k.mode == webhook {
				out.stderr = out.stderr[i:] // it had begun to log
			}
			p.refusedOutcome(out, k.code, k.words...)
		})
	}
}

// add puts more into the configuration file.
func (p *premises) add(text string) {
	p.t.Helper()
	b, err := os.ReadFile(p.config)
	if err != nil {
		p.t.Fatal(err)
	}
	p.write(p.config, string(b)+text)
}

// foreign makes the database a sound one of some other program.
func (p *premises) foreign() {
	p.t.Helper()
	db, err := store.Open(p.t.Context(), p.database, store.Full, clock.System{})
	if err != nil {
		p.t.Fatal(err)
	}
	defer db.Close()
	if err := db.Within(p.t.Context(), func(ctx context.Context, tx *store.Tx) error {
		if _, err := tx.Exec(ctx, `CREATE TABLE gardens (name TEXT)`); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `DROP TABLE schema_version`)
		return err
	}); err != nil {
		p.t.Fatal(err)
	}
}

// Every fault of a configuration is named at once, with what is allowed, and no
// secret with them: not even one that was written where it does not belong.
func TestServeNamesEveryFaultOfAConfiguration(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	token, key := p.env[envToken], p.env[envKey]
	p.write(p.config, fmt.Sprintf("database: /no/such/folder/x\ntoken: %s\ntelegram: {api_url: nonsense, mode: pigeon, token: %s}\nmaster_key: %s\n", token, token, key))
	misplaced := key
	p.env = map[string]string{envToken: "not a token, but secret", envKeyFile: misplaced}
	out := p.run(t.Context(), "serve", "--config", p.config)
	if out.code != 2 || out.stdout != "" {
		t.Errorf("code %d, output %q", out.code, out.stdout)
	}
	for _, word := range []string{"database", "telegram.api_url", "telegram.mode", "telegram.token", "master_key", envToken, envKey} {
		if !strings.Contains(out.stderr, word) {
			t.Errorf("nothing is said about %s:\n%s", word, out.stderr)
		}
	}
	for _, secret := range []string{token, key, "not a token, but secret"} {
		if strings.Contains(out.stderr, secret) {
			t.Errorf("a secret is repeated:\n%s", out.stderr)
		}
	}
}

func TestStaffAdd(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	add := func(args ...string) outcome {
		return p.run(t.Context(), append([]string{"staff", "add", "--config", p.config}, args...)...)
	}
	out := add("--handle", "orrel", "--name", "Tamsin Orrel", "--role", "lead", "--languages", "en,es")
	code, _, _ := strings.Cut(out.stdout, "\n")
	if out.code != 0 || reminders.TidyCode(code) != code || code == "" {
		t.Fatalf("no code: %+v", out)
	}
	s := p.serve()
	if _, err := p.platform.Write(21, code); err != nil {
		t.Fatal(err)
	}
	eventually(t, "she is welcomed", func() bool {
		for _, m := range p.platform.Messages(21) {
			if m.From == loopback.FromBot && strings.Contains(m.Text, "Tamsin Orrel") {
				return true
			}
		}
		return false
	})
	s.end()
	for name, k := range map[string]struct {
		args  []string
		words string
	}{
		"nothing said":      {nil, ""},
		"the handle again":  {[]string{"--handle", "orrel", "--name", "Another", "--role", "lead"}, ""},
		"an unknown role":   {[]string{"--handle", "quoy", "--name", "Bastian Quoy", "--role", "captain"}, ""},
		"an unknown flag":   {[]string{"--colour", "blue"}, "colour"},
		"a name of nothing": {[]string{"--handle", "quoy", "--name", " ", "--role", "lead"}, ""},
	} {
		out := add(k.args...)
		p.refusedOutcome(out, 2, k.words)
		if strings.Contains(out.stderr, "{") {
			t.Errorf("%s: a gap was left: %s", name, out.stderr)
		}
	}
	p.refusedOutcome(p.run(t.Context(), "staff"), 2, "handrail staff add")
}

func TestKey(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	first, second := p.run(t.Context(), "key"), p.run(t.Context(), "key")
	if first.code != 0 || first.stdout == second.stdout {
		t.Errorf("two keys: %+v %+v", first, second)
	}
	if _, err := seal.ParseMasterKey(strings.TrimSpace(first.stdout)); err != nil {
		t.Errorf("the key cannot be used: %v", err)
	}
	// From a file, as it is printed.
	file := filepath.Join(p.folder, "key")
	p.write(file, first.stdout)
	p.env[envKey], p.env[envKeyFile] = "", file
	if out := p.run(t.Context(), "staff", "add", "--config", p.config, "--handle", "orrel", "--name", "Tamsin Orrel", "--role", "lead"); out.code != 0 {
		t.Errorf("a key in a file: %+v", out)
	}
	p.refusedOutcome(p.run(t.Context(), "key", "please"), 2, "key rotate")
}

func TestCommandLine(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	for name, k := range map[string]struct {
		args           []string
		code           int
		stdout, stderr string
	}{
		"nothing":        {nil, 2, "", "usage:"},
		"help":           {[]string{"help"}, 0, "handrail serve", ""},
		"no such thing":  {[]string{"fly"}, 2, "", `"fly" is not a command`},
		"too much":       {[]string{"serve", "now"}, 2, "", "not understood"},
		"help about one": {[]string{"serve", "-h"}, 2, "", "use handrail serve --config F"},
	} {
		out := p.run(t.Context(), k.args...)
		if out.code != k.code || !strings.Contains(out.stdout, k.stdout) || !strings.Contains(out.stderr, k.stderr) {
			t.Errorf("%s: %+v", name, out)
		}
	}
	var stderr bytes.Buffer
	if code := exitCode(errors.New("a disk fell off"), &stderr); code != 1 || stderr.String() != "handrail: a disk fell off\n" {
		t.Errorf("%d, %q", code, stderr.String())
	}
}

// A stop while messages are on the wire lets them land and settles them: the next
// start sends none again.
func TestAGracefulStopLosesAndDoublesNothing(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	patients := p.enrolMany(20)
	if err := p.platform.Misbehave(loopback.Fault{Kind: loopback.Late, Method: "sendMessage", Delay: loopback.Duration(150 * time.Millisecond)}); err != nil {
		t.Fatal(err)
	}
	for _, chat := range patients {
		if _, err := p.platform.Write(chat, "I need a person"); err != nil {
			t.Fatal(err)
		}
	}
	s := p.serve()
	eventually(t, "some are on the wire", func() bool { return p.replies(patients[0]) > 0 })
	if out := s.end(); out.code != 0 {
		t.Errorf("%+v", out)
	}
	p.platform.Behave()
	s = p.serve()
	eventually(t, "all are answered", func() bool {
		for _, chat := range patients {
			if p.replies(chat) == 0 {
				return false
			}
		}
		return true
	})
	s.end()
	for _, chat := range patients {
		if n := p.replies(chat); n != 1 {
			t.Errorf("chat %d got %d answers to one message", chat, n)
		}
	}
}

// enrolMany takes patients in while the program does not run.
func (p *premises) enrolMany(n int) (chats []int64) {
	p.t.Helper()
	master, err := seal.ParseMasterKey(p.env[envKey])
	if err != nil {
		p.t.Fatal(err)
	}
	a, err := newApp(p.t.Context(), setting{database: p.database, durability: store.Full, master: master, policy: plan.DefaultPolicy(), clock: clock.System{}})
	if err != nil {
		p.t.Fatal(err)
	}
	defer a.db.Close()
	if err := a.db.Within(p.t.Context(), func(ctx context.Context, tx *store.Tx) error {
		for i := range n {
			chat := int64(500 + i)
			chats = append(chats, chat)
			p.platform.Introduce(loopback.Person{Chat: chat, Name: "Invented", Language: "en", Started: true})
			if _, err := a.enrol(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("P-%d", 201+i), Name: "Invented", Language: "en"}, chat); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		p.t.Fatal(err)
	}
	return chats
}

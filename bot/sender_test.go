package bot_test

import (
	"bytes"
	"image"
	"image/png"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/bot"
	"handrail.example/bot/loopback"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
)

const maribel = 1001

var start = time.Date(2026, 3, 2, 14, 15, 0, 0, time.UTC)

// bench is a server with one person on it, and a bot that calls it.
type bench struct {
	*loopback.Server
	clock  *clock.Virtual
	client *bot.Client
	sender *bot.Sender
	tether *bot.Tether
}

func setup(t *testing.T) *bench {
	t.Helper()
	v := clock.NewVirtual(start)
	tether := bot.NewTether(v)
	s, err := loopback.Start(loopback.Config{
		Now: v.Now, Hold: v.Hold, Sleep: v.Sleep, Park: tether.Park(v.Linger), Seed: 1,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.Introduce(loopback.Person{Chat: maribel, Name: "Maribel", Language: "es", Started: true})
	c := mustClient(t, s.URL(), s.Token())
	return &bench{s, v, c, bot.NewSender(c), tether}
}

func mustClient(t *testing.T, url, token string) *bot.Client {
	t.Helper()
	c, err := bot.NewClient(url, token)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (b *bench) mustMisbehave(t *testing.T, f loopback.Fault) {
	t.Helper()
	if err := b.Misbehave(f); err != nil {
		t.Fatal(err)
	}
}

func envelope(m outbox.Message) outbox.Envelope {
	return outbox.Envelope{Row: 1, Chat: "1001", Message: m}
}

func pixel(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 4, 3))); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestSendShowsTheMessageToThePerson(t *testing.T) {
	t.Parallel()
	calendar := &outbox.File{Name: "calendar.ics", Media: "text/calendar", Data: []byte("BEGIN:VCALENDAR")}
	buttons := [][]outbox.Button{{{Label: "Taken", Token: "t-1"}, {Label: "Not yet", Token: "t-2"}}, {{Label: "Missed", Token: "t-3"}}}
	shown := [][]loopback.Button{{{Label: "Taken", Token: "t-1"}, {Label: "Not yet", Token: "t-2"}}, {{Label: "Missed", Token: "t-3"}}}
	long := strings.Repeat("word ", 300) // 1500 units: no caption, one message
	type seen struct {
		Text, File string
		Buttons    [][]loopback.Button
	}
	for name, tc := range map[string]struct {
		give outbox.Message
		want []seen
	}{
		"plain text":        {outbox.Message{Text: "Good morning"}, []seen{{Text: "Good morning"}}},
		"markup is text":    {outbox.Message{Text: "<b>5</b> *mg* _x_ [a](b)"}, []seen{{Text: "<b>5</b> *mg* _x_ [a](b)"}}},
		"buttons":           {outbox.Message{Text: "Dose?", Buttons: buttons}, []seen{{Text: "Dose?", Buttons: shown}}},
		"file with caption": {outbox.Message{Text: "Your days", File: calendar, Buttons: buttons}, []seen{{"Your days", "document calendar.ics text/calendar", shown}}},
		"file alone":        {outbox.Message{File: calendar}, []seen{{File: "document calendar.ics text/calendar"}}},
		"file and long text": {outbox.Message{Text: long, File: calendar, Buttons: buttons},
			[]seen{{File: "document calendar.ics text/calendar"}, {Text: strings.TrimSpace(long), Buttons: shown}}},
		"photo":        {outbox.Message{Text: "Map", File: &outbox.File{Name: "map.png", Media: "image/png", Data: pixel(t)}}, []seen{{"Map", "photo map.png image/png", nil}}},
		"broken UTF-8": {outbox.Message{Text: "a\xffb"}, []seen{{Text: "a\uFFFDb"}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t)
			out := b.sender.Send(t.Context(), envelope(tc.give))
			if out.Fate != outbox.Sent || out.External == "" {
				t.Fatalf("outcome %+v, want sent with an id", out)
			}
			var got []seen
			for _, m := range b.Messages(maribel) {
				s := seen{Text: m.Text, Buttons: m.Buttons}
				if m.File != nil {
					s.File = m.File.Kind + " " + m.File.Name + " " + m.File.Media
				}
				got = append(got, s)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestSendSplitsAnOverlongText(t *testing.T) {
	t.Parallel()
	b := setup(t)
	paragraph := strings.Repeat("Señal 🌱 de la clínica. ", 60)
	text := strings.TrimSpace(strings.Repeat(paragraph+"\n\n", 7))
	out := b.sender.Send(t.Context(), envelope(outbox.Message{Text: text, Buttons: [][]outbox.Button{{{Label: "OK", Token: "x"}}}}))
	if out.Fate != outbox.Sent {
		t.Fatalf("outcome %+v", out)
	}
	all := b.Messages(maribel)
	if len(all) < 3 {
		t.Fatalf("%d messages, want at least 3", len(all))
	}
	var words []string
	for i, m := range all {
		if last := i == len(all)-1; (len(m.Buttons) > 0) != last {
			t.Errorf("part %d has %d rows of buttons", i, len(m.Buttons))
		}
		if !strings.HasSuffix(m.Text, ".") {
			t.Errorf("part %d ends in the middle of a sentence", i)
		}
		words = append(words, strings.Fields(m.Text)...)
	}
	if diff := cmp.Diff(strings.Fields(text), words); diff != "" {
		t.Error("words were lost or changed")
	}
}

func TestOutcomes(t *testing.T) {
	t.Parallel()
	two := strings.Repeat("a sentence of words. ", 300)
	for name, tc := range map[string]struct {
		arrange func(*bench)
		fault   loopback.Fault
		give    outbox.Message
		chat    string
		want    outbox.Outcome
		shown   int
	}{
		"throttled": {fault: loopback.Fault{Kind: loopback.Throttle, RetryAfter: 7},
			want: outbox.Outcome{Fate: outbox.Later, After: 7 * time.Second, Class: "throttled"}},
		"blocked": {arrange: func(b *bench) { b.Block(maribel) },
			want: outbox.Outcome{Fate: outbox.Never, Class: "blocked"}},
		"chat not found": {chat: "4242",
			want: outbox.Outcome{Fate: outbox.Never, Class: "chat not found"}},
		"a group": {chat: "-1001",
			want: outbox.Outcome{Fate: outbox.Never, Class: "chat not found"}},
		"a channel": {chat: "@everyone",
			want: outbox.Outcome{Fate: outbox.Never, Class: "chat not found"}},
		"refused": {give: outbox.Message{Text: "x", Buttons: [][]outbox.Button{{{Label: "x", Token: strings.Repeat("t", 65)}}}},
			want: outbox.Outcome{Fate: outbox.Never, Class: "refused"}},
		"nothing to send": {give: outbox.Message{Text: " \n"},
			want: outbox.Outcome{Fate: outbox.Never, Class: "nothing to send"}},
		"5xx in JSON": {fault: loopback.Fault{Kind: loopback.ServerError},
			want: outbox.Outcome{Fate: outbox.Unknown, Class: "server error", Everyone: true}},
		"5xx in HTML": {fault: loopback.Fault{Kind: loopback.BadGateway},
			want: outbox.Outcome{Fate: outbox.Unknown, Class: "server error", Everyone: true}},
		"dropped before": {fault: loopback.Fault{Kind: loopback.DropBefore},
			want: outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}},
		"dropped after": {fault: loopback.Fault{Kind: loopback.DropAfter},
			want: outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}, shown: 1},
		"second part throttled": {give: outbox.Message{Text: two}, fault: loopback.Fault{Kind: loopback.Throttle, Skip: 1},
			want: outbox.Outcome{Fate: outbox.Unknown, After: time.Second, Class: "throttled"}, shown: 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := setup(t)
			if tc.arrange != nil {
				tc.arrange(b)
			}
			if tc.fault.Kind != "" {
				b.mustMisbehave(t, tc.fault)
			}
			e := envelope(tc.give)
			if tc.give.Text == "" {
				e.Message.Text = "Dose at 08:00?"
			}
			if tc.chat != "" {
				e.Chat = tc.chat
			}
			if diff := cmp.Diff(tc.want, b.sender.Send(t.Context(), e)); diff != "" {
				t.Error(diff)
			}
			if got := len(b.Messages(maribel)); got != tc.shown {
				t.Errorf("the person sees %d messages, want %d", got, tc.shown)
			}
		})
	}
}

func TestOutcomesWithoutAProperServer(t *testing.T) {
	t.Parallel()
	free, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	closed := "http://" + free.Addr().String()
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	page := func(code int) string {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(code)
			_, _ = w.Write([]byte("<html>something in between</html>"))
		}))
		t.Cleanup(s.Close)
		return s.URL
	}
	b := setup(t)
	for name, tc := range map[string]struct {
		url, token string
		want       outbox.Outcome
	}{
		"nobody listens":        {closed, b.Token(), outbox.Outcome{Fate: outbox.Later, Class: "server unreachable", Everyone: true}},
		"another bot's token":   {b.URL(), "99:other", outbox.Outcome{Fate: outbox.Later, After: 10 * time.Minute, Class: "token refused", Everyone: true}},
		"a page that says no":   {page(http.StatusForbidden), b.Token(), outbox.Outcome{Fate: outbox.Later, After: time.Minute, Class: "unexpected answer", Everyone: true}},
		"a page that redirects": {page(http.StatusFound), b.Token(), outbox.Outcome{Fate: outbox.Later, After: time.Minute, Class: "unexpected answer", Everyone: true}},
		"a page that says yes":  {page(http.StatusOK), b.Token(), outbox.Outcome{Fate: outbox.Unknown, Class: "unexpected answer"}},
		"a page that is full":   {page(http.StatusRequestEntityTooLarge), b.Token(), outbox.Outcome{Fate: outbox.Never, Class: "refused"}},
	} {
		t.Run(name, func(t *testing.T) {
			s := bot.NewSender(mustClient(t, tc.url, tc.token))
			if diff := cmp.Diff(tc.want, s.Send(t.Context(), envelope(outbox.Message{Text: "hello"}))); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestSendThatRunsOutOfTimeIsUnknown(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.mustMisbehave(t, loopback.Fault{Kind: loopback.Late, Delay: loopback.Duration(time.Minute)})
	b.client.Timeout = 50 * time.Millisecond
	want := outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}
	if diff := cmp.Diff(want, b.sender.Send(t.Context(), envelope(outbox.Message{Text: "hello"}))); diff != "" {
		t.Error(diff)
	}
	if got := len(b.Messages(maribel)); got != 1 {
		t.Errorf("the person sees %d messages, want 1: the call took effect", got)
	}
}

func TestAckAndRetireNeverStandInTheWay(t *testing.T) {
	t.Parallel()
	b := setup(t)
	first := b.sender.Send(t.Context(), envelope(outbox.Message{Text: "Dose?", Buttons: [][]outbox.Button{{{Label: "Taken", Token: "t"}}}}))
	press, err := b.PressToken(maribel, b.Messages(maribel)[0].ID, "t")
	if err != nil {
		t.Fatal(err)
	}
	out := b.sender.Send(t.Context(), envelope(outbox.Message{Text: "Noted", Ack: press, Retire: first.External}))
	if out.Fate != outbox.Sent {
		t.Fatalf("outcome %+v", out)
	}
	if got := b.Messages(maribel)[0].Buttons; got != nil {
		t.Errorf("spent buttons still there: %v", got)
	}
	if got := methodsOf(b.Calls()); got != "sendMessage answerCallbackQuery sendMessage editMessageReplyMarkup" {
		t.Errorf("calls: %s", got)
	}

	out = b.sender.Send(t.Context(), envelope(outbox.Message{Text: "Again", Ack: "no such press", Retire: "999"}))
	if out.Fate != outbox.Sent {
		t.Errorf("a stale press kept the message back: %+v", out)
	}
	out = b.sender.Send(t.Context(), envelope(outbox.Message{Ack: "no such press"}))
	if out.Fate != outbox.Sent || out.External != "" {
		t.Errorf("an answer alone: %+v", out)
	}
}

func methodsOf(calls []loopback.Call) string {
	var names []string
	for _, c := range calls {
		names = append(names, c.Method)
	}
	return strings.Join(names, " ")
}

func TestErrorsHoldNoSecret(t *testing.T) {
	t.Parallel()
	const token = "123456:very-secret"
	for _, url := range []string{"http://127.0.0.1:1", "http://no such host", "http://[::1", "gopher://x"} {
		c := mustClient(t, url, token)
		_, err := c.Me(t.Context())
		if err == nil {
			t.Fatalf("%s: no error", url)
		}
		if text := bot.Explain(err) + err.Error(); strings.Contains(text, "secret") || strings.Contains(text, "123456") {
			t.Errorf("%s: the token is in %q", url, text)
		}
	}
	if _, err := bot.NewClient("", "not a token: very-secret"); err == nil || strings.Contains(err.Error(), "secret") {
		t.Errorf("NewClient: %v", err)
	}
}

func TestClientSetsUpTheBot(t *testing.T) {
	t.Parallel()
	b := setup(t)
	name, err := b.client.Me(t.Context())
	if err != nil || name == "" {
		t.Fatalf("Me: %q, %v", name, err)
	}
	if err := b.client.TakeWebhook(t.Context(), "http://127.0.0.1:1/hook", "s3cret"); err != nil {
		t.Fatal(err)
	}
	if err := b.client.DropWebhook(t.Context()); err != nil {
		t.Fatal(err)
	}
}

package bot_test

import (
	"testing"

	"handrail.example/bot"
	"handrail.example/bot/loopback"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
)

// BenchmarkSend is one message with buttons, from the Sender to the person's
// screen, over HTTP on this machine: what a rehearsal pays for each.
func BenchmarkSend(b *testing.B) {
	v := clock.NewVirtual(start)
	s, err := loopback.Start(loopback.Config{Now: v.Now, Hold: v.Hold, Keep: 100})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	s.Introduce(loopback.Person{Chat: maribel, Started: true})
	c, err := bot.NewClient(s.URL(), s.Token())
	if err != nil {
		b.Fatal(err)
	}
	sender := bot.NewSender(c)
	e := envelope(outbox.Message{Text: "Dose?", Buttons: [][]outbox.Button{{{Label: "Taken", Token: "t-1"}, {Label: "Not yet", Token: "t-2"}}}})
	b.ReportAllocs()
	for b.Loop() {
		if out := sender.Send(b.Context(), e); out.Fate != outbox.Sent {
			b.Fatal(out)
		}
	}
}

// BenchmarkDecode is one update read.
func BenchmarkDecode(b *testing.B) {
	raw := []byte(`{"update_id":42,"message":{` + dated + `,` + person + `,` + private + `,"text":"Me bajó la regla"}}`)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := bot.Decode(raw); err != nil {
			b.Fatal(err)
		}
	}
}

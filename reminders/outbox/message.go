package outbox

import (
	"context"
	"encoding/json"
	"time"
)

// Message is what a person will see, in the terms that any chat has. It is
// complete when it is put into the outbox: nothing is looked up when it is sent.
type Message struct {
	// Text is plain text; markup in it arrives as text.
	Text string `json:"text,omitempty"`
	// Buttons are rows of choices under the text.
	Buttons [][]Button `json:"buttons,omitempty"`
	// File is sent with the text as its caption where it fits, else after it.
	File *File `json:"file,omitempty"`
	// Ack is the platform's id of the button press that this message answers.
	// It is told to the platform first, best effort, so that the button stops
	// spinning. A message may consist of nothing else.
	Ack string `json:"ack,omitempty"`
	// Retire is the external id of an earlier message in the same chat whose
	// buttons are spent and should vanish, best effort.
	Retire string `json:"retire,omitempty"`
	// Silent asks the platform not to sound a notification.
	Silent bool `json:"silent,omitempty"`
}

// Button is one choice. Action is ours and never leaves the database: before a
// message is sent each button is given an opaque, single-use token.
type Button struct {
	Label  string `json:"label"`
	Action string `json:"action"`
	Token  string `json:"-"`
}

// File is a small attachment, a calendar or a picture. A picture is kept as what is to
// be drawn, which is far smaller, and drawn when it is sent: then Data is empty.
type File struct {
	Name  string          `json:"name"`
	Media string          `json:"media"`
	Data  []byte          `json:"data,omitempty"`
	Draw  json.RawMessage `json:"draw,omitempty"`
}

// actions lists what the buttons stand for, in reading order.
func (m Message) actions() []string {
	var all []string
	for _, line := range m.Buttons {
		for _, b := range line {
			all = append(all, b.Action)
		}
	}
	return all
}

// Envelope is a message on its way: the address in the platform's terms, and
// the buttons with their tokens.
type Envelope struct {
	Row     int64
	Chat    string
	Message Message
}

// Sender puts one envelope on the wire. It never panics, never retries, and
// reports what became of it as an Outcome instead of an error, because what
// follows depends on the kind of failure only. Send is called for several chats
// at once, and for alerts also for several messages to one chat.
type Sender interface {
	Send(ctx context.Context, e Envelope) Outcome
}

// Fate is what became of one attempt to send.
type Fate string

// The fates of an attempt.
const (
	// Sent: the platform has it.
	Sent Fate = "sent"
	// Later: the platform refused it for now; nothing was delivered.
	Later Fate = "later"
	// Never: the platform will not deliver it, today or tomorrow.
	Never Fate = "never"
	// Unknown: the answer was lost, so it may or may not have been delivered.
	Unknown Fate = "unknown"
)

// Outcome is the result of one attempt.
type Outcome struct {
	Fate Fate
	// External is the platform's id of the message, when Sent.
	External string
	// After is how long the platform asks to wait, when Later; zero if it did
	// not say.
	After time.Duration
	// Everyone: the wait in After applies to the whole bot, not to this chat.
	Everyone bool
	// Class names the failure for logs and staff in a few fixed words
	// ("blocked", "chat not found", "throttled", "server error", "no answer");
	// never text that the platform sent.
	Class string
}

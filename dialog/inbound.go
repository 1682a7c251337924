package dialog

import "time"

// Kind says what sort of thing came in.
type Kind string

// The kinds of inbound things.
const (
	// Text: somebody wrote.
	Text Kind = "text"
	// Press: somebody pressed a button.
	Press Kind = "press"
	// Media: a photo, a voice message, a file, a sticker, a contact: anything
	// with content that the program does not read. Inbound.Text then holds the
	// caption, if there is one.
	Media Kind = "media"
	// Left: the person blocked the bot or deleted the chat.
	Left Kind = "left"
	// Returned: the person unblocked the bot.
	Returned Kind = "returned"
	// Edited: the person changed an earlier message; Text is the new wording.
	Edited Kind = "edited"
	// Ignored: nothing that a person said (a group's housekeeping, a kind of
	// update that did not exist when this was written).
	Ignored Kind = "ignored"
)

// Inbound is one thing that came from the chat platform, in our own terms.
type Inbound struct {
	// Source and Update identify it: together they are unique for ever.
	Source string
	Update string
	Kind   Kind
	// Chat is the platform's id of a private chat with one person; "" when the
	// update belongs to none (a group), in which case it is Ignored.
	Chat string
	// Text is what was written, at most 4096 characters as the platform has it.
	Text string
	// Token is what the pressed button carries; untrusted.
	Token string
	// PressID answers the press; it is worthless after a few minutes.
	PressID string
	// Message is the platform's id of the message written or pressed on.
	Message string
	// Attachment names what kind of Media came, in one word.
	Attachment string
	// Language is the platform's hint at the person's language ("es"), or "".
	Language string
	// Sent is when the platform says it was sent, UTC. It is the platform's
	// claim: the time of a press is the moment the update was made.
	Sent time.Time
}

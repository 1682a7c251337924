package bot

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"handrail.example/dialog"
)

// source names this platform in dialog.Inbound.
const source = "telegram"

// The parts of an update that we read. They are far fewer than the library's
// types have, on purpose: a change anywhere else in an update must never keep a
// person's words from being read.
type (
	wireUpdate struct {
		ID     int64           `json:"update_id"`
		Said   json.RawMessage `json:"message"`
		Edited json.RawMessage `json:"edited_message"`
		Press  *wirePress      `json:"callback_query"`
		Member *wireMember     `json:"my_chat_member"`
	}
	wireMessage struct {
		ID      int64    `json:"message_id"`
		From    wireUser `json:"from"`
		Chat    wireChat `json:"chat"`
		Date    int64    `json:"date"`
		Changed int64    `json:"edit_date"`
		Text    string   `json:"text"`
		Caption string   `json:"caption"`
	}
	wirePress struct {
		ID      string       `json:"id"`
		From    wireUser     `json:"from"`
		Message *wireMessage `json:"message"`
		Inline  string       `json:"inline_message_id"`
		Data    string       `json:"data"`
	}
	wireMember struct {
		Chat wireChat `json:"chat"`
		From wireUser `json:"from"`
		Date int64    `json:"date"`
		New  struct {
			Status string `json:"status"`
		} `json:"new_chat_member"`
	}
	wireUser struct {
		ID       int64  `json:"id"`
		Language string `json:"language_code"`
	}
	wireChat struct {
		ID   int64  `json:"id"`
		Type string `json:"type"`
	}
)

// attachments are the fields that say what came, and our word for it. The order
// matters: an animation is also a document, a venue also a location.
var attachments = []struct{ field, word string }{
	{"photo", "photo"}, {"voice", "voice"}, {"video_note", "video"}, {"video", "video"},
	{"animation", "animation"}, {"audio", "audio"}, {"document", "document"},
	{"sticker", "sticker"}, {"contact", "contact"}, {"venue", "location"},
	{"location", "location"}, {"poll", "poll"}, {"dice", "dice"}, {"story", "story"},
}

// housekeeping are the fields of messages in a private chat that nobody said.
var housekeeping = []string{
	"pinned_message", "message_auto_delete_timer_changed", "write_access_allowed",
	"connected_website", "chat_background_set", "boost_added",
}

// somethingElse is the Attachment of a message whose content did not exist when
// this was written. A person sent it, so it is not ignored.
const somethingElse = "something"

// Decode says what an update holds. An update of a kind that we do not ask for,
// or from anything but a private chat, is Ignored. The platform gives no time
// for a press, so its Sent is zero. The error names the update and nothing that
// is in it.
func Decode(raw []byte) (dialog.Inbound, error) {
	u, err := parse(raw)
	if err != nil || u.ID == 0 {
		return dialog.Inbound{}, errors.New("an update is no JSON object with an update_id")
	}
	in := dialog.Inbound{Source: source, Update: strconv.FormatInt(u.ID, 10), Kind: dialog.Ignored}
	ok := true
	switch {
	case u.Said != nil:
		ok = readSaid(&in, u.Said)
	case u.Edited != nil:
		ok = readEdited(&in, u.Edited)
	case u.Press != nil:
		ok = readPress(&in, u.Press)
	case u.Member != nil:
		ok = readMember(&in, u.Member)
	}
	if !ok {
		return dialog.Inbound{}, fmt.Errorf("update %d is malformed", u.ID)
	}
	return in, nil
}

// parse reads what it can: a field of the wrong type is left empty and spoils
// nothing else.
func parse(raw []byte) (wireUpdate, error) {
	var u wireUpdate
	err := lenient(json.Unmarshal(raw, &u))
	return u, err
}

func lenient(err error) error {
	if wrong := (*json.UnmarshalTypeError)(nil); errors.As(err, &wrong) {
		return nil
	}
	return err
}

// envelope is the id and the private chat of an update, without a judgement on
// the rest; false when it has no id.
func envelope(raw []byte) (id int64, chat string, ok bool) {
	u, err := parse(raw)
	if err != nil || u.ID == 0 {
		return 0, "", false
	}
	in, err := Decode(raw)
	if err != nil {
		return u.ID, "", true
	}
	return u.ID, in.Chat, true
}

func readSaid(in *dialog.Inbound, raw json.RawMessage) bool {
	var m wireMessage
	if lenient(json.Unmarshal(raw, &m)) != nil || m.Chat.Type == "" {
		return false
	}
	if m.Chat.Type != "private" {
		return true
	}
	fill(in, m)
	if m.Text != "" {
		in.Kind, in.Text = dialog.Text, m.Text
		return true
	}
	in.Kind, in.Text = dialog.Media, m.Caption
	word, said := attachment(raw)
	if in.Attachment = word; !said {
		in.Kind = dialog.Ignored
	}
	return true
}

// readEdited leaves out what changes by itself, as a moving location does.
func readEdited(in *dialog.Inbound, raw json.RawMessage) bool {
	if !readSaid(in, raw) {
		return false
	}
	if in.Kind == dialog.Text || in.Kind == dialog.Media && in.Attachment != "location" {
		in.Kind = dialog.Edited
	} else {
		in.Kind = dialog.Ignored
	}
	return true
}

// readPress copes with a message that the platform no longer shows, or leaves
// out: a private chat has the id of the person in it.
func readPress(in *dialog.Inbound, p *wirePress) bool {
	if p.ID == "" || p.From.ID == 0 {
		return false
	}
	if p.Inline != "" || p.Message != nil && p.Message.Chat.ID != p.From.ID {
		return true
	}
	in.Kind, in.Token, in.PressID, in.Language = dialog.Press, p.Data, p.ID, p.From.Language
	in.Chat = strconv.FormatInt(p.From.ID, 10)
	if p.Message != nil {
		in.Message = strconv.FormatInt(p.Message.ID, 10)
	}
	return true
}

func readMember(in *dialog.Inbound, m *wireMember) bool {
	if m.Chat.Type == "" {
		return false
	}
	if m.Chat.Type != "private" {
		return true
	}
	fill(in, wireMessage{Chat: m.Chat, From: m.From, Date: m.Date})
	switch m.New.Status {
	case "kicked", "left":
		in.Kind = dialog.Left
	case "member":
		in.Kind = dialog.Returned
	}
	return true
}

func fill(in *dialog.Inbound, m wireMessage) {
	in.Chat = strconv.FormatInt(m.Chat.ID, 10)
	in.Language = m.From.Language
	if m.ID != 0 {
		in.Message = strconv.FormatInt(m.ID, 10)
	}
	if at := max(m.Date, m.Changed); at > 0 {
		in.Sent = time.Unix(at, 0).UTC()
	}
}

// attachment is our word for the content of a message without text; false when
// nobody said anything by it.
func attachment(raw json.RawMessage) (word string, said bool) {
	var fields map[string]json.RawMessage
	if json.Unmarshal(raw, &fields) != nil {
		return somethingElse, true
	}
	for _, a := range attachments {
		if fields[a.field] != nil {
			return a.word, true
		}
	}
	for _, f := range housekeeping {
		if fields[f] != nil {
			return "", false
		}
	}
	return somethingElse, true
}

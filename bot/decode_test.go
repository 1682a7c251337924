package bot_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/go-telegram/bot/models"
	"github.com/google/go-cmp/cmp"

	"handrail.example/bot"
	"handrail.example/dialog"
)

const (
	person  = `"from":{"id":1001,"is_bot":false,"first_name":"Maribel","language_code":"es"}`
	private = `"chat":{"id":1001,"type":"private","first_name":"Maribel"}`
	group   = `"chat":{"id":-1001,"type":"group","title":"A group"}`
	dated   = `"message_id":7,"date":1772460900`
)

func TestDecode(t *testing.T) {
	t.Parallel()
	sent := time.Date(2026, 3, 2, 14, 15, 0, 0, time.UTC)
	base := dialog.Inbound{Source: "telegram", Update: "42", Chat: "1001", Message: "7", Language: "es", Sent: sent}
	with := func(f func(*dialog.Inbound)) dialog.Inbound {
		in := base
		f(&in)
		return in
	}
	ignored := dialog.Inbound{Source: "telegram", Update: "42", Kind: dialog.Ignored}
	media := func(word, caption string) dialog.Inbound {
		return with(func(in *dialog.Inbound) { in.Kind, in.Attachment, in.Text = dialog.Media, word, caption })
	}
	message := func(rest string) string {
		return `{"update_id":42,"message":{` + dated + `,` + person + `,` + private + `,` + rest + `}}`
	}
	press := func(rest string) string {
		return `{"update_id":42,"callback_query":{"id":"99",` + person + `,"data":"tok"` + rest + `}}`
	}
	pressed := dialog.Inbound{Source: "telegram", Update: "42", Kind: dialog.Press, Chat: "1001", Token: "tok", PressID: "99", Language: "es"}
	pressed7 := pressed
	pressed7.Message = "7"
	member := func(chat, status string) string {
		return `{"update_id":42,"my_chat_member":{` + chat + `,` + person + `,"date":1772460900,
			"old_chat_member":{"status":"member"},"new_chat_member":{"status":"` + status + `","user":{"id":1}}}}`
	}
	for name, tc := range map[string]struct {
		raw  string
		want dialog.Inbound
	}{
		"text":                     {message(`"text":"Me bajó la regla 🌱"`), with(func(in *dialog.Inbound) { in.Kind, in.Text = dialog.Text, "Me bajó la regla 🌱" })},
		"command":                  {message(`"text":"niña /start","entities":[{"type":"bot_command","offset":5,"length":6}]`), with(func(in *dialog.Inbound) { in.Kind, in.Text = dialog.Text, "niña /start" })},
		"edited":                   {`{"update_id":42,"edited_message":{"message_id":7,"date":1772460000,"edit_date":1772460900,` + person + `,` + private + `,"text":"day 2"}}`, with(func(in *dialog.Inbound) { in.Kind, in.Text = dialog.Edited, "day 2" })},
		"photo":                    {message(`"photo":[{"file_id":"a"}],"caption":"my test"`), media("photo", "my test")},
		"voice":                    {message(`"voice":{"file_id":"a","duration":3}`), media("voice", "")},
		"animation":                {message(`"document":{"file_id":"a"},"animation":{"file_id":"a"}`), media("animation", "")},
		"venue":                    {message(`"location":{"latitude":1,"longitude":2},"venue":{}`), media("location", "")},
		"contact":                  {message(`"contact":{"phone_number":"5550142"}`), media("contact", "")},
		"sticker":                  {message(`"sticker":{"file_id":"a"}`), media("sticker", "")},
		"new kind of content":      {message(`"hologram":{"file_id":"a"}`), media("something", "")},
		"text beside a new field":  {message(`"text":"hello","hologram":["of","a","new","shape"]`), with(func(in *dialog.Inbound) { in.Kind, in.Text = dialog.Text, "hello" })},
		"text beside a wrong type": {message(`"reply_to_message":7,"text":"hello"`), with(func(in *dialog.Inbound) { in.Kind, in.Text = dialog.Text, "hello" })},
		"pinned":                   {message(`"pinned_message":{}`), with(func(in *dialog.Inbound) { in.Kind = dialog.Ignored })},
		"moving location": {`{"update_id":42,"edited_message":{` + dated + `,` + person + `,` + private + `,"location":{}}}`, with(func(in *dialog.Inbound) {
			in.Kind, in.Attachment = dialog.Ignored, "location"
		})},
		"group":                     {`{"update_id":42,"message":{` + dated + `,` + person + `,` + group + `,"text":"hello all"}}`, ignored},
		"group, edited":             {`{"update_id":42,"edited_message":{` + dated + `,` + person + `,` + group + `,"text":"hello all"}}`, ignored},
		"channel":                   {`{"update_id":42,"channel_post":{` + dated + `,` + group + `,"text":"news"}}`, ignored},
		"kind of a later year":      {`{"update_id":42,"crystal_ball":{"vision":[]}}`, ignored},
		"press":                     {press(`,"message":{` + dated + `,` + private + `,"text":"Dose?"}`), pressed7},
		"press, message too old":    {press(`,"message":{"message_id":7,"date":0,` + private + `}`), pressed7},
		"press, no message":         {press(``), pressed},
		"press, message null":       {press(`,"message":null`), pressed},
		"press in a group":          {press(`,"message":{` + dated + `,` + group + `}`), ignored},
		"press on an inline result": {press(`,"inline_message_id":"x"`), ignored},
		"blocked":                   {member(private, "kicked"), with(func(in *dialog.Inbound) { in.Kind, in.Message = dialog.Left, "" })},
		"unblocked":                 {member(private, "member"), with(func(in *dialog.Inbound) { in.Kind, in.Message = dialog.Returned, "" })},
		"put into a group":          {member(group, "member"), ignored},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := bot.Decode([]byte(tc.raw))
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestDecodeRefusesWithoutRepeating(t *testing.T) {
	t.Parallel()
	for name, raw := range map[string]string{
		"no JSON":            `I am bleeding`,
		"half of it":         `{"update_id":42,"message":{"text":"I am bleeding`,
		"no id":              `{"message":{"text":"I am bleeding"}}`,
		"id of another type": `{"update_id":"I am bleeding"}`,
		"a list":             `["I am bleeding"]`,
		"message is a text":  `{"update_id":42,"message":"I am bleeding"}`,
		"no chat":            `{"update_id":42,"message":{"text":"I am bleeding"}}`,
		"press of nobody":    `{"update_id":42,"callback_query":{"id":"9","data":"I am bleeding"}}`,
		"member of nothing":  `{"update_id":42,"my_chat_member":{}}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := bot.Decode([]byte(raw))
			if err == nil {
				t.Fatal("no error")
			}
			if strings.Contains(err.Error(), "bleeding") {
				t.Errorf("the error holds a patient's words: %v", err)
			}
		})
	}
}

// The bot library's own types are the independent reader: where it can read an
// update, it must see the text, the chat and the button that we see.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(`{"update_id":42,"message":{` + dated + `,` + person + `,` + private + `,"text":"hola"}}`))
	f.Add([]byte(`{"update_id":42,"callback_query":{"id":"99",` + person + `,"data":"tok"}}`))
	f.Add([]byte(`{"update_id":42,"message":{"message_id":"seven","chat":{"type":"private"},"text":{"a":1}}}`))
	f.Add([]byte(`{"update_id":42,"my_chat_member":{` + private + `,"new_chat_member":{"status":"kicked"}}}`))
	f.Add([]byte(`{"update_id":1e3,"edited_message":null}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		in, err := bot.Decode(raw)
		if err != nil {
			return
		}
		if in.Source != "telegram" || in.Update == "" || in.Kind == "" {
			t.Errorf("incomplete: %+v", in)
		}
		if !utf8.ValidString(in.Text + in.Token) {
			t.Error("text that is not UTF-8")
		}
		if in.Kind != dialog.Ignored && in.Chat == "" {
			t.Errorf("%s from nowhere", in.Kind)
		}
		var u models.Update
		if json.Unmarshal(raw, &u) != nil || repeatsKeys(raw) {
			return
		}
		if m := u.Message; m != nil && in.Kind == dialog.Text && in.Text != m.Text {
			t.Errorf("text %q, the library reads %q", in.Text, m.Text)
		}
		if in.Kind == dialog.Press && in.Token != u.CallbackQuery.Data {
			t.Errorf("token %q, the library reads %q", in.Token, u.CallbackQuery.Data)
		}
	})
}

// repeatsKeys keeps odd JSON out of the comparison: with a key twice, or a null
// for an object, readers rightly differ.
func repeatsKeys(raw []byte) bool {
	var back bytes.Buffer
	var v any
	if json.Unmarshal(raw, &v) != nil || bytes.Contains(raw, []byte("null")) {
		return true
	}
	_ = json.NewEncoder(&back).Encode(v)
	return bytes.Count(raw, []byte(":")) != bytes.Count(back.Bytes(), []byte(":"))
}

package bot

import (
	"bytes"
	"context"
	"errors"
	"strconv"
	"strings"

	telegram "github.com/go-telegram/bot"
	"github.com/go-telegram/bot/models"

	"handrail.example/reminders/outbox"
)

// Sender puts messages on the wire: plain text, buttons, one file.
type Sender struct{ client *Client }

var _ outbox.Sender = (*Sender)(nil)

// NewSender sends through c.
func NewSender(c *Client) *Sender { return &Sender{c} }

// Send answers the press that the message replies to, sends the message, and
// takes away the buttons that are spent. Only the message itself counts: the
// other two are hints to the person's screen.
func (s *Sender) Send(ctx context.Context, e outbox.Envelope) outbox.Outcome {
	if !privateChat(e.Chat) {
		return outbox.Outcome{Fate: outbox.Never, Class: classNoChat}
	}
	m := e.Message
	all := steps(m)
	if len(all) == 0 && (len(m.Buttons) > 0 || m.Ack == "" && m.Retire == "") {
		return outbox.Outcome{Fate: outbox.Never, Class: classEmpty}
	}
	if m.Ack != "" {
		s.answer(ctx, m.Ack)
	}
	out := s.sendAll(ctx, e.Chat, all)
	if m.Retire != "" && out.Fate == outbox.Sent {
		s.retire(ctx, e.Chat, m.Retire)
	}
	return out
}

// privateChat reports whether chat is the id of a person: those of groups are
// negative, and a name would be a public channel.
func privateChat(chat string) bool {
	id, err := strconv.ParseInt(chat, 10, 64)
	return err == nil && id > 0
}

// step is one call of a message that needs several.
type step struct {
	text    string
	file    *outbox.File
	buttons [][]outbox.Button
	silent  bool
}

// steps cuts a message into calls. The buttons go under the last one; a file
// comes first and takes the text along when it fits as a caption.
func steps(m outbox.Message) []step {
	text := strings.TrimSpace(strings.ToValidUTF8(m.Text, "\uFFFD"))
	var all []step
	if m.File != nil {
		all = append(all, step{file: m.File})
		if units(text) <= maxCaption {
			all[0].text, text = text, ""
		}
	}
	if text != "" {
		for _, part := range split(text, maxText) {
			if part = strings.TrimSpace(part); part != "" {
				all = append(all, step{text: part})
			}
		}
	}
	for i := range all {
		all[i].silent = m.Silent
	}
	if len(all) > 0 {
		all[len(all)-1].buttons = m.Buttons
	}
	return all
}

// sendAll makes the calls in turn. Once a part has gone out, the message as a
// whole can neither be taken back nor sent afresh: what follows is unknown.
func (s *Sender) sendAll(ctx context.Context, chat string, all []step) outbox.Outcome {
	out := outbox.Outcome{Fate: outbox.Sent}
	for i, st := range all {
		id, err := s.sendOne(ctx, chat, st)
		if f := (*Failure)(nil); errors.As(err, &f) {
			out = f.outcome()
			if i > 0 {
				out.Fate = outbox.Unknown
			}
			return out
		}
		out.External = strconv.Itoa(id)
	}
	return out
}

func (s *Sender) sendOne(ctx context.Context, chat string, st step) (id int, err error) {
	method, call := "sendMessage", s.sendText
	switch {
	case st.file != nil && isPhoto(st.file.Media):
		method, call = "sendPhoto", s.sendPhoto
	case st.file != nil:
		method, call = "sendDocument", s.sendDocument
	}
	err = s.client.do(ctx, method, s.client.Timeout, func(ctx context.Context) error {
		m, err := call(ctx, chat, st)
		if err == nil {
			id = m.ID
		}
		return err
	})
	return id, err
}

// sendText asks for no preview of links: the platform would fetch them.
func (s *Sender) sendText(ctx context.Context, chat string, st step) (*models.Message, error) {
	return s.client.api.SendMessage(ctx, &telegram.SendMessageParams{
		ChatID:              chat,
		Text:                st.text,
		LinkPreviewOptions:  &models.LinkPreviewOptions{IsDisabled: telegram.True()},
		DisableNotification: st.silent,
		ReplyMarkup:         keyboard(st.buttons),
	})
}

func (s *Sender) sendDocument(ctx context.Context, chat string, st step) (*models.Message, error) {
	return s.client.api.SendDocument(ctx, &telegram.SendDocumentParams{
		ChatID:              chat,
		Document:            upload(st.file),
		Caption:             st.text,
		DisableNotification: st.silent,
		ReplyMarkup:         keyboard(st.buttons),
	})
}

func (s *Sender) sendPhoto(ctx context.Context, chat string, st step) (*models.Message, error) {
	return s.client.api.SendPhoto(ctx, &telegram.SendPhotoParams{
		ChatID:              chat,
		Photo:               upload(st.file),
		Caption:             st.text,
		DisableNotification: st.silent,
		ReplyMarkup:         keyboard(st.buttons),
	})
}

func upload(f *outbox.File) models.InputFile {
	return &models.InputFileUpload{Filename: f.Name, Data: bytes.NewReader(f.Data)}
}

func isPhoto(media string) bool { return media == "image/jpeg" || media == "image/png" }

// keyboard is nil, and not an empty keyboard, when there are no buttons: the
// field is then left out.
func keyboard(rows [][]outbox.Button) models.ReplyMarkup {
	if len(rows) == 0 {
		return nil
	}
	out := make([][]models.InlineKeyboardButton, len(rows))
	for i, row := range rows {
		for _, b := range row {
			out[i] = append(out[i], models.InlineKeyboardButton{Text: b.Label, CallbackData: b.Token})
		}
	}
	return &models.InlineKeyboardMarkup{InlineKeyboard: out}
}

// answer stops the pressed button from spinning.
func (s *Sender) answer(ctx context.Context, press string) {
	_ = s.client.do(ctx, "answerCallbackQuery", hintTimeout, func(ctx context.Context) error {
		_, err := s.client.api.AnswerCallbackQuery(ctx, &telegram.AnswerCallbackQueryParams{CallbackQueryID: press})
		return err
	})
}

// retire takes the buttons from an earlier message.
func (s *Sender) retire(ctx context.Context, chat, message string) {
	id, err := strconv.Atoi(message)
	if err != nil {
		return
	}
	_ = s.client.do(ctx, "editMessageReplyMarkup", hintTimeout, func(ctx context.Context) error {
		_, err := s.client.api.EditMessageReplyMarkup(ctx, &telegram.EditMessageReplyMarkupParams{
			ChatID: chat, MessageID: id,
			ReplyMarkup: &models.InlineKeyboardMarkup{InlineKeyboard: [][]models.InlineKeyboardButton{}},
		})
		return err
	})
}

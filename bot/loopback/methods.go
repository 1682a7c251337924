package loopback

import (
	"bytes"
	"encoding/json"
	"image"
	"net/http"
	"path"
	"strconv"
	"strings"
	"unicode/utf8"
)

// command is one entry of the bot's menu.
type command struct {
	Command     string `json:"command"`
	Description string `json:"description"`
}

func badRequest(why string) *failure { return fail(http.StatusBadRequest, "Bad Request: "+why) }

func (s *Server) getMe(*call) (any, *failure) {
	return merge(s.botJSON(), map[string]any{
		"can_join_groups": false, "can_read_all_group_messages": false, "supports_inline_queries": false,
	}), nil
}

// recipient is the chat that a call writes to, if it may.
func (s *Server) recipient(c *call) (*chat, *failure) {
	if !c.has("chat_id") {
		return nil, badRequest("chat_id is empty")
	}
	id, err := strconv.ParseInt(c.text("chat_id"), 10, 64)
	to := s.chats[id]
	if err != nil || to == nil || !to.Started {
		return nil, badRequest("chat not found")
	}
	if to.blocked {
		return nil, fail(http.StatusForbidden, "Forbidden: bot was blocked by the user")
	}
	return to, nil
}

func (s *Server) sendMessage(c *call) (any, *failure) {
	to, bad := s.recipient(c)
	if bad != nil {
		return nil, bad
	}
	text, bad := c.words("text", MaxText, "message is too long")
	if bad != nil {
		return nil, bad
	}
	if text == "" {
		return nil, badRequest("message text is empty")
	}
	return s.put(c, to, &Message{Text: text})
}

func (s *Server) sendDocument(c *call) (any, *failure) { return s.sendFile(c, "document") }

func (s *Server) sendPhoto(c *call) (any, *failure) { return s.sendFile(c, "photo") }

func (s *Server) sendFile(c *call, kind string) (any, *failure) {
	to, bad := s.recipient(c)
	if bad != nil {
		return nil, bad
	}
	caption, bad := c.words("caption", MaxCaption, "message caption is too long")
	if bad != nil {
		return nil, bad
	}
	up, ok := c.files[kind]
	switch {
	case !ok:
		return nil, badRequest("there is no " + kind + " in the request")
	case len(up.data) == 0:
		return nil, badRequest("file must be non-empty")
	}
	if _, _, err := image.DecodeConfig(bytes.NewReader(up.data)); kind == "photo" && err != nil {
		return nil, badRequest("IMAGE_PROCESS_FAILED")
	}
	file := &File{Kind: kind, Name: path.Base(up.name), Media: mediaOf(up.name), Data: up.data}
	return s.put(c, to, &Message{Text: caption, File: file})
}

// put puts a message of the bot into a chat.
func (s *Server) put(c *call, to *chat, m *Message) (any, *failure) {
	rows, bad := c.keyboard()
	if bad != nil {
		return nil, bad
	}
	m.Chat, m.From, m.Buttons, m.At = to.Chat, FromBot, rows, c.at
	m.Silent = c.text("disable_notification") == "true"
	s.append(to, m)
	c.result, c.event = m, "message"
	return s.messageJSON(to, m), nil
}

func (s *Server) editKeyboard(c *call) (any, *failure) {
	return s.edit(c, func(m *Message) *failure { return nil })
}

func (s *Server) editText(c *call) (any, *failure) {
	return s.edit(c, func(m *Message) *failure {
		text, bad := c.words("text", MaxText, "message is too long")
		if bad == nil && text == "" {
			bad = badRequest("message text is empty")
		}
		m.Text = text
		return bad
	})
}

// edit changes a message of the bot: its buttons become those of the call, and
// change does the rest.
func (s *Server) edit(c *call, change func(*Message) *failure) (any, *failure) {
	to, bad := s.recipient(c)
	if bad != nil {
		return nil, bad
	}
	id, bad := c.whole("message_id")
	if bad != nil {
		return nil, bad
	}
	m := to.find(int(id))
	if m == nil {
		return nil, badRequest("message to edit not found")
	}
	if m.From != FromBot {
		return nil, badRequest("message can't be edited")
	}
	next := *m
	if bad := change(&next); bad != nil {
		return nil, bad
	}
	if next.Buttons, bad = c.keyboard(); bad != nil {
		return nil, bad
	}
	if next.Text == m.Text && sameButtons(next.Buttons, m.Buttons) {
		return nil, badRequest("message is not modified: specified new message content and reply markup are exactly the same as a current content and reply markup of the message")
	}
	next.Edited = c.at
	*m = next
	c.result, c.event = m, "edited"
	return s.messageJSON(to, m), nil
}

func sameButtons(a, b [][]Button) bool {
	x, _ := json.Marshal(a)
	y, _ := json.Marshal(b)
	return len(a) == 0 && len(b) == 0 || bytes.Equal(x, y)
}

func (s *Server) answerPress(c *call) (any, *failure) {
	id := c.text("callback_query_id")
	at, ok := s.presses[id]
	if !ok || c.at.Sub(at) > PressLife {
		delete(s.presses, id)
		return nil, badRequest("query is too old and response timeout expired or query ID is invalid")
	}
	c.event, c.press = "answered", id
	return true, nil
}

func (s *Server) getFile(c *call) (any, *failure) {
	f := s.files[c.text("file_id")]
	if f == nil {
		return nil, badRequest("invalid file_id")
	}
	return merge(refJSON(f), map[string]any{"file_path": f.Kind + "s/" + f.ID}), nil
}

// serveFile hands out <token>/<kind>s/<id>.
func (s *Server) serveFile(w http.ResponseWriter, rest string) {
	token, where, _ := strings.Cut(rest, "/")
	s.mu.Lock()
	f := s.files[path.Base(where)]
	s.mu.Unlock()
	if token != s.cfg.Token || f == nil {
		answer(w, nil, fail(http.StatusNotFound, "Not Found"))
		return
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	_, _ = w.Write(f.Data)
}

func (s *Server) setCommands(c *call) (any, *failure) {
	var list []command
	if json.Unmarshal([]byte(c.text("commands")), &list) != nil {
		return nil, badRequest("can't parse commands JSON object")
	}
	for _, x := range list {
		if len(x.Command) < 1 || len(x.Command) > 32 || strings.ToLower(x.Command) != x.Command {
			return nil, badRequest("BOT_COMMAND_INVALID")
		}
		if x.Description == "" || units(x.Description) > 256 {
			return nil, badRequest("BOT_COMMAND_DESCRIPTION_INVALID")
		}
	}
	s.commands = list
	return true, nil
}

func (s *Server) getCommands(*call) (any, *failure) {
	return append([]command{}, s.commands...), nil
}

// words reads a text as the platform does: trimmed, well-formed, in bounds.
func (c *call) words(name string, limit int, tooLong string) (string, *failure) {
	text := c.text(name)
	if !utf8.ValidString(text) {
		return "", badRequest("strings must be encoded in UTF-8")
	}
	if c.has("parse_mode") {
		return "", badRequest("this server reads no markup: leave parse_mode out")
	}
	text = strings.TrimSpace(text)
	if units(text) > limit {
		return "", badRequest(tooLong)
	}
	return text, nil
}

// keyboard reads the buttons under a message.
func (c *call) keyboard() ([][]Button, *failure) {
	if !c.has("reply_markup") {
		return nil, nil
	}
	var markup struct {
		Rows [][]struct {
			Text string  `json:"text"`
			Data *string `json:"callback_data"`
		} `json:"inline_keyboard"`
	}
	if json.Unmarshal([]byte(c.text("reply_markup")), &markup) != nil {
		return nil, badRequest("can't parse reply keyboard markup JSON object")
	}
	var rows [][]Button
	n := 0
	for _, row := range markup.Rows {
		var out []Button
		for _, b := range row {
			switch {
			case strings.TrimSpace(b.Text) == "":
				return nil, badRequest("can't parse inline keyboard button: Field \"text\" must be of type String")
			case b.Data == nil:
				return nil, badRequest("can't parse inline keyboard button: Text buttons are unallowed in the inline keyboard")
			case len(*b.Data) < 1 || len(*b.Data) > MaxToken:
				return nil, badRequest("BUTTON_DATA_INVALID")
			}
			out = append(out, Button{Label: b.Text, Token: *b.Data})
			n++
		}
		if len(out) > 0 {
			rows = append(rows, out)
		}
	}
	if n > 100 {
		return nil, badRequest("reply markup is too long")
	}
	return rows, nil
}

// mediaOf is the media type of a file by its name, for the few that occur.
func mediaOf(name string) string {
	switch strings.ToLower(path.Ext(name)) {
	case ".ics":
		return "text/calendar"
	case ".png":
		return "image/png"
	case ".jpg", ".jpeg":
		return "image/jpeg"
	case ".txt":
		return "text/plain"
	case ".pdf":
		return "application/pdf"
	default:
		return "application/octet-stream"
	}
}

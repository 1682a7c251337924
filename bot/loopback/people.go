package loopback

import (
	"errors"
	"fmt"
	"maps"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
)

// Person is somebody with a private chat with the bot. Their chat's id is also
// their own.
type Person struct {
	Chat     int64
	Name     string
	Language string
	// Started: the conversation has begun, so that the bot may write.
	Started bool
}

// Author says whose words a message holds.
type Author string

// The two sides of a private chat.
const (
	FromBot    Author = "bot"
	FromPerson Author = "person"
)

// Message is one entry of a chat as the person sees it.
type Message struct {
	ID      int
	Chat    int64
	From    Author
	Text    string
	Buttons [][]Button
	File    *File
	Silent  bool
	At      time.Time
	Edited  time.Time // zero: never
	// Update is the id under which a person's message went to the bot.
	Update int64
}

// Button is one choice under a message.
type Button struct {
	Label string
	Token string
}

// File is an attachment. Kind is "document", "photo", "voice" or another of the
// platform's words.
type File struct {
	ID    string
	Kind  string
	Name  string
	Media string
	Data  []byte
}

// Event is one change that somebody may watch for.
type Event struct {
	// Kind is "message", "edited", "pressed", "answered", "blocked" or
	// "unblocked".
	Kind    string
	Chat    int64
	Message Message
	// Press is the id of the button press that was made or answered.
	Press string
	// Update is the id under which what a person did goes to the bot; 0 for what
	// the bot did, or for what it did not ask to hear of.
	Update int64
}

type chat struct {
	Person
	blocked  bool
	last     time.Time // of the last message to it, for the limit
	messages []*Message
}

// Introduce makes a person known. Only one who has Started can be written to.
func (s *Server) Introduce(p Person) {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.chat(p.Chat)
	p.Started = p.Started || c.Started
	c.Person = p
}

// Write has the person of a chat send text, 1 to MaxText UTF-16 units, and
// starts the conversation if it has not begun.
func (s *Server) Write(chat int64, text string) (Message, error) {
	if n := units(text); n == 0 || n > MaxText {
		return Message{}, fmt.Errorf("a text has 1 to %d units, this one %d", MaxText, n)
	}
	return s.say(chat, text, nil)
}

// SendMedia has the person send something with content that is not text: kind
// is "photo", "voice", "document", "video", "sticker", "contact" or "location".
func (s *Server) SendMedia(chat int64, kind, caption string) (Message, error) {
	if !mediaKinds[kind] {
		return Message{}, fmt.Errorf("no person can send a %q", kind)
	}
	return s.say(chat, caption, &File{Kind: kind, Name: kind, Media: "application/octet-stream", Data: []byte(kind)})
}

func (s *Server) say(id int64, text string, file *File) (Message, error) {
	s.mu.Lock()
	c := s.chat(id)
	if c.blocked {
		s.mu.Unlock()
		return Message{}, errors.New("this person has blocked the bot and must unblock it first")
	}
	c.Started = true
	m := &Message{Chat: id, From: FromPerson, Text: text, File: file, At: s.cfg.Now()}
	s.append(c, m)
	m.Update = s.inject("message", id, map[string]any{"message": s.messageJSON(c, m)})
	out := *m
	s.mu.Unlock()
	s.tell(Event{Kind: "message", Chat: id, Message: out, Update: out.Update})
	return out, nil
}

// Edit has the person change the wording of an earlier message of theirs.
func (s *Server) Edit(chat int64, message int, text string) (int64, error) {
	s.mu.Lock()
	c := s.chat(chat)
	m := c.find(message)
	if m == nil || m.From != FromPerson {
		s.mu.Unlock()
		return 0, errors.New("a person can edit only a message of theirs")
	}
	m.Text, m.Edited = text, s.cfg.Now()
	update := s.inject("edited_message", chat, map[string]any{"edited_message": s.messageJSON(c, m)})
	out := *m
	s.mu.Unlock()
	s.tell(Event{Kind: "edited", Chat: chat, Message: out, Update: update})
	return update, nil
}

// Press has the person press the button in the given row and column, both from
// zero, under a message of theirs. It returns the id of the press.
func (s *Server) Press(chat int64, message, row, col int) (string, error) {
	s.mu.Lock()
	m := s.chat(chat).find(message)
	if m == nil || row < 0 || row >= len(m.Buttons) || col < 0 || col >= len(m.Buttons[row]) {
		s.mu.Unlock()
		return "", errors.New("no such button under this message now")
	}
	token := m.Buttons[row][col].Token
	s.mu.Unlock()
	return s.PressToken(chat, message, token)
}

// PressToken has the person send any token as pressed under a message, as a
// phone does that lags behind, or one that lies.
func (s *Server) PressToken(chat int64, message int, token string) (string, error) {
	s.mu.Lock()
	c := s.chat(chat)
	if c.blocked || !c.Started {
		s.mu.Unlock()
		return "", errors.New("this person has no conversation with the bot")
	}
	now := s.cfg.Now()
	id := strconv.FormatUint(s.rnd.Uint64()>>1, 10)
	maps.DeleteFunc(s.presses, func(_ string, at time.Time) bool { return now.Sub(at) > PressLife })
	s.presses[id] = now
	query := map[string]any{"id": id, "from": userJSON(c), "chat_instance": strconv.FormatInt(chat, 10), "data": token}
	if m := c.find(message); m != nil {
		query["message"] = s.messageJSON(c, m)
	} else {
		query["message"] = map[string]any{"chat": chatJSON(c), "message_id": message, "date": 0}
	}
	update := s.inject("callback_query", chat, map[string]any{"callback_query": query})
	s.mu.Unlock()
	s.tell(Event{Kind: "pressed", Chat: chat, Press: id, Update: update})
	return id, nil
}

// Block has the person block the bot: it is told so, and cannot write any more.
func (s *Server) Block(chat int64) { s.setBlocked(chat, true) }

// Unblock has the person let the bot write again.
func (s *Server) Unblock(chat int64) { s.setBlocked(chat, false) }

func (s *Server) setBlocked(id int64, blocked bool) {
	s.mu.Lock()
	c := s.chat(id)
	if c.blocked == blocked {
		s.mu.Unlock()
		return
	}
	c.blocked = blocked
	before, after, kind := "member", "kicked", "blocked"
	if !blocked {
		before, after, kind = after, before, "unblocked"
	}
	update := s.inject("my_chat_member", id, map[string]any{"my_chat_member": map[string]any{
		"chat": chatJSON(c), "from": userJSON(c), "date": s.cfg.Now().Unix(),
		"old_chat_member": s.memberJSON(before), "new_chat_member": s.memberJSON(after),
	}})
	s.mu.Unlock()
	s.tell(Event{Kind: kind, Chat: id, Update: update})
}

// Messages is what the person of a chat sees, oldest first.
func (s *Server) Messages(chat int64) []Message {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.chats[chat]
	if c == nil {
		return nil
	}
	out := make([]Message, len(c.messages))
	for i, m := range c.messages {
		out[i] = *m
	}
	return out
}

// Watch calls f for every change, before the bot gets the answer to the call that
// made it. f may call the server; it must be safe for calls at the same time.
func (s *Server) Watch(f func(Event)) (stop func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.watchSeq++
	id := s.watchSeq
	s.watchers[id] = f
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.watchers, id)
	}
}

// tell is called without the lock, so that a watcher may use the server.
func (s *Server) tell(e Event) {
	s.mu.Lock()
	all := make([]func(Event), 0, len(s.watchers))
	for i := 1; i <= s.watchSeq; i++ {
		if f := s.watchers[i]; f != nil {
			all = append(all, f)
		}
	}
	s.mu.Unlock()
	for _, f := range all {
		f(e)
	}
}

func (s *Server) chat(id int64) *chat {
	c := s.chats[id]
	if c == nil {
		c = &chat{Person: Person{Chat: id, Name: "Person " + strconv.FormatInt(id, 10)}}
		s.chats[id] = c
	}
	return c
}

func (s *Server) append(c *chat, m *Message) {
	s.messages++
	m.ID = s.messages
	if m.File != nil && m.File.ID == "" {
		m.File.ID = "file-" + strconv.Itoa(m.ID)
		s.files[m.File.ID] = m.File
	}
	c.messages = append(c.messages, m)
	if s.cfg.Keep > 0 && len(c.messages) > s.cfg.Keep {
		if old := c.messages[0].File; old != nil {
			delete(s.files, old.ID)
		}
		c.messages = c.messages[1:]
	}
}

func (c *chat) find(id int) *Message {
	for i := len(c.messages) - 1; i >= 0; i-- {
		if c.messages[i].ID == id {
			return c.messages[i]
		}
	}
	return nil
}

// units is the length of s as the platform counts it.
func units(s string) int { return len(utf16.Encode([]rune(s))) }

// isCommand reports whether text opens with a command, and its length in units.
func isCommand(text string) (int, bool) {
	if !strings.HasPrefix(text, "/") {
		return 0, false
	}
	word, _, _ := strings.Cut(text, " ")
	return units(word), len(word) > 1
}

// Blocked reports whether the person has blocked the bot.
func (s *Server) Blocked(chat int64) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.chats[chat]
	return c != nil && c.blocked
}

func (s *Server) file(id string) (File, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f := s.files[id]
	if f == nil {
		return File{}, false
	}
	return *f, true
}

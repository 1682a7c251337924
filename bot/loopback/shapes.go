package loopback

import (
	"bytes"
	"image"
	_ "image/jpeg" // sizes of photos
	_ "image/png"  // sizes of photos
	"strconv"
	"strings"
)

// The shapes of the platform's objects. Maps are used on purpose: a field that
// is absent there must be absent here.

var mediaKinds = map[string]bool{
	"photo": true, "voice": true, "document": true, "video": true,
	"sticker": true, "contact": true, "location": true,
}

func (s *Server) botID() int64 {
	id, _, _ := strings.Cut(s.cfg.Token, ":")
	n, _ := strconv.ParseInt(id, 10, 64)
	return n
}

func (s *Server) botJSON() map[string]any {
	return map[string]any{"id": s.botID(), "is_bot": true, "first_name": "Clinic", "username": "loopback_clinic_bot"}
}

func (s *Server) memberJSON(status string) map[string]any {
	m := map[string]any{"user": s.botJSON(), "status": status}
	if status == "kicked" {
		m["until_date"] = 0
	}
	return m
}

func userJSON(c *chat) map[string]any {
	u := map[string]any{"id": c.Chat, "is_bot": false, "first_name": c.Name}
	if c.Language != "" {
		u["language_code"] = c.Language
	}
	return u
}

func chatJSON(c *chat) map[string]any {
	return map[string]any{"id": c.Chat, "type": "private", "first_name": c.Name}
}

func (s *Server) messageJSON(c *chat, m *Message) map[string]any {
	out := map[string]any{"message_id": m.ID, "date": m.At.Unix(), "chat": chatJSON(c)}
	if m.From == FromBot {
		out["from"] = s.botJSON()
	} else {
		out["from"] = userJSON(c)
	}
	if !m.Edited.IsZero() {
		out["edit_date"] = m.Edited.Unix()
	}
	words := "text"
	if m.File != nil {
		words = "caption"
		out[m.File.Kind] = fileJSON(c, m.File)
	}
	if m.Text != "" {
		out[words] = m.Text
	}
	if n, ok := isCommand(m.Text); ok && m.File == nil {
		out["entities"] = []any{map[string]any{"type": "bot_command", "offset": 0, "length": n}}
	}
	if len(m.Buttons) > 0 {
		out["reply_markup"] = map[string]any{"inline_keyboard": keyboardJSON(m.Buttons)}
	}
	return out
}

func keyboardJSON(rows [][]Button) [][]map[string]any {
	out := make([][]map[string]any, len(rows))
	for i, row := range rows {
		for _, b := range row {
			out[i] = append(out[i], map[string]any{"text": b.Label, "callback_data": b.Token})
		}
	}
	return out
}

func fileJSON(c *chat, f *File) any {
	switch f.Kind {
	case "photo":
		w, h := 90, 90
		if size, _, err := image.DecodeConfig(bytes.NewReader(f.Data)); err == nil {
			w, h = size.Width, size.Height
		}
		return []any{merge(refJSON(f), map[string]any{"width": w, "height": h})}
	case "contact":
		return map[string]any{"phone_number": "5550142", "first_name": c.Name}
	case "location":
		return map[string]any{"latitude": 41.0, "longitude": -93.0}
	case "voice":
		return merge(refJSON(f), map[string]any{"duration": 3, "mime_type": "audio/ogg"})
	case "video":
		return merge(refJSON(f), map[string]any{"duration": 3, "width": 90, "height": 90})
	case "sticker":
		return merge(refJSON(f), map[string]any{"width": 512, "height": 512, "is_animated": false, "is_video": false, "type": "regular"})
	default:
		return merge(refJSON(f), map[string]any{"file_name": f.Name, "mime_type": f.Media})
	}
}

func refJSON(f *File) map[string]any {
	return map[string]any{"file_id": f.ID, "file_unique_id": "u-" + f.ID, "file_size": len(f.Data)}
}

func merge(a, b map[string]any) map[string]any {
	for k, v := range b {
		a[k] = v
	}
	return a
}

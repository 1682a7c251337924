package dialog_test

import (
	"context"
	"errors"
	"testing"

	"handrail.example/dialog"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// errUndo takes back what a try did.
var errUndo = errors.New("undo")

// Whatever any of the staff writes is done or refused in words. What a button stands
// for was written by the program; which of them is pressed is tried by FuzzPress.
func FuzzStaffChat(f *testing.F) {
	for _, line := range []string{"help", "cases", "today", "P-105", "P-105 scan right 18 16 left 12 lining 8.1", "P-105 facts", "take 1", "answer 1 hola", "close 1 phoned",
		"rota lead 2026-03-12 19:00 to 2026-03-13 07:00", "staff add x", "save", "P-999 hush", "\x00\xff", "{who} <b>=1+1"} {
		f.Add(line, uint8(0))
		f.Add(line, uint8(3))
	}
	r := openRoom(f)
	f.Fuzz(func(t *testing.T, text string, who uint8) {
		in := dialog.Inbound{Kind: dialog.Text, Text: text, Chat: "lead", Sent: r.clk.Now()}
		r.item++
		var fault error
		if err := r.db.Within(context.Background(), func(ctx context.Context, tx *store.Tx) error {
			from := dialog.FromStaff{Who: r.team[triage.Roles[int(who)%len(triage.Roles)]], Item: r.item, In: in}
			fault = r.staff.Receive(ctx, tx, from)
			return errUndo
		}); !errors.Is(err, errUndo) || fault != nil {
			t.Fatalf("%q: %v, %v", text, fault, err)
		}
	})
}

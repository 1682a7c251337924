package care

import (
	"fmt"

	"handrail.example/dialog/phrase"
)

// Closure says whom a closing hits and what becomes of them, a line each.
func (w Words) Closure(k Closure) []string {
	rows := []string{w.phrase("staff.closing", phrase.Args{"from": k.From.String(), "to": k.To.String(), "part": w.phrase("word.part_"+string(k.Part), nil), "why": k.Why})}
	list := func(key string, n int, row func(i int) string) {
		if n == 0 {
			return
		}
		rows = append(rows, w.phrase(key, phrase.Args{"count": fmt.Sprint(n)}))
		for i := range n {
			rows = append(rows, "· "+row(i))
		}
	}
	list("staff.closing_moves", len(k.Moves), func(i int) string { return w.Hit(k.Moves[i]) })
	list("staff.closing_physician", len(k.Physician), func(i int) string { return w.Held(k.Physician[i]) })
	list("staff.closing_left", len(k.Left), func(i int) string { return w.Held(k.Left[i]) })
	if n := len(k.Planned); n > 0 {
		rows = append(rows, w.phrase("staff.closing_planned", phrase.Args{"count": fmt.Sprint(n)}))
	}
	if len(rows) == 1 {
		rows = append(rows, w.phrase("staff.closing_nobody", nil))
	}
	return rows
}

// Hit is a patient who is moved: what, from when, to when.
func (w Words) Hit(h Hit) string {
	v := h.Move.Visit
	return w.phrase("staff.closing_move", phrase.Args{"who": Label(h.Patient), "what": w.StepName(v.Step), "was": v.On.String() + " " + v.At.String(),
		"is": w.day(h.Move.To.On) + " " + h.Move.To.At.String()})
}

// Held is a patient who cannot simply be moved, and why.
func (w Words) Held(h Held) string {
	return w.phrase("staff.closing_held", phrase.Args{"who": Label(h.Patient), "what": w.StepName(h.Stuck.Visit.Step), "why": w.Why(h.Stuck.Why)})
}

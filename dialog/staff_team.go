package dialog

import (
	"context"
	"fmt"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/triage"
)

// rotaAhead is how far the rota is shown.
const rotaAhead = 7 * 24 * time.Hour

// showRota says who is on call now and next.
func (c *colleague) showRota(ctx context.Context) error {
	if err := c.in.Who.May(triage.SeeRota); err != nil {
		return err
	}
	shifts, err := c.room.Service.Desk.Rota(ctx, c.tx, c.tx.Now, c.tx.Now.Add(rotaAhead))
	if err != nil {
		return err
	}
	rows := []string{c.phrase("staff.rota", nil)}
	for i, s := range shifts {
		if i == longestList {
			break
		}
		key := "staff.shift"
		switch now := c.tx.Now; {
		case s.From.After(now):
		case s.CheckedIn.IsZero():
			key = "staff.shift_unseen"
		default:
			key = "staff.shift_now"
		}
		rows = append(rows, c.phrase(key, phrase.Args{"who": s.Staff.Name, "from": c.when(s.From), "to": c.when(s.To), "shift": fmt.Sprint(s.ID)}))
	}
	if len(shifts) == 0 {
		rows = append(rows, c.phrase("staff.rota_empty", nil))
	}
	return c.say(ctx, strings.Join(rows, "\n"), nil)
}

// rotaLine reads "rota lindqvane 2026-03-12 19:00 2026-03-13 07:00" and "rota drop
// 7".
func (c *colleague) rotaLine(ctx context.Context, rest string) error {
	if err := c.in.Who.May(triage.ChangeRota); err != nil {
		return err
	}
	desk := c.room.Service.Desk
	s := newScanner(rest, c.now)
	s.example = "rota"
	if s.take("drop", "quitar", "uncheck") != "" {
		n, ok := s.count()
		if !ok || s.end() != nil {
			return s.fail()
		}
		if err := desk.DropShift(ctx, c.tx, int64(n)); err != nil {
			return err
		}
		if err := desk.Did(ctx, c.tx, c.in.Who, triage.ChangeRota, triage.Ref{}, fmt.Sprintf("dropped %d", n)); err != nil {
			return err
		}
		return c.showRota(ctx)
	}
	if s.done() {
		return s.fail()
	}
	who, err := desk.StaffByHandle(ctx, c.tx, s.raw[0])
	if err != nil {
		return err
	}
	s.at++
	from, to, err := s.spanOfTime()
	if err != nil {
		return err
	}
	if _, err := desk.AddShift(ctx, c.tx, who, from, to); err != nil {
		return err
	}
	if err := desk.Did(ctx, c.tx, c.in.Who, triage.ChangeRota, triage.Ref{}, "added "+who.Handle); err != nil {
		return err
	}
	return c.showRota(ctx)
}

// spanOfTime reads two days with their times of day.
func (s *scanner) spanOfTime() (from, to time.Time, err error) {
	if from, err = s.minute(); err != nil {
		return from, to, err
	}
	s.take("to", "at", "until")
	if to, err = s.minute(); err != nil {
		return from, to, err
	}
	return from, to, s.end()
}

// staffLine reads "staff", "staff add HANDLE ROLE en,es NAME", "staff code HANDLE"
// and "staff leave HANDLE".
func (c *colleague) staffLine(ctx context.Context, rest string) error {
	words := strings.Fields(rest)
	if len(words) == 0 {
		return c.listStaff(ctx)
	}
	if err := c.in.Who.May(triage.ChangeStaff); err != nil {
		return err
	}
	desk := c.room.Service.Desk
	switch what := tidy(words[0]); {
	case (what == "add" || what == "agregar") && len(words) >= 5:
		s, code, err := desk.AddStaff(ctx, c.tx, triage.Newcomer{Handle: words[1], Role: triage.Role(strings.ToLower(words[2])),
			Languages: strings.Split(strings.ToLower(words[3]), ","), Name: strings.Join(words[4:], " ")})
		if err != nil {
			return err
		}
		return c.tellCode(ctx, s, code, "add")
	case (what == "code" || what == "codigo") && len(words) == 2:
		s, err := desk.StaffByHandle(ctx, c.tx, words[1])
		if err != nil {
			return err
		}
		code, err := desk.NewStaffCode(ctx, c.tx, s)
		if err != nil {
			return err
		}
		return c.tellCode(ctx, s, code, "code")
	case (what == "leave" || what == "baja") && len(words) == 2:
		return c.staffLeaves(ctx, words[1])
	}
	return &misread{Example: "staff", Word: words[0]}
}

func (c *colleague) tellCode(ctx context.Context, s triage.Staff, code, what string) error {
	if err := c.room.Service.Desk.Did(ctx, c.tx, c.in.Who, triage.ChangeStaff, triage.Ref{}, what+" "+s.Handle); err != nil {
		return err
	}
	return c.say(ctx, c.phrase("staff.code", phrase.Args{"who": s.Name, "code": code}), nil)
}

func (c *colleague) staffLeaves(ctx context.Context, handle string) error {
	desk := c.room.Service.Desk
	s, err := desk.StaffByHandle(ctx, c.tx, handle)
	if err != nil {
		return err
	}
	if s.ID == c.in.Who.ID {
		return triage.Refuse("not_yourself", nil)
	}
	if err := desk.Leave(ctx, c.tx, s); err != nil {
		return err
	}
	if err := desk.Did(ctx, c.tx, c.in.Who, triage.ChangeStaff, triage.Ref{}, "left "+s.Handle); err != nil {
		return err
	}
	return c.say(ctx, c.phrase("staff.left", phrase.Args{"who": s.Name}), nil)
}

func (c *colleague) listStaff(ctx context.Context) error {
	if err := c.in.Who.May(triage.SeeStaff); err != nil {
		return err
	}
	team, err := c.room.Service.Desk.Team(ctx, c.tx)
	if err != nil {
		return err
	}
	var rows []string
	for _, s := range team {
		rows = append(rows, fmt.Sprintf("%s · %s · %s · %s", s.Handle, s.Name, c.phrase("role."+string(s.Role), nil), strings.Join(s.Languages, ", ")))
	}
	return c.say(ctx, strings.Join(rows, "\n"), nil)
}

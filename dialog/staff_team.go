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
	if err == nil {
		err = c.sees(ctx, triage.SeeRota, triage.Ref{}, "")
	}
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
	s := newScanner(rest, c.now)
	s.example = "rota"
	if s.take("drop", "quitar", "uncheck") != "" {
		n, ok := s.count()
		if !ok || s.end() != nil {
			return s.fail()
		}
		if err := c.room.Care.DropShift(ctx, c.tx, c.in.Who, int64(n)); err != nil {
			return err
		}
		return c.showRota(ctx)
	}
	if s.done() {
		return s.fail()
	}
	s.at++
	from, to, err := s.spanOfTime()
	if err != nil {
		return err
	}
	who, err := c.room.Service.Desk.StaffByHandle(ctx, c.tx, s.raw[0])
	if err != nil {
		return err
	}
	if _, err := c.room.Care.AddShift(ctx, c.tx, c.in.Who, who, from, to); err != nil {
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
	switch what := tidy(words[0]); {
	case (what == "add" || what == "agregar") && len(words) >= 5:
		s, code, err := c.room.Care.AddStaff(ctx, c.tx, c.in.Who, triage.Newcomer{Handle: words[1], Role: triage.Role(strings.ToLower(words[2])),
			Languages: strings.Split(strings.ToLower(words[3]), ","), Name: strings.Join(words[4:], " ")})
		if err != nil {
			return err
		}
		return c.say(ctx, c.phrase("staff.code", phrase.Args{"who": s.Name, "code": code}), nil)
	case (what == "code" || what == "codigo") && len(words) == 2:
		s, code, err := c.room.Care.StaffCode(ctx, c.tx, c.in.Who, words[1])
		if err != nil {
			return err
		}
		return c.say(ctx, c.phrase("staff.code", phrase.Args{"who": s.Name, "code": code}), nil)
	case (what == "leave" || what == "baja") && len(words) == 2:
		s, err := c.room.Care.StaffLeaves(ctx, c.tx, c.in.Who, words[1])
		if err != nil {
			return err
		}
		return c.say(ctx, c.phrase("staff.left", phrase.Args{"who": s.Name}), nil)
	}
	return &misread{Example: "staff", Word: words[0]}
}

func (c *colleague) listStaff(ctx context.Context) error {
	if err := c.in.Who.May(triage.SeeStaff); err != nil {
		return err
	}
	team, err := c.room.Service.Desk.Team(ctx, c.tx)
	if err == nil {
		err = c.sees(ctx, triage.SeeStaff, triage.Ref{}, "")
	}
	if err != nil {
		return err
	}
	var rows []string
	for _, s := range team {
		rows = append(rows, fmt.Sprintf("%s · %s · %s · %s", s.Handle, s.Name, c.phrase("role."+string(s.Role), nil), strings.Join(s.Languages, ", ")))
	}
	return c.say(ctx, strings.Join(rows, "\n"), nil)
}

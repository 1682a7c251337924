package desk_test

import (
	"context"
	"strings"
	"testing"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/desk"
	"handrail.example/triage/rules"
)

// offRecord are the addresses that show nothing and change nothing of a patient's, of
// a colleague's or of the clinic's, so that they leave no row; each with why.
var offRecord = map[string]string{
	"GET /{$}":                             "sends her on",
	"GET /me":                              "her own sessions",
	"POST /me/end":                         "the errand names a session that is not hers: nothing is done",
	"GET /live":                            "counts only",
	"GET /patients/{handle}/charts/{name}": "the errand's patient has no curve yet: not found",
	"GET /patients/new":                    "an empty form",
	"GET /cases/{id}/check":                "the errand's case is no check: refused",
	"POST /cases/{id}/check":               "the errand's case is no check: refused",
	"POST /clinic/closed/open":             "the errand's day is not closed: refused",
	"GET /clinic/arrived/{id}":             "the errand's arrival is none: not found",
	"POST /clinic/arrived/{id}/aside":      "the errand's arrival is none: not found",
	"POST /clinic/arrived/{id}/confirm":    "the errand's arrival is none: not found",
	"POST /clinic/owners/back":             "the errand's absence is none: refused",
	"POST /clinic/rota/here":               "the errand's colleague is not on call: refused",
	"POST /clinic/staff/leave":             "the errand's colleague is none: refused",
}

// Whatever somebody sees or does at the desk is a row with who, what, when and from
// where; an address without a row is on the list above, with why.
func TestEverythingAtTheDeskIsOnRecord(t *testing.T) {
	t.Parallel()
	for _, pattern := range desk.Patterns() {
		t.Run(pattern, func(t *testing.T) {
			t.Parallel()
			e := errands[pattern]
			c := open(t)
			c.opens("inbox/1", rules.SameDay, "a lot of pain")
			role := triage.Role(strings.Fields(e.may)[0])
			b := c.as(role)
			before := c.rows()
			p := page{}
			if strings.HasPrefix(pattern, "POST") {
				p = b.post(e.path, e.form...)
			} else {
				p = b.get(e.path)
			}
			news := c.rows()[len(before):]
			why, off := offRecord[pattern]
			switch {
			case off && len(news) > 0:
				t.Errorf("it left a row, and is on the list of those that do not (%s)", why)
			case !off && len(news) == 0:
				t.Errorf("%d and nothing on record", p.status)
			}
			for _, d := range news {
				if d.Staff != c.staff[role].ID || d.From.Place != triage.AtDesk || d.From.Ref == 0 || len(d.From.Address) == 0 || !d.At.Equal(c.clk.Now()) {
					t.Errorf("%+v says not who, when or from where", d)
				}
			}
			c.chained()
		})
	}
	if len(offRecord) > len(desk.Patterns())/2 {
		t.Error("most addresses are off the record: this proves nothing")
	}
}

// rows are all of the record.
func (c *clinic) rows() (all []triage.Deed) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) (err error) {
		all, err = c.care.Desk.DeedsBetween(ctx, tx, at(1, 0, 0), at(31, 0, 0))
		return err
	})
	return all
}

// chained finds fault with a record that is not whole.
func (c *clinic) chained() {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, faults, err := c.care.Desk.CheckRecord(ctx, tx)
		for _, f := range faults {
			if f.Row != 0 { // the clinic of these tests never began one
				c.t.Errorf("row %d %s", f.Row, f.What)
			}
		}
		return err
	})
}

// The address is the one that the proxy on this machine speaks for, and nobody else's
// word.
func TestWhereARequestComesFrom(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Lead)
	hash := func(header ...string) string {
		b.get("/patients/P-105", header...)
		all := c.rows()
		return string(all[len(all)-1].From.Address)
	}
	here, ward := hash(), hash("X-Forwarded-For", "203.0.113.7")
	if here == ward {
		t.Error("two addresses have one hash")
	}
	if got := hash("X-Forwarded-For", "198.51.100.9, 203.0.113.7"); got != ward {
		t.Error("what the client says of itself is believed, not what the proxy adds")
	}
}

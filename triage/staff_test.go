package triage_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// Who may do what: common practice, no source.
func TestRolesTable(t *testing.T) {
	t.Parallel()
	const (
		care  = "coordinator lead physician"
		look  = "coordinator lead physician reader"
		every = "coordinator lead physician administrator reader"
	)
	want := map[triage.Action]string{
		triage.SeeCases: look, triage.TakeCase: care, triage.AnswerCase: care, triage.HandOverCase: care, triage.CloseCase: care, triage.MarkReading: care,
		triage.SeePatients: look, triage.AddPatient: care, triage.SetChecklist: care, triage.EnterFact: care, triage.Correct: care,
		triage.Order: care, triage.OrderTrigger: care, triage.CheckTrigger: care, triage.Cancel: care, triage.TellResult: care,
		triage.Export: care, triage.Import: care,
		triage.HushPatient: care, triage.BeginCycle: care, triage.ChangeLinks: care, triage.GiveRecords: "lead administrator", triage.Erase: "administrator", triage.CloseDay: care, triage.AssignOwner: care, triage.WriteNote: care,
		triage.SeeRota: every, triage.ChangeRota: "lead administrator", triage.CheckIn: care,
		triage.SeeStaff: every, triage.ChangeStaff: "administrator", triage.UsePages: every, triage.SignUp: every,
		triage.SeeRecord: "administrator", triage.BackUp: "administrator", triage.RestoreData: "administrator", triage.RotateKey: "administrator",
	}
	for _, a := range triage.Actions() {
		var got []string
		for _, r := range triage.Roles {
			if triage.Allowed(r, a) {
				got = append(got, string(r))
			}
		}
		if diff := cmp.Diff(want[a], strings.Join(got, " ")); diff != "" {
			t.Errorf("%s (-want +got):\n%s", a, diff)
		}
		delete(want, a)
	}
	if len(want) > 0 {
		t.Errorf("not in the table: %v", want)
	}
	if triage.Allowed("visitor", triage.SeeCases) || triage.Allowed(triage.Lead, "open_the_safe") {
		t.Error("an unknown role or action is allowed")
	}
}

// Every case action asks the table: whoever may not do it is refused, and
// nothing happens.
func TestEveryCaseActionAsksTheTable(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 10, 0))
	cs := c.opens(c.opening("inbox/1", rules.SameDay))
	var reader, gone triage.Staff
	c.within(func(ctx context.Context, tx *store.Tx) error {
		reader = c.hire(ctx, tx, "auditor", triage.Reader)
		gone = c.hire(ctx, tx, "gone", triage.Lead)
		if err := c.desk.Leave(ctx, tx, gone); err != nil {
			return err
		}
		gone.Left = tx.Now
		return nil
	})
	for name, do := range map[string]func(context.Context, *store.Tx, triage.Staff) error{
		"take": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := c.desk.Take(ctx, tx, s, cs.ID)
			return err
		},
		"answer": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := c.desk.Answer(ctx, tx, s, cs.ID, "x", "k")
			return err
		},
		"handover": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := c.desk.HandOver(ctx, tx, s, cs.ID, c.yevka)
			return err
		},
		"close": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := c.desk.Close(ctx, tx, s, cs.ID, triage.Phoned)
			return err
		},
		"check in": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := c.desk.CheckInNow(ctx, tx, s)
			return err
		},
	} {
		for _, s := range []triage.Staff{reader, gone, {}} {
			var err error
			c.within(func(ctx context.Context, tx *store.Tx) error { err = do(ctx, tx, s); return nil })
			var refused *triage.Refused
			if !errors.As(err, &refused) || refused.Key != "role" {
				t.Errorf("%s by %q: %v, want a refusal", name, s.Handle, err)
			}
		}
	}
	if got := c.shows(cs.ID); got.State != triage.Open {
		t.Errorf("the case is %s, want open", got.State)
	}
}

func TestSignUpCode(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 10, 0))
	var first, second string
	var s triage.Staff
	c.within(func(ctx context.Context, tx *store.Tx) (err error) {
		if s, first, err = c.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: "Quill", Name: "Quill Amsel", Role: triage.Coordinator, Languages: []string{"es", "en"}}); err != nil {
			return err
		}
		second, err = c.desk.NewStaffCode(ctx, tx, s)
		return err
	})
	join := func(code, chat string) (ok bool) {
		c.within(func(ctx context.Context, tx *store.Tx) (err error) {
			_, ok, err = c.desk.Join(ctx, tx, code, chat)
			return err
		})
		return ok
	}
	for _, tc := range []struct {
		name, code, chat string
		want             bool
	}{
		{"void, since a newer one was drawn", first, "q", false},
		{"no code at all", "hello", "q", false},
		{"empty", "", "q", false},
		{"somebody else's chat", second, "bastian", false},
		{"typed in small letters with a space", strings.ToLower(strings.ReplaceAll(second, "-", " ")), "q", true},
		{"used up", second, "q2", false},
	} {
		if got := join(tc.code, tc.chat); got != tc.want {
			t.Errorf("%s: joined %v, want %v", tc.name, got, tc.want)
		}
	}
	var late string
	c.within(func(ctx context.Context, tx *store.Tx) (err error) {
		late, err = c.desk.NewStaffCode(ctx, tx, s)
		return err
	})
	c.until(local(6, 10, 0))
	if join(late, "q") {
		t.Error("an expired code was good")
	}
}

func TestAddStaffRefuses(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 10, 0))
	good := triage.Newcomer{Handle: "quill", Name: "Quill Amsel", Role: triage.Coordinator, Languages: []string{"en"}}
	for name, tc := range map[string]struct {
		change func(*triage.Newcomer)
		want   string
	}{
		"two words as a handle": {func(n *triage.Newcomer) { n.Handle = "quill amsel" }, "staff_handle"},
		"no name":               {func(n *triage.Newcomer) { n.Name = " " }, "name"},
		"unknown role":          {func(n *triage.Newcomer) { n.Role = "boss" }, "no_role"},
		"no language":           {func(n *triage.Newcomer) { n.Languages = nil }, "language"},
		"unknown language":      {func(n *triage.Newcomer) { n.Languages = []string{"en", "tlh"} }, "language"},
		"handle in use":         {func(n *triage.Newcomer) { n.Handle = "Bastian" }, "handle_taken"},
	} {
		n := good
		tc.change(&n)
		err := c.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			_, _, err := c.desk.AddStaff(ctx, tx, n)
			return err
		})
		var refused *triage.Refused
		if !errors.As(err, &refused) || refused.Key != tc.want {
			t.Errorf("%s: %v, want refused as %s", name, err, tc.want)
		}
	}
}

func TestWhoeverIsOnCallChecksIn(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		checksIn time.Time
		want     []string
	}{
		"in time":  {local(3, 16, 10), []string{"Tue 16:00 bastian"}},
		"too late": {local(3, 16, 20), []string{"Tue 16:00 bastian", "Tue 16:15 tamsin"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := open(t, local(3, 9, 0))
			c.within(func(ctx context.Context, tx *store.Tx) error {
				_, err := c.desk.AddShift(ctx, tx, c.bastian, local(3, 16, 0), local(4, 7, 0))
				return err
			})
			c.until(tc.checksIn)
			c.within(func(ctx context.Context, tx *store.Tx) error {
				n, err := c.desk.CheckInNow(ctx, tx, c.bastian)
				if n != 1 {
					t.Errorf("checked in to %d shifts, want 1", n)
				}
				return err
			})
			c.until(local(3, 20, 0))
			if diff := cmp.Diff(tc.want, c.heard()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestADroppedShiftAsksNobody(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 9, 0))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		sh, err := c.desk.AddShift(ctx, tx, c.bastian, local(3, 16, 0), local(4, 7, 0))
		if err != nil {
			return err
		}
		return c.desk.DropShift(ctx, tx, sh.ID)
	})
	c.until(local(4, 8, 0))
	if got := c.heard(); got != nil {
		t.Errorf("heard %v, want nothing", got)
	}
}

func TestLeavingHandsTheCasesBack(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 10, 0))
	c.onCall(c.bastian, local(3, 10, 0), local(4, 10, 0))
	cs := c.opens(c.opening("inbox/1", rules.SameDay))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if _, err := c.desk.Take(ctx, tx, c.bastian, cs.ID); err != nil {
			return err
		}
		return c.desk.Leave(ctx, tx, c.bastian)
	})
	c.until(local(3, 10, 1))
	if diff := cmp.Diff([]string{"Tue 10:00 tamsin"}, c.heard()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		on, err := c.desk.OnCall(ctx, tx, tx.Now)
		if len(on) != 0 {
			t.Errorf("still on call: %v", on)
		}
		return err
	})
}

func TestThePhrasebookKnowsEveryWordOfTheQueue(t *testing.T) {
	t.Parallel()
	book := phrase.MustLoad()
	var keys []string
	for _, r := range triage.Reasons {
		keys = append(keys, "reason."+string(r))
	}
	for _, r := range rules.Rules() {
		keys = append(keys, "rule."+r.ID)
	}
	for _, o := range triage.Outcomes {
		keys = append(keys, "outcome."+string(o))
	}
	for _, u := range []rules.Urgency{rules.Routine, rules.SameDay, rules.Emergency} {
		keys = append(keys, "urgency."+u.String())
	}
	for _, b := range []string{triage.PressTake, triage.PressShow, triage.PressAnswer, triage.PressHand, triage.PressClose, triage.PressCheckIn} {
		keys = append(keys, "button."+b)
	}
	for _, k := range keys {
		if !book.Has(k) {
			t.Errorf("the phrasebook lacks %s", k)
		}
	}
	if len(triage.Reasons) != len(slices.Compact(slices.Sorted(slices.Values(triage.Reasons)))) {
		t.Error("a reason stands twice")
	}
}

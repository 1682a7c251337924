package reminders_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// invite takes somebody in and draws her a code.
func (c *clinic) invite(t failer, handle string) (id int64, code string) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		p, err := c.book.AddPatient(ctx, tx, reminders.NewPatient{Handle: handle, Name: "Ina Wexford", Language: "en"})
		if err != nil {
			return err
		}
		id = p.ID
		_, _, err = c.book.Invite(ctx, tx, id)
		return err
	})
	return id, c.again(t, id)
}

func (c *clinic) again(t failer, id int64) (code string) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		code, _, err = c.book.Invite(ctx, tx, id)
		return err
	})
	return code
}

func (c *clinic) redeem(t failer, code, chat string) (ok bool) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		_, err := c.book.Redeem(ctx, tx, code, chat)
		ok = err == nil
		if errors.Is(err, reminders.ErrCode) {
			return nil
		}
		return err
	})
	return ok
}

func TestACodeIsGoodOnceAndForAWhile(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	valid := policy.Enrolment.CodeValid
	for name, k := range map[string]struct {
		try  func(t *testing.T, c *clinic, id int64, code string) bool
		want bool
	}{
		"at once": {func(t *testing.T, c *clinic, _ int64, code string) bool { return c.redeem(t, code, "1") }, true},
		"as somebody types it": {func(t *testing.T, c *clinic, _ int64, code string) bool {
			return c.redeem(t, " "+strings.ToLower(strings.Replace(code, "-", " ", 1)), "1")
		}, true},
		"in its last second": {func(t *testing.T, c *clinic, _ int64, code string) bool {
			c.runUntil(t, c.clock.Now().Add(valid-time.Second))
			return c.redeem(t, code, "1")
		}, true},
		"at its end": {func(t *testing.T, c *clinic, _ int64, code string) bool {
			c.runUntil(t, c.clock.Now().Add(valid))
			return c.redeem(t, code, "1")
		}, false},
		"twice, from another chat": {func(t *testing.T, c *clinic, _ int64, code string) bool {
			return c.redeem(t, code, "1") && c.redeem(t, code, "2")
		}, false},
		"twice, from the same chat": {func(t *testing.T, c *clinic, _ int64, code string) bool {
			first := c.redeem(t, code, "1")
			return first && c.redeem(t, code, "1")
		}, false},
		"after a newer one was drawn": {func(t *testing.T, c *clinic, id int64, code string) bool {
			c.again(t, id)
			return c.redeem(t, code, "1")
		}, false},
		"the newer one": {func(t *testing.T, c *clinic, id int64, _ string) bool { return c.redeem(t, c.again(t, id), "1") }, true},
		"from a chat that is somebody else's": {func(t *testing.T, c *clinic, _ int64, code string) bool {
			_, other := c.invite(t, "P-99")
			return c.redeem(t, other, "1") && c.redeem(t, code, "1")
		}, false},
		"a guess": {func(t *testing.T, c *clinic, _ int64, _ string) bool { return c.redeem(t, reminders.NewCode(), "1") }, false},
		"nothing": {func(t *testing.T, c *clinic, _ int64, _ string) bool { return c.redeem(t, "", "1") }, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := newClinic(t, policy, morning(policy))
			id, code := c.invite(t, "P-1")
			if got := k.try(t, c, id, code); got != k.want {
				t.Errorf("good %v, want %v", got, k.want)
			}
		})
	}
}

func morning(p plan.Policy) time.Time { return monday.At(9*60, p.Location()) }

func TestTidyCode(t *testing.T) {
	t.Parallel()
	for name, k := range map[string]struct{ typed, want string }{
		"as drawn":          {"7K3M-Q9ZT", "7K3M-Q9ZT"},
		"small letters":     {"7k3m-q9zt", "7K3M-Q9ZT"},
		"no dash":           {"7k3mq9zt", "7K3M-Q9ZT"},
		"spaces":            {" 7k3m q9zt ", "7K3M-Q9ZT"},
		"a phone's dash":    {"7K3M\u2013Q9ZT", "7K3M-Q9ZT"},
		"read as digits":    {"O1Il-0000", "0111-0000"},
		"too short":         {"7K3M-Q9Z", ""},
		"too long":          {"7K3M-Q9ZTT", ""},
		"a letter left out": {"7K3M-Q9ZU", ""},
		"words":             {"hello, is this the clinic", ""},
		"nothing":           {"", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := reminders.TidyCode(k.typed); got != k.want {
				t.Errorf("TidyCode(%q) = %q, want %q", k.typed, got, k.want)
			}
		})
	}
}

// Every code that is drawn is one that can be typed.
func TestNewCodesAreTidy(t *testing.T) {
	t.Parallel()
	seen := make(map[string]bool)
	for range 2000 {
		code := reminders.NewCode()
		if got := reminders.TidyCode(code); got != code {
			t.Fatalf("TidyCode(%q) = %q", code, got)
		}
		if seen[code] {
			t.Fatalf("%q was drawn twice", code)
		}
		seen[code] = true
	}
}

func FuzzTidyCode(f *testing.F) {
	f.Add("7K3M-Q9ZT")
	f.Add("\u2014\u00e9\xff")
	f.Fuzz(func(t *testing.T, typed string) {
		code := reminders.TidyCode(typed)
		if code != "" && (len(code) != 9 || reminders.TidyCode(code) != code) {
			t.Errorf("TidyCode(%q) = %q, which is not tidy", typed, code)
		}
	})
}

func TestAddPatientRefuses(t *testing.T) {
	t.Parallel()
	c := newClinic(t, plan.DefaultPolicy(), morning(plan.DefaultPolicy()))
	c.invite(t, "P-1")
	for name, n := range map[string]reminders.NewPatient{
		"no handle":         {Name: "Ina Wexford", Language: "en"},
		"a handle of words": {Handle: "P 1", Name: "Ina Wexford", Language: "en"},
		"a handle in use":   {Handle: " p-1", Name: "Ina Wexford", Language: "en"},
		"no name":           {Handle: "P-2", Name: " ", Language: "en"},
		"no such language":  {Handle: "P-2", Name: "Ina Wexford", Language: "fr"},
	} {
		t.Run(name, func(t *testing.T) {
			err := c.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
				_, err := c.book.AddPatient(ctx, tx, n)
				return err
			})
			if err == nil {
				t.Fatal("taken in")
			}
			if strings.Contains(err.Error(), "Wexford") {
				t.Errorf("the error names her: %v", err)
			}
		})
	}
}

// What identifies somebody, and what is known about her body, is sealed: it stands
// nowhere in the bytes of the file, its log or its index.
func TestNamesAndFactsAreNotInTheFile(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	c := newClinic(t, policy, morning(policy))
	canaries := []string{"Canarina Feather", "canazole", "Dr. Canaryash", "4242.5", "canary words", "555000111222"}
	var code string
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		p, err := c.book.AddPatient(ctx, tx, reminders.NewPatient{Handle: "P-1", Name: canaries[0], Language: "en"})
		if err != nil {
			return err
		}
		if code, _, err = c.book.Invite(ctx, tx, p.ID); err != nil {
			return err
		}
		if _, err := c.book.Redeem(ctx, tx, code, canaries[5]); err != nil {
			return err
		}
		if err := c.book.Agree(ctx, tx, p.ID, "test"); err != nil {
			return err
		}
		f := order(canaries[1], monday.AddDays(1), plan.Stop{AfterDays: 3}, "20:00")
		f.Prescriber, f.Dose = canaries[2], 4242.5
		for _, f := range []plan.Fact{f, {Kind: plan.PeriodDue, On: monday.AddDays(1)}} {
			if _, err := c.book.Record(ctx, tx, p.ID, f, reminders.Said{By: seal.House}); err != nil {
				return err
			}
		}
		_, err = c.book.Record(ctx, tx, p.ID, plan.Fact{Kind: plan.Cancelled, On: monday, Reason: canaries[4]}, reminders.Said{By: seal.House})
		return err
	})
	canaries = append(canaries, code)
	files := 0
	for _, suffix := range []string{"", "-wal", "-shm"} {
		b, err := os.ReadFile(c.path + suffix)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		files++
		for _, canary := range canaries {
			if bytes.Contains(bytes.ToLower(b), bytes.ToLower([]byte(canary))) {
				t.Errorf("%q stands in the file%s", canary, suffix)
			}
		}
		if suffix == "-wal" && !bytes.Contains(b, []byte("period_expected")) {
			t.Error("not even the kind of a fact is found: this looks at the wrong bytes")
		}
	}
	if files < 2 {
		t.Errorf("%d files looked at", files)
	}
}

// Facts are only ever added: what was corrected stays on record, and a correction
// of what was corrected already is refused.
func TestCorrectionsAddUp(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	c := newClinic(t, policy, morning(policy))
	rapid.Check(t, func(t *rapid.T) {
		p := c.enrol(t)
		id := c.mustRecord(t, p, plan.Fact{Kind: plan.PeriodStart, At: c.at(monday, "08:15")})
		days := rapid.SliceOfN(rapid.IntRange(-3, 0), 1, 4).Draw(t, "corrections")
		for _, d := range days {
			id = c.mustRecord(t, p, plan.Fact{Kind: plan.PeriodStart, At: c.at(monday.AddDays(d), "07:10"), Replaces: id})
		}
		cycle := c.cycle(t, p)
		if len(cycle.Facts) != len(days)+1 {
			t.Fatalf("%d facts on record, want %d", len(cycle.Facts), len(days)+1)
		}
		live, known := cycle.Live(plan.PeriodStart)
		if want := c.at(monday.AddDays(days[len(days)-1]), "07:10"); !known || !live.At.Equal(want) {
			t.Fatalf("live is %v, want %v", live.At, want)
		}
	})
}

package desk

import (
	"context"
	"net/http"
	"strings"
	"time"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// policyPage is the policy in force, what changed in it, and what another one would
// move.
type policyPage struct {
	Body    string
	Since   time.Time
	Changed []lineChange // since the policy before; none for the first
	May     bool         // try another one
	Tried   string
	Faults  []string
	Shifted []shiftRow
	Sound   bool
}

type shiftRow struct {
	Handle, Name string
	Says         []string
}

// lineChange is a line of a file that is new, or gone.
type lineChange struct {
	New  bool
	Text string
}

// NotePolicy keeps the policy in force, when it is another than the last one.
func (s *Site) NotePolicy(ctx context.Context) error {
	return s.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		all, err := lastPolicies(ctx, tx)
		if err != nil || len(all) > 0 && all[0].Body == string(s.PolicyText) {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO policies (body, since_at) VALUES (?, ?)`, string(s.PolicyText), store.At(tx.Now))
		return err
	})
}

type policyRow struct {
	Body  string     `db:"body"`
	Since store.Time `db:"since_at"`
}

// lastPolicies are the policy in force and the one before it.
func lastPolicies(ctx context.Context, tx *store.Tx) (all []policyRow, err error) {
	err = tx.Select(ctx, &all, `SELECT body, since_at FROM policies ORDER BY id DESC LIMIT 2`)
	return all, err
}

func (v *visit) policyOf(ctx context.Context) (policyPage, error) {
	p := policyPage{Body: string(v.site.PolicyText), May: v.who.May(triage.SeePatients) == nil}
	all, err := lastPolicies(ctx, v.tx)
	if len(all) > 0 {
		p.Since = all[0].Since.Time
	}
	if len(all) > 1 {
		p.Changed = changedLines(all[1].Body, all[0].Body)
	}
	return p, err
}

func (v *visit) policyPage(ctx context.Context) (answer, error) {
	p, err := v.policyOf(ctx)
	return answer{sheet: "policy", data: p, looked: "the policy"}, err
}

// tryPolicy shows the faults of another policy, or whom it would move.
func (v *visit) tryPolicy(ctx context.Context) (answer, error) {
	p, err := v.policyOf(ctx)
	if err != nil {
		return answer{}, err
	}
	p.Tried = strings.ReplaceAll(once(v.r, "policy"), "\r\n", "\n")
	if strings.TrimSpace(p.Tried) == "" {
		p.Faults = []string{v.say("desk.policy_empty", nil)}
		return answer{sheet: "policy", data: p, status: http.StatusUnprocessableEntity}, nil
	}
	other, err := plan.ParsePolicy([]byte(p.Tried))
	if err != nil {
		p.Faults = faultsOf(err)
		return answer{sheet: "policy", data: p, status: http.StatusUnprocessableEntity}, nil
	}
	moved, err := v.site.Care.TryPolicy(ctx, v.tx, v.who, other)
	if err != nil {
		return answer{}, err
	}
	p.Sound = true
	w := v.words(nil)
	for _, m := range moved {
		row := shiftRow{Handle: m.Patient.Handle, Name: m.Patient.Name}
		for _, c := range m.Changes {
			row.Says = append(row.Says, w.Change(c))
		}
		if m.Refused != "" {
			row.Says = append(row.Says, v.say("desk.policy_refuses", nil))
		}
		p.Shifted = append(p.Shifted, row)
	}
	return answer{sheet: "policy", data: p, looked: "whom another policy would move"}, nil
}

// changedLines are the lines that are in one text and not in the other, in order.
func changedLines(was, is string) (all []lineChange) {
	a, b := strings.Split(was, "\n"), strings.Split(is, "\n")
	common := longestCommon(a, b)
	i, j := 0, 0
	for i < len(a) || j < len(b) {
		switch {
		case i < len(a) && j < len(b) && a[i] == b[j]:
			i, j = i+1, j+1
		case j < len(b) && (i == len(a) || common[i][j+1] >= common[i+1][j]):
			all = append(all, lineChange{true, b[j]})
			j++
		default:
			all = append(all, lineChange{false, a[i]})
			i++
		}
	}
	return all
}

// longestCommon has, for each pair of places, how many lines two texts have in common
// from there on.
func longestCommon(a, b []string) [][]int {
	n := make([][]int, len(a)+1)
	for i := range n {
		n[i] = make([]int, len(b)+1)
	}
	for i := len(a) - 1; i >= 0; i-- {
		for j := len(b) - 1; j >= 0; j-- {
			if n[i][j] = max(n[i+1][j], n[i][j+1]); a[i] == b[j] {
				n[i][j] = n[i+1][j+1] + 1
			}
		}
	}
	return n
}

package plan

import (
	"cmp"
	"slices"
)

// Move says how a row of the calendar changed.
type Move string

// The moves.
const (
	Added   Move = "added"
	Moved   Move = "moved"
	Removed Move = "removed"
)

// Change is one row that is not where it was.
type Change struct {
	Key  string
	Step StepName
	Move Move
	// Was and Is are the row before and after; zero where there is none.
	Was, Is Step
}

// Diff lists what moved between two plans of one cycle: rows whose day or
// minute differs, new rows, and rows that are gone or dropped. A mere change of
// status by the passing of time is none.
func Diff(was, is Plan) []Change {
	var out []Change
	for _, n := range is.Steps {
		o, known := was.Step(n.Key)
		old, now := known && standing(o), standing(n)
		c := Change{Key: n.Key, Step: n.Name, Was: o, Is: n}
		switch {
		case !old && !now:
			continue
		case !old:
			c.Move = Added
		case !now:
			c.Move = Removed
		case o.On == n.On && o.At.Equal(n.At):
			continue
		default:
			c.Move = Moved
		}
		out = append(out, c)
	}
	for _, o := range was.Steps {
		if _, still := is.Step(o.Key); !still && standing(o) {
			out = append(out, Change{Key: o.Key, Step: o.Name, Move: Removed, Was: o})
		}
	}
	slices.SortStableFunc(out, func(x, y Change) int {
		return cmp.Compare(slices.Index(StepNames, x.Step), slices.Index(StepNames, y.Step))
	})
	return out
}

// standing reports whether a row has a day that is still meant.
func standing(s Step) bool { return s.Status != Dropped && !s.On.IsZero() }

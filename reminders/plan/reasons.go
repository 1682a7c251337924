package plan

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"handrail.example/reminders/civil"
)

// label is a day in the count of a rule: "3" for a cycle day or for days after
// the anchor, "6w0d" for gestation.
func (b *builder) label(f found, d civil.Date) string {
	n := d.DaysSince(f.anchor.on)
	switch f.rule.Count {
	case CountCycleDay:
		return strconv.Itoa(n + 1)
	case CountGestation:
		n = GestationalDays(f.anchor.on, b.embryoDay, d)
		return fmt.Sprintf("%dw%dd", n/7, n%7)
	}
	return strconv.Itoa(n)
}

// countReason puts a reason into the count of its rule: code "counted" becomes
// counted_cycle_day, counted_days or counted_gestation.
func (b *builder) countReason(code string, f found, d civil.Date, more ...string) Reason {
	count := f.rule.Count
	if count == CountEmbryo {
		count = CountDays
	}
	args := append([]string{"day", b.label(f, d), "from", b.label(f, f.reach.from), "to", b.label(f, f.reach.to),
		"anchor", anchorWords(f.rule.Anchor), "on", d.String()}, more...)
	return because(code+"_"+string(count), args...)
}

// anchorWords names what a rule counts from.
func anchorWords(anchor string) string {
	switch anchor {
	case anchorLast:
		return "the last look"
	case anchorLastHCG:
		return "the last hCG"
	case anchorPath:
		return "the finding"
	case anchorFollowed:
		return "the last look"
	case anchorMethotrexate:
		return "methotrexate"
	case anchorInjections:
		return "the last of the first injections"
	case anchorSurge, string(Surge):
		return "the LH surge"
	case string(LiningEstrogen):
		return "the first day of estrogen"
	case string(LutealProgesterone):
		return "the first day of progesterone"
	case string(HCGFirst):
		return "the first hCG"
	case string(OBUltrasound):
		return "the ultrasound"
	}
	return "the " + anchor
}

// fitReason says how the planned day was found.
func (b *builder) fitReason(f found, on civil.Date) Reason {
	want := f.reach.on
	switch {
	case on.IsZero():
		return b.countReason("none", f, want)
	case on == want:
		return b.countReason("fits", f, on)
	}
	if why := b.room.clinicClosed(want); why != "" {
		return b.countReason("moved", f, on, "wanted", b.label(f, want), "weekday", want.Weekday().String(), "closed", why)
	}
	w := b.window(b.anyRule(f.rule.With))
	next := want.AddDays(w.Preferred)
	return b.countReason("paired", f, on, "wanted", b.label(f, want), "gap", strconv.Itoa(w.Preferred),
		"weekday", next.Weekday().String(), "closed", b.room.clinicClosed(next))
}

// eveningReason says how the expected evening of the trigger was found.
func (b *builder) eveningReason(f found, want, on civil.Date) Reason {
	if on.IsZero() {
		return b.countReason("no_evening", f, want)
	}
	if on == want {
		return b.countReason("fits", f, on)
	}
	transfer := want.AddDays(b.transferOffset(Trigger))
	return b.countReason("evening_moved", f, on, "wanted", b.label(f, want), "transfer", transfer.String(),
		"weekday", transfer.Weekday().String(), "closed", b.room.labClosed(transfer))
}

func (b *builder) windowReason(f found) Reason {
	if f.days.from == f.days.to {
		return b.countReason("exact", f, f.days.on)
	}
	return b.countReason("window", f, f.days.on)
}

// offsetReason says why the transfer is on its day.
func (b *builder) offsetReason(f found) Reason {
	return because("offset", "age", fmt.Sprint(b.embryoDay), "days", fmt.Sprint(f.reach.on.DaysSince(f.anchor.on)),
		"anchor", anchorWords(f.rule.Anchor), "day", f.anchor.on.String())
}

func (b *builder) doneReason(m mark) Reason {
	if n := b.plan.CycleDay(m.on); n > 0 && !b.transferred {
		return because("done_cycle_day", "on", m.on.String(), "day", strconv.Itoa(n))
	}
	return because("done", "on", m.on.String())
}

// findings says what a baseline or a scan found and what was decided on it.
func findings(f Fact) []Reason {
	var what []string
	say := func(name string, v *float64, unit string) {
		if v != nil {
			what = append(what, fmt.Sprintf("%s %v %s", name, *v, unit))
		}
	}
	say("cyst", f.CystMM, "mm")
	say("estradiol", f.Estradiol, "pg/mL")
	say("progesterone", f.BloodProgesterone, "ng/mL")
	say("hCG", f.Beta, "IU/L")
	if all := slices.Concat(f.RightMM, f.LeftMM); len(all) > 0 {
		lead := slices.Max(all)
		say("lead follicle", &lead, "mm")
	}
	say("lining", f.LiningMM, "mm")
	what = append(what, f.Placed()...)
	if f.Pattern != "" {
		what = append(what, string(f.Pattern))
	}
	var out []Reason
	if len(what) > 0 {
		out = append(out, because("found", "what", strings.Join(what, ", ")))
	}
	if f.Kind == BaselineFound {
		out = append(out, because("decided_"+string(f.Decision)))
	}
	return out
}

// dayOneReason says why cycle day one is the day that it is.
func (b *builder) dayOneReason() []Reason {
	f, ok := b.l.one(PeriodStart)
	if !ok {
		return nil
	}
	code := "day_one_same"
	if b.dayOne != civil.DateOf(f.At) {
		code = "day_one_next"
	}
	return []Reason{because(code, "at", f.At.Format("2006-01-02 15:04"), "cut_off", b.pol.Calendar.PeriodCutOff.String(), "day_one", b.dayOne.String())}
}

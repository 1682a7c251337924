package plan

import (
	"fmt"
	"slices"
	"time"

	"handrail.example/reminders/civil"
)

// ResultDue is when the result of blood that was drawn at t is due, in the
// clinic's zone: on the same day for blood drawn early enough, else on the next
// open day.
func (p Policy) ResultDue(t time.Time) time.Time {
	t = t.In(p.Location())
	day := civil.DateOf(t)
	if civil.TimeOfDayOf(t) >= p.HCG.DrawnBefore {
		day = day.AddDays(1)
		for n := 0; n < 14 && !p.OpenClinic(day); n++ {
			day = day.AddDays(1)
		}
	}
	return day.At(p.HCG.ResultBy, p.Location())
}

// openDrawn: blood for hCG that has no result by its hour is asked after.
func (b *builder) openDrawn(add addOpen) {
	for _, f := range b.l.of(HCGDrawn) {
		day := civil.DateOf(f.At)
		if slices.ContainsFunc(b.l.of(HCG), func(v Fact) bool { return civil.DateOf(v.At) == day }) {
			continue
		}
		step := HCGFirst
		if len(b.values) > 0 {
			step = HCGRepeat
		}
		due := b.pol.ResultDue(f.At)
		add("drawn/"+f.At.UTC().Format("200601021504"), step, due,
			because("open_drawn", "at", f.At.Format("2006-01-02 15:04"), "by", due.Format("2006-01-02 15:04")))
	}
}

// beforeClosing is how long before the clinic closes somebody must be at it: common
// practice, no source.
const beforeClosing = time.Hour

// openHomeLH: after a positive test at home somebody sees to blood and a scan before
// the clinic closes on that day, or on the next open one.
func (b *builder) openHomeLH(add addOpen) {
	if b.given || b.transferred || b.surged {
		return
	}
	for _, f := range b.l.of(HomeLH) {
		if b.lookedSince(f.On) {
			continue
		}
		day := f.On
		for n := 0; n < 14 && b.room.clinicClosed(day) != ""; n++ {
			day = day.AddDays(1)
		}
		add("home_lh/"+f.On.String(), Monitoring, b.evening(day).Add(-beforeClosing), because("open_home_lh", "on", f.On.String()))
	}
}

// lookedSince reports whether LH was measured and follicles were looked at from a
// day on.
func (b *builder) lookedSince(d civil.Date) bool {
	blood, scan := false, false
	for _, f := range b.l.live {
		if f.Kind == Scan || f.Kind == Bloods {
			blood = blood || f.LH != nil && !f.On.Before(d)
			scan = scan || f.Kind == Scan && (f.RightMM != nil || f.LeftMM != nil) && !f.On.Before(d)
		}
	}
	return blood && scan
}

// thawFailed is the last thaw when no embryo has survived any, and none was
// transferred.
func (b *builder) thawFailed() (Fact, bool) {
	f, ok := b.l.last(Thawed)
	survived := slices.ContainsFunc(b.l.of(Thawed), func(t Fact) bool { return t.Survived == nil || *t.Survived > 0 })
	return f, ok && !b.transferred && !survived
}

// noEmbryo drops the transfer and what counts from it when no embryo survived the
// thaw, until another one does or a person cancels the cycle.
func (b *builder) noEmbryo() {
	f, failed := b.thawFailed()
	if !failed {
		return
	}
	gone := []StepName{Transfer, HCGFirst, HCGRepeat, OBUltrasound}
	for i := range b.plan.Steps {
		s := &b.plan.Steps[i]
		if s.Status != Done && slices.Contains(gone, s.Name) {
			s.Status = Dropped
			s.Reasons = append(s.Reasons, because("dropped_none_survived", "on", f.On.String()))
		}
	}
	b.plan.Conflicts = slices.DeleteFunc(b.plan.Conflicts, func(c Conflict) bool { return slices.Contains(gone, c.Step) })
	b.conflict(Step{Name: Transfer}, b.thawReason("none_survived", f))
}

func (b *builder) thawReason(code string, f Fact) Reason {
	stored, backup := "?", "nothing_agreed"
	if e, ok := b.l.one(Embryos); ok {
		if e.Stored != nil {
			stored = fmt.Sprint(*e.Stored)
		}
		if e.Backup != "" {
			backup = string(e.Backup)
		}
	}
	if f.Stored != nil {
		stored = fmt.Sprint(*f.Stored)
	}
	return because(code, "thawed", fmt.Sprint(f.Count), "on", f.On.String(), "stored", stored, "backup", backup)
}

// openThaw: no embryo is left and nobody has decided what follows.
func (b *builder) openThaw(add addOpen) {
	if f, failed := b.thawFailed(); failed {
		add("thaw/"+f.On.String(), Transfer, b.morning(f.On), b.thawReason("open_none_survived", f))
	}
}

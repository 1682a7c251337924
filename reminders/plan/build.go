package plan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// Build computes the calendar of one cycle as of asOf, which stands for now.
// The order of facts does not matter. It refuses facts that cannot all be true
// with a *Refusal. The policy must be one that ParsePolicy let through.
func Build(p Policy, facts []Fact, asOf time.Time) (Plan, error) {
	b, err := begin(p, facts, asOf)
	if err != nil {
		return Plan{}, err
	}
	b.steps()
	b.noEmbryo()
	b.checkProtocol()
	b.cancel()
	b.finish()
	return b.plan, nil
}

// begin reads the facts on the clinic's clock and resolves what stands.
func begin(p Policy, facts []Fact, asOf time.Time) (*builder, error) {
	zone := p.Location()
	local := slices.Clone(facts)
	for i := range local {
		if !local[i].At.IsZero() {
			local[i].At = local[i].At.In(zone)
		}
	}
	l, err := newLedger(local, p.Calendar.PeriodCutOff, asOf.In(zone))
	if err != nil {
		return nil, err
	}
	for _, f := range l.of(Ready) {
		if _, known := p.Readiness[f.Item]; !known {
			return nil, refuse(f, fmt.Sprintf("item %q is not on the checklist", f.Item), "use one of "+strings.Join(sortedKeys(p.Readiness), ", "))
		}
	}
	for _, f := range l.of(HandoverItem) {
		if _, known := p.Handover[f.Item]; !known {
			return nil, refuse(f, fmt.Sprintf("item %q is not on the list for the hand-over", f.Item), "use one of "+strings.Join(sortedKeys(p.Handover), ", "))
		}
	}
	proto, err := p.protocolOf(l)
	if err != nil {
		return nil, err
	}
	return newBuilder(p, proto, l, asOf.In(zone)), nil
}

// protocolOf is the table that a fact chooses, else the policy's.
func (p Policy) protocolOf(l ledger) (Protocol, error) {
	if f, chosen := l.one(ProtocolChosen); chosen {
		proto, known := p.ProtocolNamed(f.Protocol)
		if !known {
			return proto, refuse(f, "protocol "+quoted(f.Protocol)+" is not known", "use one of "+strings.Join(p.ProtocolNames(), ", "))
		}
		return proto, nil
	}
	proto, known := p.Protocol()
	if !known {
		return proto, &Refusal{Fact: "policy", Why: "protocol " + quoted(p.Calendar.Protocol) + " is not known", Do: "set calendar.protocol to a known one"}
	}
	return proto, nil
}

// Check reports whether adding one fact to those on record would be refused, as
// a *Refusal about the new fact.
func Check(p Policy, facts []Fact, add Fact, asOf time.Time) error {
	b, err := add.MarshalJSON()
	if err != nil {
		return refuse(add, "cannot be written down", "correct its values")
	}
	read, err := ParseFact(b, p.Location())
	if err != nil {
		return err
	}
	read.pos = justAdded
	_, err = Build(p, append(slices.Clone(facts), read), asOf)
	return err
}

// span is when something that others count from takes place: the days at the
// earliest, as planned and at the latest. All three agree once it is settled.
type span struct{ from, on, to civil.Date }

func settled(d civil.Date) span { return span{d, d, d} }

// firm reports whether the day is settled by a fact, an order or a booking.
func (s span) firm() bool { return s.from == s.to }

// builder is one run of Build.
type builder struct {
	pol   Policy
	proto Protocol
	room  room
	l     ledger
	asOf  time.Time
	today civil.Date
	plan  Plan

	dayOne    civil.Date
	embryoDay int
	// cleared is the day of the baseline that let the cycle start, or zero.
	cleared civil.Date
	// cancelled is when and why the cycle ended, or zero.
	cancelled civil.Date
	why       Reason
	// trigger is the trigger as given, else as ordered; given tells which.
	trigger        Fact
	ordered, given bool
	surge          Fact
	surged         bool
	measured       bool // the surge is a value of LH, not a person's word
	transfer       Fact
	transferred    bool
	values         []Fact
	orders         []course
	// way is what the pregnancy has come to, mtx the last methotrexate.
	way        way
	mtx        Fact
	anchors    map[StepName]span
	conditions map[Condition]bool
}

func newBuilder(p Policy, proto Protocol, l ledger, asOf time.Time) *builder {
	b := &builder{pol: p, proto: proto, room: newRoom(p), l: l, asOf: asOf, today: civil.DateOf(asOf),
		anchors: map[StepName]span{}, conditions: map[Condition]bool{}, embryoDay: 5}
	b.readEvents()
	b.readBaseline()
	b.values = b.testValues()
	b.plan = Plan{CycleDayOne: b.dayOne, AsOf: asOf, Protocol: proto.Name, Cancelled: b.cancelled,
		EmbryoDay: b.embryoDay, Revision: l.all, HCG: Judge(b.values, p.HCG)}
	b.orders = b.courses()
	b.setConditions()
	return b
}

func (b *builder) readEvents() {
	if f, ok := b.l.one(PeriodStart); ok {
		b.dayOne = DayOne(f.At, b.pol.Calendar.PeriodCutOff)
	}
	if b.trigger, b.given = b.l.one(TriggerGiven); !b.given {
		b.trigger, b.ordered = b.l.one(TriggerOrder)
	}
	b.readSurge()
	if f, ok := b.l.one(Embryos); ok {
		b.embryoDay = f.EmbryoDay
	}
	b.transfer, b.transferred = b.l.one(Transferred)
	if b.transfer.EmbryoDay != 0 {
		b.embryoDay = b.transfer.EmbryoDay
	}
	if f, ok := b.l.one(Cancelled); ok {
		b.cancelled, b.why = f.On, because("cancelled", "on", f.On.String(), "reason", f.Reason)
	}
}

// readSurge takes the surge that a person has entered, else the first LH in the
// blood from the policy's figure on, unless a person has judged that it is none. A
// test at home is no surge. What is measured after the trigger is its own doing.
func (b *builder) readSurge() {
	said, known := b.l.one(LHSurge)
	if known && (said.Counts == nil || *said.Counts) {
		b.surge, b.surged = said, true
		return
	}
	for _, f := range b.l.live {
		if f.LH == nil || *f.LH < b.pol.Trigger.LHSurge || f.Kind != Scan && f.Kind != Bloods {
			continue
		}
		judged := known && !f.On.After(said.On)
		late := !b.triggered().IsZero() && f.On.After(b.triggered())
		if !judged && !late && !b.surged {
			b.surge, b.surged, b.measured = f, true, true
		}
	}
}

func (b *builder) readBaseline() {
	f, ok := b.l.last(BaselineFound)
	switch {
	case !ok:
	case f.Decision == Start:
		b.cleared = f.On
	case f.Decision == Cancel && b.cancelled.IsZero():
		b.cancelled, b.why = f.On, because("cancelled_at_baseline", "on", f.On.String())
	}
}

// testValues are the hCG values that test for a pregnancy: all of them while no
// transfer is on record, else those drawn after it.
func (b *builder) testValues() []Fact {
	var out []Fact
	for _, f := range b.l.of(HCG) {
		if !b.transferred || civil.DateOf(f.At).After(b.transfer.On) {
			out = append(out, f)
		}
	}
	return out
}

// triggered is the day from which the trigger counts, zero while none was
// ordered or given.
func (b *builder) triggered() civil.Date {
	if !b.given && !b.ordered {
		return civil.Date{}
	}
	return countedDay(b.trigger)
}

func (b *builder) has(k DrugClass) bool {
	return slices.ContainsFunc(b.orders, func(c course) bool { return c.class == k })
}

func (b *builder) setConditions() {
	set := func(c Condition, holds bool) { b.conditions[c] = holds }
	// A surge after the trigger is the trigger's own doing.
	set(WhenSurge, b.surged && (b.triggered().IsZero() || !b.surge.On.After(b.triggered())))
	set(WhenTablets, b.has(Tablet))
	set(WhenInjections, b.has(Injection) && !b.has(Tablet))
	set(WhenBoth, b.has(Injection) && b.has(Tablet))
	found, looked := b.l.last(BaselineFound)
	set(WhenRescan, looked && found.Decision == Rescan)
	if v := b.plan.HCG; v != nil {
		set(WhenPoorRise, v.Verdict == Below || v.Verdict == Falling)
		set(WhenUnclear, v.Verdict == Below || v.Verdict == Falling || v.Verdict == Equivocal)
		set(WhenNegative, v.Verdict == Negative && !b.tooEarly(b.values[len(b.values)-1]))
	}
	if b.conditions[WhenSurge] {
		b.plan.Surge = b.surge.On
	}
	b.setWay()
}

// tooEarly reports whether a draw came before the window of the first hCG, so
// that a negative value proves nothing.
func (b *builder) tooEarly(draw Fact) bool {
	for _, r := range b.proto.Rows {
		if b.transferred && r.Step == HCGFirst {
			return civil.DateOf(draw.At).DaysSince(b.transfer.On) < b.window(r).From
		}
	}
	return false
}

// steps plans every step of the table, each once, in the order of its first
// row, so that what it counts from is already there.
func (b *builder) steps() {
	done := map[StepName]bool{}
	for _, r := range b.proto.Rows {
		if done[r.Step] {
			continue
		}
		done[r.Step] = true
		switch r.Fit {
		case FitEvening:
			b.planTrigger(r.Step)
		case FitLab:
			b.planTransfer(r.Step)
		case FitAwaited:
			b.planAwaited(r.Step)
		case FitCourse, FitStart, FitDated:
			b.planOrders(r.Step)
		case FitEnd:
			b.planEnd(r.Step)
		default:
			b.planVisits(r.Step)
		}
	}
}

func (b *builder) add(s Step) { b.plan.Steps = append(b.plan.Steps, s) }

func (b *builder) conflict(s Step, why Reason, alternatives ...civil.Date) {
	b.plan.Conflicts = append(b.plan.Conflicts, Conflict{Step: s.Name, Key: s.Key, Why: why, Alternatives: alternatives})
}

// byDay is the status of a step that no fact shows done.
func (b *builder) byDay(s Step) Status {
	day := s.On
	if day.IsZero() {
		if b.today.After(s.To) {
			return Missed
		}
		return Projected
	}
	switch c := b.today.Compare(day); {
	case c < 0:
		return Projected
	case c == 0:
		return Due
	}
	return Missed
}

// passed drops a step that something later has made pointless.
func (b *builder) passed(s *Step, r Rule) {
	if s.Status == Done {
		return
	}
	for _, k := range r.PassedBy {
		if f, ok := b.l.one(k); ok && s.Status != Done {
			s.Status = Dropped
			s.Reasons = append(s.Reasons, because("passed", "fact", string(k), "on", f.day().String()))
			return
		}
	}
	for _, c := range r.DroppedWhen {
		if b.conditions[c] {
			s.Status = Dropped
			s.Reasons = append(s.Reasons, because("dropped_"+string(c)))
			return
		}
	}
}

// cancel drops what was not done before the cycle was cancelled.
func (b *builder) cancel() {
	if b.cancelled.IsZero() {
		return
	}
	dropped := map[string]bool{}
	for i := range b.plan.Steps {
		s := &b.plan.Steps[i]
		if s.Status == Done || s.Name == FollowUp && s.Booked {
			continue
		}
		s.Status = Dropped
		s.Reasons = append(s.Reasons, b.why)
		dropped[s.Key] = true
	}
	b.plan.Conflicts = slices.DeleteFunc(b.plan.Conflicts, func(c Conflict) bool { return dropped[c.Key] })
}

func (b *builder) finish() {
	b.extend()
	b.checkHandover()
	b.checkLoss()
	b.plan.Path, b.plan.PathWhy = b.way.path, b.way.why
	b.checkEarlyValues()
	slices.SortStableFunc(b.plan.Steps, func(x, y Step) int {
		if c := cmp.Compare(slices.Index(StepNames, x.Name), slices.Index(StepNames, y.Name)); c != 0 {
			return c
		}
		if c := x.base.Compare(y.base); c != 0 {
			return c
		}
		return cmp.Compare(x.Key, y.Key)
	})
	slices.SortStableFunc(b.plan.Conflicts, func(x, y Conflict) int {
		return cmp.Compare(slices.Index(StepNames, x.Step), slices.Index(StepNames, y.Step))
	})
	if b.transferred {
		b.plan.Gestation = gestationOf(b.transfer.On, b.embryoDay, b.today, b.way.path == Ongoing || b.way.path == Several)
	}
	b.plan.Doses = b.doses()
	b.plan.Supplies = b.supplies()
	b.plan.Open = b.openEnds()
	b.plan.phase = b.phase()
}

func (b *builder) phase() Phase {
	switch {
	case b.positive():
		return EarlyPregnancy
	case b.transferred:
		return AfterTransfer
	case b.given || b.ordered && !b.trigger.At.After(b.asOf) || b.surged:
		return AfterTrigger
	case !b.dayOne.IsZero() && !b.today.Before(b.dayOne):
		return InStimulation
	}
	return BeforeCycle
}

// positive reports whether any test after the transfer was above the cut-off.
func (b *builder) positive() bool {
	return b.transferred && slices.ContainsFunc(b.values, func(f Fact) bool { return f.IUPerL > b.pol.HCG.PositiveAbove })
}

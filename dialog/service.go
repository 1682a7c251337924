package dialog

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/dialog/reading"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/rules"
)

// Service handles what comes in.
type Service struct {
	Vault   *seal.Vault
	Outbox  *outbox.Outbox
	Book    *reminders.Book
	Desk    *triage.Desk
	Phrases *phrase.Book
	Policy  plan.Policy
	// Decode reads an update of the platform that item came from.
	Decode func(item Item, raw []byte) (Inbound, error)
	// Staff takes what a member of the staff writes or presses.
	Staff func(ctx context.Context, tx *store.Tx, in FromStaff) error
}

// FromStaff is something that a member of the staff wrote or pressed.
type FromStaff struct {
	Who  triage.Staff
	Item int64 // its row in the inbox
	In   Inbound
	// Pressed is what her button stands for; "" if it counts for nothing, Spent
	// if it was used before.
	Pressed string
	Spent   bool
}

// Handle does everything that one inbound message causes. It is the Worker's
// Handle.
func (s *Service) Handle(ctx context.Context, tx *store.Tx, item Item) error {
	raw, err := s.Vault.Open(ctx, tx, item.Sealed, "update", item.Raw)
	if err != nil {
		return err
	}
	in, err := s.Decode(item, raw)
	if err != nil {
		return err
	}
	if in.Kind == Ignored || in.Chat == "" {
		return nil
	}
	who, known, err := s.Vault.Find(ctx, tx, in.Chat)
	if err != nil {
		return err
	}
	if !known {
		return s.stranger(ctx, tx, item, in)
	}
	if staff, works, err := s.Desk.StaffByPerson(ctx, tx, who); err != nil || works {
		if err != nil {
			return err
		}
		if err := s.sealFor(ctx, tx, item, who, raw); err != nil {
			return err
		}
		return s.fromStaff(ctx, tx, item, in, staff)
	}
	return s.fromKnown(ctx, tx, item, in, who, raw)
}

// sealFor seals an update anew under the key of the one who sent it, so that
// erasing her erases it.
func (s *Service) sealFor(ctx context.Context, tx *store.Tx, item Item, who seal.Person, raw []byte) error {
	sealed, err := s.Vault.Seal(ctx, tx, who, "update", raw)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `UPDATE inbox SET raw = ?, sealed_for = ? WHERE id = ?`, sealed, who, item.ID)
	return err
}

// Park puts a message that could not be handled before a human, and tells its
// sender so if she is a patient. It is the Worker's Park.
func (s *Service) Park(ctx context.Context, tx *store.Tx, item Item) error {
	who, known, err := s.Vault.FindHash(ctx, tx, item.Chat)
	if err != nil {
		return err
	}
	o := triage.Opening{Key: inboxKey(item.ID), Person: seal.House, Reason: triage.Unread, Urgency: rules.SameDay, PageNow: true}
	p, isPatient, err := s.Book.ByPerson(ctx, tx, who)
	if err != nil {
		return err
	}
	if known && isPatient {
		o.Person, o.Patient, o.Language = p.Person, p.ID, p.Language
		w := s.writer(p, item.ID)
		if err := s.Outbox.Put(ctx, tx, w.message(outbox.Reply, "stuck", outbox.Message{Text: w.say("reply.stuck", clinicArgs(s.Policy, p.Language))})); err != nil {
			return err
		}
	}
	_, err = s.Desk.Open(ctx, tx, o)
	return err
}

func inboxKey(item int64) string { return fmt.Sprintf("inbox/%d", item) }

// fromPatient loads where she stands, decides, and does what follows.
func (s *Service) fromPatient(ctx context.Context, tx *store.Tx, item Item, in Inbound, p reminders.Patient) error {
	m, err := s.moment(ctx, tx, in, p)
	if err != nil {
		return err
	}
	a := &applying{service: s, tx: tx, item: item.ID, m: m, writer: s.writer(p, item.ID)}
	if in.Kind == Press {
		if err := a.takePress(ctx); err != nil {
			return err
		}
	}
	if err := s.lookForPlaces(ctx, tx, m); err != nil {
		return err
	}
	before := m.talk
	for _, e := range step(m) {
		if err := a.apply(ctx, e); err != nil {
			return fmt.Errorf("%T: %w", e, err)
		}
	}
	if err := a.acknowledge(ctx); err != nil {
		return err
	}
	if m.talk.Asking == before.Asking && !a.cautioned {
		return nil
	}
	return saveConversation(ctx, tx, s.Vault, p.Person, m.talk)
}

// moment gathers everything that the answer depends on.
func (s *Service) moment(ctx context.Context, tx *store.Tx, in Inbound, p reminders.Patient) (*moment, error) {
	pol, err := s.Book.PolicyNow(ctx, tx)
	if err != nil {
		return nil, err
	}
	m := &moment{now: tx.Now.In(s.Policy.Location()), in: in, policy: pol, patient: p}
	if m.flooded, err = flooded(ctx, tx, p.Person); err != nil {
		return nil, err
	}
	if m.plan, m.cycle, err = s.Book.Plan(ctx, tx, p.ID); err != nil {
		return nil, err
	}
	if m.doses, err = s.Book.Doses(ctx, tx, m.cycle, m.plan); err != nil {
		return nil, err
	}
	if m.backs, err = s.Book.ReadBacks(ctx, tx, p, m.cycle); err != nil {
		return nil, err
	}
	m.about = m.cycle.About()
	list, err := s.Book.Checklist(ctx, tx, p.ID)
	if err != nil {
		return nil, err
	}
	m.missing, m.checks = reminders.Lacking(list, m.today()), care.Checked(list)
	if m.talk, err = loadConversation(ctx, tx, s.Vault, p.Person); err != nil {
		return nil, err
	}
	if m.linked, err = s.linksIn(ctx, tx, p, in.Text); err != nil {
		return nil, err
	}
	live, err := s.Desk.ForPerson(ctx, tx, p.Person)
	if err != nil {
		return nil, err
	}
	m.handled = slices.ContainsFunc(live, func(c triage.Case) bool { return c.State == triage.Taken && c.Reason.Hers() })
	m.alarmed = slices.ContainsFunc(live, func(c triage.Case) bool { return c.Urgency == rules.Emergency })
	if len(live) > 0 {
		var with triage.Case
		if with, m.talking, err = s.Desk.Awaiting(ctx, tx, p.Person); err != nil {
			return nil, err
		}
		if m.attended, err = s.Desk.Busy(ctx, tx, with); err != nil {
			return nil, err
		}
	}
	if m.shown, m.untold, err = s.shown(m, live); err != nil {
		return nil, err
	}
	if in.Text != "" {
		m.read()
	}
	return m, nil
}

// shown is the plan as she may see it. While a result waits to be told, it holds
// the steps that were planned before and still stand, as they were then.
func (s *Service) shown(m *moment, live []triage.Case) (p plan.Plan, untold bool, err error) {
	var since time.Time
	for _, c := range live {
		if c.Reason == triage.ResultToTell && (since.IsZero() || c.Opened.Before(since)) {
			since, untold = c.Opened, true
		}
	}
	if !untold {
		return m.plan, false, nil
	}
	var before []plan.Fact
	for _, f := range m.cycle.Facts {
		if f.Entered.Before(since) {
			before = append(before, f.Fact)
		}
	}
	if p, err = plan.Build(m.policy, before, m.now); err != nil {
		return p, true, fmt.Errorf("the plan of cycle %d before a result: %w", m.cycle.ID, err)
	}
	p.Steps = slices.DeleteFunc(p.Steps, func(old plan.Step) bool {
		return !slices.ContainsFunc(m.plan.Steps, func(now plan.Step) bool {
			// A repeat that was booked with the first test and falls away with its result
			// would give that result away.
			stands := now.Status != plan.Dropped || plan.ResultBound(old) && m.plan.Cancelled.IsZero()
			return now.Key == old.Key && (now.Status == plan.Done || stands && now.On == old.On && now.At.Equal(old.At))
		})
	})
	return p, true, nil
}

// read has her words read and weighed, with where she is in her cycle.
func (m *moment) read() {
	phase := rules.Phase(m.plan.Phase())
	m.reading = reading.Parse(m.in.Text, reading.Context{Sent: m.sent(), Phase: phase, Medications: m.medications(),
		Language: m.lang(), Expecting: m.expecting()})
	m.verdict = rules.Assess(m.reading.Input(phase, m.flags()...))
}

// medications is what she takes or is to take, for words like "my shot".
func (m *moment) medications() []reading.Medication {
	var list []reading.Medication
	seen := make(map[string]bool)
	for _, d := range m.plan.Doses {
		if d.At.Before(m.now.AddDate(0, 0, -7)) || seen[d.Drug+d.Product] {
			continue
		}
		seen[d.Drug+d.Product] = true
		list = append(list, reading.Medication{Drug: DrugOf(d.Drug, d.Class), Product: d.Product})
	}
	return list
}

// flags is what the chart knows that changes the weight of her words.
func (m *moment) flags() []rules.Flag {
	var flags []rules.Flag
	if h := m.plan.HCG; h != nil && (h.Verdict == plan.Below || h.Verdict == plan.Falling) {
		flags = append(flags, rules.PoorRise)
	}
	if f, ok := m.cycle.Live(plan.OBScan); ok && f.Viable != nil && *f.Viable {
		flags = append(flags, rules.SeenInWomb)
	}
	if f, ok := m.cycle.Live(plan.TriggerGiven); ok && !f.At.After(m.now) {
		flags = append(flags, rules.Triggered)
	}
	for _, a := range m.doses {
		if a.Dose.Class == plan.Progesterone && a.Dose.At.After(m.now) && a.Dose.At.Before(opens(m.policy, m.now)) {
			flags = append(flags, rules.DoseBeforeOpening)
			break
		}
	}
	return flags
}

// DrugOf is a drug of an order in the words of the rules.
func DrugOf(name string, class plan.DrugClass) rules.Drug {
	switch class {
	case plan.Tablet:
		return tabletOf(name)
	case plan.Injection:
		return rules.Gonadotropin
	case plan.TriggerDrug:
		return rules.Trigger
	case plan.Progesterone:
		return rules.Progesterone
	case plan.Estrogen:
		return rules.Estrogen
	}
	return rules.OtherDrug
}

// tabletOf is a tablet by the name on its order.
func tabletOf(name string) rules.Drug {
	if d, known := tablets.Load(name); known {
		return d.(rules.Drug)
	}
	d := reading.Parse(name, reading.Context{Sent: time.Unix(0, 0)}).Drug
	if d == "" {
		d = rules.Letrozole
	}
	tablets.Store(name, d)
	return d
}

// tablets remembers names that have been read: there are few of them, and each
// stands in every message of whoever takes it.
var tablets sync.Map

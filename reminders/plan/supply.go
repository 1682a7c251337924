package plan

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// The facts about what she has at home. OnHand is what was counted, by her or by
// staff, Dispensed what a pharmacy gave out or delivered, Authorised what an insurer
// has approved and until when.
const (
	OnHand     FactKind = "on_hand"
	Dispensed  FactKind = "dispensed"
	Authorised FactKind = "authorisation"
)

// SupplyPolicy is how much she should have at home, and when she is asked.
type SupplyPolicy struct {
	// SpareDays are the days that a supply must cover besides those on which the
	// clinic is closed; a case is opened when it does not.
	SpareDays int `yaml:"spare_days"`
	// AskDays is how long before that she is asked what she has left, at AskAt.
	AskDays int             `yaml:"ask_days"`
	AskAt   civil.TimeOfDay `yaml:"ask_at"`
	// AuthorisationDays is how long before its expiry an authorisation is a case.
	AuthorisationDays int `yaml:"authorisation_days"`
}

func (p Policy) checkSupply(fs *Faults) {
	s := p.Supply
	within(fs, "supply.spare_days", s.SpareDays, 0, 30)
	within(fs, "supply.ask_days", s.AskDays, 0, 14)
	within(fs, "supply.authorisation_days", s.AuthorisationDays, 1, 90)
	if s.AskAt < civil.MustTime("08:00") || s.AskAt > civil.MustTime("20:00") {
		fs.add("supply.ask_at", s.AskAt, "must be 08:00 to 20:00")
	}
}

// Supply is what a patient has at home of one drug, as of now.
type Supply struct {
	Drug string // as it was ordered, else as it was counted
	// Units are what is left, in pieces (tablets, patches, ampoules), PerDose how many
	// of them make one dose; Stated, that somebody has said so, and it is not the one
	// piece that is taken for a dose otherwise.
	Units, PerDose float64
	Stated         bool
	// Doses are the whole doses in what is left, Ahead those that the orders still
	// ask for, as far as they are listed.
	Doses, Ahead int
	// Counted is when somebody last said what there was.
	Counted time.Time
	// Out is the minute of the first dose that it does not cover; zero when it covers
	// all that are listed.
	Out time.Time
	// Warn is the day on which a person must see to it, Last the last day on which
	// she still can; zero with Out.
	Warn, Last civil.Date
	// Pharmacy gave it out last.
	Pharmacy string
	// Until is when the insurer's authorisation ends; zero without one.
	Until civil.Date
}

// Short reports whether a person should see to it on day d.
func (s Supply) Short(d civil.Date) bool { return !s.Out.IsZero() && !d.Before(s.Warn) }

// SupplyDay is one day of a supply.
type SupplyDay struct {
	On civil.Date
	// Due are the doses of the day, Left the whole doses that are left at its end.
	Due, Left int
}

// stock is a supply in the making: the pieces of one drug and the doses that take
// from it.
type stock struct {
	Supply
	ahead []Dose
}

// supplies reckons what she has of every drug of which anything is known.
func (b *builder) supplies() []Supply {
	var all []Supply
	for _, s := range b.stocks() {
		all = append(all, s.Supply)
	}
	return all
}

func (b *builder) stocks() []stock {
	of := map[string]*stock{}
	find := func(drug string) *stock {
		key := drugKey(drug)
		if of[key] == nil {
			of[key] = &stock{Supply: Supply{Drug: drug, PerDose: 1}}
		}
		return of[key]
	}
	for _, f := range b.l.live {
		switch f.Kind {
		case OnHand:
			find(f.Drug).count(f)
		case Dispensed:
			find(f.Drug).add(f)
		case Authorised:
			if s := find(f.Drug); f.Until.After(s.Until) {
				s.Until = f.Until
				s.Pharmacy = cmp.Or(f.Pharmacy, s.Pharmacy)
			}
		}
	}
	b.take(of)
	var all []stock
	for _, key := range slices.Sorted(maps.Keys(of)) {
		b.reckonOut(of[key])
		all = append(all, *of[key])
	}
	return all
}

// drugKey is a drug whatever its capitals and accents.
func drugKey(drug string) string {
	return plainLetters.Replace(strings.ToLower(strings.TrimSpace(drug)))
}

// count: what is there takes the place of everything reckoned before.
func (s *stock) count(f Fact) {
	s.Units, s.Counted = *f.Units, f.At
	s.state(f)
}

func (s *stock) add(f Fact) {
	s.Units += *f.Units
	if s.Counted.IsZero() {
		s.Counted = f.At
	}
	s.state(f)
}

func (s *stock) state(f Fact) {
	if f.PerDose > 0 {
		s.PerDose, s.Stated = f.PerDose, true
	}
	s.Pharmacy = cmp.Or(f.Pharmacy, s.Pharmacy)
}

// take takes from each stock what came due since it was counted, save what she said
// she missed, and lists what is still asked for.
func (b *builder) take(of map[string]*stock) {
	for _, d := range b.plan.Doses {
		s := of[drugKey(d.Drug)]
		if s == nil {
			continue
		}
		switch {
		case d.At.After(b.asOf):
			if d.Taken == nil || !*d.Taken {
				s.ahead = append(s.ahead, d)
				continue
			}
			s.Units -= s.PerDose // she has taken tonight's already
		case !s.Counted.IsZero() && d.At.After(s.Counted) && (d.Taken == nil || *d.Taken):
			s.Units -= s.PerDose
		}
		s.Drug = d.Drug
	}
}

// reckonOut finds the first dose that is not covered, and the days that follow from it.
func (b *builder) reckonOut(s *stock) {
	s.Units = max(s.Units, 0)
	s.Doses, s.Ahead = int(s.Units/s.PerDose+1e-9), len(s.ahead)
	if len(s.ahead) > 0 {
		s.Drug = s.ahead[0].Drug
	}
	if s.Counted.IsZero() || s.Doses >= s.Ahead {
		return
	}
	s.Out = s.ahead[s.Doses].At
	out := civil.DateOf(s.Out)
	s.Last = b.openBefore(out)
	warn := out
	for n := 0; n < lookBackDays && !b.coverUntil(warn.AddDays(-1)).Before(out); n++ {
		warn = warn.AddDays(-1)
	}
	s.Warn = b.openBy(warn)
}

// lookBackDays bounds the search for an open day.
const lookBackDays = 60

// coverUntil is the last day that a supply must cover as seen on d: the policy's
// spare days, on which the clinic is open, and the closed ones among them.
func (b *builder) coverUntil(d civil.Date) civil.Date {
	for n, left := 0, b.pol.Supply.SpareDays; left > 0 && n < lookBackDays; n++ {
		d = d.AddDays(1)
		if b.room.clinicClosed(d) == "" {
			left--
		}
	}
	return d
}

// openBy is d, or the last open day before it.
func (b *builder) openBy(d civil.Date) civil.Date {
	for n := 0; n < lookBackDays && b.room.clinicClosed(d) != ""; n++ {
		d = d.AddDays(-1)
	}
	return d
}

func (b *builder) openBefore(d civil.Date) civil.Date { return b.openBy(d.AddDays(-1)) }

// SupplyDays are the days from the plan's own on for which a supply's doses are
// listed, at most n of them.
func (p Plan) SupplyDays(s Supply, n int) []SupplyDay {
	today := civil.DateOf(p.AsOf)
	days, left := make([]SupplyDay, n), s.Doses
	for i := range days {
		days[i].On = today.AddDays(i)
	}
	for _, d := range p.Doses {
		i := civil.DateOf(d.At).DaysSince(today)
		if drugKey(d.Drug) == drugKey(s.Drug) && d.At.After(p.AsOf) && i < n && (d.Taken == nil || !*d.Taken) {
			days[i].Due++
		}
	}
	for i := range days {
		left -= days[i].Due
		days[i].Left = max(left, 0)
	}
	return days
}

// openSupply: a supply that will not last, and an authorisation that ends.
func (b *builder) openSupply(add addOpen) {
	for _, s := range b.plan.Supplies {
		key := drugKey(s.Drug)
		if !s.Out.IsZero() {
			out := civil.DateOf(s.Out).String()
			args := []string{"drug", s.Drug, "doses", fmt.Sprint(s.Doses), "out", s.Out.Format("2006-01-02 15:04"), "counted", s.Counted.Format("2006-01-02 15:04")}
			if s.Warn.Before(s.Last) {
				add(supplyKey+key+"/"+out, "", b.morning(s.Warn), because("open_supply", args...))
			}
			add(supplyOutKey+key+"/"+out, "", b.morning(s.Last), because("open_supply_last", args...))
		}
		if !s.Until.IsZero() && b.needed(s) {
			due := b.openBy(s.Until.AddDays(-b.pol.Supply.AuthorisationDays))
			add(authorisationKey+key+"/"+s.Until.String(), "", b.morning(due), because("open_authorisation", "drug", s.Drug, "until", s.Until.String()))
		}
	}
}

// The open ends about a supply, by what their keys begin with. Those of the first and
// the last sort can wait a day.
const (
	supplyKey        = "supply/"
	supplyOutKey     = "supply_out/"
	authorisationKey = "authorisation/"
)

// AuthorisationEnds reports whether by day d somebody must see to a supply's
// authorisation.
func (p Plan) AuthorisationEnds(s Supply, d civil.Date) bool {
	return slices.ContainsFunc(p.Open, func(o OpenEnd) bool {
		return o.Key == authorisationKey+drugKey(s.Drug)+"/"+s.Until.String() && !civil.DateOf(o.Due).After(d)
	})
}

// OfSupply reports whether an open end is about what she has at home.
func (o OpenEnd) OfSupply() bool {
	return o.Calm() || strings.HasPrefix(o.Key, supplyOutKey)
}

// Calm reports whether an open end need not be settled on the day on which it is due.
func (o OpenEnd) Calm() bool {
	return strings.HasPrefix(o.Key, supplyKey) || strings.HasPrefix(o.Key, authorisationKey)
}

// needed reports whether an authorisation is still of use: a drug that nobody has
// ordered yet, or one that is asked for on its last day or after.
func (b *builder) needed(s Supply) bool {
	ordered := false
	for _, c := range b.orders {
		if drugKey(c.fact.Drug) == drugKey(s.Drug) {
			ordered = true
			if c.last.IsZero() || !c.last.Before(s.Until) {
				return true
			}
		}
	}
	return !ordered
}

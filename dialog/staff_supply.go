package dialog

import (
	"context"
	"fmt"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// supplyTrade are the words of an entry about what a patient has at home.
var supplyTrade = map[string]string{
	"casa": "home", "entregado": "dispensed", "entregada": "dispensed", "autorizado": "authorised", "autorizada": "authorised", "autorizacion": "authorised",
	"authorized": "authorised", "cada": "per", "farmacia": "pharmacy", "anti-d": "antid", "rhogam": "antid",
}

// onHand reads "home progesterone 20 per 2": twenty pieces of which two make a dose,
// counted now or at a minute that is given.
func (s *scanner) onHand() (plan.Fact, error) { return s.pieces(plan.OnHand) }

// dispensed reads the same, and from which pharmacy.
func (s *scanner) dispensed() (plan.Fact, error) {
	f, err := s.pieces(plan.Dispensed)
	if err == nil {
		err = s.pharmacy(&f)
	}
	return f, err
}

func (s *scanner) pieces(k plan.FactKind) (plan.Fact, error) {
	f := plan.Fact{Kind: k, At: s.now.Truncate(time.Minute)}
	if err := s.drug(&f); err != nil {
		return f, err
	}
	n, ok := s.number()
	if !ok {
		return f, s.fail()
	}
	f.Units = &n
	if s.take("per") != "" {
		if f.PerDose, ok = s.number(); !ok {
			return f, s.fail()
		}
	}
	if s.done() || s.word() == "pharmacy" {
		return f, nil
	}
	at, err := s.minute()
	f.At = at
	return f, err
}

// drug reads the name of a drug, in one word.
func (s *scanner) drug(f *plan.Fact) error {
	if s.done() || numberForm.MatchString(s.raw[s.at]) {
		return s.fail()
	}
	s.at++
	f.Drug = strings.ToLower(strings.Trim(s.raw[s.at-1], ",.:"))
	return nil
}

func (s *scanner) pharmacy(f *plan.Fact) error {
	if s.take("pharmacy") == "" {
		return nil
	}
	if f.Pharmacy = s.text(); f.Pharmacy == "" {
		return s.fail()
	}
	return nil
}

// authorised reads "authorised progesterone until 2026-06-30 pharmacy Tarn Vale".
func (s *scanner) authorised() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Authorised, On: s.today}
	if err := s.drug(&f); err != nil {
		return f, err
	}
	s.take("until")
	d, given := s.date()
	if !given {
		return f, s.fail()
	}
	f.Until = d
	return f, s.pharmacy(&f)
}

// antiD reads "antid 2026-04-12 by Ashgrove".
func (s *scanner) antiD() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.AntiD}
	f.On, _ = s.date()
	if s.take("by") == "" {
		return f, nil
	}
	if f.Prescriber = s.text(); f.Prescriber == "" {
		return f, s.fail()
	}
	return f, nil
}

// shortages are the supplies that somebody must see to by a day.
func (c *colleague) shortages(ctx context.Context, day civil.Date) ([]string, error) {
	list, err := c.room.Care.Shortages(ctx, c.tx, c.in.Who, day)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	rows := []string{c.phrase("supply.short", phrase.Args{"count": fmt.Sprint(len(list))})}
	for i, l := range list {
		if i == longestList {
			return append(rows, c.phrase("staff.more", phrase.Args{"count": fmt.Sprint(len(list) - i)})), nil
		}
		rows = append(rows, "· "+who(l.Patient)+": "+c.words().Supply(l.Supply))
	}
	return rows, nil
}

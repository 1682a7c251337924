package triage

import (
	"context"
	"slices"

	"handrail.example/reminders/store"
)

// crew is whom a case can be put before at this moment: people who work here,
// look after patients and have linked a chat.
type crew struct {
	onCall []Staff
	team   []Staff
}

func (d *Desk) crew(ctx context.Context, tx *store.Tx) (crew, error) {
	team, err := d.Team(ctx, tx)
	if err != nil {
		return crew{}, err
	}
	var c crew
	for _, s := range team {
		if !Allowed(s.Role, TakeCase) {
			continue
		}
		_, linked, err := d.Vault.Chat(ctx, tx, s.Person)
		if err != nil {
			return crew{}, err
		}
		if linked {
			c.team = append(c.team, s)
		}
	}
	shifts, err := d.OnCall(ctx, tx, tx.Now)
	if err != nil {
		return crew{}, err
	}
	for _, sh := range shifts {
		if c.has(sh.Staff.ID) && !slices.ContainsFunc(c.onCall, is(sh.Staff.ID)) {
			c.onCall = append(c.onCall, sh.Staff)
		}
	}
	return c, nil
}

func is(id int64) func(Staff) bool { return func(s Staff) bool { return s.ID == id } }

func (c crew) has(id int64) bool { return slices.ContainsFunc(c.team, is(id)) }

// but is the crew without some of its people.
func (c crew) but(ids ...int64) crew {
	gone := func(s Staff) bool { return slices.Contains(ids, s.ID) }
	return crew{onCall: slices.DeleteFunc(slices.Clone(c.onCall), gone), team: slices.DeleteFunc(slices.Clone(c.team), gone)}
}

func (c crew) with(roles ...Role) []Staff {
	return slices.DeleteFunc(slices.Clone(c.team), func(s Staff) bool { return !slices.Contains(roles, s.Role) })
}

// leads are the leads; where there is none, everybody.
func (c crew) leads() []Staff {
	if leads := c.with(Lead); len(leads) > 0 {
		return leads
	}
	return c.team
}

// first is who hears of a case first: those on call, else the leads, else
// everybody.
func (c crew) first() []Staff {
	if len(c.onCall) > 0 {
		return c.onCall
	}
	return c.leads()
}

// next is the one person whom a case climbs to when those already told have not
// taken it: a lead, else a coordinator; nobody when all have been told.
func (c crew) next(told []int64) []Staff {
	rest := c.but(told...)
	for _, role := range []Role{Lead, Coordinator} {
		if some := rest.with(role); len(some) > 0 {
			return some[:1]
		}
	}
	return nil
}

// all is everybody: with physicians for an emergency, or where nobody else is.
func (c crew) all(emergency bool) []Staff {
	all := c.with(Coordinator, Lead)
	if emergency || len(all) == 0 {
		return c.team
	}
	return all
}

// rung is whom the n'th rung (0, 1, …) of the ladder rings.
func (c crew) rung(n int, emergency bool, told []int64) []Staff {
	switch n {
	case 0:
		return c.first()
	case 1:
		if next := c.next(told); len(next) > 0 {
			return next
		}
	}
	return c.all(emergency)
}

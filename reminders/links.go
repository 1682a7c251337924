package reminders

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// The relations that a link may have. Account is no relation between people: it says
// that a patient is written to in somebody else's chat.
const (
	Partner        = "partner"
	IntendedParent = "intended_parent"
	Carrier        = "carrier"
	EggSource      = "egg_source"
	Family         = "family"
	Account        = "account"
)

// Relations has every relation.
var Relations = []string{Partner, IntendedParent, Carrier, EggSource, Family, Account}

// What somebody may be told of a patient. Nothing of it is a result: ShareResults lets
// her see the visits that follow one, once the patient herself has been told.
const (
	ShareCalendar = "calendar"
	ShareDoses    = "doses"
	ShareResults  = "results"
)

// Shares has all of them.
var Shares = []string{ShareCalendar, ShareDoses, ShareResults}

// Link says that somebody may be told something of a patient.
type Link struct {
	ID       int64
	Patient  int64
	Person   seal.Person
	Relation string
	What     []string // some of Shares
	Name     string   // "" where its person has been erased
	Language string
	// Proven is when its code was written from the person's own chat; before that
	// she is told nothing.
	Proven, Since time.Time
	// Until is when it ended; zero while it has not.
	Until time.Time
}

// Live reports whether its person may be told anything now.
func (l Link) Live() bool { return l.Until.IsZero() && !l.Proven.IsZero() }

// Tells reports whether its person may be told what.
func (l Link) Tells(what string) bool {
	return l.Live() && l.Relation != Account && (what == "" || slices.Contains(l.What, what))
}

// Errors that a person must do something about.
var (
	ErrRelation = errors.New("there is no such relation: choose one of " + strings.Join(Relations, ", "))
	ErrShares   = errors.New("there is no such thing to share: choose of " + strings.Join(Shares, ", "))
	ErrLinked   = errors.New("these two are linked already: end that link first")
	ErrNoLink   = errors.New("there is no such link, or it has ended")
)

// NewLink is what is needed to let somebody be told something of a patient.
type NewLink struct {
	Relation, Name, Language string
	What                     []string
	// Of is another patient, where the person is one; Name and Language are hers then.
	Of Patient
}

func (n *NewLink) tidy(languages []string) error {
	n.Name = strings.TrimSpace(n.Name)
	if n.Of.ID != 0 {
		n.Name, n.Language = n.Of.Name, n.Of.Language
	}
	switch {
	case !slices.Contains(Relations, n.Relation):
		return ErrRelation
	case slices.ContainsFunc(n.What, func(w string) bool { return !slices.Contains(Shares, w) }):
		return ErrShares
	case n.Name == "" || len(n.Name) > 200:
		return fmt.Errorf("a name has 1 to 200 characters")
	case !slices.Contains(languages, n.Language):
		return fmt.Errorf("the clinic's chat speaks %s: choose one of them", strings.Join(languages, ", "))
	}
	slices.Sort(n.What)
	n.What = slices.Compact(n.What)
	return nil
}

// AddLink lets somebody be told something of a patient, once she has written the code
// from her own chat. The code is shown to whoever hands it on and is not kept.
func (b *Book) AddLink(ctx context.Context, tx *store.Tx, patient int64, n NewLink) (l Link, code string, until time.Time, err error) {
	if err := n.tidy(b.Policy.Clinic.Languages); err != nil {
		return l, "", until, err
	}
	person := n.Of.Person
	if person == 0 {
		if person, err = b.Vault.Add(ctx, tx); err != nil {
			return l, "", until, err
		}
	}
	if n.Of.ID == patient {
		return l, "", until, ErrLinked
	}
	name, err := b.Vault.Seal(ctx, tx, person, "link name", []byte(n.Name))
	if err != nil {
		return l, "", until, err
	}
	code, until = NewCode(), tx.Now.Add(b.Policy.Enrolment.CodeValid)
	l = Link{Patient: patient, Person: person, Relation: n.Relation, What: n.What, Name: n.Name, Language: n.Language, Since: tx.Now}
	err = tx.Get(ctx, &l.ID, `INSERT INTO links (patient_id, person_id, relation, what, name, language, code_hash, expires_at, since_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`, patient, person, n.Relation, strings.Join(n.What, ","), name, n.Language,
		b.Vault.Hash("code", code), store.At(until), store.At(tx.Now))
	if store.Taken(err) {
		err = ErrLinked
	}
	return l, code, until, err
}

// RenewLink draws a new code for a link: the last one expired, or its person has a new
// phone. The chat that she writes it from takes the place of the old one.
func (b *Book) RenewLink(ctx context.Context, tx *store.Tx, l Link) (code string, until time.Time, err error) {
	code, until = NewCode(), tx.Now.Add(b.Policy.Enrolment.CodeValid)
	_, err = tx.Exec(ctx, `UPDATE links SET code_hash = ?, expires_at = ? WHERE id = ? AND until_at IS NULL`,
		b.Vault.Hash("code", code), store.At(until), l.ID)
	return code, until, err
}

// EndLink ends a link at once: what was about to be told is withdrawn, what was not
// told yet is not told.
func (b *Book) EndLink(ctx context.Context, tx *store.Tx, l Link) error {
	if _, err := tx.Exec(ctx, `UPDATE links SET until_at = ?, code_hash = NULL, expires_at = NULL WHERE id = ? AND until_at IS NULL`, store.At(tx.Now), l.ID); err != nil {
		return err
	}
	if err := b.release(ctx, tx, l.Person); err != nil {
		return err
	}
	_, err := b.Replan(ctx, tx, l.Patient)
	return err
}

// release lets go of the chat of somebody who is linked to nobody any more and is no
// patient: it is a stranger's again, and she may come back in it as whoever she is then.
func (b *Book) release(ctx context.Context, tx *store.Tx, who seal.Person) error {
	var n int
	if err := tx.Get(ctx, &n, `SELECT (SELECT count(*) FROM links WHERE person_id = ? AND until_at IS NULL) + (SELECT count(*) FROM patients WHERE person_id = ?)`, who, who); err != nil || n > 0 {
		return err
	}
	return b.Vault.Unlink(ctx, tx, who)
}

type linkRow struct {
	ID       int64       `db:"id"`
	Patient  int64       `db:"patient_id"`
	Person   seal.Person `db:"person_id"`
	Relation string      `db:"relation"`
	What     string      `db:"what"`
	Name     []byte      `db:"name"`
	Language string      `db:"language"`
	Proven   store.Time  `db:"proven_at"`
	Since    store.Time  `db:"since_at"`
	Until    store.Time  `db:"until_at"`
}

func (b *Book) links(ctx context.Context, tx *store.Tx, where string, args ...any) ([]Link, error) {
	var rows []linkRow
	if err := tx.Select(ctx, &rows, `SELECT id, patient_id, person_id, relation, what, name, language, proven_at, since_at, until_at FROM links WHERE `+where+` ORDER BY id`, args...); err != nil {
		return nil, err
	}
	all := make([]Link, 0, len(rows))
	for _, r := range rows {
		l := Link{ID: r.ID, Patient: r.Patient, Person: r.Person, Relation: r.Relation, Language: r.Language, Proven: r.Proven.Time, Since: r.Since.Time, Until: r.Until.Time}
		if r.What != "" {
			l.What = strings.Split(r.What, ",")
		}
		name, err := b.Vault.Open(ctx, tx, r.Person, "link name", r.Name)
		if err != nil && !errors.Is(err, seal.ErrErased) {
			return nil, fmt.Errorf("link %d: %w", r.ID, err)
		}
		l.Name = string(name)
		all = append(all, l)
	}
	return all, nil
}

// Links are all that a patient has or had, in the order in which they began.
func (b *Book) Links(ctx context.Context, tx *store.Tx, patient int64) ([]Link, error) {
	return b.links(ctx, tx, `patient_id = ?`, patient)
}

// LinksTo are the live ones of a person, to whomever.
func (b *Book) LinksTo(ctx context.Context, tx *store.Tx, who seal.Person) ([]Link, error) {
	return b.links(ctx, tx, `person_id = ? AND until_at IS NULL AND proven_at IS NOT NULL`, who)
}

// LinkOf is a link of a patient that has not ended, by number; ErrNoLink when there is
// none.
func (b *Book) LinkOf(ctx context.Context, tx *store.Tx, patient, id int64) (Link, error) {
	all, err := b.links(ctx, tx, `patient_id = ? AND id = ? AND until_at IS NULL`, patient, id)
	if err == nil && len(all) == 0 {
		err = ErrNoLink
	}
	if err != nil {
		return Link{}, err
	}
	return all[0], nil
}

// RedeemLink uses the code of a link up and proves the link from this chat. ErrCode
// when the code is not good, or the chat is not the person's: whoever tries learns no
// more than that.
func (b *Book) RedeemLink(ctx context.Context, tx *store.Tx, code, chat string) (Link, error) {
	all, err := b.links(ctx, tx, `code_hash = ? AND expires_at > ? AND until_at IS NULL`, b.Vault.Hash("code", TidyCode(code)), store.At(tx.Now))
	if err != nil {
		return Link{}, err
	}
	if len(all) == 0 {
		return Link{}, ErrCode
	}
	l := all[0]
	if l.Person, err = b.prove(ctx, tx, l, chat); err != nil {
		return Link{}, err
	}
	l.Proven = tx.Now
	if _, err = tx.Exec(ctx, `UPDATE links SET proven_at = ?, code_hash = NULL, expires_at = NULL WHERE id = ?`, store.At(tx.Now), l.ID); err != nil {
		return Link{}, err
	}
	_, err = b.Replan(ctx, tx, l.Patient)
	return l, err
}

// prove says whose chat it is that the code of a link came from: the person's own, or
// a new one of hers where the code was drawn for a new phone, or that of somebody who
// is linked to another patient already and becomes the person of this link.
func (b *Book) prove(ctx context.Context, tx *store.Tx, l Link, chat string) (seal.Person, error) {
	holder, known, err := b.Vault.Find(ctx, tx, chat)
	if err != nil {
		return 0, err
	}
	_, hasChat, err := b.Vault.Chat(ctx, tx, l.Person)
	if err != nil {
		return 0, err
	}
	_, isPatient, err := b.ByPerson(ctx, tx, l.Person)
	switch {
	case err != nil:
		return 0, err
	case known && holder == l.Person:
		return holder, nil
	case isPatient:
		return 0, ErrCode // a patient's chat is proven by her own code alone
	case known:
		return holder, b.become(ctx, tx, l, holder, hasChat)
	case hasChat && l.Proven.IsZero():
		// Somebody whom the clinic knows in another chat: it must come from there.
		return 0, ErrCode
	}
	_, err = b.Vault.Link(ctx, tx, l.Person, chat)
	return l.Person, err
}

// become makes somebody whom the clinic knows already the person of a link that was
// meant for somebody new.
func (b *Book) become(ctx context.Context, tx *store.Tx, l Link, holder seal.Person, hasChat bool) error {
	p, isPatient, err := b.ByPerson(ctx, tx, holder)
	if err != nil {
		return err
	}
	// Whoever is neither a patient nor was ever linked to one is a colleague.
	others, err := b.links(ctx, tx, `person_id = ?`, holder)
	if err != nil {
		return err
	}
	linked := slices.ContainsFunc(others, func(o Link) bool { return o.Until.IsZero() && o.Patient == l.Patient })
	if hasChat || l.Relation == Account || linked || isPatient && p.ID == l.Patient || !isPatient && len(others) == 0 {
		return ErrCode
	}
	name, err := b.Vault.Seal(ctx, tx, holder, "link name", []byte(l.Name))
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `UPDATE links SET person_id = ?, name = ? WHERE id = ?`, holder, name, l.ID)
	if err != nil {
		return err
	}
	return b.Vault.Destroy(ctx, tx, l.Person) // she was made for this link, and has nothing else
}

// Sharing are the patients whose chat this person's is: herself first, where she is one,
// then those with an account link.
func (b *Book) Sharing(ctx context.Context, tx *store.Tx, who seal.Person) ([]Patient, error) {
	var all []Patient
	p, is, err := b.ByPerson(ctx, tx, who)
	if err != nil {
		return nil, err
	}
	if is {
		all = append(all, p)
	}
	var ids []int64
	if err := tx.Select(ctx, &ids, `SELECT patient_id FROM links WHERE person_id = ? AND relation = ? AND until_at IS NULL AND proven_at IS NOT NULL ORDER BY id`, who, Account); err != nil {
		return nil, err
	}
	for _, id := range ids {
		p, err := b.Patient(ctx, tx, id)
		if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
	return all, nil
}

// SeenBy is a plan as the person of a link may see it; false where she may see none.
func SeenBy(pl plan.Plan, l Link) (plan.Plan, bool) {
	if !l.Tells(ShareCalendar) {
		return plan.Plan{}, false
	}
	doses, results := l.Tells(ShareDoses), l.Tells(ShareResults)
	pl.Steps = slices.DeleteFunc(slices.Clone(pl.Steps), func(s plan.Step) bool {
		return !results && (plan.ResultBound(s) || s.Name == plan.Call) || !doses && s.Order != ""
	})
	if !results {
		pl.Gestation, pl.HCG = nil, nil
	}
	return pl, true
}

package plan

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// wire is a fact as JSON has it; a nil field is absent.
type wire struct {
	Kind         string     `json:"fact"`
	ID           *string    `json:"id,omitempty"`
	Replaces     *string    `json:"replaces,omitempty"`
	At           *string    `json:"at,omitempty"`
	On           *string    `json:"on,omitempty"`
	Decision     *string    `json:"decision,omitempty"`
	CystMM       *float64   `json:"cyst_mm,omitempty"`
	Estradiol    *float64   `json:"estradiol_pg_ml,omitempty"`
	Progesterone *float64   `json:"progesterone_ng_ml,omitempty"`
	Beta         *float64   `json:"hcg_iu_per_l,omitempty"`
	Drug         *string    `json:"drug,omitempty"`
	Product      *string    `json:"product,omitempty"`
	Route        *string    `json:"route,omitempty"`
	Dose         *float64   `json:"dose,omitempty"`
	Unit         *string    `json:"unit,omitempty"`
	Times        []string   `json:"times,omitempty"`
	From         *string    `json:"from,omitempty"`
	Stop         *wireStop  `json:"stop,omitempty"`
	Prescriber   *string    `json:"prescriber,omitempty"`
	CheckedBy    *string    `json:"checked_by,omitempty"`
	Order        *string    `json:"order,omitempty"`
	Taken        *bool      `json:"taken,omitempty"`
	Step         *string    `json:"step,omitempty"`
	Item         *string    `json:"item,omitempty"`
	Protocol     *string    `json:"protocol,omitempty"`
	EmbryoDay    *int       `json:"embryo_day,omitempty"`
	Embryos      *int       `json:"embryos,omitempty"`
	RightMM      *[]float64 `json:"right_mm,omitempty"`
	LeftMM       *[]float64 `json:"left_mm,omitempty"`
	LiningMM     *float64   `json:"lining_mm,omitempty"`
	Pattern      *string    `json:"pattern,omitempty"`
	NightOf      *string    `json:"night_of,omitempty"`
	IUPerL       *float64   `json:"iu_per_l,omitempty"`
	Viable       *bool      `json:"viable,omitempty"`
	Site         *string    `json:"site,omitempty"`
	Sacs         *int       `json:"sacs,omitempty"`
	CRLMM        *float64   `json:"crl_mm,omitempty"`
	SacMM        *float64   `json:"sac_mm,omitempty"`
	Heartbeat    *bool      `json:"heartbeat,omitempty"`
	Path         *string    `json:"path,omitempty"`
	Reason       *string    `json:"reason,omitempty"`
	LH           *float64   `json:"lh_iu_per_l,omitempty"`
	Counts       *bool      `json:"counts,omitempty"`
	EggAge       *int       `json:"egg_age,omitempty"`
	Euploid      *bool      `json:"euploid,omitempty"`
	Favourable   *bool      `json:"favourable,omitempty"`
	Stored       *int       `json:"stored,omitempty"`
	Survived     *int       `json:"survived,omitempty"`
	Backup       *string    `json:"backup,omitempty"`
	Laboratory   *string    `json:"laboratory,omitempty"`
	Reported     *string    `json:"reported,omitempty"`
	Rh           *string    `json:"rh,omitempty"`
	Allergen     *string    `json:"allergen,omitempty"`
	Units        *float64   `json:"units,omitempty"`
	PerDose      *float64   `json:"per_dose,omitempty"`
	Pharmacy     *string    `json:"pharmacy,omitempty"`
	Until        *string    `json:"until,omitempty"`
}

// wireStop is "trigger", "order", {"after_doses":5} or {"after_days":5}.
type wireStop Stop

// UnmarshalJSON reads any of the four forms.
func (s *wireStop) UnmarshalJSON(b []byte) error {
	var word string
	if json.Unmarshal(b, &word) == nil {
		*s = wireStop{AtTrigger: word == "trigger", UntilOrder: word == "order"}
		if !s.AtTrigger && !s.UntilOrder {
			return fmt.Errorf("stop: %q is not known", word)
		}
		return nil
	}
	var counts struct {
		Doses *int `json:"after_doses"`
		Days  *int `json:"after_days"`
	}
	if err := strictJSON(b, &counts); err != nil || (counts.Doses == nil) == (counts.Days == nil) {
		return errors.New("stop: not understood")
	}
	*s = wireStop{AfterDoses: or(counts.Doses), AfterDays: or(counts.Days)}
	if s.AfterDoses+s.AfterDays < 1 {
		return errors.New("stop: the count must be at least 1")
	}
	return nil
}

// MarshalJSON writes the form that UnmarshalJSON reads.
func (s wireStop) MarshalJSON() ([]byte, error) {
	switch {
	case s.AtTrigger:
		return []byte(`"trigger"`), nil
	case s.UntilOrder:
		return []byte(`"order"`), nil
	case s.AfterDays > 0:
		return fmt.Appendf(nil, `{"after_days":%d}`, s.AfterDays), nil
	}
	return fmt.Appendf(nil, `{"after_doses":%d}`, s.AfterDoses), nil
}

func strictJSON(b []byte, into any) error {
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		return err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return errors.New("something follows the value")
	}
	return nil
}

// ParseFacts reads a JSON list of facts. A time without an offset is read on
// the wall clock of zone. It is strict: an unknown kind or field, a missing
// one, a value out of the plausible range or of a wrong type is a *Refusal that
// names the fact by its place in the list, its kind and its id.
func ParseFacts(b []byte, zone *time.Location) ([]Fact, error) {
	var raw []json.RawMessage
	if err := strictJSON(b, &raw); err != nil || raw == nil {
		return nil, &Refusal{Fact: "facts", Why: "not a JSON list of facts", Do: `write them as [{"fact":"period_start","at":"2026-03-02T08:15"}]`}
	}
	facts := make([]Fact, 0, len(raw))
	for i, r := range raw {
		f, err := parseFact(r, i+1, zone)
		if err != nil {
			return nil, err
		}
		facts = append(facts, f)
	}
	return facts, nil
}

// ParseFact reads one fact as ParseFacts does.
func ParseFact(b []byte, zone *time.Location) (Fact, error) { return parseFact(b, 0, zone) }

func parseFact(b []byte, pos int, zone *time.Location) (Fact, error) {
	var w wire
	wrong := strictJSON(b, &w)
	if wrong != nil {
		var head struct { // its kind and its id at least, to name it by
			Kind string `json:"fact"`
			ID   string `json:"id"`
		}
		_ = json.Unmarshal(b, &head)
		w.Kind, w.ID = head.Kind, &head.ID
	}
	f := Fact{Kind: FactKind(w.Kind), ID: or(w.ID), pos: pos}
	if !slices.Contains(factKinds, f.Kind) {
		why := fmt.Sprintf("%q is not a kind of fact", w.Kind)
		if w.Kind == "" {
			why = `has no kind under "fact"`
		}
		return f, refuse(f, why, "use one of "+kindList())
	}
	if wrong != nil {
		return f, refuse(f, jsonWhy(wrong), "correct it; this kind has "+fieldList(f.Kind))
	}
	if err := f.read(w, zone); err != nil {
		return f, err
	}
	return f, f.plausible()
}

func kindList() string {
	words := make([]string, len(factKinds))
	for i, k := range factKinds {
		words[i] = string(k)
	}
	return strings.Join(words, ", ")
}

// jsonWhy puts an error of the JSON decoder into words without its Go types.
func jsonWhy(err error) string {
	var wrong *json.UnmarshalTypeError
	if errors.As(err, &wrong) {
		return fmt.Sprintf("%s cannot be a %s", wrong.Field, wrong.Value)
	}
	text := err.Error()
	if _, after, ok := strings.Cut(text, "json: "); ok {
		text = after
	}
	return text
}

func (f *Fact) read(w wire, zone *time.Location) error {
	if err := f.checkFields(w); err != nil {
		return err
	}
	f.Replaces = or(w.Replaces)
	if w.Embryos != nil && *w.Embryos < 1 || w.EmbryoDay != nil && *w.EmbryoDay < 1 {
		return refuse(*f, "embryos or embryo_day is less than 1", "enter the number of embryos and their age in days")
	}
	if w.ID != nil && *w.ID == "" || w.Replaces != nil && *w.Replaces == "" {
		return refuse(*f, "id or replaces is empty", "name the fact or leave the field out")
	}
	if err := f.readDays(w, zone); err != nil {
		return err
	}
	f.readValues(w)
	return nil
}

func (f *Fact) readDays(w wire, zone *time.Location) error {
	var err error
	if w.At != nil {
		if f.At, err = ParseInstant(*w.At, zone); err != nil {
			return refuse(*f, err.Error(), "write at as 2026-03-02T08:15, with or without an offset")
		}
	}
	for _, d := range []struct {
		name string
		text *string
		into *civil.Date
	}{{"on", w.On, &f.On}, {"from", w.From, &f.From}, {"night_of", w.NightOf, &f.NightOf}, {"until", w.Until, &f.Until}} {
		if d.text == nil {
			continue
		}
		if *d.into, err = civil.ParseDate(*d.text); err != nil {
			return refuse(*f, fmt.Sprintf("%s: %q is not a date", d.name, *d.text), "write it as 2026-03-02")
		}
	}
	for _, s := range w.Times {
		t, err := civil.ParseTimeOfDay(s)
		if err != nil {
			return refuse(*f, fmt.Sprintf("times: %q is not a time of day", s), "write it as 08:00 or 22:30")
		}
		f.Times = append(f.Times, t)
	}
	slices.Sort(f.Times)
	return nil
}

func (f *Fact) readValues(w wire) {
	f.Decision = Decision(or(w.Decision))
	f.CystMM, f.Estradiol, f.BloodProgesterone, f.Beta = w.CystMM, w.Estradiol, w.Progesterone, w.Beta
	f.Drug, f.Product, f.Route = or(w.Drug), or(w.Product), or(w.Route)
	f.Dose, f.Unit = or(w.Dose), or(w.Unit)
	f.Stop = Stop(or(w.Stop))
	f.Prescriber, f.CheckedBy = or(w.Prescriber), or(w.CheckedBy)
	f.Order, f.Taken, f.Step, f.Item = or(w.Order), w.Taken, StepName(or(w.Step)), or(w.Item)
	f.Protocol, f.Path = or(w.Protocol), Path(or(w.Path))
	f.Site, f.Sacs, f.CRLMM, f.SacMM, f.Heartbeat = Site(or(w.Site)), or(w.Sacs), w.CRLMM, w.SacMM, w.Heartbeat
	f.EmbryoDay, f.Count = or(w.EmbryoDay), or(w.Embryos)
	f.RightMM, f.LeftMM, f.LiningMM, f.Pattern = or(w.RightMM), or(w.LeftMM), w.LiningMM, Pattern(or(w.Pattern))
	f.IUPerL, f.Viable, f.Reason = or(w.IUPerL), w.Viable, or(w.Reason)
	f.LH, f.Counts, f.Laboratory, f.Reported = w.LH, w.Counts, or(w.Laboratory), Bound(or(w.Reported))
	f.EggAge, f.Euploid, f.Favourable = or(w.EggAge), w.Euploid, w.Favourable
	f.Stored, f.Survived, f.Backup = w.Stored, w.Survived, Backup(or(w.Backup))
	f.Rh, f.Allergen = Rh(or(w.Rh)), or(w.Allergen)
	f.Units, f.PerDose, f.Pharmacy = w.Units, or(w.PerDose), or(w.Pharmacy)
}

func or[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

// MarshalJSON writes the form that ParseFacts reads; instants carry their
// offset.
func (f Fact) MarshalJSON() ([]byte, error) {
	w := wire{Kind: string(f.Kind), ID: text(f.ID), Replaces: text(f.Replaces), On: text(f.On.String()),
		Decision: text(string(f.Decision)), CystMM: f.CystMM, Estradiol: f.Estradiol,
		Progesterone: f.BloodProgesterone, Beta: f.Beta,
		Drug: text(f.Drug), Product: text(f.Product), Route: text(f.Route), Unit: text(f.Unit),
		From: text(f.From.String()), Prescriber: text(f.Prescriber), CheckedBy: text(f.CheckedBy),
		Order: text(f.Order), Taken: f.Taken, Step: text(string(f.Step)), Item: text(f.Item), Protocol: text(f.Protocol),
		Site: text(string(f.Site)), Sacs: number(f.Sacs), CRLMM: f.CRLMM, SacMM: f.SacMM, Heartbeat: f.Heartbeat, Path: text(string(f.Path)),
		EmbryoDay: number(f.EmbryoDay), Embryos: number(f.Count), LiningMM: f.LiningMM,
		Pattern: text(string(f.Pattern)), NightOf: text(f.NightOf.String()), Viable: f.Viable, Reason: text(f.Reason),
		LH: f.LH, Counts: f.Counts, EggAge: number(f.EggAge), Euploid: f.Euploid, Favourable: f.Favourable, Stored: f.Stored, Survived: f.Survived,
		Backup: text(string(f.Backup)), Laboratory: text(f.Laboratory), Reported: text(string(f.Reported)), Rh: text(string(f.Rh)), Allergen: text(f.Allergen)}
	if !f.At.IsZero() {
		w.At = text(f.At.Format(time.RFC3339Nano))
	}
	w.Units, w.Pharmacy, w.Until = f.Units, text(f.Pharmacy), text(f.Until.String())
	if f.PerDose != 0 {
		w.PerDose = &f.PerDose
	}
	if f.Dose != 0 {
		w.Dose = &f.Dose
	}
	if f.Kind == HCG {
		w.IUPerL = &f.IUPerL
	}
	if f.Stop != (Stop{}) {
		s := wireStop(f.Stop)
		w.Stop = &s
	}
	if f.RightMM != nil {
		w.RightMM = &f.RightMM
	}
	if f.LeftMM != nil {
		w.LeftMM = &f.LeftMM
	}
	for _, t := range f.Times {
		w.Times = append(w.Times, t.String())
	}
	return json.Marshal(w)
}

func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func number(n int) *int {
	if n == 0 {
		return nil
	}
	return &n
}

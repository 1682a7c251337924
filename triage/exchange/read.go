package exchange

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/plan"
)

// The most that one Bundle may be: a day of a clinic's laboratory is a small part of
// it. Common practice, no source.
const (
	MostBytes   = 4 << 20
	mostEntries = 1000
)

// Kind is what a resource that we take is.
type Kind string

// The kinds.
const (
	Appointment Kind = "appointment"
	Result      Kind = "result"
)

// Doubt is why a person must look at something before it counts.
type Doubt string

// The doubts that the resource itself raises.
const (
	NoTime      Doubt = "time"       // when it was, to the minute where that counts
	OtherUnit   Doubt = "unit"       // not certainly ours
	NoValue     Doubt = "value"      // no number, or a bound that we do not keep
	NotFinal    Doubt = "status"     // proposed, preliminary, missed
	OtherTest   Doubt = "test"       // nearly, but not just, what we keep
	NoPurpose   Doubt = "purpose"    // an appointment that does not say for which step
	NoLab       Doubt = "laboratory" // nobody is named who measured it
	Implausible Doubt = "implausible"
	SeveralWho  Doubt = "several"  // it names more than one person
	Modified    Doubt = "modifier" // something in it changes its meaning in a way that we do not read
)

// Claim is whom a resource says that it is about.
type Claim struct {
	Handles []string `json:"handles,omitempty"` // by our own naming
	Names   []string `json:"names,omitempty"`
	Born    string   `json:"born,omitempty"`
	Others  []string `json:"others,omitempty"` // numbers of other systems
}

// Item is one resource that was handed in.
type Item struct {
	Kind Kind
	// Source is its identity in the system that it comes from; Number is the part of it
	// that people know it by. Content changes when anything of it, or of whom it is
	// about, changes.
	Source, Number string
	Content        []byte
	// System is that of its identity, and Maker who gave it, where that is said.
	System, Maker string
	Claim         Claim
	// Fact is what it would be on record; its Kind is "" where that is not certain.
	Fact plan.Fact
	// Gone: it was called off, or was never true.
	Gone bool
	// Says is what it says in a few words, for a person who must look at it.
	Says   string
	Doubts []Doubt
}

// Incoming is what a Bundle holds: what we take, and how many resources of other kinds
// were left out.
type Incoming struct {
	Items []Item
	Other int
}

// Malformed says what is wrong with a file, and never what it says about anybody.
type Malformed struct{ Why, Do string }

func (m *Malformed) Error() string { return m.Why + "; " + m.Do }

func malformed(do, format string, args ...any) error {
	return &Malformed{Why: fmt.Sprintf(format, args...), Do: do}
}

// Read reads the appointments and the laboratory results of an HL7 FHIR R4 Bundle. A
// file that is not sound as a whole is a *Malformed, and nothing of it is taken. zone is
// the clinic's.
func Read(b []byte, zone *time.Location) (Incoming, error) {
	if len(b) > MostBytes {
		return Incoming{}, malformed("split it", "the file is larger than %d MB", MostBytes>>20)
	}
	var all bundle
	if err := strict(b, &all); err != nil || all.ResourceType != "Bundle" {
		return Incoming{}, malformed("ask its sender for a Bundle as JSON", "this is not an HL7 FHIR Bundle")
	}
	if len(all.Entry) > mostEntries {
		return Incoming{}, malformed("split it", "the Bundle has more than %d entries", mostEntries)
	}
	r := reader{zone: zone, people: make(map[string][]Claim), names: make(map[string]string)}
	for i, e := range all.Entry {
		if err := r.learn(e); err != nil {
			return Incoming{}, wrong(i, "Patient or Organization")
		}
	}
	var in Incoming
	seen := make(map[string][]byte)
	for i, e := range all.Entry {
		it, taken, err := r.item(i, e)
		switch {
		case err != nil:
			return Incoming{}, err
		case !taken:
			if !tells(e) {
				in.Other++
			}
			continue
		}
		before, twice := seen[it.Source]
		if twice && !bytes.Equal(before, it.Content) {
			return Incoming{}, malformed("ask its sender which one counts", "entry %d has the identifier of an earlier one and says something else", i+1)
		}
		if seen[it.Source] = it.Content; !twice {
			in.Items = append(in.Items, it)
		}
	}
	return in, nil
}

// strict reads one JSON value with nothing behind it.
func strict(b []byte, into any) error {
	dec := json.NewDecoder(bytes.NewReader(b))
	if err := dec.Decode(into); err != nil {
		return err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return errors.New("something follows")
	}
	return nil
}

func wrong(i int, kind string) error {
	return malformed("ask its sender to check it against FHIR R4", "entry %d (%s) is not as FHIR R4 wants it", i+1, kind)
}

// reader knows who is named in a Bundle while it is read.
type reader struct {
	zone   *time.Location
	people map[string][]Claim // by every address that a reference may use
	names  map[string]string  // of organizations and practitioners
}

// learn notes a resource that others refer to.
func (r *reader) learn(e entry) error {
	var h head
	if json.Unmarshal(e.Resource, &h) != nil {
		return nil // said by item
	}
	addresses := []string{h.ResourceType + "/" + h.ID}
	if e.FullURL != "" && !strings.HasSuffix(e.FullURL, addresses[0]) || h.ID == "" {
		addresses = []string{e.FullURL}
	} else if e.FullURL != "" {
		addresses = append(addresses, e.FullURL)
	}
	switch h.ResourceType {
	case "Patient":
		var p patient
		if err := json.Unmarshal(e.Resource, &p); err != nil {
			return err
		}
		for _, a := range addresses {
			if a != "" {
				r.people[a] = append(r.people[a], claimOf(p))
			}
		}
	case "Organization":
		var o struct{ Name string }
		if err := json.Unmarshal(e.Resource, &o); err != nil {
			return err
		}
		for _, a := range addresses {
			r.names[a] = o.Name
		}
	}
	return nil
}

// past are the names that somebody does not go by now.
var past = []string{"old", "maiden", "nickname"}

func claimOf(p patient) (c Claim) {
	c.Born = p.BirthDate
	for _, i := range p.Identifier {
		c.identified(i)
	}
	for _, n := range p.Name {
		text := n.Text
		if text == "" {
			text = strings.TrimSpace(strings.Join(n.Given, " ") + " " + n.Family)
		}
		if text != "" && !slices.Contains(past, n.Use) {
			c.Names = append(c.Names, text)
		}
	}
	return c
}

func (c *Claim) identified(i identifier) {
	switch {
	case i.Value == "":
	case i.System == HandleSystem:
		c.Handles = append(c.Handles, i.Value)
	default:
		c.Others = append(c.Others, strings.TrimSpace(i.System+" "+i.Value))
	}
}

// who is whom some references are about.
func (r *reader) who(refs ...reference) (c Claim, several bool) {
	n := 0
	for _, ref := range refs {
		found := r.people[ref.Reference]
		if n += max(len(found), 1); ref.Reference == "" || len(found) == 0 {
			// It leads elsewhere: all we know is what the reference itself says.
			var own Claim
			if ref.Identifier != nil {
				own.identified(*ref.Identifier)
			}
			if ref.Display != "" {
				own.Others = append(own.Others, ref.Display)
			}
			found = []Claim{own}
		}
		for _, f := range found {
			c.Handles, c.Names, c.Others = append(c.Handles, f.Handles...), append(c.Names, f.Names...), append(c.Others, f.Others...)
			if f.Born != "" {
				c.Born = f.Born
			}
		}
	}
	return c, n > 1
}

// tells reports whether an entry tells who somebody is, which is used.
func tells(e entry) bool {
	var h head
	return json.Unmarshal(e.Resource, &h) == nil && (h.ResourceType == "Patient" || h.ResourceType == "Organization")
}

// item reads one entry; false for a resource of a kind that we do not take.
func (r *reader) item(i int, e entry) (Item, bool, error) {
	var h head
	if err := json.Unmarshal(e.Resource, &h); err != nil || h.ResourceType == "" {
		return Item{}, false, wrong(i, "no resource")
	}
	var it Item
	var taken bool
	var err error
	switch h.ResourceType {
	case "Appointment":
		it, err = r.appointment(e.Resource)
		taken = true
	case "Observation":
		it, taken, err = r.result(e.Resource)
	}
	switch {
	case err != nil:
		return it, false, wrong(i, h.ResourceType)
	case !taken:
		return it, false, nil
	case len(h.Identifier) == 0 || h.Identifier[0].Value == "" || h.Identifier[0].System == "":
		return it, false, malformed("ask its sender for one: without it the same thing would be taken in twice", "entry %d (%s) has no identifier with its system", i+1, h.ResourceType)
	}
	id := h.Identifier[0]
	if it.System = id.System; id.Assigner != nil {
		it.Maker = id.Assigner.Display
	}
	it.Source, it.Number = strings.Join([]string{string(it.Kind), it.System, it.Maker, id.Value}, "\n"), clip(id.Value)
	var modified bool
	if it.Content, modified, err = contentOf(e.Resource, it.Claim); err != nil {
		return it, false, wrong(i, h.ResourceType)
	}
	if modified {
		it.Fact = plan.Fact{}
		it.doubt(Modified)
	}
	return it, true, nil
}

// contentOf is what counts of a resource, always written in the same way: without what
// its server says about the copy (meta) and without its picture for people (text). It
// reports whether the resource is modified: what FHIR calls modifying extensions and
// implicit rules must not be passed over by somebody who does not know them (R4,
// Extensibility). Two names that differ in their letters' case alone are no FHIR, and
// one of them would be read for the other.
func contentOf(raw json.RawMessage, c Claim) (content []byte, modified bool, err error) {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var all map[string]any
	if err := dec.Decode(&all); err != nil {
		return nil, false, err
	}
	seen := make(map[string]bool)
	for name := range all {
		folded := strings.ToLower(name)
		if seen[folded] {
			return nil, false, errors.New("a name twice")
		}
		seen[folded] = true
	}
	delete(all, "meta")
	delete(all, "text")
	modified = all["modifierExtension"] != nil || all["implicitRules"] != nil
	content, err = json.Marshal([]any{all, c})
	return content, modified, err
}

// clip bounds what is only shown.
func clip(s string) string {
	if r := []rune(s); len(r) > 80 {
		return string(r[:80]) + "…"
	}
	return s
}

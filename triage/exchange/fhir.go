package exchange

import "encoding/json"

// The parts of FHIR R4 (4.0.1) that we write and read, and no others. The field names
// are the specification's.

type bundle struct {
	ResourceType string  `json:"resourceType"`
	ID           string  `json:"id,omitempty"`
	Type         string  `json:"type"`
	Timestamp    string  `json:"timestamp,omitempty"`
	Entry        []entry `json:"entry,omitempty"`
}

type entry struct {
	FullURL  string          `json:"fullUrl,omitempty"`
	Resource json.RawMessage `json:"resource"`
}

type coding struct {
	System  string `json:"system,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

type concept struct {
	Coding []coding `json:"coding,omitempty"`
	Text   string   `json:"text,omitempty"`
}

func words(text string) *concept { return &concept{Text: text} }

type reference struct {
	Reference  string      `json:"reference,omitempty"`
	Identifier *identifier `json:"identifier,omitempty"`
	Display    string      `json:"display,omitempty"`
}

type identifier struct {
	System   string     `json:"system,omitempty"`
	Value    string     `json:"value,omitempty"`
	Assigner *reference `json:"assigner,omitempty"`
}

type quantity struct {
	Value      json.Number `json:"value,omitempty"`
	Comparator string      `json:"comparator,omitempty"`
	Unit       string      `json:"unit,omitempty"`
	System     string      `json:"system,omitempty"`
	Code       string      `json:"code,omitempty"`
}

type period struct {
	Start string `json:"start,omitempty"`
	End   string `json:"end,omitempty"`
}

type annotation struct {
	Text string `json:"text"`
}

// head is what every resource begins with.
type head struct {
	ResourceType string       `json:"resourceType"`
	ID           string       `json:"id,omitempty"`
	Identifier   []identifier `json:"identifier,omitempty"`
}

type humanName struct {
	Use    string   `json:"use,omitempty"`
	Text   string   `json:"text,omitempty"`
	Family string   `json:"family,omitempty"`
	Given  []string `json:"given,omitempty"`
}

type patient struct {
	head
	Active        bool            `json:"active,omitempty"`
	Name          []humanName     `json:"name,omitempty"`
	BirthDate     string          `json:"birthDate,omitempty"`
	Communication []communication `json:"communication,omitempty"`
}

type communication struct {
	Language  concept `json:"language"`
	Preferred bool    `json:"preferred,omitempty"`
}

type carePlan struct {
	head
	Status   string     `json:"status"`
	Intent   string     `json:"intent"`
	Title    string     `json:"title,omitempty"`
	Subject  reference  `json:"subject"`
	Period   *period    `json:"period,omitempty"`
	Created  string     `json:"created,omitempty"`
	Activity []activity `json:"activity,omitempty"`
}

type activity struct {
	Reference *reference `json:"reference,omitempty"`
	Detail    *detail    `json:"detail,omitempty"`
}

type detail struct {
	Code            *concept `json:"code,omitempty"`
	Status          string   `json:"status"`
	ScheduledPeriod *period  `json:"scheduledPeriod,omitempty"`
	Description     string   `json:"description,omitempty"`
}

type appointment struct {
	head
	Status      string        `json:"status"`
	ServiceType []concept     `json:"serviceType,omitempty"`
	Description string        `json:"description,omitempty"`
	Start       string        `json:"start,omitempty"`
	End         string        `json:"end,omitempty"`
	Created     string        `json:"created,omitempty"`
	Participant []participant `json:"participant"`
}

type participant struct {
	Actor  *reference `json:"actor,omitempty"`
	Status string     `json:"status"`
}

type medicationRequest struct {
	head
	Status     string     `json:"status"`
	Intent     string     `json:"intent"`
	Medication concept    `json:"medicationCodeableConcept"`
	Subject    reference  `json:"subject"`
	AuthoredOn string     `json:"authoredOn,omitempty"`
	Requester  *reference `json:"requester,omitempty"`
	Dosage     []dosage   `json:"dosageInstruction,omitempty"`
}

type dosage struct {
	Text   string   `json:"text,omitempty"`
	Timing *timing  `json:"timing,omitempty"`
	Route  *concept `json:"route,omitempty"`
	Dose   []dose   `json:"doseAndRate,omitempty"`
}

type dose struct {
	Quantity quantity `json:"doseQuantity"`
}

type timing struct {
	Event  []string `json:"event,omitempty"`
	Repeat *repeat  `json:"repeat,omitempty"`
}

type repeat struct {
	BoundsPeriod *period  `json:"boundsPeriod,omitempty"`
	Count        int      `json:"count,omitempty"`
	Frequency    int      `json:"frequency,omitempty"`
	Period       int      `json:"period,omitempty"`
	PeriodUnit   string   `json:"periodUnit,omitempty"`
	TimeOfDay    []string `json:"timeOfDay,omitempty"`
}

type observation struct {
	head
	Status    string       `json:"status"`
	Category  []concept    `json:"category,omitempty"`
	Code      concept      `json:"code"`
	Subject   *reference   `json:"subject,omitempty"`
	Effective string       `json:"effectiveDateTime,omitempty"`
	Issued    string       `json:"issued,omitempty"`
	Performer []reference  `json:"performer,omitempty"`
	Quantity  *quantity    `json:"valueQuantity,omitempty"`
	Concept   *concept     `json:"valueCodeableConcept,omitempty"`
	DateTime  string       `json:"valueDateTime,omitempty"`
	Boolean   *bool        `json:"valueBoolean,omitempty"`
	Integer   *int         `json:"valueInteger,omitempty"`
	Note      []annotation `json:"note,omitempty"`
	BodySite  *concept     `json:"bodySite,omitempty"`
	Component []component  `json:"component,omitempty"`
}

type component struct {
	Code     concept   `json:"code"`
	Quantity *quantity `json:"valueQuantity,omitempty"`
	Integer  *int      `json:"valueInteger,omitempty"`
}

type letter struct {
	head
	Status    string      `json:"status"`
	Medium    []concept   `json:"medium,omitempty"`
	Subject   *reference  `json:"subject,omitempty"`
	Sent      string      `json:"sent,omitempty"`
	Received  string      `json:"received,omitempty"`
	Recipient []reference `json:"recipient,omitempty"`
	Sender    *reference  `json:"sender,omitempty"`
	Payload   []payload   `json:"payload,omitempty"`
}

type payload struct {
	Content string `json:"contentString"`
}

type task struct {
	head
	Status       string     `json:"status"`
	Intent       string     `json:"intent"`
	Priority     string     `json:"priority,omitempty"`
	Code         *concept   `json:"code,omitempty"`
	Description  string     `json:"description,omitempty"`
	For          *reference `json:"for,omitempty"`
	AuthoredOn   string     `json:"authoredOn,omitempty"`
	LastModified string     `json:"lastModified,omitempty"`
	Owner        *reference `json:"owner,omitempty"`
	Outcome      *concept   `json:"businessStatus,omitempty"`
}

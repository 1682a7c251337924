package records

// table says how what is held about a patient is found in one table, and how each of
// its columns is read.
type table struct {
	name string
	// of picks her rows: $patient is her number, $person that of her key.
	of      string
	columns []column
	// left are columns that say nothing about her, each with the reason why.
	left map[string]string
}

// column is one that is shown.
type column struct {
	name string
	// label is what it is sealed as, "" for plain; under names the column that says
	// whose key it is sealed under, "" for hers.
	label, under string
	// what it refers to, so that a name can be put in its place.
	refers reference
}

// reference is what a number in a column stands for.
type reference int

const (
	nothing reference = iota
	toPerson
	toStaff
	update // an update of the chat platform, sealed
)

func plain(names ...string) (all []column) {
	for _, n := range names {
		all = append(all, column{name: n})
	}
	return all
}

const (
	herCycles = `(SELECT id FROM cycles WHERE patient_id = $patient)`
	herOutbox = `(SELECT id FROM outbox WHERE person_id = $person OR sealed_for = $person)`
	herCases  = `(SELECT id FROM cases WHERE person_id = $person)`
)

// tables are all that hold something about a patient. A test compares them with the
// schema: a table that refers to one of these and is missing here fails it.
var tables = []table{
	{"people", `id = $person`, append(plain("created_at", "erased_at"), column{name: "chat", label: "chat"}),
		map[string]string{"id": number, "wrapped": "her key itself", "chat_hash": hash}},
	{"patients", `id = $patient`, append(plain("handle", "language", "neutral", "state", "consent_version", "consent_at", "opted_out_at", "unreachable_at", "hushed_at", "created_at"), column{name: "name", label: "name"}),
		map[string]string{"id": number, "person_id": number}},
	{"enrolment_codes", `patient_id = $patient`, plain("created_at", "expires_at", "used_at"), map[string]string{"code_hash": hash, "patient_id": number}},
	{"consents", `patient_id = $patient`, plain("at", "version", "language", "agreed"), map[string]string{"id": number, "patient_id": number}},
	{"links", `patient_id = $patient OR person_id = $person`, append(plain("relation", "what", "language", "proven_at", "since_at", "until_at"), column{name: "name", label: "link name", under: "person_id"}),
		map[string]string{"id": number, "patient_id": number, "person_id": number, "code_hash": hash, "expires_at": "of a code that nobody may know"}},
	{"cycles", `patient_id = $patient`, plain("id", "protocol", "opened_at", "closed_at", "outcome"), map[string]string{"patient_id": number}},
	{"facts", `cycle_id IN ` + herCycles, append(plain("id", "cycle_id", "kind", "replaces", "recorded_at"), column{name: "said_by", refers: toPerson}, column{name: "body", label: "fact"}), map[string]string{"inbox_id": number}},
	{"dose_answers", `cycle_id IN ` + herCycles, append(plain("cycle_id", "dose", "answer", "recorded_at"), column{name: "said_by", refers: toPerson}), map[string]string{"id": number, "inbox_id": number}},
	{"read_backs", `fact_id IN (SELECT id FROM facts WHERE cycle_id IN ` + herCycles + `)`, append(plain("fact_id", "said", "recorded_at"), column{name: "said_by", refers: toPerson}), map[string]string{"id": number}},
	{"checklist", `patient_id = $patient`, append(plain("item", "done_on", "recorded_at"), column{name: "said_by", refers: toPerson}), map[string]string{"id": number, "patient_id": number}},
	{"inbox", `sealed_for = $person`, append(plain("received_at", "state", "source"), column{name: "raw", label: "update", refers: update}),
		map[string]string{"id": number, "external_id": number, "digest": hash, "chat_hash": hash, "sealed_for": number, "tries": inner, "retry_at": inner, "settled_at": inner}},
	{"conversations", `person_id = $person`, append(plain("updated_at"), column{name: "body", label: "conversation"}), map[string]string{"person_id": number}},
	{"outbox", `person_id = $person OR sealed_for = $person`, append(plain("id", "kind", "state", "scope", "due_at", "sent_at", "created_at"), column{name: "person_id", refers: toPerson}, column{name: "body", label: "outbox", under: "sealed_for"}),
		map[string]string{"key": inner, "topic": inner, "priority": inner, "address": "of strangers", "sealed_for": number, "digest": hash, "not_before": inner, "expires_at": inner, "tries": inner, "lease_until": inner,
			"revised": inner, "external_id": number, "untold": inner, "settled_at": inner}},
	{"attempts", `outbox_id IN ` + herOutbox, plain("outbox_id", "at", "fate", "class"), map[string]string{"id": number}},
	{"buttons", `outbox_id IN ` + herOutbox, append(plain("outbox_id", "action", "used_at"), column{name: "person_id", refers: toPerson}), map[string]string{"token": "what a button carries"}},
	{"cases", `person_id = $person`, append(plain("id", "reason", "urgency", "state", "opened_at", "taken_at", "closed_at", "outcome"), column{name: "holder_id", refers: toStaff}, column{name: "body", label: "case", under: "person_id"}),
		map[string]string{"key": inner, "patient_id": number, "person_id": number, "page_now": inner, "rung": inner}},
	{"case_events", `case_id IN ` + herCases, append(plain("case_id", "at", "what"), column{name: "by", refers: toPerson}, column{name: "to_staff", refers: toStaff}, column{name: "body", label: "case"}),
		map[string]string{"id": number, "cause": inner}},
	{"staff_actions", `patient_id = $patient`, append(plain("at", "action", "case_id", "fact_id"), column{name: "staff_id", refers: toStaff}, column{name: "note", label: "action", under: "sealed_for"}),
		map[string]string{"id": number, "patient_id": number, "sealed_for": number, "place": "from where, which is about the colleague", "place_ref": number, "address": hash, "link": hash}},
	{"places", `cycle_id IN ` + herCycles, plain("cycle_id", "step", "day", "minute"), map[string]string{"id": number, "sort": inner, "seat": inner}},
	{"arrivals", `patient_id = $patient`, append(plain("kind", "state", "fact_id", "received_at", "settled_at"), column{name: "received_by", refers: toStaff}, column{name: "settled_by", refers: toStaff},
		column{name: "body", label: "arrival", under: "sealed_for"}), map[string]string{"id": number, "source": hash, "content": hash, "patient_id": number, "sealed_for": number}},
	{"owners", `patient_id = $patient`, append(plain("since_at"), column{name: "staff_id", refers: toStaff}), map[string]string{"patient_id": number}},
	{"handover_notes", `patient_id = $patient`, append(plain("at"), column{name: "by", refers: toPerson}, column{name: "body", label: "handover"}), map[string]string{"id": number, "patient_id": number}},
}

// Why a column is left out.
const (
	number = "a number of ours"
	hash   = "a keyed hash"
	inner  = "how a promise is kept, which its other columns say"
)

// others are tables that hold nothing about a patient, each with what they hold.
var others = map[string]string{
	"schema_version": "the schema", "poll_state": "the platform's offset", "job_runs": "chores", "removals": "how much was removed, of nobody in particular", "staff": "colleagues", "on_call": "the rota",
	"credentials": "colleagues", "credentials_begun": "colleagues", "sessions": "colleagues", "failed_tries": "keyed hashes", "sent_forms": "colleagues' forms", "policies": "the clinic's policy",
	"closed_days": "days of the clinic, and colleagues", "absences": "colleagues", "record_head": "where the record ends", "restores": "of the whole file", "code_tries": "keyed hashes of strangers' chats", "sqlite_sequence": "the engine's",
}

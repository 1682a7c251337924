CREATE TABLE schema_version (
		id INTEGER PRIMARY KEY AUTOINCREMENT,
		version_id INTEGER NOT NULL,
		is_applied INTEGER NOT NULL,
		tstamp TIMESTAMP DEFAULT (datetime('now'))
	);
CREATE TABLE poll_state (
    source      TEXT PRIMARY KEY,
    next_offset INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE job_runs (
    job    TEXT PRIMARY KEY,
    ran_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE people (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    wrapped    BLOB,
    chat_hash  BLOB UNIQUE,
    chat       BLOB,
    created_at TEXT NOT NULL,
    erased_at  TEXT,
    CHECK ((chat IS NULL) = (chat_hash IS NULL)),
    CHECK ((wrapped IS NULL) = (erased_at IS NOT NULL))
) STRICT;
CREATE TABLE patients (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    person_id       INTEGER NOT NULL UNIQUE REFERENCES people (id),
    handle          TEXT NOT NULL UNIQUE,
    name            BLOB NOT NULL,
    language        TEXT NOT NULL CHECK (language IN ('en', 'es')),
    neutral         INTEGER NOT NULL DEFAULT 1 CHECK (neutral IN (0, 1)),
    state           TEXT NOT NULL DEFAULT 'invited' CHECK (state IN ('invited', 'enrolled')),
    consent_version TEXT,
    consent_at      TEXT,
    opted_out_at    TEXT,
    unreachable_at  TEXT,
    hushed_at       TEXT,
    created_at      TEXT NOT NULL,
    CHECK ((state = 'enrolled') = (consent_at IS NOT NULL)),
    CHECK ((consent_at IS NULL) = (consent_version IS NULL))
) STRICT;
CREATE TABLE enrolment_codes (
    code_hash  BLOB PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id),
    expires_at TEXT NOT NULL,
    used_at    TEXT,
    created_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE cycles (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    patient_id INTEGER NOT NULL REFERENCES patients (id),
    protocol   TEXT NOT NULL,
    opened_at  TEXT NOT NULL,
    closed_at  TEXT,
    outcome    TEXT,
    CHECK ((closed_at IS NULL) = (outcome IS NULL))
) STRICT;
CREATE UNIQUE INDEX cycles_open ON cycles (patient_id) WHERE closed_at IS NULL;
CREATE TABLE facts (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    cycle_id    INTEGER NOT NULL REFERENCES cycles (id),
    kind        TEXT NOT NULL,
    body        BLOB NOT NULL,
    replaces    INTEGER REFERENCES facts (id),
    said_by     INTEGER NOT NULL REFERENCES people (id),
    inbox_id    INTEGER,
    recorded_at TEXT NOT NULL
) STRICT;
CREATE INDEX facts_of_cycle ON facts (cycle_id);
CREATE UNIQUE INDEX facts_replaced_once ON facts (replaces) WHERE replaces IS NOT NULL;
CREATE TRIGGER facts_kept BEFORE UPDATE ON facts BEGIN SELECT RAISE(ABORT, 'facts are only ever added'); END;
CREATE TRIGGER facts_stay BEFORE DELETE ON facts BEGIN SELECT RAISE(ABORT, 'facts are only ever added'); END;
CREATE TABLE dose_answers (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    cycle_id    INTEGER NOT NULL REFERENCES cycles (id),
    dose        TEXT NOT NULL,
    answer      TEXT NOT NULL CHECK (answer IN ('taken', 'not_yet', 'missed')),
    said_by     INTEGER NOT NULL REFERENCES people (id),
    inbox_id    INTEGER,
    recorded_at TEXT NOT NULL
) STRICT;
CREATE INDEX dose_answers_of ON dose_answers (cycle_id, dose);
CREATE TRIGGER dose_answers_kept BEFORE UPDATE ON dose_answers BEGIN SELECT RAISE(ABORT, 'answers are only ever added'); END;
CREATE TRIGGER dose_answers_stay BEFORE DELETE ON dose_answers BEGIN SELECT RAISE(ABORT, 'answers are only ever added'); END;
CREATE TABLE read_backs (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    fact_id     INTEGER NOT NULL REFERENCES facts (id),
    said        TEXT NOT NULL CHECK (said IN ('right', 'wrong', 'in_hand', 'not_in_hand', 'herself', 'somebody')),
    said_by     INTEGER NOT NULL REFERENCES people (id),
    recorded_at TEXT NOT NULL
) STRICT;
CREATE INDEX read_backs_of ON read_backs (fact_id);
CREATE TRIGGER read_backs_kept BEFORE UPDATE ON read_backs BEGIN SELECT RAISE(ABORT, 'answers are only ever added'); END;
CREATE TRIGGER read_backs_stay BEFORE DELETE ON read_backs BEGIN SELECT RAISE(ABORT, 'answers are only ever added'); END;
CREATE TABLE checklist (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    patient_id  INTEGER NOT NULL REFERENCES patients (id),
    item        TEXT NOT NULL,
    done_on     TEXT,
    said_by     INTEGER NOT NULL REFERENCES people (id),
    recorded_at TEXT NOT NULL
) STRICT;
CREATE INDEX checklist_of ON checklist (patient_id, item);
CREATE TRIGGER checklist_kept BEFORE UPDATE ON checklist BEGIN SELECT RAISE(ABORT, 'checks are only ever added'); END;
CREATE TRIGGER checklist_stay BEFORE DELETE ON checklist BEGIN SELECT RAISE(ABORT, 'checks are only ever added'); END;
CREATE TABLE outbox (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    key         TEXT NOT NULL UNIQUE,
    topic       TEXT NOT NULL,
    kind        TEXT NOT NULL,
    priority    INTEGER NOT NULL,
    person_id   INTEGER REFERENCES people (id),
    address     BLOB,
    sealed_for  INTEGER NOT NULL REFERENCES people (id),
    body        BLOB NOT NULL,
    digest      BLOB NOT NULL,
    due_at      TEXT NOT NULL,
    not_before  TEXT NOT NULL,
    expires_at  TEXT,
    state       TEXT NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'sending', 'sent', 'done', 'withdrawn', 'failed', 'expired')),
    tries       INTEGER NOT NULL DEFAULT 0,
    lease_until TEXT,
    revised     BLOB,
    external_id TEXT,
    untold      TEXT,
    sent_at     TEXT,
    settled_at  TEXT,
    created_at  TEXT NOT NULL, scope TEXT NOT NULL DEFAULT '',
    CHECK (person_id IS NULL OR address IS NULL),
    CHECK ((state = 'sent') = (sent_at IS NOT NULL)),
    CHECK ((state = 'sending') = (lease_until IS NOT NULL)),
    CHECK (revised IS NULL OR state = 'sending'),
    CHECK ((state IN ('queued', 'sending')) = (settled_at IS NULL)),
    CHECK (untold IS NULL OR state IN ('failed', 'expired'))
) STRICT;
CREATE INDEX outbox_due ON outbox (priority, not_before) WHERE state = 'queued';
CREATE INDEX outbox_expiry ON outbox (expires_at) WHERE state = 'queued' AND expires_at IS NOT NULL;
CREATE INDEX outbox_leases ON outbox (lease_until) WHERE state = 'sending';
CREATE INDEX outbox_tried ON outbox (priority) WHERE state = 'queued' AND tries > 0;
CREATE INDEX outbox_untold ON outbox (not_before) WHERE untold IS NOT NULL;
CREATE INDEX outbox_topic ON outbox (topic);
CREATE INDEX outbox_of_person ON outbox (person_id, id);
CREATE TABLE attempts (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    outbox_id INTEGER NOT NULL REFERENCES outbox (id),
    at        TEXT NOT NULL,
    fate      TEXT NOT NULL CHECK (fate IN ('sent', 'later', 'never', 'unknown')),
    class     TEXT NOT NULL
) STRICT;
CREATE INDEX attempts_of ON attempts (outbox_id);
CREATE TRIGGER attempts_kept BEFORE UPDATE ON attempts BEGIN SELECT RAISE(ABORT, 'attempts are only ever added'); END;
CREATE TRIGGER attempts_stay BEFORE DELETE ON attempts BEGIN SELECT RAISE(ABORT, 'attempts are only ever added'); END;
CREATE TABLE buttons (
    token     TEXT PRIMARY KEY,
    outbox_id INTEGER NOT NULL REFERENCES outbox (id),
    person_id INTEGER NOT NULL REFERENCES people (id),
    action    TEXT NOT NULL,
    used_at   TEXT
) STRICT, WITHOUT ROWID;
CREATE INDEX buttons_of ON buttons (outbox_id);
CREATE TABLE inbox (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    source      TEXT NOT NULL,
    external_id TEXT NOT NULL,
    digest      BLOB NOT NULL,
    chat_hash   BLOB,
    sealed_for  INTEGER NOT NULL REFERENCES people (id),
    raw         BLOB,
    state       TEXT NOT NULL DEFAULT 'new' CHECK (state IN ('new', 'handled', 'stuck')),
    tries       INTEGER NOT NULL DEFAULT 0,
    retry_at    TEXT,
    received_at TEXT NOT NULL,
    settled_at  TEXT,
    UNIQUE (source, external_id, digest),
    CHECK ((state = 'new') = (settled_at IS NULL))
) STRICT;
CREATE INDEX inbox_new ON inbox (id) WHERE state = 'new';
CREATE INDEX inbox_to_purge ON inbox (received_at) WHERE raw IS NOT NULL;
CREATE TABLE conversations (
    person_id  INTEGER PRIMARY KEY REFERENCES people (id),
    body       BLOB NOT NULL,
    updated_at TEXT NOT NULL
) STRICT;
CREATE TABLE staff (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    person_id  INTEGER NOT NULL UNIQUE REFERENCES people (id),
    handle     TEXT NOT NULL UNIQUE,
    name       BLOB NOT NULL,
    role       TEXT NOT NULL CHECK (role IN ('coordinator', 'lead', 'physician', 'administrator', 'reader')),
    languages  TEXT NOT NULL,
    code_hash  BLOB UNIQUE,
    expires_at TEXT,
    left_at    TEXT,
    created_at TEXT NOT NULL,
    CHECK ((code_hash IS NULL) = (expires_at IS NULL))
) STRICT;
CREATE TABLE on_call (
    id            INTEGER PRIMARY KEY AUTOINCREMENT,
    staff_id      INTEGER NOT NULL REFERENCES staff (id),
    from_at       TEXT NOT NULL,
    to_at         TEXT NOT NULL,
    checked_in_at TEXT,
    CHECK (from_at < to_at)
) STRICT;
CREATE INDEX on_call_span ON on_call (to_at);
CREATE TABLE cases (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    key        TEXT NOT NULL UNIQUE,
    patient_id INTEGER REFERENCES patients (id),
    person_id  INTEGER NOT NULL REFERENCES people (id),
    reason     TEXT NOT NULL,
    urgency    TEXT NOT NULL CHECK (urgency IN ('emergency', 'same_day', 'routine')),
    page_now   INTEGER NOT NULL CHECK (page_now IN (0, 1)),
    state      TEXT NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'taken', 'closed')),
    holder_id  INTEGER REFERENCES staff (id),
    rung       INTEGER NOT NULL DEFAULT 0,
    body       BLOB NOT NULL,
    opened_at  TEXT NOT NULL,
    taken_at   TEXT,
    closed_at  TEXT,
    outcome    TEXT,
    CHECK ((state = 'taken') <= (holder_id IS NOT NULL)),
    CHECK (state <> 'open' OR holder_id IS NULL),
    CHECK ((state = 'closed') = (closed_at IS NOT NULL)),
    CHECK ((state = 'closed') = (outcome IS NOT NULL))
) STRICT;
CREATE INDEX cases_live ON cases (urgency, opened_at) WHERE state <> 'closed';
CREATE INDEX cases_of_person ON cases (person_id, state);
CREATE TABLE case_events (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    case_id  INTEGER NOT NULL REFERENCES cases (id),
    at       TEXT NOT NULL,
    what     TEXT NOT NULL,
    by       INTEGER NOT NULL REFERENCES people (id),
    to_staff INTEGER REFERENCES staff (id),
    cause    TEXT UNIQUE,
    body     BLOB
) STRICT;
CREATE INDEX case_events_of ON case_events (case_id);
CREATE TRIGGER case_events_kept BEFORE UPDATE ON case_events BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
CREATE TRIGGER case_events_stay BEFORE DELETE ON case_events BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
CREATE TABLE staff_actions (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    at         TEXT NOT NULL,
    staff_id   INTEGER NOT NULL REFERENCES staff (id),
    action     TEXT NOT NULL,
    patient_id INTEGER REFERENCES patients (id),
    case_id    INTEGER REFERENCES cases (id),
    fact_id    INTEGER REFERENCES facts (id),
    sealed_for INTEGER REFERENCES people (id),
    note       BLOB, place TEXT NOT NULL DEFAULT 'unknown'
    CHECK (place IN ('chat', 'desk', 'command', 'program', 'unknown')), place_ref INTEGER, address BLOB, link BLOB,
    CHECK ((note IS NULL) = (sealed_for IS NULL))
) STRICT;
CREATE INDEX staff_actions_of_patient ON staff_actions (patient_id);
CREATE TRIGGER staff_actions_kept BEFORE UPDATE ON staff_actions BEGIN SELECT RAISE(ABORT, 'the record is only ever added to'); END;
CREATE TRIGGER staff_actions_stay BEFORE DELETE ON staff_actions BEGIN SELECT RAISE(ABORT, 'the record is only ever added to'); END;
CREATE INDEX cycles_of_patient ON cycles (patient_id);
CREATE INDEX inbox_of_stranger ON inbox (chat_hash, received_at) WHERE sealed_for = 1;
CREATE INDEX case_events_answered ON case_events (case_id) WHERE what = 'answered';
CREATE TABLE credentials (
    staff_id  INTEGER PRIMARY KEY REFERENCES staff (id),
    password  TEXT NOT NULL,
    secret    BLOB NOT NULL,
    last_step INTEGER NOT NULL,
    set_at    TEXT NOT NULL
) STRICT;
CREATE TABLE credentials_begun (
    staff_id INTEGER PRIMARY KEY REFERENCES staff (id),
    password TEXT NOT NULL,
    secret   BLOB NOT NULL,
    begun_at TEXT NOT NULL
) STRICT;
CREATE TABLE sessions (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    token_hash BLOB NOT NULL UNIQUE,
    staff_id   INTEGER NOT NULL REFERENCES staff (id),
    begun_at   TEXT NOT NULL,
    seen_at    TEXT NOT NULL,
    ended_at   TEXT
) STRICT;
CREATE INDEX sessions_of ON sessions (staff_id) WHERE ended_at IS NULL;
CREATE TABLE failed_tries (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    subject BLOB NOT NULL,
    at      TEXT NOT NULL
) STRICT;
CREATE INDEX failed_tries_of ON failed_tries (subject, at);
CREATE TABLE sent_forms (
    form     TEXT NOT NULL,
    staff_id INTEGER NOT NULL REFERENCES staff (id),
    sent_at  TEXT NOT NULL,
    PRIMARY KEY (staff_id, form)
) STRICT, WITHOUT ROWID;
CREATE INDEX sent_forms_old ON sent_forms (sent_at);
CREATE TABLE policies (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    body     TEXT NOT NULL,
    since_at TEXT NOT NULL
) STRICT;
CREATE INDEX inbox_of_person ON inbox (sealed_for, id) WHERE raw IS NOT NULL;
CREATE INDEX staff_actions_of_staff ON staff_actions (staff_id, at);
CREATE TABLE places (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    cycle_id INTEGER NOT NULL REFERENCES cycles (id),
    step     TEXT NOT NULL,
    sort     TEXT NOT NULL CHECK (sort IN ('monitoring', 'blood', 'transfer', 'visit')),
    day      TEXT NOT NULL,
    minute   INTEGER CHECK (minute BETWEEN 0 AND 1439),
    seat     INTEGER NOT NULL CHECK (seat > 0),
    UNIQUE (cycle_id, step, day),
    UNIQUE (sort, day, minute, seat)
) STRICT;
CREATE TABLE closed_days (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    day         TEXT NOT NULL,
    part        TEXT NOT NULL CHECK (part IN ('clinic', 'lab')),
    why         BLOB NOT NULL,
    closed_by   INTEGER NOT NULL REFERENCES people (id),
    closed_at   TEXT NOT NULL,
    reopened_by INTEGER REFERENCES people (id),
    reopened_at TEXT,
    CHECK ((reopened_by IS NULL) = (reopened_at IS NULL))
) STRICT;
CREATE UNIQUE INDEX closed_days_now ON closed_days (day, part) WHERE reopened_at IS NULL;
CREATE TABLE arrivals (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    source      BLOB NOT NULL,
    content     BLOB NOT NULL,
    kind        TEXT NOT NULL CHECK (kind IN ('appointment', 'result')),
    state       TEXT NOT NULL CHECK (state IN ('waiting', 'saved', 'set_aside', 'outdated')),
    patient_id  INTEGER REFERENCES patients (id),
    fact_id     INTEGER REFERENCES facts (id),
    sealed_for  INTEGER REFERENCES people (id),
    body        BLOB,
    received_at TEXT NOT NULL,
    received_by INTEGER NOT NULL REFERENCES staff (id),
    settled_at  TEXT,
    settled_by  INTEGER REFERENCES staff (id),
    CHECK ((state = 'waiting') = (body IS NOT NULL)),
    CHECK ((body IS NULL) = (sealed_for IS NULL)),
    CHECK ((state = 'waiting') = (settled_at IS NULL)),
    CHECK ((settled_at IS NULL) = (settled_by IS NULL)),
    CHECK (state <> 'saved' OR fact_id IS NOT NULL)
) STRICT;
CREATE INDEX arrivals_of_source ON arrivals (source, id);
CREATE INDEX arrivals_waiting ON arrivals (id) WHERE state = 'waiting';
CREATE TABLE owners (
    patient_id INTEGER PRIMARY KEY REFERENCES patients (id),
    staff_id   INTEGER NOT NULL REFERENCES staff (id),
    since_at   TEXT NOT NULL
) STRICT;
CREATE INDEX owners_of ON owners (staff_id);
CREATE TABLE absences (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    staff_id INTEGER NOT NULL REFERENCES staff (id),
    cover_id INTEGER NOT NULL REFERENCES staff (id),
    from_at  TEXT NOT NULL,
    to_at    TEXT NOT NULL,
    CHECK (from_at < to_at),
    CHECK (staff_id <> cover_id)
) STRICT;
CREATE INDEX absences_until ON absences (to_at);
CREATE TABLE handover_notes (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    patient_id INTEGER NOT NULL REFERENCES patients (id),
    by         INTEGER NOT NULL REFERENCES people (id),
    at         TEXT NOT NULL,
    body       BLOB NOT NULL
) STRICT;
CREATE INDEX handover_notes_of ON handover_notes (patient_id, id);
CREATE TRIGGER handover_notes_kept BEFORE UPDATE ON handover_notes BEGIN SELECT RAISE(ABORT, 'notes are only ever added'); END;
CREATE TABLE record_head (
    one  INTEGER PRIMARY KEY CHECK (one = 1),
    last INTEGER NOT NULL,
    link BLOB NOT NULL,
    mark BLOB NOT NULL
) STRICT;
CREATE TABLE restores (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    made_at     TEXT NOT NULL,
    restored_at TEXT NOT NULL,
    settled_at  TEXT
) STRICT;
CREATE INDEX staff_actions_at ON staff_actions (at);
CREATE TABLE links (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    patient_id INTEGER NOT NULL REFERENCES patients (id),
    person_id  INTEGER NOT NULL REFERENCES people (id),
    relation   TEXT NOT NULL CHECK (relation IN ('partner', 'intended_parent', 'carrier', 'egg_source', 'family', 'account')),
    what       TEXT NOT NULL,
    name       BLOB NOT NULL,
    language   TEXT NOT NULL CHECK (language IN ('en', 'es')),
    code_hash  BLOB UNIQUE,
    expires_at TEXT,
    proven_at  TEXT,
    since_at   TEXT NOT NULL,
    until_at   TEXT,
    CHECK ((code_hash IS NULL) = (expires_at IS NULL)),
    CHECK (until_at IS NULL OR code_hash IS NULL)
) STRICT;
CREATE INDEX links_of_patient ON links (patient_id) WHERE until_at IS NULL;
CREATE INDEX links_of_person ON links (person_id) WHERE until_at IS NULL;
CREATE UNIQUE INDEX links_once ON links (person_id, patient_id) WHERE until_at IS NULL;
CREATE TRIGGER links_ended BEFORE UPDATE ON links WHEN OLD.until_at IS NOT NULL AND NEW.until_at IS NOT OLD.until_at
BEGIN SELECT RAISE(ABORT, 'a link that has ended stays so'); END;
CREATE TRIGGER links_stay BEFORE DELETE ON links BEGIN SELECT RAISE(ABORT, 'links are ended, not deleted'); END;
CREATE TABLE consents (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    patient_id INTEGER NOT NULL REFERENCES patients (id),
    version    TEXT NOT NULL,
    language   TEXT NOT NULL,
    agreed     INTEGER NOT NULL CHECK (agreed IN (0, 1)),
    at         TEXT NOT NULL
) STRICT;
CREATE INDEX consents_of ON consents (patient_id);
CREATE TRIGGER consents_kept BEFORE UPDATE ON consents BEGIN SELECT RAISE(ABORT, 'consents are only ever added'); END;
CREATE TRIGGER consents_stay BEFORE DELETE ON consents BEGIN SELECT RAISE(ABORT, 'consents are only ever added'); END;
CREATE TABLE removals (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    at        TEXT NOT NULL,
    what      TEXT NOT NULL,
    removed   INTEGER NOT NULL CHECK (removed > 0),
    before_at TEXT NOT NULL
) STRICT;
CREATE TRIGGER removals_kept BEFORE UPDATE ON removals BEGIN SELECT RAISE(ABORT, 'the record is only ever added to'); END;
CREATE TRIGGER removals_stay BEFORE DELETE ON removals BEGIN SELECT RAISE(ABORT, 'the record is only ever added to'); END;
CREATE INDEX inbox_stuck ON inbox (id) WHERE state = 'stuck';
CREATE TABLE code_tries (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    chat_hash BLOB NOT NULL,
    at        TEXT NOT NULL
) STRICT;
CREATE INDEX code_tries_at ON code_tries (at);

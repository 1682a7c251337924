-- +goose Up

-- What a message tells of the patient whom it is about: "" for nothing that needs her
-- leave. Asked again when it is sent.
ALTER TABLE outbox ADD COLUMN scope TEXT NOT NULL DEFAULT '';

-- Who may be told what of a patient, besides herself and the staff. People and
-- patients are many to many. A link begins with a code that its person writes from
-- her own chat, and ends for good: what somebody may be told is changed by a new one.
-- The name is sealed under the person's key. Owner of all that follows: reminders.
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
-- +goose StatementBegin
CREATE TRIGGER links_ended BEFORE UPDATE ON links WHEN OLD.until_at IS NOT NULL AND NEW.until_at IS NOT OLD.until_at
BEGIN SELECT RAISE(ABORT, 'a link that has ended stays so'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER links_stay BEFORE DELETE ON links BEGIN SELECT RAISE(ABORT, 'links are ended, not deleted'); END;
-- +goose StatementEnd

-- What each patient said to which wording of the consent.
CREATE TABLE consents (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    patient_id INTEGER NOT NULL REFERENCES patients (id),
    version    TEXT NOT NULL,
    language   TEXT NOT NULL,
    agreed     INTEGER NOT NULL CHECK (agreed IN (0, 1)),
    at         TEXT NOT NULL
) STRICT;
CREATE INDEX consents_of ON consents (patient_id);
INSERT INTO consents (patient_id, version, language, agreed, at)
    SELECT id, consent_version, language, 1, consent_at FROM patients WHERE consent_at IS NOT NULL;
-- +goose StatementBegin
CREATE TRIGGER consents_kept BEFORE UPDATE ON consents BEGIN SELECT RAISE(ABORT, 'consents are only ever added'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER consents_stay BEFORE DELETE ON consents BEGIN SELECT RAISE(ABORT, 'consents are only ever added'); END;
-- +goose StatementEnd

-- What was removed because the time for which it is kept was over: how many rows of
-- which kind, and what they were older than. Owner: reminders/wake.
CREATE TABLE removals (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    at        TEXT NOT NULL,
    what      TEXT NOT NULL,
    removed   INTEGER NOT NULL CHECK (removed > 0),
    before_at TEXT NOT NULL
) STRICT;
-- +goose StatementBegin
CREATE TRIGGER removals_kept BEFORE UPDATE ON removals BEGIN SELECT RAISE(ABORT, 'the record is only ever added to'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER removals_stay BEFORE DELETE ON removals BEGIN SELECT RAISE(ABORT, 'the record is only ever added to'); END;
-- +goose StatementEnd

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

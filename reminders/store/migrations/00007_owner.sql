-- +goose Up

-- Who of the staff looks after a patient. Owner of all that follows: triage
CREATE TABLE owners (
    patient_id INTEGER PRIMARY KEY REFERENCES patients (id),
    staff_id   INTEGER NOT NULL REFERENCES staff (id),
    since_at   TEXT NOT NULL
) STRICT;
CREATE INDEX owners_of ON owners (staff_id);

-- When somebody of the staff is away, and who covers for her meanwhile.
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

-- What whoever takes a patient over should know, sealed under her key. Each version
-- stays.
CREATE TABLE handover_notes (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    patient_id INTEGER NOT NULL REFERENCES patients (id),
    by         INTEGER NOT NULL REFERENCES people (id),
    at         TEXT NOT NULL,
    body       BLOB NOT NULL
) STRICT;
CREATE INDEX handover_notes_of ON handover_notes (patient_id, id);
-- +goose StatementBegin
CREATE TRIGGER handover_notes_kept BEFORE UPDATE ON handover_notes BEGIN SELECT RAISE(ABORT, 'notes are only ever added'); END;
-- +goose StatementEnd

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

-- +goose Up

-- What other systems have handed in: an appointment or a result, each time that it
-- says something new. Its identity there and what it says are here as keyed hashes
-- only; the body is kept, sealed, while it waits for a person, under the key of the
-- house until it is certain whose it is. Owner of all that follows: triage.
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

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

-- +goose Up

-- How a member of the staff signs in to the pages. The secret of her one-time
-- codes is sealed under her own key; the password is there as its argon2id only.
-- Owner of all that follows: triage/desk
CREATE TABLE credentials (
    staff_id  INTEGER PRIMARY KEY REFERENCES staff (id),
    password  TEXT NOT NULL,
    secret    BLOB NOT NULL,
    last_step INTEGER NOT NULL,
    set_at    TEXT NOT NULL
) STRICT;

-- Credentials that have been chosen and whose first one-time code is awaited.
CREATE TABLE credentials_begun (
    staff_id INTEGER PRIMARY KEY REFERENCES staff (id),
    password TEXT NOT NULL,
    secret   BLOB NOT NULL,
    begun_at TEXT NOT NULL
) STRICT;

-- A browser that somebody has signed in with. Only a keyed hash of what its cookie
-- holds is here.
CREATE TABLE sessions (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    token_hash BLOB NOT NULL UNIQUE,
    staff_id   INTEGER NOT NULL REFERENCES staff (id),
    begun_at   TEXT NOT NULL,
    seen_at    TEXT NOT NULL,
    ended_at   TEXT
) STRICT;
CREATE INDEX sessions_of ON sessions (staff_id) WHERE ended_at IS NULL;

-- Tries to sign in that failed, by a keyed hash of whom they were for.
CREATE TABLE failed_tries (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    subject BLOB NOT NULL,
    at      TEXT NOT NULL
) STRICT;
CREATE INDEX failed_tries_of ON failed_tries (subject, at);

-- Forms that have been sent: the same one does its work once.
CREATE TABLE sent_forms (
    form     TEXT NOT NULL,
    staff_id INTEGER NOT NULL REFERENCES staff (id),
    sent_at  TEXT NOT NULL,
    PRIMARY KEY (staff_id, form)
) STRICT, WITHOUT ROWID;
CREATE INDEX sent_forms_old ON sent_forms (sent_at);

-- Each policy that the program has run with, as its file had it.
CREATE TABLE policies (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    body     TEXT NOT NULL,
    since_at TEXT NOT NULL
) STRICT;

-- The last words of one patient, among those of all.
CREATE INDEX inbox_of_person ON inbox (sealed_for, id) WHERE raw IS NOT NULL;

-- What somebody has looked at lately.
CREATE INDEX staff_actions_of_staff ON staff_actions (staff_id, at);

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

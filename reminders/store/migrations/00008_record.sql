-- +goose Up

-- From where staff acted: the chat (place_ref is the row of the inbox), the desk
-- (the session, and a keyed hash of the address that the request came from), the
-- command line of the server, or the program itself. What was recorded before this
-- says unknown.
--
-- link is the keyed hash of the row and of the link before it. Rows from before
-- have none; the first start puts all of them under the head.
ALTER TABLE staff_actions ADD COLUMN place TEXT NOT NULL DEFAULT 'unknown'
    CHECK (place IN ('chat', 'desk', 'command', 'program', 'unknown'));
ALTER TABLE staff_actions ADD COLUMN place_ref INTEGER;
ALTER TABLE staff_actions ADD COLUMN address BLOB;
ALTER TABLE staff_actions ADD COLUMN link BLOB;

-- The end of the record: one row, under a keyed hash of its own, so that nobody
-- without the key can put it back to an earlier row. Owner: triage.
CREATE TABLE record_head (
    one  INTEGER PRIMARY KEY CHECK (one = 1),
    last INTEGER NOT NULL,
    link BLOB NOT NULL,
    mark BLOB NOT NULL
) STRICT;

-- Each time that a backup took the place of the file, and since when what fell due
-- in between has been put before people.
CREATE TABLE restores (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    made_at     TEXT NOT NULL,
    restored_at TEXT NOT NULL,
    settled_at  TEXT
) STRICT;

-- What was done in a span of time.
CREATE INDEX staff_actions_at ON staff_actions (at);

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

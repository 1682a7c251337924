-- +goose Up

-- The places of the clinic's days that visits take: of each booked visit that is still
-- waited for, and of a transfer whose day is settled. Nothing here tells who she is. A
-- place is written with the fact that takes it; a minute has its seats, so that one seat
-- is never given twice. minute counts from midnight at the clinic; it is missing where
-- only the day is settled. Owner of all that follows: reminders
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

-- Days that were closed after the policy had been written, and opened again. Why is
-- sealed under the key of the house.
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

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

-- +goose Up
-- Codes that strangers tried in vain, for as long as they count. Owner: dialog.
CREATE TABLE code_tries (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    chat_hash BLOB NOT NULL,
    at        TEXT NOT NULL
) STRICT;
CREATE INDEX code_tries_at ON code_tries (at);

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

-- +goose Up
-- The watch asks every few seconds how many updates lie before a person.
CREATE INDEX inbox_stuck ON inbox (id) WHERE state = 'stuck';

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

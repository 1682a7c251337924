-- +goose Up

-- What a chat that is nobody's has written (1 is the house). Owner: dialog.
CREATE INDEX inbox_of_stranger ON inbox (chat_hash, received_at) WHERE sealed_for = 1;

-- Whether somebody has answered in a case, each message of a patient asks. Owner:
-- triage.
CREATE INDEX case_events_answered ON case_events (case_id) WHERE what = 'answered';

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

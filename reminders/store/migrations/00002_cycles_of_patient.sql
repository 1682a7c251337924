-- +goose Up

-- Every message of a patient asks for her latest cycle. Owner: reminders.
CREATE INDEX cycles_of_patient ON cycles (patient_id);

-- +goose Down
SELECT RAISE(ABORT, 'a backup is the way back');

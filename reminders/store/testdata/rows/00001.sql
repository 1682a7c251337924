-- A row or more for every table of the first schema, in every state that matters.
INSERT INTO poll_state VALUES ('telegram', 46);
INSERT INTO job_runs VALUES ('purge raw texts', '2026-03-02T09:17:00.000Z');
INSERT INTO people (id, wrapped, chat_hash, chat, created_at, erased_at) VALUES
    (1, x'01', NULL, NULL, '2026-03-01T08:00:00.000Z', NULL),
    (2, x'02', x'20', x'21', '2026-03-01T08:00:00.000Z', NULL),
    (3, x'03', x'30', x'31', '2026-03-01T08:00:00.000Z', NULL),
    (4, NULL, NULL, NULL, '2026-03-01T08:00:00.000Z', '2026-03-02T08:00:00.000Z');
INSERT INTO patients (id, person_id, handle, name, language, neutral, state, consent_version, consent_at, created_at) VALUES
    (1, 2, 'P-101', x'41', 'es', 1, 'enrolled', '1', '2026-03-01T09:00:00.000Z', '2026-03-01T08:00:00.000Z'),
    (2, 4, 'P-102', x'42', 'en', 0, 'invited', NULL, NULL, '2026-03-01T08:00:00.000Z');
INSERT INTO enrolment_codes VALUES (x'50', 1, '2026-03-04T08:00:00.000Z', '2026-03-01T09:00:00.000Z', '2026-03-01T08:00:00.000Z');
INSERT INTO cycles VALUES
    (1, 1, 'stimulated', '2026-02-01T08:00:00.000Z', '2026-02-20T08:00:00.000Z', 'cancelled'),
    (2, 1, 'stimulated', '2026-03-01T08:00:00.000Z', NULL, NULL);
INSERT INTO facts VALUES
    (1, 2, 'period_start', x'61', NULL, 2, 1, '2026-03-02T08:15:00.000Z'),
    (2, 2, 'period_start', x'62', 1, 3, NULL, '2026-03-02T09:15:00.000Z');
INSERT INTO dose_answers VALUES (1, 2, 'f2@20260303T1300Z', 'taken', 2, 1, '2026-03-03T13:05:00.000Z');
INSERT INTO read_backs VALUES (1, 2, 'right', 2, '2026-03-03T13:05:00.000Z');
INSERT INTO checklist VALUES (1, 1, 'consents', '2026-02-20', 3, '2026-03-01T08:00:00.000Z');
INSERT INTO outbox (id, key, topic, kind, priority, person_id, address, sealed_for, body, digest, due_at, not_before, expires_at, state, tries, lease_until, sent_at, settled_at, created_at) VALUES
    (1, 'cycle/2/a', 'cycle/2/plan', 'reminder', 4, 2, NULL, 2, x'71', x'81', '2026-03-04T13:00:00.000Z', '2026-03-04T13:00:00.000Z', '2026-03-04T20:00:00.000Z', 'queued', 0, NULL, NULL, NULL, '2026-03-02T08:15:00.000Z'),
    (2, 'inbox/1/a', 'inbox/1', 'reply', 1, 2, NULL, 2, x'72', x'82', '2026-03-02T08:15:00.000Z', '2026-03-02T08:15:00.000Z', NULL, 'sent', 1, NULL, '2026-03-02T08:15:01.000Z', '2026-03-02T08:15:01.000Z', '2026-03-02T08:15:00.000Z'),
    (3, 'inbox/2/a', 'inbox/2', 'reply', 1, NULL, x'90', 1, x'73', x'83', '2026-03-02T08:15:00.000Z', '2026-03-02T08:15:00.000Z', NULL, 'sending', 0, '2026-03-02T08:16:00.000Z', NULL, NULL, '2026-03-02T08:15:00.000Z');
INSERT INTO attempts VALUES (1, 2, '2026-03-02T08:15:01.000Z', 'sent', '');
INSERT INTO buttons VALUES ('AAAAAAAAAAAAAAAAAAAAAA', 2, 2, 'menu/next', NULL);
INSERT INTO inbox (id, source, external_id, digest, chat_hash, sealed_for, raw, state, received_at, settled_at) VALUES
    (1, 'telegram', '45', x'a1', x'20', 2, x'b1', 'handled', '2026-03-02T08:15:00.000Z', '2026-03-02T08:15:00.000Z'),
    (2, 'telegram', '46', x'a2', x'21', 1, x'b2', 'new', '2026-03-02T08:15:00.000Z', NULL);
INSERT INTO conversations VALUES (2, x'c1', '2026-03-02T08:15:00.000Z');
INSERT INTO staff VALUES (1, 3, 'orrel', x'd1', 'lead', 'en,es', NULL, NULL, NULL, '2026-03-01T08:00:00.000Z');
INSERT INTO on_call VALUES (1, 1, '2026-03-02T01:00:00.000Z', '2026-03-02T13:00:00.000Z', '2026-03-02T01:05:00.000Z');
INSERT INTO cases (id, key, patient_id, person_id, reason, urgency, page_now, state, holder_id, rung, body, opened_at, taken_at, closed_at, outcome) VALUES
    (1, 'inbox/1', 1, 2, 'symptom', 'same_day', 0, 'taken', 1, 1, x'e1', '2026-03-02T08:15:00.000Z', '2026-03-02T08:20:00.000Z', NULL, NULL),
    (2, 'inbox/0', NULL, 1, 'codes', 'routine', 0, 'closed', 1, 0, x'e2', '2026-03-01T08:15:00.000Z', NULL, '2026-03-01T09:15:00.000Z', 'checked');
INSERT INTO case_events VALUES (1, 1, '2026-03-02T08:15:00.000Z', 'opened', 2, NULL, 'inbox/1', NULL);
INSERT INTO staff_actions (id, at, staff_id, action, patient_id, case_id, fact_id, sealed_for, note) VALUES
    (1, '2026-03-02T08:20:00.000Z', 1, 'take_case', 1, 1, NULL, NULL, NULL),
    (2, '2026-03-02T09:15:00.000Z', 1, 'correct', 1, NULL, 2, 2, x'f1');

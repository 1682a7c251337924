-- What the desk brought.
INSERT INTO credentials VALUES (1, '$argon2id$v=19$m=19456,t=2,p=1$AAAA$AAAA', x'11', 58000000, '2026-03-01T08:00:00.000Z');
INSERT INTO credentials_begun VALUES (1, '$argon2id$v=19$m=19456,t=2,p=1$BBBB$BBBB', x'12', '2026-03-02T08:00:00.000Z');
INSERT INTO sessions VALUES (1, x'13', 1, '2026-03-02T08:00:00.000Z', '2026-03-02T09:00:00.000Z', NULL);
INSERT INTO failed_tries VALUES (1, x'14', '2026-03-02T07:59:00.000Z');
INSERT INTO sent_forms VALUES ('0123456789012345678901', 1, '2026-03-02T09:00:00.000Z');
INSERT INTO policies VALUES (1, 'clinic: {name: Larkmoor Reproductive Care}', '2026-03-01T08:00:00.000Z');

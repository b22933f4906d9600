-- Accounts, sessions, tokens, the audit trail.

-- name: one-account
-- An account by its name.
SELECT * FROM account WHERE name = :name;

-- name: every-account
-- All accounts.
SELECT * FROM account ORDER BY name;

-- name: save-account
-- Make an account, or change it.
INSERT INTO account
    (name, role, person, boxes, client, password, code_key, code_step, made_at, changed_at)
VALUES (:name, :role, :person, :boxes, :client, :password, :code_key, :code_step, :made_at,
    :changed_at)
ON CONFLICT (name) DO UPDATE SET
    role = excluded.role, person = excluded.person, boxes = excluded.boxes,
    client = excluded.client, password = excluded.password, code_key = excluded.code_key,
    code_step = excluded.code_step, changed_at = excluded.changed_at;

-- name: use-code
-- Note that a one-time code was used; changes nothing when it, or a later one, was used before.
UPDATE account SET code_step = :step WHERE name = :name AND code_step < :step;

-- name: remove-account
-- Remove an account.
DELETE FROM account WHERE name = :name;

-- name: save-session
-- Begin a session.
INSERT INTO session (hash, account, begun_at, renewed_at, seen_at, replaced_at, address)
VALUES (:hash, :account, :begun_at, :renewed_at, :seen_at, NULL, :address);

-- name: one-session
-- A session by the hash of its cookie.
SELECT * FROM session WHERE hash = :hash;

-- name: sessions-of
-- The sessions of an account that were not replaced, the latest seen first.
SELECT * FROM session WHERE account = :account AND replaced_at IS NULL ORDER BY seen_at DESC;

-- name: session-seen
-- Note that a session was used.
UPDATE session SET seen_at = :seen_at WHERE hash = :hash;

-- name: session-replaced
-- Note that a session goes on under another name; at most once.
UPDATE session SET replaced_at = :at WHERE hash = :hash AND replaced_at IS NULL;

-- name: end-session
-- End a session.
DELETE FROM session WHERE hash = :hash;

-- name: end-sessions-of
-- End all sessions of an account.
DELETE FROM session WHERE account = :account;

-- name: end-old-sessions
-- Forget sessions that have ended by themselves.
DELETE FROM session WHERE begun_at < :begun OR seen_at < :seen OR replaced_at < :replaced;

-- name: save-token
-- Make a token of another program.
INSERT INTO program_token (name, hash, role, boxes, client, made_at, ends_at)
VALUES (:name, :hash, :role, :boxes, :client, :made_at, :ends_at);

-- name: token-by-hash
-- A token by its hash.
SELECT * FROM program_token WHERE hash = :hash;

-- name: token-by-name
-- A token by its name.
SELECT * FROM program_token WHERE name = :name;

-- name: every-token
-- All tokens.
SELECT * FROM program_token ORDER BY name;

-- name: remove-token
-- Remove a token.
DELETE FROM program_token WHERE name = :name;

-- name: add-audit
-- One line of the audit trail.
INSERT INTO audit (at, who, address, what, about, outcome)
VALUES (:at, :who, :address, :what, :about, :outcome);

-- name: drop-audit
-- Keep the newest lines only.
DELETE FROM audit WHERE id <= (SELECT max(id) FROM audit) - :most;

-- name: last-audit
-- The audit trail, newest first.
SELECT * FROM audit ORDER BY id DESC LIMIT :limit;

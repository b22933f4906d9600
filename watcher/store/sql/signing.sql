-- Signing keys, and forms that were sent.

-- name: add-key
-- A new signing key.
INSERT INTO signing_key (secret, made_at) VALUES (:secret, :made_at);

-- name: every-key
-- The signing keys, newest first.
SELECT * FROM signing_key ORDER BY id DESC;

-- name: drop-keys
-- Forget signing keys made before a moment, but the newest.
DELETE FROM signing_key
WHERE made_at < :made_before AND id < (SELECT max(id) FROM signing_key);

-- name: use-ticket
-- Note that a form was sent; changes nothing when it was sent before.
INSERT INTO used_ticket (ticket, used_at) VALUES (:ticket, :used_at)
ON CONFLICT (ticket) DO NOTHING;

-- name: give-back-ticket
-- Let a form be sent again.
DELETE FROM used_ticket WHERE ticket = :ticket;

-- name: drop-tickets
-- Forget forms that cannot be sent any more.
DELETE FROM used_ticket WHERE used_at < :used_before;

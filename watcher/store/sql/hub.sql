-- Boxes of a hub, how they join and prove who they are; what a box keeps for its hub.

-- name: one-box
-- An enrolled box.
SELECT * FROM enrolled_box WHERE box = :box;

-- name: lock-box
-- An enrolled box, which is kept for us until the transaction ends.
SELECT * FROM enrolled_box WHERE box = :box /*postgres: FOR UPDATE*/;

-- name: every-box
-- All enrolled boxes.
SELECT * FROM enrolled_box ORDER BY client, box;

-- name: any-box
-- Whether this is a hub.
SELECT 1 AS found FROM enrolled_box LIMIT 1;

-- name: boxes-of-client
-- The boxes of one client.
SELECT * FROM enrolled_box WHERE client = :client ORDER BY box;

-- name: save-box
-- Enrol a box, or enrol it anew.
INSERT INTO enrolled_box
    (box, client, state, joined_at, heard_at, every_seconds, address, sender, quiet_since, due_at,
     look_wanted)
VALUES (:box, :client, :state, :joined_at, NULL, :every_seconds, '', '', NULL, NULL, 0)
ON CONFLICT (box) DO UPDATE SET state = excluded.state, joined_at = excluded.joined_at,
    every_seconds = excluded.every_seconds, heard_at = NULL, sender = '', quiet_since = NULL,
    returned_at = NULL;

-- name: box-heard
-- A survey came from a box.
UPDATE enrolled_box SET heard_at = :heard_at, every_seconds = :every_seconds, address = :address,
    sender = :sender, quiet_since = NULL, due_at = :due_at, look_wanted = 0
WHERE box = :box;

-- name: set-due
-- When the case book of a box falls due.
UPDATE enrolled_box SET due_at = :due_at WHERE box = :box;

-- name: set-state
-- Whether a box is watched.
UPDATE enrolled_box SET state = :state, due_at = :due_at, returned_at = :returned_at
WHERE box = :box;

-- name: set-quiet
-- Since when a box is quiet.
UPDATE enrolled_box SET quiet_since = :since WHERE box = :box;

-- name: want-look
-- Ask a box for a new survey when it reports next.
UPDATE enrolled_box SET look_wanted = 1 WHERE box = :box;

-- name: boxes-due
-- Boxes whose case book has fallen due, the longest due first.
SELECT box FROM enrolled_box WHERE due_at <= :now AND state = 'watched'
ORDER BY due_at LIMIT :limit;

-- name: boxes-not-heard
-- Watched boxes that were not heard of since a moment, and joined before it.
SELECT * FROM enrolled_box
WHERE state = 'watched' AND coalesce(heard_at, joined_at) < :before ORDER BY heard_at;

-- name: heard-ahead
-- Whether a box was heard of after a moment, or joined after it.
SELECT 1 AS found FROM enrolled_box
WHERE state = 'watched' AND coalesce(heard_at, joined_at) > :moment LIMIT 1;

-- name: heard-by-now
-- No box was heard of later than now.
UPDATE enrolled_box SET heard_at = :now WHERE heard_at > :now;

-- name: joined-by-now
-- No box joined later than now.
UPDATE enrolled_box SET joined_at = :now WHERE joined_at > :now;

-- name: all-due-now
-- Every book that waits for something is looked at.
UPDATE enrolled_box SET due_at = :now WHERE due_at > :now;

-- name: heard-since
-- How many watched boxes were heard of since a moment.
SELECT count(*) AS boxes FROM enrolled_box WHERE state = 'watched' AND heard_at >= :since;

-- name: save-invitation
-- Keep a one-time code.
INSERT INTO invitation (hash, client, box, made_at, ends_at, token)
VALUES (:hash, :client, :box, :made_at, :ends_at, '');

-- name: one-invitation
-- A one-time code.
SELECT * FROM invitation WHERE hash = :hash;

-- name: use-invitation
-- Use a one-time code up; no row changes when it was used.
UPDATE invitation SET token = :token, box = :box WHERE hash = :hash AND token = '';

-- name: drop-invitations
-- Forget codes that ended long ago.
DELETE FROM invitation WHERE ends_at < :before;

-- name: save-token
-- Keep the token of a box.
INSERT INTO box_token (hash, box, made_at, used_at) VALUES (:hash, :box, :made_at, NULL)
ON CONFLICT (hash) DO NOTHING;

-- name: box-of-token
-- Whose token it is, with the box, which is kept for us until the transaction ends.
SELECT t.made_at AS token_made_at, t.used_at AS token_used_at, b.*
FROM box_token AS t JOIN enrolled_box AS b ON b.box = t.box WHERE t.hash = :hash
/*postgres: FOR UPDATE OF b*/;

-- name: token-known
-- Whether a token is one of a box here.
SELECT 1 AS found FROM box_token WHERE hash = :hash;

-- name: token-used
-- A token was used for the first time.
UPDATE box_token SET used_at = :now WHERE hash = :hash;

-- name: keep-replaced
-- The tokens that a used one replaces are known as such from now on.
INSERT INTO kept (box, name, text)
SELECT '', 'was-token ' || hash, box FROM box_token
WHERE box = :box AND hash <> :hash AND made_at <= :made_at
ON CONFLICT (box, name) DO NOTHING;

-- name: drop-other-tokens
-- The tokens that a used one replaces.
DELETE FROM box_token WHERE box = :box AND hash <> :hash AND made_at <= :made_at;

-- name: drop-unused-tokens
-- Tokens that were asked for and never used; a newer one takes their place.
DELETE FROM box_token WHERE box = :box AND used_at IS NULL AND hash <> :hash;

-- name: drop-tokens
-- Take all tokens of a box away.
DELETE FROM box_token WHERE box = :box;

-- name: one-sender
-- A run of a box's program.
SELECT first_at, last_at, refused_at FROM box_sender WHERE box = :box AND sender = :sender;

-- name: sender-heard
-- A run of a box's program sent something.
INSERT INTO box_sender (box, sender, first_at, last_at) VALUES (:box, :sender, :now, :now)
ON CONFLICT (box, sender) DO UPDATE SET last_at = excluded.last_at;

-- name: refuse-sender
-- Nothing is taken from this run any more.
UPDATE box_sender SET refused_at = :now WHERE box = :box AND sender = :sender;

-- name: forget-senders
-- Begin anew with the runs of a box.
DELETE FROM box_sender WHERE box = :box;

-- name: drop-senders
-- Forget runs that ended long ago.
DELETE FROM box_sender WHERE last_at < :before;

-- name: refused-sender
-- Whether a run of this box was refused lately.
SELECT count(*) AS senders FROM box_sender WHERE box = :box AND refused_at >= :since;

-- name: survey-known
-- Whether a survey was taken in.
SELECT 1 FROM survey WHERE survey = :survey;

-- name: box-of-drive
-- Where a drive is known to be.
SELECT d.box, b.client FROM drive AS d LEFT JOIN enrolled_box AS b ON b.box = d.box
WHERE d.drive = :drive;

-- name: put-outgoing
-- Keep a survey for the hub.
INSERT INTO outgoing (survey, put_at, level, weighs, body)
VALUES (:survey, :put_at, 0, :weighs, :body);

-- name: first-outgoing
-- The survey that goes next, of those after one.
SELECT * FROM outgoing WHERE number > :after ORDER BY number LIMIT 1;

-- name: outgoing-before
-- The surveys that were kept before one.
SELECT * FROM outgoing WHERE number < :number ORDER BY number;

-- name: outgoing-size
-- What waits for the hub, in bytes and in surveys.
SELECT coalesce(sum(length(body)), 0) AS size, count(*) AS surveys FROM outgoing;

-- name: outgoing-of-level
-- The oldest surveys that are not thinned that far.
SELECT * FROM outgoing WHERE level < :level ORDER BY number LIMIT :limit;

-- name: thin-outgoing
-- Keep less of a survey.
UPDATE outgoing SET level = :level, body = :body WHERE number = :number;

-- name: drop-outgoing
-- A survey that need not be sent any more.
DELETE FROM outgoing WHERE number = :number;

-- name: waiting-notices
-- Messages of a box that wait and were decided up to a moment, but for those that were let go.
SELECT id FROM notice WHERE box = :box AND state = 'waiting' AND attempts = 0
    AND created_at <= :until AND next_try_at >= created_at;

-- name: let-notices-go
-- Messages that wait and were decided up to a moment leave at once; by their time they are known.
UPDATE notice SET next_try_at = created_at - 1 WHERE box = :box AND state = 'waiting'
    AND attempts = 0 AND created_at <= :until AND next_try_at >= created_at;

-- name: mark-of-box
-- What changes when something was written that the rules may see of a box.
SELECT (SELECT last_survey FROM box WHERE box = :box) AS survey,
    (SELECT text FROM kept WHERE box = '' AND name = 'turns') AS turn;

-- name: count-turn
-- Count a transaction of somebody who is not the intake, at a hub.
INSERT INTO kept (box, name, text)
SELECT '', 'turns', '1' WHERE EXISTS (SELECT 1 FROM enrolled_box)
ON CONFLICT (box, name) DO UPDATE SET text = CAST(CAST(kept.text AS BIGINT) + 1 AS TEXT);

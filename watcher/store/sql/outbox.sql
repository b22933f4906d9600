-- Messages on their way, and what became of each attempt.

-- name: put-notice
-- A message to one target; the same key twice is the same message.
INSERT INTO notice
    (box, notice_key, person, target, urgency, urgency_rank, title, body, link, created_at, state,
     attempts, next_try_at, last_error)
VALUES
    (:box, :notice_key, :person, :target, :urgency, :urgency_rank, :title, :body, :link,
     :created_at, 'waiting', 0, :next_try_at, '')
ON CONFLICT (box, notice_key, target) DO NOTHING;

-- name: due-notices
-- Messages whose time has come, the most urgent first; also those that were written, or tried last,
-- in what a clock set back has made the future.
SELECT * FROM notice
WHERE state = 'waiting' AND (
    next_try_at <= :now
    OR (attempts = 0 AND created_at > :now)
    OR (SELECT a.at FROM attempt a WHERE a.notice = notice.id ORDER BY a.number DESC LIMIT 1) > :now)
ORDER BY urgency_rank DESC, next_try_at, id LIMIT :limit
/*postgres: FOR UPDATE OF notice SKIP LOCKED*/;

-- name: claim
-- Take a waiting message.
UPDATE notice SET state = 'sending', claimed_by = :claimer, claimed_at = :now,
    attempts = attempts + 1
WHERE id = :id AND state = 'waiting';

-- name: one-notice
-- One message.
SELECT * FROM notice WHERE id = :id;

-- name: mark-sent
-- It arrived: a fact, whoever holds the claim by now.
UPDATE notice SET state = 'sent', ended_at = :now, claimed_by = NULL, claimed_at = NULL,
    last_error = ''
WHERE id = :id AND state <> 'sent';

-- name: mark-failed
-- It did not arrive; try again later. Only by who holds the claim.
UPDATE notice SET state = 'waiting', next_try_at = :next_try_at, last_error = :error,
    claimed_by = NULL, claimed_at = NULL
WHERE id = :id AND state = 'sending' AND claimed_by = :claimer;

-- name: give-up
-- It will not arrive. Only by who holds the claim.
UPDATE notice SET state = 'given-up', ended_at = :now, last_error = :error,
    claimed_by = NULL, claimed_at = NULL
WHERE id = :id AND state = 'sending' AND claimed_by = :claimer;

-- name: drop-waiting
-- It need not be said any more.
UPDATE notice SET state = 'dropped', ended_at = :now, last_error = :reason
WHERE id = :id AND state = 'waiting';

-- name: stale-claims
-- Claims of senders that did not come back; also those from a time that a clock set back has made
-- the future.
SELECT id, claimed_by FROM notice
WHERE state = 'sending' AND (claimed_at <= :before OR claimed_at > :after)
/*postgres: FOR UPDATE SKIP LOCKED*/;

-- name: release-claim
-- Give a message free again.
UPDATE notice SET state = 'waiting', next_try_at = :now, claimed_by = NULL, claimed_at = NULL,
    last_error = :error
WHERE id = :id AND state = 'sending';

-- name: add-attempt
-- The result of one attempt; a late "sent" replaces what was thought of it.
INSERT INTO attempt (notice, number, target, at, outcome, error)
VALUES (:notice, :number, :target, :at, :outcome, :error)
ON CONFLICT (notice, number) DO UPDATE SET
    at = excluded.at, outcome = excluded.outcome, error = excluded.error;

-- name: attempts
-- All attempts of one message.
SELECT number, at, outcome, error FROM attempt WHERE notice = :notice ORDER BY number;

-- name: next-due
-- When the next waiting message is due; :now for one that a clock set back has put off.
SELECT min(CASE
    WHEN attempts = 0 AND created_at > :now THEN :now
    WHEN (SELECT a.at FROM attempt a WHERE a.notice = notice.id ORDER BY a.number DESC LIMIT 1) > :now THEN :now
    ELSE next_try_at END) AS at
FROM notice WHERE state = 'waiting';

-- name: list-notices
-- Messages of a box, newest first.
SELECT * FROM notice WHERE box = :box ORDER BY id DESC LIMIT :limit;

-- name: latest-notices
-- Messages of all boxes, newest first.
SELECT * FROM notice ORDER BY id DESC LIMIT :limit;

-- name: list-notices-of-state
-- Messages of a box in one state, newest first.
SELECT * FROM notice WHERE box = :box AND state = :state ORDER BY id DESC LIMIT :limit;

-- name: notices-of-state
-- Messages of all boxes in one state, oldest first.
SELECT * FROM notice WHERE state = :state ORDER BY id LIMIT :limit;

-- name: last-arrival
-- When a message last arrived at a target; and the latest one that a clock which was ahead dated later than now.
SELECT max(CASE WHEN at <= :now THEN at END) AS known, max(CASE WHEN at > :now THEN notice END) AS ahead
FROM attempt WHERE target = :target AND outcome = 'sent';

-- name: failures-since
-- Failed attempts at a target since a moment, at messages that are later than one.
SELECT count(*) AS failures, min(at) AS first_at FROM attempt
WHERE target = :target AND outcome <> 'sent' AND at > :since AND notice > :later_than;

-- name: last-failure
-- The last failed attempt at a target.
SELECT at, error FROM attempt WHERE target = :target AND outcome <> 'sent'
ORDER BY at DESC, notice DESC LIMIT 1;

-- name: targets
-- Every target to which something was sent.
SELECT DISTINCT target FROM attempt ORDER BY target;

-- name: said-now
-- On which ways a box has something new to say, and how urgent it is.
SELECT target, max(urgency_rank) AS urgency_rank FROM notice
WHERE box = :box AND created_at = :now AND state = 'waiting' AND attempts = 0
GROUP BY target ORDER BY target;

-- name: count-said
-- How much was said on a way since a moment, this apart; no more than :most are counted.
SELECT count(*) AS said FROM (
    SELECT 1 AS one FROM notice
    WHERE created_at > :since AND target = :target AND NOT (box = :box AND created_at = :now)
    LIMIT :most) AS counted;

-- name: put-off
-- Let what a box has just said wait, so that it can be gathered with what others say.
UPDATE notice SET next_try_at = :until
WHERE box = :box AND target = :target AND created_at = :now AND state = 'waiting' AND attempts = 0;

-- name: ways-put-off
-- The ways on which something was put off.
SELECT DISTINCT target FROM notice
WHERE state = 'waiting' AND next_try_at > :now AND attempts = 0 AND next_try_at > created_at
ORDER BY target;

-- name: notices-put-off
-- What was put off on a way.
SELECT * FROM notice
WHERE state = 'waiting' AND target = :target AND attempts = 0 AND next_try_at > created_at
ORDER BY id;

-- name: gather-put-off
-- It leaves within another message.
UPDATE notice SET state = 'dropped', ended_at = :now,
    last_error = 'said in one message with those of other boxes'
WHERE state = 'waiting' AND target = :target AND attempts = 0 AND next_try_at > created_at;

-- name: leave-put-off
-- It leaves by itself after all.
UPDATE notice SET next_try_at = created_at
WHERE state = 'waiting' AND target = :target AND attempts = 0 AND next_try_at > created_at;

-- name: last-gathered
-- When a message that gathers others was written last.
SELECT max(created_at) AS at FROM notice
WHERE box = :box AND target = :target AND notice_key LIKE 'gathered/%';

-- What the shop asks about many boxes at once.

-- name: open-case-counts
-- How many cases are open in each box, by urgency.
SELECT box, urgency, count(*) AS cases FROM case_file WHERE is_open = 1 GROUP BY box, urgency;

-- name: boxes-with-weight
-- Boxes in which something is open that somebody must act on.
SELECT DISTINCT box FROM case_file WHERE is_open = 1 AND urgency <> 'note' ORDER BY box;

-- name: pools-everywhere
-- Every pool that is expected, as it was seen last, and when its box was looked at last.
SELECT p.box, p.pool, p.name, p.protection, p.margin, p.full_margin, p.last_seen, p.scrubbed_at,
    b.last_survey_at
FROM pool AS p JOIN box AS b ON b.box = p.box
WHERE p.in_use = 1 ORDER BY p.box, p.name;

-- name: drive-counts
-- How many drives each box is expected to have.
SELECT box, count(*) AS drives FROM drive WHERE in_use = 1 GROUP BY box;

-- name: add-gap
-- A stretch in which a box was not watched.
INSERT INTO box_gap (box, begun_at, ended_at) VALUES (:box, :begun_at, :ended_at)
ON CONFLICT (box, begun_at) DO UPDATE SET ended_at = excluded.ended_at;

-- name: gaps-between
-- The stretches in which a box was not watched, as far as they touch a span of time.
SELECT begun_at, ended_at FROM box_gap
WHERE box = :box AND ended_at > :since AND begun_at < :until ORDER BY begun_at;

-- name: open-invitations
-- Codes that can still be used, the first to end first.
SELECT hash, client, box, made_at, ends_at FROM invitation
WHERE token = '' AND ends_at > :now ORDER BY ends_at, hash;

-- name: withdraw-invitation
-- Take a code back before it was used.
DELETE FROM invitation WHERE hash = :hash AND token = '';

-- name: tokens-of-box
-- When the tokens of a box were made and first used.
SELECT made_at, used_at FROM box_token WHERE box = :box ORDER BY made_at;

-- name: boxes-with-token
-- The boxes of which something may be taken.
SELECT DISTINCT box FROM box_token;

-- name: age-tokens
-- Let a box's token count as old, so that the box makes itself a new one.
UPDATE box_token SET made_at = 0 WHERE box = :box AND used_at IS NOT NULL;

-- name: one-box-seen
-- When a box was surveyed last, and by which survey.
SELECT box, first_seen, last_survey_at, last_survey FROM box WHERE box = :box;

-- name: records-between
-- What was written of a box within a span of time, oldest first.
SELECT * FROM record WHERE box = :box AND at >= :since AND at < :until ORDER BY id LIMIT :limit;

-- name: cases-between
-- The cases of a box that were open at some time within a span, the oldest first.
SELECT state FROM case_file
WHERE box = :box AND opened_at < :until AND (closed_at IS NULL OR closed_at >= :since)
ORDER BY opened_at, number LIMIT :limit;

-- name: drives-of-id
-- A drive by its id, also where it goes by a name of its own within a box (ID@BOX).
SELECT * FROM drive WHERE drive = :drive OR substr(drive, 1, CAST(:length AS INTEGER)) = :mark ORDER BY first_seen;

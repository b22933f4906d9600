-- What the rules, the pages and the commands ask of the history.

-- name: drives-of-box
-- The drives of a box.
SELECT * FROM drive WHERE box = :box ORDER BY id;

-- name: every-drive
-- All drives.
SELECT * FROM drive ORDER BY box, id;

-- name: one-drive
-- One drive.
SELECT * FROM drive WHERE drive = :drive;

-- name: changes-about
-- The changes of a counter after a moment, oldest first, and before them the last one up to then.
SELECT at, value FROM change
WHERE drive = :drive AND metric = :metric AND at >= coalesce(
    (SELECT max(at) FROM change WHERE drive = :drive AND metric = :metric AND at <= :since), :since)
ORDER BY at;

-- name: change-up-to
-- What a counter was at a moment, and since when.
SELECT at, value FROM change WHERE drive = :drive AND metric = :metric AND at <= :since
ORDER BY at DESC LIMIT 1;

-- name: changes-between
-- The changes of a counter within a span of time.
SELECT at, value FROM change
WHERE drive = :drive AND metric = :metric AND at >= :since AND at <= :until ORDER BY at;

-- name: spans-between
-- A moving series within a span of time, whatever the resolution.
SELECT at, last, below, above, readings FROM span
WHERE drive = :drive AND metric = :metric AND step = :step AND at >= :since AND at <= :until
ORDER BY at;

-- name: fresh-between
-- What a moving series was in the last day.
SELECT at, last, below, above, readings FROM fresh
WHERE at >= :since AND at <= :until AND drive = :drive AND metric = :metric ORDER BY at;

-- name: polls
-- Proof of watching, by day.
SELECT day, read_count, asleep_count, failed_count FROM poll
WHERE drive = :drive AND day >= :since AND day <= :until ORDER BY day;

-- name: pools-of-box
-- The pools of a box.
SELECT * FROM pool WHERE box = :box ORDER BY id;

-- name: one-pool
-- One pool of a box.
SELECT * FROM pool WHERE box = :box AND pool = :pool;

-- name: pool-changes
-- How a pool's state changed.
SELECT * FROM pool_change WHERE pool = :number AND at >= :since AND at <= :until ORDER BY at;

-- name: pool-change-up-to
-- The state of a pool at a moment.
SELECT * FROM pool_change WHERE pool = :number AND at < :since ORDER BY at DESC LIMIT 1;

-- name: pool-work
-- Samples of the work on a pool.
SELECT at, kind, done_fraction FROM pool_work
WHERE pool = :number AND at >= :since AND at <= :until ORDER BY at;

-- name: events-since
-- Kernel events of a box that ended after a moment, oldest first.
SELECT * FROM event WHERE box = :box AND last_at >= :since ORDER BY at, id;

-- name: events-about
-- Kernel events about one subject, newest first.
SELECT * FROM event
WHERE box = :box AND subject_kind = :kind AND subject_key = :key AND last_at >= :since
ORDER BY last_at DESC, id DESC LIMIT :limit;

-- name: events-about-anywhere
-- Kernel events about one subject on any box, newest first.
SELECT * FROM event WHERE subject_kind = :kind AND subject_key = :key AND last_at >= :since
ORDER BY last_at DESC, id DESC LIMIT :limit;

-- name: last-survey
-- The last survey of a box.
SELECT survey_body, last_survey FROM box WHERE box = :box;

-- name: boxes
-- Every box and when it was heard of.
SELECT box, first_seen, last_survey_at, last_survey FROM box ORDER BY box;

-- name: answers
-- The raw answers kept of a drive, newest first.
SELECT kind, at, verdict, source, body FROM raw_answer WHERE drive = :drive
ORDER BY at DESC, kind DESC;

-- name: set-drive-use
-- Whether a drive is still expected to be there.
UPDATE drive SET in_use = :in_use WHERE drive = :drive;

-- name: set-pool-use
-- Whether a pool is still expected to be there.
UPDATE pool SET in_use = :in_use WHERE box = :box AND pool = :pool;

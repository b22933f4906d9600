-- Taking in a survey.

-- name: note-survey
-- Remember that a survey was taken in. It must not be known: two that take it in at once do not
-- both go on.
INSERT INTO survey (survey, box, taken_at, taken_in_at)
VALUES (:survey, :box, :taken_at, :taken_in_at);

-- name: new-box
-- A box that was not heard of before.
INSERT INTO box (box, first_seen, last_survey_at, last_survey, survey_body)
VALUES (:box, :at, :at, :survey, :body);

-- name: box-heard
-- The last survey of a box.
UPDATE box SET last_survey_at = :at, last_survey = :survey, survey_body = :body WHERE box = :box;

-- name: drive-row
-- What is known of a drive, which is kept for us until the transaction ends.
SELECT id, verdict, last_read, last_present, in_use, counters, day
FROM drive WHERE drive = :drive /*postgres: FOR UPDATE*/;

-- name: new-drive
-- A drive that was not seen before; the rest is filled in by the same survey.
INSERT INTO drive
    (drive, box, identity, model, serial, node, device_type, bay, verdict, unread_detail,
     first_seen, in_use, counters, moving, day)
VALUES
    (:drive, :box, :identity, :model, :serial, :node, '', NULL, 'unknown', '', :at, 1, '{}', '{}', '[]');

-- name: drive-read
-- A drive gave a reading. A bay that is not told this time is kept.
UPDATE drive SET box = :box, identity = :identity, model = :model, serial = :serial, node = :node,
    device_type = :device_type, bay = coalesce(:bay, bay), verdict = :verdict, unread = NULL,
    unread_detail = '', last_read = :at, last_present = :taken_at, in_use = :in_use,
    counters = :counters, moving = :moving, day = :day
WHERE id = :id;

-- name: drive-there
-- A drive is there, but gave no reading.
UPDATE drive SET box = :box, node = :node, bay = coalesce(:bay, bay), unread = :unread,
    unread_detail = :detail, last_present = :taken_at, in_use = :in_use
WHERE id = :id;

-- name: drive-away
-- A drive is not there.
UPDATE drive SET unread = :unread, unread_detail = :detail WHERE id = :id;

-- name: drive-read-late
-- A late survey may have seen the drive earlier than we knew, and changed what was in between.
UPDATE drive SET first_seen = CASE WHEN first_seen > :at THEN :at ELSE first_seen END,
    counters = :counters
WHERE id = :id;

-- name: counters-of-drive
-- What is said of a drive's counters without looking further.
SELECT counters FROM drive WHERE id = :id;

-- name: set-counters
-- Say it anew.
UPDATE drive SET counters = :counters WHERE id = :id;

-- name: last-two-changes
-- The last change of a counter, and the one before.
SELECT at, value FROM change WHERE drive = :drive AND metric = :metric ORDER BY at DESC LIMIT 2;

-- name: metric-numbers
-- The numbers of the metrics.
SELECT id, name FROM metric;

-- name: new-metric
-- Give a metric a number.
INSERT INTO metric (name) VALUES (:name) ON CONFLICT (name) DO NOTHING;

-- name: add-change
-- A counter has moved.
INSERT INTO change (drive, metric, at, value) VALUES (:drive, :metric, :at, :value)
ON CONFLICT (drive, metric, at) DO UPDATE SET value = excluded.value;

-- name: value-at
-- What a counter was at a moment: its last change up to then.
SELECT at, value FROM change WHERE drive = :drive AND metric = :metric AND at <= :at
ORDER BY at DESC LIMIT 1;

-- name: change-after
-- The first change of a counter after a moment.
SELECT at, value FROM change WHERE drive = :drive AND metric = :metric AND at > :at
ORDER BY at LIMIT 1;

-- name: add-to-span
-- Put a value of a moving series into its span of ten minutes.
INSERT INTO fresh (at, drive, metric, last, below, above, readings)
VALUES (:at, :drive, :metric, :value, 0, 0, 1)
ON CONFLICT (at, drive, metric) DO UPDATE SET
    last = excluded.last,
    below = CASE WHEN excluded.last - (fresh.last - fresh.below) > 0
        THEN excluded.last - (fresh.last - fresh.below) ELSE 0 END,
    above = CASE WHEN (fresh.last + fresh.above) - excluded.last > 0
        THEN (fresh.last + fresh.above) - excluded.last ELSE 0 END,
    readings = fresh.readings + 1;

-- name: spans-begun
-- The drives of a box of which something is kept of a span of ten minutes. Each is looked up by
-- itself, for the spans of all boxes lie together.
SELECT id AS drive FROM drive WHERE box = :box
    AND (SELECT max(f.metric) FROM fresh AS f WHERE f.at = :at AND f.drive = drive.id) IS NOT NULL;

-- name: begin-span
-- The first value of a moving series in its span of ten minutes: nothing is there to be joined.
INSERT INTO fresh (at, drive, metric, last, below, above, readings)
VALUES (:at, :drive, :metric, :value, 0, 0, 1) /*key: at, drive, metric*/;

-- name: count-poll
-- Proof that we looked.
INSERT INTO poll (day, drive, read_count, asleep_count, failed_count)
VALUES (:day, :drive, :read, :asleep, :failed)
ON CONFLICT (day, drive) DO UPDATE SET
    read_count = poll.read_count + excluded.read_count,
    asleep_count = poll.asleep_count + excluded.asleep_count,
    failed_count = poll.failed_count + excluded.failed_count;

-- name: latest-answer
-- The row that holds the latest raw answer of a drive.
SELECT id FROM raw_answer WHERE drive = :drive AND kind = 'latest';

-- name: replace-answer
-- Put a newer raw answer in the place of the latest.
UPDATE raw_answer SET at = :at, verdict = :verdict, source = :source, body = :body WHERE id = :id;

-- name: add-answer
-- Keep a raw answer.
INSERT INTO raw_answer (drive, kind, at, verdict, source, body)
VALUES (:drive, :kind, :at, :verdict, :source, :body);

-- name: drop-old-answers
-- Keep the newest answers at a change of verdict only.
DELETE FROM raw_answer WHERE drive = :drive AND kind = 'change' AND id NOT IN (
    SELECT id FROM raw_answer WHERE drive = :drive AND kind = 'change' ORDER BY at DESC LIMIT :keep);

-- name: event-to-fold-into
-- The last event of the same kind about the same thing, if it began lately.
SELECT id, last_at FROM event
WHERE box = :box AND subject_key = :subject_key AND what = :what AND last_at >= :since
    AND at >= :since AND at <= :at AND subject_kind = :subject_kind AND device = :device
    AND category = :category
ORDER BY last_at DESC LIMIT 1;

-- name: fold-event
-- The same again.
UPDATE event SET count = count + :count, last_at = :last_at WHERE id = :id;

-- name: add-event
-- Something new that the kernel said.
INSERT INTO event
    (box, at, last_at, category, what, device, subject_kind, subject_key, line, count)
VALUES
    (:box, :at, :last_at, :category, :what, :device, :subject_kind, :subject_key, :line, :count);

-- name: new-pool
-- A pool that was not seen before.
INSERT INTO pool
    (box, pool, name, kind, first_seen, last_seen, protection, in_use, body)
VALUES (:box, :pool, :name, :kind, :at, :at, 'unknown', 1, '');

-- name: pool-seen
-- A pool as it is now.
UPDATE pool SET name = :name, kind = :kind, last_seen = :at, protection = :protection,
    margin = :margin, full_margin = :full_margin, not_whole_since = :not_whole_since,
    work_kind = :work_kind, work_state = :work_state, work_since = :work_since,
    scrubbed_at = :scrubbed_at, in_use = :in_use, lost = :lost, body = :body
WHERE id = :id;

-- name: last-pool-changes
-- The state of each pool of a box that was recorded last.
SELECT c.pool, c.protection, c.margin, c.full_margin, c.work_kind, c.work_state, c.said, c.drives
FROM pool AS p JOIN pool_change AS c ON c.pool = p.id
WHERE p.box = :box AND c.at = (SELECT max(at) FROM pool_change WHERE pool = p.id);

-- name: add-pool-change
-- A pool's state has changed.
INSERT INTO pool_change
    (pool, at, protection, margin, full_margin, work_kind, work_state, said, drives)
VALUES
    (:pool, :at, :protection, :margin, :full_margin, :work_kind, :work_state, :said, :drives)
ON CONFLICT (pool, at) DO UPDATE SET
    protection = excluded.protection, margin = excluded.margin,
    full_margin = excluded.full_margin, work_kind = excluded.work_kind,
    work_state = excluded.work_state, said = excluded.said, drives = excluded.drives;

-- name: add-pool-work
-- How far the work on a pool is.
INSERT INTO pool_work (pool, at, kind, done_fraction) VALUES (:pool, :at, :kind, :done_fraction)
ON CONFLICT (pool, at) DO UPDATE SET
    kind = excluded.kind, done_fraction = excluded.done_fraction;

-- name: last-pool-work
-- The last samples of a work.
SELECT at, kind, done_fraction FROM pool_work WHERE pool = :pool AND at >= :since
ORDER BY at DESC LIMIT :limit;

-- name: first-pool-work
-- The first sample of a work.
SELECT at, kind, done_fraction FROM pool_work WHERE pool = :pool AND at >= :since
ORDER BY at LIMIT 1;

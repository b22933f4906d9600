-- Keeping the history small: roll up what is old, drop what has had its time.

-- name: drives-after
-- The last of the next drives, in the order of their numbers; none when there are no more.
SELECT max(id) AS last FROM (
    SELECT id FROM drive WHERE id > :first ORDER BY id LIMIT :count) AS next_ones;

-- name: settle
-- Move the spans of the last day to where they lie by series. The times that there are come first,
-- one after the other by their order, so that the rows of some drives are found without the others'.
INSERT INTO span (drive, metric, step, at, last, below, above, readings)
WITH RECURSIVE times (at) AS (
    SELECT min(at) FROM fresh
    UNION ALL SELECT (SELECT min(later.at) FROM fresh AS later WHERE later.at > times.at)
    FROM times WHERE times.at < :before
)
SELECT drive, metric, 0, at, last, below, above, readings FROM fresh
WHERE at IN (SELECT at FROM times) AND at < :before AND drive > :first AND drive <= :until
ON CONFLICT (drive, metric, step, at) DO UPDATE SET
    last = excluded.last,
    below = CASE WHEN excluded.below > excluded.last - (span.last - span.below)
        THEN excluded.below ELSE excluded.last - (span.last - span.below) END,
    above = CASE WHEN excluded.above > (span.last + span.above) - excluded.last
        THEN excluded.above ELSE (span.last + span.above) - excluded.last END,
    readings = span.readings + excluded.readings;

-- name: drop-settled
-- What was moved.
WITH RECURSIVE times (at) AS (
    SELECT min(at) FROM fresh
    UNION ALL SELECT (SELECT min(later.at) FROM fresh AS later WHERE later.at > times.at)
    FROM times WHERE times.at < :before
)
DELETE FROM fresh
WHERE at IN (SELECT at FROM times) AND at < :before AND drive > :first AND drive <= :until;

-- name: roll-up
-- Put spans older than a moment together into wider ones: what was lowest, highest and last. Drives
-- and metrics are named so that each series is entered at its beginning.
INSERT INTO span (drive, metric, step, at, last, below, above, readings)
SELECT wide.drive, wide.metric, :to_step, wide.at, newest.last, newest.last - wide.lowest,
    wide.highest - newest.last, wide.readings
FROM (
    SELECT old.drive, old.metric, old.at - old.at % :width AS at, max(old.at) AS newest_at,
        min(old.last - old.below) AS lowest, max(old.last + old.above) AS highest,
        sum(old.readings) AS readings
    FROM drive CROSS JOIN metric CROSS JOIN span AS old
    WHERE old.drive = drive.id AND old.metric = metric.id AND old.step = :from_step
        AND old.at < :before AND drive.id > :first AND drive.id <= :until
    GROUP BY old.drive, old.metric, old.at - old.at % :width
) AS wide
JOIN span AS newest ON newest.drive = wide.drive AND newest.metric = wide.metric
    AND newest.step = :from_step AND newest.at = wide.newest_at
WHERE 1 = 1
ON CONFLICT (drive, metric, step, at) DO UPDATE SET
    last = excluded.last,
    below = CASE WHEN excluded.below > excluded.last - (span.last - span.below)
        THEN excluded.below ELSE excluded.last - (span.last - span.below) END,
    above = CASE WHEN excluded.above > (span.last + span.above) - excluded.last
        THEN excluded.above ELSE (span.last + span.above) - excluded.last END,
    readings = span.readings + excluded.readings;

-- name: drop-spans
-- Spans that have had their time at this resolution.
DELETE FROM span WHERE (drive, metric, step, at) IN (
    SELECT old.drive, old.metric, old.step, old.at
    FROM drive CROSS JOIN metric CROSS JOIN span AS old
    WHERE old.drive = drive.id AND old.metric = metric.id AND old.step = :step
        AND old.at < :before AND drive.id > :first AND drive.id <= :until);

-- name: thin-changes
-- Of the old changes of a counter, keep the last, the highest and the lowest of each day.
DELETE FROM change WHERE at < :before AND at >= :after AND drive > :first AND drive <= :until
    AND EXISTS (SELECT 1 FROM change AS later
        WHERE later.drive = change.drive AND later.metric = change.metric
            AND later.at > change.at AND later.at < change.at - change.at % :width + :width)
    AND EXISTS (SELECT 1 FROM change AS higher
        WHERE higher.drive = change.drive AND higher.metric = change.metric
            AND higher.at >= change.at - change.at % :width
            AND higher.at < change.at - change.at % :width + :width
            AND (higher.value > change.value
                OR (higher.value = change.value AND higher.at > change.at)))
    AND EXISTS (SELECT 1 FROM change AS lower
        WHERE lower.drive = change.drive AND lower.metric = change.metric
            AND lower.at >= change.at - change.at % :width
            AND lower.at < change.at - change.at % :width + :width
            AND (lower.value < change.value
                OR (lower.value = change.value AND lower.at > change.at)));

-- name: drop-surveys
-- Surveys whose handing over again need not be feared any more.
DELETE FROM survey WHERE survey IN (
    SELECT survey FROM survey WHERE taken_in_at < :before LIMIT :most);

-- name: drop-polls
-- Proof of watching that is older than the series it belongs to.
DELETE FROM poll WHERE (day, drive) IN (
    SELECT day, drive FROM poll WHERE day < :before LIMIT :most);

-- name: drop-observations
-- What the case side was told long ago.
DELETE FROM observation WHERE id IN (
    SELECT id FROM observation WHERE at < :before LIMIT :most);

-- name: drop-noise
-- Harmless kernel events.
DELETE FROM event WHERE category = 'noise' AND last_at < :before;

-- name: drop-events
-- Kernel events that are very old.
DELETE FROM event WHERE last_at < :before;

-- name: count-events
-- How many kernel events each box has.
SELECT box, count(*) AS events FROM event GROUP BY box;

-- name: drop-most-events
-- Of the events of a box that are too many, the least weighty and oldest.
DELETE FROM event WHERE id IN (
    SELECT id FROM event WHERE box = :box
    ORDER BY CASE category WHEN 'noise' THEN 0 WHEN 'link' THEN 1 WHEN 'controller' THEN 2
        ELSE 3 END, last_at
    LIMIT :count);

-- name: drop-notices
-- Messages that came to their end long ago.
DELETE FROM notice WHERE state IN ('sent', 'given-up', 'dropped') AND ended_at < :before;

-- name: count-ended-notices
-- How many messages came to their end.
SELECT count(*) AS notices FROM notice WHERE state IN ('sent', 'given-up', 'dropped');

-- name: drop-most-notices
-- Of too many ended messages, the oldest.
DELETE FROM notice WHERE id IN (
    SELECT id FROM notice WHERE state IN ('sent', 'given-up', 'dropped')
    ORDER BY ended_at, id LIMIT :count);

-- name: drop-attempts
-- Attempts whose message is gone.
DELETE FROM attempt WHERE notice NOT IN (SELECT id FROM notice);

-- name: drop-pool-work
-- Samples of works that are long over.
DELETE FROM pool_work WHERE at < :before;

-- name: drop-cases
-- Cases of the archive that were closed long ago.
DELETE FROM case_file WHERE in_book = 0 AND closed_at < :before;

-- name: drop-records
-- The written history of cases that are gone, and of boxes where it is old.
DELETE FROM record WHERE at < :before AND NOT EXISTS (
    SELECT 1 FROM case_file WHERE case_file.box = record.box
        AND case_file.number = record.case_number);

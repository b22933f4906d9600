-- The recoveries of pools.

-- name: save-recovery
-- Write a recovery.
INSERT INTO recovery (box, pool, opened_at, closed_at, state)
VALUES (:box, :pool, :opened_at, :closed_at, :state)
ON CONFLICT (box, pool, opened_at) DO UPDATE SET
    closed_at = excluded.closed_at, state = excluded.state;

-- name: open-recoveries
-- The recoveries of a box that go on, oldest first.
SELECT state FROM recovery WHERE box = :box AND closed_at IS NULL ORDER BY id;

-- name: recoveries-of-box
-- All recoveries of a box, newest first.
SELECT state FROM recovery WHERE box = :box ORDER BY id DESC LIMIT :limit;

-- name: recoveries-of-pool
-- All recoveries of a pool, newest first.
SELECT state FROM recovery WHERE box = :box AND pool = :pool ORDER BY id DESC LIMIT :limit;

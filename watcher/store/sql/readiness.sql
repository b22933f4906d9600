-- How a box is prepared: its shelf, its rehearsals, the restores that were tried.

-- name: shelf
-- The spares of a box that are on the shelf or on their way, by number.
SELECT number, spare FROM shelf WHERE box = :box AND on_shelf = 1 ORDER BY number;

-- name: last-spare-number
-- The highest number that was ever given to a spare of a box.
SELECT max(number) AS number FROM shelf WHERE box = :box;

-- name: save-spare
-- Write a spare.
INSERT INTO shelf (box, number, on_shelf, spare) VALUES (:box, :number, 1, :spare)
ON CONFLICT (box, number) DO UPDATE SET on_shelf = 1, spare = excluded.spare;

-- name: remove-spare
-- A spare left the shelf; its row stays, so that its number is not given again.
UPDATE shelf SET on_shelf = 0 WHERE box = :box AND number = :number AND on_shelf = 1;

-- name: drills
-- The rehearsals of a box, oldest first.
SELECT number, drill FROM drill WHERE box = :box ORDER BY number;

-- name: last-drill-number
-- The highest number that was given to a rehearsal of a box.
SELECT max(number) AS number FROM drill WHERE box = :box;

-- name: save-drill
-- Write a rehearsal.
INSERT INTO drill (box, number, drill) VALUES (:box, :number, :drill)
ON CONFLICT (box, number) DO UPDATE SET drill = excluded.drill;

-- name: restores
-- The restores that were tried on a box, oldest first.
SELECT restore FROM restore_try WHERE box = :box ORDER BY id;

-- name: add-restore
-- Write down a restore that was tried.
INSERT INTO restore_try (box, restore) VALUES (:box, :restore);

-- name: last-answer
-- When a person last answered a case of a box that somebody had been told of, rehearsals included.
SELECT at, by_whom FROM record
WHERE box = :box AND what IN ('acknowledged', 'also-answered') AND EXISTS (
    SELECT 1 FROM record AS told WHERE told.box = record.box AND told.case_number = record.case_number
        AND told.id < record.id AND substr(told.what, 1, 5) = 'told-'
) ORDER BY id DESC LIMIT 1;

-- name: told-by-box
-- What an enrolled box told of how it is prepared; no row: this is the store of the box itself.
SELECT told.told_at, told.told FROM enrolled_box
LEFT JOIN box_told AS told ON told.box = enrolled_box.box
WHERE enrolled_box.box = :box;

-- name: save-told
-- Keep what a box told.
INSERT INTO box_told (box, told_at, told) VALUES (:box, :told_at, :told)
ON CONFLICT (box) DO UPDATE SET told_at = excluded.told_at, told = excluded.told;

-- name: forget-told
-- Another machine may come under this name.
DELETE FROM box_told WHERE box = :box;
